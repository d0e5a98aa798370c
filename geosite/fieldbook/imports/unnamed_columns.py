"""Columns that no header names: told by what stands in them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.problems import shown
from geosite.fieldbook.book_columns import latitude_and_longitude
from geosite.fieldbook.cells import times
from geosite.fieldbook.imports.headers import DIRECTIONS, plain_header
from geosite.fieldbook.imports.model import (
    DEGREES,
    Column,
    Question,
    Role,
    Source,
    Sureness,
)
from geosite.fieldbook.model import PIECE_KINDS
from geosite.reading.written_numbers import Decimal, as_number, units_of

__all__ = ["ask_what_is_up", "axes_by_data", "degrees_among", "recurring", "texts_by_data"]

_AXES: tuple[Role, ...] = ("x", "y", "z")
_SEGMENT = re.compile(rf"({'|'.join(PIECE_KINDS)})\s*\d*", re.IGNORECASE)
_FLAT = 0.5
"""Heights span less than this share of the plan in any yard that is walked."""


def axes_by_data(
    source: Source,
    header: Sequence[str] | None,
    rows: Sequence[Sequence[str]],
    numeric: Sequence[int],
    decimal: Decimal,
    found: dict[str, Column],
    questions: list[Question],
) -> None:
    """Find x, y and z, and numbers of marks before them, where nobody has named a column."""
    missing = [axis for axis in _AXES if axis not in found]
    if not missing:
        return
    taken = {column.index for column in found.values()}
    free = [i for i in numeric if i not in taken]
    values = {i: np.array([as_number(row[i], decimal) or 0.0 for row in rows]) for i in free}
    free = [i for i in free if not _is_counter(values[i], [row[i] for row in rows])]
    free = _without_sizes(free, len(missing), rows, decimal)
    parted = [i for i in free if any(decimal in row[i] for row in rows)]
    is_list = header is None and "point" not in found and len(free) == 4 and parted == free[1:]
    if is_list and _is_point([row[free[0]] for row in rows], found):
        why = "whole numbers before three with decimals"
        found["point"] = Column("point", free[0], "", False, "likely", why)
        free = parted
    listed = ", ".join(
        f"{i + 1}" + (f" {shown(header[i], 20)}" if header and header[i] else "") for i in free
    )
    # coordinates have decimals; a number of the mark or of its class has none
    likely = parted if len(parted) >= len(missing) else free
    example = " ".join(f"--column {a}={i + 1}" for a, i in zip(missing, likely, strict=False))
    answer = f"say for example {example or '--column x=NAME'}"
    polar = header is not None and any(plain_header(header[i]) in DIRECTIONS for i in free)
    if polar:
        answer = "distances and directions are not read: export coordinates"
    if len(free) != len(missing) or (len(missing) < 3 and header is not None) or polar:
        questions.append(
            Question(
                "axes-open",
                f"no header says which column is {' and '.join(missing)}; columns of numbers that"
                f" nobody has named: {listed or 'none'}",
                "a column for each of x, y and z",
                answer,
                source.file,
            )
        )
        return
    if len(missing) == 3:
        spans = [float(np.ptp(values[i])) for i in free]
        if spans[2] > _FLAT * max(spans[:2]):
            flat = free[int(np.argmin(spans))]
            questions.append(
                Question(
                    "height-open",
                    ("no header names x, y and z; " if header else "without a header ")
                    + f"the order x, y, z is usual, but column {flat + 1} looks like the heights",
                    "which column is x, which y, and which way they count",
                    "say for example "
                    + " ".join(
                        f"--column {a}={i + 1}"
                        for a, i in zip("xyz", [*(i for i in free if i != flat), flat], strict=True)
                    )
                    + ' ("-2" turns an axis; seen from above, y lies to the left of x)',
                    source.file,
                )
            )
            return
    for axis, i in zip(missing, free, strict=True):
        head = header[i] if header else ""
        sureness: Sureness = "guess" if len(missing) == 3 else "likely"
        why = "no header: the order x, y, z" if len(missing) == 3 else "the only numbers left"
        found[axis] = Column(axis, i, head, False, sureness, why)


def _without_sizes(
    free: list[int], wanted: int, rows: Sequence[Sequence[str]], decimal: Decimal
) -> list[int]:
    """Leave columns with units away where the wanted coordinates have none: pipes of 4 in."""
    if len(free) <= wanted:
        return free
    bare = [i for i in free if not any(units_of(row[i], decimal) for row in rows)]
    return bare if len(bare) == wanted else free


def degrees_among(
    header: Sequence[str] | None,
    rows: Sequence[Sequence[str]],
    found: Mapping[str, Column],
    decimal: Decimal,
) -> str | None:
    """Say which columns are latitude and longitude, ``None`` where there are not both of them.

    By their names, or by numbers that differ from the second decimal on and have five: a yard.
    """
    if "x" in found and "y" in found:
        return None
    named = latitude_and_longitude([plain_header(name) for name in header or ()])
    if len(named) == 2 and header is not None:
        return f"{shown(header[named[0]])} and {shown(header[named[1]])} are degrees"
    taken = {column.index for column in found.values()}
    fitting = []
    for i in range(len(rows[0]) if rows else 0):
        values = [as_number(row[i], decimal) for row in rows]
        known = [value for value in values if value is not None]
        fine = sum(len(row[i].partition(decimal)[2]) >= 5 for row in rows) > len(rows) / 2
        if i in taken or len(known) < len(rows) or not fine:
            continue
        span, size = max(known) - min(known), abs(known[0])
        if 0 < span <= DEGREES and 10 * span < size <= 180:
            fitting.append(shown(header[i]) if header and header[i] else str(i + 1))
    return f"columns {' and '.join(fitting)} look like degrees" if len(fitting) == 2 else None


def ask_what_is_up(
    source: Source,
    rows: Sequence[Sequence[str]],
    decimal: Decimal,
    found: Mapping[str, Column],
    questions: list[Question],
) -> None:
    """Ask where axes that are called x, y and z alone have the flat of a yard in x and z."""
    x, y, z = (found[axis] for axis in "xyz")
    if any(c.sureness == "told" or plain_header(c.header) != c.role for c in (x, y, z)):
        return
    values = [[as_number(row[c.index], decimal) or 0.0 for row in rows] for c in (x, y, z)]
    along, across, up = (float(np.ptp(axis)) for axis in values)
    # degrees are told as such, later
    if along > DEGREES and up > _FLAT * along and across < up / 4:
        questions.append(
            Question(
                "height-open",
                f"{shown(z.header)} spans {up:.4g} units and {shown(y.header)} only {across:.4g}:"
                f" {shown(y.header)} looks like the heights, as with devices whose y points up",
                "which column counts upwards",
                f"say --column x={x.header} --column y=-{z.header} --column z={y.header}"
                f" (y={z.header} where z points ahead), or --column z={z.header} where that is the"
                " height",
                source.file,
            )
        )


def _is_counter(values: Floats, cells: Sequence[str]) -> bool:
    """Report whether numbers only count the rows or tell the time."""
    if len(values) < 3:
        return False
    steps = np.diff(values)
    whole = not any("." in c or "," in c for c in cells)
    return bool(whole and np.all(steps == 1)) or bool(np.all(steps > 0) and values.min() > 1e6)


def texts_by_data(
    header: Sequence[str] | None,
    rows: Sequence[Sequence[str]],
    decimal: Decimal,
    found: dict[str, Column],
) -> None:
    """Find segment, run, point, feature, code and note among columns that nobody has named."""
    tests: tuple[tuple[Role, Callable[[Sequence[str], dict[str, Column]], bool], str], ...] = (
        ("segment", _is_segment, "words of segments"),
        ("time", _is_clock, "times"),
        ("run", _is_run, "few names, each for a stretch of rows"),
        ("point", _is_point, "names that differ, some come again"),
        ("code", _is_code, "few names that come again"),
        ("note", _is_note, "free text"),
    )
    for role, test, why in tests:
        if role in found:
            continue
        taken = {column.index for column in found.values()}
        fitting = []
        for i in range(len(rows[0]) if rows else 0):
            # a named column is what its name says, or nothing of ours
            if i in taken or (header is not None and header[i]):
                continue
            cells = [row[i] for row in rows]
            if any(cells) and test(cells, found):
                fitting.append(Column(role, i, "", False, "likely", why))
        if fitting:
            # a counter in front of the names differs in every row, too
            mark = recurring(fitting, rows) if role == "point" else None
            found[role] = mark or fitting[0]
    _feature_and_code(header, rows, found)


def _feature_and_code(
    header: Sequence[str] | None, rows: Sequence[Sequence[str]], found: dict[str, Column]
) -> None:
    """Of two columns of recurring names, the finer one that keeps its code is the feature."""
    if header is not None or "feature" in found or "code" not in found:
        return
    taken = {column.index for column in found.values()} - {found["code"].index}
    if "note" in found:
        taken -= {found["note"].index}
    one = found["code"].index
    for i in range(len(rows[0])):
        if i in taken or i == one:
            continue
        pairs = {(row[i], row[one]) for row in rows if row[i] or row[one]}
        names = [{a for a, b in pairs}, {b for a, b in pairs}]
        both = all(bool(row[i]) == bool(row[one]) for row in rows)
        if not both or len(pairs) != max(map(len, names)):
            continue
        # as many of one as of the other: the usual order is feature, code
        feature, code = (i, one) if (len(names[0]), -i) >= (len(names[1]), -one) else (one, i)
        why = "each name has one code"
        found["feature"] = Column("feature", feature, "", False, "likely", why)
        found["code"] = Column("code", code, "", False, "likely", "one for several names")
        if "note" in found and found["note"].index in (feature, code):
            del found["note"]
        return


def _is_segment(cells: Sequence[str], found: Mapping[str, Column]) -> bool:
    return all(_SEGMENT.fullmatch(cell) for cell in cells if cell)


def _is_clock(cells: Sequence[str], found: Mapping[str, Column]) -> bool:
    # a number may be anything
    written = all(":" in cell or "-" in cell[1:] for cell in cells)
    return written and bool(np.isfinite(times(cells)).all())


def _is_run(cells: Sequence[str], found: Mapping[str, Column]) -> bool:
    stretches = 1 + sum(a != b for a, b in pairwise(cells))
    names = len(set(cells))
    return all(cells) and stretches == names and len(cells) >= 4 * names


def _is_point(cells: Sequence[str], found: Mapping[str, Column]) -> bool:
    values = Counter(cell for cell in cells if cell)
    filled = sum(values.values())
    return filled >= 0.5 * len(cells) and len(values) > 0.5 * filled


def _is_code(cells: Sequence[str], found: Mapping[str, Column]) -> bool:
    values = Counter(cell for cell in cells if cell)
    return bool(values) and len(values) <= 0.5 * sum(values.values()) + 1


def _is_note(cells: Sequence[str], found: Mapping[str, Column]) -> bool:
    return any(" " in cell for cell in cells)


def recurring(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> Column | None:
    """Return the only column in which values come again, as marks do that are visited twice."""
    again = []
    for column in columns:
        values = [row[column.index] for row in rows if row[column.index]]
        if len(set(values)) < len(values) and len(set(values)) > len(values) // 4:
            again.append(column)
    return again[0] if len(again) == 1 else None
