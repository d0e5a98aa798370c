"""Sheets side by side where one is too small for the scale: tiles, match lines, key map."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import shapely

from geosite.base.errors import OutputRefused, Problem
from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.drawing.sheet import Group, Outline, Rectangle, Shape, Text, rectangle
from geosite.handover.plan.layout import Layout

__all__ = ["Tile", "key_map", "match_lines", "refuse_dot", "tiles"]

Side = Literal["left", "right", "above", "below"]

#: From a match line to the edge of its window, mm: what lies between stands on both sheets.
_OVERLAP = 8.0
#: More sheets than anybody lays out on a table.
MOST = 60
_LOOKED_AT = 10_000
#: Times the scale number at which the site fills a sheet: of A3 three millimetres are left.
DOT = 100
_MATCH = Stroke(TEXT, 0.5, (10.0, 1.5, 1.5, 1.5))


@dataclass(frozen=True, slots=True)
class Tile:
    """One of several sheets.

    Parameters
    ----------
    number
        In the sheet set, whose first sheet is the overview: from 2, row by row from the north-west.
    layout
        Paper and map window at the scale asked for.
    beside
        Numbers of the sheets that adjoin.
    """

    number: int
    layout: Layout
    beside: Mapping[Side, int]


def tiles(overview: Layout, scale: float, shapes: Any) -> tuple[Tile, ...]:
    """Cover what was surveyed with sheets at a scale.

    Parameters
    ----------
    overview
        The one sheet on which everything fits.
    scale
        Scale number asked for, smaller than the overview's.
    shapes : array of geometries, map coordinates
        A sheet on which none of them lies is left out.

    Returns
    -------
    tuple of Tile
        In reading order.

    Raises
    ------
    OutputRefused
        More than `MOST` sheets would be needed.

    Examples
    --------
    At 1:200 a way of 60 m needs two sheets of A4, side by side:

    >>> from geosite.base.map_frame import Frame
    >>> from geosite.fieldbook.sitefile import Handover
    >>> from geosite.handover.plan.layout import choose_layout
    >>> way = shapely.linestrings([[0.0, 0.0], [60.0, 10.0]])
    >>> whole = choose_layout(Frame(), (0, 0, 60, 10), Handover(sheet="A4"), lambda *_: True)
    >>> [(tile.number, dict(tile.beside)) for tile in tiles(whole, 200.0, np.array([way]))]
    [(2, {'right': 3}), (3, {'left': 2})]
    """
    view = replace(overview.view, scale=scale)
    west, south, east, north = shapely.total_bounds(shapes).tolist()
    across = (view.window.width - 2 * _OVERLAP) / view.mm_per_unit
    up = (view.window.height - 2 * _OVERLAP) / view.mm_per_unit
    cols = max(math.ceil((east - west) / across), 1)
    rows = max(math.ceil((north - south) / up), 1)
    if rows * cols > _LOOKED_AT:
        raise _too_many(rows * cols, overview, scale)
    left = (west + east) / 2 - cols * across / 2
    top = (south + north) / 2 + rows * up / 2
    tree = shapely.STRtree(shapes)
    numbers: dict[tuple[int, int], int] = {}
    for row in range(rows):
        for col in range(cols):
            box = shapely.box(
                left + col * across, top - (row + 1) * up, left + (col + 1) * across, top - row * up
            )
            if len(tree.query(box, predicate="intersects")):
                numbers[row, col] = len(numbers) + 2
    if len(numbers) > MOST:
        raise _too_many(len(numbers), overview, scale)
    found = []
    for (row, col), number in numbers.items():
        centre = (left + (col + 0.5) * across, top - (row + 0.5) * up)
        sides: dict[Side, tuple[int, int]] = {
            "left": (row, col - 1),
            "right": (row, col + 1),
            "above": (row - 1, col),
            "below": (row + 1, col),
        }
        beside = {side: numbers[place] for side, place in sides.items() if place in numbers}
        layout = replace(overview, view=replace(view, centre=centre))
        found.append(Tile(number, layout, beside))
    return tuple(found)


def _too_many(count: int, overview: Layout, scale: float) -> OutputRefused:
    enough = scale * math.sqrt(count / MOST)
    return OutputRefused(
        Problem(
            "plan-does-not-fit",
            f"the site needs {count} sheets of {overview.sheet} at 1:{scale:g}",
            f"at most {MOST} sheets, from about 1:{enough:.0f} on",
            "change handover.scale or handover.sheet, or leave handover.scale out",
        )
    )


def refuse_dot(overview: Layout, scale: float) -> None:
    """Refuse a scale so small that nothing of the site could be seen.

    Parameters
    ----------
    overview
        The sheet at the largest scale at which everything fits.
    scale
        The scale number asked for.

    Raises
    ------
    OutputRefused
    """
    if scale <= DOT * overview.view.scale:
        return
    raise OutputRefused(
        Problem(
            "plan-is-a-dot",
            f"at 1:{scale:.0f} the site would be a dot on {overview.sheet}",
            f"at most 1:{DOT * overview.view.scale:.0f}; on one sheet it fits from"
            f" 1:{overview.view.scale:.0f} on",
            "change handover.scale, or leave it out",
        )
    )


def match_lines(tile: Tile) -> Group:
    """Return the lines at which neighbouring sheets are laid together, with their numbers."""
    window, k = tile.layout.view.window, tile.layout.lettering
    inner = Rectangle(
        window.x + _OVERLAP,
        window.y + _OVERLAP,
        window.width - 2 * _OVERLAP,
        window.height - 2 * _OVERLAP,
    )
    middle = (inner.x + inner.width / 2, inner.y + inner.height / 2)
    ends: dict[Side, tuple[tuple[float, float], tuple[float, float], float]] = {
        "left": ((inner.x, window.y), (inner.x, window.bottom), 90.0),
        "right": ((inner.right, window.y), (inner.right, window.bottom), 90.0),
        "above": ((window.x, inner.y), (window.right, inner.y), 0.0),
        "below": ((window.x, inner.bottom), (window.right, inner.bottom), 0.0),
    }
    items: list[Shape | Text] = []
    for side, number in tile.beside.items():
        start, end, angle = ends[side]
        items.append(Shape((Outline((np.array([start, end]),)),), _MATCH))
        x = start[0] - 1.2 if angle else middle[0]
        y = middle[1] if angle else start[1] - 1.2
        words = f"match line, sheet {number}"
        items.append(Text(x, y, words, 2.4 * k, "bold", anchor="middle", angle=angle, halo=True))
    return Group("match_lines", "Match lines", tuple(items), in_map=True)


def key_map(overview: Layout, sheets: tuple[Tile, ...]) -> Group:
    """Return the outlines of the sheets on the overview, each with its number."""
    items: list[Shape | Text] = []
    for tile in sheets:
        view = tile.layout.view
        half = np.array([view.window.width, view.window.height]) / 2 - _OVERLAP
        reach = half / view.mm_per_unit
        places = overview.view.on_paper(
            np.array([view.centre - reach * [1, -1], view.centre + reach * [1, -1]])
        )
        (x, y), (right, bottom) = places.tolist()
        items.append(rectangle(Rectangle(x, y, right - x, bottom - y), stroke=_MATCH))
        size = 5.0 * overview.lettering
        plate = Rectangle(x + 1.0, y + 1.0, size * 1.5, size * 1.25)
        items.append(rectangle(plate, stroke=Stroke(TEXT, 0.25), fill=PAPER))
        at = (plate.x + plate.width / 2, plate.bottom - size * 0.25)
        items.append(Text(*at, f"{tile.number}", size, "bold", anchor="middle"))
    return Group("key_map", "Key map of the sheets", tuple(items), in_map=True)
