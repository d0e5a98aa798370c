"""Residuals of every leg and visit for the survey report: a plot along the walk, and tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.rounding import grouped
from geosite.base.statistics import NORMAL_95
from geosite.base.units import FOOT_M
from geosite.drawing.document import Block, Column, Figure, Heading, Paragraph, Table
from geosite.drawing.font import printable, typeface
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.sheet import Outline, Rectangle, Shape, Text, rectangle
from geosite.handover.layers.residuals import sharing_a_misclosure
from geosite.handover.model import Package
from geosite.handover.palette import ALERT, EARTH, WATER
from geosite.handover.wording.measures import Measures

__all__ = ["residual_blocks"]

Record = Mapping[str, Any]

SUSPECT = 3.29
"""Two-sided limit of one in a thousand, as in data snooping (Baarda 1968, A testing procedure for
use in geodetic networks; value from memory)."""
LISTED = 1000
"""Rows of a table: of more, those with the largest standardised residuals."""
_TOP = 5.0
"""Standardised residuals beyond this are drawn at the edge of the plot."""
_FINEST = 0.05
"""Width, mm, in which more steps are not told apart: an eighth of a pen."""
_AXES = ("east", "north", "up")
_PENS = {
    "east": Stroke(WATER, 0.4),
    "north": Stroke(EARTH, 0.4, (1.6, 0.7)),
    "up": Stroke(TEXT, 0.3, (0.5, 0.5)),
}
_HOW = (
    "Adjusted less measured, on the map's axes: of a leg, how far its end moved against its start; "
    "of a visit, how far beside the mark it was pointed. A standardised residual is the residual "
    "over its own standard deviation; none is given where nothing checks. Legs between two "
    "repeated marks share one misclosure, so a mistake in one of them shows in all: they stand in "
    "one row, with the sum of their residuals; each alone stands in residuals.csv. Of a hundred "
    f"good ones five lie beyond {NORMAL_95:.2f}; beyond {SUSPECT:.2f}, one in a thousand, they are "
    "set in bold and must be looked at."
)


def residual_blocks(package: Package, measures: Measures) -> list[Block]:
    """Return plot and tables of the residuals; nothing for a package without them.

    Parameters
    ----------
    package
        With the table ``residuals``.
    measures
        Unit of the lengths; residuals are in millimetres or in feet.
    """
    table = next((table for table in package.tables if table.name == "residuals"), None)
    if table is None:
        return []
    legs = [r for r in table.records if r["kind"] == "leg"]
    visits = [r for r in table.records if r["kind"] == "visit"]
    blocks: list[Block] = [Heading("Residuals", 2), Paragraph(_HOW)]
    finer = ""
    if len(legs) > LISTED:
        finer = (
            f" Of legs that fall on the same {_FINEST:g} mm, less than the pen is wide, the first, "
            "the least, the largest and the last are drawn; residuals.csv has all."
        )
    if any(_largest(r) is not None for r in legs):
        blocks.append(
            Figure(
                62.0,
                lambda box: _plot(legs, box, measures),
                "Standardised residuals of the legs along the walk, run after run. Lines at "
                f"{NORMAL_95:.2f} (dashed) and {SUSPECT:.2f}. What lies beyond {_TOP:g} is drawn "
                f"at the edge.{finer}",
            )
        )
    blocks += _listed("Legs", legs, measures)
    if visits:
        blocks += _listed("Visits", visits, measures)
    else:
        text = "The model of this device knows no error of pointing, so visits have no residuals."
        blocks.append(Paragraph(text))
    return blocks


def _largest(record: Record) -> float | None:
    """Return the largest standardised residual of the three axes."""
    found = [abs(v) for axis in _AXES if (v := record[f"{axis}_standardised"]) is not None]
    return max(found, default=None)


def _listed(title: str, records: Sequence[Record], measures: Measures) -> list[Block]:
    if title == "Legs":
        records = sharing_a_misclosure(records)
    kept = list(records)
    told = ""
    if len(records) > LISTED:
        order = sorted(range(len(records)), key=lambda i: -(_largest(records[i]) or -1.0))
        kept = [records[i] for i in sorted(order[:LISTED])]
        told = f"The {LISTED} largest of {grouped(len(records), 0)}; all stand in residuals.csv."
    legs = title == "Legs"
    rows = tuple(_row(r, legs, measures) for r in kept)
    strong = frozenset(i for i, r in enumerate(kept) if (_largest(r) or 0.0) > SUSPECT)
    unit = "mm" if measures.unit == "m" else "ft"
    columns = (
        Column("run", 0.45),
        *((Column("from", 0.7),) if legs else ()),
        Column("to" if legs else "mark", 0.7),
        *((Column("legs", 0.45, "end"),) if legs else ()),
        Column(f"length\n{measures.unit}" if legs else "line of the\nfield book", 0.7, "end"),
        *(Column(f"{axis}\n{unit}", 0.6, "end") for axis in _AXES),
        *(Column(f"{axis}\nstandardised", 0.95, "end") for axis in _AXES),
    )
    blocks: list[Block] = [Heading(title, 2)]
    if told:
        blocks.append(Paragraph(told))
    return [*blocks, Table(columns, rows, strong)]


def _row(record: Record, leg: bool, measures: Measures) -> tuple[str, ...]:
    def place(mark: str, row: str) -> str:
        return str(record[mark] or f"line {record[row]}")

    length = record["length_m"]
    per, digits = (1000.0, 1) if measures.unit == "m" else (1 / FOOT_M, 3)
    return (
        str(record["run"]),
        *((place("from_point", "from_row"),) if leg else ()),
        place("to_point", "row"),
        *((str(record["legs"]),) if leg else ()),
        str(record["row"]) if not leg else measures.fine(length, 2),
        *(
            "" if (v := record[f"{a}_m"]) is None else f"{_zero(v * per, digits):.{digits}f}"
            for a in _AXES
        ),
        *(
            "" if (v := record[f"{a}_standardised"]) is None else f"{_zero(v, 2):.2f}"
            for a in _AXES
        ),
    )


def _zero(value: float, digits: int) -> float:
    """Return a number that is not minus nothing when written."""
    return round(value, digits) + 0.0


def _plot(legs: Sequence[Record], box: Rectangle, measures: Measures) -> list[Shape | Text]:
    """Draw the standardised residuals of the legs over the way walked."""
    left, right, top, foot = box.x + 9.0, box.right - 1.0, box.y + 8.0, box.bottom - 7.0
    way = np.cumsum([r["length_m"] or 0.0 for r in legs]) / measures.unit_m
    whole = max(float(way[-1]), 1e-9)
    middle, tall = (top + foot) / 2, (foot - top) / 2 / (_TOP + 0.4)

    def x(at: Floats | float) -> Any:
        return left + np.asarray(at) / whole * (right - left)

    def level(value: float) -> Outline:
        y = middle - value * tall
        return Outline((np.array([(left, y), (right, y)]),))

    items: list[Shape | Text] = [
        Shape([level(v) for v in (-NORMAL_95, NORMAL_95)], Stroke(FAINT, 0.18, (2.0, 1.0))),
        Shape([level(v) for v in (-SUSPECT, SUSPECT)], Stroke(ALERT, 0.25)),
        Shape([level(0.0)], Stroke(FAINT, 0.13)),
    ]
    items += [
        Text(left - 1.5, middle - value * tall + 0.8, f"{value}", 2.2, anchor="end")
        for value in (-4, -2, 0, 2, 4)
    ]
    start = 0
    for run, members in groupby(legs, key=lambda r: r["run"]):
        end = start + len(list(members))
        begin = float(way[start - 1]) if start else 0.0
        if start:
            line = np.array([(float(x(begin)), top), (float(x(begin)), foot)])
            items.append(Shape([Outline((line,))], Stroke(FAINT, 0.13)))
        name = typeface("regular").fit(printable(str(run), 30), 8.0)
        at = (begin + float(way[end - 1])) / 2
        items.append(Text(float(x(at)), top + 3.0, name, 2.2, colour=FAINT, anchor="middle"))
        for axis in _AXES:
            values = [r[f"{axis}_standardised"] for r in legs[start:end]]
            edges = np.concatenate([[begin], way[start:end]])
            steps = _steps(values, x(edges), middle, tall)
            items += [Shape(steps, _PENS[axis])] if steps else []
        start = end
    items.append(
        rectangle(Rectangle(left, top, right - left, foot - top), stroke=Stroke(TEXT, 0.2))
    )
    return [*items, *_ticks(whole, x, foot, measures.unit), *_key(left, box.y + 3.5)]


def _steps(values: Sequence[float | None], x: Floats, middle: float, tall: float) -> list[Outline]:
    """Return a step line per stretch of known values."""
    found = []
    for known, part in groupby(range(len(values)), key=lambda i: values[i] is not None):
        if known:
            at = list(part)
            level = np.clip([values[i] or 0.0 for i in at], -_TOP, _TOP)
            places = np.column_stack(
                [np.repeat(x[at[0] : at[-1] + 2], 2)[1:-1], middle - np.repeat(level, 2) * tall]
            )
            found.append(Outline((_drawn(places),)))
    return found


def _drawn(places: Floats) -> Floats:
    """Leave out steps that no pen shows: of each width the first, least, largest and last stay.

    A walk of 100,000 legs has 600 on a millimetre.
    """
    column = np.floor(places[:, 0] / _FINEST).astype(np.int64)
    first = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    if len(places) <= 4 * len(first):
        return places
    order = np.lexsort((places[:, 1], column))
    last = np.append(first[1:], len(places)) - 1
    kept = np.unique(np.concatenate([first, last, order[first], order[last]]))
    drawn: Floats = places[kept]
    return drawn


def _ticks(whole: float, x: Any, foot: float, unit: str) -> list[Shape | Text]:
    power = 10.0 ** math.floor(math.log10(whole / 4))
    step = max(m * power for m in (1.0, 2.0, 5.0) if m * power <= whole / 4)
    items: list[Shape | Text] = []
    for k in range(int(whole / step + 1e-9) + 1):
        at = float(x(k * step))
        items.append(
            Shape([Outline((np.array([(at, foot), (at, foot + 1.0)]),))], Stroke(TEXT, 0.2))
        )
        words = f"{grouped(k * step, max(0, math.ceil(-math.log10(step))))}"
        last = (k + 1) * step > whole
        items.append(
            Text(at, foot + 3.8, f"{words} {unit} walked" if last else words, 2.2,
                 anchor="end" if last else "middle")
        )  # fmt: skip
    return items


def _key(x: float, y: float) -> list[Shape | Text]:
    items: list[Shape | Text] = []
    for axis in _AXES:
        line = np.array([(x, y - 0.8), (x + 9.0, y - 0.8)])
        items.append(Shape([Outline((line,))], _PENS[axis]))
        items.append(Text(x + 10.5, y, axis, 2.4))
        x += 26.0
    return items
