"""Signs, hatches and places for labels on paper, worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from geosite.base.map_frame import Frame
from geosite.drawing.sheet import Arc, Rectangle
from geosite.handover.plan.canvas import grid_step, interior, length_of, signed_area, thin
from geosite.handover.plan.layout import View
from geosite.handover.plan.symbols import (
    arrow_symbol,
    baseline_symbol,
    end_ticks,
    hatch,
    hatch_each,
    head,
    inlet_symbol,
    mark_symbol,
    rounded,
    significant,
)


def view(scale: float = 200.0) -> View:
    return View(Frame(), (0.0, 0.0), scale, Rectangle(10.0, 20.0, 100.0, 50.0))


@pytest.mark.parametrize(
    ("azimuth", "tip", "right"),
    [
        (0.0, (10.0, 8.0), (1.0, 0.0)),
        (90.0, (12.0, 10.0), (0.0, 1.0)),
        (180.0, (10.0, 12.0), (-1.0, 0.0)),
        (270.0, (8.0, 10.0), (0.0, -1.0)),
    ],
)
def test_a_dart_points_by_the_compass(
    azimuth: float, tip: tuple[float, float], right: tuple[float, float]
) -> None:
    dart = arrow_symbol(10.0, 10.0, azimuth, 4.0)
    assert dart.shape == (6, 2)
    assert dart[0] == pytest.approx(tip)
    assert dart[0] + dart[3] == pytest.approx([20.0, 20.0])
    # its barbs lie aside, a fifth of its length, the second corner on the right
    assert np.array(right) @ (dart[1] - [10.0, 10.0]) == pytest.approx(0.8)
    assert np.array(right) @ (dart[5] - [10.0, 10.0]) == pytest.approx(-0.8)


def test_an_arrow_head_ends_the_line() -> None:
    made = head(np.array([[9.0, 9.0], [0.0, 0.0], [3.0, 4.0]]), 2.0)
    assert made is not None
    assert made.closed
    (corners,) = made.pieces
    assert np.asarray(corners) == pytest.approx(
        np.array([[3.0, 4.0], [1.224, 2.832], [2.376, 1.968]])
    )
    assert head(np.array([[1.0, 1.0], [1.0, 1.0]]), 2.0) is None


def test_ticks_stand_across_the_ends() -> None:
    first, last = end_ticks(np.array([[0.0, 0.0], [0.0, 4.0], [3.0, 8.0]]), 2.0)
    assert first.tolist() == [[2.0, 0.0], [-2.0, 0.0]]
    assert last == pytest.approx(np.array([[1.4, 9.2], [4.6, 6.8]]))
    assert end_ticks(np.array([[1.0, 1.0], [1.0, 1.0]]), 2.0) == []


def test_signs_of_marks_have_their_sizes() -> None:
    (ring,) = mark_symbol(1.0, 2.0, 1.5).pieces
    assert isinstance(ring, Arc)
    assert (ring.centre, ring.radius, ring.sweep) == ((1.0, 2.0), 0.75, 2 * math.pi)
    circle, bars = inlet_symbol(1.0, 2.0, 2.0)
    (ring,) = circle.outlines[0].pieces
    assert isinstance(ring, Arc)
    assert ring.radius == 2.6
    lines = [np.asarray(one.pieces[0]) for one in bars.outlines]
    assert [line[0, 0] for line in lines] == pytest.approx([1 - 1.17, 1.0, 1 + 1.17])
    # each bar ends on the ring
    for line in lines:
        assert np.hypot(*(line - [1.0, 2.0]).T) == pytest.approx([2.6, 2.6])
        assert line[0, 1] < 2.0 < line[1, 1]
    _, quarters, _ = baseline_symbol(1.0, 2.0, 0.5)
    arcs = [one.pieces[1] for one in quarters.outlines]
    assert [(a.start, a.sweep, a.radius) for a in arcs if isinstance(a, Arc)] == [
        (0.0, math.pi / 2, 0.7), (math.pi, math.pi / 2, 0.7),
    ]  # fmt: skip
    assert all(one.closed for one in quarters.outlines)


def test_a_pond_that_does_not_say_so_counts_as_deep() -> None:
    assert [significant({"is_significant": v}) for v in (0, 1, None)] == [False, True, True]


def test_hatches_are_counted_from_the_corner_of_the_sheet() -> None:
    (slanting,) = hatch(shapely.box(0.0, 0.0, 1.0, 1.0), 1.0, 45.0)
    # up to the right, y being down: through the corner of the sheet it would miss the box
    line = np.asarray(slanting.pieces[0])
    assert line[:, 0] + line[:, 1] == pytest.approx([math.sqrt(2)] * 2)
    upright = hatch(shapely.box(0.5, 0.0, 3.5, 2.0), 1.0, 90.0)
    assert sorted(float(np.asarray(one.pieces[0])[0, 0]) for one in upright) == pytest.approx(
        [1.0, 2.0, 3.0]
    )
    hole = shapely.box(0, 0.5, 6, 1.5) - shapely.box(2, 0, 3, 2)
    pieces = [np.asarray(one.pieces[0])[:, 0].tolist() for one in hatch(hole, 1.0, 0.0)]
    assert sorted(map(sorted, pieces)) == [[0.0, 2.0], [3.0, 6.0]]
    both = hatch_each([shapely.Polygon(), shapely.box(0, 0.5, 1, 2.5)], 1.0, 0.0)
    assert [len(one) for one in both] == [0, 2]
    assert hatch_each([], 1.0, 0.0) == []
    assert hatch(shapely.box(0, 0.1, 1, 0.9), 1.0, 0.0) == []


def test_a_hatch_of_more_than_two_thousand_lines_is_none() -> None:
    assert len(hatch(shapely.box(0, 0.5, 1, 2000.5), 1.0, 0.0)) == 2000
    assert hatch(shapely.box(0, 0.5, 1, 2001.5), 1.0, 0.0) == []


def test_a_large_square_keeps_its_sides_and_loses_its_corners_alone() -> None:
    square = np.array([[0, 0], [12, 0], [12, 12], [0, 12], [0, 0]], float)
    smooth = rounded(square, 1.0)
    assert (smooth[0] == smooth[-1]).all()
    shape = shapely.Polygon(smooth)
    assert shape.is_valid
    # a parabola between the middles of two sides of three cells leaves a third of their triangle
    assert shape.area == pytest.approx(144.0 - 4 * 1.5**2 / 2 / 3, abs=0.03)
    assert shape.covers(shapely.Polygon([(1.5, 0.01), (11.99, 1.5), (10.5, 11.99), (0.01, 10.5)]))
    assert rounded(square, 0.0) is square
    assert rounded(square[[0, 1, 0]], 1.0).tolist() == square[[0, 1, 0]].tolist()


@pytest.mark.parametrize(
    ("scale", "lettering", "step"),
    [(200.0, 1.0, 10.0), (222.0, 1.0, 10.0), (223.0, 1.0, 20.0), (200.0, 2.3, 50.0),
     (1000.0, 1.0, 50.0), (2000.0, 1.0, 100.0), (20.0, 1.0, 1.0)],
)  # fmt: skip
def test_ticks_are_at_least_45_millimetres_apart(
    scale: float, lettering: float, step: float
) -> None:
    assert grid_step(view(scale), lettering) == pytest.approx(step)


def test_one_place_of_each_square_is_kept_and_none_outside() -> None:
    places = np.array(
        [[10, 20], [19, 29], [20.5, 20], [110, 70], [110.1, 70], [9.9, 20], [60, 70.1], [60, 19.9],
         [10, 30.5], [15, 35]], float,
    )  # fmt: skip
    assert thin(places, 10.0, view()) == [0, 2, 3, 8]
    assert thin(np.zeros((0, 2)), 10.0, view()) == []


def test_labels_stand_where_there_is_most_room() -> None:
    found = interior(shapely.box(20, 30, 50, 60), view(), 1.0, count=9)
    assert found.shape == (9, 3)
    assert found[0].tolist() == [35.0, 45.0, 0.0]
    # cut by the window, whose lower edge is at 70
    below = interior(shapely.box(20, 60, 40, 100), view(), 1.0, count=8)
    assert below[:, 1].max() < 70
    assert len(below) == 8
    assert interior(shapely.box(0, 0, 9, 19), view(), 1.0).shape == (0, 3)
    assert interior(shapely.Polygon(), view(), 1.0).shape == (0, 3)
    # a sliver that no place of the raster meets has one of its own
    thin_one = shapely.Polygon([(20, 30), (60, 60), (60, 60.05)])
    (only,) = interior(thin_one, view(), 1.0, count=4)
    assert thin_one.covers(shapely.Point(only[:2]))


def test_lengths_and_areas() -> None:
    assert length_of(np.array([[1.0, 1.0], [4.0, 5.0], [4.0, 7.0]])) == 7.0
    ring = np.array([[1.0, 1.0], [5.0, 1.0], [5.0, 4.0], [1.0, 4.0], [1.0, 1.0]])
    assert (signed_area(ring), signed_area(ring[::-1])) == (24.0, -24.0)
