"""Cells and flow directions (D8) of the drainage kernels, and water that leaves over the edge.

Directions are numbered 0 to 7 clockwise from north, 45 degrees apart. Cells are flat indices, row
by row from the north. A set of neighbours is one byte: bit ``k`` stands for direction ``k``.

References
----------
O'Callaghan, J.F. & Mark, D.M. (1984). The extraction of drainage networks from digital elevation
data. Computer Vision, Graphics, and Image Processing 28, 323-344.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "CLOSED_DEPRESSION",
    "COL_STEP",
    "INLET",
    "NODATA",
    "NO_FLOW",
    "OUTFLOW",
    "ROW_STEP",
    "Bytes",
    "EdgeCells",
    "EdgeOutflow",
    "FlowGrid",
    "Index",
    "LocalFlow",
    "Long",
    "Mask",
    "Raster",
    "edge_outflow",
    "index_offsets",
    "is_member",
    "neighbour_elevations",
]

Raster = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Index = npt.NDArray[np.int32]
Long = npt.NDArray[np.intp]

ROW_STEP = np.array([-1, -1, 0, 1, 1, 1, 0, -1], dtype=np.intp)
COL_STEP = np.array([0, 1, 1, 1, 0, -1, -1, -1], dtype=np.intp)
OUTFLOW = 8
"""8 to 15: the water leaves the site across the edge, in direction 0 to 7."""
INLET = 16
CLOSED_DEPRESSION = 17
"""Ground that no way leads out of."""
NODATA = 18
NO_FLOW = 255
"""While working: no lower neighbour, and neither at the edge nor an inlet."""

_ROUNDING = 0.01
"""Part of the drop across the edge below which a drop along the edge says nothing."""


def index_offsets(cols: int) -> Long:
    """Return the offset of the flat index to the receiver, by direction.

    Parameters
    ----------
    cols
        Columns of the raster.

    Returns
    -------
    array of int, shape (256,)
        0 for every direction of 8 and more: there the water goes to no cell.

    Examples
    --------
    >>> index_offsets(5)[:9].tolist()  # north, north-east, east, ... and out of the site
    [-5, -4, 1, 6, 5, 4, -1, -6, 0]
    """
    offsets = np.zeros(256, dtype=np.intp)
    offsets[:8] = ROW_STEP * cols + COL_STEP
    return offsets


@dataclass(frozen=True, eq=False, slots=True)
class FlowGrid:
    """The surface as flat arrays; `direction` is worked on in place."""

    z: Raster
    direction: Bytes
    rows: int
    cols: int
    walls: Bytes | None

    def neighbours(self, cells: Long) -> tuple[Long, Mask | None]:
        """Return the neighbours of cells, and which of them can be reached.

        Without walls every cell at the edge of the raster is an outlet. Only cells that are none
        are handed in, and they have all eight neighbours.

        Returns
        -------
        neighbour : array, shape (8, n)
            Flat indices by direction; the cell's own where a wall stands between.
        is_reachable : array of bool, shape (8, n), or None
            None where all are.
        """
        neighbour = cells + (ROW_STEP * self.cols + COL_STEP)[:, None]
        if self.walls is None:
            return neighbour, None
        row, col = np.divmod(cells, self.cols)
        row, col = row + ROW_STEP[:, None], col + COL_STEP[:, None]
        is_reachable = (row >= 0) & (row < self.rows) & (col >= 0) & (col < self.cols)
        is_reachable &= (self.walls[cells] >> np.arange(8, dtype=np.uint8)[:, None] & 1) == 0
        return np.where(is_reachable, neighbour, cells), is_reachable


def _connected_sets() -> Bytes:
    """Return, for each set of lower neighbours and each of them, those connected with it in a ring.

    Returns
    -------
    array of uint8, shape (256, 256)
        Set of neighbours by set and direction; empty where the direction is not in the set.
    """
    table = np.zeros((256, 256), dtype=np.uint8)
    for lower in range(256):
        unassigned = {k for k in range(8) if lower >> k & 1}
        while unassigned:
            group = [unassigned.pop()]
            for k in group:
                # direct neighbours of a cell touch each other across the corner between them
                adjacent = (-2, -1, 1, 2) if k % 2 == 0 else (-1, 1)
                for other in {(k + step) % 8 for step in adjacent} & unassigned:
                    unassigned.remove(other)
                    group.append(other)
            table[lower, group] = sum(1 << k for k in group)
    return table


def _outward_sets() -> Bytes:
    """Return, for each set of outside neighbours, those that lie most squarely across the edge."""
    is_out = np.unpackbits(np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little") > 0
    azimuth = np.arange(8) * np.pi / 4
    sine, cosine = np.sin(azimuth), np.cos(azimuth)
    east, north = (np.where(is_out, part, 0.0).sum(axis=1) for part in (sine, cosine))
    alignment = np.round(east[:, None] * sine + north[:, None] * cosine, 9)
    alignment[~is_out] = -np.inf
    best = is_out & (alignment == alignment.max(axis=1)[:, None])
    # of two that are as straight across, the nearer
    best[best[:, ::2].any(axis=1), 1::2] = False
    return np.packbits(best, axis=1, bitorder="little")[:, 0]


CONNECTED = _connected_sets()
STRAIGHT_OUT = _outward_sets()
OUTWARD = np.array(
    [(int(directions) & -int(directions)).bit_length() - 1 for directions in STRAIGHT_OUT], np.int8
)


@dataclass(frozen=True, eq=False, slots=True)
class LocalFlow:
    """What the neighbourhood of each cell tells, before any depression is looked at.

    Parameters
    ----------
    direction : array of uint8, shape (rows, cols)
        Steepest descent. OUTFLOW + k at edge cells without a lower neighbour, and where the ground
        falls across the edge; INLET at inlets; NO_FLOW elsewhere without a lower neighbour; NODATA.
    level
        The NO_FLOW cells: pits and level ground.
    saddles, lower, near_wall
        Cells that may be passes: their lower neighbours do not all touch each other, or do not take
        their water. The set of those neighbours. Whether a wall is near, so that neighbours that
        touch may be parted all the same.
    edge, outward
        Cells at the edge of the data, ascending; OUTFLOW + the direction out, straight out where
        the ground does not fall across the edge.
    inlets
        The inlets on known ground.
    """

    direction: Bytes
    level: Long
    saddles: Long
    lower: Bytes
    near_wall: Mask
    edge: Long
    outward: Bytes
    inlets: Long


@dataclass(frozen=True, eq=False, slots=True)
class EdgeCells:
    """The cells at the edge of the data. Arrays have shape (n,), `neighbours` (8, n).

    Parameters
    ----------
    cell
        Flat indices, ascending.
    outward, outside
        OUTFLOW + the direction straight out; the set of neighbours outside.
    direction
        Steepest descent within the data.
    z, neighbours
        Elevation, and that of the neighbours by direction; NaN where there is none.
    """

    cell: Long
    outward: Bytes
    outside: Bytes
    direction: Bytes
    z: Raster
    neighbours: Raster


@dataclass(frozen=True, eq=False, slots=True)
class EdgeOutflow:
    """Edge cells whose water leaves at once. Arrays have shape (n,).

    Parameters
    ----------
    place, cell
        Place among the edge cells, and flat index, ascending.
    outward
        OUTFLOW + the direction out.
    lower
        Set of lower neighbours.
    """

    place: Long
    cell: Long
    outward: Bytes
    lower: Bytes


def edge_outflow(edges: EdgeCells, cols: int) -> EdgeOutflow:
    """Find where water that would run along the edge leaves the site instead.

    The ground is extended over the edge at the slope at which it reaches the edge. The water of an
    edge cell leaves if that is its steepest descent. Otherwise all water of a plane would run along
    its lower side, where cells are equally high but for rounding, and leave in one cell.

    Water does not leave here where its path along the edge leads inside again, nor where the path
    ends in a place that is lower than the edge on both sides: there a channel leaves.

    Parameters
    ----------
    edges
        Of the raster.
    cols
        Columns of the raster.

    Examples
    --------
    A plane of 3 by 4 m falls 2 % to the south and 0.5 % to the east. The water of its southern row
    leaves to the south (4), that of the corner to the south-east (3); none runs along the edge:

    >>> from geosite.terrain.water.flow_directions import find_flow_directions
    >>> row, col = np.indices((3, 4))
    >>> plane = 10.0 - 0.02 * row - 0.005 * col
    >>> (find_flow_directions(plane, None, None, None).direction[2] - OUTFLOW).tolist()
    [4, 4, 4, 3]
    """
    direction = edges.direction
    along_edge = np.flatnonzero(direction < OUTFLOW)
    # where the way down leads as long as it stays at the edge, by pointer jumping; then inside
    inside = edges.cell.size
    end = np.arange(inside + 1)
    receiver = edges.cell[along_edge] + index_offsets(cols)[direction[along_edge]]
    at_edge = is_member(receiver, edges.cell)
    receiver_place = np.searchsorted(edges.cell, receiver)
    end[along_edge] = np.where(at_edge, receiver_place, inside)
    end[:-1][direction == INLET] = inside
    while not np.array_equal(next_end := end[end], end):
        end = next_end
    ends_at_edge = end[along_edge] < inside
    along_edge, receiver = along_edge[ends_at_edge], receiver_place[ends_at_edge]
    flow, ground, neighbours = (
        direction[along_edge].astype(np.intp),
        edges.z[along_edge],
        edges.neighbours[:, along_edge],
    )
    number, directions = np.arange(along_edge.size), np.arange(8)[:, None]
    distance = np.where(directions % 2, np.sqrt(2.0), 1.0)
    inside_slope = (ground - neighbours[flow, number]) / distance[flow, 0]
    extended_slope = (neighbours[(directions + 4) % 8, number] - ground) / distance
    extended_slope[
        ~(np.isfinite(extended_slope) & (edges.outside[along_edge] >> directions & 1 > 0))
    ] = -np.inf
    steepest = extended_slope.argmax(axis=0)
    outward_slope = extended_slope[steepest, number]
    falls_outward = (
        (extended_slope > 0) & (STRAIGHT_OUT[edges.outside[along_edge]] >> directions & 1 > 0)
    ).any(axis=0)
    opposite_slope = (edges.neighbours[flow, receiver] - edges.z[receiver]) / distance[flow, 0]
    collects = np.minimum(inside_slope, opposite_slope) > _ROUNDING * outward_slope
    leaves = falls_outward & (outward_slope >= inside_slope) & ~collects
    is_earlier = (directions < 2) | (directions > 5)
    ground, neighbours = ground[leaves], neighbours[:, leaves]
    lower = (neighbours < ground) | (is_earlier & (neighbours == ground))
    return EdgeOutflow(
        along_edge[leaves],
        edges.cell[along_edge[leaves]],
        steepest[leaves].astype(np.uint8) + np.uint8(OUTFLOW),
        np.packbits(lower, axis=0, bitorder="little")[0],
    )


def is_member(cells: Long, ascending: Long) -> Mask:
    """Tell which cells are among others, which ascend.

    Examples
    --------
    >>> is_member(np.array([1, 4, 9]), np.array([4, 5, 9])).tolist()
    [False, True, True]
    """
    place = np.searchsorted(ascending, cells)
    among: Mask = np.append(ascending, -1)[place] == cells
    return among


def neighbour_elevations(z: Raster, cells: Long, directions: Long, walls: Bytes | None) -> Raster:
    """Return the elevation of neighbours; NaN where there is none, and behind a wall.

    Parameters
    ----------
    z, walls : array, shape (rows, cols)
        As for `geosite.terrain.water.flow_directions.steepest_descent`.
    cells : array, shape (n,)
        Flat indices.
    directions : array, shape (n,) or (m, 1)
        Numbers 0 to 7.

    Returns
    -------
    array, shape (n,) or (m, n), type of `z`

    Examples
    --------
    To the east and to the west of the cell of 2 m:

    >>> neighbour_elevations(np.array([[1.0, 2.0, 4.0]]), np.array([1, 1]), np.array([2, 6]), None)
    array([4., 1.])
    """
    rows, cols = z.shape
    row, col = np.divmod(cells, cols)
    row, col = row + ROW_STEP[directions], col + COL_STEP[directions]
    is_reachable = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    if walls is not None:
        is_reachable &= walls.ravel()[cells] >> directions & 1 == 0
    neighbour = np.where(is_reachable, row * cols + col, 0)
    elevation: Raster = np.where(is_reachable, z.ravel()[neighbour], z.dtype.type(np.nan))
    elevation[~np.isfinite(elevation)] = np.nan
    return elevation
