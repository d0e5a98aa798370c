"""Arrows of a comparison, and the signs that explain them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from geosite.base.arrays import Floats
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.sheet import Arc, Outline, Rectangle, Shape, rectangle
from geosite.handover.palette import ALERT, VERDICTS, WATER
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.side_column import Items
from geosite.handover.plan.symbols import hatch, head

__all__ = [
    "PENS",
    "SOLID",
    "arrow_sign",
    "draw_arrow",
    "draw_patch",
    "ellipse",
    "patch_sign",
]

#: By verdict: dashed where it cannot be told.
PENS: Mapping[str, Stroke] = MappingProxyType(
    {
        "within": Stroke(WATER, 0.35),
        "undecided": Stroke(ALERT, 0.35, (1.2, 0.7)),
        "beyond": Stroke(ALERT, 0.65),
        "": Stroke(FAINT, 0.35),
    }
)
SOLID = 1.6
"""Length of an arrow's head, mm at lettering 1."""


def draw_arrow(page: Canvas, layer: str, ends: Floats, pen: Stroke) -> None:
    """Draw an arrow from one place on paper to another, shape (2, 2); a dot where it has none."""
    length = float(np.hypot(*(ends[1] - ends[0])))
    size = SOLID * page.k
    if length < 0.3:
        x, y = ends[0].tolist()
        dot = Outline((Arc((x, y), 0.5 * page.k, 0.0, 2 * math.pi),), closed=True)
        page.shapes[layer].append(Shape([dot], None, pen.colour))
        return
    tip = head(ends, min(size, length))
    page.add(layer, [ends], pen, 3)
    if tip is not None:
        page.shapes[layer].append(Shape([tip], None, pen.colour))
    x, y = ends[1].tolist()
    page.board.take(x, y, 0.5 * size)


def arrow_sign(pen: Stroke, k: float, length: float = 7.0) -> Callable[[float, float], Items]:
    """Return a sign that shows an arrow, `length` mm long."""

    def sign(x: float, y: float) -> Items:
        ends = np.array([(x - length / 2, y), (x + length / 2, y)])
        tip = head(ends, min(SOLID * k, length))
        items: Items = [Shape([Outline((ends,))], pen)]
        return items if tip is None else [*items, Shape([tip], None, pen.colour)]

    return sign


def draw_patch(page: Canvas, shapes: Sequence[object], verdict: str) -> None:
    """Tint a part of a surface, geometries in map units, and hatch it unless it is within."""
    rings = [Outline((ring,), closed=True) for ring in page.paper(shapes)]
    if not rings:
        return
    page.shapes["verdict_areas"].append(Shape(rings, None, VERDICTS[verdict]))
    for shape in shapes:
        for spacing, angle in _HATCH[verdict]:
            lines = hatch(page.view_polygon(shape), spacing * page.k, angle)
            page.shapes["verdict_areas"].append(Shape(lines, Stroke(ALERT, 0.13)))


_HATCH: Mapping[str, tuple[tuple[float, float], ...]] = MappingProxyType(
    {
        "within": (),
        "undecided": ((2.2, 45.0),),
        "beyond": ((1.6, 45.0), (1.6, -45.0)),
    }
)


def patch_sign(verdict: str, k: float) -> Callable[[float, float], Items]:
    """Return a sign that shows the tint of a verdict."""

    def sign(x: float, y: float) -> Items:
        import shapely

        box = Rectangle(x - 4.0 * k, y - 1.3 * k, 8.0 * k, 2.6 * k)
        shape = shapely.box(box.x, box.y, box.right, box.bottom)
        lines = [line for s, a in _HATCH[verdict] for line in hatch(shape, s * k, a)]
        items: Items = [rectangle(box, fill=VERDICTS[verdict])]
        if lines:
            items.append(Shape(lines, Stroke(ALERT, 0.13)))
        return [*items, rectangle(box, stroke=Stroke(TEXT, 0.13))]

    return sign


def ellipse(middle: Floats, major: float, minor: float, azimuth: float) -> Floats:
    """Return an ellipse on paper as a closed line, shape (49, 2).

    Parameters
    ----------
    middle : array, shape (2,), mm
    major, minor
        Semi-axes, mm.
    azimuth
        Of the major one, radians clockwise from up.

    Examples
    --------
    Twice as long to the east as to the north:

    >>> line = ellipse(np.array([0.0, 0.0]), 2.0, 1.0, math.pi / 2)
    >>> np.abs(line).max(axis=0).round(6).tolist(), line[0].round(6).tolist()
    ([2.0, 1.0], [2.0, -0.0])
    """
    turn = np.linspace(0.0, 2 * math.pi, 49)
    ahead = np.array([math.sin(azimuth), -math.cos(azimuth)])
    aside = np.array([-ahead[1], ahead[0]])
    line: Floats = (
        np.asarray(middle)
        + major * np.cos(turn)[:, None] * ahead
        + minor * np.sin(turn)[:, None] * aside
    )
    return line
