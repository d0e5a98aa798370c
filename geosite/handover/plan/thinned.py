"""What of the map nobody could read at the scale of the sheet, and is left out of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from geosite.handover.model import Package
from geosite.handover.plan.layout import View
from geosite.handover.wording.measures import layer_of

__all__ = ["NOTHING", "Thinned", "readable_contours"]

#: Mean distance between contours below which they run into each other, mm.
_CONTOURS_APART = 1.0


@dataclass(frozen=True, slots=True)
class Thinned:
    """How many of the things on the map are not drawn because they are too small or too dense.

    Parameters
    ----------
    pond_parts
        Parts of ponds.
    contours
        Contour lines.
    dots
        Places without a name.
    """

    pond_parts: int = 0
    contours: int = 0
    dots: int = 0


NOTHING = Thinned()


def readable_contours(package: Package, view: View) -> tuple[Package, int]:
    """Leave contours out where they would run into each other.

    Parameters
    ----------
    package
    view
        The map on paper. Where all contours are nearer to each other than a millimetre in the mean,
        those that are no index contours go; where these alone are, too, all go.

    Returns
    -------
    package : Package
        The same where nothing is left out.
    left_out : int
        How many lines.
    """
    layer = layer_of(package, "contours")
    if layer is None:
        return package, 0
    shapes = np.array(layer.geometries, dtype=object)
    length_mm = shapely.length(shapes) * view.mm_per_unit
    west, south, east, north = shapely.total_bounds(shapes).tolist()
    room_mm2 = (east - west) * (north - south) * view.mm_per_unit**2
    is_index = np.array([bool(record["is_index"]) for record in layer.records])
    for kept in (np.full(len(shapes), True), is_index, np.full(len(shapes), False)):
        if length_mm[kept].sum() * _CONTOURS_APART <= room_mm2:
            break
    if kept.all():
        return package, 0
    some = np.flatnonzero(kept).tolist()
    fewer = replace(
        layer,
        records=[layer.records[i] for i in some],
        geometries=[layer.geometries[i] for i in some],
    )
    layers = tuple(fewer if one is layer else one for one in package.layers)
    return replace(package, layers=layers), int((~kept).sum())
