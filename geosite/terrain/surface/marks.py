"""Marks before they become a surface: coincident marks, outliers, and noise between neighbours."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.terrain.surface.tin import Tin

__all__ = [
    "Coincident",
    "Covariance",
    "Outlier",
    "checked_sigma",
    "combine_coincident",
    "find_outliers",
    "neighbour_pairs",
    "relative_noise",
]

Covariance = Callable[[Ints, Ints], Floats]
"""Covariance of the elevations of points ``i[k]`` and ``j[k]``, shape (k,), squared units."""

# marks needed before one is called unusual
_JUDGED_AT_LEAST = 10
# times the usual distance from the neighbours' plane; 1 in 500 million of normal errors
_OUTLIER = 6.0
_ABOVE_NEIGHBOURS = 1.7
# departures from a plane that are no more than the last digits of the elevations
_EVEN = 1e-9
# variance of the neighbours' plane at the mark in units of theirs: beyond, it is extrapolated
_MOST_PLANE_VARIANCE = 0.5


@dataclass(frozen=True, slots=True)
class Coincident:
    """Two points at one place whose elevations differ.

    Parameters
    ----------
    low, high
        The lower and the higher one, numbered as given.
    gap
        Difference of their elevations.
    sigma
        Standard deviation of the difference, None where it is not known.
    elevation
        What the surface takes there.
    """

    low: int
    high: int
    gap: float
    sigma: float | None
    elevation: float


@dataclass(frozen=True, slots=True)
class Outlier:
    """A point far above or below the plane through its neighbours.

    Parameters
    ----------
    point
        Numbered as given.
    above
        How far above the plane, negative below.
    times
        So many times what is usual there; infinite where all else is even.
    """

    point: int
    above: float
    times: float


def checked_sigma(sigma: npt.ArrayLike, count: int) -> Floats:
    """Return standard deviations as an array; refuse what is none.

    Raises
    ------
    InputError
        Not one finite number of 0 or more per point.

    Examples
    --------
    >>> checked_sigma([0.01, 0.02], 2)
    array([0.01, 0.02])
    """
    values = np.asarray(sigma, dtype=np.float64)
    if values.shape != (count,) or not (np.isfinite(values) & (values >= 0)).all():
        raise InputError(
            Problem(
                "sigma-not-positive",
                f"standard deviations of shape {values.shape} for {count} points",
                "one finite number per point, 0 or more",
                "correct them or leave them out",
            )
        )
    return values


def combine_coincident(
    given: Floats, sigma: Floats | None, coincident: float
) -> tuple[Floats, Ints, Ints, tuple[Coincident, ...]]:
    """Make one mark of points at the same place.

    Parameters
    ----------
    given : array, shape (n, 3), columns easting, northing, elevation
    sigma : array, shape (n,), optional
        Standard deviation of each elevation: the mean is weighted by ``1 / sigma**2``.
    coincident
        Points nearer than this to each other are one place.

    Returns
    -------
    marks : array, shape (m, 3)
    origin : array of int, shape (n,)
        The mark of each point.
    owner : array of int, shape (m,)
        The point that represents each mark: the one of the least sigma, which the mark keeps,
        because errors in one place are mostly shared.
    unequal
        Those whose elevations differ by more than `coincident`.

    Examples
    --------
    Two readings of one place, good to 1 cm and to 2 cm: the mean has weights of 4 and 1.

    >>> given = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 1.5], [9.0, 0.0, 3.0]])
    >>> sigma = np.array([0.01, 0.02, 0.01])
    >>> marks, origin, owner, unequal = combine_coincident(given, sigma, 0.001)
    >>> marks[:, 2].tolist(), origin.tolist(), owner.tolist(), unequal[0].gap
    ([1.1, 3.0], [0, 0, 1], [0, 2], 0.5)
    """
    own = np.arange(len(given))
    if given.ndim != 2 or given.shape[1] != 3 or not np.isfinite(given).all():
        # refused in plain words by the triangulation
        return given, own, own, ()
    place = np.asarray(shapely.points(given[:, :2] - given[:1, :2]))
    first, second = shapely.STRtree(place).query(place, predicate="dwithin", distance=coincident)
    is_pair = first < second
    if not is_pair.any():
        return given, own, own, ()
    # each joins the first place it is near to: a dense line must not shrink to a point
    group = own.copy()
    order = np.lexsort((second[is_pair], first[is_pair]))
    for i, j in zip(first[is_pair][order].tolist(), second[is_pair][order].tolist(), strict=True):
        if group[i] == i and group[j] == j:
            group[j] = i
    root, origin = np.unique(group, return_inverse=True)
    marks = given[root]
    owner = root.copy()
    unequal = []
    members = np.split(np.argsort(origin, kind="stable"), np.cumsum(np.bincount(origin))[:-1])
    for mark, rows in enumerate(members):
        if len(rows) == 1:
            continue
        heights = given[rows, 2]
        weight = np.ones(len(rows))
        if sigma is not None:
            owner[mark] = rows[np.argmin(sigma[rows])]
            # exact ones alone count, if there are any
            exact = sigma[rows] == 0
            weight = exact * 1.0 if exact.any() else 1 / sigma[rows] ** 2
        marks[mark, 2] = (weight * heights).sum() / weight.sum()
        low, high = rows[np.argmin(heights)], rows[np.argmax(heights)]
        gap = float(given[high, 2] - given[low, 2])
        if gap > coincident:
            known = None if sigma is None else float(np.hypot(sigma[low], sigma[high]))
            unequal.append(Coincident(int(low), int(high), gap, known, float(marks[mark, 2])))
    return marks, origin, owner, tuple(unequal)


def neighbour_pairs(tin: Tin) -> tuple[Ints, Ints]:
    """Return both ends of every edge of the triangles, in both directions.

    Examples
    --------
    >>> from geosite.terrain.surface.tin import triangulate
    >>> start, end = neighbour_pairs(triangulate([(0, 0, 0), (1, 0, 0), (0, 1, 0)]))
    >>> list(zip(start.tolist(), end.tolist()))
    [(0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1)]
    """
    start = tin.triangles.ravel()
    end = np.roll(tin.triangles, -1, axis=1).ravel()
    count = len(tin.points)
    both = np.unique(np.concatenate([start * count + end, end * count + start]))
    return both // count, both % count


def relative_noise(tin: Tin, covariance: Covariance) -> Floats:
    """Return the noise of each elevation relative to its neighbours.

    The root of the mean semivariance, half the variance of the difference, over its neighbours:
    what they share (drift, the anchor) drops out.

    Parameters
    ----------
    tin
    covariance
        Of the elevations of pairs of points.

    Returns
    -------
    array, shape (m,)

    Examples
    --------
    Marks with a standard deviation of 5 cm, of which they share 4 cm: 3 cm remain (3-4-5).

    >>> from geosite.terrain.surface.tin import triangulate
    >>> tin = triangulate([(0, 0, 0), (1, 0, 0), (0, 1, 0)])
    >>> relative_noise(tin, lambda i, j: np.where(i == j, 0.05**2, 0.04**2)).round(6).tolist()
    [0.03, 0.03, 0.03]
    """
    start, end = neighbour_pairs(tin)
    i, j = tin.owner[start], tin.owner[end]
    apart = i != j
    start, i, j = start[apart], i[apart], j[apart]
    half = (covariance(i, i) + covariance(j, j) - 2 * covariance(i, j)) / 2
    count = np.bincount(start, minlength=len(tin.points))
    mean = np.bincount(start, np.maximum(half, 0.0), len(tin.points)) / np.maximum(count, 1)
    noise: Floats = np.sqrt(mean)
    return noise


def find_outliers(tin: Tin, noise: Floats | None) -> tuple[Outlier, ...]:
    """Find marks far above or below the plane through their neighbours; none is dropped.

    Marks on breaklines may be at either of two levels: they are not judged, and others are not
    judged by them. A wrong mark pulls the planes of its neighbours too, by a few tenths of its own
    error; where neighbours stand out about as much the ground itself is bent. So only a mark is
    named that stands out 1.7 times as far as every neighbour. What is usual is the median absolute
    deviation times 1.4826, which is the standard deviation of normal errors (Rousseeuw & Croux
    1993, doi:10.1080/01621459.1993.10476408, from memory).

    Parameters
    ----------
    tin
    noise : array, shape (m,), optional
        Standard deviation of each elevation relative to its neighbours.

    Returns
    -------
    tuple of Outlier
        The worst first.

    Examples
    --------
    One mark 2 m too high among 49 on ground that is level to a few millimetres:

    >>> from geosite.terrain.surface.tin import triangulate
    >>> marks = [(i + j % 2 / 2, j, 0.001 * (i % 3)) for i in range(7) for j in range(7)]
    >>> marks[24] = (3.5, 3, 2.0)
    >>> (found,) = find_outliers(triangulate(marks), None)
    >>> found.point, round(found.above, 1)
    (24, 2.0)
    """
    count = len(tin.points)
    start, end = neighbour_pairs(tin)
    is_off_breaklines = np.ones(count, bool)
    is_off_breaklines[tin.edges] = False
    is_off_breaklines[int(tin.origin.max()) + 1 :] = False
    start, end = start[is_off_breaklines[end]], end[is_off_breaklines[end]]
    east, north, up = (tin.points[end] - tin.points[start]).T
    size = np.sqrt(np.bincount(start, east**2 + north**2, count))
    size[size == 0] = 1.0
    east, north = east / size[start], north / size[start]
    one = np.ones(len(start))
    sums = [
        np.bincount(start, p * q, count)
        for p, q in ((one, one), (one, east), (one, north), (east, east), (east, north))
    ]
    sums.append(np.bincount(start, north * north, count))
    matrix = np.stack(sums, axis=1)[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    is_judged = is_off_breaklines & (np.linalg.det(matrix) > 1e-4)
    right_side = np.stack([np.bincount(start, p * up, count) for p in (one, east, north)], axis=1)
    inverse = np.linalg.inv(matrix[is_judged])
    plane_variance = np.zeros(count)
    # a plane that has to reach out to the mark is less sure than one around it
    plane_variance[is_judged] = inverse[:, 0, 0]
    above = np.zeros(count)
    above[is_judged] = -(inverse[:, 0] * right_side[is_judged]).sum(axis=1)
    above /= np.sqrt(1 + plane_variance)
    is_judged &= plane_variance < _MOST_PLANE_VARIANCE
    if is_judged.sum() < _JUDGED_AT_LEAST:
        return ()
    # what is usual grows with the distance of the neighbours, but does not shrink with it
    typical = 1.4826 * float(np.median(np.abs(above[is_judged])))
    typical_at_distance = (
        1.4826 * float(np.median(np.abs(above[is_judged]) / size[is_judged])) * size
    )
    threshold_unit = np.hypot(
        np.maximum(typical, typical_at_distance), np.zeros(count) if noise is None else noise
    )
    departure = np.where(is_judged, np.abs(above), 0.0)
    worst_neighbour = np.zeros(count)
    np.maximum.at(worst_neighbour, start, departure[end])
    flagged = np.flatnonzero(
        (departure > _OUTLIER * threshold_unit)
        & (departure > _ABOVE_NEIGHBOURS * worst_neighbour)
        & (departure > _EVEN)
    )
    order = flagged[np.argsort(-departure[flagged])]
    return tuple(
        Outlier(
            int(tin.owner[vertex]),
            float(
                np.copysign(departure[vertex] * np.sqrt(1 + plane_variance[vertex]), above[vertex])
            ),
            float(departure[vertex] / threshold_unit[vertex])
            if threshold_unit[vertex] > _EVEN
            else math.inf,
        )
        for vertex in order.tolist()
    )
