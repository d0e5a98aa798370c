"""Breaklines: edges of the ground that triangles do not cross."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely

from geosite.base.errors import InputError
from geosite.base.grid import Grid
from geosite.terrain.surface.raster_rows import rasterise
from geosite.terrain.surface.tin import Tin, triangulate


def edges_of(tin: Tin) -> set[tuple[int, int]]:
    start, end = tin.triangles.ravel(), np.roll(tin.triangles, -1, axis=1).ravel()
    return {(min(a, b), max(a, b)) for a, b in zip(start.tolist(), end.tolist(), strict=True)}


def covered(tin: Tin, line: np.ndarray) -> bool:
    """Is the line a chain of edges of the triangulation?"""
    there = edges_of(tin)
    assert all(tuple(edge) in there for edge in tin.edges.tolist())
    near = shapely.dwithin(
        shapely.points(tin.points[:, :2]), shapely.linestrings(line[:, :2]), 5e-6
    )
    along = tin.points[tin.edges[near[tin.edges].all(axis=1)], :2]
    got = np.linalg.norm(along[:, 1] - along[:, 0], axis=1).sum()
    # a line may run over itself
    return bool(got >= shapely.length(shapely.union_all(shapely.linestrings(line[:, :2]))) - 1e-5)


def kerb() -> tuple[np.ndarray, list[np.ndarray]]:
    """A road 12 cm below a footway, the kerb's face 2 cm wide; few marks, far apart."""
    along = np.array([0.0, 7.0, 19.0, 30.0])
    top = np.column_stack([along, np.full(4, 10.02), np.full(4, 5.12)])
    bottom = np.column_stack([along + 1.0, np.full(4, 10.0), np.full(4, 5.0)])
    road = np.array([[0, 0, 5.0], [12, 1, 5], [31, 0, 5], [24, 8, 5], [5, 8, 5]])
    footway = np.array([[0, 20, 5.12], [15, 18, 5.12], [31, 20, 5.12], [9, 12, 5.12]])
    return np.vstack([top, bottom, road, footway]), [top, bottom]


def test_a_kerb_keeps_its_step() -> None:
    points, lines = kerb()
    grid = Grid(1, 20, 0.25, 80, 116)
    north = grid.centres()[1]
    z = rasterise(triangulate(points, lines), grid)
    road, footway = z[north < 9.99], z[north > 10.03]
    inside = ~np.isnan(road)
    assert np.abs(road[inside] - 5.0).max() < 1e-12
    assert np.nanmax(np.abs(footway - 5.12)) < 1e-12
    # without the lines the road's marks reach over the kerb and pull the footway down
    loose = rasterise(triangulate(points), grid)
    assert np.nanmax(np.abs(loose[north < 9.99] - 5.0)) > 0.01


def test_lines_that_are_edges_already_change_nothing() -> None:
    points, _ = kerb()
    tin = triangulate(points)
    a, b, _ = tin.triangles[0]
    same = triangulate(points, [points[[a, b]]])
    np.testing.assert_array_equal(same.triangles, tin.triangles)
    assert same.edges.tolist() == [sorted((int(a), int(b)))]


def test_lines_that_cross_get_a_vertex_at_their_mean_height() -> None:
    corners = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0.0]])
    # (1 + 8 t, 2 + 4 t) and (2 + 4 u, 9 - 8 u) meet at t = 0.45 and u = 0.65, 3.8 and 6.2 up
    lines = [np.array([[1, 2, 2.0], [9, 6, 6]]), np.array([[2, 9, 1.0], [6, 1, 9]])]
    tin = triangulate(np.vstack([corners, *lines]), lines)
    assert len(tin.points) == 9
    np.testing.assert_allclose(tin.points[8], [4.6, 3.8, 5.0], atol=1e-12)
    assert tin.crossing_gap == pytest.approx(2.4)
    assert all(covered(tin, line) for line in lines)
    assert len(tin.edges) == 4


def test_three_lines_through_one_place_share_its_vertex() -> None:
    turns = np.arange(3) * np.pi / 3 + 0.1
    ends = 8 * np.column_stack([np.cos(turns), np.sin(turns), np.zeros(3)])
    lines = [np.array([-end, end]) + 0.3 for end in ends]
    corners = np.array([[-9, -9, 0], [9, -9, 0], [9, 9, 0], [-9, 9, 0.0]])
    tin = triangulate(corners, lines)
    assert len(tin.points) == 4 + 6 + 1
    assert len(tin.edges) == 6
    np.testing.assert_allclose(tin.points[10], [0.3, 0.3, 0.3], atol=1e-9)


def test_a_line_is_led_over_the_marks_on_it() -> None:
    points = np.array([[0, 0, 0], [9, 0, 0], [9, 6, 0], [0, 6, 0], [3, 3, 7.0], [6, 4, 0]])
    line = np.array([[0, 3.0, 1], [9, 3, 1]])
    tin = triangulate(points, [line])
    assert covered(tin, line)
    assert {tuple(sorted(edge)) for edge in tin.edges.tolist()} == {(4, 6), (4, 7)}
    # the mark keeps its own height
    assert tin.points[4, 2] == 7.0


@pytest.mark.parametrize("off", [1e-6, -1e-6])
def test_a_line_just_beside_marks_is_bent_to_them_in_order(off: float) -> None:
    points = np.array([[0, 0, 0], [9, 0, 0], [9, 6, 0], [0, 6, 0], [6, 3 + off, 7.0], [2, 3, 5]])
    for ends, order in (((0.5, 8.0), (6, 5, 4, 7)), ((8.0, 0.5), (6, 4, 5, 7))):
        line = np.array([[ends[0], 3.0, 1], [ends[1], 3.0, 1]])
        tin = triangulate(points, [line])
        expected = {tuple(sorted(pair)) for pair in itertools.pairwise(order)}
        assert {tuple(edge) for edge in tin.edges.tolist()} == expected
        assert len(tin.points) == 8
        assert tin.crossing_gap == 0.0


def test_a_line_that_ends_on_another_splits_it() -> None:
    points = np.array([[0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0.0]])
    lines = [np.array([[0, 4, 0], [9, 5, 0.9]]), np.array([[5, 8, 1], [4.5, 4.5, 1.0]])]
    tin = triangulate(points, lines)
    assert len(tin.edges) == 3
    assert all(covered(tin, line) for line in lines)


def test_a_vertex_near_a_mark_by_rounding_is_the_mark() -> None:
    points = np.array([[0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0], [4, 4, 3.0]])
    tin = triangulate(points, [np.array([[4 + 1e-9, 4, 2.5], [9, 9 - 1e-10, 0.1]])])
    np.testing.assert_array_equal(tin.points, points)
    assert tin.edges.tolist() == [[2, 4]]


def test_vertices_that_lines_add_belong_to_the_nearest_point() -> None:
    points = np.array([[0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0], [0, 9, 2.0]])
    tin = triangulate(points, [np.array([[1, 1, 0], [8, 7.0, 0]])])
    assert tin.points[3, 2] == 1.0
    assert tin.origin.tolist() == [0, 1, 2, 3, 3]
    assert tin.owner.tolist() == [0, 1, 2, 3, 0, 2]


def test_lines_reach_beyond_the_points() -> None:
    points = np.array([[0, 0, 0], [9, 0, 0], [5, 5, 0.0]])
    line = np.array([[-3, 2, 1], [12, 3, 1.0]])
    tin = triangulate(points, [line])
    assert covered(tin, line)


@pytest.mark.parametrize("seed", range(12))
def test_lines_hold_and_the_rest_stays_delaunay(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.random((120, 3)) * [100, 100, 5]
    lines = [rng.random((4, 3)) * [100, 100, 5] for _ in range(3)]
    lines += [points[rng.integers(0, 120, 5)] for _ in range(3)]
    tin = triangulate(points, lines)
    assert all(covered(tin, line) for line in lines)
    triangles = shapely.polygons(tin.points[tin.triangles, :2])
    hull = shapely.convex_hull(shapely.multipoints(tin.points[:, :2]))
    assert shapely.area(triangles).sum() == pytest.approx(hull.area, rel=1e-9)
    fixed = {tuple(edge) for edge in tin.edges.tolist()}
    apex: dict[tuple[int, int], list[int]] = {}
    for a, b, c in tin.triangles.tolist():
        for p, q, r in ((a, b, c), (b, c, a), (c, a, b)):
            apex.setdefault((min(p, q), max(p, q)), []).append(r)
    for (p, q), ends in apex.items():
        if len(ends) == 2 and (p, q) not in fixed:
            # opposite angles of a Delaunay edge add up to at most 180 degrees
            total = 0.0
            for end in ends:
                one, two = (tin.points[k, :2] - tin.points[end, :2] for k in (p, q))
                total += np.arctan2(abs(one[0] * two[1] - one[1] * two[0]), one @ two)
            assert total <= np.pi + 1e-6


@pytest.mark.parametrize("turn", [0.0, 0.1, 0.7, 1.3, 2.9])
def test_grids_turned_and_rounded_are_triangulated_all_over(turn: float) -> None:
    # straight rows of marks that rounding has bent by the last digit
    east, north = np.meshgrid(np.arange(14.0), np.arange(9.0))
    flat = np.column_stack([east.ravel(), north.ravel()])
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    place = flat @ spin
    points = np.column_stack([place, 2 + place @ [0.1, 0.2]])
    z = rasterise(triangulate(points), grid := Grid.covering(-20, -20, 20, 20, 0.21))
    hull = shapely.convex_hull(shapely.multipoints(place))
    cells = np.meshgrid(*grid.centres())
    inside = shapely.contains_xy(shapely.buffer(hull, -1e-6), *cells)
    outside = ~shapely.contains_xy(shapely.buffer(hull, 1e-6), *cells)
    assert not np.isnan(z[inside]).any()
    assert np.isnan(z[outside]).all()
    np.testing.assert_allclose(z[inside], (2 + 0.1 * cells[0] + 0.2 * cells[1])[inside], atol=1e-8)


@pytest.mark.parametrize(
    "line", [[[0, 0]], [[0, 0, np.nan], [1, 1, 1]], [[0, 0, 0], [1, np.inf, 1]]]
)
def test_lines_without_numbers_are_refused(line: list[list[float]]) -> None:
    with pytest.raises(InputError, match="breakline 1"):
        triangulate([[0, 0, 1], [5, 0, 1], [0, 5, 1]], [line])
