"""Which way round the paper lies, at which scale, and where on it the map goes.

A length on paper is the ground length divided by the scale number: what is bought and built is
measured on the ground. Map coordinates are drawn at grid length divided by the combined factor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.errors import OutputRefused, Problem
from geosite.base.map_frame import Frame
from geosite.drawing.sheet import Rectangle
from geosite.fieldbook.sitefile import Handover

__all__ = ["SHEETS", "Layout", "View", "choose_layout", "scale_name", "usual_scales"]

#: Long and short side, mm: ISO 216 A series; ANSI/ASME Y14.1 (inches).
SHEETS: Mapping[str, tuple[float, float]] = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "A2": (594.0, 420.0),
    "A1": (841.0, 594.0),
    "A0": (1189.0, 841.0),
    "ANSI A": (279.4, 215.9),
    "ANSI B": (431.8, 279.4),
    "ANSI C": (558.8, 431.8),
    "ANSI D": (863.6, 558.8),
    "ANSI E": (1117.6, 863.6),
}

#: Size of lettering on each size of sheet, as a factor: A4 or A, A3 or B, ...
_LETTERING = (0.9, 1.0, 1.12, 1.3, 1.55)

#: Scale numbers of metric drawings, 1:10 to 1:5000, and feet per inch on feet drawings.
_METRIC = (10, 20, 50, 100, 200, 250, 500, 1000, 1250, 2000, 2500, 5000)
_FEET_PER_INCH = (1, 2, 5, 10, 20, 30, 40, 50, 60, 100, 200, 300, 400, 500)

#: Width of the column of words at lettering 1, mm.
_COLUMN = 72.0
#: Paper kept free between the site and the edge of the map, mm at lettering 1.
_CLEAR = 7.0

_MARGIN = 10.0
#: Left margin, wide enough for a binder (ISO 5457 asks for 20 mm on drawing sheets).
_BINDING = 20.0


@dataclass(frozen=True, slots=True)
class View:
    """Where a place on the map is on the paper."""

    frame: Frame
    centre: tuple[float, float]
    """Map coordinates in the middle of the window."""
    scale: float
    window: Rectangle

    @property
    def mm_per_unit(self) -> float:
        """Millimetres on paper per unit of the map CRS."""
        return self.frame.unit_m / self.frame.combined_factor * 1000.0 / self.scale

    def on_paper(self, en: npt.ArrayLike) -> Floats:
        """Turn map easting and northing, shape (..., 2), into sheet millimetres."""
        away = (np.asarray(en, np.float64)[..., :2] - np.array(self.centre)) * self.mm_per_unit
        middle = (
            self.window.x + self.window.width / 2,
            self.window.y + self.window.height / 2,
        )
        placed: Floats = np.array(middle) + away * np.array([1.0, -1.0])
        return placed

    def local_on_paper(self, local: npt.ArrayLike) -> Floats:
        """Turn local grid metres, shape (..., 2), into sheet millimetres."""
        return self.on_paper(self.frame.to_map(local))

    def length(self, grid_m: float) -> float:
        """Turn a grid length, metres, into millimetres on paper."""
        return grid_m / self.frame.combined_factor * 1000.0 / self.scale


@dataclass(frozen=True, slots=True)
class Layout:
    """The parts of a sheet.

    Parameters
    ----------
    width, height
        Paper, mm.
    lettering
        Factor on every text size.
    header
        The strip with title and scale.
    columns
        Where the words go, in reading order.
    view
        The map.
    """

    sheet: str
    width: float
    height: float
    lettering: float
    header: Rectangle
    columns: tuple[Rectangle, ...]
    view: View

    @property
    def way(self) -> Literal["landscape", "portrait"]:
        """How the paper lies."""
        return "landscape" if self.width > self.height else "portrait"


def usual_scales(unit: Literal["m", "ft"]) -> Iterator[float]:
    """Yield the usual scale numbers, the largest scale first, without end.

    Parameters
    ----------
    unit
        ``"m"`` for those of metric drawings, ``"ft"`` for whole feet per inch.

    Examples
    --------
    >>> from itertools import islice
    >>> list(islice(usual_scales("m"), 6)), list(islice(usual_scales("ft"), 4))
    ([10, 20, 50, 100, 200, 250], [12.0, 24.0, 60.0, 120.0])
    """
    if unit == "m":
        yield from _METRIC
        steps, factor = [10.0, 20.0, 25.0, 50.0], 1000.0
    else:
        yield from (12.0 * feet for feet in _FEET_PER_INCH)
        steps, factor = [10.0, 20.0, 50.0], 1200.0
    while True:
        yield from (step * factor for step in steps)
        factor *= 10.0


def scale_name(scale: float, unit: Literal["m", "ft"]) -> str:
    """Return a scale as it is written on a drawing.

    Parameters
    ----------
    scale
        Scale number: 240 for 1:240.
    unit
        That the drawing speaks.

    Examples
    --------
    >>> scale_name(240.0, "ft"), scale_name(250.0, "m")
    ('1 in = 20 ft (1:240)', '1:250')
    """
    if unit == "ft" and scale % 12 == 0:
        return f"1 in = {scale / 12:.6g} ft (1:{scale:.9g})"
    return f"1:{scale:.9g}"


def choose_layout(
    frame: Frame,
    extent: tuple[float, float, float, float],
    options: Handover,
    words_fit: Callable[[tuple[Rectangle, ...], float], bool],
) -> Layout:
    """Choose landscape or portrait and the scale.

    Parameters
    ----------
    frame
        The map.
    extent : (west, south, east, north), map units
        What must be on the map.
    options
        Sheet, scale, unit.
    words_fit
        Tells whether the words fit into columns at a lettering.

    Returns
    -------
    Layout
        With the largest usual scale at which the extent fits either way round; at the same scale
        the way in which it fits more easily.

    Raises
    ------
    OutputRefused
        The scale asked for needs a larger sheet.

    Examples
    --------
    At 1:250 a site of 60 m takes 240 mm, more than A4 leaves beside the words; at 1:500 it fits:

    >>> layout = choose_layout(Frame(), (0, 0, 60, 30), Handover(sheet="A4"), lambda *_: True)
    >>> layout.view.scale, layout.way
    (500, 'landscape')
    """
    # landscape needs no trying: portrait is tried as long as it can be the better one
    flat = _arrange(frame, extent, options, True, words_fit, math.inf)
    upright = _arrange(frame, extent, options, False, words_fit, flat[1])
    best, needed = min(flat, upright, key=lambda pair: (pair[0].view.scale, pair[1]))
    if options.scale is None:
        return best
    if options.scale < needed:
        raise OutputRefused(
            Problem(
                "plan-does-not-fit",
                f"the site does not fit on {options.sheet} at 1:{options.scale}",
                f"1:{math.ceil(needed)} or smaller on this sheet, or a larger sheet",
                "change handover.sheet or handover.scale, or leave handover.scale out",
            )
        )
    return replace(best, view=replace(best.view, scale=float(options.scale)))


def _arrange(
    frame: Frame,
    extent: tuple[float, float, float, float],
    options: Handover,
    landscape: bool,
    words_fit: Callable[[tuple[Rectangle, ...], float], bool],
    rival: float,
) -> tuple[Layout, float]:
    """Return the layout one way round, and the scale number at which the extent just fits.

    Once that number is beyond the one of a rival, the words are no longer tried.
    """
    long, short = SHEETS[options.sheet]
    width, height = (long, short) if landscape else (short, long)
    lettering = _LETTERING[tuple(SHEETS).index(options.sheet) % len(_LETTERING)]
    gap = 4.0 * lettering
    left, right = _BINDING, width - _MARGIN
    top, bottom = _MARGIN, height - _MARGIN
    header = Rectangle(left, top, right - left, 13.0 * lettering)
    # map coordinates are written along the left and the lower edge of the window
    rim = 4.0 * lettering
    window_top = header.bottom + gap / 2
    west, south, east, north = extent
    clear = 2 * _CLEAR * lettering
    # a site of one mark still gets a map
    across = max((east - west) * frame.unit_m, 0.5) / frame.combined_factor
    up = max((north - south) * frame.unit_m, 0.5) / frame.combined_factor

    def fits_at(window: Rectangle) -> float:
        return 1000.0 * max(across / (window.width - clear), up / (window.height - clear))

    def window_to(right_edge: float, bottom_edge: float) -> Rectangle:
        return Rectangle(left + rim, window_top, right_edge - left - rim, bottom_edge - window_top)

    if landscape:
        column = _COLUMN * lettering
        columns: tuple[Rectangle, ...] = (
            Rectangle(right - column, window_top, column, bottom - window_top),
        )
        window = window_to(right - column - gap, bottom - rim)
    else:
        column = (right - left - 2 * gap) / 3
        band = 20.0 * lettering
        while True:
            columns = tuple(
                Rectangle(left + i * (column + gap), bottom - band, column, band) for i in range(3)
            )
            window = window_to(right, bottom - band - gap - rim)
            lost = fits_at(window) > rival
            if lost or band > 0.4 * height or words_fit(columns, lettering):
                break
            band += 4.0 * lettering
    needed = fits_at(window)
    scale = next(s for s in usual_scales(options.unit) if s >= needed)
    view = View(frame, ((west + east) / 2, (south + north) / 2), scale, window)
    layout = Layout(options.sheet, width, height, lettering, header, columns, view)
    return layout, needed
