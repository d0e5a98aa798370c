"""The map the survey is placed on: CRS, units, anchored marks, combined factor.

Coordinates are easting, northing (``always_xy``). No grid is fetched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.proj import quiet_proj
from geosite.base.units import FOOT_M, US_SURVEY_FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS, Geod, Proj

__all__ = [
    "Frame",
    "at_middle",
    "combined_factor",
    "is_computable",
    "length_unit",
    "longitude_latitude",
    "map_factors",
    "name_unless_same_map",
    "scale_by_geodesics",
    "short_name",
]

CONFORMAL_PPM = 5.0
"""Largest difference of scale along meridian and parallel that still counts as conformal."""
ON_ELLIPSOID_PPM = 100.0
"""Largest difference between a map's scale by PROJ and by geodesics. A map drawn on a sphere is off
by 1,000 to 7,000; the projections of some town grids, onto a plane at the town's height, by 15."""
_UNITS = {1.0: "metre", FOOT_M: "foot", US_SURVEY_FOOT_M: "US survey foot"}


@dataclass(frozen=True)
class Frame:
    """The map the survey is placed on, and how local metres relate to it.

    Parameters
    ----------
    crs_wkt
        Horizontal projected CRS as WKT 2 (hand this, never an object, to fiona or rasterio).
    crs_name
        Short name for people, ``"EPSG:25832"`` where it has a code.
    vertical_wkt, vertical_name
        Vertical CRS, ``None`` where elevations are relative to a mark.
    unit_m, height_unit_m
        Metres per unit of the map CRS and of the elevations.
    unit_name, height_unit_name
        ``"metre"``, ``"foot"``, ``"US survey foot"``.
    origin : (easting, northing), map units
        Whole numbers near the survey; every local coordinate is relative to it.
    grid_scale_factor, elevation_factor, combined_factor
        At the middle of the survey; combined = grid scale factor x R / (R + h).
    convergence
        Grid convergence at the middle of the survey, radians, geodetic minus grid azimuth.

    Notes
    -----
    What is left out is that of a plan in metres: no CRS, no scale, no turn.

    Examples
    --------
    A map in feet: local metres to map units and back.

    >>> feet = Frame(unit_m=FOOT_M, origin=(1000.0, 2000.0))
    >>> feet.to_map([30.48, 0.0]).tolist()
    [1100.0, 2000.0]
    >>> feet.to_local([1100.0, 2000.0]).round(6).tolist()
    [30.48, 0.0]

    At a combined factor of 0.9996, 1000 m on the map are 1000.4 m on the ground:

    >>> round(1000 * Frame(combined_factor=0.9996).ground_unit_m, 4)
    1000.4002
    """

    crs_wkt: str = ""
    crs_name: str = ""
    vertical_wkt: str | None = None
    vertical_name: str | None = None
    unit_m: float = 1.0
    height_unit_m: float = 1.0
    unit_name: str = "metre"
    height_unit_name: str = "metre"
    origin: tuple[float, float] = (0.0, 0.0)
    grid_scale_factor: float = 1.0
    elevation_factor: float = 1.0
    combined_factor: float = 1.0
    convergence: float = 0.0

    @property
    def ground_unit_m(self) -> float:
        """Metres on the ground per unit of the map CRS."""
        return self.unit_m / self.combined_factor

    @property
    def height_symbol(self) -> Literal["m", "ft"]:
        """Symbol of the elevation unit; either foot is one to a reader."""
        return "m" if self.height_unit_m == 1.0 else "ft"

    @property
    def height_band_unit(self) -> str:
        """What a raster of elevations says of its unit: ``"m"``, ``"ft"`` or which foot."""
        return {1.0: "m", FOOT_M: "ft"}.get(self.height_unit_m, self.height_unit_name)

    def to_map(self, local: npt.ArrayLike) -> Floats:
        """Turn local grid metres, shape (..., 2), into map easting and northing, map units."""
        moved: Floats = np.asarray(local, np.float64)[..., :2] / self.unit_m
        moved += np.array(self.origin)
        return moved

    def to_local(self, en: npt.ArrayLike) -> Floats:
        """Turn map easting and northing, shape (..., 2), map units, into local grid metres."""
        offset: Floats = np.asarray(en, dtype=np.float64)[..., :2] - np.asarray(self.origin)
        return offset * self.unit_m


def short_name(crs: CRS) -> str:
    """Return authority and code, or the name where a CRS has none.

    Examples
    --------
    >>> from pyproj import CRS
    >>> short_name(CRS("EPSG:25832"))
    'EPSG:25832'
    """
    own = crs.to_json_dict().get("id")
    if own:
        return f"{own['authority']}:{own['code']}"
    # searching the register takes longer than the rest of a small survey: not for nameless ones
    authority = None if crs.name == "unknown" else crs.to_authority(min_confidence=100)
    return f"{authority[0]}:{authority[1]}" if authority else str(crs.name)


# each layer and raster from outside is compared with the map, most of them in the same few CRSs
@lru_cache(maxsize=16)
def name_unless_same_map(wkt: str, frame_wkt: str) -> str | None:
    """Return the name of a CRS's map part where it is not that of a frame, None where it is.

    The heights of a compound CRS, a bound transformation and the order of the axes do not count.

    Examples
    --------
    >>> from pyproj import CRS
    >>> utm = CRS("EPSG:25832").to_wkt()
    >>> name_unless_same_map(CRS("EPSG:25832+7837").to_wkt(), utm)
    >>> name_unless_same_map(CRS("EPSG:25833").to_wkt(), utm)
    'ETRS89 / UTM zone 33N'
    """
    from pyproj import CRS

    crs = CRS.from_wkt(wkt)
    flat = crs
    # a way to another datum may be bound to the map, or to map and elevations together
    while inner := (flat.source_crs if flat.is_bound else next(iter(flat.sub_crs_list), None)):
        flat = inner
    frame_crs = CRS.from_wkt(frame_wkt)
    # what PROJ passes over is the order of latitude and longitude, not that of the map's own axes
    same = _east_first(flat).equals(_east_first(frame_crs), ignore_axis_order=True)
    return None if same else str(flat.name)


def _east_first(crs: CRS) -> CRS:
    told = crs.to_json_dict()
    told["coordinate_system"]["axis"].sort(key=lambda axis: axis["direction"] != "east")
    return type(crs).from_json_dict(told)


def length_unit(crs: CRS) -> tuple[float, str]:
    """Return metres per unit of a CRS and the unit's name.

    Examples
    --------
    >>> from pyproj import CRS
    >>> size, name = length_unit(CRS("EPSG:2264"))
    >>> round(size, 9), name
    (0.30480061, 'US survey foot')
    """
    axis = crs.axis_info[0]
    factor = float(axis.unit_conversion_factor)
    for known, name in _UNITS.items():
        if abs(factor / known - 1) < 1e-9:
            return known, name
    return factor, str(axis.unit_name)


class _Projection(NamedTuple):
    """What PROJ needs to know of a CRS: prime meridian in degrees, metres per map unit."""

    proj: Proj
    geod: Geod
    prime_meridian: float
    unit_m: float


@lru_cache(maxsize=16)
def _projection(wkt: str) -> _Projection:
    with quiet_proj():
        from pyproj import CRS, Proj

        crs = CRS.from_wkt(wkt)
        geod = crs.get_geod()
        assert geod is not None
        meridian = crs.prime_meridian
        # in the meridian's own unit, which may be grads
        zero = (
            float(meridian.longitude) * float(meridian.unit_conversion_factor) if meridian else 0.0
        )
        unit_m = float(crs.axis_info[0].unit_conversion_factor)
        return _Projection(Proj(crs), geod, math.degrees(zero), unit_m)


def is_computable(wkt: str) -> bool:
    """Report whether PROJ has the formulas of a projected CRS; for a few it has the name only.

    Examples
    --------
    >>> from pyproj import CRS
    >>> is_computable(CRS("EPSG:25832").to_wkt())
    True
    """
    from pyproj.exceptions import CRSError, ProjError

    try:
        _projection(wkt)
    except (CRSError, ProjError):
        return False
    return True


def longitude_latitude(wkt: str, easting: Any, northing: Any) -> tuple[Any, Any]:
    """Return longitude and latitude of map places, degrees on the CRS's own datum.

    Longitudes count from Greenwich, whatever prime meridian the CRS counts from.

    Examples
    --------
    >>> from pyproj import CRS
    >>> east_of, north_of = longitude_latitude(CRS("EPSG:25832").to_wkt(), 500000.0, 0.0)
    >>> round(east_of, 9), round(north_of, 9)
    (9.0, 0.0)
    """
    with quiet_proj():
        longitude, latitude = _projection(wkt).proj(easting, northing, inverse=True)
    return longitude, latitude


def map_factors(
    crs_wkt: str, easting: npt.ArrayLike, northing: npt.ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the scale and turn of the map at places on it.

    Parameters
    ----------
    crs_wkt
        Projected CRS.
    easting, northing : array_like, shape (m,), map units

    Returns
    -------
    meridional, parallel : array, shape (m,)
        Point scale along the meridian and the parallel, equal on a conformal map. Not finite
        outside the CRS's domain.
    convergence : array, shape (m,), radians
        Geodetic minus grid azimuth.
    radius : array, shape (m,), metres
        Gaussian mean radius of the ellipsoid, sqrt(M N).

    Notes
    -----
    M and N as in Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395, eqs 4-18
    to 4-20; sqrt(M N) = a sqrt(1 - e^2) / (1 - e^2 sin^2 latitude).

    Examples
    --------
    Where the central meridian of a UTM zone meets the equator the scale is 0.9996 and grid north
    is true north; M is b^2 / a there and N is a, so the mean radius is the polar semi-axis b:

    >>> from pyproj import CRS
    >>> utm = CRS("EPSG:25832").to_wkt()
    >>> meridional, parallel, convergence, radius = map_factors(utm, [500000.0], [0.0])
    >>> round(float(meridional[0]), 6), abs(round(float(convergence[0]), 9)), radius.round(3)
    (0.9996, 0.0, array([6356752.314]))
    """
    longitude, latitude = longitude_latitude(
        crs_wkt,
        np.atleast_1d(np.asarray(easting, float)),
        np.atleast_1d(np.asarray(northing, float)),
    )
    with quiet_proj():
        used = _projection(crs_wkt)
        # unlike its transformations, PROJ's factors want longitudes from the CRS's prime meridian
        longitude = longitude - used.prime_meridian
        factors = used.proj.get_factors(longitude, latitude, errcheck=False)
    e2 = used.geod.es
    latitude = np.where(np.isfinite(latitude), latitude, np.nan)
    radius = used.geod.a * math.sqrt(1 - e2) / (1 - e2 * np.sin(np.radians(latitude)) ** 2)
    return (
        np.asarray(factors.meridional_scale, dtype=np.float64),
        np.asarray(factors.parallel_scale, dtype=np.float64),
        np.radians(np.asarray(factors.meridian_convergence, dtype=np.float64)),
        np.asarray(radius, dtype=np.float64),
    )


def scale_by_geodesics(
    crs_wkt: str, easting: float, northing: float, step_m: float = 50.0
) -> Floats:
    """Return map length per length on the ellipsoid in four directions.

    Parameters
    ----------
    crs_wkt
        Projected CRS.
    easting, northing
        Map units.
    step_m
        Half the length measured, map metres.

    Returns
    -------
    array, shape (4,)
        Towards grid azimuths of 0, 45, 90 and 135 degrees; NaN outside the CRS's domain.

    Notes
    -----
    Measured by geodesics (Karney 2013, doi:10.1007/s00190-012-0578-z) between places on the map, so
    unlike `map_factors` it does not depend on how PROJ differentiates a projection. The two differ
    where PROJ draws a map on a sphere although the CRS has an ellipsoid. Four directions, because
    a map that bends right angles may still have one scale along both axes.

    Examples
    --------
    On the central meridian of a transverse Mercator map every direction has one scale:

    >>> from pyproj import CRS
    >>> scale_by_geodesics(CRS("EPSG:25832").to_wkt(), 500000.0, 5.3e6).round(6)
    array([0.9996, 0.9996, 0.9996, 0.9996])
    """
    used = _projection(crs_wkt)
    step = step_m / used.unit_m
    azimuth = np.radians([0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0])
    longitude, latitude = longitude_latitude(
        crs_wkt, easting + step * np.sin(azimuth), northing + step * np.cos(azimuth)
    )
    if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
        return np.full(4, np.nan)
    _, _, length = used.geod.inv(longitude[:4], latitude[:4], longitude[4:], latitude[4:])
    measured: Floats = 2 * step_m / np.asarray(length, dtype=np.float64)
    return measured


def combined_factor(
    crs_wkt: str,
    easting: npt.ArrayLike,
    northing: npt.ArrayLike,
    height: npt.ArrayLike,
) -> Floats:
    """Return map length per ground length: grid scale factor times R / (R + h).

    Parameters
    ----------
    crs_wkt
        Projected CRS.
    easting, northing : array_like, shape (m,), map units
    height : array_like, shape (m,), metres
        Above the ellipsoid (elevation plus geoid height).

    Returns
    -------
    array, shape (m,)

    Examples
    --------
    >>> from pyproj import CRS
    >>> utm = CRS("EPSG:25832").to_wkt()
    >>> combined_factor(utm, [500000.0, 500000.0], [5.3e6, 5.3e6], [0.0, 1000.0]).round(6)
    array([0.9996  , 0.999443])
    """
    meridional, parallel, _, radius = map_factors(crs_wkt, easting, northing)
    scale: Floats = np.sqrt(meridional * parallel)
    return scale * radius / (radius + np.asarray(height, dtype=np.float64))


def at_middle(frame: Frame, position: tuple[float, float], height: float) -> Frame:
    """Return the frame with its factors taken at one place.

    Parameters
    ----------
    frame
        The map.
    position : (easting, northing), local grid metres
    height
        Above the ellipsoid, metres.

    Examples
    --------
    1000 m up, a length is 157 millionths longer than on the ellipsoid (R is 6356.8 km here):

    >>> from pyproj import CRS
    >>> utm = Frame(crs_wkt=CRS("EPSG:25832").to_wkt(), origin=(500000.0, 0.0))
    >>> there = at_middle(utm, (0.0, 0.0), 1000.0)
    >>> round(there.grid_scale_factor, 6), round(1 - there.elevation_factor, 6)
    (0.9996, 0.000157)
    """
    easting, northing = frame.to_map(position)
    meridional, parallel, convergence, radius = (
        float(v[0]) for v in map_factors(frame.crs_wkt, easting, northing)
    )
    scale = math.sqrt(meridional * parallel)
    elevation_factor = radius / (radius + height)
    return replace(
        frame,
        grid_scale_factor=scale,
        elevation_factor=elevation_factor,
        combined_factor=scale * elevation_factor,
        convergence=convergence,
    )
