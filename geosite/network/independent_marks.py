"""Marks that were placed one by one: no walk between them, no drift, errors of their own.

A satellite receiver or a total station on a known mark gives such a survey. It is also the smallest
network there is, so the examples of the later rooms start from it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.map_frame import Frame
from geosite.network.equations.normal import Equations, Posterior, Term
from geosite.network.equations.rows import Between, HeightRows, PlanRows
from geosite.network.model import Network

__all__ = ["independent_marks"]


def independent_marks(
    places: npt.ArrayLike,
    *,
    sigma_m: float = 0.0,
    sigma_up_m: float = 0.0,
    frame: Frame | None = None,
    mark: npt.ArrayLike | None = None,
) -> Network:
    """Return the network of marks whose errors have nothing to do with each other.

    Parameters
    ----------
    places : array, shape (n, 3), columns easting, northing, elevation
        Local grid metres and metres.
    sigma_m, sigma_up_m
        Standard deviation of every mark per horizontal axis, and in height, metres.
    frame
        The map; without it a plan in metres that neither shrinks nor turns.
    mark : array of int, shape (n,)
        Number of the mark that each place is an observation of, from 0; without it each is a mark
        of its own. Observations of one mark have one error.

    Examples
    --------
    The distance of two marks varies by ``sqrt(2)`` times what each of them does:

    >>> from geosite.network.covariance import sigma
    >>> from geosite.network.model import LinearForm
    >>> network = independent_marks([(0, 0, 5), (30, 40, 5)], sigma_m=0.01)
    >>> away = np.array([-0.6, 0.6]), np.array([-0.8, 0.8])
    >>> distance = LinearForm(np.array([0, 1]), *away, np.zeros(2))
    >>> round(sigma(network, distance), 5)
    0.01414
    """
    local = np.asarray(places, np.float64).reshape(-1, 3)
    n = len(local)
    every = np.arange(n, dtype=np.int32)
    knot = np.arange(n) if mark is None else np.asarray(mark, np.int64)
    k = int(knot.max(initial=-1)) + 1
    between = Between(every, every * 0, every, np.arange(n), np.full(n, -1))
    plan_variance = np.append(np.full(2 * k, sigma_m**2), np.zeros(2))
    level_variance = np.append(np.full(k, sigma_up_m**2), np.zeros(3))
    return Network(
        frame=Frame() if frame is None else frame,
        en=local[:, :2].copy(),
        elevation=local[:, 2].copy(),
        raw_en=local[:, :2].copy(),
        raw_elevation=local[:, 2].copy(),
        orientation=np.zeros(1),
        scale=np.zeros(1),
        plan=_plan(knot, k, between, _posterior(plan_variance)),
        heights=_heights(knot, k, between, _posterior(level_variance)),
        variance_factor=1.0,
        vertical_variance_factor=1.0,
        closures=(),
    )


def _plan(knot: Ints, count: int, between: Between, posterior: Posterior) -> PlanRows:
    n, turn = len(knot), 2 * count  # after the marks: heading and scale of a walk nobody walked
    return PlanRows(
        between=between,
        posterior=posterior,
        knot=2 * knot,
        path=2 * knot,
        heading=np.full(n, turn),
        orientation=np.array([turn]),
        scale=np.array([turn + 1]),
        reach=np.zeros(n, complex),
        carried=np.zeros(n, complex),
        gain=np.zeros((n, 1)),
        leg_reach=np.zeros(0, complex),
        leg_carried=np.zeros(0, complex),
        leg_gain=np.zeros((0, 3, 3)),
        weight=np.zeros((0, 3, 3)),
        pointing=0.0,
        legs=_no_legs(7, 3),
        visits=None,
    )


def _heights(knot: Ints, count: int, between: Between, posterior: Posterior) -> HeightRows:
    n = len(knot)
    return HeightRows(
        between=between,
        posterior=posterior,
        knot=knot,
        path=knot,
        drift=np.arange(count, count + 3)[None],
        coupling=np.zeros((n, 3)),
        variance=np.zeros(n),
        leg_coupling=np.zeros((0, 3)),
        leg_variance=np.zeros(0),
        pointing=0.0,
        legs=_no_legs(5, 1),
        visits=None,
    )


def _no_legs(unknowns: int, axes: int) -> Term:
    """Return the long legs of a survey that has none."""
    unknown = np.zeros((0, unknowns), np.int64)
    jacobian, weight = np.zeros((0, axes, unknowns)), np.zeros((0, axes, axes))
    return Term(unknown, jacobian, weight, np.zeros((0, axes)))


def _posterior(variance: Floats) -> Posterior:
    """Return the covariance of unknowns that are independent; a variance of 0 is exact."""
    free = np.flatnonzero(variance)
    return Posterior(Equations(np.diag(1.0 / np.where(variance > 0, variance, 1.0)), free))
