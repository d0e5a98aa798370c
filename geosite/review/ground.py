"""The ground between the marks as a linear function of the marks, for grades and sections.

A raster has forgotten which marks a cell came from. Here an elevation at any place keeps its
dependence on the three marks around it, so the sigma of a difference of two nearby elevations is
that of the difference, not of two strangers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.network.model import LinearForm, Network
from geosite.terrain.surface.tin import Tin

__all__ = ["Ground", "Spot"]

#: A place this near to the outer border is on it: what two roundings can do, in metres.
_ON_BORDER_M = 1e-6


@dataclass(frozen=True, eq=False)
class Spot:
    """The ground at one place, local grid metres."""

    elevation: float
    form: LinearForm


@dataclass(frozen=True, eq=False)
class Ground:
    """Triangles between marks.

    Parameters
    ----------
    tin
        In local grid metres and metres.
    rows : array, shape (n,)
        Observation of each point that went into the triangulation, in the order of ``tin.origin``.
    """

    tin: Tin
    rows: Ints

    @classmethod
    def between(cls, network: Network, rows: Ints, tin: Tin) -> Ground:
        """Join a triangulation of the observations `rows` to the network they belong to."""
        if len(rows) != len(tin.origin):
            raise ValueError(f"{len(rows)} rows for a triangulation of {len(tin.origin)} points")
        return cls(tin, rows)

    @cached_property
    def _row_of_point(self) -> Ints:
        owner = np.full(len(self.tin.points), -1, np.int64)
        # reversed, so that the first observation of a mark speaks for it
        owner[self.tin.origin[::-1]] = self.rows[::-1]
        return owner

    @cached_property
    def _tree(self) -> shapely.STRtree:
        corners = self.tin.points[self.tin.triangles][:, [0, 1, 2, 0], :2]
        return shapely.STRtree(list(shapely.get_parts(shapely.polygons(corners))))

    def weights(self, places: npt.ArrayLike) -> tuple[Ints, Floats]:
        """Return the triangle of each place and the shares of its corners.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        triangle : array, shape (m,)
            Row of ``tin.triangles``, -1 where the marks do not reach.
        shares : array, shape (m, 3)
            Barycentric coordinates, NaN where the marks do not reach.
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        which, hit = self._tree.query(
            shapely.points(places), predicate="dwithin", distance=_ON_BORDER_M
        )
        # of the triangles that meet in a place the lowest number, whatever the tree's order
        count = len(self.tin.triangles)
        triangle = np.full(len(places), count)
        np.minimum.at(triangle, which, hit)
        triangle[triangle == count] = -1
        a, b, c = (self.tin.points[self.tin.triangles[triangle, k], :2] for k in range(3))
        twice = _cross(b - a, c - a)
        share_b = _cross(places - a, c - a) / twice
        share_c = _cross(b - a, places - a) / twice
        shares = np.column_stack([1.0 - share_b - share_c, share_b, share_c])
        shares[triangle < 0] = np.nan
        return triangle, shares

    def elevations(self, places: npt.ArrayLike) -> Floats:
        """Return the elevation at places, shape (m,), metres; NaN where the marks do not reach."""
        triangle, shares = self.weights(places)
        heights: Floats = (shares * self.tin.points[self.tin.triangles[triangle], 2]).sum(axis=1)
        return heights

    def sum_form(self, places: npt.ArrayLike, factors: npt.ArrayLike) -> LinearForm:
        """Return the form of the sum of ``factors`` times the elevations at places.

        Places beyond the marks count nothing.
        """
        triangle, shares = self.weights(places)
        met = triangle >= 0
        triangle = triangle[met]
        pull = shares[met] * np.asarray(factors, np.float64)[met, None]
        corners = self.tin.triangles[triangle]
        slope = self._gradients[triangle]
        count = len(self.tin.points)

        def gathered(values: Floats) -> Floats:
            total: Floats = np.bincount(corners.ravel(), values.ravel(), count).astype(np.float64)
            return total

        # moving a corner sideways carries the slope with it
        up = gathered(pull)
        east, north = gathered(-pull * slope[:, :1]), gathered(-pull * slope[:, 1:])
        used = np.unique(corners)
        return LinearForm(self._row_of_point[used], east[used], north[used], up[used])

    def at(self, places: npt.ArrayLike) -> list[Spot | None]:
        """Return the ground at places, ``None`` where the marks do not reach.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        return [
            None if np.isnan(z) else Spot(float(z), self.sum_form(place, [1.0]))
            for place, z in zip(places, self.elevations(places), strict=True)
        ]

    @cached_property
    def _gradients(self) -> Floats:
        a, b, c = (self.tin.points[self.tin.triangles[:, k]] for k in range(3))
        ab, ac = b - a, c - a
        twice = _cross(ab[:, :2], ac[:, :2])
        east = (ab[:, 2] * ac[:, 1] - ac[:, 2] * ab[:, 1]) / twice
        north = (ac[:, 2] * ab[:, 0] - ab[:, 2] * ac[:, 0]) / twice
        return np.column_stack([east, north])


def _cross(p: Floats, q: Floats) -> Floats:
    product: Floats = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    return product
