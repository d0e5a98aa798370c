"""Natural neighbour interpolation: each mark weighs by the area a new place would take from it."""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid
from geosite.terrain.surface.half_edges import opposite_half_edges
from geosite.terrain.surface.raster_rows import locate_cells
from geosite.terrain.surface.tin import Tin, interpolate_linear

__all__ = ["NaturalNeighbours", "interpolate_natural"]

# cells worked on together: what stays in the cache
_AT_ONCE = 1 << 14


class NaturalNeighbours:
    """Sibson's interpolation on the Delaunay triangles of a survey.

    Parameters
    ----------
    tin
        A triangulation without breaklines.

    Notes
    -----
    A place inserted into the Voronoi diagram takes a part of the cell of each neighbour; the share
    of that area is the neighbour's weight (Sibson, R. (1981), A brief description of natural
    neighbour interpolation, in Barnett (ed.), Interpreting Multivariate Data, 21-36). The areas
    are exact. They are summed edge by edge over the triangles whose circumcircle holds the place
    (Watson, D. F. (1992), Contouring: a guide to the analysis and display of spatial data):
    they form a tree, which is traversed from the triangle the place is in, for many
    places at once. The area taken from a neighbour is bounded by edges of its Voronoi cell and by
    the bisector towards the place; with the middle between neighbour and place as the origin of
    the area sum, the bisector contributes nothing and each Voronoi edge stands alone.

    The surface goes through the marks, is smooth everywhere else and stays between the lowest and
    the highest neighbour.
    """

    def __init__(self, tin: Tin) -> None:
        self._tin = tin
        position = tin.points[:, :2]
        self._middle: Floats = np.round((position.min(axis=0) + position.max(axis=0)) / 2)
        self._x, self._y = np.ascontiguousarray((position - self._middle).T)
        self._z = np.ascontiguousarray(tin.points[:, 2])
        self._start = tin.triangles.ravel()
        self._end = np.roll(tin.triangles, -1, axis=1).ravel()
        self._other = opposite_half_edges(tin.triangles)
        self._apex = np.roll(tin.triangles, -2, axis=1).ravel()
        a, b, c = tin.triangles.T
        bx, by = self._x[b] - self._x[a], self._y[b] - self._y[a]
        cx, cy = self._x[c] - self._x[a], self._y[c] - self._y[a]
        with np.errstate(divide="ignore", invalid="ignore"):
            px, py = _centre(bx, by, cx, cy)
        self._centre_x, self._centre_y = self._x[a] + px, self._y[a] + py

    def at(self, triangle: Ints, positions: Floats) -> Floats:
        """Interpolate at places.

        Parameters
        ----------
        triangle : array of int, shape (k,)
            The triangle each place is in.
        positions : array, shape (k, 2), columns easting, northing

        Returns
        -------
        array, shape (k,)
        """
        flat = interpolate_linear(self._tin, triangle, positions)
        x, y = (positions - self._middle).T
        weighted, total = np.zeros(len(positions)), np.zeros(len(positions))
        row = np.tile(np.arange(len(positions)), 3)
        half = np.concatenate([3 * triangle + j for j in range(3)])
        # on a mark and on the border areas are infinite: there the triangle itself is the limit
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            while len(row):
                row, half = self._add(x, y, row, half, weighted, total)
            z = weighted / total
        usable = (total > 0) & (z >= self._z.min()) & (z <= self._z.max())
        return np.where(usable, z, flat)

    def _add(
        self, x: Floats, y: Floats, place: Ints, half: Ints, weighted: Floats, total: Floats
    ) -> tuple[Ints, Ints]:
        """Add the areas beside edges seen from the inside; the edges behind those inside too."""
        start, end = self._start[half], self._end[half]
        px, py = x[place], y[place]
        ax, ay = self._x[start] - px, self._y[start] - py
        bx, by = self._x[end] - px, self._y[end] - py
        other = self._other[half]
        far = self._apex[other]
        cx, cy = self._x[far] - px, self._y[far] - py
        aa, bb, cc = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
        across = ax * by - ay * bx
        # the neighbour is b, a, c counter-clockwise; is the place in its circumcircle?
        inside = (cc * across + aa * (bx * cy - by * cx) + bb * (cx * ay - cy * ax) < 0) & (
            other >= 0
        )
        own, behind = half // 3, other // 3
        ox, oy = self._centre_x[own] - px, self._centre_y[own] - py
        # the other end of the Voronoi edge: the next centre, or where the bisectors cut it off
        qx = np.where(inside, self._centre_x[behind] - px, (by * aa - ay * bb) / (2 * across))
        qy = np.where(inside, self._centre_y[behind] - py, (ax * bb - bx * aa) / (2 * across))
        first = (qx - ax / 2) * (oy - ay / 2) - (qy - ay / 2) * (ox - ax / 2)
        second = (ox - bx / 2) * (qy - by / 2) - (oy - by / 2) * (qx - bx / 2)
        count = len(total)
        total += np.bincount(place, first + second, count)
        weighted += np.bincount(place, first * self._z[start] + second * self._z[end], count)
        place, other = np.tile(place[inside], 2), other[inside]
        base = other - other % 3
        return place, np.concatenate([base + (other + 1) % 3, base + (other + 2) % 3])


def _centre(bx: Floats, by: Floats, cx: Floats, cy: Floats) -> tuple[Floats, Floats]:
    """Return the centre of the circle through the origin, b and c."""
    twice = 2 * (bx * cy - by * cx)
    bb, cc = bx * bx + by * by, cx * cx + cy * cy
    return (cy * bb - by * cc) / twice, (bx * cc - cx * bb) / twice


def interpolate_natural(tin: Tin, grid: Grid) -> Floats:
    """Interpolate elevations by natural neighbours.

    Parameters
    ----------
    tin
        A triangulation without breaklines.
    grid
        Where to interpolate, at the centres of the cells.

    Returns
    -------
    array, shape (rows, cols)
        NaN outside the convex hull of the points.

    Examples
    --------
    Natural neighbours keep a plane, here of 10 % to the east:

    >>> from geosite.terrain.surface.tin import triangulate
    >>> tin = triangulate([(0, 0, 0.0), (10, 0, 1.0), (0, 10, 0.0), (10, 10, 1.0), (3, 4, 0.3)])
    >>> interpolate_natural(tin, Grid(0.0, 10.0, 5.0, 2, 2)).round(9).tolist()
    [[0.25, 0.75], [0.25, 0.75]]
    """
    method = NaturalNeighbours(tin)
    triangle = locate_cells(tin, grid).ravel()
    east, north = grid.centres()
    out = np.full(triangle.shape, np.nan)
    inside = np.flatnonzero(triangle >= 0)
    for start in range(0, len(inside), _AT_ONCE):
        cell = inside[start : start + _AT_ONCE]
        places = np.column_stack([east[cell % grid.cols], north[cell // grid.cols]])
        out[cell] = method.at(triangle[cell].astype(np.int64), places)
    return out.reshape(grid.shape)
