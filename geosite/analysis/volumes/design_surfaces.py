"""Designed surfaces: a plane, or a raster read as triangles, in local grid metres and metres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.map_frame import Frame
from geosite.reading.second_surface import SecondSurface

__all__ = ["Design", "design_plane", "design_raster", "within"]


@dataclass(frozen=True, eq=False)
class Design:
    """A designed surface in local grid metres and metres.

    Parameters
    ----------
    at
        Elevation at places, shape (m, 2) to (m,); NaN where the design does not reach.
    plane : array, shape (3,), or None
        Of a plane: height at the origin and its change per grid metre to the east and north.
    points, triangles
        Of any other surface, shapes (n, 3) and (t, 3).
    """

    at: Callable[[Floats], Floats]
    plane: Floats | None = None
    points: Floats | None = None
    triangles: Ints | None = None


def design_plane(
    through: tuple[float, float],
    elevation: float,
    fall_percent: float,
    fall_azimuth_deg: float,
    combined_factor: float,
) -> Design:
    """Return a design plane.

    The fall is per ground metre, the azimuth clockwise from grid north.

    Examples
    --------
    >>> plane = design_plane((10.0, 0.0), 5.0, 2.0, 90.0, 1.0)
    >>> plane.at(np.array([[60.0, 7.0]])).tolist()
    [4.0]
    """
    turn = np.radians(fall_azimuth_deg)
    down = np.array([np.sin(turn), np.cos(turn)]) * fall_percent / 100 / combined_factor

    def at(places: Floats) -> Floats:
        heights: Floats = elevation - (places - np.array(through)) @ down
        return heights

    return Design(at, np.append(elevation + np.array(through) @ down, -down))


def design_raster(surface: SecondSurface, frame: Frame) -> Design:
    """Return a raster as two triangles between every four cell centres.

    Each four are split from north-west to south-east; four of which one is nodata are left out, as
    a bilinear reading would.

    Parameters
    ----------
    surface
        In the CRS of the frame and in elevation units.
    frame
        The map.

    Examples
    --------
    Four cells of 10 m whose centres rise by 1 m to the east, read halfway between them:

    >>> heights = np.array([[5.0, 6.0], [5.0, 6.0]])
    >>> raster = SecondSurface("new.tif", heights, 0.0, 20.0, 10.0, 10.0, "")
    >>> design_raster(raster, Frame()).at(np.array([[10.0, 10.0]])).tolist()
    [5.5]
    """
    z = surface.values * frame.height_unit_m
    rows, cols = z.shape

    def cell_of(places: Floats) -> tuple[Floats, Floats]:
        en = frame.to_map(places)
        col = (en[:, 0] - surface.west) / surface.cell_east - 0.5
        row = (surface.north - en[:, 1]) / surface.cell_north - 0.5
        return row, col

    def at(places: Floats) -> Floats:
        row, col = cell_of(places)
        c, r = np.floor(col).astype(np.int64), np.floor(row).astype(np.int64)
        met = (c >= 0) & (r >= 0) & (c < cols - 1) & (r < rows - 1)
        c, r = np.clip(c, 0, max(cols - 2, 0)), np.clip(r, 0, max(rows - 2, 0))
        u, v = col - c, row - r
        east, south = np.minimum(c + 1, cols - 1), np.minimum(r + 1, rows - 1)
        # the corner beside the diagonal: north-east of it, or south-west
        beside = np.where(u >= v, z[r, east], z[south, c])
        near, far = np.maximum(u, v), np.minimum(u, v)
        heights = z[r, c] * (1 - near) + beside * (near - far) + z[south, east] * far
        result: Floats = np.where(met & ~np.isnan(z[r, east] + z[south, c]), heights, np.nan)
        return result

    east = surface.west + (np.arange(cols) + 0.5) * surface.cell_east
    north = surface.north - (np.arange(rows) + 0.5) * surface.cell_north
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    points = np.column_stack([frame.to_local(places), z.ravel()])
    number = np.arange(rows * cols).reshape(rows, cols)
    nw, ne = number[:-1, :-1].ravel(), number[:-1, 1:].ravel()
    sw, se = number[1:, :-1].ravel(), number[1:, 1:].ravel()
    whole = ~np.isnan(z.ravel()[np.stack([nw, ne, sw, se])]).any(axis=0)
    corners = np.concatenate([np.column_stack([nw, sw, se]), np.column_stack([nw, se, ne])])
    return Design(at, points=points, triangles=corners[np.tile(whole, 2)])


def within(design: Design, west: float, south: float, east: float, north: float) -> Design:
    """Return a design without the triangles that lie outside a box.

    Parameters
    ----------
    design
        Of triangles; any other is returned as it is.
    west, south, east, north
        The box, local grid metres.

    Examples
    --------
    >>> points = np.array([[0.0, 0.0, 1.0], [1, 0, 1], [0, 1, 1], [9, 9, 1], [8, 9, 1], [9, 8, 1]])
    >>> pair = np.arange(6).reshape(2, 3)
    >>> two = Design(lambda places: places[:, 0], points=points, triangles=pair)
    >>> within(two, 0.0, 0.0, 2.0, 2.0).triangles.tolist()
    [[0, 1, 2]]
    """
    if design.points is None or design.triangles is None:
        return design
    corners = design.points[design.triangles][:, :, :2]
    low, high = corners.min(axis=1), corners.max(axis=1)
    met = (high >= [west, south]).all(axis=1) & (low <= [east, north]).all(axis=1)
    return Design(design.at, points=design.points, triangles=design.triangles[met])
