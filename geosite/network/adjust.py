"""Adjust a survey: from notes to placed marks with their covariance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.errors import Finding, SurveyRefused
from geosite.fieldbook.book import give_back_of
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network import wording
from geosite.network.accuracy.advice import advise
from geosite.network.accuracy.check_points import check_points
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.accuracy.error_shares import error_shares
from geosite.network.accuracy.lever_arm import LeverArm, lever_arm
from geosite.network.accuracy.loops import loops
from geosite.network.accuracy.on_map import ellipse_half_axis
from geosite.network.accuracy.open_ends import open_ends
from geosite.network.accuracy.precision import azimuth_check, neighbour_precision
from geosite.network.checks.facts import LengthCheck
from geosite.network.checks.judge import (
    bad_control,
    judge_length,
    judge_loops,
    length_check,
    no_place,
    short_baselines,
)
from geosite.network.checks.wording import (
    baseline_problem,
    control_problem,
    length_told,
    loops_told,
    no_place_problem,
)
from geosite.network.control.anchor import read_anchor
from geosite.network.control.model import Anchored, Control
from geosite.network.control.wording import finding
from geosite.network.equations.heights import Heights
from geosite.network.equations.plan import Plan
from geosite.network.mistakes.facts import Judge, Mistake, Search
from geosite.network.mistakes.judge import judge_mistakes
from geosite.network.mistakes.search import find_mistakes
from geosite.network.mistakes.wording import mistakes_in_words, unsettling_mistakes
from geosite.network.model import Closure, Network
from geosite.network.noise import Noise, judge_device, judge_noise
from geosite.network.place_on_map import Placing
from geosite.network.report import Judged, report
from geosite.network.tie_runs import Misfit, Tied, known_heights, known_places, misfit, tie
from geosite.network.walk.dead_reckoning import Start
from geosite.network.walk.device import SURE, Device, device_of
from geosite.network.walk.runs import Walk, walk_runs

__all__ = ["adjust"]

TOGETHER = 1e-3
"""Metres; baseline marks nearer than this give no direction."""


def adjust(notes: Notes) -> Network:
    """Place every observation on the map by least squares.

    Parameters
    ----------
    notes
        The survey as read.

    Returns
    -------
    Network

    Raises
    ------
    InputError
        If the anchor cannot be used: CRS, marks, azimuth.
    SurveyRefused
        If the survey cannot be right: baseline collapsed, loops that do not close, a mistake that
        has a name, a wrong unit; all of them together.

    Notes
    -----
    The scale is the combined factor of the map at the survey's middle, not an unknown. Leg
    variances are taken as they are in grid metres; the combined factor is left out of them.
    """
    anchored = read_anchor(notes)
    try:
        return _adjusted(notes, anchored)
    except np.linalg.LinAlgError:
        raise SurveyRefused(no_place_problem(notes, no_place(notes.book))) from None


@dataclass(frozen=True, eq=False)
class _Searched:
    """A survey that need not be refused, with what was found on the way.

    Parameters
    ----------
    walk, closures, mistakes, length
    findings
        Of closures, mistakes and the length.
    """

    walk: Walk
    closures: tuple[Closure, ...]
    mistakes: tuple[Mistake, ...]
    length: LengthCheck | None
    findings: tuple[Finding, ...]


def _adjusted(notes: Notes, anchored: Anchored) -> Network:
    device = device_of(notes)
    baseline = (notes.site.baseline.from_, notes.site.baseline.to)
    always = frozenset(c.name for c in anchored.controls if not c.check) | set(baseline)
    found, search = _searched(notes, anchored, device, always)
    spent, tied = search.redundancy_spent, search.tied
    noise = _judged(device, tied, spent, _misfits(tied, anchored.controls))
    horizontal, vertical = noise
    factors = (horizontal.factor, vertical.factor)
    placing = Placing(notes, anchored, device, always, factors)
    misfits = _misfits(tied, anchored.controls, factors)
    orientation, *begin = placing.beginning(found.walk, tied)
    knots = tied.walk.knots
    del search, tied
    give_back_of(notes.book)
    try:
        placed, start = placing.network(found.walk, found.closures, orientation, begin)
    except SurveyRefused as unsettled:
        # the mistakes that were found are why, and say where
        raise SurveyRefused(
            unsettling_mistakes(notes, found.mistakes) or unsettled.problems
        ) from None
    network = replace(
        placed,
        degrees_of_freedom=horizontal.degrees_of_freedom,
        vertical_degrees_of_freedom=vertical.degrees_of_freedom,
        accuracy_known=device.given or horizontal.freedom > 0 or vertical.freedom > 0,
    )
    del placed
    give_back_of(notes.book)
    judged = _trusted(placing, network, start, found, noise, misfits)
    give_back_of(notes.book)
    adjusted = replace(
        network,
        findings=(
            *(finding(notes, remark) for remark in anchored.remarks),
            *found.findings,
            *wording.findings(notes, anchored, network, judged, knots),
        ),
        report=report(notes, anchored, network, found.walk, judged),
    )
    del placing, network, found
    give_back_of(notes.book)
    return adjusted


def _searched(
    notes: Notes, anchored: Anchored, device: Device, always: frozenset[str]
) -> tuple[_Searched, Search]:
    """Look for what a survey is refused for, and for mistakes."""
    book, baseline = notes.book, (notes.site.baseline.from_, notes.site.baseline.to)
    control = bad_control(anchored)
    walk = walk_runs(book, device, always)
    short = short_baselines(book, baseline, walk)
    if control or short:
        raise SurveyRefused(
            [
                *(control_problem(notes, one) for one in control),
                *(baseline_problem(notes, one) for one in short),
            ]
        )
    closures = loops(book, walk, device)
    open_loops = judge_loops(closures, notes.site.survey.closure_limit, device)

    def fit(trial: FieldBook) -> tuple[Tied, float, int]:
        known = walk if trial is book else None
        tied = tie(trial, device, baseline, always, anchored.frame.combined_factor, known)
        fits = _misfits(tied, anchored.controls)
        freedom = tied.redundancy + sum(f.freedom for f in fits)
        # names exchanged by mistake can lay the two ends of the baseline on one place
        ends = tied.plan.position[[tied.knot[name] for name in baseline]]
        if math.dist(*ends) < TOGETHER:
            return tied, math.inf, freedom
        return tied, tied.squares + sum(f.squares for f in fits), freedom

    search = find_mistakes(fit, book, baseline, Judge(device.degrees_of_freedom))
    alone, _ = _judged(device, search.tied, search.redundancy_spent, None)
    length = length_check(anchored, search.tied, baseline, alone)
    off = None if length is None else judge_length(length)
    of_loops, of_mistakes, of_length = (
        loops_told(notes, open_loops, len(closures)),
        mistakes_in_words(
            notes,
            judge_mistakes(book, search.mistakes, notes.site.survey.closure_limit),
            search.as_read,
        ),
        length_told(notes, off, anchored.frame.unit_name),
    )
    problems = [*of_mistakes[0], *of_loops[0], *of_length[0]]
    if problems:
        raise SurveyRefused(problems)
    findings = (*of_loops[1], *of_mistakes[1], *of_length[1])
    return _Searched(walk, closures, search.mistakes, length, findings), search


def _trusted(
    placing: Placing,
    network: Network,
    start: Start | None,
    found: _Searched,
    noise: tuple[Noise, Noise],
    misfits: tuple[Misfit, Misfit],
) -> Judged:
    """Judge how far the placed survey can be trusted."""
    notes, anchored, walk = placing.notes, placing.anchored, found.walk
    book, baseline = notes.book, (notes.site.baseline.from_, notes.site.baseline.to)
    fewest = None if start is None else placing.baseline_only(network, start, walk)
    first, last = (int(walk.row[np.argmax(walk.knot == walk.knots.index(n))]) for n in baseline)
    known = known_places(anchored.controls, {n: i for i, n in enumerate(walk.knots)})
    known_rows = walk.row[np.isin(walk.knot, known.knot)].astype(np.int64)
    arm = lever_arm(network, (first, last), fewest, known_rows)
    best_sigma = max(float(known.sigma.max()), 0.01)
    advice = advise(network, book, placing.device, arm.row, best_sigma, known_rows)
    neighbours = neighbour_precision(network, book)
    shares = error_shares(placing, network, walk, arm.row) if network.accuracy_known else None
    return Judged(
        device=placing.device,
        shares=shares,
        calibrated_95_m=_calibrated(placing.device, network, noise[0], arm),
        noise=noise,
        length=found.length,
        misfits=misfits,
        azimuth=azimuth_check(network, anchored, (first, last)),
        checks=check_points(network, book, anchored.controls),
        arm=arm,
        advice=advice if network.accuracy_known else (),
        neighbours=neighbours if network.accuracy_known else None,
        mistakes=found.mistakes,
        open_ends=open_ends(network, book, walk),
    )


def _calibrated(device: Device, network: Network, noise: Noise, arm: LeverArm) -> float | None:
    """Expect how well the least certain place is known when the device has been calibrated.

    Its errors are then what these misclosures show them to be, and their size is known better:
    `calibration_gain.py` among the benchmarks holds that against devices that are calibrated.
    ``None`` where the device is given, nothing is known, or that would gain less than a twentieth.
    """
    if device.given or not network.accuracy_known:
        return None
    surer = replace(network, degrees_of_freedom=SURE + noise.freedom)
    axis = error_ellipses(network.relative, np.array([arm.row]))[0][0]
    expected = ellipse_half_axis(surer, float(axis))
    return expected if expected < 0.95 * arm.error_95_m else None


def _judged(
    device: Device,
    tied: Tied,
    spent: tuple[int, int],
    misfits: tuple[Misfit, Misfit] | None,
) -> tuple[Noise, Noise]:
    """Judge the noise in plan and in height by the misclosures, and by known marks that fit."""
    parts = []
    both: tuple[Plan | Heights, ...] = (tied.plan, tied.heights)
    for part, less, fit in zip(both, spent, misfits or (None, None), strict=True):
        squares, freedom = part.weighted_squares, part.redundancy - less
        if device.is_leg_noise:
            parts.append(judge_noise(squares, freedom))
        else:
            counted = float(freedom)
            if fit is not None:
                squares, counted = (
                    squares + fit.share * fit.squares,
                    counted + fit.share * fit.freedom,
                )
            parts.append(judge_device(squares, counted, device.degrees_of_freedom))
    return parts[0], parts[1]


def _misfits(
    tied: Tied, controls: tuple[Control, ...], factors: tuple[float, float] = (1.0, 1.0)
) -> tuple[Misfit, Misfit]:
    return (
        misfit(tied, known_places(controls, tied.knot), factors),
        misfit(tied, known_heights(controls, tied.knot), factors),
    )
