"""Numbers read from the ground between the marks, each with its interval, or not measured."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate, interval_of_draws
from geosite.network.covariance import sigmas
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["departure_variance", "departure_variances", "ground_estimates", "outer_interval"]


def ground_estimates(
    ground: Ground, places: npt.ArrayLike, weights: npt.ArrayLike
) -> list[Estimate | None]:
    """Return weighted sums of elevations of the ground, such as a slope between two places.

    Parameters
    ----------
    ground
        The one model of the ground.
    places : array, shape (m, k, 2), columns easting, northing, local grid metres
        The places of each sum.
    weights : array, shape (m, k)
        Their weights.

    Returns
    -------
    list of length m
        ``None`` where a place lies beyond the marks or too far from any of them to say.

    Notes
    -----
    Linear in the marks and in the departure of the ground from the triangles, so the variance is
    closed form: that of the marks from their joint covariance, that of the ground from its own.

    Examples
    --------
    A square of 10 m with the ground at 1 m in the west and 2 m in the east: the slope between two
    places 4 m apart is 1 in 10.

    >>> from geosite.network.independent_marks import independent_marks
    >>> from geosite.terrain.uncertainty.ground import ground_between
    >>> from geosite.terrain.surface.tin import triangulate
    >>> corners = np.array([[0, 0, 1], [10, 0, 2], [10, 10, 2], [0, 10, 1]], float)
    >>> network = independent_marks(corners, sigma_up_m=0.01)
    >>> ground = ground_between(network, np.arange(4), triangulate(corners))
    >>> (slope,) = ground_estimates(ground, [[(3, 5), (7, 5)]], [[-0.25, 0.25]])
    >>> round(slope.value, 9)
    0.1
    """
    places = np.asarray(places, np.float64)
    weights = np.asarray(weights, np.float64)
    flat = places.reshape(-1, 2)
    known = ground.measured(flat).reshape(weights.shape).all(axis=1)
    heights = ground.elevations_at(flat).reshape(weights.shape)
    met = np.flatnonzero(known)
    forms = [ground.sum_form(places[k], weights[k]) for k in met]
    # a difference lies in the survey itself: what moves all of it on the map is not in it
    marks = np.where(
        np.abs(weights[met].sum(axis=1)) > 1e-9 * np.abs(weights[met]).sum(axis=1),
        sigmas(ground.network, forms),
        sigmas(ground.network.relative, forms),
    )
    marks = marks**2
    between = departure_variances(ground, places[met], weights[met])
    found: list[Estimate | None] = [None] * len(weights)
    for k, own, departure in zip(met.tolist(), marks.tolist(), between.tolist(), strict=True):
        spread = float(np.sqrt(own + departure))
        value = float(weights[k] @ heights[k])
        found[k] = Estimate.normal(value, spread, ground.coverage_factor(own, departure))
    return found


def departure_variances(ground: Ground, places: Floats, weights: Floats) -> Floats:
    """Return the variance that the ground between the marks adds to weighted sums of elevations.

    Parameters
    ----------
    ground, places, weights
        As for `ground_estimates`; no place beyond the marks.

    Returns
    -------
    array, shape (m,), square metres

    Notes
    -----
    A departure is the height of a rough surface at the place less the heights of that surface at
    the corners of its triangle, by their shares: each sum becomes one of ``4 k`` heights.
    """
    sums, count = weights.shape
    if not sums:
        return np.zeros(0)
    triangle, shares = ground.weights(places.reshape(-1, 2))
    around = ground.tin.triangles[triangle]
    corners = ground.tin.points[around, :2]
    at = np.concatenate([places.reshape(-1, 1, 2), corners], axis=1).reshape(sums, 4 * count, 2)
    # some ground is rougher than other
    scale = (shares * ground.scale[around]).sum(axis=1)
    signed = np.column_stack([np.ones(len(shares)), -shares]) * scale[:, None]
    signed = signed.reshape(sums, count, 4)
    weighted = (signed * weights[:, :, None]).reshape(sums, 4 * count)
    variance = np.empty(sums)
    for first in range(0, sums, 1000):
        some = slice(first, first + 1000)
        apart = np.linalg.norm(at[some, :, None] - at[some, None], axis=3)
        rough = ground.roughness.covariance(apart)
        variance[some] = np.einsum("ki,kij,kj->k", weighted[some], rough, weighted[some])
    return np.maximum(variance, 0.0)


def departure_variance(ground: Ground, places: Floats, weights: Floats) -> float:
    """Return what `departure_variances` does, of one sum over many places.

    Parameters
    ----------
    ground
    places : array, shape (k, 2), columns easting, northing, local grid metres
        No place beyond the marks.
    weights : array, shape (k,)

    Notes
    -----
    Places in a triangle share its corners: there are few more heights than places, not ``4 k``.
    """
    triangle, shares = ground.weights(places)
    around = ground.tin.triangles[triangle]
    scaled = weights * (shares * ground.scale[around]).sum(axis=1)
    corners, which = np.unique(around, return_inverse=True)
    of_corners = np.bincount(which.ravel(), (scaled[:, None] * shares).ravel())
    signed = np.concatenate([scaled, -of_corners])
    east, north = np.concatenate([places, ground.tin.points[corners, :2]]).T
    apart = np.hypot(np.subtract.outer(east, east), np.subtract.outer(north, north))
    return max(float(signed @ ground.roughness.covariance(apart) @ signed), 0.0)


def outer_interval(value: float, draws: npt.ArrayLike) -> Estimate:
    """Return the interval of a sum of parts that are cut off at zero, such as a volume of cut.

    Noise makes such a sum larger: the draws round the measured ground have more of it than that,
    as that has more of it than the truth. The interval holds both that of the draws and its mirror
    image about the measured value: the percentile and the basic bootstrap interval (Davison &
    Hinkley 1997, Bootstrap Methods and their Application, doi:10.1017/CBO9780511802843, section
    5.2).

    Parameters
    ----------
    value
        On the measured ground, not negative.
    draws : array, shape (d,)
        On the possible grounds; without any nothing bounds the value.

    Examples
    --------
    >>> outer_interval(2.0, np.linspace(1.0, 5.0, 401))
    Estimate(value=2.0, low=0.0, high=4.9095, sigma=None)
    """
    if not np.size(draws):
        return Estimate(value, -np.inf, np.inf)
    low, high = interval_of_draws(np.asarray(draws, np.float64)).tolist()
    return Estimate(
        value, max(0.0, min(value, low, 2 * value - high)), max(value, high, 2 * value - low)
    )
