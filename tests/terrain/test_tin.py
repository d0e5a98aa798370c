"""Delaunay triangles and their planes on a grid."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.interpolate import LinearNDInterpolator

from geosite.base.errors import InputError
from geosite.base.grid import Grid
from geosite.terrain.surface.raster_rows import locate_cells, rasterise
from geosite.terrain.surface.tin import triangulate


def scattered(n: int, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.random((n, 2)) * [100, 80], rng.normal(50, 3, n)])


def by_scipy(points: np.ndarray, grid: Grid) -> np.ndarray:
    east, north = np.meshgrid(*grid.centres())
    return LinearNDInterpolator(points[:, :2], points[:, 2])(east, north)


@pytest.mark.slow
@pytest.mark.parametrize("n", [3, 4, 20, 1000])
@pytest.mark.parametrize("cell_size", [0.37, 2.0, 30.0])
def test_equals_a_general_purpose_interpolator_inside_the_hull(n: int, cell_size: float) -> None:
    points = scattered(n, seed=n)
    grid = Grid.covering(-5, -5, 105, 90, cell_size)
    ours, theirs = rasterise(triangulate(points), grid), by_scipy(points, grid)
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9, equal_nan=True)


def test_map_coordinates_cost_no_precision() -> None:
    points = scattered(300)
    moved = points + np.array([3_500_000, 5_800_000, 0])
    here = rasterise(triangulate(points), Grid(0, 80, 0.5, 160, 200))
    there = rasterise(triangulate(moved), Grid(3_500_000, 5_800_080, 0.5, 160, 200))
    np.testing.assert_allclose(here, there, rtol=0, atol=1e-7, equal_nan=True)


def test_a_plane_is_exact_and_nothing_is_made_up_outside_the_hull() -> None:
    points = scattered(500)
    points[:, 2] = 10 + 0.3 * points[:, 0] - 0.2 * points[:, 1]
    grid = Grid(-10, 100, 0.5, 240, 260)
    z = rasterise(triangulate(points), grid)
    east, north = np.meshgrid(*grid.centres())
    inside = shapely.contains_xy(shapely.multipoints(points[:, :2]).convex_hull, east, north)
    np.testing.assert_array_equal(~np.isnan(z), inside)
    np.testing.assert_allclose(z[inside], (10 + 0.3 * east - 0.2 * north)[inside], atol=1e-10)


@pytest.mark.parametrize("offset", [(0.0, 0.0), (412_300.1, 5_300_700.3)])
@pytest.mark.parametrize("size", [0.1, 0.25, 1.0])
def test_centres_on_the_hull_are_inside(offset: tuple[float, float], size: float) -> None:
    # corners of the square on cell centres: 11 x 11 centres lie in it, 40 of them on its edges
    west, north = offset
    corner = np.array([(0.5, -0.5), (10.5, -0.5), (10.5, -10.5), (0.5, -10.5)]) * size + offset
    points = np.column_stack([corner, [1.0, 2.0, 3.0, 2.0]])
    z = rasterise(triangulate(points), Grid(west - size, north + size, size, 13, 13))
    expected = np.full((13, 13), np.nan)
    rows, cols = np.mgrid[0:11, 0:11]
    expected[1:12, 1:12] = 1 + (rows + cols) / 10
    np.testing.assert_allclose(z, expected, atol=1e-6, equal_nan=True)


@pytest.mark.parametrize("rise", [(1, 3), (3, 1), (-7, 2), (2, -9), (-1, -5)])
def test_centres_on_a_slanting_hull_edge_are_inside(rise: tuple[int, int]) -> None:
    east, north = rise
    start = np.array([1000.5, 1000.5])
    stop = start + np.array([east, north]) * 17
    points = np.vstack([start, stop, (start + stop) / 2 + np.array([north, -east]) * 4.0])
    grid = Grid(700, 1300, 1.0, 600, 600)
    z = rasterise(triangulate(np.column_stack([points, [0.0, 17.0, 5.0]])), grid)
    for k in range(18):
        e, n = start + np.array([east, north]) * k
        assert z[int(1300 - n), int(e - 700)] == pytest.approx(k, abs=1e-9)


def test_needles_on_the_hull_stay_between_their_corners() -> None:
    # a straight border with rounding in it: triangles a billionth wide and heights that jump
    rng = np.random.default_rng(5)
    along = np.sort(rng.random(200)) * 100
    border = np.column_stack([along, along / 3 + rng.normal(0, 1e-12, 200), rng.random(200) * 9])
    inner = np.column_stack([rng.random((50, 2)) * [60, 20] + [20, -30], rng.random(50) * 9])
    z = rasterise(triangulate(np.vstack([border, inner])), Grid(0, 40, 0.25, 320, 400))
    assert np.nanmin(z) >= 0
    assert np.nanmax(z) <= 9


def test_coincident_positions_count_with_their_mean() -> None:
    points = np.array([[0, 0, 1], [4, 0, 1], [0, 4, 1], [4, 4, 1], [2, 2, 3], [2, 2, 5.0]])
    z = rasterise(triangulate(points), Grid(-0.5, 4.5, 1.0, 5, 5))
    assert z[2, 2] == pytest.approx(4, abs=1e-12)
    tin = triangulate(points)
    assert len(tin.points) == 5
    assert tin.origin[4] == tin.origin[5]
    np.testing.assert_array_equal(tin.points[tin.origin[:4]], points[:4])


@pytest.mark.parametrize(("along", "line"), [([0.0, 0.25, 0.75], []), ([0.0, 0.0, 3.0], [0, -1])])
@pytest.mark.parametrize("turn", [1.0, 2.0])
def test_marks_that_rounding_parts_from_a_line_make_no_empty_net(
    along: list[float], line: list[float], turn: float
) -> None:
    way = np.array([np.sin(turn), np.cos(turn), 0.0])
    tin = triangulate(np.outer(along, way), [np.outer(line, way)] if line else [])
    assert len(tin.triangles) == 1
    assert set(tin.edges.ravel().tolist()) <= set(tin.triangles.ravel().tolist())


def test_triangles_are_counter_clockwise_and_tile_the_hull() -> None:
    points = scattered(2000)
    tin = triangulate(points)
    a, b, c = (tin.points[tin.triangles[:, k], :2] for k in range(3))
    area = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert (area > 0).all()
    hull = shapely.multipoints(points[:, :2]).convex_hull
    assert area.sum() == pytest.approx(hull.area, rel=1e-12)


def test_located_triangles_hold_the_centres() -> None:
    tin = triangulate(scattered(400))
    grid = Grid(0, 80, 1.0, 80, 100)
    found = locate_cells(tin, grid)
    z = rasterise(triangulate(tin.points), grid)
    np.testing.assert_array_equal(found >= 0, ~np.isnan(z))
    east, north = np.meshgrid(*grid.centres())
    inside = found >= 0
    polygons = shapely.polygons(tin.points[tin.triangles[found[inside]], :2])
    away = shapely.distance(polygons, shapely.points(east[inside], north[inside]))
    assert away.max() < 1e-12


def test_the_order_of_the_points_does_not_matter() -> None:
    points = scattered(300)
    grid = Grid(0, 80, 0.5, 160, 200)
    shuffled = points[np.random.default_rng(3).permutation(300)]
    first, second = rasterise(triangulate(points), grid), rasterise(triangulate(shuffled), grid)
    np.testing.assert_allclose(first, second, rtol=0, atol=1e-11, equal_nan=True)


@pytest.mark.parametrize(
    "points",
    [
        np.empty((0, 3)),
        [[0, 0, 1.0]],
        [[0, 0, 1.0], [1, 1, 2]],
        [[0, 0, 1.0], [1, 1, 2], [2, 2, 3], [5, 5, 3]],
        [[1, 1, 1.0]] * 9,
        [[0, 0, 1.0], [1, 1, 2], [0, 1, np.nan]],
        [[0, 0, 1.0], [1, np.inf, 2], [0, 1, 3]],
        [[0, 0], [1, 0], [1, 1]],
    ],
)
def test_points_that_carry_no_surface_are_refused(points: object) -> None:
    with pytest.raises(InputError):
        rasterise(triangulate(points), Grid(0, 1, 1.0, 1, 1))  # type: ignore[arg-type]
