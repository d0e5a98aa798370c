"""Circles through marks: exact, fitted, and how they move when a mark moves.

References
----------
N. Chernov, Circular and Linear Regression: Fitting Circles and Lines by Least Squares, CRC Press
2010: section 5.10 (Taubin's algebraic fit by singular values), chapter 4 (geometric fit).
Derivatives of a minimum with respect to the data: implicit function theorem.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats

__all__ = ["Circle", "chord_count", "fit_circle", "strip_width", "taubin_circle"]

# Less than this between marks and a straight line, in metres, and no circle is determined: a
# walked survey does not know its marks to a millimetre.
STRAIGHT_M = 0.001


@dataclass(frozen=True, eq=False)
class Circle:
    """A full circle.

    Parameters
    ----------
    centre : (easting, northing), metres
    radius : metres
    residuals : array, shape (n,), metres
        Signed distance of each mark from the circle, outwards positive.
    centre_gradient : array, shape (2, n, 2)
        Derivatives of the centre's easting and northing with respect to each mark.
    radius_gradient : array, shape (n, 2)
    """

    centre: tuple[float, float]
    radius: float
    residuals: Floats
    centre_gradient: Floats
    radius_gradient: Floats

    def normal_motion(self, angles: Floats) -> Floats:
        """Return the outward motion of points of the circle, shape (k, n, 2)."""
        outward = np.column_stack([np.cos(angles), np.sin(angles)])
        motion: Floats = np.tensordot(outward, self.centre_gradient, 1) + self.radius_gradient
        return motion


def strip_width(points: Floats) -> float:
    """Return the width of the strip along the least squares line that holds all points, metres.

    Examples
    --------
    >>> strip_width(np.array([[0.0, 0.0], [5.0, 0.3], [10.0, 0.0]])).__round__(6)
    0.3
    """
    centred = points - points.mean(axis=0)
    across = np.linalg.svd(centred, full_matrices=False)[2][1]
    offsets = centred @ across
    return float(np.ptp(offsets))


def fit_circle(points: Floats) -> Circle | None:
    """Find the circle through three marks, or the one nearest to more (least squared distances).

    Parameters
    ----------
    points : array, shape (n, 2), easting, northing, metres
        Distinct marks, n >= 3, in any order.

    Returns
    -------
    Circle or None
        None where the marks lie on a straight line, or the circle nearest to them is one.

    Examples
    --------
    >>> round(fit_circle(np.array([[2.0, 1.0], [0.0, 3.0], [-2.0, 1.0]])).radius, 9)
    2.0
    """
    if strip_width(points) < STRAIGHT_M:
        return None
    middle = points.mean(axis=0)
    xy = points - middle
    extent = float(np.ptp(xy, axis=0).max())
    start = _circumcircle(xy) if len(xy) == 3 else taubin_circle(xy)
    if start is None:
        return None
    unknowns = start if len(xy) == 3 else _nearest_circle(xy, start)
    radius = float(unknowns[2])
    if not math.isfinite(radius) or extent**2 / (8.0 * radius) < STRAIGHT_M:
        return None

    offset = xy - unknowns[:2]
    rho = np.hypot(offset[:, 0], offset[:, 1])
    unit = offset / rho[:, None]
    residual = rho - radius if len(xy) > 3 else np.zeros(3)
    across = np.eye(2) - unit[:, :, None] * unit[:, None, :]
    curvature = (residual / rho)[:, None, None] * across
    # gradient of half the squared distances, differentiated by unknowns and by marks
    hessian = np.empty((3, 3))
    hessian[:2, :2] = unit.T @ unit + curvature.sum(axis=0)
    hessian[:2, 2] = hessian[2, :2] = unit.sum(axis=0)
    hessian[2, 2] = len(xy)
    by_marks = np.empty((3, len(xy), 2))
    by_marks[:2] = np.moveaxis(-(unit[:, :, None] * unit[:, None, :]) - curvature, 0, 1)
    by_marks[2] = -unit
    solved: Floats = np.asarray(np.linalg.solve(hessian, by_marks.reshape(3, -1)), np.float64)
    gradient = -solved.reshape(3, -1, 2)
    centre = unknowns[:2] + middle
    return Circle(
        centre=(float(centre[0]), float(centre[1])),
        radius=radius,
        residuals=residual,
        centre_gradient=gradient[:2],
        radius_gradient=gradient[2],
    )


def _circumcircle(xy: Floats) -> Floats | None:
    """Return centre and radius of the circle through three points, shape (3,)."""
    a, b = xy[1] - xy[0], xy[2] - xy[0]
    cross = 2.0 * (a[0] * b[1] - a[1] * b[0])
    if cross == 0.0:
        return None
    aa, bb = float(a @ a), float(b @ b)
    offset = np.array([b[1] * aa - a[1] * bb, a[0] * bb - b[0] * aa]) / cross
    return np.append(xy[0] + offset, np.hypot(*offset))


def taubin_circle(xy: Floats) -> Floats | None:
    """Return the circle of Taubin's algebraic fit, a first guess that is hardly biased.

    Parameters
    ----------
    xy : array, shape (n, 2)
        Centred points, not all at one place.

    Returns
    -------
    array, shape (3,), or None
        Centre and radius; ``None`` for points on a line.

    Notes
    -----
    Minimises the sum of ``(A r^2 + B x + C y + D)^2`` with the mean squared gradient held at one,
    by a singular value decomposition (Taubin 1991, Estimation of planar curves, surfaces and
    nonplanar space curves, doi:10.1109/34.103273).

    Examples
    --------
    >>> taubin_circle(np.array([[2.0, 0.0], [0.0, 2.0], [-2.0, 0.0], [0.0, -2.0]])).round(9)
    array([0., 0., 2.])
    """
    square = (xy**2).sum(axis=1)
    mean = float(square.mean())
    design = np.column_stack([(square - mean) / (2.0 * math.sqrt(mean)), xy])
    a, b, c = np.linalg.svd(design, full_matrices=False)[2][2]
    if abs(a) < 1e-12:
        return None
    a /= 2.0 * math.sqrt(mean)
    d = -mean * a
    radius = math.sqrt(b * b + c * c - 4.0 * a * d) / (2.0 * abs(a))
    return np.array([-b / (2.0 * a), -c / (2.0 * a), radius])


def _nearest_circle(xy: Floats, start: Floats) -> Floats:
    """Minimise the squared distances from a circle, damped Gauss-Newton, shape (3,)."""

    def distances(unknowns: Floats) -> tuple[Floats, Floats]:
        offset = xy - unknowns[:2]
        rho = np.hypot(offset[:, 0], offset[:, 1])
        design = np.column_stack([-offset / rho[:, None], -np.ones(len(xy))])
        return rho - unknowns[2], design

    unknowns, damping = start, 0.0
    error, design = distances(unknowns)
    for _ in range(200):
        normal = design.T @ design
        normal += damping * np.diag(np.diag(normal))
        step = np.linalg.lstsq(normal, -design.T @ error, rcond=None)[0]
        relative_step = float(np.abs(step).max()) / (1.0 + float(unknowns[2]))
        trial, trial_design = distances(unknowns + step)
        # near the minimum the cost no longer tells steps apart, only the slope does
        if trial @ trial <= (error @ error) * (1.0 + 1e-9) or relative_step < 1e-9:
            unknowns, error, design = unknowns + step, trial, trial_design
            damping = 0.0 if damping < 1e-6 else damping / 10.0
        else:
            damping = max(10.0 * damping, 1e-3)
        if relative_step <= 1e-14:
            break
    return unknowns


def chord_count(radius: float, sweep: float, sagitta: float) -> int:
    """Return how many equal chords replace an arc so that none is farther off than `sagitta`.

    Never fewer than eight to the full circle, however small it is.

    Examples
    --------
    A chord over the angle a stands ``r (1 - cos(a / 2))`` off its arc:

    >>> chords = chord_count(2.0, math.pi, 0.002)
    >>> chords, round(2.0 * (1 - math.cos(math.pi / chords / 2)), 6)
    (36, 0.001904)
    """
    step = min(2.0 * math.acos(max(1.0 - sagitta / radius, -1.0)), math.pi / 4.0)
    return max(1, math.ceil(abs(sweep) / step - 1e-9))
