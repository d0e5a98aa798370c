"""The anchor: marks whose place on the map is known, and the azimuth of the baseline."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from geosite.base.errors import InputError
from geosite.base.map_frame import (
    CONFORMAL_PPM,
    ON_ELLIPSOID_PPM,
    Frame,
    at_middle,
    length_unit,
    longitude_latitude,
    map_factors,
    scale_by_geodesics,
    short_name,
)
from geosite.base.proj import operation_accuracy_m, operation_name, quiet_proj
from geosite.base.units import FOOT_M
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import AnchorMark
from geosite.network.control import wording
from geosite.network.control.declination import WMM_FROM, WMM_TO, decimal_year, magnetic_declination
from geosite.network.control.facts import (
    AzimuthReduced,
    DayOutsideModel,
    Fault,
    FromEllipsoid,
    FromGlobe,
    HeightIncomplete,
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
    Remark,
    WeakField,
)
from geosite.network.control.model import Anchored, CommonShift, Control
from geosite.reading.crs import read_systems
from geosite.reading.toml_lines import line_of

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["AnchorReader", "read_anchor"]

MARGIN_DEG = 3.0
"""How far outside its area of use a CRS is still taken: neighbouring zones are used so."""
USUAL_DEG = 1.0
"""So far outside nobody asks: sites at the edge of a zone are often mapped in it."""
EDGE_DEG = 0.05
"""How exactly the boxes round the areas of heights are known; heights have no zones."""
AT_POLE_DEG = 90 - 1e-5
"""A metre from the pole."""


def read_anchor(notes: Notes) -> Anchored:
    """Read the anchor of a survey: the map, the marks known on it, the azimuth of the baseline.

    Raises
    ------
    InputError
        If the CRS cannot carry a survey, or a mark, height or azimuth cannot be used; all such
        problems together.
    """
    return AnchorReader(notes).read()


class AnchorReader:
    """Reads ``[anchor]``; collects what is wrong so that all is told at once."""

    def __init__(self, notes: Notes) -> None:
        self.notes = notes
        self.anchor = notes.site.anchor
        self.faults: list[Fault] = []
        self.remarks: list[Remark] = []
        self.places: dict[str, tuple[str, float | None]] = {}
        self.heights: dict[str, tuple[str, float | None]] = {}

    def refuse(self) -> None:
        """Raise all that was found wrong so far."""
        if self.faults:
            raise InputError([wording.problem(self.notes, fault) for fault in self.faults])

    def read(self) -> Anchored:
        """Read marks, azimuth and references; raise all that is wrong with them."""
        lines = self.notes.site_lines
        horizontal, vertical = read_systems(
            self.anchor.crs,
            self.anchor.vertical_crs,
            self.notes.site_file,
            (line_of(lines, ("anchor", "crs")), line_of(lines, ("anchor", "vertical_crs"))),
        )
        self.horizontal, self.vertical = horizontal, vertical
        self.wkt = horizontal.to_wkt()
        unit_m, unit_name = length_unit(horizontal)
        self.height_unit_m, height_unit_name = (
            length_unit(vertical) if vertical is not None else (unit_m, unit_name)
        )
        marks = {n: m for n, m in self.anchor.marks.items() if n in self.notes.book.marks}
        placed = {name: self.position(name, mark) for name, mark in marks.items()}
        heights = {name: self.elevation(name, mark) for name, mark in marks.items()}
        known = np.array(
            [p for name, p in placed.items() if p is not None and not self.anchor.marks[name].check]
        )
        self.refuse()
        middle = known.mean(axis=0)
        origin = (float(np.rint(middle[0])), float(np.rint(middle[1])))
        elevations = [
            h for name, h in heights.items() if h is not None and not self.anchor.marks[name].check
        ]
        frame = Frame(
            crs_wkt=self.wkt,
            crs_name=short_name(horizontal),
            vertical_wkt=None if vertical is None else vertical.to_wkt(),
            vertical_name=None if vertical is None else short_name(vertical),
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
        self.refuse()
        self.remark_outside(origin)
        height = float(np.mean(elevations)) if elevations else 0.0
        east, north = frame.to_local(middle)
        frame = at_middle(
            frame, (float(east), float(north)), height + (self.anchor.geoid_height or 0.0)
        )
        azimuth = self.azimuth(placed, height)
        self.refuse()
        shift = self.shift(placed, heights)
        controls = [self.control(n, m, frame, placed[n], heights[n]) for n, m in marks.items()]
        return Anchored(
            frame,
            tuple(c if c.check else _alone(c, shift) for c in controls),
            azimuth,
            tuple(self.remarks),
            shift,
        )

    def shift(
        self,
        placed: Mapping[str, tuple[float, float] | None],
        heights: Mapping[str, float | None],
    ) -> CommonShift:
        """Return what moves all known marks alike: nothing where one was given on the map."""
        used = {name for name, mark in self.anchor.marks.items() if not mark.check}
        found = [
            [through[n] for n in known] if known <= set(through) else []
            for through, known in (
                (self.places, {n for n in used if placed.get(n) is not None}),
                (self.heights, {n for n in used if heights.get(n) is not None}),
            )
        ]
        sigmas = [max((s or 0.0 for _, s in through), default=0.0) for through in found]
        listed = dict.fromkeys(
            name for through in found for name in sorted(name for name, _ in through)
        )
        unknown = any(s is None for through in found for _, s in through)
        return CommonShift(sigmas[0], sigmas[1], "; ".join(listed), unknown)

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
        """Return the map position of a place given by longitude and latitude, degrees."""
        with quiet_proj():
            group = self.group("EPSG:4326", self.horizontal, longitude, latitude)
            usable = list(group.transformers)
            missing = self.missing_grids(group)
            if not usable:
                self.faults.append(NoTransformation(name, self.horizontal.name, missing))
                return None
            best = usable[0]
            easting, northing = best.transform(longitude, latitude)
        if not (math.isfinite(easting) and math.isfinite(northing)):
            self.faults.append(OffMap(name, latitude, longitude, self.horizontal.name))
            return None
        accuracy = operation_accuracy_m(best)
        self.places[name] = (operation_name(best), accuracy)
        self.remarks.append(FromGlobe(name, self.horizontal.name, accuracy, missing))
        return float(easting), float(northing)

    def group(self, source: str, target: CRS, longitude: float, latitude: float) -> Any:
        """Return the operations from one system to another that are good at a place."""
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
        if mark.ellipsoidal_height is None:
            return None if mark.elevation is None else mark.elevation * self.height_unit_m
        if self.vertical is None:
            self.faults.append(HeightIncomplete(name, "vertical_crs"))
            return None
        if mark.latitude is None or mark.longitude is None:
            self.faults.append(HeightIncomplete(name, "latitude and longitude"))
            return None
        with quiet_proj():
            from pyproj.crs import CompoundCRS

            target = CompoundCRS("place and height", [self.horizontal, self.vertical])
            group = self.group("EPSG:4979", target, mark.longitude, mark.latitude)
            # without its geoid grid PROJ may hand back the height unchanged
            usable = [t for t in group.transformers if "allpark" not in t.description]
            if not usable:
                missing = self.missing_grids(group)
                self.faults.append(NoGeoid(name, self.vertical.name, missing))
                return None
            best = usable[0]
            height = best.transform(mark.longitude, mark.latitude, mark.ellipsoidal_height)[2]
        if not math.isfinite(height):
            self.faults.append(OutsideGeoid(name, self.vertical.name))
            return None
        operation, accuracy = operation_name(best), operation_accuracy_m(best)
        self.heights[name] = (operation, accuracy)
        self.remarks.append(FromEllipsoid(name, operation, accuracy))
        return float(height) * self.height_unit_m

    def check_scale(self, placed: dict[str, tuple[float, float] | None]) -> None:
        """Refuse marks where the CRS is not defined, not meant, not conformal or on a sphere."""
        area = self.horizontal.area_of_use

        def inside(position: tuple[float, float], margin: float = MARGIN_DEG) -> bool:
            longitude, latitude = longitude_latitude(self.wkt, *position)
            return area is None or _is_inside(area, longitude, latitude, margin)

        for name, position in placed.items():
            if position is None:
                continue
            meridional, parallel, _, _ = (float(v[0]) for v in map_factors(self.wkt, *position))
            crs = self.horizontal.name
            key: Literal["latitude", "easting"] = (
                "latitude" if self.anchor.marks[name].easting is None else "easting"
            )
            defined = math.isfinite(meridional) and math.isfinite(parallel) and parallel > 0
            outside = not defined or not inside(position)
            swapped = outside and key == "easting" and inside(position[::-1])
            other: Literal["feet", "metres"] | None = None
            if key == "easting" and not swapped and (outside or not inside(position, USUAL_DEG)):
                other = self.other_unit(position, inside)
                if other is None and outside:
                    # both mistakes at once
                    other = self.other_unit(position[::-1], inside)
                    swapped = other is not None
            if other is not None:
                self.faults.append(OtherUnit(name, position, crs, other, swapped))
            elif outside:
                self.faults.append(OutsideArea(name, position, crs, key, swapped))
            elif (uneven := abs(meridional / parallel - 1) * 1e6) > CONFORMAL_PPM:
                self.faults.append(NotConformal(crs, uneven))
                return
            elif (off := self.off_ellipsoid_ppm(position, meridional)) > ON_ELLIPSOID_PPM:
                self.faults.append(OnSphere(crs, off))
                return

    def remark_outside(self, place: tuple[float, float]) -> None:
        """Remark on a site that lies where its reference systems are not used."""
        longitude, latitude = (float(v) for v in longitude_latitude(self.wkt, *place))
        keys: tuple[Literal["crs", "vertical_crs"], ...] = ("crs", "vertical_crs")
        for key, system, margin in zip(
            keys, (self.horizontal, self.vertical), (USUAL_DEG, EDGE_DEG), strict=True
        ):
            area = None if system is None else system.area_of_use
            if system is None or area is None or _is_inside(area, longitude, latitude, margin):
                continue
            name = f"{short_name(system)} ({system.name})"
            self.remarks.append(OutsideUse(key, name, area.name, latitude, longitude))

    def off_ellipsoid_ppm(self, position: tuple[float, float], scale: float) -> float:
        """Return how far the scale on the map is from that between places on the ellipsoid."""
        measured = scale_by_geodesics(self.wkt, *position)
        return float(np.max(np.abs(measured / scale - 1))) * 1e6

    def other_unit(
        self,
        position: tuple[float, float],
        inside: Callable[[tuple[float, float], float], bool],
    ) -> Literal["feet", "metres"] | None:
        """Name the unit in which a place outside the area of use would lie inside it."""
        unit_m, _ = length_unit(self.horizontal)
        in_metres = unit_m == 1.0
        factor = FOOT_M if in_metres else 1 / unit_m
        easting, northing = position[0] * factor, position[1] * factor
        if not inside((easting, northing), 0.0):
            return None
        return "feet" if in_metres else "metres"

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
        if abs(float(longitude_latitude(self.wkt, *place)[1])) > AT_POLE_DEG:
            self.faults.append(NoTrueNorth())
            return None
        turn = None
        if given.reference == "magnetic":
            if given.sigma is None:
                sigma = math.radians(0.5)
            declination = self.declination(place, height)
            if declination is None:
                return None
            turn = declination[0]
            value += math.radians(turn)
            sigma = math.hypot(sigma, math.radians(declination[1]))
        grid = value - convergence
        self.remarks.append(AzimuthReduced(given.reference, given.value, turn, grid, convergence))
        return grid, sigma

    def declination(self, place: tuple[float, float], height: float) -> tuple[float, float] | None:
        """Magnetic declination and its model's standard deviation, degrees."""
        given = self.anchor.azimuth
        assert given is not None
        day = given.date or ""
        year = decimal_year(day)
        longitude, latitude = longitude_latitude(self.wkt, *place)
        ellipsoidal = height + (self.anchor.geoid_height or 0.0)
        return self.model_declination(float(latitude), float(longitude), ellipsoidal, year, day)

    def model_declination(
        self, latitude: float, longitude: float, height: float, year: float, day: str
    ) -> tuple[float, float] | None:
        """Return the declination of the magnetic model and its sigma, degrees."""
        if not WMM_FROM <= year < WMM_TO:
            self.faults.append(DayOutsideModel(day))
            return None
        declination, horizontal = magnetic_declination(latitude, longitude, height, year)
        if horizontal < 6000.0:
            self.faults.append(WeakField(horizontal))
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
        """Return a mark as a known position, with its sigma."""
        position = None
        if placed is not None:
            east, north = frame.to_local(placed)
            position = (float(east), float(north))
        sigma = mark.sigma or 0.0
        vertical = mark.sigma_elevation if mark.sigma_elevation is not None else sigma
        shifts = [(t[name][1] or 0.0) if name in t else 0.0 for t in (self.places, self.heights)]
        return Control(name, position, elevation, sigma, vertical, mark.check, *shifts)


def _alone(control: Control, shift: CommonShift) -> Control:
    """Add the accuracy of its transformation to a mark that does not share it with all others."""
    return replace(
        control,
        sigma=control.sigma if shift.sigma > 0 else math.hypot(control.sigma, control.shift),
        sigma_elevation=control.sigma_elevation
        if shift.sigma_up > 0
        else math.hypot(control.sigma_elevation, control.shift_up),
    )


def _is_inside(area: Any, longitude: float, latitude: float, margin: float) -> bool:
    east = area.east if area.east >= area.west else area.east + 360
    turned = longitude + 360 if longitude < area.west - 180 else longitude
    return bool(
        area.west - margin <= turned <= east + margin
        and area.south - margin <= latitude <= area.north + margin
    )
