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
    UNCONNECTED,
    Passes,
    Spills,
    find_spills,
    label_basins,
    saddle_passes,
)
from geosite.terrain.water.descent import (
    CONNECTED,
    NO_FLOW,
    OUTFLOW,
    Bytes,
    FlowGrid,
    Index,
    Long,
    Raster,
)
from geosite.terrain.water.flats import Pits
from geosite.terrain.water.flow_directions import steepest_descent
from geosite.terrain.water.regions import connected_regions
from geosite.terrain.water.spanning_trees import ascending_order, minimum_spanning_forest
from geosite.terrain.water.strips.ground import Strip, StripFlow, StripRaster

__all__ = ["Basins", "find_basins", "find_spills_over_strips"]


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
    edge_is_pit: npt.NDArray[np.bool_]


def find_basins(ground: StripRaster) -> Basins:
    """Find the basin of each cell, across the borders of strips."""
    local = ground.scratch.rows(ground.elevation.shape, np.int32)
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
    # several strips the first cell represents all
    pointer = np.arange(bottoms.size)
    for strip, part in zip(ground.strips, parts, strict=True):
        row = part.bottoms // cols
        for beside, place, outside in (
            (strip.number - 1, 1, np.flatnonzero(row < strip.top)),
            (strip.number + 1, 0, np.flatnonzero(row >= strip.bottom)),
        ):
            if outside.size:
                other = parts[beside].edge_labels[place][part.bottoms[outside] % cols]
                pointer[offset[strip.number] + outside] = offset[beside] + other
    near, far = _pit_links(ground, parts, offset)
    if near.size:
        nodes, ends = np.unique(np.concatenate([near, far]), return_inverse=True)
        _, group, count = minimum_spanning_forest(
            ends[: near.size].astype(np.int32), ends[near.size :].astype(np.int32), nodes.size
        )
        first = np.full(count, bottoms.size)
        np.minimum.at(first, group, nodes)
        pointer[nodes] = first[group]
    while not np.array_equal(next_pointer := pointer[pointer], pointer):
        pointer = next_pointer
    is_root = pointer == np.arange(pointer.size)
    count = int(is_root.sum())
    number = (np.cumsum(is_root, dtype=np.int32) - np.int32(1))[pointer]
    by_strip = tuple(
        np.append(number[a:b], np.int32(count))
        for a, b in zip(offset[:-1].tolist(), offset[1:].tolist(), strict=True)
    )
    return Basins(local, by_strip, bottoms[is_root], heights[is_root])


def _label(ground: StripRaster, strip: Strip, local: Rows) -> _Part:
    z = ground.z(strip)
    cells = ground.undrained(strip)
    grid = ground.grid(strip, z)
    pools = Pits(cells, cells, has_flats=False)
    if cells.size:
        part, count = connected_regions(cells, strip.shape, walls=grid.walls, z=grid.z)
        if count < cells.size:
            representative = np.empty(count, dtype=np.intp)
            representative[part[::-1]] = cells[::-1]
            pools = Pits(cells, representative[part], has_flats=True)
    # in the rows beside, every flow path ends: there the strip's water leaves it
    ends = np.full(grid.direction.size, OUTFLOW, dtype=np.uint8)
    ends[strip.own] = grid.direction[strip.own]
    label, bottoms = label_basins(FlowGrid(grid.z, ends, grid.rows, grid.cols, grid.walls), pools)
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
        ground.direction[strip.top : strip.bottom][edge] == NO_FLOW,
    )


def _pit_links(ground: StripRaster, parts: list[_Part], offset: Long) -> tuple[Long, Long]:
    """Return basins, counted through all strips, whose pools touch over a border at one level."""
    near, far = [offset[:0]], [offset[:0]]
    for strip, upper, lower in zip(ground.strips[:-1], parts[:-1], parts[1:], strict=True):
        for step, k in ((-1, 5), (0, 4), (1, 3)):
            a = np.arange(max(0, -step), strip.cols - max(0, step))
            b = a + step
            meets = upper.edge_is_pit[1, a] & lower.edge_is_pit[0, b]
            meets &= upper.edge_z[1, a] == lower.edge_z[0, b]
            if ground.walls is not None:
                meets &= (ground.walls[strip.bottom - 1, a] >> k & 1) == 0
            near.append(offset[strip.number] + upper.edge_labels[1, a[meets]])
            far.append(offset[strip.number + 1] + lower.edge_labels[0, b[meets]])
    return np.concatenate(near), np.concatenate(far)


@dataclass(frozen=True, eq=False, slots=True)
class _StripPasses:
    """Passes with their place in the order of equal elevations, as in `Passes`."""

    kind: npt.NDArray[np.int64]
    near: Index
    far: Index
    z: Raster
    cell: Long
    direction: Bytes


def find_spills_over_strips(ground: StripRaster, flow: StripFlow, basins: Basins) -> Spills:
    """Find how the water leaves each basin, with one solution over the passes of all strips."""
    parts = []
    for strip in ground.strips:
        parts.append(_passes(ground, strip, flow, basins))
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
    return find_spills(passes, basins.bottoms, basins.heights, ground.elevation.shape[1])


def _passes(ground: StripRaster, strip: Strip, flow: StripFlow, basins: Basins) -> _StripPasses:
    z = ground.z(strip)
    grid = ground.grid(strip, z)
    label = basins.labels(strip)
    found = list(_edge_passes(ground, strip, flow, basins.bottoms.size))
    found.extend(_saddle_passes_of(ground, strip, flow, grid, label))
    kind = np.concatenate([np.full(cell.size, kind) for kind, cell, _, _ in found])
    cell = np.concatenate([cell for _, cell, _, _ in found])
    direction = np.concatenate([direction for _, _, direction, _ in found])
    far = np.concatenate([other for _, _, _, other in found])
    order = np.argsort(kind, kind="stable")
    order = order[ascending_order(grid.z[cell[order]])]
    kind, cell, direction, far = kind[order], cell[order], direction[order], far[order]
    near = label[cell]
    nodes, position_of = np.unique(np.concatenate([near, far]), return_inverse=True)
    position: Index = np.asarray(position_of, dtype=np.int32)
    chosen, _, _ = minimum_spanning_forest(position[: near.size], position[near.size :], nodes.size)
    # as they stood before: one kind after the other, cells ascending in each
    chosen = chosen[np.argsort(order[chosen])]
    cell = cell[chosen]
    return _StripPasses(
        kind[chosen], near[chosen], far[chosen], grid.z[cell], cell + strip.start, direction[chosen]
    )


_Candidate = tuple[int, Long, Bytes, Index]


def _edge_passes(
    ground: StripRaster, strip: Strip, flow: StripFlow, outside: int
) -> Iterator[_Candidate]:
    """Yield kind 0, over the edge, and kind 1, into inlets; flat with the rows beside."""
    low, high = strip.top * strip.cols, strip.bottom * strip.cols
    first, last = np.searchsorted(flow.edge, [low, high])
    edge, outward = flow.edge[first:last], flow.outward[first:last]
    inlets = flow.inlets[slice(*np.searchsorted(flow.inlets, [low, high]))]
    if inlets.size:
        is_edge = ~np.isin(edge, inlets)
        edge, outward = edge[is_edge], outward[is_edge]
    for kind, cell, direction in (
        (0, edge, outward),
        (1, inlets, ground.direction.reshape(-1)[inlets]),
    ):
        yield kind, cell - strip.start, direction, np.full(cell.size, outside, dtype=np.int32)


def _saddle_passes_of(
    ground: StripRaster, strip: Strip, flow: StripFlow, grid: FlowGrid, label: Index
) -> Iterator[_Candidate]:
    """Yield passes over saddles: without walls near, with walls near, then the cells let out."""
    z = grid.z.reshape(strip.shape)
    local, _ = steepest_descent(z, ground.inlets_of(strip), None, ground.walls_of(strip))
    own = strip.owns(local.saddles)
    saddles, lower, near_wall = local.saddles[own], local.lower[own], local.near_wall[own]
    span = np.searchsorted(flow.outflow.cell, [strip.top * strip.cols, strip.bottom * strip.cols])
    outflow = flow.outflow.cell[slice(*span)] - strip.start
    outflow_lower = flow.outflow.lower[slice(*span)]
    new = ~np.isin(outflow, saddles)
    has_walls = ground.walls is not None
    sets = [
        (0, saddles[~near_wall], lower[~near_wall], CONNECTED),
        (1_000, saddles[near_wall], lower[near_wall], UNCONNECTED),
        (
            1_001 if has_walls else 1,
            outflow[new],
            outflow_lower[new],
            UNCONNECTED if has_walls else CONNECTED,
        ),
    ]
    for kind, cells, below, connected in sets:
        for round_number, (cell, direction, other) in enumerate(
            saddle_passes(grid, label, cells, below, connected)
        ):
            yield 10 + kind + 2 * round_number, cell, direction, other
