"""Parts of ponds that are too small to be read in a drawing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats
from geosite.handover.model import Package

__all__ = ["FEW", "without_specks"]

FEW = 1000
"""So many parts of ponds are drawn whatever their size."""


def without_specks(
    package: Package, least: float, apart: float | None = None, most: int | None = None
) -> tuple[Package, int]:
    """Leave the small parts of ponds out where there are more than a thousand parts.

    Water one cell wide that stands along a diagonal meets itself at corners only: each of its cells
    is a polygon of its own.

    Parameters
    ----------
    package
    least
        Area of the smallest part that is kept, square map units; of each pond the largest part is
        kept, whatever its size.
    apart
        Of the ponds that have smaller parts alone only the one with the largest in each square of
        this side is kept, map units. What is left of the others is empty.
    most
        Of more parts than so many only the largest are kept.

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
        if len(parts) <= FEW:
            continue
        area = shapely.area(parts)
        largest = np.zeros(len(layer.geometries))
        np.maximum.at(largest, owner, area)
        kept = (area >= least) | (area == largest[owner])
        if apart is not None:
            small = np.flatnonzero(kept & (largest[owner] < least))
            kept[small] = False
            kept[small[_largest_of_each(parts[small], area[small], apart)]] = True
        if most is not None:
            largest_first = np.argsort(np.where(kept, -area, 0.0), kind="stable")
            kept[largest_first[most:]] = False
        count += int((~kept).sum())
        geometries = list(layer.geometries)
        first = np.searchsorted(owner, np.arange(len(geometries) + 1)).tolist()
        for k in np.unique(owner[~kept]).tolist():
            some = slice(first[k], first[k + 1])
            geometries[k] = shapely.multipolygons(parts[some][kept[some]])
        layers[number] = replace(layer, geometries=geometries)
    return (replace(package, layers=tuple(layers)) if count else package), count


def _largest_of_each(
    parts: npt.NDArray[np.object_], area: Floats, side: float
) -> npt.NDArray[np.intp]:
    """Return which parts are the largest in their square, the first of equal ones."""
    middle = shapely.get_coordinates(shapely.centroid(parts))
    square = np.floor(middle / side).astype(np.int64)
    order = np.lexsort((-area, square[:, 1], square[:, 0]))
    is_first = np.append(True, (np.diff(square[order], axis=0) != 0).any(axis=1))[: len(order)]
    chosen: npt.NDArray[np.intp] = order[is_first]
    return chosen
