"""Covariance of elevations, pair by pair."""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.model import Network

__all__ = ["level_covariance"]


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
