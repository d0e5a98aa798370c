"""The unit that an export states: in headers, behind its numbers, in a line above the table."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from geosite.base.problems import shown
from geosite.base.units import unit_named
from geosite.fieldbook.imports.headers import unit_of
from geosite.fieldbook.imports.model import Column, Question, Source
from geosite.fieldbook.imports.walks import field_unit
from geosite.reading.written_numbers import Decimal, units_of

__all__ = ["stated_unit", "unit_in_words"]

_TITLES = 5
"""First rows in which a line above the table may stand."""
_OF_ALL = re.compile(
    r"\b(?:units?|coord(?:inate)?s?|lengths?|distances?|values|dimensions|numbers|measure\w*|xyz"
    r"|einheit(?:en)?|koordinaten|ma(?:ss|\u00df)e|x\W.*\by\W.*\bz)\b",
    re.IGNORECASE,
)
"""What a unit in a line is the unit of: not of the heights alone."""
_TOLD = re.compile(
    r"(?:(?:\b(?:in|are|is|sind|units?|einheit(?:en)?)\b|[:=])[\s:=(]*)+(?=\w)", re.IGNORECASE
)
"""What a unit stands behind; where nothing else does, the last word is one: Units: in."""
_NAMES = re.compile(r"[Yy]ard\b|[A-Za-z]+\d|M(?:\.\s*|\s+)\w", re.ASCII)
"""A place, a mark, somebody: in yard B, numbers: M1 to M9, measured: M. Miller."""


def stated_unit(
    source: Source,
    header: Sequence[str] | None,
    units: Sequence[str] | None,
    columns: Mapping[str, Column],
    body: Sequence[tuple[Sequence[str], int, int]],
    decimal: Decimal,
    questions: list[Question],
) -> tuple[str, str] | None:
    """Return the unit of x, y and z and what says so, ``None`` where nothing does.

    Parameters
    ----------
    source
    header, units
        Rows of names and of units.
    columns
        By role.
    body
        Cells, line and place of each row of data.
    decimal
        Mark between whole and fraction.
    questions
        Receives what contradicts itself.
    """
    stated: dict[str, str] = {}
    before = len(questions)
    for axis in "xyz":
        i = columns[axis].index
        named: tuple[str, str] | None = None
        if header is not None and (unit := unit_of(header[i])):
            named = unit, f'header "{header[i]}"'
        elif units is not None and (unit := unit_of(f"({units[i]})")):
            named = unit, f'"{units[i]}" below the header'
        cells = [
            _Marked(row[i], line, found)
            for row, line, _ in body
            if (found := units_of(row[i], decimal)) or row[i].strip("+-0.,")
        ]
        of_column = _of_column(axis, cells, named, source.file, questions)
        if len(questions) > before:
            return None
        if of_column is not None:
            stated.setdefault(*of_column)
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
    # a spreadsheet pads a line above its table with blank cells, and may part it in two
    parted = ([*filter(None, row)] for row in source.table.rows[:_TITLES])
    padded = (" ".join(cells) for cells in parted if 0 < len(cells) <= 2)
    for line in (*source.table.above, *padded):
        if unit := unit_in_words(line):
            return unit, f'"{line.strip()[:40]}" above the table'
    return None


@dataclass(frozen=True, slots=True)
class _Marked:
    """A cell that is no nought, its line, and the units behind its numbers."""

    cell: str
    line: int
    units: tuple[str, ...]


def _of_column(
    axis: str,
    cells: Sequence[_Marked],
    named: tuple[str, str] | None,
    file: str,
    questions: list[Question],
) -> tuple[str, str] | None:
    """Return the unit of a column, whose cells may have units of their own."""
    marked = [one for one in cells if one.units]
    if not marked:
        return named
    first = marked[0]
    bases = {field_unit(one.units[0])[0]: one for one in reversed(marked)}
    written = {unit for one in marked for unit in one.units}
    base = next(iter(bases)) if len(bases) == 1 else ""
    of_first = f"{axis} is {shown(first.cell, 30)}"
    if not base:
        pair = sorted(bases.values(), key=lambda one: one.line)
        differing = " and ".join(f"{shown(one.cell, 30)} (line {one.line})" for one in pair)
        questions.append(
            Question(
                "unit-of-cells-differs",
                f"{axis} is in different units: {differing}",
                "one unit in a column",
                "write all of them in one unit",
                file,
                pair[-1].line,
            )
        )
        return None
    if named is not None and named[0] not in written and (named[0], base) != ("ftUS", "ft"):
        questions.append(
            Question(
                "unit-contradicts",
                f"{named[1]} says {named[0]}, and {of_first}",
                "one unit for both",
                f"write {base} into the header if the cells are right, or take the units out of the"
                " cells if the header is",
                file,
                first.line,
            )
        )
        return None
    bare = next((one for one in cells if not one.units), None)
    if bare is not None and (written != {base} or (named is not None and named[0] != base)):
        questions.append(
            Question(
                "unit-of-cell-missing",
                f"{axis} is {shown(bare.cell, 30)} without a unit, and in line {first.line}"
                f" {shown(first.cell, 30)}",
                "a unit behind each number of the column, or behind none",
                "write its unit behind it",
                file,
                bare.line,
            )
        )
        return None
    # a foot mark does not say which foot, the header does
    return (named[0], named[1]) if named is not None and named[0] == "ftUS" else (base, of_first)


def unit_in_words(line: str) -> str | None:
    """Return the unit that a line above a table states, ``None`` where it states none.

    Examples
    --------
    >>> unit_in_words("# Units: ft"), unit_in_words("# all units in feet")
    ('ft', 'ft')
    >>> unit_in_words("# Coordinates are in US survey feet"), unit_in_words("10 m of kerb in bags")
    ('ftUS', None)
    """
    if _OF_ALL.search(line) is None:
        return None
    found = {_unit_behind(told[0], line[told.end() :]) for told in _TOLD.finditer(line)} - {None}
    return found.pop() if len(found) == 1 else None


def _unit_behind(said: str, words: str) -> str | None:
    """Return the unit that stands behind what was said, in up to three words: US survey feet."""
    first = re.findall(r"[A-Za-z-]+|[^\sA-Za-z-]", words)[:4]
    for count in (3, 2, 1):
        unit = unit_named(" ".join(first[:count]))
        if unit and first[count : count + 1] not in (["/"], ["^"], ["per"]):
            is_of_unit = re.search(r"units?\b|einheit", said, re.IGNORECASE)
            return None if _NAMES.match(words) and not is_of_unit else unit
    return None
