"""What holds for water shared between cells, walls, catchments and ponds of any surface."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geosite.base.grid import Grid
from geosite.terrain.water.barriers import walls_along
from geosite.terrain.water.descent import COL_STEP, NODATA, ROW_STEP
from geosite.terrain.water.drainage import drain
from geosite.terrain.water.flow import catchments
from geosite.terrain.water.ponding import find_ponds

GRID = Grid(100.0, 200.0, 0.5, 12, 15)


@st.composite
def surfaces(draw: st.DrawFn, levels: bool = True) -> np.ndarray:
    shape = (draw(st.integers(1, 14)), draw(st.integers(1, 14)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    if levels and draw(st.booleans()):
        z = rng.integers(0, draw(st.integers(1, 12)), shape).astype(np.float64)
    else:
        z = rng.normal(10.0, 1.0, shape)
    z[rng.random(z.shape) < draw(st.sampled_from([0.0, 0.1, 0.4]))] = np.nan
    return z


@settings(max_examples=80, deadline=None)
@given(surfaces(), st.integers(0, 2**32 - 1))
def test_shared_water_is_neither_lost_nor_made(z: np.ndarray, seed: int) -> None:
    rng = np.random.default_rng(seed)
    inlets, barriers = rng.random(z.shape) < 0.05, rng.random(z.shape) < 0.1
    got = drain(z, 0.5, method="d-infinity", inlets=inlets, barriers=barriers)
    site = (got.direction != NODATA).sum()
    arrived = got.contributing_cells[got.outlets | got.sinks].sum()
    np.testing.assert_allclose(arrived, site, rtol=1e-9)
    np.testing.assert_allclose(
        got.contributing_area[got.outlets | got.sinks].sum(), site * 0.25, rtol=1e-9
    )


@settings(max_examples=100, deadline=None)
@given(surfaces(levels=False), st.integers(1, 3))
def test_shared_water_turns_with_the_surface(z: np.ndarray, turns: int) -> None:
    plain = drain(z, 1.0, method="d-infinity")
    turned = drain(np.rot90(z, turns), 1.0, method="d-infinity")
    np.testing.assert_allclose(
        turned.contributing_cells, np.rot90(plain.contributing_cells, turns), rtol=1e-9
    )
    shared = np.rot90(np.isfinite(plain.toward_deg), turns)
    assert np.array_equal(np.isfinite(turned.toward_deg), shared)
    expected = np.rot90(plain.toward_deg, turns)[shared] - 90.0 * turns
    error = (turned.toward_deg[shared] - expected + 180.0) % 360.0 - 180.0
    np.testing.assert_allclose(error, 0.0, atol=1e-9)


@settings(max_examples=100, deadline=None)
@given(surfaces(), st.integers(0, 2**32 - 1))
def test_catchments_and_ponds_add_up(z: np.ndarray, seed: int) -> None:
    rng = np.random.default_rng(seed)
    inlets = np.where(rng.random(z.shape) < 0.1, rng.integers(1, 4, z.shape), 0)
    got = drain(z, 0.5, inlets=inlets > 0)
    raster, found = catchments(got, inlets)
    assert np.array_equal(raster > 0, np.isfinite(z))
    assert [c.number for c in found] == list(range(1, len(found) + 1))
    assert [c.cells for c in found] == [(raster == c.number).sum() for c in found]
    assert sorted((c.cells for c in found), reverse=True) == [c.cells for c in found]
    assert {c.inlet for c in found if c.kind == "inlet"} == set(
        np.unique(inlets[(inlets > 0) & np.isfinite(z)])
    )
    assert all(raster[c.row, c.col] == c.number for c in found)
    for c in found:
        ends = (raster == c.number) & (got.outlets | got.sinks)
        assert c.peak_cells == got.contributing_cells[ends].max()
        assert c.peak_cells == got.contributing_cells[c.row, c.col]
        # of several the first
        most = ends & (got.contributing_cells == c.peak_cells)
        assert np.flatnonzero(most)[0] == c.row * z.shape[1] + c.col

    wet, ponds = find_ponds(got)
    assert np.array_equal(wet > 0, got.ponding_depth > 0)
    depth = np.where(np.isfinite(z), got.ponding_depth, 0.0)
    np.testing.assert_allclose(sum(p.volume for p in ponds), depth.sum() * 0.25, rtol=1e-9)
    for pond in ponds:
        inside = wet == pond.number
        assert pond.cells == inside.sum()
        assert (got.filled[inside] == pond.level).all()
        assert z[pond.row, pond.col] == z[inside].min()
        assert not inside[pond.spill_row, pond.spill_col]
        assert z[pond.spill_row, pond.spill_col] == pond.level


@settings(max_examples=100, deadline=None)
@given(surfaces(levels=False), st.integers(1, 3), st.integers(0, 2**32 - 1))
def test_catchments_and_ponds_turn_with_the_surface(z: np.ndarray, turns: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    inlets = np.where(rng.random(z.shape) < 0.05, rng.integers(1, 4, z.shape), 0)
    walls = np.zeros(z.shape, dtype=np.uint8)  # none is there, which must not matter either
    plain = drain(z, 1.0, inlets=inlets > 0, walls=walls)
    turned = drain(np.rot90(z, turns), 1.0, inlets=np.rot90(inlets > 0, turns))
    for (one, found), (other, same) in (
        (catchments(plain, inlets), catchments(turned, np.rot90(inlets, turns))),
        (find_ponds(plain), find_ponds(turned)),
    ):
        assert [c.cells for c in found] == [c.cells for c in same]
        # each region is the other's, whatever their numbers
        pairs = np.unique(np.stack([np.rot90(one, turns).ravel(), other.ravel()]), axis=1)
        assert pairs.shape[1] == len(found) + (one == 0).any()


corners = st.tuples(st.integers(-2, 2 * GRID.rows + 2), st.integers(-2, 2 * GRID.cols + 2))


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(
    st.lists(corners, min_size=3, max_size=7, unique=True),
    st.sampled_from([0.0, 0.25, 0.1171875]),
    st.integers(0, 2**32 - 1),
)
def test_a_closed_wall_keeps_inside_and_outside_apart(
    ring: list[tuple[int, int]], off: float, seed: int
) -> None:
    # corners on cell corners, on cell centres (off = 0.25), or somewhere in between
    places = [(GRID.west + 0.25 * c + off, GRID.north - 0.25 * r - off) for r, c in ring]
    yard = shapely.Polygon(places)
    assume(yard.is_valid and yard.area > 0)
    walls = walls_along([yard.boundary], GRID)
    for k in range(8):
        row, col = np.nonzero(walls >> k & 1)
        row, col = row + ROW_STEP[k], col + COL_STEP[k]
        inside = (row >= 0) & (row < GRID.rows) & (col >= 0) & (col < GRID.cols)
        assert (walls[row[inside], col[inside]] >> (k + 4) % 8 & 1).all()
    # a centre on the line counts as a hair east of it, and south of a line running east
    east, north = np.meshgrid(*GRID.centres())
    is_in = shapely.contains_xy(yard, east + 1e-5, north - 1e-9)
    z = np.random.default_rng(seed).normal(size=GRID.shape)
    got = drain(z, 0.5, walls=walls)
    moves = got.receiver.ravel() >= 0
    ends = is_in.ravel()[got.receiver.ravel()[moves]]
    assert np.array_equal(ends, is_in.ravel()[moves])
    assert np.array_equal(is_in.ravel()[got.catchment.ravel()], is_in.ravel())
