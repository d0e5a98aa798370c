"""Where water goes: steepest descent, depressions and flats, and the ground each cell drains.

The surface is never altered to find a direction: water follows the raw ground to the bottom of a
depression, the depression fills to its lowest pass, and from there the bottom is linked to the pass
and the pass to the next depression. Depressions form a small graph whose minimum spanning tree
gives every spill level at once [1]_. Everything is array operations, so nothing is compiled.

Two observations keep the graph small. A pass matters only at a saddle: where the lower neighbours
of a cell hang together round it, they are joined below it already, and its links cannot be in the
minimum spanning tree. And the bottom of a depression is found by pointer jumping, without an order.

References
----------
.. [1] Cordonnier, G., Bovy, B., Braun, J. (2019). A versatile, linear complexity algorithm for flow
   routing in topographies with depressions. Earth Surface Dynamics 7, 549-562.
   doi:10.5194/esurf-7-549-2019
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["Drainage", "FlowMethod", "drain"]

FlowMethod = Literal["d8"]
Raster = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Index = npt.NDArray[np.int32]
Long = npt.NDArray[np.intp]

# Directions are numbered 0 to 7 clockwise from north, 45 degrees apart.
ROW_STEP = np.array([-1, -1, 0, 1, 1, 1, 0, -1], dtype=np.int32)
COL_STEP = np.array([0, 1, 1, 1, 0, -1, -1, -1], dtype=np.int32)
LEAVES, SINK, NODATA = 8, 9, 10
_POOL = 11  # while working: no lower neighbour, and neither at the edge nor an inlet
_NEAREST_FIRST = (0, 2, 4, 6, 1, 3, 5, 7)

_BAND = 16_384
"""Cells per band of rows: its dozen buffers stay within the second-level cache."""
_CHUNK = 65_536
"""Cells per step of passes over flat index arrays."""


@dataclass(frozen=True, eq=False, slots=True)
class Drainage:
    """Where the water of each cell goes. Arrays have shape (rows, cols), row 0 in the north.

    Parameters
    ----------
    direction : array of uint8
        0 to 7 clockwise from north; 8 leaves the site here, 9 into an inlet or a hollow without a
        way out, 10 nodata or barrier.
    receiver : array of int32
        Flat index of the cell the water goes to next; the cell itself where `direction` is 8 or 9;
        -1 where it is 10.
    azimuth_deg : array of float32
        Degrees clockwise from north of the way the water leaves the cell; where it leaves the site,
        the way across the edge; -1 where it cannot leave over the ground (an inlet, a hollow
        without a way out); NaN for nodata and barriers.
    filled : array, type of the elevation
        Elevation of the water surface when every depression is full.
    ponding_depth : array, type of the elevation
        `filled` minus the ground.
    catchment : array of int32
        Flat index of the cell in which the water leaves the site or the ground; -1 as above.
    contributing_cells : array of int32
        Cells that drain through this one, itself included; 0 as above.
    cell_size
        Map units.
    """

    direction: Bytes
    receiver: Index
    azimuth_deg: npt.NDArray[np.float32]
    filled: Raster
    ponding_depth: Raster
    catchment: Index
    contributing_cells: Index
    cell_size: float

    @property
    def outlets(self) -> Mask:
        """Cells in which water leaves the site over its edge."""
        return np.equal(self.direction, LEAVES)

    @property
    def sinks(self) -> Mask:
        """Cells in which water leaves the ground: inlets, and hollows without a way out."""
        return np.equal(self.direction, SINK)


def drain(
    z: Raster,
    cell_size: float,
    *,
    method: FlowMethod = "d8",
    inlets: Mask | None = None,
    barriers: Mask | None = None,
    walls: Bytes | None = None,
) -> Drainage:
    """Find where the water of every cell goes.

    Water leaves the site at the edge of the raster and of its data. From a cell it takes the
    steepest way to a lower one of its eight neighbours; of equally steep ways the first clockwise
    from north. On level ground it takes the shortest way to where the ground falls. Where a
    depression spills, the water of its bottom goes to the pass. A cell at the edge without a lower
    neighbour, or over which a depression spills, drains straight out.

    Parameters
    ----------
    z : array, shape (rows, cols), row 0 in the north
        Elevation. Anything not finite is outside the data.
    cell_size
        Edge of a cell, map units.
    method
        ``"d8"``: one of eight directions.
    inlets : array of bool, shape (rows, cols)
        Cells in which water leaves the ground.
    barriers : array of bool, shape (rows, cols)
        Cells that water neither enters nor leaves the site through (buildings).
    walls : array of uint8, shape (rows, cols)
        Bit ``k`` is set where water cannot step from the cell in direction ``k`` (kerbs); set on
        both sides of a wall.

    Returns
    -------
    Drainage

    Notes
    -----
    The filled surface equals a priority-flood's exactly. Every cell drains to an outlet or a sink,
    and there are no cycles. Ground enclosed by barriers has no way out: its lowest cell is
    a sink.
    """
    if z.dtype not in (np.float32, np.float64):
        z = z.astype(np.float64)
    if barriers is not None:
        z = np.where(barriers, z.dtype.type(np.nan), z)
    z = np.ascontiguousarray(z)
    relief = _relief(z, inlets, barriers, walls)
    grid = _Grid(
        z.ravel(),
        relief.direction.ravel(),
        z.shape[0],
        z.shape[1],
        None if walls is None else walls.ravel(),
    )
    pools = _resolve_flats(grid, relief.level)
    label, bottoms = _label_basins(grid, pools)
    exits = _spill(grid, _passes(grid, relief, label, len(bottoms)), bottoms)
    _carve(grid, exits, pools)
    is_sink = np.append(relief.inlets, exits.trapped)
    grid.direction[is_sink] = SINK
    receiver = _receivers(grid)

    level = np.append(exits.level, -np.inf).astype(z.dtype)
    filled = np.empty_like(grid.z)
    depth = np.empty_like(grid.z)
    outlet = np.append(exits.outlet, np.int32(-1))
    catchment = np.empty_like(label)
    for start in range(0, label.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        basin = label[part]
        np.maximum(grid.z[part], level[basin], out=filled[part])
        np.subtract(filled[part], grid.z[part], out=depth[part])
        catchment[part] = outlet[basin]
    return Drainage(
        direction=grid.direction.reshape(z.shape),
        receiver=receiver.reshape(z.shape),
        azimuth_deg=_azimuth(grid, relief).reshape(z.shape),
        filled=filled.reshape(z.shape),
        ponding_depth=depth.reshape(z.shape),
        catchment=catchment.reshape(z.shape),
        contributing_cells=_count_upstream(receiver).reshape(z.shape),
        cell_size=cell_size,
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Grid:
    """The surface as flat arrays; `direction` is worked on in place."""

    z: Raster
    direction: Bytes
    rows: int
    cols: int
    walls: Bytes | None

    @property
    def shift(self) -> Index:
        """Flat distance to the neighbour in each direction, 0 for the directions that stay."""
        shift = np.zeros(12, dtype=np.int32)
        shift[:8] = ROW_STEP * self.cols + COL_STEP
        return shift

    def step(self, cells: Long, k: int) -> tuple[Long, Long]:
        """Return which of the cells have an open way in direction `k`, and where it leads."""
        row, col = np.divmod(cells, self.cols)
        row += ROW_STEP[k]
        col += COL_STEP[k]
        is_open = (row >= 0) & (row < self.rows) & (col >= 0) & (col < self.cols)
        if self.walls is not None:
            is_open &= (self.walls[cells] >> k & 1) == 0
        which = np.flatnonzero(is_open)
        return which, row[which] * self.cols + col[which]


# ------------------------------------------------------------------------------- the raw ground


def _touching() -> Bytes:
    """Return, for each set of lower neighbours, those that hang together with one of them.

    Returns
    -------
    array of uint8, shape (256, 12)
        Set of neighbours by set and direction; empty where the direction is not in the set.
    """
    table = np.zeros((256, 12), dtype=np.uint8)
    for lower in range(256):
        left = {k for k in range(8) if lower >> k & 1}
        while left:
            group = [left.pop()]
            for k in group:
                # direct neighbours of a cell touch each other across the corner between them
                reach = (-2, -1, 1, 2) if k % 2 == 0 else (-1, 1)
                for other in {(k + step) % 8 for step in reach} & left:
                    left.remove(other)
                    group.append(other)
            table[lower, group] = sum(1 << k for k in group)
    return table


_TOUCHING = _touching()
_ALONE = np.zeros((256, 12), dtype=np.uint8)
for _k in range(8):
    _ALONE[:, _k] = np.arange(256) & 1 << _k
_IS_SADDLE = (_TOUCHING > 0).any(axis=1) & (_TOUCHING.max(axis=1) != np.arange(256))


def _outward() -> Bytes:
    """Return, for each set of outside neighbours, the one straight across the edge."""
    table = np.zeros(256, dtype=np.uint8)
    turn = np.arange(8) * np.pi / 4
    for outside in range(1, 256):
        is_out = np.array([outside >> k & 1 for k in range(8)], dtype=bool)
        east, north = np.sin(turn[is_out]).sum(), np.cos(turn[is_out]).sum()
        along = np.where(is_out, np.round(np.sin(turn) * east + np.cos(turn) * north, 9), -np.inf)
        # of two that are as straight across, the nearer
        table[outside] = max(range(8), key=lambda k: (along[k], k % 2 == 0, -k))
    return table


_OUTWARD = _outward()


@dataclass(frozen=True, eq=False, slots=True)
class _Relief:
    """What the raw ground says about each cell.

    Parameters
    ----------
    direction : array of uint8, shape (rows, cols)
        Steepest way down, LEAVES at edge cells and inlets without one, _POOL elsewhere without one.
    level
        Flat indices of the _POOL cells.
    saddles, lower, is_loose
        Cells whose lower neighbours may not hang together; which neighbours are lower; and whether
        a wall is so near that their touching proves nothing.
    edge, outside
        Cells at the edge of the data; which neighbours are outside.
    inlets
        Flat indices.
    """

    direction: Bytes
    level: Long
    saddles: Long
    lower: Bytes
    is_loose: Mask
    edge: Long
    outside: Bytes
    inlets: Long


def _relief(z: Raster, inlets: Mask | None, barriers: Mask | None, walls: Bytes | None) -> _Relief:
    rows, cols = z.shape
    wide = cols + 2
    step = max(1, _BAND // wide)
    huge = np.finfo(z.dtype).max
    diagonal = z.dtype.type(np.sqrt(0.5))
    shifts = [int(r) * wide + int(c) for r, c in zip(ROW_STEP, COL_STEP, strict=True)]
    direction = np.empty((rows, cols), dtype=np.uint8)
    size = step * wide
    fall = np.empty((8, size), z.dtype)
    best = np.empty(size, z.dtype)
    none = np.empty(0, dtype=np.intp)
    level, saddles, edge, inlet_cells = [none], [none], [none], [none]
    lower_sets = [np.empty(0, dtype=np.uint8)]
    outside_sets = [np.empty(0, dtype=np.uint8)]
    is_loose = [np.empty(0, dtype=np.bool_)]
    for top in range(0, rows, step):
        bottom = min(top + step, rows)
        high = bottom - top
        size = high * wide
        # one cell before the first and after the last: the corner neighbours of the frame
        ground = np.full((high + 2) * wide + 2, huge, dtype=z.dtype)
        is_out = np.ones((high + 2) * wide + 2, dtype=np.uint8)
        frame = ground[1:-1].reshape(high + 2, wide)
        out_frame = is_out[1:-1].reshape(high + 2, wide)
        halo = slice(max(top - 1, 0), min(bottom + 1, rows))
        inner = slice(halo.start - top + 1, halo.stop - top + 1), slice(1, -1)
        known = np.isfinite(z[halo])
        np.copyto(frame[inner], z[halo], where=known)
        np.logical_not(known, out=out_frame[inner], casting="unsafe")
        if barriers is not None:
            out_frame[inner][barriers[halo]] = 0
        first = 1 + wide

        def neighbour(values: npt.NDArray[Any], k: int) -> npt.NDArray[Any]:
            start = first + shifts[k]  # noqa: B023
            return values[start : start + size]  # noqa: B023

        here = ground[first : first + size]
        wall = None
        if walls is not None:
            padded = np.zeros((high + 2, wide), dtype=np.uint8)
            padded[inner] = walls[halo]
            wall = padded[1:-1].ravel()
        falls = fall[:, :size]
        steepest = best[:size]
        for k in range(8):
            np.subtract(here, neighbour(ground, k), out=falls[k])
            if k % 2:
                falls[k] *= diagonal
            if wall is not None:
                falls[k][(wall >> k & 1).view(bool)] = -huge
        np.maximum(falls[0], falls[1], out=steepest)
        for k in range(2, 8):
            np.maximum(steepest, falls[k], out=steepest)
        turn = np.zeros(size, dtype=np.uint8)
        for k in range(8):
            np.maximum(turn, (falls[k] == steepest).view(np.uint8) * np.uint8(8 - k), out=turn)
        turn *= (steepest > 0).view(np.uint8)
        np.subtract(8, turn, out=turn)

        # Lower means lower, or as low and earlier: no two cells are level, so that a plain set of
        # bits tells what touches what. A comparison serves the cell and its neighbour.
        lower = np.full(size, sum(1 << (k + 4) % 8 for k in (2, 3, 4, 5)), dtype=np.uint8)
        for k in (2, 3, 4, 5):
            ahead = shifts[k]
            is_lower = (
                ground[first : first + size + ahead] < ground[first - ahead : first + size]
            ).view(np.uint8)
            lower += is_lower[ahead:] << k
            lower -= is_lower[:size] << (k + 4) % 8
        outside = np.zeros(size, dtype=np.uint8)
        for k in range(8):
            outside |= neighbour(is_out, k) << k
        if wall is not None:
            lower &= ~wall
            outside &= ~wall
        valid = here < huge
        turn[~valid] = NODATA
        outside *= valid.view(np.uint8)

        inlet = np.zeros(size, dtype=bool)
        if inlets is not None:
            inlet.reshape(high, wide)[:, 1:-1] = inlets[top:bottom]
            inlet &= valid
            turn[inlet] = LEAVES
        stuck = turn == LEAVES
        candidate = _IS_SADDLE[lower]
        candidate |= stuck & (lower > 0)
        loose = None
        if wall is not None:
            near = np.zeros((high + 2) * wide + 2, dtype=np.uint8)
            near[1:-1] = padded.ravel()
            is_near = near[first : first + size].copy()
            for k in range(8):
                is_near |= neighbour(near, k)
            loose = is_near > 0
            candidate |= loose & (lower > 0)
        candidate &= valid
        pool = stuck & (outside == 0) & ~inlet
        turn[pool] = _POOL
        direction[top:bottom] = turn.reshape(high, wide)[:, 1:-1]

        def cells(mask: Mask) -> tuple[Long, Long]:
            at = np.flatnonzero(mask)
            row, col = np.divmod(at, wide)
            return at, (row + top) * cols + (col - 1)  # noqa: B023

        level.append(cells(pool)[1])
        at, saddle = cells(candidate)
        saddles.append(saddle)
        lower_sets.append(lower[at])
        is_loose.append(np.zeros(len(at), dtype=bool) if loose is None else loose[at])
        at, rim = cells(outside > 0)
        edge.append(rim)
        outside_sets.append(outside[at])
        if inlets is not None:
            inlet_cells.append(cells(inlet)[1])
    return _Relief(
        direction,
        np.concatenate(level),
        np.concatenate(saddles),
        np.concatenate(lower_sets),
        np.concatenate(is_loose),
        np.concatenate(edge),
        np.concatenate(outside_sets),
        np.concatenate(inlet_cells),
    )


# ---------------------------------------------------------------------------------------- flats


@dataclass(frozen=True, eq=False, slots=True)
class _Pools:
    """Level bottoms of depressions: their cells, and the cell that stands for each."""

    cells: Long
    stands: Long

    @property
    def has_flats(self) -> bool:
        return not np.array_equal(self.cells, self.stands)


def _spread(grid: _Grid, front: Long) -> None:
    """Turn the level cells round `front` towards it, ring by ring."""
    while front.size:
        turned = []
        for k in _NEAREST_FIRST:
            which, there = grid.step(front, k)
            take = grid.direction[there] == _POOL
            take &= grid.z[there] == grid.z[front[which]]
            there = there[take]
            grid.direction[there] = (k + 4) % 8
            turned.append(there)
        front = np.concatenate(turned)


def _resolve_flats(grid: _Grid, level: Long) -> _Pools:
    """Give level ground that borders its own way down a direction; return the bottoms left."""
    pick = np.full(level.size, 255, dtype=np.uint8)
    is_flat = False
    for k in _NEAREST_FIRST:
        which, there = grid.step(level, k)
        is_equal = grid.z[there] == grid.z[level[which]]
        if not is_equal.any():
            continue
        is_flat = True
        which, there = which[is_equal], there[is_equal]
        take = (pick[which] == 255) & (grid.direction[there] != _POOL)
        pick[which[take]] = k
    if not is_flat:
        return _Pools(level, level)
    has_way = pick < 8
    front = level[has_way]
    grid.direction[front] = pick[has_way]
    _spread(grid, front)
    cells = level[grid.direction[level] == _POOL]
    pairs = []
    for k in (2, 3, 4, 5):
        which, there = grid.step(cells, k)
        same = grid.direction[there] == _POOL
        same &= grid.z[there] == grid.z[cells[which]]
        pairs.append((which[same], np.searchsorted(cells, there[same])))
    a = np.concatenate([pair[0] for pair in pairs])
    if not a.size:
        return _Pools(cells, cells)
    b = np.concatenate([pair[1] for pair in pairs])
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count, part = connected_components(
        coo_array((np.ones(a.size, dtype=np.int8), (a, b)), shape=(cells.size, cells.size)),
        directed=False,
    )
    stands = np.empty(count, dtype=np.intp)
    stands[part[::-1]] = cells[::-1]
    return _Pools(cells, stands[part])


# ------------------------------------------------------------------------------ the basin graph


def _receivers(grid: _Grid) -> Index:
    """Return the flat index each cell drains to, -1 for nodata."""
    receiver = np.arange(grid.z.size, dtype=np.int32)
    shift = grid.shift
    for start in range(0, receiver.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        turn = grid.direction[part]
        receiver[part] += shift[turn]
        receiver[part][turn == NODATA] = -1
    return receiver


def _label_basins(grid: _Grid, pools: _Pools) -> tuple[Index, Long]:
    """Label each cell with the basin of the raw ground it belongs to.

    Returns
    -------
    label : array of int32
        Basin of each cell; the number of basins for nodata.
    bottoms
        Flat index of each basin's bottom, ascending.
    """
    size = grid.z.size
    bottom = np.arange(size, dtype=np.int32)
    shift = grid.shift
    for start in range(0, size, _CHUNK):
        part = slice(start, start + _CHUNK)
        bottom[part] += shift[grid.direction[part]]
    bottom[pools.cells] = pools.stands
    starts = list(range(0, size, _CHUNK))
    while starts:
        # a part that does not change any more has only bottoms in it
        left = []
        for start in starts:
            nearer = bottom[start : start + _CHUNK]
            further = bottom[nearer]
            if not np.array_equal(further, nearer):
                nearer[...] = further
                left.append(start)
        starts = left[::-1]
    is_bottom = (grid.direction == LEAVES) | (grid.direction == _POOL)
    bottoms = np.flatnonzero(is_bottom)
    if pools.has_flats:
        bottoms = bottoms[bottom[bottoms] == bottoms]
    number = np.full(size, len(bottoms), dtype=np.int32)
    number[bottoms] = np.arange(len(bottoms), dtype=np.int32)
    for start in range(0, size, _CHUNK):
        some = bottom[start : start + _CHUNK]
        some[...] = number[some]
    return bottom, bottoms


@dataclass(frozen=True, eq=False, slots=True)
class _Passes:
    """Links between basins, lowest first; basin number `outside` is everything outside."""

    low: Index
    high: Index
    z: Raster
    cell: Long
    direction: Bytes
    outside: int


def _passes(grid: _Grid, relief: _Relief, label: Index, count: int) -> _Passes:
    """Collect the ways over saddles and over the edge, in order of elevation."""
    ways = np.unique(np.append(relief.edge, relief.inlets))
    cells = [ways]
    turns = [np.full(ways.size, LEAVES, dtype=np.uint8)]
    ends = [np.full(ways.size, count, dtype=np.int32)]
    shift = grid.shift
    for touching, chosen in ((_TOUCHING, ~relief.is_loose), (_ALONE, relief.is_loose)):
        saddle, lower = relief.saddles[chosen], relief.lower[chosen]
        # the neighbours that hang together with the cell's own way down are in its basin or below
        left = lower & ~touching[lower, grid.direction[saddle]]
        # of a saddle's ways the steepest comes first, and wins where a spill level does not decide
        while (has := np.flatnonzero(left)).size:
            saddle, lower, left = saddle[has], lower[has], left[has]
            steepest = np.full(saddle.size, -np.inf, dtype=grid.z.dtype)
            turn = np.zeros(saddle.size, dtype=np.uint8)
            for k in range(8):
                which = np.flatnonzero(left >> k & 1)
                at = saddle[which]
                fall = grid.z[at] - grid.z[at + shift[k]]
                if k % 2:
                    fall *= 0.5**0.5
                better = fall > steepest[which]
                which = which[better]
                steepest[which] = fall[better]
                turn[which] = k
            end = label[saddle + shift[turn]]
            crosses = end != label[saddle]
            cells.append(saddle[crosses])
            turns.append(turn[crosses])
            ends.append(end[crosses])
            left &= ~touching[lower, turn]
    cell = np.concatenate(cells)
    z = grid.z[cell]
    order = _ascending(z)
    cell = cell[order]
    return _Passes(
        label[cell],
        np.concatenate(ends)[order],
        z[order],
        cell,
        np.concatenate(turns)[order],
        count,
    )


def _ascending(z: Raster) -> Long:
    """Return the order of `z`, equal values as they stand."""
    if z.dtype != np.float32:
        return np.argsort(z, kind="stable")
    # the bits of a float as an integer that sorts alike, its place behind them
    bits = z.view(np.int32).astype(np.int64)
    bits = np.where(bits < 0, bits ^ 0x7FFFFFFF, bits)
    key = (bits << 32) | np.arange(z.size)
    key.sort()
    return key & 0xFFFFFFFF


@dataclass(frozen=True, eq=False, slots=True)
class _Exits:
    """How the water leaves each basin.

    Parameters
    ----------
    cell, direction
        Last cell inside, and the way on from there.
    level
        Elevation of the full basin.
    outlet
        Cell in which the water finally leaves.
    trapped
        Bottoms that no way leads out of.
    """

    cell: Long
    direction: Bytes
    level: Raster
    outlet: Index
    trapped: Long


def _spanning_tree(passes: _Passes) -> tuple[Long, Index, int]:
    """Choose the lowest passes that join everything (Boruvka's algorithm, no loop per basin).

    Returns
    -------
    chosen
        Positions in `passes`.
    part
        Connected part of each basin and, last, of the outside.
    count
        Number of parts.
    """
    part = np.arange(passes.outside + 1, dtype=np.int32)
    count = part.size
    chosen = np.zeros(passes.cell.size, dtype=bool)
    rank = np.arange(passes.cell.size, dtype=np.int32)
    a, b = passes.low, passes.high
    while rank.size:
        # the last value written stays, so the lowest pass is written last
        best = np.full(count, -1, dtype=np.int32)
        best_b = np.full(count, -1, dtype=np.int32)
        place = np.arange(rank.size - 1, -1, -1, dtype=np.int32)
        best[a[::-1]] = place
        best_b[b[::-1]] = place
        best = np.where((best < 0) | ((best_b >= 0) & (best_b < best)), best_b, best)
        alone = best < 0
        chosen[rank[best[~alone]]] = True
        here = np.arange(count, dtype=np.int32)
        other = np.where(alone, here, a[best] + b[best] - here)
        # two that chose each other: the earlier one is the root
        root = np.where((other[other] == here) & (here < other), here, other)
        while True:
            further = root[root]
            if np.array_equal(further, root):
                break
            root = further
        is_root = root == here
        renumbered = np.cumsum(is_root, dtype=np.int32) - 1
        merged = renumbered[root]
        count = int(renumbered[-1]) + 1
        part = merged[part]
        a, b = merged[a], merged[b]
        keep = a != b
        a, b, rank = a[keep], b[keep], rank[keep]
    return np.flatnonzero(chosen), part, count


def _spill(grid: _Grid, passes: _Passes, bottoms: Long) -> _Exits:
    """Find the spill level of every basin and the pass its water leaves over."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order

    outside = passes.outside
    chosen, part, parts = _spanning_tree(passes)
    near, far = passes.low[chosen], passes.high[chosen]
    cell, turn, z = passes.cell[chosen], passes.direction[chosen], passes.z[chosen]
    trapped = np.empty(0, dtype=np.intp)
    if parts > 1:
        # what barriers enclose ends at the lowest bottom in there
        deepest = np.lexsort((grid.z[bottoms], part[:-1]))
        first = deepest[np.flatnonzero(np.diff(part[:-1][deepest], prepend=-1))]
        first = first[part[first] != part[-1]]
        trapped = bottoms[first]
        near = np.append(near, first.astype(np.int32))
        far = np.append(far, np.full(first.size, outside, dtype=np.int32))
        cell = np.append(cell, trapped)
        turn = np.append(turn, np.full(first.size, LEAVES, dtype=np.uint8))
        z = np.append(z, grid.z[trapped])
    tree = coo_array((np.ones(near.size), (near, far)), shape=(outside + 1, outside + 1))
    _, before = breadth_first_order(tree, outside, directed=False)
    # a link may be crossed either way: the basin farther from the outside drains over it
    is_back = before[far] == near
    basin = np.where(is_back, far, near)
    exit_cell = np.empty(outside, dtype=np.intp)
    exit_cell[basin] = np.where(is_back, cell + grid.shift[turn], cell)
    exit_turn = np.empty(outside, dtype=np.uint8)
    exit_turn[basin] = np.where(is_back, (turn + 4) % 8, turn)
    level = np.empty(outside, dtype=z.dtype)
    level[basin] = z
    here = np.arange(outside, dtype=np.int32)
    down = np.where(before[:-1] == outside, here, before[:-1])
    while True:
        np.maximum(level, level[down], out=level)
        further = down[down]
        if np.array_equal(further, down):
            break
        down = further
    return _Exits(exit_cell, exit_turn, level, exit_cell[down].astype(np.int32), trapped)


def _carve(grid: _Grid, exits: _Exits, pools: _Pools) -> None:
    """Turn the way from each basin's exit down to its bottom round, and level bottoms with it."""
    cell, turn = exits.cell, exits.direction
    shift = grid.shift
    entries = [np.empty(0, dtype=np.intp)]
    while cell.size:
        old = grid.direction[cell]
        grid.direction[cell] = turn
        entries.append(cell[old == _POOL])
        goes_on = old < 8
        old, cell = old[goes_on], cell[goes_on]
        cell = cell + shift[old]
        turn = (old + 4) % 8
    if pools.has_flats:
        _spread(grid, np.concatenate(entries))


# -------------------------------------------------------------------------------------- results


def _azimuth(grid: _Grid, relief: _Relief) -> npt.NDArray[np.float32]:
    table = np.empty(12, dtype=np.float32)
    table[:8] = np.arange(8) * 45.0
    table[LEAVES:] = -1.0
    table[NODATA] = np.nan
    azimuth = table[grid.direction]
    is_leaving = grid.direction[relief.edge] == LEAVES
    azimuth[relief.edge[is_leaving]] = table[_OUTWARD[relief.outside[is_leaving]]]
    return azimuth


def _count_upstream(receiver: Index) -> Index:
    """Count the cells that drain through each cell, itself included, level by level."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order

    size = receiver.size
    here = np.arange(size, dtype=np.int32)
    # one node more that all outlets drain to; nodata drains to itself
    target = np.where(receiver == here, size, receiver).astype(np.int32)
    is_nodata = receiver < 0
    target[is_nodata] = here[is_nodata]
    links = csr_array(
        (
            np.ones(size),
            target,
            np.append(np.arange(size + 1, dtype=np.int32), np.int32(size)),
        ),
        shape=(size + 1, size + 1),
    )
    upstream = links.T.tocsr()
    order, _ = breadth_first_order(upstream, size, return_predecessors=True)
    children = np.diff(upstream.indptr)[order]
    first = np.concatenate(([1], 1 + np.cumsum(children)))
    count = np.ones(order.size, dtype=np.int64)
    ends = [0, 1]
    while ends[-1] < order.size:
        ends.append(int(first[ends[-1]]))
    for level in range(len(ends) - 2, 0, -1):
        start, stop, last = ends[level - 1], ends[level], ends[level + 1]
        total = np.concatenate(([0], np.cumsum(count[stop:last])))
        at = first[start : stop + 1] - stop
        count[start:stop] += total[at[1:]] - total[at[:-1]]
    result = np.zeros(size + 1, dtype=np.int32)
    result[order] = count
    return result[:size]
