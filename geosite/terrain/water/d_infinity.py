"""Flow in any direction, divided between two receivers: D-infinity.

The ground round a cell is eight triangular facets between its centre and two neighbours. Water runs
down the steepest facet and is divided between the two neighbours by the angle to either [1]_.

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
    NODATA,
    OUTFLOW,
    ROW_STEP,
    Bytes,
    Long,
    Mask,
    Raster,
    index_offsets,
)

__all__ = [
    "FlowProportions",
    "accumulate_proportions",
    "facet_slope",
    "flow_proportions",
    "steepest_facets",
]

Floats = npt.NDArray[np.float64]

# facet k lies between directions k and k + 1; the even one of them is the direct neighbour
_DIRECT = np.array([0, 2, 2, 4, 4, 6, 6, 0], dtype=np.uint8)
_DIAGONAL = np.array([1, 1, 3, 3, 5, 5, 7, 7], dtype=np.uint8)
_SENSE = np.array([1, -1, 1, -1, 1, -1, 1, -1])
_BAND = 65_536


def facet_slope(
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
    angle
        Radians from the first neighbour towards the second, 0 to ``atan(d2 / d1)``.
    slope
        Drop over distance that way; negative where the facet rises.

    Examples
    --------
    A facet that falls 3 straight ahead and 4 across falls 5 (3-4-5), but beyond its diagonal; so
    the diagonal, 45 degrees and a drop of 7 over the root of two, is the steepest it has:

    >>> angle, slope = facet_slope(10.0, 7.0, 3.0, 1.0, 1.0)
    >>> round(float(np.degrees(angle)), 6), round(float(slope), 6)
    (45.0, 4.949747)
    >>> angle, slope = facet_slope(10.0, 6.0, 3.0, 1.0, 1.0)
    >>> round(float(np.degrees(angle)), 4), float(slope)
    (36.8699, 5.0)
    """
    e0, e1, e2 = (np.asarray(e, dtype=np.float64) for e in (e0, e1, e2))
    s1, s2 = (e0 - e1) / d1, (e1 - e2) / d2
    angle = np.arctan2(s2, s1)
    slope = np.hypot(s1, s2)
    limit = np.arctan2(d2, d1)
    is_before, is_beyond = angle < 0.0, angle > limit
    slope = np.where(is_before, s1, np.where(is_beyond, (e0 - e2) / np.hypot(d1, d2), slope))
    return np.clip(angle, 0.0, limit), slope


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
    facet : array of uint8
        Facet ``k`` lies between directions ``k`` and ``k + 1``; of equally steep ones the first.
        255 where none falls.
    slope : array, type of `z`
        Drop per cell along it; 0 where none falls.

    Examples
    --------
    A plane that falls 4 per cell to the east and 3 to the south: between east (2) and south-east
    (3) at a drop of 5 per cell.

    >>> row, col = np.indices((3, 3))
    >>> facet, slope = steepest_facets(100.0 - 4.0 * col - 3.0 * row)
    >>> int(facet[1, 1]), float(slope[1, 1])
    (2, 5.0)
    """
    rows, cols = z.shape
    huge = z.dtype.type(np.finfo(z.dtype).max / 4)
    facet = np.full((rows, cols), 255, dtype=np.uint8)
    slope = np.zeros((rows, cols), dtype=z.dtype)
    root_half = z.dtype.type(np.sqrt(0.5))
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
        best, chosen = slope[top:bottom], facet[top:bottom]
        for k in range(8):
            e1, e2 = around[_DIRECT[k]], around[_DIAGONAL[k]]
            s1, s2 = e0 - e1, e1 - e2
            # a neighbour without ground is higher than any: the way to the other one is left
            within = (s2 > 0) & (s2 < s1)
            facet_fall = np.where(s2 <= 0, s1, (e0 - e2) * root_half)
            facet_fall[within] = np.hypot(s1[within], s2[within])
            better = facet_fall > best
            best[better] = facet_fall[better]
            chosen[better] = k
        unknown = ~np.isfinite(z[top:bottom])
        best[unknown] = 0
        chosen[unknown] = 255
    return facet, slope


@dataclass(frozen=True, eq=False, slots=True)
class FlowProportions:
    """The two receivers of each cell. Arrays have shape (rows, cols).

    Parameters
    ----------
    first, second : array of uint8
        Directions; `second` matters only where its proportion is not 0.
    to_second : array of float64
        Proportion of the water that goes to the second receiver, 0 to 1.
    azimuth_deg : array of float64
        Degrees clockwise from north, between the two; NaN where the water takes one direction only
        because the ground is level or ponded, or leaves.
    """

    first: Bytes
    second: Bytes
    to_second: Floats
    azimuth_deg: Floats


def flow_proportions(
    z: Raster, filled: Raster, direction: Bytes, walls: Bytes | None = None
) -> FlowProportions:
    """Divide the water of every cell between the two neighbours that its flow angle lies between.

    Where the ground is level or ponded, and where a proportion would run back into the depression
    that spills here, all water follows `direction`. Along proportions the filled surface falls,
    along single directions it never rises: there are no cycles.

    Parameters
    ----------
    z, filled, direction
        As in `geosite.terrain.water.drainage.Drainage`.
    walls
        As for `geosite.terrain.water.drainage.drain`.

    Notes
    -----
    Of an angle ``a`` from the direct neighbour, ``a / 45`` degrees goes to the diagonal one
    (Tarboton 1997, section 3).

    Examples
    --------
    A plane that falls to the east and half as much to the south: ``atan(1 / 2)`` is 26.57 degrees
    south of east, so 59 % of the water goes to the south-east.

    >>> from geosite.terrain.water.drainage import drain
    >>> row, col = np.indices((3, 3))
    >>> plane = 100.0 - 2.0 * col - 1.0 * row
    >>> found = flow_proportions(plane, plane, drain(plane, 1.0).direction)
    >>> round(float(found.azimuth_deg[1, 1]), 2), round(float(found.to_second[1, 1]), 3)
    (116.57, 0.59)
    """
    cols = z.shape[1]
    facet, _ = steepest_facets(z, walls)
    ground, water, towards = z.ravel(), filled.ravel(), direction.ravel()
    offset = index_offsets(cols)
    first = towards.copy()
    second = towards.copy()
    to_second = np.zeros(towards.size)
    azimuth = np.full(towards.size, np.nan)
    cell = np.flatnonzero((facet.ravel() < 8) & (towards < OUTFLOW) & (water == ground))
    k = facet.ravel()[cell]
    direct, diagonal = _DIRECT[k], _DIAGONAL[k]
    e0 = ground[cell].astype(np.float64)
    at_direct, at_diagonal = cell + offset[direct], cell + offset[diagonal]
    has_direct, has_diagonal = (
        _is_reachable(cell, way, z.shape, ground, walls) for way in (direct, diagonal)
    )
    # no ground there is as good as ground that is higher
    e1 = np.where(has_direct, ground[np.where(has_direct, at_direct, 0)], np.inf)
    e2 = np.where(has_diagonal, ground[np.where(has_diagonal, at_diagonal, 0)], np.inf)
    angle = np.where(has_direct & has_diagonal, 0.0, np.where(has_direct, 0.0, np.pi / 4))
    both = has_direct & has_diagonal
    angle[both], _ = facet_slope(e0[both], e1[both], e2[both], 1.0, 1.0)
    share = angle / (np.pi / 4)
    direct_is_lower = (share == 1.0) | _is_lower(water, cell, at_direct, has_direct)
    diagonal_is_lower = (share == 0.0) | _is_lower(water, cell, at_diagonal, has_diagonal)
    keep = direct_is_lower & diagonal_is_lower
    cell, direct, diagonal, share = cell[keep], direct[keep], diagonal[keep], share[keep]
    first[cell] = np.where(share == 1.0, diagonal, direct)
    second[cell] = diagonal
    to_second[cell] = np.where(share == 1.0, 0.0, share)
    azimuth[cell] = (direct * 45.0 + _SENSE[k[keep]] * np.degrees(angle[keep])) % 360.0
    shape = z.shape
    return FlowProportions(
        first.reshape(shape),
        second.reshape(shape),
        to_second.reshape(shape),
        azimuth.reshape(shape),
    )


def _is_reachable(
    cell: Long, direction: Bytes, shape: tuple[int, int], ground: Raster, walls: Bytes | None
) -> Mask:
    """Return where the step leads to known ground."""
    rows, cols = shape
    row, col = np.divmod(cell, cols)
    row, col = row + ROW_STEP[direction], col + COL_STEP[direction]
    is_reachable = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    is_reachable &= np.isfinite(ground[np.where(is_reachable, row * cols + col, 0)])
    if walls is not None:
        is_reachable &= (walls.ravel()[cell] >> direction & 1) == 0
    return np.asarray(is_reachable, dtype=np.bool_)


def _is_lower(water: Raster, cell: Long, neighbour: Long, is_reachable: Mask) -> Mask:
    """Return where the water surface is lower at the neighbour."""
    return np.asarray(
        is_reachable & (water[np.where(is_reachable, neighbour, 0)] < water[cell]), dtype=np.bool_
    )


def accumulate_proportions(proportions: FlowProportions) -> Floats:
    """Accumulate flow in proportions: count the cells whose water passes through each cell.

    Cells without donors are taken first, then those whose last donor has been taken, and so on.
    What arrives where water leaves adds up to the number of cells.

    Parameters
    ----------
    proportions
        Without cycles.

    Returns
    -------
    array of float64, shape (rows, cols), 0 for nodata

    Examples
    --------
    A cell that gives three quarters to the east and a quarter to the south-east, where both leave:

    >>> first = np.array([[2, 8 + 2], [8 + 4, 8 + 4]], np.uint8)
    >>> to_second = np.array([[0.25, 0.0], [0.0, 0.0]])
    >>> second = np.full((2, 2), 3, np.uint8)
    >>> accumulate_proportions(FlowProportions(first, second, to_second, to_second))
    array([[1.  , 1.75],
           [1.  , 1.25]])
    """
    shape = proportions.first.shape
    first, second, to_second = (
        proportions.first.ravel(),
        proportions.second.ravel(),
        proportions.to_second.ravel(),
    )
    offset = index_offsets(shape[1])
    accumulation = (first != NODATA).astype(np.float64)
    moves = np.flatnonzero(first < OUTFLOW)
    split = moves[to_second[moves] > 0.0]
    donors = np.zeros(first.size, dtype=np.int8)
    np.add.at(donors, moves + offset[first[moves]], np.int8(1))
    np.add.at(donors, split + offset[second[split]], np.int8(1))
    front = moves[donors[moves] == 0]
    order = np.empty(first.size, dtype=np.int32)
    while front.size:
        share = to_second[front]
        divided = np.flatnonzero(share > 0.0)
        sharing = front[divided]
        receiver = np.concatenate([front + offset[first[front]], sharing + offset[second[sharing]]])
        np.add.at(
            accumulation,
            receiver,
            np.concatenate(
                [accumulation[front] * (1.0 - share), accumulation[sharing] * share[divided]]
            ),
        )
        np.subtract.at(donors, receiver, np.int8(1))
        ready = receiver[(donors[receiver] == 0) & (first[receiver] < OUTFLOW)]
        # several feeders of a cell may have been the last ones at once
        position = np.arange(ready.size, dtype=np.int32)
        order[ready] = position
        front = ready[order[ready] == position]
    return np.reshape(accumulation, shape)
