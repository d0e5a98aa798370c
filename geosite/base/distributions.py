"""Student's t and Fisher's F from the incomplete beta function.

A survey asks a handful of such numbers. The import of the library that has them takes longer than
all else that a small yard needs, so they are worked out here, and compared with it in the tests.
"""

from __future__ import annotations

import math
from functools import lru_cache

__all__ = ["beta_ratio", "f_above", "t_quantile"]

_TINY = 1e-300


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
        return min(max(x, 0.0), 1.0)  # NaN stays what it is
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - beta_ratio(b, a, 1.0 - x)
    scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = math.exp(scale + a * math.log(x) + b * math.log1p(-x)) / a
    c, d = 1.0, 1.0 / _kept(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, 100_000):
        for step in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _kept(1.0 + step * d)
            c = _kept(1.0 + step / c)
            value *= c * d
        if abs(c * d - 1.0) < 1e-16:
            break
    return front * value


def _kept(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


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

    Examples
    --------
    >>> round(t_quantile(4.0, 0.975), 4)
    2.7764
    """
    half = degrees_of_freedom / 2.0
    beyond = 2.0 * (1.0 - share)

    def outside(t: float) -> float:
        return beta_ratio(half, 0.5, degrees_of_freedom / (degrees_of_freedom + t * t))

    low, high = 0.0, 2.0
    while outside(high) > beyond:
        low, high = high, high * high
    scale = math.lgamma(half + 0.5) - math.lgamma(half)
    scale -= 0.5 * math.log(degrees_of_freedom * math.pi)
    t = high
    for _ in range(200):
        excess = outside(t) - beyond
        low, high = (t, high) if excess > 0.0 else (low, t)
        density = 2.0 * math.exp(scale - (half + 0.5) * math.log1p(t * t / degrees_of_freedom))
        step = excess / density if density > 0.0 else math.inf
        further = t + step
        if not low < further < high:
            further = (low + high) / 2.0
        if abs(further - t) <= 4e-16 * t:
            break
        t = further
    return t
