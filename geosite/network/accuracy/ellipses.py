"""Error ellipses of placed marks, and of marks as seen from others.

The ellipse of a 2 x 2 covariance block: semi-axes are the roots of its eigenvalues, the azimuth of
the longer one is ``t = atan2(2 q_en, q_nn - q_ee) / 2`` (Ghilani & Wolf, Adjustment Computations,
2006, section 19.3).
"""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.covariance import plan_covariance
from geosite.network.model import Network

__all__ = ["ellipses", "error_ellipses", "major_axes", "relative_ellipses"]

AT_ONCE = 1 << 17
"""Observations treated together."""

_CIRCLE = 1e-9
"""Difference of the axes, as a share of their size, and of directions, that rounding makes."""


def ellipses(own: Floats) -> tuple[Floats, Floats, Floats]:
    """Return what `error_ellipses` does of covariances in plan, shape (n, 2, 2).

    The azimuth of a circle, which rounding alone would tell, is 0.

    Examples
    --------
    One good to 2 cm in both directions, and one to 3 cm eastward, 1 cm northward:

    >>> major, minor, azimuth = ellipses(np.array([np.diag([4e-4, 4e-4]), np.diag([9e-4, 1e-4])]))
    >>> major.round(6).tolist(), minor.round(6).tolist(), np.degrees(azimuth).tolist()
    ([0.02, 0.03], [0.02, 0.01], [0.0, 90.0])
    """
    return _of(_apart(own))


def _apart(own: Floats) -> Floats:
    """Return variance of easting, of northing, and their covariance, shape (n, 3)."""
    apart: Floats = own[:, [0, 1, 0], [0, 1, 1]]
    return apart


def _of(own: Floats) -> tuple[Floats, Floats, Floats]:
    """Return what `ellipses` does, from shape (n, 3)."""
    east, north, both = own.T
    middle, half = (east + north) / 2, np.hypot((east - north) / 2, both)
    azimuth = np.mod(np.arctan2(2 * both, north - east) / 2, np.pi)
    is_told = (half > _CIRCLE * middle) & (azimuth < np.pi - _CIRCLE)
    return (
        np.sqrt(np.maximum(middle + half, 0.0)),
        np.sqrt(np.maximum(middle - half, 0.0)),
        np.where(is_told, azimuth, 0.0),
    )


def error_ellipses(network: Network, rows: Ints | None = None) -> tuple[Floats, Floats, Floats]:
    """Return the standard error ellipse of each observation.

    Parameters
    ----------
    network
    rows : array, shape (n,)
        Rows of the field book; all of them without it.

    Returns
    -------
    major, minor : array, shape (n,), metres
        Semi-axes, one standard deviation (`geosite.network.accuracy.on_map` has those of 95 %).
    azimuth : array, shape (n,), radians
        Direction of the major axis, clockwise from grid north, 0 to pi:
        ``atan2(2 q_en, q_nn - q_ee) / 2`` (Ghilani & Wolf, Adjustment Computations, 2006, 19.3).
    """
    own = network.plan.own if rows is None else _apart(plan_covariance(network, rows, rows))
    shift = network.shift.sigma
    found = np.empty(len(own)), np.empty(len(own)), np.empty(len(own))
    for start in range(0, len(own), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        major, minor, azimuth = _of(own[part])
        found[0][part], found[1][part] = np.hypot(major, shift), np.hypot(minor, shift)
        found[2][part] = azimuth
    return found


def major_axes(network: Network) -> Floats:
    """Return the major semi-axis of `error_ellipses` of every observation, shape (n,), metres."""
    own = network.plan.own
    found = np.empty(len(own))
    for start in range(0, len(own), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        found[part] = np.hypot(_of(own[part])[0], network.shift.sigma)
    return found


def relative_ellipses(network: Network, before: Ints, after: Ints) -> tuple[Floats, Floats, Floats]:
    """Return the standard error ellipse of observations as seen from others.

    Parameters
    ----------
    network
    before, after : array, shape (m,)
        Rows of the field book.

    Returns
    -------
    major, minor, azimuth : array, shape (m,)
        As `error_ellipses`.
    """
    cross = plan_covariance(network, before, after)
    own = plan_covariance(network, before, before) + plan_covariance(network, after, after)
    return ellipses(own - cross - cross.transpose(0, 2, 1))
