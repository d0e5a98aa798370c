"""The anchor in a contractor's words: what it is refused for, and what to know of it."""

from __future__ import annotations

import math
from typing import Literal

from geosite.base.errors import Finding, Problem
from geosite.base.map_frame import CONFORMAL_PPM
from geosite.base.rounding import place_words
from geosite.fieldbook.model import Notes
from geosite.network.control.declination import WMM_FROM, WMM_TO
from geosite.network.control.facts import (
    AzimuthFault,
    AzimuthReduced,
    DayOutsideModel,
    Fault,
    FromEllipsoid,
    FromGlobe,
    HeightFault,
    HeightIncomplete,
    MapFault,
    NoGeoid,
    NotConformal,
    NoTransformation,
    NoTrueNorth,
    OffMap,
    OnSphere,
    OtherUnit,
    OutsideArea,
    OutsideGeoid,
    OutsideUse,
    PlaceFault,
    Remark,
    WeakField,
)
from geosite.reading.toml_lines import line_of

__all__ = ["finding", "problem"]

_Said = tuple[str, str, str, str]
"""Code, what is wrong, what was expected, what to do."""


def problem(notes: Notes, fault: Fault) -> Problem:
    """Say what is wrong with the anchor, at its key."""
    match fault:
        case NoTransformation() | OffMap() | OutsideArea() | OtherUnit():
            said = _of_place(fault)
        case HeightIncomplete() | NoGeoid() | OutsideGeoid():
            said = _of_height(fault)
        case NotConformal() | OnSphere():
            said = _of_map(fault)
        case _:
            said = _of_azimuth(fault)
    return Problem(*said, notes.site_file, line_of(notes.site_lines, ("anchor", *_key(fault))))


def _key(fault: Fault) -> tuple[str, ...]:
    """Return the key of the site file's ``[anchor]`` that a fault is about."""
    match fault:
        case NoTransformation() | OffMap():
            return "marks", fault.mark, "latitude"
        case OutsideArea():
            return "marks", fault.mark, fault.key
        case OtherUnit():
            return "marks", fault.mark, "easting"
        case HeightIncomplete() | NoGeoid() | OutsideGeoid():
            return "marks", fault.mark, "ellipsoidal_height"
        case NotConformal() | OnSphere():
            return ("crs",)
        case DayOutsideModel():
            return "azimuth", "date"
        case NoTrueNorth() | WeakField():
            return ("azimuth",)


def _of_place(fault: PlaceFault) -> _Said:
    match fault:
        case NoTransformation(mark, crs, missing):
            return (
                "transformation-missing",
                f"mark {mark}: no transformation from WGS 84 to {crs} is installed"
                f"{missing and f', grid {missing} is missing'}",
                "a transformation of known accuracy",
                "give easting and northing instead",
            )
        case OffMap(mark, latitude, longitude, crs):
            return (
                "anchor-outside",
                f"mark {mark} at latitude {latitude}, longitude {longitude} is outside {crs}",
                "a place on the map of this CRS",
                "check the two numbers and the crs",
            )
        case OutsideArea(mark, position, crs, key, is_swapped):
            return (
                "anchor-outside",
                f"{_at(mark, position)} is outside the area of {crs}",
                "a place on the map of this CRS",
                "easting and northing look swapped"
                if is_swapped
                else f"check {key} and the other coordinate, and the crs",
            )
        case OtherUnit(mark, position, crs, unit, is_swapped):
            exchanged = " and easting and northing exchanged" if is_swapped else ""
            return (
                "anchor-other-unit",
                f"{_at(mark, position)} is outside the area of use of {crs}, and inside it if the "
                f"coordinates are {unit}{exchanged}",
                "coordinates in the unit of the crs, at the place where the site is",
                f"{'exchange the two, and ' if is_swapped else ''}"
                f"use the crs that these coordinates were given in (one in {unit}), or convert "
                "them; the unit of the walk has nothing to do with it",
            )


def _of_height(fault: HeightFault) -> _Said:
    match fault:
        case HeightIncomplete(mark, lacks):
            return (
                "anchor-incomplete",
                f"mark {mark} has an ellipsoidal_height without {lacks}",
                "latitude, longitude and a vertical_crs",
                "add them or give the elevation",
            )
        case NoGeoid(mark, crs, missing):
            return (
                "geoid-grid-missing",
                f"mark {mark}: the height above the ellipsoid cannot be turned into {crs}"
                + (f", geoid grid {missing} is not installed" if missing else ""),
                "a geoid model for this vertical CRS",
                "install the grid in PROJ's data folder, or give the elevation itself",
            )
        case OutsideGeoid(mark, crs):
            return (
                "geoid-outside",
                f"mark {mark} is outside the geoid model of {crs}",
                "a place the geoid model covers",
                "check latitude and longitude, or give the elevation itself",
            )


def _of_map(fault: MapFault) -> _Said:
    remedy = "use the CRS of the region's survey maps, a conformal one"
    match fault:
        case NotConformal(crs, ppm):
            return (
                "crs-not-conformal",
                f"{crs} stretches north and east differently here, by {ppm:.0f} ppm",
                f"a conformal CRS (at most {CONFORMAL_PPM:g} ppm)",
                remedy,
            )
        case OnSphere(crs, ppm):
            return (
                "crs-on-sphere",
                f"{crs} is drawn as if the earth were a ball, or bends right angles: lengths here "
                f"are {ppm:.0f} ppm from what its scale says",
                "a conformal map of the ellipsoid",
                remedy,
            )


def _of_azimuth(fault: AzimuthFault) -> _Said:
    match fault:
        case NoTrueNorth():
            return (
                "azimuth-pole",
                "true north has no direction at the pole",
                "an azimuth from grid north",
                'write reference = "grid", or give a second mark',
            )
        case DayOutsideModel(day):
            return (
                "azimuth-date",
                f"{day} is outside the World Magnetic Model {WMM_FROM:.0f}",
                f"a day from {WMM_FROM:.0f} to {WMM_TO - 1:.0f}",
                "give the azimuth from grid or true north instead",
            )
        case WeakField(horizontal_nt):
            return (
                "azimuth-magnetic",
                f"a compass is not reliable here: the horizontal field is {horizontal_nt:.0f} nT",
                "at least 6000 nT",
                "give the azimuth from grid or true north instead",
            )


def finding(notes: Notes, remark: Remark) -> Finding:
    """Say what a reader should know of the anchor."""
    path: tuple[str, ...]
    level: Literal["look", "note"] = "note"
    match remark:
        case FromGlobe(mark, crs, accuracy, missing):
            better = (
                f"; a better one needs the grid {missing}, which is not installed"
                if missing
                else ""
            )
            code, path = "anchor-from-globe", ("marks", mark, "latitude")
            text = (
                f"Mark {mark} was given by latitude and longitude (WGS 84); the transformation to "
                f"{crs} is {_good_to(accuracy)}{better}."
            )
        case FromEllipsoid(mark, operation, accuracy):
            code, path = "elevation-from-ellipsoid", ("marks", mark, "ellipsoidal_height")
            text = (
                f"The elevation of mark {mark} was computed from its height above the ellipsoid by "
                f"{operation}, {_good_to(accuracy)}."
            )
        case AzimuthReduced(reference, given, declination, grid, convergence):
            code, path = "azimuth-reduced", ("azimuth",)
            words = f"grid convergence {math.degrees(convergence):+.4f}°"
            if declination is not None:
                words = f"declination {declination:+.2f}° (World Magnetic Model), {words}"
            text = (
                f"The {reference} azimuth {given:g}° is {math.degrees(grid) % 360:.4f}° from grid "
                f"north ({words})."
            )
        case OutsideUse(key, system, area, latitude, longitude):
            level, code, path = "look", "outside-area-of-use", (key,)
            place = f"{abs(latitude):.2f} {'NS'[latitude < 0]}, "
            place += f"{abs(longitude):.2f} {'EW'[longitude < 0]}"
            text = (
                f"The site lies at {place}, where {system} is not used ({area.rstrip('.')}): is a"
                " digit of crs or of vertical_crs wrong?"
            )
    line = line_of(notes.site_lines, ("anchor", *path))
    return Finding(level, code, text, notes.site_file, line)


def _at(mark: str, position: tuple[float, float]) -> str:
    return f"mark {mark} at {place_words(*position, 1)}"


def _good_to(accuracy: float | None) -> str:
    """Say how good a coordinate operation is; None where that is not known."""
    return "of unknown accuracy" if accuracy is None else f"good to {accuracy:g} m"
