"""Covariance of placed marks and of what is computed from them, in closed form.

An observation is a fixed combination of unknowns, a part of its own that its long leg leaves to
it, and the pointing (`geosite.network.equations.rows`). Sums over many observations of one long
leg come from sums along it, so that everything is linear in the number of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.statistics import t_factor
from geosite.network.equations.normal import Posterior
from geosite.network.equations.rows import PlanRows
from geosite.network.model import LinearForm, Network
from geosite.network.walk.runs import sum_at

__all__ = [
    "accuracies",
    "covariance",
    "intervals",
    "level_covariance",
    "plan_covariance",
    "row_variances",
    "sigma",
    "sigma_horizontal",
    "sigma_vertical",
    "sigmas",
]

ENTRIES = 4_000_000
"""Numbers in the tables that are held at once."""


def plan_covariance(network: Network, a: Ints, b: Ints) -> Floats:
    """Return the covariance of easting and northing of pairs of observations.

    Parameters
    ----------
    network
    a, b : array, shape (m,)
        Rows of the field book.

    Returns
    -------
    array, shape (m, 2, 2), square metres
        Without the common shift, which would drown what is between two marks.
    """
    return network.plan.covariance(a, b)


def row_variances(rows: PlanRows) -> Floats:
    """Return the mean of the variances of easting and northing of all observations, shape (n,)."""
    mean: Floats = (rows.own[:, 0] + rows.own[:, 1]) / 2
    return mean


def level_covariance(network: Network, a: Ints, b: Ints) -> Floats:
    """Return the covariance of the elevations of pairs of observations.

    Parameters
    ----------
    network
    a, b : array, shape (m,)
        Rows of the field book.

    Returns
    -------
    array, shape (m,), square metres
        Without the common shift.
    """
    return network.heights.covariance(a, b)


def sigma_horizontal(network: Network) -> Floats:
    """Return the standard deviation per horizontal axis of each observation.

    Returns
    -------
    array, shape (n,), metres
        Root of the mean of the two variances, on the map: with the common shift.
    """
    own: Floats = np.sqrt(np.maximum(row_variances(network.plan), 0.0))
    return np.hypot(own, network.shift.sigma)


def sigma_vertical(network: Network) -> Floats:
    """Return the standard deviation of each observation's elevation, shape (n,), metres."""
    own: Floats = np.sqrt(np.maximum(network.heights.own, 0.0))
    return np.hypot(own, network.shift.sigma_up)


def covariance(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return the covariance of quantities from their derivatives.

    Parameters
    ----------
    network
    forms
        One per quantity.

    Returns
    -------
    array, shape (m, m)
        In the square of the quantities' units.
    """
    if not forms:
        return np.zeros((0, 0))
    total = np.zeros((len(forms), len(forms)))
    for sources in _sources(network, *_stacked(forms)):
        for source in sources:
            source.add_to(total)
    sums = _moved_together(network, forms)
    return (total + total.T) / 2 + sums @ sums.T


def sigmas(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return the standard deviation of each quantity, shape (m,), in its unit.

    The same as the root of the diagonal of `covariance`, in time linear in the number of rows.
    """
    total: Floats = np.sqrt(_variances(network, forms).sum(axis=0))
    return total


def sigma(network: Network, form: LinearForm) -> float:
    """Return the standard deviation of one quantity, in its unit."""
    return float(sigmas(network, [form])[0])


def intervals(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return half the width of each quantity's 95 % interval, shape (m,), in its unit."""
    return accuracies(network, forms)[1]


def accuracies(network: Network, forms: Sequence[LinearForm]) -> tuple[Floats, Floats]:
    """Return the standard deviation of each quantity, and half the width of its 95 % interval.

    Returns
    -------
    sigmas, half_widths : array, shape (m,), in the quantity's unit
        NaN and infinite where the accuracy is not known.

    Notes
    -----
    Sigma times the quantile of Student's t. The plan and the heights have variance factors and
    degrees of freedom of their own; a quantity of both has those of Satterthwaite (1946, An
    approximate distribution of estimates of variance components, doi:10.2307/3002019),
    ``(V_1 + V_2)^2 / (V_1^2 / n_1 + V_2^2 / n_2)``; the common shift is taken as known.
    """
    if not network.accuracy_known:
        return np.full(len(forms), np.nan), np.full(len(forms), np.inf)
    plan, level, shift = _variances(network, forms)
    total = plan + level + shift
    spread = plan**2 / network.degrees_of_freedom + level**2 / network.vertical_degrees_of_freedom
    degrees = np.divide(total**2, spread, out=np.full(len(total), np.inf), where=spread > 0)
    unlike = {n: t_factor(n) for n in np.unique(degrees).tolist()}
    sigma: Floats = np.sqrt(total)
    return sigma, sigma * np.array([unlike[n] for n in degrees.tolist()])


def _variances(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Variances from the plan, from the heights and from the common shift, shape (3, m)."""
    size = max(network.plan.posterior.size, network.heights.posterior.size)
    together = max(1, ENTRIES // size)
    parts = [np.zeros((3, 0))]
    for first in range(0, len(forms), together):
        some = forms[first : first + together]
        found = np.zeros((3, len(some)))
        found[2] = (_moved_together(network, some) ** 2).sum(axis=1)
        for axis, sources in enumerate(_sources(network, *_stacked(some))):
            for source in sources:
                found[axis] += source.variances(len(some))
        parts.append(found)
    return np.maximum(np.hstack(parts), 0.0)


def _moved_together(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return what one sigma of the common shift does to each quantity by axis, shape (m, 3)."""
    shift = network.shift
    if not shift:
        return np.zeros((len(forms), 3))
    sums = np.array([[f.east.sum(), f.north.sum(), f.up.sum()] for f in forms])
    # differences are left with rounding, which is nothing that moves
    size = [[np.abs(f.east).sum(), np.abs(f.north).sum(), np.abs(f.up).sum()] for f in forms]
    sums[np.abs(sums) < 1e-9 * np.array(size)] = 0.0
    return np.asarray(sums * [shift.sigma, shift.sigma, shift.sigma_up])


def _stacked(forms: Sequence[LinearForm]) -> tuple[Ints, Ints, Floats]:
    """Rows of all forms, the form each belongs to, and its three derivatives."""
    rows = np.concatenate([form.rows for form in forms]).astype(np.int64)
    owner = np.repeat(np.arange(len(forms)), [len(form.rows) for form in forms])
    weights = np.column_stack(
        [
            np.concatenate([form.east for form in forms]),
            np.concatenate([form.north for form in forms]),
            np.concatenate([form.up for form in forms]),
        ]
    )
    return rows, owner, weights


@dataclass(frozen=True, eq=False, slots=True)
class _OfUnknowns:
    """What sums of observations have from the unknowns, in plan or in height.

    Parameters
    ----------
    posterior
    unknown : array, shape (m, a)
        Places of the unknowns a row is a combination of.
    coefficient : array, shape (m, a)
        Their part in the weighted row.
    owner : array, shape (m,)
        The sum each row belongs to.
    """

    posterior: Posterior
    unknown: Ints
    coefficient: Floats
    owner: Ints

    def projected(self, sums: int) -> Floats:
        """Return the sums as combinations of the unknowns, shape (sums, size)."""
        size = self.posterior.size
        places = (self.owner[:, None] * size + self.unknown).ravel()
        return sum_at(places, self.coefficient.ravel(), sums * size).reshape(sums, size)

    def variances(self, sums: int) -> Floats:
        """Return the variance of each sum."""
        table = self.projected(sums)
        found: Floats = (self.posterior.times(table) * table).sum(axis=1)
        return found

    def add_to(self, total: Floats) -> None:
        """Add the covariance of the sums."""
        table = self.projected(len(total))
        total += table @ self.posterior.times(table).T


@dataclass(frozen=True, eq=False, slots=True)
class _Between:
    """The rows between nodes: field-book row, sum, chain, and steps along it, shape (r,) each."""

    row: Ints
    owner: Ints
    chain: Ints
    steps: Ints


@dataclass(frozen=True, eq=False, slots=True)
class _OfChains:
    """What sums of observations have from the chains between nodes, in plan or in height.

    Parameters
    ----------
    at
    pull : array, shape (r, d)
        How a sum moves with the error from the node carried back to the node.
    gain : array, shape (r, d, d)
        The covariance of that error.
    weight : array, shape (r, d, d)
        The inverse of that of the whole chain.
    """

    at: _Between
    pull: Floats
    gain: Floats
    weight: Floats

    def variances(self, sums: int) -> Floats:
        """Return the variance of each sum.

        With the pulls z of a sum sorted along a chain, the free walk contributes the sum over the
        steps of G of (sum of the pulls beyond)^2, and the bridge takes (sum of G z)^2 / G away.
        """
        if not len(self.at.row):
            return np.zeros(sums)
        order = np.lexsort((self.at.steps, self.at.chain, self.at.owner))
        owner, chain = self.at.owner[order], self.at.chain[order]
        pull, gain, weight = self.pull[order], self.gain[order], self.weight[order]
        first = np.append(True, (chain[1:] != chain[:-1]) | (owner[1:] != owner[:-1]))
        starts = np.flatnonzero(first)
        group = np.cumsum(first) - 1
        last = np.append(starts[1:], len(order)) - 1
        step = gain.copy()
        step[1:] -= np.where(first[1:, None, None], 0.0, gain[:-1])
        running = np.cumsum(pull, axis=0)
        beyond = running[last][group] - running + pull
        squares = np.einsum("rd,rde,re->r", beyond, step, beyond)
        moment = np.add.reduceat(np.einsum("rde,re->rd", gain, pull), starts, axis=0)
        found = np.add.reduceat(squares, starts)
        found -= np.einsum("rd,rde,re->r", moment, weight[starts], moment)
        return sum_at(owner[starts], found, sums)

    def add_to(self, total: Floats) -> None:
        """Add the covariance of the sums."""
        moves = np.flatnonzero(self.pull.any(axis=1))
        if not len(moves):
            return
        order = moves[np.lexsort((self.at.steps[moves], self.at.chain[moves]))]
        cuts = np.flatnonzero(np.diff(self.at.chain[order])) + 1
        for here in np.split(order, cuts):
            owners, column = np.unique(self.at.owner[here], return_inverse=True)
            pull = np.zeros((len(here), self.pull.shape[1], len(owners)))
            pull[np.arange(len(here)), :, column] = self.pull[here]
            beyond = np.cumsum(pull[::-1], axis=0)[::-1]
            gain = self.gain[here]
            step = np.diff(gain, axis=0, prepend=np.zeros_like(gain[:1]))
            block = np.einsum("rda,rde,reb->ab", beyond, step, beyond, optimize=True)
            moment = np.einsum("rde,rea->da", gain, pull)
            block -= moment.T @ self.weight[here[0]] @ moment
            total[np.ix_(owners, owners)] += block


@dataclass(frozen=True, eq=False, slots=True)
class _OfPointing:
    """What sums of observations have from the pointing at the rows between nodes.

    Parameters
    ----------
    at
    variance
        Of one pointing per axis, square metres.
    weights : array, shape (r, axes)
        Of the rows in their sums.
    """

    at: _Between
    variance: float
    weights: Floats

    def variances(self, sums: int) -> Floats:
        """Return the variance of each sum; a row may stand in it more than once."""
        row, owner = self.at.row, self.at.owner
        if self.variance == 0 or not len(row):
            return np.zeros(sums)
        pair, at = np.unique(owner * (row.max() + 1) + row, return_inverse=True)
        total = np.stack([sum_at(at, w, len(pair)) for w in self.weights.T])
        of = np.zeros(len(pair), dtype=np.int64)
        of[at] = owner
        return self.variance * sum_at(of, (total**2).sum(axis=0), sums)

    def add_to(self, total: Floats) -> None:
        """Add the covariance of the sums."""
        row, owner = self.at.row, self.at.owner
        if self.variance == 0 or not len(row):
            return
        from scipy.sparse import coo_array

        for w in self.weights.T:
            shape = (len(total), int(row.max()) + 1)
            table = coo_array((w, (owner, row)), shape=shape).tocsr()
            total += self.variance * (table @ table.T).toarray()


_Sources = tuple[_OfUnknowns, _OfChains, _OfPointing]


def _sources(
    network: Network, rows: Ints, owner: Ints, weights: Floats
) -> tuple[_Sources, _Sources]:
    """Return where the error of weighted sums of observations comes from, in plan and in height."""
    between = network.plan.between
    at = between.at[rows].astype(np.int64)
    inner = np.flatnonzero(~between.on_node(at))
    inside = at[inner]
    of_leg = between.leg(inside)
    where = _Between(rows[inner], owner[inner], between.chain(inside), between.steps(inside))

    plan = network.plan
    unknown, states = plan.states(rows)
    coefficient = np.einsum("rd,rda->ra", weights[:, :2], states[:, :2])
    east, north = weights[inner, 0], weights[inner, 1]
    reach = plan.reach[inside]
    pull = np.column_stack([east, north, reach.real * north - reach.imag * east])
    weight = np.concatenate([plan.weight, np.zeros((1, 3, 3))])[of_leg]
    in_plan = (
        _OfUnknowns(plan.posterior, unknown, coefficient, owner),
        _OfChains(where, pull, plan.gains(inside), weight),
        _OfPointing(where, plan.pointing, weights[inner, :2]),
    )
    heights = network.heights
    unknown, share = heights.states(rows)
    up = weights[inner, 2:]
    gain = heights.variance[inside][:, None, None]
    weight = np.append(1.0 / heights.leg_variance, 0.0)[of_leg][:, None, None]
    in_height = (
        _OfUnknowns(heights.posterior, unknown, weights[:, 2:] * share, owner),
        _OfChains(where, up, gain, weight),
        _OfPointing(where, heights.pointing, up),
    )
    return in_plan, in_height
