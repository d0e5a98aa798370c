"""Where four marks would bend less along their other diagonal: a crown that triangles cross.

Delaunay's criterion looks at places only. Where marks of a crown stand farther apart than the kerbs
on either side of it, or another mark beside it, a side of a triangle may cross it and cut it off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.half_edges import along_breaklines, opposite_half_edges
from geosite.terrain.surface.tin import Tin

__all__ = ["OtherDiagonals", "other_diagonals"]

_LESS = 0.8
"""What is left of the bends where another diagonal is told from chance."""

_INNER = 0.1
"""Share of the common side, from its ends, where the other diagonal may not cross it: nearly past
the pair."""


@dataclass(frozen=True, eq=False)
class OtherDiagonals:
    """Pairs of triangles that would bend less along their other diagonal.

    Parameters
    ----------
    quad : array of int, shape (t,)
        Number of the pair that each triangle is of, -1 for none.
    side : array of int, shape (t,)
        Which of its corners the common side begins at.
    crossing : array, shape (t,)
        Share of that side before the other diagonal.
    twist : array, shape (n,), metres
        Of each pair: how far the other diagonal lies above the common side, where they cross.
    """

    quad: Ints
    side: Ints
    crossing: Floats
    twist: Floats

    @classmethod
    def none(cls, triangles: int) -> OtherDiagonals:
        """Return no pairs of so many triangles."""
        zeros = np.zeros(triangles, np.int64)
        return cls(zeros - 1, zeros, np.full(triangles, 0.5), np.empty(0))

    def turned(self, triangle: Ints, shares: Floats) -> tuple[Ints, Ints, Floats]:
        """Tell how far places lie off where every pair has its other diagonal.

        Parameters
        ----------
        triangle : array of int, shape (m,)
            That each place lies in.
        shares : array, shape (m, 3)
            Of its corners.

        Returns
        -------
        place, quad : array of int, shape (k,)
            Numbers of the places in such triangles, and of their pairs.
        off : array, shape (k,), metres
            Both grounds agree round a pair: a pyramid over the crossing.
        """
        place = np.flatnonzero(self.quad[triangle] >= 0)
        triangle, quad = triangle[place], self.quad[triangle[place]]
        first, crossing = self.side[triangle], self.crossing[triangle]
        start, end = (shares[place, (first + k) % 3] for k in range(2))
        high = np.minimum(start / (1.0 - crossing), end / crossing)
        return place, quad, self.twist[quad] * np.maximum(high, 0.0)


@dataclass(frozen=True, eq=False)
class _Sides:
    """Half-edges of a triangulation, and the marks on either side of them."""

    points: Floats
    start: Ints
    end: Ints
    apex: Ints
    opposite: Ints
    beyond: Ints
    is_open: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, tin: Tin) -> _Sides:
        start, end, apex = (np.roll(tin.triangles, -k, axis=1).ravel() for k in range(3))
        opposite = opposite_half_edges(tin.triangles)
        is_line = along_breaklines(tin.triangles, tin.edges)
        beyond = apex[opposite]
        return cls(tin.points, start, end, apex, opposite, beyond, (opposite >= 0) & ~is_line)

    @property
    def corners(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Begin and end of each, the marks to its left and to its right."""
        return self.start, self.end, self.apex, self.beyond

    def bends(self, half: Ints, apex: Ints) -> Floats:
        """Return how much triangles with some apex bend along sides: nothing along lines."""
        start, end, beyond = self.start[half], self.end[half], self.beyond[half]
        return np.where(self.is_open[half], self.bent(start, end, apex, beyond), 0.0)

    def bent(self, start: Ints, end: Ints, left: Ints, right: Ints) -> Floats:
        """Return the change of slope over a side times its length, from the marks beside it."""
        side, one, other = (self.points[k] - self.points[start] for k in (end, left, right))
        volume = np.abs((np.cross(one, other) * side).sum(axis=1))
        bases = [np.abs(side[:, 0] * b[:, 1] - side[:, 1] * b[:, 0]) for b in (one, other)]
        area: Floats = np.maximum(bases[0] * bases[1], 1e-300)
        bend: Floats = volume * (side[:, :2] ** 2).sum(axis=1) / area
        return bend


def other_diagonals(tin: Tin) -> OtherDiagonals:
    """Find pairs of triangles that would bend less along their other diagonal.

    Parameters
    ----------
    tin
        Metres.

    Returns
    -------
    OtherDiagonals
        No triangle is of two pairs, and no line is crossed.

    Notes
    -----
    Dyn, Levin & Rippa 1990, Data dependent triangulations for piecewise linear interpolation,
    doi:10.1093/imanum/10.1.137, choose triangles by their bends: here the change of slope over a
    side times its length, of the diagonal and the four sides around it, of which along breaklines
    none counts. A pair is one where with the other diagonal less than `_LESS` of that is left; of
    pairs with a triangle in common the one that gains most.

    Examples
    --------
    A crown of 10 cm between the kerbs of a road, whose marks stand farther apart than the kerbs:

    >>> from geosite.terrain.surface.tin import triangulate
    >>> crown = [(-4.0, 0.0, 0.1), (4.0, 0.0, 0.1), (-12.0, 0.0, 0.1), (12.0, 0.0, 0.1)]
    >>> kerbs = [(e, n, 0.0) for e in (-8.0, 0.0, 8.0) for n in (-3.0, 3.0)]
    >>> found = other_diagonals(triangulate(crown + kerbs))
    >>> found.twist.round(9).tolist()
    [0.1, 0.1, 0.1]
    """
    sides = _Sides.of(tin)
    half = np.flatnonzero(sides.is_open & (sides.opposite > np.arange(len(sides.opposite))))
    crossing, along = _crossings(sides, half)
    inner = np.abs(crossing - 0.5) < 0.5 - _INNER
    half, crossing, along = half[inner], crossing[inner], along[inner]
    pair = np.stack([half, sides.opposite[half]])
    now, turned = _bends_of(sides, *pair)
    gain = np.where(turned < _LESS * now, now - turned, 0.0)
    # the pair that gains most first, the lower number of two alike
    rank = np.empty(len(half), np.int64)
    rank[np.argsort(-gain, kind="stable")] = np.arange(len(half), 0, -1)
    best = np.zeros(len(tin.triangles), np.int64)
    np.maximum.at(best, pair // 3, np.stack([rank, rank]))
    taken = (gain > 0) & (rank == best[pair // 3]).all(axis=0)
    a, b, c, d = (tin.points[k[half], 2] for k in sides.corners)
    twist = c + along * (d - c) - a - crossing * (b - a)
    found = replace(OtherDiagonals.none(len(tin.triangles)), twist=twist[taken])
    for k, at in zip(pair[:, taken], (crossing[taken], 1.0 - crossing[taken]), strict=True):
        found.quad[k // 3], found.side[k // 3] = np.arange(len(k)), k % 3
        found.crossing[k // 3] = at
    return found


def _crossings(sides: _Sides, half: Ints) -> tuple[Floats, Floats]:
    """Return the shares of the common side and of the other diagonal before they cross."""
    a, b, c, d = (sides.points[k[half], :2] for k in sides.corners)
    whole = _cross(b - a, d - c)
    whole[whole == 0] = np.inf
    return _cross(c - a, d - c) / whole, _cross(c - a, b - a) / whole


def _bends_of(sides: _Sides, half: Ints, opposite: Ints) -> tuple[Floats, Floats]:
    """Return the bends of pairs of triangles and round them, as they are and turned."""
    a, b, c, d = (k[half] for k in sides.corners)
    around = [(_after(half), d), (_after(opposite), c)]
    around += [(_after(side), apex) for side, apex in around]
    now, turned = sides.bends(half, c), sides.bent(c, d, a, b)
    for side, apex in around:
        now, turned = now + sides.bends(side, sides.apex[side]), turned + sides.bends(side, apex)
    return now, turned


def _after(half: Ints) -> Ints:
    """Next half-edge of the same triangle."""
    after: Ints = half // 3 * 3 + (half + 1) % 3
    return after


def _cross(one: Floats, other: Floats) -> Floats:
    area: Floats = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    return area
