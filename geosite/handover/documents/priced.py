"""Prices on paper: of the take-off, and the estimate of each design, every line with its range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from geosite.base.rounding import decimals, grouped, written
from geosite.drawing.document import Block, Column, Heading, Paragraph, Table
from geosite.handover.documents.findings import with_signs
from geosite.handover.names import design_called, readable_name
from geosite.handover.wording.money import amount_words, range_words

__all__ = ["estimate_blocks", "price_blocks"]

Record = Mapping[str, Any]

_RANGE = (
    "The range comes from the survey alone: rates are taken as given. No advice on contracts or "
    "taxes. Amounts are of the quantities before these were rounded for this paper, and add up to "
    "the total; the range of the total is narrower than the ranges added up, because errors "
    "of different lines seldom go the same way."
)


def price_blocks(
    records: Sequence[Record], without: Sequence[str] = (), replaced: bool = False
) -> list[Block]:
    """Return what each code costs with the range that the survey leaves, the total last.

    Parameters
    ----------
    records
        Of the table ``prices``.
    without
        What is ordered and has no price.
    replaced
        Designs replace some of what was measured.

    Examples
    --------
    >>> line = {"title": "Total", "amount": 120.0}
    >>> price_blocks([line], ["Stone setts"])[-1].text
    'Ordered, but without a price and not in the total: Stone setts.'
    """
    if not records:
        return []
    said = f"{_RANGE} What designs replace is not in them." if replaced else _RANGE
    blocks: list[Block] = [Heading("Prices", 2), Paragraph(said), _table(records, "with waste")]
    if without:
        listed = ", ".join(without)
        blocks.append(
            Paragraph(f"Ordered, but without a price and not in the total: {listed}.", "bold")
        )
    return blocks


def estimate_blocks(records: Sequence[Record], designs: Sequence[Record]) -> list[Block]:
    """Return the estimate of each design.

    Parameters
    ----------
    records
        Of the table ``design_estimate``.
    designs
        Of the table ``designs``, for their titles.

    Examples
    --------
    >>> line = {"design": "pad", "title": "Fill", "per": "m3", "rate": 30.0, "amount": 120.0}
    >>> *_, table = estimate_blocks([line], [{"design": "pad", "title": "Boarding pad"}])
    >>> table.rows[0][0], table.rows[0][3], table.rows[0][4]
    ('Fill', '30.00 /m³', '120.00')
    """
    titles = {r.get("design"): design_called(r) for r in designs}
    blocks: list[Block] = []
    for name in dict.fromkeys(r.get("design") for r in records):
        own = [r for r in records if r.get("design") == name]
        said = f"What it will cost before it is built. {_RANGE}"
        earth = [r for r in own if r.get("per") and not r.get("code")]
        if earth:
            said += (
                " Formation is the underside of what is laid, by the depths of the codes. Cut and "
                "fill are added up as if they erred independently of each other."
            )
        if any(r.get("waste_percent") for r in earth):
            named = (f"{r['waste_percent'] or 0:g} % to {_title(r).lower()}" for r in earth)
            said += (
                " The allowance of the site file for swell of what is carried away and compaction "
                f"of what is filled is added here: {', '.join(named)}."
            )
        added = "with waste\nor allowance" if earth else "with waste"
        heading = Heading(f"Estimate: {titles.get(name) or readable_name(name)}", 2)
        blocks += [heading, Paragraph(said), _table(own, added)]
    return blocks


def _title(record: Record) -> str:
    return str(record.get("title") or record.get("code") or "")


def _rate(record: Record, per: str) -> str:
    """Return the rate with its unit, and the least charge where that is what is charged."""
    rate, least = record.get("rate"), record.get("minimum") or 0.0
    if rate is None:
        return ""
    currency = record.get("currency") or ""
    told = f"{amount_words(rate)} {currency}/{per}" if per else amount_words(rate)
    charged = record.get("charged") or 0.0
    if charged > 0.0 and charged * rate < least:
        told += f"\nminimum charge {amount_words(least)}"
    return told


def _table(records: Sequence[Record], added: str) -> Table:
    rows, places = [], _places(records)
    for r in records:
        per = with_signs(r.get("per") or "")
        amount, low, high = r.get("amount"), r.get("amount_low"), r.get("amount_high")
        rows.append(
            (
                _title(r),
                _quantity(r, "measured", per),
                _quantity(r, "charged", per),
                _rate(r, per),
                "" if amount is None else amount_words(amount, r.get("currency") or "", places),
                "" if low is None or high is None else range_words(low, high),
            )
        )
    columns = (
        Column("what", 1.1),
        Column("measured", 0.95, "end"),
        Column(added, 0.95, "end"),
        Column("rate", 0.75, "end"),
        Column("amount", 0.85, "end"),
        Column("range at 95 %", 0.85, "end"),
    )
    return Table(columns, tuple(rows), frozenset({len(rows) - 1}))


def _places(records: Sequence[Record]) -> int:
    """Return so many decimals that printed lines add up to the printed total: two, or three."""
    amounts = [float(r["amount"]) for r in records if r.get("amount") is not None]
    return 3 if any(abs(round(a, 2) - a) > 1e-6 for a in amounts) else 2


def _quantity(record: Record, name: str, per: str) -> str:
    value, low, high = (record.get(key) for key in (name, f"{name}_low", f"{name}_high"))
    if value is None:
        return ""
    if per == "piece":
        return f"{grouped(value, 0)} piece{'s' * (value != 1)}"
    if low is None or high is None:
        return f"{written(value, record.get(f'{name}_95'))} {per}"
    if low == high:
        return f"{grouped(value, 2)} {per}"
    places = max(decimals((high - low) / 2), 0)
    ends = [grouped(v, places) for v in (value, low, high)]
    return "{} ({} to {}) {}".format(*ends, per)
