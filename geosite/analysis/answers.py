"""Every question the site file asks, answered from the adjusted survey."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from msgspec.structs import replace as replace_fields

from geosite.analysis.design_ground.wording import design_clearance_findings
from geosite.analysis.distances import Angle, Distance, Edge, angle_at, distance, outline_edges
from geosite.analysis.kerbs import KerbUpstand, kerb_upstands
from geosite.analysis.limits import limit_sets, local_fall_rules
from geosite.analysis.peak_flows import PeakFlow, peak_flow_findings, peak_flows
from geosite.analysis.stated_elevations import far_elevations
from geosite.analysis.takeoff.draped import triangles_of
from geosite.analysis.takeoff.quantities import TakeOff, take_off
from geosite.analysis.takeoff.walked_twice import lines_beside
from geosite.analysis.takeoff.whole_cost import WholeCost, whole_cost
from geosite.analysis.where_limits_hold import default_limit_findings
from geosite.analysis.wording import (
    beside_findings,
    clearance_findings,
    estimate_findings,
    fall_findings,
    grade_findings,
    price_findings,
    replaced_findings,
    take_off_findings,
)
from geosite.base.errors import Finding, InputError, Problem
from geosite.base.shared_work import aside
from geosite.reading.toml_lines import line_of

if TYPE_CHECKING:
    from geosite.analysis.access.grade_checks import Grade
    from geosite.analysis.design_ground.model import DesignedGround
    from geosite.analysis.design_ground.parcel_lines import DesignClearance
    from geosite.analysis.falls import FallVerdict
    from geosite.analysis.parcels import Clearance, ParcelMap, Share
    from geosite.analysis.sections import Profile
    from geosite.analysis.takeoff.alternatives import Choice
    from geosite.analysis.takeoff.design_prices import DesignEstimate
    from geosite.analysis.takeoff.designed import DesignPart
    from geosite.analysis.takeoff.prices import Valuation
    from geosite.analysis.volumes.earthwork import Earthwork
    from geosite.fieldbook import sitefile
    from geosite.fieldbook.model import Notes
    from geosite.linework.model import Drawing
    from geosite.network.model import Network
    from geosite.terrain.site import Terrain
    from geosite.terrain.uncertainty.ground import Ground

__all__ = ["Answers", "answer"]

_MOST_SENT = 500_000
"""Cells up to which what designs make of them comes from a copy of this process."""

Answered = TypeVar("Answered")
Requested = TypeVar("Requested")
Basis = TypeVar("Basis")


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
    design_clearances
        Of every design on a parcel.
    alternatives
        Order and cost for every choice among designs of which only one is built; `take_off` and
        `prices` are without what these replace.
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
    design_clearances: tuple[DesignClearance, ...] = ()
    alternatives: tuple[Choice, ...] = ()
    peak_flows: tuple[PeakFlow, ...] = ()
    kerbs: tuple[KerbUpstand, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def cost(self) -> WholeCost | None:
        """Take-off and designs together; ``None`` where nothing has a price.

        Nor where only one of several designs is built: each of `alternatives` has a cost then.
        """
        if self.alternatives:
            return None
        return whole_cost(self.prices, self.design_estimates)


def answer(notes: Notes, network: Network, drawing: Drawing, terrain: Terrain | None) -> Answers:
    """Take off quantities, measure distances; answer grades, sections, earthworks, parcels.

    Raises
    ------
    InputError
        A question names something that does not exist; all such problems together.
    """
    ground = None if terrain is None else terrain.ground
    whole = take_off(notes, network, drawing, None if ground is None else triangles_of(ground))
    requests = _Requests(notes, network, drawing, terrain)
    distances, angles = requests.between_marks()
    grades = requests.attempt(requests.grades, "grades") or ()
    profiles = requests.each(_section, notes.site.sections, "sections", ground)
    # designs take longest: a copy of this process builds them, of the same grounds as the sections
    with _designs(replace(requests, problems=[])) as built:
        works = requests.each(_earthwork, notes.site.earthworks, "earthworks", ground)
        after = replace(requests, problems=[])
        flows = after.attempt(after.peak_flows, "drainage") or ()
        after.attempt(after.flow_paths, "drainage", "flow_paths_from")
        parcel_map = after.attempt(after.parcels, "parcels", "file")
        falls = () if terrain is None else _falls(notes, drawing, terrain)
        made, wrong = built()
    requests.problems.extend([*wrong, *after.problems])
    designs, parts = tuple(one for one, _ in made), tuple(p for _, some in made for p in some)
    certain = [part for part in parts if not notes.site.designs[part.design].alternative_for]
    quantities = requests.without_replaced(whole, certain)
    prices = requests.attempt(partial(requests.prices, quantities, parts), "prices", "codes")
    estimates = requests.attempt(partial(requests.estimates, made), "prices") or ()
    choose = partial(requests.alternatives, whole, parts, estimates)
    alternatives, told = requests.attempt(choose, "designs") or ((), ())
    if requests.problems:
        raise InputError(dict.fromkeys(requests.problems))
    shares, clearances = requests.overlaid(parcel_map)
    near = requests.design_clearances(designs, parcel_map)
    findings = (
        *far_elevations(notes, network),
        *take_off_findings(quantities),
        *beside_findings(
            lines_beside(drawing.features, quantities.features, network.frame.combined_factor)
        ),
        *grade_findings(grades),
        *(finding for one in designs for finding in one.findings),
        *told,
        *replaced_findings(quantities),
        *design_clearance_findings(near, network.frame),
        *estimate_findings(estimates, requests.bare(designs, estimates)),
        *(() if terrain is None else peak_flow_findings(flows, notes)),
        *(() if prices is None else price_findings(prices)),
        *(() if parcel_map is None else _of_parcels(requests, parcel_map, clearances)),
        *fall_findings(falls, network.frame),
        *default_limit_findings(grades, falls, network.frame),
    )
    return Answers(
        take_off=quantities,
        distances=distances,
        angles=angles,
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
        design_clearances=near,
        alternatives=alternatives,
        peak_flows=flows,
        kerbs=kerb_upstands(drawing, network, notes.book, notes.site.codes),
        findings=findings,
    )


_Built = tuple[tuple[tuple["DesignedGround", tuple["DesignPart", ...]], ...], list[Problem]]


def _designs(requests: _Requests) -> AbstractContextManager[Callable[[], _Built]]:
    """Build the designs while the body of the ``with`` does other work."""
    asked, terrain = requests.notes.site.designs, requests.terrain

    def build() -> _Built:
        return requests.each(_designed, asked, "designs", terrain), requests.problems

    if not asked or terrain is None or terrain.elevation.size > _MOST_SENT:
        return nullcontext(build)
    return aside(build)


def _known(found: Iterable[Answered | None]) -> tuple[Answered, ...]:
    return tuple(one for one in found if one is not None)


@dataclass(frozen=True, eq=False)
class _Requests:
    """A survey that is asked one thing after the other; what is wrong is kept for the end."""

    notes: Notes
    network: Network
    drawing: Drawing
    terrain: Terrain | None
    problems: list[Problem] = field(default_factory=list)

    def attempt(self, compute: Callable[[], Answered], *path: str | int) -> Answered | None:
        """Return the answer to a question of the site file, None where something is wrong."""
        try:
            with self.notes.asked(*path):
                return compute()
        except InputError as error:
            self.problems.extend(error.problems)
            return None

    def each(
        self,
        compute: Callable[[str, Requested, Notes, Network, Drawing, Basis], Answered],
        requested: Mapping[str, Requested],
        table: str,
        basis: Basis,
    ) -> tuple[Answered, ...]:
        """Return the answers to every table of one kind."""
        return _known(
            self.attempt(
                partial(compute, name, one, self.notes, self.network, self.drawing, basis),
                table,
                name,
            )
            for name, one in requested.items()
        )

    def between_marks(self) -> tuple[tuple[Distance, ...], tuple[Angle, ...]]:
        """Measure distances and angles between marks."""
        asked, book = self.notes.site.distances, self.notes.book
        distances = [
            self.attempt(partial(distance, book, self.network, *pair), "distances", "pairs", number)
            for number, pair in enumerate(asked.pairs)
        ]
        angles = [
            self.attempt(
                partial(angle_at, book, self.network, *trio), "distances", "angles", number
            )
            for number, trio in enumerate(asked.angles)
        ]
        return _known(distances), _known(angles)

    def without_replaced(self, taken: TakeOff, parts: Sequence[DesignPart]) -> TakeOff:
        """Take off the order what designs lay something else on."""
        if not parts:
            return taken
        from geosite.analysis.takeoff.replaced import without_replaced

        return without_replaced(taken, self.drawing, self.network, parts, self.notes.site.codes)

    def grades(self) -> tuple[Grade, ...]:
        """Check the lines of ``[grades.lines]``."""
        attached = self.notes.attached
        sets = limit_sets(attached.limit_tables, attached.limits_file, attached.limit_lines)
        if not self.notes.site.grades.lines:
            return ()
        # what only grades need is not loaded for a site without any
        from geosite.analysis.access.grades import grade_lines

        ground = None if self.terrain is None else self.terrain.ground
        return grade_lines(self.notes, self.network, self.drawing, ground, sets)

    def peak_flows(self) -> tuple[PeakFlow, ...]:
        """Return what runs to inlets and outlets in a storm."""
        return () if self.terrain is None else peak_flows(self.notes, self.drawing, self.terrain)

    def flow_paths(self) -> None:
        """Refuse the paths of drops where there is no ground to run over."""
        if self.notes.site.drainage.flow_paths_from:
            ground = None if self.terrain is None else self.terrain.ground
            _needs_ground("the path of a drop", ground, self.notes)

    def parcels(self) -> ParcelMap | None:
        """Bring the parcel map onto the frame of the survey."""
        layer, table = self.notes.attached.parcels, self.notes.site.parcels
        if layer is None or table is None:
            return None
        # what only parcels need is not loaded for a site without any
        from geosite.analysis.parcels import place_parcels

        return place_parcels(layer, table, self.network.frame, self.notes.site_file)

    def overlaid(
        self, parcel_map: ParcelMap | None
    ) -> tuple[tuple[Share, ...], tuple[Clearance, ...]]:
        """Return how much of each feature lies on which parcel, and how near it comes to lines."""
        if parcel_map is None:
            return (), ()
        from geosite.analysis.parcels import overlay_parcels

        return overlay_parcels(self.drawing, self.network, parcel_map)

    def prices(self, taken: TakeOff, parts: Sequence[DesignPart]) -> Valuation | None:
        """Price the take-off: what was measured, not what designs alone will have."""
        site = self.notes.site
        later = {p.quantity.code for p in parts} - {q.code for q in taken.codes}
        known = {code: price for code, price in site.prices.codes.items() if code not in later}
        if not known:
            return None
        from geosite.analysis.takeoff.prices import valuation

        asked = replace_fields(site.prices, codes=known)
        return valuation(taken.codes, asked, site.codes, self.network, self.notes.site_file)

    def estimates(
        self, made: Sequence[tuple[DesignedGround, tuple[DesignPart, ...]]]
    ) -> tuple[DesignEstimate, ...]:
        """Price the designs."""
        if not made:
            return ()
        from geosite.analysis.takeoff.design_prices import design_estimate

        site = self.notes.site
        return _known(
            design_estimate(
                design, parts, site.prices, site.codes, self.network, self.notes.site_file
            )
            for design, parts in made
        )

    def alternatives(
        self, whole: TakeOff, parts: Sequence[DesignPart], estimates: Sequence[DesignEstimate]
    ) -> tuple[tuple[Choice, ...], tuple[Finding, ...]]:
        """Return order and cost for every choice among alternatives, and what is said of them."""
        asked = self.notes.site.designs
        if len(asked) < 2 and not any(one.alternative_for for one in asked.values()):
            return (), ()
        from geosite.analysis.takeoff import alternatives

        found = alternatives.each_choice(
            asked,
            parts,
            estimates,
            partial(self.without_replaced, whole),
            partial(self.prices, parts=parts),
            self.notes.site_file,
        )
        said = (
            *alternatives.alternative_findings(asked),
            *alternatives.overlap_findings(asked, parts),
        )
        return tuple(found), said

    def design_clearances(
        self, designs: Sequence[DesignedGround], parcel_map: ParcelMap | None
    ) -> tuple[DesignClearance, ...]:
        """Return how near designs come to parcel lines."""
        if not designs or parcel_map is None or self.terrain is None:
            return ()
        from geosite.analysis.design_ground.parcel_lines import design_clearances

        asked, ground = self.notes.site.designs, self.terrain.ground
        return tuple(
            near
            for one in designs
            for near in design_clearances(
                one,
                asked[one.name].side_slope,
                parcel_map,
                self.network,
                ground,
                self.terrain.local.cell_size,
            )
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
    requests: _Requests, parcel_map: ParcelMap, clearances: Sequence[Clearance]
) -> Iterator[Finding]:
    from geosite.analysis.parcels import no_parcel_near

    notes, drawing = requests.notes, requests.drawing
    if drawing.features and not clearances:
        line = line_of(notes.site_lines, ("parcels", "file"))
        away = no_parcel_near(parcel_map, drawing, requests.network)
        yield Finding("look", "parcels-away", away, notes.site_file, line)
    yield from parcel_map.findings
    yield from clearance_findings(clearances, requests.network.frame)


def _falls(notes: Notes, drawing: Drawing, terrain: Terrain) -> tuple[FallVerdict, ...]:
    codes = {f.name: f.code for f in drawing.features}
    rules, found = local_fall_rules(notes.site.drainage), []
    if not terrain.water.falls:
        return ()
    from geosite.analysis.falls import judge_fall

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
    requested: sitefile.Design,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
) -> tuple[DesignedGround, tuple[DesignPart, ...]]:
    # what only designs need is not loaded for a site without one
    from geosite.analysis.designs import designed

    _needs_ground(f"design {name}", None if terrain is None else terrain.ground, notes)
    assert terrain is not None
    return designed(name, requested, notes, network, drawing, terrain)


def _section(
    name: str,
    requested: sitefile.Section,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
) -> Profile:
    # what only sections need is not loaded for a site without one, nor what only earthworks need
    from geosite.analysis.sections import profile
    from geosite.analysis.walked_line import polyline

    basis = _needs_ground(f"section {name}", ground, notes)
    line = polyline(name, notes, network, drawing, feature=requested.feature, marks=requested.marks)
    return profile(line, network, basis, requested, notes.book.unit_m)


def _earthwork(
    name: str,
    requested: sitefile.Earthwork,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
) -> Earthwork:
    from geosite.analysis.volumes.requested import requested_earthwork

    basis = _needs_ground(f"earthwork {name}", ground, notes)
    return requested_earthwork(name, requested, notes, network, drawing, basis)
