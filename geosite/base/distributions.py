"""Student's t and Fisher's F from the incomplete beta function.

A survey asks a handful of such numbers. The import of the library that has them takes longer than
all else that a small yard needs, so they are worked out here, and compared with it in the tests.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

__all__ = ["beta_ratio", "f_above", "t_quantile"]

_TINY = 1e-300
_MANY = 1e5
"""Degrees of freedom above which the expansion about the normal distribution is exact."""


def beta_ratio(a: float, b: float, x: float) -> float:
    """Return the regularised incomplete beta function I_x(a, b).

    Parameters
    ----------
    a, b
        Positive.
    x
        0 to 1.

    Notes
    -----
    Continued fraction of NIST Digital Library of Mathematical Functions, 8.17.22 with 8.17.4 beyond
    its fast half, evaluated by Lentz's method as modified by Thompson & Barnett (1986),
    doi:10.1016/0021-9991(86)90046-X.

    Examples
    --------
    >>> round(beta_ratio(2.0, 3.0, 0.5), 12)
    0.6875
    """
    if not 0.0 < x < 1.0:
        return x  # either end, and NaN
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - beta_ratio(b, a, 1.0 - x)
    scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = math.exp(scale + a * math.log(x) + b * math.log1p(-x)) / a
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    value = d = 1.0 / (d or _TINY)
    for m in range(1, 100_000):
        step = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        d = 1.0 / ((1.0 + step * d) or _TINY)
        c = (1.0 + step / c) or _TINY
        value *= c * d
        step = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        d = 1.0 / ((1.0 + step * d) or _TINY)
        c = (1.0 + step / c) or _TINY
        value *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return front * value


def f_above(first: float, second: float, ratio: float) -> float:
    """Return the chance of a larger ratio by Fisher's F distribution.

    Parameters
    ----------
    first, second
        Degrees of freedom of the numerator and of the denominator.
    ratio

    Examples
    --------
    >>> round(f_above(3.0, 10.0, 3.708), 4)
    0.05
    """
    if ratio <= 0.0:
        return 1.0
    return beta_ratio(second / 2.0, first / 2.0, second / (second + first * ratio))


@lru_cache(maxsize=4096)
def t_quantile(degrees_of_freedom: float, share: float) -> float:
    """Return the quantile of Student's t distribution.

    Parameters
    ----------
    degrees_of_freedom
        Positive and finite.
    share
        Above one half.

    Returns
    -------
    float
        Infinite where it is more than a number holds, of hundredths of a degree of freedom.

    Examples
    --------
    >>> round(t_quantile(4.0, 0.975), 4)
    2.7764
    """
    t = _expanded(NormalDist().inv_cdf(share), degrees_of_freedom)
    if degrees_of_freedom > _MANY:
        # logarithms of gamma functions as large as these leave too few digits of their difference
        return t
    half = degrees_of_freedom / 2.0
    beyond = 2.0 * (1.0 - share)

    def outside(t: float) -> float:
        return beta_ratio(half, 0.5, degrees_of_freedom / (degrees_of_freedom + t * t))

    scale = math.lgamma(half + 0.5) - math.lgamma(half)
    scale -= 0.5 * math.log(degrees_of_freedom * math.pi)
    # the chance is convex in t: Newton's steps from below never pass it, and from above do so once;
    # each error is about the square of the one before
    for _ in range(200):
        density = 2.0 * math.exp(scale - (half + 0.5) * math.log1p(t * t / degrees_of_freedom))
        if not density:
            return math.inf  # more than a number holds
        step = (outside(t) - beyond) / density
        t += step
        if abs(step) <= 1e-9 * t:
            break
    return t


def _expanded(z: float, degrees_of_freedom: float) -> float:
    """Return the quantile of Student's t from that of the normal distribution.

    Abramowitz & Stegun, 26.7.5, to its second term.
    """
    over = 1.0 / degrees_of_freedom
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    return z + over * (first + over * second)
