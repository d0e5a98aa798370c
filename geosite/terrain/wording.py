"""The findings of the terrain room in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from geosite.base.errors import Finding
from geosite.base.estimate import Estimate
from geosite.base.exact_numbers import Words, fixed, kept
from geosite.base.map_frame import Frame
from geosite.base.rounding import place_words, places_told, signed
from geosite.fieldbook.model import Notes
from geosite.reading.toml_lines import line_of
from geosite.terrain.contour_wording import contour_findings, no_contours
from geosite.terrain.site_ground import SiteGround
from geosite.terrain.site_water import Water
from geosite.terrain.surface.model import SCORED_AT_LEAST, Surface
from geosite.terrain.water.water_estimates import PavingEstimate, PondEstimate

__all__ = [
    "end_words",
    "ground_not_tried",
    "interval_words",
    "paving_findings",
    "pond_findings",
    "roughness_findings",
    "signed_words",
    "surface_findings",
    "terrain_findings",
]


_NAMED = 20
"""So many points that stand out are named."""

_RIM_SEEN_M = 1.0
"""A mark this near to where a pond spills has seen its rim: common practice, no source."""

LITRES = 3
"""Decimals of a cubic metre: nothing on a yard is told in less than a litre."""

_PATCH_M2 = 1.0
"""Every crest has flat places; a smaller one is only a note."""


def interval_words(estimate: Estimate, most: int, unit: str) -> Words:
    """Return a number with its 95 % interval as it is said in a sentence.

    No digit more than the interval bears; a small volume is told to the litre where it is known so
    well, for who works in yards reads the sentence with its measures turned.

    Parameters
    ----------
    estimate
    most
        Decimals where nothing is known of it; of anything but a volume no more than these.
    unit

    Examples
    --------
    >>> interval_words(Estimate(0.35, 0.05, 2.1), 2, "m3")
    '0.3 m3 (0.1 to 2.1)'
    >>> interval_words(Estimate(0.1493, 0.1211, 0.1822), 1, "m3")
    '0.15 m3 (0.12 to 0.18)'
    >>> interval_words(Estimate(0.35, float("-inf"), float("inf")), 2, "m3")
    '0.35 m3'
    >>> interval_words(Estimate(142.9, 21.8, 142.9), 1, "m2")
    '143 m2 (22 to 143: at the upper end of what is possible)'
    """
    places = _places(estimate, most, unit)
    value = f"{estimate.value:.{places}f} {unit}".rstrip()
    if not (math.isfinite(estimate.low) and math.isfinite(estimate.high)):
        return kept(value, estimate.value)
    ends = f"{estimate.low:.{places}f} to {estimate.high:.{places}f}"
    words = f"{value} ({ends}{end_words(estimate)})"
    return kept(words, estimate.value, estimate.low, estimate.high)


def signed_words(estimate: Estimate, most: int, unit: str) -> Words:
    """Return a difference with its 95 % interval and their signs, with as many digits.

    Examples
    --------
    >>> signed_words(Estimate(0.35, -0.05, 2.1), 2, "m3")
    '+0.3 m3 (-0.1 to +2.1)'
    """
    places = _places(estimate, most, unit)
    value, low, high = (signed(x, places) for x in (estimate.value, estimate.low, estimate.high))
    return kept(f"{value} {unit} ({low} to {high})", estimate.value, estimate.low, estimate.high)


def _places(estimate: Estimate, most: int, unit: str) -> int:
    return places_told(estimate.low, estimate.high, LITRES if unit == "m3" else most, most)


def end_words(estimate: Estimate) -> str:
    """Return what stands behind the interval of a number that lies at one of its ends.

    Examples
    --------
    >>> end_words(Estimate(2.0, 2.0, 9.0)), end_words(Estimate(5.0, 2.0, 9.0))
    (': at the lower end of what is possible', '')
    """
    return f": at the {estimate.at_end} end of what is possible" if estimate.at_end else ""


def terrain_findings(
    site: SiteGround, water: Water, interval: float, usual_sigma: float, contours: int
) -> tuple[Finding, ...]:
    """Return the findings about the ground and the drainage of a site.

    Parameters
    ----------
    site, water
    interval
        Contour interval, elevation units.
    usual_sigma
        Usual standard deviation of an elevation against its surroundings, metres.
    contours
        How many there are.
    """
    unit_m = site.frame.height_unit_m
    return (
        *surface_findings(site.surface, site.names(), site.unit, scale=1 / unit_m),
        *roughness_findings(site.ground.roughness.departures),
        *_draws_findings(site, water),
        *_lost_paths(site.notes, water),
        *_dry_inlets(site.notes, water),
        *_unseen_buildings(site.notes, water),
        *paving_findings(water.paving, site.frame),
        *pond_findings(water.ponds, site.place),
        *contour_findings(interval, usual_sigma / unit_m, site.unit),
        *(() if contours else no_contours(site)),
    )


# ------------------------------------------------------------------------------------------ surface


def surface_findings(
    surface: Surface,
    names: Sequence[str] | None = None,
    unit: str = "",
    *,
    coincident: float = 0.001,
    scale: float = 1.0,
) -> tuple[Finding, ...]:
    """Return what does not fit among the marks, and how the surface was made.

    Parameters
    ----------
    surface
    names
        Of the points that were given to it; without them they are numbered.
    unit, scale
        Symbol of the unit of heights in the text, and how many of it one unit of the surface has.
    coincident
        Breaklines whose elevations differ by less where they cross are not mentioned.

    Examples
    --------
    Two readings of one place that differ by half a metre:

    >>> from geosite.base.grid import Grid
    >>> from geosite.terrain.surface.model import elevation_surface
    >>> marks = [(0, 0, 1.0), (0, 0, 1.5), (4, 0, 1.0), (0, 4, 1.0)]
    >>> (found,) = surface_findings(elevation_surface(marks, Grid(0.0, 4.0, 1.0, 4, 4)), unit="m")
    >>> found.code, found.text[:40]
    ('coincident-marks', 'point 1 and point 2 are at the same plac')
    """

    def point(row: int) -> str:
        name = "" if names is None else names[row]
        return f"mark {name}" if name else f"point {row + 1}"

    def height(value: float) -> str:
        return f"{value * scale:.3f} {unit}".rstrip()

    found = [*_coincident(surface, point, height)]
    if surface.tin.crossing_gap > coincident:
        found.append(
            Finding(
                "look",
                "breaklines-cross",
                "breaklines cross whose elevations differ by up to "
                f"{height(surface.tin.crossing_gap)} there; the mean is used",
            )
        )
    found += _outliers(surface, point, height)
    if surface.is_chosen:
        found.append(_chosen(surface, height))
    if len(surface.tin.edges) and surface.method != "tin":
        found.append(
            Finding(
                "look",
                "breaklines-unused",
                f"the method {surface.method} knows no breaklines: the surface is smooth across "
                "them; use tin to keep the edges",
            )
        )
    return tuple(found)


_Point = Callable[[int], str]
_Height = Callable[[float], str]


def _coincident(surface: Surface, point: _Point, height: _Height) -> Iterable[Finding]:
    for one in surface.coincident:
        is_sure = one.sigma is not None and one.gap <= 3 * one.sigma
        mean = "mean" if one.sigma is None else "weighted mean"
        yield Finding(
            "note" if is_sure else "look",
            "coincident-marks",
            f"{point(one.low)} and {point(one.high)} are at the same place with elevations that "
            f"differ by {height(one.gap)}; the surface takes their {mean}, {height(one.elevation)}",
        )


def _outliers(surface: Surface, point: _Point, height: _Height) -> Iterable[Finding]:
    for one in surface.outliers[:_NAMED]:
        beyond = "where all else is even"
        if math.isfinite(one.times):
            beyond = f"{one.times:.0f} times what is usual here"
        yield Finding(
            "look",
            "outlier",
            f"{point(one.point)} is {height(abs(one.above))} "
            f"{'above' if one.above > 0 else 'below'} the plane through its neighbours, {beyond}; "
            "it is kept: look at the notes, exclude it if it is wrong",
        )
    more = len(surface.outliers) - _NAMED
    if more > 0:
        yield Finding(
            "look",
            "outlier",
            f"{more} more mark{'s stand' if more > 1 else ' stands'} out like these",
        )


def _chosen(surface: Surface, height: _Height) -> Finding:
    best, *others = surface.scores
    if best.marks < SCORED_AT_LEAST:
        text = (
            f"the surface is made of triangles: only {best.marks} marks can be left out to compare "
            f"methods, {SCORED_AT_LEAST} are needed"
        )
    else:
        rest = ", ".join(f"{s.method} {height(s.rmse)}" for s in others)
        text = (
            f"the surface is made by {surface.method}: it predicts {best.marks} marks it was not "
            f"given to {height(best.rmse)} (root mean square), {rest}"
        )
    return Finding("note", "method-chosen", text)


def roughness_findings(departures: int) -> tuple[Finding, ...]:
    """Return a finding where too few marks tell how far the ground departs from the triangles.

    Parameters
    ----------
    departures
        How many marks were left out to tell.

    Examples
    --------
    >>> [one.code for one in roughness_findings(0)], roughness_findings(12)
    (['ground-between-not-known'], ())
    """
    if departures:
        return ()
    return (
        Finding(
            "note",
            "ground-between-not-known",
            "Too few marks lie among others to tell how far the ground departs from the straight "
            "lines between them: intervals of elevations, falls and ponds hold the errors of the "
            "marks alone. Walk more marks inside the site.",
        ),
    )


# -------------------------------------------------------------------------------------------- water


def paving_findings(paving: Iterable[PavingEstimate], frame: Frame) -> tuple[Finding, ...]:
    """Return how much paved ground is flatter than it should be.

    Something to look at where some of it is with 95 % confidence and the largest patch
    has a square metre. That water stands there is a matter of the ponds alone.

    Examples
    --------
    >>> from geosite.terrain.water.falls_from_buildings import FlatPaving
    >>> yard = PavingEstimate(FlatPaving("yard", 6, 30, 1, 4, 0, 0), Estimate(6.0, 2.0, 9.0))
    >>> (found,) = paving_findings([yard], Frame())
    >>> found.level, found.text[:40]
    ('look', 'yard: 6 m2 (2 to 9) of 30 m2 looked at a')
    """
    found = []
    for one in paving:
        paved = one.paving
        if paved.flat_m2 == 0.0:
            continue
        easting, northing = frame.to_map((paved.easting, paved.northing))
        places = places_told(one.flat_m2.low, one.flat_m2.high, 1)
        doubt = "" if one.is_sure else " Undecided: on some possible grounds none is."
        found.append(
            Finding(
                "look" if one.is_sure and paved.patch_m2 >= _PATCH_M2 else "note",
                "flat-paving",
                f"{paved.name}: {interval_words(one.flat_m2, 1, 'm2')} of "
                f"{fixed(paved.known_m2, places)} m2 looked at are flatter than "
                f"{paved.minimum_percent:g} % (common practice, a default that local rules "
                f"replace); the largest such patch, {fixed(paved.patch_m2, places)} m2, is at "
                f"{place_words(easting, northing)}.{doubt}",
                place=(float(easting), float(northing)),
            )
        )
    return tuple(found)


def pond_findings(
    ponds: Sequence[PondEstimate], place: Callable[[int, int], tuple[float, float]]
) -> tuple[Finding, ...]:
    """Return where water stands for certain, and where it may.

    Parameters
    ----------
    ponds
    place
        Map easting and northing of the centre of a cell, by row and column.

    Examples
    --------
    >>> from geosite.terrain.water.water_estimates import estimate_ponds
    >>> from geosite.terrain.water.ponding import Pond
    >>> pond = Pond(1, 5.0, 0.2, 4.0, 1.0, 10, 3, 4, 5, 6, 25.0)
    >>> ponds = estimate_ponds([pond], None, cell_m2=4.0)
    >>> (found,) = pond_findings(ponds, lambda row, col: (100.0 + col, 200.0 - row))
    >>> found.text[:69]
    'The measured ground has 1 hollow; the deepest, at E 104.00, N 197.00,'
    """
    if any(math.isnan(one.probability) for one in ponds):
        return (_ponds_not_asked(ponds, place),)
    found = []
    for one in ponds:
        if not one.is_significant:
            continue
        pond = one.pond
        depth = interval_words(one.depth_m.scaled(1000.0), 0, "mm")
        low, spill = place(pond.row, pond.col), place(pond.spill_row, pond.spill_col)
        found.append(
            Finding(
                "look",
                "pond",
                f"After rain water stands {depth} deep at {place_words(*low)}, "
                f"{interval_words(one.volume_m3, 2, 'm3')} on "
                f"{interval_words(one.area_m2, 1, 'm2')}, before it spills at "
                f"{place_words(*spill)}.{_unseen_rim(one.spill_apart_m)}",
                place=low,
            )
        )
    doubtful = [one for one in ponds if not one.is_significant]
    if doubtful:
        surest = max(doubtful, key=lambda one: one.probability)
        low = place(surest.pond.row, surest.pond.col)
        without = round(100 * (1 - surest.probability))
        found.append(
            Finding(
                "note",
                "ponds-not-significant",
                f"Water may stand in {len(doubtful)} hollow{'s' * (len(doubtful) > 1)} too "
                "shallow to be sure of. The likeliest, at "
                f"{place_words(*low)}, is "
                f"{interval_words(surest.depth_m.scaled(1000.0), 0, 'mm')} deep; in {without} of "
                "100 grounds that fit the marks none stands there. More marks in it and round its "
                "rim would decide it.",
                place=low,
            )
        )
    return tuple(found)


def _ponds_not_asked(
    ponds: Sequence[PondEstimate], place: Callable[[int, int], tuple[float, float]]
) -> Finding:
    """Return the finding on hollows of which nobody asked whether they are there."""
    deepest = max(ponds, key=lambda one: one.depth_m.value)
    low = place(deepest.pond.row, deepest.pond.col)
    hollows = f"{len(ponds)} hollow{'s' if len(ponds) > 1 else ''}"
    return Finding(
        "look",
        "ponds-not-asked",
        f"The measured ground has {hollows}; the deepest, at {place_words(*low)}, holds water "
        f"{fixed(1000.0 * deepest.depth_m.value, 0)} mm deep. "
        "Undecided whether water stands there: no possible grounds were drawn, as "
        "`confidence_runs` is 0 or nothing tells how accurate the survey is.",
        place=low,
    )


def _unseen_rim(apart_m: float) -> str:
    if apart_m < _RIM_SEEN_M:
        return ""
    return (
        f" No mark is within {fixed(apart_m, 1)} m of there: a notch in the rim lets more of it "
        f"off. A mark at the lowest place of the rim would decide."
    )


def _draws_findings(site: SiteGround, water: Water) -> tuple[Finding, ...]:
    asked = site.notes.site.drainage.confidence_runs
    if water.realised is None or water.realised.draws >= asked:
        return ()
    drawn = water.realised.draws
    why = (
        f"the raster has {site.grid.rows * site.grid.cols} cells. A larger cell size leaves time "
        "for more."
    )
    if drawn < site.ground.draws:
        why = f"water stands in {len(water.ponds)} hollows, too many to look at one by one."
    return (
        Finding(
            "note",
            "fewer-possible-grounds",
            f"Intervals of ponds, catchments and flat paving rest on {drawn} possible grounds, not "
            f"{asked}: {why}",
        ),
    )


def ground_not_tried(marks: int) -> Finding:
    """Return the finding that a check left the ground out.

    Examples
    --------
    >>> ground_not_tried(100_000).text[:31]
    'The ground between 100,000 mark'
    """
    return Finding(
        "note",
        "ground-not-tried",
        f"The ground between {marks:,} marks was not made to try it: only a build tells whether it "
        "has more contours than anybody reads.",
    )


def _lost_paths(notes: Notes, water: Water) -> Iterable[Finding]:
    for one in water.lost_paths:
        why = "it lies outside the ground between the marks, right on its edge or in a building"
        if one.why == "ended":
            why = "there the water is at its end already: in an inlet or in a hollow"
        yield Finding(
            "look",
            "flow-path-no-start",
            f"No flow path from {one.start}: {why}. Name a mark or a feature on open ground "
            "further in, or take the name out.",
            notes.site_file,
            line_of(notes.site_lines, ("drainage", "flow_paths_from", one.number)),
        )


def _dry_inlets(notes: Notes, water: Water) -> Iterable[Finding]:
    for name in water.dry_inlets:
        yield _at_feature(
            notes,
            name,
            "inlet-no-ground",
            f"The inlet {name} takes no water: it lies outside the ground between the marks, right "
            "on its edge, in a building or on another inlet. Walk marks round it.",
        )


def _unseen_buildings(notes: Notes, water: Water) -> Iterable[Finding]:
    for name in water.unseen_buildings:
        yield _at_feature(
            notes,
            name,
            "fall-from-building-unknown",
            f"{name}: whether the ground falls away from it is not known, for no ground was "
            f"surveyed before its walls. Walk marks "
            f"{fixed(notes.site.drainage.fall_distance, 2)} m from them.",
        )


def _at_feature(notes: Notes, feature: str, code: str, text: str) -> Finding:
    book = notes.book
    number = book.features.index(feature)
    row = next(k for k, one in enumerate(book.feature.tolist()) if one == number)
    return Finding("look", code, text, book.file, int(book.line[row]))
