"""The map the survey is placed on: CRS, units, anchored marks, combined factor.

Coordinates are easting, northing (``always_xy``) here and nowhere else. No grid is fetched and no
file that a CRS text names is read.
"""

from __future__ import annotations

import math
import os
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geosite.errors import InputError, Problem
from geosite.fieldbook.model import Floats
from geosite.network.model import Frame

if TYPE_CHECKING:
    from pyproj import CRS, Proj

__all__ = [
    "at_middle",
    "combined_factor",
    "length_unit",
    "longitude_latitude",
    "map_factors",
    "quiet_proj",
    "read_crs",
    "read_vertical_crs",
    "short_name",
]

CONFORMAL_PPM = 5.0
"""Largest difference of scale along meridian and parallel that still counts as conformal."""
_UNITS = {1.0: "metre", 0.3048: "foot", 1200 / 3937: "US survey foot"}
_FILE_WORDS = re.compile(
    r"nadgrids|geoidgrids|\bgrids\s*=|\+?\binit\s*=|\bcatalog\s*=|PROJ4_GRIDS|PARAMETERFILE", re.I
)
_AUTHORITY_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_-]*:[A-Za-z0-9_.-]+(\+[A-Za-z0-9_:.-]+)?")
_WKT = re.compile(r"[A-Za-z_0-9]+\s*\[.*\]", re.DOTALL)
_PROJ_STRING = re.compile(r"\+?proj=\S+(\s+\+?\S+)*")


@contextmanager
def quiet_proj() -> Iterator[None]:
    """Run PROJ without foreign data folders, network or warnings about grids.

    Missing grids are asked for by name instead.
    """
    os.environ.pop("PROJ_DATA", None)
    os.environ.pop("PROJ_LIB", None)
    from pyproj._network import set_network_enabled

    set_network_enabled(False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _parse(text: str, key: str, file: str | None, line: int | None) -> CRS:
    """Parse a CRS text without fetching or reading anything it names."""

    def refuse(what: str) -> InputError:
        shown = text if len(text) <= 60 else text[:59] + "…"
        return InputError(
            Problem(
                "crs-unreadable",
                f'{key} "{shown}" {what}',
                "an authority and code, WKT or a PROJ string",
                'write for example "EPSG:25832"',
                file,
                line,
            )
        )

    stripped = text.strip()
    if len(stripped) > 20_000:
        raise refuse("is too long")
    if _FILE_WORDS.search(stripped):
        raise refuse("names a file, and files are not read from here")
    if "://" in stripped:
        raise refuse("is an address, and nothing is fetched")
    if not (
        _AUTHORITY_CODE.fullmatch(stripped)
        or _WKT.fullmatch(stripped)
        or _PROJ_STRING.fullmatch(stripped)
    ):
        raise refuse("is not understood")
    with quiet_proj():
        from pyproj import CRS
        from pyproj.exceptions import CRSError

        try:
            return CRS.from_user_input(stripped)
        except (CRSError, UnicodeError, ValueError):
            raise refuse("is unknown") from None


def read_crs(text: str, file: str | None = None, line: int | None = None) -> tuple[CRS, CRS | None]:
    """Return the horizontal CRS a survey can be placed on, and the vertical part of a compound one.

    Parameters
    ----------
    text
        Authority and code, WKT or PROJ string.
    file, line
        Where it is written, for the message.

    Returns
    -------
    horizontal, vertical : CRS, CRS or None

    Raises
    ------
    InputError
        If the text is not a projected CRS with axes east and north, or no scale can be had from it.
    """
    crs = _parse(text, "crs", file, line)

    def refuse(code: str, what: str, why: str) -> InputError:
        return InputError(
            Problem(
                code,
                f'crs "{text}" {what}',
                "a projected CRS with axes east and north",
                why,
                file,
                line,
            )
        )

    vertical = None
    if crs.is_compound:
        parts = crs.sub_crs_list
        crs, vertical = parts[0], parts[1] if len(parts) > 1 else None
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if crs.is_geocentric:
        raise refuse(
            "crs-geocentric", "is geocentric", "use the projected CRS of the region's maps"
        )
    if crs.is_geographic:
        raise refuse(
            "crs-geographic",
            "is geographic (latitude, longitude)",
            "use the projected CRS of the region's maps; the marks may still be given by latitude "
            "and longitude",
        )
    if crs.is_vertical:
        raise refuse("crs-vertical", "is a vertical CRS", "write it as vertical_crs")
    if not crs.is_projected:
        raise refuse("crs-not-projected", f"is of type {crs.type_name}", "use a projected CRS")
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    ellipsoid = crs.ellipsoid
    if "pseudo" in method.lower() or (
        "mercator" in method.lower()
        and "transverse" not in method.lower()
        and "oblique" not in method.lower()
        and ellipsoid is not None
        and ellipsoid.semi_major_metre == ellipsoid.semi_minor_metre
    ):
        raise refuse(
            "crs-web-mercator",
            "is Web Mercator",
            "its metres are not metres on the ground and its scale differs by direction: use the "
            "projected CRS of the region's maps",
        )
    directions = [axis.direction for axis in crs.axis_info[:2]]
    if sorted(directions) != ["east", "north"]:
        shown = " and ".join(directions) or "unknown"
        raise refuse(
            "crs-axes", f"has axes {shown}", "use the variant of this CRS with axes east and north"
        )
    return crs, vertical


def read_vertical_crs(text: str, file: str | None = None, line: int | None = None) -> CRS:
    """Return a vertical CRS with its axis up.

    Raises
    ------
    InputError
        If it is of another kind.
    """
    crs = _parse(text, "vertical_crs", file, line)
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if not crs.is_vertical or crs.is_compound:
        what, remedy = (
            f"is of type {crs.type_name}",
            "for example EPSG:7837 or EPSG:5703, or leave it out",
        )
    elif crs.axis_info[0].direction != "up":
        what, remedy = f"counts {crs.axis_info[0].direction}", "use heights, not depths"
    else:
        return crs
    raise InputError(
        Problem(
            "vertical-crs",
            f'vertical_crs "{text}" {what}',
            "a vertical CRS that counts up",
            remedy,
            file,
            line,
        )
    )


def short_name(crs: CRS) -> str:
    """Return authority and code, or the name where a CRS has none."""
    own = crs.to_json_dict().get("id")
    if own:
        return f"{own['authority']}:{own['code']}"
    # searching the register takes longer than the rest of a small survey: not for nameless ones
    authority = None if crs.name == "unknown" else crs.to_authority(min_confidence=100)
    return f"{authority[0]}:{authority[1]}" if authority else str(crs.name)


def length_unit(crs: CRS) -> tuple[float, str]:
    """Return metres per unit of a CRS and the unit's name."""
    axis = crs.axis_info[0]
    factor = float(axis.unit_conversion_factor)
    for known, name in _UNITS.items():
        if abs(factor / known - 1) < 1e-9:
            return known, name
    return factor, str(axis.unit_name)


@lru_cache(maxsize=16)
def _projection(wkt: str) -> tuple[Proj, float, float]:
    """Projection, semi-major axis, square of the eccentricity."""
    with quiet_proj():
        from pyproj import CRS, Proj

        crs = CRS.from_wkt(wkt)
        ellipsoid = crs.ellipsoid
        assert ellipsoid is not None
        major, minor = ellipsoid.semi_major_metre, ellipsoid.semi_minor_metre
        return Proj(crs), major, 1 - (minor / major) ** 2


def longitude_latitude(wkt: str, easting: Any, northing: Any) -> tuple[Any, Any]:
    """Return longitude and latitude of map places, degrees on the CRS's own datum."""
    with quiet_proj():
        projection, _, _ = _projection(wkt)
        longitude, latitude = projection(easting, northing, inverse=True)
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
    """
    longitude, latitude = longitude_latitude(
        crs_wkt,
        np.atleast_1d(np.asarray(easting, float)),
        np.atleast_1d(np.asarray(northing, float)),
    )
    with quiet_proj():
        projection, major, e2 = _projection(crs_wkt)
        factors = projection.get_factors(longitude, latitude, errcheck=False)
    latitude = np.where(np.isfinite(latitude), latitude, np.nan)
    radius = major * math.sqrt(1 - e2) / (1 - e2 * np.sin(np.radians(latitude)) ** 2)
    return (
        np.asarray(factors.meridional_scale, dtype=np.float64),
        np.asarray(factors.parallel_scale, dtype=np.float64),
        np.radians(np.asarray(factors.meridian_convergence, dtype=np.float64)),
        np.asarray(radius, dtype=np.float64),
    )


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
    """
    meridional, parallel, _, radius = map_factors(crs_wkt, easting, northing)
    scale: Floats = np.sqrt(meridional * parallel)
    return scale * radius / (radius + np.asarray(height, dtype=np.float64))


def at_middle(frame: Frame, position: tuple[float, float], height: float) -> Frame:
    """Return the frame with its factors taken at a place in local grid metres and a height."""
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
