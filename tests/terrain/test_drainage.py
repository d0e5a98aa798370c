"""Edges, flats, barriers, walls and inlets in the drainage."""

from __future__ import annotations

import heapq

import numpy as np
import pytest

from geosite.terrain.water import basins, drainage, flats, flow_directions, regions
from geosite.terrain.water.drainage import (
    CLOSED_DEPRESSION,
    INLET,
    NODATA,
    OUTFLOW,
    Drainage,
    drain,
)

STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]


def priority_flood(
    z: np.ndarray,
    inlets: np.ndarray | None = None,
    barriers: np.ndarray | None = None,
    walls: np.ndarray | None = None,
) -> np.ndarray:
    """Barnes, Lehman & Mulla (2014), algorithm 1, in plain Python."""
    walls = np.zeros(z.shape, dtype=np.uint8) if walls is None else walls
    rows, cols = z.shape
    blocked = np.zeros(z.shape, dtype=bool) if barriers is None else barriers
    filled = np.full(z.shape, np.nan)
    heap: list[tuple[float, int, int]] = []
    for r, c in np.argwhere(np.isfinite(z) & ~blocked):
        at_edge = inlets is not None and inlets[r, c]
        for k, (dr, dc) in enumerate(STEPS):
            i, j = r + dr, c + dc
            if walls[r, c] >> k & 1:
                continue
            is_in = 0 <= i < rows and 0 <= j < cols
            if not is_in or (not np.isfinite(z[i, j]) and not blocked[i, j]):
                at_edge = True
        if at_edge:
            filled[r, c] = z[r, c]
            heapq.heappush(heap, (z[r, c], r, c))
    while heap:
        level, r, c = heapq.heappop(heap)
        for k, (dr, dc) in enumerate(STEPS):
            i, j = r + dr, c + dc
            if walls[r, c] >> k & 1 or not (0 <= i < rows and 0 <= j < cols) or blocked[i, j]:
                continue
            if np.isfinite(z[i, j]) and np.isnan(filled[i, j]):
                filled[i, j] = max(level, z[i, j])
                heapq.heappush(heap, (filled[i, j], i, j))
    return filled


def assert_sound(z: np.ndarray, got: Drainage, barriers: np.ndarray | None = None) -> None:
    """Every cell drains, one neighbour at a time, to a cell where water leaves."""
    known = np.isfinite(z) if barriers is None else np.isfinite(z) & ~barriers
    flat = got.receiver.ravel()
    here = np.arange(flat.size)
    assert np.array_equal(got.receiver >= 0, known)
    assert np.array_equal(got.direction == NODATA, ~known)
    cell = here[known.ravel()]
    row, col = np.divmod(cell, z.shape[1])
    to_row, to_col = np.divmod(flat[cell], z.shape[1])
    step = np.array([*STEPS, *[(0, 0)] * 10])[got.direction.ravel()[cell]]
    assert np.array_equal(np.stack([to_row - row, to_col - col], axis=1), step)
    azimuth = got.azimuth_deg.ravel()[cell]
    moves = got.direction.ravel()[cell] < OUTFLOW
    assert np.array_equal(azimuth[moves], got.direction.ravel()[cell][moves] * 45.0)
    end = cell
    for _ in range(flat.size.bit_length() + 1):
        end = flat[end]
        flat = np.where(flat >= 0, flat[flat], -1)
    ends = got.direction.ravel()[end]
    assert ((ends >= OUTFLOW) & (ends <= CLOSED_DEPRESSION)).all()
    assert np.array_equal(got.catchment.ravel()[cell], end)
    final = got.outlets | got.sinks
    assert got.contributing_cells[final].sum() == known.sum()
    donors = np.bincount(
        got.receiver.ravel()[cell][moves],
        weights=got.contributing_cells.ravel()[cell][moves],
        minlength=z.size,
    ).reshape(z.shape)
    assert np.array_equal(donors + known, got.contributing_cells)


def cases() -> list[np.ndarray]:
    rng = np.random.default_rng(11)
    made = []
    for number in range(60):
        shape = rng.integers(1, 24, 2)
        z = rng.normal(size=shape)
        if number % 3 == 0:
            z = rng.integers(0, 1 + number % 7, shape).astype(float)
        if number % 4 == 0:
            z[rng.random(shape) < 0.1] = np.nan
        made.append(z.astype(np.float32) if number % 2 else z)
    return made


@pytest.mark.parametrize("number", range(60))
def test_filled_as_a_priority_flood_does(number: int) -> None:
    z = cases()[number]
    got = drain(z, 1.0)
    assert np.array_equal(got.filled, priority_flood(z), equal_nan=True)
    assert_sound(z, got)


@pytest.mark.parametrize("number", range(60))
def test_filled_with_inlets_and_barriers(number: int) -> None:
    z = cases()[number]
    rng = np.random.default_rng(number)
    inlets = rng.random(z.shape) < 0.02
    barriers = rng.random(z.shape) < 0.2
    got = drain(z, 1.0, inlets=inlets, barriers=barriers)
    expected = priority_flood(z, inlets, barriers)
    reached = np.isfinite(expected)
    assert np.array_equal(got.filled[reached], expected[reached])
    assert_sound(z, got, barriers)
    is_inlet = inlets & np.isfinite(z) & ~barriers
    assert got.sinks[is_inlet].all()
    assert (got.azimuth_deg[got.sinks] == -1.0).all()


@pytest.mark.parametrize("number", range(60))
@pytest.mark.parametrize("share", [0.1, 0.5])
def test_filled_behind_walls(number: int, share: float) -> None:
    z = cases()[number]
    rng = np.random.default_rng(number)
    inlets = rng.random(z.shape) < 0.02
    walls = np.zeros(z.shape, dtype=np.uint8)
    for r, c in np.ndindex(z.shape):
        for k in range(4):
            if rng.random() < share:
                i, j = r + STEPS[k][0], c + STEPS[k][1]
                walls[r, c] |= 1 << k
                if 0 <= i < z.shape[0] and 0 <= j < z.shape[1]:
                    walls[i, j] |= 1 << k + 4
    got = drain(z, 1.0, inlets=inlets, walls=walls)
    expected = priority_flood(z, inlets, walls=walls)
    reached = np.isfinite(expected)
    assert np.array_equal(got.filled[reached], expected[reached])
    assert_sound(z, got)
    # no way leads through a wall, and none out of the site
    way = got.direction % 8
    passes = np.isfinite(z) & (got.direction < INLET)
    assert ((walls[passes] >> way[passes] & 1) == 0).all()


def test_straight_out_across_the_edge() -> None:
    z = np.full((5, 6), 2.0)
    got = drain(z, 1.0)
    assert got.azimuth_deg[0].tolist() == [315, 0, 0, 0, 0, 45]
    assert got.azimuth_deg[4].tolist() == [225, 180, 180, 180, 180, 135]
    assert got.azimuth_deg[1:4, 0].tolist() == [270] * 3
    assert got.azimuth_deg[1:4, 5].tolist() == [90] * 3
    assert got.outlets.sum() == 18


def test_level_ground_drains_the_shortest_way() -> None:
    # a level terrace behind a wall of high ground with one gap in the east
    z = np.full((9, 12), 8.0)
    z[1:8, 1:11] = 3.0
    z[4, 11] = 2.0
    got = drain(z, 1.0)
    assert_sound(z, got)
    assert got.ponding_depth.max() == 0.0
    for r in range(1, 8):
        for c in range(1, 11):
            cell, steps = r * 12 + c, 0
            while not got.outlets.flat[cell]:
                cell = got.receiver.flat[cell]
                steps += 1
            assert cell == 4 * 12 + 11
            assert steps == max(abs(r - 4), 11 - c)


def test_level_bottom_of_a_hollow_drains_towards_the_way_out() -> None:
    z = np.full((9, 12), 8.0)
    z[1:8, 1:11] = 3.0
    z[4, 11] = 5.0
    got = drain(z, 1.0)
    assert_sound(z, got)
    assert got.ponding_depth.max() == 2.0
    assert (got.azimuth_deg[4, 1:] == 90.0).all()
    assert got.contributing_cells[4, 11] == z.size


@pytest.mark.parametrize(("aslant", "azimuth"), [(3.7, 90.0), (3.5, 45.0)])
def test_a_pond_spills_the_steepest_way(aslant: float, azimuth: float) -> None:
    # the pass falls 1 to the east; 1.3 or 1.5 to the north-east, which is 1.4 times as far
    z = np.full((5, 7), 9.0)
    z[2] = [9.0, 2.0, 1.0, 5.0, 4.0, 2.0, 1.0]
    z[1, 4] = aslant
    got = drain(z, 1.0)
    assert_sound(z, got)
    assert got.ponding_depth[2, :4].tolist() == [0.0, 3.0, 4.0, 0.0]
    assert got.azimuth_deg[2, 1:4].tolist() == [90.0, 90.0, azimuth]


def test_barriers_enclose_a_yard_that_cannot_drain() -> None:
    z = np.arange(81, dtype=np.float64).reshape(9, 9)
    barriers = np.zeros((9, 9), dtype=bool)
    barriers[2:7, 2:7] = True
    barriers[3:6, 3:6] = False
    got = drain(z, 1.0, barriers=barriers)
    assert_sound(z, got, barriers)
    assert np.argwhere(got.sinks).tolist() == [[3, 3]]
    assert got.azimuth_deg[3, 3] == -1.0
    assert got.contributing_cells[3, 3] == 9
    assert not got.outlets[3:6, 3:6].any()
    assert np.isnan(got.azimuth_deg[barriers]).all()


def test_nodata_only() -> None:
    got = drain(np.full((3, 4), np.nan), 1.0)
    assert (got.direction == NODATA).all()
    assert (got.contributing_cells == 0).all()
    assert drain(np.empty((0, 3)), 1.0).direction.shape == (0, 3)


def test_bands_and_chunks_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    z = np.random.default_rng(5).normal(size=(40, 31)).astype(np.float32)
    z[10:14, 7:9] = np.nan
    whole = drain(z, 1.0)
    monkeypatch.setattr(flow_directions, "_BAND", 70)
    for module in (basins, flats, regions):
        monkeypatch.setattr(module, "_CHUNK", 13)
    monkeypatch.setattr(drainage, "_CHUNK", 13)
    parts = drain(z, 1.0)
    for name in ("direction", "filled", "catchment", "contributing_cells"):
        assert np.array_equal(getattr(whole, name), getattr(parts, name), equal_nan=True)


def plane(azimuth: float, rows: int, cols: int, dtype: type = np.float64) -> np.ndarray:
    """Ground that falls 2 % this way at an elevation whose last digits are coarse."""
    r, c = np.mgrid[:rows, :cols]
    turn = np.radians(azimuth)
    return (431.7 - 0.02 * (np.sin(turn) * c - np.cos(turn) * r)).astype(dtype)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("azimuth", [90.0, 180.0, 180.0 + 1e-9, 170.0, 160.0, 250.0, 359.0])
def test_a_plane_drains_over_its_whole_lower_side(azimuth: float, dtype: type) -> None:
    z = plane(azimuth, 31, 40, dtype)
    got = drain(z, 1.0)
    assert_sound(z, got)
    assert np.array_equal(got.filled, priority_flood(z))
    side = round(azimuth / 90.0) % 4
    lower = [np.s_[0, :], np.s_[:, -1], np.s_[-1, :], np.s_[:, 0]][side]
    assert got.outlets[lower].all()
    # all of it leaves straight across, a corner aside
    assert (got.direction[lower][1:-1] - OUTFLOW == 2 * side).all()
    # and each cell takes the way that d8 gives it in the middle of the plane
    assert (got.azimuth_deg[1:-1, 1:-1] == 90.0 * side).all()
    assert got.contributing_cells[lower][5:-5].max() <= max(z.shape)
    assert got.outlets.sum() == got.outlets[lower].sum()


@pytest.mark.parametrize("azimuth", [125.0, 135.0, 145.0])
def test_a_plane_drains_over_both_its_lower_sides(azimuth: float) -> None:
    z = plane(azimuth, 31, 40)
    got = drain(z, 1.0)
    assert_sound(z, got)
    assert got.outlets[-1, 1:].all()
    assert got.outlets[1:, -1].all()
    for side in (got.azimuth_deg[-1, 1:], got.azimuth_deg[1:, -1]):
        assert (side == 135.0).all()
    assert got.contributing_cells.max() <= 31


def test_a_plane_drains_over_the_whole_of_a_ragged_edge() -> None:
    # the lower edge of the data runs aslant of the cells
    z = plane(170.0, 60, 50)
    r, c = np.mgrid[:60, :50]
    z[r > 30 + 0.37 * c] = np.nan
    got = drain(z, 1.0)
    assert_sound(z, got)
    last = np.isfinite(z).sum(axis=0) - 1
    assert got.outlets[last, np.arange(50)][1:].all()
    assert got.contributing_cells.max() <= 60


def test_water_at_the_edge_runs_to_the_channel_there() -> None:
    # a valley that leaves in the south: its bottom is lower than the edge on both sides of it
    r, c = np.mgrid[:20, :21]
    z = 50.0 - 0.02 * r + 0.005 * np.abs(c - 10)
    z[:, 10] -= 0.1
    got = drain(z, 1.0)
    assert_sound(z, got)
    assert got.azimuth_deg[-1, [9, 10, 11]].tolist() == [90.0, 180.0, 270.0]


def test_water_at_the_edge_runs_to_lower_ground_inside_and_into_inlets() -> None:
    z = plane(180.0, 12, 12)
    z[8:11, 5] -= 0.3
    inlets = np.zeros(z.shape, dtype=bool)
    inlets[11, 9] = True
    z[11, 9] -= 0.001
    got = drain(z, 1.0, inlets=inlets)
    assert_sound(z, got)
    assert np.array_equal(got.filled, priority_flood(z, inlets))
    # the trough spills over (11, 4)
    assert got.azimuth_deg[11, 4:7].tolist() == [180.0, 0.0, 315.0]
    assert got.azimuth_deg[11, [8, 10]].tolist() == [90.0, 270.0]
