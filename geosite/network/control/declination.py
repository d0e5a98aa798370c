"""Where a compass points: the World Magnetic Model."""

from __future__ import annotations

__all__ = ["WMM_FROM", "WMM_TO", "decimal_year", "magnetic_declination"]

WMM_FROM, WMM_TO = 2025.0, 2030.0
"""Validity of the World Magnetic Model 2025, decimal years."""


def magnetic_declination(
    latitude: float, longitude: float, height: float, year: float
) -> tuple[float, float]:
    """Return declination (degrees, east positive) and horizontal field (nT) of WMM2025.

    Parameters
    ----------
    latitude, longitude
        Degrees, WGS 84.
    height
        Metres above the ellipsoid.
    year
        Decimal year, 2025 to 2030.

    Notes
    -----
    NOAA/NCEI and BGS, World Magnetic Model 2025, coefficients from the package pygeomag.
    """
    from pygeomag import GeoMag

    field = GeoMag(coefficients_file="wmm/WMM_2025.COF").calculate(
        glat=latitude, glon=longitude, alt=height / 1000.0, time=year
    )
    return float(field.d), float(field.h)


def decimal_year(day: str) -> float:
    """Return a day, ISO 8601, as a decimal year.

    Examples
    --------
    >>> decimal_year("2026-07-02")
    2026.4986301369863
    """
    from datetime import date, datetime

    when = datetime.fromisoformat(day).date()
    start, end = date(when.year, 1, 1), date(when.year + 1, 1, 1)
    return when.year + (when - start).days / (end - start).days
