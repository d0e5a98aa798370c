"""How heights of the ground hang together by their distance."""

from __future__ import annotations

import math

import numpy as np

from geosite.base.arrays import Floats

__all__ = ["rough_correlation", "smooth_correlation"]

_ROOT_3 = math.sqrt(3.0)

_HURST = 0.75
"""Power of the distance as which ground departs: between a road's 0.5 and a smooth surface's 1."""


def smooth_correlation(distance: Floats, range_m: float) -> Floats:
    """Return the correlation of the heights of a surface that is smooth below its range.

    Notes
    -----
    Matern's of smoothness 3/2, ``(1 + q) exp(-q)`` with ``q = sqrt(3) h / r`` (Stein, M.L. 1999,
    Interpolation of Spatial Data, doi:10.1007/978-1-4612-1494-6, section 2.7): a surface with a
    slope everywhere, as worked ground has.

    Examples
    --------
    >>> smooth_correlation(np.array([0.0, 3.0, 9.0]), 3.0).round(4).tolist()
    [1.0, 0.4834, 0.0343]
    """
    scaled = (_ROOT_3 / range_m) * distance
    return np.asarray((1.0 + scaled) * np.exp(-scaled))


def rough_correlation(distance: Floats, range_m: float) -> Floats:
    """Return the correlation of the heights of ground that is rough over shorter distances, too.

    Notes
    -----
    Three surfaces of `smooth_correlation` nested, over the range, a half and a quarter of it, whose
    standard deviations are as the power `_HURST` of the distance: ground is about as rough however
    near one looks. The heights of roads have a spectrum of the power -2 of the wave number (ISO
    8608), a Hurst exponent of 0.5; `smooth_correlation` alone has one of the power -4 below its
    range, smoother than any road.

    Examples
    --------
    >>> rough_correlation(np.array([0.0, 3.0, 9.0]), 3.0).round(4).tolist()
    [1.0, 0.361, 0.0233]
    """
    scaled = (_ROOT_3 / range_m) * distance
    fading = np.exp(-scaled)
    total = (1.0 + scaled) * fading
    whole = 1.0
    for octave in (1, 2):
        part = 0.25 ** (_HURST * octave)
        # half the range: the square
        fading = fading * fading
        total += part * ((1.0 + 2.0**octave * scaled) * fading)
        whole += part
    return np.asarray(total / whole)
