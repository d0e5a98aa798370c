"""What the adjustment leaves over of every leg and every visit, with its standard deviation.

A long leg between two nodes is one observation (`geosite.network.equations.plan`) with the residual
v and the covariance ``Q = G - J Qx J'``. Its legs share v out by their own covariance: leg k,
carried back to the node, has ``v_k = G_k G^-1 v`` with the covariance ``G_k G^-1 Q G^-1 G_k``. That
is what least squares with every mark and every leg written out gives (Ghilani & Wolf, Adjustment
Computations, 2006, section 21.2: residuals over their standard deviations). What is told is how far
the end of a leg moved against its start: its random walk, and its way turned by what its heading
strayed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.equations.normal import Posterior, Term
from geosite.network.equations.rows import Between
from geosite.network.model import Network
from geosite.network.walk.dead_reckoning import gains, state_matrix

__all__ = ["Residuals", "residuals"]

CHECKED = 1e-9
"""Least share of an observation's variance that its residual keeps where anything checks it."""


@dataclass(frozen=True, eq=False)
class Residuals:
    """Residuals, adjusted less measured, columns east, north, up, in metres.

    Parameters
    ----------
    leg : array, shape (n, 3)
        Of the leg that ends at each observation; NaN where none does.
    leg_sigma : array, shape (n, 3)
        Standard deviation of each; 0 where nothing checks it, NaN where no accuracy is known.
    visit, visit_sigma : array, shape (n, 3)
        Of pointing at the mark, NaN where the mark is visited once or the device has no pointing.
    """

    leg: Floats
    leg_sigma: Floats
    visit: Floats
    visit_sigma: Floats

    @property
    def leg_standardised(self) -> Floats:
        """Residuals of the legs over their standard deviations; NaN where nothing checks them."""
        return _over(self.leg, self.leg_sigma)

    @property
    def visit_standardised(self) -> Floats:
        """The same of the visits."""
        return _over(self.visit, self.visit_sigma)


def residuals(network: Network) -> Residuals:
    """Return the residuals of every leg and every visit, in field-book order.

    Parameters
    ----------
    network

    Returns
    -------
    Residuals
    """
    between = network.plan.between
    n = len(between.at)
    found = {name: np.full((n, 3), np.nan) for name in ("leg", "leg_sigma", "visit", "visit_sigma")}
    row = np.empty(n, dtype=np.int64)
    row[between.at] = np.arange(n)
    node = between.node
    first = np.append(True, between.run[1:] != between.run[:-1])
    # the legs of open ends have nothing to agree with
    ends = row[np.flatnonzero(~first)]
    found["leg"][ends] = found["leg_sigma"][ends] = 0.0
    at, leg = _steps(between, node)
    _plan_legs(network, found, row[at], at, leg)
    _height_legs(network, found, row[at], at, leg)
    for part, axes in ((network.plan, slice(0, 2)), (network.heights, slice(2, 3))):
        if part.visits is not None:
            own: Floats = np.asarray(np.linalg.inv(part.visits.weight), dtype=np.float64)
            left = _left(part.visits, own, part.posterior)
            found["visit"][row[node], axes] = part.visits.misfit
            found["visit_sigma"][row[node], axes] = _sigma(left, own)
    if not network.accuracy_known:
        for name in ("leg_sigma", "visit_sigma"):
            found[name][...] = np.nan
    return Residuals(**found)


def _steps(between: Between, node: Ints) -> tuple[Ints, Ints]:
    """Return the positions at which legs between nodes end, and the long leg of each."""
    same = between.run[node[1:]] == between.run[node[:-1]]
    start, end = node[:-1][same], node[1:][same]
    count = end - start
    leg = np.repeat(np.arange(len(end)), count)
    at = np.repeat(end - np.cumsum(count), count) + np.arange(len(leg)) + 1
    return at, leg


def _own(total: Floats, between: Between, at: Ints) -> Floats:
    """Return what each leg adds to sums that run from the node."""
    before = np.maximum(at - 1, 0)
    inner = (~between.on_node(before)).reshape(-1, *(1,) * (total.ndim - 1))
    return np.asarray(total[at] - np.where(inner, total[before], 0.0))


def _left(term: Term, own: Floats, posterior: Posterior) -> Floats:
    """Return the covariance of what is left over of observations, shape (m, d, d)."""
    spread = posterior.entries(term.unknown[:, :, None], term.unknown[:, None, :])
    return np.asarray(own - term.jacobian @ spread @ term.jacobian.transpose(0, 2, 1))


def _sigma(left: Floats, own: Floats) -> Floats:
    """Return standard deviations of residuals, shape (m, d); 0 where nothing is checked."""
    kept, whole = (np.diagonal(m, axis1=1, axis2=2) for m in (left, own))
    return np.sqrt(np.where(kept > CHECKED * whole, kept, 0.0))


def _plan_legs(network: Network, found: dict[str, Floats], row: Ints, at: Ints, leg: Ints) -> None:
    plan = network.plan
    left = _left(plan.legs, plan.leg_gain, plan.posterior)
    own = gains(_own(plan.gain, plan.between, at))
    share = (state_matrix(plan.reach[at]) @ own @ plan.weight[leg])[:, :2]
    turned = share.transpose(0, 2, 1)
    found["leg"][row, :2] = np.einsum("mde,me->md", share, plan.legs.misfit[leg])
    found["leg_sigma"][row, :2] = _sigma(
        share @ left[leg] @ turned, share @ plan.leg_gain[leg] @ turned
    )


def _height_legs(
    network: Network, found: dict[str, Floats], row: Ints, at: Ints, leg: Ints
) -> None:
    heights = network.heights
    whole = heights.leg_variance[:, None, None]
    left = _left(heights.legs, whole, heights.posterior)
    share = _own(heights.variance, heights.between, at) / heights.leg_variance[leg]
    found["leg"][row, 2] = share * heights.legs.misfit[leg, 0]
    found["leg_sigma"][row, 2] = share * _sigma(left, whole)[leg, 0]


def _over(value: Floats, sigma: Floats) -> Floats:
    known = sigma > 0
    return np.where(known, value / np.where(known, sigma, 1.0), np.nan)
