"""The raw ground: directions, what is known of each cell, and the edge of the data.

Directions are numbered 0 to 7 clockwise from north, 45 degrees apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "COL_STEP",
    "HOLLOW",
    "INLET",
    "LEAVES",
    "NODATA",
    "POOL",
    "ROW_STEP",
    "Bytes",
    "Edges",
    "Grid",
    "Index",
    "Leaving",
    "Long",
    "Mask",
    "Raster",
    "Relief",
    "heights_around",
    "is_among",
    "let_out",
    "step_table",
]

Raster = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Index = npt.NDArray[np.int32]
Long = npt.NDArray[np.intp]

ROW_STEP = np.array([-1, -1, 0, 1, 1, 1, 0, -1], dtype=np.intp)
COL_STEP = np.array([0, 1, 1, 1, 0, -1, -1, -1], dtype=np.intp)
LEAVES = 8
"""8 to 15: the water leaves the site across the edge, in direction 0 to 7."""
INLET = 16
HOLLOW = 17
"""Ground that no way leads out of."""
NODATA = 18
POOL = 255
"""While working: no lower neighbour, and neither at the edge nor an inlet."""

_ROUNDING = 0.01
"""Part of the drop across the edge below which a drop along the edge says nothing."""


def step_table(cols: int) -> Long:
    """Return the flat distance to the next cell by direction, 0 where the water goes to no cell."""
    table = np.zeros(256, dtype=np.intp)
    table[:8] = ROW_STEP * cols + COL_STEP
    return table


@dataclass(frozen=True, eq=False, slots=True)
class Grid:
    """The surface as flat arrays; `direction` is worked on in place."""

    z: Raster
    direction: Bytes
    rows: int
    cols: int
    walls: Bytes | None

    def around(self, cells: Long) -> tuple[Long, Mask | None]:
        """Return the neighbours of some cells, and which of them have an open way there.

        Without walls every cell at the edge of the raster is an outlet, so that a cell that is none
        has all eight neighbours; only such cells are asked for.

        Returns
        -------
        there : array, shape (8, n)
            Flat indices by direction; the cell's own where the way is shut.
        is_open : array of bool, shape (8, n), or None
            None where all ways are open.
        """
        there = cells + (ROW_STEP * self.cols + COL_STEP)[:, None]
        if self.walls is None:
            return there, None
        row, col = np.divmod(cells, self.cols)
        row, col = row + ROW_STEP[:, None], col + COL_STEP[:, None]
        is_open = (row >= 0) & (row < self.rows) & (col >= 0) & (col < self.cols)
        is_open &= (self.walls[cells] >> np.arange(8, dtype=np.uint8)[:, None] & 1) == 0
        return np.where(is_open, there, cells), is_open


def _touching() -> Bytes:
    """Return, for each set of lower neighbours, those that hang together with one of them.

    Returns
    -------
    array of uint8, shape (256, 256)
        Set of neighbours by set and direction; empty where the direction is not in the set.
    """
    table = np.zeros((256, 256), dtype=np.uint8)
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


def _straight_out() -> Bytes:
    """Return, for each set of outside neighbours, those that lie most straight across the edge."""
    table = np.zeros(256, dtype=np.uint8)
    turn = np.arange(8) * np.pi / 4
    for outside in range(1, 256):
        is_out = np.array([outside >> k & 1 for k in range(8)], dtype=bool)
        east, north = np.sin(turn[is_out]).sum(), np.cos(turn[is_out]).sum()
        along = np.where(is_out, np.round(np.sin(turn) * east + np.cos(turn) * north, 9), -np.inf)
        best = is_out & (along == along.max())
        # of two that are as straight across, the nearer
        if best[::2].any():
            best[1::2] = False
        table[outside] = np.packbits(best, bitorder="little")[0]
    return table


TOUCHING = _touching()
STRAIGHT_OUT = _straight_out()
OUTWARD = np.array([(int(ways) & -int(ways)).bit_length() - 1 for ways in STRAIGHT_OUT], np.int8)


@dataclass(frozen=True, eq=False, slots=True)
class Relief:
    """What the raw ground says about each cell. Cells are flat indices.

    Parameters
    ----------
    direction : array of uint8, shape (rows, cols)
        Steepest way down; LEAVES + k at edge cells without one, and where the ground falls across
        the edge; INLET at inlets, POOL elsewhere without one, NODATA.
    level
        The POOL cells.
    saddles, lower, is_loose
        Cells whose lower neighbours may not hang together or do not take their water; the set of
        those neighbours; whether a wall is so near that their touching proves nothing.
    edge, outward
        Cells at the edge of the data, ascending; LEAVES + the direction out, straight out where the
        ground does not fall across the edge.
    inlets
        The inlets on known ground.
    """

    direction: Bytes
    level: Long
    saddles: Long
    lower: Bytes
    is_loose: Mask
    edge: Long
    outward: Bytes
    inlets: Long


@dataclass(frozen=True, eq=False, slots=True)
class Edges:
    """The cells at the edge of the data. Arrays have shape (n,), `around` (8, n).

    Parameters
    ----------
    cell
        Flat indices, ascending.
    outward, outside
        LEAVES + the direction straight out; the set of neighbours outside.
    direction
        The way of the water as the ground inside has it.
    z, around
        Elevation, and that of the neighbours by direction; NaN where there is none.
    """

    cell: Long
    outward: Bytes
    outside: Bytes
    direction: Bytes
    z: Raster
    around: Raster


@dataclass(frozen=True, eq=False, slots=True)
class Leaving:
    """Edge cells whose water leaves at once. Arrays have shape (n,).

    Parameters
    ----------
    place, cell
        Place among the edge cells, and flat index, ascending.
    outward
        LEAVES + the direction out.
    lower
        Set of lower neighbours.
    """

    place: Long
    cell: Long
    outward: Bytes
    lower: Bytes


def let_out(edges: Edges, cols: int) -> Leaving:
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
    turn = edges.direction
    runs = np.flatnonzero(turn < LEAVES)
    # where the way down leads as long as it stays at the edge, by pointer jumping; then inside
    inside = edges.cell.size
    end = np.arange(inside + 1)
    there = edges.cell[runs] + step_table(cols)[turn[runs]]
    stays = is_among(there, edges.cell)
    next_place = np.searchsorted(edges.cell, there)
    end[runs] = np.where(stays, next_place, inside)
    end[:-1][turn == INLET] = inside
    while not np.array_equal(further := end[end], end):
        end = further
    kept = end[runs] < inside
    runs, there = runs[kept], next_place[kept]
    on, ground, around = turn[runs].astype(np.intp), edges.z[runs], edges.around[:, runs]
    which, ways = np.arange(runs.size), np.arange(8)[:, None]
    distance = np.where(ways % 2, np.sqrt(2.0), 1.0)
    inner = (ground - around[on, which]) / distance[on, 0]
    carried = (around[(ways + 4) % 8, which] - ground) / distance
    carried[~(np.isfinite(carried) & (edges.outside[runs] >> ways & 1 > 0))] = -np.inf
    way = carried.argmax(axis=0)
    across = carried[way, which]
    falls = ((carried > 0) & (STRAIGHT_OUT[edges.outside[runs]] >> ways & 1 > 0)).any(axis=0)
    rise = (edges.around[on, there] - edges.z[there]) / distance[on, 0]
    gathers = np.minimum(inner, rise) > _ROUNDING * across
    leaves = falls & (across >= inner) & ~gathers
    is_before = (ways < 2) | (ways > 5)
    ground, around = ground[leaves], around[:, leaves]
    lower = (around < ground) | (is_before & (around == ground))
    return Leaving(
        runs[leaves],
        edges.cell[runs[leaves]],
        way[leaves].astype(np.uint8) + np.uint8(LEAVES),
        np.packbits(lower, axis=0, bitorder="little")[0],
    )


def is_among(cells: Long, ascending: Long) -> Mask:
    """Return which of some cells are among others."""
    place = np.searchsorted(ascending, cells)
    found: Mask = np.append(ascending, -1)[place] == cells
    return found


def heights_around(z: Raster, cells: Long, ways: Long, walls: Bytes | None) -> Raster:
    """Return the elevation of neighbours; NaN where there is none, and behind a wall.

    Parameters
    ----------
    z, walls : array, shape (rows, cols)
        As for `geosite.terrain.water.steepest.steepest_ways`.
    cells : array, shape (n,)
        Flat indices.
    ways : array, shape (n,) or (m, 1)
        Directions.
    """
    rows, cols = z.shape
    row, col = np.divmod(cells, cols)
    row, col = row + ROW_STEP[ways], col + COL_STEP[ways]
    is_open = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    if walls is not None:
        is_open &= walls.ravel()[cells] >> ways & 1 == 0
    there = np.where(is_open, row * cols + col, 0)
    height: Raster = np.where(is_open, z.ravel()[there], z.dtype.type(np.nan))
    height[~np.isfinite(height)] = np.nan
    return height
