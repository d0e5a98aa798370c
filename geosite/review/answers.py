"""Every question the site file asks, answered from the adjusted survey."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np

from geosite.base.errors import Finding, InputError, Problem
from geosite.base.map_frame import Frame
from geosite.fieldbook import sitefile
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.reading.second_surface import SecondSurface
from geosite.reading.toml_lines import line_of
from geosite.review.checked import Grade
from geosite.review.design_ground.asked import zones_of
from geosite.review.design_ground.compute import DesignedGround, design_ground
from geosite.review.designs import Design, design_plane, design_raster
from geosite.review.distances import Angle, Distance, Edge, angle_at, distance, outline_edges
from geosite.review.draped import triangles_of
from geosite.review.earthwork import Earthwork, earthwork
from geosite.review.falls import FallVerdict, judge_fall
from geosite.review.grades import grade_lines
from geosite.review.limits import fall_rules, limit_sets
from geosite.review.parcels import (
    Clearance,
    ParcelMap,
    Share,
    lay_on,
    no_parcel_near,
    place_parcels,
)
from geosite.review.peak_flows import PeakFlow, peak_flow_findings, peak_flows
from geosite.review.polyline import polyline
from geosite.review.quantities import TakeOff, take_off
from geosite.review.sections import Profile, profile
from geosite.review.wording import clearance_findings, fall_findings, grade_findings
from geosite.terrain.features import ground_features
from geosite.terrain.ground import Ground
from geosite.terrain.site import Terrain
from geosite.terrain.site_ground import SiteGround

__all__ = ["Answers", "answer"]

Asked = TypeVar("Asked")


@dataclass(frozen=True, eq=False)
class Answers:
    """What was asked and what came out; empty where nothing was asked.

    Parameters
    ----------
    take_off
        Quantities per feature and per code.
    distances, angles
        Between the marks that the site file names.
    edges
        Every edge of every area and line.
    grades, profiles, earthworks
        In the order of the site file.
    parcel_map, shares, clearances
        Of ``[parcels]``.
    falls
        Verdict on each building before whose walls the ground is known.
    findings
        What to look at.
    """

    take_off: TakeOff
    distances: tuple[Distance, ...] = ()
    angles: tuple[Angle, ...] = ()
    edges: tuple[Edge, ...] = ()
    grades: tuple[Grade, ...] = ()
    profiles: tuple[Profile, ...] = ()
    earthworks: tuple[Earthwork, ...] = ()
    parcel_map: ParcelMap | None = None
    shares: tuple[Share, ...] = ()
    clearances: tuple[Clearance, ...] = ()
    falls: tuple[FallVerdict, ...] = ()
    designs: tuple[DesignedGround, ...] = ()
    peak_flows: tuple[PeakFlow, ...] = ()
    findings: tuple[Finding, ...] = ()


def answer(notes: Notes, network: Network, drawing: Drawing, terrain: Terrain | None) -> Answers:
    """Take off quantities, measure distances; answer grades, sections, earthworks, parcels.

    Raises
    ------
    InputError
        A question names something that does not exist; all such problems together.
    """
    problems: list[Problem] = []
    findings: list[Finding] = []
    ground = terrain.ground if terrain is not None else None
    triangles = None if ground is None else triangles_of(ground)
    taken = take_off(notes, network, drawing, triangles)
    findings += taken.findings

    def tried(ask: Callable[[], Asked], nothing: Asked, *path: str | int) -> Asked:
        try:
            with notes.asked(*path):
                return ask()
        except InputError as error:
            problems.extend(error.problems)
            return nothing

    asked = notes.site.distances
    distances = [
        tried(partial(distance, notes, network, *pair), None, "distances", "pairs", number)
        for number, pair in enumerate(asked.pairs)
    ]
    angles = [
        tried(partial(angle_at, notes, network, *three), None, "distances", "angles", number)
        for number, three in enumerate(asked.angles)
    ]

    def graded() -> tuple[Grade, ...]:
        attached = notes.attached
        sets = limit_sets(attached.limit_tables, attached.limits_file, attached.limit_lines)
        return grade_lines(notes, network, drawing, ground, sets)

    none: tuple[Grade, ...] = ()
    grades = tried(graded, none, "grades")
    findings += grade_findings(grades)
    profiles = [
        tried(
            partial(_section, name, wanted, notes, network, drawing, ground),
            None,
            "sections",
            name,
        )
        for name, wanted in notes.site.sections.items()
    ]
    works = [
        tried(
            partial(_earthwork, name, wanted, notes, network, drawing, ground),
            None,
            "earthworks",
            name,
        )
        for name, wanted in notes.site.earthworks.items()
    ]
    designs = [
        tried(
            partial(_designed, name, wanted, notes, network, drawing, terrain),
            None,
            "designs",
            name,
        )
        for name, wanted in notes.site.designs.items()
    ]
    findings += [finding for made in designs if made is not None for finding in made.findings]
    flows: tuple[PeakFlow, ...] = ()
    if terrain is not None:
        flows = tried(partial(peak_flows, notes, drawing, terrain), flows, "drainage")
        findings += peak_flow_findings(flows, notes)
    if notes.site.drainage.flow_paths_from:
        drop = partial(_needs_ground, "the path of a drop", ground, notes)
        tried(drop, None, "drainage", "flow_paths_from")
    parcel_map: ParcelMap | None = None
    shares: tuple[Share, ...] = ()
    clearances: tuple[Clearance, ...] = ()
    layer, table = notes.attached.parcels, notes.site.parcels
    if layer is not None and table is not None:
        parcel_map = tried(
            partial(place_parcels, layer, table, network.frame, notes.site_file),
            None,
            "parcels",
            "file",
        )
    if problems:
        raise InputError(dict.fromkeys(problems))
    if parcel_map is not None:
        shares, clearances = lay_on(drawing, network, parcel_map)
        if drawing.features and not clearances:
            line = line_of(notes.site_lines, ("parcels", "file"))
            away = no_parcel_near(parcel_map, drawing, network)
            findings.append(Finding("look", "parcels-away", away, notes.site_file, line))
        findings += parcel_map.findings
        findings += clearance_findings(clearances)
    falls = () if terrain is None else _falls(notes, drawing, terrain)
    findings += fall_findings(falls, network.frame)
    return Answers(
        taken,
        tuple(d for d in distances if d is not None),
        tuple(a for a in angles if a is not None),
        outline_edges(network, drawing),
        grades,
        tuple(p for p in profiles if p is not None),
        tuple(w for w in works if w is not None),
        parcel_map,
        shares,
        clearances,
        falls,
        tuple(made for made in designs if made is not None),
        flows,
        tuple(findings),
    )


def _falls(notes: Notes, drawing: Drawing, terrain: Terrain) -> tuple[FallVerdict, ...]:
    codes = {f.name: f.code for f in drawing.features}
    rules, found = fall_rules(), []
    for one in terrain.water.falls:
        code = notes.site.codes.get(codes.get(one.fall.name, ""))
        rule = rules["dwelling" if code is not None and code.dwelling else "building"]
        found.append(judge_fall(one, rule, terrain.ground, terrain.local))
    return tuple(found)


def _needs_ground(what: str, ground: Ground | None, notes: Notes) -> Ground:
    if ground is None:
        raise InputError(
            Problem(
                "no-surface",
                f"{what} needs the ground between the marks",
                "three or more marks on the ground that are not on one line",
                "measure more marks or take it out of the site file",
                notes.site_file,
            )
        )
    return ground


def _designed(
    name: str,
    wanted: sitefile.Design,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
) -> DesignedGround:
    _needs_ground(f"design {name}", None if terrain is None else terrain.ground, notes)
    assert terrain is not None
    site = SiteGround(
        notes=notes,
        network=network,
        features=ground_features(notes, drawing),
        grid=terrain.grid,
        local=terrain.local,
        rows=terrain.rows,
        surface=terrain.surface,
        ground=terrain.ground,
        slope=terrain.slope,
        buildings=terrain.buildings,
    )
    zones = zones_of(name, wanted, notes, network, drawing)
    return design_ground(name, wanted.title, zones, wanted.side_slope, site, terrain.water)


def _section(
    name: str,
    wanted: sitefile.Section,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
) -> Profile:
    under = _needs_ground(f"section {name}", ground, notes)
    line = polyline(name, notes, network, drawing, feature=wanted.feature, marks=wanted.marks)
    return profile(line, network, under, wanted)


def _earthwork(
    name: str,
    wanted: sitefile.Earthwork,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
) -> Earthwork:
    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(
            Problem(code, f"earthwork {name}: {what}", expected, remedy, notes.site_file)
        )

    under = _needs_ground(f"earthwork {name}", ground, notes)
    areas = {f.name: f for f in drawing.features if f.kind == "area"}
    if wanted.feature not in areas:
        raise refuse(
            "earthwork-no-area",
            f"there is no area {wanted.feature}",
            f"one of {', '.join(areas) or 'none'}",
            "correct the name",
        )
    feature = areas[wanted.feature]
    second = notes.attached.surfaces.get(name)
    if (second is None) == (wanted.design_elevation is None):
        raise refuse(
            "earthwork-design",
            "it has both a plane and a surface" if second else "it has neither plane nor surface",
            "either design_elevation or surface",
            "give one of them",
        )
    frame = network.frame
    if second is not None:
        design = _surface(second, frame, refuse)
    else:
        assert wanted.design_elevation is not None
        through = (feature.geometry.centroid.x, feature.geometry.centroid.y)
        if wanted.through is not None:
            book = notes.book
            if wanted.through not in book.marks:
                raise refuse(
                    "earthwork-no-mark",
                    f"mark {wanted.through} is not in the field book",
                    "the name of a mark",
                    "correct the name",
                )
            row = int(np.flatnonzero(book.mark == book.marks.index(wanted.through))[0])
            through = (float(network.en[row, 0]), float(network.en[row, 1]))
        design = design_plane(
            through,
            wanted.design_elevation * frame.height_unit_m,
            wanted.fall_percent,
            wanted.fall_azimuth,
            frame.combined_factor,
        )
    return earthwork(name, feature, under, design, interval=wanted.interval)


def _surface(
    second: SecondSurface, frame: Frame, refuse: Callable[[str, str, str, str], InputError]
) -> Design:
    from pyproj import CRS

    source = CRS.from_wkt(second.crs_wkt)
    flat = source.sub_crs_list[0] if source.is_compound else source
    if not flat.equals(CRS.from_wkt(frame.crs_wkt), ignore_axis_order=True):
        raise refuse(
            "surface-crs",
            f"the second surface {second.file} is in {flat.name}",
            f"a raster in {frame.crs_name}",
            "warp it to the map's CRS first",
        )
    return design_raster(second, frame)
