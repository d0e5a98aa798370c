"""The chi-square distribution, without the second that importing a library for it takes."""

from __future__ import annotations

import math

__all__ = ["beyond", "chi_square"]


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
