"""Bands of a ground that rises or falls: which cells, in which colour, and their legend."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry.base import BaseGeometry

from geosite.base.arrays import Floats
from geosite.base.grid import Grid
from geosite.drawing.ink import FAINT, Stroke
from geosite.drawing.sheet import Outline, Rectangle, Shape, rectangle
from geosite.handover.palette import RAMPS
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.side_column import Column, Items
from geosite.handover.plan.symbols import rounded
from geosite.terrain.water.flow import polygons

__all__ = ["Band", "band_rows", "bands", "fill", "swatch"]

_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass(frozen=True, slots=True)
class Band:
    """Where the ground rose or fell by more than a step of the ramp.

    Parameters
    ----------
    low, high
        Rise, in the unit of the sheet; both negative where the ground fell.
    colour
    shape
        Cells of this band and of those beyond it, map units: drawn one upon the other.
    """

    low: float
    high: float
    colour: str
    shape: BaseGeometry


def bands(rise: Floats, grid: Grid) -> tuple[Band, ...]:
    """Return the bands of a difference, the least change first.

    Parameters
    ----------
    rise : array, shape (rows, cols)
        In the unit of the sheet; 0 or NaN where nothing is to be drawn.
    grid
        Map units.

    Examples
    --------
    >>> found = bands(np.array([[0.0, 0.04, 0.12]]), Grid(0.0, 1.0, 1.0, 1, 3))
    >>> [(b.low, b.high, b.shape.area) for b in found]
    [(0.0, 0.05, 2.0), (0.1, 0.15000000000000002, 1.0)]
    """
    known = np.nan_to_num(rise)
    most = float(np.abs(known).max(initial=0.0))
    if not most > 0:
        return ()
    count = len(RAMPS["raised"])
    step = next((s for s in _STEPS if most <= s * count), most / count)
    found = []
    for side, ramp in ((1, RAMPS["raised"]), (-1, RAMPS["lowered"])):
        for level in range(count):
            cells = known * side > level * step
            if (known[cells] * side <= (level + 1) * step).any():
                (shape,) = polygons(cells.astype(np.int32), grid).values()
                ends = sorted((side * level * step, side * (level + 1) * step))
                found.append(Band(ends[0], ends[1], ramp[level], shape))
    return tuple(found)


def fill(page: Canvas, shape: BaseGeometry, colour: str) -> None:
    """Tint cells of a raster, without their stairs."""
    rings = [Outline((rounded(ring, page.cell),), closed=True) for ring in page.paper([shape])]
    if rings:
        page.shapes["difference"].append(Shape(rings, None, colour))


def band_rows(column: Column, found: Sequence[Band]) -> None:
    """Write the legend of bands, the greatest rise first."""
    for band in sorted(found, key=lambda band: -band.high):
        column.row(swatch(band.colour, column.k), f"{_plain(band.low)} to {_plain(band.high)}")


def _plain(value: float) -> str:
    return f"{value:+.4g}".replace("-", "\N{MINUS SIGN}") if value else "0"


def swatch(colour: str, k: float) -> Callable[[float, float], Items]:
    """Return a sign that shows a tint."""

    def sign(x: float, y: float) -> Items:
        box = Rectangle(x - 4.0 * k, y - 1.3 * k, 8.0 * k, 2.6 * k)
        return [rectangle(box, stroke=Stroke(FAINT, 0.13), fill=colour)]

    return sign
