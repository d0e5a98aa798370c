"""Amounts and their ranges, as they stand in documents."""

from __future__ import annotations

from geosite.base.rounding import grouped, places_seen

__all__ = ["amount_words", "range_words"]


def amount_words(amount: float, currency: str = "", places: int = 2) -> str:
    """Return an amount, to the hundredth where nothing else is said.

    Examples
    --------
    >>> amount_words(912.678, "EUR"), amount_words(3.0), amount_words(0.004, "EUR")
    ('912.68 EUR', '3.00', '0.004 EUR')
    """
    return f"{grouped(amount, places_seen(amount, places))} {currency}".strip()


def range_words(low: float, high: float) -> str:
    """Return the ends of the range of an amount, to whole units: its digits say how well.

    Of what is counted, given in numbers or charged at the least the survey leaves nothing open.

    Examples
    --------
    >>> range_words(180.4, 219.6), range_words(210.0, 210.0)
    ('180 to 220', 'fixed')
    """
    if low == high:
        return "fixed"
    places = places_seen(high, 0)
    return f"{grouped(low, places)} to {grouped(high, places)}"
