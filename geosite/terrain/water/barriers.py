"""Lines and areas of the linework on the grid: walls between cells, and cells inside areas."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geosite.base.grid import Grid
from geosite.terrain.water.descent import COL_STEP, ROW_STEP, Bytes, Long, Mask

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["cells_in", "cells_of_points", "outlines", "walls_along"]

Ints = npt.NDArray[np.int64]

_FINE = 1024
"""Parts of a cell to which lines are rounded."""


def cells_in(areas: Iterable[BaseGeometry], grid: Grid, *, touched: bool = False) -> Mask:
    """Return the cells whose centre lies in one of the areas.

    Parameters
    ----------
    areas
        Polygons in map coordinates; lines too with `touched`.
    grid
        Map units.
    touched
        Every cell that an area or its outline, or a line, touches instead.

    Returns
    -------
    array of bool, shape (rows, cols)

    Examples
    --------
    >>> import shapely
    >>> grid = Grid(west=0.0, north=2.0, cell_size=1.0, rows=2, cols=3)
    >>> cells_in([shapely.box(0, 0, 2, 1)], grid).astype(int)
    array([[0, 0, 0],
           [1, 1, 0]])
    """
    shapes = [area for area in areas if not area.is_empty]
    if not shapes:
        return np.zeros(grid.shape, dtype=np.bool_)
    from rasterio import Affine
    from rasterio.features import rasterize

    inside = rasterize(
        shapes,
        out_shape=grid.shape,
        transform=Affine(grid.cell_size, 0.0, grid.west, 0.0, -grid.cell_size, grid.north),
        all_touched=touched,
        dtype=np.uint8,
    )
    return np.asarray(inside, dtype=np.bool_)


def cells_of_points(points: npt.ArrayLike, grid: Grid) -> tuple[Long, Long]:
    """Return row and column of the cells that hold the points.

    Parameters
    ----------
    points : array, shape (n, 2) or (n, 3), columns easting, northing
        Map units.
    grid
        Map units.

    Returns
    -------
    row, col : array, shape (n,)
        -1 for points outside the grid.

    Examples
    --------
    >>> grid = Grid(west=0.0, north=2.0, cell_size=1.0, rows=2, cols=3)
    >>> row, col = cells_of_points([[2.5, 0.5], [9.0, 0.5]], grid)
    >>> row.tolist(), col.tolist()
    ([1, -1], [2, -1])
    """
    at = np.asarray(points, dtype=np.float64)
    row = np.floor((grid.north - at[:, 1]) / grid.cell_size).astype(np.intp)
    col = np.floor((at[:, 0] - grid.west) / grid.cell_size).astype(np.intp)
    outside = (row < 0) | (row >= grid.rows) | (col < 0) | (col >= grid.cols)
    row[outside] = -1
    col[outside] = -1
    return row, col


def outlines(areas: Iterable[BaseGeometry]) -> list[BaseGeometry]:
    """Return the outlines of areas: with them as walls no area is too thin for the grid.

    Examples
    --------
    >>> import shapely
    >>> [line.length for line in outlines([shapely.box(0, 0, 3, 4)])]
    [14.0]
    """
    return [area.boundary for area in areas if not area.is_empty]


def walls_along(lines: Iterable[BaseGeometry], grid: Grid) -> Bytes:
    """Return the steps between neighbouring cells that cross one of the lines.

    A step is blocked where the straight line between the two cell centres crosses the wall. So
    water cannot slip through diagonally, and flows round where the wall ends. A centre exactly on
    the wall counts as east of it, or south of a wall that runs due east.

    Parameters
    ----------
    lines
        LineStrings, MultiLineStrings or rings in map coordinates.
    grid
        Map units.

    Returns
    -------
    array of uint8, shape (rows, cols)
        Bit ``k`` is set where the step from the cell in direction ``k`` is blocked; set on both
        sides.

    Examples
    --------
    A wall between two columns blocks north-east, east and south-east of the cell to the west of it
    (directions 1, 2, 3: 2 + 4 + 8), and 5, 6, 7 of the cell to the east (32 + 64 + 128):

    >>> import shapely
    >>> grid = Grid(west=0.0, north=3.0, cell_size=1.0, rows=3, cols=2)
    >>> walls_along([shapely.LineString([(1, 0), (1, 3)])], grid)[1].tolist()
    [14, 224]
    """
    walls = np.zeros(grid.shape, dtype=np.uint8)
    row0, col0, row1, col1 = _segments(lines, grid)
    # Cell centres lie on rows, columns and diagonals u = constant, one after the other along v.
    # Whole numbers throughout, so that the four families of steps agree on every crossing; a centre
    # on the line is as if moved east by far less than anything, and south by far less than that.
    for k, u0, u1, v0, v1, stride, tilt in (
        (2, row0, row1, col0, col1, 1, None),
        (4, col0, col1, row0, row1, 1, 0),
        (3, col0 - row0, col1 - row1, col0 + row0, col1 + row1, 2, 1),
        (5, col0 + row0, col1 + row1, row0 - col0, row1 - col1, 2, -1),
    ):
        is_back = u1 < u0
        u0, u1 = np.where(is_back, u1, u0), np.where(is_back, u0, u1)
        v0, v1 = np.where(is_back, v1, v0), np.where(is_back, v0, v1)
        first = -(-u0 // _FINE)
        count = -(-u1 // _FINE) - first
        which = np.repeat(np.arange(u0.size), count)
        u = first[which] + np.arange(which.size) - np.repeat(np.cumsum(count) - count, count)
        run, rise = (u1 - u0)[which], (v1 - v0)[which]
        # v of the crossing is above / below; the last centre before it lies at u + stride * steps
        above = v0[which] * run + (u * _FINE - u0[which]) * rise
        below = run * (_FINE * stride)
        if stride == 2:
            above -= u * run * _FINE
        steps = -(-above // below) - 1
        if tilt is not None:
            steps += (above % below == 0) & (rise > tilt * run)
        if k == 2:
            row, col = u, steps
        elif k == 4:
            row, col = steps, u
        elif k == 3:
            row, col = steps, u + steps
        else:
            row, col = u + steps, -steps
        _block(walls, row, col, k)
        _block(walls, row + ROW_STEP[k], col + COL_STEP[k], (k + 4) % 8)
    return walls


def _block(walls: Bytes, row: Ints, col: Ints, k: int) -> None:
    inside = (row >= 0) & (row < walls.shape[0]) & (col >= 0) & (col < walls.shape[1])
    np.bitwise_or.at(walls, (row[inside], col[inside]), np.uint8(1 << k))


def _segments(lines: Iterable[BaseGeometry], grid: Grid) -> tuple[Ints, Ints, Ints, Ints]:
    """Return row and column of both ends of every segment, in fine parts of a cell."""
    import shapely

    parts = shapely.get_parts(np.array([line for line in lines if not line.is_empty], dtype=object))
    at, number = shapely.get_coordinates(parts, return_index=True)
    row = np.rint(((grid.north - at[:, 1]) / grid.cell_size - 0.5) * _FINE).astype(np.int64)
    col = np.rint(((at[:, 0] - grid.west) / grid.cell_size - 0.5) * _FINE).astype(np.int64)
    joined = np.flatnonzero(number[1:] == number[:-1])
    return row[joined], col[joined], row[joined + 1], col[joined + 1]
