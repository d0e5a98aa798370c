"""Triangulated irregular network: Delaunay triangles and the plane over each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.terrain.surface.breakline import Mesh, constrain, node_breaklines, orientations
from geosite.terrain.surface.half_edges import opposite_half_edges

__all__ = [
    "Tin",
    "barycentric",
    "border_points",
    "border_sides",
    "distinct_positions",
    "drop_border_needles",
    "interpolate_linear",
    "is_border_vertex",
    "lattice_step",
    "locate_points",
    "longest_extent",
    "on_lattice",
    "triangulate",
    "twice_area",
]

# triangles that thin, area over the square of the longest side, may hide a wrong decision
_NEEDLE = 1e-9


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
        The given point that represents each row of `points`: the first of those combined, the
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
    """Combine coincident positions to their mean elevation, in order of first appearance.

    Returns
    -------
    points : array, shape (m, 3)
    origin : array of int, shape (n,)
        Row of `points` that each given point became.

    Examples
    --------
    >>> points, origin = distinct_positions(np.array([[5.0, 0, 1], [2, 0, 4], [5, 0, 3]]))
    >>> points.tolist(), origin.tolist()
    ([[5.0, 0.0, 2.0], [2.0, 0.0, 4.0]], [0, 1, 0])
    """
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

    Examples
    --------
    A square of 4 m with a mark in the middle has four triangles:

    >>> tin = triangulate([(0, 0, 1.0), (4, 0, 1.0), (4, 4, 1.0), (0, 4, 1.0), (2, 2, 1.5)])
    >>> len(tin.triangles), float(twice_area(tin.points[:, :2], tin.triangles).sum() / 2)
    (4, 16.0)
    """
    given = _checked(points, "points-not-finite", "points for the surface", "point")
    lines = [
        _checked(line, "breakline-not-finite", f"breakline {number}", "vertex")
        for number, line in enumerate(breaklines, 1)
    ]
    tin = _triangulate(given, lines)
    if tin is None:
        step = lattice_step(given)
        tin = _triangulate(on_lattice(given, step), [on_lattice(line, step) for line in lines])
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
    """Return the spacing of a lattice on which signs of areas are certain.

    A power of two far below any survey's precision: ``2**-32`` of the extent.

    Examples
    --------
    Less than a micrometre over a kilometre:

    >>> lattice_step(np.array([[0.0, 0.0], [1000.0, 500.0]])) < 1e-6
    True
    """
    if len(points) == 0:
        return 1.0
    extent = float(np.ptp(points[:, :2], axis=0).max())
    step = max(extent * 2.0**-32, float(np.abs(points[:, :2]).max()) * 2.0**-50, 1e-300)
    return float(2.0 ** np.ceil(np.log2(step)))


def on_lattice(points: Floats, step: float) -> Floats:
    """Return points moved to a lattice in plan, heights as they are.

    Examples
    --------
    >>> on_lattice(np.array([[1.26, 2.99, 7.3]]), 0.5)
    array([[1.5, 3. , 7.3]])
    """
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
        noded = node_breaklines(reduced, [line - middle for line in lines])
        added = noded.points[len(reduced) :]
        if len(added):
            tree = shapely.STRtree(np.asarray(shapely.points(reduced[:, :2])))
            near = tree.nearest(shapely.points(added[:, :2]))
            owner = np.concatenate([owner, owner[near]])
        reduced, edges, gap = noded.points, noded.edges, noded.crossing_gap
        distinct = np.vstack([distinct, added + middle])
    triangles = _delaunay(reduced[:, :2])
    if triangles is None:
        return None
    if len(edges):
        triangles, edges = constrain(reduced[:, :2], triangles, edges)
    triangles = drop_border_needles(reduced[:, :2], triangles)
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
    border_count = int(is_border_vertex(triangles, len(positions)).sum())
    if not used.all() or len(triangles) != 2 * len(positions) - 2 - border_count:
        return None
    hull = float(shapely.area(shapely.convex_hull(shapely.linestrings(positions))))
    twice = twice_area(positions, triangles)
    size = float(np.ptp(positions, axis=0).max()) ** 2
    if (
        abs(twice.sum() / 2 - hull) > 1e-12 * size * len(positions) ** 0.5
        or (orientations(positions, triangles) <= 0).any()
    ):
        return None
    if (twice < _NEEDLE * longest_extent(positions, triangles) ** 2).any():
        mesh = Mesh(positions, triangles)
        mesh.flip_to_delaunay()
        triangles = mesh.triangles
    return triangles


def longest_extent(positions: Floats, triangles: Ints) -> Floats:
    """Return the larger extent in easting or northing of each triangle.

    Examples
    --------
    >>> longest_extent(np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]]), np.array([[0, 1, 2]]))
    array([4.])
    """
    extent = np.zeros(len(triangles))
    for place in positions.T:
        a, b, c = (place[triangles[:, k]] for k in range(3))
        side = np.maximum(np.maximum(a, b), c) - np.minimum(np.minimum(a, b), c)
        extent = np.maximum(extent, side)
    return extent


def twice_area(positions: Floats, triangles: Ints) -> Floats:
    """Return twice the signed area of triangles, counter-clockwise positive.

    Examples
    --------
    >>> twice_area(np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]]), np.array([[0, 1, 2]]))
    array([12.])
    """
    (xa, ya), (xb, yb), (xc, yc) = (positions.T[:, triangles[:, k]] for k in range(3))
    twice: Floats = (xb - xa) * (yc - ya) - (yb - ya) * (xc - xa)
    return twice


def drop_border_needles(positions: Floats, triangles: Ints) -> Ints:
    """Leave out triangles along the border that are too thin for their area to be computed.

    Examples
    --------
    The second triangle has no area:

    >>> positions = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0], [2.0, 0.0]])
    >>> drop_border_needles(positions, np.array([[0, 1, 2], [0, 3, 1]])).tolist()
    [[0, 1, 2]]
    """
    while len(flat := np.flatnonzero(twice_area(positions, triangles) <= 0)):
        outer = flat[(opposite_half_edges(triangles).reshape(-1, 3)[flat] < 0).any(axis=1)]
        if len(outer) == 0:
            break
        triangles = np.delete(triangles, outer, axis=0)
    return triangles


def is_border_vertex(triangles: Ints, count: int) -> npt.NDArray[np.bool_]:
    """Mark the vertices on the border of a triangulation.

    Around a vertex inside, every neighbour is once the end of an edge that leaves and once the
    start of one that arrives, so the sums agree; on the border the first and last do not.

    Examples
    --------
    >>> inside = np.array([[0, 1, 3], [1, 2, 3], [2, 0, 3]])
    >>> is_border_vertex(inside, 4).tolist()
    [True, True, True, False]
    """
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    unequal: npt.NDArray[np.bool_] = np.bincount(start, end, count) != np.bincount(
        end, start, count
    )
    return unequal


def border_sides(tin: Tin) -> tuple[Ints, Ints, Ints]:
    """Return the sides that have a triangle on one side only.

    Returns
    -------
    triangle, start, end : array of int
        Row of ``tin.triangles`` and rows of ``tin.points``, counter-clockwise.

    Examples
    --------
    >>> tin = triangulate(np.array([[0.0, 0.0, 1.0], [4.0, 0.0, 1.0], [0.0, 3.0, 1.0]]))
    >>> [sorted(map(int, pair)) for pair in zip(*border_sides(tin)[1:])]
    [[0, 1], [0, 2], [1, 2]]
    """
    start = tin.triangles.ravel()
    end = np.roll(tin.triangles, -1, axis=1).ravel()
    count = len(tin.points)
    outer = is_border_vertex(tin.triangles, count)
    candidates = np.flatnonzero(outer[start] & outer[end])
    low, high = (
        np.minimum(start[candidates], end[candidates]),
        np.maximum(start[candidates], end[candidates]),
    )
    _, first, sides = np.unique(low * count + high, return_index=True, return_counts=True)
    edge = candidates[first[sides == 1]]
    return edge // 3, start[edge], end[edge]


def locate_points(tin: Tin, positions: Floats) -> Ints:
    """Find the triangle that each place lies in.

    Parameters
    ----------
    tin
    positions : array, shape (k, 2), columns easting, northing

    Returns
    -------
    array of int, shape (k,)
        Row of ``tin.triangles``, -1 outside; on an edge or a corner the lowest row.

    Examples
    --------
    >>> tin = triangulate([(0, 0, 1.0), (4, 0, 1.0), (0, 3, 1.0)])
    >>> locate_points(tin, np.array([[1.0, 1.0], [4.0, 3.0]])).tolist()
    [0, -1]
    """
    middle = np.round(tin.points[:, :2].mean(axis=0))
    corners = (tin.points[:, :2] - middle)[tin.triangles]
    tree = shapely.STRtree(np.asarray(shapely.polygons(corners)))
    which, found = tree.query(shapely.points(positions - middle), predicate="intersects")
    triangle = np.full(len(positions), len(tin.triangles))
    np.minimum.at(triangle, which, found)
    return np.where(triangle < len(tin.triangles), triangle, -1)


def border_points(tin: Tin) -> npt.NDArray[np.bool_]:
    """Mark the rows of ``tin.points`` on the outer border, and any in no triangle.

    Examples
    --------
    >>> border_points(triangulate([(0, 0, 0), (4, 0, 0), (0, 4, 0), (1, 1, 0)])).tolist()
    [True, True, True, False]
    """
    outer = is_border_vertex(tin.triangles, len(tin.points))
    used = np.zeros(len(tin.points), bool)
    used[tin.triangles] = True
    return outer | ~used


def barycentric(tin: Tin, triangle: Ints, positions: Floats) -> Floats:
    """Return the barycentric coordinates of places in their triangles.

    Parameters
    ----------
    tin
    triangle : array of int, shape (k,)
    positions : array, shape (k, 2), columns easting, northing

    Returns
    -------
    array, shape (k, 3)
        Weights of the corners, none negative, adding up to 1.

    Examples
    --------
    The middle of a triangle has a third of each corner:

    >>> tin = triangulate([(0, 0, 1.0), (3, 0, 4.0), (0, 3, 7.0)])
    >>> barycentric(tin, np.array([0]), np.array([[1.0, 1.0]])).round(6).tolist()
    [[0.333333, 0.333333, 0.333333]]
    """
    a, b, c = (tin.points[tin.triangles[triangle, k], :2] for k in range(3))
    (xb, yb), (xc, yc), (xp, yp) = ((p - a).T for p in (b, c, positions))
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


def interpolate_linear(tin: Tin, triangle: Ints, positions: Floats) -> Floats:
    """Interpolate linearly in the triangle each place is in.

    Parameters
    ----------
    tin
    triangle : array of int, shape (k,)
    positions : array, shape (k, 2), columns easting, northing

    Returns
    -------
    array, shape (k,)

    Examples
    --------
    In the middle of a triangle the mean of its corners:

    >>> tin = triangulate([(0, 0, 1.0), (3, 0, 4.0), (0, 3, 7.0)])
    >>> interpolate_linear(tin, np.array([0]), np.array([[1.0, 1.0]])).round(6)
    array([4.])
    """
    corners = tin.points[tin.triangles[triangle], 2]
    z: Floats = (barycentric(tin, triangle, positions) * corners).sum(axis=1)
    return z
