"""A survey and a second walk of the same baseline, both simulated: how near setting out comes."""

from __future__ import annotations

from dataclasses import dataclass

import network_cases
import numpy as np
from walk_simulator import Noise, Stop, Walk, recorded

from geosite.network.adjust import adjust
from geosite.review.setting_out.compute import Today, set_out
from geosite.review.setting_out.targets import Target

NOISE = Noise(0.005, 0.004)
CRS = "+proj=tmerc +lat_0=48 +lon_0=11 +k={k} +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"
FEET = 0.3048


@dataclass(frozen=True)
class Kind:
    """What is varied: length of the baseline in metres, map per ground length, unit, axes."""

    baseline: float
    factor: float
    unit: str = "m"
    left_handed: bool = False


KINDS = (
    Kind(4.0, 0.9996),
    Kind(4.0, 1.0004, "ft", True),
    Kind(12.0, 0.9996, "ft"),
    Kind(12.0, 1.0004, "m", True),
    Kind(40.0, 1.0004, "ft", True),
    Kind(40.0, 0.9996),
)


def set_out_own_marks(seed: int, kind: Kind, marks: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Survey some marks, walk the baseline again and set the marks out.

    Returns
    -------
    in_plan, in_height : array of bool, shape (marks,)
        Whether what the device shows on each mark lies within the stated error of what it was told
        to show.
    """
    rng = np.random.default_rng(seed)
    unit_m = FEET if kind.unit == "ft" else 1.0
    ends = [Stop(0, 0, 0, "A"), Stop(kind.baseline, 0, 0.3, "B")]
    stops = [Stop(*rng.uniform(-15, 15, 2), rng.uniform(-1, 1), f"M{i}") for i in range(marks)]
    rows = []
    for run, way in (("R1", [*ends, *stops, *ends]), ("R2", [*ends, *stops[::-1], ends[0]])):
        seen = recorded(Walk(run, tuple(way)), NOISE, rng) / unit_m
        rows += [(run, stop.point, *xyz) for stop, xyz in zip(way, seen, strict=True)]
    anchor = {
        "A": {"easting": 1000.0, "northing": 1000.0, "elevation": 0.0, "sigma": 0.01},
        "B": {"easting": 1000 + kind.baseline * kind.factor, "northing": 1000.0, "sigma": 0.01},
    }
    notes = network_cases.notes(
        rows,
        anchor,
        noise=(NOISE.constant, NOISE.per_sqrt_metre),
        unit=kind.unit,
        crs=CRS.format(k=kind.factor),
        limit=5,
    )
    network = adjust(notes)
    seen = recorded(Walk("T", (*ends, *stops)), NOISE, rng) / unit_m
    if kind.left_handed:
        seen = seen * [1, -1, 1]
    walk = network_cases.book(
        [("R1", stop.point, *xyz) for stop, xyz in zip(ends, seen, strict=False)], unit_m
    )
    targets = []
    for stop in stops:
        row = int(np.flatnonzero(notes.book.mark == notes.book.marks.index(stop.point))[0])
        place = [*network.frame.to_map(network.en[row]), network.elevation[row]]
        targets.append(Target(stop.point, "", "point", np.array(place)))
    today = Today(walk, "left-handed" if kind.left_handed else "right-handed")
    points = set_out(notes, network, None, targets, today, unit=kind.unit).points
    off = (np.array([p.reading for p in points]) - seen[2:]) * unit_m
    return (
        np.hypot(off[:, 0], off[:, 1]) <= [p.error_95_m for p in points],
        np.abs(off[:, 2]) <= [p.v_95_m for p in points],
    )
