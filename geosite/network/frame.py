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
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geosite.errors import Finding, InputError, Problem
from geosite.fieldbook.model import Floats, Notes
from geosite.fieldbook.sitefile import AnchorMark
from geosite.fieldbook.toml_lines import line_of
from geosite.network.model import Frame

if TYPE_CHECKING:
    from pyproj import CRS, Proj

__all__ = [
    "Anchored",
    "Control",
    "at_middle",
    "combined_factor",
    "map_factors",
    "read_anchor",
    "read_crs",
    "read_vertical_crs",
]

CONFORMAL_PPM = 5.0
"""Largest difference of scale along meridian and parallel that still counts as conformal."""
MARGIN_DEG = 3.0
"""How far outside its area of use a CRS is still taken: neighbouring zones are used so."""
_UNITS = {1.0: "metre", 0.3048: "foot", 1200 / 3937: "US survey foot"}
_FILE_WORDS = re.compile(
    r"nadgrids|geoidgrids|\bgrids\s*=|\+?\binit\s*=|\bcatalog\s*=|PROJ4_GRIDS|PARAMETERFILE", re.I
)
_AUTHORITY_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_-]*:[A-Za-z0-9_.-]+(\+[A-Za-z0-9_:.-]+)?")
_WKT = re.compile(r"[A-Za-z_0-9]+\s*\[.*\]", re.DOTALL)
_PROJ_STRING = re.compile(r"\+?proj=\S+(\s+\+?\S+)*")


@dataclass(frozen=True, slots=True)
class Control:
    """A mark whose place on the map is known.

    Parameters
    ----------
    name
        Mark name.
    position : (easting, northing), local grid metres, or None
    elevation
        Metres, or ``None``.
    sigma, sigma_elevation
        Standard deviation per axis, metres; 0 for a position taken as exact.
    check
        Compared with the result, never used to place the survey.
    """

    name: str
    position: tuple[float, float] | None
    elevation: float | None
    sigma: float
    sigma_elevation: float
    check: bool


@dataclass(frozen=True)
class Anchored:
    """What the site file's ``[anchor]`` says, in local grid metres.

    Parameters
    ----------
    frame
        The map, its factors taken at the anchored marks.
    controls
        Marks whose place is known, in site-file order.
    azimuth : (azimuth, sigma) or None
        Grid azimuth of the baseline and its standard deviation, radians clockwise from grid north.
    findings
    """

    frame: Frame
    controls: tuple[Control, ...]
    azimuth: tuple[float, float] | None
    findings: tuple[Finding, ...]


@contextmanager
def _quiet_proj() -> Iterator[None]:
    """PROJ without foreign data folders, network or warnings about grids (asked for by name)."""
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
    with _quiet_proj():
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


def _name(crs: CRS) -> str:
    authority = crs.to_authority(min_confidence=100)
    return f"{authority[0]}:{authority[1]}" if authority else crs.name


def _unit(crs: CRS) -> tuple[float, str]:
    axis = crs.axis_info[0]
    factor = float(axis.unit_conversion_factor)
    for known, name in _UNITS.items():
        if abs(factor / known - 1) < 1e-9:
            return known, name
    return factor, str(axis.unit_name)


@lru_cache(maxsize=16)
def _projection(wkt: str) -> tuple[Proj, float, float]:
    """Projection, semi-major axis, square of the eccentricity."""
    with _quiet_proj():
        from pyproj import CRS, Proj

        crs = CRS.from_wkt(wkt)
        ellipsoid = crs.ellipsoid
        assert ellipsoid is not None
        major, minor = ellipsoid.semi_major_metre, ellipsoid.semi_minor_metre
        return Proj(crs), major, 1 - (minor / major) ** 2


def _longitude_latitude(wkt: str, easting: Any, northing: Any) -> tuple[Any, Any]:
    with _quiet_proj():
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
    longitude, latitude = _longitude_latitude(
        crs_wkt,
        np.atleast_1d(np.asarray(easting, float)),
        np.atleast_1d(np.asarray(northing, float)),
    )
    with _quiet_proj():
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


def read_anchor(notes: Notes) -> Anchored:
    """Read the anchor of a survey: the map, the marks known on it, the azimuth of the baseline.

    Raises
    ------
    InputError
        If the CRS cannot carry a survey, or a mark, height or azimuth cannot be used; all such
        problems together.
    """
    return _AnchorReader(notes).read()


class _AnchorReader:
    """Reads ``[anchor]``; collects problems so that all are told at once."""

    def __init__(self, notes: Notes) -> None:
        self.notes = notes
        self.anchor = notes.site.anchor
        self.problems: list[Problem] = []
        self.findings: list[Finding] = []
        self.transforms: dict[str, Any] = {}

    def line(self, *path: str) -> int | None:
        return line_of(self.notes.site_lines, path)

    def problem(self, code: str, what: str, expected: str, remedy: str, *path: str) -> None:
        self.problems.append(
            Problem(code, what, expected, remedy, self.notes.site_file, self.line(*path))
        )

    def note(self, code: str, text: str, *path: str) -> None:
        self.findings.append(Finding("note", code, text, self.notes.site_file, self.line(*path)))

    def read(self) -> Anchored:
        horizontal, vertical = self.systems()
        if self.problems or horizontal is None:
            raise InputError(self.problems)
        self.horizontal, self.vertical = horizontal, vertical
        self.wkt = horizontal.to_wkt()
        unit_m, unit_name = _unit(horizontal)
        self.height_unit_m, height_unit_name = (
            _unit(vertical) if vertical is not None else (unit_m, unit_name)
        )
        marks = {n: m for n, m in self.anchor.marks.items() if n in self.notes.book.marks}
        placed = {name: self.position(name, mark) for name, mark in marks.items()}
        heights = {name: self.elevation(name, mark) for name, mark in marks.items()}
        known = np.array(
            [p for name, p in placed.items() if p is not None and not self.anchor.marks[name].check]
        )
        if self.problems:
            raise InputError(self.problems)
        middle = known.mean(axis=0)
        origin = (float(np.rint(middle[0])), float(np.rint(middle[1])))
        elevations = [
            h for name, h in heights.items() if h is not None and not self.anchor.marks[name].check
        ]
        frame = Frame(
            crs_wkt=self.wkt,
            crs_name=_name(horizontal),
            vertical_wkt=None if vertical is None else vertical.to_wkt(),
            vertical_name=None if vertical is None else _name(vertical),
            unit_m=unit_m,
            height_unit_m=self.height_unit_m,
            unit_name=unit_name,
            height_unit_name=height_unit_name,
            origin=origin,
            grid_scale_factor=1.0,
            elevation_factor=1.0,
            combined_factor=1.0,
            convergence=0.0,
        )
        self.check_scale(placed)
        if self.problems:
            raise InputError(self.problems)
        height = float(np.mean(elevations)) if elevations else 0.0
        east, north = frame.to_local(middle)
        frame = at_middle(
            frame, (float(east), float(north)), height + (self.anchor.geoid_height or 0.0)
        )
        azimuth = self.azimuth(placed, height)
        if self.problems:
            raise InputError(self.problems)
        return Anchored(
            frame,
            tuple(self.control(n, m, frame, placed[n], heights[n]) for n, m in marks.items()),
            azimuth,
            tuple(self.findings),
        )

    def systems(self) -> tuple[CRS | None, CRS | None]:
        horizontal = vertical = None
        file = self.notes.site_file
        try:
            horizontal, vertical = read_crs(self.anchor.crs, file, self.line("anchor", "crs"))
        except InputError as error:
            self.problems += error.problems
        if self.anchor.vertical_crs is not None:
            try:
                given = read_vertical_crs(
                    self.anchor.vertical_crs, file, self.line("anchor", "vertical_crs")
                )
            except InputError as error:
                self.problems += error.problems
            else:
                if vertical is not None and vertical != given:
                    self.problem(
                        "vertical-crs-twice",
                        f"crs contains {vertical.name}, vertical_crs is {given.name}",
                        "one vertical CRS",
                        "remove one of the two",
                        "anchor",
                        "vertical_crs",
                    )
                vertical = given
        elif vertical is not None and (vertical.axis_info[0].direction != "up"):
            self.problem(
                "vertical-crs",
                f"the vertical part of crs, {vertical.name}, counts down",
                "heights that count up",
                "use a compound CRS with heights",
                "anchor",
                "crs",
            )
        return horizontal, vertical

    def position(self, name: str, mark: AnchorMark) -> tuple[float, float] | None:
        """Map position of an anchored mark, map units."""
        if mark.easting is not None and mark.northing is not None:
            return mark.easting, mark.northing
        if mark.latitude is not None and mark.longitude is not None:
            return self.from_globe(name, mark.longitude, mark.latitude)
        return None

    def from_globe(
        self, name: str, longitude: float, latitude: float
    ) -> tuple[float, float] | None:
        where = ("anchor", "marks", name, "latitude")
        with _quiet_proj():
            group = self.group("EPSG:4326", self.horizontal, longitude, latitude)
            usable = list(group.transformers)
            missing = self.missing_grids(group)
            if not usable:
                self.problem(
                    "transformation-missing",
                    f"mark {name}: no transformation from WGS 84 to {self.horizontal.name} is "
                    f"installed{missing and f', grid {missing} is missing'}",
                    "a transformation of known accuracy",
                    "give easting and northing instead",
                    *where,
                )
                return None
            best = usable[0]
            easting, northing = best.transform(longitude, latitude)
        if not (math.isfinite(easting) and math.isfinite(northing)):
            self.problem(
                "anchor-outside",
                f"mark {name} at latitude {latitude}, longitude {longitude} is outside "
                f"{self.horizontal.name}",
                "a place on the map of this CRS",
                "check the two numbers and the crs",
                *where,
            )
            return None
        accuracy = f"good to {best.accuracy:g} m" if best.accuracy >= 0 else "of unknown accuracy"
        better = (
            f"; a better one needs the grid {missing}, which is not installed" if missing else ""
        )
        self.note(
            "anchor-from-globe",
            f"Mark {name} was given by latitude and longitude (WGS 84); the transformation to "
            f"{self.horizontal.name} is {accuracy}{better}. Its sigma should include that.",
            *where,
        )
        return float(easting), float(northing)

    def group(self, source: str, target: CRS, longitude: float, latitude: float) -> Any:
        from pyproj.transformer import AreaOfInterest, TransformerGroup

        return TransformerGroup(
            source,
            target,
            always_xy=True,
            allow_ballpark=False,
            area_of_interest=AreaOfInterest(longitude, latitude, longitude, latitude),
        )

    @staticmethod
    def missing_grids(group: Any) -> str:
        """Names of the grids that the best unavailable transformation needs."""
        operations = group.unavailable_operations
        if not operations or group.best_available:
            return ""
        names = [g.short_name for g in operations[0].grids if not g.available]
        return ", ".join(names)

    def elevation(self, name: str, mark: AnchorMark) -> float | None:
        """Elevation of an anchored mark, metres."""
        where = ("anchor", "marks", name, "ellipsoidal_height")
        if mark.ellipsoidal_height is None:
            return None if mark.elevation is None else mark.elevation * self.height_unit_m
        if mark.latitude is None or mark.longitude is None or self.vertical is None:
            self.problem(
                "anchor-incomplete",
                f"mark {name} has an ellipsoidal_height without "
                + ("vertical_crs" if self.vertical is None else "latitude and longitude"),
                "latitude, longitude and a vertical_crs",
                "add them or give the elevation",
                *where,
            )
            return None
        with _quiet_proj():
            from pyproj.crs import CompoundCRS

            target = CompoundCRS("place and height", [self.horizontal, self.vertical])
            group = self.group("EPSG:4979", target, mark.longitude, mark.latitude)
            # without its geoid grid PROJ may hand back the height unchanged
            usable = [t for t in group.transformers if "allpark" not in t.description]
            if not usable:
                missing = self.missing_grids(group)
                self.problem(
                    "geoid-grid-missing",
                    f"mark {name}: the height above the ellipsoid cannot be turned into "
                    f"{self.vertical.name}"
                    + (f", geoid grid {missing} is not installed" if missing else ""),
                    "a geoid model for this vertical CRS",
                    "install the grid in PROJ's data folder, or give the elevation itself",
                    *where,
                )
                return None
            best = usable[0]
            height = best.transform(mark.longitude, mark.latitude, mark.ellipsoidal_height)[2]
        if not math.isfinite(height):
            self.problem(
                "geoid-outside",
                f"mark {name} is outside the geoid model of {self.vertical.name}",
                "a place the geoid model covers",
                "check latitude and longitude, or give the elevation itself",
                *where,
            )
            return None
        accuracy = f"good to {best.accuracy:g} m" if best.accuracy >= 0 else "of unknown accuracy"
        self.note(
            "elevation-from-ellipsoid",
            f"The elevation of mark {name} was computed from its height above the ellipsoid by "
            f"{best.description}, {accuracy}.",
            *where,
        )
        return float(height) * self.height_unit_m

    def check_scale(self, placed: dict[str, tuple[float, float] | None]) -> None:
        """Refuse marks where the CRS is not defined, not meant or not conformal."""
        area = self.horizontal.area_of_use

        def inside(position: tuple[float, float]) -> bool:
            longitude, latitude = _longitude_latitude(self.wkt, *position)
            if area is None:
                return True
            east = area.east if area.east >= area.west else area.east + 360
            turned = longitude + 360 if longitude < area.west - 180 else longitude
            return bool(
                area.west - MARGIN_DEG <= turned <= east + MARGIN_DEG
                and area.south - MARGIN_DEG <= latitude <= area.north + MARGIN_DEG
            )

        for name, position in placed.items():
            if position is None:
                continue
            meridional, parallel, _, _ = (float(v[0]) for v in map_factors(self.wkt, *position))
            key = "latitude" if self.anchor.marks[name].easting is None else "easting"
            where = ("anchor", "marks", name, key)
            shown = f"mark {name} at {position[0]:.1f}, {position[1]:.1f}"
            defined = math.isfinite(meridional) and math.isfinite(parallel) and parallel > 0
            if not defined or not inside(position):
                swapped = key == "easting" and inside(position[::-1])
                self.problem(
                    "anchor-outside",
                    f"{shown} is outside the area of {self.horizontal.name}",
                    "a place on the map of this CRS",
                    "easting and northing look swapped"
                    if swapped
                    else f"check {key} and the other coordinate, and the crs",
                    *where,
                )
            elif abs(meridional / parallel - 1) * 1e6 > CONFORMAL_PPM:
                self.problem(
                    "crs-not-conformal",
                    f"{self.horizontal.name} stretches north and east differently here, by "
                    f"{abs(meridional / parallel - 1) * 1e6:.0f} ppm",
                    f"a conformal CRS (at most {CONFORMAL_PPM:g} ppm)",
                    "use the CRS of the region's survey maps, a conformal one",
                    "anchor",
                    "crs",
                )
                return

    def azimuth(
        self, placed: dict[str, tuple[float, float] | None], height: float
    ) -> tuple[float, float] | None:
        """Grid azimuth of the baseline and its sigma, radians."""
        given = self.anchor.azimuth
        if given is None:
            return None
        baseline = self.notes.site.baseline
        known = {
            n: p for n, p in placed.items() if p is not None and not self.anchor.marks[n].check
        }
        place = known.get(baseline.from_) or known.get(baseline.to) or next(iter(known.values()))
        convergence = float(map_factors(self.wkt, *place)[2][0])
        value = math.radians(given.value)
        sigma = math.radians(given.sigma or 0.0)
        if given.reference == "grid":
            return value, sigma
        words = f"grid convergence {math.degrees(convergence):+.4f}°"
        if given.reference == "magnetic":
            if given.sigma is None:
                sigma = math.radians(0.5)
            declination = self.declination(place, height)
            if declination is None:
                return None
            value += math.radians(declination[0])
            sigma = math.hypot(sigma, math.radians(declination[1]))
            words = f"declination {declination[0]:+.2f}° (World Magnetic Model), " + words
        grid = value - convergence
        self.note(
            "azimuth-reduced",
            f"The {given.reference} azimuth {given.value:g}° is "
            f"{math.degrees(grid) % 360:.4f}° from grid north ({words}).",
            "anchor",
            "azimuth",
        )
        return grid, sigma

    def declination(self, place: tuple[float, float], height: float) -> tuple[float, float] | None:
        """Magnetic declination and its model's standard deviation, degrees."""
        given = self.anchor.azimuth
        assert given is not None
        day = given.date or ""
        year = _decimal_year(day)
        longitude, latitude = _longitude_latitude(self.wkt, *place)
        ellipsoidal = height + (self.anchor.geoid_height or 0.0)
        return self.model_declination(float(latitude), float(longitude), ellipsoidal, year, day)

    def model_declination(
        self, latitude: float, longitude: float, height: float, year: float, day: str
    ) -> tuple[float, float] | None:
        where = ("anchor", "azimuth", "date")
        if not WMM_FROM <= year < WMM_TO:
            self.problem(
                "azimuth-date",
                f"{day} is outside the World Magnetic Model {WMM_FROM:.0f}",
                f"a day from {WMM_FROM:.0f} to {WMM_TO - 1:.0f}",
                "give the azimuth from grid or true north instead",
                *where,
            )
            return None
        declination, horizontal = magnetic_declination(latitude, longitude, height, year)
        if horizontal < 6000.0:
            self.problem(
                "azimuth-magnetic",
                f"a compass is not reliable here: the horizontal field is {horizontal:.0f} nT",
                "at least 6000 nT",
                "give the azimuth from grid or true north instead",
                "anchor",
                "azimuth",
            )
            return None
        # error model published with WMM2025: sqrt(0.26^2 + (5417 / H)^2) degrees
        return declination, math.hypot(0.26, 5417.0 / horizontal)

    def control(
        self,
        name: str,
        mark: AnchorMark,
        frame: Frame,
        placed: tuple[float, float] | None,
        elevation: float | None,
    ) -> Control:
        position = None
        if placed is not None:
            east, north = frame.to_local(placed)
            position = (float(east), float(north))
        sigma = mark.sigma or 0.0
        vertical = mark.sigma_elevation if mark.sigma_elevation is not None else sigma
        return Control(name, position, elevation, sigma, vertical, mark.check)


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


def _decimal_year(day: str) -> float:
    from datetime import date, datetime

    when = datetime.fromisoformat(day).date()
    start, end = date(when.year, 1, 1), date(when.year + 1, 1, 1)
    return when.year + (when - start).days / (end - start).days
