"""From walked ground to designed ground: the zones, and banks from their edge to the ground."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from geosite.analysis.design_ground.zones import Zone
from geosite.base.arrays import Floats, Ints

__all__ = ["Footing", "footing"]


@dataclass(frozen=True, eq=False)
class Footing:
    """What the design is at some places, whatever the ground there.

    Parameters
    ----------
    zone : array, shape (m,)
        Number of the zone a place lies in, -1 outside.
    level : array, shape (m,), metres
        Design elevation in the zone; outside, that of the nearest place on the edge.
    away : array, shape (m,), metres on the ground
        Distance to that place, 0 in a zone.
    side_slope
        Length of the bank per height; 0 for a wall.
    """

    zone: Ints
    level: Floats
    away: Floats
    side_slope: float

    def built(self, ground: Floats) -> Floats:
        """Return the designed elevation over a ground, shape (..., m).

        A bank falls from the edge of a fill, and rises from that of a cut, until it meets the
        ground; beyond, the ground stays.

        Examples
        --------
        >>> far = np.array([0, 2.0, 9.0])
        >>> footprint = Footing(np.array([0, -1, -1]), np.full(3, 12.0), far, 2.0)
        >>> footprint.built(np.full(3, 10.0)).tolist(), footprint.built(np.full(3, 14.0)).tolist()
        ([12.0, 11.0, 10.0], [12.0, 13.0, 14.0])
        """
        inside = self.zone >= 0
        bank = self.away / self.side_slope if self.side_slope > 0 else np.full_like(self.away, 1e9)
        fill = np.maximum(ground, self.level - bank)
        cut = np.minimum(ground, self.level + bank)
        outside = np.where(self.level >= ground, fill, cut)
        result: Floats = np.where(np.isnan(self.level), ground, outside)
        return np.where(inside & ~np.isnan(ground), self.level, result)

    def reached(self, grounds: Floats) -> Ints:
        """Return the numbers of the places that the design can change on one of the grounds.

        Parameters
        ----------
        grounds : array, shape (n, m), metres

        Examples
        --------
        >>> far = np.array([0, 2.0, 9.0])
        >>> footprint = Footing(np.array([0, -1, -1]), np.full(3, 12.0), far, 2.0)
        >>> footprint.reached(np.full((1, 3), 10.0)).tolist()
        [0, 1]
        """
        if self.side_slope <= 0:
            return np.flatnonzero(self.zone >= 0)
        bank = self.away / self.side_slope
        lowest, highest = np.fmin.reduce(grounds), np.fmax.reduce(grounds)
        banked = (self.level - bank > lowest) | (self.level + bank < highest)
        return np.flatnonzero((self.zone >= 0) | banked)

    def at(self, places: Ints) -> Footing:
        """Return the design at some of the places alone."""
        zone, level, away = self.zone[places], self.level[places], self.away[places]
        return Footing(zone, level, away, self.side_slope)

    def clearance(self, ground: Floats) -> Floats:
        """Return how far the bank is above a fill's ground or below a cut's; negative beyond."""
        bank = self.away / self.side_slope if self.side_slope > 0 else np.full_like(self.away, 1e9)
        above: Floats = np.abs(self.level - ground) - bank
        return np.where(self.zone >= 0, np.maximum(above, 1e-3), above)


def footing(
    zones: Sequence[Zone], places: Floats, side_slope: float, factor: float, spacing: float
) -> Footing:
    """Lay a design under places.

    Parameters
    ----------
    zones
        A later one lies on an earlier one.
    places : array, shape (m, 2), local grid metres
    side_slope
        Length per height; 0 for a wall.
    factor
        Grid metres per metre on the ground.
    spacing
        Between the places on the edge from which banks are reckoned, grid metres.

    Examples
    --------
    A level pad at 5 m and a place 3 m beside it, from which the bank rises or falls to the pad:

    >>> from geosite.analysis.design_ground.zones import Edge
    >>> edge = Edge("pad", np.array([[0, 0, 5], [4, 0, 5], [4, 4, 5], [0, 4, 5], [0, 0, 5]], float))
    >>> level = lambda places: np.full(len(places), 5.0)
    >>> pad = Zone("pad", shapely.box(0, 0, 4, 4), level, (edge,))
    >>> found = footing([pad], np.array([[2.0, 2.0], [7.0, 2.0]]), 2.0, 1.0, 0.5)
    >>> found.zone.tolist(), found.level.tolist(), found.away.tolist()
    ([0, -1], [5.0, 5.0], [0.0, 3.0])
    """
    zone = np.full(len(places), -1, np.int64)
    level = np.full(len(places), np.nan)
    for number, one in enumerate(zones):
        shapely.prepare(one.shape)
        here = np.flatnonzero(shapely.intersects_xy(one.shape, places[:, 0], places[:, 1]))
        heights = one.heights(places[here])
        known = np.isfinite(heights)
        zone[here[known]], level[here[known]] = number, heights[known]
    edge, height = _edge(zones, spacing)
    away, outside = np.zeros(len(places)), np.flatnonzero(zone < 0)
    distance, nearest = _nearest(edge, places[outside])
    level[outside], away[outside] = height[nearest], distance / factor
    return Footing(zone, level, away, side_slope)


def _nearest(edge: Floats, places: Floats) -> tuple[Floats, Ints]:
    """Return distance to and number of the place on the edge that is nearest to each place.

    The first of those that are equally near.
    """
    on_edge: Any = shapely.points(edge)
    tree = shapely.STRtree(on_edge)
    place, number = tree.query_nearest(shapely.points(places), all_matches=True)
    squares = ((places[place] - edge[number]) ** 2).sum(axis=1)
    order = np.lexsort((number, squares, place))
    first = order[np.flatnonzero(np.diff(place[order], prepend=-1))]
    return np.sqrt(squares[first]), number[first]


def _edge(zones: Sequence[Zone], spacing: float) -> tuple[Floats, Floats]:
    """Return places along the outline of all zones together, and the design's elevation there."""
    whole = shapely.union_all([one.shape for one in zones])
    edge = shapely.get_coordinates(shapely.segmentize(whole.boundary, spacing))
    height = np.full(len(edge), np.nan)
    points = shapely.points(edge)
    for one in zones:
        on = np.asarray(shapely.dwithin(one.shape, points, 1e-6))
        found = one.heights(edge[on])
        height[on] = np.where(np.isfinite(found), found, height[on])
    known = np.isfinite(height)
    return edge[known], height[known]
