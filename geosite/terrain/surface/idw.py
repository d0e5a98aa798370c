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
#: Weights worked on at a time: half a megabyte.
_IN_CACHE = 1 << 16


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

    Examples
    --------
    Twice as far from the second mark as from the first: weights of 1 and 1/4, so (0 + 5 / 4) / (5 /
    4).

    >>> marks = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 5.0]])
    >>> inverse_distance(marks, np.array([[1.0, 0.0], [3.0, 0.0]])).tolist()
    [1.0, 5.0]
    """
    out = np.empty(len(places))
    if len(points) > ALL_MARKS:
        from scipy.spatial import KDTree

        tree = KDTree(points[:, :2])
        extra = 1 if leave_out is None else 2
        chunk_size = _PAIRS_AT_ONCE // _NEAREST
        for start in range(0, len(places), chunk_size):
            chunk = slice(start, start + chunk_size)
            found = tree.query(places[chunk], k=_NEAREST + extra)
            distance, mark = np.asarray(found[0]), np.asarray(found[1])
            if leave_out is not None:
                distance = np.where(mark == leave_out[chunk, None], np.inf, distance)
                order = np.argsort(distance, axis=1)[:, :-1]
                distance = np.take_along_axis(distance, order, axis=1)
                mark = np.take_along_axis(mark, order, axis=1)
            radius = distance[:, -1:]
            with np.errstate(divide="ignore"):
                weight = np.square((radius - distance[:, :-1]) / (radius * distance[:, :-1]))
            out[chunk] = _average(weight, points[mark[:, :-1], 2])
        return out
    chunk_size = max(_PAIRS_AT_ONCE // max(len(points), 1), 1)
    for start in range(0, len(places), chunk_size):
        chunk = slice(start, start + chunk_size)
        east = places[chunk, 0, None] - points[None, :, 0]
        north = places[chunk, 1, None] - points[None, :, 1]
        with np.errstate(divide="ignore"):
            weight = 1 / (east * east + north * north)
        if leave_out is not None:
            weight[np.arange(len(weight)), leave_out[chunk]] = 0.0
        out[chunk] = _average(weight, np.broadcast_to(points[:, 2], weight.shape))
    return out


def _average(weight: Floats, z: Floats) -> Floats:
    on_mark = np.isinf(weight)
    is_on_mark = on_mark.any(axis=1)
    weight[is_on_mark] = on_mark[is_on_mark]
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

    Examples
    --------
    In the middle of two marks their mean:

    >>> marks = np.array([[0.5, 0.5, 1.0], [2.5, 0.5, 3.0]])
    >>> grid = Grid(west=0.0, north=1.0, cell_size=1.0, rows=1, cols=3)
    >>> interpolate_inverse_distance(marks, grid, np.ones((1, 3), bool)).tolist()
    [[1.0, 2.0, 3.0]]
    """
    place = points - [grid.west, grid.south, points[:, 2].mean()]
    east, north = grid.centres()
    average = _average_nearest if len(points) > ALL_MARKS else _average_all
    out: Floats = average(place, east - grid.west, north - grid.south, inside)
    out += points[:, 2].mean()
    out[~inside] = np.nan
    # rounding must not leave the range of the marks
    return np.asarray(np.clip(out, points[:, 2].min(), points[:, 2].max()))


def _average_all(
    points: Floats, east: Floats, north: Floats, inside: npt.NDArray[np.bool_]
) -> Floats:
    """Average all marks: the square of a distance is a number per column and one per row."""
    out = np.full(inside.shape, np.nan)
    along = np.square(north[:, None] - points[None, :, 1])
    both = np.column_stack([points[:, 2], np.ones(len(points))])
    width = max(_IN_CACHE // max(len(points), 1), 16)
    for start in range(0, len(east), width):
        chunk = slice(start, start + width)
        across = np.square(east[chunk, None] - points[None, :, 0])
        weight = np.empty_like(across)
        for row in np.flatnonzero(inside[:, chunk].any(axis=1)):
            np.add(across, along[row], out=weight)
            with np.errstate(divide="ignore", invalid="ignore"):
                np.reciprocal(weight, out=weight)
                z, total = (weight @ both).T
                out[row, chunk] = z / total
            for col in np.flatnonzero(np.isinf(total)):  # on a mark
                out[row, start + col] = points[weight[col].argmax(), 2]
    return out


def _average_nearest(
    points: Floats, east: Floats, north: Floats, inside: npt.NDArray[np.bool_]
) -> Floats:
    """Average the nearest marks, tile by tile.

    The 25 nearest of any place in a tile lie within the distance of the 25th from its middle and
    twice its half diagonal. With R the distance of the 25th, the root of a weight is
    ``1 / d - 1 / R``: below zero for all that are farther, so that none has to be sorted out.
    """
    from scipy.spatial import KDTree

    out = np.full(inside.shape, np.nan)
    tree = KDTree(points[:, :2])
    cell = abs(float(east[1] - east[0])) if len(east) > 1 else 1.0
    spacing = np.sqrt(np.prod(np.ptp(points[:, :2], axis=0)) / len(points))
    side = int(np.clip(2 * spacing / cell, 4, 64))
    tiles = [
        (slice(row, row + side), slice(col, col + side))
        for row in range(0, len(north), side)
        for col in range(0, len(east), side)
        if inside[row : row + side, col : col + side].any()
    ]
    ends = [(east[cols][[0, -1]], north[rows][[0, -1]]) for rows, cols in tiles]
    middles = np.array([(u.mean(), v.mean()) for u, v in ends]).reshape(-1, 2)
    across = np.array([np.hypot(np.ptp(u), np.ptp(v)) for u, v in ends])
    radii = np.asarray(tree.query(middles, k=[_NEAREST + 1])[0])[:, 0] + across
    nearby = tree.query_ball_point(middles, radii * (1 + 1e-9))
    both = np.column_stack([points[:, 2], np.ones(len(points))])
    with np.errstate(divide="ignore", invalid="ignore"):
        for (rows, cols), middle, numbers in zip(tiles, middles, nearby, strict=True):
            mark = np.array(numbers)
            u, v = east[cols] - middle[0], north[rows] - middle[1]
            x, y = (points[mark, :2] - middle).T
            root = np.empty((len(v), len(u), len(mark)))
            np.add(
                np.square(v[:, None] - y)[:, None],
                np.square(u[:, None] - x),
                out=root,
            )
            np.sqrt(root, out=root)
            np.reciprocal(root, out=root)
            flat = root.reshape(-1, len(mark))
            last = len(mark) - _NEAREST - 1
            weight = np.subtract(flat, np.partition(flat, last, axis=1)[:, last, None])
            np.maximum(weight, 0.0, out=weight)
            np.square(weight, out=weight)
            z, total = (weight @ both[mark]).T
            found = z / total
            for number in np.flatnonzero(np.isinf(total)):  # on a mark
                found[number] = points[mark[weight[number].argmax()], 2]
            out[rows, cols] = found.reshape(len(v), len(u))
    return out
