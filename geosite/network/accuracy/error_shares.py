"""What the error of a place, an elevation or a distance is made of.

An adjusted quantity is off by a weighted sum of the errors of all observations. Their covariance is
a sum of parts, one for each component of the device and one for the anchor, so the variance of the
quantity is a sum of the same parts: what each brings through the adjustment as it is, ``h^T Sigma_k
h`` (propagation of variances: Koch 1999, Parameter Estimation and Hypothesis Testing in Linear
Models, section 2.4, from memory). One solution of the normal equations gives the weights h.

Of a place on the way between two nodes the long leg is two observations: what it brought up to the
place, and all of it, of which the adjustment gives the place a fixed share.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.equations.normal import Prior, Term
from geosite.network.equations.rows import HeightRows, PlanRows
from geosite.network.model import Network
from geosite.network.place_on_map import Placing
from geosite.network.tie_runs import known_heights, known_places
from geosite.network.walk.dead_reckoning import state_matrix
from geosite.network.walk.runs import Walk, sum_at

__all__ = ["ErrorShares", "error_shares"]

PARTS = ("heading", "scale", "climb", "tilt", "pointing", "random walk", "anchor", "transformation")
MOST_MARKS = 60
"""Marks among which the typical distance is looked for."""


@dataclass(frozen=True, slots=True)
class ErrorShares:
    """What the variances of three quantities are made of, as shares that add up to one.

    Parameters
    ----------
    row
        Observation whose place and elevation are meant.
    between : (row, row) or None
        Observations whose distance is meant: of all pairs of marks the one of median distance.
    distance_m
        Ground metres.
    horizontal, vertical, distance
        Share of each component that the device or the anchor has, by its name; empty where a
        quantity is exact.
    """

    row: int
    between: tuple[int, int] | None
    distance_m: float
    horizontal: dict[str, float]
    vertical: dict[str, float]
    distance: dict[str, float]


def error_shares(placing: Placing, network: Network, walk: Walk, row: int) -> ErrorShares:
    """Return what the error of a place and of a typical distance is made of.

    Parameters
    ----------
    placing, network, walk
        The survey, and what came of it.
    row
        Observation.

    Returns
    -------
    ErrorShares
    """
    between = _typical_pair(network, placing.notes.book.first_observations(MOST_MARKS))
    plan, heights = _plan(placing, network, walk), _heights(placing, network, walk)
    at = np.array([row])
    east, north = (plan.variances(at, axis[None]) for axis in np.eye(2))
    place = {name: east[name] + north[name] for name in east}
    level = heights.variances(at, np.ones((1, 1)))
    apart, length = 0.0, dict.fromkeys(place, 0.0)
    if between is not None:
        ends = np.array(between)
        step = network.en[ends[1]] - network.en[ends[0]]
        along = step / np.hypot(*step)
        length = plan.variances(ends, np.array([-along, along]))
        apart = math.dist(*network.en[ends]) / network.frame.combined_factor
    if network.shift:
        place["transformation"] = 2 * network.shift.sigma**2
        level["transformation"] = network.shift.sigma_up**2
    names = [name for name in PARTS if name in place or name in level]
    return ErrorShares(row, between, apart, *(_shares(v, names) for v in (place, level, length)))


def _shares(variances: dict[str, float], names: list[str]) -> dict[str, float]:
    """Return parts of a variance over all of it; nothing where there is none."""
    found = {name: max(variances.get(name, 0.0), 0.0) for name in names}
    whole = sum(found.values())
    return {name: value / whole for name, value in found.items()} if whole > 0 else {}


@dataclass(frozen=True, eq=False)
class _Part:
    """The plan or the heights, and the covariances that the errors of their observations have.

    Parameters
    ----------
    rows
    leg_end : array, shape (s,)
        Position at which each long leg ends.
    legs : callable
        By name, covariances of a part of the legs' error, from the node to positions, (m, d, d).
    terms
        By name, observations that err by one part only.
    azimuth
        Variance of the condition that the last unknown is the multiplier of, ``None`` for none.
    """

    rows: PlanRows | HeightRows
    leg_end: Ints
    legs: Callable[[Ints], dict[str, Floats]]
    terms: dict[str, Term]
    azimuth: float | None = None

    def variances(self, rows: Ints, weights: Floats) -> dict[str, float]:
        """Return the parts of the variance of a sum of places with weights, shape (m, axes)."""
        part, between = self.rows, self.rows.between
        unknown, coefficient, moves = _hung(part, rows)
        weights = np.pad(weights, ((0, 0), (0, coefficient.shape[1] - weights.shape[1])))
        table = np.einsum("md,mdk->mk", weights, coefficient)
        form = sum_at(unknown.ravel(), table.ravel(), part.posterior.size)
        pull = part.posterior.times(form[None])[0]
        inner = np.flatnonzero(~between.on_node(between.at[rows]))
        reached = np.einsum("mde,md->me", moves[inner], weights[inner])
        found = self._of_legs(pull, between.at[rows[inner]].astype(np.int64), reached)
        for name, term in self.terms.items():
            moved = _moved(term, pull)
            found[name] = float(np.einsum("md,mde,me->", moved, term.weight, moved))
        if part.pointing > 0:
            found["pointing"] += part.pointing * float((weights[inner] ** 2).sum())
        if self.azimuth is not None:
            found["anchor"] += self.azimuth * float(pull[-1]) ** 2
        return found

    def _of_legs(self, pull: Floats, at: Ints, reached: Floats) -> dict[str, float]:
        """Parts that come from the legs; places at positions that are no nodes have weights."""
        between, legs = self.rows.between, self.rows.legs
        whole, own = self.legs(self.leg_end), self.legs(at)
        tied = np.flatnonzero(between.leg(at) >= 0)
        leg = between.leg(at[tied])
        weight = -np.einsum("mde,me->md", legs.weight, _moved(legs, pull))
        for up_to in own.values():
            share = legs.weight[leg] @ up_to[tied] @ reached[tied, :, None]
            np.add.at(weight, leg, share[:, :, 0])
        found, chain, steps = {}, between.chain(at), between.steps(at)
        for name, up_to in own.items():
            parts = np.einsum("md,mde,me->m", weight, whole[name], weight)
            met = np.einsum("md,mde,me->m", weight[leg], up_to[tied], reached[tied])
            found[name] = float(parts.sum() - 2 * met.sum())
            for i, j in product(range(len(at)), repeat=2):
                if chain[i] == chain[j]:
                    nearer = i if steps[i] <= steps[j] else j
                    found[name] += float(reached[i] @ up_to[nearer] @ reached[j])
        return found


def _moved(term: Term, step: Floats) -> Floats:
    """Return what a step of the unknowns changes of observations, shape (m, d)."""
    return np.asarray(np.einsum("mda,ma->md", term.jacobian, step[term.unknown]))


def _hung(part: PlanRows | HeightRows, rows: Ints) -> tuple[Ints, Floats, Floats]:
    """How rows hang on the unknowns, (m, k) and (m, d, k), and on what their legs brought there."""
    unknown, coefficient = part.states(rows)
    if isinstance(part, PlanRows):
        return unknown, coefficient, state_matrix(part.reach[part.between.at[rows]])
    return unknown, coefficient[:, None], np.ones((len(rows), 1, 1))


def _plan(placing: Placing, network: Network, walk: Walk) -> _Part:
    rows, device, factor = network.plan, placing.device, network.variance_factor

    def legs(at: Ints) -> dict[str, Floats]:
        variance = walk.variance
        way = np.abs(variance[at] - variance[walk.reference[at]])
        walked = factor * way[:, None, None] * np.diag([1.0, 1.0, 0.0])
        if device.heading == 0:
            return {"random walk": walked}
        return {"heading": rows.gains(at) - walked, "random walk": walked}

    places = known_places(placing.anchored.controls, {n: i for i, n in enumerate(walk.knots)})
    east = _unknowns(rows, walk)[places.knot]
    known = Prior(np.append(east, east + 1), np.zeros(0), np.tile(places.sigma, 2))
    terms = {"anchor": _alone(known.knot, known.weight)}
    if device.scale > 0:
        weight = np.full(len(rows.scale), 1.0 / (factor * device.scale**2))
        terms["scale"] = _alone(rows.scale, weight)
    if rows.visits is not None:
        terms["pointing"] = rows.visits
    azimuth = None
    if len(places.knot) == 1 and placing.anchored.azimuth is not None:
        baseline = placing.notes.site.baseline
        ends = [walk.knots.index(name) for name in (baseline.from_, baseline.to)]
        at = [int(walk.row[np.argmax(walk.knot == knot)]) for knot in ends]
        length = math.dist(*network.en[at])
        azimuth = (placing.anchored.azimuth[1] * length) ** 2
    return _Part(rows, walk.leg_end, legs, terms, azimuth)


def _heights(placing: Placing, network: Network, walk: Walk) -> _Part:
    rows, device, factor = network.heights, placing.device, network.vertical_variance_factor

    def legs(at: Ints) -> dict[str, Floats]:
        return {"random walk": rows.variance[at][:, None, None]}

    known = known_heights(placing.anchored.controls, {n: i for i, n in enumerate(walk.knots)})
    terms = {"anchor": _alone(_unknowns(rows, walk)[known.knot], known.weight)}
    drift = rows.drift[np.unique(walk.run)]
    both = (("climb", device.climb, drift[:, 0]), ("tilt", device.tilt, drift[:, 1:].ravel()))
    for name, size, which in both:
        if size > 0:
            terms[name] = _alone(which, np.full(len(which), 1.0 / (factor * size**2)))
    if rows.visits is not None:
        terms["pointing"] = rows.visits
    return _Part(rows, walk.leg_end, legs, terms)


def _unknowns(rows: PlanRows | HeightRows, walk: Walk) -> Ints:
    """Return the unknown of each knot: of its easting in the plan."""
    found = np.empty(len(walk.knots), dtype=np.int64)
    found[walk.knot[walk.nodes]] = rows.knot
    return found


def _alone(unknown: Ints, weight: Floats) -> Term:
    """Return observations of one unknown each."""
    count = len(unknown)
    one = np.ones((count, 1, 1))
    return Term(unknown[:, None], one, weight[:, None, None], np.zeros((count, 1)))


def _typical_pair(network: Network, marks: Ints) -> tuple[int, int] | None:
    first, second = np.triu_indices(len(marks), 1)
    apart = np.hypot(*(network.en[marks[second]] - network.en[marks[first]]).T)
    met = np.flatnonzero(apart > 0)
    if not len(met):
        return None
    middle = met[np.argsort(apart[met], kind="stable")[len(met) // 2]]
    return int(marks[first[middle]]), int(marks[second[middle]])
