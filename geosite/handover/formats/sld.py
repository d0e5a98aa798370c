"""Looks of layers and rasters as OGC Styled Layer Descriptor 1.0.0 (OGC 02-070).

Version 1.0.0 because every reader knows it and because its raster colour maps are plain lists;
Symbology Encoding 1.1 would add nothing that is used here. Widths are in SLD pixels of 0.28 mm.

Kept plain for the readers that were tried, a map server and the open GIS desktop in two versions:
no ``ElseFilter`` (ignored by one), no ``Not(IsNull)`` (drops the whole layer in another), no
rotation by a property (dropped): arrows have a rule for each of sixteen directions. Every rule has
a title, as a legend tells the name of one that has none; a raster's has none, as the map server
would tell it of every colour.

An arrow offers two marks, of which a reader takes the first that it can draw (OGC 02-070, clause
11.3.2): ``arrow``, which the desktop knows, and the standard's ``triangle``. A triangle alone
points three ways, and the map server takes only the first mark and turns it against the clock,
where the standard says with it: no document is right in both, so that server has one of its own.
So have rasters: it blends no colours, gives each those of the values up to the next, and draws
nothing below the first and above the last.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

from geosite.drawing.ink import PAPER, Stroke
from geosite.handover.formats.markup import document, node
from geosite.handover.model import Layer, Package, Raster
from geosite.handover.styles.layers import look_of
from geosite.handover.styles.model import Hatch, Label, Look, Rule, Sign, Symbol, Test, Tint
from geosite.handover.styles.rasters import ramp_of, steps_of
from geosite.handover.styles.signs import LONGER

__all__ = ["MAP_SERVER", "map_server_styles", "raster_style", "styles", "vector_style"]

MAP_SERVER = "map_server"
"""Folder, beside the other styles, of those that are for that reader alone."""

PIXEL_MM = 0.28
"""Size of a pixel that the standard takes for rendering, OGC 02-070, clause 10.2."""

_FONT = "DejaVu Sans"
_SECTORS = 16
_WINDS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
          "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")  # fmt: skip


def styles(package: Package) -> dict[str, str]:
    """Return the SLD document of every layer and raster by its name."""
    return {
        **{layer.name: vector_style(layer, package) for layer in package.layers},
        **{raster.name: raster_style(raster, package.unit) for raster in package.rasters},
    }


def map_server_styles(package: Package) -> dict[str, str]:
    """Return the SLD document of each layer and raster that the map server needs another for."""
    return {
        **{
            layer.name: vector_style(layer, package, map_server=True)
            for layer in package.layers
            if any(map(_turned, look_of(layer, package).rules))
        },
        **{
            raster.name: raster_style(raster, package.unit, map_server=True)
            for raster in package.rasters
        },
    }


def vector_style(layer: Layer, package: Package, *, map_server: bool = False) -> str:
    """Return the SLD document of a layer.

    Parameters
    ----------
    layer
    package
    map_server
        For that reader: signs turned against the clock, the shaft of an arrow as beads.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> pipes = Layer("pipes", "Pipes", "", "LineStringZ", (), [], [])
    >>> vector_style(pipes, Package("Yard", "", Frame(), (pipes,))).count("<LineSymbolizer>")
    1
    """
    look = look_of(layer, package)
    rules = [
        made
        for rule in look.rules
        if not layer.records or _is_met(layer, rule)
        for made in _rules(layer, rule, look, map_server)
    ]
    return _document(layer.name, layer.title, layer.description, rules)


def raster_style(
    raster: Raster, unit: Literal["m", "ft"] = "m", *, map_server: bool = False
) -> str:
    """Return the SLD document of a raster: a ramp over the values it holds.

    Parameters
    ----------
    raster
    unit
        That the legend speaks.
    map_server
        For that reader: in steps, as it blends no colours and draws nothing outside of a ramp.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.base.grid import Grid
    >>> values = np.array([[0.0, 2.0], [4.0, 10.0]])
    >>> slope = Raster("slope", "Slope", "", values, Grid(0.0, 2.0, 1.0, 2, 2), "percent")
    >>> raster_style(slope).count("<ColorMapEntry ")
    6
    """
    entries = []
    for stop in steps_of(raster, unit) if map_server else ramp_of(raster, unit).stops:
        entry = node(
            "ColorMapEntry", color=stop.colour, quantity=f"{stop.value:.9g}", label=stop.title
        )
        if stop.opacity < 1.0:
            entry.set("opacity", f"{stop.opacity:g}")
        entries.append(entry)
    symbolizer = node("RasterSymbolizer", node("Opacity", "1"), node("ColorMap", *entries))
    # without a title of its own, which the map server would give to every colour
    rule = node("Rule", node("Name", raster.name), symbolizer)
    return _document(raster.name, raster.title, raster.description, [rule])


def _document(name: str, title: str, abstract: str, rules: Sequence[ET.Element]) -> str:
    style = node(
        "UserStyle",
        node("Name", name),
        node("Title", title),
        node("Abstract", abstract),
        node("IsDefault", "1"),
        node("FeatureTypeStyle", *rules),
    )
    root = node(
        "StyledLayerDescriptor",
        node("NamedLayer", node("Name", name), style),
        version="1.0.0",
        xmlns="http://www.opengis.net/sld",
        xmlns__ogc="http://www.opengis.net/ogc",
        xmlns__xlink="http://www.w3.org/1999/xlink",
        xmlns__xsi="http://www.w3.org/2001/XMLSchema-instance",
        xsi__schemaLocation="http://www.opengis.net/sld "
        "http://schemas.opengis.net/sld/1.0.0/StyledLayerDescriptor.xsd",
    )
    return document(root)


# ---- rules ---------------------------------------------------------------------------------------


def _is_met(layer: Layer, rule: Rule) -> bool:
    """Return whether a rule for what no other rule draws has anything to draw.

    A map server takes "is empty" for true of every text, and would draw all over the others.
    """
    return all(
        any(record.get(test.field) not in test.values for record in layer.records)
        for test in rule.where
        if test.other
    )


def _turned(rule: Rule) -> Sign | None:
    """Return the sign of a rule that turns with the data, if one does."""
    return next((s for s in rule.symbols if isinstance(s, Sign) and s.turned_by), None)


def _rules(layer: Layer, rule: Rule, look: Look, map_server: bool) -> Iterator[ET.Element]:
    """Yield a rule, or one for each direction that its sign can be turned to."""
    turned = _turned(rule)
    if turned is None:
        area = "Polygon" in layer.geometry_type
        drawn = tuple(_symbolizers(rule.symbols, area=area))
        yield from _written(layer, rule, look, drawn)
        return
    wide = 360.0 / _SECTORS
    for i in range(_SECTORS):
        middle = i * wide
        low, high = (middle - wide / 2.0) % 360.0, middle + wide / 2.0
        where = (*rule.where, Test(turned.turned_by, low=low, high=high))
        one = Rule(f"{rule.name}_{i}", f"{_unsized(rule.title)}: {_WINDS[i]}", (), where)
        drawn = tuple(_beaded(turned, middle) if map_server else (_mark(turned, middle),))
        yield _rule(one, drawn, (None, look.largest_scale))


def _unsized(title: str) -> str:
    """Return what a sign means where it is no longer for more of anything: it is not sized here."""
    return title.removesuffix(f", {LONGER}")


def _written(
    layer: Layer, rule: Rule, look: Look, drawn: Sequence[ET.Element]
) -> Iterator[ET.Element]:
    """Yield a rule with the writing in it: a feature is drawn by the first rule it meets.

    Where names would cover each other at small scales, those have a rule without writing.
    """
    label = look.label
    if label is None or not label.field or not set(label.where) <= set(rule.where):
        yield _rule(rule, drawn, (None, look.largest_scale))
        return
    yield _rule(rule, (*drawn, _text(layer, label)), (None, label.largest_scale))
    if label.largest_scale is not None:
        small = Rule(f"{rule.name}_small", f"{rule.title} (at small scales)", (), rule.where)
        yield _rule(small, drawn, (label.largest_scale, look.largest_scale))


def _rule(
    rule: Rule, drawn: Iterable[ET.Element], scales: tuple[float | None, float | None]
) -> ET.Element:
    """Return a rule; `scales` are the least and the greatest scale number it is for."""
    parts = [node("Name", rule.name)]
    if rule.title:
        parts.append(node("Title", rule.title))
    parts += _filter(rule.where)
    for bound, scale in zip(("Min", "Max"), scales, strict=True):
        if scale is not None:
            parts.append(node(f"{bound}ScaleDenominator", f"{scale:g}"))
    return node("Rule", *parts, *drawn)


def _filter(where: Sequence[Test]) -> list[ET.Element]:
    tests = [made for test in where if (made := _test(test)) is not None]
    if not tests:
        return []
    return [node("ogc:Filter", tests[0] if len(tests) == 1 else node("ogc:And", *tests))]


def _test(test: Test) -> ET.Element | None:
    if test.low is not None or test.high is not None:
        bounds = []
        if test.low is not None:
            bounds.append(_compare("GreaterThanOrEqualTo", test.field, f"{test.low:g}"))
        if test.high is not None:
            bounds.append(_compare("LessThan", test.field, f"{test.high:g}"))
        if len(bounds) == 1:
            return bounds[0]
        return node("ogc:Or" if test.over_north else "ogc:And", *bounds)
    equal = [_compare("EqualTo", test.field, str(value)) for value in test.values]
    if test.other:
        if not equal:
            return None
        unlike = [_compare("NotEqualTo", test.field, str(value)) for value in test.values]
        return unlike[0] if len(unlike) == 1 else node("ogc:And", *unlike)
    return equal[0] if len(equal) == 1 else node("ogc:Or", *equal)


def _compare(how: str, field: str, value: str) -> ET.Element:
    return node(f"ogc:PropertyIs{how}", node("ogc:PropertyName", field), node("ogc:Literal", value))


# ---- symbols -------------------------------------------------------------------------------------


def _symbolizers(symbols: Sequence[Symbol], *, area: bool = False) -> Iterator[ET.Element]:
    """Yield symbolizers, the bottom first; an edge goes with the tint below it."""
    filled = any(isinstance(symbol, Tint | Hatch) for symbol in symbols)
    pens = [symbol for symbol in symbols if isinstance(symbol, Stroke)]
    for symbol in symbols:
        if isinstance(symbol, Sign):
            yield _mark(symbol)
        elif isinstance(symbol, Tint):
            tone = [_css("fill", symbol.colour)]
            if symbol.opacity < 1.0:
                tone.append(_css("fill-opacity", f"{symbol.opacity:g}"))
            yield node("PolygonSymbolizer", node("Fill", *tone), *map(_stroke, pens))
        elif isinstance(symbol, Hatch):
            if symbol.angle_deg:  # the standard's marks have nothing like a ripple
                yield _hatch(symbol)
        elif not filled:
            # never a line symbolizer for an area: a map server then draws the whole layer as lines
            yield node("PolygonSymbolizer" if area else "LineSymbolizer", _stroke(symbol))


def _hatch(hatch: Hatch) -> ET.Element:
    """Return crosses all over an area, so that it is known without its colour."""
    ink = hatch.pen.colour
    mark = node("Mark", node("WellKnownName", "x"), node("Stroke", _css("stroke", ink)))
    graphic = node("Graphic", mark, node("Opacity", "0.35"), node("Size", "6"))
    return node("PolygonSymbolizer", node("Fill", node("GraphicFill", graphic)))


# names of the standard, but for the first of the arrow
_NAMES = {
    "ring": ("circle",),
    "speck": ("circle",),
    "target": ("circle",),
    "grating": ("circle",),
    "square": ("square",),
    "dart": ("arrow", "triangle"),
}
_HEAD = 0.45
"""Size of the triangle beside the length of the arrow that it is the head of."""
_SHAFT, _BEADS = 0.14, (0.22, 0.31, 0.4, 0.49, 0.58, 0.67)
"""Width of a shaft of beads, and how far behind the middle of the head they lie."""


def _mark(sign: Sign, turn: float = 0.0) -> ET.Element:
    return _point(sign, _NAMES[sign.shape], sign.size_mm, turn)


def _beaded(sign: Sign, turn: float) -> Iterator[ET.Element]:
    """Yield an arrow of the plainest marks, for a server that turns against the clock.

    Displacement is an element of Symbology Encoding 1.1, which that server takes in 1.0, too, down
    being positive. The beads are round, so that nothing depends on how they are turned.
    """
    ahead = math.radians(turn)
    for behind in _BEADS:
        bead = _point(sign, ("circle",), sign.size_mm * _SHAFT)
        far = sign.size_mm * behind
        right, down = -far * math.sin(ahead), far * math.cos(ahead)
        shift = node(
            "Displacement",
            node("DisplacementX", _signed(right)),
            node("DisplacementY", _signed(down)),
        )
        bead[0].append(shift)
        yield bead
    yield _point(sign, ("triangle",), sign.size_mm * _HEAD, -turn % 360.0)


def _signed(millimetres: float) -> str:
    return f"{round(millimetres / PIXEL_MM, 2) + 0.0:g}"


def _point(sign: Sign, names: Sequence[str], size_mm: float, turn: float = 0.0) -> ET.Element:
    """Return a symbolizer of the first mark of `names` that a reader knows."""
    ink = sign.pen.colour if sign.pen is not None else sign.colour
    fill = ink if sign.shape == "target" else sign.colour
    graphic = []
    for name in names:
        parts = [node("WellKnownName", name), node("Fill", _css("fill", fill))]
        if sign.pen is not None:
            parts.append(_stroke(sign.pen))
        graphic.append(node("Mark", *parts))
    if sign.opacity < 1.0:
        graphic.append(node("Opacity", f"{sign.opacity:g}"))
    graphic.append(node("Size", _pixels(size_mm)))
    if turn:
        graphic.append(node("Rotation", f"{turn:g}"))
    return node("PointSymbolizer", node("Graphic", *graphic))


def _stroke(pen: Stroke) -> ET.Element:
    parts = [_css("stroke", pen.colour), _css("stroke-width", _pixels(pen.width_mm))]
    if pen.dash_mm:
        parts.append(_css("stroke-dasharray", " ".join(map(_pixels, pen.dash_mm))))
    else:
        parts.append(_css("stroke-linejoin", "round"))
    return node("Stroke", *parts)


def _css(name: str, value: str) -> ET.Element:
    return node("CssParameter", value, name=name)


def _pixels(millimetres: float) -> str:
    return f"{millimetres / PIXEL_MM:.3g}"


# ---- labels --------------------------------------------------------------------------------------


def _text(layer: Layer, label: Label) -> ET.Element:
    along = "LineString" in layer.geometry_type
    centred = "0.5" if "Polygon" in layer.geometry_type else "0"
    beside = "0" if "Polygon" in layer.geometry_type else "4"
    place = (
        node("LinePlacement", node("PerpendicularOffset", "0" if label.place == "on" else "4"))
        if along
        else node(
            "PointPlacement",
            node("AnchorPoint", node("AnchorPointX", centred), node("AnchorPointY", centred)),
            node("Displacement", node("DisplacementX", beside), node("DisplacementY", beside)),
        )
    )
    return node(
        "TextSymbolizer",
        node("Label", node("ogc:PropertyName", label.field)),
        node(
            "Font",
            _css("font-family", _FONT),
            _css("font-size", _pixels(label.size_mm)),
            *((_css("font-weight", "bold"),) if label.bold else ()),
        ),
        node("LabelPlacement", place),
        node("Halo", node("Radius", "1.2"), node("Fill", _css("fill", PAPER))),
        node("Fill", _css("fill", label.colour)),
    )
