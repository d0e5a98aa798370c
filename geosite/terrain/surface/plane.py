"""One plane through all marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.grid import Grid

__all__ = ["Plane", "fit_plane"]


@dataclass(frozen=True, eq=False)
class Plane:
    """Elevation ``level + east * easting + north * northing``, from the middle of the marks.

    Parameters
    ----------
    middle : (easting, northing)
        Where elevation is `level`.
    level, east, north
        Elevation in the middle; slope towards east and north.
    residuals : array, shape (n,)
        Mark minus plane.
    leverage : array, shape (n,)
        How much of its own fitted elevation each mark decides, 0 to 1.
    """

    middle: Floats
    level: float
    east: float
    north: float
    residuals: Floats
    leverage: Floats

    def over(self, grid: Grid) -> Floats:
        """Return the plane at the centres of cells, shape (rows, cols)."""
        east, north = grid.centres()
        z: Floats = (
            self.level
            + self.east * (east[None, :] - self.middle[0])
            + self.north * (north[:, None] - self.middle[1])
        )
        return z


def fit_plane(points: Floats, sigma: Floats | None = None) -> Plane:
    """Fit a plane by least squares.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Three or more, not on one line.
    sigma : array, shape (n,), optional
        Standard deviation of each elevation, the smallest taken for no less than a thousandth of
        the largest; without it all count the same.

    Returns
    -------
    Plane
    """
    middle = points[:, :2].mean(axis=0)
    design = np.column_stack([np.ones(len(points)), points[:, :2] - middle])
    root = np.ones(len(points))
    if sigma is not None and (sigma > 0).any():
        root = 1 / np.maximum(sigma, 1e-3 * sigma.max())
    # orthogonal columns: their squares are the leverage
    q, r = np.linalg.qr(design * root[:, None])
    level, east, north = np.linalg.solve(r, q.T @ (points[:, 2] * root))
    return Plane(
        middle,
        float(level),
        float(east),
        float(north),
        points[:, 2] - design @ np.array([level, east, north]),
        (q * q).sum(axis=1),
    )
