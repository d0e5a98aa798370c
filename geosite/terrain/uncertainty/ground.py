"""The ground of a site at any place: where it lies, how well that is known, where else it may be.

One stochastic model for everything that reads the ground between the marks. It is the triangles
through the marks, whose errors are the network's, plus the departure of a rough surface from the
triangles through its own values on the marks (`geosite.terrain.surface.roughness`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.statistics import t_factor
from geosite.network.covariance import covariance, sigmas
from geosite.network.error_draws import Draws, draw_marks
from geosite.network.model import LinearForm, Network
from geosite.terrain.surface.left_open import LeftOpen
from geosite.terrain.surface.line_bends import LineBends
from geosite.terrain.surface.realisations import Lattice
from geosite.terrain.surface.roughness import (
    Contrasts,
    Roughness,
    estimate_roughness,
    local_scales,
    sharp_bends,
)
from geosite.terrain.surface.tin import Tin
from geosite.terrain.uncertainty.contrasts import contrasts, cross, ground_kinds, plane_gradients
from geosite.terrain.uncertainty.corner_forms import corner_forms
from geosite.terrain.uncertainty.simulation import GroundDraws, Rough

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Ground", "Spot", "ground_between"]

#: A place this near to the outer border is on it: what two roundings can do, in metres.
_ON_BORDER_M = 1e-6

#: A place this near to a wall stands before it: marks of a wall's foot are read to a few
#: centimetres.
_AT_WALL_M = 0.05

_DRAWS_AT_ONCE = 16


@dataclass(frozen=True, eq=False)
class Spot:
    """The ground at one place, local grid metres."""

    elevation: float
    form: LinearForm


@dataclass(frozen=True, eq=False)
class Ground:
    """The ground between the marks, all in local grid metres and metres.

    Parameters
    ----------
    network
        The marks and their joint covariance.
    tin
        Triangles between them.
    rows : array, shape (n,)
        Observation of each point that went into the triangulation, in the order of ``tin.origin``.
    roughness
        How far the ground may lie from the triangles.
    scale : array, shape (points,)
        How many times as far as the rough surface says the ground departs at each of
        ``tin.points``.
    draws
        Number of possible grounds.
    seed
        Of the draws.
    buildings
        In plan: there is no ground under them.
    compared
        Marks with what the others say, which possible grounds agree with.
    """

    network: Network
    tin: Tin
    rows: Ints
    roughness: Roughness
    scale: Floats
    draws: int = 200
    seed: int = 0
    buildings: tuple[BaseGeometry, ...] = ()
    compared: Contrasts | None = None

    def __post_init__(self) -> None:
        if len(self.rows) != len(self.tin.origin):
            raise ValueError(
                f"{len(self.rows)} rows for a triangulation of {len(self.tin.origin)} points"
            )

    def elevations_at(self, places: npt.ArrayLike) -> Floats:
        """Return the elevation at places.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        array, shape (m,), metres
            NaN where the marks do not reach.
        """
        triangle, shares = self.weights(places)
        heights: Floats = (shares * self.tin.points[self.tin.triangles[triangle], 2]).sum(axis=1)
        return heights

    def measured(self, places: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Tell whether there is measured ground near enough to speak of a place at all.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        array of bool, shape (m,)
            Between the marks, not under a building, and no farther from a mark or a breakline than
            the distances over which marks that were left out could be predicted: beyond, nothing
            is known of how far the ground departs from the triangles. The foot of a wall is
            measured.
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        inside = np.isfinite(self.elevations_at(places))
        if self.buildings:
            under, _ = shapely.STRtree(self._inner_buildings).query(
                shapely.points(places), predicate="within"
            )
            inside[under] = False
        if np.isinf(self.roughness.reach_m):
            return inside
        near, _ = self._measured_tree.query(
            shapely.points(places), predicate="dwithin", distance=self.roughness.reach_m
        )
        close = np.zeros(len(places), bool)
        close[near] = True
        return inside & close

    @property
    def breaklines(self) -> Floats:
        """Edges that triangles do not cross, shape (k, 2 ends, 2), local grid metres."""
        ends: Floats = self.tin.points[self.tin.edges][:, :, :2]
        return ends

    def crossed(self, lines: npt.ArrayLike, apart_m: float) -> Ints:
        """Return the triangles that lines run through, but for lines beside own breaklines.

        Parameters
        ----------
        lines : array, shape (k, 2 ends, 2), local grid metres
        apart_m
            A line this near to a breakline of this ground is that breakline.

        Returns
        -------
        array
            Rows of ``tin.triangles``, ascending.
        """
        own = shapely.buffer(_lines(self.breaklines), apart_m)
        left = shapely.get_parts(shapely.difference(_lines(np.asarray(lines, np.float64)), own))
        return np.unique(self._tree.query(left, predicate="intersects")[1])

    def covariance_at(self, places: npt.ArrayLike) -> Floats:
        """Return the covariance of the elevations at places.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        array, shape (m, m), square metres
            Errors of the marks, in plan too where the ground is not level, and departure of the
            ground from the triangles; NaN where the marks do not reach.
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        return covariance(self.network, self.forms_at(places)) + self.departure_covariance(places)

    def departure_covariance(self, places: npt.ArrayLike) -> Floats:
        """Return the part of `covariance_at` that the ground between the marks adds.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        array, shape (m, m), square metres
            NaN where the marks do not reach.
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        triangle, shares = self.weights(places)
        corners = self.tin.triangles[triangle]
        # each departure as a combination of heights of the rough surface: here, less the corners'
        at = np.concatenate([places[:, None], self.tin.points[corners, :2]], axis=1)
        weight = np.column_stack([np.ones(len(places)), -shares])
        weight *= self._scales(corners, shares)[:, None]
        total = np.zeros((len(places), len(places)))
        for i in range(4):
            for j in range(4):
                apart = np.hypot(*(at[:, None, i] - at[None, :, j]).transpose(2, 0, 1))
                total += weight[:, i, None] * weight[None, :, j] * self.roughness.covariance(apart)
        return total

    def sigmas_at(self, places: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return the standard deviations at places: of the marks' part, and of the ground's.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        marks, departure : array, shape (m,), metres
            The whole is the root of the sum of their squares.
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        triangle, shares = self.weights(places)
        corners = self.tin.triangles[triangle]
        every = Contrasts(
            np.zeros(len(places)),
            np.zeros(len(places)),
            np.concatenate([places[:, None], self.tin.points[corners, :2]], axis=1),
            shares,
            np.column_stack([corners[:, :1], corners]),
            np.zeros(len(places), bool),
        )
        variance = every.variance(self.roughness, self._scales(corners, shares))
        between = np.sqrt(np.maximum(variance, 0.0))
        return np.where(triangle < 0, np.nan, sigmas(self.network, self.forms_at(places))), between

    def _scales(self, corners: Ints, shares: Floats) -> Floats:
        """Return the scale at places, shape (m,)."""
        scales: Floats = (shares * self.scale[corners]).sum(axis=1)
        return scales

    def coverage_factor(self, marks: float, departure: float) -> float:
        """Return the coverage factor: half the 95 % interval over the standard deviation.

        Parameters
        ----------
        marks, departure
            The two parts of the variance of what is asked: of the marks' heights, with the degrees
            of freedom of the network, and of the ground between them, with those of the roughness.

        Notes
        -----
        Student's t with the degrees of freedom of Satterthwaite (1946, doi:10.2307/3002019);
        infinite where the accuracy of the survey is not known.
        """
        if not self.network.accuracy_known:
            return np.inf
        spread = marks**2 / self.network.vertical_degrees_of_freedom
        spread += departure**2 / self.roughness.degrees_of_freedom
        return t_factor((marks + departure) ** 2 / spread if spread > 0 else np.inf)

    def draws_at(self, places: npt.ArrayLike) -> Floats:
        """Return the elevation at places on each of the possible grounds.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres

        Returns
        -------
        array, shape (draws, m), metres
            NaN where the marks do not reach. Every call reads the same grounds: two calls with one
            place each are one call with both.
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        triangle, shares = self.weights(places)
        met = np.flatnonzero(triangle >= 0)
        out = np.full((self.draws, len(places)), np.nan)
        corners = self.tin.triangles[triangle[met]]
        slope = self.gradients[triangle[met]]
        nodes, share = self.lattice.weights(places[met])
        known = self.elevations_at(places[met])
        scale = self._scales(corners, shares[met])
        bends, beside = self.bends, np.zeros(len(met))
        if bends is not None:
            beside = (bends.nodes[nodes] * share).sum(axis=1)
            beside -= (bends.on_marks[corners] * shares[met]).sum(axis=1)
        shapes = self.left_open.at(places[met], triangle[met], shares[met])
        self._drawn.draw_all()
        for first in range(0, self.draws, _DRAWS_AT_ONCE):
            some = range(first, min(first + _DRAWS_AT_ONCE, self.draws))
            errors, rough = self.draw(some)
            here = errors[:, corners]
            here = here[..., 2] - (here[..., :2] * slope[:, None]).sum(axis=3)
            departure = (rough.surface[:, nodes] * share).sum(axis=2)
            departure -= (rough.on_marks[:, corners] * shares[met]).sum(axis=2)
            departure *= scale
            departure += self.bends_go_on(some)[:, None] * beside
            for number, ground in zip(some, departure, strict=True):
                np.add.at(ground, shapes.place, shapes.drawn(self.seed, number))
            out[first : some.stop, met] = known + (here * shares[met]).sum(axis=2) + departure
        return out

    def draw(self, draws: range) -> tuple[Floats, Rough]:
        """Draw some of the possible grounds: see `GroundDraws.draw`."""
        return self._drawn.draw(draws)

    def mark_draws(self, rows: Ints) -> Floats:
        """Return the errors of observations on each of the possible grounds.

        Parameters
        ----------
        rows : array, shape (k,)
            Observations, whether they lie on the ground or not.

        Returns
        -------
        array, shape (draws, k, 3), metres
            Of easting, northing and elevation.
        """
        prepared = Draws.of(self.network)
        parts = [
            draw_marks(self.network, self.seed, range(first, first + 1), prepared)[:, rows]
            for first in range(self.draws)
        ]
        return np.concatenate(parts) if parts else np.empty((0, len(rows), 3))

    @property
    def bends(self) -> LineBends | None:
        """What bends of breaklines are beside them if they go on: see `GroundDraws.bends`."""
        return self._drawn.bends

    def bends_go_on(self, draws: range) -> Floats:
        """Return how much of them goes on, by ground: see `GroundDraws.bends_go_on`."""
        return self._drawn.bends_go_on(draws)

    @cached_property
    def left_open(self) -> LeftOpen:
        """What the marks leave open of the triangles; nothing if nothing is told between marks."""
        is_told = any(self.roughness.sills)
        return LeftOpen.of(self.tin) if is_told else LeftOpen.nothing(self.tin)

    @property
    def lattice(self) -> Lattice:
        """Nodes on which rough surfaces are drawn."""
        return self._drawn.lattice

    @cached_property
    def _drawn(self) -> GroundDraws:
        return GroundDraws(
            network=self.network,
            observed=self._row_of_point,
            points=self.tin.points,
            scale=self.scale,
            roughness=self.roughness,
            compared=self.compared,
            draws=self.draws,
            seed=self.seed,
        )

    @cached_property
    def _row_of_point(self) -> Ints:
        # vertices that breaklines add hang on the nearest mark
        rows: Ints = self.rows[self.tin.owner]
        return rows

    @cached_property
    def _tree(self) -> shapely.STRtree:
        corners = self.tin.points[self.tin.triangles][:, [0, 1, 2, 0], :2]
        return shapely.STRtree(list(shapely.get_parts(shapely.polygons(corners))))

    @cached_property
    def _inner_buildings(self) -> list[BaseGeometry]:
        return [shapely.buffer(one, -_AT_WALL_M) for one in self.buildings]

    @cached_property
    def _measured_tree(self) -> shapely.STRtree:
        marks = self.tin.points[: int(self.tin.origin.max()) + 1, :2]
        ends = self.tin.points[self.tin.edges][:, :, :2].reshape(-1, 2)
        lines = shapely.linestrings(ends, indices=np.arange(len(ends)) // 2)
        return shapely.STRtree(np.concatenate([shapely.points(marks), lines]))

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
        twice = cross(b - a, c - a)
        share_b = cross(places - a, c - a) / twice
        share_c = cross(b - a, places - a) / twice
        shares = np.column_stack([1.0 - share_b - share_c, share_b, share_c])
        shares[triangle < 0] = np.nan
        return triangle, shares

    def sum_form(self, places: npt.ArrayLike, factors: npt.ArrayLike) -> LinearForm:
        """Return the form of the sum of ``factors`` times the elevations at places.

        Places beyond the marks count nothing.
        """
        triangle, shares = self.weights(places)
        met = triangle >= 0
        triangle = triangle[met]
        pull = shares[met] * np.asarray(factors, np.float64)[met, None]
        corners, slope = self.tin.triangles[triangle], self.gradients[triangle]
        count = len(self.tin.points)

        def gathered(values: Floats) -> Floats:
            total: Floats = np.bincount(corners.ravel(), values.ravel(), count).astype(np.float64)
            return total

        # moving a corner sideways carries the slope with it
        up = gathered(pull)
        east, north = gathered(-pull * slope[:, :1]), gathered(-pull * slope[:, 1:])
        used = np.unique(corners)
        return LinearForm(self._row_of_point[used], east[used], north[used], up[used])

    def forms_at(self, places: npt.ArrayLike) -> list[LinearForm]:
        """Return the form of the elevation at each place, an empty one beyond the marks."""
        triangle, shares = self.weights(places)
        corners = self.tin.triangles[triangle]
        return corner_forms(corners, self._row_of_point, shares, self.gradients[triangle])

    def at(self, places: npt.ArrayLike) -> list[Spot | None]:
        """Return the ground at places, ``None`` where the marks do not reach.

        Parameters
        ----------
        places : array, shape (m, 2), columns easting, northing, local grid metres
        """
        places = np.asarray(places, np.float64).reshape(-1, 2)
        return [
            None if np.isnan(z) else Spot(float(z), form)
            for form, z in zip(self.forms_at(places), self.elevations_at(places), strict=True)
        ]

    @cached_property
    def gradients(self) -> Floats:
        """Rise towards east and north of each triangle, shape (t, 2)."""
        return plane_gradients(self.tin.points, self.tin.triangles)


def ground_between(
    network: Network,
    rows: Ints,
    tin: Tin,
    *,
    buildings: Sequence[BaseGeometry] = (),
    draws: int = 200,
    seed: int = 0,
) -> Ground:
    """Join a triangulation to the network and estimate the ground between the marks.

    Parameters
    ----------
    network
    rows : array, shape (n,)
        Observation of each point that was given to the triangulation.
    tin
        Local grid metres and metres.
    buildings
        In plan: there is no ground under them.
    draws, seed
        Of the possible grounds.
    """
    compared = contrasts(network, rows, tin)
    rough = estimate_roughness(compared)
    scale = local_scales(compared, rough, tin.points[:, :2], ground_kinds(tin))
    compared = replace(compared, bend=sharp_bends(compared, rough, scale))
    return Ground(network, tin, rows, rough, scale, draws, seed, tuple(buildings), compared)


def _lines(ends: Floats) -> shapely.MultiLineString:
    return shapely.MultiLineString(list(ends))
