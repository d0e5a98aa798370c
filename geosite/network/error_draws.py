"""Draws of the whole survey: errors of all marks as the adjustment leaves them, joint and exact.

The unknowns are drawn from their covariance. Between two nodes the error carried back to the first
(`geosite.network.walk.dead_reckoning`) is walked leg by leg; at the second node it misses what it
should be there, and of that each place gives back its share ``G_i G^-1``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints, square_root
from geosite.network.equations.normal import Posterior
from geosite.network.model import Network

__all__ = ["Draws", "draw_marks", "student_scale"]


@dataclass(frozen=True, eq=False)
class _Axis:
    """Plan or heights: unknowns of each row and their shares, walks between nodes, pointing.

    Parameters
    ----------
    posterior
        Covariance of the unknowns.
    unknown, share : arrays, shapes (n, k) and (n, d, k)
        Rows as combinations of the unknowns.
    step : array, shape (r, e, e)
        Square root of the covariance of each step along the chains.
    rest : array, shape (c, e, e)
        The same of the way left to the end of each chain.
    back : array, shape (r, e, e)
        Share of what is missed at the end that each place gives back.
    move : array, shape (r, d, e)
        How a place moves with the error carried back to the node.
    pointing : float
        Variance of pointing, square metres.
    """

    posterior: Posterior
    unknown: Ints
    share: Floats
    step: Floats
    rest: Floats
    back: Floats
    move: Floats
    pointing: float

    def draw(self, rng: np.random.Generator, at: Ints, starts: Ints) -> Floats:
        """Return one draw, shape (n, d); rows `at` lie in chains that begin at `starts`."""
        unknown = self.posterior.errors(rng.standard_normal(self.posterior.size))
        error: Floats = np.einsum("rda,ra->rd", self.share, unknown[self.unknown])
        if not len(at):
            return error
        walked = np.einsum("rde,re->rd", self.step, rng.standard_normal(self.step.shape[:2]))
        walked = np.cumsum(walked, axis=0)
        count = np.diff(np.append(starts, len(at)))
        before = np.concatenate([np.zeros((1, walked.shape[1])), walked])[starts]
        walked -= np.repeat(before, count, axis=0)
        rest = np.einsum("rde,re->rd", self.rest, rng.standard_normal(self.rest.shape[:2]))
        missed = walked[starts + count - 1] + rest
        walked -= np.einsum("rde,re->rd", self.back, np.repeat(missed, count, axis=0))
        moved = np.einsum("rde,re->rd", self.move, walked)
        error[at] += moved + math.sqrt(self.pointing) * rng.standard_normal(moved.shape)
        return error


@dataclass(frozen=True, eq=False)
class Draws:
    """Draws errors of all observations of a network; made once (`of`) and called often."""

    plan: _Axis
    heights: _Axis
    at: Ints
    starts: Ints

    @classmethod
    def of(cls, network: Network) -> Draws:
        """Prepare the draws of a network."""
        plan, heights = network.plan, network.heights
        between = plan.between
        every = np.arange(len(between.at))
        inner = np.flatnonzero(~between.on_node(every))
        order = inner[np.lexsort((between.steps(inner), between.chain(inner)))]
        starts = np.flatnonzero(np.diff(between.chain(order), prepend=-1))
        last = np.append(starts[1:], len(order))[: len(starts)] - 1
        row = np.empty(len(between.at), dtype=np.int64)
        row[between.at] = every
        rows, leg = row[order], between.leg(order)

        def axis(
            posterior: Posterior,
            states: tuple[Ints, Floats],
            gain: Floats,
            ends: Floats,
            weight: Floats,
            move: Floats,
            pointing: float,
        ) -> _Axis:
            step = np.diff(gain, axis=0, prepend=np.zeros_like(gain[:1]))
            step[starts] = gain[starts]
            whole = np.concatenate([ends, np.zeros_like(gain[:1])])[leg[last]]
            rest = np.where((leg[last] >= 0)[:, None, None], whole - gain[last], 0.0)
            inverse = np.concatenate([weight, np.zeros((1, *weight.shape[1:]))])[leg]
            return _Axis(
                posterior,
                *states,
                square_root(step),
                square_root(rest),
                gain @ inverse,
                move,
                pointing,
            )

        unknown, of_plan = plan.states(every)
        move = np.zeros((len(order), 2, 3))
        move[:, 0, 0] = move[:, 1, 1] = 1.0
        move[:, 0, 2], move[:, 1, 2] = -plan.reach[order].imag, plan.reach[order].real
        in_plan = axis(
            plan.posterior,
            (unknown, of_plan[:, :2]),
            plan.gains(order),
            plan.leg_gain,
            plan.weight,
            move,
            plan.pointing,
        )
        unknown, of_heights = heights.states(every)
        in_height = axis(
            heights.posterior,
            (unknown, of_heights[:, None]),
            heights.variance[order][:, None, None],
            heights.leg_variance[:, None, None],
            1.0 / heights.leg_variance[:, None, None],
            np.ones((len(order), 1, 1)),
            heights.pointing,
        )
        return cls(in_plan, in_height, rows, starts)

    def __call__(self, rng: np.random.Generator) -> Floats:
        """Return one draw, shape (n, 3): east, north, up, metres, in field-book order."""
        return np.column_stack([self.places(rng), self.elevations(rng)])

    def places(self, rng: np.random.Generator) -> Floats:
        """Return errors of easting and northing, shape (n, 2), metres."""
        return self.plan.draw(rng, self.at, self.starts)

    def elevations(self, rng: np.random.Generator) -> Floats:
        """Return errors of the elevations, shape (n,), metres."""
        return self.heights.draw(rng, self.at, self.starts)[:, 0]


def student_scale(rng: np.random.Generator, degrees_of_freedom: float) -> float:
    """Draw what turns normal errors into errors of Student's t distribution."""
    if math.isinf(degrees_of_freedom):
        return 1.0
    return math.sqrt(degrees_of_freedom / rng.chisquare(degrees_of_freedom))


def draw_marks(network: Network, seed: int, draws: range, prepared: Draws | None = None) -> Floats:
    """Draw errors of all observed positions, as the adjustment leaves them.

    Parameters
    ----------
    network
    seed, draws
        Each draw has a generator of its own, so that it is the same however many are made.
    prepared
        `Draws.of` the network, where it is asked more than once.

    Returns
    -------
    array, shape (len(draws), n, 3), metres
        Errors of easting, northing and elevation of every observation: exact draws from the
        network's covariance, in time proportional to the number of observations. Where the noise
        had to be estimated, the tails are those of Student's t.
    """
    prepared = prepared or Draws.of(network)
    out = np.empty((len(draws), len(network.en), 3))
    for at, number in enumerate(draws):
        rng = np.random.default_rng([seed, number, 0])
        in_plan = student_scale(rng, network.degrees_of_freedom)
        in_height = student_scale(rng, network.vertical_degrees_of_freedom)
        out[at] = prepared(rng) * [in_plan, in_plan, in_height]
    return out
