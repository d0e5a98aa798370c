"""The basin graph: level ground, basins of the raw ground, passes between them, spill levels.

Depressions form a small graph whose minimum spanning tree gives every spill level at once
(Cordonnier, Bovy & Braun 2019, doi:10.5194/esurf-7-549-2019).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from geosite.terrain.water.descent import (
    COL_STEP,
    HOLLOW,
    LEAVES,
    NODATA,
    POOL,
    ROW_STEP,
    TOUCHING,
    Bytes,
    Grid,
    Index,
    Long,
    Mask,
    Raster,
    Relief,
    step_table,
)
from geosite.terrain.water.trees import ascending_order, hang_tree, join_parts

__all__ = [
    "ALONE",
    "Exits",
    "Passes",
    "Pools",
    "carve",
    "find_exits",
    "find_passes",
    "label_basins",
    "regions",
    "settle",
    "ways_over",
]

_CHUNK = 65_536
"""Cells per step of a pass over flat arrays."""
_FARTHEST_FIRST = np.array([7, 5, 3, 1, 6, 4, 2, 0])
ALONE = np.zeros((256, 256), dtype=np.uint8)
"""As `TOUCHING`, where no two neighbours hang together."""
for _k in range(8):
    ALONE[:, _k] = np.arange(256) & 1 << _k


# ----------------------------------------------------------------------------------- level ground


@dataclass(frozen=True, eq=False, slots=True)
class Pools:
    """Bottoms of depressions: their cells (flat indices), and the cell that stands for each.

    A bottom of one cell stands for itself; of a level bottom the first cell stands for all.
    """

    cells: Long
    stands: Long
    has_flats: bool


def _level_neighbours(grid: Grid, cells: Long) -> tuple[Long, Mask]:
    """Return the neighbours by direction, shape (8, n), and which are as high as the cell."""
    there, is_open = grid.around(cells)
    is_level = grid.z.take(there) == grid.z.take(cells)
    if is_open is not None:
        is_level &= is_open
    return there, is_level


def _spread(grid: Grid, front: Long) -> None:
    """Turn the level cells round `front` towards it, ring by ring."""
    while front.size:
        there, is_level = _level_neighbours(grid, front)
        is_level &= grid.direction.take(there) == POOL
        way, which = np.nonzero(is_level[_FARTHEST_FIRST])
        # where several reach a cell the last is kept: the nearest, the first clockwise from north
        way = _FARTHEST_FIRST[way]
        cells, turn = there[way, which], ((way + 4) % 8).astype(np.uint8)
        grid.direction[cells] = turn
        front = cells[grid.direction[cells] == turn]


def settle(grid: Grid, level: Long) -> Pools:
    """Give level ground that borders its own way down a direction; return the bottoms left.

    Parameters
    ----------
    grid
        Its directions are changed.
    level
        Cells without a lower neighbour.
    """
    pick = np.full(level.size, POOL, dtype=np.uint8)
    is_flat = False
    for start in range(0, level.size, _CHUNK):
        some = slice(start, start + _CHUNK)
        there, is_level = _level_neighbours(grid, level[some])
        if is_level.any():
            is_flat = True
            is_level &= grid.direction.take(there) != POOL
            way, which = np.nonzero(is_level[_FARTHEST_FIRST])
            pick[some][which] = _FARTHEST_FIRST[way]
    if not is_flat:
        return Pools(level, level, has_flats=False)
    has_way = pick != POOL
    grid.direction[level[has_way]] = pick[has_way]
    _spread(grid, level[has_way])
    cells = level[grid.direction[level] == POOL]
    part, count = regions(cells, (grid.rows, grid.cols), walls=grid.walls, z=grid.z)
    stands = np.empty(count, dtype=np.intp)
    stands[part[::-1]] = cells[::-1]
    return Pools(cells, stands[part], has_flats=count < cells.size)


def regions(
    cells: Long,
    shape: tuple[int, int],
    *,
    walls: Bytes | None = None,
    z: Raster | None = None,
    links: tuple[Long, Long] | None = None,
) -> tuple[Index, int]:
    """Find which of some cells hang together over open ways.

    Parameters
    ----------
    cells
        Flat indices, ascending.
    shape
        Rows and columns of the raster.
    walls, z
        Flat; with `z` only cells as high hang together.
    links : two arrays, shape (m,)
        Places in `cells` of pairs that hang together too.

    Returns
    -------
    part : array of int32, shape (n,)
        Region of each cell, from 0.
    count
        Number of regions.
    """
    rows, cols = shape
    place = np.full(rows * cols, -1, dtype=np.int32)
    place[cells] = np.arange(cells.size, dtype=np.int32)
    near, far = [], []
    if links is not None:
        near.append(links[0].astype(np.int32))
        far.append(links[1].astype(np.int32))
    for start in range(0, cells.size, _CHUNK):
        some = cells[start : start + _CHUNK]
        row, col = np.divmod(some, cols)
        for k in (2, 3, 4, 5):  # half of the neighbours, each pair once
            to_row, to_col = row + ROW_STEP[k], col + COL_STEP[k]
            is_open = (to_row < rows) & (to_col >= 0) & (to_col < cols)
            if walls is not None:
                is_open &= (walls[some] >> k & 1) == 0
            which = np.flatnonzero(is_open)
            there = to_row[which] * cols + to_col[which]
            other = place[there]
            met = other >= 0
            if z is not None:
                met &= z[there] == z[some[which]]
            near.append((start + which[met]).astype(np.int32))
            far.append(other[met])
    empty = np.empty(0, dtype=np.int32)
    _, part, count = join_parts(
        np.concatenate([empty, *near]), np.concatenate([empty, *far]), cells.size
    )
    return part, count


# ----------------------------------------------------------------------------------------- basins


def label_basins(grid: Grid, pools: Pools) -> tuple[Index, Long]:
    """Find the basin of the raw ground that each cell belongs to, by pointer jumping.

    Returns
    -------
    label : array of int32, shape (cells,)
        Basin of each cell; for nodata the number of basins.
    bottoms
        Flat index of each basin's bottom, ascending.
    """
    size = grid.z.size
    shift = step_table(grid.cols).astype(np.int32)
    bottom = np.arange(size, dtype=np.int32)
    for start in range(0, size, _CHUNK):
        part = slice(start, start + _CHUNK)
        bottom[part] += shift[grid.direction[part]]
    bottom[pools.cells] = pools.stands
    index = np.empty(_CHUNK, dtype=np.intp)
    spare = np.empty(_CHUNK, dtype=np.int32)
    starts = list(range(0, size, _CHUNK))
    while starts:
        # a part that does not change any more has only bottoms in it
        left = []
        for start in starts:
            here = bottom[start : start + _CHUNK]
            at, further = index[: here.size], spare[: here.size]
            at[...] = here
            np.take(bottom, at, out=further, mode="clip")
            if not np.array_equal(further, here):
                here[...] = further
                left.append(start)
        starts = left[::-1]
    bottoms = np.flatnonzero((grid.direction >= LEAVES) & (grid.direction != NODATA))
    if pools.has_flats:
        bottoms = bottoms[bottom[bottoms] == bottoms]
    number = np.full(size, len(bottoms), dtype=np.int32)
    number[bottoms] = np.arange(len(bottoms), dtype=np.int32)
    for start in range(0, size, _CHUNK):
        here = bottom[start : start + _CHUNK]
        at = index[: here.size]
        at[...] = here
        np.take(number, at, out=here, mode="clip")
    return bottom, bottoms


@dataclass(frozen=True, eq=False, slots=True)
class Passes:
    """Ways between basins, lowest first; basin number `outside` is everything outside.

    Parameters
    ----------
    near, far
        Basin of the cell, and basin behind the pass.
    z
        Elevation of the pass, which is that of the cell.
    cell, direction
        The cell, and the way on from it; LEAVES and more, or INLET, to the outside.
    """

    near: Index
    far: Index
    z: Raster
    cell: Long
    direction: Bytes
    outside: int


def find_passes(grid: Grid, relief: Relief, label: Index, count: int) -> Passes:
    """Collect the ways over saddles and over the edge, in order of elevation.

    Where two ways are as high, the edge comes first, and of one saddle's ways the steepest.
    """
    is_edge = np.ones(relief.edge.size, dtype=np.bool_)
    if relief.inlets.size:
        is_edge = ~np.isin(relief.edge, relief.inlets)
    cells = [relief.edge[is_edge], relief.inlets]
    turns = [relief.outward[is_edge], grid.direction[relief.inlets]]
    ends = [np.full(cells[0].size + cells[1].size, count, dtype=np.int32)]
    for touching, chosen in ((TOUCHING, ~relief.is_loose), (ALONE, relief.is_loose)):
        saddles, lower = relief.saddles[chosen], relief.lower[chosen]
        for cell, turn, end in ways_over(grid, label, saddles, lower, touching):
            cells.append(cell)
            turns.append(turn)
            ends.append(end)
    cell = np.concatenate(cells)
    z = grid.z[cell]
    order = ascending_order(z)
    cell = cell[order]
    turn = np.concatenate(turns)[order]
    return Passes(label[cell], np.concatenate(ends)[order], z[order], cell, turn, count)


def ways_over(
    grid: Grid, label: Index, saddle: Long, lower: Bytes, touching: Bytes
) -> Iterator[tuple[Long, Bytes, Index]]:
    """Yield the ways over saddles to other basins: the steepest of each, then the next steepest.

    Parameters
    ----------
    grid, label
        The ground, and the basin of each of its cells.
    saddle, lower
        Flat indices, and the sets of their lower neighbours.
    touching
        `TOUCHING`, or `ALONE` where nothing proves that neighbours hang together.

    Yields
    ------
    cell, direction, end
        The saddle, the way on from it, and the basin there.
    """
    shift = step_table(grid.cols)
    # the neighbours that hang together with the cell's own way down are joined to it below
    left = lower & ~touching[lower, grid.direction[saddle]]
    while (has := np.flatnonzero(left)).size:
        saddle, lower, left = saddle[has], lower[has], left[has]
        steepest = np.full(saddle.size, -np.inf, dtype=grid.z.dtype)
        turn = np.zeros(saddle.size, dtype=np.uint8)
        z = grid.z[saddle]
        for k in range(8):
            which = np.flatnonzero(left & 1 << k)
            fall = z[which] - grid.z[saddle[which] + shift[k]]
            if k % 2:
                fall *= 0.5**0.5
            better = fall > steepest[which]
            which = which[better]
            steepest[which] = fall[better]
            turn[which] = k
        end = label[saddle + shift[turn]]
        crosses = np.flatnonzero(end != label[saddle])
        yield saddle[crosses], turn[crosses], end[crosses]
        left &= ~touching[lower, turn]


@dataclass(frozen=True, eq=False, slots=True)
class Exits:
    """How the water leaves each basin.

    Parameters
    ----------
    cell, direction
        Last cell inside, and the way on from there.
    level
        Elevation of the water when the basin is full.
    outlet
        Cell in which the water finally leaves the site or the ground.
    trapped
        Bottoms that no way leads out of.
    """

    cell: Long
    direction: Bytes
    level: Raster
    outlet: Index
    trapped: Long


def find_exits(passes: Passes, bottoms: Long, heights: Raster, cols: int) -> Exits:
    """Find the spill level of every basin and the pass its water leaves over.

    Parameters
    ----------
    passes
        Between the basins.
    bottoms, heights
        Bottom of each basin, and its elevation.
    cols
        Of the raster.
    """
    outside = passes.outside
    chosen, part, parts = join_parts(passes.near, passes.far, outside + 1)
    near, far = passes.near[chosen], passes.far[chosen]
    cell, turn, z = passes.cell[chosen], passes.direction[chosen], passes.z[chosen]
    trapped = bottoms[:0]
    if parts > 1:
        # what barriers enclose ends at the lowest bottom in there
        deepest = np.lexsort((heights, part[:-1]))
        first = deepest[np.flatnonzero(np.diff(part[:-1][deepest], prepend=-1))]
        first = first[part[first] != part[-1]]
        trapped = bottoms[first]
        near = np.append(near, first.astype(np.int32))
        far = np.append(far, np.full(first.size, outside, dtype=np.int32))
        cell = np.append(cell, trapped)
        turn = np.append(turn, np.full(first.size, HOLLOW, dtype=np.uint8))
        z = np.append(z, heights[first])
    link, up = hang_tree(near, far, outside)
    cell, turn, level = cell[link], turn[link], z[link]
    # a pass may be crossed either way
    is_back = far[link] == np.arange(outside)
    cell = np.where(is_back, cell + step_table(cols)[turn], cell)
    turn = np.where(is_back, (turn + 4) % 8, turn)
    down = np.where(up[:-1] == outside, np.arange(outside), up[:-1])
    while True:
        np.maximum(level, level[down], out=level)
        if np.array_equal(further := down[down], down):
            break
        down = further
    return Exits(cell, turn, level, cell[down].astype(np.int32), trapped)


def carve(grid: Grid, exits: Exits, pools: Pools) -> None:
    """Turn the way from each basin's exit down to its bottom round, and level bottoms with it."""
    cell, turn = exits.cell, exits.direction
    shift = step_table(grid.cols)
    entries = [cell[:0]]
    while cell.size:
        old = grid.direction[cell]
        grid.direction[cell] = turn
        entries.append(cell[old == POOL])
        goes_on = np.flatnonzero(old < LEAVES)
        old, cell = old[goes_on], cell[goes_on]
        cell = cell + shift[old]
        turn = (old + 4) % 8
    if pools.has_flats:
        _spread(grid, np.concatenate(entries))
