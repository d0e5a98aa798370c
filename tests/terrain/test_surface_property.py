"""What holds for every set of marks."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from geosite.base.errors import InputError
from geosite.base.grid import Grid
from geosite.terrain.contour import contours
from geosite.terrain.surface.cross_validation import METHODS
from geosite.terrain.surface.model import elevation_surface
from geosite.terrain.surface.raster_rows import rasterise
from geosite.terrain.surface.tin import triangulate

# coarse steps make coincident, collinear and cocircular marks common
step = st.sampled_from([1.0, 0.25, 0.1])
mark = st.tuples(st.integers(-40, 40), st.integers(-40, 40), st.integers(-9, 9))
marks = st.lists(mark, min_size=3, max_size=60)
turn = st.floats(0, 3.2)


def placed(listed: list[tuple[int, int, int]], size: float, angle: float) -> np.ndarray:
    points = np.array(listed, dtype=np.float64) * [size, size, 0.1]
    spin = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.column_stack([points[:, :2] @ spin, points[:, 2]])


def grid_of(points: np.ndarray) -> Grid:
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    size = float(np.max(high - low)) / 25 + 0.01
    return Grid.covering(*(low - size), *(high + size), size)


@settings(max_examples=120, deadline=None)
@given(marks, step, turn)
def test_triangles_cover_the_hull_and_stay_between_the_marks(
    listed: list[tuple[int, int, int]], size: float, angle: float
) -> None:
    points = placed(listed, size, angle)
    hull = shapely.convex_hull(shapely.multipoints(points[:, :2]))
    extent = float(np.ptp(points[:, :2], axis=0).max())
    grid = grid_of(points)
    try:
        z = rasterise(triangulate(points), grid)
    except InputError:
        # all on one line but for rounding
        assert hull.area < 1e-6 * (1 + extent) ** 2
        return
    cells = np.meshgrid(*grid.centres())
    inside = shapely.contains_xy(shapely.buffer(hull, -1e-6), *cells)
    outside = ~shapely.intersects_xy(shapely.buffer(hull, 1e-6), *cells)
    assert np.isfinite(z[inside]).all()
    assert np.isnan(z[outside]).all()
    assert np.nanmin(z, initial=np.inf) >= points[:, 2].min() - 1e-12
    assert np.nanmax(z, initial=-np.inf) <= points[:, 2].max() + 1e-12


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(4, 80), st.floats(0.8, 20))
def test_triangles_equal_a_general_purpose_interpolator(seed: int, n: int, size: float) -> None:
    points = np.random.default_rng(seed).random((n, 3)) * [100, 60, 10]
    grid = Grid.covering(-3, -3, 103, 63, size)
    ours = rasterise(triangulate(points), grid)
    theirs = LinearNDInterpolator(points[:, :2], points[:, 2])(*np.meshgrid(*grid.centres()))
    both = np.isfinite(ours) & np.isfinite(theirs)
    assert both.sum() >= np.isfinite(theirs).sum() - 1
    assert np.abs(ours - theirs)[both].max(initial=0) < 1e-9


@settings(max_examples=60, deadline=None)
@given(marks, step, turn, st.lists(st.lists(mark, min_size=2, max_size=5), max_size=4))
def test_breaklines_always_become_edges(
    listed: list[tuple[int, int, int]],
    size: float,
    angle: float,
    drawn: list[list[tuple[int, int, int]]],
) -> None:
    points = placed(listed, size, angle)
    lines = [placed(line, size, angle) for line in drawn]
    try:
        tin = triangulate(points, lines)
    except InputError:
        every = np.vstack([points, *lines])
        flat = shapely.convex_hull(shapely.multipoints(every[:, :2])).area
        assert flat < 1e-6 * (1 + np.ptp(every[:, :2])) ** 2
        return
    sides = np.sort(
        np.stack([tin.triangles.ravel(), np.roll(tin.triangles, -1, axis=1).ravel()], axis=1)
    )
    there = set(map(tuple, sides.tolist()))
    assert all(tuple(edge) in there for edge in np.sort(tin.edges).tolist())
    # no edge is used by more than two triangles
    assert np.unique(sides, axis=0, return_counts=True)[1].max() <= 2
    edges = tin.points[tin.edges][:, :, :2]
    for line in lines:
        # a line may run over itself, but for rounding
        pieces = shapely.linestrings(np.stack([line[:-1, :2], line[1:, :2]], axis=1))
        wanted = shapely.length(shapely.union_all(pieces, grid_size=1e-6))
        ends = shapely.points(edges.reshape(-1, 2))
        near = shapely.dwithin(ends, shapely.linestrings(line[:, :2]), 5e-6)
        near = near.reshape(-1, 2).all(axis=1)
        got = shapely.length(shapely.union_all(shapely.linestrings(edges[near]), grid_size=1e-6))
        assert got >= wanted - 1e-3


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(5, 40),
    st.sampled_from(METHODS),
    st.floats(-1000, 9000),
    st.floats(0.01, 50),
)
def test_every_method_follows_a_shift_and_a_scale_of_the_elevations(
    seed: int, n: int, method: str, shift: float, scale: float
) -> None:
    points = np.random.default_rng(seed).random((n, 3)) * [40, 30, 1]
    grid = Grid(0, 30, 2.0, 15, 20)
    changed = points.copy()
    changed[:, 2] = shift + scale * points[:, 2]
    before = elevation_surface(points, grid, method=method)  # type: ignore[arg-type]
    after = elevation_surface(changed, grid, method=method)  # type: ignore[arg-type]
    tolerance = 1e-6 * (abs(shift) + scale)
    np.testing.assert_allclose(
        after.z, shift + scale * before.z, rtol=0, atol=tolerance, equal_nan=True
    )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.8))
def test_contours_are_where_the_surface_has_their_elevation(seed: int, interval: float) -> None:
    rng = np.random.default_rng(seed)
    z = rng.normal(0, 1, (9, 12))
    z[rng.random(z.shape) < 0.1] = np.nan
    grid = Grid(100, 209, 1.0, 9, 12)
    for contour in contours(z, grid, interval):
        assert contour.elevation / interval == pytest.approx(round(contour.elevation / interval))
        col, row = contour.line[:, 0] - 100.5, 208.5 - contour.line[:, 1]
        # vertices are on the lines between centres, linear between the two
        west, north = np.floor(col + 1e-9).astype(int), np.floor(row + 1e-9).astype(int)
        u, v = col - west, row - north
        for k in range(len(col)):
            if u[k] > 1e-9 and v[k] > 1e-9:
                # inside a square that has three centres: on its diagonal
                continue
            one = z[north[k], west[k]]
            other = z[north[k] + (v[k] > 1e-9), west[k] + (u[k] > 1e-9)]
            here = one + (other - one) * max(u[k], v[k])
            assert here == pytest.approx(contour.elevation, abs=1e-6)
