"""Flats across the borders of strips: directed towards the nearest outlet, ring by ring."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geosite.terrain.water.descent import (
    COL_STEP,
    NO_FLOW,
    ROW_STEP,
    Bytes,
    Index,
    Long,
    Mask,
    Raster,
)
from geosite.terrain.water.strips.ground import Strip, StripRaster

__all__ = ["resolve_flats_over_strips"]

_FAR = np.iinfo(np.int32).max
_NEAREST_LAST = np.array([7, 5, 3, 1, 6, 4, 2, 0])
"""Of several ways the last one counts: the direct ones, then the first clockwise from north."""
_FROM_THE_RING = (_NEAREST_LAST + 4) % 8
"""The same seen from the ring before, as `geosite.terrain.water.basins` spreads rings."""


def resolve_flats_over_strips(
    ground: StripRaster, chosen: npt.NDArray[np.bool_], *, from_entries: bool = False
) -> None:
    """Direct level cells without a flow direction towards the nearest level cell that has one.

    Rings are counted strip by strip, with what the rows beside it say, until no strip changes the
    count in a row beside another; then every cell drains to a neighbour one ring nearer, as in
    `geosite.terrain.water.flats.resolve_flats`.

    Parameters
    ----------
    ground
        Its directions are changed.
    chosen : array of bool, shape (strips,)
        Those that have level ground.
    from_entries
        Of the bottoms that water enters over a pass: the first ring too is spread from the one
        before.
    """
    if not chosen.any():
        return
    cols = ground.elevation.shape[1]
    # rings of the first and the last row of each strip, and which of their cells had no way
    rings = np.full((len(ground.strips), 2, cols), _FAR, dtype=np.int32)
    edge = np.stack([ground.direction[[s.top, s.bottom - 1]] == NO_FLOW for s in ground.strips])
    rings[~edge] = 0
    to_do = set(np.flatnonzero(chosen).tolist())
    while to_do:
        number = min(to_do)
        to_do.discard(number)
        found = _rings(ground, ground.strips[number], rings)[ground.strips[number].core]
        for side, row in ((0, found[0]), (1, found[-1])):
            if not np.array_equal(rings[number, side], row):
                rings[number, side] = row
                beside = number + (1 if side else -1)
                if 0 <= beside < len(chosen) and chosen[beside]:
                    to_do.add(beside)
    for strip in ground.strips:
        if chosen[strip.number]:
            _direct(ground, strip, rings, from_entries)


def _start(ground: StripRaster, strip: Strip, rings: Index) -> tuple[Index, Mask]:
    """Return the rings known before counting, and the cells to count, with the rows beside it."""
    to_count = ground.direction[strip.first : strip.last] == NO_FLOW
    ring = np.where(to_count, np.int32(_FAR), np.int32(0))
    if strip.first < strip.top:
        ring[0] = rings[strip.number - 1, 1]
        to_count[0] = False
    if strip.last > strip.bottom:
        ring[-1] = rings[strip.number + 1, 0]
        to_count[-1] = False
    return ring, to_count


def _level_neighbours(cells: Long, z: Raster, walls: Bytes | None, cols: int) -> tuple[Long, Mask]:
    """Return neighbours by direction, and which are as high over an open way, shape (8, n)."""
    rows = z.size // cols
    row, col = np.divmod(cells, cols)
    row, col = row + ROW_STEP[:, None], col + COL_STEP[:, None]
    is_reachable = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    if walls is not None:
        is_reachable &= (walls.reshape(-1)[cells] >> np.arange(8, dtype=np.uint8)[:, None] & 1) == 0
    neighbour = np.where(is_reachable, row * cols + col, cells)
    return neighbour, is_reachable & (z[neighbour] == z[cells])


def _rings(ground: StripRaster, strip: Strip, rings: Index) -> Index:
    z, walls = ground.z(strip).ravel(), ground.walls_of(strip)
    ring, to_count = _start(ground, strip, rings)
    shape, ring, uncounted = ring.shape, ring.ravel(), to_count.ravel()
    cells = np.flatnonzero(uncounted)
    neighbour, is_level = _level_neighbours(cells, z, walls, strip.cols)
    # ring 0 is all ground that has a way; further rings of the rows beside join when it is
    # their turn
    front = cells[(is_level & (ring[neighbour] == 0)).any(axis=0)]
    waiting = np.flatnonzero(~uncounted & (ring > 0) & (ring < _FAR))
    waiting = waiting[np.argsort(ring[waiting], kind="stable")]
    number, joined = 1, 0
    while front.size or joined < waiting.size:
        if not front.size:
            number = max(number, int(ring[waiting[joined]]))
        ring[front] = number
        uncounted[front] = False
        until = int(np.searchsorted(ring[waiting], number, side="right"))
        source = np.concatenate([front, waiting[joined:until]])
        joined = until
        neighbour, is_level = _level_neighbours(source, z, walls, strip.cols)
        reached = neighbour[is_level & uncounted[neighbour]]
        front = np.unique(reached)
        number += 1
    return ring.reshape(shape)


def _direct(ground: StripRaster, strip: Strip, rings: Index, from_entries: bool) -> None:
    z, walls = ground.z(strip).ravel(), ground.walls_of(strip)
    ring = _rings(ground, strip, rings).ravel()
    cells = ground.undrained(strip)
    cells = cells[ring[cells] < _FAR]
    direction = np.zeros(cells.size, dtype=np.uint8)
    is_first = (ring[cells] == 1) & (not from_entries)
    for chosen, order in ((is_first, _NEAREST_LAST), (~is_first, _FROM_THE_RING)):
        part = np.flatnonzero(chosen)
        neighbour, is_level = _level_neighbours(cells[part], z, walls, strip.cols)
        nearer = is_level & (ring[neighbour] == ring[cells[part]] - 1)
        k, number = np.nonzero(nearer[order])
        direction[part[number]] = order[k]
    ground.direction[strip.first : strip.last].reshape(-1)[cells] = direction
