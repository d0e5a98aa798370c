"""The table ``prices``: the take-off priced, each line and the total with its range."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geosite.analysis.wording import PRICE_CAUTION
from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.base.estimate import Estimate
from geosite.handover.model import Form, Table

if TYPE_CHECKING:
    from geosite.analysis.takeoff.prices import PriceLine, Valuation

__all__ = ["PRICES", "columns", "table", "total_line"]

PRICES = Form("prices", "Prices", PRICE_CAUTION)

_GIVEN = "given in the site file"


def columns(currency: str) -> Columns[PriceLine]:
    """Return the columns; amounts are in `currency`."""
    return Columns(
        (
            text("code", "Surface or feature code; empty for the total.", lambda p: p.code),
            text("title", "Its name.", lambda p: p.title),
            text("per", "Unit of the rate.", lambda p: p.per),
            estimate("measured", "Quantity in that unit.", lambda p: p.measured if p.per else None),
            real(
                "waste_percent", "Added to it.", lambda p: p.waste_percent, "percent", exact=_GIVEN
            ),
            estimate(
                "charged",
                "Quantity with waste; pieces are whole.",
                lambda p: p.charged if p.per else None,
            ),
            real("rate", "Of one unit.", lambda p: p.rate if p.per else None, exact=_GIVEN),
            real("minimum", "Least charge.", lambda p: p.minimum, exact=_GIVEN),
            interval(
                "amount",
                "Charged times rate, not less than the minimum where there is any.",
                lambda p: p.amount,
            ),
            text("currency", "Of the amount.", lambda p: currency),
        )
    )


def table(found: Valuation) -> Table:
    """Return the priced lines, the total last."""
    listed = columns(found.currency)
    return PRICES.table(listed, listed.records([*found.lines, total_line(found)]))


def total_line(found: Valuation) -> PriceLine:
    """Return the sum as a last line.

    Examples
    --------
    >>> from geosite.analysis.takeoff.prices import Valuation
    >>> line = total_line(Valuation("EUR", (), Estimate.normal(1200.0, 30.0, 2.0), ()))
    >>> line.title, line.amount.value
    ('Total', 1200.0)
    """
    from geosite.analysis.takeoff.prices import PriceLine

    nothing = Estimate(0.0, 0.0, 0.0)
    return PriceLine("", "Total", "", nothing, 0.0, nothing, 0.0, 0.0, found.total, False)
