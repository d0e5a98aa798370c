"""How well the elevation of a cell is known, and surfaces that might as well be true."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.network.model import Network
from geosite.terrain.surface.model import Covariance, Surface
from geosite.terrain.surface.scores import leave_one_out, scorable
from geosite.terrain.surface.tin import locate, shares

__all__ = [
    "Perturbation",
    "draw_elevations",
    "elevation_sigma",
    "interpolation_rate",
    "perturbations",
]

_AT_ONCE = 1 << 16


def interpolation_rate(surface: Surface) -> float | None:
    """Tell how fast the ground departs from the interpolation with distance from a mark.

    Parameters
    ----------
    surface

    Returns
    -------
    float or None
        Standard deviation per distance to the nearest mark, elevation units per map unit; None
        where the survey is too small to leave a mark out.

    Notes
    -----
    Marks are left out one at a time and predicted by the surface's method. What the residuals
    have beyond the noise of the marks, as a mean square, is set against the mean square of the
    distances to the next mark: the error is taken to grow in proportion to that distance, from
    nothing on a mark. This is our own plain model; that the error depends on the distance to the
    nearest mark and on the roughness of the ground is Kraus, K., Karel, W., Briese, C. &
    Mandlburger, G. (2006), Local accuracy measures for digital terrain models, The Photogrammetric
    Record 21(116):342-354, doi:10.1111/j.1477-9730.2006.00400.x.
    """
    tin = surface.tin
    which = scorable(tin)
    if len(which) == 0:
        return None
    residual = tin.points[which, 2] - leave_one_out(tin, surface.method, which, surface.noise)
    start = tin.triangles.ravel()
    end = np.roll(tin.triangles, -1, axis=1).ravel()
    apart = np.hypot(*(tin.points[start, :2] - tin.points[end, :2]).T)
    # the nearest mark is a neighbour; edges between marks inside the hull are there both ways
    nearest = np.full(len(tin.points), np.inf)
    np.minimum.at(nearest, start, apart)
    noise = 0.0
    if surface.noise is not None:
        # its own, and that of the prediction: between three marks the squares of their shares add
        # up to a half on average, what averages over many marks has next to none
        predicted = 0.5 if surface.method in ("tin", "natural-neighbour") else 0.0
        noise = (1 + predicted) * float((surface.noise[which] ** 2).sum())
    excess = float((residual**2).sum()) - noise
    return float(np.sqrt(max(excess, 0.0) / (nearest[which] ** 2).sum()))


@dataclass(frozen=True, eq=False)
class _Cells:
    """Cells between marks: which, the corners of the triangle, their shares, nearest corner."""

    cell: Ints
    corners: Ints
    shares: Floats
    nearest: Floats


def _weighed(surface: Surface) -> Iterator[tuple[Ints, _Cells]]:
    """Yield, at least once, triangles and cells, for cells that have an elevation."""
    tin, grid = surface.tin, surface.grid
    triangle = locate(tin, grid).ravel()
    triangle[np.isnan(surface.z).ravel()] = -1
    east, north = grid.centres()
    inside = np.flatnonzero(triangle >= 0)
    for start in range(0, max(len(inside), 1), _AT_ONCE):
        cell = inside[start : start + _AT_ONCE]
        row, col = np.divmod(cell, grid.cols)
        places = np.column_stack([east[col], north[row]])
        face = triangle[cell].astype(np.int64)
        corners = tin.triangles[face]
        nearest = np.full(len(cell), np.inf)
        for corner in corners.T:
            apart = np.hypot(*(tin.points[corner, :2] - places).T)
            np.minimum(nearest, apart, out=nearest)
        yield face, _Cells(cell, corners, shares(tin, face, places), nearest)


def elevation_sigma(
    surface: Surface, covariance: Covariance | None = None, rate: float | None = None
) -> Floats:
    """Return the standard deviation of each cell's elevation.

    Parameters
    ----------
    surface
        Made with the sigma of its points.
    covariance
        Covariance of the elevations of pairs of points, numbered as they were given to the
        surface (`geosite.network.levels.level_covariance` for a network's); without it their
        errors are taken as independent.
    rate
        From `interpolation_rate`, which is called without it.

    Returns
    -------
    array, shape (rows, cols)
        Elevation units; NaN where the surface has none.

    Notes
    -----
    Two parts, added as variances: that of the three marks around the cell, weighed as on the
    triangle they make (an approximation for the other methods), with their covariance; and the
    interpolation error, `rate` times the distance to the nearest of the three. With errors shared
    by neighbours the first part stays as large between marks as on them; with independent ones it
    is smaller there.
    """
    tin = surface.tin
    if rate is None:
        rate = interpolation_rate(surface) or 0.0
    variance = np.zeros(len(tin.points)) if surface.sigma is None else surface.sigma**2
    i, j = (tin.owner[tin.triangles[:, k]] for k in ((0, 1, 2), (1, 2, 0)))
    if covariance is not None:
        variance = covariance(tin.owner, tin.owner)
        shared = covariance(i.ravel(), j.ravel()).reshape(i.shape)
    else:
        # corners that hang on the same mark share all of its error
        shared = np.where(i == j, variance[tin.triangles], 0.0)
    out = np.full(surface.grid.rows * surface.grid.cols, np.nan)
    for face, cells in _weighed(surface):
        w = cells.shares
        total = (w * w * variance[cells.corners]).sum(axis=1)
        total += 2 * (w * w[:, [1, 2, 0]] * shared[face]).sum(axis=1)
        total += (rate * cells.nearest) ** 2
        out[cells.cell] = np.sqrt(np.maximum(total, 0.0))
    return out.reshape(surface.grid.shape)


Draw = Callable[[np.random.Generator], Floats]
"""Draws an error of the elevation of every point that was given to the surface, shape (n,)."""


@dataclass(frozen=True, eq=False)
class Perturbation:
    """Draws surfaces that agree with what was measured. Call it with a random generator.

    Parameters
    ----------
    surface
    draw
        Errors of the marks.
    interpolation_sigma : array, shape (rows, cols)
        Standard deviation of the interpolation error.
    correlation_cells
        Distance over which the interpolation error hangs together.
    corners : array of int, shape (k, 3); shares : array, shape (k, 3); cell : array, shape (k,)
        Points around each cell with an elevation and their weights.
    """

    surface: Surface
    draw: Draw
    interpolation_sigma: Floats
    correlation_cells: float
    corners: npt.NDArray[np.int32]
    shares: npt.NDArray[np.float32]
    cell: Ints

    def __call__(self, rng: np.random.Generator) -> Floats:
        """Draw one surface, shape (rows, cols), NaN where the surface has no elevation."""
        from geosite.terrain.water.confidence import correlated_noise

        error = self.draw(rng)
        drawn = self.surface.z.copy()
        flat = drawn.reshape(-1)
        for k in range(3):
            flat[self.cell] += self.shares[:, k] * error[self.corners[:, k]]
        if self.interpolation_sigma.any():
            drawn += self.interpolation_sigma * correlated_noise(
                drawn.shape, self.correlation_cells, rng
            )
        return drawn


def perturbations(
    surface: Surface, draw: Draw | None = None, rate: float | None = None
) -> Perturbation:
    """Prepare to draw surfaces that agree with what was measured.

    Parameters
    ----------
    surface
        Made with the sigma of its points.
    draw
        Draws an error per point that was given to the surface; `draw_elevations` of a network
        gives errors that hang together along each run, as drift does. Without it errors are
        independent, each with the sigma of its point.
    rate
        From `interpolation_rate`, which is called without it.

    Returns
    -------
    Perturbation
        ``perturb(rng)`` is an elevation array. It holds no state: the same generator state gives
        the same surface, in any thread or process.

    Notes
    -----
    The marks' errors are interpolated on the triangles, so a drift that lifts a whole run lifts
    its ground as a whole and turns no water. To this comes the interpolation error: smooth noise
    that is nothing on the marks, hangs together over half their spacing and has the standard
    deviation that `elevation_sigma` takes for it.
    """
    if rate is None:
        rate = interpolation_rate(surface) or 0.0
    grid, tin = surface.grid, surface.tin
    error = np.zeros(grid.rows * grid.cols)
    parts = []
    for _, cells in _weighed(surface):
        error[cells.cell] = rate * cells.nearest
        parts.append(
            (cells.cell, tin.owner[cells.corners].astype(np.int32), cells.shares.astype(np.float32))
        )
    cell, corners, weights = (np.concatenate(part) for part in zip(*parts, strict=True))
    if draw is None:
        spread = np.zeros(len(tin.origin))
        if surface.sigma is not None:
            spread[tin.owner] = surface.sigma
        draw = _Independent(spread)
    spacing = float(np.sqrt(len(cell) / len(tin.points)))
    return Perturbation(
        surface,
        draw,
        error.reshape(grid.shape),
        spacing / 2,
        corners,
        weights,
        cell,
    )


@dataclass(frozen=True, eq=False)
class _Independent:
    sigma: Floats

    def __call__(self, rng: np.random.Generator) -> Floats:
        drawn: Floats = rng.standard_normal(len(self.sigma)) * self.sigma
        return drawn


def draw_elevations(network: Network, rng: np.random.Generator) -> Floats:
    """Draw an error of every observed elevation, as the adjustment leaves it.

    Parameters
    ----------
    network
    rng

    Returns
    -------
    array, shape (n,), metres
        Exact draws from `geosite.network.levels.level_covariance`, in time proportional to the
        number of observations: knots by their covariance, between them random walks tied to both.
    """
    chains = network.chains
    values, vectors = np.linalg.eigh(network.vertical)
    knots = vectors @ (np.sqrt(np.maximum(values, 0.0)) * rng.standard_normal(len(values)))
    f = chains.fraction
    error: Floats = (1 - f) * knots[chains.start] + f * knots[chains.end]
    inner = np.flatnonzero(chains.chain >= 0)
    if len(inner) == 0:
        return error
    order = inner[np.lexsort((chains.variance[inner], chains.chain[inner]))]
    chain, variance = chains.chain[order], chains.variance[order]
    starts = np.flatnonzero(np.diff(chain, prepend=-1))
    ends = np.append(starts[1:], len(order)) - 1
    step = np.diff(variance, prepend=0.0)
    step[starts] = variance[starts]
    walked = np.cumsum(rng.standard_normal(len(order)) * np.sqrt(np.maximum(step, 0.0)))
    before = np.concatenate([[0.0], walked])[starts]
    count = ends - starts + 1
    walked -= np.repeat(before, count)
    # on to the knot at the end, and back by what was missed there
    rest = np.maximum(chains.total[order[ends]] - variance[ends], 0.0)
    missed = walked[ends] + rng.standard_normal(len(ends)) * np.sqrt(rest)
    walked -= np.where(chains.is_open[order], 0.0, f[order] * np.repeat(missed, count))
    error[order] += np.sqrt(network.vertical_variance_factor) * walked
    return error
