"""The take-off on paper: what is there and what to order, no digit more than is known."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from geosite.base.rounding import decimals, grouped, written
from geosite.base.units import FOOT_M
from geosite.drawing.document import Block, Column, Heading, Paragraph, Table, lay_out
from geosite.drawing.pdf import pdf
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.findings import paper_for, with_signs
from geosite.handover.model import CAUTION, Package

__all__ = ["takeoff_blocks", "takeoff_pdf"]

Record = Mapping[str, Any]

_YARD = 0.9144

_HOW_TO_READ = (
    'Quantities are ground values. "+/-" is half of the interval that holds the true value in 95 '
    "of 100 cases, from the survey alone; what is ordered has the waste added and is rounded up to "
    "the last digit that is known. Depths are measured plumb."
)
_EARTHWORK_CAUTION = (
    "The exact volume, between the triangles of the marks, is the one to use; the other methods "
    "are those of hand reckoning, for comparison. Volumes hold between the marks only as far as "
    "the ground there was walked. No allowance for swell or shrinkage is in them."
)


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit that quantities are written in: factor from metres, square or cubic metres, symbol."""

    m: tuple[float, str]
    m2: tuple[float, str]
    m3: tuple[float, str]

    def of(self, metric: str) -> tuple[float, str]:
        """Return factor and symbol of ``"m"``, ``"m2"`` or ``"m3"``."""
        return {"m": self.m, "m2": self.m2, "m3": self.m3}[metric]


_Units = tuple[_Unit, ...]
"""In which every quantity is written, one below the other."""

_UNITS: Mapping[Literal["m", "ft"], _Unit] = {
    "m": _Unit((1.0, "m"), (1.0, "m²"), (1.0, "m³")),
    "ft": _Unit((1 / FOOT_M, "ft"), (1 / FOOT_M**2, "ft²"), (1 / _YARD**3, "yd³")),
}


def takeoff_pdf(package: Package, options: Handover) -> bytes | None:
    """Return the take-off as a PDF document.

    Parameters
    ----------
    package
        With the table ``quantities`` and, where asked for, ``earthworks``.
    options
        ``[handover]``: unit and sheet; ``[sheet] units`` of the package may ask for both units.

    Returns
    -------
    bytes or None
        ``None`` where nothing was measured.
    """
    blocks = takeoff_blocks(package, options)
    if not blocks:
        return None
    blocks += [Heading("Caution", 2), Paragraph(CAUTION)]
    return pdf(*lay_out(blocks, paper_for(package, options, "Take-off")))


def takeoff_blocks(package: Package, options: Handover) -> list[Block]:
    """Return the take-off as headings and tables; nothing where nothing was measured."""
    tables = {table.name: table.records for table in package.tables}
    records = tables.get("quantities", ())
    if not records:
        return []
    units: _Units = (_UNITS[options.unit],)
    if package.sheet.units == "both":
        units += (_UNITS["ft" if options.unit == "m" else "m"],)
    totals = [r for r in records if not r.get("feature")]
    features = [r for r in records if r.get("feature")]
    blocks: list[Block] = [Heading("Take-off"), Paragraph(_HOW_TO_READ)]
    blocks += _orders(package, totals, units)
    blocks += _areas(package, features, totals, units)
    blocks += _lines(package, features, totals, units)
    blocks += _pieces(package, totals)
    blocks += _earthworks(tables.get("earthworks", ()), units)
    return blocks + _prices(tables.get("prices", ()))


def _name(package: Package, code: str | None) -> str:
    if not code:
        return "without a code"
    meaning = package.codes.get(code)
    title = meaning.title if meaning is not None else ""
    return title or code


def _told(record: Record, stem: str, metric: str, units: _Units) -> str:
    value = record.get(f"{stem}_{metric}")
    if value is None:
        return ""
    return _in_each(value, record.get(f"{stem}_95_{metric}"), metric, units)


def _in_each(value: float, half: float | None, metric: str, units: _Units) -> str:
    """Return a quantity with its interval in each unit, no digit more than is known in it."""
    pairs = (unit.of(metric) for unit in units)
    return "\n".join(written(value * f, None if half is None else half * f, s) for f, s in pairs)


def _order(record: Record, stem: str, metric: str, units: _Units) -> str:
    """Return what to order: rounded up at the last digit that its interval bears."""
    value = record.get(f"order_{stem}_{metric}")
    if value is None:
        return ""
    half = record.get(f"order_{stem}_95_{metric}")
    return "\n".join(_rounded_up(value, half, *unit.of(metric)) for unit in units)


def _rounded_up(value: float, half: float | None, factor: float, symbol: str) -> str:
    places = decimals(None if half is None else half * factor)
    step = 10.0**-places
    return f"{grouped(math.ceil(value * factor / step - 1e-9) * step, places)} {symbol}".rstrip()


def _orders(package: Package, totals: Sequence[Record], units: _Units) -> list[Block]:
    rows = []
    for record in totals:
        meaning = package.codes.get(record.get("code") or "")
        if meaning is not None and meaning.building:
            continue
        name, waste = _name(package, record.get("code")), record.get("waste_percent")
        added = f"{waste:g} %" if waste else ""
        kinds = (
            ("on the ground's slope", "area", "surface_area", "m2"),
            ("by depth", "volume", "volume", "m3"),
            ("along it", "length", "length", "m"),
        )
        for how, ordered, measured, metric in kinds:
            order = _order(record, ordered, metric, units)
            if order:
                said = _told(record, measured, metric, units)
                rows.append((name, how, said, added, order))
        if record.get("order_material") is not None:
            symbol = with_signs(record.get("material_unit") or "")
            value, half = record.get("material"), record.get("material_95")
            order = _rounded_up(
                record["order_material"], record.get("order_material_95"), 1.0, symbol
            )
            said = "" if value is None else written(value, half, symbol)
            rows.append((name, "by coverage", said, added, order))
    if not rows:
        return []
    columns = (
        Column("what", 1.2),
        Column("measured", 0.9),
        Column("quantity", 1.1, "end"),
        Column("waste", 0.45, "end"),
        Column("to order", 0.8, "end"),
    )
    return [Heading("What to order", 2), Table(columns, tuple(rows))]


def _by_code(
    features: Iterable[Record], totals: Iterable[Record], kind: str
) -> Iterable[tuple[bool, Record]]:
    """Yield the features of a kind, code by code, each code followed by its total."""
    groups: dict[str, list[Record]] = {}
    for record in features:
        if record.get("kind") == kind:
            groups.setdefault(record.get("code") or "", []).append(record)
    sums = {r.get("code") or "": r for r in totals if r.get("kind") == kind}
    for code, own in groups.items():
        for record in own:
            yield False, record
        if len(own) > 1 and code in sums:
            yield True, sums[code]


def _areas(
    package: Package, features: Sequence[Record], totals: Sequence[Record], units: _Units
) -> list[Block]:
    rows, strong = [], set()
    for number, (is_total, record) in enumerate(_by_code(features, totals, "area")):
        if is_total:
            strong.add(number)
        rows.append(
            (
                _name(package, record.get("code")),
                "all" if is_total else str(record.get("feature")),
                _told(record, "gross_area", "m2", units),
                _told(record, "net_area", "m2", units),
                _told(record, "edging", "m", units),
                _told(record, "volume", "m3", units),
            )
        )
    if not rows:
        return []
    columns = (
        Column("surface", 1.0),
        Column("feature", 0.8),
        Column("within its outline", 1.05, "end"),
        Column("without what lies in it", 1.05, "end"),
        Column("edge", 0.95, "end"),
        Column("volume", 0.9, "end"),
    )
    return [Heading("Surfaces", 2), Table(columns, tuple(rows), frozenset(strong))]


def _lines(
    package: Package, features: Sequence[Record], totals: Sequence[Record], units: _Units
) -> list[Block]:
    rows, strong = [], set()
    for number, (is_total, record) in enumerate(_by_code(features, totals, "line")):
        if is_total:
            strong.add(number)
        sloped = record.get("length_3d_m")
        half = record.get("length_3d_95_m", record.get("length_95_m"))
        rows.append(
            (
                _name(package, record.get("code")),
                "all" if is_total else str(record.get("feature")),
                _told(record, "length", "m", units),
                "" if sloped is None else _in_each(sloped, half, "m", units),
            )
        )
    if not rows:
        return []
    columns = (
        Column("line", 1.0),
        Column("feature", 0.8),
        Column("level", 0.8, "end"),
        Column("along the slope", 0.8, "end"),
    )
    return [Heading("Lines", 2), Table(columns, tuple(rows), frozenset(strong))]


def _pieces(package: Package, totals: Sequence[Record]) -> list[Block]:
    rows = tuple(
        (_name(package, r.get("code")), f"{r.get('count') or 0}")
        for r in totals
        if r.get("kind") == "point"
    )
    if not rows:
        return []
    return [Heading("Pieces", 2), Table((Column("what", 2.0), Column("pieces", 0.4, "end")), rows)]


def _earthworks(records: Sequence[Record], units: _Units) -> list[Block]:
    if not records:
        return []
    rows = tuple(
        (
            str(r.get("earthwork") or ""),
            str(r.get("feature") or ""),
            str(r.get("method") or ""),
            *(_volume(r, stem, units) for stem in ("cut", "fill", "net")),
        )
        for r in records
    )
    columns = (
        Column("earthwork", 0.9),
        Column("feature", 0.7),
        Column("method", 0.9),
        Column("cut", 0.9, "end"),
        Column("fill", 0.9, "end"),
        Column("cut less fill", 0.95, "end"),
    )
    return [
        Heading("Earthworks", 2),
        Table(columns, rows),
        Paragraph(_EARTHWORK_CAUTION),
    ]


def _prices(records: Sequence[Record]) -> list[Block]:
    """Return what each code costs with the range that the survey leaves, the total last."""
    if not records:
        return []
    rows = []
    for r in records:
        per, measured, charged = r.get("per") or "", r.get("measured"), r.get("charged")
        amount, low, high = r.get("amount"), r.get("amount_low"), r.get("amount_high")
        rows.append(
            (
                str(r.get("title") or r.get("code") or ""),
                "" if measured is None else f"{written(measured, r.get('measured_95'))} {per}",
                "" if charged is None else f"{written(charged, r.get('charged_95'))} {per}",
                "" if r.get("rate") is None else grouped(r["rate"], 2),
                "" if amount is None else f"{grouped(amount, 2)} {r.get('currency') or ''}".strip(),
                "" if low is None or high is None else f"{grouped(low, 0)} to {grouped(high, 0)}",
            )
        )
    columns = (
        Column("what", 1.1),
        Column("measured", 0.95, "end"),
        Column("with waste", 0.95, "end"),
        Column("rate", 0.5, "end"),
        Column("amount", 0.85, "end"),
        Column("range at 95 %", 0.85, "end"),
    )
    return [
        Heading("Prices", 2),
        Paragraph(
            "The range comes from the survey alone: rates are taken as given. No advice on "
            "contracts or taxes."
        ),
        Table(columns, tuple(rows), frozenset({len(rows) - 1})),
    ]


def _volume(record: Record, stem: str, units: _Units) -> str:
    value = record.get(f"{stem}_m3")
    if value is None:
        return ""
    low, high = record.get(f"{stem}_low_m3"), record.get(f"{stem}_high_m3")
    if low is None or high is None:
        return _told(record, stem, "m3", units)
    told = []
    for factor, symbol in (unit.m3 for unit in units):
        places = decimals((high - low) / 2 * factor)
        ends = (grouped(v * factor, places) for v in (value, low, high))
        told.append("{} ({} to {}) {}".format(*ends, symbol))
    return "\n".join(told)
