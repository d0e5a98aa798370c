"""The raw ground: directions, what is known of each cell, and the edge of the data.

Directions are numbered 0 to 7 clockwise from north, 45 degrees apart.
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
    """Return the flat distance to the next cell by direction, 0 where the water goes to no cell."""
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
        """Return the neighbours of some cells, and which of them have an open way there.

        Without walls every cell at the edge of the raster is an outlet, so that a cell that is none
        has all eight neighbours; only such cells are asked for.

        Returns
        -------
        neighbour : array, shape (8, n)
            Flat indices by direction; the cell's own where the way is shut.
        is_reachable : array of bool, shape (8, n), or None
            None where all ways are open.
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
    """Return, for each set of lower neighbours, those that hang together with one of them.

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
    """Return, for each set of outside neighbours, those that lie most straight across the edge."""
    table = np.zeros(256, dtype=np.uint8)
    azimuth = np.arange(8) * np.pi / 4
    for outside in range(1, 256):
        is_out = np.array([outside >> k & 1 for k in range(8)], dtype=bool)
        east, north = np.sin(azimuth[is_out]).sum(), np.cos(azimuth[is_out]).sum()
        alignment = np.where(
            is_out, np.round(np.sin(azimuth) * east + np.cos(azimuth) * north, 9), -np.inf
        )
        best = is_out & (alignment == alignment.max())
        # of two that are as straight across, the nearer
        if best[::2].any():
            best[1::2] = False
        table[outside] = np.packbits(best, bitorder="little")[0]
    return table


CONNECTED = _connected_sets()
STRAIGHT_OUT = _outward_sets()
OUTWARD = np.array([(int(ways) & -int(ways)).bit_length() - 1 for ways in STRAIGHT_OUT], np.int8)


@dataclass(frozen=True, eq=False, slots=True)
class LocalFlow:
    """What the raw ground says about each cell. Cells are flat indices.

    Parameters
    ----------
    direction : array of uint8, shape (rows, cols)
        Steepest way down; OUTFLOW + k at edge cells without one, and where the ground falls across
        the edge; INLET at inlets, NO_FLOW elsewhere without one, NODATA.
    level
        The NO_FLOW cells.
    saddles, lower, near_wall
        Cells whose lower neighbours may not hang together or do not take their water; the set of
        those neighbours; whether a wall is so near that their touching proves nothing.
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
        The way of the water as the ground inside has it.
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
    """Let water that would run along the edge leave where the ground falls across the edge.

    The ground is carried on over the edge at the slope at which it reaches it, and the water of an
    edge cell leaves if that is the steepest way down. Otherwise all water of a plane would run
    along its lower side, where cells are as high but for rounding, and leave in one place.

    Water runs on where its way leads inside again; and to a place that is lower than the edge on
    both sides of it, for there a channel leaves.

    Parameters
    ----------
    edges
        Of the raster.
    cols
        Its columns.
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
    """Return which of some cells are among others."""
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
        Directions.
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
