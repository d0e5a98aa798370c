"""What may be wrong with an anchor, and what a reader should know of it, before any words."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

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


class NoTransformation(Struct, frozen=True):
    """Nothing leads from WGS 84 to the map; the grids that are missing, comma-separated."""

    mark: str
    crs: str
    missing: str


class OffMap(Struct, frozen=True):
    """A latitude and longitude, degrees, that the map has no place for."""

    mark: str
    latitude: float
    longitude: float
    crs: str


class OutsideArea(Struct, frozen=True):
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


class OtherUnit(Struct, frozen=True):
    """A place, map units, that lies in the area of use of the CRS if taken in another unit."""

    mark: str
    position: tuple[float, float]
    crs: str
    unit: Literal["feet", "metres"]


PlaceFault = NoTransformation | OffMap | OutsideArea | OtherUnit


# ---- the elevation of a mark --------------------------------------------------------------------


class HeightIncomplete(Struct, frozen=True):
    """A height above the ellipsoid that lacks what makes an elevation of it."""

    mark: str
    lacks: Literal["vertical_crs", "latitude and longitude"]


class NoGeoid(Struct, frozen=True):
    """No geoid model leads to the vertical CRS; the grids that are missing, comma-separated."""

    mark: str
    crs: str
    missing: str


class OutsideGeoid(Struct, frozen=True):
    """A mark that the geoid model of the vertical CRS does not cover."""

    mark: str
    crs: str


HeightFault = HeightIncomplete | NoGeoid | OutsideGeoid


# ---- the map ------------------------------------------------------------------------------------


class NotConformal(Struct, frozen=True):
    """A map that stretches north and east differently, by parts per million."""

    crs: str
    ppm: float


class OnSphere(Struct, frozen=True):
    """A map whose lengths are not what its scale on the ellipsoid says, by parts per million."""

    crs: str
    ppm: float


MapFault = NotConformal | OnSphere


# ---- the azimuth --------------------------------------------------------------------------------


class NoTrueNorth(Struct, frozen=True):
    """A true or magnetic azimuth at the pole."""


class DayOutsideModel(Struct, frozen=True):
    """A day for which the magnetic model says nothing."""

    day: str


class WeakField(Struct, frozen=True):
    """A place where the horizontal magnetic field, nanotesla, is too weak for a compass."""

    horizontal_nt: float


AzimuthFault = NoTrueNorth | DayOutsideModel | WeakField

Fault = PlaceFault | HeightFault | MapFault | AzimuthFault
"""What an anchor is refused for."""


# ---- what a reader should know ------------------------------------------------------------------


class FromGlobe(Struct, frozen=True):
    """A mark given by latitude and longitude.

    Parameters
    ----------
    mark, crs
    accuracy_m
        Of the transformation, metres; negative where it is not known.
    missing
        The grids that a better one needs, comma-separated.
    """

    mark: str
    crs: str
    accuracy_m: float
    missing: str


class FromEllipsoid(Struct, frozen=True):
    """An elevation made from a height above the ellipsoid; metres, negative where not known."""

    mark: str
    operation: str
    accuracy_m: float


class AzimuthReduced(Struct, frozen=True):
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


class OutsideUse(Struct, frozen=True):
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
