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
#: Side of a tile over the usual distance between marks.
_SIDE = 0.7
#: Marks in the list of a tile over those expected where marks are everywhere alike.
_SPARE = 1.25
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
    z, ones = np.ascontiguousarray(points[:, 2]), np.ones(len(points))
    width = max(_IN_CACHE // max(len(points), 1), 16)
    for start in range(0, len(east), width):
        chunk = slice(start, start + width)
        across = np.square(east[chunk, None] - points[None, :, 0])
        weight = np.empty_like(across)
        for row in np.flatnonzero(inside[:, chunk].any(axis=1)):
            np.add(across, along[row], out=weight)
            with np.errstate(divide="ignore", invalid="ignore"):
                np.divide(1.0, weight, out=weight)
                total = weight @ ones
                out[row, chunk] = weight @ z / total
            for col in np.flatnonzero(np.isinf(total)):  # on a mark
                out[row, start + col] = points[weight[col].argmax(), 2]
    return out


def _average_nearest(
    points: Floats, east: Floats, north: Floats, inside: npt.NDArray[np.bool_]
) -> Floats:
    """Average the nearest marks, tile by tile.

    The 25 nearest of any place in a tile lie within the distance of the 25th from its middle and
    twice its half diagonal, so each tile has a list of marks that can count in it. Lists are made
    a little longer than they are on ground with marks everywhere alike; where that is too short
    they are made twice as long, until none is.
    """
    from scipy.spatial import KDTree

    cell = abs(float(east[1] - east[0])) if len(east) > 1 else 1.0
    spacing = float(np.sqrt(np.prod(np.ptp(points[:, :2], axis=0)) / len(points)))
    # no tile much wider than the reach of its marks, where cells hold many of them
    side = int(np.clip(_SIDE * spacing / cell, min(4.0, 1.0 + 2.0 * spacing / cell), 64))
    out = np.full((-(-len(north) // side) * side, -(-len(east) // side) * side), np.nan)
    tiled = out.reshape(out.shape[0] // side, side, out.shape[1] // side, side).swapaxes(1, 2)
    # the last tiles reach over the border and end in copies of its cells
    within = np.pad(inside, [(0, a - b) for a, b in zip(out.shape, inside.shape, strict=True)])
    within = within.reshape(tiled.shape[0], side, tiled.shape[1], side)
    v = np.pad(north, (0, out.shape[0] - len(north)), mode="edge").reshape(-1, side)
    u = np.pad(east, (0, out.shape[1] - len(east)), mode="edge").reshape(-1, side)
    left = np.argwhere(np.any(within, axis=(1, 3)))
    radius, across = np.sqrt((_NEAREST + 1) / np.pi) * spacing, np.sqrt(2) * (side - 1) * cell
    usual = _SPARE * (_NEAREST + 1) * (1 + across / max(radius, across, cell)) ** 2
    tree, count = KDTree(points[:, :2]), min(int(usual), len(points))
    while len(left):
        met = []
        chunk_size = max(_PAIRS_AT_ONCE // count, 1)
        for start in range(0, len(left), chunk_size):
            row, col = left[start : start + chunk_size].T
            ours, theirs = u[col], v[row]
            middle = np.column_stack([ours.mean(axis=1), theirs.mean(axis=1)])
            across = np.hypot(np.ptp(ours, axis=1), np.ptp(theirs, axis=1))
            found = tree.query(middle, k=count)
            distance, mark = np.asarray(found[0]), np.asarray(found[1])
            enough = distance[:, -1] >= (distance[:, _NEAREST] + across) * (1 + 1e-9)
            enough |= count == len(points)
            met.append(enough)
            listed = np.flatnonzero(enough)
            for part in np.array_split(listed, len(listed) * side**2 * count // _IN_CACHE + 1):
                tiled[row[part], col[part]] = _average_tiles(
                    points[mark[part]], middle[part], ours[part], theirs[part]
                )
        left = left[~np.concatenate(met)]
        count = min(2 * count, len(points))
    return out[: inside.shape[0], : inside.shape[1]]


def _average_tiles(marks: Floats, middle: Floats, east: Floats, north: Floats) -> Floats:
    """Average the 24 nearest of the marks listed for some tiles.

    With R the distance of the 25th, the root of a weight is ``1 / d - 1 / R``: below zero for all
    that are farther, so that none has to be sorted out.

    Parameters
    ----------
    marks : array, shape (tiles, marks, 3)
    middle : array, shape (tiles, 2)
    east, north : array, shape (tiles, side)

    Returns
    -------
    array, shape (tiles, side, side)
    """
    x, y = marks[:, :, 0] - middle[:, :1], marks[:, :, 1] - middle[:, 1:]
    z = np.ascontiguousarray(marks[:, :, 2])[:, :, None]
    across = np.square((east - middle[:, :1])[:, :, None] - x[:, None])
    along = np.square((north - middle[:, 1:])[:, :, None] - y[:, None])
    root = along[:, :, None] + across[:, None]
    np.sqrt(root, out=root)
    with np.errstate(divide="ignore", invalid="ignore"):
        np.divide(1.0, root, out=root)
        last = root.shape[-1] - _NEAREST - 1
        root -= np.partition(root, last, axis=-1)[..., last, None]
        np.maximum(root, 0.0, out=root)
        np.square(root, out=root)
        weight = root.reshape(len(marks), east.shape[1] * north.shape[1], root.shape[-1])
        total = weight.sum(axis=-1)
        found = (weight @ z)[..., 0] / total
    for tile, place in np.argwhere(np.isinf(total)):  # on a mark
        found[tile, place] = z[tile, weight[tile, place].argmax(), 0]
    averages: Floats = found.reshape(root.shape[:-1])
    return averages
