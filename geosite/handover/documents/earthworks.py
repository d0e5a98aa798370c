"""Earthworks on paper: cut and fill of designs and earthworks, each with its interval."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from geosite.base.rounding import decimals, grouped
from geosite.drawing.document import Block, Column, Heading, Paragraph, Table
from geosite.handover.names import design_called, readable_name
from geosite.handover.wording.paper_units import PaperUnits

__all__ = ["earthwork_blocks"]

Record = Mapping[str, Any]

_EARTHWORK_CAUTION = (
    "Of an earthwork told by several methods the exact volume, between the triangles of the marks, "
    "is the one to use; the other methods are those of hand reckoning, for "
    "comparison: the digits tell them apart, the interval says how many of them are known. "
)
_DESIGN_CAUTION = (
    "Formation is the underside of what is laid, by the depths of the codes. Volumes hold between "
    "the marks only as far as the ground there was walked. No allowance for "
    "swell or compaction is in them."
)


def _design_earth(record: Record, units: PaperUnits) -> Iterator[tuple[str, ...]]:
    """Yield cut and fill of a design: of its surface, and of the ground below what is laid."""
    name = design_called(record)
    whole = _volumes(record, ("cut", "fill", "net"), units)
    yield (name, "with its banks", "to its surface", *whole)
    under = _volumes(record, ("formation_cut", "formation_fill"), units)
    if any(under) and under != whole[:2]:
        yield (name, "with its banks", "to formation", *under, "")


def earthwork_blocks(
    records: Sequence[Record], designs: Sequence[Record], units: PaperUnits
) -> list[Block]:
    """Return cut and fill as a table; nothing where nothing is moved.

    Parameters
    ----------
    records, designs
        Of the tables ``earthworks`` and ``designs``.
    units
        In which every volume is written.

    Examples
    --------
    >>> from geosite.handover.wording.paper_units import UNITS
    >>> pit = {"earthwork": "pit", "cut_m3": 10.0, "cut_low_m3": 8.0, "cut_high_m3": 12.0}
    >>> earthwork_blocks([pit], [], (UNITS["m"],))[1].rows[0][3]
    '10.0 (8.0 to 12.0) m³'
    """
    if not records and not designs:
        return []
    rows = tuple(row for r in designs for row in _design_earth(r, units))
    rows += tuple(
        (
            readable_name(r.get("earthwork")),
            readable_name(r.get("feature")),
            str(r.get("method") or ""),
            *_volumes(
                r,
                ("cut", "fill", "net"),
                units,
                [other for other in records if other.get("earthwork") == r.get("earthwork")],
            ),
        )
        for r in records
    )
    columns = (
        Column("earthwork or design", 0.92),
        Column("feature", 0.59),
        Column("method", 0.73),
        Column("cut", 1.05, "end"),
        Column("fill", 1.035, "end"),
        Column("cut less fill", 0.975, "end"),
    )
    return [
        Heading("Earthworks", 2),
        Table(columns, rows),
        Paragraph((_EARTHWORK_CAUTION if records else "") + _DESIGN_CAUTION),
    ]


def _volumes(
    record: Record, stems: Sequence[str], units: PaperUnits, ways: Sequence[Record] = ()
) -> tuple[str, ...]:
    """Return the volumes of a line, all to the same digit, so that they add up.

    `ways` are the lines of the same earthwork by all its methods: they share their digits, as many
    as tell the methods apart, at most two decimals.
    """
    told: list[list[str]] = [[] for _ in stems]
    for factor, symbol in (unit.m3 for unit in units):
        places = max(_places(r, stems, ways, factor) for r in ways or (record,))
        values = {k: round(v * factor, places) for k in stems if (v := record.get(f"{k}_m3"))}
        if {"cut", "fill", "net"} <= values.keys():
            # a net that is one digit off is that of the rounded cut and fill
            added = values["cut"] - values["fill"]
            near = abs(added - values["net"]) < 1.5 * 10.0**-places
            values["net"] = added if near else values["net"]
        for lines, stem in zip(told, stems, strict=True):
            if record.get(f"{stem}_m3") is not None:
                if not any(record.get(f"{stem}{end}_m3") for end in ("", "_low", "_high", "_95")):
                    lines[:] = ["none"]
                    continue
                ends = _ends(record, stem, factor, places)
                lines.append(f"{grouped(values.get(stem, 0.0), places)}{ends} {symbol}")
    return tuple("\n".join(lines) for lines in told)


def _places(record: Record, stems: Sequence[str], ways: Sequence[Record], factor: float) -> int:
    """Return the decimals of the volumes of a line: what the best known of them bears."""
    found = [decimals(half * factor) for k in stems if (half := _half_width(record, k))]
    if len(ways) > 1:
        apart = [
            max(values) - min(values)
            for k in stems
            if (values := [r[f"{k}_m3"] for r in ways if r.get(f"{k}_m3") is not None])
        ]
        found.append(min(decimals(max(apart, default=0.0) * factor), 2))
    return max(found, default=2)


def _half_width(record: Record, stem: str) -> float | None:
    low, high = record.get(f"{stem}_low_m3"), record.get(f"{stem}_high_m3")
    if low is None or high is None:
        return record.get(f"{stem}_95_m3")
    return float(high - low) / 2


def _ends(record: Record, stem: str, factor: float, places: int) -> str:
    low, high = record.get(f"{stem}_low_m3"), record.get(f"{stem}_high_m3")
    if low is not None and high is not None:
        return f" ({grouped(low * factor, places)} to {grouped(high * factor, places)})"
    half = record.get(f"{stem}_95_m3")
    return "" if not half else f" +/- {grouped(half * factor, places)}"
