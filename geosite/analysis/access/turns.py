"""Where a profile turns up or down: its low and high points."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from geosite.base.arrays import Floats

__all__ = ["round_interval", "turning_places", "turns"]

_FINE = 1000
_SHARE = 0.2
_LEAST_M = 0.02


def turns(elevation: Floats) -> list[tuple[int, str]]:
    """Return where the ground turns up ("low") or down ("high") by more than a fifth of its range.

    Smaller turns are ripples of the measurement; so is everything under two centimetres.

    Parameters
    ----------
    elevation : array, shape (m,), metres
        Along the line.

    Examples
    --------
    >>> turns(np.array([1.0, 0.5, 0.6, 0.55, 1.2, 1.1]))
    [(1, 'low')]
    """
    least = max(_SHARE * float(np.ptp(elevation)), _LEAST_M)
    found: list[tuple[int, str]] = []
    low = high = 0
    way = 0
    for i, up in enumerate(elevation.tolist()):
        low = i if up < elevation[low] else low
        high = i if up > elevation[high] else high
        if way <= 0 and up - elevation[low] > least:
            found.append((low, "low"))
            way, high = 1, i
        elif way >= 0 and elevation[high] - up > least:
            found.append((high, "high"))
            way, low = -1, i
    # the first is an end of the section
    return [turn for turn in found if 0 < turn[0] < len(elevation) - 1]


def turning_places(length: float, ground: Callable[[Floats], Floats]) -> Floats:
    """Return the distances at which the ground along a line is lowest or highest, shape (k,).

    Parameters
    ----------
    length
        Of the line, metres.
    ground
        Elevations at distances along it, metres; NaN where there is none.

    Examples
    --------
    >>> turning_places(10.0, lambda s: np.abs(s - 4.0003)).round(3)
    array([4.])
    """
    at = np.linspace(0.0, length, _FINE + 1)
    up = ground(at)
    on_ground = np.flatnonzero(np.isfinite(up))
    if len(on_ground) < 3:
        return np.zeros(0)
    found = []
    for number, word in turns(up[on_ground]):
        middle, step = float(at[on_ground[number]]), length / _FINE
        near = np.linspace(max(middle - step, 0.0), min(middle + step, length), 2 * _FINE + 1)
        close = ground(near)
        if np.isfinite(close).any():
            best = np.nanargmin(close) if word == "low" else np.nanargmax(close)
            found.append(float(near[best]))
    return np.array(found)


def round_interval(length: float, unit_m: float, most: int = 50) -> float:
    """Return the least round distance, 1, 2 or 5 times a power of ten, of at most `most` steps.

    Parameters
    ----------
    length
        Metres.
    unit_m
        Metres per unit in which the distance is round.
    most
        Steps.

    Returns
    -------
    float
        Metres.

    Examples
    --------
    >>> round_interval(36.9, 1.0), round(round_interval(36.9, 0.3048) / 0.3048, 9)
    (1.0, 5.0)
    """
    least = length / unit_m / most
    power = 10.0 ** math.floor(math.log10(least))
    return (
        next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= least * (1 - 1e-9)) * unit_m
    )
