"""Precision as published rules measure it: between neighbours, of directions, of heights."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.fieldbook.model import FieldBook
from geosite.network.accuracy.ellipses import relative_ellipses
from geosite.network.control.model import Anchored
from geosite.network.covariance import sigma
from geosite.network.model import Closure, LinearForm, Network
from geosite.network.walk.runs import Walk

__all__ = [
    "AzimuthCheck",
    "DirectionCheck",
    "NeighbourPrecision",
    "allowed_relative_precision",
    "angular_limit",
    "azimuth_check",
    "direction_check",
    "levelling_mm_per_sqrt_km",
    "neighbour_precision",
]


def allowed_relative_precision(distance_m: Floats) -> Floats:
    """Return 2 cm plus 50 ppm of a distance, metres.

    2021 ALTA/NSPS Minimum Standard Detail Requirements, section 3.E.v: 95 % between neighbouring
    corners. Compared as information only: geosite makes no boundary survey.
    """
    return 0.02 + 50e-6 * distance_m


@dataclass(frozen=True, slots=True)
class NeighbourPrecision:
    """How well named marks next to each other are known relative to each other.

    Parameters
    ----------
    pairs
        How many were compared.
    within
        How many keep 2 cm plus 50 ppm.
    worst : (row before, row after)
    worst_95_m, allowed_m
        Semi-major axis of the worst pair's 95 % ellipse, and what would be allowed for it.
    """

    pairs: int
    within: int
    worst: tuple[int, int]
    worst_95_m: float
    allowed_m: float


def neighbour_precision(network: Network, book: FieldBook) -> NeighbourPrecision | None:
    """Compare neighbouring named marks of a run with 2 cm plus 50 ppm; ``None`` without any."""
    order = np.argsort(book.run, kind="stable")
    before, after = order[:-1], order[1:]
    pair = (book.run[before] == book.run[after]) & (book.mark[before] >= 0)
    pair &= (book.mark[after] >= 0) & (book.mark[before] != book.mark[after])
    before, after = before[pair], after[pair]
    if not len(before):
        return None
    distance = np.hypot(*(network.en[after] - network.en[before]).T)
    error = network.ellipse_factor * relative_ellipses(network, before, after)[0]
    allowed = allowed_relative_precision(distance / network.frame.combined_factor)
    worst = int(np.argmax(error - allowed))
    return NeighbourPrecision(
        pairs=len(before),
        within=int((error <= allowed).sum()),
        worst=(int(before[worst]), int(after[worst])),
        worst_95_m=float(error[worst]),
        allowed_m=float(allowed[worst]),
    )


@dataclass(frozen=True, slots=True)
class DirectionCheck:
    """Turn of a run's frame between its first and its last look along the baseline.

    Parameters
    ----------
    misclosure
        Radians, counter-clockwise.
    sigma
        What the leg noise makes of it, radians.
    angles
        Marks at which the walk turned in between.
    """

    misclosure: float
    sigma: float
    angles: int


def direction_check(
    book: FieldBook, walk: Walk, run: int, ends: tuple[int, int]
) -> DirectionCheck | None:
    """Compare the first and the last pass of a run along the baseline; ``None`` for one pass.

    Parameters
    ----------
    book, walk
    run
        Number of the run.
    ends
        Knots of the two baseline marks.
    """
    # numbers of the same width, or all runs would be made wider for each of them
    here = np.arange(*np.searchsorted(walk.run, np.array([run, run + 1], walk.run.dtype)))
    visits = [here[walk.knot[here] == knot] for knot in ends]
    if min(len(v) for v in visits) < 2:
        return None
    first, last = (np.array([v[i] for v in visits]) for i in (0, -1))
    if last.min() <= first.max():
        return None  # the second pass begins before the first has ended
    passes = [book.local[walk.row[at[1]]] - book.local[walk.row[at[0]]] for at in (first, last)]
    lengths = [float(np.hypot(p[0], p[1])) for p in passes]
    if min(lengths) == 0:
        return None
    turn = complex(*passes[1][:2]) / complex(*passes[0][:2])
    spread = [walk.variance_between(*at.tolist()) for at in (first, last)]
    return DirectionCheck(
        misclosure=math.atan2(turn.imag, turn.real),
        sigma=math.sqrt(sum(v / n**2 for v, n in zip(spread, lengths, strict=True))),
        angles=int(last.min() - first.max()),
    )


def angular_limit(seconds: float, angles: int) -> float:
    """Return the angular misclosure a rule of K seconds times the root of n allows, radians.

    K is 10 for the 1:10,000 classes and 30 for the 1:5,000 classes of WAC 332-130-090(2).
    """
    return math.radians(seconds / 3600) * math.sqrt(angles)


def levelling_mm_per_sqrt_km(closure: Closure) -> float:
    """Return the vertical misclosure of a loop over the root of its length, mm per sqrt(km).

    FGCC 1984 allows 12 for third-order levelling (from memory).
    """
    return abs(closure.misclosure_up_m) * 1000 / math.sqrt(max(closure.length_m, 1e-3) / 1000)


@dataclass(frozen=True, slots=True)
class AzimuthCheck:
    """A given azimuth of the baseline against the one that the known marks give.

    Parameters
    ----------
    difference
        Given less placed, clockwise, radians.
    sigma
        Its standard deviation, radians.
    """

    difference: float
    sigma: float


def azimuth_check(
    network: Network, anchored: Anchored, baseline: tuple[int, int]
) -> AzimuthCheck | None:
    """Compare a given azimuth where two or more known marks hold the survey; else ``None``.

    Parameters
    ----------
    network, anchored
    baseline
        Rows on the two baseline marks.
    """
    known = sum(c.position is not None and not c.check for c in anchored.controls)
    if anchored.azimuth is None or known < 2:
        return None
    given, sigma_given = anchored.azimuth
    east, north = network.en[baseline[1]] - network.en[baseline[0]]
    off = math.remainder(given - math.atan2(east, north), 2 * math.pi)
    sign = np.array([-1.0, 1.0]) / (east**2 + north**2)
    turn = LinearForm(np.array(baseline), sign * north, -sign * east, np.zeros(2))
    return AzimuthCheck(off, math.hypot(sigma_given, sigma(network, turn)))
