"""How far the ground may lie from the triangles between the marks: estimated from the survey.

The ground is taken as the triangles through the marks plus the departure of a rough surface from
the triangles through its own values on the marks: nothing on a mark, more with every step away from
it. How rough the surface is, and over what distances, is told by the marks themselves: each is left
out and predicted by the triangles of all others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.correlation import rough_correlation, smooth_correlation

__all__ = [
    "EVEN",
    "LEAST_DEPARTURES",
    "Contrasts",
    "Roughness",
    "estimate_roughness",
    "local_scales",
    "sharp_bends",
]

_RANGES = (0.5, 1.0, 2.0, 4.0)
"""Ranges that are tried, times the usual distance to the next mark; the last is the wide one."""

_WIDE_SHARES = (0.0, 0.5, 0.8, 0.9, 0.95)
"""Shares of the departures' variance that are tried for the wide surface: what is left for the
other one is about halved each time, for nobody knows of which order it is."""

_LEAST_WEIGHT = 0.01
"""What is less likely is left out."""

LEAST_DEPARTURES = 5
"""Marks that must be left out before their departures say anything."""

_NEWS = 0.5
"""Share of the departures that are news: neighbours take part in each other's prediction. And no
ground is quite of the family of surfaces that is tried: its likelihood counts as much, no more."""

_MOST_TOGETHER = 300
"""Departures that are looked at together: the work grows with their cube."""

_MOST_TELLING = 120
"""Those of them whose joint likelihood tells the range."""

_LEAST_SHARE = 1e-9
"""Of the variance of the errors, which makes their covariance invertible."""

_TAILS = 4.0
"""Degrees of freedom of the departures' distribution: a few of them are far out, at sharp bends."""

_NORMAL_SCALE = 0.69
"""Square of the scale that such tails find in normal departures of variance 1."""

_PRIOR_WEIGHT = 1.0
"""As many departures as this the roughness of the whole site counts for in one place."""

_KERNEL = 0.8
"""Width of the kernel that averages round a mark, times the usual distance to the marks that
predict it: a mark and the ring round it. With twice that, what one swale or dock wall departs by
makes the calm yard beside it rough."""

_STEPS = 3
"""Steps by which the local roughness is found; more change little."""

_NOTHING = 9.0
"""Widths of the kernel away from where its weight is lost in rounding."""

_LOCAL_DEGREES = 10.0
"""Degrees of freedom of a local sill: the departures of a mark and of the marks round it."""


@dataclass(frozen=True, slots=True)
class Roughness:
    """A rough surface: the covariance of its heights by their distance.

    Parameters
    ----------
    sills : tuple of float, square metres
        Variance of the surface for each range that it may have.
    ranges : tuple of float, metres
    weights : tuple of float
        How likely each range is; they add up to 1.
    degrees_of_freedom
        How many independent departures the sills rest on; infinite where they are given.
    departures
        How many marks were left out to tell; 0 where there were too few, and nothing is known.
    reach_m
        Farthest from a mark that the departures say anything about.
    wide_sills : tuple of float, square metres
        For each range the variance of a second surface below, of `wide_range_m`: what is built, a
        crown, a bowl, goes over many marks, whatever the range of what is rough. Empty: none.
    wide_range_m

    Examples
    --------
    A surface with a standard deviation of 2 cm whose heights hang together over 3 m:

    >>> rough = Roughness((4e-4,), (3.0,), (1.0,))
    >>> rough.covariance(np.array([0.0, 3.0])).round(7).tolist()
    [0.0004, 0.0001444]
    """

    sills: tuple[float, ...]
    ranges: tuple[float, ...]
    weights: tuple[float, ...]
    degrees_of_freedom: float = math.inf
    departures: int = 0
    reach_m: float = math.inf
    wide_sills: tuple[float, ...] = ()
    wide_range_m: float = math.inf

    def covariance(self, distance: Floats) -> Floats:
        """Return the covariance of heights `distance` metres apart, square metres.

        Notes
        -----
        See `rough_correlation` and, for the wide surface, `smooth_correlation`; structures are
        nested as in Chiles & Delfiner (2012), section 2.5.
        """
        total = np.zeros(np.shape(distance))
        for reach, sill in self.by_range().items():
            total += sill * self.correlation(distance, reach)
        return total

    def correlation(self, distance: Floats, reach: float) -> Floats:
        """Return the correlation of the surface of one range: the wide one is smooth."""
        known = smooth_correlation if reach == self.wide_range_m else rough_correlation
        return known(distance, reach)

    def by_range(self) -> dict[float, float]:
        """Return the variance of the surface by range, square metres and metres.

        Examples
        --------
        A surface of 1 cm that is as likely 2 m as 4 m, over one of 3 cm and 8 m:

        >>> both = Roughness((1e-4, 1e-4), (2.0, 4.0), (0.5, 0.5), wide_sills=(9e-4, 9e-4),
        ...     wide_range_m=8.0)
        >>> {reach: round(1e4 * sill, 6) for reach, sill in both.by_range().items()}
        {2.0: 0.5, 4.0: 0.5, 8.0: 9.0}
        """
        wide = self.wide_sills or (0.0,) * len(self.sills)
        found: dict[float, float] = {}
        for sill, reach, weight in zip(self.sills, self.ranges, self.weights, strict=True):
            found[reach] = found.get(reach, 0.0) + weight * sill
        for below, weight in zip(wide, self.weights, strict=True):
            if below:
                found[self.wide_range_m] = found.get(self.wide_range_m, 0.0) + weight * below
        return found

    def parts(self) -> list[Roughness]:
        """Return the surface with each of the ranges alone."""
        wide = self.wide_sills or (0.0,) * len(self.sills)
        return [
            replace(self, sills=(sill,), ranges=(reach,), weights=(1.0,), wide_sills=(under,))
            for sill, reach, under in zip(self.sills, self.ranges, wide, strict=True)
        ]


EVEN = Roughness((), (), ())
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
    points : array of int, shape (k, 4)
        Number of the mark and of the corners among the points of the triangulation.
    on_breakline : array of bool, shape (k,)
        Marks that were predicted along their breakline, from the vertices before and after.
    slope : array, shape (k, 2), optional
        Rise towards east and north of the ground that predicts the mark.
    joint_noise : array, shape (n, n), square metres, optional
        Covariance of the errors of the departures of `together`; without it they are independent.
    bend : array, shape (k,), metres, optional
        Standard deviation that ground which bends sharply there adds, from `sharp_bends`.
    """

    departure: Floats
    noise: Floats
    places: Floats
    shares: Floats
    points: Ints
    on_breakline: npt.NDArray[np.bool_]
    slope: Floats | None = None
    joint_noise: Floats | None = None
    bend: Floats | None = None

    @property
    def together(self) -> Ints:
        """Numbers of the departures that are looked at together: of many, some spread over all."""
        return _spread_over(len(self.departure), _MOST_TOGETHER)

    def combinations(self, some: Ints) -> tuple[Ints, Floats, Floats]:
        """Return departures as sums over heights.

        Parameters
        ----------
        some : array of int, shape (n,)
            Their numbers.

        Returns
        -------
        points : array of int, shape (m,)
            Of the triangulation, that take part.
        places : array, shape (m, 2), metres
        along : array, shape (n, m)
        """
        weight = np.column_stack([np.ones(len(some)), -self.shares[some]])
        points, place = np.unique(self.points[some], return_inverse=True)
        place = place.reshape(len(some), -1)
        along = np.zeros((len(some), len(points)))
        np.add.at(along, (np.arange(len(some))[:, None], place), weight)
        places = np.empty((len(points), 2))
        places[place] = self.places[some]
        return points, places, along

    @property
    def apart(self) -> Floats:
        """Distance of each mark to the corners, shape (k, 3), metres."""
        return np.asarray(np.linalg.norm(self.places[:, 1:] - self.places[:, :1], axis=2))

    @property
    def nearest(self) -> Floats:
        """Distance of each mark to the nearest corner, metres."""
        return np.asarray(self.apart.min(axis=1))

    def variance(self, rough: Roughness, scale: Floats | None = None) -> Floats:
        """Return the variance that a rough surface gives each departure, shape (k,).

        Parameters
        ----------
        rough
        scale : array, shape (k,), optional
            How many times as far as the surface says the ground departs there.
        """
        weights = np.column_stack([np.ones(len(self.shares)), -self.shares])
        if scale is not None:
            weights *= scale[:, None]
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
    For each range the sill of greatest likelihood, the departures following Student's t with the
    variance that the surface gives them plus that of the marks' own errors, so that a few sharp
    bends do not make the whole site rough (Lange, Little & Taylor 1989,
    doi:10.1080/01621459.1989.10478852). One by one the departures tell how rough the ground is, but
    hardly over what distances: that is in how they go together. So the ranges are weighted by the
    likelihood of all departures together, with the joint covariance of the marks' errors
    (restricted likelihood: Patterson & Thompson 1971, doi:10.1093/biomet/58.3.545). The weighted
    mean of their covariances is a covariance again. Structural analysis by contrasts that filter
    the drift is Delfiner's (Chiles, J.-P. & Delfiner, P. 2012, Geostatistics,
    doi:10.1002/9781118136188, section 4.6).
    """
    count = len(contrasts.departure)
    if count < LEAST_DEPARTURES:
        return EVEN
    nearest = contrasts.nearest
    usual = float(np.median(nearest))
    wide = _RANGES[-1] * usual
    tried = [(t * usual, share) for t in _RANGES[:-1] for share in _WIDE_SHARES] + [(wide, 0.0)]
    scores = _joint_likelihoods(contrasts, tried, wide)
    sills, below = zip(
        *(_likeliest_sills(contrasts, reach, wide, share) for reach, share in tried), strict=True
    )
    # each range is as likely as any other beforehand, and each share of it
    weight = np.exp(_NEWS * (scores - scores.max()))
    weight[:-1] /= len(_WIDE_SHARES)
    weight /= weight.sum()
    kept = weight > _LEAST_WEIGHT
    weight /= weight[kept].sum()

    def left(values: Sequence[float] | Floats) -> tuple[float, ...]:
        return tuple(np.asarray(values)[kept].tolist())

    return Roughness(
        left(sills),
        left([reach for reach, _ in tried]),
        left(weight),
        degrees_of_freedom=min(_NEWS * count, _LOCAL_DEGREES),
        departures=count,
        reach_m=float(np.quantile(nearest, 0.9)),
        wide_sills=left(below),
        wide_range_m=wide,
    )


def local_scales(contrasts: Contrasts, rough: Roughness, points: Floats, kind: Ints) -> Floats:
    """Tell how many times as far as on the whole site the ground departs at each point.

    Parameters
    ----------
    contrasts
    rough
        Of the whole site, from `estimate_roughness`.
    points : array, shape (n, 2), metres
    kind : array of int, shape (n,)
        Points go by the marks of their own kind: on breaklines, beside them, on open ground.

    Returns
    -------
    array, shape (n,)

    Notes
    -----
    Three steps of expectation and maximisation (Dempster, Laird & Rubin 1977,
    doi:10.1111/j.2517-6161.1977.tb01600.x) from a site that is as rough everywhere: the expected
    square of each departure's rough part, averaged round the point with a Gaussian kernel 0.8 times
    as wide as the usual distance to the marks that predict another, the whole site counting as one
    of them.
    That accuracy between marks is a local matter is Kraus, Karel, Briese & Mandlburger (2006),
    doi:10.1111/j.1477-9730.2006.00400.x.
    """
    scale = np.ones(len(points))
    if not rough.sills or not any(rough.sills):
        return scale
    width = _KERNEL * float(np.median(contrasts.apart.mean(axis=1)))
    # only the last step is asked at every point: the others read it where marks are compared
    is_read = np.zeros(len(points), np.bool_)
    is_read[contrasts.points[:, 0]] = True
    for step in range(_STEPS):
        if step == _STEPS - 1:
            is_read[:] = True
        signal = contrasts.variance(rough, scale[contrasts.points[:, 0]])
        total = np.maximum(signal + contrasts.noise**2, 1e-300)
        expected = 1.0 + signal / total * (contrasts.departure**2 / total - 1.0)
        expected *= scale[contrasts.points[:, 0]] ** 2
        better = scale.copy()
        for one in np.unique(kind):
            told = kind[contrasts.points[:, 0]] == one
            if not told.any():
                continue
            sources, value = contrasts.places[told, 0], expected[told]
            asked = np.flatnonzero(is_read & (kind == one))
            for first in range(0, len(asked), 2048):
                here = asked[first : first + 2048]
                better[here] = np.sqrt(_mean_around(points[here], sources, value, width))
        scale = better
    return scale


def sharp_bends(contrasts: Contrasts, rough: Roughness, scale: Floats) -> Floats:
    """Tell how much farther the ground may depart where a mark stands out than its roughness says.

    Parameters
    ----------
    contrasts
    rough
        Of the whole site, from `estimate_roughness`.
    scale : array, shape (points,)
        From `local_scales`.

    Returns
    -------
    array, shape (k,), metres
        Standard deviation; 0 where the departure is a usual one.

    Notes
    -----
    Departures that follow Student's t are normal ones whose variance is drawn anew for each. What
    one departure tells of its own variance has the mean ``(n s2 + d2) / (n - 1)``, with `n` degrees
    of freedom and the scale `s2` (Lange, Little & Taylor 1989,
    doi:10.1080/01621459.1989.10478852). The errors of the marks are known from the
    network: what is more than that and the roughness is the ground's.
    """
    usual = contrasts.variance(rough, scale[contrasts.points[:, 0]]) + contrasts.noise**2
    told = (_TAILS * _NORMAL_SCALE * usual + contrasts.departure**2) / (_TAILS - 1.0)
    return np.sqrt(np.maximum(told - usual, 0.0))


def _mean_around(places: Floats, sources: Floats, value: Floats, width: float) -> Floats:
    """Return the mean of values round places by a Gaussian kernel, drawn towards one."""
    far = _NOTHING * width
    low, high = places.min(axis=0) - far, places.max(axis=0) + far
    near = ((sources >= low) & (sources <= high)).all(axis=1)
    if not near.all():
        sources, value = sources[near], value[near]
    east, north = (np.subtract.outer(places[:, k], sources[:, k]) for k in range(2))
    weight = np.exp(-(east**2 + north**2) / (2 * width**2))
    mean: Floats = (_PRIOR_WEIGHT + weight @ value) / (_PRIOR_WEIGHT + weight.sum(axis=1))
    return mean


def _joint_likelihoods(
    contrasts: Contrasts, tried: Sequence[tuple[float, float]], wide: float
) -> Floats:
    """Return the logarithm of the likelihood of departures together, with the likeliest sill.

    Parameters
    ----------
    contrasts
    tried
        Range and share of the departures' variance that the wide surface has.
    wide
        Range of the wide surface.

    Notes
    -----
    With the errors whitened the surface has its own axes, along which the likelihood of any sill is
    a sum.
    """
    every = contrasts.together
    chosen = _spread_over(len(every), _MOST_TELLING)
    some = every[chosen]
    _, places, along = contrasts.combinations(some)
    if contrasts.joint_noise is None:
        noise = np.diag(contrasts.noise[some] ** 2)
    else:
        noise = contrasts.joint_noise[np.ix_(chosen, chosen)]
    departure = contrasts.departure[some]
    least = max(_LEAST_SHARE * float(noise.diagonal().mean()), 1e-12 * float(departure @ departure))
    root = np.linalg.cholesky(noise + max(least, 1e-24) * np.eye(len(noise)))
    white = np.linalg.solve(root, departure)
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    spread = {}
    for reach in {wide, *(reach for reach, _ in tried)}:
        known = smooth_correlation if reach == wide else rough_correlation
        plain = along @ known(apart, reach) @ along.T
        whitened = np.linalg.solve(root, np.linalg.solve(root, plain).T)
        spread[reach] = whitened / plain.diagonal().mean()
    return np.array(
        [
            _profile(white, (1.0 - share) * spread[reach] + share * spread[wide])
            for reach, share in tried
        ]
    )


def _profile(white: Floats, unit: Floats) -> float:
    """Return the logarithm of the likelihood of whitened departures, at the likeliest sill."""
    variance, axes = np.linalg.eigh(unit)
    variance, square = np.maximum(variance, 0.0), (axes.T @ white) ** 2
    top = 100.0 * float(square.sum()) / max(float(variance.sum()), 1e-300)
    trial = np.append(0.0, np.geomspace(1e-8, 1.0, 161) * top)
    spread = 1.0 + trial[:, None] * variance
    return float((-0.5 * (np.log(spread) + square / spread)).sum(axis=1).max())


def _likeliest_sills(
    contrasts: Contrasts, reach: float, wide: float, share: float
) -> tuple[float, float]:
    """Return the sills, of a range and of the wide one, of greatest likelihood one by one."""
    square, noise = contrasts.departure**2, contrasts.noise**2
    own, below = (
        contrasts.variance(Roughness((1.0,), (one,), (1.0,), wide_range_m=wide))
        for one in (reach, wide)
    )
    parts = (1.0 - share) / float(own.mean()), share / float(below.mean())
    unit = parts[0] * own + parts[1] * below
    top = float((square / unit).max())
    trial = np.concatenate([[0.0], np.geomspace(1e-6 * top, top, 121)]) if top > 0 else np.zeros(1)
    least = 1e-12 * max(float(square.max()), 1e-12)
    variance = np.maximum(trial[:, None] * unit + noise, least)
    n = _TAILS
    far = np.log1p(square / (n * _NORMAL_SCALE * variance))
    score = -0.5 * (np.log(variance) + (n + 1) * far).sum(axis=1)
    size = float(trial[int(score.argmax())])
    return size * parts[0], size * parts[1]


def _spread_over(count: int, most: int) -> Ints:
    return np.unique(np.linspace(0, count - 1, min(count, most)).astype(np.int64))
