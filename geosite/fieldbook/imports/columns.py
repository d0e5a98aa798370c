"""Which column is which: by what was said, by the headers, by the data, in this order."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.problems import nearest, shown
from geosite.fieldbook.cells import times
from geosite.fieldbook.imports.headers import header_rows, plain_header, role_of, unit_of
from geosite.fieldbook.imports.model import (
    DEGREES,
    ROLES,
    Answers,
    Column,
    Question,
    Role,
    Source,
    Sureness,
    Walked,
)
from geosite.fieldbook.model import PIECE_KINDS
from geosite.reading.delimited import Decimal, as_number

__all__ = ["read_columns"]

_SEGMENT = re.compile(rf"({'|'.join(PIECE_KINDS)})\s*\d*", re.IGNORECASE)
_TITLES = 5
"""First rows in which a line above the table may stand."""
_FLAT = 0.5
"""Heights span less than this share of the plan in any yard that is walked."""


def read_columns(source: Source, answers: Answers, questions: list[Question]) -> Walked | None:
    """Say what each column of a table is.

    Parameters
    ----------
    source
    answers
        What was said already; it wins over everything.
    questions
        Receives what stays open; the answer is then ``None``.
    """
    table = source.table
    decimal: Decimal | None = answers.decimal or table.decimal
    if decimal is None:
        questions.append(
            Question(
                "decimal-open",
                "its numbers have commas that may stand for decimals or for thousands",
                "one of the two",
                "say --decimal , or --decimal .",
                source.file,
            )
        )
        return None
    numeric = _numeric_columns(table.rows, decimal)
    header, units, first = header_rows(table.rows, numeric, decimal)
    body = [
        (row, line, at)
        for at, (row, line) in enumerate(zip(table.rows, table.lines, strict=True))
        if at >= first and row != (tuple(header) if header else None)
    ]
    again = {
        at + 1
        for at, row in enumerate(table.rows)
        if header and row == tuple(header) and at > first
    }
    rows = [row for row, _, _ in body]
    columns = _chosen(source, header, rows, numeric, decimal, answers, questions)
    if columns is None:
        return None
    xyz = _coordinates(source, columns, body, decimal, questions)
    if xyz is None:
        return None
    before = len(questions)
    unit = _unit(source, header, units, columns, questions)
    if len(questions) > before:
        return None
    places = {at: k for k, (_, _, at) in enumerate(body)}
    breaks = {places[b] for b in table.breaks | again if places.get(b, 0) > 0}
    cells = {
        role: tuple(_noted(role, row[column.index], decimal) for row in rows)
        for role, column in columns.items()
        if role not in "xyz"
    }
    return Walked(
        source,
        columns,
        unit,
        tuple(line for _, line, _ in body),
        xyz,
        cells,
        frozenset(breaks),
    )


def _noted(role: str, cell: str, decimal: Decimal) -> str:
    """Return a cell as a field book with decimal points has it: seconds are numbers, too."""
    seconds = as_number(cell, decimal) if role == "time" and decimal == "," else None
    return cell if seconds is None else f"{seconds:.17g}"


def _numeric_columns(rows: Sequence[Sequence[str]], decimal: Decimal) -> list[int]:
    width = len(rows[0]) if rows else 0
    return [
        i
        for i in range(width)
        if sum(as_number(row[i], decimal) is not None for row in rows) >= 0.6 * len(rows)
    ]


def _chosen(
    source: Source,
    header: Sequence[str] | None,
    rows: Sequence[Sequence[str]],
    numeric: Sequence[int],
    decimal: Decimal,
    answers: Answers,
    questions: list[Question],
) -> dict[str, Column] | None:
    """Return a column for each role that has one; ``None`` after a question."""
    before = len(questions)
    found = _told(source, header, len(rows[0]) if rows else 0, answers, questions)
    if header is not None:
        _by_header(source, header, rows, numeric, found, questions)
    if len(questions) > before:
        return None
    _axes_by_data(source, header, rows, numeric, decimal, found, questions)
    if len(questions) > before:
        return None
    _ask_what_is_up(source, rows, decimal, found, questions)
    if len(questions) > before:
        return None
    _texts_by_data(header, rows, decimal, found)
    return found


def _told(
    source: Source,
    header: Sequence[str] | None,
    width: int,
    answers: Answers,
    questions: list[Question],
) -> dict[str, Column]:
    found: dict[str, Column] = {}
    for word, named in answers.columns.items():
        role = _role(word)
        turned = named.startswith("-") and role in "xyz"
        name = named[1:] if turned else named
        index = None
        if header is not None:
            plain = [plain_header(h) for h in header]
            exact = [i for i, h in enumerate(header) if h == name]
            alike = exact or [i for i, h in enumerate(plain) if h and h == plain_header(name)]
            index = alike[0] if len(alike) == 1 else None
        if index is None and name.isdigit() and 1 <= int(name) <= width:
            index = int(name) - 1
        if index is None:
            close = nearest(name, header or ())
            questions.append(
                Question(
                    "column-not-there",
                    f"it has no column {shown(name)} for {role}",
                    f"one of {', '.join(shown(h, 30) for h in header)}"
                    if header
                    else f"a number from 1 to {width}, since it has no header",
                    f"did you mean --column {role}={close}?" if close else "correct --column",
                    source.file,
                )
            )
            continue
        head = header[index] if header is not None else ""
        found[role] = Column(role, index, head, turned, "told", "you said so")
    return found


def _role(word: str) -> Role:
    return next(role for role in ROLES if role == word)


def _by_header(
    source: Source,
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    numeric: Sequence[int],
    found: dict[str, Column],
    questions: list[Question],
) -> None:
    taken = {column.index for column in found.values()}
    offers: dict[str, list[Column]] = {}
    for i, head in enumerate(header):
        meant = role_of(head)
        if i in taken or meant is None:
            continue
        role, turned, sureness = meant
        if role == "z" and plain_header(head) == "d" and i not in numeric:
            role, turned = "code", False  # P, N, E, Z, D: a description
        why = f'header "{head}"' + (", counted the other way" if turned else "")
        offers.setdefault(role, []).append(Column(role, i, head, turned, sureness, why))
    for role in (one for one in ROLES if one in offers and one not in found):
        columns = offers[role]
        filled = [c for c in columns if any(row[c.index] for row in rows)]
        if not filled and role not in "xyz":
            continue  # a heading over nothing names nothing
        filled = filled or columns
        best = [c for c in filled if plain_header(c.header) == role] or filled
        clear = [c for c in best if c.sureness == "sure"] or best
        if len(clear) > 1 and role in ("x", "y", "z", "run", "point"):
            # a number and a name of the mark: the one that comes back is the mark
            if role == "point" and (mark := _recurring(clear, rows)) is not None:
                found[role] = mark
                continue
            names = " or ".join(shown(c.header) for c in clear)
            questions.append(
                Question(
                    "column-two",
                    f"{names} may be {role}",
                    "one of them",
                    f"say --column {role}={clear[0].header} (or the other)",
                    source.file,
                    source.table.lines[0],
                )
            )
            continue
        found[role] = clear[0]


def _recurring(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> Column | None:
    """Return the only column in which values come again."""
    again = []
    for column in columns:
        values = [row[column.index] for row in rows if row[column.index]]
        if len(set(values)) < len(values) and len(set(values)) > len(values) // 4:
            again.append(column)
    return again[0] if len(again) == 1 else None


def _axes_by_data(
    source: Source,
    header: Sequence[str] | None,
    rows: Sequence[Sequence[str]],
    numeric: Sequence[int],
    decimal: Decimal,
    found: dict[str, Column],
    questions: list[Question],
) -> None:
    """Find x, y and z among the columns of numbers that nobody has named."""
    missing = [axis for axis in "xyz" if axis not in found]
    if not missing:
        return
    taken = {column.index for column in found.values()}
    free = [i for i in numeric if i not in taken]
    values = {i: np.array([as_number(row[i], decimal) or 0.0 for row in rows]) for i in free}
    free = [i for i in free if not _is_counter(values[i], [row[i] for row in rows])]
    listed = ", ".join(
        f"{i + 1}" + (f" {shown(header[i], 20)}" if header and header[i] else "") for i in free
    )
    example = " ".join(f"--column {a}={i + 1}" for a, i in zip(missing, free, strict=False))
    if len(free) != len(missing) or (len(missing) < 3 and header is not None):
        questions.append(
            Question(
                "axes-open",
                f"no header says which column is {' and '.join(missing)}; columns of numbers that"
                f" nobody has named: {listed or 'none'}",
                "a column for each of x, y and z",
                f"say for example {example or '--column x=NAME'}",
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
                    f"without a header the order x, y, z is usual, but column {flat + 1} looks like"
                    " the heights",
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
        found[axis] = Column(_role(axis), i, head, False, sureness, why)


def _ask_what_is_up(
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


def _texts_by_data(
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
            mark = _recurring(fitting, rows) if role == "point" else None
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


def _coordinates(
    source: Source,
    columns: Mapping[str, Column],
    body: Sequence[tuple[Sequence[str], int, int]],
    decimal: Decimal,
    questions: list[Question],
) -> Floats | None:
    before = len(questions)
    xyz = np.full((len(body), 3), np.nan)
    for k, axis in enumerate("xyz"):
        column = columns[axis]
        for n, (row, line, _) in enumerate(body):
            cell = row[column.index]
            value = as_number(cell, decimal)
            if value is not None:
                xyz[n, k] = -value if column.turned and value else value
            elif len(questions) < before + 20:
                questions.append(
                    Question(
                        "number-unreadable",
                        f"{axis} is {shown(cell, 30) if cell else 'blank'}",
                        f"a number with decimal {'point' if decimal == '.' else 'comma'}",
                        "correct the cell, take the row out, or name another column with --column",
                        source.file,
                        line,
                    )
                )
    return None if len(questions) > before else xyz


def _unit(
    source: Source,
    header: Sequence[str] | None,
    units: Sequence[str] | None,
    columns: Mapping[str, Column],
    questions: list[Question],
) -> tuple[str, str] | None:
    """Return the unit that headers, a row of units or a line above the table state."""
    stated: dict[str, str] = {}
    for axis in "xyz":
        i = columns[axis].index
        if header is not None and (unit := unit_of(header[i])):
            stated.setdefault(unit, f'header "{header[i]}"')
        elif units is not None and (unit := unit_of(f"({units[i]})")):
            stated.setdefault(unit, f'"{units[i]}" below the header')
    if len(stated) > 1:
        questions.append(
            Question(
                "unit-of-axes-differs",
                f"x, y and z are in different units ({', '.join(stated.values())})",
                "one unit for all three",
                "export it again in one unit, or correct the headers if they are wrong",
                source.file,
                source.table.lines[0],
            )
        )
    if stated:
        return next(iter(stated.items()))
    # a spreadsheet pads a line above its table with blank cells
    padded = (row[0] for row in source.table.rows[:_TITLES] if row[0] and not any(row[1:]))
    for line in (*source.table.above, *padded):
        named = re.search(r"units?\s*[:=]?\s*\(?([A-Za-z -]+)", line, re.IGNORECASE)
        if named and (unit := unit_of(f"({named[1].strip()})")):
            return unit, f'"{line.strip()[:40]}" above the table'
    return None
