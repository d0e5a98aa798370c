"""The desktop's own styles and project as documents; the desktop itself is asked elsewhere."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET
from base64 import b64decode
from functools import cache

import package_cases
import pytest
import shapely

from geosite.base.columns import Field
from geosite.drawing.ink import TEXT
from geosite.fieldbook.sitefile import Code, Handover
from geosite.handover.formats.desktop.project import project
from geosite.handover.formats.desktop.style import expression, label_expression, native_styles
from geosite.handover.formats.desktop.symbols import colour, symbol
from geosite.handover.model import Layer
from geosite.handover.palette import STROKES
from geosite.handover.plan.sheet import layout_of
from geosite.handover.styles.layers import look_of
from geosite.handover.styles.measures import follows_the_unit, measure
from geosite.handover.styles.model import Label, Sign, Test, Value
from geosite.handover.styles.signs import GROUPS, STEADY, TURNING, arrow_length, group_of
from geosite.handover.wording.titles import column_title, column_titles


@cache
def documents() -> dict[str, ET.Element]:
    found = native_styles(package_cases.ferry_landing())
    return {name: ET.fromstring(text) for name, text in found.items()}


@cache
def opened() -> ET.Element:
    package = package_cases.ferry_landing()
    return ET.fromstring(project(package, layout_of(package, Handover())))


def test_every_layer_and_raster_has_a_style() -> None:
    package = package_cases.ferry_landing()
    named = (*package.layers, *package.rasters, *package.tables)
    assert list(documents()) == [x.name for x in named]
    for table in package.tables:  # opened alone it showed the names of columns, not their titles
        titles = [one.get("name") for one in documents()[table.name].iter("alias")]
        assert titles == list(column_titles(table.fields).values())
    for layer in package.layers:
        root = documents()[layer.name]
        (renderer,) = root.findall("renderer-v2")
        assert len(renderer.findall("symbols/symbol")) == len(look_of(layer, package).rules)
        used = {one.get("symbol") for one in renderer.iter() if one.get("symbol")}
        drawn = {one.get("name") for one in renderer.findall("symbols/symbol")}
        assert used <= drawn
    for raster in package.rasters:
        items = documents()[raster.name].findall(".//colorrampshader/item")
        values = [float(item.attrib["value"]) for item in items]
        assert values == sorted(values)
        assert len(values) >= 5


def test_the_same_package_gives_the_same_bytes() -> None:
    package = package_cases.ferry_landing()
    layout = layout_of(package, Handover())
    assert native_styles(package) == native_styles(package)
    assert project(package, layout) == project(package, layout)


def test_paths_are_relative_and_layers_have_prefixed_ids() -> None:
    package = package_cases.ferry_landing()
    sources = [node.text or "" for node in opened().iter("datasource")]
    assert len(sources) == len(package.layers) + len(package.rasters) + len(package.tables)
    assert all(source.startswith("./") for source in sources)
    assert opened().findtext("properties/Paths/Absolute") == "false"
    ids = [node.text or "" for node in opened().findall("projectlayers/maplayer/id")]
    assert all(one.startswith("geosite_") for one in ids)
    in_tree = [leaf.get("id") for leaf in opened().iter("layer-tree-layer")]
    assert sorted(in_tree) == sorted(ids)
    assert len(set(ids)) == len(ids)


def test_the_crs_stands_as_text_beside_its_code() -> None:
    systems = list(opened().iter("spatialrefsys"))
    assert len(systems) > 10
    for system in systems:
        assert system.get("nativeFormat") == "Wkt"
        assert (system.findtext("wkt") or "").startswith("PROJCRS[")
        assert system.findtext("authid") == "EPSG:25832"


def test_nothing_depends_on_the_machine_or_the_hour() -> None:
    for name in ("saveDateTime", "saveUser", "saveUserFull"):
        assert opened().get(name) == ""


def test_every_known_layer_has_a_group() -> None:
    assert all(group_of(name) == group for group, names in GROUPS.items() for name in names)
    assert group_of("fills") == "More"  # of a plug-in


@pytest.mark.parametrize(
    ("test", "words"),
    [
        (Test("code", ("setts",)), "\"code\" = 'setts'"),
        (Test("code", ("o'hara",)), "\"code\" = 'o''hara'"),
        (Test("is_index", (1,)), '"is_index" = 1'),
        (Test("code", ("a", "b")), "\"code\" IN ('a', 'b')"),
        (Test("code", ("a",), other=True), '("code" IS NULL OR "code" NOT IN (\'a\'))'),
        (Test("steadiness", low=0.95), '"steadiness" >= 0.95'),
        (Test('od"d', (2,)), '"od""d" = 2'),
    ],
)
def test_conditions_in_the_desktops_language(test: Test, words: str) -> None:
    assert expression(test) == words


def test_labels_in_the_desktops_language() -> None:
    label = Label(
        (Value("check"), " ", Value("value", 1, absolute=True), Value("unit", shown={"m": " m"})),
        "", TEXT, "beside", where=(Test("a", (1,)),), every=3,
    )  # fmt: skip
    assert label_expression(label) == (
        'CASE WHEN "a" = 1 AND $id % 3 = 0 THEN "check" || \' \' || format_number(abs("value"), 1) '
        "|| CASE WHEN \"unit\" = 'm' THEN ' m' ELSE \"unit\" END END"
    )


def test_labels_in_the_readers_unit() -> None:
    words = measure("distance_m", 2, "m", "ft", absolute=True)
    assert label_expression(Label(words, "", TEXT, "beside")) == (
        "format_number(abs(\"distance_m\" * 3.2808399), 2) || ' ft'"
    )
    by_row = Value("value", 1, factor=2.0, factor_where=follows_the_unit("value"))
    assert label_expression(Label((by_row,), "", TEXT, "beside")) == (
        'format_number("value" * CASE WHEN "unit" = \'m\' THEN 2 ELSE 1 END, 1)'
    )


def test_a_site_in_feet_is_labelled_in_feet_and_its_columns_stay_metres() -> None:
    package = dataclasses.replace(package_cases.ferry_landing(), unit="ft")
    for name, text in native_styles(package).items():
        if name == "elevation":
            continue  # in the unit of its vertical CRS
        root = ET.fromstring(text)
        words = [e.get("fieldName") or "" for e in root.iter("text-style")]
        legend = [e.get("label") or "" for e in root.iter("item")]
        shown = " ".join((*words, *legend, root.findtext("mapTip") or ""))
        assert not re.search(r"\[m[²³]?\]|' m[²³' ]|\d m[²³]?( |$)", shown), (name, shown)
        assert not any("[ft" in (alias.get("name") or "") for alias in root.iter("alias"))
    areas = ET.fromstring(native_styles(package)["areas"])
    (written,) = (e.attrib["fieldName"] for e in areas.iter("text-style") if e.get("fieldName"))
    assert written.endswith("format_number(\"net_area_m2\" * 10.7639104, 1) || ' ft²'")


def settings(layer: ET.Element) -> dict[str, str]:
    return {o.attrib["name"]: o.get("value", "") for o in layer.findall("Option/Option")}


def test_an_arrow_is_the_plans_sign_turned_and_sized_by_the_data() -> None:
    sign = Sign("dart", 4.6, "#00679c", None, "azimuth_deg", "slope_percent", 0.5)
    made = symbol("0", "marker", (sign,))
    assert made.get("alpha") == "0.5"
    (layer,) = made.findall("layer")
    assert layer.get("class") == "SvgMarker"
    picture = ET.fromstring(b64decode(settings(layer)["name"].removeprefix("base64:")))
    (polygon,) = picture.findall("{http://www.w3.org/2000/svg}polygon")
    tip, *_ = (tuple(map(float, pair.split(","))) for pair in polygon.attrib["points"].split())
    assert tip == (0.0, -2.3)  # up, half its length
    told = {
        one.attrib["name"]: one.find("Option[@name='expression']").attrib["value"]  # type: ignore[union-attr]
        for one in layer.findall(".//Option[@name='properties']/Option")
    }
    assert told["angle"] == 'coalesce("azimuth_deg", 0)'
    least, per_decade = map(float, re.findall(r"[\d.]+", told["size"])[:2])
    assert least == arrow_length(0.1)
    assert least + 2 * per_decade == pytest.approx(arrow_length(10.0))


def test_pens_are_those_of_the_plan() -> None:
    for name in ("baseline", "flow_paths", "sections", "parcels"):
        (layer,) = documents()[name].findall("renderer-v2/symbols/symbol/layer")
        found, pen = settings(layer), STROKES[name]
        assert found["line_color"] == colour(pen.colour)
        assert float(found["line_width"]) == pen.width_mm
        dashes = [float(one) for one in found["customdash"].split(";")]
        assert dashes == list(pen.dash_mm)


def test_words_of_the_site_file_stay_words() -> None:
    """Markup, quotes and what the desktop would evaluate."""
    hostile = """</x>'"&[% env('HOME') %]\x00"""
    package = package_cases.ferry_landing()
    odd = {**package.codes, hostile: Code(title=hostile, geometry="area")}
    layer = next(layer for layer in package.layers if layer.name == "areas")
    records = [{**record, "code": hostile} for record in layer.records]
    changed = dataclasses.replace(
        package,
        title=hostile,
        codes=odd,
        layers=(dataclasses.replace(layer, records=records),),
    )
    root = ET.fromstring(native_styles(changed)["areas"])
    labels = {one.attrib["label"] for one in root.iter("category")}
    assert any("env" in label for label in labels)
    assert all("[%" not in label for label in labels)
    whole = ET.fromstring(project(changed, layout_of(changed, Handover())))
    (title,) = (i for i in whole.iter("LayoutItem") if i.get("id") == "title")
    assert "[%" not in title.attrib["labelText"]


def test_unsteady_arrows_fade_and_then_go() -> None:
    fields = (Field("azimuth_deg", "real"), Field("steadiness", "real"))
    layer = Layer("drainage_arrows", "", "", "Point", fields, [], [])
    whole, faded = look_of(layer, package_cases.ferry_landing()).rules
    (sign,), (pale,) = whole.symbols, faded.symbols
    assert isinstance(sign, Sign)
    assert isinstance(pale, Sign)
    assert pale.opacity < sign.opacity == 1.0
    assert whole.where == (Test("steadiness", low=STEADY),)
    assert faded.where == (Test("steadiness", low=TURNING, high=STEADY),)


@pytest.mark.parametrize(
    ("field", "title"),
    [
        (Field("net_area_m2", "real", unit="m2"), "Net area [m²]"),
        (Field("sigma_v_m", "real", unit="m"), "Standard deviation, vertical [m]"),
        (Field("verdict", "text"), "Verdict"),
        (Field("h_95_m", "real", unit="m"), "± horizontal, 95 % [m]"),
    ],
)
def test_titles_of_columns(field: Field, title: str) -> None:
    assert column_title(field) == title


def test_titles_of_one_table_differ_from_each_other_and_from_its_columns() -> None:
    metre = [Field(name, "real", unit="m") for name in ("a_m", "A_m")]
    fields = (*metre, Field("A [m]", "text"))
    titles = column_titles(fields)
    assert len(set(titles.values())) == 3
    assert titles["a_m"] != "A [m]"


def test_ponds_are_drawn_without_the_stairs_of_their_cells() -> None:
    """The geometry stays; hollows of a few cells are drawn whole: nothing of them would be left."""
    cell = max(raster.grid.cell_size for raster in package_cases.ferry_landing().rasters)
    for name, root in documents().items():
        layers = root.findall("renderer-v2/symbols/symbol/layer")
        made = [one for one in layers if one.get("class") == "GeometryGenerator"]
        assert len(made) == (len(layers) if name == "ponding" else 0), name
    for one in documents()["ponding"].findall("renderer-v2/symbols/symbol/layer"):
        said = {o.get("name"): o.get("value") for o in one.findall("Option/Option")}
        assert said["SymbolType"] == "Fill"
        assert said["geometryModifier"] == (
            f"if(area($geometry) > {8 * cell**2:g}, "
            f"simplify($geometry, {0.75 * cell:g}), $geometry)"
        )
        assert one.findall("symbol/layer")


def test_a_distance_to_a_parcel_line_says_whose_it_is() -> None:
    package = package_cases.ferry_landing()
    (near,) = [one for one in package.layers if one.name == "parcel_clearances"]
    label = look_of(near, package).label
    assert label is not None
    assert label.words[:4] == (Value("feature", key=True), ": ", Value("verdict"), " ")
    assert label.alert_unless == (Test("verdict", ("clear",)),)


def test_labels_of_clearances_stand_off_their_line() -> None:
    """In the middle of the line itself those of short ones lay on the line of the parcel."""
    root = documents()["parcel_clearances"]
    place = root.find("labeling/settings/placement")
    assert place is not None
    assert place.get("geometryGeneratorType") == "PointGeometry"
    assert "line_interpolate_point" in (place.get("geometryGenerator") or "")
    assert float(place.get("dist") or 0) > 1.0


@pytest.mark.parametrize(
    ("half", "unit", "digits"), [(0.04, "m", 1), (7.0, "m", 0), (2.2, "ft", 0), (None, "m", 1)]
)
def test_labels_of_areas_have_no_more_digits_than_are_known(
    half: float | None, unit: str, digits: int
) -> None:
    package = package_cases.ferry_landing()
    areas = next(layer for layer in package.layers if layer.name == "areas")
    records = [{**r, "area_95_m2": half, "net_area_95_m2": half} for r in areas.records]
    made = dataclasses.replace(areas, records=records)
    label = look_of(made, dataclasses.replace(package, unit=unit)).label
    assert label is not None
    (value,) = (part for part in label.words if isinstance(part, Value) and part.digits is not None)
    assert value.digits == digits


def test_a_width_has_a_digit_more_than_a_percentage() -> None:
    words = (Value("value", 1, finer_where=(Test("unit", ("m",)),)),)
    told = label_expression(Label(words, "", TEXT, "along"))
    assert told == """format_number("value", CASE WHEN "unit" = 'm' THEN 2 ELSE 1 END)"""


def test_a_mark_has_hundredths_where_a_tenth_is_sure() -> None:
    package = package_cases.ferry_landing()
    record = {"point": "A1", "role": "mark", "elevation": 402.31, "v_95_m": 0.3}
    place = [shapely.Point(0.0, 0.0, 402.31)]
    made = Layer("marks", "Marks", "", "PointZ", (), [record], place)
    label = look_of(made, package).label
    assert label is not None
    words = label_expression(label)
    assert 'CASE WHEN "v_95_m" < 0.295 THEN 2 ELSE 1 END' in words
