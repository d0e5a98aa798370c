"""Chi-square and Student's t, without the time that importing a library for them takes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geosite.base.distributions import t_quantile

if TYPE_CHECKING:
    import numpy.typing as npt

    from geosite.base.arrays import Floats

__all__ = ["chi2_isf", "chi2_sf", "ellipse_factor", "radius_factor", "radius_of", "t_factor"]

NORMAL_95 = 1.959963984540054
"""97.5 % quantile of the normal distribution."""


def chi2_sf(value: float, degrees_of_freedom: int) -> float:
    """Return the probability that a chi-square variable exceeds `value`: a test's p-value.

    Notes
    -----
    Upper incomplete gamma function by its series below the middle and by Lentz's continued fraction
    above (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.4.19, 6.5.29 and 6.5.31).

    Examples
    --------
    >>> round(chi2_sf(3.841459, 1), 6), round(chi2_sf(18.307038, 10), 6)
    (0.05, 0.05)
    """
    if value <= 0:
        return 1.0
    if math.isinf(value):
        return 0.0
    a, x = degrees_of_freedom / 2, value / 2
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1.0 / a
        n = a
        while term > total * 1e-16:
            n += 1
            term *= x / n
            total += term
        return 1.0 - front * total
    b = x + 1 - a
    c = 1e300
    d = 1 / b
    fraction = d
    for i in range(1, 100_000):
        step = -i * (i - a)
        b += 2
        d = 1 / (step * d + b)
        c = b + step / c
        fraction *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return front * fraction


def chi2_isf(p_value: float, degrees_of_freedom: int) -> float:
    """Return the value that a chi-square variable exceeds with this probability.

    Examples
    --------
    >>> round(chi2_isf(0.05, 1), 6), round(chi2_isf(0.05, 10), 6)
    (3.841459, 18.307038)
    """
    low, high = 0.0, 1.0
    while chi2_sf(high, degrees_of_freedom) > p_value:
        high *= 2
    for _ in range(80):
        middle = (low + high) / 2
        if chi2_sf(middle, degrees_of_freedom) > p_value:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def t_factor(degrees_of_freedom: float) -> float:
    """Return half the width of the 95 % interval in standard deviations.

    Parameters
    ----------
    degrees_of_freedom
        Of Student's t distribution; infinite for the normal distribution.

    Returns
    -------
    float
        97.5 % quantile.

    Examples
    --------
    >>> round(t_factor(math.inf), 4), round(t_factor(2.0), 4), round(t_factor(10.0), 4)
    (1.96, 4.3027, 2.2281)
    """
    if math.isinf(degrees_of_freedom):
        return NORMAL_95
    return t_quantile(degrees_of_freedom, 0.975)


def ellipse_factor(degrees_of_freedom: float) -> float:
    """Return the semi-axes of the 95 % error ellipse in standard deviations.

    Notes
    -----
    Root of twice the 95 % quantile of F with 2 and n degrees of freedom, which has a closed form:
    ``n (0.05^(-2 / n) - 1)``, and ``-2 ln 0.05`` for the normal distribution.

    Examples
    --------
    >>> round(ellipse_factor(math.inf), 4), round(ellipse_factor(10.0), 4)
    (2.4477, 2.8645)
    """
    n = degrees_of_freedom
    if math.isinf(n):
        return math.sqrt(-2 * math.log(0.05))
    return math.sqrt(n * math.expm1(-2 / n * math.log(0.05)))


def radius_factor(ratio: npt.ArrayLike, degrees_of_freedom: float) -> Floats:
    """Return the radius of the circle that holds 95 % of errors in plan, in major semi-axes.

    Parameters
    ----------
    ratio : array_like, shape (...,)
        Minor over major semi-axis of the standard ellipse, 0 to 1.
    degrees_of_freedom
        Of the bivariate t distribution that the errors follow; infinite for the normal one.

    Returns
    -------
    array, shape (...,)
        1.9600 (a line) to 2.4477 (a circle) for the normal distribution.

    Notes
    -----
    An error at the angle a on an ellipse of rho standard ellipses has the length
    ``rho sqrt(s1^2 cos^2 a + s2^2 sin^2 a)``, a is uniform, and rho exceeds r with the chance
    ``exp(-r^2 / 2)``, or ``(1 + r^2 / n)^(-n / 2)`` for t with n degrees of freedom (Kotz &
    Nadarajah, Multivariate t Distributions and Their Applications, 2004, section 1.1): the chance
    to lie beyond a circle is the mean of that over a.

    Examples
    --------
    >>> radius_factor([1.0, 0.5, 0.0], math.inf).round(4)
    array([2.4477, 2.0359, 1.96  ])
    """
    import numpy as np

    n = degrees_of_freedom
    shape = np.asarray(ratio, np.float64)
    # an ellipse thinner than this is a line to four digits, and the mean over angles would not see
    thin = np.clip(shape.ravel(), 1e-3, 1.0)[:, None]
    angle = (np.arange(720) + 0.5) * (math.pi / 1440)
    squared = np.cos(angle) ** 2 + (thin * np.sin(angle)) ** 2

    def beyond_radius(radius: Floats) -> Floats:
        x = radius[:, None] ** 2 / squared
        tail = np.exp(-x / 2) if math.isinf(n) else (1 + x / n) ** (-n / 2)
        mean: Floats = tail.mean(axis=1)
        return mean

    low = np.zeros(len(thin))
    high = np.full(len(thin), ellipse_factor(n) * 1.0001)
    for _ in range(50):
        middle = (low + high) / 2
        outside = beyond_radius(middle) > 0.05
        low, high = np.where(outside, middle, low), np.where(outside, high, middle)
    found: Floats = ((low + high) / 2).reshape(shape.shape)
    return found


def radius_of(p_value: float, degrees_of_freedom: float) -> float:
    """Return the distance, in standard deviations per axis, that a share of places exceeds.

    Parameters
    ----------
    p_value
        The share.
    degrees_of_freedom
        Of Student's t in two dimensions; infinite for the normal distribution.

    Examples
    --------
    >>> round(radius_of(0.05, math.inf), 4), round(radius_of(0.001, 4.0), 2)
    (2.4477, 11.07)
    """
    n = degrees_of_freedom
    if math.isinf(n):
        return math.sqrt(-2 * math.log(p_value))
    return math.sqrt(n * math.expm1(-2 / n * math.log(p_value)))
