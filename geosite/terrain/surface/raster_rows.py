"""Triangles on a raster, row by row: a row of cells crosses a triangle between two of its sides.

Elevations are interpolated along the sides first and then between them, which keeps every value
between the triangle's corners even where it is very thin.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid
from geosite.terrain.surface.tin import Tin, border_sides

__all__ = ["batches", "expand_runs", "locate_cells", "rasterise"]

# rows of triangles and cells that are worked on together: what stays in the cache
_ROWS_AT_ONCE = 1 << 16
_CELLS_AT_ONCE = 1 << 19
# runs of cells up to this length are taken step by step
_SHORT_RUN_CELLS = 16


def _cell_coordinates(points: Floats, grid: Grid) -> tuple[Floats, Floats]:
    """Column and row of points, whole at the centres of cells."""
    return (
        (points[:, 0] - grid.west) / grid.cell_size - 0.5,
        (grid.north - points[:, 1]) / grid.cell_size - 0.5,
    )


def batches(size: Ints, limit: int) -> Iterator[slice]:
    """Cut items in order into batches whose sizes add up to about the limit.

    Examples
    --------
    >>> [(int(one.start), int(one.stop)) for one in batches(np.ones(100, int), 50)]
    [(0, 49), (49, 100)]
    """
    if len(size) == 0:
        return
    cumulative = np.cumsum(size)
    cuts = np.unique(np.searchsorted(cumulative, np.arange(0, cumulative[-1], limit)))
    yield from map(slice, cuts, [*cuts[1:], len(size)])


_Corner = tuple[Floats, Floats, Floats]
"""Column, row and elevation of one corner of every triangle."""


class _Sides:
    """Edges of triangles as lines over the rows: column and elevation where they cross one."""

    def __init__(self, start: _Corner, end: _Corner) -> None:
        self.start = start
        over = end[1] - start[1]
        # flat edges belong to no part of a triangle that has rows
        over[over == 0] = 1.0
        self._column_step = (end[0] - start[0]) / over
        self._elevation_step = (end[2] - start[2]) / over

    def column(self, row: Floats, side: Ints) -> Floats:
        step: Floats = (row - self.start[1][side]) * self._column_step[side]
        return self.start[0][side] + step

    def elevation(self, row: Floats, side: Ints) -> Floats:
        step: Floats = (row - self.start[1][side]) * self._elevation_step[side]
        return self.start[2][side] + step


@dataclass(frozen=True, eq=False)
class _Runs:
    """Runs of cells in one row that lie in one triangle, long ones first.

    The run starts in cell `first` with elevation `begin` and changes by `step` per cell.
    """

    triangle: Ints
    first: Ints
    count: Ints
    begin: Floats
    step: Floats


def _runs(tin: Tin, grid: Grid) -> Iterator[_Runs]:
    """Cut the triangles into runs of cells, closed at both ends.

    Every triangle falls into a northern and a southern part at the row of its middle corner. A
    run lies between the long edge, from the first corner to the last, and one of the short ones.
    Both triangles beside an edge compute where it crosses a row from the same corner and slope,
    so runs meet without a gap whatever the rounding.
    """
    u, v = _cell_coordinates(tin.points, grid)
    z = np.ascontiguousarray(tin.points[:, 2])
    a, b, c = (u[tin.triangles[:, k]] for k in range(3))
    west, east = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    triangle = np.flatnonzero(
        np.ceil(np.maximum(west, 0)) <= np.floor(np.minimum(east, grid.cols - 1))
    )
    corners = tin.triangles[triangle]
    order = np.argsort(v[corners], axis=1, kind="stable")
    top_corner, middle_corner, bottom_corner = (
        (u[k], v[k], z[k]) for k in np.take_along_axis(corners, order, axis=1).T
    )
    long = _Sides(top_corner, bottom_corner)
    first = np.ceil(top_corner[1])
    # a flat northern edge belongs to the southern part, whose first row then is the edge's
    middle = np.where(middle_corner[1] > top_corner[1], np.floor(middle_corner[1]), first - 1)
    last = np.floor(bottom_corner[1])
    for top, bottom, short in (
        (first, middle, _Sides(top_corner, middle_corner)),
        (middle + 1, last, _Sides(middle_corner, bottom_corner)),
    ):
        top = np.maximum(top, 0)
        height = (np.minimum(bottom, grid.rows - 1) - top).astype(np.int64) + 1
        part = np.flatnonzero(height > 0)
        top, height = top[part], height[part]
        for batch in batches(height, _ROWS_AT_ONCE):
            rows = height[batch]
            side = np.repeat(part[batch], rows)
            row = np.arange(len(side)) - np.repeat(np.cumsum(rows) - rows - top[batch], rows)
            on_long, on_short = long.column(row, side), short.column(row, side)
            column = np.maximum(np.ceil(np.minimum(on_long, on_short)), 0)
            count = np.minimum(np.floor(np.maximum(on_long, on_short)), grid.cols - 1) - column + 1
            keep = np.flatnonzero(count > 0)
            length = np.minimum(count[keep], _SHORT_RUN_CELLS + 1).astype(np.uint8)
            # small integers are sorted by counting
            keep = keep[np.argsort(_SHORT_RUN_CELLS + 1 - length, kind="stable")]
            side, row, column, on_long = side[keep], row[keep], column[keep], on_long[keep]
            width = on_short[keep] - on_long
            # where rounding makes up the width any place between the two edges will do
            width[width == 0] = 1.0
            begin = long.elevation(row, side)
            rise = short.elevation(row, side) - begin
            yield _Runs(
                triangle[side],
                (row * grid.cols + column).astype(np.int64),
                count[keep].astype(np.int64),
                begin + np.clip((column - on_long) / width, 0, 1) * rise,
                rise / width,
            )


def expand_runs(count: Ints) -> Iterator[tuple[slice | Ints, int | Ints]]:
    """Expand runs, longest first, to cells: runs, and a cell of each as steps from its start.

    Most runs are short: they are taken one step at a time, all together; what is left of the long
    ones is expanded cell by cell.

    Examples
    --------
    Runs of two cells and of one: the first cell of both, then the second cell of the first.

    >>> list(expand_runs(np.array([2, 1])))
    [(slice(None, 2, None), 0), (slice(None, 1, None), 1)]
    """
    by_length = np.bincount(np.minimum(count, _SHORT_RUN_CELLS + 1), minlength=_SHORT_RUN_CELLS + 2)
    for step in range(_SHORT_RUN_CELLS):
        longer = int(by_length[step + 1 :].sum())
        if longer == 0:
            return
        yield slice(longer), step
    remaining = count[: by_length[-1]] - _SHORT_RUN_CELLS
    for batch in batches(remaining, _CELLS_AT_ONCE):
        length = remaining[batch]
        steps = np.arange(_SHORT_RUN_CELLS, _SHORT_RUN_CELLS + int(length.sum()))
        yield (
            np.repeat(np.arange(batch.start, batch.stop), length),
            steps - np.repeat(np.cumsum(length) - length, length),
        )


def _on_border(tin: Tin, grid: Grid) -> Iterator[tuple[Ints, Ints, Ints, Ints, Floats]]:
    """Cells whose centre is on the outer border but for rounding.

    Yields cell, triangle, start and end of the border's edge, and the share of the way from start
    to end; an edge is followed along the axis on which it is longer, where rounding does not grow.
    """
    triangle, start, end = border_sides(tin)
    u, v = _cell_coordinates(tin.points, grid)
    size = max(np.abs(tin.points[:, :2]).max(), abs(grid.west), abs(grid.north)) / grid.cell_size
    tolerance = max(1e-9, 8 * np.finfo(np.float64).eps * size)
    steep = np.abs(v[end] - v[start]) >= np.abs(u[end] - u[start])
    for which, main, cross, main_size, cross_size in (
        (steep, v, u, grid.rows, grid.cols),
        (~steep, u, v, grid.cols, grid.rows),
    ):
        edge = np.flatnonzero(which)
        p, q = main[start[edge]], main[end[edge]]
        low = np.maximum(np.ceil(np.minimum(p, q) - tolerance), 0).astype(np.int64)
        high = np.minimum(np.floor(np.maximum(p, q) + tolerance), main_size - 1).astype(np.int64)
        length = np.maximum(high - low + 1, 0)
        run = np.repeat(np.arange(len(edge)), length)
        index = np.arange(len(run)) - (np.cumsum(length) - length - low)[run]
        share = np.clip((index - p[run]) / (q[run] - p[run]), 0.0, 1.0)
        a, b = start[edge[run]], end[edge[run]]
        place = cross[a] + share * (cross[b] - cross[a])
        nearest = np.round(place)
        is_centre = (np.abs(place - nearest) <= tolerance) & (nearest >= 0) & (nearest < cross_size)
        index, side = index[is_centre], nearest[is_centre].astype(np.int64)
        row, col = (index, side) if main is v else (side, index)
        yield (
            row * grid.cols + col,
            triangle[edge[run[is_centre]]],
            a[is_centre],
            b[is_centre],
            share[is_centre],
        )


def rasterise(tin: Tin, grid: Grid) -> Floats:
    """Interpolate linearly on the triangles; NaN outside them.

    Parameters
    ----------
    tin, grid

    Returns
    -------
    array, shape (rows, cols)

    Examples
    --------
    One triangle that rises with the easting; the cell in the north-east is outside it:

    >>> from geosite.terrain.surface.tin import triangulate
    >>> tin = triangulate([(0, 0, 0.0), (2, 0, 2.0), (0, 2, 0.0)])
    >>> rasterise(tin, Grid(west=0.0, north=2.0, cell_size=0.8, rows=2, cols=2)).round(9).tolist()
    [[0.4, nan], [0.4, 1.2]]
    """
    z = tin.points[:, 2]
    out = np.full(grid.rows * grid.cols, np.nan)
    for runs in _runs(tin, grid):
        for run, step in expand_runs(runs.count):
            out[runs.first[run] + step] = runs.begin[run] + runs.step[run] * step
    for cell, _, a, b, share in _on_border(tin, grid):
        out[cell] = z[a] + share * (z[b] - z[a])
    return out.reshape(grid.shape)


def locate_cells(tin: Tin, grid: Grid) -> npt.NDArray[np.int32]:
    """Find the triangle that each cell's centre lies in.

    Parameters
    ----------
    tin, grid

    Returns
    -------
    array of int32, shape (rows, cols)
        Row of ``tin.triangles``, -1 outside.

    Examples
    --------
    >>> from geosite.terrain.surface.tin import triangulate
    >>> tin = triangulate([(0, 0, 0.0), (2, 0, 2.0), (0, 2, 0.0)])
    >>> locate_cells(tin, Grid(west=0.0, north=2.0, cell_size=0.8, rows=2, cols=2)).tolist()
    [[0, -1], [0, 0]]
    """
    out = np.full(grid.rows * grid.cols, -1, np.int32)
    for runs in _runs(tin, grid):
        for run, step in expand_runs(runs.count):
            out[runs.first[run] + step] = runs.triangle[run]
    for cell, triangle, _, _, _ in _on_border(tin, grid):
        out[cell] = triangle
    return out.reshape(grid.shape)
