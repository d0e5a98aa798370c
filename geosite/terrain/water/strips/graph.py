"""The basin graph over strips: basins by strip, joined over the borders, and one spill solve.

Within a strip only the passes of its own minimum spanning forest are kept: any other is the highest
of a circle of passes and in no minimum spanning tree of the whole, whatever lies outside.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.large_rasters import Rows
from geosite.terrain.water.basins import (
    ALONE,
    Exits,
    Passes,
    Pools,
    find_exits,
    label_basins,
    regions,
    ways_over,
)
from geosite.terrain.water.descent import (
    LEAVES,
    POOL,
    TOUCHING,
    Bytes,
    Grid,
    Index,
    Long,
    Raster,
)
from geosite.terrain.water.steepest import steepest_ways
from geosite.terrain.water.strips.ground import Ground, Strip, Ways
from geosite.terrain.water.trees import ascending_order, join_parts

__all__ = ["Basins", "find_basins", "find_spills"]


@dataclass(frozen=True, eq=False, slots=True)
class Basins:
    """The basin of each cell.

    Parameters
    ----------
    local : Rows of int32
        Number of the basin within the strip.
    number : tuple of array of int32
        Number of the basin in the raster by its number within the strip; the last, of nodata, is
        the number of basins.
    bottoms, heights
        Flat index and elevation of each basin's bottom, ascending by the first.
    """

    local: Rows
    number: tuple[Index, ...]
    bottoms: Long
    heights: Raster

    def labels(self, strip: Strip) -> Index:
        """Return the basins of the cells, flat, with the rows beside the strip."""
        local = self.local.copied(strip.first, strip.last)
        core = strip.core
        local[core] = self.number[strip.number][local[core]]
        if core.start:
            local[0] = self.number[strip.number - 1][local[0]]
        if core.stop < len(local):
            local[-1] = self.number[strip.number + 1][local[-1]]
        found: Index = local.ravel()
        return found


@dataclass(frozen=True, eq=False, slots=True)
class _Part:
    """The basins of a strip; those in the rows beside it are cells where water leaves the strip."""

    bottoms: Long
    heights: Raster
    edge_labels: Index  # first and last row
    edge_z: Raster
    edge_pools: npt.NDArray[np.bool_]


def find_basins(ground: Ground) -> Basins:
    """Find the basin of each cell, over the borders of strips."""
    local = ground.room.rows(ground.elevation.shape, np.int32)
    parts = []
    for strip in ground.strips:
        parts.append(_label(ground, strip, local))
        ground.progress((strip.number + 1) / len(ground.strips))
    sizes = [part.bottoms.size for part in parts]
    offset = np.concatenate([[0], np.cumsum(sizes)])
    bottoms = np.concatenate([part.bottoms for part in parts])
    heights = np.concatenate([part.heights for part in parts])
    cols = ground.elevation.shape[1]
    # a basin that ends in a row beside the strip goes on as that cell's; of a pool that lies in
    # several strips the first cell stands for all
    pointer = np.arange(bottoms.size)
    for strip, part in zip(ground.strips, parts, strict=True):
        row = part.bottoms // cols
        for beside, place, here in (
            (strip.number - 1, 1, np.flatnonzero(row < strip.top)),
            (strip.number + 1, 0, np.flatnonzero(row >= strip.bottom)),
        ):
            if here.size:
                there = parts[beside].edge_labels[place][part.bottoms[here] % cols]
                pointer[offset[strip.number] + here] = offset[beside] + there
    near, far = _pool_links(ground, parts, offset)
    if near.size:
        nodes, ends = np.unique(np.concatenate([near, far]), return_inverse=True)
        _, group, count = join_parts(
            ends[: near.size].astype(np.int32), ends[near.size :].astype(np.int32), nodes.size
        )
        first = np.full(count, bottoms.size)
        np.minimum.at(first, group, nodes)
        pointer[nodes] = first[group]
    while not np.array_equal(further := pointer[pointer], pointer):
        pointer = further
    is_root = pointer == np.arange(pointer.size)
    count = int(is_root.sum())
    number = (np.cumsum(is_root, dtype=np.int32) - np.int32(1))[pointer]
    by_strip = tuple(
        np.append(number[a:b], np.int32(count))
        for a, b in zip(offset[:-1].tolist(), offset[1:].tolist(), strict=True)
    )
    return Basins(local, by_strip, bottoms[is_root], heights[is_root])


def _label(ground: Ground, strip: Strip, local: Rows) -> _Part:
    z = ground.z(strip)
    cells = ground.pools(strip)
    grid = ground.grid(strip, z)
    pools = Pools(cells, cells, has_flats=False)
    if cells.size:
        part, count = regions(cells, strip.shape, walls=grid.walls, z=grid.z)
        if count < cells.size:
            stands = np.empty(count, dtype=np.intp)
            stands[part[::-1]] = cells[::-1]
            pools = Pools(cells, stands[part], has_flats=True)
    # in the rows beside, every way ends: there the strip's water leaves it
    ends = np.full(grid.direction.size, LEAVES, dtype=np.uint8)
    ends[strip.own] = grid.direction[strip.own]
    label, bottoms = label_basins(Grid(grid.z, ends, grid.rows, grid.cols, grid.walls), pools)
    # what no water of the strip reaches there is no basin of it
    own = label[strip.own]
    is_used = np.zeros(bottoms.size + 1, dtype=np.bool_)
    is_used[own] = True
    renumbered = np.cumsum(is_used, dtype=np.int32) - np.int32(1)
    used = is_used[:-1]
    renumbered[-1] = np.count_nonzero(used)
    own = renumbered[own].reshape(-1, strip.cols)
    local.mapped(strip.top, strip.bottom)[...] = own
    bottoms = bottoms[used]
    edge = [0, len(own) - 1]
    return _Part(
        bottoms + strip.start,
        grid.z[bottoms],
        own[edge],
        z[strip.core][edge],
        ground.direction[strip.top : strip.bottom][edge] == POOL,
    )


def _pool_links(ground: Ground, parts: list[_Part], offset: Long) -> tuple[Long, Long]:
    """Return basins, counted through all strips, whose pools touch over a border at one level."""
    near, far = [offset[:0]], [offset[:0]]
    for strip, upper, lower in zip(ground.strips[:-1], parts[:-1], parts[1:], strict=True):
        for step, k in ((-1, 5), (0, 4), (1, 3)):
            a = np.arange(max(0, -step), strip.cols - max(0, step))
            b = a + step
            meets = upper.edge_pools[1, a] & lower.edge_pools[0, b]
            meets &= upper.edge_z[1, a] == lower.edge_z[0, b]
            if ground.walls is not None:
                meets &= (ground.walls[strip.bottom - 1, a] >> k & 1) == 0
            near.append(offset[strip.number] + upper.edge_labels[1, a[meets]])
            far.append(offset[strip.number + 1] + lower.edge_labels[0, b[meets]])
    return np.concatenate(near), np.concatenate(far)


@dataclass(frozen=True, eq=False, slots=True)
class _Kept:
    """Passes with their place in the order of equal elevations, as in `Passes`."""

    kind: npt.NDArray[np.int64]
    near: Index
    far: Index
    z: Raster
    cell: Long
    direction: Bytes


def find_spills(ground: Ground, ways: Ways, basins: Basins) -> Exits:
    """Find how the water leaves each basin, with one solve over the passes of all strips."""
    parts = []
    for strip in ground.strips:
        parts.append(_passes(ground, strip, ways, basins))
        ground.progress((strip.number + 1) / len(ground.strips))
    kind = np.concatenate([part.kind for part in parts])
    z = np.concatenate([part.z for part in parts])
    order = np.argsort(kind, kind="stable")
    order = order[ascending_order(z[order])]
    del kind
    passes = Passes(
        np.concatenate([part.near for part in parts])[order],
        np.concatenate([part.far for part in parts])[order],
        z[order],
        np.concatenate([part.cell for part in parts])[order],
        np.concatenate([part.direction for part in parts])[order],
        basins.bottoms.size,
    )
    parts.clear()
    del order, z
    return find_exits(passes, basins.bottoms, basins.heights, ground.elevation.shape[1])


def _passes(ground: Ground, strip: Strip, ways: Ways, basins: Basins) -> _Kept:
    z = ground.z(strip)
    grid = ground.grid(strip, z)
    label = basins.labels(strip)
    found = list(_ways_out(ground, strip, ways, basins.bottoms.size))
    found.extend(_ways_over(ground, strip, ways, grid, label))
    kind = np.concatenate([np.full(cell.size, kind) for kind, cell, _, _ in found])
    cell = np.concatenate([cell for _, cell, _, _ in found])
    turn = np.concatenate([turn for _, _, turn, _ in found])
    far = np.concatenate([end for _, _, _, end in found])
    order = np.argsort(kind, kind="stable")
    order = order[ascending_order(grid.z[cell[order]])]
    kind, cell, turn, far = kind[order], cell[order], turn[order], far[order]
    near = label[cell]
    nodes, ends = np.unique(np.concatenate([near, far]), return_inverse=True)
    places: Index = np.asarray(ends, dtype=np.int32)
    chosen, _, _ = join_parts(places[: near.size], places[near.size :], nodes.size)
    # as they stood before: one kind after the other, cells ascending in each
    chosen = chosen[np.argsort(order[chosen])]
    cell = cell[chosen]
    return _Kept(
        kind[chosen], near[chosen], far[chosen], grid.z[cell], cell + strip.start, turn[chosen]
    )


_Found = tuple[int, Long, Bytes, Index]


def _ways_out(ground: Ground, strip: Strip, ways: Ways, outside: int) -> Iterator[_Found]:
    """Yield kind 0, over the edge, and kind 1, into inlets; flat with the rows beside."""
    low, high = strip.top * strip.cols, strip.bottom * strip.cols
    first, last = np.searchsorted(ways.edge, [low, high])
    edge, outward = ways.edge[first:last], ways.outward[first:last]
    sunk = ways.inlets[slice(*np.searchsorted(ways.inlets, [low, high]))]
    if sunk.size:
        is_edge = ~np.isin(edge, sunk)
        edge, outward = edge[is_edge], outward[is_edge]
    for kind, cell, turn in (
        (0, edge, outward),
        (1, sunk, ground.direction.reshape(-1)[sunk]),
    ):
        yield kind, cell - strip.start, turn, np.full(cell.size, outside, dtype=np.int32)


def _ways_over(
    ground: Ground, strip: Strip, ways: Ways, grid: Grid, label: Index
) -> Iterator[_Found]:
    """Yield ways over saddles: by whether walls are near, by how steep, then the cells let out."""
    z = grid.z.reshape(strip.shape)
    relief, _ = steepest_ways(z, ground.inlets_of(strip), None, ground.walls_of(strip))
    mine = strip.owns(relief.saddles)
    saddles, lower, is_loose = relief.saddles[mine], relief.lower[mine], relief.is_loose[mine]
    span = np.searchsorted(ways.leaving.cell, [strip.top * strip.cols, strip.bottom * strip.cols])
    leaving = ways.leaving.cell[slice(*span)] - strip.start
    let_out = ways.leaving.lower[slice(*span)]
    new = ~np.isin(leaving, saddles)
    has_walls = ground.walls is not None
    sets = [
        (0, saddles[~is_loose], lower[~is_loose], TOUCHING),
        (1_000, saddles[is_loose], lower[is_loose], ALONE),
        (1_001 if has_walls else 1, leaving[new], let_out[new], ALONE if has_walls else TOUCHING),
    ]
    for kind, cells, below, touching in sets:
        for again, (cell, turn, end) in enumerate(ways_over(grid, label, cells, below, touching)):
            yield 10 + kind + 2 * again, cell, turn, end
