"""Grades along a line and across it, and its width, held against limit sets with their accuracy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np

from geosite.analysis.access.grade_checks import Checked, Grade
from geosite.analysis.access.kerb_ramps import KerbRampParts, kerb_ramp_checks
from geosite.analysis.access.landings import run_checks
from geosite.analysis.access.widths import Crossing, crossing
from geosite.analysis.ground_readings import ground_estimates
from geosite.analysis.limits import LimitSet
from geosite.analysis.walked_line import Polyline, place_on, polyline, refuse_dense
from geosite.base.errors import InputError, Problem
from geosite.fieldbook import sitefile
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["check_grades", "grade_lines"]


def check_grades(checked: Checked, *, station: float | None = None) -> tuple[Grade, ...]:
    """Measure and judge the grades of one line.

    Parameters
    ----------
    checked
        The line.
    station
        Distance between stations, ground metres; without it the marks are the stations.

    Returns
    -------
    tuple of Grade
        Running slopes first, then cross slopes and widths, then runs and landings, by chainage.

    Examples
    --------
    Ten metres that rise by 1 m, marks good to 1 cm in height, against a limit of 1 in 12:

    >>> from geosite.network.independent_marks import independent_marks
    >>> from geosite.analysis.limits import SlopeLimit
    >>> from geosite.analysis.walked_line import Polyline
    >>> network = independent_marks([(0, 0, 0), (10, 0, 1)], sigma_up_m=0.01)
    >>> line = Polyline("ramp", np.arange(2), ("A", "B"), np.array([0.0, 10.0]))
    >>> own = LimitSet(title="Own", running=SlopeLimit(ratio="1:12", section="1"))
    >>> (found,) = check_grades(Checked(line, network, own, "own"))
    >>> found.measured.value, round(found.measured.sigma, 5), found.verdict
    (0.1, 0.00141, 'beyond')
    """
    stations = checked.line.chainage
    if station is not None:
        refuse_dense(checked.line.name, "station", stations[-1], station)
        steps = np.arange(0.0, stations[-1], station)
        stations = np.append(steps[stations[-1] - steps > station * 1e-6], stations[-1])
    legs = list(pairwise(stations.tolist()))
    slopes, forms = zip(*(checked.slope(a, b) for a, b in legs), strict=True)
    found = [
        checked.grade("running", leg, measured, checked.limits.running)
        for leg, measured in zip(legs, checked.estimates(slopes, forms), strict=True)
    ]
    crossings = _crossings(checked, legs)
    if crossings is not None:
        found += _edge_checks(checked, legs, crossings)
    elif checked.ground is not None:
        found += _cross(checked, checked.ground, legs)
    if checked.limits.rise_per_run is not None:
        found += run_checks(checked)
    return tuple(found)


def _cross(checked: Checked, ground: Ground, legs: Sequence[tuple[float, float]]) -> list[Grade]:
    """Return the cross slopes at the middle of each leg, from the ground on both sides."""
    half = checked.width / 2 * checked.network.frame.combined_factor
    sides = [checked.across(*leg) for leg in legs]
    places = np.array([[middle + half * left, middle - half * left] for middle, left in sides])
    weights = np.tile([1 / checked.width, -1 / checked.width], (len(legs), 1))
    heights = ground.elevations_at(places.reshape(-1, 2)).reshape(-1, 2)
    middles = [place_on(checked.line, checked.network, sum(leg) / 2)[0][2] for leg in legs]
    heights = np.where(np.isnan(heights), np.array(middles)[:, None], heights)
    return [
        checked.grade(
            "cross", leg, measured, checked.limits.cross, np.column_stack([ends, heights[k]])
        )
        for k, (leg, ends, measured) in enumerate(
            zip(legs, places, ground_estimates(ground, places, weights), strict=True)
        )
    ]


def _crossings(
    checked: Checked, legs: Sequence[tuple[float, float]]
) -> list[Crossing | None] | None:
    """Return what lies between the two edges at the middle of each leg; None without edges."""
    if checked.edges is None:
        return None
    return [crossing(checked.network, checked.edges, *checked.across(*leg)) for leg in legs]


def _edge_checks(
    checked: Checked,
    legs: Sequence[tuple[float, float]],
    crossings: Sequence[Crossing | None],
) -> list[Grade]:
    """Return cross slopes and widths from edge to edge, as they were walked."""
    met = [c for c in crossings if c is not None]
    slopes = iter(checked.estimates([c.slope for c in met], [c.slope_form for c in met]))
    widths = iter(checked.estimates([c.width for c in met], [c.width_form for c in met]))
    limits = checked.limits
    cross = [
        checked.grade("cross", leg, None, limits.cross)
        if c is None
        else checked.grade("cross", leg, next(slopes), limits.cross, c.places)
        for leg, c in zip(legs, crossings, strict=True)
    ]
    wide = [
        checked.grade("width", leg, None, limits.width)
        if c is None
        else checked.grade("width", leg, next(widths), limits.width, c.places)
        for leg, c in zip(legs, crossings, strict=True)
    ]
    return cross + wide


def grade_lines(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
    sets: Mapping[str, LimitSet],
) -> tuple[Grade, ...]:
    """Measure and judge every line of ``[grades.lines]``.

    A line with a running slope beyond the limit of its set is judged by the set that its own names
    for what is steeper as well: a walk steeper than 1:20 is a ramp.

    Raises
    ------
    InputError
        A line names a feature, a mark or a limit set that does not exist; all of them together.
    """
    problems: list[Problem] = []
    found: list[Grade] = []
    for name, requested in notes.site.grades.lines.items():
        try:
            with notes.asked("grades", "lines", name):
                checked = _checked(name, requested, notes, network, drawing, sets)
                checked = replace(checked, ground=ground)
                found += check_grades(checked, station=requested.station)
                parts = KerbRampParts.of(
                    partial(_through, notes, network, drawing, name),
                    requested.flares,
                    requested.landing,
                    requested.gutter,
                )
                found += kerb_ramp_checks(checked, parts)
                found += _as_what_is_steeper(checked, found, sets)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return tuple(found)


def _through(
    notes: Notes, network: Network, drawing: Drawing, line: str, marks: Sequence[str], part: str
) -> Polyline:
    """Return a part of a kerb ramp as a line through marks."""
    named = f"{line}, {part}"
    return polyline(named, notes, network, drawing, feature=None, marks=marks)


def _as_what_is_steeper(
    checked: Checked, grades: Sequence[Grade], sets: Mapping[str, LimitSet]
) -> tuple[Grade, ...]:
    """Judge a line that is too steep for its set by the one that its set names for it."""
    steeper = checked.limits.steeper
    too_steep = any(
        g.span.line == checked.line.name and g.check == "running" and g.verdict == "beyond"
        for g in grades
    )
    if steeper is None or not too_steep:
        return ()
    other = replace(checked, limits=sets[steeper], name=steeper, ground=None, edges=None)
    return check_grades(other)


def _checked(
    name: str,
    requested: sitefile.GradeLine,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    sets: Mapping[str, LimitSet],
) -> Checked:
    if requested.limits not in sets:
        raise InputError(
            Problem(
                "limits-unknown",
                f"line {name}: there is no limit set {requested.limits}",
                f"one of {', '.join(sorted(sets))}",
                "correct the name or give your own set in [grades] limits_file",
                notes.site_file,
            )
        )
    line = polyline(name, notes, network, drawing, feature=requested.feature, marks=requested.marks)
    edges = None
    if requested.edges is not None:
        one, other = (
            polyline(f"{name}, edge", notes, network, drawing, feature=edge, marks=())
            for edge in requested.edges
        )
        edges = (one, other)
    return Checked(
        line, network, sets[requested.limits], requested.limits, width=requested.width, edges=edges
    )
