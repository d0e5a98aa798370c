"""A survey and a second walk of the same baseline, both simulated: how near setting out comes."""

from __future__ import annotations

from dataclasses import dataclass

import network_cases
import numpy as np
from walk_simulator import Noise, Stop, Walk, recorded

from geosite.analysis.setting_out.compute import Today, set_out
from geosite.analysis.setting_out.targets import Target
from geosite.network.adjust import adjust
from geosite.network.walk.device import CLASSES

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
    strays: bool = False
    """Walked by a device whose heading, scale and climb stray, as one of class "good" does."""


KINDS = (
    Kind(4.0, 0.9996),
    Kind(4.0, 1.0004, "ft", True),
    Kind(12.0, 0.9996, "ft"),
    Kind(12.0, 1.0004, "m", True),
    Kind(40.0, 1.0004, "ft", True),
    Kind(40.0, 0.9996),
    Kind(4.0, 1.0004, strays=True),
    Kind(40.0, 0.9996, strays=True),
)

STEP_M = 0.5
"""Of a straying walk."""


def strayed(stops: list[Stop], rng: np.random.Generator) -> np.ndarray:
    """Return what a device of class "good" records: every part of its error, drawn anew."""
    truth = np.array([(s.east, s.north, s.up) for s in stops])
    good = CLASSES["good"]
    heading, scale = rng.uniform(-np.pi, np.pi), rng.normal(0, good.scale)
    climb, tilt = rng.normal(0, good.climb), rng.normal(0, good.tilt, 2)
    at = np.zeros(3)
    path = [at]
    for leg in np.diff(truth, axis=0):
        count = max(1, int(np.hypot(*leg[:2]) / STEP_M))
        part = leg / count
        length = float(np.hypot(*part[:2]))
        for _ in range(count):
            heading += rng.normal(0, good.heading * np.sqrt(length))
            cosine, sine = np.cos(heading), np.sin(heading)
            flat = np.array([cosine * part[0] + sine * part[1], cosine * part[1] - sine * part[0]])
            wander = rng.normal(0, 1, 3) * np.sqrt(length)
            rise = part[2] + climb * length + tilt @ part[:2] + good.walk_up * wander[2]
            at = at + np.array([*(flat * (1 + scale) + good.walk * wander[:2]), rise])
        path.append(at)
    pointing = [good.pointing, good.pointing, good.pointing_up]
    return np.array(path) + rng.normal(0, 1, (len(path), 3)) * pointing


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

    def seen_on(way: list[Stop]) -> np.ndarray:
        if kind.strays:
            return strayed(way, rng) / unit_m
        return recorded(Walk("R", tuple(way)), NOISE, rng) / unit_m

    rows = []
    for run, way in (("R1", [*ends, *stops, *ends]), ("R2", [*ends, *stops[::-1], ends[0]])):
        seen = seen_on(way)
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
        limit=None if kind.strays else 5,
        device={"class": "good"} if kind.strays else None,
    )
    network = adjust(notes)
    seen = seen_on([*ends, *stops])
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
