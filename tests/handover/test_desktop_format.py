"""Layout, symbols, labels, layers and rasters of the desktop's project, measure by measure."""

from __future__ import annotations

import dataclasses
import xml.etree.ElementTree as ET
from base64 import b64decode
from functools import cache
from typing import Any

import numpy as np
import package_cases
import pytest
import shapely

from geosite.base.columns import Field
from geosite.drawing.font import typeface
from geosite.drawing.ink import TEXT, Stroke
from geosite.fieldbook.sitefile import Handover
from geosite.handover.formats.desktop.layout import layout_element
from geosite.handover.formats.desktop.project import project
from geosite.handover.formats.desktop.rasters import raster_nodes
from geosite.handover.formats.desktop.style import (
    FONTS,
    text_style,
    vector_attributes,
    vector_nodes,
)
from geosite.handover.formats.desktop.symbols import colour, kind_of, option, symbol
from geosite.handover.model import CAUTION, Layer, Package
from geosite.handover.palette import ALERT
from geosite.handover.plan.layout import Layout, choose_layout
from geosite.handover.styles.model import (
    Hatch,
    Label,
    Look,
    Ramp,
    Rule,
    Sign,
    Stop,
    Test,
    Tint,
    Value,
)

EXTENT = (512_300.0, 5_276_100.0, 512_358.0, 5_276_142.0)
HIGH = (512_300.0, 5_276_100.0, 512_320.0, 5_276_190.0)


@cache
def laid(extent: tuple[float, float, float, float] = EXTENT, **options: Any) -> Layout:
    """Lay a plan out whose words take a band of 50 mm below the map."""
    return choose_layout(
        package_cases.frame(), extent, Handover(**options), lambda at, k: at[0].height >= 50 * k
    )


@cache
def site() -> Package:
    return package_cases.ferry_landing()


def items(layout: Layout, unit: Any = "m", package: Package | None = None) -> dict[str, ET.Element]:
    made = layout_element(package or site(), layout, unit)
    return {one.attrib["id"]: one for one in made.iter("LayoutItem")}


def box(item: ET.Element) -> tuple[float, float, float, float]:
    x, y, unit = item.attrib["position"].split(",")
    width, height, _ = item.attrib["size"].split(",")
    assert unit == "mm"
    return float(x), float(y), float(width), float(height)


@pytest.mark.parametrize(("extent", "way"), [(EXTENT, "landscape"), (HIGH, "portrait")])
def test_the_layout_is_the_plans_sheet_and_nothing_on_it_meets_the_map(
    extent: tuple[float, float, float, float], way: str
) -> None:
    layout = laid(extent)
    assert layout.way == way
    found = items(layout)
    window = layout.view.window
    assert box(found["page"]) == (0, 0, layout.width, layout.height)
    assert box(found["map"]) == pytest.approx(
        (window.x, window.y, window.width, window.height), abs=0.06
    )
    (extent_of,) = found["map"].findall("Extent")
    across = float(extent_of.attrib["xmax"]) - float(extent_of.attrib["xmin"])
    # the map's metres, on the ground, on paper
    on_paper = across / package_cases.FACTOR * 1000 / layout.view.scale
    assert on_paper == pytest.approx(window.width, abs=1e-3)
    up = float(extent_of.attrib["ymax"]) - float(extent_of.attrib["ymin"])
    assert up / across == pytest.approx(window.height / window.width, abs=1e-6)
    middle = (float(extent_of.attrib["xmax"]) + float(extent_of.attrib["xmin"])) / 2
    assert middle == pytest.approx((extent[0] + extent[2]) / 2, abs=1e-3)
    boxes = {name: box(one) for name, one in found.items() if name != "page"}
    paper = shapely.box(0, 0, layout.width, layout.height)
    shapes = {name: shapely.box(x, y, x + w, y + h) for name, (x, y, w, h) in boxes.items()}
    for name, shape in shapes.items():
        assert paper.contains(shape), name
        others = {n: s for n, s in shapes.items() if n != name}
        met = [n for n, s in others.items() if shape.intersection(s).area > 0.05]
        assert not met, (name, met)
    order = [int(one.attrib["zValue"]) for name, one in found.items() if name != "page"]
    assert sorted(order) == list(range(1, len(order) + 1))
    assert order == sorted(order, reverse=True)  # the topmost is written first


def test_what_the_layout_says_in_words() -> None:
    found = items(laid())
    words = {
        name: one.attrib["labelText"] for name, one in found.items() if "labelText" in one.attrib
    }
    assert words["title"] == "Ferry landing (invented)"
    assert words["scale"] == "1:200"
    assert words["date"] == "Surveyed 2026-04-12"
    assert words["caution"] == CAUTION
    assert words["units"].startswith("Elevations in metres\nGrid north; true north 0° ")
    assert words["under"].startswith("Site plan in ")
    assert ", elevations in DHHN2016" in words["under"]
    bare = dataclasses.replace(
        site(), title="", date=None, frame=package_cases.frame(vertical_name="", vertical_wkt="")
    )
    bare_words = items(laid(), package=bare)
    assert bare_words["title"].attrib["labelText"] == "Untitled site"
    assert bare_words["date"].attrib["labelText"] == ""
    assert bare_words["under"].attrib["labelText"].endswith("the survey's own height")
    feet = items(laid(unit="ft"), "ft")
    assert feet["scale"].attrib["labelText"].startswith("1 in = 20 ft")
    # points of 1/72 inch: 6 mm are 17
    (font,) = found["title"].findall("LabelFont")
    assert font.attrib["description"].split(",")[:2] == [FONTS[0], "17"]
    assert font.attrib["style"] == "Bold"
    assert found["caution"].find("LabelFont").attrib["style"] == ""  # type: ignore[union-attr]
    assert (found["title"].attrib["halign"], found["scale"].attrib["halign"]) == ("1", "2")


@pytest.mark.parametrize("unit", ["m", "ft"])
@pytest.mark.parametrize("metres", [3.0, 58.0, 900.0, 6000.0])
def test_the_scale_bar_is_round_and_fits_its_room(unit: Any, metres: float) -> None:
    layout = laid((0.0, 0.0, metres, metres / 2), unit=unit)
    bar = items(layout, unit)["scale_bar"]
    step = float(bar.attrib["numUnitsPerSegment"])
    assert f"{step:e}"[0] in "125"
    unit_m = 1.0 if unit == "m" else 0.3048
    width = box(bar)[2]
    mm = step * unit_m * 1000 / layout.view.scale
    # two boxes and a tenth of them for the words; the next round step would not fit
    assert 2.2 * mm <= width + 1e-6
    assert 2.2 * mm * 2.5 > width
    assert (bar.attrib["unitLabel"], bar.attrib["numSegments"]) == (unit, "2")
    assert bar.attrib["unitType"] == ("meters" if unit == "m" else "feet")


def test_the_legend_has_a_column_less_than_the_words_below_the_map() -> None:
    assert items(laid())["legend"].attrib["columnCount"] == "1"
    below = laid(HIGH)
    assert len(below.columns) == 3
    assert items(below)["legend"].attrib["columnCount"] == "2"
    styles = items(laid())["legend"].findall("styles/style")
    sizes = [float(s.find("text-style").attrib["fontSize"]) for s in styles]  # type: ignore[union-attr]
    assert sizes == sorted(sizes, reverse=True)


def test_text_has_the_plans_typeface_and_others_where_it_lacks() -> None:
    made = text_style(2.2, "#00679c", words='"a"', bold=True)
    assert made.attrib["fontFamily"] == FONTS[0]
    families = [one.attrib["name"] for one in made.findall("families/family")]
    assert families == list(FONTS[1:])
    assert FONTS[0] not in families
    (buffer,) = made.findall("text-buffer")
    assert buffer.attrib["bufferDraw"] == "1"
    assert (made.attrib["fontWeight"], made.attrib["fieldName"]) == ("75", '"a"')
    assert made.attrib["textColor"] == "0,103,156,255"
    plain = text_style(2.0, TEXT, halo=False)
    assert plain.find("text-buffer").attrib["bufferDraw"] == "0"  # type: ignore[union-attr]
    assert (plain.attrib["fontWeight"], plain.attrib["namedStyle"]) == ("50", "")
    assert typeface("regular").width("n") > 0


@pytest.mark.parametrize(
    ("shape", "element"),
    [
        ("ring", "circle"),
        ("speck", "circle"),
        ("square", "rect"),
        ("target", "circle"),
        ("grating", "circle"),
    ],
)
def test_signs_are_pictures_of_their_size_with_room_for_their_edge(
    shape: Any, element: str
) -> None:
    made = symbol("7", "marker", (Sign(shape, 2.0, "#ffffff", Stroke("#112233", 0.5)),))
    (layer,) = made.findall("layer")
    told = {o.attrib["name"]: o.get("value", "") for o in layer.findall("Option/Option")}
    # two millimetres and half the edge on both sides
    assert float(told["size"]) == 2.5
    assert (told["outline_color"], told["outline_width"]) == ("17,34,51,255", "0.5")
    picture = ET.fromstring(b64decode(told["name"].removeprefix("base64:")))
    assert picture.attrib["viewBox"] == "-1.25 -1.25 2.5 2.5"
    assert picture.attrib["width"] == "2.5mm"
    svg = "{http://www.w3.org/2000/svg}"
    (drawn,) = picture.findall(svg + element)
    if element == "circle":
        assert drawn.attrib["r"] == "1"
    else:
        assert [drawn.attrib[k] for k in ("x", "y", "width", "height")] == ["-1", "-1", "2", "2"]
    paths = [p.attrib["d"] for p in picture.findall(svg + "path")]
    if shape == "target":
        assert paths == ["M0 0H1A1 1 0 0 1 0 1ZM0 0H-1A1 1 0 0 1 0 -1Z"]
    if shape == "grating":
        # three bars from edge to edge of the ring
        bars = [tuple(map(float, b.replace("V", " ").split())) for b in paths[0][1:].split("M")]
        for (x, top, bottom), share in zip(bars, (-0.45, 0, 0.45), strict=True):
            assert x == pytest.approx(share)
            assert (np.hypot(x, top), bottom) == pytest.approx((1.0, -top), abs=1e-3)


def test_tints_hatches_and_pens_of_a_symbol_lie_in_their_order() -> None:
    parts = (
        Tint("#97d3fd", 0.5),
        Hatch(Stroke("#000000", 0.13), 1.6, 45.0),
        Stroke("#00679c", 0.3, (3.0, 0.8)),
    )
    made = symbol("3", "fill", parts)
    classes = [one.attrib["class"] for one in made.findall("layer")]
    assert classes == ["SimpleFill", "LinePatternFill", "SimpleLine"]
    fill, hatch, pen = (
        {o.attrib["name"]: o.get("value", "") for o in one.findall("Option/Option")}
        for one in made.findall("layer")
    )
    assert fill["color"] == colour("#97d3fd", 0.5) == "151,211,253,128"
    (whole,) = symbol("6", "fill", (Tint("#97d3fd"),)).findall("layer")
    inks = {o.attrib["name"]: o.get("value") for o in whole.findall("Option/Option")}
    assert inks["color"] == "151,211,253,255"  # a tint that says nothing lets nothing through
    assert (hatch["angle"], hatch["distance"], hatch["line_width"]) == ("45", "1.6", "0.13")
    assert (pen["customdash"], pen["capstyle"], pen["use_custom_dash"]) == ("3;0.8", "flat", "1")
    solid = symbol("4", "line", (Stroke("#00679c", 0.3),)).find("layer")
    assert solid is not None
    names = {o.attrib["name"]: o.get("value") for o in solid.findall("Option/Option")}
    assert "customdash" not in names
    assert names["capstyle"] == "round"
    # the palest sign fades the whole
    both = (Sign("ring", 1.0, "#000000"), Sign("ring", 1.0, "#000000", opacity=0.45))
    assert symbol("5", "marker", both).attrib["alpha"] == "0.45"
    assert [kind_of(k) for k in ("CompoundCurveZ", "CurvePolygonZ", "MultiPoint")] == [
        "line", "fill", "marker",
    ]  # fmt: skip
    told = [
        (o.get("type"), o.get("value"))
        for o in (option("a", 3), option("a", 0.5), option("a", "x"), option("a", False))
    ]
    assert told == [("int", "3"), ("double", "0.5"), ("QString", "x"), ("bool", "false")]


FIELDS = (
    Field("code", "text", values={"setts": "Stone setts", "grass": ""}),
    Field("is_index", "integer"),
    Field("depth_m", "real", unit="m"),
)


def nodes(
    look: Look, kind: str = "PolygonZ", unit: Any = "m", name: str = "ponds"
) -> dict[str, ET.Element]:
    layer = Layer(name, "Pond <1>", "", kind, FIELDS, [], [])
    return {one.tag: one for one in vector_nodes(layer, look, unit)}


def rule(name: str, *where: Test) -> Rule:
    return Rule(name, f"[% {name}", (Stroke("#123456", 0.2),), where)


def test_one_field_with_one_value_each_is_shown_by_category_else_by_rule() -> None:
    one = nodes(Look((rule("all"),)))["renderer-v2"]
    assert one.attrib["type"] == "singleSymbol"
    by_code = Look(
        (rule("a", Test("code", ("setts",))), rule("b", Test("code", ("setts",), other=True)))
    )
    by_value = nodes(by_code)["renderer-v2"]
    assert (by_value.attrib["type"], by_value.attrib["attr"]) == ("categorizedSymbol", "code")
    listed = [
        (c.attrib["symbol"], c.attrib["value"], c.attrib["type"], c.attrib["label"])
        for c in by_value.findall("categories/category")
    ]
    assert listed == [("0", "setts", "string", "[ % a"), ("1", "", "NULL", "[ % b")]
    numbers = nodes(Look((rule("a", Test("is_index", (1,))), rule("b", Test("is_index", (0,))))))
    kinds = [c.attrib["type"] for c in numbers["renderer-v2"].findall("categories/category")]
    assert kinds == ["long", "long"]
    for look in (
        Look((rule("a", Test("code", ("x",))), rule("b", Test("is_index", (1,))))),
        Look((rule("a", Test("code", ("x", "y"))), rule("b", Test("code", ("z",))))),
        Look(
            (
                rule("a", Test("code", ("x",)), Test("depth_m", low=1.0)),
                rule("b", Test("code", ("z",))),
            )
        ),
    ):
        made = nodes(look)["renderer-v2"]
        assert made.attrib["type"] == "RuleRenderer"
        rules = made.findall("rules/rule")
        assert [r.attrib["symbol"] for r in rules] == ["0", "1"]
        assert len({r.attrib["key"] for r in rules}) == 2
    assert rules[0].attrib["filter"] == '"code" = \'x\' AND "depth_m" >= 1'


def test_value_lists_titles_and_the_tip_name_what_a_column_is() -> None:
    made = nodes(Look((rule("all"),)))
    (field,) = made["fieldConfiguration"]
    pairs = [(o.attrib["name"], o.attrib["value"]) for o in field.iter("Option") if o.get("value")]
    assert pairs == [("Stone setts", "setts"), ("grass", "grass")]
    assert [a.attrib["index"] for a in made["aliases"]] == ["1", "2", "3"]
    tip = made["mapTip"].text or ""
    assert tip.startswith("<b>Pond &lt;1&gt;</b>")
    assert 'represent_value("code")' in tip
    assert 'round("depth_m", 3)' in tip
    assert '|| "is_index" ||' in tip
    feet = nodes(Look((rule("all"),)), unit="ft")["mapTip"].text or ""
    assert 'round("depth_m" * 3.2808399, 3)' in feet


@pytest.mark.parametrize(
    ("place", "kind", "number"),
    [
        ("beside", "PointZ", "6"),
        ("beside", "LineStringZ", "4"),
        ("inside", "PolygonZ", "4"),
        ("on", "LineString", "2"),
    ],
)
def test_labels_stand_where_they_are_meant_to(place: Any, kind: str, number: str) -> None:
    label = Label(
        (Value("code"),), "code", "#00679c", place, largest_scale=500.0, priority=7,
        alert_unless=(Test("code", ("setts",)),),
    )  # fmt: skip
    look = Look((rule("all"),), label, largest_scale=2000.0)
    (settings,) = nodes(look, kind)["labeling"].findall("settings")
    placement, rendering = settings.find("placement"), settings.find("rendering")
    assert placement is not None
    assert rendering is not None
    assert (placement.attrib["placement"], placement.attrib["priority"]) == (number, "7")
    assert "geometryGenerator" not in placement.attrib
    assert (rendering.attrib["scaleMax"], rendering.attrib["scaleVisibility"]) == ("500", "1")
    assert rendering.attrib["mergeLines"] == ("1" if place == "on" else "0")
    assert rendering.attrib["obstacle"] == "1"
    words = [o.attrib["value"] for o in settings.iter("Option") if o.get("name") == "expression"]
    assert words == [f"CASE WHEN \"code\" = 'setts' THEN '#00679c' ELSE '{ALERT}' END"]
    told = vector_attributes(look)
    assert (told["labelsEnabled"], told["minScale"], told["hasScaleBasedVisibilityFlag"]) == (
        "1",
        "2000",
        "1",
    )
    plain = vector_attributes(Look((rule("all"),)))
    assert (plain["labelsEnabled"], plain["hasScaleBasedVisibilityFlag"]) == ("0", "0")
    many = Label((Value("code"),), "code", "#000000", place, every=3)
    (often,) = nodes(Look((rule("all"),), many), kind)["labeling"].iter("rendering")
    assert (often.attrib["obstacle"], often.attrib["scaleVisibility"]) == ("0", "0")
    areas = nodes(Look((rule("all"),), many), "PolygonZ", name="areas")["labeling"]
    (generated,) = areas.iter("placement")
    assert "overlay_contains" in generated.attrib["geometryGenerator"]


def test_heights_of_their_own_count_in_profiles_others_lie_on_the_ground() -> None:
    for kind, clamping in (("PolygonZ", "Absolute"), ("Polygon", "Terrain")):
        made = nodes(Look((rule("all"),)), kind)["elevation"]
        assert made.attrib["clamping"] == clamping
        width = next(
            o.attrib["value"] for o in made.iter("Option") if o.get("name") == "line_width"
        )
        assert width == "0.3"  # no thinner, or nobody sees it
    ramp = Ramp(
        (
            Stop(1.5, "#000000", "low"),
            Stop(2.0, "#808080", "mid", 0.5),
            Stop(9.25, "#ffffff", "high"),
        )
    )
    for raster in site().rasters:
        elevation, pipe, _ = raster_nodes(raster, ramp)
        assert (elevation.attrib["enabled"] == "1") == (raster.name == "elevation")
        (renderer,) = pipe.findall("rasterrenderer")
        assert renderer.attrib["classificationMin"] == "1.5"
        assert renderer.attrib["classificationMax"] == "9.25"
        shown = [(float(i.attrib["value"]), i.attrib["alpha"]) for i in renderer.iter("item")]
        assert shown == [(1.5, "255"), (2.0, "128"), (9.25, "255")]


@cache
def opened() -> ET.Element:
    return ET.fromstring(project(site(), laid()))


def test_each_layer_says_where_it_lies_on_its_map_and_on_earth() -> None:
    by_id = {one.findtext("id") or "": one for one in opened().iter("maplayer")}
    for layer in site().layers:
        one = by_id[f"geosite_{layer.name}"]
        sides = [
            float(one.findtext(f"extent/{k}") or "nan") for k in ("xmin", "ymin", "xmax", "ymax")
        ]
        assert sides == pytest.approx(shapely.total_bounds(np.array(layer.geometries, object)))
        west, south, east, north = (
            float(one.findtext(f"wgs84extent/{k}") or "nan")
            for k in ("xmin", "ymin", "xmax", "ymax")
        )
        assert 9.0 < west < east < 9.4
        assert 47.5 < south < north < 47.8
        assert one.attrib["geometry"] == {"P": "Point", "L": "Line", "M": "Line"}.get(
            layer.geometry_type[0] if "Polygon" not in layer.geometry_type else "", "Polygon"
        )
    for raster in site().rasters:
        grid = raster.grid
        one = by_id[f"geosite_{raster.name}"]
        assert float(one.findtext("extent/xmax") or 0) == grid.east
        assert float(one.findtext("extent/ymin") or 0) == grid.south
        assert one.findtext("provider") == "gdal"
    empty = dataclasses.replace(site().layers[0], geometries=[], records=[])
    alone = dataclasses.replace(site(), layers=(empty,), rasters=(), tables=())
    root = ET.fromstring(project(alone, laid()))
    (only,) = root.iter("maplayer")
    assert only.find("extent") is None
    assert root.find("ElevationProperties/terrainProvider").attrib["type"] == "flat"  # type: ignore[union-attr]


def test_groups_stand_in_their_order_and_rasters_are_not_shown_at_first() -> None:
    (tree,) = opened().findall("layer-tree-group")
    groups = [group.attrib["name"] for group in tree.findall("layer-tree-group")]
    assert groups == ["Survey", "Ground", "Water", "Parcels", "Surfaces", "Rasters", "Tables"]
    water = [
        leaf.attrib["id"]
        for leaf in tree.findall("layer-tree-group")[2].findall("layer-tree-layer")
    ]
    assert water == ["geosite_drainage_arrows", "geosite_flow_paths", "geosite_ponding"]
    shown = {leaf.attrib["id"]: leaf.attrib["checked"] for leaf in tree.iter("layer-tree-layer")}
    assert {shown[f"geosite_{r.name}"] for r in site().rasters} == {"Qt::Unchecked"}
    assert shown["geosite_areas"] == "Qt::Checked"
    ordered = [one.attrib["id"] for one in opened().findall("layerorder/layer")]
    assert ordered == [leaf.attrib["id"] for leaf in tree.iter("layer-tree-layer")]
    assert opened().findtext("mapcanvas/units") == "meters"
    terrain = opened().find("ElevationProperties/terrainProvider/TerrainProvider")
    assert terrain is not None
    assert terrain.attrib["layerSource"] == "./elevation.tif"
    units = {
        "m": ("meters", "m2"),
        "ft": ("feet", "ft2"),
    }
    for unit, (length, area) in units.items():
        root = ET.fromstring(project(dataclasses.replace(site(), unit=unit), laid()))  # type: ignore[arg-type]
        told = root.find("properties/Measurement")
        assert told is not None
        assert (told.findtext("DistanceUnits"), told.findtext("AreaUnits")) == (length, area)
