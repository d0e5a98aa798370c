"""Styles for every layer and raster as OGC Styled Layer Descriptor 1.0.0 (OGC 02-070).

Version 1.0.0 because every reader knows it and because its raster colour maps are plain lists;
Symbology Encoding 1.1 would add nothing that is used here. Widths are in SLD pixels of 0.28 mm.
Colours come from `geosite.handover.palette`.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence

import numpy as np

from geosite.base.arrays import Floats
from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.handover.formats.markup import document, node
from geosite.handover.model import Layer, Package, Raster
from geosite.handover.palette import (
    ALERT,
    BUILDING,
    DIRECTION_RAMP,
    EARTH,
    POND,
    RAMPS,
    STROKES,
    WATER,
    surface_colours,
)

__all__ = ["raster_style", "styles", "vector_style"]

PIXEL_MM = 0.28
"""Size of a pixel that the standard takes for rendering, OGC 02-070, clause 10.2."""

_GREY = ("#f5f5f5", "#c9ced1", "#98a1a6", "#69747b", "#3e4951", "#1f2d37")

# label field by layer; layers without one stay bare
_LABELS = {
    "areas": "feature",
    "lines": "feature",
    "points": "point",
    "contours": "elevation",
    "parcels": "parcel",
    "sections": "section",
}
# larger than this scale only: names would cover each other
_LABEL_SCALE = {"points": 500.0, "lines": 1000.0, "contours": 1000.0}


def styles(package: Package) -> dict[str, str]:
    """Return the SLD document of every layer and raster by its name."""
    return {
        **{layer.name: vector_style(layer, package) for layer in package.layers},
        **{raster.name: raster_style(raster) for raster in package.rasters},
    }


def vector_style(layer: Layer, package: Package) -> str:
    """Return the SLD document of a layer."""
    groups = [list(_rules(layer, package))]
    label = _LABELS.get(layer.name)
    if label is not None and any(field.name == label for field in layer.fields):
        # apart, because an ElseFilter fires only where no other rule of its group does
        groups.append([_label_rule(layer, label)])
    return _document(layer.name, layer.title, layer.description, groups)


def raster_style(raster: Raster) -> str:
    """Return the SLD document of a raster: a ramp over the values it holds."""
    if raster.name in ("drainage_direction", "aspect"):
        turn = (*DIRECTION_RAMP, DIRECTION_RAMP[0])
        names = ("north", "east", "south", "west", "north")
        stops = [(-1.0, ALERT, "no way out")] if raster.name == "drainage_direction" else []
        stops += [(90.0 * i, turn[i], names[i]) for i in range(5)]
    else:
        colours = RAMPS.get(raster.name, _GREY)
        values = _spread(raster, len(colours))
        unit = f" {raster.unit}" if raster.unit else ""
        digits = int(np.clip(2 - np.floor(np.log10(np.diff(values).min())), 0, 6))
        stops = [
            (float(value), colour, f"{value:.{digits}f}{unit}")
            for value, colour in zip(values, colours, strict=True)
        ]
    entries = [
        node("ColorMapEntry", color=colour, quantity=f"{value:.9g}", label=label)
        for value, colour, label in stops
    ]
    if raster.name == "ponding_depth":
        entries[0].set("opacity", "0")  # dry ground
    symbolizer = node("RasterSymbolizer", node("Opacity", "1"), node("ColorMap", *entries))
    rule = node("Rule", node("Name", raster.name), node("Title", raster.title), symbolizer)
    return _document(raster.name, raster.title, raster.description, [[rule]])


def _spread(raster: Raster, count: int) -> Floats:
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


def _document(name: str, title: str, abstract: str, groups: Sequence[Sequence[ET.Element]]) -> str:
    style = node(
        "UserStyle",
        node("Name", name),
        node("Title", title),
        node("Abstract", abstract),
        node("IsDefault", "1"),
        *(node("FeatureTypeStyle", *rules) for rules in groups),
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


def _rules(layer: Layer, package: Package) -> Iterable[ET.Element]:
    """Yield the rules that draw a layer."""
    name = layer.name
    pen = STROKES.get(name)
    if name == "areas":
        yield from _area_rules(layer, package)
    elif name == "points":
        yield _rule("mark", "Named mark", [_mark("circle", 1.4, PAPER)], _not_null("point"))
        yield _rule("walked", "Position walked", [_mark("circle", 0.7, TEXT)], _null("point"))
    elif name == "contours":
        index = _equal("is_index", "1")
        yield _rule("index", "Index contour", [_line(STROKES["contours-index"])], index)
        yield _rule("contour", "Contour", [_line(STROKES["contours"])], node("ElseFilter"))
    elif name == "grades":
        for verdict in ("within", "undecided", "beyond"):
            symbol = _line(STROKES[f"grades-{verdict}"])
            yield _rule(verdict, f"Grade {verdict}", [symbol], _equal("verdict", verdict))
        yield _rule("other", "No limit", [_line(STROKES["lines"])], node("ElseFilter"))
    elif name == "ponding" and any(field.name == "is_significant" for field in layer.fields):
        quiet = Stroke(STROKES["ponding"].colour, STROKES["ponding"].width_mm / 2.0)
        certain = [_polygon(POND, STROKES["ponding"], 0.8)]
        yield _rule("pond", layer.title, certain, _equal("is_significant", "1"))
        yield _rule("shallow", "Too shallow to tell", [_polygon(None, quiet)], node("ElseFilter"))
    elif name == "ponding":
        yield _rule("pond", layer.title, [_polygon(POND, STROKES["ponding"], 0.8)])
    elif name == "parcel_clearances":
        for verdict, colour in (("clear", TEXT), ("cannot tell", EARTH), ("crosses", ALERT)):
            symbol = _line(Stroke(colour, 0.35))
            yield _rule(verdict, verdict.capitalize(), [symbol], _equal("verdict", verdict))
    elif name in ("catchments", "outflows"):
        pen = Stroke(WATER, 0.25, (2.0, 1.0))
        mark = _mark("square", 1.6, WATER)
        symbol = _polygon(None, pen) if name == "catchments" else mark
        yield _rule(name, layer.title, [symbol])
    elif "Polygon" in layer.geometry_type:
        # no fill: it would hide what is below
        yield _rule(name, layer.title, [_polygon(None, pen or STROKES["areas"])])
    elif "LineString" in layer.geometry_type:
        yield _rule(name, layer.title, [_line(pen or STROKES["lines"])])
    else:
        turned = any(field.name == "azimuth_deg" for field in layer.fields)
        colour = pen.colour if pen else TEXT
        mark = _mark("triangle" if turned else "circle", 1.6, colour, "azimuth_deg" * turned)
        yield _rule(name, layer.title, [mark])


def _area_rules(layer: Layer, package: Package) -> Iterable[ET.Element]:
    """Yield one rule per surface code that occurs, in the order of the site file."""
    met = {str(record.get("code")) for record in layer.records}
    tints = surface_colours(package.codes)
    for code, meaning in package.codes.items():
        if code not in met:
            continue
        symbols = [_polygon(BUILDING if meaning.building else tints[code], STROKES["areas"])]
        if meaning.building:
            symbols.append(_hatch())
        yield _rule(code, meaning.title or code, symbols, _equal("code", code))
    yield _rule("other", "Other area", [_polygon(PAPER, STROKES["areas"])], node("ElseFilter"))


def _label_rule(layer: Layer, field: str) -> ET.Element:
    along = "LineString" in layer.geometry_type
    centred = "Polygon" in layer.geometry_type
    place = (
        node("LinePlacement", node("PerpendicularOffset", "4"))
        if along
        else node(
            "PointPlacement",
            node(
                "AnchorPoint",
                node("AnchorPointX", "0.5" if centred else "0"),
                node("AnchorPointY", "0.5" if centred else "0"),
            ),
            node(
                "Displacement",
                node("DisplacementX", "0" if centred else "4"),
                node("DisplacementY", "0" if centred else "4"),
            ),
        )
    )
    pen = STROKES.get(layer.name)
    symbol = node(
        "TextSymbolizer",
        node("Label", node("ogc:PropertyName", field)),
        node(
            "Font",
            _css("font-family", "sans-serif"),
            _css("font-size", "10"),
        ),
        node("LabelPlacement", place),
        node("Halo", node("Radius", "1.2"), node("Fill", _css("fill", PAPER))),
        node("Fill", _css("fill", pen.colour if pen else TEXT)),
    )
    return _rule("label", "", [symbol], _not_null(field), _LABEL_SCALE.get(layer.name))


def _rule(
    name: str,
    title: str,
    symbolizers: Sequence[ET.Element],
    condition: ET.Element | None = None,
    largest_scale: float | None = None,
) -> ET.Element:
    parts = [node("Name", name)]
    if title:
        parts.append(node("Title", title))
    if condition is not None:
        parts.append(condition)
    if largest_scale is not None:
        parts.append(node("MaxScaleDenominator", f"{largest_scale:g}"))
    return node("Rule", *parts, *symbolizers)


def _equal(field: str, value: str) -> ET.Element:
    return node(
        "ogc:Filter",
        node("ogc:PropertyIsEqualTo", node("ogc:PropertyName", field), node("ogc:Literal", value)),
    )


def _null(field: str) -> ET.Element:
    return node("ogc:Filter", node("ogc:PropertyIsNull", node("ogc:PropertyName", field)))


def _not_null(field: str) -> ET.Element:
    missing = node("ogc:PropertyIsNull", node("ogc:PropertyName", field))
    return node("ogc:Filter", node("ogc:Not", missing))


def _css(name: str, value: str) -> ET.Element:
    return node("CssParameter", value, name=name)


def _pixels(millimetres: float) -> str:
    return f"{millimetres / PIXEL_MM:.3g}"


def _stroke(pen: Stroke) -> ET.Element:
    parts = [_css("stroke", pen.colour), _css("stroke-width", _pixels(pen.width_mm))]
    if pen.dash_mm:
        parts.append(_css("stroke-dasharray", " ".join(map(_pixels, pen.dash_mm))))
    else:
        parts.append(_css("stroke-linejoin", "round"))
    return node("Stroke", *parts)


def _line(pen: Stroke) -> ET.Element:
    return node("LineSymbolizer", _stroke(pen))


def _polygon(fill: str | None, pen: Stroke, opacity: float = 1.0) -> ET.Element:
    parts = []
    if fill is not None:
        tone = [_css("fill", fill)]
        if opacity < 1.0:
            tone.append(_css("fill-opacity", f"{opacity:g}"))
        parts.append(node("Fill", *tone))
    return node("PolygonSymbolizer", *parts, _stroke(pen))


def _hatch() -> ET.Element:
    """Return crosses all over a footprint, so that it is known without its colour."""
    mark = node("Mark", node("WellKnownName", "x"), node("Stroke", _css("stroke", TEXT)))
    graphic = node("Graphic", mark, node("Opacity", "0.35"), node("Size", "6"))
    return node("PolygonSymbolizer", node("Fill", node("GraphicFill", graphic)))


def _mark(shape: str, size_mm: float, fill: str, turned_by: str = "") -> ET.Element:
    parts = [
        node(
            "Mark",
            node("WellKnownName", shape),
            node("Fill", _css("fill", fill)),
            _stroke(STROKES["points"]),
        ),
        node("Size", _pixels(size_mm)),
    ]
    if turned_by:
        parts.append(node("Rotation", node("ogc:PropertyName", turned_by)))
    return node("PointSymbolizer", node("Graphic", *parts))
