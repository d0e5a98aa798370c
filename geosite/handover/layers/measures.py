"""From the measures of a fact to the numbers of a column."""

from __future__ import annotations

import math

from geosite.base.estimate import Estimate
from geosite.linework.model import Measure

__all__ = ["GRID", "degrees", "grid", "ground", "normal", "scaled"]

GRID = "the ground value beside it, times the combined factor, has the interval"
"""Why a grid value stands without an interval of its own."""


def ground(measure: Measure | None) -> Estimate | None:
    """Return a measure on the ground with its interval."""
    return None if measure is None else measure.estimate


def grid(measure: Measure | None) -> float | None:
    """Return the same on the map grid."""
    return None if measure is None else measure.grid


def scaled(measure: Measure | None, factor: float) -> Estimate | None:
    """Return a measure in another unit, `factor` of which make one of its own."""
    return None if measure is None else measure.estimate.scaled(factor)


def degrees(measure: Measure | None) -> Estimate | None:
    """Return an angle in degrees."""
    return scaled(measure, 180.0 / math.pi)


def normal(value: float | None, sigma: float, factor: float) -> Estimate | None:
    """Return a number with the interval of `factor` standard deviations to each side."""
    return None if value is None else Estimate.normal(value, sigma, factor)
