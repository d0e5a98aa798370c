"""Signs of the plan, and the shapes they are made from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.drawing.sheet import Arc, Outline, Shape
from geosite.handover.palette import WATER
from geosite.handover.styles.signs import DART, RADIUS_MM

__all__ = [
    "Mark",
    "arrow_symbol",
    "baseline_symbol",
    "end_ticks",
    "hatch",
    "head",
    "inlet_symbol",
    "mark_symbol",
    "rounded",
    "significant",
]


@dataclass(frozen=True, eq=False, slots=True)
class Mark:
    """A named mark on paper."""

    name: str
    feature: str
    """Of point features."""
    elevation: float | None
    place: Floats
    kind: Literal["mark", "baseline", "inlet"]


_PEN_SHOWS = 0.02
"""Of a curve on paper, mm: what no pen shows."""


def rounded(ring: Floats, cell: float) -> Floats:
    """Return a closed line along cells of a raster without its stairs.

    Parameters
    ----------
    ring : array, shape (n, 2), sheet mm
        Closed: its last place is its first.
    cell
        Size of a cell, mm. No place moves by more than about that.

    Notes
    -----
    Stairs are cut by Douglas and Peucker (1973) at three quarters of a cell, corners by as many
    rounds of Chaikin (1974, doi:10.1016/0146-664X(74)90028-8), four at most, as the pen shows: the
    curve they tend to is at most an eighth of a side away, and a quarter of that after each round.

    Examples
    --------
    A stair of cells of 1 mm loses its corners; nothing moves by more than a cell:

    >>> x, y = [0, 3, 3, 2, 2, 1, 1, 0, 0], [0, 0, 1, 1, 2, 2, 3, 3, 0]
    >>> stair = np.column_stack([x, y]).astype(float)
    >>> smooth = rounded(stair, 1.0)
    >>> float(shapely.hausdorff_distance(*map(shapely.linestrings, (stair, smooth)))) < 1.0
    True
    """
    if len(ring) < 4 or cell <= 0:
        return ring
    line = shapely.simplify(shapely.linestrings(ring), 0.75 * cell)
    places: Floats = shapely.get_coordinates(shapely.segmentize(line, 3 * cell))[:-1]
    if len(places) < 3:
        return ring
    side = 3 * cell
    rounds = math.ceil(math.log(max(side / 8 / _PEN_SHOWS, 1.0), 4))
    for _ in range(min(max(rounds, 1), 4)):
        following = np.roll(places, -1, axis=0)
        cut = np.stack([0.75 * places + 0.25 * following, 0.25 * places + 0.75 * following], 1)
        places = cut.reshape(-1, 2)
    return np.vstack([places, places[:1]])


def significant(pond: Mapping[str, Any]) -> bool:
    """Return whether a pond is deeper than the survey's own uncertainty.

    Parameters
    ----------
    pond
        Record of the layer ``ponding``; one that does not say counts as deep.

    Examples
    --------
    >>> significant({"is_significant": 0}), significant({"is_significant": 1}), significant({})
    (False, True, True)
    """
    return pond.get("is_significant") != 0


def mark_symbol(x: float, y: float, lettering: float) -> Outline:
    """Return the ring of an ordinary mark.

    Parameters
    ----------
    x, y
        Middle, sheet mm.
    lettering
        Factor on every size.

    Examples
    --------
    >>> (ring,) = mark_symbol(10.0, 20.0, 1.0).pieces
    >>> ring.centre, ring.radius
    ((10.0, 20.0), 0.5)
    """
    return _ring(x, y, RADIUS_MM["ring"] * lettering)


def _ring(x: float, y: float, radius: float) -> Outline:
    return Outline((Arc((x, y), radius, 0.0, 2 * math.pi),), closed=True)


def baseline_symbol(x: float, y: float, lettering: float) -> list[Shape]:
    """Return the target of a baseline mark: a ring with two opposite quarters filled.

    Parameters
    ----------
    x, y
        Middle, sheet mm.
    lettering
        Factor on every size.

    Examples
    --------
    >>> paper, quarters, ring = baseline_symbol(0.0, 0.0, 1.0)
    >>> sum(piece.sweep for outline in quarters.outlines for piece in outline.pieces[1:]) / math.pi
    1.0
    """
    r = RADIUS_MM["target"] * lettering
    ring = _ring(x, y, r)
    quarters = [
        Outline(
            (np.array([(x, y)]), Arc((x, y), r, start, math.pi / 2)),
            closed=True,
        )
        for start in (0.0, math.pi)
    ]
    return [
        Shape([ring], None, PAPER),
        Shape(quarters, None, TEXT),
        Shape([ring], Stroke(TEXT, 0.25)),
    ]


def inlet_symbol(x: float, y: float, lettering: float) -> list[Shape]:
    """Return the grating of an inlet: a ring with three bars.

    Parameters
    ----------
    x, y
        Middle, sheet mm.
    lettering
        Factor on every size.

    Examples
    --------
    >>> ring, bars = inlet_symbol(0.0, 0.0, 1.0)
    >>> len(bars.outlines)
    3
    """
    r = RADIUS_MM["grating"] * lettering
    ring = _ring(x, y, r)
    bars = []
    for share in (-0.45, 0.0, 0.45):
        half = r * math.sqrt(1 - share**2)
        bars.append(Outline((np.array([(x + share * r, y - half), (x + share * r, y + half)]),)))
    pen = Stroke(WATER, 0.35)
    return [Shape([ring], pen, PAPER), Shape(bars, pen)]


def arrow_symbol(x: float, y: float, azimuth: float, length: float) -> Floats:
    """Return the outline of the dart of flowing water: tip first, tail fourth.

    Parameters
    ----------
    x, y
        Middle, sheet mm, y down.
    azimuth
        Degrees clockwise from grid north, which is up on the sheet.
    length
        Millimetres.

    Returns
    -------
    array, shape (6, 2)

    Examples
    --------
    An arrow of 4 mm to the east:

    >>> dart = arrow_symbol(10.0, 10.0, 90.0, 4.0).round(9)
    >>> dart[0].tolist(), dart[3].tolist()
    ([12.0, 10.0], [8.0, 10.0])
    """
    turn = math.radians(azimuth)
    ahead = np.array([math.sin(turn), -math.cos(turn)]) * length
    aside = np.array([-ahead[1], ahead[0]])
    dart: Floats = np.array([x, y]) + np.array(DART) @ np.array([ahead, aside])
    return dart


def hatch(shape: Any, spacing: float, angle: float) -> list[Outline]:
    """Return parallel lines inside a polygon.

    Parameters
    ----------
    shape
        Polygon, sheet mm.
    spacing
        Between lines, mm; they are counted from the sheet's corner, so those of neighbours meet.
    angle
        Degrees up to the right.

    Examples
    --------
    >>> [line.pieces[0].tolist() for line in hatch(shapely.box(0, 0.5, 4, 2.5), 1.0, 0.0)]
    [[[0.0, 1.0], [4.0, 1.0]], [[0.0, 2.0], [4.0, 2.0]]]
    """
    turn = math.radians(angle)
    way = np.array([math.cos(turn), -math.sin(turn)])
    normal = np.array([-way[1], way[0]])
    corners = np.array(shape.bounds)[[[0, 1], [2, 1], [2, 3], [0, 3]]]
    low, high = (corners @ normal).min(), (corners @ normal).max()
    start, end = (corners @ way).min(), (corners @ way).max()
    # counted from the sheet's corner, so that neighbours' hatches meet
    levels = np.arange(math.ceil(low / spacing), math.floor(high / spacing) + 1) * spacing
    if not len(levels) or len(levels) > 2000:
        return []
    ends = np.stack(
        [levels[:, None] * normal + way * start, levels[:, None] * normal + way * end], axis=1
    )
    inside = shapely.intersection(shapely.linestrings(ends), shape)
    parts = shapely.get_parts(inside)
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING]
    parts = parts[~shapely.is_empty(parts)]
    return [Outline((shapely.get_coordinates(part),)) for part in parts]


def head(line: Floats, size: float) -> Outline | None:
    """Return an arrow head at the end of a line, None for a line without a direction there.

    Parameters
    ----------
    line : array, shape (n, 2), sheet mm
    size
        Length of the head, mm.

    Examples
    --------
    >>> head(np.array([[0.0, 0.0], [10.0, 0.0]]), 2.0).pieces[0].tolist()
    [[10.0, 0.0], [8.0, 0.72], [8.0, -0.72]]
    """
    way = line[-1] - line[-2]
    length = math.hypot(*way)
    if not length > 0:
        return None
    way = way / length
    aside = np.array([-way[1], way[0]])
    back = line[-1] - way * size
    corners = np.array([line[-1], back + aside * size * 0.36, back - aside * size * 0.36])
    return Outline((corners,), closed=True)


def end_ticks(line: Floats, half: float) -> list[Floats]:
    """Return short lines across both ends.

    Parameters
    ----------
    line : array, shape (n, 2), sheet mm
    half
        Half the length of a tick, mm.

    Examples
    --------
    >>> first, last = end_ticks(np.array([[0.0, 0.0], [10.0, 0.0]]), 1.0)
    >>> first.tolist(), last.tolist()
    ([[0.0, -1.0], [0.0, 1.0]], [[10.0, 1.0], [10.0, -1.0]])
    """
    found = []
    for end, beside in ((line[0], line[1]), (line[-1], line[-2])):
        way = beside - end
        length = math.hypot(*way)
        if length > 0:
            aside = np.array([-way[1], way[0]]) / length * half
            found.append(np.array([end - aside, end + aside]))
    return found
