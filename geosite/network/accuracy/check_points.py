"""Known marks that take no part: the survey against them, by the NSSDA."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.statistics import chi2_sf, radius_factor
from geosite.fieldbook.model import FieldBook
from geosite.network.control.model import Control
from geosite.network.covariance import level_covariance, plan_covariance
from geosite.network.model import Network

__all__ = [
    "ENOUGH_CHECK_POINTS",
    "CheckPoints",
    "check_points",
    "nssda_horizontal",
    "nssda_vertical",
]

ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
"""Semi-major axis of the 95 % error ellipse in standard deviations: 2.4477."""
ENOUGH_CHECK_POINTS = 20
"""NSSDA, FGDC-STD-007.3-1998, section 3.2.2 (section from memory)."""


def nssda_horizontal(east: Floats, north: Floats) -> tuple[float, float]:
    """Return radial RMSE and horizontal accuracy at 95 % of check point errors.

    Parameters
    ----------
    east, north : array, shape (m,), metres

    Notes
    -----
    NSSDA, FGDC-STD-007.3-1998, appendix 3-A: 1.7308 RMSE_r where both axes are alike; 2.4477 times
    the mean of the two where the smaller is 0.6 to 1 of the larger. Of axes that differ more it
    says nothing: there stands the radius that it means, of the circle that holds 95 % of normal
    errors (Harter 1960, JASA 55:723), which 1.7308 RMSE_r falls short of by up to 12 %.

    Examples
    --------
    All errors run east: 1.96 RMSE_x, as for heights.

    >>> [round(v, 3) for v in nssda_horizontal(np.array([0.1, -0.1]), np.zeros(2))]
    [0.1, 0.196]
    """
    both = math.sqrt(float((east**2).mean())), math.sqrt(float((north**2).mean()))
    radial, larger = math.hypot(*both), max(both)
    ratio = min(both) / larger if larger > 0 else 1.0
    if ratio == 1.0:
        return radial, ELLIPSE_95 / math.sqrt(2) * radial
    if ratio >= 0.6:
        return radial, ELLIPSE_95 * (both[0] + both[1]) / 2
    return radial, float(radius_factor(ratio, math.inf)) * larger


def nssda_vertical(up: Floats) -> tuple[float, float]:
    """Return RMSE and vertical accuracy at 95 %, 1.9600 RMSE_z (NSSDA, as above)."""
    rmse = math.sqrt(float((up**2).mean()))
    return rmse, 1.96 * rmse


@dataclass(frozen=True, eq=False)
class CheckPoints:
    """Known marks that did not take part.

    Parameters
    ----------
    names : tuple of str
    error : array, shape (m, 3), metres
        Survey less known: easting, northing, elevation; NaN where not known.
    sigma : array, shape (m, 3), metres
        Expected standard deviation of that; NaN where the accuracy is not known.
    """

    names: tuple[str, ...]
    error: Floats
    sigma: Floats

    @property
    def suspicious(self) -> tuple[str, ...]:
        """Marks that are farther off than one in a thousand should be."""
        share = np.nan_to_num(self.error / np.maximum(self.sigma, 1e-6)) ** 2
        freedom = np.isfinite(self.error).sum(axis=1)
        return tuple(
            name
            for name, square, n in zip(self.names, share.sum(axis=1), freedom, strict=True)
            if n and chi2_sf(float(square), int(n)) < 0.001
        )


def check_points(network: Network, book: FieldBook, controls: tuple[Control, ...]) -> CheckPoints:
    """Compare the survey with its check points."""
    used = [c for c in controls if c.check]
    rows = np.array(
        [int(np.argmax(book.mark == book.marks.index(c.name))) for c in used], dtype=np.int64
    )
    place = np.array([c.position or (math.nan, math.nan) for c in used]).reshape(-1, 2)
    up = np.array([math.nan if c.elevation is None else c.elevation for c in used])
    own = np.array([[c.sigma, c.sigma, c.sigma_elevation] for c in used]).reshape(-1, 3)
    # a check point that came through the same transformation has the same shift
    alone = network.relative
    shift, up_shift = network.shift.sigma, network.shift.sigma_up
    across = np.array([c.shift if shift == 0 else 0.0 if c.shift > 0 else shift for c in used])
    upward = np.array(
        [c.shift_up if up_shift == 0 else 0.0 if c.shift_up > 0 else up_shift for c in used]
    )
    own_plan, own_up = plan_covariance(alone, rows, rows), level_covariance(alone, rows, rows)
    horizontal = np.sqrt(np.maximum(np.einsum("mdd->m", own_plan) / 2, 0.0) + across**2)
    vertical = np.sqrt(np.maximum(own_up, 0.0) + upward**2)
    measured = np.column_stack([horizontal, horizontal, vertical])
    error = np.column_stack([network.en[rows] - place, network.elevation[rows] - up])
    sigma = np.hypot(own, measured) if network.accuracy_known else np.full(error.shape, np.nan)
    return CheckPoints(tuple(c.name for c in used), error, sigma)
