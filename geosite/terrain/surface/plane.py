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
    lack_of_fit
        Standard deviation of the ground about the plane, beyond the errors of the marks.
    """

    middle: Floats
    level: float
    east: float
    north: float
    residuals: Floats
    leverage: Floats
    lack_of_fit: float

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

    Notes
    -----
    Ground is no plane: marks depart from it by what they err and by what the ground does. The
    variance of the second is the one with which the weighted squares of the residuals come to their
    degrees of freedom (Paule, R.C. & Mandel, J. 1982, Consensus values and weighting factors,
    doi:10.6028/jres.087.022), and is added to that of every mark. Where it is far larger than the
    marks' errors all count the same; where there is none, each counts by its own error.

    Examples
    --------
    >>> plane = fit_plane(np.array([[0.0, 0, 1], [10, 0, 2], [0, 10, 1], [10, 10, 2]]))
    >>> round(plane.east, 6), round(plane.north, 6), round(plane.level, 6)
    (0.1, 0.0, 1.5)
    """
    if sigma is None or not (sigma > 0).any():
        return _fit(points, np.ones(len(points)), 0.0)
    known = np.maximum(sigma, 1e-3 * sigma.max()) ** 2

    def excess(variance: float) -> float:
        """Weighted squares of the residuals beyond their degrees of freedom."""
        total = known + variance
        residuals = _fit(points, 1 / np.sqrt(total), 0.0).residuals
        return float((residuals**2 / total).sum()) - (len(points) - 3)

    lack = 0.0
    if len(points) > 3 and excess(0.0) > 0:
        low, high = 0.0, float(known.max())
        while excess(high) > 0:
            high *= 4
        for _ in range(40):
            lack = (low + high) / 2
            low, high = (lack, high) if excess(lack) > 0 else (low, lack)
    return _fit(points, 1 / np.sqrt(known + lack), float(np.sqrt(lack)))


def _fit(points: Floats, root: Floats, lack_of_fit: float) -> Plane:
    """Fit with the roots of the weights."""
    middle = points[:, :2].mean(axis=0)
    design = np.column_stack([np.ones(len(points)), points[:, :2] - middle])
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
        lack_of_fit,
    )
