"""What calibrating a device gains, told before it is done, beside what it then gains.

    python tests/benchmark/calibration_gain.py [sets of surveys of each device]

Of each device sets of eight simulated surveys of a yard of 40 m. Three of two closed runs calibrate
it; the other five, their first run alone (one loop) or both runs, are adjusted without a word about
the device and then with what was fitted. Figures are medians over the surveys: half widths of the
95 % interval of the least certain place, and how often the intervals hold the truth.
"""

from __future__ import annotations

import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]
from device_walks import Walked, walked  # noqa: E402
from network_cases import book  # noqa: E402

from geosite.fieldbook.model import Notes  # noqa: E402
from geosite.fieldbook.sitefile import DeviceTable  # noqa: E402
from geosite.network.accuracy.ellipses import error_ellipses  # noqa: E402
from geosite.network.accuracy.on_map import ellipse_half_axis  # noqa: E402
from geosite.network.adjust import adjust  # noqa: E402
from geosite.network.calibration.fit import calibrate  # noqa: E402
from geosite.network.calibration.wording import device_toml  # noqa: E402
from geosite.network.covariance import sigma_horizontal  # noqa: E402
from geosite.network.model import Network  # noqa: E402
from geosite.network.walk.device import CLASSES, Device  # noqa: E402

YARD = 40.0
GOOD, UNKNOWN = CLASSES["good"], CLASSES["unknown"]
DEVICES = {
    "as good as the class": GOOD,
    "as an unknown one": UNKNOWN,
    "twice as bad as that": replace(
        UNKNOWN,
        pointing=2 * UNKNOWN.pointing,
        pointing_up=2 * UNKNOWN.pointing_up,
        walk=2 * UNKNOWN.walk,
        walk_up=2 * UNKNOWN.walk_up,
        heading=2 * UNKNOWN.heading,
        scale=2 * UNKNOWN.scale,
        climb=2 * UNKNOWN.climb,
        tilt=2 * UNKNOWN.tilt,
    ),
}


def by(notes: Notes, device: DeviceTable | None) -> Notes:
    """Return the notes with a device, or without a word about it."""
    survey = msgspec.structs.replace(notes.site.survey, device=device)
    return replace(notes, site=msgspec.structs.replace(notes.site, survey=survey))


def held(network: Network, truth: np.ndarray) -> float:
    """Share of coordinates in plan within their 95 % interval."""
    half = sigma_horizontal(network) * network.interval_factor
    free = half > 1e-4
    off = np.abs(network.frame.to_map(network.en) - np.array([500.0, 700.0]) - truth[:, :2])
    return float((off[free] < half[free, None]).mean())


def one_loop(walk: Walked) -> Walked:
    """Return the first run alone."""
    notes = walk.notes
    rows = np.flatnonzero(notes.book.run == 0)
    named = [(0, notes.book.marks[m], *notes.book.local[i]) for i, m in enumerate(notes.book.mark)]
    shorter = book([("R1", *named[i][1:]) for i in rows.tolist()])
    return Walked(replace(notes, book=shorter), walk.truth[rows])


def tried(device: Device, sets: int, alone: bool) -> np.ndarray:
    """Stated before, told, stated after, held before, held after; a line for each survey."""
    lines = []
    for number in range(sets):
        seeds = [8 * number + k for k in range(8)]
        surveys = [walked(YARD, seed, true=device) for seed in seeds]
        fitted = calibrate([walk.notes for walk in surveys[:3]], proof=False)
        table = msgspec.convert(tomllib.loads(device_toml(fitted))["device"], DeviceTable)
        for walk in map(one_loop, surveys[3:]) if alone else surveys[3:]:
            before = adjust(by(walk.notes, None))
            arm = before.report.lever_arm
            assert arm is not None
            assert arm.error_95_m is not None
            after = adjust(by(walk.notes, table))
            row = int(np.argmax(error_ellipses(before.relative)[0]))
            axis = float(error_ellipses(after.relative, np.array([row]))[0][0])
            told = arm.error_95_m if arm.calibrated_95_m is None else arm.calibrated_95_m
            lines.append(
                (
                    arm.error_95_m,
                    told,
                    ellipse_half_axis(after, axis),
                    held(before, walk.truth),
                    held(after, walk.truth),
                )
            )
    return np.array(lines)


def main() -> None:
    """Print the table."""
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    print(f"{5 * sets} surveys of each device; metres, medians; held in percent")
    heads = f"{'unknown':>9}{'told':>9}{'calibrated':>12}{'held':>8}{'held':>8}{'told/real':>10}"
    print(f"{'device':32}{heads}")
    for name, device in DEVICES.items():
        for alone in (True, False):
            found = tried(device, sets, alone)
            width = np.median(found[:, :3], axis=0)
            share = 100 * found[:, 3:].mean(axis=0)
            told = np.median(found[:, 1] / found[:, 2])
            title = f"{name}, {'one loop' if alone else 'two'}"
            print(
                f"{title:32}{width[0]:9.3f}{width[1]:9.3f}{width[2]:12.3f}"
                f"{share[0]:8.1f}{share[1]:8.1f}{told:10.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
