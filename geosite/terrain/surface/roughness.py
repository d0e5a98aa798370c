"""How far the ground may lie from the triangles between the marks: estimated from the survey.

The ground is taken as the triangles through the marks plus the departure of a rough surface from
the triangles through its own values on the marks: nothing on a mark, more with every step away from
it. How rough the surface is, and over what distances, is told by the marks themselves: each is left
out and predicted by the triangles of all others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats

__all__ = ["EVEN", "Contrasts", "Roughness", "estimate_roughness"]

_ROOT_3 = math.sqrt(3.0)

_RANGES = (0.5, 1.0, 2.0, 4.0)
"""Ranges that are tried, times the usual distance to the next mark."""

_AT_LEAST = 5
"""Marks that must be left out before their departures say anything."""


@dataclass(frozen=True, slots=True)
class Roughness:
    """A rough surface: the covariance of its heights by their distance.

    Parameters
    ----------
    sills : tuple of float, square metres
        Variances of the parts that the surface is the sum of.
    ranges : tuple of float, metres
        Range of each part.
    degrees_of_freedom
        How many independent departures the sills rest on; infinite where they are given.
    departures
        How many marks were left out to tell; 0 where there were too few, and nothing is known.
    reach_m
        Farthest from a mark that the departures say anything about.

    Examples
    --------
    A surface with a standard deviation of 2 cm whose heights hang together over 3 m:

    >>> rough = Roughness((4e-4,), (3.0,))
    >>> rough.covariance(np.array([0.0, 3.0])).round(7).tolist()
    [0.0004, 0.0001933]
    """

    sills: tuple[float, ...]
    ranges: tuple[float, ...]
    degrees_of_freedom: float = math.inf
    departures: int = 0
    reach_m: float = math.inf

    def covariance(self, distance: Floats) -> Floats:
        """Return the covariance of heights `distance` metres apart, square metres.

        Notes
        -----
        Matern's covariance of smoothness 3/2, ``s (1 + q) exp(-q)`` with ``q = sqrt(3) h / r``
        (Stein, M.L. 1999, Interpolation of Spatial Data, doi:10.1007/978-1-4612-1494-6, section
        2.7): a surface with a slope everywhere, as worked ground has.
        """
        total = np.zeros(np.shape(distance))
        for sill, reach in zip(self.sills, self.ranges, strict=True):
            scaled = (_ROOT_3 / reach) * distance
            total += sill * (1.0 + scaled) * np.exp(-scaled)
        return total


EVEN = Roughness((), ())
"""Nothing is known to depart from the triangles."""


@dataclass(frozen=True, eq=False)
class Contrasts:
    """Marks against the triangles of all others.

    Parameters
    ----------
    departure : array, shape (k,), metres
        Mark minus prediction.
    noise : array, shape (k,), metres
        Standard deviation that the marks' own errors give it.
    places : array, shape (k, 4, 2), metres
        The mark, and the corners of the triangle that predicts it.
    shares : array, shape (k, 3)
        Of the corners.
    """

    departure: Floats
    noise: Floats
    places: Floats
    shares: Floats

    @property
    def nearest(self) -> Floats:
        """Distance of each mark to the nearest corner, metres."""
        apart: Floats = np.linalg.norm(self.places[:, 1:] - self.places[:, :1], axis=2).min(axis=1)
        return apart

    def variance(self, rough: Roughness) -> Floats:
        """Return the variance that a rough surface gives each departure, shape (k,)."""
        weights = np.column_stack([np.ones(len(self.shares)), -self.shares])
        apart = np.linalg.norm(self.places[:, :, None] - self.places[:, None], axis=3)
        between: Floats = np.einsum("ki,kij,kj->k", weights, rough.covariance(apart), weights)
        return between


def estimate_roughness(contrasts: Contrasts) -> Roughness:
    """Estimate the roughness of the ground from marks that were left out.

    Parameters
    ----------
    contrasts

    Returns
    -------
    Roughness
        `EVEN` where fewer than five marks could be left out.

    Notes
    -----
    For each range the sill of greatest likelihood, the departures taken as normal, with the
    variance that the surface gives them plus that of the marks' own errors; the ranges are then
    averaged by their likelihood. The averaged covariance is a covariance again. Structural
    analysis by contrasts that filter the drift is Delfiner's (Chiles, J.-P. & Delfiner, P. 2012,
    Geostatistics, doi:10.1002/9781118136188, section 4.6).
    """
    count = len(contrasts.departure)
    if count < _AT_LEAST:
        return EVEN
    nearest = contrasts.nearest
    usual = float(np.median(nearest))
    square, noise = contrasts.departure**2, contrasts.noise**2
    scores, sills, ranges = [], [], []
    for times in _RANGES:
        reach = times * usual
        unit = contrasts.variance(Roughness((1.0,), (reach,)))
        sill, score = _likeliest_sill(square, noise, unit)
        scores.append(score)
        sills.append(sill)
        ranges.append(reach)
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    kept = weight > 1e-3
    weight /= weight[kept].sum()
    return Roughness(
        tuple((weight * sills)[kept].tolist()),
        tuple(np.array(ranges)[kept].tolist()),
        # neighbours take part in each other's prediction: about half of them are news
        degrees_of_freedom=count / 2,
        departures=count,
        reach_m=float(np.quantile(nearest, 0.9)),
    )


def _likeliest_sill(square: Floats, noise: Floats, unit: Floats) -> tuple[float, float]:
    """Return the sill of greatest likelihood and the logarithm of that likelihood."""
    top = float((square / unit).max())
    trial = np.concatenate([[0.0], np.geomspace(1e-6 * top, top, 121)]) if top > 0 else np.zeros(1)
    least = 1e-12 * max(float(square.max()), 1e-12)
    variance = np.maximum(trial[:, None] * unit + noise, least)
    score = -0.5 * (np.log(variance) + square / variance).sum(axis=1)
    best = int(score.argmax())
    return float(trial[best]), float(score[best])
