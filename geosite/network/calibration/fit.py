"""Fit the error of one device to several of its surveys, without any truth.

Restricted maximum likelihood: places, orientations and elevations are unknown altogether, headings,
scales, climbs and pointing are drawn from the device; with the covariances Sigma of the
observations, the normal equations N of all unknowns and the weighted squares q of what is left
over, minus twice the logarithm of the likelihood is ``ln|Sigma| + ln|N| + q`` (Patterson & Thompson
1971, Recovery of inter-block information when block sizes are unequal, doi:10.1093/biomet/58.3.545;
in Harville's form 1977, Maximum likelihood approaches to variance component estimation and to
related problems, doi:10.1080/01621459.1977.10480998). A weak prior about the starting values of an
unknown device, a factor of e either way, keeps what the walks do not tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.interrupt import stop_if_asked
from geosite.fieldbook.model import Notes
from geosite.network.accuracy.loops import loops
from geosite.network.control.anchor import read_anchor
from geosite.network.control.model import Anchored
from geosite.network.equations.heights import Heights, adjust_heights
from geosite.network.equations.normal import Equations, Prior, Term
from geosite.network.equations.plan import Azimuth, Plan, PlanInput, adjust_plan
from geosite.network.tie_runs import known_heights, known_places, plan_steps, tie
from geosite.network.walk.dead_reckoning import Start
from geosite.network.walk.device import CLASSES, SURE, Device
from geosite.network.walk.runs import scaled_path, walk_runs

__all__ = ["ENOUGH", "PLAUSIBLE", "Calibration", "Component", "calibrate", "likelihood"]

PRIOR_LOG_SIGMA = 1.0
"""Standard deviation of the logarithm of each component before the surveys."""
PLAUSIBLE = math.exp(PRIOR_LOG_SIGMA)
"""How many times as bad as an unknown device one may be before its survey looks like a mistake."""
TOLD = 0.8
"""A component whose logarithm is known no better than this share of that is not told."""
ENOUGH = 3
"""Surveys from which on the components count as well known, and one can be left out."""
FARTHEST_LOG = -6.0
"""Logarithm of a component over its start that is as good as none."""
STEADY_LOG = -2.0
"""Logarithm of a heading that hardly strays over its start: where a second search begins."""
RATIO_95 = 3.84
"""95 % of chi-square with one degree of freedom, for a ratio of likelihoods."""
MOSTLY = 0.9
"""Share of the observations that have a time, from which on the random walk is tried by it."""
CLEARLY = 4.0
"""Chi-square by which the random walk by the metre must explain surveys better than by time."""
PLAN = ("pointing", "walk", "heading", "scale")
HEIGHT = ("pointing_up", "walk_up", "climb", "tilt")


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the device's error.

    Parameters
    ----------
    name
        Field of `Device`.
    value, low, high
        Standard deviation and its 95 % interval, metres, radians or shares; it starts at 0 where
        the surveys would be explained as well without this part.
    identified
        Whether the surveys tell it; else it is the starting value, more or less.
    """

    name: str
    value: float
    low: float
    high: float
    identified: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """A device as its surveys show it.

    Parameters
    ----------
    device
    components
    surveys
        How many.
    loops, loops_held
        Loops of surveys that took no part in the fit they are judged by, and how many of them
        close within the 95 % of that fit; 0 where there are too few surveys to leave one out.
    misfit
        Minus twice the logarithm of the restricted likelihood, but for a constant of the surveys.
    """

    device: Device
    components: tuple[Component, ...]
    surveys: int
    loops: int
    loops_held: int
    misfit: float


@dataclass(frozen=True, eq=False)
class _Case:
    """A survey, its map, its orientations to start from."""

    notes: Notes
    anchored: Anchored
    orientation: Floats


def _log_determinants(terms: Sequence[Term], equations: Equations) -> float:
    """``ln|Sigma| + ln|N|``; what has no weight is no observation."""
    total = 0.0
    for term in terms:
        axes = np.flatnonzero(np.einsum("mdd->d", term.weight) > 0)
        if len(axes):
            part = term.weight[:, axes[:, None], axes]
            some = np.einsum("mdd->m", part) > 0
            total -= float(np.linalg.slogdet(part[some])[1].sum())
    return total + equations.log_determinant


def _adjusted(
    case: _Case, device: Device, in_height: bool, before: Start | None = None
) -> Plan | Heights:
    """Adjust the plan or the heights of a survey, by its known marks if there are two."""
    notes, controls = case.notes, case.anchored.controls
    book, baseline = notes.book, notes.site.baseline
    known = frozenset(c.name for c in controls if not c.check)
    walk = walk_runs(book, device, known | {baseline.from_, baseline.to})
    path = scaled_path(walk, book.local, case.anchored.frame.combined_factor)
    knot = {name: i for i, name in enumerate(walk.knots)}
    start, end = knot[baseline.from_], knot[baseline.to]
    held = Prior(np.array([start]), np.zeros(1), np.zeros(1))
    if in_height:
        elevations = known_heights(controls, knot)
        return adjust_heights(
            walk, path, device, 1.0, elevations if len(elevations.knot) else held, len(book.runs)
        )
    places = known_places(controls, knot)
    azimuth = None
    if len(places.knot) < 2:
        places = Prior(held.knot, np.zeros((1, 2)), held.sigma)
        azimuth = Azimuth(start, end, math.pi / 2, 0.0)
    steps = plan_steps(walk, path)
    given = PlanInput(walk, steps, device, 1.0, places, case.orientation, azimuth, before)
    return adjust_plan(given, settled=1e-8, steps=30)


def likelihood(part: Plan | Heights) -> float:
    """Return minus twice the logarithm of the restricted likelihood, but for a constant."""
    found = _log_determinants(part.terms, part.posterior.equations)
    return found + part.weighted_squares


def _fit(
    cases: Sequence[_Case], names: tuple[str, ...], start: Device, in_height: bool
) -> tuple[Floats, Floats, list[bool], float]:
    """Logarithms of some components over their starting values, and their standard deviations.

    And whether the surveys would be explained as well without each of them, and minus twice the
    logarithm of the likelihood.
    """

    def device_at(logs: Floats) -> Device:
        changed = {n: getattr(start, n) * math.exp(x) for n, x in zip(names, logs, strict=True)}
        return replace(start, **changed)

    starts: list[Start | None] = [None] * len(cases)

    def misfit(logs: Floats) -> float:
        stop_if_asked()
        device = device_at(np.clip(logs, FARTHEST_LOG, -FARTHEST_LOG))
        total = 0.0
        for i, case in enumerate(cases):
            part = _adjusted(case, device, in_height, starts[i])
            # the next device is much like this one
            if isinstance(part, Plan):
                starts[i] = part.start() if part.converged else None
            total += likelihood(part)
        return total

    def cost(logs: Floats) -> float:
        return (misfit(logs) + float((logs**2).sum()) / PRIOR_LOG_SIGMA**2) / 2

    # a heading that hardly strays explains some surveys as well as places that hardly do
    steady = np.array([STEADY_LOG if name == "heading" else 0.0 for name in names])
    searches = [np.zeros(len(names)), steady] if steady.any() else [steady]
    found = min((_least(cost, at) for at in searches), key=lambda one: one[0])[1]
    curvature = _curvature(cost, found)
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(curvature)), 0.0))
    at_best = misfit(found)
    dispensable = []
    for i in range(len(names)):
        without = found.copy()
        without[i] = FARTHEST_LOG
        dispensable.append(misfit(without) - at_best < RATIO_95)
    return found, np.minimum(spread, PRIOR_LOG_SIGMA), dispensable, at_best


def _least(cost: Callable[[Floats], float], start: Floats) -> tuple[float, Floats]:
    """Return the least cost found from a start, and where it is."""
    from scipy.optimize import minimize

    corners = np.vstack([np.zeros(len(start)), 0.7 * np.eye(len(start))]) + start
    options: Any = {"xatol": 0.02, "fatol": 0.02, "initial_simplex": corners}
    found = minimize(cost, corners[0], method="Nelder-Mead", options=options)
    return float(found.fun), np.asarray(found.x)


def _curvature(cost: Callable[[Floats], float], at: Floats, step: float = 0.15) -> Floats:
    """Second derivatives by differences."""
    n = len(at)
    here = cost(at)
    eye = step * np.eye(n)
    ahead = np.array([cost(at + eye[i]) for i in range(n)])
    behind = np.array([cost(at - eye[i]) for i in range(n)])
    out = np.diag((ahead - 2 * here + behind) / step**2)
    for i in range(n):
        for j in range(i):
            both = cost(at + eye[i] + eye[j])
            out[i, j] = out[j, i] = (both - ahead[i] - ahead[j] + here) / step**2
    return out


def _timed(cases: Sequence[_Case]) -> bool:
    """Whether nearly all observations have a time: then the random walk may go by it."""
    times = [case.notes.book.time for case in cases]
    return all(time is not None and np.isfinite(time).mean() > MOSTLY for time in times)


def _start(by_time: bool) -> tuple[Device, tuple[tuple[str, ...], tuple[str, ...]]]:
    """Return the device to start from, and the names of what is fitted in plan and in height."""
    unknown = CLASSES["unknown"]
    if not by_time:
        return unknown, (PLAN, HEIGHT)
    # at a walking pace of one metre per second the two are the same
    start = replace(unknown, walk_per_second=unknown.walk, walk_up_per_second=unknown.walk_up)
    instead = {"walk": "walk_per_second", "walk_up": "walk_up_per_second"}
    in_plan, in_height = (tuple(instead.get(n, n) for n in names) for names in (PLAN, HEIGHT))
    return start, (in_plan, in_height)


def _calibrated(
    cases: Sequence[_Case], by_time: bool
) -> tuple[Device, tuple[Component, ...], float]:
    start, both = _start(by_time)
    components: list[Component] = []
    device, whole = start, 0.0
    for names in both:
        logs, spread, dispensable, misfit = _fit(cases, names, start, names is both[1])
        whole += misfit
        listed = zip(names, logs.tolist(), spread.tolist(), dispensable, strict=True)
        for name, log, sigma, none in listed:
            value = getattr(start, name) * math.exp(log)
            wide = math.exp(1.96 * sigma)
            # from nothing to more than an unknown device has: that is no news
            nothing_new = none and value * wide > getattr(start, name)
            told = sigma < TOLD * PRIOR_LOG_SIGMA and not nothing_new
            low = 0.0 if none else value / wide
            components.append(Component(name, value, low, value * wide, told))
            device = replace(device, **{name: value})
    return replace(device, name="calibrated", degrees_of_freedom=SURE), tuple(components), whole


def calibrate(
    surveys: Sequence[Notes],
    progress: Callable[[float, str], None] | None = None,
    *,
    proof: bool = True,
) -> Calibration:
    """Fit the components of one device to several surveys of it.

    Parameters
    ----------
    surveys
        Walked with the same device, each coming back to its marks.
    progress
        Is told the share that is done, 0 to 1, and what is done next.
    proof
        Whether each survey is left out in turn, where there are enough.

    Returns
    -------
    Calibration
        Fitted to fewer than `ENOUGH` surveys its size counts as little known as that of an unknown
        device.
    """
    tell = progress or (lambda share, words: None)
    left_out = len(surveys) if proof and len(surveys) >= ENOUGH else 0
    fits = 1 + left_out
    tell(0.0, "fitting the device")
    cases = []
    for notes in surveys:
        anchored = read_anchor(notes)
        baseline = (notes.site.baseline.from_, notes.site.baseline.to)
        known = frozenset(c.name for c in anchored.controls if not c.check)
        tied = tie(notes.book, CLASSES["unknown"], baseline, known, anchored.frame.combined_factor)
        places = known_places(anchored.controls, tied.knot)
        turn = tied.plan.orientation
        if len(places.knot) >= 2:
            from geosite.network.control.similarity import fit_rigid

            turn = turn + fit_rigid(tied.plan.position[places.knot], places.value).turn
        cases.append(_Case(notes, anchored, turn))
    by_time = _timed(cases)
    device, components, misfit = _calibrated(cases, by_time)
    if by_time:
        by_way = _calibrated(cases, False)
        if by_way[2] < misfit - CLEARLY:
            (device, components, misfit), by_time = by_way, False
    if len(cases) < ENOUGH:
        device = replace(device, degrees_of_freedom=CLASSES["unknown"].degrees_of_freedom)
    count = held = 0
    if left_out:
        from geosite.base.statistics import ellipse_factor

        limit = ellipse_factor(SURE)
        for left in range(len(cases)):
            tell((1 + left) / fits, f"leaving out survey {left + 1} of {len(cases)}")
            others, *_ = _calibrated([c for i, c in enumerate(cases) if i != left], by_time)
            book = cases[left].notes.book
            always = frozenset({cases[left].notes.site.baseline.from_})
            for loop in loops(book, walk_runs(book, others, always), others):
                count += 1
                held += loop.misclosure_m <= limit * loop.sigma_m
    tell(1.0, "done")
    return Calibration(device, components, len(cases), count, held, misfit)
