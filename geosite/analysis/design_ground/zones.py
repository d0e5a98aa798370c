"""The parts of a design: an outline and an elevation at every place within it.

Local grid metres and metres. Falls and slopes are per length on the ground.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.tin import triangulate

__all__ = ["Edge", "Zone", "facet_zone", "moved", "pad", "raster_zone", "strip"]

Heights = Callable[[Floats], Floats]
"""A function of a module with what it needs, not one made inside another: it can be pickled."""


@dataclass(frozen=True, eq=False)
class Edge:
    """A line of the design.

    Parameters
    ----------
    name
    places : array, shape (n, 3)
        Local grid metres and metres.
    closed
        Ends where it began.
    """

    name: str
    places: Floats
    closed: bool = False


@dataclass(frozen=True, eq=False)
class Zone:
    """A part of the design.

    Parameters
    ----------
    name
    shape
        Polygon or multipolygon.
    heights
        Elevation at places within or on it, shape (m, 2) to (m,), metres.
    edges
        Its outline and inner lines.
    ring
        Observations that its outline lies on, in order; none where numbers give it.
    """

    name: str
    shape: BaseGeometry
    heights: Heights
    edges: tuple[Edge, ...]
    ring: Ints = field(default_factory=lambda: np.zeros(0, np.int64))


def _outline(name: str, shape: BaseGeometry, heights: Heights) -> tuple[Edge, ...]:
    found = []
    for part in shapely.get_parts(shape):
        for ring in (part.exterior, *part.interiors):
            flat = shapely.get_coordinates(ring)
            found.append(Edge(name, np.column_stack([flat, heights(flat)]), True))
    return tuple(found)


def pad(
    name: str,
    shape: BaseGeometry,
    through: Floats,
    elevation: float,
    fall: float,
    azimuth: float,
    factor: float,
) -> Zone:
    """Return an area that is built to a plane.

    Parameters
    ----------
    name, shape
    through : array, shape (2,)
        Where the plane has this elevation.
    elevation
        Metres.
    fall
        Metres per metre on the ground.
    azimuth
        The way it falls, radians clockwise from grid north.
    factor
        Grid metres per metre on the ground.

    Examples
    --------
    >>> square = shapely.box(0, 0, 10, 10)
    >>> zone = pad("yard", square, np.zeros(2), 100.0, 0.02, np.pi / 2, 1.0)
    >>> zone.heights(np.array([[10.0, 5.0]])).tolist()
    [99.8]
    """
    down = np.array([np.sin(azimuth), np.cos(azimuth)]) * fall / factor
    heights = partial(_on_pad, through, elevation, down)
    flat = shapely.force_2d(shape)
    return Zone(name, flat, heights, _outline(name, flat, heights))


def _on_pad(through: Floats, elevation: float, down: Floats, places: Floats) -> Floats:
    found: Floats = elevation - (places - through) @ down
    return found


def strip(
    name: str, line: Floats, width: float, cross_fall: float, crowned: bool, factor: float
) -> Zone:
    """Return a path or road along a line with elevations.

    Parameters
    ----------
    line : array, shape (n, 3)
    width
        Whole width, metres on the ground.
    cross_fall
        Metres per metre on the ground: away from the line on both sides where it is crowned, else
        to its right.
    crowned
    factor
        Grid metres per metre on the ground.

    Examples
    --------
    >>> line = np.array([[0.0, 0, 10], [20, 0, 10]])
    >>> crowned = strip("road", line, 6.0, 0.025, True, 1.0)
    >>> crowned.heights(np.array([[10.0, 3.0], [10.0, -2.0]])).round(3).tolist()
    [9.925, 9.95]
    >>> tilted = strip("road", line, 6.0, 0.025, False, 1.0)
    >>> tilted.heights(np.array([[10.0, 3.0], [10.0, -2.0]])).round(3).tolist()
    [10.075, 9.95]
    """
    axis = shapely.LineString(line[:, :2])
    shape = shapely.buffer(axis, width * factor / 2, cap_style="flat", join_style="mitre")
    heights = partial(_on_strip, line, cross_fall, crowned, factor)
    return Zone(name, shape, heights, (*_outline(name, shape, heights), Edge(name, line)))


def _on_strip(
    line: Floats, cross_fall: float, crowned: bool, factor: float, places: Floats
) -> Floats:
    step = np.hypot(*np.diff(line[:, :2], axis=0).T)
    chainage = np.concatenate([[0.0], np.cumsum(step)])
    at = shapely.line_locate_point(shapely.LineString(line[:, :2]), shapely.points(places))
    along = np.interp(at, chainage, line[:, 2])
    piece = np.clip(np.searchsorted(chainage, at, side="right") - 1, 0, len(step) - 1)
    way = line[piece + 1, :2] - line[piece, :2]
    away = places - line[piece, :2]
    right = (away[:, 0] * way[:, 1] - away[:, 1] * way[:, 0]) / step[piece]
    off = np.abs(right) if crowned else right
    found: Floats = along - off / factor * cross_fall
    return found


def facet_zone(
    name: str,
    points: Floats,
    lines: Sequence[Floats],
    outline: BaseGeometry | None,
    edges: tuple[Edge, ...],
) -> Zone:
    """Return the triangles through points and along lines, within an outline or as far as they go.

    Examples
    --------
    >>> ring = np.array([[0.0, 0, 1], [4, 0, 1], [4, 4, 3], [0, 4, 3], [0, 0, 1]])
    >>> zone = facet_zone("ramp", ring[:4], [ring], None, ())
    >>> zone.heights(np.array([[1.0, 2.0]])).tolist()
    [2.0]
    """
    tin = triangulate(points, lines)
    corners = tin.points[tin.triangles]
    faces = list(shapely.get_parts(shapely.polygons(corners[:, [0, 1, 2, 0], :2])))
    shape = shapely.union_all(faces) if outline is None else outline
    heights = partial(_on_facets, corners, shapely.STRtree(faces))
    return Zone(name, shape, heights, edges or _outline(name, shape, heights))


def _on_facets(corners: Floats, faces: shapely.STRtree, places: Floats) -> Floats:
    found = np.full(len(places), np.nan)
    near, face = faces.query(shapely.points(places), predicate="dwithin", distance=1e-6)
    first: Ints = np.full(len(places), -1)
    first[near[::-1]] = face[::-1]
    met = np.flatnonzero(first >= 0)
    a, b, c = (corners[first[met], k] for k in range(3))
    found[met] = _on_plane(a, b, c, places[met])
    return found


def _on_plane(a: Floats, b: Floats, c: Floats, places: Floats) -> Floats:
    ab, ac, to = b - a, c - a, places - a[:, :2]
    twice = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    u = (to[:, 0] * ac[:, 1] - to[:, 1] * ac[:, 0]) / twice
    v = (ab[:, 0] * to[:, 1] - ab[:, 1] * to[:, 0]) / twice
    height: Floats = a[:, 2] + u * ab[:, 2] + v * ac[:, 2]
    return height


def raster_zone(name: str, shape: BaseGeometry, heights: Heights) -> Zone:
    """Return the ground of a raster, within the outline of its cells.

    Parameters
    ----------
    name
    shape
        Polygon, local grid metres.
    heights
        Gives the elevations, metres, at places, shape (m, 2), local grid metres.

    Examples
    --------
    >>> pond = raster_zone("pond", shapely.box(0, 0, 2, 2), lambda places: places[:, 1] + 400.0)
    >>> pond.heights(np.array([[1.0, 0.5]])).tolist(), pond.edges
    ([400.5], ())
    """
    return Zone(name, shape, heights, ())


def moved(zone: Zone, shift: Floats) -> Zone:
    """Return a zone in a frame whose origin lies elsewhere, shape (2,), local grid metres.

    Examples
    --------
    A plane that rises to the east, moved 10 m to the east with its zone:

    >>> zone = Zone("pad", shapely.box(0, 0, 2, 2), lambda places: places[:, 0], ())
    >>> away = moved(zone, np.array([10.0, 0.0]))
    >>> away.shape.bounds, away.heights(np.array([[11.0, 1.0]])).tolist()
    ((10.0, 0.0, 12.0, 2.0), [1.0])
    """
    edges = tuple(
        Edge(e.name, e.places + np.array([shift[0], shift[1], 0.0]), e.closed) for e in zone.edges
    )
    shape = shapely.transform(zone.shape, lambda places: places + shift)
    return Zone(zone.name, shape, partial(_on_moved, zone.heights, shift), edges)


def _on_moved(heights: Heights, shift: Floats, places: Floats) -> Floats:
    return heights(places - shift)
