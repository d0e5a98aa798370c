"""How often the stated 95 % intervals hold the truth of real motion tracking.

python tests/benchmark/real_tracking.py [surveys of each recording and kind]
"""

from __future__ import annotations

import sys
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from real_tracking import Real, recordings, surveys
from tracking_outcomes import KINDS, outcomes

from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import DeviceTable, LegNoise
from geosite.network.adjust import adjust
from geosite.network.calibration.fit import calibrate
from geosite.network.calibration.wording import device_toml


def with_device(notes: Notes, device: dict[str, Any] | DeviceTable | None) -> Notes:
    """Return the notes with a device, or with today's leg noise."""
    survey = notes.site.survey
    if device is None:
        survey = msgspec.structs.replace(survey, leg_noise=LegNoise())
    else:
        table = device if isinstance(device, DeviceTable) else msgspec.convert(device, DeviceTable)
        survey = msgspec.structs.replace(survey, device=table)
    return replace(notes, site=msgspec.structs.replace(notes.site, survey=survey))


def table(
    cases: Iterable[Real], device: Callable[[Real], dict[str, Any] | DeviceTable | None]
) -> tuple[dict[str, dict[str, float]], dict[str, list[int]]]:
    """Shares of held intervals, and surveys made, refused, with a mistake named, by group."""
    held: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for number, case in enumerate(cases):
        group = "closed" if case.closed else "open"
        for name in (group, f"  {case.recording}, {group}"):
            counts[name][0] += 1
        try:
            network = adjust(with_device(case.notes, device(case)))
        except SurveyRefused:
            for name in (group, f"  {case.recording}, {group}"):
                counts[name][1] += 1
            continue
        named = sum(f.code in ("leg-off", "visit-off") for f in network.findings) > 0
        ratios = outcomes(network, case.truth, number)
        for name in (group, f"  {case.recording}, {group}"):
            counts[name][2] += named
            for kind, values in ratios.items():
                held[name][kind] += (np.abs(values) < 1).tolist()
    shares = {
        name: {kind: float(100 * np.mean(kinds[kind])) if kinds[kind] else np.nan for kind in KINDS}
        for name, kinds in held.items()
    }
    return shares, dict(counts)


def show(title: str, shares: dict[str, dict[str, float]], counts: dict[str, list[int]]) -> None:
    """Print a table."""
    print(f"\n{title}", flush=True)
    print(f"{'':32}{'surveys':>8}{'refused':>8}{'mistakes':>9}", *(f"{k:>9}" for k in KINDS))
    for name in sorted(counts, key=lambda n: (n.strip().split(", ")[-1], n)):
        row = shares.get(name, {})
        print(
            f"{name:32}{counts[name][0]:8}{counts[name][1]:8}{counts[name][2]:9}",
            *(f"{row.get(k, np.nan):9.1f}" for k in KINDS),
            flush=True,
        )


def every_survey(each: int) -> list[Real]:
    """Surveys of every recording, open and closed."""
    return [
        case
        for recording in recordings()
        for closed in (False, True)
        for case in surveys(recording, closed=closed, count=each)
    ]


def calibrated_without(name: str) -> dict[str, Any]:
    """Fit a device to two closed surveys of each recording but one."""
    training = [
        case.notes
        for recording in recordings()
        if recording.name != name
        for case in surveys(recording, closed=True, count=2, seed=2)
    ]
    fitted = device_toml(calibrate(training, proof=False))
    found: dict[str, Any] = tomllib.loads(fitted)["device"]
    return found


def main() -> None:
    """Print the tables."""
    each = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    cases = every_survey(each)
    if not cases:
        print("the recordings cannot be fetched")
        return
    show("legs that err independently (before)", *table(cases, lambda _: None))
    show('class "unknown"', *table(cases, lambda _: {"class": "unknown"}))
    show('class "good"', *table(cases, lambda _: {"class": "good"}))
    devices = {recording.name: calibrated_without(recording.name) for recording in recordings()}
    show("calibrated on the other recordings", *table(cases, lambda case: devices[case.recording]))


if __name__ == "__main__":
    main()
