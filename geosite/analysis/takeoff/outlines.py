"""Outlines that lie on marks: how a place on one moves with the marks beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.base.arrays import Floats, Ints
from geosite.network.model import LinearForm, Network

__all__ = ["ON_M", "Outline", "moved_with"]

ON_M = 1e-4
"""A place so near an outline lies on it: overlays shift places by less."""


@dataclass(frozen=True, eq=False)
class Outline:
    """An outline or a line, and the observations that it was drawn through, in order.

    Parameters
    ----------
    line
        Local grid metres.
    rows
        Observations.
    closed
        The last of them is followed by the first.
    """

    line: BaseGeometry
    rows: Ints
    closed: bool = True

    @classmethod
    def open(cls, places: Floats, rows: Ints) -> Outline:
        """Return a line that does not close."""
        return cls(shapely.LineString(places), rows, closed=False)

    def holds(self, place: Floats) -> bool:
        """Whether a place lies on it."""
        return bool(shapely.distance(self.line, shapely.Point(place)) < ON_M)

    def leg(self, place: Floats, network: Network) -> tuple[int, int, float]:
        """Return the two observations that a place lies between, and how far along."""
        before = self.rows if self.closed else self.rows[:-1]
        after = np.roll(self.rows, -1) if self.closed else self.rows[1:]
        here, there = network.en[before], network.en[after]
        leg = there - here
        square = np.maximum((leg**2).sum(axis=1), 1e-12)
        share = np.clip(((place - here) * leg).sum(axis=1) / square, 0.0, 1.0)
        off = np.hypot(*(here + share[:, None] * leg - place).T)
        k = int(np.argmin(off))
        return int(before[k]), int(after[k]), float(share[k])


def moved_with(outline: Outline, place: Floats, weight: Floats, network: Network) -> LinearForm:
    """Return the derivative of `weight` times the displacement of a place on an outline.

    Parameters
    ----------
    outline
    place : array, shape (2,)
        Local grid metres.
    weight : array, shape (2,)
        Of the displacement east and north.
    network
        Where the observations lie.

    Examples
    --------
    A quarter of the way from the first mark to the second:

    >>> from geosite.network.independent_marks import independent_marks
    >>> network = independent_marks([(0.0, 0.0, 0.0), (8.0, 0.0, 0.0)], sigma_m=0.01)
    >>> leg = Outline.open(network.en, np.array([0, 1]))
    >>> moved_with(leg, np.array([2.0, 0.0]), np.array([0.0, 1.0]), network).north
    array([0.75, 0.25])
    """
    before, after, share = outline.leg(place, network)
    weights = np.array([1 - share, share])
    return LinearForm(
        np.array([before, after]), weights * weight[0], weights * weight[1], np.zeros(2)
    )
