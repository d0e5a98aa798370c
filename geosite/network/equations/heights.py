"""The least squares of the heights: of knots and paths, and of each run its climb and tilt.

Everything is linear. Unknown are the elevation of each knot, that of the path at every node where
pointing errs, and per run the climb (metres per metre walked) and the tilt of its vertical axis
(radians about two horizontal axes).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.equations.normal import Equations, Posterior, Prior, Term, gather, squares_of
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Piece, Walk

__all__ = ["Heights", "adjust_heights"]


@dataclass(frozen=True, eq=False)
class Heights:
    """Adjusted elevations.

    Parameters
    ----------
    elevation : array, shape (K,), metres
    path_height : array, shape (m,), metres
        Of the path at each node.
    drift : array, shape (R, 3)
        Climb and the two tilts of each run.
    knot, path, run_drift
        Numbers of the unknowns, shapes (K,), (m,), (R, 3).
    posterior
        Their covariance.
    legs, visits, terms
        Long legs, visits and all observations, at the end.
    given
        What it was adjusted from.
    weighted_squares, redundancy
        As in `geosite.network.equations.plan.Plan`.
    """

    elevation: Floats
    path_height: Floats
    drift: Floats
    knot: Ints
    path: Ints
    run_drift: Ints
    posterior: Posterior
    legs: Term
    visits: Term | None
    terms: tuple[Term, ...]
    given: Way
    weighted_squares: float
    redundancy: int

    def reckoned(self) -> Iterator[tuple[Piece, Floats, Floats]]:
        """Yield the way between the nodes, piece by piece (`Way.reckoned`)."""
        return self.given.reckoned()

    def alone(self) -> Heights:
        """Return the heights without what they keep of every row."""
        return replace(self, given=replace(self.given, path=np.zeros((0, 3))))


@dataclass(frozen=True, eq=False)
class Way:
    """A walk, its path in each run's own frame (n, 3), metres, and the factor of its variances."""

    walk: Walk
    path: Floats
    factor: float

    def reckoned(self) -> Iterator[tuple[Piece, Floats, Floats]]:
        """Yield, piece by piece, what lies between the reference node and each position.

        Yields
        ------
        piece
        reach : array, shape (n, 4)
            In walking order: rise as measured (metres), way (metres), and the horizontal vector in
            the run's own axes.
        variance : array, shape (n,)
            Variance of the random walk.
        """
        length = self.walk.length
        for piece in self.walk.pieces():
            walk, path = piece.walk, self.path[piece.at]
            reference = walk.reference
            reach = np.empty((len(path), 4))
            for k, total in enumerate((path[:, 2], length[piece.at], path[:, 0], path[:, 1])):
                reach[:, k] = total - total[reference]
            variance = np.cumsum(self.factor * walk.step_variance_up)
            yield piece, reach, np.abs(variance - variance[reference])

    def legs(self) -> tuple[Floats, Floats]:
        """Return the same at the end of each long leg, shapes (s, 4) and (s,)."""
        reach, variance = [], []
        for piece, way, spread in self.reckoned():
            reach.append(way[piece.walk.leg_end])
            variance.append(spread[piece.walk.leg_end])
        return np.concatenate(reach), np.concatenate(variance)


def adjust_heights(
    walk: Walk, path: Floats, device: Device, factor: float, prior: Prior, runs: int
) -> Heights:
    """Adjust the elevations.

    Parameters
    ----------
    walk
    path : array, shape (n, 3), metres
        The walk in each run's own frame, in walking order.
    device
    factor
        What its variances are multiplied with.
    prior
        Known elevations, at least one.
    runs
        How many.

    Returns
    -------
    Heights
    """
    knots, nodes = len(walk.knots), len(walk.nodes)
    knot = np.arange(knots)
    at_node, size = knot[walk.knot[walk.nodes]], knots
    if device.pointing_up > 0:
        at_node, size = knots + np.arange(nodes), knots + nodes
    drift = size + np.arange(3 * runs).reshape(runs, 3)
    size += 3 * runs
    known = np.array([device.climb > 0, device.tilt > 0, device.tilt > 0])
    held = np.concatenate([knot[prior.knot[prior.exact]], drift[:, ~known].ravel()])
    free = np.setdiff1d(np.arange(size), held)

    way = Way(walk, path, factor)
    terms = _terms(way, device, prior, (knot, at_node, drift))
    value = np.zeros(size)
    value[prior.knot[prior.exact]] = prior.value[prior.exact]
    matrix, gradient = gather(_moved(terms, value), size)
    equations = Equations(matrix, free)
    value = value - equations.solve(gradient)
    terms = _moved(terms, value)
    visits = nodes if device.pointing_up > 0 else 0
    observations = len(walk.leg_start) + visits + int((~prior.exact).sum())
    observations += runs * int(known.sum())
    return Heights(
        elevation=value[knot],
        path_height=value[at_node],
        drift=value[drift],
        knot=knot,
        path=at_node,
        run_drift=drift,
        posterior=Posterior(equations, _together(walk)),
        legs=terms[0],
        visits=terms[-1] if visits else None,
        terms=tuple(terms),
        given=way,
        weighted_squares=squares_of(terms),
        redundancy=observations - len(free),
    )


def _together(walk: Walk) -> Ints:
    """Knots that follow each other on a walk: visits are tested."""
    middle = np.flatnonzero(walk.leg_end[:-1] == walk.leg_start[1:])
    leg = np.column_stack([walk.leg_from, walk.leg_to, walk.leg_to])
    leg[middle, 2] = walk.leg_to[middle + 1]
    return leg


def _terms(way: Way, device: Device, prior: Prior, unknowns: tuple[Ints, Ints, Ints]) -> list[Term]:
    """Long legs, known elevations, drifts, visits; misfits where all unknowns are nothing."""
    walk, factor = way.walk, way.factor
    knot, at_node, drift = unknowns
    reach, variance = way.legs()
    start, end = walk.node_at[walk.leg_start], walk.node_at[walk.leg_end]
    count = len(start)
    rise, *coupling = reach.T
    jacobian = np.empty((count, 1, 5))
    jacobian[:, 0] = np.column_stack([-np.ones(count), np.ones(count), *(-c for c in coupling)])
    terms = [
        Term(
            np.column_stack([at_node[start], at_node[end], drift[walk.leg_run]]),
            jacobian,
            1.0 / variance[:, None, None],
            -rise[:, None],
        )
    ]
    if len(prior.knot):
        off = np.where(prior.exact, 0.0, -prior.value)[:, None]
        one = np.ones((len(off), 1, 1))
        terms.append(Term(knot[prior.knot][:, None], one, prior.weight[:, None, None], off))
    for sigma, which in ((device.climb, drift[:, :1]), (device.tilt, drift[:, 1:].reshape(-1, 1))):
        if sigma > 0:
            one = np.ones((len(which), 1, 1))
            terms.append(Term(which, one, one / (factor * sigma**2), np.zeros((len(which), 1))))
    if device.pointing_up > 0:
        one = np.ones((len(at_node), 1, 1))
        terms.append(
            Term(
                np.column_stack([knot[walk.knot[walk.nodes]], at_node]),
                np.concatenate([one, -one], axis=2),
                one / (factor * device.pointing_up**2),
                np.zeros((len(at_node), 1)),
            )
        )
    return terms


def _moved(terms: list[Term], value: Floats) -> list[Term]:
    return [
        Term(
            t.unknown,
            t.jacobian,
            t.weight,
            t.misfit + np.einsum("mda,ma->md", t.jacobian, value[t.unknown]),
        )
        for t in terms
    ]
