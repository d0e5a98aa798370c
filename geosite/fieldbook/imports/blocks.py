"""Blocks of a table that holds several walks: titles, headers and lines below it are no rows.

A mark whose coordinates are missing is none of these: what stands round a line tells.
"""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from geosite.base.problems import shown
from geosite.fieldbook.imports.model import Question, Source
from geosite.reading.written_numbers import Decimal, as_number

__all__ = ["Blocks", "blocks_of"]

_FAULTS = 20
"""Most rows without coordinates that are told."""
_CLOSING = re.compile(r"\W*(?:end|eof|total|sum|summe|gesamt|count)\b.*", re.IGNORECASE)
"""A line below a table."""
_NO_WORDS = re.compile(r"\d|^\W*(?:nan|null|none|n/?a|inf|-+|\?+)?\W*$", re.IGNORECASE)
"""A number, or what programs write in the place of one."""
_DAY = re.compile(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}")
_TOTAL = re.compile(
    r"(?:grand )?(?:totals?|sums?|summe|gesamt|mean|average|mittel(?:wert)?|min|max)\W*", re.I
)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Which rows of a table are observations.

    Parameters
    ----------
    rows
        Places of the observations in the table.
    breaks
        Places before which a header or a title stood once more, or an empty line.
    titles
        Lines and words of what was taken for titles between the walks, or for a line below them.
    """

    rows: tuple[int, ...]
    breaks: frozenset[int]
    titles: tuple[tuple[int, str], ...]


def blocks_of(
    source: Source,
    numeric: Sequence[int],
    has_header: bool,
    first: int,
    decimal: Decimal,
    questions: list[Question],
) -> Blocks:
    """Tell observations from titles and headers between them.

    Parameters
    ----------
    source
    numeric
        Columns of numbers.
    has_header
        Whether the rows above `first` hold a header.
    first
        Place of the first row of data.
    decimal
        Mark between whole and fraction.
    questions
        Receives rows without coordinates that are neither.
    """
    table = source.table
    above = {_words(row) for row in table.rows[:first]} | {line.strip() for line in table.above}
    heads = {row for row in table.rows[:first] if sum(map(bool, row)) > 1} if has_header else set()
    notes = [line.strip(" ,;|\t") for line in table.above]
    titled = any(line and line[0] != "#" for line in notes) or any(
        sum(map(bool, row)) == 1 for row in table.rows[:first]
    )
    begin = table.rows[first] if first < len(table.rows) else ()
    rows: list[int] = []
    breaks: set[int] = set()
    titles: list[tuple[int, str]] = []
    waiting: list[int] = []
    headed = parted = False
    for at in range(first, len(table.rows)):
        row = table.rows[at]
        parted |= at in table.breaks
        is_head = row in heads
        headed |= is_head
        if not is_head and _is_bare(row, at in table.bare, numeric):
            waiting.append(at)
            continue
        if waiting:
            unpadded = all(k in table.bare for k in waiting)
            known = _words(table.rows[waiting[0]]) in above
            if headed or _alike(row, begin, numeric, decimal):
                is_title = titled or parted or unpadded or known or (headed and len(waiting) > 1)
            else:
                is_title = known or (parted and (unpadded or titled))
            if is_title:
                titles += [(table.lines[k], _words(table.rows[k])) for k in waiting]
                parted = True
            else:
                _ask(source, waiting, questions)
            waiting = []
        if is_head:
            continue
        if rows and (headed or parted):
            breaks.add(at)
        rows.append(at)
        headed = parted = False
    closing = [k for k in waiting if parted or _CLOSING.fullmatch(_words(table.rows[k]))]
    _ask(source, [k for k in waiting if k not in closing], questions)
    while len(rows) > 2 and _is_total(table.rows, rows, numeric, decimal):
        closing.insert(0, rows.pop())
    titles += [(table.lines[k], _words(table.rows[k])) for k in closing]
    return Blocks(tuple(rows), frozenset(breaks), tuple(titles))


def _is_bare(row: Sequence[str], unpadded: bool, numeric: Sequence[int]) -> bool:
    """Whether a row has words alone, as a title or a mark without coordinates."""
    if unpadded:
        return True
    return sum(map(bool, row)) <= 2 and not any(
        row[i] and _NO_WORDS.search(row[i]) and not _DAY.fullmatch(row[i]) for i in numeric
    )


def _alike(
    row: Sequence[str], other: Sequence[str], numeric: Sequence[int], decimal: Decimal
) -> bool:
    """Whether two rows have the same coordinates: a recording that begins once more."""
    pairs = [(as_number(row[i], decimal), as_number(other[i], decimal)) for i in numeric]
    return sum(one is not None and one == another for one, another in pairs) >= 3


def _is_total(
    rows: Sequence[Sequence[str]], of: Sequence[int], numeric: Sequence[int], decimal: Decimal
) -> bool:
    """Whether the last of some rows is called a total, a mean, ... and has that of its columns."""
    last = rows[of[-1]]
    if not any(_TOTAL.fullmatch(cell) for cell in last):
        return False
    told = [i for i in numeric if as_number(last[i], decimal) is not None]
    columns = [[as_number(rows[k][i], decimal) or 0.0 for k in of[:-1]] for i in told]
    values = [as_number(last[i], decimal) or 0.0 for i in told]
    near = [0.5001 * 10.0 ** -len(last[i].partition(decimal)[2]) for i in told]
    return any(
        all(abs(v - made(c)) <= n for v, c, n in zip(values, columns, near, strict=True))
        for made in (math.fsum, statistics.fmean, max, min)
    )


def _words(row: Sequence[str]) -> str:
    return " ".join(filter(None, row))


def _ask(source: Source, rows: Sequence[int], questions: list[Question]) -> None:
    questions += [
        Question(
            "number-unreadable",
            f"no x, y and z stand beside {shown(_words(source.table.rows[at]), 40)}",
            "coordinates in every row, or a title: below an empty line, above the header once more",
            "fill them in, or take the row out",
            source.file,
            source.table.lines[at],
        )
        for at in rows[:_FAULTS]
    ]
