"""Chi-square and Student's t, without the time that importing a library for them takes."""

from __future__ import annotations

import math

__all__ = ["beyond", "chi_square", "ellipse_factor", "t_factor"]

NORMAL_95 = 1.959963984540054
"""97.5 % quantile of the normal distribution."""


def beyond(value: float, freedom: int) -> float:
    """Return the probability that a chi-square variable with `freedom` exceeds `value`.

    Notes
    -----
    Upper incomplete gamma function by its series below the middle and by Lentz's continued fraction
    above (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.4.19, 6.5.29 and 6.5.31).
    """
    if value <= 0:
        return 1.0
    if math.isinf(value):
        return 0.0
    a, x = freedom / 2, value / 2
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


def chi_square(probability: float, freedom: int) -> float:
    """Return the value that a chi-square variable exceeds with this probability."""
    low, high = 0.0, 1.0
    while beyond(high, freedom) > probability:
        high *= 2
    for _ in range(80):
        middle = (low + high) / 2
        if beyond(middle, freedom) > probability:
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
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, 0.975))


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
