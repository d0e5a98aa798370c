"""What may be wrong with an anchor, and what a reader should know of it, before any words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = [
    "AzimuthFault",
    "AzimuthReduced",
    "DayOutsideModel",
    "Fault",
    "FromEllipsoid",
    "FromGlobe",
    "HeightFault",
    "HeightIncomplete",
    "MapFault",
    "NoGeoid",
    "NoTransformation",
    "NoTrueNorth",
    "NotConformal",
    "OffMap",
    "OnSphere",
    "OtherUnit",
    "OutsideArea",
    "OutsideGeoid",
    "PlaceFault",
    "Remark",
    "WeakField",
]


# ---- the place of a mark ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NoTransformation:
    """Nothing leads from WGS 84 to the map; the grids that are missing, comma-separated."""

    mark: str
    crs: str
    missing: str


@dataclass(frozen=True, slots=True)
class OffMap:
    """A latitude and longitude, degrees, that the map has no place for."""

    mark: str
    latitude: float
    longitude: float
    crs: str


@dataclass(frozen=True, slots=True)
class OutsideArea:
    """A place, map units, outside the area of use of the CRS.

    Parameters
    ----------
    mark, position, crs
    key
        Of the site file, by which the mark was given.
    is_swapped
        With easting and northing exchanged it lies inside.
    """

    mark: str
    position: tuple[float, float]
    crs: str
    key: Literal["latitude", "easting"]
    is_swapped: bool


@dataclass(frozen=True, slots=True)
class OtherUnit:
    """A place, map units, that lies in the area of use of the CRS if taken in another unit.

    Parameters
    ----------
    mark, position, crs, unit
    is_swapped
        Easting and northing have to be exchanged as well.
    """

    mark: str
    position: tuple[float, float]
    crs: str
    unit: Literal["feet", "metres"]
    is_swapped: bool = False


PlaceFault = NoTransformation | OffMap | OutsideArea | OtherUnit


# ---- the elevation of a mark --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeightIncomplete:
    """A height above the ellipsoid that lacks what makes an elevation of it."""

    mark: str
    lacks: Literal["vertical_crs", "latitude and longitude"]


@dataclass(frozen=True, slots=True)
class NoGeoid:
    """No geoid model leads to the vertical CRS; the grids that are missing, comma-separated."""

    mark: str
    crs: str
    missing: str


@dataclass(frozen=True, slots=True)
class OutsideGeoid:
    """A mark that the geoid model of the vertical CRS does not cover."""

    mark: str
    crs: str


HeightFault = HeightIncomplete | NoGeoid | OutsideGeoid


# ---- the map ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NotConformal:
    """A map that stretches north and east differently, by parts per million."""

    crs: str
    ppm: float


@dataclass(frozen=True, slots=True)
class OnSphere:
    """A map whose lengths are not what its scale on the ellipsoid says, by parts per million."""

    crs: str
    ppm: float


MapFault = NotConformal | OnSphere


# ---- the azimuth --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NoTrueNorth:
    """A true or magnetic azimuth at the pole."""


@dataclass(frozen=True, slots=True)
class DayOutsideModel:
    """A day for which the magnetic model says nothing."""

    day: str


@dataclass(frozen=True, slots=True)
class WeakField:
    """A place where the horizontal magnetic field, nanotesla, is too weak for a compass."""

    horizontal_nt: float


AzimuthFault = NoTrueNorth | DayOutsideModel | WeakField

Fault = PlaceFault | HeightFault | MapFault | AzimuthFault
"""What an anchor is refused for."""


# ---- what a reader should know ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FromGlobe:
    """A mark given by latitude and longitude.

    Parameters
    ----------
    mark, crs
    accuracy_m
        Of the transformation, metres; None where it is not known.
    missing
        The grids that a better one needs, comma-separated.
    """

    mark: str
    crs: str
    accuracy_m: float | None
    missing: str


@dataclass(frozen=True, slots=True)
class FromEllipsoid:
    """An elevation made from a height above the ellipsoid; metres, None where not known."""

    mark: str
    operation: str
    accuracy_m: float | None


@dataclass(frozen=True, slots=True)
class AzimuthReduced:
    """An azimuth that was not given from grid north.

    Parameters
    ----------
    reference
        ``"true"`` or ``"magnetic"``.
    given_deg, declination_deg
        Degrees; no declination for true north.
    grid, convergence
        Azimuth from grid north, and of grid north, radians.
    """

    reference: str
    given_deg: float
    declination_deg: float | None
    grid: float
    convergence: float


@dataclass(frozen=True, slots=True)
class OutsideUse:
    """A site outside of the area that a reference system is used in.

    Parameters
    ----------
    key
        Of the site file: ``"crs"`` or ``"vertical_crs"``.
    system, area
        Their names.
    latitude, longitude
        Of the site, degrees.
    """

    key: Literal["crs", "vertical_crs"]
    system: str
    area: str
    latitude: float
    longitude: float


Remark = FromGlobe | FromEllipsoid | AzimuthReduced | OutsideUse
