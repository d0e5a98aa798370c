"""Sizes and places on sheets of comparisons and on tiles, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.analysis.change.model import MarkChange
from geosite.base.errors import OutputRefused
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.drawing.sheet import Rectangle, Shape, Text
from geosite.handover.comparison.change import MARKS, displacements
from geosite.handover.comparison.sheet import enlarged, extent_of, key_length, signed
from geosite.handover.plan.layout import Layout, View, scale_name, usual_scales
from geosite.handover.plan.tiled_sheets import Tile, key_map, match_lines, refuse_dot, tiles
from geosite.handover.wording.measures import Measures


def view(scale: float, centre: tuple[float, float] = (0.0, 0.0)) -> View:
    return View(Frame(), centre, scale, Rectangle(20.0, 30.0, 216.0, 116.0))


def layout(scale: float, lettering: float = 1.0) -> Layout:
    strip = Rectangle(20.0, 10.0, 216.0, 13.0)
    return Layout("A4", 297.0, 210.0, lettering, strip, (strip,), view(scale))


def test_a_comparison_has_room_around_by_its_longer_side() -> None:
    assert extent_of([shapely.box(10, 20, 60, 120)]) == (4.0, 14.0, 66.0, 126.0)
    assert extent_of([shapely.Point(1, 2), shapely.Point(51, 2)]) == (-2.0, -1.0, 54.0, 5.0)


@pytest.mark.parametrize(
    ("longest", "scale", "lettering", "times"),
    [
        # 20 mm of paper at lettering 1; a round number of times
        (0.05, 100.0, 1.0, 20.0),
        (0.02, 100.0, 1.0, 100.0),
        (0.021, 100.0, 1.0, 50.0),
        (0.05, 100.0, 2.5, 100.0),
        (0.05, 200.0, 1.0, 50.0),
        (1.9, 100.0, 1.0, 1.0),
        (50.0, 100.0, 1.0, 1.0),
        (0.0, 100.0, 1.0, 1.0),
    ],
)
def test_vectors_are_drawn_as_large_as_there_is_room(
    longest: float, scale: float, lettering: float, times: float
) -> None:
    assert enlarged([longest / 3, longest], scale, lettering) == times


def test_the_key_of_vectors_is_a_round_length_of_up_to_eight_millimetres() -> None:
    # 10 mm of paper per metre, times 100: 8 mm are 8 mm of ground
    assert key_length(100.0, 100.0, 1.0, 1.0) == pytest.approx((0.005, 5.0))
    assert key_length(100.0, 100.0, 2.5, 1.0) == pytest.approx((0.02, 20.0))
    assert key_length(1.0, 1000.0, 1.0, 1.0) == pytest.approx((5.0, 5.0))


@pytest.mark.parametrize(
    ("value", "half", "unit", "told"),
    [
        (0.0432, 0.004, "m", "+0.043"),
        (-0.0432, 0.0001, "m", "\u22120.043"),
        (-0.0432, 4.0, "m", "0.0"),
        (-1.26, 4.0, "m", "\u22121.3"),
        (0.3048, 0.3048, "ft", "+1.0"),
        (0.3048, 0.0305, "ft", "+1.00"),
    ],
)
def test_small_differences_have_their_sign(value: float, half: float, unit: str, told: str) -> None:
    assert signed(Estimate(value, value - half, value + half), Measures(unit)) == told  # type: ignore[arg-type]


def test_displacements_stand_where_marks_were_in_the_units_of_the_map() -> None:
    def about(value: float) -> Estimate:
        return Estimate.normal(value, 0.01, 2.0)

    mark = MarkChange(
        "A", np.array([3.048, 6.096]), 30.48, about(0.3), about(-0.4), about(0.1), about(0.5),
        0.07, 0.08, 0.001, 0.2, "moved", "stable", (0.1, 0.05, 0.0),
    )  # fmt: skip
    feet = Frame(unit_m=0.3048, height_unit_m=0.3048, origin=(1000.0, 2000.0))
    change = type("Only", (), {"marks": (mark,)})()
    made = displacements(change, feet)
    assert shapely.get_coordinates(made.geometries[0], include_z=True).tolist() == [
        pytest.approx([1010.0, 2020.0, 100.0])
    ]
    (record,) = made.records
    assert (record["east_m"], record["north_m"], record["up_m"]) == (0.3, -0.4, 0.1)
    assert (record["horizontal_m"], record["horizontal_95_m"]) == pytest.approx((0.5, 0.02))
    assert (record["verdict_plan"], record["verdict_height"]) == ("moved", "stable")
    assert (record["probability_plan"], record["probability_height"]) == (0.001, 0.2)
    assert (record["detectable_plan_m"], record["detectable_height_m"]) == (0.07, 0.08)
    assert [one.name for one in MARKS.fields] == [one.name for one in made.fields]


def test_a_place_on_paper_is_where_the_map_has_it() -> None:
    frame = Frame(unit_m=0.5, combined_factor=0.8)
    seen = View(frame, (100.0, 50.0), 250.0, Rectangle(20.0, 30.0, 200.0, 100.0))
    # half a metre of the map is 0.625 m on the ground, 2.5 mm on paper
    assert seen.mm_per_unit == pytest.approx(2.5)
    assert seen.on_paper([[100.0, 50.0], [104.0, 52.0]]) == pytest.approx(
        np.array([[120.0, 80.0], [130.0, 75.0]])
    )
    assert seen.local_on_paper([52.0, 26.0]).tolist() == pytest.approx([130.0, 75.0])
    assert seen.length(8.0) == pytest.approx(40.0)
    assert layout(100.0).way == "landscape"


def test_scales_go_on_without_end() -> None:
    metric, feet = usual_scales("m"), usual_scales("ft")
    assert [next(metric) for _ in range(18)][11:] == [
        5000, 10_000, 20_000, 25_000, 50_000, 100_000, 200_000,
    ]  # fmt: skip
    assert [next(feet) for _ in range(19)][13:] == [6000, 12_000, 24_000, 60_000, 120_000, 240_000]
    assert scale_name(250.0, "ft") == "1:250"
    assert scale_name(240.0, "m") == "1:240"


def test_tiles_overlap_by_eight_millimetres_at_each_edge() -> None:
    # 200 mm by 100 mm between the match lines: at 1:100 20 m by 10 m
    shapes = np.array([shapely.box(0, 0, 40, 20)])
    found = tiles(layout(1000.0), 100.0, shapes)
    assert [tile.layout.view.centre for tile in found] == [
        (10.0, 15.0), (30.0, 15.0), (10.0, 5.0), (30.0, 5.0),
    ]  # fmt: skip
    assert [dict(tile.beside) for tile in found] == [
        {"right": 3, "below": 4},
        {"left": 2, "below": 5},
        {"right": 5, "above": 2},
        {"left": 4, "above": 3},
    ]
    # a little more needs another column, and all stay in the middle
    more = tiles(layout(1000.0), 100.0, np.array([shapely.box(0, 0, 40.1, 20)]))
    assert sorted({tile.layout.view.centre[0] for tile in more}) == pytest.approx(
        [0.05, 20.05, 40.05]
    )
    one = tiles(layout(1000.0), 100.0, np.array([shapely.Point(3, 4)]))
    assert [(tile.number, tile.layout.view.centre) for tile in one] == [(2, (3.0, 4.0))]


def test_match_lines_stand_eight_millimetres_inside_with_the_number_of_the_neighbour() -> None:
    tile = Tile(2, layout(100.0, 1.5), {"right": 3, "below": 4, "left": 5, "above": 6})
    items = match_lines(tile).items
    lines = [i.outlines[0].pieces[0].tolist() for i in items if isinstance(i, Shape)]  # type: ignore[union-attr]
    assert lines == [
        [[228.0, 30.0], [228.0, 146.0]],
        [[20.0, 138.0], [236.0, 138.0]],
        [[28.0, 30.0], [28.0, 146.0]],
        [[20.0, 38.0], [236.0, 38.0]],
    ]
    words = [i for i in items if isinstance(i, Text)]
    assert [(w.text, w.x, w.y, w.angle) for w in words] == [
        ("match line, sheet 3", pytest.approx(226.8), 88.0, 90.0),
        ("match line, sheet 4", 128.0, pytest.approx(136.8), 0.0),
        ("match line, sheet 5", pytest.approx(26.8), 88.0, 90.0),
        ("match line, sheet 6", 128.0, pytest.approx(36.8), 0.0),
    ]
    assert [w.size for w in words] == pytest.approx([3.6] * 4)


def test_the_key_map_shows_each_sheet_between_its_match_lines() -> None:
    whole = layout(1000.0)
    tile = Tile(7, Layout("A4", 297, 210, 1, whole.header, (), view(100.0, (10.0, -5.0))), {})
    outline, plate, number = key_map(whole, (tile,)).items
    assert isinstance(outline, Shape)
    assert isinstance(plate, Shape)
    assert isinstance(number, Text)
    corners = np.asarray(outline.outlines[0].pieces[0])
    # 20 m by 10 m about (10, -5), at 1:1000 about the middle of the window
    assert corners.min(axis=0) == pytest.approx([128.0, 88.0])
    assert corners.max(axis=0) == pytest.approx([148.0, 98.0])
    box = np.asarray(plate.outlines[0].pieces[0])
    assert box.min(axis=0) == pytest.approx([129.0, 89.0])
    assert box.max(axis=0) == pytest.approx([136.5, 95.25])
    assert (number.text, number.x, number.y) == ("7", pytest.approx(132.75), pytest.approx(94.0))


def test_a_site_is_a_dot_from_a_hundredth_on() -> None:
    refuse_dot(layout(250.0), 25_000.0)
    with pytest.raises(OutputRefused, match=r"at most 1:25000; on one sheet it fits from 1:250 on"):
        refuse_dot(layout(250.0), 25_001.0)
