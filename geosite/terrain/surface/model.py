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
    relative_noise,
)
from geosite.terrain.surface.raster_rows import locate_cells, rasterise
from geosite.terrain.surface.tin import Tin, triangulate

if TYPE_CHECKING:
    from geosite.terrain.surface.cross_validation import Method, Score

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
    """Triangulate points, those at one place as one. Parameters as for `elevation_surface`.

    Examples
    --------
    >>> found = triangulate_points([(0, 0, 1.0), (0, 0, 1.0), (4, 0, 1.0), (0, 4, 1.0)])
    >>> len(found.tin.points), len(found.tin.triangles), found.tin.origin.tolist()
    (3, 1, [0, 0, 1, 2])
    """
    given = np.asarray(points, dtype=np.float64)
    sigmas = None if sigma is None else checked_sigma(sigma, len(given))
    marks, origin, owner, unequal = combine_coincident(given, sigmas, coincident)
    tin = triangulate(marks, breaklines)
    # from marks to given points
    tin = replace(tin, origin=tin.origin[origin], owner=owner[tin.owner])
    return Triangulated(tin, None if sigmas is None else sigmas[tin.owner], unequal)


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

    Examples
    --------
    >>> found = triangulate_points([(0, 0, 0.0), (2, 0, 2.0), (0, 2, 0.0), (2, 2, 2.0)])
    >>> surface_over(found, Grid(0.0, 2.0, 1.0, 2, 3), method="plane").z.round(9).tolist()
    [[0.5, 1.5, nan], [0.5, 1.5, nan]]
    """
    tin, sigmas = triangulated.tin, triangulated.sigma
    noise = sigmas if covariance is None else relative_noise(tin, covariance)
    chosen, ranked = choose_method(tin, method, noise, scores)
    return Surface(
        grid=grid,
        z=_interpolate(tin, grid, chosen, noise),
        method=chosen,
        tin=tin,
        sigma=sigmas,
        noise=noise,
        scores=ranked,
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

    Examples
    --------
    Four marks on a plane that rises 10 % to the east:

    >>> marks = [(0, 0, 5.0), (10, 0, 6.0), (0, 10, 5.0), (10, 10, 6.0)]
    >>> surface = elevation_surface(marks, Grid(0.0, 10.0, 5.0, 2, 2))
    >>> surface.method, surface.z.round(9).tolist()
    ('tin', [[5.25, 5.75], [5.25, 5.75]])
    """
    triangulated = triangulate_points(
        points, sigma=sigma, breaklines=breaklines, coincident=coincident
    )
    return surface_over(triangulated, grid, method=method, covariance=covariance, scores=scores)


def choose_method(
    tin: Tin, method: Method | Literal["auto"], noise: Floats | None, with_scores: bool
) -> tuple[Method, tuple[Score, ...]]:
    """Return the method to interpolate by, and the scores where they are asked for or needed.

    Examples
    --------
    Too few marks lie among others to compare the methods, so the triangles are taken:

    >>> tin = triangulate([(0, 0, 0), (4, 0, 0), (0, 4, 0), (1, 1, 0)])
    >>> method, scores = choose_method(tin, "auto", None, False)
    >>> method, len(scores), scores[0].marks
    ('tin', 5, 1)
    """
    from geosite.terrain.surface.cross_validation import METHODS, score

    ranked: tuple[Score, ...] = ()
    if with_scores or method == "auto":
        # the sort is stable: of equal ones the plainer method stays first
        ranked = tuple(sorted((score(tin, m, noise) for m in METHODS), key=lambda s: s.rmse))
    if method != "auto":
        return method, ranked
    return (ranked[0].method if ranked[0].marks >= SCORED_AT_LEAST else "tin"), ranked


def _interpolate(tin: Tin, grid: Grid, method: Method, noise: Floats | None) -> Floats:
    if method == "tin":
        return rasterise(tin, grid)
    z = _interpolate_smoothly(tin, grid, method, noise)
    # where gaps are left out of the triangles
    z[locate_cells(tin, grid) < 0] = np.nan
    return z


def _interpolate_smoothly(tin: Tin, grid: Grid, method: Method, noise: Floats | None) -> Floats:
    marks = tin.points[: int(tin.origin.max()) + 1]
    sigmas = None if noise is None else noise[: len(marks)]
    # the other methods use the marks alone
    unconstrained = (
        tin if len(marks) == len(tin.points) and len(tin.edges) == 0 else triangulate(marks)
    )
    if method == "natural-neighbour":
        from geosite.terrain.surface.natural import interpolate_natural

        return interpolate_natural(unconstrained, grid)
    inside = locate_cells(unconstrained, grid) >= 0
    if method == "thin-plate":
        from geosite.terrain.surface.spline import interpolate_thin_plate

        return interpolate_thin_plate(marks, grid, inside, sigmas)
    if method == "inverse-distance":
        from geosite.terrain.surface.idw import interpolate_inverse_distance

        return interpolate_inverse_distance(marks, grid, inside)
    from geosite.terrain.surface.plane import fit_plane

    return np.where(inside, fit_plane(marks, sigmas).over(grid), np.nan)
