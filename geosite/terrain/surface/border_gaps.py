"""Gaps along the border of a triangulation: thin triangles between marks that are far apart.

The convex hull joins marks of the border over whatever lies between them. A thin triangle there
stands on two far marks and a third one beside the line between them: across its long side nothing
was measured, and along it water seems to stand or to fall as the error of a mark says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.terrain.surface.half_edges import opposite_half_edges
from geosite.terrain.surface.tin import Tin

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["FAR", "THIN", "without_gaps"]

FAR = 2.0
"""A side on the border that is longer than so many times the usual side may be a gap."""

THIN = 0.1
"""It is one where its triangle is lower than this share of the side."""

_ON_LINE = 0.01
"""Share of a side that its middle may lie off a drawn outline and still be a part of it."""


def without_gaps(tin: Tin, drawn: Sequence[BaseGeometry] = ()) -> Tin:
    """Leave out thin triangles along the border, between marks that stand far apart.

    Parameters
    ----------
    tin
    drawn
        Lines and outlines that were walked: a side along one of them is no gap.

    Returns
    -------
    Tin
        The same points. No mark loses its last triangle, and the border stays one line that does
        not touch itself.

    Notes
    -----
    The triangle on the longest side of the border goes first, if the side is more than `FAR` times
    the median of all sides, the triangle lower than `THIN` times the side, and its third corner
    not on the border already; sides of breaklines stay. With other limits for length this is how
    Duckham, Kulik, Worboys & Galton (2008), Efficient generation of simple polygons for
    characterizing the shape of a set of points in the plane, Pattern Recognition 41(10),
    3224-3236, doi:10.1016/j.patcog.2008.03.023, dig from the hull into a shape of points. The
    condition that a triangle be thin keeps ground that is measured sparsely all over.

    Examples
    --------
    Marks two metres apart, and in the last row three of them stand back by 20 cm: the hull runs
    past them over 8 m.

    >>> from geosite.terrain.surface.tin import triangulate
    >>> marks = [(e, n, 0.0) for e in (0.0, 2.0, 4.0, 6.0, 8.0) for n in (0.0, 2.0, 4.0)]
    >>> marks[5] = marks[8] = marks[11] = (0.0, 0.0, 0.0)
    >>> marks += [(2.0, 3.8, 0.0), (4.0, 3.8, 0.0), (6.0, 3.8, 0.0)]
    >>> tin = triangulate(np.array(marks))
    >>> len(tin.triangles), len(without_gaps(tin).triangles)
    (19, 16)
    >>> walked = shapely.LineString([(0.0, 4.0), (8.0, 4.0)])
    >>> len(without_gaps(tin, [walked]).triangles)
    19
    """
    if len(tin.triangles) < 2:
        return tin
    gaps = _Border(tin, drawn).remove()
    if not gaps:
        return tin
    return replace(tin, triangles=np.delete(tin.triangles, gaps, axis=0))


class _Border:
    """The border of a triangulation while triangles are taken from it."""

    def __init__(self, tin: Tin, drawn: Sequence[BaseGeometry]) -> None:
        self.points = tin.points[:, :2]
        self.triangles = tin.triangles
        self.opposite = opposite_half_edges(tin.triangles)
        self.outlines = shapely.union_all(list(drawn)) if drawn else None
        start, end = tin.triangles.ravel(), np.roll(tin.triangles, -1, axis=1).ravel()
        self.lengths: Floats = np.hypot(*(self.points[start] - self.points[end]).T)
        self.far = FAR * float(np.median(self.lengths))
        self.outer = np.zeros(len(self.points), bool)
        open_ = self.opposite < 0
        self.outer[start[open_]] = self.outer[end[open_]] = True
        self.constrained = {(int(min(pair)), int(max(pair))) for pair in tin.edges.tolist()}

    def remove(self) -> list[int]:
        """Return the triangles that are gaps."""
        from heapq import heapify, heappop, heappush

        found: list[int] = []
        waiting = [
            (-float(self.lengths[half]), int(half))
            for half in np.flatnonzero((self.opposite < 0) & (self.lengths > self.far))
        ]
        heapify(waiting)
        while waiting:
            _, half = heappop(waiting)
            triangle, corner = divmod(half, 3)
            apex = int(self.triangles[triangle, (corner + 2) % 3])
            if self.outer[apex] or not self._is_gap(half, apex):
                continue
            found.append(triangle)
            self.outer[apex] = True
            for side in ((corner + 1) % 3, (corner + 2) % 3):
                other = int(self.opposite[3 * triangle + side])
                self.opposite[other] = -1
                if self.lengths[other] > self.far:
                    heappush(waiting, (-float(self.lengths[other]), other))
        return found

    def _is_gap(self, half: int, apex: int) -> bool:
        triangle, corner = divmod(half, 3)
        start = int(self.triangles[triangle, corner])
        end = int(self.triangles[triangle, (corner + 1) % 3])
        if (min(start, end), max(start, end)) in self.constrained:
            return False
        along = self.points[end] - self.points[start]
        out = self.points[apex] - self.points[start]
        length = float(self.lengths[half])
        if abs(along[0] * out[1] - along[1] * out[0]) >= THIN * length**2:
            return False
        if self.outlines is None:
            return True
        middle = shapely.Point((self.points[start] + self.points[end]) / 2)
        return bool(self.outlines.distance(middle) > _ON_LINE * length)
