"""Connected regions of cells."""

from __future__ import annotations

import numpy as np

from geosite.terrain.water.descent import COL_STEP, ROW_STEP, Bytes, Index, Long, Raster
from geosite.terrain.water.spanning_trees import minimum_spanning_forest

__all__ = ["connected_regions", "connected_runs"]

_CHUNK = 65_536
"""Cells per step of a pass over flat arrays."""


def connected_regions(
    cells: Long,
    shape: tuple[int, int],
    *,
    walls: Bytes | None = None,
    z: Raster | None = None,
    links: tuple[Long, Long] | None = None,
) -> tuple[Index, int]:
    """Label connected cells: neighbours by side or corner with no wall between them.

    Parameters
    ----------
    cells
        Flat indices, ascending.
    shape
        Rows and columns of the raster.
    walls, z
        Flat; with `z` only cells of the same elevation are connected.
    links : two arrays, shape (m,)
        Positions in `cells` of pairs that are connected too.

    Returns
    -------
    region : array of int32, shape (n,)
        Region of each cell, from 0.
    count
        Number of regions.

    Examples
    --------
    Of the first row of a raster of 3 columns, the first and the last cell; then the middle as well:

    >>> connected_regions(np.array([0, 2]), (3, 3))[1], connected_regions(np.arange(3), (3, 3))[1]
    (2, 1)
    """
    rows, cols = shape
    position = np.full(rows * cols, -1, dtype=np.int32)
    position[cells] = np.arange(cells.size, dtype=np.int32)
    near, far = [], []
    if links is not None:
        near.append(links[0].astype(np.int32))
        far.append(links[1].astype(np.int32))
    for start in range(0, cells.size, _CHUNK):
        chunk = cells[start : start + _CHUNK]
        row, col = np.divmod(chunk, cols)
        for k in (2, 3, 4, 5):  # half of the neighbours, each pair once
            to_row, to_col = row + ROW_STEP[k], col + COL_STEP[k]
            is_reachable = (to_row < rows) & (to_col >= 0) & (to_col < cols)
            if walls is not None:
                is_reachable &= (walls[chunk] >> k & 1) == 0
            number = np.flatnonzero(is_reachable)
            neighbour = to_row[number] * cols + to_col[number]
            other = position[neighbour]
            is_linked = other >= 0
            if z is not None:
                is_linked &= z[neighbour] == z[chunk[number]]
            near.append((start + number[is_linked]).astype(np.int32))
            far.append(other[is_linked])
    empty = np.empty(0, dtype=np.int32)
    _, region, count = minimum_spanning_forest(
        np.concatenate([empty, *near]), np.concatenate([empty, *far]), cells.size
    )
    return region, count


def connected_runs(cells: Long, shape: tuple[int, int]) -> tuple[Long, Index, int]:
    """Label connected cells as `connected_regions` does, in a seventh of the time: run by run.

    Parameters
    ----------
    cells
        Flat indices, ascending.
    shape
        Rows and columns of the raster, on which no wall parts two neighbours.

    Returns
    -------
    first : array, shape (runs,)
        Position in `cells` of the first of each run of cells side by side.
    region : array of int32, shape (runs,)
        Region of each run, from 0.
    count
        Number of regions.

    Examples
    --------
    Two cells side by side and one at the corner of the second, of a raster of 4 columns:

    >>> first, region, count = connected_runs(np.array([0, 1, 6]), (2, 4))
    >>> first.tolist(), region.tolist(), count
    ([0, 2], [0, 0], 1)
    """
    cols = shape[1]
    row, col = np.divmod(cells, cols)
    first = np.flatnonzero((np.diff(cells, prepend=-2) != 1) | (col == 0))
    begin = cells[first]
    end = begin + np.diff(first, append=cells.size) - 1
    # of the runs of the row below those that reach it, corners included
    below = (row[first] + 1) * cols
    left = np.maximum(col[first] - 1, 0)
    right = np.minimum(end - begin + col[first] + 1, cols - 1)
    low = np.searchsorted(end, below + left)
    touching = np.searchsorted(begin, below + right, side="right") - low
    near = np.repeat(np.arange(first.size, dtype=np.int32), touching)
    within = np.arange(near.size) - np.repeat(np.cumsum(touching) - touching, touching)
    far = (np.repeat(low, touching) + within).astype(np.int32)
    _, region, count = minimum_spanning_forest(near, far, first.size)
    return first, region, count
