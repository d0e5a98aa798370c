"""Covariance of placed marks and of what is computed from them, in closed form.

An observation is a fixed combination of two knots and one orientation plus a part that the knots do
not see: the random walk inside its chain. Between two knots that part is a bridge,
``cov(i, j) = min(v_i, v_j) - v_i v_j / V``; on an open chain a free walk, ``min(v_i, v_j)``, with
``v`` the variance spent since the knot and ``V`` that of the whole chain (Karatzas & Shreve,
Brownian Motion and Stochastic Calculus, section 5.6.B). Everything is linear in the number of rows.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.statistics import t_factor
from geosite.network.model import LinearForm, Network
from geosite.network.walk import sum_at

__all__ = [
    "accuracies",
    "covariance",
    "error_ellipses",
    "intervals",
    "level_covariance",
    "relative_ellipses",
    "sight_covariance",
    "sigma",
    "sigma_horizontal",
    "sigma_vertical",
    "sigmas",
]


def _planar(
    network: Network,
    ends: tuple[Ints, Ints],
    shares: tuple[Floats, Floats],
    turn: Floats,
    run: Ints,
) -> tuple[Floats, Floats, Floats]:
    """Variance of easting, of northing and their covariance of ``a X[s] + b X[e] + turn t``."""
    q, count = network.horizontal, len(network.chains.knots)
    with_knots, variance = network.turn_with_knots, network.turn_total
    (s, e), (a, b) = ends, shares

    def pair(i: int, j: int) -> Floats:
        si, ei, sj, ej = i * count + s, i * count + e, j * count + s, j * count + e
        value: Floats = a**2 * q[si, sj] + b**2 * q[ei, ej] + a * b * (q[si, ej] + q[ei, sj])
        value += turn[:, j] * (a * with_knots[run, si] + b * with_knots[run, ei])
        value += turn[:, i] * (a * with_knots[run, sj] + b * with_knots[run, ej])
        return value + turn[:, i] * turn[:, j] * variance[run]

    return pair(0, 0), pair(1, 1), pair(0, 1)


def _inside(network: Network) -> Floats:
    """Share of an observation's variance that its chain leaves to it, times the variance."""
    chains = network.chains
    rest: Floats = chains.variance * np.where(chains.is_open, 1.0, 1.0 - chains.fraction)
    return rest


def _marks(network: Network) -> tuple[Floats, Floats, Floats]:
    chains = network.chains
    f = chains.fraction
    east, north, both = _planar(
        network, (chains.start, chains.end), (1 - f, f), chains.turn, chains.run
    )
    inside = network.variance_factor * _inside(network)
    return east + inside, north + inside, both


def sigma_horizontal(network: Network) -> Floats:
    """Return the standard deviation per horizontal axis of each observation.

    Returns
    -------
    array, shape (n,), metres
        Root of the mean of the two variances.
    """
    east, north, _ = _marks(network)
    return np.sqrt(np.maximum((east + north) / 2, 0.0))


def sigma_vertical(network: Network) -> Floats:
    """Return the standard deviation of each observation's elevation, shape (n,), metres."""
    chains, q = network.chains, network.vertical
    s, e, f = chains.start, chains.end, chains.fraction
    value = (1 - f) ** 2 * q[s, s] + f**2 * q[e, e] + 2 * f * (1 - f) * q[s, e]
    return np.sqrt(np.maximum(value + network.vertical_variance_factor * _inside(network), 0.0))


def _ellipses(east: Floats, north: Floats, both: Floats) -> tuple[Floats, Floats, Floats]:
    middle, half = (east + north) / 2, np.hypot((east - north) / 2, both)
    return (
        np.sqrt(np.maximum(middle + half, 0.0)),
        np.sqrt(np.maximum(middle - half, 0.0)),
        np.mod(np.arctan2(2 * both, north - east) / 2, np.pi),
    )


def error_ellipses(network: Network) -> tuple[Floats, Floats, Floats]:
    """Return the standard error ellipse of each observation.

    Returns
    -------
    major, minor : array, shape (n,), metres
        Semi-axes, one standard deviation (times 2.4477 for 95 %).
    azimuth : array, shape (n,), radians
        Direction of the major axis, clockwise from grid north, 0 to pi.
    """
    return _ellipses(*_marks(network))


def relative_ellipses(network: Network, before: Ints, after: Ints) -> tuple[Floats, Floats, Floats]:
    """Return the standard error ellipse of one observation seen from the one before it in its run.

    Parameters
    ----------
    network
    before, after : array, shape (m,)
        Rows of two observations of the same run next to each other.

    Returns
    -------
    major, minor, azimuth : array, shape (m,)
        As `error_ellipses`.
    """
    chains = network.chains
    # a leg lies inside one chain: the chain of whichever end is not a knot, or that of both knots
    inner = np.where(chains.chain[after] >= 0, after, before)
    between = (chains.chain[before] < 0) & (chains.chain[after] < 0)
    start = np.where(between, chains.start[before], chains.start[inner])
    end = np.where(between, chains.start[after], chains.end[inner])
    opened = chains.is_open[inner] & ~between
    f0 = np.where(chains.chain[before] >= 0, chains.fraction[before], 0.0)
    f1 = np.where(chains.chain[after] >= 0, chains.fraction[after], 1.0)
    share = np.where(opened, 0.0, f1 - f0)
    spent = network.variance_factor * np.where(
        opened,
        np.abs(chains.variance[after] - chains.variance[before]),
        np.where(between, 0.0, share * chains.total[inner]),
    )
    turn = chains.turn[after] - chains.turn[before]
    east, north, both = _planar(network, (start, end), (-share, share), turn, chains.run[after])
    inside = spent * (1 - share)
    return _ellipses(east + inside, north + inside, both)


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
    rows, owner, weights = _stacked(forms)
    plan, turns, level = _projected(network, rows, owner, weights, len(forms))
    total: Floats = plan @ network.horizontal @ plan.T + level @ network.vertical @ level.T
    total += (turns * network.turn_variance) @ turns.T
    inside = np.flatnonzero(network.chains.chain[rows] >= 0)
    if len(inside):
        _add_walks(network, rows[inside], owner[inside], weights[inside], total)
    return (total + total.T) / 2


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


def _projected(
    network: Network, rows: Ints, owner: Ints, weights: Floats, sums: int
) -> tuple[Floats, Floats, Floats]:
    """Weighted sums as derivatives of knots (m, 2 K), of the runs' own turns, of elevations."""
    chains = network.chains
    count, runs = len(chains.knots), len(network.turn_variance)
    east, north, up = weights.T
    s, e, f = chains.start[rows], chains.end[rows], chains.fraction[rows]

    def project(places: Ints, values: Floats, size: int) -> Floats:
        return sum_at(owner * size + places, values, sums * size).reshape(sums, size)

    turned = east * chains.turn[rows, 0] + north * chains.turn[rows, 1]
    turns = project(chains.run[rows], turned, runs)
    plan = np.hstack(
        [project(s, (1 - f) * w, count) + project(e, f * w, count) for w in (east, north)]
    )
    level = project(s, (1 - f) * up, count) + project(e, f * up, count)
    return plan + turns @ network.turn_gain, turns, level


def sight_covariance(
    network: Network, target: int, rows: Ints, seen_from: Ints
) -> tuple[Floats, Floats, Floats]:
    """Return the covariance of one mark with other marks as they are, or as a run would see them.

    Parameters
    ----------
    network
    target
        Observation.
    rows : array, shape (m,)
        Observations.
    seen_from : array, shape (m,)
        Observation of the run that sees each of them, whose orientation then counts as well; ``-1``
        for the place on the map.

    Returns
    -------
    own : array, shape (2, 2), square metres
        Covariance of the target's easting and northing.
    cross : array, shape (m, 2, 2)
        Of the target's with each other mark's.
    others : array, shape (m, 2, 2)
        Of each other mark's own.
    """
    chains = network.chains
    every = np.append(target, rows)
    base = np.append(-1, seen_from)
    count, knots = len(every), len(chains.knots)
    plan = np.zeros((count, 2, 2 * knots))
    turns = np.zeros((count, 2, len(network.turn_variance)))
    at = np.arange(count)
    seen = np.flatnonzero(base >= 0)
    for index, row, sign in ((at, every, 1.0), (seen, base[seen], -1.0)):
        f = chains.fraction[row]
        for axis in (0, 1):
            here = np.full(len(index), axis)
            np.add.at(plan, (index, here, axis * knots + chains.start[row]), sign * (1 - f))
            np.add.at(plan, (index, here, axis * knots + chains.end[row]), sign * f)
            np.add.at(turns, (index, here, chains.run[row]), sign * chains.turn[row, axis])
    step = network.en[every[seen]] - network.en[base[seen]]
    across = np.column_stack([step[:, 1], -step[:, 0]])
    for axis in (0, 1):
        here = np.full(len(seen), axis)
        np.add.at(turns, (seen, here, chains.run[base[seen]]), across[:, axis])
    plan += turns @ network.turn_gain
    spread = (plan.reshape(2 * count, -1) @ network.horizontal).reshape(plan.shape)
    turned = turns * network.turn_variance
    others = spread @ plan.transpose(0, 2, 1) + turned @ turns.transpose(0, 2, 1)
    both = plan.reshape(2 * count, -1) @ spread[0].T + turns.reshape(2 * count, -1) @ turned[0].T
    cross = both.reshape(count, 2, 2).transpose(0, 2, 1)
    inside = np.zeros(count)
    inside += _inside_both(network, every, every)
    inside[seen] += _inside_both(network, base[seen], base[seen])
    inside[seen] -= 2 * _inside_both(network, every[seen], base[seen])
    with_target = _inside_both(network, np.full(count, target), every)
    with_target[seen] -= _inside_both(network, np.full(len(seen), target), base[seen])
    others += inside[:, None, None] * np.eye(2)
    cross += with_target[:, None, None] * np.eye(2)
    return others[0], cross[1:], others[1:]


def _inside_both(network: Network, a: Ints, b: Ints) -> Floats:
    """Covariance per horizontal axis of what the chains leave to rows a and b, square metres."""
    chains = network.chains
    same = (chains.chain[a] == chains.chain[b]) & (chains.chain[a] >= 0)
    va, vb = chains.variance[a], chains.variance[b]
    taken = np.where(chains.is_open[a], 0.0, va * vb / np.where(same, chains.total[a], 1.0))
    both: Floats = network.variance_factor * np.where(same, np.minimum(va, vb) - taken, 0.0)
    return both


def _add_walks(network: Network, rows: Ints, owner: Ints, weights: Floats, total: Floats) -> None:
    """Add the part that stems from the random walk inside the chains.

    With the weights w of a quantity sorted by v along a chain, the free walk contributes the sum
    over the steps of v of (sum of the weights beyond)^2, and a bridge takes (sum of w v)^2 / V
    away: both are sums of products, so one matrix product serves all quantities on a chain.
    """
    chains = network.chains
    order = np.lexsort((chains.variance[rows], chains.chain[rows]))
    rows, owner, weights = rows[order], owner[order], weights[order]
    cuts = np.flatnonzero(np.diff(chains.chain[rows])) + 1
    factors = (network.variance_factor, network.variance_factor, network.vertical_variance_factor)
    for first, last in zip([0, *cuts], [*cuts, len(rows)], strict=True):
        here = slice(first, last)
        owners, column = np.unique(owner[here], return_inverse=True)
        spent = chains.variance[rows[here]]
        step = np.diff(spent, prepend=0.0)
        row = rows[first]
        block = np.zeros((len(owners), len(owners)))
        for axis, factor in enumerate(factors):
            if not weights[here, axis].any():
                continue
            table = np.zeros((last - first, len(owners)))
            table[np.arange(last - first), column] = weights[here, axis]
            beyond = np.cumsum(table[::-1], axis=0)[::-1]
            block += factor * (beyond * step[:, None]).T @ beyond
            if not chains.is_open[row]:
                moment = spent @ table
                block -= factor / chains.total[row] * np.outer(moment, moment)
        total[np.ix_(owners, owners)] += block


def sigmas(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return the standard deviation of each quantity, shape (m,), in its unit.

    The same as the root of the diagonal of `covariance`, in time linear in the number of rows.
    """
    total: Floats = np.sqrt(_variances(network, forms).sum(axis=0))
    return total


def intervals(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return half the width of each quantity's 95 % interval, shape (m,), in its unit."""
    return accuracies(network, forms)[1]


def accuracies(network: Network, forms: Sequence[LinearForm]) -> tuple[Floats, Floats]:
    """Return the standard deviation of each quantity, and half the width of its 95 % interval.

    Returns
    -------
    sigmas, half_widths : array, shape (m,), in the quantity's unit

    Notes
    -----
    Sigma times the quantile of Student's t. The plan and the heights have variance factors and
    degrees of freedom of their own; a quantity of both has those of Satterthwaite (1946, An
    approximate distribution of estimates of variance components, doi:10.2307/3002019),
    ``(V_1 + V_2)^2 / (V_1^2 / n_1 + V_2^2 / n_2)``.
    """
    plan, level = _variances(network, forms)
    total = plan + level
    spread = plan**2 / network.degrees_of_freedom + level**2 / network.vertical_degrees_of_freedom
    degrees = np.divide(total**2, spread, out=np.full(len(total), np.inf), where=spread > 0)
    unlike = {n: t_factor(n) for n in np.unique(degrees).tolist()}
    sigma: Floats = np.sqrt(total)
    return sigma, sigma * np.array([unlike[n] for n in degrees.tolist()])


def _variances(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Variances from the plan and from the heights, shape (2, m)."""
    knots, runs = len(network.chains.knots), len(network.turn_variance)
    together = max(1, 4_000_000 // (2 * knots + runs))
    parts = [_of_some(network, forms[i : i + together]) for i in range(0, len(forms), together)]
    return np.maximum(np.hstack([*parts, np.zeros((2, 0))]), 0.0)


def _of_some(network: Network, forms: Sequence[LinearForm]) -> Floats:
    rows, owner, weights = _stacked(forms)
    plan, turns, level = _projected(network, rows, owner, weights, len(forms))
    variance = np.zeros((2, len(forms)))
    variance[0] = ((plan @ network.horizontal) * plan).sum(axis=1)
    variance[0] += (turns**2) @ network.turn_variance
    variance[1] = ((level @ network.vertical) * level).sum(axis=1)
    chains = network.chains
    inside = np.flatnonzero(chains.chain[rows] >= 0)
    if not len(inside):
        return variance
    rows, owner, weights = rows[inside], owner[inside], weights[inside]
    chain, spent = chains.chain[rows], chains.variance[rows]
    order = np.lexsort((spent, chain, owner))
    rows, owner, weights = rows[order], owner[order], weights[order]
    chain, spent = chain[order], spent[order]
    first = np.append(True, (chain[1:] != chain[:-1]) | (owner[1:] != owner[:-1]))
    starts = np.flatnonzero(first)
    group = np.cumsum(first) - 1
    last = np.append(starts[1:], len(rows)) - 1
    step = np.where(first, spent, np.diff(spent, prepend=0.0))
    running = np.cumsum(weights, axis=0)
    beyond = running[last][group] - running + weights
    squares = np.add.reduceat(step[:, None] * beyond**2, starts, axis=0)
    moment = np.add.reduceat(spent[:, None] * weights, starts, axis=0)
    closed = ~chains.is_open[rows[starts]]
    total = np.where(closed, chains.total[rows[starts]], 1.0)
    squares -= np.where(closed, 1.0 / total, 0.0)[:, None] * moment**2
    in_plan = network.variance_factor * (squares[:, 0] + squares[:, 1])
    variance[0] += sum_at(owner[starts], in_plan, len(forms))
    in_height = network.vertical_variance_factor * squares[:, 2]
    variance[1] += sum_at(owner[starts], in_height, len(forms))
    return variance


def sigma(network: Network, form: LinearForm) -> float:
    """Return the standard deviation of one quantity, in its unit."""
    return float(sigmas(network, [form])[0])


def level_covariance(network: Network, a: Ints, b: Ints) -> Floats:
    """Return the covariance of the elevations of pairs of observations.

    Parameters
    ----------
    network
    a, b : array, shape (m,)
        Observations.

    Returns
    -------
    array, shape (m,), square metres

    Notes
    -----
    Both hang on their knots; inside a chain what the knots do not fix is a random walk between two
    of them, ``min(v_a, v_b) - v_a v_b / V``, or from one, ``min(v_a, v_b)``.
    """
    chains, q = network.chains, network.vertical
    value = np.zeros(len(a))
    for one, of_one in ((chains.start, 1 - chains.fraction), (chains.end, chains.fraction)):
        for two, of_two in ((chains.start, 1 - chains.fraction), (chains.end, chains.fraction)):
            value += of_one[a] * of_two[b] * q[one[a], two[b]]
    together = (chains.chain[a] == chains.chain[b]) & (chains.chain[a] >= 0)
    va, vb = chains.variance[a], chains.variance[b]
    tied = np.where(chains.is_open[a], 0.0, va * vb / np.where(together, chains.total[a], 1.0))
    walked: Floats = np.where(together, np.minimum(va, vb) - tied, 0.0)
    return value + network.vertical_variance_factor * walked
