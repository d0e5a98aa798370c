"""How the ground falls away from buildings, against the rule for the kind of building.

Falls are read square to the walls from the one model of the ground. A wall has many places, and the
worst of many looks worse than it is: the intervals are widened so that all of them together hold
in 95 of 100 cases, and a building is judged by those.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.base.statistics import NORMAL_95
from geosite.network.covariance import covariance
from geosite.review.limits import FallRule, Word, judge
from geosite.review.ramps import profile_draws
from geosite.terrain.ground import Ground

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["FallFromBuilding", "fall_from_building", "wall_stations"]

#: Between places along a wall, ground metres, and so many of them at most.
_SPACING_M = 0.25
_MOST_STATIONS = 160
#: Between samples on the way from the wall, ground metres.
_STEP_M = 0.1
#: Ground that begins no farther from the wall is ground at the wall.
_AT_WALL_M = 0.5

Shapes = npt.NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class FallFromBuilding:
    """How the ground falls away from one building.

    Parameters
    ----------
    name
        Of the building.
    rule
        The name of the rule, ``dwelling`` or ``building``, and the rule with the limits of the site
        file in it.
    wall_m
        Length of all walls, ground metres.
    lengths_m
        Of it, by verdict.
    short, toward
        Length of wall before which the ground falls less than it should, and before which it falls
        towards the building, ground metres.
    worst
        Fall at the place that misses its limit by most, or holds it by least, a ratio; negative
        towards the building. ``None`` where nothing was measured.
    limit
        At that place, a ratio.
    is_paved
        Most of the ground before that place is paved.
    over_m
        Distance over which the fall was taken there: shorter where the data or another building
        ends it.
    verdict
        ``beyond`` where it falls less than the rule asks, at 95 % for all places together.
    place : array, shape (2,)
        At the wall, local grid metres.
    """

    name: str
    rule: str
    limits: FallRule
    wall_m: float
    lengths_m: dict[Word, float]
    short: Estimate
    toward: Estimate
    worst: Estimate | None
    limit: float
    is_paved: bool
    over_m: float
    verdict: Word
    place: Floats


@dataclass(frozen=True, eq=False)
class _Falls:
    """Falls at the places that were measured.

    ``which`` are their numbers, ``value`` and ``limit`` ratios, ``reach`` half the joint interval,
    ``sigma`` the standard deviation; ``draws``, shape (d, k), are possible values.
    """

    which: npt.NDArray[np.intp]
    value: Floats
    limit: Floats
    sigma: Floats
    reach: Floats
    draws: Floats


def fall_from_building(
    name: str,
    footprint: BaseGeometry,
    ground: Ground,
    rule: tuple[str, FallRule],
    *,
    buildings: Sequence[BaseGeometry] = (),
    paved: Sequence[BaseGeometry] = (),
) -> FallFromBuilding:
    """Check that the ground falls away from a building, square to its walls.

    Parameters
    ----------
    name
        Of the building.
    footprint
        Polygon or MultiPolygon, local grid metres.
    ground
        Between the marks.
    rule
        Its name, and what it asks for.
    buildings, paved
        Where no ground is to be looked at, and where the limit for paved ground holds.
    """
    factor = ground.network.frame.combined_factor
    foot, outward, width = wall_stations(footprint, factor)
    limits = rule[1]
    steps = np.linspace(0.0, limits.distance_m, int(np.ceil(limits.distance_m / _STEP_M)) + 1)
    places = foot[:, None] + outward[:, None] * steps[:, None] * factor
    known = np.isfinite(ground.elevations_at(places.reshape(-1, 2)))
    known &= ~_inside(places.reshape(-1, 2), np.array(list(buildings), dtype=object))
    known = known.reshape(places.shape[:2])
    begin = known.argmax(axis=1)
    ends = ~known & (np.arange(len(steps)) > begin[:, None])
    stop = np.where(ends.any(axis=1), ends.argmax(axis=1), len(steps)) - 1
    over = steps[np.maximum(stop, 0)] - steps[begin]
    enough = known.any(axis=1) & (steps[begin] <= _AT_WALL_M) & (over >= limits.distance_m / 2)
    at = np.flatnonzero(enough)
    two = np.stack([places[at, begin[at]], places[at, stop[at]]], axis=1)
    at, two = _measured(ground, at, two)
    on_paving = _inside(places.reshape(-1, 2), np.array(list(paved), dtype=object))
    along = np.arange(len(steps))
    between = (along >= begin[:, None]) & (along <= stop[:, None])
    share = (on_paving.reshape(known.shape) & between).sum(axis=1) * 2 > between.sum(axis=1)
    limit = np.where(share, limits.paved_percent, limits.open_percent) / 100
    falls = _falls(ground, at, two, over[at], limit[at])
    return _judged(name, rule, falls, width, (foot, over, share))


def _judged(
    name: str,
    rule: tuple[str, FallRule],
    falls: _Falls,
    width: Floats,
    at_wall: tuple[Floats, Floats, npt.NDArray[np.bool_]],
) -> FallFromBuilding:
    foot, over, is_paved = at_wall
    each = [
        Estimate(float(v), float(v - r), float(v + r), float(s))
        for v, r, s in zip(falls.value, falls.reach, falls.sigma, strict=True)
    ]
    lengths: dict[Word, float] = {"within": 0.0, "beyond": 0.0, "undecided": 0.0}
    for number, fall, limit in zip(falls.which, each, falls.limit, strict=True):
        lengths[judge(fall, float(limit), at_least=True).verdict] += float(width[number])
    lengths["not measured"] = float(width.sum()) - sum(lengths.values())
    order: tuple[Word, ...] = ("beyond", "undecided", "not measured", "within")
    verdict = next(word for word in order if lengths[word] > 1e-9 or word == "within")
    own = width[falls.which]
    short = ((falls.draws < falls.limit) * own).sum(axis=1)
    toward = ((falls.draws < 0.0) * own).sum(axis=1)
    worst, place = None, 0
    if each:
        k = int(np.argmin(falls.value - falls.limit))
        worst, place = each[k], int(falls.which[k])
    return FallFromBuilding(
        name=name,
        rule=rule[0],
        limits=rule[1],
        wall_m=float(width.sum()),
        lengths_m=lengths,
        short=Estimate.from_draws(float(own[falls.value < falls.limit].sum()), short),
        toward=Estimate.from_draws(float(own[falls.value < 0.0].sum()), toward),
        worst=worst,
        limit=(rule[1].paved_percent if is_paved[place] else rule[1].open_percent) / 100,
        is_paved=bool(is_paved[place]),
        over_m=float(over[place]),
        verdict=verdict,
        place=foot[place],
    )


def _measured(
    ground: Ground, at: npt.NDArray[np.intp], two: Floats
) -> tuple[npt.NDArray[np.intp], Floats]:
    """Leave out the places where no mark is near enough to say."""
    met = ground.measured(two.reshape(-1, 2)).reshape(-1, 2).all(axis=1)
    return at[met], two[met]


def _falls(
    ground: Ground, at: npt.NDArray[np.intp], two: Floats, over: Floats, limit: Floats
) -> _Falls:
    """Return the falls with intervals that hold for all of them together.

    The factor is the 95 % quantile of the largest of the errors over their standard deviations,
    from draws of their joint distribution (max-t; Hothorn, Bretz & Westfall 2008, Simultaneous
    inference in general parametric models, doi:10.1002/bimj.200810425).
    """
    count = len(at)
    if not count:
        none = np.zeros(0)
        return _Falls(at, none, none, none, none, np.zeros((1, 0)))
    flat = two.reshape(-1, 2)
    weights = np.zeros((count, 2 * count))
    weights[np.arange(count), 2 * np.arange(count)] = 1 / over
    weights[np.arange(count), 2 * np.arange(count) + 1] = -1 / over
    value = weights @ ground.elevations_at(flat)
    forms = [
        ground.sum_form(pair, [1 / run, -1 / run]) for pair, run in zip(two, over, strict=True)
    ]
    marks = covariance(ground.network, forms)
    between = weights @ ground.departure_covariance(flat) @ weights.T
    total = marks + between
    sigma = np.sqrt(np.maximum(np.diag(total), 0.0))
    factor = np.array(
        [
            ground.interval_factor(float(m), float(b))
            for m, b in zip(np.diag(marks), np.maximum(np.diag(between), 0.0), strict=True)
        ]
    )
    errors = profile_draws(np.zeros(count), total, count=1000)
    largest = np.max(np.abs(errors) / np.where(sigma > 0, sigma, 1.0), axis=1)
    together = max(float(np.quantile(largest, 0.95)) / NORMAL_95, 1.0)
    widened = errors * (factor / NORMAL_95)
    return _Falls(at, value, limit, sigma, sigma * factor * together, value + widened)


def wall_stations(footprint: BaseGeometry, factor: float) -> tuple[Floats, Floats, Floats]:
    """Return places along the walls of a building.

    Parameters
    ----------
    footprint
        Polygon or MultiPolygon, local grid metres.
    factor
        Combined factor.

    Returns
    -------
    foot : array, shape (s, 2)
        In the middle of equal parts of each wall.
    outward : array, shape (s, 2)
        Unit vector square to the wall.
    width : array, shape (s,), ground metres
        Length of wall that each stands for.

    Examples
    --------
    >>> foot, outward, width = wall_stations(shapely.box(0, 0, 8, 4), 1.0)
    >>> float(width.sum()), outward[0].tolist()
    (24.0, [1.0, -0.0])
    """
    rings = [
        shapely.get_coordinates(shapely.orient_polygons(part).exterior)
        for part in shapely.get_parts(shapely.force_2d(footprint))
    ]
    around = sum(float(np.hypot(*np.diff(ring, axis=0).T).sum()) for ring in rings) / factor
    spacing = max(_SPACING_M, around / _MOST_STATIONS)
    feet, outwards, widths = [], [], []
    for ring in rings:
        for a, b in pairwise(ring):
            length = float(np.hypot(*(b - a)))
            if length == 0.0:
                continue
            count = max(1, round(length / factor / spacing))
            feet.append(a + (b - a) * (np.arange(count)[:, None] + 0.5) / count)
            # counter-clockwise outline: the outside is on the right
            outwards.append(np.tile([(b - a)[1] / length, -(b - a)[0] / length], (count, 1)))
            widths.append(np.full(count, length / factor / count))
    return np.concatenate(feet), np.concatenate(outwards), np.concatenate(widths)


def _inside(places: Floats, shapes: Shapes) -> npt.NDArray[np.bool_]:
    """Tell which places lie inside any of some areas."""
    inside = np.zeros(len(places), bool)
    for shape in shapes:
        shapely.prepare(shape)
        inside |= shapely.contains_xy(shape, places[:, 0], places[:, 1])
    return inside
