"""What stands on the map: places, pens, directions and counts, each reckoned from the records."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import package_cases
import pytest
import shapely
from package_cases import FACTOR, ORIGIN, layer, on_map, only
from pyproj import CRS, Transformer

from geosite.base.arrays import Floats
from geosite.drawing.font import typeface
from geosite.drawing.ink import PAPER
from geosite.drawing.sheet import Arc, Group, Outline, Shape, Text
from geosite.fieldbook.sitefile import Code, Handover
from geosite.handover.model import Package
from geosite.handover.palette import POND, STROKES, WATER
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.layout import Layout, View, choose_layout
from geosite.handover.plan.map import draw_map
from geosite.handover.plan.map_edge import frame_group, header_group
from geosite.handover.plan.map_labels import name_arrows, name_clearances
from geosite.handover.plan.map_linework import (
    draw_areas,
    draw_arrows,
    draw_contours,
    draw_grid,
    draw_lines,
    draw_marks,
    draw_parcels,
    draw_sections,
    draw_water,
    near_parcels,
)
from geosite.handover.plan.map_sheet import lacks_letters, map_sheet
from geosite.handover.styles.signs import DOUBTFUL, FADED, RIPPLE
from geosite.handover.wording.measures import Measures

METRES = Measures("m")
ferry_landing = cache(package_cases.ferry_landing)
EXTENT = (ORIGIN[0], ORIGIN[1], ORIGIN[0] + 58.0, ORIGIN[1] + 42.0)


@cache
def laid(sheet: Any = "A3", **options: Any) -> Layout:
    return choose_layout(
        package_cases.frame(), EXTENT, Handover(sheet=sheet, **options), lambda *_: True
    )


def canvas(package: Package, **how: Any) -> Canvas:
    return Canvas(package, laid(), METRES, {"asphalt": "#111111"}, **how)


def with_layer(*layers: Any, **changes: Any) -> Package:
    return replace(ferry_landing(), layers=layers, rasters=(), **changes)


def lines_of(shapes: list[Shape]) -> list[Floats]:
    return [p for s in shapes for o in s.outlines for p in o.pieces if isinstance(p, np.ndarray)]


def texts(group: Group) -> list[Text]:
    return [item for item in group.items if isinstance(item, Text)]


def paper(view: View, east: float, north: float) -> Floats:
    """Ground metres from the origin on paper: a metre is 1000 / scale mm, north is up."""
    middle = np.array(
        [view.window.x + view.window.width / 2, view.window.y + view.window.height / 2]
    )
    away = (np.array([east, north]) * FACTOR + ORIGIN - view.centre) / FACTOR
    return middle + away * [1000 / view.scale, -1000 / view.scale]


def test_coordinates_along_the_edge_stand_at_their_places() -> None:
    layout = laid()
    view, window = layout.view, layout.view.window
    group = frame_group(layout)
    named: dict[str, list[float]] = {"E": [], "N": []}
    for text in texts(group):
        number, letter = text.text.replace("\u202f", "").split()
        named[letter].append(float(number))
        place = view.on_paper((float(number), float(number)))
        if letter == "E":
            assert text.x == pytest.approx(place[0])
            assert (text.angle, text.y > window.bottom) == (0.0, True)
        else:
            assert text.y == pytest.approx(place[1])
            assert (text.angle, text.x < window.x) == (90.0, True)
    step = 10.0  # at 1:200 they are 50 mm apart
    assert view.scale == 200
    for letter, way, least, most in (
        ("E", 0, window.x + 9, window.right - 9),
        ("N", 1, window.y + 10, window.bottom - 10),
    ):
        every = np.arange(-20, 20) * step + round(view.centre[way], -1)
        at = view.on_paper(np.column_stack([every, every]))[:, way]
        wanted = every[(at > least) & (at < most)]
        assert sorted(named[letter]) == wanted.tolist()
        assert len(wanted) >= 3


def test_where_coordinates_are_less_than_a_metre_apart_they_have_decimals() -> None:
    near = choose_layout(
        package_cases.frame(),
        (ORIGIN[0], ORIGIN[1], ORIGIN[0] + 1.0, ORIGIN[1] + 1.0),
        Handover(sheet="A4"),
        lambda *_: True,
    )
    words = [text.text for text in texts(frame_group(near))]
    assert words
    assert near.view.scale == 10
    # half a metre is 50 mm at 1:10
    assert all(word[-4] == "." and word[-3] in "05" for word in words)


def test_ticks_and_crosses_stand_at_round_coordinates() -> None:
    page = canvas(ferry_landing())
    draw_grid(page)
    window = page.view.window
    lines = lines_of(page.shapes["grid"])
    middles = np.array([line.mean(axis=0) for line in lines])
    crossed = 0
    for line, middle in zip(lines, middles, strict=True):
        length = float(np.abs(np.diff(line, axis=0)).sum())
        inside = window.x + 2 < middle[0] < window.right - 2
        inside = inside and window.y + 2 < middle[1] < window.bottom - 2
        if inside:
            # half of each cross: 3 mm long, its middle on a round coordinate both ways
            away = (middle - page.view.on_paper((512_330.0, 5_276_120.0))) / (50.0 / FACTOR)
            assert away == pytest.approx(np.round(away), abs=1e-6)
            assert length == pytest.approx(3.0)
            crossed += 1
        else:
            assert length == pytest.approx(1.5)
    x = {round(t.x, 6) for t in texts(frame_group(laid())) if t.text.endswith("E")}
    assert len({round(m[0], 6) for m in middles} & x) == len(x)
    columns = math.floor(window.width / 50.0)
    rows = math.floor(window.height / 50.0)
    assert crossed in {2 * i * j for i in (columns, columns + 1) for j in (rows, rows + 1)}


@pytest.mark.parametrize(
    ("title", "date", "number", "left", "right"),
    [
        ("Yard", "2026-04-12", "", "Yard", "Surveyed 2026-04-12"),
        ("", None, "2 of 3", "Untitled site", "No survey date given, sheet 2 of 3"),
    ],
)
def test_the_strip_above_the_map_says_what_it_is(
    title: str, date: str | None, number: str, left: str, right: str
) -> None:
    layout = laid()
    package = replace(ferry_landing(), title=title, date=date)
    words = texts(header_group(package, layout, METRES, "Design", number))
    assert words[0].text == left
    assert words[1].text.startswith("Design in ")
    assert ", elevations in DHHN2016" in words[1].text
    assert [t.text for t in words[2:]] == ["1:200 on A3", right]
    assert all(t.anchor == "end" and t.x == layout.header.right for t in words[2:])


@pytest.mark.parametrize("letters", [10, 60, 110, 400])
def test_a_long_title_is_made_smaller_then_cut_and_never_meets_the_scale(letters: int) -> None:
    layout = laid()
    package = replace(ferry_landing(), title="m" * letters)
    title, under, scale, date = texts(header_group(package, layout, METRES))
    free = min(t.x - typeface(t.weight).width(t.text) * t.size for t in (scale, date))
    for text in (title, under):
        assert text.x + typeface(text.weight).width(text.text) * text.size < free - 5.0
    assert (title.size == 7.0) == (letters == 10)
    assert title.size > 3.3
    assert (title.text == "m" * letters) == (letters <= 60)


def test_contours_have_the_pen_of_what_they_are() -> None:
    records = [
        {"elevation": 400.0 + k / 10, "is_index": int(k % 5 == 0), "measured": int(k != 3)}
        for k in range(8)
    ]
    places = [
        shapely.LineString(on_map(np.array([(5.0, 5.0 + k), (40.0, 5.0 + k)]))) for k in range(8)
    ]
    page = canvas(with_layer(layer("contours", "", "LineStringZ", records, places)))
    draw_contours(page)
    drawn = {}
    for shape in page.shapes["contours"]:
        for line in lines_of([shape]):
            drawn[round(float(line[0][1] - paper(page.view, 5, 5)[1]) / -5.0)] = shape.stroke
    usual, index, far = (STROKES[f"contours{end}"] for end in ("", "-index", "-far"))
    assert drawn == {k: far if k == 3 else index if k % 5 == 0 else usual for k in range(8)}


def arrows(*told: dict[str, Any]) -> Package:
    records = [
        {"azimuth_deg": 0.0, "slope_percent": 1.0, "steadiness": 1.0, "measured": 1, **one}
        for one in told
    ]
    places = [shapely.Point(on_map((6.0 + 8.0 * k, 20.0))) for k in range(len(told))]
    return with_layer(layer("drainage_arrows", "", "Point", records, places))


def test_arrows_point_the_way_water_runs_and_are_longer_where_it_is_steeper() -> None:
    told = [
        {"azimuth_deg": 0.0, "slope_percent": 0.05},
        {"azimuth_deg": 90.0, "slope_percent": 1.0, "steadiness": 0.95},
        {"azimuth_deg": 200.0, "slope_percent": 10.0, "steadiness": 0.94},
        {"azimuth_deg": 300.0, "slope_percent": 40.0, "steadiness": 0.7},
        {"azimuth_deg": 45.0, "slope_percent": None},
    ]
    page = canvas(arrows(*told))
    draw_arrows(page)
    assert {shape.opacity for shape in page.shapes["drainage_arrows"]} == {1.0, FADED}
    found = {}
    for shape in page.shapes["drainage_arrows"]:
        assert (shape.stroke, shape.fill) == (None, WATER)
        for dart in lines_of([shape]):
            tip, tail = dart[0], dart[3]
            middle = (tip + tail) / 2
            number = round((middle[0] - paper(page.view, 6, 20)[0]) / 40.0)
            assert middle == pytest.approx(paper(page.view, 6 + 8 * number, 20))
            way = math.degrees(math.atan2(tip[0] - tail[0], tail[1] - tip[1])) % 360
            found[number] = (way, float(np.hypot(*(tip - tail))), shape.opacity)
    for number, (one, length) in enumerate(zip(told, (3.2, 4.6, 6.0, 6.0, 3.2), strict=True)):
        way, drawn, opacity = found[number]
        assert way == pytest.approx(one["azimuth_deg"], abs=1e-6)
        assert drawn == pytest.approx(length)
        assert opacity == (FADED if number in (2, 3) else 1.0)
    # a number stands only at those that are steady and have one
    assert [steep for _, steep in page.arrow_labels] == [0.05, 1.0]
    name_arrows(page)
    # small letters of this ink are thin on grey ground
    looks = {(text.weight, text.halo, text.colour) for text in page.texts["drainage_arrows"]}
    assert looks == {("bold", True, WATER)}


@pytest.mark.parametrize(
    "one",
    [{"azimuth_deg": None}, {"azimuth_deg": -1.0}, {"steadiness": 0.69}, {"measured": 0}],
)
def test_an_arrow_that_tells_nothing_is_not_drawn(one: dict[str, Any]) -> None:
    page = canvas(arrows(one, {}))
    draw_arrows(page)
    (shape,) = page.shapes["drainage_arrows"]
    assert len(shape.outlines) == 1


def test_of_many_arrows_whole_rows_are_left_out_and_none_stands_on_another() -> None:
    records, places = [], []
    for i in range(24):
        for k in range(16):
            records.append({"azimuth_deg": 90.0, "slope_percent": 1.0})
            places.append(shapely.Point(on_map((5.0 + 2 * i, 5.0 + 2 * k))))
    package = with_layer(layer("drainage_arrows", "", "Point", records, places))
    for apart, every in ((7.0, 1), (14.0, 1), (15.1, 2), (25.1, 3)):
        page = canvas(package, arrows_apart=apart)
        draw_arrows(page)
        (shape,) = page.shapes["drainage_arrows"]
        middles = np.array([(d[0] + d[3]) / 2 for d in lines_of([shape])])
        steps = (middles - middles[0]) / (10.0 * every)  # 2 m are 10 mm at 1:200
        assert steps == pytest.approx(np.round(steps), abs=1e-6), apart
        assert len(shape.outlines) in [
            a * b for a in (24 // every, -(-24 // every)) for b in (16 // every, -(-16 // every))
        ], apart


def test_ponds_that_are_sure_are_filled_and_the_others_dotted() -> None:
    page = canvas(only(ferry_landing(), "ponding"))
    draw_water(page)
    kinds = [(s.stroke, s.fill) for s in page.shapes["ponding"]]
    assert kinds == [
        *((STROKES["ponding"], POND), (RIPPLE, None)) * 2,
        (DOUBTFUL, None),
    ]
    first, waves, *_ = page.shapes["ponding"]
    ring = lines_of([first])[0]
    assert np.hypot(*(ring[:-1].mean(axis=0) - paper(page.view, 27, 24))) < 0.05
    # waves are 1.5 mm apart over 3.8 m of the pond: 19 mm
    assert len(waves.outlines) in (12, 13)
    assert all(np.ptp(line[:, 1]) < 1e-9 for line in lines_of([waves]))


def test_paths_that_run_into_each_other_are_drawn_once_and_each_has_its_head() -> None:
    both = [
        shapely.LineString(on_map(np.array(way, float)))
        for way in ([(5, 5), (20, 10), (40, 10)], [(5, 20), (20, 10), (40, 10)])
    ]
    records = [{"start": "S1", "length_m": 36.0}, {"start": "S2", "length_m": 38.0}]
    page = canvas(with_layer(layer("flow_paths", "", "LineStringZ", records, both)))
    draw_water(page)
    pen, heads = page.shapes["flow_paths"]
    length = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines_of([pen]))
    assert length == pytest.approx((math.hypot(15, 5) + math.hypot(15, 10) + 20) * 5, abs=0.05)
    assert pen.stroke == STROKES["flow_paths"]
    tips = [line[0] for line in lines_of([heads])]
    assert len(tips) == 2
    for tip in tips:
        assert tip == pytest.approx(paper(page.view, 40, 10), abs=0.01)


def test_marks_are_drawn_by_what_they_are_and_each_place_once() -> None:
    package = only(ferry_landing(), "points", "baseline")
    page = canvas(package)
    marks = draw_marks(page)
    kind = {mark.name: mark.kind for mark in marks}
    assert {name for name, one in kind.items() if one == "baseline"} == {"B1", "B2"}
    assert {name for name, one in kind.items() if one == "inlet"} == {"I1", "I2"}
    assert {mark.name: mark.feature for mark in marks if mark.feature} == {
        "I1": "inlet west",
        "I2": "inlet east",
    }
    for mark in marks:
        if mark.name.startswith("S"):
            i = [m[0] for m in package_cases.marks()].index(mark.name)
            _, east, north, *_ = package_cases.marks()[i]
            assert mark.place == pytest.approx(paper(page.view, east, north))
            assert mark.elevation == pytest.approx(float(package_cases.ground(east, north)))
    rings = [
        piece
        for shape in page.shapes["points"]
        if shape.stroke == STROKES["points"] and shape.fill == PAPER
        for outline in shape.outlines
        for piece in outline.pieces
        if isinstance(piece, Arc)
    ]
    assert len(rings) == sum(mark.kind == "mark" for mark in marks)
    assert page.dropped == len(package_cases.marks()) - len(marks)


def test_a_crowd_of_marks_is_thinned_and_counted_and_unnamed_places_are_specks() -> None:
    near = [("M1", 10.15, 10.1), ("M2", 10.2, 10.1), ("M3", 30.0, 10.0), ("", 20.0, 20.0)]
    records = [
        {"point": name or None, "feature": None, "code": None, "elevation": 1.0, "v_95_m": 0.4}
        for name, *_ in near
    ]
    records.append({**records[0]})  # the first mark, visited again
    places = [shapely.Point(on_map(one[1:])) for one in [*near, near[2]]]
    page = canvas(with_layer(layer("points", "", "PointZ", records, places)))
    marks = draw_marks(page)
    # 5 cm are a quarter of a millimetre
    assert [mark.name for mark in marks] == ["M1", "M3"]
    assert page.dropped == 1
    # four decimetres of interval bear one decimal
    assert {mark.places for mark in marks} == {1}
    specks = [s for s in page.shapes["points"] if s.stroke is None]
    (speck,) = specks
    (outline,) = speck.outlines
    assert isinstance(outline.pieces[0], Arc)
    assert outline.pieces[0].centre == pytest.approx(paper(page.view, 20, 20))


def test_areas_are_tinted_by_code_and_buildings_hatched() -> None:
    page = canvas(only(ferry_landing(), "areas"))
    draw_areas(page)
    fills = [shape.fill for shape in page.shapes["areas"] if shape.fill]
    # the largest lies lowest; concrete and setts have no tint here
    assert fills[0] == "#111111"
    assert sorted(fills[1:]).count(PAPER) == 2
    hatched = [shape for shape in page.shapes["areas"] if shape.stroke is not None]
    assert len(hatched) == 1
    spaces = {
        round(float(np.abs(np.diff(line, axis=0)[0]).max()), 6) > 0 for line in lines_of(hatched)
    }
    assert spaces == {True}
    wide = [shape.stroke.width_mm for shape in page.shapes["outlines"] if shape.stroke]
    assert sorted(wide) == [0.25, 0.25, 0.25, 0.5]
    # 38 m of the apron's south side at 1:200
    sides = [
        float(np.hypot(*np.diff(line, axis=0).T).sum())
        for line in lines_of(page.shapes["outlines"])
    ]
    assert min(abs(side - 190.0) for side in sides) < 0.02
    arcs = [
        piece
        for shape in page.shapes["outlines"]
        for outline in shape.outlines
        for piece in outline.pieces
        if isinstance(piece, Arc)
    ]
    corner = min(arcs, key=lambda arc: abs(arc.radius - 40.0))
    assert corner.radius == pytest.approx(40.0)
    assert corner.centre == pytest.approx(paper(page.view, 44, 20))
    # counter-clockwise on the ground from south to east; the sheet's y runs down
    assert (corner.start, corner.sweep) == pytest.approx((math.pi / 2, -math.pi / 2))


def test_a_fence_is_broken_at_its_gate_and_what_holds_water_is_heavier() -> None:
    page = canvas(only(ferry_landing(), "lines"))
    draw_lines(page)
    by_pen = {
        len(shape.outlines): shape.stroke.width_mm for shape in page.shapes["lines"] if shape.stroke
    }
    assert by_pen[2] == pytest.approx(0.35)  # the fence: before and behind the gate
    assert max(s.stroke.width_mm for s in page.shapes["lines"] if s.stroke) == pytest.approx(0.56)
    plain = canvas(replace(only(ferry_landing(), "lines"), codes={"kerb": Code(geometry="line")}))
    draw_lines(plain)
    assert {s.stroke.width_mm for s in plain.shapes["lines"] if s.stroke} == {0.35}


def test_lines_that_parcels_share_are_drawn_once_and_cut_at_the_map() -> None:
    squares = [shapely.box(0, 0, 20, 20), shapely.box(20, 0, 4000, 20)]
    rings = [shapely.transform(s, lambda p: p * FACTOR + ORIGIN) for s in squares]
    records = [{"parcel": name, "area_m2": 400.0} for name in "AB"]
    page = canvas(with_layer(layer("parcels", "", "Polygon", records, rings)))
    draw_parcels(page)
    lines = lines_of(page.shapes["parcels"])
    length = sum(float(np.hypot(*np.diff(line, axis=0).T).sum()) for line in lines)
    edge = page.view.window.right + 5.0  # a little beyond the window
    east = edge - float(paper(page.view, 20, 0)[0])
    assert length == pytest.approx(5 * 80 + 2 * east, abs=0.1)


def test_sections_grades_and_short_distances_have_their_pens_and_ticks() -> None:
    page = canvas(ferry_landing())
    draw_sections(page)
    section, ticks = page.shapes["sections"]
    (line,) = lines_of([section])
    assert line[0] == pytest.approx(paper(page.view, 14, 14.5), abs=0.02)
    assert line[-1] == pytest.approx(paper(page.view, 24.5, 36), abs=0.02)
    assert ticks.stroke is not None
    assert ticks.stroke.dash_mm == ()
    for tick, end in zip(lines_of([ticks]), (line[0], line[-1]), strict=True):
        assert float(np.hypot(*(tick[1] - tick[0]))) == pytest.approx(4.0)
        assert tick.mean(axis=0) == pytest.approx(end)
    pens = [shape.stroke for shape in page.shapes["grades"]]
    # what is beyond its limit is drawn last, over the others
    assert pens == [STROKES[f"grades-{word}"] for word in ("within", "undecided", "beyond")]
    assert [len(shape.outlines) for shape in page.shapes["grades"]] == [1, 1, 1]


@pytest.mark.parametrize(
    ("metres", "verdict", "drawn"),
    [
        (4.9, "clear", True),
        (5.1, "clear", False),
        (9.0, "crosses", True),
        (9.0, "cannot tell", True),
    ],
)
def test_a_clear_distance_to_a_parcel_is_drawn_up_to_25_mm(
    metres: float, verdict: str, drawn: bool
) -> None:
    line = shapely.LineString(on_map(np.array([(20.0, 20.0), (20.0 + metres, 20.0)]))[:, :2])
    near = layer("parcel_clearances", "", "LineString", [{"verdict": verdict}], [line])
    page = canvas(with_layer(near))
    assert len(list(near_parcels(page, near))) == drawn
    draw_sections(page)
    assert bool(page.shapes["parcel_clearances"]) == drawn


@pytest.mark.parametrize(
    ("verdict", "metres", "told"),
    [
        ("crosses", -0.25, ["kerb top", "over the line by 0.25 +/- 0.21 m"]),
        ("cannot tell", -0.17, ["kerb top: cannot tell", "over the line by 0.17 +/- 0.21 m"]),
        ("cannot tell", 0.08, ["kerb top: cannot tell", "short of the line by 0.08 +/- 0.21 m"]),
        ("clear", 4.95, ["clear by 4.95 +/- 0.21 m"]),
    ],
)
def test_a_distance_to_a_parcel_line_says_whose_it_is_where_it_is_not_clear(
    verdict: str, metres: float, told: list[str]
) -> None:
    line = shapely.LineString(on_map(np.array([(20.0, 20.0), (23.0, 20.0)]))[:, :2])
    row = {"feature": "kerb_top", "verdict": verdict, "distance_m": metres, "distance_95_m": 0.21}
    page = canvas(with_layer(layer("parcel_clearances", "", "LineString", [row], [line])))
    name_clearances(page, clear=verdict != "clear")
    assert not page.texts["parcel_clearances"]
    name_clearances(page, clear=verdict == "clear")
    assert [text.text for text in page.texts["parcel_clearances"]] == told


def test_writing_lies_over_all_linework_and_what_found_no_room_is_counted() -> None:
    groups, dropped, dots = draw_map(ferry_landing(), laid(), METRES, {})
    assert dots == 0  # every place of the landing has a name
    names = [group.name for group in groups]
    first = next(i for i, name in enumerate(names) if name.endswith("-text"))
    assert all(name.endswith("-text") for name in names[first:])
    order = ["areas", "ponding", "contours", "lines", "points"]
    assert [name for name in names[:first] if name in order] == order
    assert all(group.in_map for group in groups)
    words = {t.text for group in groups[first:] for t in texts(group)}
    assert {"Asphalt apron", "inlet west"} <= {word.split(",")[0] for word in words}
    crowded, more, _ = draw_map(ferry_landing(), laid(sheet="A4"), METRES, {})
    assert more >= dropped
    assert crowded


def test_a_sheet_knows_where_on_earth_its_corners_lie() -> None:
    layout = laid()
    sheet = map_sheet(ferry_landing(), Handover(), layout, "Site plan", [])
    assert (sheet.scale, sheet.unit, sheet.unit_m) == (200, "m", 1.0)
    assert sheet.description.startswith("Site plan 1:200 on A3. ")
    assert sheet.place is not None
    assert sheet.place.epsg == 25832
    window = layout.view.window
    # half of the window's millimetres, as metres of the ground, as units of the map
    half = np.array([window.width, window.height]) / 2 * 0.2 * FACTOR
    east, north = layout.view.centre
    to_earth = Transformer.from_crs(CRS.from_epsg(25832), CRS.from_epsg(4326), always_xy=True)
    signs = [(-1, -1), (-1, 1), (1, 1), (1, -1)]
    for (latitude, longitude), (x, y) in zip(sheet.place.corners, signs, strict=True):
        wanted = to_earth.transform(east + x * half[0], north + y * half[1])
        assert (longitude, latitude) == pytest.approx(wanted, abs=1e-9)


def test_letters_the_typeface_lacks_are_noticed() -> None:
    def group(text: str) -> Group:
        box = Shape([Outline((np.zeros((2, 2)),))], STROKES["areas"])
        return Group("g", "G", (box, Text(0.0, 0.0, "plain", 2.0), Text(0.0, 0.0, text, 2.0)))

    assert not lacks_letters([group("Häuser, 12 m²")])
    assert lacks_letters([group("a"), group("\u4e2d")])
    assert not lacks_letters([])
