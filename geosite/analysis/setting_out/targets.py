"""The points of a design that are set out: points, vertices, stations, centres of arcs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.reading.designs import Design, DesignShape

__all__ = ["Arc", "Target", "arcs_in", "targets"]

Role = Literal["point", "vertex", "station", "centre"]

TARGETS_LIMIT = 5_000
"""Nobody sets out more in a day, and a page for a phone carries no more."""
SAME_PLACE_M = 0.001
ARC_FIT_M = 0.002
"""A drawn arc lies this near to its circle; a walked edge does not over so many vertices."""
ARC_VERTICES = 5
ARC_TURNS = (math.radians(0.5), math.radians(30.0))
"""Least and largest turn at a vertex of a drawn arc: corners of a shape turn more."""
KEPT_ON_ARC = 8
"""An arc drawn with more vertices is set out by its ends, its middle and its centre."""


@dataclass(frozen=True, eq=False)
class Target:
    """One point to find on the ground.

    Parameters
    ----------
    name
        Unique.
    shape
        Name of the line or area it is part of, blank for a point.
    role
    place : array, shape (3,)
        Easting, northing (map units), elevation (elevation units; NaN where there is none).
    line
        Of the design file, where it is a table.
    """

    name: str
    shape: str
    role: Role
    place: Floats
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Arc:
    """Vertices `first` to `last` of a line lie on one circle, map units."""

    first: int
    last: int
    centre: tuple[float, float]
    radius: float


def targets(design: Design, unit_m: float, station_m: float | None = None) -> tuple[Target, ...]:
    """Return what is to be set out, in the order of the design.

    Parameters
    ----------
    design
        As read.
    unit_m
        Ground metres per map unit.
    station_m
        Spacing of further points along lines and rings, ground metres; without it none.

    Raises
    ------
    InputError
        More points than anyone sets out.

    Examples
    --------
    A kerb of 10 m with a point every 4 m: its ends first, then what lies between.

    >>> from geosite.reading.designs import DesignShape
    >>> line = np.array([[0.0, 0.0, 1.0], [10.0, 0.0, 1.5]])
    >>> kerb = Design("plan.gpkg", (DesignShape("kerb", "", "line", line),), None)
    >>> [round(float(target.place[0]), 6) for target in targets(kerb, 1.0, 4.0)]
    [0.0, 10.0, 4.0, 8.0]
    """
    found: list[Target] = []
    places: dict[str, list[Floats]] = {}
    for number, shape in enumerate(design.shapes, start=1):
        for target in _of_shape(shape, number, unit_m, station_m):
            known = places.setdefault(target.name, [])
            # a mark that was observed twice is one mark
            if any(_near(place, target.place, unit_m) for place in known):
                continue
            known.append(target.place)
            name = target.name if len(known) == 1 else f"{target.name} ({len(known)})"
            found.append(Target(name, target.shape, target.role, target.place, target.line))
        if len(found) > TARGETS_LIMIT:
            raise InputError(
                Problem(
                    "design-too-many-points",
                    f"the design has more than {TARGETS_LIMIT} points to set out",
                    f"at most {TARGETS_LIMIT}",
                    "choose a layer or cut it to what is set out today, or use a longer station",
                    design.file,
                )
            )
    return tuple(found)


def _near(one: Floats, other: Floats, unit_m: float) -> bool:
    return math.dist(one[:2], other[:2]) * unit_m <= SAME_PLACE_M


def _of_shape(
    shape: DesignShape, number: int, unit_m: float, station_m: float | None
) -> Iterator[Target]:
    if shape.kind == "point":
        yield Target(shape.name or f"P{number}", "", "point", shape.places[0], shape.line)
        return
    name = shape.name or f"{'L' if shape.kind == 'line' else 'A'}{number}"
    places = shape.places
    arcs = arcs_in(places, ARC_FIT_M / unit_m)
    skipped = {
        vertex
        for arc in arcs
        if arc.last - arc.first + 1 > KEPT_ON_ARC
        for vertex in range(arc.first + 1, arc.last)
        if vertex != (arc.first + arc.last) // 2
    }
    ends_where_it_began = len(places) > 2 and bool((places[0, :2] == places[-1, :2]).all())
    last = len(places) - 1 if ends_where_it_began else len(places)
    for vertex in range(last):
        if vertex not in skipped:
            yield Target(f"{name}-{vertex + 1}", name, "vertex", places[vertex])
    for count, arc in enumerate(arcs, start=1):
        # the centre has no elevation of its own: that of the arc's middle is shown
        up = places[(arc.first + arc.last) // 2, 2]
        called = f"{name} centre" if len(arcs) == 1 else f"{name} centre {count}"
        yield Target(called, name, "centre", np.array([*arc.centre, up]))
    if station_m is not None:
        yield from _stations(name, places, unit_m, station_m)


def _stations(name: str, places: Floats, unit_m: float, station_m: float) -> Iterator[Target]:
    """Yield points every so many ground metres along a line, chord by chord."""
    step = np.hypot(*np.diff(places[:, :2], axis=0).T) * unit_m
    chainage = np.concatenate([[0.0], np.cumsum(step)])
    if chainage[-1] / station_m > TARGETS_LIMIT:
        raise InputError(
            Problem(
                "station-too-short",
                f"stations every {station_m:g} m along {name}, {chainage[-1]:.0f} m long",
                f"at most {TARGETS_LIMIT} stations",
                "use a longer station",
            )
        )
    for at in np.arange(station_m, chainage[-1], station_m).tolist():
        if np.abs(chainage - at).min() < 0.01:
            continue
        place = np.array([np.interp(at, chainage, places[:, axis]) for axis in range(3)])
        yield Target(f"{name}+{at:.2f}".rstrip("0").rstrip("."), name, "station", place)


def arcs_in(places: Floats, tolerance: float) -> list[Arc]:
    """Return the runs of vertices of a line that were drawn as arcs of circles.

    Parameters
    ----------
    places : array, shape (n, 2 or more), columns easting, northing
    tolerance
        How far a vertex may lie off the circle, same unit.

    Notes
    -----
    A run grows while every vertex of it lies on the circle through its first, middle and last
    vertex, and while it turns one way, by no more at a vertex than a smooth line does.

    Examples
    --------
    >>> angle = np.radians(np.arange(0, 91, 10))
    >>> quarter = np.column_stack([8 * np.cos(angle), 8 * np.sin(angle)])
    >>> (arc,) = arcs_in(np.vstack([quarter, [[0, 20]]]), 0.002)
    >>> arc.first, arc.last, round(arc.radius, 6)
    (0, 9, 8.0)
    """
    flat = np.asarray(places, np.float64)[:, :2]
    step = np.diff(flat, axis=0)
    direction = np.arctan2(step[:, 1], step[:, 0])
    turn = np.mod(np.diff(direction) + math.pi, 2 * math.pi) - math.pi
    least, largest = ARC_TURNS
    smooth = (np.abs(turn) >= least) & (np.abs(turn) <= largest)
    found: list[Arc] = []
    first = 0
    while first + ARC_VERTICES <= len(flat):
        best: Arc | None = None
        last = first + 2
        while last < len(flat) and smooth[last - 2] and turn[last - 2] * turn[first] > 0:
            circle = _circle(flat[first : last + 1], tolerance)
            if circle is None:
                break
            best = Arc(first, last, *circle)
            last += 1
        if best is not None and best.last - best.first + 1 >= ARC_VERTICES:
            found.append(best)
            first = best.last
        else:
            first += 1
    return found


def _circle(
    run: Sequence[Floats] | Floats, tolerance: float
) -> tuple[tuple[float, float], float] | None:
    """Return the circle through first, middle and last, if all vertices lie on it."""
    points = np.asarray(run)
    a = points[0]
    closed = math.dist(points[0], points[-1]) <= tolerance
    thirds = (len(points) // 3, 2 * len(points) // 3) if closed else (len(points) // 2, -1)
    b, c = points[thirds[0]] - a, points[thirds[1]] - a
    twice = 2 * float(b[0] * c[1] - b[1] * c[0])
    if abs(twice) < 1e-12:
        return None
    bb, cc = float(b @ b), float(c @ c)
    centre = a + np.array([c[1] * bb - b[1] * cc, b[0] * cc - c[0] * bb]) / twice
    radius = math.dist(a, centre)
    off = np.abs(np.hypot(*(points - centre).T) - radius).max()
    return ((float(centre[0]), float(centre[1])), radius) if off <= tolerance else None
