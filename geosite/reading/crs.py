"""The CRS that a site file or a request names: read without fetching or reading anything else.

Coordinates are easting, northing (``always_xy``) here and everywhere after it.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from geosite.base.errors import InputError, Problem
from geosite.base.map_frame import Frame, at_middle, is_computable, length_unit, short_name
from geosite.base.problems import shown
from geosite.base.proj import quiet_proj

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["map_frame", "parse_crs", "read_crs", "read_systems", "read_vertical_crs"]

_CRS_ADDRESS = re.compile(r"https?://www\.opengis\.net/def/crs/(\w+)/[\w.]+/(\w+)", re.ASCII)
_FILE_WORDS = re.compile(
    r"grids\s*=|\b(?:file|model|catalog|init)\s*=|PROJ4_GRIDS|PARAMETERFILE", re.I
)
_AUTHORITY_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_-]*:[A-Za-z0-9_.-]+(\+[A-Za-z0-9_:.-]+)?")
_WKT = re.compile(r"[A-Za-z_0-9]+\s*\[.*\]", re.DOTALL)
_PROJ_STRING = re.compile(r"\+?proj=\S+(\s+\+?\S+)*")


def parse_crs(text: str, key: str, file: str | None = None, line: int | None = None) -> CRS:
    """Return any CRS that a text names, without fetching or reading anything else.

    Parameters
    ----------
    text
        Authority and code, WKT or PROJ string.
    key, file, line
        What is written so and where, for the message.

    Raises
    ------
    InputError
        It is none of these, is unknown, or names a file or an address.

    Examples
    --------
    >>> parse_crs("EPSG:4326", "crs").name
    'WGS 84'
    """

    def refuse(what: str) -> InputError:
        return InputError(
            Problem(
                "crs-unreadable",
                f"{key} {shown(text)} {what}",
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

    Examples
    --------
    >>> horizontal, vertical = read_crs("EPSG:25832+7837")
    >>> horizontal.name, vertical.name
    ('ETRS89 / UTM zone 32N', 'DHHN2016 height')
    """
    crs = parse_crs(text, "crs", file, line)

    def refuse(code: str, what: str, why: str) -> InputError:
        return InputError(
            Problem(
                code,
                f"crs {shown(text)} {what}",
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
    if (fault := _fault(crs)) is not None:
        raise refuse(*fault)
    return crs, vertical


def _fault(crs: CRS) -> tuple[str, str, str] | None:
    """Return why no survey can be placed on a CRS: code, what it is, what to do."""
    if crs.is_geocentric:
        return ("crs-geocentric", "is geocentric", "use the projected CRS of the region's maps")
    if crs.is_geographic:
        return (
            "crs-geographic",
            "is geographic (latitude, longitude)",
            "use the projected CRS of the region's maps; the marks may still be given by latitude "
            "and longitude",
        )
    if crs.is_vertical:
        return "crs-vertical", "is a vertical CRS", "write it as vertical_crs"
    if not crs.is_projected:
        return "crs-not-projected", f"is of type {crs.type_name}", "use a projected CRS"
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    ellipsoid = crs.ellipsoid
    if "pseudo" in method.lower() or (
        "mercator" in method.lower()
        and "transverse" not in method.lower()
        and "oblique" not in method.lower()
        and ellipsoid is not None
        and ellipsoid.semi_major_metre == ellipsoid.semi_minor_metre
    ):
        return (
            "crs-web-mercator",
            "is Web Mercator",
            "its metres are not metres on the ground and its scale differs by direction: use the "
            "projected CRS of the region's maps",
        )
    if "equidistant cylindrical" in method.lower():
        return (
            "crs-equidistant-cylindrical",
            "is an equidistant cylindrical map of the world",
            "its scale differs by direction, and it takes the earth for a ball: use the projected "
            "CRS of the region's maps",
        )
    directions = [axis.direction for axis in crs.axis_info[:2]]
    # at a pole every direction is the same: there both axes have it, told apart by their meridian
    at_pole = directions in (["south", "south"], ["north", "north"])
    if sorted(directions) != ["east", "north"] and not at_pole:
        return (
            "crs-axes",
            f"has axes {' and '.join(directions) or 'unknown'}",
            "use the variant of this CRS with axes east and north (its name may end in E-N); what "
            "counts west or south has a minus there",
        )
    if not is_computable(crs.to_wkt()):
        return (
            "crs-not-computable",
            f"({method or 'no method'}) is one that PROJ cannot compute",
            "use another CRS of the region's maps",
        )
    return None


def read_vertical_crs(text: str, file: str | None = None, line: int | None = None) -> CRS:
    """Return a vertical CRS with its axis up.

    Raises
    ------
    InputError
        If it is of another kind.

    Examples
    --------
    >>> read_vertical_crs("EPSG:7837").name
    'DHHN2016 height'
    """
    crs = parse_crs(text, "vertical_crs", file, line)
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
            f"vertical_crs {shown(text)} {what}",
            "a vertical CRS that counts up",
            remedy,
            file,
            line,
        )
    )


@lru_cache(maxsize=16)
def read_systems(
    crs: str,
    vertical_crs: str | None,
    file: str | None = None,
    lines: tuple[int | None, int | None] = (None, None),
) -> tuple[CRS, CRS | None]:
    """Return the horizontal and the vertical CRS of an anchor.

    Parameters
    ----------
    crs, vertical_crs
        As written; heights may be part of a compound `crs`.
    file, lines
        Where they are written, for the messages.

    Returns
    -------
    horizontal, vertical : CRS, CRS or None

    Raises
    ------
    InputError
        If one of them cannot carry a survey, or the vertical CRS is given twice; all of it
        together.

    Examples
    --------
    A compound CRS brings its own heights:

    >>> horizontal, vertical = read_systems("EPSG:25832+7837", None)
    >>> horizontal.name, vertical.name
    ('ETRS89 / UTM zone 32N', 'DHHN2016 height')
    """
    problems: list[Problem] = []
    horizontal = vertical = given = None
    try:
        horizontal, vertical = read_crs(crs, file, lines[0])
    except InputError as error:
        problems += error.problems
    if vertical_crs is not None:
        try:
            given = read_vertical_crs(vertical_crs, file, lines[1])
        except InputError as error:
            problems += error.problems
    if vertical is not None and given is not None and vertical != given:
        problems.append(
            Problem(
                "vertical-crs-twice",
                f"crs contains {vertical.name}, vertical_crs is {given.name}",
                "one vertical CRS",
                "remove one of the two",
                file,
                lines[1],
            )
        )
    elif vertical is not None and vertical_crs is None and vertical.axis_info[0].direction != "up":
        problems.append(
            Problem(
                "vertical-crs",
                f"the vertical part of crs, {vertical.name}, counts down",
                "heights that count up",
                "use a compound CRS with heights",
                file,
                lines[0],
            )
        )
    if problems or horizontal is None:
        raise InputError(problems)
    return horizontal, given or vertical


def map_frame(
    crs: str, extent: tuple[float, float, float, float], file: str | None = None
) -> Frame:
    """Return the map that a CRS and an extent make up.

    Parameters
    ----------
    crs
        ``EPSG:25832``, with a vertical part ``EPSG:25832+7837``, an OGC address of a CRS, or WKT.
    extent
        West, south, east, north, map units.
    file
        File it stands in, for the message.

    Returns
    -------
    Frame
        Without a vertical part elevations count in map units. The factors are those at the middle
        of the extent and elevation 0.

    Raises
    ------
    InputError
        Unknown, or not a projected CRS with a scale.

    Examples
    --------
    >>> frame = map_frame("EPSG:25832", (500000.0, 5.3e6, 500100.0, 5.3001e6))
    >>> frame.unit_name, round(frame.grid_scale_factor, 6)
    ('metre', 0.9996)
    """
    address = _CRS_ADDRESS.fullmatch(crs.strip())
    horizontal, vertical = read_crs(f"{address[1]}:{address[2]}" if address else crs, file)
    unit_m, unit_name = length_unit(horizontal)
    height_unit_m, height_unit_name = length_unit(vertical) if vertical else (unit_m, unit_name)
    west, south, east, north = extent
    frame = Frame(
        crs_wkt=horizontal.to_wkt(),
        crs_name=short_name(horizontal),
        vertical_wkt=vertical.to_wkt() if vertical else None,
        vertical_name=short_name(vertical) if vertical else None,
        unit_m=unit_m,
        height_unit_m=height_unit_m,
        unit_name=unit_name,
        height_unit_name=height_unit_name,
        origin=(float(np.floor(west)), float(np.floor(south))),
        grid_scale_factor=1.0,
        elevation_factor=1.0,
        combined_factor=1.0,
        convergence=0.0,
    )
    middle = frame.to_local([(west + east) / 2, (south + north) / 2])
    there = at_middle(frame, (float(middle[0]), float(middle[1])), 0.0)
    # coordinates that are nowhere on this map (a test grid at 0, 0) have no factors
    return there if np.isfinite(there.combined_factor) else frame
