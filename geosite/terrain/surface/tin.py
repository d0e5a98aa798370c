"""Triangulated irregular network: Delaunay triangles and the plane over each of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.base.grid import Grid
from geosite.terrain.surface.breakline import Mesh, constrain, neighbours, node, turns

__all__ = [
    "Tin",
    "batches",
    "border",
    "cells_of_runs",
    "distinct_positions",
    "find",
    "interpolate_tin",
    "lattice_step",
    "linear",
    "locate",
    "peel",
    "rasterise",
    "shares",
    "triangulate",
]

# rows of triangles and cells that are worked on together: what stays in the cache
_ROWS_AT_ONCE = 1 << 16
_CELLS_AT_ONCE = 1 << 19
# triangles that thin, area over the square of the longest side, may hide a wrong decision
_NEEDLE = 1e-9
# runs of cells up to this length are taken step by step
_SHORT_RUN = 16


@dataclass(frozen=True, eq=False)
class Tin:
    """A triangulation of distinct positions.

    Parameters
    ----------
    points : array, shape (m, 3), columns easting, northing, elevation
        Distinct positions: the given points, coincident ones combined, and vertices that
        breaklines add.
    triangles : array of int, shape (t, 3)
        Rows of `points`, counter-clockwise.
    origin : array, shape (n,)
        Row of `points` that each given point became.
    owner : array, shape (m,)
        The given point that speaks for each row of `points`: the first of those combined, the
        nearest one for a vertex that a breakline adds.
    edges : array of int, shape (e, 2)
        Rows of `points`: the edges along breaklines.
    crossing_gap
        Largest difference in elevation of two breaklines that cross, 0 where none do.
    """

    points: Floats
    triangles: Ints
    origin: Ints
    owner: Ints
    edges: Ints
    crossing_gap: float = 0.0


def distinct_positions(points: Floats) -> tuple[Floats, Ints]:
    """Combine coincident positions to their mean elevation, in order of first appearance."""
    # adding zero turns -0 into 0
    position = np.ascontiguousarray(points[:, :2] + 0.0).view(np.complex128).ravel()
    found, first, origin = np.unique(position, return_index=True, return_inverse=True)
    if len(found) == len(points):
        return points, np.arange(len(points))
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    origin = rank[origin]
    combined = points[first[order]]
    combined[:, 2] = np.bincount(origin, points[:, 2]) / np.bincount(origin)
    return combined, origin


def triangulate(points: npt.ArrayLike, breaklines: Sequence[npt.ArrayLike] = ()) -> Tin:
    """Triangulate points by Delaunay's criterion, not across breaklines.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Coincident positions count once, with their mean elevation.
    breaklines
        Arrays of shape (k, 3): edges from each vertex to the next that triangles do not cross. A
        vertex on a point takes the point's elevation; a line over a point is bent to it; where
        lines cross, a vertex with the mean of their elevations is added.

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
    each point travels through it as the third ordinate, which is never computed with. Breaklines
    are forced in afterwards (`geosite.terrain.surface.breakline`).
    """
    given = _checked(points, "points-not-finite", "points for the surface", "point")
    lines = [
        _checked(line, "breakline-not-finite", f"breakline {number}", "vertex")
        for number, line in enumerate(breaklines, 1)
    ]
    tin = _triangulate(given, lines)
    if tin is None:
        step = lattice_step(given)
        tin = _triangulate(_on_lattice(given, step), [_on_lattice(line, step) for line in lines])
    if tin is None:
        raise InputError(
            Problem(
                "points-collinear",
                f"{len(given)} points span no area",
                "three or more points that are not on one line",
                "add points beside the line",
            )
        )
    return tin


def _checked(places: npt.ArrayLike, code: str, name: str, item: str) -> Floats:
    array = np.asarray(places, dtype=np.float64)
    if array.ndim == 2 and array.shape[1] == 3 and np.isfinite(array).all():
        return array
    raise InputError(
        Problem(
            code,
            f"{name}, {' x '.join(map(str, array.shape))} values, hold something that is no number",
            f"an easting, a northing and an elevation per {item}",
            "complete them or leave them out",
        )
    )


def lattice_step(points: Floats) -> float:
    """Spacing of a lattice far below any survey's precision that makes signs of areas certain."""
    if len(points) == 0:
        return 1.0
    extent = float(np.ptp(points[:, :2], axis=0).max())
    size = max(extent * 2.0**-32, float(np.abs(points[:, :2]).max()) * 2.0**-50, 1e-300)
    return float(2.0 ** np.ceil(np.log2(size)))


def _on_lattice(points: Floats, step: float) -> Floats:
    return np.column_stack([np.round(points[:, :2] / step) * step, points[:, 2:]])


def _triangulate(given: Floats, lines: list[Floats]) -> Tin | None:
    distinct, origin = distinct_positions(given)
    if len(distinct) == 0:
        return None
    owner = np.empty(len(distinct), np.int64)
    owner[origin[::-1]] = np.arange(len(given))[::-1]
    middle = np.zeros(3)
    middle[:2] = np.round((distinct[:, :2].min(axis=0) + distinct[:, :2].max(axis=0)) / 2)
    reduced = distinct - middle
    edges, gap = np.empty((0, 2), np.int64), 0.0
    if lines:
        noded = node(reduced, [line - middle for line in lines])
        added = noded.points[len(reduced) :]
        if len(added):
            marks = shapely.STRtree(np.asarray(shapely.points(reduced[:, :2])))
            near = marks.nearest(shapely.points(added[:, :2]))
            owner = np.concatenate([owner, owner[near]])
        reduced, edges, gap = noded.points, noded.edges, noded.crossing_gap
        distinct = np.vstack([distinct, added + middle])
    triangles = _delaunay(reduced[:, :2])
    if triangles is None:
        return None
    if len(edges):
        triangles, edges = constrain(reduced[:, :2], triangles, edges)
    triangles = peel(reduced[:, :2], triangles)
    if len(triangles) == 0 or not _are_sides(edges, triangles):
        return None
    return Tin(distinct, triangles, origin, owner, edges, gap)


def _are_sides(edges: Ints, triangles: Ints) -> bool:
    """Tell whether all edges, the lower row first, are sides of the triangles."""
    if len(edges) == 0:
        return True
    count = int(max(edges.max(), triangles.max())) + 1
    on_edges = np.zeros(count, bool)
    on_edges[edges] = True
    sides = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    sides = np.sort(sides[on_edges[sides].all(axis=1)], axis=1)
    return bool(np.isin(edges @ [count, 1], sides @ [count, 1]).all())


def _delaunay(positions: Floats) -> Ints | None:
    """Triangulate distinct positions; None if they span no area or rounding got in the way.

    GEOS decides by rounded arithmetic and can go astray where positions are on a line but for
    rounding, so what it returns is checked: every triangle counter-clockwise, every position
    used, as many triangles as Euler's formula asks for, and together the area of the hull. Beside
    needles it also leaves edges that are not Delaunay's; they are flipped.
    """
    if len(positions) < 3:
        return None
    numbered = np.column_stack([positions, np.arange(len(positions), dtype=np.float64)])
    try:
        faces = shapely.delaunay_triangles(shapely.linestrings(numbered))
    except shapely.errors.GEOSException:
        return None
    corners = shapely.get_coordinates(faces, include_z=True)[:, 2]
    # rings are closed: four positions per triangle
    triangles: Ints = np.ascontiguousarray(corners.astype(np.int64).reshape(-1, 4)[:, :3])
    used = np.zeros(len(positions), bool)
    used[triangles] = True
    around = int(_on_border_vertices(triangles, len(positions)).sum())
    if not used.all() or len(triangles) != 2 * len(positions) - 2 - around:
        return None
    hull = float(shapely.area(shapely.convex_hull(shapely.linestrings(positions))))
    twice = _twice_area(positions, triangles)
    size = float(np.ptp(positions, axis=0).max()) ** 2
    if (
        abs(twice.sum() / 2 - hull) > 1e-12 * size * len(positions) ** 0.5
        or (turns(positions, triangles) <= 0).any()
    ):
        return None
    if (twice < _NEEDLE * _longest_side(positions, triangles) ** 2).any():
        mesh = Mesh(positions, triangles)
        mesh.relax()
        triangles = mesh.triangles
    return triangles


def _longest_side(positions: Floats, triangles: Ints) -> Floats:
    """Return the larger extent in easting or northing of each triangle."""
    extent = np.zeros(len(triangles))
    for place in positions.T:
        a, b, c = (place[triangles[:, k]] for k in range(3))
        side = np.maximum(np.maximum(a, b), c) - np.minimum(np.minimum(a, b), c)
        extent = np.maximum(extent, side)
    return extent


def _twice_area(positions: Floats, triangles: Ints) -> Floats:
    (xa, ya), (xb, yb), (xc, yc) = (positions.T[:, triangles[:, k]] for k in range(3))
    twice: Floats = (xb - xa) * (yc - ya) - (yb - ya) * (xc - xa)
    return twice


def peel(positions: Floats, triangles: Ints) -> Ints:
    """Leave out triangles along the border that are too thin for their area to be computed."""
    while len(flat := np.flatnonzero(_twice_area(positions, triangles) <= 0)):
        outer = flat[(neighbours(triangles).reshape(-1, 3)[flat] < 0).any(axis=1)]
        if len(outer) == 0:
            break
        triangles = np.delete(triangles, outer, axis=0)
    return triangles


def _on_border_vertices(triangles: Ints, count: int) -> npt.NDArray[np.bool_]:
    """Mark the vertices on the border of a triangulation.

    Around a vertex inside, every neighbour is once the end of an edge that leaves and once the
    start of one that arrives, so the sums agree; on the border the first and last do not.
    """
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    unequal: npt.NDArray[np.bool_] = np.bincount(start, end, count) != np.bincount(
        end, start, count
    )
    return unequal


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
    count = len(tin.points)
    outer = _on_border_vertices(tin.triangles, count)
    near = np.flatnonzero(outer[start] & outer[end])
    low, high = np.minimum(start[near], end[near]), np.maximum(start[near], end[near])
    _, first, sides = np.unique(low * count + high, return_index=True, return_counts=True)
    edge = near[first[sides == 1]]
    return edge // 3, start[edge], end[edge]


def batches(size: Ints, limit: int) -> Iterator[slice]:
    """Cut items in order into batches whose sizes add up to about the limit."""
    if len(size) == 0:
        return
    done = np.cumsum(size)
    cuts = np.unique(np.searchsorted(done, np.arange(0, done[-1], limit)))
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
    low, mid, high = ((u[k], v[k], z[k]) for k in np.take_along_axis(corners, order, axis=1).T)
    long = _Sides(low, high)
    first = np.ceil(low[1])
    # a flat northern edge belongs to the southern part, whose first row then is the edge's
    middle = np.where(mid[1] > low[1], np.floor(mid[1]), first - 1)
    last = np.floor(high[1])
    for top, bottom, short in (
        (first, middle, _Sides(low, mid)),
        (middle + 1, last, _Sides(mid, high)),
    ):
        top = np.maximum(top, 0)
        height = (np.minimum(bottom, grid.rows - 1) - top).astype(np.int64) + 1
        part = np.flatnonzero(height > 0)
        top, height = top[part], height[part]
        for batch in batches(height, _ROWS_AT_ONCE):
            rows = height[batch]
            side = np.repeat(part[batch], rows)
            row = np.arange(len(side)) - np.repeat(np.cumsum(rows) - rows - top[batch], rows)
            here, there = long.column(row, side), short.column(row, side)
            column = np.maximum(np.ceil(np.minimum(here, there)), 0)
            count = np.minimum(np.floor(np.maximum(here, there)), grid.cols - 1) - column + 1
            keep = np.flatnonzero(count > 0)
            length = np.minimum(count[keep], _SHORT_RUN + 1).astype(np.uint8)
            # small integers are sorted by counting
            keep = keep[np.argsort(_SHORT_RUN + 1 - length, kind="stable")]
            side, row, column, here = side[keep], row[keep], column[keep], here[keep]
            width = there[keep] - here
            # where rounding makes up the width any place between the two edges will do
            width[width == 0] = 1.0
            begin = long.elevation(row, side)
            rise = short.elevation(row, side) - begin
            yield _Runs(
                triangle[side],
                (row * grid.cols + column).astype(np.int64),
                count[keep].astype(np.int64),
                begin + np.clip((column - here) / width, 0, 1) * rise,
                rise / width,
            )


def cells_of_runs(count: Ints) -> Iterator[tuple[slice | Ints, int | Ints]]:
    """Expand runs, longest first, to cells: runs, and a cell of each as steps from its start.

    Most runs are short: they are taken one step at a time, all together; what is left of the
    long ones is laid out cell by cell.
    """
    by_length = np.bincount(np.minimum(count, _SHORT_RUN + 1), minlength=_SHORT_RUN + 2)
    for step in range(_SHORT_RUN):
        longer = int(by_length[step + 1 :].sum())
        if longer == 0:
            return
        yield slice(longer), step
    left = count[: by_length[-1]] - _SHORT_RUN
    for batch in batches(left, _CELLS_AT_ONCE):
        length = left[batch]
        steps = np.arange(_SHORT_RUN, _SHORT_RUN + int(length.sum()))
        yield (
            np.repeat(np.arange(batch.start, batch.stop), length),
            steps - np.repeat(np.cumsum(length) - length, length),
        )


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


def interpolate_tin(
    points: npt.ArrayLike, grid: Grid, breaklines: Sequence[npt.ArrayLike] = ()
) -> Floats:
    """Interpolate elevations linearly on the Delaunay triangles of points.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Map units, any order; coincident positions count with their mean elevation.
    grid
        Where to interpolate, at the centres of the cells.
    breaklines
        Arrays of shape (k, 3): edges that triangles do not cross, see `triangulate`.

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
    return rasterise(triangulate(points, breaklines), grid)


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
    for runs in _runs(tin, grid):
        for run, step in cells_of_runs(runs.count):
            out[runs.first[run] + step] = runs.begin[run] + runs.step[run] * step
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
    for runs in _runs(tin, grid):
        for run, step in cells_of_runs(runs.count):
            out[runs.first[run] + step] = runs.triangle[run]
    for cell, triangle, _, _, _ in _on_border(tin, grid):
        out[cell] = triangle
    return out.reshape(grid.shape)


def find(tin: Tin, places: Floats) -> Ints:
    """Find the triangle that each place lies in.

    Parameters
    ----------
    tin
    places : array, shape (k, 2), columns easting, northing

    Returns
    -------
    array of int, shape (k,)
        Row of ``tin.triangles``, -1 outside; on an edge or a corner the lowest row.
    """
    middle = np.round(tin.points[:, :2].mean(axis=0))
    corners = (tin.points[:, :2] - middle)[tin.triangles]
    tree = shapely.STRtree(np.asarray(shapely.polygons(corners)))
    which, hit = tree.query(shapely.points(places - middle), predicate="intersects")
    triangle = np.full(len(places), len(tin.triangles))
    np.minimum.at(triangle, which, hit)
    return np.where(triangle < len(tin.triangles), triangle, -1)


def border(tin: Tin) -> npt.NDArray[np.bool_]:
    """Mark the rows of ``tin.points`` on the outer border, and any in no triangle."""
    outer = _on_border_vertices(tin.triangles, len(tin.points))
    used = np.zeros(len(tin.points), bool)
    used[tin.triangles] = True
    return outer | ~used


def shares(tin: Tin, triangle: Ints, places: Floats) -> Floats:
    """Weigh the corners of the triangle each place is in.

    Parameters
    ----------
    tin
    triangle : array of int, shape (k,)
    places : array, shape (k, 2), columns easting, northing

    Returns
    -------
    array, shape (k, 3)
        Barycentric coordinates, none negative, adding up to 1.
    """
    a, b, c = (tin.points[tin.triangles[triangle, k], :2] for k in range(3))
    (xb, yb), (xc, yc), (xp, yp) = ((p - a).T for p in (b, c, places))
    twice = xb * yc - yb * xc
    # a triangle without area: any place in it will do
    twice[twice == 0] = 1.0
    weight = np.empty((len(triangle), 3))
    weight[:, 1] = (xp * yc - yp * xc) / twice
    weight[:, 2] = (xb * yp - yb * xp) / twice
    weight[:, 0] = 1.0 - weight[:, 1] - weight[:, 2]
    # a place on an edge is in by rounding only
    np.clip(weight, 0.0, None, out=weight)
    weight /= weight.sum(axis=1, keepdims=True)
    return weight


def linear(tin: Tin, triangle: Ints, places: Floats) -> Floats:
    """Interpolate linearly in the triangle each place is in.

    Parameters
    ----------
    tin
    triangle : array of int, shape (k,)
    places : array, shape (k, 2), columns easting, northing

    Returns
    -------
    array, shape (k,)
    """
    corners = tin.points[tin.triangles[triangle], 2]
    z: Floats = (shares(tin, triangle, places) * corners).sum(axis=1)
    return z
