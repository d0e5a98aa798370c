"""Connected regions of cells."""

from __future__ import annotations

import numpy as np

from geosite.terrain.water.descent import COL_STEP, ROW_STEP, Bytes, Index, Long, Raster
from geosite.terrain.water.spanning_trees import minimum_spanning_forest

__all__ = ["connected_regions"]

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
