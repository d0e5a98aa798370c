"""Checks of a ramp's runs and landings: rise per run, slope, length and width of landings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from geosite.analysis.access.grade_checks import Checked, Grade
from geosite.analysis.access.ramps import Stretch, marks_that_matter, profile_draws, stretches
from geosite.analysis.access.widths import Crossing, crossing
from geosite.analysis.limits import MetreLimit, Verdict, judge
from geosite.analysis.walked_line import length_between, place_on
from geosite.base.estimate import Estimate
from geosite.base.statistics import NORMAL_95, t_factor
from geosite.network.covariance import covariance
from geosite.network.model import LinearForm

__all__ = ["run_checks"]

SURE = 0.95
"""There is such a run or landing where so large a share of the possible profiles has it."""

TURN = np.radians(15.0)
"""Runs whose directions differ by less go straight on."""


def run_checks(checked: Checked) -> list[Grade]:
    """Split a line into runs and landings and judge both.

    A run is judged by its rise. A landing between two runs is judged by its length and by the slope
    of each of its straight parts; at an end of the line only the part next to the run is a landing,
    for nobody asks how the way goes on, and where the line ends on it too soon its length was not
    measured.
    """
    line, network = checked.line, checked.network.relative
    at = marks_that_matter(line.chainage, network.elevation[line.rows])
    rows, chainage = line.rows[at], line.chainage[at]
    zero, one = np.zeros(1), np.ones(1)
    spread = covariance(network, [LinearForm(rows[[k]], zero, zero, one) for k in range(len(rows))])
    elevation = network.elevation[rows]
    # what the marks may be off is assumed where it is not known: that parts runs and landings
    inflation = t_factor(network.vertical_degrees_of_freedom) / NORMAL_95
    draws = profile_draws(elevation, spread, inflation=inflation)
    split = stretches(chainage, elevation, spread, draws)
    found: list[Grade] = []
    for number, stretch in enumerate(split):
        ends = (float(chainage[stretch.part.first]), float(chainage[stretch.part.last]))
        if not stretch.part.is_landing:
            found.append(_rise(checked, stretch, ends))
            continue
        breaks = [ends[0], *chainage[list(stretch.part.breaks)].tolist(), ends[1]]
        parts = list(pairwise(breaks))
        is_first, is_last = number == 0, number == len(split) - 1
        if is_first or is_last:
            parts = parts[-1:] if is_first else parts[:1]
        found += _landing_slopes(checked, stretch, parts)
        found.append(_landing_length(checked, stretch, (parts[0][0], parts[-1][1])))
        if (is_first or is_last) and found[-1].verdict == "beyond":
            found[-1] = replace(found[-1], judged=Verdict("not measured", None))
    return found + _landing_widths(checked, split, chainage.tolist())


def _rise(checked: Checked, stretch: Stretch, ends: tuple[float, float]) -> Grade:
    measured = stretch.rise
    if measured is None:
        (start, up_a), (end, up_b) = (place_on(checked.line, checked.network, at) for at in ends)
        (measured,) = checked.estimates([float(end[2] - start[2])], [up_b + up_a * -1.0])
    grade = checked.grade("rise per run", ends, measured, checked.limits.rise_per_run)
    return replace(grade, probability=stretch.probability)


def _landing_slopes(
    checked: Checked, stretch: Stretch, parts: Sequence[tuple[float, float]]
) -> list[Grade]:
    slopes, forms = zip(*(checked.slope(a, b) for a, b in parts), strict=True)
    return [
        _if_sure(checked.grade("landing slope", part, measured, checked.limits.landing), stretch)
        for part, measured in zip(parts, checked.estimates(slopes, forms), strict=True)
    ]


def _landing_length(checked: Checked, stretch: Stretch, ends: tuple[float, float]) -> Grade:
    a, b = ends
    measured = length_between(checked.line, checked.network, a, b)
    if stretch.length is not None:
        # where the landing ends differs from profile to profile, by whole legs
        measured = Estimate(
            measured.value,
            min(measured.low, stretch.length.low - measured.half_width),
            max(measured.high, stretch.length.high + measured.half_width),
        )
    return _if_sure(
        checked.grade("landing length", ends, measured, checked.limits.landing_length), stretch
    )


def _if_sure(grade: Grade, stretch: Stretch) -> Grade:
    """Leave the verdict on a landing open where it is not sure that there is one."""
    grade = replace(grade, probability=stretch.probability)
    if stretch.probability >= SURE or grade.requirement.limit is None:
        return grade
    return replace(grade, judged=Verdict("undecided", None))


def _landing_widths(
    checked: Checked, split: Sequence[Stretch], chainage: Sequence[float]
) -> list[Grade]:
    """Hold each landing's width against the widest run beside it, and at turns against a limit."""
    limits = checked.limits
    if checked.edges is None or limits.landing_as_wide_as_run is None:
        return []
    cuts = [_narrowest(checked, s, chainage) for s in split]
    found = []
    for k, (stretch, cut) in enumerate(zip(split, cuts, strict=True)):
        if not stretch.part.is_landing or cut is None:
            continue
        ends = (chainage[stretch.part.first], chainage[stretch.part.last])
        runs = [c for c in (cuts[k - 1] if k else None, *cuts[k + 1 : k + 2]) if c is not None]
        if runs:
            widest = max(runs, key=lambda c: c.width)
            (apart,) = checked.estimates(
                [cut.width - widest.width], [cut.width_form + widest.width_form * -1.0]
            )
            # what is judged is the difference, whose interval the two widths share
            (own,) = checked.estimates([cut.width], [cut.width_form])
            limit = MetreLimit(metres=widest.width, section=limits.landing_as_wide_as_run)
            grade = checked.grade("landing width", ends, own, limit, cut.places)
            judged_ = judge(apart, 0.0, at_least=True)
            found.append(_if_sure(replace(grade, judged=judged_), stretch))
        if limits.turning_landing is not None and _turns(checked, split, k, chainage):
            (own,) = checked.estimates([cut.width], [cut.width_form])
            grade = checked.grade("landing width", ends, own, limits.turning_landing, cut.places)
            found.append(_if_sure(grade, stretch))
    return found


def _narrowest(checked: Checked, stretch: Stretch, chainage: Sequence[float]) -> Crossing | None:
    """Return the narrowest of the cuts across a landing, the widest across a run."""
    assert checked.edges is not None
    part = stretch.part
    cuts = []
    for k in range(part.first, part.last):
        a, b = chainage[k], chainage[k + 1]
        middle, left = checked.across(a, b)
        cut = crossing(checked.network, checked.edges, middle, left)
        if cut is not None:
            cuts.append(cut)
    if not cuts:
        return None
    choose = min if part.is_landing else max
    return choose(cuts, key=lambda c: c.width)


def _turns(checked: Checked, split: Sequence[Stretch], k: int, chainage: Sequence[float]) -> bool:
    """Tell whether the way changes its direction at a landing."""
    if k == 0 or k == len(split) - 1:
        return False
    before, after = split[k - 1].part, split[k + 1].part
    first = checked.across(chainage[before.last - 1], chainage[before.last])[1]
    second = checked.across(chainage[after.first], chainage[after.first + 1])[1]
    return bool(first @ second < np.cos(TURN))
