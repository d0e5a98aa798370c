"""What was built between two surveys, priced: valued to date, less before, is this period."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geosite.analysis.takeoff.prices import PriceLine, Valuation, in_steps, valuation
from geosite.analysis.takeoff.quantities import Quantity
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Code, Prices
from geosite.network.model import Network

__all__ = ["PeriodLine", "PeriodValuation", "period_valuation"]


@dataclass(frozen=True, slots=True)
class PeriodLine:
    """One code.

    Parameters
    ----------
    code, title, per, rate
        As of `PriceLine`.
    measured_before, measured, added
        Quantity in the first and the second survey, and second less first.
    amount_before, amount, amount_added
        In the currency: valued then, to date, and this period.
    """

    code: str
    title: str
    per: str
    rate: float
    measured_before: Estimate
    measured: Estimate
    added: Estimate
    amount_before: Estimate
    amount: Estimate
    amount_added: Estimate


@dataclass(frozen=True, slots=True)
class PeriodValuation:
    """The progress between two surveys, priced.

    Parameters
    ----------
    currency, first_day, last_day
        Days of the two surveys, ISO 8601, empty for not said.
    lines
        One per code that the second survey walked and that has a price.
    before, total, added
        Sums of the amounts.
    not_walked
        Codes of the first survey with a price that the second did not walk again: not valued.
    """

    currency: str
    first_day: str
    last_day: str
    lines: tuple[PeriodLine, ...]
    before: Estimate
    total: Estimate
    added: Estimate
    not_walked: tuple[str, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Taken:
    """The take-off of one survey.

    Parameters
    ----------
    totals
        One quantity per code.
    codes, network, site_file, day
    """

    totals: Sequence[Quantity]
    codes: Mapping[str, Code]
    network: Network
    site_file: str
    day: str = ""


def period_valuation(before: Taken, after: Taken, prices: Prices) -> PeriodValuation | None:
    """Price what was built between two surveys.

    Parameters
    ----------
    before, after
        The two take-offs. They are taken as independent: each was walked on its own.
    prices
        ``[prices]``.

    Returns
    -------
    PeriodValuation or None
        None where no code of the second survey has a price.

    Raises
    ------
    InputError
        A price is in a unit that its code does not have.
    """
    walked = {q.code for q in after.totals}
    known = {code: price for code, price in prices.codes.items() if code in walked}
    if not known:
        return None
    of_codes = Prices(currency=prices.currency, rounding=prices.rounding, codes=known)
    value_now = _valued(after, of_codes)
    there = {q.code for q in before.totals}
    value_then = _valued(before, of_codes)
    old = {line.code: line for line in value_then.lines}
    lines = tuple(_line(line, old.get(line.code), prices.rounding) for line in value_now.lines)
    return PeriodValuation(
        prices.currency,
        before.day,
        after.day,
        lines,
        value_then.total,
        value_now.total,
        in_steps(_less(value_now.total, value_then.total), prices.rounding),
        tuple(code for code in prices.codes if code in there and code not in walked),
    )


def _valued(taken: Taken, prices: Prices) -> Valuation:
    return valuation(taken.totals, prices, taken.codes, taken.network, taken.site_file, partly=True)


_NOTHING = Estimate(0.0, 0.0, 0.0, 0.0)


def _line(value_now: PriceLine, value_then: PriceLine | None, step: float) -> PeriodLine:
    measured = _NOTHING if value_then is None else value_then.measured
    amount = _NOTHING if value_then is None else value_then.amount
    return PeriodLine(
        value_now.code,
        value_now.title,
        value_now.per,
        value_now.rate,
        measured,
        value_now.measured,
        _less(value_now.measured, measured),
        amount,
        value_now.amount,
        in_steps(_less(value_now.amount, amount), step),
    )


def _less(end: Estimate, start: Estimate) -> Estimate:
    """Return the difference of two independent numbers; the ways to each end add like sigmas."""
    value = round(end.value - start.value, 9)
    below = math.hypot(end.value - end.low, start.high - start.value)
    above = math.hypot(end.high - end.value, start.value - start.low)
    sigma = None
    if end.sigma is not None and start.sigma is not None:
        sigma = math.hypot(end.sigma, start.sigma)
    return Estimate(value, value - below, value + above, sigma)
