"""What a calibration from few surveys is worth for the next ones, on simulated devices.

    python tests/benchmark/calibration_coverage.py [sets of surveys of each kind] [surveys of a set]

Each set calibrates a device with some closed surveys of two runs in a yard of 40 m; four other
surveys, two open and two closed, are adjusted with what was fitted. The device is always as good
as it is, or the level of its error in plan and in height varies from survey to survey: its square
is nu over a chi-square with nu degrees of freedom. Held in percent, and in brackets how many times
wider the intervals are than those of one who knows the components and nu (mean of logarithms).
"""

from __future__ import annotations

import math
import sys
import tomllib
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]
from device_walks import STRAYING, Walked, walked  # noqa: E402
from tracking_outcomes import KINDS, outcomes  # noqa: E402

from geosite.base.errors import SurveyRefused  # noqa: E402
from geosite.fieldbook.model import Notes  # noqa: E402
from geosite.fieldbook.sitefile import DeviceTable  # noqa: E402
from geosite.network.adjust import adjust  # noqa: E402
from geosite.network.calibration.fit import calibrate  # noqa: E402
from geosite.network.calibration.wording import device_toml  # noqa: E402
from geosite.network.walk.device import Device  # noqa: E402

YARD = 40.0
STEADY = 1e6
NU = (STEADY, 8.0, 4.0, 2.0)
PLAN = ("pointing", "walk", "heading", "scale")


def in_toml(device: Device) -> dict[str, Any]:
    """Return the keys of ``[device]`` that its components have."""
    return {
        "pointing": device.pointing,
        "pointing_up": device.pointing_up,
        "walk": device.walk,
        "walk_up": device.walk_up,
        "heading_deg": math.degrees(device.heading),
        "scale_percent": 100 * device.scale,
        "climb_percent": 100 * device.climb,
        "tilt_deg": math.degrees(device.tilt),
    }


def on_a_day(rng: np.random.Generator, nu: float) -> Device:
    """Return the device with the levels of one survey."""
    plan, height = np.sqrt(nu / rng.chisquare(nu, 2)) if nu < STEADY else (1.0, 1.0)
    sizes = {
        name: getattr(STRAYING, name) * (plan if name in PLAN else height)
        for name in (*PLAN, "pointing_up", "walk_up", "climb", "tilt")
    }
    return replace(STRAYING, **sizes)


def by(walk: Walked, device: dict[str, Any]) -> Notes:
    """Return the notes with a device."""
    table = msgspec.convert(device, DeviceTable)
    survey = msgspec.structs.replace(walk.notes.site.survey, device=table)
    return replace(walk.notes, site=msgspec.structs.replace(walk.notes.site, survey=survey))


@dataclass
class Found:
    """What the sets of one kind came to."""

    held: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    wider: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    intervals: list[bool] = field(default_factory=list)
    refused: int = 0


def tried(nu: float, sets: int, surveys: int) -> dict[bool, Found]:
    """Calibrate and adjust, by whether the other surveys are closed."""
    found = {False: Found(), True: Found()}
    known = {**in_toml(STRAYING), "degrees_of_freedom": nu}
    for number in range(sets):
        rng = np.random.default_rng([number, int(nu)])
        seed = 1000 * number
        taught = [walked(YARD, seed + k, true=on_a_day(rng, nu)).notes for k in range(surveys)]
        tables = tomllib.loads(device_toml(calibrate(taught, proof=False)))
        ends = tables["calibration"]["intervals_95"]
        truth = in_toml(STRAYING).items()
        for one in found.values():
            one.intervals += [ends[key][0] <= value <= ends[key][1] for key, value in truth]
        for closed in (False, False, True, True):
            seed += 100
            one = found[closed]
            walk = walked(YARD, seed, true=on_a_day(rng, nu), closed=closed)
            try:
                with_fitted, with_truth = (
                    outcomes(adjust(by(walk, device)), walk.truth, seed)
                    for device in (tables["device"], known)
                )
            except SurveyRefused:
                one.refused += 1
                continue
            for kind in KINDS:
                off = np.abs(with_fitted[kind])
                one.held[kind].append(float((off < 1).mean()))
                # the errors of both are nearly the same
                best = np.abs(with_truth[kind])
                one.wider[kind].append(float(np.median(np.log(best / off))))
    return found


def main() -> None:
    """Print the table."""
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    surveys = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    print(f"{sets} sets of {surveys} surveys each, {2 * sets} other surveys open and closed")
    heads = f"{'components':>14}{'refused':>9}"
    print(f"{'':24}", *(f"{kind:>13}" for kind in KINDS), heads)
    for nu in NU:
        for closed, one in tried(nu, sets, surveys).items():
            name = "always the same" if nu == STEADY else f"nu {nu:.0f}"
            cells = (
                f"{100 * np.mean(one.held[k]):.1f} ({np.exp(np.mean(one.wider[k])):4.2f})"
                for k in KINDS
            )
            tail = f"{sum(one.intervals):6} of {len(one.intervals):4}{one.refused:9}"
            title = f"{name}, {'closed' if closed else 'open'}"
            print(f"{title:24}", *(f"{cell:>13}" for cell in cells), tail, flush=True)


if __name__ == "__main__":
    main()
