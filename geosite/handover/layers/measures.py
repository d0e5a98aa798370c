"""From the measures of a fact to the numbers of a column."""

from __future__ import annotations

import math

from geosite.base.estimate import Estimate
from geosite.linework.model import Measure

__all__ = ["GRID", "degrees", "grid", "ground", "normal", "scaled"]

GRID = "the ground value beside it, times the combined factor, has the interval"
"""Why a grid value stands without an interval of its own."""


def ground(measure: Measure | None) -> Estimate | None:
    """Return a measure on the ground with its interval.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.network.model import LinearForm
    >>> nothing = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> ground(Measure(6.0, 5.9, nothing, sigma=0.1, half_width=0.25))
    Estimate(value=6.0, low=5.75, high=6.25, sigma=0.1)
    """
    return None if measure is None else measure.estimate


def grid(measure: Measure | None) -> float | None:
    """Return the same on the map grid.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.network.model import LinearForm
    >>> nothing = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> grid(Measure(6.0, 5.9, nothing, sigma=0.1))
    5.9
    """
    return None if measure is None else measure.grid


def scaled(measure: Measure | None, factor: float) -> Estimate | None:
    """Return a measure in another unit, `factor` of which make one of its own.

    Examples
    --------
    A grade of 0.02 in percent:

    >>> import numpy as np
    >>> from geosite.network.model import LinearForm
    >>> nothing = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> scaled(Measure(0.02, 0.02, nothing, 0.001, 0.002), 100.0).value
    2.0
    """
    return None if measure is None else measure.estimate.scaled(factor)


def degrees(measure: Measure | None) -> Estimate | None:
    """Return an angle in degrees.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.network.model import LinearForm
    >>> nothing = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> round(degrees(Measure(math.pi / 2, 0.0, nothing, 0.0, 0.0)).value, 9)
    90.0
    """
    return scaled(measure, 180.0 / math.pi)


def normal(value: float | None, sigma: float, factor: float) -> Estimate | None:
    """Return a number with the interval of `factor` standard deviations to each side.

    Examples
    --------
    >>> normal(5.0, 0.5, 2.0)
    Estimate(value=5.0, low=4.0, high=6.0, sigma=0.5)
    """
    return None if value is None else Estimate.normal(value, sigma, factor)
