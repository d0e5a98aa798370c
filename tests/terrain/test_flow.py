"""Catchments, flow paths and arrows."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.base.grid import Grid
from geosite.terrain.slope import slope
from geosite.terrain.water.barriers import cells_in, cells_of_points, outlines, walls_along
from geosite.terrain.water.descent import OUTFLOW
from geosite.terrain.water.drainage import drain
from geosite.terrain.water.flow import arrows, catchments, edge_paths, flow_path, flow_paths


def roof(rows: int, cols: int) -> np.ndarray:
    """A ridge from north to south; the ground falls straight east and west of it."""
    c = np.mgrid[:rows, :cols][1]
    return 20.0 - np.abs(c - (cols - 1) / 2.0 + 0.25)


def test_catchments_of_a_roof() -> None:
    raster, found = catchments(drain(roof(6, 10), 1.0))
    # the whole edge south, east and west lets water out
    assert sum(c.cells for c in found) == 60
    assert {c.kind for c in found} == {"edge"}
    west, east = raster[0, 0], raster[0, 9]
    assert (raster[:5, :3] == west).all()
    assert (raster[:5, 7:] == east).all()


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 115.0, 135.0, 160.0, 180.0, 290.0])
@pytest.mark.parametrize("is_ragged", [False, True])
def test_a_plane_is_one_catchment_that_leaves_over_a_side(azimuth: float, is_ragged: bool) -> None:
    r, c = np.mgrid[:50, :70]
    turn = np.radians(azimuth)
    z = 300.0 - 0.015 * (np.sin(turn) * c - np.cos(turn) * r)
    if is_ragged:
        z[np.hypot(r - 25.0, c - 35.0) > 24.3] = np.nan
    drainage = drain(z, 1.0)
    _, found = catchments(drainage)
    assert [(c.kind, c.cells) for c in found] == [("edge", np.isfinite(z).sum())]
    assert drainage.outlets.sum() >= 39


STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]


@pytest.mark.parametrize("seed", range(48))
def test_stretches_of_the_edge_between_which_it_only_falls(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows, cols = rng.integers(3, 12, 2)
    r, c = np.mgrid[:rows, :cols]
    turn = rng.uniform(0.0, 2.0 * np.pi)
    z = (
        np.sin(turn) * c
        + np.cos(turn) * r
        + rng.normal(0.0, [0.02, 0.1, 0.3, 2.0][seed % 4], (rows, cols))
    )
    if seed % 3 == 0:
        z[np.hypot(r - rows / 2, c - cols / 2) > 4.0] = np.nan
    if seed % 7 == 1:
        z = np.round(z)
    drainage = drain(z, 1.0)
    known = np.pad(np.isfinite(z), 1)

    def next_down(at: tuple[int, int]) -> tuple[int, int] | None:
        best, way = 0.0, None
        for k, (down, over) in enumerate(STEPS):
            to = at[0] + down, at[1] + over
            if known[to[0] + 1, to[1] + 1]:
                fall = (z[at] - z[to]) * (0.5**0.5 if k % 2 else 1.0)
                if fall > best:
                    best, way = fall, to
        return way

    expected = set()
    for start in map(tuple, np.argwhere(drainage.outlets).tolist()):
        at = next_down(start)
        if at is None:
            continue
        # on down as long as it stays at the edge
        while not known[at[0] : at[0] + 3, at[1] : at[1] + 3].all():
            if drainage.direction[at] >= OUTFLOW:
                break
            down, over = STEPS[drainage.direction[at]]
            at = at[0] + down, at[1] + over
        if drainage.outlets[at]:
            expected.add((start[0] * cols + start[1], at[0] * cols + at[1]))
    outlets = np.flatnonzero(drainage.outlets)
    one, other = edge_paths(drainage, outlets)
    got = zip(outlets[one].tolist(), outlets[other].tolist(), strict=True)
    assert sorted(got) == sorted(expected)


def test_catchments_of_inlets_and_hollows() -> None:
    z = roof(9, 20)
    inlets = np.zeros(z.shape, dtype=np.int64)
    inlets[2:7, 3] = 1
    inlets[4, 15] = 7
    barriers = np.zeros(z.shape, dtype=bool)
    barriers[0:3, 17:20] = True
    barriers[1, 18] = False
    drainage = drain(z, 1.0, inlets=inlets > 0, barriers=barriers)
    raster, found = catchments(drainage, inlets)
    kinds = {(c.kind, c.inlet): c for c in found}
    assert set(kinds) == {("edge", 0), ("inlet", 1), ("inlet", 7), ("hollow", 0)}
    assert kinds["hollow", 0].cells == 1
    assert (kinds["hollow", 0].row, kinds["hollow", 0].col) == (1, 18)
    assert kinds["inlet", 7].peak_cells == drainage.contributing_cells[4, 15]
    assert kinds["inlet", 1].cells == drainage.contributing_cells[2:7, 3].sum()
    assert kinds["inlet", 1].col == 3
    assert sum(c.cells for c in found) == 180 - 8
    assert (raster[inlets == 7] == kinds["inlet", 7].number).all()


def test_each_hollow_and_each_cell_of_no_inlet_is_by_itself() -> None:
    z = np.arange(63, dtype=float).reshape(7, 9)
    barriers = np.zeros(z.shape, dtype=bool)
    barriers[2:5, 1:8] = True
    barriers[3, [2, 4, 6]] = False
    numbers = np.zeros(z.shape, dtype=int)
    numbers[6, [0, 8]] = 5
    takes = numbers > 0
    takes[0, [0, 4]] = True
    _, found = catchments(drain(z, 1.0, inlets=takes, barriers=barriers), numbers)
    assert [(c.row, c.col) for c in found if c.kind == "hollow"] == [(3, 2), (3, 4), (3, 6)]
    assert sorted((c.inlet, c.row) for c in found if c.kind == "inlet") == [(0, 0), (0, 0), (5, 6)]
    _, alone = catchments(drain(z, 1.0, inlets=takes, barriers=barriers))
    assert sum(c.kind == "inlet" for c in alone) == 4


def test_a_path_follows_the_water_to_the_edge() -> None:
    z = roof(6, 10)
    drainage = drain(z, 1.0)
    rows, cols = flow_path(drainage, 2, 7)
    assert rows.tolist() == [2, 2, 2]
    assert cols.tolist() == [7, 8, 9]
    z[0, 0] = np.nan
    assert flow_path(drain(z, 1.0), 0, 0)[0].size == 0


def test_paths_join_and_run_out_of_the_site() -> None:
    grid = Grid(100.0, 206.0, 2.0, 6, 10)
    drainage = drain(roof(6, 10), 2.0)
    first, second = flow_paths(drainage, grid, [(2, 7), (2, 6), (2, 8), (2, 9)])
    assert shapely.get_coordinates(first).tolist() == [
        [115.0, 201.0],
        [117.0, 201.0],
        [119.0, 201.0],
        [120.0, 201.0],
    ]
    # the second stops where it meets the first, and the others lie on it
    assert shapely.get_coordinates(second).tolist() == [[113.0, 201.0], [115.0, 201.0]]
    heights = shapely.get_coordinates(first, include_z=True)[:, 2]
    assert (np.diff(heights) <= 0).all()
    assert heights[0] == drainage.filled[2, 7]


@pytest.mark.parametrize(("turns", "corner"), [(0, (0, 4)), (1, (0, 0)), (2, (4, 0)), (3, (4, 4))])
def test_a_path_runs_out_of_the_corner(turns: int, corner: tuple[float, float]) -> None:
    # ground falling north along the west column, turned against the clock
    z = np.array([[1.0, 9.0, 9.0, 9.0]] * 4)
    z[:, 0] += np.arange(4) * 0.1
    z[:, 1:] = z[:, :1] + 0.02  # flatter towards the edge than along it
    z = np.rot90(z, turns)
    grid = Grid(0.0, 4.0, 1.0, 4, 4)
    start = tuple(np.argwhere(z == 1.2)[0])
    (line,) = flow_paths(drain(z, 1.0), grid, [(int(start[0]), int(start[1]))])
    assert shapely.get_coordinates(line)[-1].tolist() == list(corner)


@pytest.mark.parametrize("turns", range(4))
def test_a_path_runs_straight_out_over_each_side(turns: int) -> None:
    z = np.rot90(np.repeat(np.arange(5.0)[:, None], 5, axis=1), turns)
    (line,) = flow_paths(drain(z, 1.0), Grid(0.0, 5.0, 1.0, 5, 5), [(2, 2)])
    ends = [(2.5, 5.0), (0.0, 2.5), (2.5, 0.0), (5.0, 2.5)]
    assert shapely.get_coordinates(line)[[0, -1]].tolist() == [[2.5, 2.5], [*ends[turns]]]


def test_a_path_ends_in_an_inlet() -> None:
    inlets = np.zeros((6, 10), dtype=bool)
    inlets[2, 8] = True
    grid = Grid(0.0, 6.0, 1.0, 6, 10)
    (line,) = flow_paths(drain(roof(6, 10), 1.0, inlets=inlets), grid, [(2, 6)])
    assert shapely.get_coordinates(line)[-1].tolist() == [8.5, 3.5]


def test_arrows_of_a_plane() -> None:
    rows, cols = 23, 37
    r, c = np.mgrid[:rows, :cols]
    turn = np.radians(200.0)
    z = 50.0 - 0.04 * (np.sin(turn) * c - np.cos(turn) * r)
    grid = Grid(500.0, 900.0, 0.5, rows, cols)
    drainage = drain(z, 0.5, method="d-infinity")
    got = arrows(drainage, slope(z, 0.5), grid, 5)
    assert len(got.easting) == 5 * 8
    np.testing.assert_allclose(got.slope_percent, 8.0, rtol=1e-9)
    inner = (got.easting > 503) & (got.easting < 515) & (got.northing > 892) & (got.northing < 897)
    assert inner.sum() > 5
    np.testing.assert_allclose(got.azimuth_deg[inner], 200.0, atol=1e-9)
    np.testing.assert_allclose(got.resultant_length[inner], 1.0, atol=1e-12)
    # every coarse cell's middle is the middle of its ground
    assert got.easting.min() == pytest.approx(500.0 + 4 * 0.5 / 2)
    assert got.contributing_area.max() == drainage.contributing_area.max()


def test_arrows_leave_out_what_has_no_ground() -> None:
    z = roof(12, 20)
    z[:, 8:] = np.nan
    grid = Grid(0.0, 12.0, 1.0, 12, 20)
    got = arrows(drain(z, 1.0), slope(z, 1.0), grid, 4)
    assert len(got.easting) == 6
    np.testing.assert_allclose(got.azimuth_deg, 270.0, atol=15.0)
    two_ways = arrows(drain(roof(12, 20), 1.0), slope(roof(12, 20), 1.0), grid, 20)
    assert two_ways.resultant_length[0] < 0.3


@pytest.mark.parametrize("every", [1, 2, 3, 5, 20])
def test_arrows_are_means_over_their_coarse_cells(every: int) -> None:
    rows, cols = 11, 16
    rng = np.random.default_rng(every)
    z = rng.normal(size=(rows, cols)) + np.arange(cols)
    z[rng.random(z.shape) < 0.15] = np.nan
    inlets = rng.random(z.shape) < 0.05
    grid = Grid(500.0, 900.0, 2.0, rows, cols)
    drainage, steep = drain(z, 2.0, inlets=inlets), slope(z, 2.0)
    got = arrows(drainage, steep, grid, every)

    # whole coarse cells, the grid in their middle
    above, left = (-rows % every) // 2, (-cols % every) // 2
    expected = []
    for top in range(-above, rows, every):
        for west in range(-left, cols, every):
            cells = [
                (r, c)
                for r in range(max(top, 0), min(top + every, rows))
                for c in range(max(west, 0), min(west + every, cols))
            ]
            known = [at for at in cells if np.isfinite(z[at])]
            moving = [at for at in known if not drainage.sinks[at]]
            sloping = [at for at in cells if np.isfinite(steep.steepness()[at])]
            if not moving or not sloping:
                continue
            turn = np.radians([float(drainage.azimuth_deg[at]) for at in moving])
            east, north = np.sin(turn).mean(), np.cos(turn).mean()
            expected.append(
                (
                    np.mean([500.0 + 2.0 * c + 1.0 for _, c in known]),
                    np.mean([900.0 - 2.0 * r - 1.0 for r, _ in known]),
                    np.hypot(east, north),
                    np.mean([steep.steepness()[at] for at in sloping]),
                    max(drainage.contributing_area[at] for at in known),
                    east,
                    north,
                )
            )
    easting, northing, steadiness, percent, area, east, north = np.array(expected).T
    np.testing.assert_allclose(got.easting, easting, rtol=1e-12)
    np.testing.assert_allclose(got.northing, northing, rtol=1e-12)
    np.testing.assert_allclose(got.resultant_length, steadiness, atol=1e-12)
    np.testing.assert_allclose(got.slope_percent, percent, rtol=1e-12)
    np.testing.assert_allclose(got.contributing_area, area)
    turn = np.radians(got.azimuth_deg)
    sure = steadiness > 1e-6
    np.testing.assert_allclose((np.sin(turn) * steadiness)[sure], east[sure], atol=1e-7)
    np.testing.assert_allclose((np.cos(turn) * steadiness)[sure], north[sure], atol=1e-7)
    assert ((got.azimuth_deg >= 0.0) & (got.azimuth_deg < 360.0)).all()


def test_cells_of_areas_and_points() -> None:
    grid = Grid(10.0, 20.0, 1.0, 4, 5)
    area = shapely.box(11.2, 17.2, 13.6, 18.6)
    assert cells_in([area], grid).astype(int).tolist() == [
        [0, 0, 0, 0, 0],
        [0, 1, 1, 1, 0],
        [0, 1, 1, 1, 0],
        [0, 0, 0, 0, 0],
    ]
    assert not cells_in([], grid).any()
    thin = shapely.box(11.6, 16.0, 11.9, 20.0)
    assert cells_in([thin], grid).sum() == 0
    assert cells_in([thin], grid, touched=True).sum() == 4
    row, col = cells_of_points([(10.0, 20.0), (14.9, 16.1), (15.0, 18.0), (12.0, 15.9)], grid)
    assert row.tolist() == [0, 3, -1, -1]
    assert col.tolist() == [0, 4, -1, -1]


def test_a_kerb_turns_the_water() -> None:
    # ground falling south-east, a kerb slantwise across it with both ends at the edge
    r, c = np.mgrid[:20, :20]
    z = 10.0 - 0.1 * r - 0.1 * c
    grid = Grid(0.0, 20.0, 1.0, 20, 20)
    kerb = shapely.LineString([(0.0, 5.3), (20.0, 14.1)])
    walls = walls_along([kerb], grid)
    got = drain(z, 1.0, walls=walls)
    east, north = np.meshgrid(*grid.centres())
    above = north > 5.3 + east * 8.8 / 20.0
    assert np.array_equal(above, above.ravel()[got.catchment.ravel()].reshape(above.shape))
    assert (got.contributing_cells[got.outlets & above].max()) > 100
    free = drain(z, 1.0)
    assert not np.array_equal(above, above.ravel()[free.catchment.ravel()].reshape(above.shape))


def test_water_goes_round_the_end_of_a_kerb() -> None:
    r, _ = np.mgrid[:15, :21]
    z = 10.0 - 0.1 * r
    grid = Grid(0.0, 15.0, 1.0, 15, 21)
    walls = walls_along([shapely.LineString([(4.0, 7.0), (17.0, 7.0)])], grid)
    got = drain(z, 1.0, walls=walls)
    # 7 rows stand behind 13 columns of kerb; both ways round its ends are used
    assert got.ponding_depth.max() == pytest.approx(0.0, abs=1e-12)
    assert got.contributing_cells[8, [3, 17]].sum() >= 13 * 8
    assert (got.contributing_cells[8, 4:17] == 1).all()


def test_a_building_thinner_than_a_cell_still_bars_the_way() -> None:
    r, _ = np.mgrid[:9, :9]
    z = 10.0 - 0.1 * r
    grid = Grid(0.0, 9.0, 1.0, 9, 9)
    wall = shapely.box(-1.0, 4.6, 10.0, 4.9)
    assert not cells_in([wall], grid).any()
    got = drain(z, 1.0, walls=walls_along(outlines([wall]), grid))
    above = np.zeros(z.shape, dtype=bool)
    above[:4] = True
    assert np.array_equal(above, above.ravel()[got.catchment.ravel()].reshape(above.shape))
