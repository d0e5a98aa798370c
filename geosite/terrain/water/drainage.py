"""Drainage of a raster: flow directions, depressions and flats, and contributing area.

The surface is never altered to find a direction. Water follows the raw ground to the bottom of a
depression; the depression fills to its lowest pass; from there the bottom is linked to the pass
and the pass to the next depression (`basins`). Everything is array operations, so nothing is
compiled and the first call is as fast as the second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from geosite.terrain.water.basins import carve, find_passes, find_spills, label_basins
from geosite.terrain.water.descent import (
    CLOSED_DEPRESSION,
    INLET,
    NODATA,
    OUTFLOW,
    Bytes,
    FlowGrid,
    Index,
    Long,
    Mask,
    Raster,
    index_offsets,
)
from geosite.terrain.water.flats import resolve_flats
from geosite.terrain.water.flow_directions import find_flow_directions

__all__ = [
    "CLOSED_DEPRESSION",
    "INLET",
    "NODATA",
    "OUTFLOW",
    "Drainage",
    "FlowMethod",
    "drain",
    "flow_accumulation",
]

FlowMethod = Literal["d8", "d-infinity"]

Floats = npt.NDArray[np.float64]

_CHUNK = 65_536
"""Cells per step of a pass over flat arrays."""
_BYTE_ROUNDS = 2
"""A cell counts at most 9 cells after the first round, 81 after the second: a byte holds them."""
_FEW = 300
"""Fewer cells than this at a time cost more in calls than in work."""
_END = 8
"""Feeders that the end of a way waits for in vain, so that it is never taken."""
_TAKEN = 255


@dataclass(frozen=True, eq=False, slots=True)
class Drainage:
    """Where the water of each cell goes. Arrays have shape (rows, cols), row 0 in the north.

    Parameters
    ----------
    ground : array
        Elevation as it was handed in, NaN at barriers.
    direction : array of uint8
        0 to 7 clockwise from north: to that neighbour. 8 to 15: out of the site, in direction 0 to
        7. `INLET` into an inlet, `CLOSED_DEPRESSION` at the bottom of a depression without a pass,
        `NODATA` nodata or barrier.
    filled : array
        Elevation of the water surface when every depression is full, NaN for nodata.
    catchment : array of int32
        Flat index of the cell in which the water leaves the site or the ground; -1 for nodata.
    contributing_cells : array of int32, of float64 for d-infinity
        Cells that drain through this one, itself included; 0 for nodata.
    cell_size
        Map units.
    toward_deg : array of float64, optional
        Of d-infinity: azimuth of the water where it is divided between two cells, NaN elsewhere.
    walls
        As handed in.
    """

    ground: Raster
    direction: Bytes
    filled: Raster
    catchment: Index
    contributing_cells: Index | Floats
    cell_size: float
    toward_deg: Floats | None = None
    walls: Bytes | None = None

    @property
    def azimuth_deg(self) -> Raster:
        """Azimuth of the flow, degrees clockwise from north.

        Where the water leaves the site, the azimuth across the edge; -1 where it cannot leave over
        the ground (an inlet, a closed depression); NaN for nodata.
        """
        table = np.full(256, -1.0, dtype=np.float32)
        table[: 2 * OUTFLOW] = np.arange(2 * OUTFLOW) % 8 * 45.0
        table[NODATA] = np.nan
        single = table[self.direction]
        if self.toward_deg is None:
            return single
        return np.where(np.isnan(self.toward_deg), single, self.toward_deg)

    @property
    def contributing_area(self) -> Floats:
        """Area that drains through each cell, itself included, in the square of the cell's unit."""
        return self.contributing_cells * np.float64(self.cell_size**2)

    @property
    def receiver(self) -> Index:
        """Flat index of the receiver, the cell's own where the water leaves, -1 for nodata."""
        receiver = index_offsets(self.direction.shape[1]).astype(np.int32)[self.direction]
        receiver += np.arange(receiver.size, dtype=np.int32).reshape(receiver.shape)
        receiver[self.direction == NODATA] = -1
        return receiver

    @property
    def ponding_depth(self) -> Raster:
        """Depth of the water when every depression is full, unit of the elevation."""
        return np.subtract(self.filled, self.ground)

    @property
    def outlets(self) -> Mask:
        """Cells in which water leaves the site over its edge."""
        return (self.direction >= OUTFLOW) & (self.direction < INLET)

    @property
    def sinks(self) -> Mask:
        """Cells in which water leaves the ground: inlets, and bottoms of closed depressions."""
        return (self.direction >= INLET) & (self.direction < NODATA)


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
    steepest descent to one of its eight neighbours; of equally steep ones the first clockwise from
    north. On level ground it takes the shortest path to where the ground falls. Where a depression
    spills, the water of its bottom goes to the pass. A cell at the edge without a lower neighbour,
    or over which a depression spills, drains straight out. Water that would run along the edge
    until it leaves does so at once where the ground, extended over the edge at the slope at which
    it reaches it, falls more steeply that way.

    Parameters
    ----------
    z : array, shape (rows, cols), row 0 in the north
        Elevation. Anything not finite is outside the data.
    cell_size
        Edge of a cell, map units.
    method
        ``"d8"``: one of eight directions (O'Callaghan & Mark 1984). ``"d-infinity"``: any
        direction, the water divided between the two neighbours on either side of it (Tarboton 1997,
        `geosite.terrain.water.d_infinity`); depressions, catchments and `Drainage.direction` are
        those of d8.
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
    The filled surface equals that of priority-flood exactly (Barnes, Lehman & Mulla 2014,
    doi:10.1016/j.cageo.2013.04.024). Every cell drains to an outlet or a sink, and there are no
    cycles. Ground enclosed by barriers has no pass: its lowest cell is a sink.

    Examples
    --------
    A valley with hollows of 4 m and 5 m that spills over 8 m in the east. Water stands 4, 2 and 3 m
    deep; all 15 cells, 4 m2 each, drain over the lip.

    >>> z = np.array([[9.0] * 5, [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> found = drain(z, cell_size=2.0)
    >>> found.ponding_depth[1].tolist()
    [0.0, 4.0, 2.0, 3.0, 0.0]
    >>> int(found.contributing_cells[1, 4]), float(found.contributing_area[1, 4])
    (15, 60.0)
    """
    if z.dtype not in (np.float32, np.float64):
        z = z.astype(np.float64)
    if barriers is not None:
        z = np.where(barriers, z.dtype.type(np.nan), z)
    z = np.ascontiguousarray(z)
    if z.size == 0:
        empty = np.empty(z.shape, dtype=np.int32)
        return Drainage(z, empty.astype(np.uint8), z, empty, empty, cell_size)
    local = find_flow_directions(z, inlets, barriers, walls)
    grid = FlowGrid(
        z.ravel(),
        local.direction.ravel(),
        z.shape[0],
        z.shape[1],
        None if walls is None else walls.ravel(),
    )
    pits = resolve_flats(grid, local.level)
    label, bottoms = label_basins(grid, pits)
    passes = find_passes(grid, local, label, len(bottoms))
    spills = find_spills(passes, bottoms, grid.z[bottoms], grid.cols)
    carve(grid, spills, pits)

    level = np.append(spills.level, z.dtype.type(np.nan))
    outlet = np.append(spills.outlet, np.int32(-1))
    filled = np.empty_like(grid.z)
    for start in range(0, label.size, _CHUNK):
        chunk = slice(start, start + _CHUNK)
        basin = label[chunk]
        np.maximum(grid.z[chunk], level[basin], out=filled[chunk])
        label[chunk] = outlet[basin]
    filled = filled.reshape(z.shape)
    azimuth = None
    if method == "d-infinity":
        from geosite.terrain.water.d_infinity import accumulate_proportions, flow_proportions

        proportions = flow_proportions(z, filled, local.direction, walls)
        azimuth = proportions.azimuth_deg
        accumulation: Index | Floats = accumulate_proportions(proportions)
    else:
        accumulation = flow_accumulation(local.direction)
    return Drainage(
        ground=z,
        direction=local.direction,
        filled=filled,
        catchment=label.reshape(z.shape),
        contributing_cells=accumulation,
        cell_size=cell_size,
        toward_deg=azimuth,
        walls=walls,
    )


def flow_accumulation(direction: Bytes) -> Index:
    """Accumulate flow: count the cells that drain through each cell, itself included.

    Cells without donors are taken first, then those whose last donor has been taken, and so on;
    every cell is touched once. When only the long channels are left and there is little to take at
    a time, their sums are found by pointer jumping over the channels alone.

    Parameters
    ----------
    direction : array of uint8, shape (rows, cols)
        As in `Drainage`.

    Returns
    -------
    array of int32, shape (rows, cols), 0 for nodata

    Notes
    -----
    Donors and receivers as in Braun & Willett (2013), doi:10.1016/j.geomorph.2012.10.008 (from
    memory).

    Examples
    --------
    A row that flows east (2) and leaves there (8 + 2):

    >>> flow_accumulation(np.array([[2, 2, 2, 10]], np.uint8))
    array([[1, 2, 3, 4]], dtype=int32)
    """
    rows, cols = direction.shape
    towards = direction.ravel()
    offset = index_offsets(cols)
    # No way leads over the edge of the raster, so that a neighbour is a fixed shift of flat arrays.
    # The first rounds, which take most cells, go over all of them in bytes.
    donors = (towards >= OUTFLOW).view(np.uint8) * np.uint8(_END)
    donors |= (towards == NODATA).view(np.uint8) * np.uint8(_TAKEN)
    _pass_on(towards, offset, donors, None)
    count = np.ones(towards.size, dtype=np.uint8)
    for _ in range(_BYTE_ROUNDS):
        taken = (donors == 0).view(np.uint8) * np.uint8(_TAKEN)
        donors |= taken
        # the direction where a cell is taken, else none
        np.invert(taken, out=taken)
        taken |= towards
        _pass_on(taken, offset, donors, count)
    del taken
    front = np.flatnonzero(donors == 0)
    # how many feeders are left to come, in the high bits, above the cells counted so far
    bits = 27 if towards.size < 1 << 27 else 58
    donors *= (donors != _TAKEN).view(np.uint8)
    packed: npt.NDArray[Any] = donors.astype(np.uint32 if bits == 27 else np.uint64)
    one_donor = packed.dtype.type(1 << bits)
    packed <<= bits
    packed += count
    del count, donors
    order = np.empty(packed.size, dtype=np.int32)
    while front.size > _FEW:
        receiver = front + offset.take(towards.take(front))
        np.add.at(packed, receiver, packed.take(front) - one_donor)
        ready = receiver[packed.take(receiver) < one_donor]
        # two feeders of a cell may have been the last ones at once
        position = np.arange(ready.size, dtype=np.int32)
        order[ready] = position
        front = ready[order.take(ready) == position]
    nodes = np.append(np.flatnonzero(packed >= one_donor), front)
    order[nodes] = np.arange(nodes.size, dtype=np.int32)
    total = packed[nodes] % one_donor
    down = np.full(nodes.size + 1, nodes.size, dtype=np.intp)
    moves = np.flatnonzero(towards[nodes] < OUTFLOW)
    down[moves] = order[nodes[moves] + offset[towards[nodes[moves]]]]
    while moves.size:
        receiver = down[moves]
        np.add.at(total, receiver, total[moves])
        next_receiver = down[receiver]
        down[moves] = next_receiver
        moves = moves[next_receiver < nodes.size]
    packed[nodes] = total
    packed *= towards != NODATA
    return packed.astype(np.int32, copy=False).reshape(rows, cols)


def _pass_on(towards: Bytes, offset: Long, donors: Bytes, count: Bytes | None) -> None:
    """Count each cell's donors, or give its cells to its receiver."""
    is_given, amount = np.empty((2, min(_CHUNK, towards.size)), dtype=np.uint8)
    for start in range(0, towards.size, _CHUNK):
        stop = min(start + _CHUNK, towards.size)
        for k in range(8):
            low, high = max(start - offset[k], 0), min(stop - offset[k], towards.size)
            if high <= low:
                continue
            donor, receiver = slice(low, high), slice(low + offset[k], high + offset[k])
            is_donor, cells = is_given[: high - low], amount[: high - low]
            np.equal(towards[donor], k, out=is_donor.view(np.bool_))
            if count is None:
                donors[receiver] += is_donor
            else:
                donors[receiver] -= is_donor
                np.multiply(is_donor, count[donor], out=cells)
                count[receiver] += cells
