"""Progress valuation and final measurement: tables, and small papers of their own."""

from __future__ import annotations

from dataclasses import replace

from geosite.analysis.takeoff.prices import PriceLine, Valuation
from geosite.analysis.takeoff.progress_prices import PeriodLine, PeriodValuation
from geosite.analysis.wording import PRICE_CAUTION
from geosite.base.columns import Column as TableColumn
from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.base.estimate import Estimate
from geosite.base.rounding import written
from geosite.drawing.document import Block, Column, Heading, Paragraph, lay_out
from geosite.drawing.document import Table as PaperTable
from geosite.drawing.pdf import pdf
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.findings import paper_for, with_signs
from geosite.handover.layers.prices import columns, total_line
from geosite.handover.model import CAUTION, Form, Package, Table
from geosite.handover.wording.money import amount_words, range_words

__all__ = [
    "final_columns",
    "final_paper",
    "final_table",
    "period_columns",
    "progress_paper",
    "progress_table",
]

PROGRESS = Form("progress_valuation", "Progress valuation", PRICE_CAUTION)
FINAL = Form("final_measurement", "Final measurement", PRICE_CAUTION)
BASES = {
    "measured": "measured as built: area, length, pieces, or area times depth",
    "laid": "measured between the ground before and as built",
}
_RANGE = (
    "Ranges at 95 % come from the surveys alone: rates are taken as given. No advice on contracts "
    "or taxes."
)


def period_columns(currency: str) -> Columns[PeriodLine]:
    """Return the columns of a progress valuation."""
    return Columns(
        (
            text("code", "Surface or feature code; empty for the total.", lambda p: p.code),
            text("title", "Its name.", lambda p: p.title),
            text("per", "Unit of the rate.", lambda p: p.per),
            real(
                "rate",
                "Of one unit.",
                lambda p: p.rate if p.per else None,
                exact="given in the site file",
            ),
            estimate(
                "measured_before",
                "In the first survey.",
                lambda p: p.measured_before if p.per else None,
            ),
            interval("measured", "In the second.", lambda p: p.measured if p.per else None),
            interval("added", "Second less first.", lambda p: p.added if p.per else None),
            interval("amount_before", "Valued in the first survey.", lambda p: p.amount_before),
            interval("amount", "Valued to date.", lambda p: p.amount),
            interval("amount_added", "This period.", lambda p: p.amount_added),
            text("currency", "Of the amounts.", lambda p: currency),
        )
    )


def progress_table(found: PeriodValuation) -> Table:
    """Return the lines of a progress valuation, the total last."""
    none = Estimate(0.0, 0.0, 0.0)
    total = PeriodLine(
        "", "Total", "", 0.0, none, none, none, found.before, found.total, found.added
    )
    listed = period_columns(found.currency)
    return PROGRESS.table(listed, listed.records([*found.lines, total]))


def final_columns(currency: str) -> Columns[PriceLine]:
    """Return the columns of a final measurement."""
    usual = columns(currency)
    basis: TableColumn[PriceLine] = text(
        "basis",
        "What the quantity is.",
        lambda p: None if not p.per else "laid" if p.laid else "measured",
        BASES,
    )
    return replace(usual, columns=(*usual.columns, basis))


def final_table(found: Valuation) -> Table:
    """Return the lines of a final measurement, the total last."""
    listed = final_columns(found.currency)
    return FINAL.table(listed, listed.records([*found.lines, total_line(found)]))


def _amount(value: Estimate) -> str:
    return amount_words(value.value)


def _ends(value: Estimate) -> str:
    return range_words(value.low, value.high)


def _quantity(value: Estimate, per: str) -> str:
    if per == "piece":
        return f"{value.value:.0f}"
    return f"{written(value.value, value.half_width)} {with_signs(per)}"


def _rate(line: PriceLine | PeriodLine, currency: str) -> str:
    return f"{amount_words(line.rate)} {currency}/{with_signs(line.per)}"


def progress_paper(found: PeriodValuation, package: Package, options: Handover) -> bytes:
    """Return the progress valuation as a document to print."""
    money = found.currency
    rows = [
        (
            line.title or line.code,
            _quantity(line.measured_before, line.per),
            _quantity(line.measured, line.per),
            _rate(line, found.currency),
            _amount(line.amount),
            _amount(line.amount_before),
            _amount(line.amount_added),
            _ends(line.amount_added),
        )
        for line in found.lines
    ]
    total, before, added = (_amount(value) for value in (found.total, found.before, found.added))
    name = f"Total, {money}".rstrip(", ")
    rows.append((name, "", "", "", total, before, added, _ends(found.added)))
    heads = (
        Column("what", 1.0),
        Column("before", 0.8, "end"),
        Column("to date", 0.8, "end"),
        Column("rate", 0.7, "end"),
        Column("valued\nto date", 0.6, "end"),
        Column("valued\nbefore", 0.6, "end"),
        Column("this\nperiod", 0.6, "end"),
        Column("its range\nat 95 %", 0.75, "end"),
    )
    days = " to ".join(day for day in (found.first_day, found.last_day) if day)
    blocks: list[Block] = [
        Heading(f"Progress valuation {days}".strip()),
        Paragraph(f"Quantities of the two surveys, side by side. {_RANGE}"),
        PaperTable(heads, tuple(rows), frozenset({len(rows) - 1})),
    ]
    if found.not_walked:
        listed = ", ".join(found.not_walked)
        blocks.append(Paragraph(f"Not walked again and not valued: {listed}."))
    return _document(blocks, package, options, "Progress valuation")


def final_paper(found: Valuation, package: Package, options: Handover) -> bytes:
    """Return the final measurement as a document to print."""
    rows = [
        (
            line.title or line.code,
            "laid, between surveys" if line.laid else "as built",
            _quantity(line.measured, line.per),
            _quantity(line.charged, line.per),
            _rate(line, found.currency),
            _amount(line.amount) + (" (minimum)" if line.at_minimum else ""),
            _ends(line.amount),
        )
        for line in found.lines
    ]
    total = f"Total, {found.currency}".rstrip(", ")
    rows.append((total, "", "", "", "", _amount(found.total), _ends(found.total)))
    heads = (
        Column("what", 1.0),
        Column("measured", 0.8),
        Column("quantity", 0.85, "end"),
        Column("with waste", 0.85, "end"),
        Column("rate", 0.75, "end"),
        Column("amount", 0.8, "end"),
        Column("range at 95 %", 0.8, "end"),
    )
    blocks: list[Block] = [
        Heading("Final measurement"),
        Paragraph(f"What was built, as it was measured. {_RANGE}"),
        PaperTable(heads, tuple(rows), frozenset({len(rows) - 1})),
    ]
    if found.without_price:
        listed = ", ".join(found.without_price)
        blocks.append(Paragraph(f"Measured, but without a price and not in the total: {listed}."))
    return _document(blocks, package, options, "Final measurement")


def _document(blocks: list[Block], package: Package, options: Handover, title: str) -> bytes:
    ends: list[Block] = [Heading("Caution", 2), Paragraph(CAUTION)]
    return pdf(*lay_out([*blocks, *ends], paper_for(package, options, title)))
