"""Styles of layers and rasters in the open GIS desktop's own format.

The same elements make a file (``.qml`` beside a raster), a row of the table ``layer_styles`` in a
GeoPackage, and a layer in a project.
"""

from __future__ import annotations

import uuid
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

from geosite.base.columns import Field
from geosite.drawing.ink import PAPER, Stroke
from geosite.handover.formats.desktop.rasters import raster_document
from geosite.handover.formats.desktop.symbols import (
    VERSION,
    colour,
    kind_of,
    line_symbol,
    option,
    properties,
    symbol,
    without_stairs,
)
from geosite.handover.formats.markup import document, node
from geosite.handover.model import Layer, Package, Table
from geosite.handover.palette import ALERT, EARTH
from geosite.handover.styles.layers import look_of
from geosite.handover.styles.measures import HOLDS_THE_UNIT, follows_the_unit, shown_in
from geosite.handover.styles.model import Hatch, Label, Look, Rule, Test, Tint
from geosite.handover.styles.rasters import ramp_of
from geosite.handover.wording.titles import column_titles

__all__ = [
    "FONTS",
    "aliases",
    "expression",
    "label_expression",
    "native_styles",
    "text_style",
    "vector_attributes",
    "vector_nodes",
]

FONTS = ("DejaVu Sans Condensed", "DejaVu Sans", "Noto Sans", "Segoe UI", "Helvetica Neue", "Arial")
"""Typeface of the plan first; where a system has none of them the desktop takes its own."""

_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:geosite:style")


def native_styles(package: Package) -> dict[str, str]:
    """Return the style document of every layer, raster and table by its name."""
    return {
        **{
            layer.name: _vector_document(layer, look_of(layer, package), package.unit)
            for layer in package.layers
        },
        **{
            raster.name: raster_document(raster, ramp_of(raster, package.unit))
            for raster in package.rasters
        },
        **{table.name: _table_document(table) for table in package.tables},
    }


def _table_document(table: Table) -> str:
    """Return what a table without geometry is shown with: value lists and column titles."""
    widgets = [_widget(field) for field in table.fields if field.values]
    shown = (node("fieldConfiguration", *widgets), aliases(table.fields))
    root = node("qgis", *shown, version=VERSION)
    root.set("styleCategories", "Fields|Forms")
    return document(root)


def _vector_document(layer: Layer, look: Look, unit: Literal["m", "ft"] = "m") -> str:
    """Return the style of a layer as a document; `unit` is the reader's."""
    nodes = vector_nodes(layer, look, unit)
    root = node("qgis", *nodes, **vector_attributes(look), version=VERSION)
    root.set("styleCategories", "AllStyleCategories")
    return document(root)


# ---- layers --------------------------------------------------------------------------------------


def vector_attributes(look: Look) -> dict[str, str]:
    """Return what a style says about the whole layer."""
    scale = look.largest_scale
    return {
        "labelsEnabled": "1" if look.label is not None else "0",
        "hasScaleBasedVisibilityFlag": "1" if scale is not None else "0",
        "minScale": f"{scale:g}" if scale is not None else "100000000",
        "maxScale": "0",
        "simplifyDrawingHints": "1",
        "simplifyDrawingTol": "1",
        "simplifyMaxScale": "1",
        "simplifyLocal": "1",
        "simplifyAlgorithm": "0",
        "symbologyReferenceScale": "-1",
        "readOnly": "0",
    }


def vector_nodes(layer: Layer, look: Look, unit: Literal["m", "ft"] = "m") -> list[ET.Element]:
    """Return renderer, labels, value lists, column titles, map tip and elevation settings."""
    nodes = [_elevation(layer, look), _renderer(layer, look)]
    if look.label is not None:
        nodes.append(_labeling(layer, look.label))
    widgets = [_widget(field) for field in layer.fields if field.values]
    return [
        *nodes,
        node("blendMode", "0"),
        node("featureBlendMode", "0"),
        node("layerOpacity", "1"),
        node("fieldConfiguration", *widgets),
        aliases(layer.fields),
        node("mapTip", _tip(layer, unit)),
    ]


def _renderer(layer: Layer, look: Look) -> ET.Element:
    kind = kind_of(layer.geometry_type)
    rules = look.rules
    drawn = without_stairs(look.cell)
    symbols = node(
        "symbols", *(symbol(str(i), kind, rule.symbols, drawn) for i, rule in enumerate(rules))
    )
    common = {"symbollevels": "0", "forceraster": "0", "enableorderby": "0", "referencescale": "-1"}
    if len(rules) == 1 and not rules[0].where:
        return node("renderer-v2", symbols, node("rotation"), type="singleSymbol", **common)
    field = _classified_by(rules)
    if field is not None:
        categories = [
            node(
                "category",
                symbol=str(i),
                value="" if rule.where[0].other else str(rule.where[0].values[0]),
                label=_plain(rule.title),
                render="true",
                type=_category_type(rule.where[0]),
            )
            for i, rule in enumerate(rules)
        ]
        body = node("categories", *categories)
        return node("renderer-v2", body, symbols, type="categorizedSymbol", attr=field, **common)
    listed = [
        node(
            "rule",
            key=_key(layer.name, rule.name),
            symbol=str(i),
            label=_plain(rule.title),
            filter=" AND ".join(expression(test) for test in rule.where),
        )
        for i, rule in enumerate(rules)
    ]
    body = node("rules", *listed, key=_key(layer.name, ""))
    return node("renderer-v2", body, symbols, type="RuleRenderer", **common)


def _plain(title: str) -> str:
    """Return words of the site file's that the desktop takes for nothing but words."""
    return title.replace("[%", "[ %")


def _classified_by(rules: tuple[Rule, ...]) -> str | None:
    """Return the field, where every rule is about one value of the same field."""
    fields = {test.field for rule in rules for test in rule.where}
    single = all(
        len(rule.where) == 1 and (rule.where[0].other or len(rule.where[0].values) == 1)
        for rule in rules
    )
    return fields.pop() if single and len(fields) == 1 else None


def _category_type(test: Test) -> str:
    return "NULL" if test.other else "long" if isinstance(test.values[0], int) else "string"


def _key(*names: str) -> str:
    return "{" + str(uuid.uuid5(_NAMESPACE, "\0".join(names))) + "}"


def expression(test: Test) -> str:
    r"""Return a condition in the desktop's expression language.

    Examples
    --------
    >>> print(expression(Test("code", ("setts",))))
    "code" = 'setts'
    >>> expression(Test("steadiness", low=0.7, high=0.95))
    '("steadiness" >= 0.7 AND "steadiness" < 0.95)'
    >>> expression(Test("azimuth_deg", low=340.0, high=20.0))
    '("azimuth_deg" >= 340 OR "azimuth_deg" < 20)'
    """
    field = _quoted(test.field)
    if test.low is not None or test.high is not None:
        parts = [f"{field} >= {test.low:g}"] if test.low is not None else []
        parts += [f"{field} < {test.high:g}"] if test.high is not None else []
        both = " OR " if test.over_north else " AND "
        return parts[0] if len(parts) == 1 else f"({both.join(parts)})"
    listed = ", ".join(_literal(value) for value in test.values)
    if test.other:
        return f"({field} IS NULL OR {field} NOT IN ({listed}))" if listed else "TRUE"
    return f"{field} = {listed}" if len(test.values) == 1 else f"{field} IN ({listed})"


def _quoted(field: str) -> str:
    return '"' + field.replace('"', '""') + '"'


def _literal(value: str | int) -> str:
    if isinstance(value, int):
        return str(value)
    return "'" + value.replace("\\", "\\\\").replace("'", "''").replace("\n", "\\n") + "'"


# ---- labels --------------------------------------------------------------------------------------


def label_expression(label: Label) -> str:
    """Return a label in the desktop's expression language; NULL, no label, where a value is NULL.

    Examples
    --------
    >>> from geosite.handover.styles.model import Value
    >>> print(label_expression(Label((Value("length_m", 2), " m"), "length_m", "#000", "along")))
    format_number("length_m", 2) || ' m'
    >>> print(label_expression(Label((Value("feature", key=True),), "feature", "#000", "along")))
    replace("feature", '_', ' ')
    """
    parts = []
    for part in label.words:
        if isinstance(part, str):
            parts.append(_literal(part))
            continue
        value = _scaled(_quoted(part.field), part.factor, part.factor_where)
        if part.absolute:
            value = f"abs({value})"
        if part.digits is not None:
            digits = str(part.digits)
            if part.finer_where:
                finer = " AND ".join(expression(test) for test in part.finer_where)
                digits = f"CASE WHEN {finer} THEN {part.digits + 1} ELSE {digits} END"
            value = f"format_number({value}, {digits})"
        if part.key:
            value = f"replace({value}, '_', ' ')"
        if part.shown:
            pairs = [
                f"WHEN {value} = {_literal(v)} THEN {_literal(words)}"
                for v, words in part.shown.items()
            ]
            value = f"CASE {' '.join(pairs)} ELSE {value} END"
        parts.append(value)
    whole = " || ".join(parts)
    conditions = [expression(test) for test in label.where]
    if label.every > 1:
        conditions.append(f"$id % {label.every} = 0")
    if conditions:
        condition = " AND ".join(conditions)
        return f"CASE WHEN {condition} THEN {whole} END"
    return whole


def _scaled(value: str, factor: float, where: Sequence[Test]) -> str:
    if factor == 1.0:
        return value
    if not where:
        return f"{value} * {factor:.9g}"
    condition = " AND ".join(expression(test) for test in where)
    return f"{value} * CASE WHEN {condition} THEN {factor:.9g} ELSE 1 END"


def text_style(
    size_mm: float, ink: str, *, words: str = "", bold: bool = False, halo: bool = True
) -> ET.Element:
    """Return how text is written; `words` is the expression of a label.

    Examples
    --------
    >>> made = text_style(2.2, "#00679c", bold=True)
    >>> made.get("fontSize"), made.get("namedStyle")
    ('2.2', 'Bold')
    """
    families = [node("family", name=name) for name in FONTS[1:]]
    buffer = node(
        "text-buffer",
        bufferDraw="1" if halo else "0",
        bufferSize="0.5",
        bufferSizeUnits="MM",
        bufferColor=colour(PAPER),
        bufferOpacity="0.85",
        bufferJoinStyle="128",
        bufferNoFill="1",
    )
    return node(
        "text-style",
        node("families", *families),
        buffer,
        fieldName=words,
        isExpression="1",
        fontFamily=FONTS[0],
        fontSize=f"{size_mm:g}",
        fontSizeUnit="MM",
        fontWeight="75" if bold else "50",
        namedStyle="Bold" if bold else "",
        textColor=colour(ink),
        textOpacity="1",
        multilineHeight="0.9",
    )


# numbers of the format: placement modes, and flags of lines (on 1, above 2, below 4, upright 8)
_PLACES = {
    "beside": {"placement": "6", "offsetType": "1", "dist": "0.3", "quadOffset": "4"},
    "inside": {"placement": "4", "fitInPolygonOnly": "0", "centroidInside": "1"},
    "along": {"placement": "2", "placementFlags": "10", "dist": "0.4"},
    "on": {"placement": "2", "placementFlags": "9"},
    # upright, off the line's own middle: of several places the one that crosses least
    "middle": {
        "placement": "6",
        "offsetType": "0",
        "dist": "2",
        "geometryGeneratorEnabled": "1",
        "geometryGeneratorType": "PointGeometry",
        # nearer to where it begins, for it may end at a line that is not to be written over
        "geometryGenerator": "line_interpolate_point($geometry, 0.3 * length($geometry))",
    },
}


def _labeling(layer: Layer, label: Label) -> ET.Element:
    place = dict(_PLACES[label.place])
    if label.place == "beside" and kind_of(layer.geometry_type) == "line":
        place = dict(_PLACES["inside"])  # upright, wherever there is room near the line
    bare = {}
    if layer.name == "areas":
        # names of areas keep off the areas that lie inside them
        within = "collect_geometries(overlay_contains(@layer, $geometry))"
        bare = {
            "geometryGeneratorEnabled": "1",
            "geometryGeneratorType": "PolygonGeometry",
            "geometryGenerator": f"coalesce(difference($geometry, {within}), $geometry)",
        }
    placement = node(
        "placement",
        distUnits="MM",
        offsetUnits="MM",
        priority=str(label.priority),
        predefinedPositionOrder="TR,TL,BR,BL,R,L,TSR,BSR",
        repeatDistance="0",
        maxCurvedCharAngleIn="25",
        maxCurvedCharAngleOut="-25",
        polygonPlacementFlags="2",
        **place,
        **bare,
    )
    rendering = node(
        "rendering",
        drawLabels="1",
        scaleVisibility="1" if label.largest_scale is not None else "0",
        scaleMin="0",
        scaleMax=f"{label.largest_scale or 0:g}",
        # what there is much of may be written over
        obstacle="1" if label.every == 1 else "0",
        obstacleFactor="2" if layer.name == "parcels" else "1",
        # names of areas may stand on the area, but keep off its edge
        obstacleType="1",
        mergeLines="1" if label.place == "on" else "0",
        minFeatureSize="12" if label.place == "on" else "0",
        upsidedownLabels="0",
        labelPerPart="0",
        zIndex="0",
    )
    words = label_expression(label)
    settings = node(
        "settings",
        text_style(label.size_mm, label.colour, words=words, bold=label.bold),
        node("text-format", multilineAlign="3", formatNumbers="0"),
        placement,
        rendering,
        *_warning(label),
        calloutType="simple",
    )
    return node("labeling", settings, type="simple")


def _warning(label: Label) -> Iterable[ET.Element]:
    """Yield the settings of a label whose ink follows the data."""
    if label.alert_unless:
        usual = " AND ".join(expression(test) for test in label.alert_unless)
        made = properties({"Color": f"CASE WHEN {usual} THEN '{label.colour}' ELSE '{ALERT}' END"})
        made.tag = "dd_properties"
        yield made


# ---- fields --------------------------------------------------------------------------------------


def aliases(fields: Sequence[Field]) -> ET.Element:
    """Return the titles of columns; the desktop counts the row number as column 0.

    Examples
    --------
    >>> (one,) = aliases([Field("net_area_m2", "real", unit="m2")])
    >>> one.get("index"), one.get("name")
    ('1', 'Net area [m²]')
    """
    titles = column_titles(fields)
    return node(
        "aliases",
        *(
            node("alias", index=str(i), field=name, name=title)
            for i, (name, title) in enumerate(titles.items(), start=1)
        ),
    )


def _widget(field: Field) -> ET.Element:
    """Return the value list of a field: the meaning is shown, the value is kept."""
    pairs = [
        node("Option", option(meaning or value, value), type="Map")
        for value, meaning in field.values.items()
    ]
    listed = node("Option", *pairs, name="map", type="List")
    config = node("config", node("Option", listed, type="Map"))
    return node(
        "field",
        node("editWidget", config, type="ValueMap"),
        name=field.name,
        configurationFlags="None",
    )


def _tip(layer: Layer, unit: Literal["m", "ft"]) -> str:
    """Return what shows when the mouse rests on a feature: its columns in words."""
    # the files' metres under the titles of the reader's unit
    told = [replace(field, unit=shown_in(field.unit, unit)[1]) for field in layer.fields]
    titles = column_titles(told)
    by_row = any(field.name == HOLDS_THE_UNIT for field in layer.fields)
    rows = []
    for field in layer.fields[:14]:
        name = _quoted(field.name)
        shown = f"represent_value({name})" if field.values else name
        where = follows_the_unit(field.name) if by_row and not field.unit else ()
        factor, _ = shown_in("m" if where else field.unit, unit)
        if by_row and field.name == HOLDS_THE_UNIT and unit != "m":
            shown = f"CASE WHEN {name} = 'm' THEN '{unit}' ELSE {name} END"
        elif field.type == "real":
            shown = f"round({_scaled(name, factor, where)}, 3)"
        title = _escaped(titles[field.name])
        # empty columns are left out
        rows.append(
            f"[% CASE WHEN {name} IS NOT NULL THEN '<tr><td>{title}</td><td>' || "
            f"{shown} || '</td></tr>' END %]"
        )
    return f"<b>{_escaped(layer.title)}</b><table>{''.join(rows)}</table>"


def _escaped(text: str) -> str:
    text = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return text.replace("'", "&#39;").replace("\\", "&#92;").replace("%", "&#37;")


# ---- elevation -----------------------------------------------------------------------------------


def _elevation(layer: Layer, look: Look) -> ET.Element:
    """Return settings for the profile tool: with elevations of its own, or laid on the ground."""
    pen = next((one for rule in look.rules for one in _pens(rule)), Stroke(EARTH, 0.4))
    has_z = layer.geometry_type.endswith("Z")
    return node(
        "elevation",
        node("profileLineSymbol", line_symbol("", Stroke(pen.colour, max(pen.width_mm, 0.3)))),
        clamping="Absolute" if has_z else "Terrain",
        binding="Vertex" if has_z else "Centroid",
        type="IndividualFeatures",
        symbology="Line",
        respectLayerSymbol="1",
        extrusionEnabled="0",
        extrusion="0",
        zscale="1",
        zoffset="0",
        showMarkerSymbolInSurfacePlots="0",
    )


def _pens(rule: Rule) -> Iterable[Stroke]:
    for one in rule.symbols:
        if isinstance(one, Stroke):
            yield one
        elif not isinstance(one, Tint | Hatch) and one.pen is not None:
            yield one.pen
