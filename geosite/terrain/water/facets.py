"""Flow in any direction, shared between two cells: D-infinity.

The ground round a cell is eight triangular facets between its centre and two neighbours; water runs
down the steepest one, and is shared between the two neighbours by the angle to either [1]_.

References
----------
.. [1] Tarboton, D.G. (1997). A new method for the determination of flow directions and upslope
   areas in grid digital elevation models. Water Resources Research 33(2), 309-319.
   doi:10.1029/96WR03137
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.terrain.water.descent import (
    COL_STEP,
    LEAVES,
    NODATA,
    ROW_STEP,
    Bytes,
    Long,
    Mask,
    Raster,
    step_table,
)

__all__ = ["Shares", "facet", "share", "share_out", "steepest_facets"]

Floats = npt.NDArray[np.float64]

# facet k lies between directions k and k + 1; the even one of them is the direct neighbour
_DIRECT = np.array([0, 2, 2, 4, 4, 6, 6, 0], dtype=np.uint8)
_DIAGONAL = np.array([1, 1, 3, 3, 5, 5, 7, 7], dtype=np.uint8)
_SENSE = np.array([1, -1, 1, -1, 1, -1, 1, -1])
_BAND = 65_536


def facet(
    e0: npt.ArrayLike, e1: npt.ArrayLike, e2: npt.ArrayLike, d1: float, d2: float
) -> tuple[Floats, Floats]:
    """Return the steepest descent on one triangular facet (Tarboton 1997, equations 1 to 5).

    Parameters
    ----------
    e0, e1, e2
        Elevation of the cell, of the neighbour straight ahead, and of the one diagonally ahead.
    d1, d2
        Distance from the cell to the first, and from the first to the second.

    Returns
    -------
    turn
        Radians from the first neighbour towards the second, 0 to ``atan(d2 / d1)``.
    fall
        Drop over distance that way; negative where the facet rises.
    """
    e0, e1, e2 = (np.asarray(e, dtype=np.float64) for e in (e0, e1, e2))
    s1, s2 = (e0 - e1) / d1, (e1 - e2) / d2
    turn = np.arctan2(s2, s1)
    fall = np.hypot(s1, s2)
    limit = np.arctan2(d2, d1)
    is_before, is_beyond = turn < 0.0, turn > limit
    fall = np.where(is_before, s1, np.where(is_beyond, (e0 - e2) / np.hypot(d1, d2), fall))
    return np.clip(turn, 0.0, limit), fall


def steepest_facets(z: Raster, walls: Bytes | None = None) -> tuple[Bytes, Raster]:
    """Choose the steepest facet round each cell.

    Parameters
    ----------
    z : array, shape (rows, cols), row 0 in the north
        Elevation, NaN for nodata.
    walls
        As for `geosite.terrain.water.drainage.drain`.

    Returns
    -------
    number : array of uint8
        Facet ``k`` lies between directions ``k`` and ``k + 1``; of equally steep ones the first.
        255 where none falls.
    fall : array, type of `z`
        Drop per cell along it; 0 where none falls.
    """
    rows, cols = z.shape
    huge = z.dtype.type(np.finfo(z.dtype).max / 4)
    number = np.full((rows, cols), 255, dtype=np.uint8)
    fall = np.zeros((rows, cols), dtype=z.dtype)
    half = z.dtype.type(np.sqrt(0.5))
    step = max(1, _BAND // max(1, cols))
    for top in range(0, rows, step):
        bottom = min(top + step, rows)
        frame = np.full((bottom - top + 2, cols + 2), huge, dtype=z.dtype)
        first, last = max(top - 1, 0), min(bottom + 1, rows)
        inside = frame[first - top + 1 : last - top + 1, 1:-1]
        inside[...] = z[first:last]
        inside[~np.isfinite(inside)] = huge
        e0 = frame[1:-1, 1:-1]
        around = [
            frame[1 + r : bottom - top + 1 + r, 1 + c : cols + 1 + c]
            for r, c in zip(ROW_STEP, COL_STEP, strict=True)
        ]
        if walls is not None:
            around = [
                np.where(walls[top:bottom] >> k & 1 > 0, huge, e) for k, e in enumerate(around)
            ]
        best, chosen = fall[top:bottom], number[top:bottom]
        for k in range(8):
            e1, e2 = around[_DIRECT[k]], around[_DIAGONAL[k]]
            s1, s2 = e0 - e1, e1 - e2
            # a neighbour without ground is higher than any: the way to the other one is left
            within = (s2 > 0) & (s2 < s1)
            steep = np.where(s2 <= 0, s1, (e0 - e2) * half)
            steep[within] = np.hypot(s1[within], s2[within])
            better = steep > best
            best[better] = steep[better]
            chosen[better] = k
        unknown = ~np.isfinite(z[top:bottom])
        best[unknown] = 0
        chosen[unknown] = 255
    return number, fall


@dataclass(frozen=True, eq=False, slots=True)
class Shares:
    """Two ways from each cell. Arrays have shape (rows, cols).

    Parameters
    ----------
    first, second : array of uint8
        Directions; `second` matters only where its part is not 0.
    part : array of float64
        Part of the water that takes the second way, 0 to 1.
    azimuth_deg : array of float64
        Degrees clockwise from north between the two ways; NaN where the water takes one way only
        because the ground is level or ponded, or leaves.
    """

    first: Bytes
    second: Bytes
    part: Floats
    azimuth_deg: Floats


def share(z: Raster, filled: Raster, direction: Bytes, walls: Bytes | None = None) -> Shares:
    """Share the water of every cell between the two neighbours it runs between.

    Where the ground is level or ponded, and where the shares would run back into the depression
    that spills here, the water goes the one way of `direction`. Along shares the filled surface
    falls, along single ways it never rises: there are no cycles.

    Parameters
    ----------
    z, filled, direction
        As in `geosite.terrain.water.drainage.Drainage`.
    walls
        As for `geosite.terrain.water.drainage.drain`.
    """
    cols = z.shape[1]
    number, _ = steepest_facets(z, walls)
    ground, water, turn = z.ravel(), filled.ravel(), direction.ravel()
    shift = step_table(cols)
    first = turn.copy()
    second = turn.copy()
    part = np.zeros(turn.size)
    azimuth = np.full(turn.size, np.nan)
    cell = np.flatnonzero((number.ravel() < 8) & (turn < LEAVES) & (water == ground))
    k = number.ravel()[cell]
    one, two = _DIRECT[k], _DIAGONAL[k]
    e0 = ground[cell].astype(np.float64)
    at_one, at_two = cell + shift[one], cell + shift[two]
    has_one, has_two = (_is_open(cell, way, z.shape, ground, walls) for way in (one, two))
    # no ground there is as good as ground that is higher
    e1 = np.where(has_one, ground[np.where(has_one, at_one, 0)], np.inf)
    e2 = np.where(has_two, ground[np.where(has_two, at_two, 0)], np.inf)
    angle = np.where(has_one & has_two, 0.0, np.where(has_one, 0.0, np.pi / 4))
    both = has_one & has_two
    angle[both], _ = facet(e0[both], e1[both], e2[both], 1.0, 1.0)
    to_two = angle / (np.pi / 4)
    falls_one = (to_two == 1.0) | _below(water, cell, at_one, has_one)
    falls_two = (to_two == 0.0) | _below(water, cell, at_two, has_two)
    keep = falls_one & falls_two
    cell, one, two, to_two = cell[keep], one[keep], two[keep], to_two[keep]
    first[cell] = np.where(to_two == 1.0, two, one)
    second[cell] = two
    part[cell] = np.where(to_two == 1.0, 0.0, to_two)
    azimuth[cell] = (one * 45.0 + _SENSE[k[keep]] * np.degrees(angle[keep])) % 360.0
    shape = z.shape
    return Shares(
        first.reshape(shape), second.reshape(shape), part.reshape(shape), azimuth.reshape(shape)
    )


def _is_open(
    cell: Long, way: Bytes, shape: tuple[int, int], ground: Raster, walls: Bytes | None
) -> Mask:
    """Return where the step leads to known ground."""
    rows, cols = shape
    row, col = np.divmod(cell, cols)
    row, col = row + ROW_STEP[way], col + COL_STEP[way]
    is_open = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    is_open &= np.isfinite(ground[np.where(is_open, row * cols + col, 0)])
    if walls is not None:
        is_open &= (walls.ravel()[cell] >> way & 1) == 0
    return np.asarray(is_open, dtype=np.bool_)


def _below(water: Raster, cell: Long, there: Long, is_open: Mask) -> Mask:
    """Return where the water surface is lower at the next cell."""
    return np.asarray(is_open & (water[np.where(is_open, there, 0)] < water[cell]), dtype=np.bool_)


def share_out(shares: Shares) -> Floats:
    """Count the cells whose water passes through each cell, in shares, itself included.

    Cells that nothing drains to are taken first, then those whose last feeder has been taken, and
    so on. What arrives where water leaves adds up to the number of cells.

    Parameters
    ----------
    shares
        Without cycles.

    Returns
    -------
    array of float64, shape (rows, cols), 0 for nodata
    """
    shape = shares.first.shape
    first, second, part = shares.first.ravel(), shares.second.ravel(), shares.part.ravel()
    shift = step_table(shape[1])
    value = (first != NODATA).astype(np.float64)
    moves = np.flatnonzero(first < LEAVES)
    splits = moves[part[moves] > 0.0]
    feeders = np.zeros(first.size, dtype=np.int8)
    np.add.at(feeders, moves + shift[first[moves]], np.int8(1))
    np.add.at(feeders, splits + shift[second[splits]], np.int8(1))
    front = moves[feeders[moves] == 0]
    order = np.empty(first.size, dtype=np.int32)
    while front.size:
        given = part[front]
        divided = np.flatnonzero(given > 0.0)
        apart = front[divided]
        there = np.concatenate([front + shift[first[front]], apart + shift[second[apart]]])
        np.add.at(
            value,
            there,
            np.concatenate([value[front] * (1.0 - given), value[apart] * given[divided]]),
        )
        np.subtract.at(feeders, there, np.int8(1))
        ready = there[(feeders[there] == 0) & (first[there] < LEAVES)]
        # several feeders of a cell may have been the last ones at once
        place = np.arange(ready.size, dtype=np.int32)
        order[ready] = place
        front = ready[order[ready] == place]
    return np.reshape(value, shape)
