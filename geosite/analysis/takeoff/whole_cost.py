"""What everything that has a price comes to: the take-off and every design, with the range."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosite.base.estimate import Estimate

if TYPE_CHECKING:
    from geosite.analysis.takeoff.design_prices import DesignEstimate
    from geosite.analysis.takeoff.prices import Valuation

__all__ = ["CostPart", "WholeCost", "whole_cost"]


@dataclass(frozen=True, slots=True)
class CostPart:
    """One part of the cost.

    Parameters
    ----------
    design
        Name of the design; empty for the take-off of what was measured.
    title
        What it is called.
    amount
        In the currency.
    without_price
        Codes of it that are ordered and have no price.
    """

    design: str
    title: str
    amount: Estimate
    without_price: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WholeCost:
    """The cost of everything that has a price.

    Parameters
    ----------
    currency
    parts
        The take-off first, then the designs in the order of the site file.
    total
        Their sum. The parts are taken as independent of each other.
    """

    currency: str
    parts: tuple[CostPart, ...]
    total: Estimate


def whole_cost(prices: Valuation | None, estimates: Sequence[DesignEstimate]) -> WholeCost | None:
    """Add up what the take-off and the designs come to.

    Parameters
    ----------
    prices
        The take-off priced, where it is.
    estimates
        Of every design that has a price.

    Returns
    -------
    WholeCost or None
        None where nothing has a price.

    Notes
    -----
    What a take-off is uncertain by comes from outlines in plan, what a design is uncertain by
    nearly all from heights of the ground: the ways to each end add like sigmas.

    Examples
    --------
    >>> from geosite.analysis.takeoff.design_prices import DesignEstimate
    >>> from geosite.analysis.takeoff.prices import Valuation
    >>> laid = Valuation("EUR", (), Estimate(100.0, 97.0, 104.0), ("kerb",))
    >>> pad = Valuation("EUR", (), Estimate(50.0, 46.0, 53.0), ())
    >>> found = whole_cost(laid, [DesignEstimate("pad", "Boarding pad", pad)])
    >>> found.total, [part.title for part in found.parts]
    (Estimate(value=150.0, low=145.0, high=155.0, sigma=None), ['Take-off', 'Boarding pad'])
    """
    parts, currency, step = [], "", 0.01
    if prices is not None:
        currency, step = prices.currency, prices.step
        parts.append(CostPart("", "Take-off", prices.total, prices.without_price))
    for one in estimates:
        currency, step = one.priced.currency, one.priced.step
        name = one.title or one.design
        parts.append(CostPart(one.design, name, one.priced.total, one.priced.without_price))
    if not parts:
        return None
    from geosite.analysis.takeoff.prices import in_steps, plus_independent

    first, *others = (part.amount for part in parts)
    total = in_steps(plus_independent(first, others), step) if others else first
    return WholeCost(currency, tuple(parts), total)
