"""The parts of the triangles: who is where, whose share, which cells; each against a plain loop."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.terrain.surface.breakline import Mesh
from geosite.terrain.surface.half_edges import opposite_half_edges
from geosite.terrain.surface.raster_rows import batches, expand_runs
from geosite.terrain.surface.tin import (
    Tin,
    barycentric,
    border_points,
    distinct_positions,
    drop_border_needles,
    interpolate_linear,
    is_border_vertex,
    lattice_step,
    locate_points,
    longest_extent,
    on_lattice,
    triangulate,
    twice_area,
)


def scattered(n: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).random((n, 3)) * [100.0, 80.0, 10.0] + [1000.0, 2000.0, 5.0]


@pytest.mark.parametrize("limit", [1, 3, 10, 1000])
def test_batches_cut_in_order_without_a_gap(limit: int) -> None:
    size = np.random.default_rng(limit).integers(1, 5, 30)
    cuts = list(batches(size, limit))
    assert np.concatenate([np.arange(30)[cut] for cut in cuts]).tolist() == list(range(30))
    # each is as near to the limit as whole items allow
    assert all(size[cut].sum() < limit + 5 for cut in cuts)
    assert len(cuts) <= np.ceil(size.sum() / limit)
    assert list(batches(np.empty(0, np.int64), limit)) == []


def test_runs_are_expanded_to_every_cell_once() -> None:
    rng = np.random.default_rng(4)
    # long ones first, in any order among themselves
    count = np.concatenate([rng.integers(17, 60, 9), np.sort(rng.integers(1, 17, 40))[::-1]])
    got = []
    for run, step in expand_runs(count):
        which = np.arange(run.stop) if isinstance(run, slice) else run
        got += list(zip(which.tolist(), np.broadcast_to(step, which.shape).tolist(), strict=True))
    assert sorted(got) == [(run, step) for run in range(49) for step in range(count[run])]
    few = list(expand_runs(np.array([2, 1, 1])))
    assert few == [(slice(3), 0), (slice(1), 1)]


def test_places_told_twice_are_one_with_their_mean_where_first_told() -> None:
    points = np.array([[5.0, 1, 1], [2, 2, 2], [5, 1, 4], [-0.0, 0, 7], [0.0, -0.0, 8], [5, 1, 7]])
    distinct, origin = distinct_positions(points)
    assert distinct.tolist() == [[5, 1, 4], [2, 2, 2], [0, 0, 7.5]]
    assert origin.tolist() == [0, 1, 0, 2, 2, 0]
    same, own = distinct_positions(points[:2])
    assert same.tolist() == points[:2].tolist()
    assert own.tolist() == [0, 1]


@pytest.mark.parametrize(("extent", "away"), [(100.0, 0.0), (100.0, 6e6), (0.0, 0.0), (3.0, 2.0)])
def test_a_lattice_is_a_power_of_two_far_below_a_survey(extent: float, away: float) -> None:
    points = np.array([[away, away, 0.1], [away + extent, away + extent / 2, 0.7]])
    step = lattice_step(points)
    # products of differences of its steps need twice 32 bits at most, places 50
    need = max(extent * 2.0**-32, (away + extent) * 2.0**-50, 1e-300)
    assert need <= step < 2.0 * need
    assert np.frexp(step)[0] == 0.5
    moved = on_lattice(points, step)
    assert np.abs(moved - points)[:, :2].max() <= step / 2
    assert (moved[:, :2] / step == np.round(moved[:, :2] / step)).all()
    assert moved[:, 2].tolist() == [0.1, 0.7]
    assert lattice_step(np.empty((0, 3))) == 1.0


@pytest.mark.parametrize("seed", range(4))
def test_half_edges_beside_each_other_and_the_border(seed: int) -> None:
    tin = triangulate(scattered(30, seed))
    edge = {}
    for half, start in enumerate(tin.triangles.ravel().tolist()):
        end = int(tin.triangles[half // 3, (half + 1) % 3])
        edge[start, end] = half
    other = opposite_half_edges(tin.triangles)
    assert other.tolist() == [edge.get((end, start), -1) for start, end in edge]
    rim = {vertex for start, end in edge if (end, start) not in edge for vertex in (start, end)}
    on_rim = np.isin(np.arange(30), list(rim))
    assert is_border_vertex(tin.triangles, 30).tolist() == on_rim.tolist()
    assert border_points(tin).tolist() == on_rim.tolist()
    # what no triangle uses is outside as well
    loose = Tin(np.vstack([tin.points, [1050.0, 2040.0, 0.0]]), tin.triangles, *[tin.origin] * 3)
    assert border_points(loose).tolist() == [*on_rim.tolist(), True]


def test_shares_are_areas_and_sums_of_them_the_plane() -> None:
    tin = triangulate(scattered(20, 1))
    rng = np.random.default_rng(2)
    face = rng.integers(0, len(tin.triangles), 50)
    weight = rng.dirichlet([1.0, 1.0, 1.0], 50)
    weight[:3] = np.eye(3)
    weight[3] = [0.5, 0.5, 0.0]
    corners = tin.points[tin.triangles[face]]
    places = (weight[:, :, None] * corners[:, :, :2]).sum(axis=1)
    np.testing.assert_allclose(barycentric(tin, face, places), weight, atol=1e-9)
    expected = (weight * corners[:, :, 2]).sum(axis=1)
    np.testing.assert_allclose(interpolate_linear(tin, face, places), expected, atol=1e-8)
    # a place beside its triangle by rounding counts as on its edge
    beside = corners[0, 0, :2] + (corners[0, 0, :2] - corners[0, 1, :2]) * 1e-3
    got = barycentric(tin, face[:1], beside[None])
    assert (got >= 0).all()
    assert got.sum() == pytest.approx(1.0)
    # without area any place in it will do
    flat = Tin(np.array([[0.0, 0, 1], [1, 0, 2], [2, 0, 3]]), np.array([[0, 1, 2]]), *[face] * 3)
    assert np.isfinite(barycentric(flat, np.array([0]), np.array([[1.0, 0.0]]))).all()


def test_a_place_is_found_in_its_triangle_and_on_an_edge_in_the_lowest() -> None:
    tin = triangulate(scattered(25, 3))
    shapes = shapely.polygons(tin.points[tin.triangles, :2])
    middle = shapely.get_coordinates(shapely.centroid(shapes))
    assert locate_points(tin, middle).tolist() == list(range(len(shapes)))
    holders = [np.flatnonzero((tin.triangles == k).any(axis=1)).min() for k in range(25)]
    assert locate_points(tin, tin.points[:, :2]).tolist() == holders
    assert locate_points(tin, np.array([[900.0, 2000.0], [1050.0, 3000.0]])).tolist() == [-1, -1]


def test_area_and_longest_side_by_hand() -> None:
    place = np.array([[1.0, 1.0], [5.0, 2.0], [2.0, 7.0], [0.0, 3.0]])
    triangles = np.array([[0, 1, 2], [0, 2, 1], [0, 3, 1]])
    # (4, 1) x (1, 6) = 23; (-1, 2) x (4, 1) = -9
    assert twice_area(place, triangles).tolist() == [23.0, -23.0, -9.0]
    assert longest_extent(place, triangles).tolist() == [6.0, 6.0, 5.0]


def test_flat_triangles_on_the_border_are_peeled_one_after_the_other() -> None:
    # two flat ones, one behind the other, beneath a real one; a flat one inside stays
    place = np.array([[0.0, 0], [1, 0], [2, 0], [4, 0], [2, 3]])
    triangles = np.array([[0, 3, 4], [0, 2, 3], [0, 1, 2]])
    assert drop_border_needles(place, triangles).tolist() == [[0, 3, 4]]
    good = triangulate(scattered(12, 5))
    local = good.points[:, :2] - good.points[0, :2]
    assert drop_border_needles(local, good.triangles).tolist() == good.triangles.tolist()
    # between two real ones, whose edges hold it in
    inner = np.array([[0.0, 0], [2, 0], [4, 0], [2, 3], [1, -3], [3, -3]])
    held = np.array([[0, 2, 3], [0, 1, 2], [0, 4, 1], [1, 5, 2], [1, 4, 5]])
    assert drop_border_needles(inner, held).tolist() == held.tolist()


@pytest.mark.parametrize("seed", range(3))
def test_any_triangulation_relaxes_to_delaunays(seed: int) -> None:
    tin = triangulate(scattered(40, seed))
    local = tin.points[:, :2] - [1050.0, 2040.0]
    mesh = Mesh(local, tin.triangles)
    rng = np.random.default_rng(seed)
    flipped = 0
    for half in rng.permutation(3 * len(tin.triangles)).tolist():
        other = int(mesh._other[half])
        if other < 0:
            continue
        t, s = half // 3, other // 3
        a, b, c = (int(mesh.triangles[t, (half + k) % 3]) for k in range(3))
        d = int(mesh.triangles[s, (other + 2) % 3])
        if (twice_area(local, np.array([[c, a, d], [d, b, c]])) > 1e-6).all():
            mesh._replace([t, s], [(c, a, d), (d, b, c)])
            flipped += 1
    assert flipped > 20
    mesh.flip_to_delaunay()

    def turned(triangles: np.ndarray) -> set[tuple[int, ...]]:
        return {tuple(np.roll(t, -int(np.argmin(t))).tolist()) for t in triangles}

    assert turned(mesh.triangles) == turned(tin.triangles)
