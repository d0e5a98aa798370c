"""What a look is made of: symbols, rules, labels, ramps."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from geosite.drawing.ink import Stroke

__all__ = [
    "LETTERING_MM",
    "Hatch",
    "Label",
    "Look",
    "Ramp",
    "Rule",
    "Sign",
    "Stop",
    "Symbol",
    "Test",
    "Tint",
    "Value",
]

LETTERING_MM = 2.2
"""Usual height of writing on the map, about 6 points."""


@dataclass(frozen=True, slots=True)
class Tint:
    """A filled area.

    Parameters
    ----------
    colour
        ``#rrggbb``.
    opacity
        0 to 1.
    """

    colour: str
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Hatch:
    """Parallel lines all over an area.

    Parameters
    ----------
    pen
    spacing_mm
        Between lines, on paper.
    angle_deg
        Up to the right, from the paper's horizontal.
    """

    pen: Stroke
    spacing_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign at a point.

    Parameters
    ----------
    shape
    size_mm
        Diameter, or length of an arrow.
    colour
        Of what is filled.
    pen
        Of the edge, None for none.
    turned_by
        Field with an azimuth in degrees clockwise from north; empty for upright.
    grows_with
        Field with a slope in percent that gives an arrow its length; empty for `size_mm`.
    opacity
        0 to 1.
    """

    shape: Literal["ring", "speck", "target", "grating", "square", "dart"]
    size_mm: float
    colour: str
    pen: Stroke | None = None
    turned_by: str = ""
    grows_with: str = ""
    opacity: float = 1.0


Symbol = Stroke | Tint | Hatch | Sign


@dataclass(frozen=True, slots=True)
class Test:
    """A condition on one field.

    Parameters
    ----------
    field
    values
        The field has one of these.
    other
        The field has none of `values`, or is empty.
    low, high
        ``low <= field < high`` instead of `values`; of azimuths `low` may be above `high`: what
        lies between them over north.
    """

    __test__ = False

    field: str
    values: tuple[str | int, ...] = ()
    other: bool = False
    low: float | None = None
    high: float | None = None

    @property
    def over_north(self) -> bool:
        """Whether the bounds enclose north, so that one of them is enough."""
        return self.low is not None and self.high is not None and self.low > self.high


@dataclass(frozen=True, slots=True)
class Rule:
    """Features that are drawn alike.

    Parameters
    ----------
    name
        Identifier.
    title
        For people: the words of the legend.
    symbols
        Bottom first.
    where
        All must hold; empty for every feature.
    """

    name: str
    title: str
    symbols: tuple[Symbol, ...]
    where: tuple[Test, ...] = ()


@dataclass(frozen=True, slots=True)
class Value:
    """What a field holds, as part of a label.

    Parameters
    ----------
    field
    digits
        Decimals of a number, None for text.
    finer_where
        One decimal more where all hold.
    absolute
        Without its sign.
    shown
        What is written for some values instead of the value itself.
    factor
        What a number is multiplied by.
    factor_where
        Only where all hold.
    key
        It holds a key of the field book or the site file: written as a name, its words parted by
        blanks.
    """

    field: str
    digits: int | None = None
    absolute: bool = False
    shown: Mapping[str, str] = dataclasses.field(default_factory=dict)
    factor: float = 1.0
    factor_where: tuple[Test, ...] = ()
    key: bool = False
    finer_where: tuple[Test, ...] = ()


@dataclass(frozen=True, slots=True)
class Label:
    """What is written beside features.

    Parameters
    ----------
    words
        Text and values in turn; features that lack a value get no label.
    field
        The one field that stands for it where only a plain field can be written, empty for none.
    colour
    place
        Beside a point or line, inside an area, on a line, beside the middle of a short line.
    size_mm
        Height.
    bold
    largest_scale
        Written only at this scale and larger ones (1:1000 is 1000), None for all.
    where
        All must hold.
    priority
        0 to 10, which label wins where two meet.
    every
        One feature in so many gets its label, where there are too many to read.
    alert_unless
        Written in the ink of what must be looked at, unless all hold; empty for never.
    """

    words: tuple[str | Value, ...]
    field: str
    colour: str
    place: Literal["beside", "inside", "along", "on", "middle"]
    size_mm: float = LETTERING_MM
    bold: bool = False
    largest_scale: float | None = None
    where: tuple[Test, ...] = ()
    priority: int = 5
    every: int = 1
    alert_unless: tuple[Test, ...] = ()


@dataclass(frozen=True, slots=True)
class Look:
    """How a layer is drawn.

    Parameters
    ----------
    rules
        In the order of the legend.
    label
    largest_scale
        Drawn only at this scale and larger ones, None for all.
    shown
        Whether a project opens with the layer switched on.
    cell
        Of outlines that follow the cells of a raster the size of these, map units: a reader that
        can draws them without stairs, the geometry stays. 0 for any other outline.
    """

    rules: tuple[Rule, ...]
    label: Label | None = None
    largest_scale: float | None = None
    shown: bool = True
    cell: float = 0.0


@dataclass(frozen=True, slots=True)
class Stop:
    """One colour of a ramp and the value it stands for."""

    value: float
    colour: str
    title: str
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Ramp:
    """Colours of a raster, from the least to the greatest value, blended in between."""

    stops: tuple[Stop, ...]
