"""Whether the ground falls away from buildings as the rule for the kind of building asks.

A wall has many places, and the worst of many looks worse than it is: the intervals are widened so
that all of them together hold in 95 of 100 cases, and a building is judged by those.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geosite.analysis.access.ramps import profile_draws
from geosite.analysis.limits import FallRule, Word, judge
from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.statistics import NORMAL_95
from geosite.network.covariance import covariance
from geosite.terrain.uncertainty.ground import Ground
from geosite.terrain.water.falls_from_buildings import LEAST_DROP_M, WallProfiles
from geosite.terrain.water.water_estimates import FallEstimate

__all__ = ["FallVerdict", "joint_falls", "judge_fall"]

#: Places along the walls of one building that are looked at.
_MOST_PLACES = 160
_DRAWS = 1000


@dataclass(frozen=True, eq=False)
class FallVerdict:
    """Whether the ground falls away from one building.

    Parameters
    ----------
    estimate
        The fall, and how far it can be trusted.
    rule
        What is asked for.
    lengths_m
        Length of wall by verdict, ground metres.
    worst
        Fall at the place that misses its limit most surely, a ratio, with the interval that holds
        for all places together; ``None`` where nothing was measured.
    limit, is_paved, over_m
        At that place: a ratio, whether most of the ground before it is paved, and over which
        distance the fall was taken.
    place : array, shape (2,)
        At the wall, local grid metres.
    verdict
        ``beyond`` where some of the wall has less than the rule asks for.
    """

    estimate: FallEstimate
    rule: FallRule
    lengths_m: Mapping[Word, float]
    worst: Estimate | None
    limit: float
    is_paved: bool
    over_m: float
    place: Floats
    verdict: Word


def judge_fall(estimate: FallEstimate, rule: FallRule, ground: Ground, cells: Grid) -> FallVerdict:
    """Judge the fall of the ground away from one building.

    Parameters
    ----------
    estimate
        With the profiles before its walls.
    rule
        For the kind of building; the limits themselves come with the profiles.
    ground
        Between the marks.
    cells
        Of the profiles, local grid metres.
    """
    profiles = estimate.profiles
    if profiles is None:
        raise ValueError("a fall without the profiles it was read from cannot be judged")
    every = max(1, -(-len(profiles.over_m) // _MOST_PLACES))
    which = np.arange(0, len(profiles.over_m), every)
    ends = _ends(profiles, cells)[which]
    measured = ground.measured(ends.reshape(-1, 2)).reshape(-1, 2).all(axis=1)
    # what rounding takes off a fall is no miss
    over = profiles.over_m[which]
    limit = profiles.limit_percent[which] / 100 - LEAST_DROP_M / over
    width = np.add.reduceat(profiles.width_m, which)
    words: list[Word] = ["not measured"] * len(which)
    falls: dict[int, Estimate] = {}
    known = np.flatnonzero(measured)
    for k, fall in zip(known.tolist(), joint_falls(ground, ends[known], over[known]), strict=True):
        falls[k] = fall
        words[k] = judge(fall, float(limit[k]), at_least=True).verdict
    order: tuple[Word, ...] = ("beyond", "undecided", "not measured", "within")
    lengths = {
        word: float(sum(w for w, is_word in zip(width, words, strict=True) if is_word == word))
        for word in order
    }
    worst = min(falls, key=lambda k: falls[k].high - limit[k], default=0)
    at = int(which[worst])
    return FallVerdict(
        estimate=estimate,
        rule=rule,
        lengths_m=lengths,
        worst=falls.get(worst),
        limit=float(profiles.limit_percent[at]) / 100,
        is_paved=bool(profiles.is_paved[at]),
        over_m=float(profiles.over_m[at]),
        place=profiles.foot[at],
        verdict=next(word for word in order if word in words),
    )


def _ends(profiles: WallProfiles, cells: Grid) -> Floats:
    """Return both ends of each profile, shape (n, 2, 2), local grid metres."""
    east = cells.west + (profiles.col + 0.5) * cells.cell_size
    north = cells.north - (profiles.row + 0.5) * cells.cell_size
    return np.stack([east, north], axis=-1)


def joint_falls(ground: Ground, ends: Floats, over: Floats) -> list[Estimate]:
    """Return falls with intervals that hold for all of them together.

    Parameters
    ----------
    ground
        Between the marks.
    ends : array, shape (k, 2, 2), local grid metres
        From where to where.
    over : array, shape (k,), ground metres
        How far that is.

    Returns
    -------
    list of Estimate
        Ratios, positive from the first end to the second.

    Notes
    -----
    The factor is the 95 % quantile of the largest of the errors over their standard deviations,
    from draws of their joint distribution (max-t; Hothorn, T., Bretz, F. & Westfall, P. 2008,
    Simultaneous inference in general parametric models, doi:10.1002/bimj.200810425).
    """
    count = len(ends)
    if not count:
        return []
    flat = ends.reshape(-1, 2)
    numbers = np.arange(count)
    weights = np.zeros((count, 2 * count))
    weights[numbers, 2 * numbers], weights[numbers, 2 * numbers + 1] = 1 / over, -1 / over
    forms = [
        ground.sum_form(pair, [1 / run, -1 / run]) for pair, run in zip(ends, over, strict=True)
    ]
    marks = covariance(ground.network.relative, forms)
    between = weights @ ground.departure_covariance(flat) @ weights.T
    total = marks + between
    sigma = np.sqrt(np.maximum(np.diag(total), 0.0))
    errors = profile_draws(np.zeros(count), total, count=_DRAWS)
    largest = np.max(np.abs(errors) / np.where(sigma > 0, sigma, 1.0), axis=1)
    together = max(float(np.quantile(largest, 0.95)) / NORMAL_95, 1.0)
    own = np.diag(marks).tolist(), np.maximum(np.diag(between), 0.0).tolist()
    factors = [ground.coverage_factor(m, b) * together for m, b in zip(*own, strict=True)]
    value = weights @ ground.elevations_at(flat)
    return [
        Estimate.normal(float(v), float(s), f)
        for v, s, f in zip(value, sigma, factors, strict=True)
    ]
