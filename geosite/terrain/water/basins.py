"""The basin graph: flats, basins of the raw ground, passes between them, spill elevations.

A basin is all ground that steepest descent leads to one bottom. Basins and the passes between them
are a small graph; its minimum spanning tree gives the spill elevation of every depression at once
(Cordonnier, Bovy & Braun 2019, doi:10.5194/esurf-7-549-2019). The elevations themselves are not
changed.

In the examples a valley between walls of 9 m holds two hollows, of 4 m and 5 m, with a saddle of
6 m between them and its lowest way out, of 8 m, in the east.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from geosite.terrain.water.descent import (
    CLOSED_DEPRESSION,
    CONNECTED,
    NO_FLOW,
    NODATA,
    OUTFLOW,
    Bytes,
    FlowGrid,
    Index,
    LocalFlow,
    Long,
    Raster,
    index_offsets,
)
from geosite.terrain.water.flats import Pits, flow_towards
from geosite.terrain.water.spanning_trees import ascending_order, minimum_spanning_forest, root_tree

__all__ = [
    "UNCONNECTED",
    "Passes",
    "Spills",
    "carve",
    "find_passes",
    "find_spills",
    "label_basins",
    "saddle_passes",
]

_CHUNK = 65_536
"""Cells per step of a pass over flat arrays."""
UNCONNECTED = np.zeros((256, 256), dtype=np.uint8)
"""As `CONNECTED`, where no two neighbours are taken as connected."""
for _k in range(8):
    UNCONNECTED[:, _k] = np.arange(256) & 1 << _k


def label_basins(grid: FlowGrid, pools: Pits) -> tuple[Index, Long]:
    """Find the basin of the raw ground that each cell belongs to, by pointer jumping.

    Each cell points to its receiver; then every pointer is replaced by the pointer of the cell it
    points to, which doubles the path each time, until all point to bottoms.

    Returns
    -------
    label : array of int32, shape (cells,)
        Basin of each cell; for nodata the number of basins.
    bottoms
        Flat index of each basin's bottom, ascending.

    Examples
    --------
    The two hollows, with their bottoms in cells 6 and 8; the saddle drains to the lower one:

    >>> z = np.array([[9.0] * 5, [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> from geosite.terrain.water.flats import resolve_flats
    >>> from geosite.terrain.water.flow_directions import find_flow_directions
    >>> local = find_flow_directions(z, None, None, None)
    >>> grid = FlowGrid(z.ravel(), local.direction.ravel(), 3, 5, None)
    >>> label, bottoms = label_basins(grid, resolve_flats(grid, local.level))
    >>> label[5:10].tolist(), bottoms.tolist()
    ([0, 0, 0, 1, 1], [6, 8])
    """
    size = grid.z.size
    offset = index_offsets(grid.cols).astype(np.int32)
    bottom = np.arange(size, dtype=np.int32)
    for start in range(0, size, _CHUNK):
        chunk = slice(start, start + _CHUNK)
        bottom[chunk] += offset[grid.direction[chunk]]
    bottom[pools.cells] = pools.representative
    index = np.empty(_CHUNK, dtype=np.intp)
    buffer = np.empty(_CHUNK, dtype=np.int32)
    starts = list(range(0, size, _CHUNK))
    while starts:
        # a part that does not change any more has only bottoms in it
        unsettled = []
        for start in starts:
            here = bottom[start : start + _CHUNK]
            position, next_bottom = index[: here.size], buffer[: here.size]
            position[...] = here
            np.take(bottom, position, out=next_bottom, mode="clip")
            if not np.array_equal(next_bottom, here):
                here[...] = next_bottom
                unsettled.append(start)
        starts = unsettled[::-1]
    bottoms = np.flatnonzero((grid.direction >= OUTFLOW) & (grid.direction != NODATA))
    if pools.has_flats:
        bottoms = bottoms[bottom[bottoms] == bottoms]
    number = np.full(size, len(bottoms), dtype=np.int32)
    number[bottoms] = np.arange(len(bottoms), dtype=np.int32)
    for start in range(0, size, _CHUNK):
        here = bottom[start : start + _CHUNK]
        position = index[: here.size]
        position[...] = here
        np.take(number, position, out=here, mode="clip")
    return bottom, bottoms


@dataclass(frozen=True, eq=False, slots=True)
class Passes:
    """Passes between basins, lowest first; basin number `outside` is everything outside.

    Parameters
    ----------
    near, far
        Basin of the cell, and basin behind the pass.
    z
        Elevation of the pass, which is that of the cell.
    cell, direction
        The cell, and the direction on from it; OUTFLOW and more, or INLET, to the outside.
    """

    near: Index
    far: Index
    z: Raster
    cell: Long
    direction: Bytes
    outside: int


def find_passes(grid: FlowGrid, local: LocalFlow, label: Index, count: int) -> Passes:
    """Collect the passes over saddles and over the edge, in order of elevation.

    Of passes of the same elevation the edge comes first; of one saddle the steepest direction.

    Examples
    --------
    The lowest passes of the two hollows: 6 m between them, then 8 m from the second to the outside
    (basin 2):

    >>> z = np.array([[9.0] * 5, [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> from geosite.terrain.water.flats import resolve_flats
    >>> from geosite.terrain.water.flow_directions import find_flow_directions
    >>> local = find_flow_directions(z, None, None, None)
    >>> grid = FlowGrid(z.ravel(), local.direction.ravel(), 3, 5, None)
    >>> label, bottoms = label_basins(grid, resolve_flats(grid, local.level))
    >>> passes = find_passes(grid, local, label, len(bottoms))
    >>> [(int(a), int(b), float(z)) for a, b, z in zip(passes.near, passes.far, passes.z)][:2]
    [(0, 1, 6.0), (1, 2, 8.0)]
    """
    is_edge = np.ones(local.edge.size, dtype=np.bool_)
    if local.inlets.size:
        is_edge = ~np.isin(local.edge, local.inlets)
    cells = [local.edge[is_edge], local.inlets]
    directions = [local.outward[is_edge], grid.direction[local.inlets]]
    others = [np.full(cells[0].size + cells[1].size, count, dtype=np.int32)]
    for connected, chosen in ((CONNECTED, ~local.near_wall), (UNCONNECTED, local.near_wall)):
        saddles, lower = local.saddles[chosen], local.lower[chosen]
        for cell, direction, other in saddle_passes(grid, label, saddles, lower, connected):
            cells.append(cell)
            directions.append(direction)
            others.append(other)
    cell = np.concatenate(cells)
    z = grid.z[cell]
    order = ascending_order(z)
    cell = cell[order]
    direction = np.concatenate(directions)[order]
    return Passes(label[cell], np.concatenate(others)[order], z[order], cell, direction, count)


def saddle_passes(
    grid: FlowGrid, label: Index, saddle: Long, lower: Bytes, connected: Bytes
) -> Iterator[tuple[Long, Bytes, Index]]:
    """Yield the passes over saddles: the steepest descent to another basin of each, then the next.

    Parameters
    ----------
    grid, label
        The ground, and the basin of each of its cells.
    saddle, lower
        Flat indices, and the sets of their lower neighbours.
    connected
        `CONNECTED`, or `UNCONNECTED` where walls may part neighbours that touch.

    Yields
    ------
    cell, direction, other
        The saddle, the direction on from it, and the basin there.

    Examples
    --------
    The saddle of 6 m (cell 7) between the hollows of 4 m and 5 m drains to the first; its pass
    leads east (2) to basin 1. Its lower neighbours are those to the east and to the west (bits 2
    and 6):

    >>> from geosite.terrain.water.descent import CONNECTED
    >>> z = np.array([[9.0] * 5, [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> direction = np.full(15, 6, np.uint8)
    >>> grid = FlowGrid(z.ravel(), direction, 3, 5, None)
    >>> label = np.repeat([0, 1], [8, 7]).astype(np.int32)
    >>> saddle, lower = np.array([7]), np.array([1 << 2 | 1 << 6], np.uint8)
    >>> [[a.tolist() for a in one] for one in saddle_passes(grid, label, saddle, lower, CONNECTED)]
    [[[7], [2], [1]]]
    """
    offset = index_offsets(grid.cols)
    # neighbours connected with the receiver drain to the same basin
    remaining = lower & ~connected[lower, grid.direction[saddle]]
    while (unfinished := np.flatnonzero(remaining)).size:
        saddle, lower, remaining = saddle[unfinished], lower[unfinished], remaining[unfinished]
        steepest = np.full(saddle.size, -np.inf, dtype=grid.z.dtype)
        direction = np.zeros(saddle.size, dtype=np.uint8)
        z = grid.z[saddle]
        for k in range(8):
            number = np.flatnonzero(remaining & 1 << k)
            slope = z[number] - grid.z[saddle[number] + offset[k]]
            if k % 2:
                slope *= 0.5**0.5
            is_steeper = slope > steepest[number]
            number = number[is_steeper]
            steepest[number] = slope[is_steeper]
            direction[number] = k
        other = label[saddle + offset[direction]]
        crosses = np.flatnonzero(other != label[saddle])
        yield saddle[crosses], direction[crosses], other[crosses]
        remaining &= ~connected[lower, direction]


@dataclass(frozen=True, eq=False, slots=True)
class Spills:
    """How the water leaves each basin.

    Parameters
    ----------
    cell, direction
        Last cell inside, and the direction on from there.
    level
        Spill elevation: that of the water when the basin is full.
    outlet
        Cell in which the water finally leaves the site or the ground.
    closed
        Bottoms of basins that no pass leads out of.
    """

    cell: Long
    direction: Bytes
    level: Raster
    outlet: Index
    closed: Long


def find_spills(passes: Passes, bottoms: Long, heights: Raster, cols: int) -> Spills:
    """Find the spill elevation of every basin and the pass its water leaves over.

    Parameters
    ----------
    passes
        Between the basins.
    bottoms, heights
        Bottom of each basin, and its elevation.
    cols
        Columns of the raster.

    Notes
    -----
    The passes that water uses are those of the minimum spanning tree of the basin graph, rooted in
    the outside. The spill elevation of a basin is the highest pass on its path to the root
    (Cordonnier et al. 2019, section 3), which is what priority-flood fills to (Barnes, Lehman &
    Mulla 2014, doi:10.1016/j.cageo.2013.04.024).

    Examples
    --------
    Basin 0 joins basin 1 over 6 m, basin 1 the outside (2) over 8 m: both fill to 8 m.

    >>> near, far = np.array([0, 1], np.int32), np.array([1, 2], np.int32)
    >>> over, out = np.array([7, 9]), np.array([2, OUTFLOW + 2], np.uint8)
    >>> passes = Passes(near, far, np.array([6.0, 8.0]), over, out, 2)
    >>> spills = find_spills(passes, np.array([6, 8]), np.array([4.0, 5.0]), 5)
    >>> spills.level.tolist(), spills.outlet.tolist()
    ([8.0, 8.0], [9, 9])
    """
    outside = passes.outside
    chosen, component, components = minimum_spanning_forest(passes.near, passes.far, outside + 1)
    near, far = passes.near[chosen], passes.far[chosen]
    cell, direction, z = passes.cell[chosen], passes.direction[chosen], passes.z[chosen]
    closed = bottoms[:0]
    if components > 1:
        # what barriers enclose ends at the lowest bottom in there
        deepest = np.lexsort((heights, component[:-1]))
        lowest = deepest[np.flatnonzero(np.diff(component[:-1][deepest], prepend=-1))]
        lowest = lowest[component[lowest] != component[-1]]
        closed = bottoms[lowest]
        near = np.append(near, lowest.astype(np.int32))
        far = np.append(far, np.full(lowest.size, outside, dtype=np.int32))
        cell = np.append(cell, closed)
        direction = np.append(direction, np.full(lowest.size, CLOSED_DEPRESSION, dtype=np.uint8))
        z = np.append(z, heights[lowest])
    pass_of, up = root_tree(near, far, outside)
    cell, direction, level = cell[pass_of], direction[pass_of], z[pass_of]
    # a pass may be crossed either way
    is_reversed = far[pass_of] == np.arange(outside)
    cell = np.where(is_reversed, cell + index_offsets(cols)[direction], cell)
    direction = np.where(is_reversed, (direction + 4) % 8, direction)
    down = np.where(up[:-1] == outside, np.arange(outside), up[:-1])
    while True:
        np.maximum(level, level[down], out=level)
        if np.array_equal(next_down := down[down], down):
            break
        down = next_down
    return Spills(cell, direction, level, cell[down].astype(np.int32), closed)


def carve(grid: FlowGrid, spills: Spills, pools: Pits) -> None:
    """Reverse the flow path from each basin's pass down to its bottom, and level bottoms with it.

    Afterwards the bottom drains over the pass (depression carving, Cordonnier et al. 2019).

    Parameters
    ----------
    grid
        Its directions are changed.
    spills, pits
        Of its basins.

    Examples
    --------
    In a valley closed to 8 m in the east, the hollow of 4 m drains east over the saddle of 6 m:

    >>> z = np.array([[9.0] * 5, [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> from geosite.terrain.water.flats import resolve_flats
    >>> from geosite.terrain.water.flow_directions import find_flow_directions
    >>> local = find_flow_directions(z, None, None, None)
    >>> grid = FlowGrid(z.ravel(), local.direction.ravel(), 3, 5, None)
    >>> pits = resolve_flats(grid, local.level)
    >>> label, bottoms = label_basins(grid, pits)
    >>> passes = find_passes(grid, local, label, len(bottoms))
    >>> carve(grid, find_spills(passes, bottoms, grid.z[bottoms], 5), pits)
    >>> local.direction[1].tolist()
    [2, 2, 2, 2, 10]
    """
    cell, direction = spills.cell, spills.direction
    offset = index_offsets(grid.cols)
    entries = [cell[:0]]
    while cell.size:
        old = grid.direction[cell]
        grid.direction[cell] = direction
        entries.append(cell[old == NO_FLOW])
        goes_on = np.flatnonzero(old < OUTFLOW)
        old, cell = old[goes_on], cell[goes_on]
        cell = cell + offset[old]
        direction = (old + 4) % 8
    if pools.has_flats:
        flow_towards(grid, np.concatenate(entries))
