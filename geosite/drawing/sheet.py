"""A sheet of paper as a drawing: shapes and text in millimetres, free of any file format.

The sheet's origin is its top left corner, x to the right, y down. Angles of arcs are radians,
clockwise as seen; angles of text are degrees, counter-clockwise as seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.drawing.font import Weight
from geosite.drawing.ink import TEXT, Stroke

__all__ = [
    "Anchor",
    "Arc",
    "Group",
    "Outline",
    "Page",
    "Picture",
    "Place",
    "Rectangle",
    "Shape",
    "Sheet",
    "Text",
    "rectangle",
]

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular arc; a full circle has a sweep of two pi."""

    centre: tuple[float, float]
    radius: float
    start: float
    sweep: float


@dataclass(frozen=True, eq=False, slots=True)
class Outline:
    """Pieces drawn one after the other: arrays of shape (n, 2), and arcs."""

    pieces: tuple[Floats | Arc, ...]
    closed: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class Shape:
    """Outlines drawn with one pen and filled with one tint (even-odd rule)."""

    outlines: Sequence[Outline]
    stroke: Stroke | None = None
    fill: str | None = None
    opacity: float = 1.0
    """Of the tint."""


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text, placed by its baseline."""

    x: float
    y: float
    text: str
    size: float
    """Em, mm."""
    weight: Weight = "regular"
    colour: str = TEXT
    anchor: Anchor = "start"
    angle: float = 0.0
    halo: bool = False
    """A rim of paper keeps the text legible on lines."""


@dataclass(frozen=True, slots=True)
class Rectangle:
    """Left, top, width and height, mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.width

    @property
    def bottom(self) -> float:
        """Bottom edge."""
        return self.y + self.height


@dataclass(frozen=True, eq=False, slots=True)
class Group:
    """What is switched on and off together.

    Parameters
    ----------
    name
        Identifier, letters, digits, dashes and underscores.
    title
        For people.
    items
        In drawing order.
    in_map
        Cut off at the edge of the map window.
    """

    name: str
    title: str
    items: Sequence[Shape | Text]
    in_map: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class Page:
    """A finished page.

    Parameters
    ----------
    width, height
        Paper, mm.
    title, description
    groups
        In drawing order.
    """

    width: float
    height: float
    title: str
    description: str
    groups: tuple[Group, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """A picture under everything else, cut off at the edge of the map window.

    Parameters
    ----------
    box
        Where it lies, mm.
    pixels : array of uint8, shape (rows, cols, 3)
        Red, green, blue; the first row is the upper one.
    """

    box: Rectangle
    pixels: npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Place:
    """Where on earth the map window of a sheet lies.

    Parameters
    ----------
    corners
        Latitude and longitude, degrees on the CRS's own datum, of the window's lower left, upper
        left, upper right and lower right corner.
    wkt
        The projected CRS as WKT 1.
    epsg
        Its code, None where it has none.
    """

    corners: tuple[tuple[float, float], ...]
    wkt: str
    epsg: int | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Sheet(Page):
    """A page with a drawing at scale.

    Parameters
    ----------
    window
        The map on it.
    scale
        Scale number: 200 for 1:200.
    unit, unit_m
        Symbol and length of the unit that the sheet speaks, for readers that measure on it.
    place
        Where on earth the window lies, None for nowhere.
    picture
        What lies under the drawing.
    """

    window: Rectangle
    scale: float
    unit: str
    unit_m: float
    place: Place | None = None
    picture: Picture | None = None


def rectangle(
    box: Rectangle, *, stroke: Stroke | None = None, fill: str | None = None, opacity: float = 1.0
) -> Shape:
    """Return the outline of a rectangle as a shape, clockwise as seen from its upper left corner.

    Parameters
    ----------
    box
        Left, top, width and height, mm.
    stroke, fill
        Pen and tint, ``#rrggbb``; None for none.
    opacity
        Of the tint, 0 to 1.

    Examples
    --------
    >>> rectangle(Rectangle(10.0, 20.0, 30.0, 5.0)).outlines[0].pieces[0].tolist()
    [[10.0, 20.0], [40.0, 20.0], [40.0, 25.0], [10.0, 25.0]]
    """
    corners = np.array(
        [(box.x, box.y), (box.right, box.y), (box.right, box.bottom), (box.x, box.bottom)]
    )
    return Shape((Outline((corners,), closed=True),), stroke, fill, opacity)
