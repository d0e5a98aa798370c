"""Level ground: flats that drain get flow directions, the rest are the bottoms of depressions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.terrain.water.descent import (
    NO_FLOW,
    FlowGrid,
    Long,
    Mask,
)
from geosite.terrain.water.regions import connected_regions

__all__ = ["Pits", "flow_towards", "resolve_flats"]

_CHUNK = 65_536
"""Cells per step of a pass over flat arrays."""
_FARTHEST_FIRST = np.array([7, 5, 3, 1, 6, 4, 2, 0])


@dataclass(frozen=True, eq=False, slots=True)
class Pits:
    """Bottoms of depressions: their cells (flat indices), and the cell that represents each.

    A bottom of one cell represents itself; a level bottom is represented by its first cell.
    """

    cells: Long
    representative: Long
    has_flats: bool


def _level_neighbours(grid: FlowGrid, cells: Long) -> tuple[Long, Mask]:
    """Return the neighbours by direction, shape (8, n), and which are as high as the cell."""
    neighbour, is_reachable = grid.neighbours(cells)
    is_level = grid.z.take(neighbour) == grid.z.take(cells)
    if is_reachable is not None:
        is_level &= is_reachable
    return neighbour, is_level


def flow_towards(grid: FlowGrid, front: Long) -> None:
    """Turn the level cells round `front` towards it, ring by ring.

    Parameters
    ----------
    grid
        Its directions are changed.
    front
        Flat indices of cells with a flow direction.

    Examples
    --------
    A level row whose last cell drains: the others follow it to the east (2).

    >>> direction = np.array([NO_FLOW] * 15, np.uint8)
    >>> direction[8] = 2
    >>> z = np.array([[9.0] * 5, [9.0, 5.0, 5.0, 5.0, 9.0], [9.0] * 5])
    >>> flow_towards(FlowGrid(z.ravel(), direction, 3, 5, None), np.array([8]))
    >>> direction[6:9].tolist()
    [2, 2, 2]
    """
    while front.size:
        neighbour, is_level = _level_neighbours(grid, front)
        is_level &= grid.direction.take(neighbour) == NO_FLOW
        direction, number = np.nonzero(is_level[_FARTHEST_FIRST])
        # where several reach a cell the last is kept: the nearest, the first clockwise from north
        direction = _FARTHEST_FIRST[direction]
        cells, back = neighbour[direction, number], ((direction + 4) % 8).astype(np.uint8)
        grid.direction[cells] = back
        front = cells[grid.direction[cells] == back]


def resolve_flats(grid: FlowGrid, level: Long) -> Pits:
    """Give level ground that has an outlet a flow direction; return the pits that are left.

    A level cell that touches a level cell with a flow direction flows there; from these the rest of
    the flat is resolved ring by ring, so that water takes the shortest path to where the flat
    drains. (Barnes, Lehman & Mulla 2014, doi:10.1016/j.cageo.2013.01.009 (from memory), also turn
    it away from higher ground, which is not done here.)

    Parameters
    ----------
    grid
        Its directions are changed.
    level
        Cells without a lower neighbour.

    Examples
    --------
    A terrace of 5 m that falls to 4 m in the east; all of it flows east (direction 2):

    >>> z = np.array([[9.0] * 5, [9.0, 5.0, 5.0, 5.0, 4.0], [9.0] * 5])
    >>> from geosite.terrain.water.flow_directions import find_flow_directions
    >>> local = find_flow_directions(z, None, None, None)
    >>> local.level.tolist()
    [6, 7]
    >>> pits = resolve_flats(FlowGrid(z.ravel(), local.direction.ravel(), 3, 5, None), local.level)
    >>> local.direction[1].tolist(), pits.cells.size
    ([2, 2, 2, 2, 10], 0)
    """
    chosen = np.full(level.size, NO_FLOW, dtype=np.uint8)
    is_flat = False
    for start in range(0, level.size, _CHUNK):
        chunk = slice(start, start + _CHUNK)
        neighbour, is_level = _level_neighbours(grid, level[chunk])
        if is_level.any():
            is_flat = True
            is_level &= grid.direction.take(neighbour) != NO_FLOW
            direction, number = np.nonzero(is_level[_FARTHEST_FIRST])
            chosen[chunk][number] = _FARTHEST_FIRST[direction]
    if not is_flat:
        return Pits(level, level, has_flats=False)
    is_drained = chosen != NO_FLOW
    grid.direction[level[is_drained]] = chosen[is_drained]
    flow_towards(grid, level[is_drained])
    cells = level[grid.direction[level] == NO_FLOW]
    region, count = connected_regions(cells, (grid.rows, grid.cols), walls=grid.walls, z=grid.z)
    representative = np.empty(count, dtype=np.intp)
    representative[region[::-1]] = cells[::-1]
    return Pits(cells, representative[region], has_flats=count < cells.size)
