"""How good the numbers are: noise, control, check points, lever arm, the most useful tie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import FieldBook
from geosite.network.anchor import Control
from geosite.network.covariance import (
    error_ellipses,
    orientation_variances,
    orientation_with_place,
    relative_ellipses,
    sight_covariance,
    sigma_horizontal,
    sigma_vertical,
)
from geosite.network.device import Device
from geosite.network.model import Closure, Network
from geosite.network.walk import Walk

__all__ = [
    "Advice",
    "CheckPoints",
    "DirectionCheck",
    "LeverArm",
    "NeighbourPrecision",
    "Noise",
    "advise",
    "allowed_relative_precision",
    "angular_limit",
    "baseline_variances",
    "check_points",
    "direction_check",
    "judge_device",
    "judge_noise",
    "levelling_mm_per_sqrt_km",
    "lever_arm",
    "neighbour_precision",
    "nssda_horizontal",
    "nssda_vertical",
    "visit_variance",
]

ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
"""Semi-major axis of the 95 % error ellipse in standard deviations: 2.4477."""
LEAST_FREEDOM = 4
"""Fewer independent misclosures say nothing about the noise."""
SURE_FREEDOM = 20
"""From so many on, noise smaller than assumed is believed and not only reported."""
ENOUGH_CHECK_POINTS = 20
"""NSSDA, FGDC-STD-007.3-1998, section 3.2.2 (section from memory)."""

Verdict = Literal["as expected", "worse than assumed", "better than assumed", "too little to tell"]


@dataclass(frozen=True, slots=True)
class Noise:
    """What the misclosures say about the leg noise that was assumed.

    Parameters
    ----------
    verdict
    factor
        What the a-priori variances are multiplied with.
    estimate
        Weighted squares of the misclosures over their number, ``None`` where there are none.
    squares, freedom
        Chi-square and its degrees of freedom.
    chance
        Chance of misclosures at least as large if the noise is as assumed.
    degrees_of_freedom
        Of Student's t with that factor; infinite where the noise is taken as known.
    """

    verdict: Verdict
    factor: float
    estimate: float | None
    squares: float
    freedom: float
    chance: float
    degrees_of_freedom: float = math.inf


def judge_noise(squares: float, freedom: int) -> Noise:
    """Judge the assumed leg noise by the misclosures, chi-square test at 5 %, both sides.

    Parameters
    ----------
    squares
        Weighted sum of their squares.
    freedom
        Independent misclosures.

    Returns
    -------
    Noise
        The factor is 1 unless the test fails; below 1 only with 20 misclosures or more, since
        promising too much is worse than too little.
    """
    estimate = squares / freedom if freedom > 0 else None
    chance = chi2_sf(squares, freedom) if freedom > 0 else 1.0
    if estimate is None or freedom < LEAST_FREEDOM:
        return Noise("too little to tell", 1.0, estimate, squares, max(freedom, 0), chance)
    if chance < 0.025:
        return Noise("worse than assumed", estimate, estimate, squares, freedom, chance)
    if chance > 0.975:
        factor = max(estimate, 0.01) if freedom >= SURE_FREEDOM else 1.0
        return Noise("better than assumed", factor, estimate, squares, freedom, chance)
    return Noise("as expected", 1.0, estimate, squares, freedom, chance)


def judge_device(squares: float, freedom: float, known: float) -> Noise:
    """Widen or narrow the error of a device by the misclosures, from the first one on.

    Parameters
    ----------
    squares
        Weighted sum of their squares.
    freedom
        Independent misclosures; a share of one where known marks have an error of their own.
    known
        Degrees of freedom of the device: misclosures that its numbers count as.

    Returns
    -------
    Noise

    Notes
    -----
    With a scaled inverse chi-square distribution of the variance factor about 1 before, its centre
    is ``(known + squares) / (known + freedom)`` after, and errors over their standard deviations
    follow Student's t with ``known + freedom`` degrees of freedom (Gelman et al. 2013, Bayesian
    Data Analysis, 3rd edition, section 2.6 and 3.2).

    Examples
    --------
    >>> found = judge_device(22.0, 4, 2.0)
    >>> found.factor, found.degrees_of_freedom, found.verdict
    (4.0, 6.0, 'as expected')
    """
    factor = (known + squares) / (known + freedom)
    total = known + freedom
    if freedom <= 0:
        return Noise("too little to tell", 1.0, None, 0.0, 0, 1.0, known)
    from scipy.special import fdtrc

    chance = float(fdtrc(freedom, known, squares / freedom))
    verdict: Verdict = "as expected"
    if chance < 0.025:
        verdict = "worse than assumed"
    elif chance > 0.975:
        verdict = "better than assumed"
    return Noise(verdict, factor, squares / freedom, squares, freedom, chance, total)


def nssda_horizontal(east: Floats, north: Floats) -> tuple[float, float]:
    """Return radial RMSE and horizontal accuracy at 95 % of check point errors.

    Parameters
    ----------
    east, north : array, shape (m,), metres

    Notes
    -----
    NSSDA, FGDC-STD-007.3-1998: 1.7308 RMSE_r where both axes are alike; 2.4477 times the mean of
    the two where the smaller is 0.6 to 1 of the larger; otherwise the first is used as well.
    """
    both = math.sqrt(float((east**2).mean())), math.sqrt(float((north**2).mean()))
    radial = math.hypot(*both)
    if max(both) > 0 and 0.6 <= min(both) / max(both) < 1.0:
        return radial, ELLIPSE_95 * (both[0] + both[1]) / 2
    return radial, ELLIPSE_95 / math.sqrt(2) * radial


def nssda_vertical(up: Floats) -> tuple[float, float]:
    """Return RMSE and vertical accuracy at 95 %, 1.9600 RMSE_z (NSSDA, as above)."""
    rmse = math.sqrt(float((up**2).mean()))
    return rmse, 1.96 * rmse


@dataclass(frozen=True, eq=False)
class CheckPoints:
    """Known marks that did not take part.

    Parameters
    ----------
    names : tuple of str
    error : array, shape (m, 3), metres
        Survey less known: easting, northing, elevation; NaN where not known.
    sigma : array, shape (m, 3), metres
        Expected standard deviation of that.
    """

    names: tuple[str, ...]
    error: Floats
    sigma: Floats

    @property
    def suspicious(self) -> tuple[str, ...]:
        """Marks that are farther off than one in a thousand should be."""
        share = np.nan_to_num(self.error / np.maximum(self.sigma, 1e-6)) ** 2
        freedom = np.isfinite(self.error).sum(axis=1)
        return tuple(
            name
            for name, square, n in zip(self.names, share.sum(axis=1), freedom, strict=True)
            if n and chi2_sf(float(square), int(n)) < 0.001
        )


def check_points(network: Network, book: FieldBook, controls: tuple[Control, ...]) -> CheckPoints:
    """Compare the survey with its check points."""
    used = [c for c in controls if c.check]
    rows = np.array(
        [int(np.argmax(book.mark == book.marks.index(c.name))) for c in used], dtype=np.int64
    )
    place = np.array([c.position or (math.nan, math.nan) for c in used]).reshape(-1, 2)
    up = np.array([math.nan if c.elevation is None else c.elevation for c in used])
    own = np.array([[c.sigma, c.sigma, c.sigma_elevation] for c in used]).reshape(-1, 3)
    horizontal, vertical = sigma_horizontal(network)[rows], sigma_vertical(network)[rows]
    measured = np.column_stack([horizontal, horizontal, vertical])
    error = np.column_stack([network.en[rows] - place, network.elevation[rows] - up])
    return CheckPoints(tuple(c.name for c in used), error, np.hypot(own, measured))


@dataclass(frozen=True, slots=True)
class LeverArm:
    """What the baseline's length costs at the far end of the site.

    Parameters
    ----------
    row
        The observation known worst among those on marks that are not anchored.
    distance_m, baseline_m
        From the middle of the baseline; ground metres.
    error_95_m
        Semi-major axis of its 95 % error ellipse.
    swing_95_m
        The part that the turn of its run explains, never more than the whole.
    baseline_only_95_m
        What it would be if the runs shared the baseline and nothing else; ``None`` where that is
        so.
    """

    row: int
    distance_m: float
    baseline_m: float
    error_95_m: float
    swing_95_m: float
    baseline_only_95_m: float | None


def lever_arm(
    network: Network,
    baseline: tuple[int, int],
    baseline_only: Network | None,
    anchored: Ints,
) -> LeverArm:
    """Measure the lever arm.

    Parameters
    ----------
    network
    baseline
        Rows on the two baseline marks.
    baseline_only
        The same survey adjusted with the baseline marks as the only common marks.
    anchored : array, shape (k,)
        Rows on marks that are anchored: they are known already.
    """
    ends = network.en[list(baseline)]
    arm = np.hypot(*(network.en - ends.mean(axis=0)).T)
    major = error_ellipses(network)[0]
    open_to_doubt = major.copy()
    if len(anchored) < len(major):
        open_to_doubt[anchored] = -1.0
    row = int(np.argmax(open_to_doubt))
    run = network.plan.between.run[network.plan.between.at[row]]
    turn = float(orientation_variances(network)[run])
    together = float(np.hypot(*orientation_with_place(network, row)))
    swing = network.interval_factor * together / math.sqrt(turn) if turn > 0 else 0.0
    factor = network.frame.combined_factor
    return LeverArm(
        row=row,
        distance_m=float(arm[row]) / factor,
        baseline_m=math.dist(*ends) / factor,
        error_95_m=network.ellipse_factor * float(major[row]),
        swing_95_m=swing,
        baseline_only_95_m=None
        if baseline_only is None
        else network.ellipse_factor * float(error_ellipses(baseline_only)[0][row]),
    )


@dataclass(frozen=True, slots=True)
class Advice:
    """The one extra measurement of a kind that would help the far end most.

    Parameters
    ----------
    kind
        ``"tie"``: a run visits a mark once more; ``"control"``: a mark's map position is measured.
    mark
        The mark.
    run
        The run that should visit it; empty for control.
    row
        Observation of that run from which to walk there, -1 for control.
    error_95_m
        What the far end would be good to.
    """

    kind: Literal["tie", "control"]
    mark: str
    run: str
    row: int
    error_95_m: float


CANDIDATE_MARKS = 60
CANDIDATE_RUNS = 4


def advise(
    network: Network,
    book: FieldBook,
    device: Device,
    far: int,
    sigma_control: float,
    anchored: Ints,
) -> tuple[Advice, ...]:
    """Compute what each candidate measurement would gain; return the best of each kind.

    Parameters
    ----------
    network, book
    device
        That makes the extra visit.
    far
        Row whose error is to shrink.
    sigma_control
        Standard deviation per axis that a newly measured map position would have, metres.
    anchored : array, shape (k,)
        Rows on marks that are anchored: measuring them again is no advice.

    Returns
    -------
    tuple of Advice
        Best tie, best control mark; a kind is missing if it gains less than a twentieth.

    Notes
    -----
    One more pair of observations with derivative A and variance v changes the covariance C of the
    far end to ``C - G (S + v I)^-1 G^T``, with G its covariance with the new pair and S the pair's
    own.
    """
    rows = np.flatnonzero(book.mark >= 0)
    if not len(rows):
        return ()
    _, first = np.unique(book.mark[rows], return_index=True)
    marks = rows[first]
    if len(marks) > CANDIDATE_MARKS:
        marks = marks[np.linspace(0, len(marks) - 1, CANDIDATE_MARKS).round().astype(int)]
    pairs: list[tuple[int, int, int]] = []  # mark's row, row walked from, run that walks
    step_by_run: dict[int, Ints] = {}
    shown = np.argsort(-np.bincount(book.run))[:CANDIDATE_RUNS]
    for run in shown.tolist():
        of_run = np.flatnonzero(book.run == run)
        step_by_run[run] = of_run[:: max(1, len(of_run) // 500)]
    for mark in marks.tolist():
        for run, of_run in step_by_run.items():
            apart = np.hypot(*(network.en[of_run] - network.en[mark]).T)
            if run == book.run[mark]:
                # its own run comes back at the end of its walk
                pairs.append((mark, int(of_run[-1]), run))
            elif not np.any((book.run == run) & (book.mark == book.mark[mark])):
                pairs.append((mark, int(of_run[np.argmin(apart)]), run))
    best: list[Advice] = []
    now = network.ellipse_factor * float(error_ellipses(network)[0][far])
    known = set(book.mark[anchored].tolist())
    controls = [(int(m), -1, int(book.run[m])) for m in marks if book.mark[m] not in known]
    for candidates in (pairs, controls):
        if not candidates:
            continue
        table = np.array(candidates, dtype=np.int64)
        own, cross, others = sight_covariance(network, far, table[:, 0], table[:, 1])
        if candidates is pairs:
            step = network.en[table[:, 0]] - network.en[table[:, 1]]
            new = network.variance_factor * visit_variance(device, step)
        else:
            new = np.tile(max(sigma_control**2, 1e-8) * np.eye(2), (len(table), 1, 1))
        others = others + new
        left = own - cross @ np.linalg.solve(others, cross.transpose(0, 2, 1))
        error = network.ellipse_factor * np.sqrt(np.maximum(np.linalg.eigvalsh(left)[:, 1], 0.0))
        i = int(np.argmin(error))
        if error[i] < 0.95 * now:
            mark, row, run = candidates[i]
            name = book.marks[book.mark[mark]]
            walks = book.runs[run] if row >= 0 else ""
            best.append(Advice("tie" if row >= 0 else "control", name, walks, row, float(error[i])))
    return tuple(best)


def visit_variance(device: Device, step: Floats) -> Floats:
    """Return the variance of what one more straight leg to a mark measures, shape (m, 2, 2).

    Parameters
    ----------
    device
    step : array, shape (m, 2), metres

    Notes
    -----
    Random walk and pointing on both axes; across, the heading's stray: ``kappa^2 L^3 / 3``, the
    variance of the integral of a Brownian motion.
    """
    length = np.hypot(*step.T)
    own = np.maximum(device.leg**2 + device.walk**2 * length + device.pointing**2, 1e-8)
    across = np.column_stack([-step[:, 1], step[:, 0]])
    strayed = device.heading**2 * length / 3
    return np.asarray(
        own[:, None, None] * np.eye(2)
        + strayed[:, None, None] * across[:, :, None] * across[:, None, :]
    )


def baseline_variances(device: Device, legs: Floats, length: float) -> tuple[float, float]:
    """Return the variances of a baseline's length and rise as one walk measures them.

    Parameters
    ----------
    device
    legs : array, shape (m,), metres
        Walked from one mark to the other.
    length
        Of the baseline, metres.
    """
    way = float(legs.sum())
    count = len(legs)
    plan = 2 * device.pointing**2 + count * device.leg**2 + device.walk**2 * way
    height = 2 * device.pointing_up**2 + count * device.leg**2 + device.walk_up**2 * way
    drift = (device.climb * way) ** 2 + (device.tilt * length) ** 2
    return plan + (device.scale * length) ** 2, height + drift


def allowed_relative_precision(distance_m: Floats) -> Floats:
    """Return 2 cm plus 50 ppm of a distance, metres.

    2021 ALTA/NSPS Minimum Standard Detail Requirements, section 3.E.v: 95 % between neighbouring
    corners. Compared as information only: geosite makes no boundary survey.
    """
    return 0.02 + 50e-6 * distance_m


@dataclass(frozen=True, slots=True)
class NeighbourPrecision:
    """How well named marks next to each other are known relative to each other.

    Parameters
    ----------
    pairs
        How many were compared.
    within
        How many keep 2 cm plus 50 ppm.
    worst : (row before, row after)
    worst_95_m, allowed_m
        Semi-major axis of the worst pair's 95 % ellipse, and what would be allowed for it.
    """

    pairs: int
    within: int
    worst: tuple[int, int]
    worst_95_m: float
    allowed_m: float


def neighbour_precision(network: Network, book: FieldBook) -> NeighbourPrecision | None:
    """Compare neighbouring named marks of a run with 2 cm plus 50 ppm; ``None`` without any."""
    order = np.argsort(book.run, kind="stable")
    before, after = order[:-1], order[1:]
    pair = (book.run[before] == book.run[after]) & (book.mark[before] >= 0)
    pair &= (book.mark[after] >= 0) & (book.mark[before] != book.mark[after])
    before, after = before[pair], after[pair]
    if not len(before):
        return None
    distance = np.hypot(*(network.en[after] - network.en[before]).T)
    error = network.ellipse_factor * relative_ellipses(network, before, after)[0]
    allowed = allowed_relative_precision(distance / network.frame.combined_factor)
    worst = int(np.argmax(error - allowed))
    return NeighbourPrecision(
        pairs=len(before),
        within=int((error <= allowed).sum()),
        worst=(int(before[worst]), int(after[worst])),
        worst_95_m=float(error[worst]),
        allowed_m=float(allowed[worst]),
    )


@dataclass(frozen=True, slots=True)
class DirectionCheck:
    """Turn of a run's frame between its first and its last look along the baseline.

    Parameters
    ----------
    misclosure
        Radians, counter-clockwise.
    sigma
        What the leg noise makes of it, radians.
    angles
        Marks at which the walk turned in between.
    """

    misclosure: float
    sigma: float
    angles: int


def direction_check(
    book: FieldBook, walk: Walk, run: int, ends: tuple[int, int]
) -> DirectionCheck | None:
    """Compare the first and the last pass of a run along the baseline; ``None`` for one pass.

    Parameters
    ----------
    book, walk
    run
        Number of the run.
    ends
        Knots of the two baseline marks.
    """
    here = np.arange(*np.searchsorted(walk.run, [run, run + 1]))
    visits = [here[walk.knot[here] == knot] for knot in ends]
    if min(len(v) for v in visits) < 2:
        return None
    first, last = (np.array([v[i] for v in visits]) for i in (0, -1))
    if last.min() <= first.max():
        return None  # the second pass begins before the first has ended
    passes = [book.local[walk.row[at[1]]] - book.local[walk.row[at[0]]] for at in (first, last)]
    lengths = [float(np.hypot(p[0], p[1])) for p in passes]
    if min(lengths) == 0:
        return None
    turn = complex(*passes[1][:2]) / complex(*passes[0][:2])
    spread = [abs(float(walk.variance[at[1]] - walk.variance[at[0]])) for at in (first, last)]
    return DirectionCheck(
        misclosure=math.atan2(turn.imag, turn.real),
        sigma=math.sqrt(sum(v / n**2 for v, n in zip(spread, lengths, strict=True))),
        angles=int(last.min() - first.max()),
    )


def angular_limit(seconds: float, angles: int) -> float:
    """Return the angular misclosure a rule of K seconds times the root of n allows, radians.

    K is 10 for the 1:10,000 classes and 30 for the 1:5,000 classes of WAC 332-130-090(2).
    """
    return math.radians(seconds / 3600) * math.sqrt(angles)


def levelling_mm_per_sqrt_km(closure: Closure) -> float:
    """Return the vertical misclosure of a loop over the root of its length, mm per sqrt(km).

    FGCC 1984 allows 12 for third-order levelling (from memory).
    """
    return abs(closure.misclosure_up_m) * 1000 / math.sqrt(max(closure.length_m, 1e-3) / 1000)
