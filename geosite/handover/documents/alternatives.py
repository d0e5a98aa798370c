"""Alternatives on paper: order and cost for each choice among designs of which one is built."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from geosite.base.rounding import written
from geosite.drawing.document import Block, Column, Heading, Paragraph, Table
from geosite.handover.documents.findings import with_signs
from geosite.handover.model import Package
from geosite.handover.names import design_name
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.money import amount_words, range_words
from geosite.handover.wording.paper_units import PaperUnits

__all__ = ["alternative_blocks", "titles_of"]

Record = Mapping[str, Any]


def titles_of(package: Package, built: Sequence[str]) -> str:
    """Return what the alternatives that are built are called."""
    return ", ".join(design_name(package, name) for name in built)


def alternative_blocks(
    package: Package, records: Sequence[Record], units: PaperUnits
) -> list[Block]:
    """Return what is ordered and what it costs with each choice; nothing without alternatives.

    Parameters
    ----------
    package
        For names.
    records
        Of the table ``alternatives``.
    units
        That quantities are told in.
    """
    if not records:
        return []
    blocks: list[Block] = [
        Heading("Alternatives", 2),
        Paragraph(
            "Only one of these designs is built. What is to be ordered and the prices above are "
            "without what they replace; each line here holds with the alternative it names."
        ),
    ]
    columns = (
        Column("where this is built", 1.1),
        Column("what", 1.1),
        Column("of it under designs", 0.9, "end"),
        Column("to order instead, with waste", 1.0, "end"),
        Column("amount", 0.8, "end"),
        Column("range at 95 %", 0.9, "end"),
    )
    # of each choice first what is ordered, then what it costs
    choices = list(dict.fromkeys(str(r.get("built") or "") for r in records))
    lines = sorted(
        (r for r in records if r.get("kind") in ("order", "part", "total")),
        key=lambda r: (choices.index(str(r.get("built") or "")), r.get("kind") != "order"),
    )
    rows = tuple(
        _order(package, r, units) if r.get("kind") == "order" else _cost(package, r) for r in lines
    )
    strong = frozenset(i for i, r in enumerate(lines) if r.get("kind") == "total")
    used = [i for i in range(len(columns)) if i < 2 or any(row[i] for row in rows)]
    kept = tuple(tuple(row[i] for i in used) for row in rows)
    return [*blocks, Table(tuple(columns[i] for i in used), kept, strong)] if rows else blocks


def _built(package: Package, record: Record) -> str:
    return titles_of(package, str(record.get("built") or "").split(", "))


def _order(package: Package, record: Record, units: PaperUnits) -> tuple[str, ...]:
    metric = str(record.get("order_unit") or "")
    known = metric in ("m", "m2", "m3")
    ends = [unit.of(metric) for unit in units] if known else [(1.0, with_signs(metric))]
    square = [unit.of("m2") for unit in units]
    return (
        _built(package, record),
        code_title(package.codes, record.get("code")),
        _told(record, "replaced_area", "_m2", square)
        or _told(record, "replaced_length", "_m", [unit.of("m") for unit in units]),
        _told(record, "order", "", ends),
        "",
        "",
    )


def _told(record: Record, stem: str, end: str, units: Sequence[tuple[float, str]]) -> str:
    value, half = record.get(f"{stem}{end}"), record.get(f"{stem}_95{end}")
    if value is None:
        return ""
    return "\n".join(written(value * f, None if half is None else half * f, s) for f, s in units)


def _cost(package: Package, record: Record) -> tuple[str, ...]:
    title = str(record.get("title") or "")
    if record.get("kind") == "part" and not record.get("design"):
        title = "What was measured and is ordered"
    low, high = record.get("amount_low"), record.get("amount_high")
    return (
        _built(package, record),
        title,
        "",
        "",
        amount_words(float(record.get("amount") or 0.0), str(record.get("currency") or "")),
        "" if low is None or high is None else range_words(low, high),
    )
