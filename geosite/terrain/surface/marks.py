"""Marks before they become a surface: places measured twice, marks that stand out, their noise."""

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
    "unshared_noise",
]

Covariance = Callable[[Ints, Ints], Floats]
"""Covariance of the elevations of points ``i[k]`` and ``j[k]``, shape (k,), squared units."""

# marks needed before one is called unusual
_JUDGED_AT_LEAST = 10
# times the usual distance from the neighbours' plane; 1 in 500 million of normal errors
_OUTLIER = 6.0
_ABOVE_NEIGHBOURS = 1.7
# variance of the neighbours' plane at the mark in units of theirs: beyond, it is extrapolated
_REACH = 0.5


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
    """Return standard deviations as an array; refuse what is none."""
    known = np.asarray(sigma, dtype=np.float64)
    if known.shape != (count,) or not (np.isfinite(known) & (known >= 0)).all():
        raise InputError(
            Problem(
                "sigma-not-positive",
                f"standard deviations of shape {known.shape} for {count} points",
                "one finite number per point, 0 or more",
                "correct them or leave them out",
            )
        )
    return known


def combine_coincident(
    given: Floats, sigma: Floats | None, coincident: float
) -> tuple[Floats, Ints, Ints, tuple[Coincident, ...]]:
    """Make one mark of points at the same place.

    Returns the marks, the mark of each point, the point that speaks for each mark (the surest one,
    whose sigma the mark keeps: errors of one place are mostly shared), and what does not agree.
    """
    alone = np.arange(len(given))
    if given.ndim != 2 or given.shape[1] != 3 or not np.isfinite(given).all():
        # refused in plain words by the triangulation
        return given, alone, alone, ()
    place = np.asarray(shapely.points(given[:, :2] - given[:1, :2]))
    first, second = shapely.STRtree(place).query(place, predicate="dwithin", distance=coincident)
    apart = first < second
    if not apart.any():
        return given, alone, alone, ()
    # each joins the first place it is near to: a dense line must not shrink to a point
    group = alone.copy()
    order = np.lexsort((second[apart], first[apart]))
    for i, j in zip(first[apart][order].tolist(), second[apart][order].tolist(), strict=True):
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
    """Return both ends of every edge, in both directions."""
    start = tin.triangles.ravel()
    end = np.roll(tin.triangles, -1, axis=1).ravel()
    count = len(tin.points)
    both = np.unique(np.concatenate([start * count + end, end * count + start]))
    return both // count, both % count


def unshared_noise(tin: Tin, covariance: Covariance) -> Floats:
    """Return what neighbours do not share: root of half the variance of their differences."""
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

    Marks on breaklines are on either of two levels: they neither are judged nor judge. A wrong
    mark pulls the planes of its neighbours too, by a few tenths of its own error; where neighbours
    stand out about as much the ground itself is bent. So only a mark is named that stands out 1.7
    times as far as every neighbour.
    """
    count = len(tin.points)
    start, end = neighbour_pairs(tin)
    plain = np.ones(count, bool)
    plain[tin.edges] = False
    plain[int(tin.origin.max()) + 1 :] = False
    start, end = start[plain[end]], end[plain[end]]
    east, north, up = (tin.points[end] - tin.points[start]).T
    size = np.sqrt(np.bincount(start, east**2 + north**2, count))
    size[size == 0] = 1.0
    east, north = east / size[start], north / size[start]
    ones = np.ones(len(start))
    sums = [
        np.bincount(start, p * q, count)
        for p, q in ((ones, ones), (ones, east), (ones, north), (east, east), (east, north))
    ]
    sums.append(np.bincount(start, north * north, count))
    matrix = np.stack(sums, axis=1)[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    judged = plain & (np.linalg.det(matrix) > 1e-4)
    right = np.stack([np.bincount(start, p * up, count) for p in (ones, east, north)], axis=1)
    inverse = np.linalg.inv(matrix[judged])
    reach = np.zeros(count)
    # a plane that has to reach out to the mark is less sure than one around it
    reach[judged] = inverse[:, 0, 0]
    above = np.zeros(count)
    above[judged] = -(inverse[:, 0] * right[judged]).sum(axis=1)
    above /= np.sqrt(1 + reach)
    judged &= reach < _REACH
    if judged.sum() < _JUDGED_AT_LEAST:
        return ()
    # what is usual grows with the distance of the neighbours, but does not shrink with it
    usual = 1.4826 * float(np.median(np.abs(above[judged])))
    wide = 1.4826 * float(np.median(np.abs(above[judged]) / size[judged])) * size
    level = np.hypot(np.maximum(usual, wide), np.zeros(count) if noise is None else noise)
    share = np.where(judged, np.abs(above), 0.0)
    worst = np.zeros(count)
    np.maximum.at(worst, start, share[end])
    flagged = np.flatnonzero(
        (share > _OUTLIER * level) & (share > _ABOVE_NEIGHBOURS * worst) & (share > 1e-9)
    )
    order = flagged[np.argsort(-share[flagged])]
    return tuple(
        Outlier(
            int(tin.owner[vertex]),
            float(np.copysign(share[vertex] * np.sqrt(1 + reach[vertex]), above[vertex])),
            float(share[vertex] / level[vertex]) if level[vertex] > 0 else math.inf,
        )
        for vertex in order.tolist()
    )
