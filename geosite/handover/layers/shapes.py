"""Geometries of layers: one type for all features, on the map."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["common_type", "whole_polygons"]


def common_type(shapes: Sequence[BaseGeometry], single: str) -> str:
    """Return the type of a layer: single, or multi as soon as one feature has several parts.

    Parameters
    ----------
    shapes
        Geometries of all features.
    single
        ``"Polygon"``, ``"LineString"`` or ``"Point"``.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0, 0), (1, 0, 0)])
    >>> common_type([line], "LineString")
    'LineStringZ'
    >>> common_type([line, shapely.MultiLineString([line])], "LineString")
    'MultiLineStringZ'
    """
    multi = any(shape.geom_type != single for shape in shapes)
    return f"Multi{single}Z" if multi else f"{single}Z"


def whole_polygons(shapes: Sequence[BaseGeometry]) -> tuple[str, list[BaseGeometry]]:
    """Return the type of polygons without heights, and all of them in that type.

    Examples
    --------
    >>> one = shapely.box(0, 0, 1, 1)
    >>> name, shapes = whole_polygons([one, shapely.MultiPolygon([one])])
    >>> name, [shape.geom_type for shape in shapes]
    ('MultiPolygon', ['MultiPolygon', 'MultiPolygon'])
    """
    if all(s.geom_type == "Polygon" for s in shapes):
        return "Polygon", list(shapes)
    parts, owner = shapely.get_parts(np.array(shapes, dtype=object), return_index=True)
    whole = np.full(len(shapes), shapely.MultiPolygon(), dtype=object)
    shapely.multipolygons(parts, indices=owner, out=whole)
    return "MultiPolygon", list(whole)
