"""Volumes between two surfaces: by cross sections, and exactly where both are made of triangles.

Nothing here knows of surveys: arrays in, cubic metres out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints

__all__ = ["Pieces", "average_end_area", "cut_and_fill", "overlay", "plane_of", "prismoidal"]

Shapes = npt.NDArray[np.object_]


def average_end_area(
    chainage: npt.ArrayLike, area: npt.ArrayLike, *, pyramid: bool = True
) -> float:
    """Return the volume between cross sections by their mean area.

    Parameters
    ----------
    chainage : array, shape (m,), metres
    area : array, shape (m,), square metres
    pyramid
        Where one end has no area the solid is a pyramid: a third of the other end's area.

    References
    ----------
    Fundamentals of Transportation (Wikibooks), Earthwork.

    Examples
    --------
    >>> average_end_area([0.0, 10.0], [4.0, 6.0])
    50.0
    """
    length = np.diff(np.asarray(chainage, np.float64))
    a = np.asarray(area, np.float64)
    start, end = a[:-1], a[1:]
    share = np.where(((start == 0) | (end == 0)) & pyramid, 1 / 3, 1 / 2)
    return float((length * share * (start + end)).sum())


def prismoidal(chainage: npt.ArrayLike, area: npt.ArrayLike, middle: npt.ArrayLike) -> float:
    """Return the volume by the prismoidal formula, L (A1 + 4 Am + A2) / 6.

    Parameters
    ----------
    chainage, area : array, shape (m,)
    middle : array, shape (m - 1,)
        Area halfway between the sections.

    Examples
    --------
    A pyramid of height 6 on a base of 10 is a third of its prism:

    >>> prismoidal([0.0, 6.0], [10.0, 0.0], [2.5])
    20.0
    """
    length = np.diff(np.asarray(chainage, np.float64))
    a, m = np.asarray(area, np.float64), np.asarray(middle, np.float64)
    return float((length * (a[:-1] + 4 * m + a[1:]) / 6).sum())


@dataclass(frozen=True, eq=False)
class Pieces:
    """Parts of an area, over each of which a surface is one plane.

    Parameters
    ----------
    shapes : array of polygons, shape (p,)
        What is left of each triangle.
    planes : array, shape (p, 3)
        Height at the origin, and its change per unit of x and of y.
    """

    shapes: Shapes
    planes: Floats


def plane_of(points: Floats, triangles: Ints) -> Floats:
    """Return the plane through each triangle as height at the origin and two gradients.

    Parameters
    ----------
    points : array, shape (n, 3)
    triangles : array of int, shape (t, 3)

    Returns
    -------
    array, shape (t, 3)

    Examples
    --------
    >>> corners = np.array([[0.0, 0.0, 1.0], [2.0, 0.0, 2.0], [0.0, 4.0, 1.0]])
    >>> plane_of(corners, np.array([[0, 1, 2]])).tolist()
    [[1.0, 0.5, 0.0]]
    """
    a, b, c = (points[triangles[:, k]] for k in range(3))
    one, other = b - a, c - a
    twice = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    east = (one[:, 2] * other[:, 1] - other[:, 2] * one[:, 1]) / twice
    north = (other[:, 2] * one[:, 0] - one[:, 2] * other[:, 0]) / twice
    return np.column_stack([a[:, 2] - east * a[:, 0] - north * a[:, 1], east, north])


def overlay(shapes: Shapes, points: Floats, triangles: Ints) -> tuple[Pieces, Ints]:
    """Cut polygons along the edges of triangles.

    Parameters
    ----------
    shapes : array of polygons, shape (s,)
    points : array, shape (n, 3)
        Local coordinates: planes are told from their origin.
    triangles : array of int, shape (t, 3)

    Returns
    -------
    pieces
        What the triangles reach.
    source : array of int
        The polygon that each piece is part of.

    Examples
    --------
    A square of 2 m over a plane that rises by 1 in 4 to the east, made of two triangles:

    >>> points = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 1.0], [4.0, 4.0, 1.0], [0.0, 4.0, 0.0]])
    >>> square = np.array([shapely.box(1, 1, 3, 3)])
    >>> pieces, source = overlay(square, points, np.array([[0, 1, 2], [0, 2, 3]]))
    >>> shapely.area(pieces.shapes).tolist(), source.tolist(), pieces.planes[0].tolist()
    ([2.0, 2.0], [0, 0], [0.0, 0.25, 0.0])
    """
    upright = np.abs(_twice(points, triangles)) > 0.0  # on its edge a triangle covers no plan
    triangles = triangles[upright]
    tiles = np.asarray(shapely.polygons(points[triangles][:, [0, 1, 2, 0], :2]))
    shapely.prepare(shapes)
    source, tile = shapely.STRtree(tiles).query(shapes, predicate="intersects")
    found = tiles[tile]
    cut = ~shapely.contains_properly(shapes[source], found)
    found[cut] = shapely.intersection(shapes[source[cut]], found[cut])
    real = shapely.area(found) > 0.0
    planes = plane_of(points, triangles)[tile[real]]
    return Pieces(found[real], planes), source[real]


def _twice(points: Floats, triangles: Ints) -> Floats:
    a, b, c = (points[triangles[:, k], :2] for k in range(3))
    one, other = b - a, c - a
    doubled: Floats = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    return doubled


def cut_and_fill(pieces: Pieces) -> tuple[float, float]:
    """Integrate a difference of two surfaces, apart where it is positive and where it is negative.

    Parameters
    ----------
    pieces
        The planes are those of the difference.

    Returns
    -------
    cut, fill
        Both positive. Exact: the integral of a plane over a polygon is its area times the height at
        its centroid, and where the plane changes its sign the polygon is cut along that line.

    Examples
    --------
    A wedge that falls from 1 to -1 over 2 m, 3 m wide: half of it is cut, half is fill.

    >>> wedge = Pieces(np.array([shapely.box(0, 0, 2, 3)]), np.array([[1.0, -1.0, 0.0]]))
    >>> cut_and_fill(wedge)
    (1.5, 1.5)
    """
    owner = np.repeat(np.arange(len(pieces.shapes)), shapely.get_num_coordinates(pieces.shapes))
    corners = shapely.get_coordinates(pieces.shapes)
    plane = pieces.planes[owner]
    height = plane[:, 0] + (plane[:, 1:] * corners).sum(axis=1)
    above, below = np.zeros(len(pieces.shapes), bool), np.zeros(len(pieces.shapes), bool)
    above[owner[height > 0]] = True
    below[owner[height < 0]] = True
    both = np.flatnonzero(above & below)
    upper = shapely.intersection(pieces.shapes[both], _half_planes(pieces, both))
    whole = _integral(pieces.shapes, pieces.planes)
    positive = np.where(above, whole, 0.0)
    positive[both] = _integral(upper, pieces.planes[both])
    cut = float(positive.sum())
    return cut, cut - float(whole.sum())


def _integral(shapes: Shapes, planes: Floats) -> Floats:
    area = shapely.area(shapes)
    middle = shapely.get_coordinates(shapely.centroid(shapes[area > 0]))
    total = np.zeros(len(shapes))
    covered_planes = planes[area > 0]
    total[area > 0] = area[area > 0] * (
        covered_planes[:, 0] + (covered_planes[:, 1:] * middle).sum(axis=1)
    )
    return total


def _half_planes(pieces: Pieces, which: Ints) -> Shapes:
    """Return a square on the positive side of each plane's zero line that covers the piece."""
    west, south, east, north = shapely.bounds(pieces.shapes[which]).T
    middle = np.column_stack([(west + east) / 2, (south + north) / 2])
    reach = np.hypot(east - west, north - south)[:, None]
    base, slope = pieces.planes[which, 0], pieces.planes[which, 1:]
    steep = np.hypot(slope[:, 0], slope[:, 1])
    up = slope / steep[:, None]
    off = (base + (slope * middle).sum(axis=1)) / steep
    foot = middle - up * off[:, None]
    along = np.column_stack([-up[:, 1], up[:, 0]]) * reach
    ring = np.stack([foot - along, foot + along, foot + along + up * 2 * reach], axis=1)
    ring = np.concatenate([ring, (foot - along + up * 2 * reach)[:, None], ring[:, :1]], axis=1)
    return np.asarray(shapely.polygons(ring))
