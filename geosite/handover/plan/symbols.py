"""Signs of the plan, and the shapes they are made from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
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
    "hatch_each",
    "head",
    "inlet_symbol",
    "mark_symbol",
    "rounded",
    "rounded_each",
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
    places: int = 2
    """Decimals that its elevation deserves."""


_MOST_LINES = 2000
"""A hatch of more lines is none."""

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
    return rounded_each([ring], cell)[0]


def rounded_each(rings: Sequence[Floats], cell: float) -> list[Floats]:
    """Return closed lines as `rounded` does, many at a time: ground may have 10,000 hollows."""
    out = list(rings)
    long = [i for i, ring in enumerate(rings) if len(ring) >= 4]
    if not long or cell <= 0:
        return out
    side = 3 * cell
    owner = np.repeat(np.arange(len(long)), [len(rings[i]) for i in long])
    lines = shapely.linestrings(np.concatenate([rings[i] for i in long]), indices=owner)
    lines = shapely.segmentize(shapely.simplify(lines, 0.75 * cell), side)
    places, owner = shapely.get_coordinates(lines, return_index=True)
    # their last places are their first
    is_last = np.append(owner[1:] != owner[:-1], True)
    places, count = places[~is_last], np.bincount(owner[~is_last], minlength=len(long))
    # of two places nothing is left that could be filled
    kept = (count >= 3).tolist()
    rounds = math.ceil(math.log(max(side / 8 / _PEN_SHOWS, 1.0), 4))
    for _ in range(min(max(rounds, 1), 4)):
        end = np.cumsum(count)
        after = np.arange(1, len(places) + 1)
        after[end[count > 0] - 1] = (end - count)[count > 0]
        following = places[after]
        cut = np.stack([0.75 * places + 0.25 * following, 0.25 * places + 0.75 * following], 1)
        places, count = cut.reshape(-1, 2), 2 * count
    end = np.cumsum(count)
    first = end - count
    for i, is_kept, a, b in zip(long, kept, first.tolist(), end.tolist(), strict=True):
        if is_kept:
            out[i] = np.concatenate([places[a:b], places[a : a + 1]])
    return out


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
    return hatch_each([shape], spacing, angle)[0]


def hatch_each(shapes: Sequence[Any], spacing: float, angle: float) -> list[list[Outline]]:
    """Return parallel lines inside each of many polygons, as `hatch` does for one."""
    out: list[list[Outline]] = [[] for _ in shapes]
    every = np.array(shapes, object)
    shown = np.flatnonzero(~shapely.is_empty(every)) if len(every) else np.zeros(0, np.int64)
    turn = math.radians(angle)
    way = np.array([math.cos(turn), -math.sin(turn)])
    normal = np.array([-way[1], way[0]])
    corners = shapely.bounds(every[shown])[:, [[0, 1], [2, 1], [2, 3], [0, 3]]]
    over, along = (corners[..., 0] * a + corners[..., 1] * b for a, b in (normal, way))
    # counted from the sheet's corner, so that neighbours' hatches meet
    low = np.ceil(over.min(axis=1) / spacing)
    count = (np.floor(over.max(axis=1) / spacing) + 1 - low).clip(0).astype(np.int64)
    count[count > _MOST_LINES] = 0
    of = np.repeat(np.arange(len(shown)), count)
    if not len(of):
        return out
    number = low[of] + np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    across = (number * spacing)[:, None] * normal
    ends = [across + way * along.min(axis=1)[of, None], across + way * along.max(axis=1)[of, None]]
    lines = shapely.linestrings(np.stack(ends, axis=1))
    parts, line = shapely.get_parts(
        shapely.intersection(lines, every[shown[of]]), return_index=True
    )
    is_line = shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING
    is_line &= ~shapely.is_empty(parts)
    for part, owner in zip(_coordinates(parts[is_line]), of[line[is_line]].tolist(), strict=True):
        out[shown[owner]].append(Outline((part,)))
    return out


def _coordinates(lines: npt.NDArray[np.object_]) -> list[Floats]:
    """Return the places of each of some lines, none of them empty."""
    if not len(lines):
        return []
    places, owner = shapely.get_coordinates(lines, return_index=True)
    return np.split(places, np.flatnonzero(np.diff(owner)) + 1)


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
