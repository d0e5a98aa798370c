"""Parts of ponds that are too small to be read in a drawing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from geosite.handover.model import Package

__all__ = ["without_specks"]

#: So many parts of ponds are drawn whatever their size.
_FEW = 1000


def without_specks(package: Package, least: float) -> tuple[Package, int]:
    """Leave the small parts of ponds out where there are more than a thousand parts.

    Water one cell wide that stands along a diagonal meets itself at corners only: each of its cells
    is a polygon of its own.

    Parameters
    ----------
    package
    least
        Area of the smallest part that is kept, square map units; of each pond the largest part is
        kept, whatever its size.

    Returns
    -------
    package : Package
        The same where nothing is left out.
    left_out : int
        How many parts.
    """
    layers, count = list(package.layers), 0
    for number, layer in enumerate(layers):
        if layer.name != "ponding":
            continue
        parts, owner = shapely.get_parts(np.array(layer.geometries, object), return_index=True)
        if len(parts) <= _FEW:
            continue
        area = shapely.area(parts)
        largest = np.zeros(len(layer.geometries))
        np.maximum.at(largest, owner, area)
        kept = (area >= least) | (area == largest[owner])
        count += int((~kept).sum())
        geometries = list(layer.geometries)
        first = np.searchsorted(owner, np.arange(len(geometries) + 1)).tolist()
        for k in np.unique(owner[~kept]).tolist():
            some = slice(first[k], first[k + 1])
            geometries[k] = shapely.multipolygons(parts[some][kept[some]])
        layers[number] = replace(layer, geometries=geometries)
    return (replace(package, layers=tuple(layers)) if count else package), count
