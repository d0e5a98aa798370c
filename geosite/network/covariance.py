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

from geosite.fieldbook.model import Floats, Ints
from geosite.network.model import LinearForm, Network

__all__ = ["covariance", "error_ellipses", "sigma", "sigma_horizontal", "sigma_vertical", "sigmas"]


def _bridge(network: Network, factor: float) -> Floats:
    """Variance per axis of each observation inside its chain, shape (n,), square metres."""
    chains = network.chains
    rest = np.where(chains.is_open, 1.0, 1.0 - chains.fraction)
    return factor * chains.variance * rest


def _marks(network: Network) -> tuple[Floats, Floats, Floats]:
    """Variance of easting, of northing, and their covariance, shape (n,) each."""
    chains, q = network.chains, network.horizontal
    count = len(chains.knots)
    s, e, f = chains.start, chains.end, chains.fraction
    t = 2 * count + chains.run
    east, north = chains.turn.T

    def pair(a: int, b: int, turn_a: Floats, turn_b: Floats) -> Floats:
        i, j, k, m = a + s, a + e, b + s, b + e
        value = (1 - f) ** 2 * q[i, k] + f**2 * q[j, m] + f * (1 - f) * (q[i, m] + q[j, k])
        value += turn_b * ((1 - f) * q[i, t] + f * q[j, t])
        value += turn_a * ((1 - f) * q[k, t] + f * q[m, t])
        return value + turn_a * turn_b * q[t, t]

    bridge = _bridge(network, network.variance_factor)
    return (
        pair(0, 0, east, east) + bridge,
        pair(count, count, north, north) + bridge,
        pair(0, count, east, north),
    )


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
    return np.sqrt(np.maximum(value + _bridge(network, network.vertical_variance_factor), 0.0))


def error_ellipses(network: Network) -> tuple[Floats, Floats, Floats]:
    """Return the standard error ellipse of each observation.

    Returns
    -------
    major, minor : array, shape (n,), metres
        Semi-axes, one standard deviation (times 2.4477 for 95 %).
    azimuth : array, shape (n,), radians
        Direction of the major axis, clockwise from grid north, 0 to pi.
    """
    east, north, both = _marks(network)
    middle, half = (east + north) / 2, np.hypot((east - north) / 2, both)
    azimuth = np.mod(np.arctan2(2 * both, north - east) / 2, np.pi)
    return (
        np.sqrt(np.maximum(middle + half, 0.0)),
        np.sqrt(np.maximum(middle - half, 0.0)),
        azimuth,
    )


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
    chains = network.chains
    count = len(chains.knots)
    rows = np.concatenate([form.rows for form in forms]).astype(np.int64)
    owner = np.repeat(np.arange(len(forms)), [len(form.rows) for form in forms])
    east = np.concatenate([form.east for form in forms])
    north = np.concatenate([form.north for form in forms])
    up = np.concatenate([form.up for form in forms])
    s, e, f = chains.start[rows], chains.end[rows], chains.fraction[rows]

    def project(weight: Floats, offset: int, size: int) -> Floats:
        out = np.zeros((len(forms), size))
        np.add.at(out, (owner, offset + s), (1 - f) * weight)
        np.add.at(out, (owner, offset + e), f * weight)
        return out

    size = len(network.horizontal)
    plan = project(east, 0, size) + project(north, count, size)
    turned = east * chains.turn[rows, 0] + north * chains.turn[rows, 1]
    np.add.at(plan, (owner, 2 * count + chains.run[rows]), turned)
    level = project(up, 0, count)
    total = plan @ network.horizontal @ plan.T + level @ network.vertical @ level.T
    inside = chains.chain[rows] >= 0
    if inside.any():
        total += _walks(
            network,
            rows[inside],
            owner[inside],
            east[inside],
            north[inside],
            up[inside],
            len(forms),
        )
    return (total + total.T) / 2


def _walks(
    network: Network, rows: Ints, owner: Ints, east: Floats, north: Floats, up: Floats, count: int
) -> Floats:
    """Part of the covariance that stems from the random walk inside the chains.

    With the weights w of a quantity sorted by v along a chain, the free walk contributes the sum
    over the steps of v of (sum of the weights beyond)^2, and a bridge takes (sum of w v)^2 / V
    away: both are sums of products, so one matrix product serves all pairs of quantities.
    """
    chains = network.chains
    names, chain = np.unique(chains.chain[rows], return_inverse=True)
    order = np.lexsort((chains.variance[rows], chain))
    rows, owner, chain = rows[order], owner[order], chain[order]
    spent = chains.variance[rows]
    first = np.append(True, chain[1:] != chain[:-1])
    step = np.diff(spent, prepend=0.0)
    step[first] = spent[first]
    step = np.maximum(step, 0.0)
    total = np.zeros(len(names))
    closed = np.zeros(len(names), dtype=bool)
    total[chain] = chains.total[rows]
    closed[chain] = ~chains.is_open[rows]
    out = np.zeros((count, count))
    for weights, factor in (
        (east, network.variance_factor),
        (north, network.variance_factor),
        (up, network.vertical_variance_factor),
    ):
        w = np.zeros((len(rows), count))
        w[np.arange(len(rows)), owner] = weights[order]
        running = np.cumsum(w[::-1], axis=0)[::-1]
        # weights beyond a row inside its own chain: less what later chains add
        last = np.append(first[1:], True)
        ends = np.flatnonzero(last)
        after = np.vstack([running[1:], np.zeros((1, count))])[ends]
        beyond = running - after[chain]
        moment = np.add.reduceat(w * spent[:, None], np.flatnonzero(first), axis=0)
        taken = np.where(closed, 1.0 / np.where(closed, total, 1.0), 0.0)
        out += factor * ((beyond * step[:, None]).T @ beyond - (moment * taken[:, None]).T @ moment)
    return out


def sigma(network: Network, form: LinearForm) -> float:
    """Return the standard deviation of one quantity, in its unit."""
    return float(np.sqrt(max(float(covariance(network, [form])[0, 0]), 0.0)))


def sigmas(network: Network, forms: Sequence[LinearForm]) -> Floats:
    """Return the standard deviation of each of many quantities, shape (m,), in their units."""
    return np.array([sigma(network, form) for form in forms])
