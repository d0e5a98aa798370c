"""Legs whose double is the error of a stretch: signs lost when a leg was noted backwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.network.mistakes.facts import NEARLY
from geosite.network.mistakes.suspects import Refined
from geosite.network.tie_runs import Tied

__all__ = ["ONE_AXIS", "REVERSED", "TwiceALeg", "twice_a_leg"]

REVERSED = {
    "x, y and z": np.array([1.0, 1.0, 1.0]),
    "x and y": np.array([1.0, 1.0, 0.0]),
}
"""Signs lost when a leg is noted backwards."""
ONE_AXIS = {
    "x": np.array([1.0, 0.0, 0.0]),
    "y": np.array([0.0, 1.0, 0.0]),
    "z": np.array([0.0, 0.0, 1.0]),
}
"""A single sign. Among many legs one fits by chance too often to be more than a hint."""


@dataclass(frozen=True, slots=True)
class TwiceALeg:
    """A leg, by its rows, whose double in some axes is an error; how badly it fits."""

    misfit: float
    axes: str
    rows: tuple[int, int]


def twice_a_leg(tied: Tied, better: Refined, patterns: dict[str, Floats]) -> list[TwiceALeg]:
    """Legs of a stretch whose double, in the axes of a pattern, is its error; best first."""
    walk, leg, own = tied.walk, better.suspect.leg, better.own
    checked = np.isfinite(own)
    try:
        weight = np.linalg.inv(better.spread[np.ix_(checked, checked)])
    except np.linalg.LinAlgError:
        return []  # a leg without any noise tells nothing of its size
    rows = walk.row[int(walk.leg_start[leg]) : int(walk.leg_end[leg]) + 1]
    step = np.diff(tied.book.local[rows], axis=0)
    found = []
    for axes, pattern in patterns.items():
        off = (own - 2 * step * pattern)[:, checked]
        misfit = np.einsum("mi,ij,mj->m", off, weight, off)
        found += [
            TwiceALeg(float(misfit[k]), axes, (int(rows[k]), int(rows[k + 1])))
            for k in np.flatnonzero(misfit < NEARLY).tolist()
        ]
    return sorted(found, key=lambda leg: leg.misfit)
