"""The elevation model of a site: its method, and what it was made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.grid import Grid
from geosite.terrain.surface.marks import (
    Coincident,
    Covariance,
    Outlier,
    checked_sigma,
    combine_coincident,
    find_outliers,
    unshared_noise,
)
from geosite.terrain.surface.rows import locate, rasterise
from geosite.terrain.surface.tin import Tin, triangulate

if TYPE_CHECKING:
    from geosite.terrain.surface.scores import Method, Score

__all__ = [
    "SCORED_AT_LEAST",
    "Surface",
    "Triangulated",
    "choose_method",
    "elevation_surface",
    "surface_over",
    "triangulate_points",
]

SCORED_AT_LEAST = 5
"""Marks that must be left out before a method is chosen by them."""


@dataclass(frozen=True, eq=False)
class Surface:
    """An elevation model and what it was made from.

    Parameters
    ----------
    grid
    z : array, shape (rows, cols)
        Elevation, NaN outside the convex hull of the points and where it was cut out.
    method
        What interpolated `z`.
    tin
        The triangulation, breaklines in it; ``tin.origin`` and ``tin.owner`` count the given
        points.
    sigma : array, shape (m,), optional
        Standard deviation of each elevation of ``tin.points``.
    noise : array, shape (m,), optional
        The part of it that neighbours do not share.
    scores
        One per method, best first, if they were asked for.
    is_chosen
        Whether the method was chosen by the scores.
    coincident
        Points at one place that do not agree.
    outliers
        Points that stand out, the worst first.
    """

    grid: Grid
    z: Floats
    method: Method
    tin: Tin
    sigma: Floats | None
    noise: Floats | None
    scores: tuple[Score, ...]
    is_chosen: bool
    coincident: tuple[Coincident, ...]
    outliers: tuple[Outlier, ...]


@dataclass(frozen=True, eq=False)
class Triangulated:
    """Points as triangles, before anything is interpolated.

    Parameters
    ----------
    tin
        ``tin.origin`` and ``tin.owner`` count the given points.
    sigma : array, shape (m,), optional
        Standard deviation of each elevation of ``tin.points``.
    coincident
        Points at one place that do not agree.
    """

    tin: Tin
    sigma: Floats | None
    coincident: tuple[Coincident, ...]


def triangulate_points(
    points: npt.ArrayLike,
    *,
    sigma: npt.ArrayLike | None = None,
    breaklines: Sequence[npt.ArrayLike] = (),
    coincident: float = 0.001,
) -> Triangulated:
    """Triangulate points, those at one place as one. Parameters as for `elevation_surface`."""
    given = np.asarray(points, dtype=np.float64)
    known = None if sigma is None else checked_sigma(sigma, len(given))
    marks, origin, owner, unequal = combine_coincident(given, known, coincident)
    tin = triangulate(marks, breaklines)
    # from marks to given points
    tin = replace(tin, origin=tin.origin[origin], owner=owner[tin.owner])
    return Triangulated(tin, None if known is None else known[tin.owner], unequal)


def surface_over(
    triangulated: Triangulated,
    grid: Grid,
    *,
    method: Method | Literal["auto"] = "tin",
    covariance: Covariance | None = None,
    scores: bool = False,
) -> Surface:
    """Interpolate triangulated points. Parameters as for `elevation_surface`.

    What the triangles do not cover gets no elevation, whatever the method.
    """
    tin, spread = triangulated.tin, triangulated.sigma
    noise = spread if covariance is None else unshared_noise(tin, covariance)
    chosen, found = choose_method(tin, method, noise, scores)
    return Surface(
        grid=grid,
        z=_interpolate(tin, grid, chosen, noise),
        method=chosen,
        tin=tin,
        sigma=spread,
        noise=noise,
        scores=found,
        is_chosen=method == "auto",
        coincident=triangulated.coincident,
        outliers=find_outliers(tin, noise),
    )


def elevation_surface(
    points: npt.ArrayLike,
    grid: Grid,
    *,
    method: Method | Literal["auto"] = "tin",
    sigma: npt.ArrayLike | None = None,
    covariance: Covariance | None = None,
    breaklines: Sequence[npt.ArrayLike] = (),
    scores: bool = False,
    coincident: float = 0.001,
) -> Surface:
    """Interpolate an elevation model from points.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Leave out what is not on the ground.
    grid
        Where to interpolate, at the centres of the cells.
    method
        ``"tin"``: flat triangles; ``"natural-neighbour"``: through the marks, smooth between them;
        ``"thin-plate"``: least bent, as near to the marks as their sigma says;
        ``"inverse-distance"``: weighted average; ``"plane"``: one plane through all; ``"auto"``:
        whichever predicts marks best that it was not given.
    sigma : array, shape (n,), optional
        Standard deviation of each elevation.
    covariance
        Covariance of the elevations of pairs of points. What neighbours share (drift, the anchor)
        then is not taken for noise between them.
    breaklines
        Arrays of shape (k, 3): edges that triangles do not cross, see
        `geosite.terrain.surface.tin.triangulate`. Only the method ``"tin"`` honours them.
    scores
        Score every method by leaving out one mark at a time.
    coincident
        Points nearer than this to each other are one place: their elevations are averaged by
        weight, and told where they differ by more than this.

    Returns
    -------
    Surface

    Raises
    ------
    InputError
        Fewer than three distinct positions, all on one line, a value that is not finite, or a
        sigma that is negative.
    """
    triangulated = triangulate_points(
        points, sigma=sigma, breaklines=breaklines, coincident=coincident
    )
    return surface_over(triangulated, grid, method=method, covariance=covariance, scores=scores)


def choose_method(
    tin: Tin, method: Method | Literal["auto"], noise: Floats | None, wanted: bool
) -> tuple[Method, tuple[Score, ...]]:
    """Return the method to interpolate by, and the scores where they are asked for or needed."""
    from geosite.terrain.surface.scores import METHODS, score

    found: tuple[Score, ...] = ()
    if wanted or method == "auto":
        # the sort is stable: of equal ones the plainer method stays first
        found = tuple(sorted((score(tin, m, noise) for m in METHODS), key=lambda s: s.rmse))
    if method != "auto":
        return method, found
    return (found[0].method if found[0].marks >= SCORED_AT_LEAST else "tin"), found


def _interpolate(tin: Tin, grid: Grid, method: Method, noise: Floats | None) -> Floats:
    if method == "tin":
        return rasterise(tin, grid)
    z = _interpolate_smoothly(tin, grid, method, noise)
    # where gaps are left out of the triangles
    z[locate(tin, grid) < 0] = np.nan
    return z


def _interpolate_smoothly(tin: Tin, grid: Grid, method: Method, noise: Floats | None) -> Floats:
    marks = tin.points[: int(tin.origin.max()) + 1]
    known = None if noise is None else noise[: len(marks)]
    # the other methods go by the marks alone
    plain = tin if len(marks) == len(tin.points) and len(tin.edges) == 0 else triangulate(marks)
    if method == "natural-neighbour":
        from geosite.terrain.surface.natural import interpolate_natural

        return interpolate_natural(plain, grid)
    inside = locate(plain, grid) >= 0
    if method == "thin-plate":
        from geosite.terrain.surface.spline import interpolate_thin_plate

        return interpolate_thin_plate(marks, grid, inside, known)
    if method == "inverse-distance":
        from geosite.terrain.surface.idw import interpolate_inverse_distance

        return interpolate_inverse_distance(marks, grid, inside)
    from geosite.terrain.surface.plane import fit_plane

    return np.where(inside, fit_plane(marks, known).over(grid), np.nan)
