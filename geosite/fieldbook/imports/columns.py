"""Which column is which: by what was said, by the headers, by the data, in this order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.problems import nearest, shown
from geosite.fieldbook.imports.blocks import blocks_of
from geosite.fieldbook.imports.headers import (
    header_rows,
    plain_header,
    position_columns,
    role_of,
    second_of,
)
from geosite.fieldbook.imports.model import (
    ROLES,
    Answers,
    Column,
    Question,
    Role,
    Source,
    Walked,
    of_degrees,
)
from geosite.fieldbook.imports.stated_units import stated_unit
from geosite.fieldbook.imports.unnamed_columns import (
    ask_what_is_up,
    axes_by_data,
    degrees_among,
    recurring,
    texts_by_data,
)
from geosite.reading.delimited import columns_of_numbers
from geosite.reading.written_numbers import Decimal, as_number

__all__ = ["read_columns"]

_FAULTS = 20
"""Most rows whose numbers cannot be read that are told."""


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
    numeric = columns_of_numbers(table.rows, decimal)
    header, units, first = header_rows(table.rows, numeric, decimal)
    before = len(questions)
    if header is None and not answers.columns.keys() >= {"x", "y", "z"}:
        _ask_about_header_above(source, questions)
    blocks = blocks_of(source, numeric, header is not None, first, decimal, questions)
    if len(questions) > before:
        return None
    body = [(table.rows[at], table.lines[at], at) for at in blocks.rows]
    rows = [row for row, _, _ in body]
    columns = _chosen(source, header, rows, numeric, decimal, answers, questions)
    if columns is None:
        return None
    xyz = _coordinates(source, columns, body, decimal, questions)
    if xyz is None:
        return None
    before = len(questions)
    unit = stated_unit(source, header, units, columns, body, decimal, questions)
    if len(questions) > before:
        return None
    places = {at: k for k, (_, _, at) in enumerate(body)}
    cells = {
        role: tuple(
            _seconds(row[column.index], decimal, second_of(column.header))
            if role == "time"
            else row[column.index]
            for row in rows
        )
        for role, column in columns.items()
        if role not in "xyz"
    }
    if "run" in cells:
        cells["run"] = _filled_down(cells["run"])
    return Walked(
        source,
        columns,
        unit,
        tuple(line for _, line, _ in body),
        xyz,
        cells,
        frozenset(places[at] for at in blocks.breaks),
        blocks.titles,
    )


def _seconds(cell: str, decimal: Decimal, parts: int) -> str:
    """Return a time as a field book has it: with a decimal point, in seconds where it is a number.

    `parts` of the column's unit are a second.
    """
    if decimal == "." and parts == 1:
        return cell
    number = as_number(cell, decimal)
    return cell if number is None else f"{number / parts:.17g}"


def _ask_about_header_above(source: Source, questions: list[Question]) -> None:
    """Ask where the line above the numbers names axes, and has more or fewer cells than the rows.

    Names that come as x, y, z, counted up, say what is taken without a header, too; between blanks
    they may be of several words.
    """
    table = source.table
    line = next((one for one in reversed(table.above) if one.strip(" ,;|\t")), "")
    cells = line.split() if table.separator == " " else line.split(table.separator)
    meant = [one[:2] for cell in cells if (one := role_of(cell.strip(' "'))) and one[0] in "xyz"]
    if len({axis for axis, _ in meant}) < 2 or meant == [(axis, False) for axis in "xyz"]:
        return
    questions.append(
        Question(
            "header-uneven",
            f"the names of the columns are {len(cells)} cells, {shown(line.strip(), 50)}, and the"
            f" rows have {table.width}",
            "as many names as cells",
            "put text that holds the separator into quotes, or say which column is which, by"
            " number: --column x=2 --column y=3 --column z=4",
            source.file,
        )
    )


def _filled_down(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Return names of walks with blanks filled by the one above: a walk is named once."""
    if not cells or not cells[0]:
        return cells
    filled: list[str] = []
    for cell in cells:
        filled.append(cell or filled[-1])
    return tuple(filled)


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
    if (degrees := degrees_among(header, rows, found, decimal)) is not None:
        questions.append(of_degrees(degrees, source.file))
        return None
    axes_by_data(source, header, rows, numeric, decimal, found, questions)
    if len(questions) > before:
        return None
    ask_what_is_up(source, rows, decimal, found, questions)
    if len(questions) > before:
        return None
    texts_by_data(header, rows, decimal, found)
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
    if not any(axis in offers or axis in found for axis in "xyz"):
        for role, i in position_columns(header).items():
            offers[role] = [Column(role, i, header[i], False, "likely", f'header "{header[i]}"')]
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
            if role == "point" and (mark := recurring(clear, rows)) is not None:
                found[role] = mark
                continue
            equal = len({c.header for c in clear}) < len(clear)
            names = " or ".join(
                f"column {c.index + 1}" if equal else shown(c.header) for c in clear
            )
            first = clear[0].index + 1 if equal else clear[0].header
            questions.append(
                Question(
                    "column-two",
                    f"{names} may be {role}",
                    "one of them",
                    f"say --column {role}={first} (or the other)",
                    source.file,
                    source.table.lines[0],
                )
            )
            continue
        found[role] = clear[0]


def _coordinates(
    source: Source,
    columns: Mapping[str, Column],
    body: Sequence[tuple[Sequence[str], int, int]],
    decimal: Decimal,
    questions: list[Question],
) -> Floats | None:
    before = len(questions)
    xyz = np.full((len(body), 3), np.nan)
    bad: dict[int, list[str]] = {}
    for k, axis in enumerate("xyz"):
        column = columns[axis]
        for n, (row, _, _) in enumerate(body):
            value = as_number(row[column.index], decimal)
            if value is not None:
                xyz[n, k] = -value if column.turned and value else value
            else:
                bad.setdefault(n, []).append(axis)
    for n in sorted(bad)[:_FAULTS]:
        row, line, _ = body[n]
        cells = {axis: row[columns[axis].index] for axis in bad[n]}
        said = {axis: shown(cell, 30) if cell else "blank" for axis, cell in cells.items()}
        told = list(said.items())
        if len(told) > 1 and len(set(said.values())) == 1:
            told = [(" and ".join((", ".join(bad[n][:-1]), bad[n][-1])), told[0][1])]
        questions += [
            Question(
                "number-unreadable",
                f"{axis} {'are' if ' ' in axis else 'is'} {words}",
                f"a number with decimal {'point' if decimal == '.' else 'comma'}",
                "correct the cell, take the row out, or name another column with --column",
                source.file,
                line,
            )
            for axis, words in told
        ]
    return None if len(questions) > before else xyz
