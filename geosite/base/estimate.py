"""A number with its 95 % interval: what every figure that leaves is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats

__all__ = ["Estimate", "interval_of_draws"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and how far it can be trusted.

    Parameters
    ----------
    value
        Best estimate.
    low, high
        Ends of the interval that holds the true value in 95 of 100 cases; infinite where nothing
        bounds it.
    sigma
        Standard deviation where the error is nearly normal and the interval lies evenly about the
        value; ``None`` where it is not, and the ends alone speak.

    Examples
    --------
    >>> Estimate.normal(10.0, 0.5, 1.96)
    Estimate(value=10.0, low=9.02, high=10.98, sigma=0.5)
    >>> Estimate.from_draws(3.0, np.arange(1.0, 101.0)).low
    2.525
    >>> Estimate.normal(10.0, 0.5, math.inf)
    Estimate(value=10.0, low=-inf, high=inf, sigma=None)
    """

    value: float
    low: float
    high: float
    sigma: float | None = None

    @classmethod
    def normal(cls, value: float, sigma: float, factor: float) -> Self:
        """Return the estimate of a number whose error is nearly normal.

        Parameters
        ----------
        value, sigma
            The number and its standard deviation.
        factor
            Half-width of the 95 % interval in standard deviations, the quantile of Student's t or
            of the normal distribution (1.96); infinite where the accuracy is not known: then there
            is no standard deviation either.
        """
        if math.isinf(factor):
            return cls(value, -math.inf, math.inf)
        return cls(value, value - factor * sigma, value + factor * sigma, sigma)

    @classmethod
    def from_draws(cls, value: float, draws: npt.ArrayLike) -> Self:
        """Return the estimate of a number computed once on every one of many possible grounds.

        Parameters
        ----------
        value
            The number computed on the best ground.
        draws : array, shape (n,)
            The number on each possible ground, for `interval_of_draws`. None of them: nothing
            bounds it.
        """
        if not np.size(draws):
            return cls(value, -math.inf, math.inf)
        low, high = interval_of_draws(np.asarray(draws, np.float64)).tolist()
        return cls(value, low, high)

    @property
    def at_end(self) -> Literal["lower", "upper"] | None:
        """Which end of its interval the number is, or lies beyond; None where it lies inside.

        A number of the measured ground need not be usual among possible grounds, which are rougher
        between the marks: then it is the interval that a reader goes by. Nothing is an amount that
        anything else is more than, so it is no end.

        Examples
        --------
        >>> Estimate(142.9, 21.8, 142.9).at_end, Estimate(0.8, 0.8, 88.4).at_end
        ('upper', 'lower')
        >>> print(Estimate(0.0, 0.0, 5.0).at_end, Estimate(3.0, 3.0, 3.0).at_end)
        None None
        """
        if self.low < self.high <= self.value:
            return "upper"
        if self.value <= self.low < self.high and self.value != 0.0:
            return "lower"
        return None

    @property
    def half_width(self) -> float:
        """Half the length of the interval: what stands after "+/-" where it lies evenly."""
        return (self.high - self.low) / 2

    def scaled(self, factor: float) -> Self:
        """Return the same in a unit that is `factor` times as fine."""
        low, high = sorted((self.low * factor, self.high * factor))
        sigma = None if self.sigma is None else self.sigma * abs(factor)
        return type(self)(self.value * factor, low, high, sigma)


def interval_of_draws(draws: Floats) -> Floats:
    """Return the ends of the 95 % interval of a number known from equally likely draws of it.

    Parameters
    ----------
    draws : array, shape (n, ...)

    Returns
    -------
    array, shape (2, ...)
        Lower and upper end.

    Notes
    -----
    The one number that is true is smaller than the k-th of n draws that are like it in k of n + 1
    cases, whatever their distribution (Hyndman & Fan 1996, type 6, doi:10.2307/2684934). The usual
    quantiles (type 7) hold it in 94 % of 200 draws, and in 91 % of 50. Of fewer than 39 draws the
    ends are the least and the largest.

    Examples
    --------
    >>> interval_of_draws(np.arange(1.0, 80.0)).round(9).tolist()
    [2.0, 78.0]
    """
    ends: Floats = np.quantile(draws, (0.025, 0.975), axis=0, method="weibull")
    return ends
