"""How every observation hangs on the unknowns of the adjustment.

An observation between two nodes is a fixed combination of what is unknown at both, of the scale,
climb and tilt of its run, and a part that the nodes do not fix: a bridge between them, a free walk
at the open ends of a run (`geosite.network.walk.dead_reckoning`). Arrays are in walking order.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints, Shorts
from geosite.network.equations.heights import Heights
from geosite.network.equations.normal import Posterior, Term
from geosite.network.equations.plan import Plan
from geosite.network.walk.dead_reckoning import gains, state_matrix
from geosite.network.walk.runs import Complexes, Walk

__all__ = ["Between", "HeightRows", "PlanRows", "height_rows", "plan_rows"]

AT_ONCE = 1 << 13
"""Rows treated together: each takes a kilobyte meanwhile."""


def _parts(count: int) -> Iterator[slice]:
    for start in range(0, count, AT_ONCE):
        yield slice(start, min(start + AT_ONCE, count))


def _hung_on(unknown: Ints, share: Floats) -> Ints:
    """Put the first unknown in the place of those a row does not hang on: nothing to look up."""
    return np.where((share != 0).any(axis=1), unknown, unknown[:, :1])


@dataclass(frozen=True, eq=False)
class Between:
    """Where each position lies between the nodes of its run.

    Of a long walk two numbers a position are kept; the rest follows from the nodes when asked.

    Parameters
    ----------
    at : array, shape (n,)
        Position in walking order of each observation.
    run : array, shape (n,)
        Run at each position.
    start : array, shape (n,)
        Node from which a position is reckoned.
    node : array, shape (m,)
        Position of each node.
    leg_from : array, shape (m,)
        Long leg that leaves each node, ``-1`` where an open end does or the run ends.
    """

    at: Shorts
    run: Shorts
    start: Shorts
    node: Ints
    leg_from: Ints

    def on_node(self, at: Ints | Shorts) -> npt.NDArray[np.bool_]:
        """Tell which positions visit a knot, shape (k,)."""
        on_node: npt.NDArray[np.bool_] = self.node[self.start[at]] == at
        return on_node

    def leg(self, at: Ints | Shorts) -> Ints:
        """Return the long leg of positions, ``-1`` on nodes and open ends, shape (k,)."""
        start = self.start[at]
        return np.where(at > self.node[start], self.leg_from[start], -1)

    def end(self, at: Ints | Shorts) -> Ints:
        """Return the next node after positions, on nodes and open ends that of `start`."""
        return self.start[at].astype(np.int64) + (self.leg(at) >= 0)

    def chain(self, at: Ints | Shorts) -> Ints:
        """Return the number of the long leg or open end of positions, ``-1`` on nodes."""
        start, leg = self.start[at], self.leg(at)
        node = self.node[start]
        # the way before the first node of a run is no part of that which leaves it
        opened = len(self.node) * (1 + (at < node)) + start
        return np.where(node == at, -1, np.where(leg >= 0, leg, opened))

    def steps(self, at: Ints | Shorts) -> Ints:
        """Return the legs between the node and positions, shape (k,)."""
        steps: Ints = np.abs(at - self.node[self.start[at]])
        return steps

    @classmethod
    def of(cls, walk: Walk) -> Between:
        """Return it for a walk."""
        n = len(walk.row)
        at, start = np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32)
        at[walk.row] = np.arange(n, dtype=np.int32)
        for piece in walk.pieces():
            part = piece.walk
            reference = part.reference.copy()
            reference[part.nodes] = part.nodes
            start[piece.at] = part.node_at[reference] + piece.nodes.start
        leg_from = np.full(len(walk.nodes), -1)
        leg_from[np.searchsorted(walk.nodes, walk.leg_start)] = np.arange(len(walk.leg_start))
        return cls(at, walk.run, start, walk.nodes, leg_from)


@dataclass(frozen=True, eq=False)
class PlanRows:
    """Places in plan as linear functions of the unknowns.

    Parameters
    ----------
    between
    posterior
        Covariance of the unknowns.
    knot : array, shape (m,)
        Unknown of the easting of the knot at each node.
    path, heading : array, shape (m,)
        Unknowns of each node: easting of the path (northing is one more), heading.
    orientation, scale : array, shape (runs,)
        Unknowns of each run: heading at its first node, scale.
    reach, carried : array of complex, shape (n,), metres
        Vector from the node; what changes of it with the scale of the run.
    gain : array, shape (n, k)
        Covariance from the node to each position, as its entries that differ
        (`geosite.network.walk.dead_reckoning.gains`).
    leg_reach, leg_carried, leg_gain : arrays, shapes (s,), (s,) and (s, 3, 3)
        The same at the end of each long leg.
    weight : array, shape (s, 3, 3)
        Inverse of `leg_gain` where the run's heading strays, of its places alone elsewhere.
    pointing : float
        Variance per axis of a place that is no knot beside its path, square metres.
    legs, visits
        Long legs and visits as observations of the adjustment, at its end.
    """

    between: Between
    posterior: Posterior
    knot: Ints
    path: Ints
    heading: Ints
    orientation: Ints
    scale: Ints
    reach: Complexes
    carried: Complexes
    gain: Floats
    leg_reach: Complexes
    leg_carried: Complexes
    leg_gain: Floats
    weight: Floats
    pointing: float
    legs: Term
    visits: Term | None

    def gains(self, at: Ints | Shorts) -> Floats:
        """Return the covariance from the node to positions, shape (m, 3, 3)."""
        return gains(self.gain[at])

    def states(self, rows: Ints, *, of_path: bool = False) -> tuple[Ints, Floats]:
        """Return easting, northing, heading as combinations of seven unknowns.

        Parameters
        ----------
        rows : array, shape (m,)
            Observations.
        of_path
            On a knot, the path of the run that visits it instead of the knot.

        Returns
        -------
        unknown : array, shape (m, 7)
        coefficient : array, shape (m, 3, 7)
        """
        at = self.between.at[rows]
        start, end, leg = self.between.start[at], self.between.end(at), self.between.leg(at)
        here = self.between.on_node(at)
        east = self.path[start]
        if not of_path:
            east = np.where(here, self.knot[start], east)
        unknown = np.column_stack(
            [
                *(east, east + 1, self.heading[start]),
                *(self.path[end], self.path[end] + 1, self.heading[end]),
                self.scale[self.between.run[at]],
            ]
        )
        moves = state_matrix(np.where(here, 0.0, self.reach[at]))
        stretch = np.zeros((len(at), 3))
        carried = np.where(here, 0.0, self.carried[at])
        stretch[:, 0], stretch[:, 1] = -carried.real, -carried.imag
        coefficient = np.concatenate(
            [moves, np.zeros((len(at), 3, 3)), stretch[:, :, None]], axis=2
        )
        tied = np.flatnonzero(leg >= 0)
        if len(tied):
            of = leg[tied]
            # the end as reckoned from the start, carried back: start, less end, and the scale
            back = np.zeros((len(tied), 3, 7))
            back[:, range(3), range(3)] = -1.0
            back[:, :, 3:6] = state_matrix(-self.leg_reach[of])
            back[:, 0, 6], back[:, 1, 6] = self.leg_carried[of].real, self.leg_carried[of].imag
            share = moves[tied] @ self.gains(at[tied]) @ self.weight[of]
            coefficient[tied] += share @ back
        return unknown, coefficient

    def inside(self, a: Ints, b: Ints) -> Floats:
        """Return the covariance of what the nodes do not fix, shape (m, 3, 3); no pointing."""
        i, j = self.between.at[a], self.between.at[b]
        chain = self.between.chain(i)
        same = np.flatnonzero((chain == self.between.chain(j)) & (chain >= 0))
        out = np.zeros((len(i), 3, 3))
        i, j = i[same], j[same]
        leg = self.between.leg(i)
        least = np.where(self.between.steps(i) <= self.between.steps(j), i, j)
        left = self.gains(least)
        tied = np.flatnonzero(leg >= 0)
        left[tied] -= self.gains(i[tied]) @ self.weight[leg[tied]] @ self.gains(j[tied])
        moves = state_matrix(self.reach[j]).transpose(0, 2, 1)
        out[same] = state_matrix(self.reach[i]) @ left @ moves
        return out

    def covariance(self, a: Ints, b: Ints) -> Floats:
        """Return the covariance of the places of pairs of rows, shape (m, 2, 2)."""
        out = np.empty((len(a), 2, 2))
        for part in _parts(len(a)):
            i = a[part]
            out[part] = self._of_part(i, i if a is b else b[part])
        return out

    def _of_part(self, i: Ints, j: Ints) -> Floats:
        """Return the covariance of no more pairs than are worked out at once."""
        at, of_at = self.states(i)
        to, of_to = (at, of_at) if i is j else self.states(j)
        of_at, of_to = of_at[:, :2], of_to[:, :2]
        if not self.posterior.is_dense:
            at, to = _hung_on(at, of_at), _hung_on(to, of_to)
        found = of_at @ self.posterior.blocks(at, to) @ of_to.transpose(0, 2, 1)
        found += self.inside(i, j)[:, :2, :2]
        pointed = (i == j) & ~self.between.on_node(self.between.at[i])
        found[pointed] += self.pointing * np.eye(2)
        return np.asarray(found)

    @cached_property
    def own(self) -> Floats:
        """Variance of easting, of northing, and their covariance, of every row, shape (n, 3)."""
        own = np.empty((len(self.reach), 3))
        for part in _parts(len(own)):
            every = np.arange(part.start, part.stop)
            own[part] = self._of_part(every, every)[:, [0, 1, 0], [0, 1, 1]]
        return own


@dataclass(frozen=True, eq=False)
class HeightRows:
    """Elevations as linear functions of the unknowns.

    Parameters
    ----------
    between, posterior, knot, path, pointing, legs, visits
        As in `PlanRows`.
    drift : array, shape (runs, 3)
        Unknowns of climb and tilts of each run.
    coupling : array, shape (n, 3), metres
        Way and horizontal vector from the node.
    variance : array, shape (n,), square metres
        From the node.
    leg_coupling, leg_variance : arrays, shapes (s, 3) and (s,)
        The same at the end of each long leg.
    """

    between: Between
    posterior: Posterior
    knot: Ints
    path: Ints
    drift: Ints
    coupling: Floats
    variance: Floats
    leg_coupling: Floats
    leg_variance: Floats
    pointing: float
    legs: Term
    visits: Term | None

    def share(self, at: Ints | Shorts) -> Floats:
        """Return the share of the leg's variance spent on reaching positions; 0 on open ends."""
        leg = self.between.leg(at)
        total = np.append(self.leg_variance, 1.0)[leg]
        return np.where(leg >= 0, self.variance[at] / total, 0.0)

    def states(self, rows: Ints) -> tuple[Ints, Floats]:
        """Return elevations as combinations of five unknowns, shapes (m, 5) and (m, 5)."""
        at = self.between.at[rows]
        start, end, leg = self.between.start[at], self.between.end(at), self.between.leg(at)
        here = self.between.on_node(at)
        first = np.where(here, self.knot[start], self.path[start])
        f = self.share(at)
        whole = np.vstack([self.leg_coupling, np.zeros((1, 3))])[leg]
        drift = np.where(here[:, None], 0.0, self.coupling[at] - f[:, None] * whole)
        return (
            np.column_stack([first, self.path[end], self.drift[self.between.run[at]]]),
            np.column_stack([1.0 - f, f, drift]),
        )

    def inside(self, a: Ints, b: Ints) -> Floats:
        """Return the covariance of what the nodes do not fix, shape (m,); no pointing."""
        i, j = self.between.at[a], self.between.at[b]
        chain = self.between.chain(i)
        same = (chain == self.between.chain(j)) & (chain >= 0)
        least = np.where(self.between.steps(i) <= self.between.steps(j), i, j)
        left = self.variance[least] - self.share(i) * self.variance[j]
        return np.where(same, left, 0.0)

    def covariance(self, a: Ints, b: Ints) -> Floats:
        """Return the covariance of the elevations of pairs of rows, shape (m,)."""
        out = np.empty(len(a))
        for part in _parts(len(a)):
            i, j = a[part], b[part]
            at, of_at = self.states(i)
            to, of_to = (at, of_at) if a is b else self.states(j)
            if not self.posterior.is_dense:
                at, to = _hung_on(at, of_at[:, None]), _hung_on(to, of_to[:, None])
            both = self.posterior.blocks(at, to)
            found = np.einsum("ma,mab,mb->m", of_at, both, of_to) + self.inside(i, j)
            pointed = (i == j) & ~self.between.on_node(self.between.at[i])
            out[part] = found + np.where(pointed, self.pointing, 0.0)
        return out

    @cached_property
    def own(self) -> Floats:
        """The variance of the elevation of every row, shape (n,)."""
        every = np.arange(len(self.variance))
        return self.covariance(every, every)


def plan_rows(walk: Walk, between: Between, plan: Plan, pointing: float) -> tuple[PlanRows, Floats]:
    """Return the rows and their places, shape (n, 2), in field-book order.

    Parameters
    ----------
    walk, between, plan
    pointing
        Standard deviation of pointing per axis, metres.
    """
    n = len(walk.row)
    reach, carried = np.empty(n, dtype=np.complex128), np.empty(n, dtype=np.complex128)
    gain, en = np.zeros((0, 0)), np.empty((n, 2))
    leg_reach, leg_carried = [], []
    for piece, reckoned in plan.reckoned():
        at, part = piece.at, piece.walk
        if not len(gain):
            gain = np.empty((n, reckoned.entries))
        reckoned.put_gain(gain[at])
        reach[at] = reckoned.reach
        carried[at] = reckoned.carried / (1.0 + plan.scale[part.run])
        leg_reach.append(reckoned.leg_reach)
        leg_carried.append(reckoned.leg_carried)
        place = plan.path_place[between.start[at]] + reckoned.reach
        here = (part.knot >= 0)[:, None]
        placed = np.where(here, plan.position[part.knot], np.stack([place.real, place.imag], 1))
        en[part.row] = placed
    rows = PlanRows(
        between=between,
        posterior=plan.posterior,
        knot=plan.knot[walk.knot[walk.nodes]],
        path=plan.path,
        heading=plan.heading,
        orientation=plan.heading[np.unique(walk.run[walk.nodes], return_index=True)[1]],
        scale=plan.run_scale,
        reach=reach,
        carried=carried,
        gain=gain,
        leg_reach=np.concatenate(leg_reach),
        leg_carried=np.concatenate(leg_carried) / (1.0 + plan.scale)[walk.leg_run],
        leg_gain=plan.total,
        weight=plan.weight,
        pointing=pointing**2,
        legs=plan.legs,
        visits=plan.visits,
    )
    return rows, en


def height_rows(
    walk: Walk, between: Between, heights: Heights, pointing: float
) -> tuple[HeightRows, Floats]:
    """Return the rows and their elevations, shape (n,), in field-book order."""
    n = len(walk.row)
    coupling, variance, rise = np.empty((n, 3)), np.empty(n), np.empty(n)
    for piece, reach, of_piece in heights.reckoned():
        at = piece.at
        coupling[at], variance[at] = reach[:, 1:], of_piece
        drift = heights.drift[piece.walk.run]
        rise[at] = reach[:, 0] + (reach[:, 1:] * drift).sum(axis=1)
    rows = HeightRows(
        between=between,
        posterior=heights.posterior,
        knot=heights.knot[walk.knot[walk.nodes]],
        path=heights.path,
        drift=heights.run_drift,
        coupling=coupling,
        variance=variance,
        leg_coupling=coupling[walk.leg_end],
        leg_variance=variance[walk.leg_end],
        pointing=pointing**2,
        legs=heights.legs,
        visits=heights.visits,
    )
    elevation, leg_rise = np.empty(n), np.append(rise[walk.leg_end], 0.0)
    for at in _parts(n):
        here = np.arange(at.start, at.stop)
        start, end = between.start[at], between.end(here)
        missed = heights.path_height[end] - heights.path_height[start]
        missed = missed - leg_rise[between.leg(here)]
        along = rise[at] + rows.share(here) * missed
        knot = walk.knot[at]
        on_way = heights.path_height[start] + along
        elevation[walk.row[at]] = np.where(knot >= 0, heights.elevation[knot], on_way)
    return rows, elevation
