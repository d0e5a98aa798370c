"""Inverse distance weighting."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid

__all__ = ["interpolate_inverse_distance", "inverse_distance"]

#: Up to so many marks every one counts everywhere.
ALL_MARKS = 1000
_NEAREST = 24
_PAIRS_AT_ONCE = 1 << 21


def inverse_distance(points: Floats, places: Floats, leave_out: Ints | None = None) -> Floats:
    """Average the marks by the inverse square of their distance.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Distinct positions.
    places : array, shape (k, 2), columns easting, northing
    leave_out : array of int, shape (k,), optional
        A mark per place that does not count there.

    Returns
    -------
    array, shape (k,)
        Between the lowest and the highest mark; a mark's own elevation on the mark.

    Notes
    -----
    Shepard, D. (1968), A two-dimensional interpolation function for irregularly-spaced data,
    Proc. 23rd ACM National Conference, 517-524, doi:10.1145/800186.810616, with power 2. With more
    than 1000 marks the 24 nearest count, by ``((R - d) / (R d))**2`` where R is the distance of
    the next one, which lets marks come and go without a step (Franke, R. & Nielson, G. (1980),
    Smooth interpolation of large sets of scattered data, Int. J. Numerical Methods in Engineering
    15(11):1691-1704, doi:10.1002/nme.1620151110).
    """
    out = np.empty(len(places))
    if len(points) > ALL_MARKS:
        from scipy.spatial import KDTree

        tree = KDTree(points[:, :2])
        spare = 1 if leave_out is None else 2
        at_once = _PAIRS_AT_ONCE // _NEAREST
        for start in range(0, len(places), at_once):
            part = slice(start, start + at_once)
            found = tree.query(places[part], k=_NEAREST + spare)
            distance, mark = np.asarray(found[0]), np.asarray(found[1])
            if leave_out is not None:
                distance = np.where(mark == leave_out[part, None], np.inf, distance)
                order = np.argsort(distance, axis=1)[:, :-1]
                distance = np.take_along_axis(distance, order, axis=1)
                mark = np.take_along_axis(mark, order, axis=1)
            reach = distance[:, -1:]
            with np.errstate(divide="ignore"):
                weight = np.square((reach - distance[:, :-1]) / (reach * distance[:, :-1]))
            out[part] = _average(weight, points[mark[:, :-1], 2])
        return out
    at_once = max(_PAIRS_AT_ONCE // max(len(points), 1), 1)
    for start in range(0, len(places), at_once):
        part = slice(start, start + at_once)
        east = places[part, 0, None] - points[None, :, 0]
        north = places[part, 1, None] - points[None, :, 1]
        with np.errstate(divide="ignore"):
            weight = 1 / (east * east + north * north)
        if leave_out is not None:
            weight[np.arange(len(weight)), leave_out[part]] = 0.0
        out[part] = _average(weight, np.broadcast_to(points[:, 2], weight.shape))
    return out


def _average(weight: Floats, z: Floats) -> Floats:
    on_mark = np.isinf(weight)
    hit = on_mark.any(axis=1)
    weight[hit] = on_mark[hit]
    average = (weight * z).sum(axis=1) / weight.sum(axis=1)
    # rounding must not leave the range of the marks
    within: Floats = np.clip(average, z.min(axis=1), z.max(axis=1))
    return within


def interpolate_inverse_distance(
    points: Floats, grid: Grid, inside: npt.NDArray[np.bool_]
) -> Floats:
    """Average the marks by the inverse square of their distance, on a grid.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
    grid
    inside : array of bool, shape (rows, cols)
        Where to interpolate; NaN elsewhere.

    Returns
    -------
    array, shape (rows, cols)
    """
    out = np.full(grid.shape, np.nan)
    row, col = np.nonzero(inside)
    east, north = grid.centres()
    out[row, col] = inverse_distance(points, np.column_stack([east[col], north[row]]))
    return out
