"""The take-off priced, each line and the total with the range that the survey leaves open.

An estimate from measured quantities: no tax, no contract advice, and no price of geosite's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geosite.analysis.takeoff.quantities import Quantity
from geosite.base.errors import InputError, Problem
from geosite.base.estimate import Estimate
from geosite.base.rounding import FINEST, whole_pieces
from geosite.base.units import CUBIC_YARD_M3, FOOT_M, SQUARE_FOOT_M2, YARD_M
from geosite.fieldbook.sitefile import Code, Price, Prices
from geosite.linework.measures import sum_of_forms
from geosite.linework.model import Measure
from geosite.network.covariance import accuracies
from geosite.network.model import Network

__all__ = [
    "UNITS",
    "PriceLine",
    "Valuation",
    "in_steps",
    "plus_independent",
    "plus_lines",
    "priced_line",
    "rounded",
    "valuation",
]

Measured = Measure | Estimate | int
"""Measured from marks, between two surveys, or counted."""

UNITS = {
    "m": ("m", 1.0),
    "m2": ("m2", 1.0),
    "m3": ("m3", 1.0),
    "ft": ("m", FOOT_M),
    "ft2": ("m2", SQUARE_FOOT_M2),
    "yd2": ("m2", YARD_M**2),
    "yd3": ("m3", CUBIC_YARD_M3),
}
"""By unit of a rate: what is measured, and how many metres, square or cubic metres one has."""


@dataclass(frozen=True, slots=True)
class PriceLine:
    """One code priced.

    Parameters
    ----------
    code, title, per
        Code, its name for people, and the unit of the rate.
    measured
        Quantity in that unit.
    waste_percent, rate, minimum
        As in the site file.
    charged
        Quantity with waste; whole pieces.
    amount
        In the currency: charged times rate, not less than the minimum where there is any, rounded.
    at_minimum
        The minimum is charged.
    laid
        The volume is what lies between two grounds, not area times depth.
    """

    code: str
    title: str
    per: str
    measured: Estimate
    waste_percent: float
    charged: Estimate
    rate: float
    minimum: float
    amount: Estimate
    at_minimum: bool
    laid: bool = False

    @property
    def follows(self) -> bool:
        """The amount goes up and down with the quantity: no minimum, and not nothing."""
        return self.amount.value > 0.0 and not self.at_minimum


@dataclass(frozen=True, slots=True)
class Valuation:
    """The take-off priced.

    Parameters
    ----------
    currency
    lines
        One per code with a price, in the order of the take-off.
    total
        Sum of the rounded lines; what several codes share in the survey's errors is counted so.
    without_price
        Codes that were measured, are ordered and have no price.
    step
        Smallest share of the currency that is told.
    """

    currency: str
    lines: tuple[PriceLine, ...]
    total: Estimate
    without_price: tuple[str, ...]
    step: float = 0.01


def rounded(amount: float, step: float) -> float:
    """Round to a multiple of a step, halves up.

    Examples
    --------
    >>> rounded(12.344, 0.01), rounded(12.345, 0.05), rounded(12.5, 1.0)
    (12.34, 12.35, 13.0)
    """
    if not math.isfinite(amount):
        return amount  # the end of an interval that nothing bounds
    # a count of steps that misses a half by rounding alone is that half
    count = math.floor(round(amount / step, 6) + 0.5)
    places = max(0, -math.floor(math.log10(step))) + 6
    return round(count * step, places)


def in_steps(amount: Estimate, step: float) -> Estimate:
    """Round an amount and its ends to the smallest step of a currency.

    Examples
    --------
    >>> in_steps(Estimate(10.0, 9.1234567, 10.8765433), 0.05)
    Estimate(value=10.0, low=9.1, high=10.9, sigma=None)
    """
    value, low, high = (rounded(one, step) for one in (amount.value, amount.low, amount.high))
    return Estimate(value, low, high, amount.sigma)


def valuation(
    totals: Sequence[Quantity],
    prices: Prices,
    codes: Mapping[str, Code],
    network: Network,
    site_file: str,
    *,
    partly: bool = False,
    laid: Mapping[str, Estimate] | None = None,
) -> Valuation:
    """Price the totals of a take-off.

    Parameters
    ----------
    totals
        One quantity per code.
    prices
        ``[prices]``.
    codes
        ``[codes]``, for waste, depth and names.
    network
        For what the errors of several codes share.
    site_file
        For messages.
    partly
        A price for a code that was not measured is passed over: not everything was walked.
    laid
        Cubic metres by code that were measured between two surveys: they take the place of area
        times depth.

    Raises
    ------
    InputError
        A price is for a code that was not measured, or in a unit that the code does not have; all
        of them together.
    """
    by_code = {q.code: q for q in totals}
    volumes = laid or {}
    problems: list[Problem] = []
    lines: list[PriceLine] = []
    measures: dict[str, Measure] = {}
    for code, price in prices.codes.items():
        if partly and code not in by_code:
            continue
        found: Measured | Problem
        kind, size = UNITS.get(price.per, ("", 1.0))
        if kind == "m3" and code in volumes:
            found = volumes[code].scaled(1 / size)
        else:
            found = _measured(code, price, by_code, site_file)
        if isinstance(found, Problem):
            problems.append(found)
            continue
        line = priced_line(code, price, found, prices.rounding, codes.get(code))
        lines.append(line)
        if isinstance(found, Measure) and line.follows:
            measures[code] = found
    if problems:
        raise InputError(problems)
    order = {code: k for k, code in enumerate(by_code)}
    lines.sort(key=lambda line: order[line.code])
    priced = {line.code for line in lines}
    return Valuation(
        prices.currency,
        tuple(lines),
        in_steps(_total(lines, measures, network), prices.rounding),
        tuple(code for code, q in by_code.items() if code and code not in priced and q.order_by),
        prices.rounding,
    )


def _measured(
    code: str, price: Price, by_code: Mapping[str, Quantity], site_file: str
) -> Measure | int | Problem:
    """Return the quantity that a price is for, or what is wrong with it."""
    quantity = by_code.get(code)
    if quantity is None:
        return Problem(
            "price-no-code",
            f"[prices.codes.{code}]: nothing of this code was measured",
            f"one of {', '.join(c for c in by_code if c) or 'none'}",
            "correct the code or take the price out",
            site_file,
        )
    if price.per == "piece":
        return quantity.count
    length = quantity.left_length or quantity.length or quantity.edging
    area, volume = quantity.surface_area, quantity.volume
    if quantity.left_area is not None:  # a design replaces the rest
        area, volume = quantity.left_area, quantity.left_volume
    kind, size = UNITS[price.per]
    found = {"m2": area, "m3": volume, "m": length}[kind]
    if found is not None:
        return found if size == 1.0 else _over(found, size)
    needs = {"m2": "an area", "m3": "an area with a depth", "m": "a line or an area"}[kind]
    return Problem(
        "price-no-quantity",
        f'[prices.codes.{code}]: per = "{price.per}" asks for {needs}',
        "a unit that the code was measured in",
        "give another unit" + (", or a depth in [codes]" if kind == "m3" else ""),
        site_file,
    )


def _over(found: Measure, size: float) -> Measure:
    """Return a measure in a unit of another size."""
    return Measure(
        found.value / size,
        found.grid / size,
        found.form * (1 / size),
        found.sigma / size,
        found.half_width / size,
    )


def priced_line(
    code: str, price: Price, found: Measured, step: float, meaning: Code | None
) -> PriceLine:
    """Price one quantity.

    Parameters
    ----------
    code, price
    found
        Quantity in the unit of the price.
    step
        Smallest share of the currency.
    meaning
        What ``[codes]`` says, for waste and name.

    Examples
    --------
    >>> line = priced_line("post", Price(rate=12.5, per="piece"), 4, 0.01, None)
    >>> line.amount.value, line.at_minimum
    (50.0, False)
    """
    waste = price.waste_percent
    if waste is None:
        waste = meaning.waste_percent if meaning is not None else 0.0
    if isinstance(found, Measure):
        measured = found.estimate
    elif isinstance(found, Estimate):
        measured = found
    else:
        measured = Estimate(float(found), float(found), float(found), 0.0)
    if price.per == "piece":
        count = float(whole_pieces(measured.value, waste))
        charged = Estimate(count, count, count, 0.0)
    else:
        charged = measured.scaled(1 + waste / 100)
    # what no number on a site tells from nothing is what sums of floats leave: no minimum for it
    nothing = FINEST / UNITS[price.per][1] if price.per in UNITS else 0.0
    # quantities are not negative, whatever the interval says, and of nothing nothing is charged
    value, low, high = (
        rounded(max(q * price.rate, price.minimum if q > nothing else 0.0), step)
        for q in (charged.value, charged.low, charged.high)
    )
    # where the minimum cuts the interval off it does not lie evenly
    even = charged.sigma is not None and charged.low * price.rate >= price.minimum
    sigma = charged.sigma * price.rate if even and charged.sigma is not None else None
    amount = Estimate(value, low, high, sigma)
    return PriceLine(
        code=code,
        title=meaning.title if meaning is not None else "",
        per=price.per,
        measured=measured,
        waste_percent=waste,
        charged=charged,
        rate=price.rate,
        minimum=price.minimum,
        amount=amount,
        at_minimum=charged.value > nothing and charged.value * price.rate < price.minimum,
        laid=isinstance(found, Estimate),
    )


def _total(
    lines: Sequence[PriceLine], measures: Mapping[str, Measure], network: Network
) -> Estimate:
    """Add the amounts up; those of `measures`, by code, move with the marks."""
    moved = [line for line in lines if line.code in measures]
    value = sum(line.amount.value for line in moved)
    forms = [
        measures[line.code].form * (line.rate * (1 + line.waste_percent / 100)) for line in moved
    ]
    known = Estimate(value, value, value, 0.0)
    if any(len(form.rows) for form in forms):
        (sigma,), (half,) = accuracies(network, [sum_of_forms(forms)])
        known = Estimate(value, value - float(half), value + float(half), float(sigma))
    return plus_lines(known, [line for line in lines if line.code not in measures])


def plus_lines(known: Estimate, lines: Sequence[PriceLine]) -> Estimate:
    """Add lines that do not move with the marks: volumes, counts, and what is at its minimum.

    Parameters
    ----------
    known
        What the other lines come to.
    lines
        Those that follow their quantity are taken as independent. A minimum is charged as a whole
        or not at all, so that its way to an end is added as a whole too: added like a sigma it
        would be lost beside a wide range, however likely it is that there is nothing to charge for.

    Examples
    --------
    >>> nothing = Estimate(0.0, 0.0, 0.0)
    >>> least = Estimate(50.0, 0.0, 50.0)
    >>> line = PriceLine("kerb", "", "m", nothing, 0.0, nothing, 1.0, 50.0, least, True)
    >>> plus_lines(Estimate(100.0, 97.0, 104.0), [line])
    Estimate(value=150.0, low=97.0, high=154.0, sigma=None)
    """
    moved = plus_independent(known, [line.amount for line in lines if line.follows])
    stands = [line.amount for line in lines if not line.follows]
    even = all(line.amount.low == line.amount.high for line in lines)
    return Estimate(
        round(moved.value + sum(one.value for one in stands), 9),
        round(moved.low + sum(one.low for one in stands), 9),
        round(moved.high + sum(one.high for one in stands), 9),
        known.sigma if even else None,
    )


def plus_independent(known: Estimate, others: Sequence[Estimate]) -> Estimate:
    """Add amounts that err independently: the ways to each end add like sigmas.

    Examples
    --------
    >>> plus_independent(Estimate(100.0, 97.0, 104.0), [Estimate(50.0, 46.0, 53.0)])
    Estimate(value=150.0, low=145.0, high=155.0, sigma=None)
    """
    value = round(known.value + sum(one.value for one in others), 9)
    below = math.hypot(known.value - known.low, *(one.value - one.low for one in others))
    above = math.hypot(known.high - known.value, *(one.high - one.value for one in others))
    return Estimate(value, max(0.0, value - below), value + above)
