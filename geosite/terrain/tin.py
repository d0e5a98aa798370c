"""Triangulated irregular network: Delaunay triangles and the plane over each of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geosite.errors import InputError, Problem
from geosite.fieldbook.model import Floats, Ints
from geosite.terrain.model import Grid

__all__ = ["Tin", "interpolate_tin", "locate", "triangulate"]

# rows of triangles and cells that are worked on together: what stays in the cache
_ROWS_AT_ONCE = 1 << 16
_CELLS_AT_ONCE = 1 << 19


@dataclass(frozen=True, eq=False)
class Tin:
    """A triangulation of distinct positions.

    Parameters
    ----------
    points : array, shape (m, 3), columns easting, northing, elevation
        Distinct positions; coincident input is combined to its mean elevation.
    triangles : array of int, shape (t, 3)
        Rows of `points`, counter-clockwise.
    origin : array, shape (n,)
        Row of `points` that each input point became.
    """

    points: Floats
    triangles: Ints
    origin: Ints


def _distinct(points: Floats) -> tuple[Floats, Ints]:
    """Combine coincident positions to their mean elevation."""
    position = np.ascontiguousarray(points[:, :2] + 0.0).view(np.complex128).ravel()
    found, origin, count = np.unique(position, return_inverse=True, return_counts=True)
    if len(found) == len(points):
        return points, np.arange(len(points))
    combined = np.empty((len(found), 3))
    combined[:, 0], combined[:, 1] = found.real, found.imag
    combined[:, 2] = np.bincount(origin, points[:, 2]) / count
    return combined, origin


def triangulate(points: npt.ArrayLike) -> Tin:
    """Triangulate points by Delaunay's criterion.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation

    Returns
    -------
    Tin

    Raises
    ------
    InputError
        Fewer than three distinct positions, all on one line, or a coordinate that is not finite.

    Notes
    -----
    GEOS does the triangulation, in coordinates relative to the middle of the points. The number of
    each point travels through it as the third ordinate, which is never computed with.
    """
    given = np.asarray(points, dtype=np.float64)
    if given.ndim != 2 or given.shape[1] != 3 or not np.isfinite(given).all():
        raise InputError(
            Problem(
                "points-not-finite",
                f"points of shape {given.shape} for the surface hold a value that is no number",
                "an easting, a northing and an elevation per point",
                "remove or complete these points",
            )
        )
    distinct, origin = _distinct(given)
    triangles = np.empty((0, 3), np.int64)
    if len(distinct) >= 3:
        numbered = np.empty_like(distinct)
        # halfway between the extremes: the differences are exact where it matters
        np.subtract(distinct[:, :2], _middle(distinct), out=numbered[:, :2])
        numbered[:, 2] = np.arange(len(distinct))
        faces = shapely.delaunay_triangles(shapely.linestrings(numbered))
        corners = shapely.get_coordinates(faces, include_z=True)[:, 2]
        # rings are closed: four positions per triangle
        triangles = corners.astype(np.int64).reshape(-1, 4)[:, :3]
        a, b, c = (distinct[triangles[:, k], :2] for k in range(3))
        twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (
            c[:, 0] - a[:, 0]
        )
        clockwise = twice < 0
        triangles[clockwise] = triangles[clockwise, ::-1]
        triangles = triangles[twice != 0]
    if len(triangles) == 0:
        raise InputError(
            Problem(
                "points-collinear",
                f"{len(distinct)} distinct positions span no area",
                "three or more points that are not on one line",
                "add points beside the line",
            )
        )
    return Tin(distinct, triangles, origin)


def _middle(points: Floats) -> Floats:
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    middle: Floats = np.round(low + (high - low) / 2)
    return middle


def _cell_coordinates(points: Floats, grid: Grid) -> tuple[Floats, Floats]:
    """Column and row of points, whole at the centres of cells."""
    return (
        (points[:, 0] - grid.west) / grid.cell_size - 0.5,
        (grid.north - points[:, 1]) / grid.cell_size - 0.5,
    )


def _border(tin: Tin) -> tuple[Ints, Ints, Ints]:
    """Edges that have a triangle on one side only: triangle, start, end (counter-clockwise)."""
    start = tin.triangles.ravel()
    end = np.roll(tin.triangles, -1, axis=1).ravel()
    # Around a vertex inside, every neighbour is once the end of an edge that leaves and once the
    # start of one that arrives, so the sums agree; on the border the first and last do not.
    count = len(tin.points)
    unequal = np.bincount(start, end, count) != np.bincount(end, start, count)
    near = np.flatnonzero(unequal[start] & unequal[end])
    low, high = np.minimum(start[near], end[near]), np.maximum(start[near], end[near])
    _, first, sides = np.unique(low * count + high, return_index=True, return_counts=True)
    edge = near[first[sides == 1]]
    return edge // 3, start[edge], end[edge]


@dataclass(frozen=True, eq=False)
class _Spans:
    """Runs of cells in one row that lie in one triangle.

    The left and the right end lie at share `t` of the way between two vertices each.
    """

    triangle: Ints
    first: Ints
    count: Ints
    left: tuple[Ints, Ints, Floats]
    right: tuple[Ints, Ints, Floats]
    at: Floats
    width: Floats


def _batches(size: Ints, limit: int) -> Iterator[slice]:
    """Cut items in order into batches whose sizes add up to about the limit."""
    if len(size) == 0:
        return
    done = np.cumsum(size)
    cuts = np.unique(np.searchsorted(done, np.arange(0, done[-1], limit)))
    yield from map(slice, cuts, [*cuts[1:], len(size)])


def _spans(tin: Tin, grid: Grid) -> Iterator[_Spans]:
    """Cut the triangles into runs of cells, closed at both ends.

    Both triangles beside an edge compute where it crosses a row from the same two vertices in the
    same order, so runs meet without a gap whatever the rounding.
    """
    u, v = _cell_coordinates(tin.points, grid)
    rank = v[tin.triangles]
    order = np.argsort(rank, axis=1, kind="stable")
    corner = np.take_along_axis(tin.triangles, order, axis=1)
    rank = np.take_along_axis(rank, order, axis=1)
    across = u[tin.triangles]
    first = np.maximum(np.ceil(rank[:, 0]), 0).astype(np.int64)
    last = np.minimum(np.floor(rank[:, 2]), grid.rows - 1).astype(np.int64)
    met = (
        (first <= last)
        & (np.ceil(across.min(axis=1)) <= np.floor(across.max(axis=1)))
        & (across.max(axis=1) >= 0)
        & (across.min(axis=1) <= grid.cols - 1)
    )
    triangle = np.flatnonzero(met)
    first, height = first[met], last[met] - first[met] + 1
    for batch in _batches(height, _ROWS_AT_ONCE):
        rows = height[batch]
        t = np.repeat(triangle[batch], rows)
        row = np.arange(len(t)) - np.repeat(np.cumsum(rows) - rows - first[batch], rows)
        low, mid, high = corner[t].T
        v_low, v_mid, v_high = v[low], v[mid], v[high]
        # A flat top belongs to the lower edge, a flat bottom to the upper one: the long edge then
        # ends at the other corner of the flat side and the run covers all of it.
        upper = (row > v_mid) | (v_mid == v_low)
        start, stop = np.where(upper, mid, low), np.where(upper, high, mid)
        v_start = np.where(upper, v_mid, v_low)
        along = (row - v_low) / (v_high - v_low)
        aside = (row - v_start) / (np.where(upper, v_high, v_mid) - v_start)
        u_long = u[low] + along * (u[high] - u[low])
        u_short = u[start] + aside * (u[stop] - u[start])
        turned = u_long > u_short
        left = np.where(turned, u_short, u_long)
        right = np.where(turned, u_long, u_short)
        column = np.maximum(np.ceil(left), 0).astype(np.int64)
        count = np.minimum(np.floor(right), grid.cols - 1).astype(np.int64) - column + 1
        keep = np.flatnonzero(count > 0)
        turned = turned[keep]
        a, b, share = low[keep], high[keep], along[keep]
        c, d, other = start[keep], stop[keep], aside[keep]
        yield _Spans(
            t[keep],
            row[keep] * grid.cols + column[keep],
            count[keep],
            (np.where(turned, c, a), np.where(turned, d, b), np.where(turned, other, share)),
            (np.where(turned, a, c), np.where(turned, b, d), np.where(turned, share, other)),
            column[keep] - left[keep],
            right[keep] - left[keep],
        )


def _cells(first: Ints, count: Ints) -> Iterator[tuple[slice, Ints, Ints, Ints]]:
    """Expand runs to cells: which runs, the run of each cell, steps from its start, cell."""
    for batch in _batches(count, _CELLS_AT_ONCE):
        length = count[batch]
        run = np.repeat(np.arange(len(length)), length)
        step = np.arange(len(run)) - (np.cumsum(length) - length)[run]
        yield batch, run, step, first[batch][run] + step


def _on_border(tin: Tin, grid: Grid) -> Iterator[tuple[Ints, Ints, Ints, Ints, Floats]]:
    """Cells whose centre is on the outer border but for rounding.

    Yields cell, triangle, start and end of the border's edge, and the share of the way from start
    to end; an edge is followed along the axis on which it is longer, where rounding does not grow.
    """
    triangle, start, end = _border(tin)
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
        at = np.arange(len(run)) - (np.cumsum(length) - length - low)[run]
        share = np.clip((at - p[run]) / (q[run] - p[run]), 0.0, 1.0)
        a, b = start[edge[run]], end[edge[run]]
        place = cross[a] + share * (cross[b] - cross[a])
        beside = np.round(place)
        met = (np.abs(place - beside) <= tolerance) & (beside >= 0) & (beside < cross_size)
        at, side = at[met], beside[met].astype(np.int64)
        row, col = (at, side) if main is v else (side, at)
        yield row * grid.cols + col, triangle[edge[run[met]]], a[met], b[met], share[met]


def interpolate_tin(points: npt.ArrayLike, grid: Grid) -> Floats:
    """Interpolate elevations linearly on the Delaunay triangles of points.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Map units, any order; coincident positions count with their mean elevation.
    grid
        Where to interpolate, at the centres of the cells.

    Returns
    -------
    array, shape (rows, cols)
        NaN outside the convex hull of the points; a centre on the hull is inside.

    Raises
    ------
    InputError
        Fewer than three distinct positions, all on one line, or a coordinate that is not finite.

    Notes
    -----
    A row of cells crosses a triangle between two of its edges: elevations are interpolated along
    the edges first and then between them, which keeps every value between the triangle's corners
    even where it is thin as a needle.
    """
    return rasterise(triangulate(points), grid)


def rasterise(tin: Tin, grid: Grid) -> Floats:
    """Interpolate linearly on the triangles; NaN outside them.

    Parameters
    ----------
    tin, grid

    Returns
    -------
    array, shape (rows, cols)
    """
    z = tin.points[:, 2]
    out = np.full(grid.rows * grid.cols, np.nan)
    for spans in _spans(tin, grid):
        a, b, share = spans.left
        left = z[a] + share * (z[b] - z[a])
        a, b, share = spans.right
        right = z[a] + share * (z[b] - z[a])
        # where the triangle is narrower than rounding any share of the way will do
        step = (right - left) / np.maximum(spans.width, 1e-300)
        begin = left + np.clip(spans.at / np.maximum(spans.width, 1e-300), 0, 1) * (right - left)
        for which, run, steps, cell in _cells(spans.first, spans.count):
            out[cell] = begin[which][run] + steps * step[which][run]
    for cell, _, a, b, share in _on_border(tin, grid):
        out[cell] = z[a] + share * (z[b] - z[a])
    return out.reshape(grid.shape)


def locate(tin: Tin, grid: Grid) -> npt.NDArray[np.int32]:
    """Find the triangle that each cell's centre lies in.

    Parameters
    ----------
    tin, grid

    Returns
    -------
    array of int32, shape (rows, cols)
        Row of ``tin.triangles``, -1 outside.
    """
    out = np.full(grid.rows * grid.cols, -1, np.int32)
    for spans in _spans(tin, grid):
        for which, run, _, cell in _cells(spans.first, spans.count):
            out[cell] = spans.triangle[which][run]
    for cell, triangle, _, _, _ in _on_border(tin, grid):
        out[cell] = triangle
    return out.reshape(grid.shape)
