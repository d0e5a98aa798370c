"""How often the stated 95 % intervals hold the truth of real motion tracking.

python tests/benchmark/real_tracking.py [surveys of each recording and kind] [by-time]

With "by-time" the times are noted, the random walk goes by the second, and the likelihoods of both
ways are compared.
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
from real_tracking import Real, Recording, recordings, surveys
from tracking_outcomes import KINDS, outcomes

from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import DeviceTable, LegNoise
from geosite.network.adjust import adjust
from geosite.network.calibration.fit import calibrate
from geosite.network.calibration.wording import device_toml
from geosite.network.walk.device import CLASSES


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
    cases: Iterable[Real],
    device: Callable[[Real], dict[str, Any] | DeviceTable | None],
    notes_of: Callable[[Real], Notes] = lambda case: case.notes,
) -> tuple[dict[str, dict[str, float]], dict[str, list[int]]]:
    """Shares of held intervals, and surveys made, refused, with a mistake named, by group."""
    held: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
    for number, case in enumerate(cases):
        way = "closed" if case.closed else "open"
        names = [way, f"  {case.recording}, {way}"]
        if "hand-held" in case.recording:
            names.append(f" held in the hand, {way}")
        for name in names:
            counts[name][0] += 1
        try:
            network = adjust(with_device(notes_of(case), device(case)))
        except SurveyRefused:
            for name in names:
                counts[name][1] += 1
            continue
        named = sum(f.code in ("leg-off", "visit-off") for f in network.findings) > 0
        ratios = outcomes(network, case.truth, number)
        for name in names:
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


def untimed(case: Real) -> Notes:
    """Return the survey as noted without times."""
    return case.notes


def timed(case: Real) -> Notes:
    """Return the survey with its times."""
    return case.timed


def for_calibration(recording: Recording) -> list[Real]:
    """Return two closed surveys that take no part in the tables."""
    return list(surveys(recording, closed=True, count=2, seed=2))


def calibrated_without(name: str, notes_of: Callable[[Real], Notes]) -> dict[str, Any]:
    """Fit a device to two closed surveys of each recording but one."""
    training = [
        notes_of(case)
        for recording in recordings()
        if recording.name != name
        for case in for_calibration(recording)
    ]
    fitted = device_toml(calibrate(training, proof=False))
    found: dict[str, Any] = tomllib.loads(fitted)["device"]
    return found


def by_time(cases: list[Real]) -> None:
    """Compare the random walk by the second with that by the metre."""
    print("minus twice the logarithm of the likelihood: by the metre; by the second; less")
    for recording in recordings():
        both = [
            calibrate([notes_of(case) for case in for_calibration(recording)], proof=False).misfit
            for notes_of in (untimed, timed)
        ]
        print(
            f"{recording.name:24} {both[0]:9.1f} {both[1]:9.1f} {both[1] - both[0]:7.1f}",
            flush=True,
        )
    # at a walking pace of one metre per second the two are the same
    unknown = {"class": "unknown", "walk_per_second": CLASSES["unknown"].walk}
    unknown["degrees_of_freedom"] = CLASSES["unknown"].degrees_of_freedom
    show('class "unknown", by the second', *table(cases, lambda _: unknown, timed))
    devices = {r.name: calibrated_without(r.name, timed) for r in recordings()}
    calibrated = table(cases, lambda case: devices[case.recording], timed)
    show("calibrated on the other recordings, by the second", *calibrated)


def main() -> None:
    """Print the tables."""
    each = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    cases = every_survey(each)
    if not cases:
        print("the recordings cannot be fetched")
        return
    if "by-time" in sys.argv:
        by_time(cases)
        return
    show("legs that err independently (before)", *table(cases, lambda _: None))
    show('class "unknown"', *table(cases, lambda _: {"class": "unknown"}))
    show('class "good"', *table(cases, lambda _: {"class": "good"}))
    devices = {r.name: calibrated_without(r.name, untimed) for r in recordings()}
    show("calibrated on the other recordings", *table(cases, lambda case: devices[case.recording]))


if __name__ == "__main__":
    main()
