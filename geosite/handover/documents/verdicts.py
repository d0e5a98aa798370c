"""Grades and distances to parcel lines, each held against its limit, as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from geosite.base.rounding import written
from geosite.base.units import FOOT_M
from geosite.drawing.document import Block, Column, Heading, Paragraph, Table
from geosite.handover.model import Package
from geosite.handover.names import design_called, readable_name
from geosite.handover.wording.measures import GRADE_SIGNS, verdict_told
from geosite.handover.wording.reference import parcel_source_words

__all__ = ["verdict_blocks"]

Record = Mapping[str, Any]

_WORST_FIRST = ("beyond", "crosses", "undecided", "cannot tell", "not measured")


def verdict_blocks(package: Package, unit: Literal["m", "ft"]) -> list[Block]:
    """Return the tables of what was held against a limit; none where nothing was.

    Parameters
    ----------
    package
        With the layers ``grades`` and ``parcel_clearances`` where they were asked for.
    unit
        Of lengths.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.handover.model import Layer
    >>> row = {"feature": "shed", "parcel": "12", "distance_m": 3.048, "distance_95_m": 0.3048}
    >>> near = Layer("parcel_clearances", "", "", "LineString", (), [row], [])
    >>> *_, table = verdict_blocks(Package("Yard", "", Frame(), (near,)), "ft")
    >>> table.rows[0][:3]
    ('shed', '12', '10.0 +/- 1.0 ft')
    """
    records = {layer.name: layer.records for layer in package.layers}
    per_metre = 1.0 if unit == "m" else 1 / FOOT_M
    return [
        *_grades(package, sorted(records.get("grades", ()), key=_rank), per_metre, unit),
        *_clearances(
            package, sorted(records.get("parcel_clearances", ()), key=_rank), per_metre, unit
        ),
        *_designs(package, per_metre, unit),
    ]


def _rank(record: Record) -> int:
    verdict = record.get("verdict")
    return _WORST_FIRST.index(verdict) if verdict in _WORST_FIRST else len(_WORST_FIRST)


def _bold(records: list[Record]) -> frozenset[int]:
    return frozenset(i for i, r in enumerate(records) if r.get("verdict") in ("beyond", "crosses"))


def _rule(package: Package, record: Record) -> str:
    """Return limit set, the standard it is taken from, and the section of it."""
    limits = str(record.get("limits") or "")
    standard = package.standards.get(limits, "")
    named = f"{limits}: {standard}," if standard else limits
    return " ".join(part for part in (named, str(record.get("section") or "")) if part)


def _grades(package: Package, records: list[Record], per_metre: float, unit: str) -> list[Block]:
    if not records:
        return []
    rows = []
    for r in records:
        percent = r.get("unit") == "percent"
        factor, symbol = (1.0, "%") if percent else (per_metre, unit)
        value, half, limit = r.get("value"), r.get("value_95"), r.get("limit_value")
        half = None if half is None else half * factor
        rows.append(
            (
                readable_name(r.get("line")),
                str(r.get("check_of") or ""),
                f"{r.get('from_point') or ''} to {r.get('to_point') or ''}",
                "" if value is None else written(value * factor, half, symbol),
                "" if limit is None else f"{limit * factor:.3g} {symbol}",
                verdict_told(r),
                _rule(package, r),
            )
        )
    columns = (
        Column("line", 0.8),
        Column("check", 0.9),
        Column("stretch", 0.9),
        Column("measured", 0.95, "end"),
        Column("limit", 0.6, "end"),
        Column("verdict", 0.75),
        Column("rule", 1.6),
    )
    return [
        Heading("Grades against limits", 2),
        Paragraph(
            f"{GRADE_SIGNS} Within or beyond is said where 95 of 100 possible grounds agree; "
            "otherwise it is undecided. Built-in limits, those of a named standard, are defaults "
            "that local rules replace ([grades] limits_file), so that the verdict is on the "
            f"default alone; this is no certificate of accessibility.{_not_local(package, records)}"
        ),
        Table(columns, tuple(rows), _bold(records)),
    ]


def _not_local(package: Package, records: Sequence[Record]) -> str:
    """Say so where the defaults are those of another country."""
    abroad = any(finding.code == "limits-not-local" for finding in package.findings)
    if not abroad or all(record.get("limit_from") != "default" for record in records):
        return ""
    return " They are rules of the United States, where this site does not lie."


def _clearances(
    package: Package, records: list[Record], per_metre: float, unit: str
) -> list[Block]:
    if not records:
        return []
    rows = [
        (
            readable_name(r.get("feature")),
            str(r.get("parcel") or ""),
            _distance(r, per_metre, unit),
            str(r.get("verdict") or ""),
        )
        for r in records
    ]
    columns = (
        Column("feature", 1.0),
        Column("parcel", 1.0),
        Column("distance to its line,\nnegative beyond it", 1.0, "end"),
        Column("verdict", 0.8),
    )
    return [
        Heading("Distances to parcel lines", 2),
        Paragraph(
            "Parcel lines are the parcel map's, with its stated accuracy; this determines no "
            f"boundary. {parcel_source_words(package.parcel_source)}"
        ),
        Table(columns, tuple(rows), _bold(records)),
    ]


def _distance(record: Record, per_metre: float, unit: str) -> str:
    """Return the distance to a parcel line with half its interval; empty for none."""
    value, half = record.get("distance_m"), record.get("distance_95_m")
    if value is None:
        return ""
    return written(value * per_metre, None if half is None else half * per_metre, unit)


_REACH = {"parts": "as laid out", "banks": "with its banks"}


def _designs(package: Package, per_metre: float, unit: str) -> list[Block]:
    """Return how near designs come to parcel lines."""
    tables = {table.name: table.records for table in package.tables}
    records = sorted(tables.get("design_parcels", ()), key=_rank)
    if not records:
        return []
    rows = []
    for r in records:
        name = design_called(r)
        reach, told = _REACH[str(r["what"])], _distance(r, per_metre, unit)
        rows.append((name, reach, str(r.get("parcel") or ""), told, str(r.get("verdict") or "")))
    columns = (
        Column("design", 1.0),
        Column("what of it", 0.8),
        Column("parcel", 0.8),
        Column("least distance to its line,\nnegative beyond it", 1.0, "end"),
        Column("verdict", 0.6),
    )
    return [
        Heading("Designs and parcel lines", 2),
        Paragraph(
            "As designed, against the parcel map with its stated accuracy: setting out adds its "
            "own error. This determines no boundary; a licensed surveyor does."
        ),
        Table(columns, tuple(rows), _bold(records)),
    ]
