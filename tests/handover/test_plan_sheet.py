"""The finished sheet: true lengths, labels that do not collide, words, every sheet, any content."""

from __future__ import annotations

import dataclasses
import math
import re
import struct
import subprocess
import sys
import zlib
from io import BytesIO
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import package_cases
import pypdf
import pytest
import shapely
from package_cases import (
    FACTOR,
    drawn_layers,
    feature,
    ferry_landing,
    frame,
    layer,
    on_map,
    only,
    straight,
)
from pypdf.generic import ContentStream

from geosite.base.errors import Finding
from geosite.drawing.font import typeface
from geosite.drawing.pdf import pdf, png
from geosite.drawing.sheet import Sheet, Text
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Code, Handover
from geosite.fieldbook.sitefile import Sheet as SheetTable
from geosite.handover.model import CAUTION, Package, Table
from geosite.handover.plan.layout import SHEETS
from geosite.handover.plan.sheet import draw_plan, write_plan
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.reference import (
    accuracy_words,
    convergence_spread,
    convergence_words,
)
from geosite.network.report_model import NetworkReport
from geosite.network.report_trust import NeighbourReport

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def package() -> Package:
    return ferry_landing()


@pytest.fixture(scope="module")
def sheet(package: Package) -> Sheet:
    return draw_plan(package, Handover())


@pytest.fixture(scope="module")
def document(sheet: Sheet) -> bytes:
    return pdf(sheet)


def pdf_paths(document: bytes, layer: str) -> list[np.ndarray]:
    """Read the paths of an optional-content layer from the page's content stream, mm."""
    reader = pypdf.PdfReader(BytesIO(document))
    page = reader.pages[0]
    names = {
        key: value.get_object()["/Name"] for key, value in page["/Resources"]["/Properties"].items()
    }
    inside, path, found = False, [], []
    for operands, operator in ContentStream(page["/Contents"], reader).operations:
        if operator == b"BDC" and operands[0] == "/OC":
            inside = names[operands[1]] == layer
        elif operator == b"cm":
            raise AssertionError("the test reads plain page coordinates")
        elif inside and operator in (b"m", b"l"):
            if operator == b"m":
                path = []
                found.append(path)
            path.append([float(v) for v in operands])
        elif inside and operator == b"c":
            # the middle and the end of the curve
            numbers = np.array([float(v) for v in operands]).reshape(3, 2)
            corners = np.array([path[-1], *numbers])
            path.append((corners.T @ [0.125, 0.375, 0.375, 0.125]).tolist())
            path.append(numbers[-1].tolist())
    return [np.array(p) * 25.4 / 72 for p in found]


def test_lengths_in_the_pdf_are_right_to_a_tenth_of_a_millimetre(document: bytes) -> None:
    sides = [
        float(np.hypot(*step))
        for path in pdf_paths(document, "Outlines of areas")
        for step in np.diff(path, axis=0)
    ]
    # ground metres of the case at 1:200: 38 m along the apron, 9 m and 7 m of the house
    for metres in (38.0, 18.95, 9.0, 7.0):
        wanted = metres * 5
        assert min(abs(s - wanted) for s in sides) < 0.1, metres
        assert min(abs(s - wanted) for s in sides) < (0.05 if metres == 18.95 else 0.002)


def test_arcs_in_the_pdf_lie_on_their_circle(document: bytes) -> None:
    (island,) = [
        p
        for p in pdf_paths(document, "Outlines of areas")
        if len(p) == 17 and np.hypot(*(p[0] - p[-1])) < 0.01
    ]
    centre = island[:-1].mean(axis=0)
    assert np.hypot(*(island - centre).T) == pytest.approx(15.0, abs=0.002)  # 3 m at 1:200


def test_the_page_has_the_size_of_the_sheet_and_is_not_scaled_on_printing(document: bytes) -> None:
    reader = pypdf.PdfReader(BytesIO(document))
    box = reader.pages[0].mediabox
    assert float(box.width) == pytest.approx(420 * 72 / 25.4, abs=0.01)
    assert float(box.height) == pytest.approx(297 * 72 / 25.4, abs=0.01)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


def test_a_ruler_in_the_reader_shows_site_lengths(document: bytes, sheet: Sheet) -> None:
    viewport = pypdf.PdfReader(BytesIO(document)).pages[0]["/VP"][-1]  # the last one counts
    box = [float(v) * 25.4 / 72 for v in viewport["/BBox"]]
    assert box[2] - box[0] == pytest.approx(sheet.window.width, abs=0.01)
    metres_per_point = float(viewport["/Measure"]["/X"][0]["/C"])
    assert metres_per_point * 72 / 25.4 * 190.0 == pytest.approx(38.0, abs=1e-4)
    assert viewport["/Measure"]["/R"] == "1:200"


def test_the_map_window_lies_where_it_is_on_earth(document: bytes, sheet: Sheet) -> None:
    """Corners come back to the map through the CRS that stands beside them, to the millimetre."""
    from pyproj import CRS, Transformer

    earth, ruler = pypdf.PdfReader(BytesIO(document)).pages[0]["/VP"]
    assert earth["/BBox"] == ruler["/BBox"]
    measure = earth["/Measure"]
    assert (measure["/Subtype"], measure["/GCS"]["/EPSG"]) == ("/GEO", 25832)
    crs = CRS.from_wkt(str(measure["/GCS"]["/WKT"]))
    corners = np.array([float(v) for v in measure["/GPTS"]]).reshape(4, 2)
    way = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    map_corners = np.column_stack(way.transform(corners[:, 1], corners[:, 0]))
    sides = np.hypot(*np.diff(map_corners, axis=0).T)
    window, factor = sheet.window, package_cases.FACTOR
    expected = np.array([window.height, window.width, window.height]) * 0.2 * factor
    assert sides == pytest.approx(expected, abs=0.001)
    assert map_corners[0] == pytest.approx(map_corners[1] - (0.0, expected[0]), abs=0.001)


def svg_tree(sheet: Sheet) -> ElementTree.Element:
    return ElementTree.fromstring(svg(sheet))


def group(tree: ElementTree.Element, name: str) -> ElementTree.Element:
    (found,) = (g for g in tree.iter(f"{SVG}g") if g.get("id") == name)
    return found


def test_lengths_in_the_svg_are_right(sheet: Sheet) -> None:
    tree = svg_tree(sheet)
    assert (tree.get("width"), tree.get("height")) == ("420mm", "297mm")
    assert tree.get("viewBox") == "0 0 420 297"
    paths = [p.get("d") or "" for p in group(tree, "outlines").iter(f"{SVG}path")]
    found = []
    for path in paths:
        if "A" not in path and path.count("L") == 4:
            pairs = re.findall(r"[ML]([^MLZ]+)", path)
            corners = np.array([[float(v) for v in pair.split()] for pair in pairs])
            found.append(np.hypot(*np.diff(corners, axis=0).T))
    # slipway 9.0 x 9.8 m and house 9 x 7 m, the larger first, at 1:200
    assert np.array(found) == pytest.approx(
        np.array([[45, 49, 45, 49], [45, 35, 45, 35]]), abs=0.002
    )
    radii = {float(r) for p in paths for r in re.findall(r"A([\d.]+) ", p)}
    assert sorted(radii) == pytest.approx([15.0, 40.0], abs=0.001)  # true arcs, 3 m and 8 m
    # the round corner runs from below its centre to the right of it, the short way round
    corner = next(p for p in paths if "A40" in p)
    found = re.search(r"[ML]([\d.]+) ([\d.]+)A[\d.]+ [\d.]+ 0 (\d) (\d) ([\d.]+) ([\d.]+)", corner)
    assert found
    x, y, far, clockwise, to_x, to_y = map(float, found.groups())
    assert (to_x - x, to_y - y) == pytest.approx((40.0, -40.0), abs=0.01)
    assert (far, clockwise) == (0, 0)  # counter-clockwise as seen: it bulges outwards


def test_the_scale_bar_has_the_length_it_says(sheet: Sheet) -> None:
    words = next(g for g in sheet.groups if g.name == "words")
    boxes = [
        item.outlines[0].pieces[0]
        for item in words.items
        if not isinstance(item, Text) and item.stroke and item.stroke.width_mm == 0.15
    ]
    bars = [b for b in boxes if isinstance(b, np.ndarray) and len(b) == 4][:4]
    width = max(b[:, 0].max() for b in bars) - min(b[:, 0].min() for b in bars)
    (last,) = (
        t.text for t in words.items if isinstance(t, Text) and re.fullmatch(r"\d+ m", t.text)
    )
    assert width == pytest.approx(float(last.removesuffix(" m")) * 5, abs=1e-6)


def corners_of(text: Text) -> np.ndarray:
    """Box of the capital letters of a text on the sheet."""
    width = typeface(text.weight).width(text.text) * text.size
    back = {"start": 0.0, "middle": width / 2, "end": width}[text.anchor]
    turn = math.radians(text.angle)
    right, up = (
        np.array([math.cos(turn), -math.sin(turn)]),
        np.array([-math.sin(turn), -math.cos(turn)]),
    )
    start = np.array([text.x, text.y]) - right * back
    return np.array(
        [
            start,
            start + right * width,
            start + right * width + up * 0.72 * text.size,
            start + up * 0.72 * text.size,
        ]
    )


@pytest.mark.parametrize("name", ["A4", "A3", "A1", "ANSI C"])
def test_labels_do_not_collide(package: Package, name: str) -> None:
    drawn = draw_plan(package, Handover(sheet=name))  # type: ignore[arg-type]
    texts = [
        t for g in drawn.groups if g.name.endswith("-text") for t in g.items if isinstance(t, Text)
    ]
    assert len(texts) > 60
    boxes = [shapely.Polygon(corners_of(t)) for t in texts]
    window = shapely.box(drawn.window.x, drawn.window.y, drawn.window.right, drawn.window.bottom)
    assert all(window.contains(b) for b in boxes)
    for (a, one), (b, other) in combinations(zip(texts, boxes, strict=True), 2):
        assert one.intersection(other).area < 0.05, (a.text, b.text)


def test_labels_leave_the_symbols_free(sheet: Sheet) -> None:
    points = next(g for g in sheet.groups if g.name == "points")
    rings = [
        piece
        for item in points.items
        if not isinstance(item, Text)
        for outline in item.outlines
        for piece in outline.pieces
        if hasattr(piece, "radius") and piece.sweep > 6
    ]
    discs = [shapely.Point(*r.centre).buffer(r.radius * 0.8) for r in rings if r.radius > 0.4]
    assert len(discs) > 20
    important = {"areas-text"}  # the name of an area may stand on a mark inside it
    for g in sheet.groups:
        if g.name.endswith("-text") and g.name not in important:
            for t in g.items:
                assert isinstance(t, Text)
                box = shapely.Polygon(corners_of(t))
                assert not any(box.intersects(d) for d in discs), t.text


def words_of(sheet: Sheet) -> str:
    return " ".join(t.text for g in sheet.groups for t in g.items if isinstance(t, Text))


def test_the_sheet_says_what_each_reader_wants_first(sheet: Sheet) -> None:
    words = words_of(sheet)
    for wanted in (
        "Ferry landing (invented)", "1:200 on A3", "Surveyed 2026-04-12",  # clerk
        "ETRS89 / UTM zone 32N (EPSG:25832)", "parcel 101/2", "749.4 m² net",  # planner
        "inlet_west", "0.06 m deep", "0.41 m³", "1.9 %",  # drainage designer
        "38.00", "R 8.00", "arc 12.57", "R 3.00",  # contractor
        "3.4 %  beyond", "5.3 % undecided", "At 95 % confidence", "512\u202f340 E",
    ):  # fmt: skip
        assert wanted in words, wanted
    for word in CAUTION.split():
        assert word in words


def test_ponds_too_shallow_to_tell_are_not_told_as_ponds(sheet: Sheet) -> None:
    words = words_of(sheet)
    assert "stands after rain, 2 places, deepest" in words
    assert "may stand after rain, too shallow to tell" in words
    assert "0.82 m³" in words  # of the two that count
    assert "0.00 m deep" not in words
    ponds = next(g for g in sheet.groups if g.name == "ponding")
    filled = [s for s in ponds.items if not isinstance(s, Text) and s.fill]
    assert len(filled) == 2


@pytest.mark.slow
def test_texts_stay_on_the_paper_on_every_sheet(package: Package) -> None:
    for name, unit in zip(SHEETS, ["m", "ft"] * 5, strict=True):
        drawn = draw_plan(package, Handover(sheet=name, unit=unit))  # type: ignore[arg-type]
        paper = shapely.box(5, 5, drawn.width - 5, drawn.height - 5)
        for g in drawn.groups:
            for t in g.items:
                if isinstance(t, Text):
                    assert paper.contains(shapely.Polygon(corners_of(t))), (name, t.text)
        words = words_of(drawn)
        assert "Locate buried services" in words
        assert "How good it is" in words
        columns = next(g for g in drawn.groups if g.name == "words")
        boxes = [shapely.Polygon(corners_of(t)) for t in columns.items if isinstance(t, Text)]
        for one, other in combinations(boxes, 2):
            assert one.intersection(other).area < 0.05, name


def test_feet_are_written_and_drawn_in_feet(package: Package) -> None:
    drawn = draw_plan(package, Handover(sheet="ANSI B", unit="ft"))
    assert drawn.scale % 12 == 0
    words = words_of(drawn)
    assert f"{38.0 / 0.3048:.2f}" in words
    assert "1 in = " in words
    sides = [
        float(np.hypot(*step))
        for path in pdf_paths(pdf(drawn), "Outlines of areas")
        for step in np.diff(path, axis=0)
    ]
    wanted = 38.0 / drawn.scale * 1000
    assert min(abs(s - wanted) for s in sides) < 0.002


@pytest.mark.parametrize(
    ("crs", "place", "side"),
    [
        # the meridians of both hemispheres lean towards the central meridian polewards
        (32616, (-89.731626, 42.90636), "east"),
        (32616, (-84.5, 42.9), "west"),
        (32755, (144.424, -37.95), "west"),
        (32755, (149.5, -37.95), "east"),
    ],
)
def test_true_north_lies_where_proj_says(crs: int, place: tuple[float, float], side: str) -> None:
    from pyproj import Proj, Transformer

    projection = Proj(crs)
    convergence = projection.get_factors(*place).meridian_convergence
    to_map = Transformer.from_crs(4326, crs, always_xy=True)
    here, north = to_map.transform(*place), to_map.transform(place[0], place[1] + 0.001)
    assert ("east" if north[0] > here[0] else "west") == side
    words = convergence_words(math.radians(convergence))
    assert side in words
    told = re.search(r"(\d+)° ([\d.]+)", words)
    assert told
    angle = math.degrees(math.atan2(north[0] - here[0], north[1] - here[1]))
    assert float(told[1]) + float(told[2]) / 60 == pytest.approx(abs(angle), abs=0.002)


def test_convergence_of_a_published_mark() -> None:
    # NSRS data sheet quoted by Mahun: UTM 16 convergence -1-51-37.6
    words = convergence_words(-math.radians(1 + 51 / 60 + 37.6 / 3600))
    assert f"1° 51.6{chr(0x2032)} east" in words
    assert "true north here" in convergence_words(0.0)


def test_a_true_north_that_differs_across_the_site_is_said_to_be_that_of_its_middle(
    package: Package,
) -> None:
    """Against PROJ's convergence at both ends of a street of two kilometres, and of a yard."""
    from pyproj import Proj, Transformer

    assert convergence_spread(package) < math.radians(0.001)
    (points,) = (x for x in package.layers if x.name == "points")
    east, north = (float(v) for v in shapely.get_coordinates(points.geometries[0])[0])
    ends = [shapely.Point(east - 1000, north), shapely.Point(east + 1000, north)]
    street = dataclasses.replace(points, records=points.records[:2], geometries=ends)
    layers = tuple(street if x is points else x for x in package.layers)
    wide = convergence_spread(dataclasses.replace(package, layers=layers))
    crs = package.frame.crs_wkt
    to_degrees = Transformer.from_crs(crs, "EPSG:4258", always_xy=True)
    found = [
        Proj(crs).get_factors(*to_degrees.transform(p.x, p.y)).meridian_convergence for p in ends
    ]
    assert math.degrees(wide) == pytest.approx(abs(found[1] - found[0]), abs=1e-6)
    assert math.degrees(wide) > 0.01
    told = convergence_words(package.frame.convergence, wide)
    assert (
        f"in the middle of the site, across which that differs by {math.degrees(wide):.2f}" in told
    )
    assert "middle" not in convergence_words(package.frame.convergence, math.radians(0.0099))


def test_accuracy_is_told_at_95_percent(package: Package) -> None:
    (points,) = (x for x in package.layers if x.name == "points")
    across = np.array([r["sigma_h_m"] for r in points.records])
    up = np.array([r["sigma_v_m"] for r in points.records])
    words = accuracy_words(package, Measures("m"))
    # chi-square with two degrees of freedom, 95 %: 5.991; normal, two-sided 95 %: 1.960
    assert f"worst {math.sqrt(5.991) * across.max():.2f} m" in words
    assert f"and {1.96 * np.median(up):.2f} m in elevation" in words


def test_pointing_and_neighbouring_marks_are_told_beside_the_accuracy(package: Package) -> None:
    near = NeighbourReport(
        pairs=78, within=3, worst_pair=("A", "B"), worst_95_m=0.1, allowed_m=0.021
    )
    network = dataclasses.replace(NetworkReport(), neighbour_precision=near)
    legs = Table("residuals", "", (), [{"kind": "leg"}])
    (points,) = (x for x in package.layers if x.name == "points")
    twice = dataclasses.replace(
        points,
        records=[*points.records, points.records[0]],
        geometries=[*points.geometries, points.geometries[0]],
    )
    others = tuple(x for x in package.layers if x.name != "points")
    told = dataclasses.replace(package, layers=(*others, twice), tables=(legs,))
    words = accuracy_words(told, Measures("m"))
    assert "(pointing) is in none of these figures" in words
    assert "pointing" not in accuracy_words(package, Measures("m"))
    visits = Table("residuals", "", (), [{"kind": "leg"}, {"kind": "visit"}])
    known = dataclasses.replace(told, tables=(visits,))
    assert "pointing" not in accuracy_words(known, Measures("m"))
    report = SimpleNamespace(network=network)
    judged = dataclasses.replace(package, report=report)  # type: ignore[arg-type]
    words = accuracy_words(judged, Measures("m"))
    assert "Of 78 pairs of neighbouring marks 3 are placed against each other within 2 cm" in words


def test_a_line_with_a_gap_says_of_how_many_pieces_its_length_is(package: Package) -> None:
    def texts(drawn: Sheet) -> list[str]:
        return [t.text for g in drawn.groups for t in g.items if isinstance(t, Text)]

    (lines,) = (x for x in package.layers if x.name == "lines")
    pieces = [shapely.get_num_geometries(g) for g in lines.geometries]
    assert max(pieces) == 2
    told = texts(draw_plan(package, Handover()))
    assert sum(text.endswith(" m in 2 pieces") for text in told) == pieces.count(2)
    first = dataclasses.replace(
        lines, geometries=[shapely.get_parts(g)[0] for g in lines.geometries]
    )
    others = tuple(x for x in package.layers if x.name != "lines")
    whole = texts(draw_plan(dataclasses.replace(package, layers=(*others, first)), Handover()))
    assert not any(text.endswith("pieces") for text in whole)


def test_the_client_is_called_so_in_the_title_block(package: Package) -> None:
    ordered = dataclasses.replace(package, sheet=SheetTable(client="Harbour board (invented)"))
    drawn = draw_plan(ordered, Handover())
    texts = [t.text for g in drawn.groups for t in g.items if isinstance(t, Text)]
    assert "Client" in texts
    assert "Harbour board (invented)" in texts
    assert "Legal owner" not in texts


def test_what_ponds_hold_together_is_the_sum_of_the_printed_volumes(package: Package) -> None:
    (ponds,) = (x for x in package.layers if x.name == "ponding")
    deep = next(i for i, r in enumerate(ponds.records) if (r["volume_m3"] or 0.0) > 0.1)
    two = dataclasses.replace(
        ponds,
        records=[
            {
                **ponds.records[deep],
                "volume_m3": volume,
                "volume_low_m3": volume - 0.014,
                "volume_high_m3": volume + 0.014,
            }
            for volume in (0.0149, 0.3549)
        ],
        geometries=[ponds.geometries[deep]] * 2,
    )
    others = tuple(x for x in package.layers if x.name != "ponding")
    drawn = draw_plan(dataclasses.replace(package, layers=(*others, two)), Handover())
    texts = [t.text for g in drawn.groups for t in g.items if isinstance(t, Text)]
    assert "together they hold" in texts
    assert "0.36 m³" in texts  # 0.01 and 0.35; 0.3698 of the unrounded


NAMES = {
    "latin": "Łódź, Ďáblice",
    "greek": "Αθήνα",
    "cyrillic": "Київ",
    "chinese": "渡船埠頭",
    "markup": "</text><script>alert(1)</script> & ]]>",
    "control": "a\x00b\x1b[31m\u202egnirts\n\tz",
    "long": "n" * 10_000,
    "surrogate": "half \ud800 pair",
}


def named(name: str) -> Package:
    shape = feature(name, name, "area", straight((0, 0), (30, 0), (30, 20), (0, 20), (0, 0)))
    areas, _ = drawn_layers([shape])
    places = on_map(np.array([(0.0, 0.0), (30.0, 20.0)]))
    points = layer(
        "points",
        "Observations",
        "PointZ",
        [
            {"point": f"{name}{i}", "elevation": 402.0, "sigma_h_m": 0.01, "sigma_v_m": 0.01}
            for i in (0, 1)
        ],
        [shapely.Point(p) for p in places],
    )
    return dataclasses.replace(
        ferry_landing(),
        title=name,
        date=name,
        layers=(points, areas),
        features=(shape,),
        codes={name: Code(title=name)},
        findings=(Finding("look", "x", name),),
    )


@pytest.mark.parametrize("case", NAMES)
def test_names_of_any_kind(case: str, tmp_path: Path) -> None:
    name = NAMES[case]
    write_plan(tmp_path, named(name), Handover())
    tree = ElementTree.fromstring((tmp_path / "plan.svg").read_bytes())
    shown = "".join(tree.itertext())
    assert "<script" not in (tmp_path / "plan.svg").read_text("utf-8")
    page = pypdf.PdfReader(tmp_path / "plan.pdf").pages[0]
    if case in ("latin", "greek", "cyrillic", "markup"):
        assert name in shown
        assert name in page.extract_text()
    if case == "chinese":
        assert name in shown
        assert "for a letter this font lacks" in shown
        # the page shows boxes, but readers and searches get the characters
        coded = name.encode("utf-16-be").hex().encode()
        assert b"/ActualText <feff" + coded in page.get_contents().get_data()
    assert not re.search(r"[\x00-\x08\x0b-\x1f\u202e]", shown)


@pytest.mark.parametrize(
    "names",
    [
        (),
        ("points",),
        ("areas",),
        ("lines", "baseline"),
        ("contours",),
        ("parcels",),
        ("drainage_arrows", "ponding", "flow_paths"),
        ("grades", "sections"),
    ],
)
def test_any_layer_may_be_missing(package: Package, names: tuple[str, ...], tmp_path: Path) -> None:
    part = dataclasses.replace(
        only(package, *names), features=(), codes={}, findings=(), title="", date=""
    )
    written = write_plan(tmp_path, part, Handover())
    assert [p.name for p in written] == ["plan.pdf", "plan.svg", "plan.png"]
    assert "Untitled site" in pypdf.PdfReader(tmp_path / "plan.pdf").pages[0].extract_text()


def test_missing_values_are_left_out(package: Package) -> None:
    def emptied(x):  # type: ignore[no-untyped-def]
        return dataclasses.replace(x, records=[dict.fromkeys(r) for r in x.records])

    bare = dataclasses.replace(package, layers=tuple(map(emptied, package.layers)))
    drawn = draw_plan(bare, Handover())
    assert "None" not in words_of(drawn)
    assert "nan" not in svg(drawn)


def test_the_png_is_the_pdf_at_150_dots_per_inch(sheet: Sheet, document: bytes) -> None:
    data = png(document, 150)
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, depth, colour = struct.unpack(">LLBB", data[16:26])
    assert (depth, colour) == (8, 2)
    assert width == pytest.approx(420 / 25.4 * 150, abs=1)
    assert height == pytest.approx(297 / 25.4 * 150, abs=1)
    at = data.index(b"IDAT")
    (length,) = struct.unpack(">L", data[at - 4 : at])
    rows = np.frombuffer(zlib.decompress(data[at + 4 : at + 4 + length]), np.uint8)
    pixels = rows.reshape(height, 1 + 3 * width)[:, 1:].reshape(height, width, 3)
    # the middle of the slipway has its tint: concrete is the second code, sand
    outlines = next(g for g in sheet.groups if g.name == "areas")
    tints = {item.fill for item in outlines.items if not isinstance(item, Text)}
    assert "#e7d4bb" in tints
    assert (pixels == [0xE7, 0xD4, 0xBB]).all(axis=2).sum() > 10_000
    for i in range(8, len(data)):  # every chunk checks
        if data[i : i + 4] in (b"IHDR", b"IDAT", b"IEND", b"pHYs", b"sRGB"):
            (size,) = struct.unpack(">L", data[i - 4 : i])
            (told,) = struct.unpack(">L", data[i + 4 + size : i + 8 + size])
            assert zlib.crc32(data[i : i + 4 + size]) == told


def test_large_sheets_stay_below_eight_million_pixels(package: Package) -> None:
    data = png(pdf(draw_plan(package, Handover(sheet="A0"))), 150)
    width, height = struct.unpack(">LL", data[16:24])
    assert 7e6 < width * height < 8.1e6


@pytest.mark.slow
def test_same_input_same_bytes_in_another_process(tmp_path: Path) -> None:
    script = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from pathlib import Path\n"
        "from package_cases import ferry_landing\n"
        "from geosite.handover.plan.sheet import write_plan\n"
        "from geosite.fieldbook.sitefile import Handover\n"
        "write_plan(Path(sys.argv[2]), ferry_landing(), Handover())\n"
    )
    tests = str(Path(__file__).resolve().parent.parent)
    for seed in ("1", "2"):
        (tmp_path / seed).mkdir()
        subprocess.run(
            [sys.executable, "-c", script, tests, str(tmp_path / seed)],
            check=True,
            env={"PYTHONHASHSEED": seed, "PATH": "", "TZ": "UTC" if seed == "1" else "Asia/Tokyo"},
        )
    for name in ("plan.pdf", "plan.svg", "plan.png"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()


@pytest.mark.slow
def test_many_marks_are_thinned(package: Package) -> None:
    rng = np.random.default_rng(4)
    places = on_map(rng.uniform((5, 12), (50, 30), (12_000, 2)))
    records = [{"point": f"P{i}", "elevation": 402.0} for i in range(len(places))]
    crowd = layer("points", "Observations", "PointZ", records, list(shapely.points(places)))
    small = only(package, "areas")
    full = dataclasses.replace(small, layers=(crowd, *small.layers))
    crowded = draw_plan(full, Handover())
    assert len(pdf(crowded)) < 900_000
    signs = next(g for g in crowded.groups if g.name == "points").items
    drawn = sum(len(item.outlines) for item in signs if not isinstance(item, Text))
    # one symbol at most per 1.2 mm cell of the 225 x 90 mm that the marks cover
    assert 5_000 < drawn < 9_000


def test_map_in_feet_and_elevations_in_metres(package: Package) -> None:
    us_foot = 1200 / 3937
    moved = frame(unit_m=us_foot, unit_name="US survey foot", origin=(1_000_000.0, 500_000.0))

    def shifted(x):  # type: ignore[no-untyped-def]
        shapes = [
            shapely.transform(
                g,
                lambda en: (en - np.array(frame().origin)) / us_foot + np.array(moved.origin),
            )
            for g in map(shapely.force_2d, x.geometries)
        ]
        return dataclasses.replace(x, geometries=shapes)

    feet = dataclasses.replace(package, frame=moved, layers=tuple(map(shifted, package.layers)))
    here, there = draw_plan(package, Handover()), draw_plan(feet, Handover())
    assert here.scale == there.scale == 200
    one, other = (
        [np.ptp(p, axis=0) for p in pdf_paths(pdf(s), "Outlines of areas")] for s in (here, there)
    )
    assert np.array(one) == pytest.approx(np.array(other), abs=0.005)
    assert pytest.approx(0.999535) == FACTOR
