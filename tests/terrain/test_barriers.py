"""Walls between cells, in whole numbers: which straight steps cross a line."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely

from geosite.base.grid import Grid
from geosite.terrain.water.barriers import cells_in, cells_of_points, outlines, walls_along

STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]
# cells of 8 parts; a centre lies a little east of where it is, and far less south of there
PART, EAST, SOUTH = 1 << 40, 1 << 20, 1

Whole = tuple[int, int]


def side(a: Whole, b: Whole, c: Whole) -> bool:
    twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    assert twice != 0
    return twice > 0


def crosses(p: Whole, q: Whole, a: Whole, b: Whole) -> bool:
    return side(p, q, a) != side(p, q, b) and side(a, b, p) != side(a, b, q)


@pytest.mark.parametrize("size", [1.0, 0.25])
@pytest.mark.parametrize("seed", range(10))
def test_a_step_is_shut_where_it_crosses_a_line(seed: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    rows, cols = 5, 6
    grid = Grid(100.0, 200.0 + rows * size, size, rows, cols)
    # corners on corners of cells, on centres, or on eighths of a cell; also beyond the raster
    coarse = [4, 4, 1][seed % 3]
    lines, segments = [], []
    for _ in range(3):
        at = rng.integers(-8 // coarse, (8 * rows + 8) // coarse, (rng.integers(2, 5), 2)) * coarse
        if seed % 2:
            at[1, seed % 4 // 2] = at[0, seed % 4 // 2]  # due north or east
        at = at[np.append(True, (np.diff(at, axis=0) != 0).any(axis=1))]
        if len(at) < 2:
            continue
        east, north = 100.0 + at[:, 0] * size / 8, 200.0 + (8 * rows - at[:, 1]) * size / 8
        lines.append(shapely.LineString(np.column_stack([east, north])))
        places = [(int(x) * PART, int(y) * PART) for x, y in at]
        segments += pairwise(places)
    expected = np.zeros((rows, cols), dtype=int)
    for r, c in np.ndindex(rows, cols):
        for k, (down, over) in enumerate(STEPS):
            p, q = (
                ((8 * x + 4) * PART + EAST, (8 * y + 4) * PART + SOUTH)
                for x, y in ((c, r), (c + over, r + down))
            )
            if any(crosses(p, q, a, b) for a, b in segments):
                expected[r, c] |= 1 << k
    assert walls_along(lines, grid).tolist() == expected.tolist()
    # as parts of one line, or beside one that is empty
    joined = [shapely.MultiLineString(lines), shapely.LineString()]
    assert walls_along(joined, grid).tolist() == expected.tolist()


def test_no_line_is_no_wall() -> None:
    grid = Grid(0.0, 3.0, 1.0, 3, 3)
    assert not walls_along([], grid).any()
    assert not walls_along(outlines([shapely.Polygon()]), grid).any()


def test_cells_of_corners_and_edges() -> None:
    grid = Grid(10.0, 20.0, 2.0, 3, 4)
    at = [(10.0, 20.0), (17.99, 14.01), (18.0, 19.0), (9.99, 19.0), (11.0, 20.01), (11.0, 14.0)]
    row, col = cells_of_points(np.column_stack([at, np.zeros(6)]), grid)
    assert row.tolist() == [0, 2, -1, -1, -1, -1]
    assert col.tolist() == [0, 3, -1, -1, -1, -1]
    # on the line between two cells: the one to the south, the one to the east
    assert [int(n[0]) for n in cells_of_points([(12.0, 18.0)], grid)] == [1, 1]
    house = shapely.box(12.5, 15.2, 16.5, 17.5)
    assert np.argwhere(cells_in([house, shapely.Polygon()], grid)).tolist() == [[1, 1], [1, 2]]
    every = cells_in([house], grid, touched=True)
    assert np.argwhere(every).tolist() == [[r, c] for r in (1, 2) for c in (1, 2, 3)]
