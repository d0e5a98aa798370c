"""Steepest descent from each cell (D8), and the cells that may be passes between basins.

The work is done on bands of rows, so that what it needs stays within the second-level cache.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from geosite.terrain.water.descent import (
    COL_STEP,
    INLET,
    NO_FLOW,
    NODATA,
    OUTFLOW,
    OUTWARD,
    ROW_STEP,
    Bytes,
    EdgeCells,
    LocalFlow,
    Long,
    Mask,
    Raster,
    edge_outflow,
    is_member,
    neighbour_elevations,
)

__all__ = ["find_flow_directions", "steepest_descent"]

Framed = TypeVar("Framed", Raster, Bytes)

_BAND = 16_384
"""Cells per band of rows: its buffers stay within the second-level cache."""


def find_flow_directions(
    z: Raster, inlets: Mask | None, barriers: Mask | None, walls: Bytes | None
) -> LocalFlow:
    """Find the D8 flow direction of each cell, with the water let out at the edge of the data.

    Parameters
    ----------
    z, inlets, barriers, walls
        As for `steepest_descent`.

    Examples
    --------
    A valley that falls to the east; its own ground lets the water out there (8 + 2):

    >>> valley = np.array([[9.0, 9.0, 9.0], [5.0, 4.0, 3.0], [9.0, 9.0, 9.0]])
    >>> find_flow_directions(valley, None, None, None).direction
    array([[ 4,  4,  4],
           [ 2,  2, 10],
           [ 0,  0,  0]], dtype=uint8)
    """
    local, outside = steepest_descent(z, inlets, barriers, walls)
    neighbours = neighbour_elevations(z, local.edge, np.arange(8)[:, None], walls)
    direction = local.direction.ravel()
    edge_cells = EdgeCells(
        local.edge, local.outward, outside, direction[local.edge], z.ravel()[local.edge], neighbours
    )
    outflow = edge_outflow(edge_cells, z.shape[1])
    direction[outflow.cell] = outflow.outward
    outward = local.outward.copy()
    outward[outflow.place] = outflow.outward
    # a cell that lets its water out is joined to none of its lower neighbours
    new = ~is_member(outflow.cell, local.saddles)
    return replace(
        local,
        outward=outward,
        saddles=np.append(local.saddles, outflow.cell[new]),
        lower=np.append(local.lower, outflow.lower[new]),
        near_wall=np.append(local.near_wall, np.full(np.count_nonzero(new), walls is not None)),
    )


def steepest_descent(
    z: Raster, inlets: Mask | None, barriers: Mask | None, walls: Bytes | None
) -> tuple[LocalFlow, Bytes]:
    """Find the steepest descent from each cell, and what the basin graph needs to know.

    The drop to a diagonal neighbour is divided by the root of two. Of equally steep directions the
    first clockwise from north is taken.

    Of two cells of the same elevation the later one counts as higher. So no two cells are level,
    and the set of a cell's lower neighbours tells what the ground does there: where they are
    connected round the cell, they are joined below it; only where they fall into parts can it be a
    saddle.

    Parameters
    ----------
    z : array, shape (rows, cols)
        Elevation, NaN where unknown and at barriers.
    inlets, barriers, walls
        As for `geosite.terrain.water.drainage.drain`.

    Returns
    -------
    LocalFlow
    outside : array of uint8, shape of `LocalFlow.edge`
        Set of neighbours outside, by edge cell.

    References
    ----------
    O'Callaghan & Mark (1984), as in `geosite.terrain.water.descent`. Saddles by the connectivity
    number of Yokoi, Toriwaki & Fukumura (1975), Computer Graphics and Image Processing 4, 63-73
    (from memory).

    Examples
    --------
    Two hollows of 4 m and 5 m, and a saddle of 6 m between them. The hollows' cells have no flow
    direction (255); cell 7, with lower ground to the west and to the east only, may be a pass:

    >>> z = np.array([[9.0, 9.0, 9.0, 9.0, 9.0], [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> local, _ = steepest_descent(z, None, None, None)
    >>> local.direction[1].tolist(), local.level.tolist(), local.saddles.tolist()
    ([2, 255, 6, 255, 6], [6, 8], [7])
    """
    direction = np.empty(z.shape, dtype=np.uint8)
    parts, outside = [], []
    for band in _bands(z, barriers, walls):
        part, out = _descent_in_band(band, inlets)
        direction[band.rows] = part.direction
        parts.append(part)
        outside.append(out)
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("level", "saddles", "lower", "near_wall", "edge", "outward", "inlets")
    }
    return LocalFlow(direction, **joined), np.concatenate(outside)


@dataclass(frozen=True, eq=False, slots=True)
class _Band:
    """Some rows of the raster, framed by cells without ground.

    There is one more such cell at either end for the frame's corners, so that a neighbour has a
    fixed offset in a flat array. Arrays are flat; the next band is written into the same ones.

    Parameters
    ----------
    top, high, wide
        First row, number of rows, columns of the raster and two for the frame.
    ground, is_outside, walls
        Framed: elevation, largest where there is none; 1 where water leaves the site; blocked
        directions, 0 in the frame.
    is_whole
        Whether the whole frame has ground.
    fall, steepest
        Buffers, a number per cell.
    """

    top: int
    high: int
    wide: int
    ground: Raster
    is_outside: Bytes
    walls: Bytes | None
    is_whole: bool
    fall: Raster
    steepest: Raster

    @property
    def rows(self) -> slice:
        return slice(self.top, self.top + self.high)

    @property
    def first(self) -> int:
        """Where the rows begin in a framed array."""
        return self.wide + 1

    @property
    def size(self) -> int:
        return self.high * self.wide

    def offset(self, k: int) -> int:
        return int(ROW_STEP[k]) * self.wide + int(COL_STEP[k])

    def neighbours(self, framed: Framed, k: int) -> Framed:
        """Return the neighbours in direction k."""
        start = self.first + self.offset(k)
        return framed[start : start + self.size]

    def own(self, framed: Framed) -> Framed:
        """Return the cells themselves."""
        return framed[self.first : self.first + self.size]

    def unframed(self, cells: Long) -> Long:
        """Turn flat indices of the band into those of the raster."""
        result: Long = cells - 2 * (cells // self.wide) + (self.top * (self.wide - 2) - 1)
        return result


def _bands(z: Raster, barriers: Mask | None, walls: Bytes | None) -> Iterator[_Band]:
    """Frame the raster band by band."""
    rows, cols = z.shape
    wide = cols + 2
    step = max(1, _BAND // wide)
    huge = np.finfo(z.dtype).max
    framed = (step + 2) * wide + 2
    ground_of_band = np.empty(framed, dtype=z.dtype)
    out_of_band, wall_of_band = np.empty((2, framed), dtype=np.uint8)
    fall, steepest = np.empty((2, step * wide), dtype=z.dtype)
    for top in range(0, rows, step):
        high = min(step, rows - top)
        size, framed = high * wide, (high + 2) * wide + 2
        halo = slice(max(top - 1, 0), min(top + high + 1, rows))
        own = slice(halo.start - top + 1, halo.stop - top + 1), slice(1, -1)
        ground, is_outside, wall = ground_of_band[:framed], out_of_band[:framed], None
        ground.fill(huge)
        is_outside.fill(1)
        framed_ground = ground[1:-1].reshape(high + 2, wide)[own]
        framed_out = is_outside[1:-1].reshape(high + 2, wide)[own]
        framed_ground[...] = z[halo]
        np.logical_not(np.isfinite(framed_ground), out=framed_out.view(np.bool_))
        is_whole = not framed_out.any()
        if not is_whole:
            np.copyto(framed_ground, huge, where=framed_out.view(np.bool_))
        if barriers is not None:
            framed_out[barriers[halo]] = 0
        if walls is not None:
            wall = wall_of_band[:framed]
            wall.fill(0)
            wall[1:-1].reshape(high + 2, wide)[own] = walls[halo]
        yield _Band(
            top, high, wide, ground, is_outside, wall, is_whole, fall[:size], steepest[:size]
        )


def _descent_in_band(band: _Band, inlets: Mask | None) -> tuple[LocalFlow, Bytes]:
    """Return what `steepest_descent` does, for one band."""
    direction, lower = _steepest(band), _lower_neighbours(band)
    candidate, is_near_wall = _saddles(band, direction, lower)
    valid = band.own(band.ground) < np.finfo(band.ground.dtype).max
    if not band.is_whole:
        np.copyto(direction, NODATA, where=~valid)
    outside = _outside(band)
    outside *= valid
    edge = np.flatnonzero(outside)
    outward = (OUTWARD[outside[edge]] + OUTFLOW).astype(np.uint8)
    is_undrained = direction[edge] == NO_FLOW
    direction[edge[is_undrained]] = outward[is_undrained]
    inlet_cells = edge[:0]
    if inlets is not None:
        is_inlet = np.zeros(band.size, dtype=np.bool_)
        is_inlet.reshape(band.high, band.wide)[:, 1:-1] = inlets[band.rows]
        inlet_cells = np.flatnonzero(is_inlet & valid)
        direction[inlet_cells] = INLET
        candidate[inlet_cells] = lower[inlet_cells]
    candidate *= valid
    saddle = np.flatnonzero(candidate)
    level = np.flatnonzero((direction == NO_FLOW) & valid)
    local = LocalFlow(
        direction.reshape(band.high, band.wide)[:, 1:-1],
        level=band.unframed(level),
        saddles=band.unframed(saddle),
        lower=lower[saddle],
        near_wall=is_near_wall[saddle],
        edge=band.unframed(edge),
        outward=outward,
        inlets=band.unframed(inlet_cells),
    )
    return local, outside[edge]


def _steepest(band: _Band) -> Bytes:
    """Return the direction of the steepest way down, NO_FLOW where there is none."""
    own, fall, best = band.own(band.ground), band.fall, band.steepest
    diagonal = own.dtype.type(np.sqrt(0.5))
    best.fill(0)
    direction = np.zeros(band.size, dtype=np.uint8)
    is_steeper = np.empty(band.size, dtype=np.uint8)
    for k in range(8):
        np.subtract(own, band.neighbours(band.ground, k), out=fall)
        if k % 2:
            fall *= diagonal
        if band.walls is not None:
            np.copyto(fall, 0, where=(band.own(band.walls) >> k & 1).view(np.bool_))
        # the last direction that was steeper than all before it has the largest number
        np.greater(fall, best, out=is_steeper.view(np.bool_))
        np.maximum(best, fall, out=best)
        is_steeper *= k + 1
        np.maximum(direction, is_steeper, out=direction)
    direction -= 1  # none becomes NO_FLOW
    return direction


def _lower_neighbours(band: _Band) -> Bytes:
    """Return the set of lower neighbours that are not behind a wall."""
    first, size, ground = band.first, band.size, band.ground
    # a comparison with the neighbour ahead tells the neighbour about this cell
    lower = np.full(size, sum(1 << (k + 4) % 8 for k in (2, 3, 4, 5)), dtype=np.uint8)
    bit = np.empty(size, dtype=np.uint8)
    for k in (2, 3, 4, 5):
        ahead = band.offset(k)
        is_lower = np.less(
            ground[first : first + size + ahead], ground[first - ahead : first + size]
        ).view(np.uint8)
        np.multiply(is_lower[ahead:], 1 << k, out=bit)
        lower += bit
        np.multiply(is_lower[:size], 1 << (k + 4) % 8, out=bit)
        lower -= bit
    if band.walls is not None:
        lower &= ~band.own(band.walls)
    return lower


def _outside(band: _Band) -> Bytes:
    """Return the set of neighbours over which water leaves the site."""
    outside = np.zeros(band.size, dtype=np.uint8)
    bit = np.empty(band.size, dtype=np.uint8)
    for k in range(8):
        np.left_shift(band.neighbours(band.is_outside, k), k, out=bit)
        outside |= bit
    if band.walls is not None:
        outside &= ~band.own(band.walls)
    return outside


def _saddles(band: _Band, direction: Bytes, lower: Bytes) -> tuple[Bytes, Mask]:
    """Return the lower neighbours of cells that may be saddles, 0 elsewhere, and where walls are.

    A part of the ring begins at each direct neighbour that is not lower while one of the next two
    is; two such beginnings make a saddle (Yokoi's connectivity number).
    """
    candidate: Bytes = np.asarray(lower >> 1 | lower >> 2 | lower << 6, dtype=np.uint8)
    candidate &= ~lower & 0b01010101
    candidate &= candidate - 1
    candidate |= (direction == NO_FLOW) * lower
    if band.walls is None:
        return candidate, np.zeros(band.size, dtype=np.bool_)
    near = band.own(band.walls).copy()
    for k in range(8):
        near |= band.neighbours(band.walls, k)
    candidate |= (near > 0) * lower
    return candidate, near > 0
