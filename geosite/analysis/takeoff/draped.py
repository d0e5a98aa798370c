"""How much larger the ground is than its plan: areas draped over triangles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.terrain.uncertainty.ground import Ground

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Draped", "Triangles", "drape", "triangles_of"]


@dataclass(frozen=True, eq=False)
class Triangles:
    """A triangulated surface.

    Parameters
    ----------
    points : array, shape (m, 3), local grid metres and elevation in metres
    triangles : array of int, shape (t, 3)
        Rows of `points`.
    rows : array of int, shape (m,), or None
        Observation that each point is, or depends on; without it the surface counts as exact.
    """

    points: Floats
    triangles: Ints
    rows: Ints | None = None


@dataclass(frozen=True, eq=False)
class Draped:
    """What a surface makes of one area.

    Parameters
    ----------
    factor
        Surface area divided by plan area, 1 or more; 1 where the surface does not reach.
    covered
        Share of the plan area that the surface reaches, 0 to 1.
    points : array of int
        Points of the surface that the factor depends on.
    change : array, per metre
        How the factor changes with the elevation of each.
    """

    factor: float
    covered: float
    points: Ints
    change: Floats


def triangles_of(ground: Ground) -> Triangles:
    """Return the triangles of the ground with the observations they depend on.

    Examples
    --------
    >>> from geosite.network.independent_marks import independent_marks
    >>> from geosite.terrain.uncertainty.ground import ground_between
    >>> from geosite.terrain.surface.tin import triangulate
    >>> corners = np.array([[0, 0, 1], [10, 0, 2], [10, 10, 2], [0, 10, 1]], float)
    >>> ground = ground_between(independent_marks(corners), np.arange(4), triangulate(corners))
    >>> len(triangles_of(ground).triangles), sorted(triangles_of(ground).rows.tolist())
    (2, [0, 1, 2, 3])
    """
    tin = ground.tin
    return Triangles(tin.points, tin.triangles, ground.rows[tin.owner])


def drape(
    areas: Sequence[BaseGeometry], surface: Triangles, combined_factor: float
) -> list[Draped]:
    """Lay areas over a triangulated surface.

    Every triangle is cut by the outline, so the border counts with exactly the part that lies
    inside. A part of an area that the surface does not reach takes the factor of the rest.

    Parameters
    ----------
    areas
        Polygons in local grid metres.
    surface
        The triangles.
    combined_factor
        Ground = grid / combined factor.

    Returns
    -------
    list of Draped
        One per area.

    Notes
    -----
    A triangle of slope s on the ground has ``sqrt(1 + s^2)`` times the area of its plan, and the
    slope is linear in the elevations of its corners.

    Examples
    --------
    A roof of 3 in 4 is 5 / 4 as large as its plan:

    >>> points = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 3.0], [4.0, 4.0, 3.0], [0.0, 4.0, 0.0]])
    >>> roof = Triangles(points, np.array([[0, 1, 2], [0, 2, 3]]))
    >>> (draped,) = drape([shapely.box(1, 1, 3, 2)], roof, 1.0)
    >>> draped.factor, draped.covered
    (1.25, 1.0)
    """
    points, triangles = surface.points, surface.triangles
    nothing = Draped(1.0, 0.0, np.zeros(0, np.int64), np.zeros(0))
    if not len(triangles) or not len(areas):
        return [nothing for _ in areas]
    # a triangle on its edge covers no plan
    triangles = triangles[_twice(points, triangles) != 0.0]
    shares = _share_gradients(points, triangles)
    # the plan is smaller than the ground by the combined factor, the rise is not
    slope = (shares * points[triangles][:, :, 2:]).sum(axis=1) * combined_factor
    factor = np.hypot(1.0, np.hypot(slope[:, 0], slope[:, 1]))
    change = (shares * slope[:, None]).sum(axis=2) * (combined_factor / factor)[:, None]
    flat = np.asarray(shapely.polygons(points[triangles][:, [0, 1, 2, 0], :2]))
    shapes = np.asarray(list(areas), dtype=object)
    shapely.prepare(shapes)
    which, tile = shapely.STRtree(flat).query(shapes, predicate="intersects")
    plan = np.abs(_twice(points, triangles))[tile] / 2.0
    cut = ~shapely.contains_properly(shapes[which], flat[tile])
    plan[cut] = shapely.area(shapely.intersection(shapes[which[cut]], flat[tile[cut]]))
    reached = np.bincount(which, plan, len(shapes))
    larger = np.bincount(which, plan * factor[tile], len(shapes))
    whole = shapely.area(shapes)
    found = []
    for k in range(len(shapes)):
        if reached[k] <= 0.0:
            found.append(nothing)
            continue
        is_own = which == k
        corners = triangles[tile[is_own]].ravel()
        per_metre = (change[tile[is_own]] * plan[is_own, None]).ravel() / reached[k]
        used, place = np.unique(corners, return_inverse=True)
        total = np.bincount(place, per_metre, len(used)).astype(np.float64)
        covered = min(float(reached[k] / whole[k]), 1.0)
        found.append(Draped(float(larger[k] / reached[k]), covered, used, total))
    return found


def _twice(points: Floats, triangles: Ints) -> Floats:
    a, b, c = (points[triangles[:, k], :2] for k in range(3))
    one, other = b - a, c - a
    doubled: Floats = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    return doubled


def _share_gradients(points: Floats, triangles: Ints) -> Floats:
    """Return how the share of each corner changes over its triangle, shape (t, 3, 2)."""
    corners = points[triangles][:, :, :2]
    opposite = np.roll(corners, 1, axis=1) - np.roll(corners, -1, axis=1)
    normal = np.stack([-opposite[..., 1], opposite[..., 0]], axis=-1)
    gradients: Floats = normal / _twice(points, triangles)[:, None, None]
    return gradients
