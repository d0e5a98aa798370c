"""Every question the site file asks, answered from the adjusted survey."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

import numpy as np
from msgspec.structs import replace as replace_fields

from geosite.analysis.access.grade_checks import Grade
from geosite.analysis.access.grades import grade_lines
from geosite.analysis.design_ground.compute import design_ground
from geosite.analysis.design_ground.model import BuiltUp, DesignedGround
from geosite.analysis.design_ground.requested import edges_of, zones_of
from geosite.analysis.distances import Angle, Distance, Edge, angle_at, distance, outline_edges
from geosite.analysis.falls import FallVerdict, judge_fall
from geosite.analysis.limits import fall_rules, limit_sets
from geosite.analysis.parcels import (
    Clearance,
    ParcelMap,
    Share,
    lay_on,
    no_parcel_near,
    place_parcels,
)
from geosite.analysis.peak_flows import PeakFlow, peak_flow_findings, peak_flows
from geosite.analysis.sections import Profile, profile
from geosite.analysis.takeoff.design_prices import (
    DesignEstimate,
    design_estimate,
)
from geosite.analysis.takeoff.designed import DesignPart, design_parts, zone_depths
from geosite.analysis.takeoff.draped import triangles_of
from geosite.analysis.takeoff.prices import Valuation, valuation
from geosite.analysis.takeoff.quantities import TakeOff, take_off
from geosite.analysis.takeoff.walked_twice import lines_beside
from geosite.analysis.volumes.design_surfaces import Design, design_plane, design_raster
from geosite.analysis.volumes.earthwork import Earthwork, earthwork
from geosite.analysis.walked_line import polyline
from geosite.analysis.wording import (
    beside_findings,
    clearance_findings,
    estimate_findings,
    fall_findings,
    grade_findings,
    price_findings,
    take_off_findings,
)
from geosite.base.errors import Finding, InputError, Problem
from geosite.base.map_frame import Frame, name_unless_same_map
from geosite.fieldbook import sitefile
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.reading.second_surface import SecondSurface
from geosite.reading.toml_lines import line_of
from geosite.terrain.features import ground_features
from geosite.terrain.site import Terrain
from geosite.terrain.site_ground import SiteGround
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["Answers", "answer"]

Asked = TypeVar("Asked")
Wanted = TypeVar("Wanted")
Under = TypeVar("Under")


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
    prices
        The take-off priced; ``None`` where nothing of it has a price.
    designs
        Grounds that are to be built.
    design_parts
        Of all designs: those with a code.
    design_estimates
        Of every design that has a price.
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
    prices: Valuation | None = None
    designs: tuple[DesignedGround, ...] = ()
    design_parts: tuple[DesignPart, ...] = ()
    design_estimates: tuple[DesignEstimate, ...] = ()
    peak_flows: tuple[PeakFlow, ...] = ()
    findings: tuple[Finding, ...] = ()


def answer(notes: Notes, network: Network, drawing: Drawing, terrain: Terrain | None) -> Answers:
    """Take off quantities, measure distances; answer grades, sections, earthworks, parcels.

    Raises
    ------
    InputError
        A question names something that does not exist; all such problems together.
    """
    ground = terrain.ground if terrain is not None else None
    taken = take_off(notes, network, drawing, None if ground is None else triangles_of(ground))
    asking = _Asking(notes, network, drawing, terrain)
    pairs, threes = notes.site.distances.pairs, notes.site.distances.angles
    distances = [
        asking.tried(partial(distance, notes.book, network, *pair), "distances", "pairs", number)
        for number, pair in enumerate(pairs)
    ]
    angles = [
        asking.tried(partial(angle_at, notes.book, network, *three), "distances", "angles", number)
        for number, three in enumerate(threes)
    ]
    grades = asking.tried(asking.grades, "grades") or ()
    profiles = asking.each(_section, notes.site.sections, "sections", ground)
    works = asking.each(_earthwork, notes.site.earthworks, "earthworks", ground)
    made = asking.each(_designed, notes.site.designs, "designs", terrain)
    designs, parts = tuple(one for one, _ in made), tuple(p for _, some in made for p in some)
    flows: tuple[PeakFlow, ...] = ()
    if terrain is not None:
        flows = asking.tried(partial(peak_flows, notes, drawing, terrain), "drainage") or ()
    if notes.site.drainage.flow_paths_from:
        drop = partial(_needs_ground, "the path of a drop", ground, notes)
        asking.tried(drop, "drainage", "flow_paths_from")
    parcel_map = asking.tried(asking.parcels, "parcels", "file")
    prices = asking.tried(partial(asking.prices, taken, parts), "prices", "codes")
    estimates = asking.tried(partial(asking.estimates, made), "prices") or ()
    if asking.problems:
        raise InputError(dict.fromkeys(asking.problems))
    shares, clearances = ((), ()) if parcel_map is None else lay_on(drawing, network, parcel_map)
    falls = () if terrain is None else _falls(notes, drawing, terrain)
    findings = (
        *take_off_findings(taken),
        *beside_findings(
            lines_beside(drawing.features, taken.features, network.frame.combined_factor)
        ),
        *grade_findings(grades),
        *(finding for one in designs for finding in one.findings),
        *estimate_findings(estimates, asking.bare(designs, estimates)),
        *(() if terrain is None else peak_flow_findings(flows, notes)),
        *(() if prices is None else price_findings(prices)),
        *(() if parcel_map is None else _of_parcels(asking, parcel_map, clearances)),
        *fall_findings(falls, network.frame),
    )
    return Answers(
        take_off=taken,
        distances=_known(distances),
        angles=_known(angles),
        edges=outline_edges(network, drawing),
        grades=grades,
        profiles=profiles,
        earthworks=works,
        parcel_map=parcel_map,
        shares=shares,
        clearances=clearances,
        falls=falls,
        prices=prices,
        designs=designs,
        design_parts=parts,
        design_estimates=estimates,
        peak_flows=flows,
        findings=findings,
    )


def _known(found: Iterable[Asked | None]) -> tuple[Asked, ...]:
    return tuple(one for one in found if one is not None)


@dataclass(frozen=True, eq=False)
class _Asking:
    """A survey that is asked one thing after the other; what is wrong is kept for the end."""

    notes: Notes
    network: Network
    drawing: Drawing
    terrain: Terrain | None
    problems: list[Problem] = field(default_factory=list)

    def tried(self, ask: Callable[[], Asked], *path: str | int) -> Asked | None:
        """Return the answer to a question of the site file, None where something is wrong."""
        try:
            with self.notes.asked(*path):
                return ask()
        except InputError as error:
            self.problems.extend(error.problems)
            return None

    def each(
        self,
        ask: Callable[[str, Wanted, Notes, Network, Drawing, Under], Asked],
        wanted: Mapping[str, Wanted],
        table: str,
        under: Under,
    ) -> tuple[Asked, ...]:
        """Return the answers to every table of one kind."""
        return _known(
            self.tried(
                partial(ask, name, one, self.notes, self.network, self.drawing, under), table, name
            )
            for name, one in wanted.items()
        )

    def grades(self) -> tuple[Grade, ...]:
        """Check the lines of ``[grades.lines]``."""
        attached = self.notes.attached
        sets = limit_sets(attached.limit_tables, attached.limits_file, attached.limit_lines)
        ground = None if self.terrain is None else self.terrain.ground
        return grade_lines(self.notes, self.network, self.drawing, ground, sets)

    def parcels(self) -> ParcelMap | None:
        """Bring the parcel map onto the frame of the survey."""
        layer, table = self.notes.attached.parcels, self.notes.site.parcels
        if layer is None or table is None:
            return None
        return place_parcels(layer, table, self.network.frame, self.notes.site_file)

    def prices(self, taken: TakeOff, parts: Sequence[DesignPart]) -> Valuation | None:
        """Price the take-off: what was measured, not what designs alone will have."""
        site = self.notes.site
        measured = {q.code for q in taken.codes}
        later = {p.quantity.code for p in parts} - measured
        known = {code: price for code, price in site.prices.codes.items() if code not in later}
        if not known:
            return None
        asked = replace_fields(site.prices, codes=known)
        return valuation(taken.codes, asked, site.codes, self.network, self.notes.site_file)

    def estimates(
        self, made: Sequence[tuple[DesignedGround, tuple[DesignPart, ...]]]
    ) -> tuple[DesignEstimate, ...]:
        """Price the designs."""
        site = self.notes.site
        return _known(
            design_estimate(
                design, parts, site.prices, site.codes, self.network, self.notes.site_file
            )
            for design, parts in made
        )

    def bare(
        self, designs: Sequence[DesignedGround], estimates: Sequence[DesignEstimate]
    ) -> list[str]:
        """Return the designs without a price, where anything has one."""
        prices, priced = self.notes.site.prices, {one.design for one in estimates}
        if not prices.codes and prices.cut is None and prices.fill is None:
            return []
        return [one.name for one in designs if one.name not in priced]


def _of_parcels(
    asking: _Asking, parcel_map: ParcelMap, clearances: Sequence[Clearance]
) -> Iterator[Finding]:
    notes, drawing = asking.notes, asking.drawing
    if drawing.features and not clearances:
        line = line_of(notes.site_lines, ("parcels", "file"))
        away = no_parcel_near(parcel_map, drawing, asking.network)
        yield Finding("look", "parcels-away", away, notes.site_file, line)
    yield from parcel_map.findings
    yield from clearance_findings(clearances)


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
) -> tuple[DesignedGround, tuple[DesignPart, ...]]:
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
    edges = edges_of(name, wanted, notes, network)
    followed = {strip.line for strip in wanted.strips.values()}
    loose = tuple(e for one, e in edges.items() if not e.closed and one not in followed)
    built_up = BuiltUp(zone_depths(wanted, edges, notes.site.codes), loose)
    parts = design_parts(name, wanted, zones, edges, notes, network, drawing)
    made = design_ground(
        name, wanted.title, zones, wanted.side_slope, site, terrain.water, built_up
    )
    return made, parts


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
    return profile(line, network, under, wanted, notes.book.unit_m)


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
    other = name_unless_same_map(second.crs_wkt, frame.crs_wkt)
    if other is not None:
        raise refuse(
            "surface-crs",
            f"the second surface {second.file} is in {other}",
            f"a raster in {frame.crs_name}",
            "warp it to the map's CRS first",
        )
    return design_raster(second, frame)
