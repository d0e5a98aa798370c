"""SLD documents: the element order of the standard, filters that fit, colours told apart by all.

The content model is from memory of StyledLayerDescriptor.xsd 1.0.0 (OGC 02-070); no package that
can be installed carries the file.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

import numpy as np
import package_cases
import pytest

from geosite.base.columns import Field
from geosite.base.grid import Grid
from geosite.handover.formats.sld import (
    map_server_styles,
    raster_style,
    styles,
    vector_style,
)
from geosite.handover.model import Layer, Raster
from geosite.handover.palette import BUILDING, CHANGE_RAMP, DIRECTION_RAMP, POND, RAMPS, SURFACES

SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"

# children in the order that the schema's sequences give
ORDER: Mapping[str, tuple[str, ...]] = {
    "StyledLayerDescriptor": ("Name", "Title", "Abstract", "NamedLayer", "UserLayer"),
    "NamedLayer": ("Name", "LayerFeatureConstraints", "NamedStyle", "UserStyle"),
    "UserStyle": ("Name", "Title", "Abstract", "IsDefault", "FeatureTypeStyle"),
    "FeatureTypeStyle": (
        "Name", "Title", "Abstract", "FeatureTypeName", "SemanticTypeIdentifier", "Rule",
    ),
    "Rule": (
        "Name", "Title", "Abstract", "LegendGraphic", "Filter", "ElseFilter",
        "MinScaleDenominator", "MaxScaleDenominator", "LineSymbolizer", "PolygonSymbolizer",
        "PointSymbolizer", "TextSymbolizer", "RasterSymbolizer",
    ),
    "LineSymbolizer": ("Geometry", "Stroke"),
    "PolygonSymbolizer": ("Geometry", "Fill", "Stroke"),
    "PointSymbolizer": ("Geometry", "Graphic"),
    "TextSymbolizer": ("Geometry", "Label", "Font", "LabelPlacement", "Halo", "Fill"),
    "RasterSymbolizer": (
        "Geometry", "Opacity", "ChannelSelection", "OverlapBehavior", "ColorMap",
        "ContrastEnhancement", "ShadedRelief", "ImageOutline",
    ),
    "Fill": ("GraphicFill", "CssParameter"),
    "Stroke": ("GraphicFill", "GraphicStroke", "CssParameter"),
    "Graphic": ("ExternalGraphic", "Mark", "Opacity", "Size", "Rotation"),
    "GraphicFill": ("Graphic",),
    "Mark": ("WellKnownName", "Fill", "Stroke"),
    "Font": ("CssParameter",),
    "Halo": ("Radius", "Fill"),
    "LabelPlacement": ("PointPlacement", "LinePlacement"),
    "PointPlacement": ("AnchorPoint", "Displacement", "Rotation"),
    "LinePlacement": ("PerpendicularOffset",),
    "AnchorPoint": ("AnchorPointX", "AnchorPointY"),
    "Displacement": ("DisplacementX", "DisplacementY"),
    "ColorMap": ("ColorMapEntry",),
    "Label": ("PropertyName", "Literal"),
    "Rotation": ("PropertyName",),
}  # fmt: skip


def bare(element: ET.Element) -> str:
    return element.tag.split("}")[1]


@cache
def documents() -> dict[str, ET.Element]:
    package = package_cases.ferry_landing()
    return {name: ET.fromstring(text.encode()) for name, text in styles(package).items()}


def test_every_layer_and_raster_has_a_style_of_its_name() -> None:
    package = package_cases.ferry_landing()
    found = documents()
    assert list(found) == [x.name for x in (*package.layers, *package.rasters)]
    for name, root in found.items():
        assert root.tag == f"{SLD}StyledLayerDescriptor"
        assert root.get("version") == "1.0.0"
        assert root.findtext(f"{SLD}NamedLayer/{SLD}Name") == name


@pytest.mark.parametrize("name", list(documents()))
def test_elements_are_in_the_order_of_the_schema(name: str) -> None:
    for element in documents()[name].iter():
        if not element.tag.startswith(SLD) or not len(element):
            continue
        allowed = ORDER[bare(element)]
        places = [allowed.index(bare(child)) for child in element]
        assert places == sorted(places), bare(element)


def rules(root: ET.Element) -> Iterator[list[ET.Element]]:
    for group in root.iter(f"{SLD}FeatureTypeStyle"):
        yield group.findall(f"{SLD}Rule")


def holds(condition: ET.Element, record: Mapping[str, Any]) -> bool:
    """Evaluate the few filter operators that are used."""
    kind = bare(condition)
    if kind in ("And", "Or"):
        return (all if kind == "And" else any)(holds(part, record) for part in condition)
    value = record.get(condition.findtext(f"{OGC}PropertyName") or "")
    literal = condition.findtext(f"{OGC}Literal") or ""
    if kind == "PropertyIsEqualTo":
        return value is not None and str(value) == literal
    if kind == "PropertyIsNotEqualTo":
        return str(value) != literal
    assert value is not None
    if kind == "PropertyIsGreaterThanOrEqualTo":
        return float(value) >= float(literal)
    assert kind == "PropertyIsLessThan"
    return float(value) < float(literal)


def drawn_by(group: list[ET.Element], record: Mapping[str, Any], scale: float = 1.0) -> list[str]:
    """Return the names of the rules of a group that draw a record at a scale."""
    met = []
    for rule in group:
        found = rule.find(f"{OGC}Filter")
        low = float(rule.findtext(f"{SLD}MinScaleDenominator") or 0.0)
        high = float(rule.findtext(f"{SLD}MaxScaleDenominator") or math.inf)
        if low <= scale < high and (found is None or holds(found[0], record)):
            met.append(rule.findtext(f"{SLD}Name") or "")
    return met


def test_every_feature_is_drawn_by_exactly_one_rule() -> None:
    """The first rule that fits draws a feature in one reader, every rule that fits in another."""
    for layer in package_cases.ferry_landing().layers:
        (group,) = rules(documents()[layer.name])
        names = {field.name for field in layer.fields}
        for used in documents()[layer.name].iter(f"{OGC}PropertyName"):
            assert used.text in names
        found = documents()[layer.name].iter(f"{SLD}MaxScaleDenominator")
        scales = sorted({float(e.text or 0) for e in found})
        for record in layer.records:
            assert len(drawn_by(group, record)) == 1
            for scale in scales[:-1]:
                assert len(drawn_by(group, record, scale)) == 1


def test_nothing_that_a_reader_was_seen_to_fail_on() -> None:
    for root in documents().values():
        for kind in (f"{SLD}ElseFilter", f"{OGC}Not", f"{OGC}PropertyIsNull"):
            assert root.find(f".//{kind}") is None
        assert all(turn.text for turn in root.iter(f"{SLD}Rotation"))  # a number, no property
        families = root.findall(f".//{SLD}CssParameter[@name='font-family']")
        assert all(family.text != "sans-serif" for family in families)


def test_areas_are_drawn_by_their_code_and_grades_by_their_verdict() -> None:
    package = package_cases.ferry_landing()
    by_name = {layer.name: layer for layer in package.layers}
    areas = next(rules(documents()["areas"]))
    for record in by_name["areas"].records:
        assert drawn_by(areas, record) == [record["code"]]
    grades = next(rules(documents()["grades"]))
    for record in by_name["grades"].records:
        known = record["verdict"] in ("within", "beyond", "undecided")
        assert drawn_by(grades, record) == [record["verdict"] if known else "other"]
    contours = next(rules(documents()["contours"]))
    assert drawn_by(contours, {"is_index": 1}) == ["index"]
    assert drawn_by(contours, {"is_index": 0}) == ["contour"]


def test_an_area_of_a_code_that_nobody_explained_is_drawn_too() -> None:
    package = package_cases.ferry_landing()
    codes = {name: code for name, code in package.codes.items() if name != "setts"}
    layer = next(layer for layer in package.layers if layer.name == "areas")
    text = vector_style(layer, dataclasses.replace(package, codes=codes))
    (group,) = rules(ET.fromstring(text.encode()))
    assert drawn_by(group, {"code": "setts"}) == drawn_by(group, {"code": None}) == ["other"]
    assert drawn_by(group, {"code": "asphalt"}) == ["asphalt"]


@pytest.mark.parametrize("azimuth", [0.0, 11.0, 12.0, 45.0, 180.0, 348.0, 349.0, 359.9, 360.0])
def test_arrows_are_turned_to_within_half_a_sector(azimuth: float) -> None:
    fields = (Field("azimuth_deg", "real"), Field("steadiness", "real"))
    layer = Layer("drainage_arrows", "", "", "Point", fields, [], [])
    root = ET.fromstring(vector_style(layer, package_cases.ferry_landing()).encode())
    (group,) = rules(root)
    (name,) = drawn_by(group, {"azimuth_deg": azimuth, "steadiness": 0.99})
    (rule,) = (rule for rule in group if rule.findtext(f"{SLD}Name") == name)
    turn = float(rule.findtext(f".//{SLD}Rotation") or 0.0)
    assert abs((turn - azimuth + 180.0) % 360.0 - 180.0) <= 11.25
    assert len(drawn_by(group, {"azimuth_deg": azimuth, "steadiness": 0.8})) == 1
    assert drawn_by(group, {"azimuth_deg": azimuth, "steadiness": 0.5}) == []


def test_a_legend_names_each_direction_once() -> None:
    """North, whose sector begins before it, stood there twice."""
    for look in (
        documents()["drainage_arrows"],
        ET.fromstring(map_server_styles(package_cases.ferry_landing())["drainage_arrows"].encode()),
    ):
        titles = [rule.findtext(f"{SLD}Title") or "" for rule in look.iter(f"{SLD}Rule")]
        assert len(set(titles)) == len(titles)
        for kind in {title.partition(":")[0] for title in titles}:
            assert len([title for title in titles if title.startswith(f"{kind}:")]) == 16


def test_an_arrow_is_no_bare_triangle() -> None:
    """A reader takes the first mark that it knows; a triangle of equal sides points three ways."""
    for graphic in documents()["drainage_arrows"].iter(f"{SLD}Graphic"):
        names = [mark.findtext(f"{SLD}WellKnownName") for mark in graphic.iter(f"{SLD}Mark")]
        assert names == ["arrow", "triangle"]
    own = map_server_styles(package_cases.ferry_landing())
    assert list(own) == ["drainage_arrows", *(raster.name for raster in package_cases.rasters())]
    root = ET.fromstring(own["drainage_arrows"].encode())
    (rule,) = (r for r in root.iter(f"{SLD}Rule") if r.findtext(f"{SLD}Name") == "arrow_4")
    assert rule.findtext(f".//{SLD}Rotation") == "270"  # east, against the clock
    shifts = [[float(x.text or "") for x in shift] for shift in rule.iter(f"{SLD}Displacement")]
    assert len(shifts) >= 4
    assert all(right < 0.0 == down for right, down in shifts)  # the shaft is behind the head


def test_ponds_too_shallow_to_tell_are_quiet() -> None:
    fields = (Field("is_significant", "integer"),)
    layer = Layer("ponding", "Ponds", "", "Polygon", fields, [], [])
    root = ET.fromstring(vector_style(layer, package_cases.ferry_landing()).encode())
    (group,) = rules(root)
    assert drawn_by(group, {"is_significant": 1}) == ["pond"]
    assert drawn_by(group, {"is_significant": 0}) == ["doubtful"]
    assert [rule.find(f".//{SLD}Fill") is None for rule in group] == [False, True]


@pytest.mark.parametrize("name", ["catchments", "something_new"])
def test_other_polygons_do_not_hide_what_is_below(name: str) -> None:
    layer = Layer(name, "t", "", "MultiPolygon", (), [], [])
    text = vector_style(layer, package_cases.ferry_landing())
    assert "PolygonSymbolizer" in text
    assert "<Fill>" not in text


def test_a_building_is_known_without_its_colour() -> None:
    (building,) = (
        rule
        for rule in next(rules(documents()["areas"]))
        if rule.findtext(f"{SLD}Name") == "building"
    )
    assert building.find(f".//{SLD}GraphicFill") is not None


def colour_map(text: str) -> list[tuple[float, str]]:
    root = ET.fromstring(text.encode())
    return [
        (float(entry.attrib["quantity"]), entry.attrib["color"])
        for entry in root.iter(f"{SLD}ColorMapEntry")
    ]


@pytest.mark.parametrize("raster", package_cases.rasters(), ids=lambda r: r.name)
def test_ramps_rise_over_the_values(raster: Raster) -> None:
    stops = colour_map(raster_style(raster))
    quantities = [quantity for quantity, _ in stops]
    assert quantities == sorted(set(quantities))
    valid = raster.values[np.isfinite(raster.values)]
    if raster.name == "drainage_direction":
        assert quantities[-5:] == [0, 90, 180, 270, 360]
        assert all(-1 <= quantity < 0 for quantity in quantities[:-5])
        assert stops[-5][1] == stops[-1][1]  # north is north from both sides
    elif raster.name == "aspect":
        assert quantities == [0, 90, 180, 270, 360]
    elif raster.is_elevation or raster.name == "ponding_depth":
        assert quantities[0] == pytest.approx(valid.min(), rel=1e-6)
        assert quantities[-1] == pytest.approx(valid.max(), rel=1e-6)
    else:
        assert valid.min() <= quantities[0] < quantities[-1] <= valid.max() * (1 + 1e-6)


@pytest.mark.parametrize("values", [[[np.nan]], [[402.5, 402.5]], [[0.0, 1e-12]], [[-5.0, 900.0]]])
def test_ramps_of_odd_rasters(values: list[list[float]]) -> None:
    cells = np.array(values)
    grid = Grid(0.0, 0.0, 1.0, *cells.shape)
    stops = colour_map(raster_style(Raster("other", "t", "", cells, grid, "")))
    quantities = [quantity for quantity, _ in stops]
    assert quantities == sorted(set(quantities))


def test_a_rise_is_as_strong_as_a_fall_and_none_is_pale() -> None:
    cells = np.linspace(-0.1, 0.4, 101)[None, :]
    grid = Grid(0.0, 0.0, 1.0, *cells.shape)
    stops = dict(colour_map(raster_style(Raster("difference", "", "", cells, grid, "m"))))
    falls, none, rises = (
        [colour for value, colour in stops.items() if side(value)]
        for side in (lambda v: v < -1e-9, lambda v: abs(v) <= 1e-9, lambda v: v > 1e-9)
    )
    assert falls == list(reversed(RAMPS["lowered"]))
    assert rises == list(RAMPS["raised"])
    assert none == [CHANGE_RAMP[5]]
    assert max(stops) == pytest.approx(-min(stops))


def test_dry_ground_is_clear_and_contributing_area_is_spread_by_ratio() -> None:
    depths = np.zeros((10, 10))
    depths[3, 3] = 0.4
    grid = Grid(0.0, 0.0, 1.0, 10, 10)
    ponds = ET.fromstring(raster_style(Raster("ponding_depth", "", "", depths, grid, "m")).encode())
    entries = list(ponds.iter(f"{SLD}ColorMapEntry"))
    assert [entry.get("opacity") for entry in entries] == ["0", *[None] * 5]
    assert [float(entry.attrib["quantity"]) for entry in (entries[0], entries[-1])] == [0.0, 0.4]
    areas = np.arange(1.0, 101.0).reshape(10, 10) ** 3
    stops = colour_map(raster_style(Raster("contributing_area", "", "", areas, grid, "m2")))
    ratios = np.array([b[0] / a[0] for a, b in itertools.pairwise(stops)])
    assert np.ptp(ratios) < 1e-6 * ratios[0]


def test_hostile_text_stays_text() -> None:
    """Names with markup, and characters that XML has no place for."""
    hostile = '</Name><x a="1">&amp; \x00\x1b\ufffe]]>'
    layer = Layer("areas", hostile, hostile, "PolygonZ", (Field("feature", "text"),), [], [])
    text = vector_style(layer, package_cases.ferry_landing())
    root = ET.fromstring(text.encode())
    shown = root.findtext(f".//{SLD}UserStyle/{SLD}Title")
    assert shown == '</Name><x a="1">&amp; \ufffd\ufffd\ufffd]]>'


# Machado, Oliveira and Fernandes, IEEE TVCG 15(6), 2009, doi 10.1109/TVCG.2009.113, severity 1.0:
# linear RGB to linear RGB as seen (values from memory of the published table, checked below).
VISION = {
    "usual": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def linear(colour: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """sRGB to linear light, IEC 61966-2-1."""
    v = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Linear sRGB to CIE L*a*b*, white D65."""
    xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    ) @ np.clip(light, 0.0, 1.0)
    t = xyz / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one: str, other: str, vision: str) -> float:
    """Colour difference, CIE 1976, as seen."""
    seen = [lab(VISION[vision] @ linear(colour)) for colour in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def test_the_simulation_is_one() -> None:
    """Greys look the same to everybody; red and green of one lightness fall together."""
    for vision, matrix in VISION.items():
        assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=2e-6), vision
    red, green = "#c65d3a", "#7a8a2a"
    assert apart(red, green, "usual") > 50.0
    assert apart(red, green, "deutan") < 20.0


@pytest.mark.parametrize("vision", list(VISION))
def test_surfaces_are_told_apart(vision: str) -> None:
    """Any two tints differ by more than eight units; about two are just noticeable."""
    tints = (*SURFACES, POND, BUILDING)
    closest = min(apart(a, b, vision) for a, b in itertools.combinations(tints, 2))
    assert closest > 8.0


@pytest.mark.parametrize("vision", list(VISION))
@pytest.mark.parametrize("name", list(RAMPS))
def test_ramps_run_from_light_to_dark_for_everybody(name: str, vision: str) -> None:
    lightness = [lab(VISION[vision] @ linear(colour))[0] for colour in RAMPS[name]]
    steps = np.diff(lightness)
    assert np.all(steps > 3.0) or np.all(steps < -3.0)


@pytest.mark.parametrize("vision", list(VISION))
def test_the_four_directions_are_told_apart(vision: str) -> None:
    closest = min(apart(a, b, vision) for a, b in itertools.combinations(DIRECTION_RAMP, 2))
    assert closest > 20.0
