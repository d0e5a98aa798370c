"""From the map to WGS 84 longitude and latitude, for metadata and GeoJSON."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.map_frame import Frame, longitude_latitude
from geosite.base.proj import operation_accuracy_m, operation_name

if TYPE_CHECKING:
    from pyproj import Transformer

__all__ = ["Wgs84", "outline", "to_wgs84"]


@dataclass(frozen=True)
class Wgs84:
    """The operation from the map CRS to WGS 84.

    Parameters
    ----------
    place
        Turns easting and northing, shape (n, 2), map units, into longitude and latitude, degrees.
    operation
        Name of the coordinate operation.
    accuracy_m
        Its stated accuracy, ``None`` where none is known.
    """

    place: Callable[[npt.ArrayLike], Floats]
    operation: str
    accuracy_m: float | None


# asked for by metadata, project, report and every GeoJSON file of one hand-over
@lru_cache(maxsize=8)
def to_wgs84(frame: Frame) -> Wgs84:
    """Choose the best operation that works without a download, at the frame's origin.

    Parameters
    ----------
    frame
        The map.

    Examples
    --------
    On the central meridian of UTM zone 32, 9 degrees east, at the equator:

    >>> from pyproj import CRS
    >>> found = to_wgs84(Frame(crs_wkt=CRS("EPSG:32632").to_wkt(), origin=(500000.0, 0.0)))
    >>> found.place([500000.0, 0.0]).round(9).tolist(), found.accuracy_m
    ([[9.0, 0.0]], 0.0)
    """
    longitude, latitude = longitude_latitude(frame.crs_wkt, *frame.origin)
    chosen = _transformer(frame.crs_wkt, round(longitude, 4), round(latitude, 4))

    def place(en: npt.ArrayLike) -> Floats:
        flat = np.asarray(en, dtype=np.float64).reshape(-1, 2)
        if len(flat) == 1:  # pyproj makes numbers of arrays of one, which numpy 1.25 to 2.3 deplore
            return np.array([chosen.transform(*flat[0].tolist())])
        return np.column_stack(chosen.transform(flat[:, 0], flat[:, 1]))

    chosen.transform(*frame.origin)  # with several candidates, the place decides
    used = chosen.get_last_used_operation()
    return Wgs84(place, operation_name(used), operation_accuracy_m(used))


# origins of surveys of one site lie beside each other, and to choose takes longer than to adjust a
# small one
@lru_cache(maxsize=8)
def _transformer(wkt: str, longitude: float, latitude: float) -> Transformer:
    """Return what turns a map into longitude and latitude, of operations for a place, degrees."""
    from pyproj import CRS, Transformer
    from pyproj.transformer import AreaOfInterest

    here = AreaOfInterest(longitude, latitude, longitude, latitude)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # better grids exist elsewhere: the accuracy is stated
        # a CRS of one's own has no known datum shift: then it is taken as equal, accuracy unknown
        return Transformer.from_crs(
            CRS.from_wkt(wkt), "EPSG:4326", always_xy=True, area_of_interest=here
        )


def outline(frame: Frame, en: Floats) -> tuple[tuple[float, float], ...]:
    """Return the corners of the extent of places on the map, longitude and latitude, degrees.

    Counter-clockwise, the first corner again at the end.

    Examples
    --------
    >>> from pyproj import CRS
    >>> utm = Frame(crs_wkt=CRS("EPSG:32632").to_wkt(), origin=(500000.0, 0.0))
    >>> places = np.array([[500000.0, 0.0], [500100.0, 50.0]])
    >>> corners = outline(utm, places)
    >>> len(corners), corners[0] == corners[-1], corners[1][0] > corners[0][0]
    (5, True, True)
    """
    (west, south), (east, north) = en.min(axis=0).tolist(), en.max(axis=0).tolist()
    corners = [(west, south), (east, south), (east, north), (west, north), (west, south)]
    return tuple((float(x), float(y)) for x, y in to_wgs84(frame).place(corners).tolist())
