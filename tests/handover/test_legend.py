"""What the words beside the map say of its signs, counted from the records."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import package_cases
import pytest
import shapely

from geosite.drawing.sheet import Shape, Text
from geosite.fieldbook.sitefile import Code, Handover, Sheet
from geosite.handover.model import Layer, Package, Table
from geosite.handover.plan.layout import choose_layout
from geosite.handover.plan.legend import (
    contour_interval,
    grades_block,
    scale_block,
    signs_block,
    sums_by_code,
    surfaces_block,
    water_block,
)
from geosite.handover.plan.side_column import Block, Column
from geosite.handover.wording.measures import Measures

METRES, FEET = Measures("m"), Measures("ft")
BARE = package_cases.ferry_landing()


def layer(name: str, *records: dict[str, Any]) -> Layer:
    return Layer(name, name, "", "Point", (), list(records), [shapely.Point(0, 0)] * len(records))


def package(*layers: Layer, **changes: Any) -> Package:
    return replace(BARE, layers=layers, **changes)


def column_of(block: Block | None, limit: int = 99) -> Column:
    assert block is not None
    column = Column(0.0, 0.0, 72.0, 1.0)
    block(column, limit)
    return column


def rows(block: Block | None, limit: int = 99) -> list[tuple[str, ...]]:
    """Return the texts of each line, from left to right."""
    found: dict[float, list[Text]] = {}
    for item in column_of(block, limit).items:
        if isinstance(item, Text):
            found.setdefault(round(item.y, 6), []).append(item)
    return [tuple(t.text for t in sorted(line, key=lambda t: t.x)) for line in found.values()]


def scale_bar(scale: float, measures: Measures, convergence: float = 0.0) -> Column:
    frame = package_cases.frame(convergence=convergence)
    layout = choose_layout(frame, (0, 0, 1, 1), Handover(), lambda *_: True)
    layout = replace(layout, view=replace(layout.view, scale=scale))
    return column_of(scale_block(replace(BARE, frame=frame), measures, layout))


@pytest.mark.parametrize(
    ("scale", "unit"),
    [
        *((s, "m") for s in (10, 50, 200, 250, 500, 1250, 5000)),
        *((s, "ft") for s in (12, 240, 1200)),
    ],
)
def test_the_bar_is_as_long_as_it_says_and_as_long_as_there_is_room(
    scale: float, unit: Any
) -> None:
    measures = Measures(unit)
    made = scale_bar(scale, measures)
    boxes = [
        item.outlines[0].pieces[0]
        for item in made.items
        if isinstance(item, Shape) and item.stroke is not None and item.stroke.width_mm == 0.15
    ]
    corners = np.array(boxes, float)[..., 0]
    left, right = float(corners.min()), float(corners.max())
    words = [item for item in made.items if isinstance(item, Text) and item.text != "N"]
    last = words[-1]
    assert last.text.endswith(f" {unit}")
    length = float(last.text.split()[0])
    assert right - left == pytest.approx(length * measures.unit_m * 1000 / scale)
    # a round length; the next one, at most 2.5 times as long, had no room
    assert f"{length:e}"[0] in "12458"
    room = 72 - 14 - 6
    assert room / 2.5 < right - left <= room
    # every number stands at its place along the bar
    for text in words[:-1]:
        assert text.x == pytest.approx(left + float(text.text) / length * (right - left))
        assert text.anchor == "middle"
    assert last.x < right < last.x + 4
    # black and white in turn
    fills = [
        i.fill
        for i in made.items
        if isinstance(i, Shape) and i.stroke and i.stroke.width_mm == 0.15
    ]
    assert all(a != b for a, b in pairwise(fills))
    assert len(fills) in (4, 5)
    assert fills[0] != "#ffffff"


@pytest.mark.parametrize(
    ("degrees", "drawn"), [(0.001, None), (0.5, -14.0), (-3.0, 14.0), (20.0, -20.0)]
)
def test_true_north_lies_on_its_side_of_grid_north(degrees: float, drawn: float | None) -> None:
    """True north is at grid azimuth minus the convergence; small angles are drawn larger."""
    items = scale_bar(200, METRES, math.radians(degrees)).items
    lines = [i for i in items if isinstance(i, Shape) and i.stroke and i.stroke.dash_mm]
    assert len(lines) == (drawn is not None)
    if drawn is not None:
        (foot, tip) = lines[0].outlines[0].pieces[0]  # type: ignore[misc]
        azimuth = math.degrees(math.atan2(tip[0] - foot[0], foot[1] - tip[1]))
        assert azimuth == pytest.approx(drawn)


def test_where_no_map_is_laid_out_yet_the_bar_takes_its_room() -> None:
    column = column_of(scale_block(BARE, METRES, None))
    assert (column.items, column.y) == ([], scale_bar(200, METRES).y)


AREAS = layer(
    "areas",
    {"code": "asphalt", "net_area_m2": 700.0, "inside": "house"},
    {"code": "setts", "net_area_m2": 28.27, "inside": None},
    {"code": "asphalt", "net_area_m2": 50.25, "inside": None},
    {"code": None, "net_area_m2": None, "inside": None},
)


def test_surfaces_are_added_up_by_code_and_those_that_are_not_shown_are_counted() -> None:
    made = package(AREAS, tables=())
    assert sums_by_code(made, "areas", "net_area_m2") == {
        "asphalt": 750.25,
        "setts": 28.27,
        "": 0.0,
    }
    assert rows(surfaces_block(made, METRES, {}))[:3] == [
        ("Surfaces, on the ground",),
        ("Asphalt apron", "750.2 m²"),
        ("Stone setts", "28.3 m²"),
    ]
    assert rows(surfaces_block(made, METRES, {}))[-1] == ("Without what lies inside them.",)
    short = rows(surfaces_block(made, METRES, {}), 1)
    assert ("and 2 more in quantities.csv",) in short
    # the sums are of the whole site, of those codes that are seen
    seen = package(layer("areas", {"code": "setts", "net_area_m2": 1.0, "inside": None}))
    assert sums_by_code(made, "areas", "net_area_m2", seen) == {"setts": 28.27}
    assert sums_by_code(made, "lines", "length_m") is None
    assert surfaces_block(package(), METRES, {}) is None
    plain = package(layer("areas", {"code": "setts", "net_area_m2": 1.0, "inside": None}))
    assert len(rows(surfaces_block(plain, METRES, {}))) == 2


def test_a_surface_has_the_digits_of_its_interval_and_both_units_where_asked() -> None:
    table = Table(
        "quantities", "", (),
        [
            {"code": "asphalt", "feature": "apron", "net_area_95_m2": 0.001},
            {"code": "asphalt", "feature": None, "net_area_95_m2": 40.0},
        ],
    )  # fmt: skip
    made = package(AREAS, tables=(table,), sheet=Sheet(units="both"))
    told = rows(surfaces_block(made, METRES, {}))
    # 750.25 m2 are 8075.6 square feet, known to 430
    assert told[1:3] == [("Asphalt apron", "750 m²"), ("", "8\u202f100 ft²")]
    assert rows(surfaces_block(made, FEET, {}))[1:3] == [
        ("Asphalt apron", "8\u202f100 ft²"),
        ("", "750 m²"),
    ]


def test_only_buildings_are_hatched_in_the_legend() -> None:
    def shapes(code: str) -> int:
        made = package(layer("areas", {"code": code, "net_area_m2": 9.0, "inside": None}))
        return sum(isinstance(i, Shape) for i in column_of(surfaces_block(made, METRES, {})).items)

    assert shapes("building") == shapes("asphalt") + 1


def pond(depth: float | None, volume: float | None, sure: int = 1) -> dict[str, Any]:
    return {"depth_m": depth, "volume_m3": volume, "is_significant": sure}


@pytest.mark.parametrize(
    ("ponds", "told"),
    [
        (
            [pond(0.06, 0.414)],
            [("stands after rain, 1 place, deepest", "0.06 m"), ("it holds", "0.41 m³")],
        ),
        (
            # as they stand on paper: 0.41 and 0.42 are 0.83, though 0.414 and 0.415 are 0.829
            [pond(0.06, 0.414), pond(0.12, 0.4151), pond(0.5, 9.0, 0)],
            [
                ("stands after rain, 2 places, deepest", "0.12 m"),
                ("together they hold", "0.83 m³"),
                ("may stand after rain, too shallow to tell", "1"),
            ],
        ),
        ([pond(0.004, 0.0)], [("stands after rain, 1 place, deepest", "0.00 m")]),
        ([pond(0.01, 1.0, 0)] * 3, [("may stand after rain, too shallow to tell", "3")]),
    ],
)
def test_ponds_are_counted_by_whether_they_are_sure(
    ponds: list[dict[str, Any]], told: list[tuple[str, ...]]
) -> None:
    assert rows(water_block(package(layer("ponding", *ponds)), METRES))[1:] == told


def arrow(slope: float | None, steadiness: float | None = 1.0) -> dict[str, Any]:
    return {"slope_percent": slope, "steadiness": steadiness}


def test_arrows_paths_and_inlets_have_their_rows() -> None:
    still = package(layer("drainage_arrows", arrow(0.44), arrow(12.3), arrow(None)))
    assert rows(water_block(still, METRES))[1:] == [
        ("runs this way, longer where steeper", "0.4 to 12 %")
    ]
    for steady, count in ((0.94, 2), (0.95, 1), (0.7, 2), (0.69, 1)):
        made = package(layer("drainage_arrows", arrow(1.0), arrow(1.0, steady)))
        assert len(rows(water_block(made, METRES))[1:]) == count, steady
    for count, words in ((1, "1 drawn"), (3, "3 drawn")):
        made = package(layer("flow_paths", *[{"start": "S"}] * count))
        assert rows(water_block(made, METRES))[1:] == [("flow path", words)]
    points = [
        {"feature": "inlet_a", "code": "inlet"},
        {"feature": "inlet_a", "code": "inlet"},
        {"feature": None, "code": "inlet"},
        {"feature": "kerb", "code": "kerb"},
    ]
    # an inlet of two marks is one
    assert rows(water_block(package(layer("points", *points)), METRES))[1:] == [("inlet", "2")]
    assert water_block(package(layer("points", points[3])), METRES) is None
    assert water_block(package(layer("points", *points), codes={}), METRES) is None


def grade(value: float | None, verdict: str, unit: str = "percent", **more: Any) -> dict[str, Any]:
    usual = {"line": "access_walk", "check_of": "running", "value_95": 0.4}
    return {**usual, "value": value, "verdict": verdict, "unit": unit, **more}


def test_the_worst_of_each_grade_is_told_and_what_is_beyond_first() -> None:
    made = package(
        layer(
            "grades",
            grade(4.0, "within"),
            grade(-4.5, "within"),
            grade(9.9, "no limit"),
            grade(None, "beyond"),
            grade(1.2, "within", "m", check_of="width"),
            grade(0.9, "within", "m", check_of="width"),
            grade(2.2, "beyond", check_of="cross"),
            grade(3.0, "undecided", check_of="cross"),
            grade(1.0, "undecided", line="ramp", check_of=None),
        )
    )
    told = rows(grades_block(made, METRES))
    assert told[0] == ("Grades as measured, the worst of each",)
    assert told[1:5] == [
        ("access walk, cross", "2.2 +/- 0.4 %  beyond"),
        ("ramp, grade", "1.0 +/- 0.4 %  undecided"),
        # the steepest, uphill or down; the narrowest
        ("access walk, running", "-4.5 +/- 0.4 %  within"),
        ("access walk, width", "0.9 +/- 0.4 m  within"),
    ]
    first, second = [i for i in column_of(grades_block(made, METRES)).items if isinstance(i, Text)][
        1:3
    ]
    assert {first.weight, second.weight} == {"bold"}  # its value and its name
    assert ("and 3 more in site.gpkg, layer grades",) in rows(grades_block(made, METRES), 1)
    assert grades_block(package(layer("grades", grade(1.0, "no limit"))), METRES) is None
    assert grades_block(package(), METRES) is None


def heights(*levels: float, measured: int = 1) -> Layer:
    return layer("contours", *({"elevation": z, "measured": measured} for z in levels))


def test_the_other_signs_are_told_where_they_stand_on_the_sheet() -> None:
    contours = heights(402.0, 402.5, 403.0, 404.0)
    assert contour_interval(contours) == 0.5
    assert contour_interval(heights(402.0, 402.0)) == 0.0
    assert rows(signs_block(package(contours)))[1:] == [("contour, every 0.5 metres",)]
    far = rows(signs_block(package(heights(1.0, 2.0, measured=0))))
    assert far[1:] == [("contour, every 1 metre",), ("interpolated alone, far from marks",)]
    ends = layer("baseline", {"from_point": "A", "to_point": "B"})
    point = {"point": "A", "code": None}
    alone = layer("points", point, {"point": "B", "code": None}, {"point": "I", "code": "inlet"})
    # nothing but the ends of the baseline and inlets: no other mark to explain
    assert rows(signs_block(package(ends, alone)))[1:] == [("baseline mark",)]
    known = {"point": "S", "code": None, "elevation": 29.6}
    more = layer("points", point, known, {"point": None, "code": "kerb"})
    feet = package_cases.frame(height_unit_name="US survey foot", height_unit_m=1200 / 3937)
    told = rows(signs_block(package(ends, more, frame=feet)))[1:]
    words = [line[-1] for line in told]
    assert words == ["30", "mark with its elevation in US survey feet", "baseline mark"]
    both = package(layer("sections", {"section": "s"}), layer("parcels", {"parcel": "1"}))
    assert rows(signs_block(both))[1:] == [
        ("section, from A to A'",),
        ("line of the parcel map",),
    ]
    assert signs_block(package()) is None
    named = replace(both, codes={"inlet": Code(geometry="point", inlet=True)})
    assert len(rows(signs_block(named))) == 3
