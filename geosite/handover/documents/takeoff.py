"""The take-off on paper: what is there and what to order, no digit more than is known."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geosite.base.rounding import decimals, grouped, seen, whole_pieces, written
from geosite.drawing.document import (
    Block,
    Column,
    Heading,
    PageBreak,
    Paragraph,
    Table,
    lay_out,
)
from geosite.drawing.pdf import pdf
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.alternatives import alternative_blocks
from geosite.handover.documents.earthworks import earthwork_blocks
from geosite.handover.documents.findings import paper_for, with_signs
from geosite.handover.documents.front_page import front_page
from geosite.handover.documents.priced import estimate_blocks, price_blocks
from geosite.handover.model import Package
from geosite.handover.names import design_name, readable_name
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.paper_units import UNITS, PaperUnits

__all__ = ["takeoff_blocks", "takeoff_pdf"]

Record = Mapping[str, Any]

_HOW_TO_READ = (
    'Quantities are ground values. "+/-" is half of the interval that holds the true value in 95 '
    "of 100 cases, from the survey alone; what is ordered has the waste added and is rounded up at "
    "the digit in which that interval begins. Depths are measured vertically. Everything is "
    "ordered once: where a surface is told in several units, in the one that stands first."
)


_STILL_ORDERED = (
    "Surfaces, and lines such as kerbs, under the pads and strips of designs are taken off. What "
    "lies under their banks is still in the order: strike what is not wanted."
)


def takeoff_pdf(package: Package, options: Handover) -> bytes | None:
    """Return the take-off as a PDF document, what a client reads first on a page of its own.

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
    paper = paper_for(package, options, "Take-off")
    first = front_page(package, options, paper)
    return pdf(*lay_out([*first, PageBreak(), *blocks], paper))


def takeoff_blocks(package: Package, options: Handover) -> list[Block]:
    """Return the take-off as headings and tables; nothing where nothing was measured."""
    tables = {table.name: table.records for table in package.tables}
    records = tables.get("quantities", ())
    if not records:
        return []
    units: PaperUnits = (UNITS[options.unit],)
    if package.sheet.units == "both":
        units += (UNITS["ft" if options.unit == "m" else "m"],)
    totals = [r for r in records if not r.get("feature")]
    features = [r for r in records if r.get("feature")]
    blocks: list[Block] = [Heading("Take-off"), Paragraph(_HOW_TO_READ)]
    blocks += _orders(package, totals, units)
    blocks += _areas(package, features, totals, units)
    blocks += _lines(package, features, totals, units)
    blocks += _pieces(package, totals)
    blocks += _designed(package, tables.get("design_parts", ()), units)
    blocks += earthwork_blocks(tables.get("earthworks", ()), tables.get("designs", ()), units)
    return [
        *blocks,
        *price_blocks(
            tables.get("prices", ()),
            _without_price(package, totals, tables),
            any(map(_is_replaced, totals)),
        ),
        *estimate_blocks(tables.get("design_estimate", ()), tables.get("designs", ())),
        *alternative_blocks(package, tables.get("alternatives", ()), units),
    ]


def _told(record: Record, stem: str, metric: str, units: PaperUnits) -> str:
    value = record.get(f"{stem}_{metric}")
    if value is None:
        return ""
    return _in_each(value, record.get(f"{stem}_95_{metric}"), metric, units)


def _in_each(value: float, half: float | None, metric: str, units: PaperUnits) -> str:
    """Return a quantity with its interval in each unit, no digit more than is known in it."""
    pairs = (unit.of(metric) for unit in units)
    return "\n".join(written(value * f, None if half is None else half * f, s) for f, s in pairs)


def _order(record: Record, stem: str, metric: str, units: PaperUnits) -> str:
    """Return what to order: rounded up at the digit in which its interval begins."""
    value = record.get(f"order_{stem}_{metric}")
    if value is None:
        return ""
    half = record.get(f"order_{stem}_95_{metric}")
    return "\n".join(_rounded_up(value, half, *unit.of(metric)) for unit in units)


def _rounded_up(value: float, half: float | None, factor: float, symbol: str) -> str:
    places = decimals(None if half is None else half * factor)
    if half is not None and math.isfinite(half) and half > 0:
        places = -math.floor(math.log10(half * factor) + 1e-12)
    step = 10.0**-places
    return f"{grouped(math.ceil(value * factor / step - 1e-9) * step, places)} {symbol}".rstrip()


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to measure a thing: its name in `order_by`, stems of its columns, its unit."""

    by: str
    how: str
    ordered: str
    measured: str
    metric: str


_WAYS = (
    _Way("material", "by coverage", "material", "material", ""),
    _Way("volume", "by depth", "volume", "volume", "m3"),
    _Way("area", "on the ground's slope", "area", "surface_area", "m2"),
    _Way("length", "along it", "length", "length", "m"),
)
"""The first of them that a thing has is the one it is ordered by, where nothing says another."""


def _ways(record: Record, units: PaperUnits) -> Iterator[tuple[_Way, str, str]]:
    """Yield each way that a record was measured: how it is told, and the quantity."""
    for way in _WAYS:
        depth = record.get("depth_m")
        how = way.how
        if way.by == "volume" and depth is not None:
            each = ((depth * factor, symbol) for factor, symbol in (u.of("m") for u in units))
            how += " of " + ", ".join(f"{seen(d, 2)} {symbol}" for d, symbol in each)
        if way.by == "material":
            value, half = record.get("material"), record.get("material_95")
            symbol = with_signs(record.get("material_unit") or "")
            said = "" if value is None else written(value, half, symbol)
        else:
            said = _told(record, way.measured, way.metric, units)
        if said:
            yield way, how, said


def _to_order(record: Record, way: _Way, units: PaperUnits) -> str:
    if way.by != "material":
        return _order(record, way.ordered, way.metric, units)
    value = record.get("order_material")
    if value is None:
        return ""
    symbol = with_signs(record.get("material_unit") or "")
    return _rounded_up(value, record.get("order_material_95"), 1.0, symbol)


def _orders(package: Package, totals: Sequence[Record], units: PaperUnits) -> list[Block]:
    """List what is ordered, each thing once, and then what is not."""
    rows, left = [], []
    for record in totals:
        code = record.get("code") or ""
        meaning = package.codes.get(code)
        if meaning is not None and meaning.building:
            continue
        name, waste = code_title(package.codes, code), record.get("waste_percent")
        why = _not_ordered(package, record)
        if why:
            left += [(name, how, said, why) for _, how, said in _ways(record, units)]
            continue
        first = True
        for way, how, said in _ways(record, units):
            order = _to_order(record, way, units)
            if not order:
                continue
            if first:
                rows.append(
                    (
                        name + _replaced(record, units),
                        how,
                        said + _left(record, way, units),
                        f"{waste:g} %" if waste else "",
                        order,
                    )
                )
            else:
                rows.append((name, how, said, "", "the same, counted above"))
            first = False
    blocks: list[Block] = []
    columns = (
        Column("what", 1.2),
        Column("measured", 0.9),
        Column("quantity", 1.1, "end"),
    )
    if rows:
        ends = (Column("waste", 0.35, "end"), Column("to order", 0.95, "end"))
        blocks += [Heading("What to order", 2), Table((*columns, *ends), tuple(rows))]
        if any(table.name == "design_parts" and table.records for table in package.tables):
            blocks.append(Paragraph(_STILL_ORDERED))
    if left:
        blocks += [
            Heading("Measured and not ordered", 2),
            Table((*columns, Column("why", 1.2)), tuple(left)),
        ]
    return blocks


def _replaced(record: Record, units: PaperUnits) -> str:
    """Return what designs lay something else on, which the order is without."""
    under = _told(record, "replaced_area", "m2", units)
    under = (under or _told(record, "replaced_length", "m", units)).replace("\n", ", ")
    return f"\n{under} of it lie under a design" if under else ""


def _is_replaced(record: Record) -> bool:
    return bool(record.get("replaced_area_m2") or record.get("replaced_length_m"))


def _left(record: Record, way: _Way, units: PaperUnits) -> str:
    """Return what is left beside the designs, to which the waste is added."""
    value, half = (
        record.get(f"order_{way.ordered}{end}_{way.metric}".rstrip("_")) for end in ("", "_95")
    )
    if value is None or not _is_replaced(record):
        return ""
    share = 1 + (record.get("waste_percent") or 0.0) / 100
    ends = [unit.of(way.metric) for unit in units]
    if not way.metric:
        ends = [(1.0, with_signs(record.get("material_unit") or ""))]
    told = (
        written(value / share * f, None if half is None else half / share * f, symbol)
        for f, symbol in ends
    )
    return "".join(f"\nwithout that {one}" for one in told)


def _not_ordered(package: Package, record: Record) -> str:
    """Return why a thing is not ordered, blank where it is."""
    if record.get("order_by") == "existing":
        return "is there and stays"
    if record.get("order_by") == "elsewhere":
        return f"counted in {code_title(package.codes, record.get('counted_in'))}"
    return ""


def _without_price(
    package: Package, totals: Sequence[Record], tables: Mapping[str, Sequence[Record]]
) -> list[str]:
    """Return what is ordered and is in no line of the prices."""
    priced = {r.get("code") for r in tables.get("prices", ())}
    names = []
    for record in totals:
        code = record.get("code") or ""
        meaning = package.codes.get(code)
        is_building = meaning is not None and meaning.building
        if code and code not in priced and not is_building and not _not_ordered(package, record):
            names.append(code_title(package.codes, code))
    return list(dict.fromkeys(names))


def _designed(package: Package, records: Sequence[Record], units: PaperUnits) -> list[Block]:
    """Return what the parts of designs take, each ordered once."""
    if not records:
        return []
    rows = []
    for record in records:
        name = (
            f"{code_title(package.codes, record.get('code'))} ({readable_name(record.get('part'))})"
        )
        design = design_name(package, str(record.get("design") or ""))
        waste = record.get("waste_percent")
        around = _told(record, "edging", "m", units)
        for way, how, said in _ways(record, units):
            order = "the same, counted above"
            if way.by == record.get("order_by"):
                metric = str(record.get("order_unit") or "")
                ends = [unit.of(metric) for unit in units] if way.metric else [(1.0, metric)]
                value, half = float(record.get("order") or 0.0), record.get("order_95")
                order = "\n".join(_rounded_up(value, half, f, with_signs(s)) for f, s in ends)
            first = way.by == record.get("order_by")
            added = f"{waste:g} %" if waste and first else ""
            rows.append((design, name, how, said, around if first else "", added, order))
    columns = (
        Column("design", 0.85),
        Column("part", 1.1),
        Column("measured", 0.85),
        Column("quantity", 0.75, "end"),
        Column("edge", 0.65, "end"),
        Column("waste", 0.4, "end"),
        Column("to order", 0.95, "end"),
    )
    return [
        Heading("What the designs take", 2),
        Paragraph(
            "As designed: numbers of the site file are exact, what lies on surveyed marks has "
            "their errors. Cut and fill stand with the earthworks."
        ),
        Table(columns, tuple(rows)),
    ]


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
    package: Package, features: Sequence[Record], totals: Sequence[Record], units: PaperUnits
) -> list[Block]:
    rows, strong = [], set()
    for number, (is_total, record) in enumerate(_by_code(features, totals, "area")):
        if is_total:
            strong.add(number)
        rows.append(
            (
                code_title(package.codes, record.get("code")),
                "all" if is_total else readable_name(record.get("feature")),
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
    package: Package, features: Sequence[Record], totals: Sequence[Record], units: PaperUnits
) -> list[Block]:
    rows, strong, kerbs = [], set(), [t.records for t in package.tables if t.name == "kerbs"]
    high = {
        str(r["line"]): _in_each(r["upstand_m"], r.get("upstand_95_m") or None, "m", units)
        for found in kerbs
        for r in found
    }
    for number, (is_total, record) in enumerate(_by_code(features, totals, "line")):
        if is_total:
            strong.add(number)
        sloped = record.get("length_3d_m")
        half = record.get("length_3d_95_m", record.get("length_95_m"))
        rows.append(
            (
                code_title(package.codes, record.get("code")),
                "all" if is_total else readable_name(record.get("feature")),
                _told(record, "length", "m", units),
                "" if sloped is None else _in_each(sloped, half, "m", units),
                *(() if not high else ("" if is_total else high.get(str(record["feature"]), ""),)),
            )
        )
    if not rows:
        return []
    columns = (
        Column("line", 1.0),
        Column("feature", 0.8),
        Column("level", 0.8, "end"),
        Column("along the slope", 0.8, "end"),
        *((Column("upstand", 0.7, "end"),) if high else ()),
    )
    return [Heading("Lines", 2), Table(columns, tuple(rows), frozenset(strong))]


def _pieces_to_order(record: Record) -> str:
    count, waste = record.get("count") or 0, record.get("waste_percent") or 0.0
    order = whole_pieces(count, waste)
    return f"{order}" if order == count else f"{order}, with {waste:g} % waste rounded up"


def _pieces(package: Package, totals: Sequence[Record]) -> list[Block]:
    rows = tuple(
        (
            code_title(package.codes, r.get("code")),
            f"{r.get('count') or 0}",
            _not_ordered(package, r) or _pieces_to_order(r),
        )
        for r in totals
        if r.get("kind") == "point"
    )
    if not rows:
        return []
    columns = Column("what", 1.2), Column("pieces", 0.4, "end"), Column("to order", 0.9, "end")
    return [Heading("Pieces", 2), Table(columns, rows)]
