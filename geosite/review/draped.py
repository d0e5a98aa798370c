"""How much larger the ground is than its plan: areas draped over triangles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Draped", "drape", "grid_triangles"]


@dataclass(frozen=True, slots=True)
class Draped:
    """What a surface makes of one area.

    Parameters
    ----------
    factor
        Surface area divided by plan area, 1 or more; 1 where the surface does not reach.
    covered
        Share of the plan area that the surface reaches, 0 to 1.
    """

    factor: float
    covered: float


def drape(
    areas: Sequence[BaseGeometry], points: Floats, triangles: Ints, combined_factor: float
) -> list[Draped]:
    """Lay areas over a triangulated surface.

    Every triangle is cut by the outline, so the border counts with exactly the part that lies
    inside. A part of an area that the surface does not reach takes the factor of the rest.

    Parameters
    ----------
    areas
        Polygons in local grid metres.
    points : array, shape (m, 3), local grid metres and elevation in metres
    triangles : array of int, shape (t, 3)
        Rows of `points`.
    combined_factor
        Ground = grid / combined factor.

    Returns
    -------
    list of Draped
        One per area.
    """
    if not len(triangles) or not len(areas):
        return [Draped(1.0, 0.0) for _ in areas]
    a, b, c = (points[triangles[:, k]] for k in range(3))
    one, other = b - a, c - a
    normal = np.cross(one, other)
    # the plan is smaller than the ground by the combined factor, the rise is not
    steep = np.hypot(normal[:, 0], normal[:, 1]) * combined_factor
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.hypot(1.0, steep / np.abs(normal[:, 2]))
    flat = np.asarray(shapely.polygons(points[triangles][:, [0, 1, 2, 0], :2]))
    shapes = np.asarray(list(areas), dtype=object)
    shapely.prepare(shapes)
    which, tile = shapely.STRtree(flat).query(shapes, predicate="intersects")
    upright = normal[tile, 2] == 0.0  # stands on its edge and covers no plan
    which, tile = which[~upright], tile[~upright]
    plan = np.abs(normal[tile, 2]) / 2.0
    cut = ~shapely.contains_properly(shapes[which], flat[tile])
    plan[cut] = shapely.area(shapely.intersection(shapes[which[cut]], flat[tile[cut]]))
    reached = np.bincount(which, plan, len(shapes))
    surface = np.bincount(which, plan * factor[tile], len(shapes))
    whole = shapely.area(shapes)
    return [
        Draped(float(s / r), min(float(r / w), 1.0)) if r > 0.0 else Draped(1.0, 0.0)
        for s, r, w in zip(surface, reached, whole, strict=True)
    ]


def grid_triangles(elevation: Floats, grid: Grid, frame: Frame) -> tuple[Floats, Ints]:
    """Turn an elevation raster into triangles between its cell centres, for `drape`.

    Four centres make two triangles, split along the diagonal with the smaller difference in
    elevation; three make one where the fourth cell is nodata.

    Parameters
    ----------
    elevation : array, shape (rows, cols), elevation units
        Row 0 north, NaN for nodata.
    grid
        Map units.
    frame
        The map.

    Returns
    -------
    points : array, shape (rows * cols, 3), local grid metres and elevation in metres
    triangles : array of int, shape (t, 3)
    """
    east, north = grid.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    height = np.asarray(elevation, np.float64).reshape(-1) * frame.height_unit_m
    points = np.column_stack([frame.to_local(places), height])
    number = np.arange(grid.rows * grid.cols).reshape(grid.shape)
    nw, ne = number[:-1, :-1].ravel(), number[:-1, 1:].ravel()
    sw, se = number[1:, :-1].ravel(), number[1:, 1:].ravel()
    falling = np.abs(height[nw] - height[se])  # NaN where either end is nodata
    rising = np.abs(height[ne] - height[sw])
    down = ~(falling > rising) & ~np.isnan(falling)
    up = ~down & ~np.isnan(rising)
    triangles = np.concatenate(
        [
            np.column_stack([nw, sw, se])[down],
            np.column_stack([nw, se, ne])[down],
            np.column_stack([nw, sw, ne])[up],
            np.column_stack([ne, sw, se])[up],
        ]
    )
    met = ~np.isnan(height[triangles]).any(axis=1)
    return points, triangles[met]
