"""How every layer and raster looks, free of any file format.

One table: the plan sheet and the viewer take pens, tints, signs and words from here and from
`geosite.handover.palette`; the writers of OGC styles and of the open GIS desktop's styles turn the
looks into files. So a colour, a sign or a word is the same on paper, in the browser and in a GIS.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.handover.model import Layer, Package, Raster
from geosite.handover.palette import (
    ALERT,
    BUILDING,
    DIRECTION_RAMP,
    EARTH,
    PARCEL,
    POND,
    RAMPS,
    STROKES,
    WATER,
    surface_colours,
)

__all__ = [
    "DART",
    "DOUBTFUL",
    "FADED",
    "GROUPS",
    "HATCH",
    "LETTERING_MM",
    "RADIUS_MM",
    "RIPPLE",
    "STEADY",
    "TURNING",
    "WORDS",
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
    "arrow_length",
    "code_pen",
    "code_tints",
    "group_of",
    "look_of",
    "ramp_of",
    "steadiness",
]

LETTERING_MM = 2.2
"""Usual height of writing on the map, about 6 points."""

RIPPLE = Stroke(WATER, 0.15, (1.4, 0.9))
"""Hatch of standing water."""
DOUBTFUL = Stroke(WATER, 0.15, (0.5, 0.5))
"""Edge of a pond that is shallower than the survey can tell."""
HATCH = Stroke(TEXT, 0.13)
"""Hatch of buildings."""

FADED = 0.45
"""Opacity of an arrow where the water turns."""
STEADY, TURNING = 0.95, 0.7
"""Steadiness of an arrow from which it is drawn whole, and from which it is drawn at all.

On the ferry landing 40 of 238 arrows lie more than 20 degrees off the steepest descent beneath
them, of those that are at least 0.95 steady 2 of 136; below 0.7 an arrow tells nothing.
"""

RADIUS_MM: Mapping[str, float] = MappingProxyType(
    {"ring": 0.5, "speck": 0.22, "target": 1.4, "grating": 1.3, "square": 0.8}
)
"""Radius of each round sign on paper."""

DART = ((0.5, 0.0), (0.08, 0.2), (0.206, 0.035), (-0.5, 0.0), (0.206, -0.035), (0.08, -0.2))
"""Outline of the arrow of flowing water, length 1 around the origin: ahead, aside; tip first."""

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "mark": "mark with its elevation",
        "baseline": "baseline mark",
        "inlet": "inlet",
        "walked": "position walked",
        "arrow": "runs this way, longer where steeper",
        "turning": "turns about here",
        "pond": "stands here",
        "doubtful": "may stand, too shallow to tell",
        "path": "path of a drop",
        "contour": "contour",
        "index": "index contour",
        "section": "section",
        "parcel": "line of the parcel map",
    }
)
"""What the signs mean, as written on the plan and in the desktop's legend."""


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
        ``low <= field < high`` instead of `values`.
    """

    __test__ = False

    field: str
    values: tuple[str | int, ...] = ()
    other: bool = False
    low: float | None = None
    high: float | None = None


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
    absolute
        Without its sign.
    shown
        What is written for some values instead of the value itself.
    """

    field: str
    digits: int | None = None
    absolute: bool = False
    shown: Mapping[str, str] = dataclasses.field(default_factory=dict)


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
        Beside a point or line, inside an area, on a line.
    size_mm
        Height.
    bold
    largest_scale
        Written only at this scale and larger ones (1:1000 is 1000), None for all.
    where
        All must hold.
    priority
        0 to 10, which label wins where two meet.
    """

    words: tuple[str | Value, ...]
    field: str
    colour: str
    place: Literal["beside", "inside", "along", "on"]
    size_mm: float = LETTERING_MM
    bold: bool = False
    largest_scale: float | None = None
    where: tuple[Test, ...] = ()
    priority: int = 5


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
    """

    rules: tuple[Rule, ...]
    label: Label | None = None
    largest_scale: float | None = None
    shown: bool = True


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


GROUPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "Survey": ("marks", "baseline", "points"),
        "Ground": ("grades", "sections", "contours"),
        "Water": ("drainage_arrows", "flow_paths", "outflows", "ponding", "catchments"),
        "Parcels": ("parcel_clearances", "parcels"),
        "Surfaces": ("lines", "areas", "areas_snapped"),
    }
)
"""Layers by what they are about, the topmost first; what is not named here is in "More"."""


def group_of(name: str) -> str:
    """Return the group of a layer.

    Examples
    --------
    >>> group_of("contours")
    'Ground'
    """
    return next((group for group, names in GROUPS.items() if name in names), "More")


def code_tints(codes: Mapping[str, Any]) -> dict[str, str]:
    """Return the tint of each surface code, buildings left out."""
    return surface_colours(
        name for name, code in codes.items() if code.geometry == "area" and not code.building
    )


def code_pen(code: Any) -> Stroke:
    """Return the pen of a line: stronger where water or triangles do not cross it."""
    pen = STROKES["lines"]
    if code is not None and (code.barrier or code.breakline):
        return replace(pen, width_mm=pen.width_mm * 1.6)
    return pen


def arrow_length(slope_percent: float | None) -> float:
    """Return the length of a drainage arrow, mm: 3.2 when flat, 6 from 10 percent on.

    Examples
    --------
    >>> arrow_length(1.0), arrow_length(25.0)
    (4.6, 6.0)
    """
    steep = min(max(slope_percent or 0.0, 0.1), 10.0)
    return 3.2 + 1.4 * (math.log10(steep) + 1.0)


def steadiness(arrow: Mapping[str, Any]) -> float:
    """Return how far all water at an arrow goes its way, 0 to 1; 1 where nobody says."""
    told = arrow.get("steadiness")
    return 1.0 if told is None else float(told)


# ---- layers --------------------------------------------------------------------------------------


def look_of(layer: Layer, package: Package) -> Look:
    """Return how a layer of a package is drawn."""
    special = _LOOKS.get(layer.name)
    if special is not None:
        return special(layer, package)
    return Look(_plain(layer))


def _plain(layer: Layer) -> tuple[Rule, ...]:
    """Draw a layer that the table does not know."""
    pen = STROKES.get(layer.name)
    symbol: Symbol
    if "Polygon" in layer.geometry_type:
        # no fill: it would hide what is below
        symbol = pen or STROKES["areas"]
    elif "LineString" in layer.geometry_type or "Curve" in layer.geometry_type:
        symbol = pen or STROKES["lines"]
    elif any(field.name == "azimuth_deg" for field in layer.fields):
        symbol = Sign("dart", 4.0, pen.colour if pen else TEXT, turned_by="azimuth_deg")
    else:
        symbol = Sign("ring", 1.6, PAPER, STROKES["points"])
    return (Rule(layer.name, layer.title, (symbol,)),)


def _met(layer: Layer, field: str) -> set[Any]:
    return {record.get(field) for record in layer.records}


def _has(layer: Layer, field: str) -> bool:
    return any(one.name == field for one in layer.fields)


def _others(rules: Sequence[Rule]) -> tuple[Test, ...]:
    """Return the test for what no rule draws yet, so that nothing added later stays unseen."""
    if not rules:
        return ()
    values = tuple(rule.where[0].values[0] for rule in rules)
    return (Test(rules[0].where[0].field, values, other=True),)


def _kept(layer: Layer, rules: Sequence[Rule]) -> tuple[Rule, ...]:
    """Return the rules that draw a feature that is there; all, where no feature is."""
    met = _met(layer, rules[0].where[0].field)
    return tuple(rule for rule in rules if rule.where[0].values[0] in met) or tuple(rules)


def _areas(layer: Layer, package: Package) -> Look:
    met, tints = _met(layer, "code"), code_tints(package.codes)
    rules: list[Rule] = []
    for code, meaning in package.codes.items():
        if code not in met:
            continue
        title = meaning.title or code
        if meaning.building:
            wall = replace(STROKES["areas"], width_mm=STROKES["areas"].width_mm * 2.0)
            symbols: tuple[Symbol, ...] = (Tint(BUILDING), Hatch(HATCH, 1.6, 45.0), wall)
        else:
            symbols = (Tint(tints.get(code, PAPER)), STROKES["areas"])
        rules.append(Rule(code, title, symbols, (Test("code", (code,)),)))
    rules.append(Rule("other", "Other area", (Tint(PAPER), STROKES["areas"]), _others(rules)))
    area = "net_area_m2" if _has(layer, "net_area_m2") else "area_m2"
    words: tuple[str | Value, ...] = (Value("feature"), "\n", Value(area, 1), " m²")
    label = Label(words, "feature", TEXT, "inside", bold=True, priority=9)
    return Look(tuple(rules), label)


def _lines(layer: Layer, package: Package) -> Look:
    met = _met(layer, "code")
    known = tuple(code for code in package.codes if code in met)
    rules = [
        Rule(
            code,
            package.codes[code].title or code,
            (code_pen(package.codes[code]),),
            (Test("code", (code,)),),
        )
        for code in known
    ]
    rules.append(Rule("other", "Other line", (STROKES["lines"],), _others(rules)))
    label = Label(
        (Value("feature"), "  ", Value("length_m", 2), " m"),
        "feature",
        TEXT,
        "along",
        largest_scale=2500.0,
        priority=6,
    )
    return Look(tuple(rules), label)


def _marks(layer: Layer, package: Package) -> Look:
    signs = {
        "baseline": Sign("target", 2.0 * RADIUS_MM["target"], PAPER, Stroke(TEXT, 0.25)),
        "inlet": Sign("grating", 2.0 * RADIUS_MM["grating"], PAPER, Stroke(WATER, 0.35)),
        "mark": Sign("ring", 2.0 * RADIUS_MM["ring"], PAPER, STROKES["points"]),
    }
    rules = [
        Rule(role, WORDS[role].capitalize(), (sign,), (Test("role", (role,)),))
        for role, sign in signs.items()
    ]
    label = Label(
        (Value("point"), "\n", Value("elevation", 2)),
        "point",
        TEXT,
        "beside",
        size_mm=2.0,
        largest_scale=2000.0,
        priority=8,
    )
    return Look(_kept(layer, rules), label)


def _points(layer: Layer, package: Package) -> Look:
    speck = Sign("speck", 2.0 * RADIUS_MM["speck"], TEXT)
    return Look((Rule("walked", WORDS["walked"].capitalize(), (speck,)),), shown=False)


def _contours(layer: Layer, package: Package) -> Look:
    rules = (
        Rule("index", "Index contour", (STROKES["contours-index"],), (Test("is_index", (1,)),)),
        Rule("contour", "Contour", (STROKES["contours"],), (Test("is_index", (0,)),)),
    )
    digits = contour_digits([r["elevation"] for r in layer.records if r.get("elevation")])
    label = Label((Value("elevation", digits),), "elevation", EARTH, "on", size_mm=1.8, priority=3)
    return Look(_kept(layer, rules), label)


def contour_digits(heights: Iterable[float]) -> int:
    """Return the fewest decimals that tell contours apart.

    Examples
    --------
    >>> contour_digits([402.0, 402.5, 403.0])
    1
    """
    steps = np.diff(np.unique(np.round(list(heights), 4)))
    if not len(steps):
        return 2
    return int(np.clip(math.ceil(-math.log10(float(steps.min())) - 1e-6), 0, 3))


def _arrows(layer: Layer, package: Package) -> Look:
    def dart(opacity: float) -> Sign:
        return Sign("dart", 4.6, WATER, None, "azimuth_deg", "slope_percent", opacity)

    told = not layer.records or any(r.get("steadiness") is not None for r in layer.records)
    told = told and _has(layer, "steadiness")
    if told:
        rules: tuple[Rule, ...] = (
            Rule("arrow", _said("arrow"), (dart(1.0),), (Test("steadiness", low=STEADY),)),
            Rule(
                "turning",
                _said("turning"),
                (dart(FADED),),
                (Test("steadiness", low=TURNING, high=STEADY),),
            ),
        )
    else:
        rules = (Rule("arrow", _said("arrow"), (dart(1.0),)),)
    label = Label(
        (Value("slope_percent", 1), " %"),
        "",
        WATER,
        "beside",
        size_mm=1.8,
        largest_scale=250.0,
        where=(Test("steadiness", low=STEADY),) if told else (),
        priority=1,
    )
    return Look(rules, label, _room_for(layer, package, 4.0))


def _said(word: str) -> str:
    return f"Water {WORDS[word]}"


def _room_for(layer: Layer, package: Package, size_mm: float) -> float | None:
    """Return the smallest scale (its number) at which signs of a size do not cover each other."""
    if len(layer.geometries) < 2:
        return None
    places = np.array([(shape.x, shape.y) for shape in layer.geometries])
    span = np.ptp(places, axis=0) * package.frame.unit_m
    apart = math.sqrt(max(float(span[0] * span[1]), 1e-12) / len(places))
    power = 10.0 ** math.floor(math.log10(max(apart * 1000.0 / size_mm, 1.0)))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= max(apart * 1e3 / size_mm, 1.0))


def _ponds(layer: Layer, package: Package) -> Look:
    standing = (Tint(POND, 0.8), Hatch(RIPPLE, 1.5, 0.0), STROKES["ponding"])
    if not _has(layer, "is_significant"):
        rules: tuple[Rule, ...] = (Rule("pond", _said("pond"), standing),)
        where: tuple[Test, ...] = ()
    else:
        where = (Test("is_significant", (1,)),)
        quiet = (Test("is_significant", (0,)),)
        both = (
            Rule("pond", _said("pond"), standing, where),
            Rule("doubtful", _said("doubtful"), (DOUBTFUL,), quiet),
        )
        rules = _kept(layer, both)
    words: tuple[str | Value, ...] = (
        Value("depth_m", 2),
        " m deep\n",
        Value("volume_m3", 2),
        " m³",
    )
    return Look(rules, Label(words, "", WATER, "inside", where=where, priority=7))


def _paths(layer: Layer, package: Package) -> Look:
    return Look((Rule("path", WORDS["path"].capitalize(), (STROKES["flow_paths"],)),))


def _catchments(layer: Layer, package: Package) -> Look:
    pen = Stroke(WATER, 0.25, (2.0, 1.0))
    return Look((Rule("catchment", "Edge of a catchment", (pen,)),), shown=False)


def _outflows(layer: Layer, package: Package) -> Look:
    square = Sign("square", 2.0 * RADIUS_MM["square"], WATER, STROKES["points"])
    return Look((Rule("outflow", "Water leaves here", (square,)),), shown=False)


def _grades(layer: Layer, package: Package) -> Look:
    titles = {
        "within": "Grade within its limit",
        "undecided": "Grade that the survey cannot decide",
        "beyond": "Grade beyond its limit",
    }
    rules = [
        Rule(verdict, title, (STROKES[f"grades-{verdict}"],), (Test("verdict", (verdict,)),))
        for verdict, title in titles.items()
    ]
    other = Rule("other", "Grade without a limit", (STROKES["lines"],), _others(rules))
    words = (
        Value("check_of"),
        " ",
        Value("value", 1, absolute=True),
        Value("unit", shown={"percent": " %", "m": " m"}),
        " ",
        Value("verdict"),
    )
    label = Label(words, "verdict", WATER, "beside", size_mm=2.0, largest_scale=1000.0, priority=7)
    complete = all(_has(layer, part.field) for part in words if isinstance(part, Value))
    return Look((*_kept(layer, rules), other), label if complete else None)


def _sections(layer: Layer, package: Package) -> Look:
    label = Label(("section ", Value("section")), "section", EARTH, "along", priority=6)
    return Look((Rule("section", WORDS["section"].capitalize(), (STROKES["sections"],)),), label)


def _parcels(layer: Layer, package: Package) -> Look:
    label = Label(("parcel ", Value("parcel")), "parcel", PARCEL, "inside", size_mm=2.6, priority=4)
    return Look((Rule("parcel", WORDS["parcel"].capitalize(), (STROKES["parcels"],)),), label)


def _clearances(layer: Layer, package: Package) -> Look:
    titles = {
        "clear": "Clear of the parcel line",
        "cannot tell": "Too near the parcel line to tell",
        "crosses": "Over the parcel line",
    }
    rules = [
        Rule(
            verdict,
            title,
            (Stroke(ALERT if verdict == "crosses" else PARCEL, 0.25),),
            (Test("verdict", (verdict,)),),
        )
        for verdict, title in titles.items()
    ]
    label = Label(
        (Value("verdict"), " ", Value("distance_m", 2, absolute=True), " m"),
        "verdict",
        PARCEL,
        "along",
        size_mm=1.8,
        largest_scale=1000.0,
        priority=6,
    )
    return Look(_kept(layer, rules), label)


def _baseline(layer: Layer, package: Package) -> Look:
    return Look((Rule("baseline", "Baseline", (STROKES["baseline"],)),))


def _snapped(layer: Layer, package: Package) -> Look:
    return Look(_plain(layer), shown=False)


_LOOKS = {
    "areas": _areas,
    "areas_snapped": _snapped,
    "baseline": _baseline,
    "catchments": _catchments,
    "contours": _contours,
    "drainage_arrows": _arrows,
    "flow_paths": _paths,
    "grades": _grades,
    "lines": _lines,
    "marks": _marks,
    "outflows": _outflows,
    "parcel_clearances": _clearances,
    "parcels": _parcels,
    "points": _points,
    "ponding": _ponds,
    "sections": _sections,
}


# ---- rasters -------------------------------------------------------------------------------------

_GREY = ("#f5f5f5", "#c9ced1", "#98a1a6", "#69747b", "#3e4951", "#1f2d37")
_AZIMUTHS = ("drainage_direction", "aspect")


def ramp_of(raster: Raster) -> Ramp:
    """Return the colours of a raster over the values it holds."""
    if raster.name in _AZIMUTHS:
        turn = (*DIRECTION_RAMP, DIRECTION_RAMP[0])
        names = ("north", "east", "south", "west", "north")
        stops = [Stop(90.0 * i, turn[i], names[i]) for i in range(5)]
        if (raster.values == -1.0).any():
            nowhere = "no way out" if raster.name == "drainage_direction" else "level"
            # a narrow step, so that nothing blends from it towards north
            stops[:0] = [Stop(-1.0, ALERT, nowhere), Stop(-0.01, ALERT, nowhere)]
        return Ramp(tuple(stops))
    colours = RAMPS.get(raster.name, _GREY)
    values = _spread(raster, len(colours))
    unit = f" {raster.unit}" if raster.unit and raster.unit != "1" else ""
    digits = int(np.clip(2 - np.floor(np.log10(np.diff(values).min())), 0, 6))
    dry = raster.name == "ponding_depth"
    return Ramp(
        tuple(
            Stop(float(value), colour, f"{value:.{digits}f}{unit}", 0.0 if dry and not i else 1.0)
            for i, (value, colour) in enumerate(zip(values, colours, strict=True))
        )
    )


def _spread(raster: Raster, count: int) -> Any:
    """Return the values of the ramp's colours: all there are, or without the outer 2 percent."""
    valid = raster.values[np.isfinite(raster.values)].astype(np.float64)
    if not valid.size:
        return np.linspace(0.0, 1.0, count)
    whole = raster.is_elevation or raster.name == "ponding_depth"
    low, high = np.percentile(valid, (0.0, 100.0) if whole else (2.0, 98.0)).tolist()
    if high - low <= 1e-6 * max(1.0, abs(low)):
        low, high = float(valid.min()), float(valid.max())
    if high - low <= 1e-6 * max(1.0, abs(low)):
        low, high = low - 0.5, high + 0.5
    if raster.name == "contributing_area" and low > 0.0:
        return np.geomspace(low, high, count)  # most cells have little, a few have all
    return np.linspace(low, high, count)
