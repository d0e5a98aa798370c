"""The parts of the thin-plate spline: equations, patches that cover, how much is smoothed."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.terrain.surface.spline import (
    blending_weight,
    interpolate_thin_plate,
    on_a_line,
    overlapping_patches,
    scaled_positions,
    smoothing_diagonal,
    spline_equations,
)


def test_positions_in_units_of_the_longer_extent_from_the_middle() -> None:
    points = np.array([[100.0, 50.0, 1.0], [108.0, 54.0, 2.0], [102.0, 52.0, 3.0]])
    position, middle, size = scaled_positions(points)
    assert (middle.tolist(), size) == ([104.0, 52.0], 8.0)
    assert position.tolist() == [[-0.5, -0.25], [0.5, 0.25], [-0.25, 0.0]]


def test_equations_hold_kernel_plane_and_diagonal() -> None:
    # Duchon (1977): r^2 log r between marks, bordered by the planes
    place = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0], [3.0, 4.0]])
    got = spline_equations(place, np.array([0.1, 0.2, 0.3, 0.4]))
    expected = np.zeros((7, 7))
    for i in range(4):
        for j in range(4):
            r = float(np.hypot(*(place[i] - place[j])))
            expected[i, j] = r**2 * np.log(r) if i != j else 0.1 * (i + 1)
        expected[i, 4:] = expected[4:, i] = [1.0, *place[i]]
    np.testing.assert_allclose(got, expected, atol=1e-14)
    stacked = spline_equations(np.stack([place, place + 1.0]), np.zeros((2, 4)))
    np.testing.assert_allclose(stacked[1, :4, :4], spline_equations(place, np.zeros(4))[:4, :4])


def test_a_patch_counts_fully_in_its_middle_and_not_at_its_ends() -> None:
    at = np.array([2.0, 3.0, 4.0, 5.0, 6.0])
    # (1 - t^2)^2
    assert blending_weight(at, 2.0, 6.0).tolist() == [0.0, 0.5625, 1.0, 0.5625, 0.0]
    assert blending_weight(at, -np.inf, np.inf).tolist() == [1.0] * 5


@pytest.mark.parametrize(("width", "is_line"), [(0.0, True), (4e-4, True), (0.01, False)])
@pytest.mark.parametrize("off", [0.0, 0.4])
def test_a_strip_a_thousandth_as_wide_as_long_is_a_line(
    width: float, is_line: bool, off: float
) -> None:
    along = np.linspace(-0.5, 0.5, 41)
    across = off + width * np.resize([-0.5, 0.5], 41)
    assert on_a_line(np.column_stack([along, across])) is is_line
    assert on_a_line(np.column_stack([across, along])) is is_line


def dense_in_a_corner(count: int) -> np.ndarray:
    """Positions from -0.5 to 0.5, most of them in one corner."""
    rng = np.random.default_rng(3)
    place = rng.random((count, 2)) ** 2 - 0.5
    place[:2] = [[-0.5, -0.5], [0.5, 0.5]]
    return place


def test_up_to_five_hundred_marks_one_spline_serves_all() -> None:
    ((box, marks),) = overlapping_patches(dense_in_a_corner(500))
    assert box == (-np.inf, -np.inf, np.inf, np.inf)
    assert marks.tolist() == list(range(500))


@pytest.mark.parametrize("count", [501, 2000])
def test_patches_tile_the_site_and_go_by_what_is_in_them(count: int) -> None:
    place = dense_in_a_corner(count)
    covered, sizes = 0.0, set()
    for (west, south, east, north), marks in overlapping_patches(place):
        low, high = np.array([west, south]), np.array([east, north])
        middle, wide = (low + high) / 2, east - west
        assert north - south == pytest.approx(wide)
        # without the quarter that it overlaps its neighbours by on each side
        own = wide / 1.5
        sizes.add(round(own, 6))
        covered += own**2
        assert (np.abs(middle) + own / 2 <= 0.5 + 1e-6).all()
        inside = np.flatnonzero(((place > low) & (place < high)).all(axis=1))
        if len(inside) >= 60:
            assert len(inside) <= 120
            assert sorted(marks) == inside.tolist()
        else:
            distance = np.hypot(*(place - middle).T)
            assert sorted(marks) == sorted(np.argsort(distance)[:60])
    # squares that lie inside and have the area of the whole do not overlap
    assert covered == pytest.approx(1.0, abs=1e-6)
    assert len(sizes) >= 2


def test_a_patch_of_one_streamed_edge_takes_more_marks_until_they_span_an_area() -> None:
    edge = np.column_stack([np.linspace(-0.5, 0.5, 590), np.full(590, -0.5)])
    place = np.vstack([edge, [[-0.5, 0.5], [0.5, 0.5], [0.0, 0.3]]])
    for _, marks in overlapping_patches(place):
        assert not on_a_line(place[marks])
    # where all hardly do, all are taken
    thin = np.column_stack([np.linspace(-0.5, 0.5, 600), np.resize([0.0, 1e-5], 600)])
    assert all(len(marks) == 600 for _, marks in overlapping_patches(thin))


def test_marks_known_a_thousand_times_better_are_smoothed_that_much_less() -> None:
    rng = np.random.default_rng(5)
    points = rng.random((30, 3)) * [20, 10, 1]
    noise = np.full(30, 0.02)
    noise[:3] = [0.0, 2e-5, 0.01]
    diagonal = smoothing_diagonal(points, noise)
    assert (diagonal > 0).all()
    # nothing is taken for more than a thousand times better than the poorest
    np.testing.assert_allclose(diagonal[:3] / diagonal[3], [1e-6, 1e-6, 0.25], rtol=1e-9)


def test_four_marks_say_nothing_about_how_rough_the_ground_is() -> None:
    points = np.array([[0, 0, 1], [4, 0, 2], [0, 4, 2], [4, 4, 2.0], [1, 2, 0.0]])
    assert smoothing_diagonal(points[:4], np.full(4, 0.1)).tolist() == [0.0] * 4
    assert (smoothing_diagonal(points, np.full(5, 0.1)) > 0).all()


@pytest.mark.slow
@pytest.mark.parametrize("count", [40, 155])
def test_marks_that_noise_alone_explains_make_a_plane(count: int) -> None:
    # twice in each of many places, as much above the plane as below: no ground is that rough
    rng = np.random.default_rng(2)
    place = rng.random((count, 2)) * [40, 30]
    level = 3.0 + place @ [0.05, -0.02]
    points = np.vstack([np.column_stack([place, level + 0.02])] * 2)
    points[count:, 2] -= 0.04
    points[count:, 0] += 1e-3
    diagonal = smoothing_diagonal(points, np.full(2 * count, 0.02))
    grid = Grid(5.0, 25.0, 2.0, 10, 15)
    z = interpolate_thin_plate(points, grid, np.ones(grid.shape, bool), np.full(2 * count, 0.02))
    east, north = np.meshgrid(*grid.centres())
    assert np.abs(z - (3.0 + 0.05 * east - 0.02 * north)).max() < 1e-4
    assert diagonal.min() > 1e3


def test_only_the_cells_asked_for_are_made() -> None:
    place = dense_in_a_corner(700) * 40.0 + 20.0
    points = np.column_stack([place, 1.0 + place @ [0.3, 0.1]])
    grid = Grid(0.0, 40.0, 4.0, 10, 10)
    inside = np.zeros(grid.shape, bool)
    inside[2:4, 5], inside[9, 0] = True, True
    z = interpolate_thin_plate(points, grid, inside)
    east, north = np.meshgrid(*grid.centres())
    assert np.isnan(z[~inside]).all()
    np.testing.assert_allclose(z[inside], (1.0 + 0.3 * east + 0.1 * north)[inside], atol=1e-9)
