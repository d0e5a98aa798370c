"""The stochastic ground on a raster: how well cells are known, and rasters that may be true."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.grid import Grid
from geosite.base.shared_work import shared_zeros
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.covariance import level_covariance
from geosite.terrain.surface.left_open import OpenPlaces
from geosite.terrain.surface.raster_rows import locate_cells
from geosite.terrain.surface.tin import barycentric
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["RealisedRasters", "elevation_sigma"]

_AT_ONCE = 1 << 16

_MOST_KEPT = 8_000_000
"""Cells of all possible grounds up to which they are kept: 64 megabytes."""


@dataclass(frozen=True, eq=False)
class _Cells:
    """Cells between marks: which, the triangle each is in, the shares of its corners."""

    cell: Ints
    triangle: Ints
    shares: Floats
    places: Floats


def _cells(ground: Ground, grid: Grid, z: Floats) -> Iterator[_Cells]:
    """Yield the cells that have an elevation, at least one batch of them, maybe empty."""
    triangle = locate_cells(ground.tin, grid).ravel()
    triangle[np.isnan(z).ravel()] = -1
    east, north = grid.centres()
    inside = np.flatnonzero(triangle >= 0)
    for start in range(0, max(len(inside), 1), _AT_ONCE):
        cell = inside[start : start + _AT_ONCE]
        row, col = np.divmod(cell, grid.cols)
        places = np.column_stack([east[col], north[row]])
        face = triangle[cell].astype(np.int64)
        yield _Cells(cell, face, barycentric(ground.tin, face, places), places)


def elevation_sigma(
    ground: Ground, grid: Grid, z: Floats, *, lack_of_fit: float = 0.0
) -> tuple[Floats, Floats]:
    """Return the standard deviation of each cell's elevation, and against its surroundings.

    Parameters
    ----------
    ground
    grid
        Local grid metres.
    z : array, shape (rows, cols), metres
        NaN where the surface has no elevation.
    lack_of_fit
        Standard deviation of the ground about a surface that does not go through the marks, metres.

    Returns
    -------
    whole, relative : array, shape (rows, cols), metres
        NaN where the surface has none. The second leaves out what the corners of the triangle
        share.

    Notes
    -----
    The same model as `Ground.covariance_at`. Of the marks' errors in plan, which carry sloping
    ground sideways, the mean of the three corners is taken: over one triangle they are mostly
    shared.
    """
    tin, network = ground.tin, ground.network
    rows = ground.rows[tin.owner]
    i, j = (rows[tin.triangles[:, k]] for k in ((0, 1, 2), (1, 2, 0)))
    variance = level_covariance(network, rows, rows)
    shared = level_covariance(network, i.ravel(), j.ravel()).reshape(i.shape)
    sideways = _sideways(ground, rows)
    # what moves the whole survey on the map lifts a place by the slope of its triangle as well
    shift, steep = network.shift, (ground.gradients**2).sum(axis=1)
    moved = shift.sigma_up**2 + shift.sigma**2 * steep
    rough = ground.roughness.covariance
    corners = tin.points[tin.triangles, :2]
    side = np.linalg.norm(corners[:, (0, 1, 2)] - corners[:, (1, 2, 0)], axis=2)
    between_corners, own = rough(side), float(rough(np.zeros(1))[0])
    scale = ground.scale[tin.triangles]
    own_shared = variance[tin.triangles].mean(axis=1)
    own_shared = np.minimum(shared.mean(axis=1), own_shared)
    whole, relative = np.full((2, grid.rows * grid.cols), np.nan)
    for some in _cells(ground, grid, z):
        w, face = some.shares, some.triangle
        following = w * w[:, [1, 2, 0]]
        total = (w * w * variance[tin.triangles[face]]).sum(axis=1)
        total += 2 * (following * shared[face]).sum(axis=1) + sideways[face]
        away = np.linalg.norm(corners[face] - some.places[:, None], axis=2)
        departure = own * (1.0 + (w * w).sum(axis=1)) - 2 * (w * rough(away)).sum(axis=1)
        departure += 2 * (following * between_corners[face]).sum(axis=1)
        total += (w * scale[face]).sum(axis=1) ** 2 * departure
        total += lack_of_fit**2
        whole[some.cell] = np.sqrt(np.maximum(total + moved[face], 0.0))
        alone = total - sideways[face] - own_shared[face]
        relative[some.cell] = np.sqrt(np.maximum(alone, 0.0))
    return whole.reshape(grid.shape), relative.reshape(grid.shape)


def _sideways(ground: Ground, rows: Ints) -> Floats:
    """Return the variance of the elevation from the corners' errors in plan, per triangle."""
    major, minor, azimuth = error_ellipses(ground.network.relative)
    sine, cosine = np.sin(azimuth), np.cos(azimuth)
    east = (major * sine) ** 2 + (minor * cosine) ** 2
    north = (major * cosine) ** 2 + (minor * sine) ** 2
    both = (major**2 - minor**2) * sine * cosine
    g, h = ground.gradients.T
    at = rows[ground.tin.triangles]
    variance: Floats = (
        g**2 * east[at].mean(axis=1)
        + h**2 * north[at].mean(axis=1)
        + 2 * g * h * both[at].mean(axis=1)
    )
    return variance


@dataclass(frozen=True, eq=False)
class RealisedRasters:
    """Rasters of the ground that agree with what was measured.

    The same grounds as those of `Ground.draws_at`.

    Parameters
    ----------
    ground
    grid
        Local grid metres.
    z : array, shape (rows, cols), metres
        The surface, NaN where it has no elevation.
    """

    ground: Ground
    grid: Grid
    z: Floats

    def stack(self, draws: range) -> Floats:
        """Return some of the possible grounds, shape (len(draws), rows, cols), metres.

        Those of a small site are kept: the water of the walked ground and of every design on it
        are asked of the same ones.
        """
        count = self.ground.draws
        if draws.stop > count or count * self.z.size > _MOST_KEPT:
            return self._drawn(draws)
        grounds, is_drawn = self._kept
        missing = np.flatnonzero(~is_drawn[draws.start : draws.stop])
        if len(missing):
            new = range(draws.start + int(missing[0]), draws.start + int(missing[-1]) + 1)
            grounds[new.start : new.stop] = self._drawn(new)
            is_drawn[new.start : new.stop] = True
        some = grounds[draws.start : draws.stop]
        some.setflags(write=False)
        return some

    @cached_property
    def _kept(self) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Room for all grounds, and which are there: copies of this process fill it, too."""
        count = self.ground.draws
        return shared_zeros((count, *self.z.shape), np.float64), shared_zeros((count,), np.bool_)

    def _drawn(self, draws: range) -> Floats:
        errors, rough = self.ground.draw(draws)
        known, face, share, scale = self._known
        corners = np.ascontiguousarray(self.ground.tin.triangles.T)
        east, north = self.grid.centres()
        between = self.ground.lattice.between(north, east)
        slope, z = self.ground.gradients.T[:, None], self.z.ravel()[known]
        beside, go_on = self._beside, self.ground.bends_go_on(draws)
        shapes = self._shapes
        drawn = np.empty((len(draws), *self.z.shape))
        # one ground at a time, which stays in the cache
        for draw, ground, nodes, on_marks, moved, goes_on in zip(
            draws, drawn, rough.surface, rough.on_marks, errors, go_on, strict=True
        ):
            height = z
            if self.ground.roughness.sills:
                departure = between.over_cells(nodes).ravel()[known]
                departure -= _shared(on_marks[corners], face, share)
                departure *= scale
                height = departure + z
            if beside is not None:
                height = height + goes_on * beside
            # a corner that moves sideways carries the slope of its triangle with it
            shift_east, shift_north, lift = moved[corners].transpose(2, 0, 1)
            lift = lift - (shift_east * slope[0] + shift_north * slope[1])
            ground[...] = self.z
            ground.reshape(-1)[known] = height + _shared(lift, face, share)
            off = shapes.drawn(self.ground.seed, draw)
            np.add.at(ground.reshape(-1), known[shapes.place], off)
        return drawn

    @cached_property
    def _beside(self) -> Floats | None:
        """Return what bends of breaklines are in the cells if they go on beside the lines."""
        bends = self.ground.bends
        if bends is None:
            return None
        known, face, share, _ = self._known
        east, north = self.grid.centres()
        cells = self.ground.lattice.between(north, east).over_cells(bends.nodes).ravel()[known]
        return cells - _shared(bends.on_marks[self.ground.tin.triangles.T], face, share)

    @cached_property
    def _shapes(self) -> OpenPlaces:
        """Return the cells whose ground the marks leave open."""
        known, face, share, _ = self._known
        row, col = np.divmod(known, self.grid.cols)
        east, north = self.grid.centres()
        return self.ground.left_open.at(np.column_stack([east[col], north[row]]), face, share.T)

    @cached_property
    def _known(self) -> tuple[Ints, Ints, Floats, Floats]:
        """Cells with an elevation: their triangles, the shares of the corners, the roughness."""
        parts = list(_cells(self.ground, self.grid, self.z))
        cell = np.concatenate([part.cell for part in parts])
        face = np.concatenate([part.triangle for part in parts])
        share = np.concatenate([part.shares for part in parts])
        scale = (self.ground.scale[self.ground.tin.triangles[face]] * share).sum(axis=1)
        return cell, face, np.ascontiguousarray(share.T), scale


def _shared(of_corners: Floats, face: Ints, share: Floats) -> Floats:
    """Return the values of cells from those at the corners, shape (3, triangles)."""
    values = of_corners.take(face, axis=1)
    values *= share
    total: Floats = (values[0] + values[1]) + values[2]
    return total
