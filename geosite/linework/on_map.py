"""From local grid metres to map coordinates, for geometries."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.map_frame import Frame

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["to_map_geometry"]


def to_map_geometry(geometry: BaseGeometry, frame: Frame) -> BaseGeometry:
    """Turn a geometry from local grid metres and metres up into map and elevation units.

    Parameters
    ----------
    geometry
        Any, with or without elevations.
    frame
        The map.

    Examples
    --------
    On a map in feet 30.48 m are 100 units:

    >>> frame = Frame(unit_m=0.3048, height_unit_m=0.3048, origin=(1000.0, 2000.0))
    >>> place = to_map_geometry(shapely.Point(30.48, 0.0, 3.048), frame)
    >>> place.x, place.y, round(place.z, 9)
    (1100.0, 2000.0, 10.0)
    """
    flat = not geometry.has_z

    def moved(local: Floats) -> Floats:
        en = frame.to_map(local)
        return en if flat else np.column_stack([en, local[:, 2] / frame.height_unit_m])

    placed: BaseGeometry = shapely.transform(geometry, moved, include_z=not flat)
    return placed
