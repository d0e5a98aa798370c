"""Rows of text tables that have too few or too many cells, or cannot be split into cells at all.

And quotes that take the rows below into a cell.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence

from geosite.base.problems import Problems

__all__ = ["SEPARATORS", "name_open_quotes", "name_swallowed_row", "row_uneven", "row_unreadable"]

SEPARATORS = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "blank"}
"""What parts the columns of a text table, as it is told."""


def row_uneven(
    cells: int, width: int, separator: str, file: str, line: int, problems: Problems
) -> None:
    """Say that a row is not as long as the header.

    Parameters
    ----------
    cells, width
        Of the row, and of the header.
    separator
        What parts the columns: one of `SEPARATORS`.
    file, line
        Where the row stands.
    problems
        Receives what is wrong.

    Examples
    --------
    >>> problems = Problems()
    >>> row_uneven(7, 6, ";", "walk.csv", 3, problems)
    >>> print(problems.first()[0])  # doctest: +ELLIPSIS
    walk.csv:3: the row has 7 cells; expected 6 ...; put a text that contains a semicolon in quotes
    """
    mark = SEPARATORS[separator]
    if cells < width:
        remedy = f"fill in the missing cells or {mark}s"
    elif separator == "," and cells >= width + 2:
        remedy = "write decimal points, not decimal commas"
    else:
        remedy = f"put a text that contains a {mark} in quotes"
        remedy += ", and write decimal points" if separator == "," else ""
    problems.add(
        "row-length",
        f"the row has {cells} cell{'s' if cells != 1 else ''}",
        f"{width} as in the header",
        remedy,
        file,
        line,
    )


def row_unreadable(
    error: Exception, separator: str, file: str, start: int, end: int, problems: Problems
) -> None:
    """Say that a row of a text table cannot be split into cells.

    Parameters
    ----------
    error
        Of the reader of tables, in its strict mode.
    separator
        What parts the columns: one of `SEPARATORS`.
    file, start, end
        The file, the line the row starts in, and the one up to which it was read.
    problems
        Receives what is wrong.

    Examples
    --------
    >>> import csv
    >>> problems = Problems()
    >>> try:
    ...     list(csv.reader(['A,1,"by the gate'], strict=True))
    ... except csv.Error as error:
    ...     row_unreadable(error, ",", "walk.csv", 7, 7, problems)
    >>> print(problems.first()[0])  # doctest: +ELLIPSIS
    walk.csv:7: a quoted cell that starts in this row is never closed; expected a closing quote; ...
    """
    text = str(error)
    if "unexpected end" in text or "field larger" in text:
        what = "a quoted cell that starts in this row is never closed"
        expected, remedy = (
            "a closing quote",
            "close the quote, or write two quotes for one in a text",
        )
    elif "delimiter expected" in text or "expected after" in text:
        what = "a quoted cell goes on after its closing quote"
        expected, remedy = (
            f"a {SEPARATORS[separator]} or the end of the row there",
            "write two quotes for one in a text",
        )
    else:
        what, expected, remedy = (
            f"not valid CSV ({text})",
            f"columns with {SEPARATORS[separator]}s between them",
            "export it again",
        )
    if end > start:
        what += f" (read up to line {end})"
    problems.add("csv-syntax", what, expected, remedy, file, start)


def name_swallowed_row(
    cells: Sequence[str], separator: str, file: str, start: int, end: int, problems: Problems
) -> None:
    r"""Report a quoted cell that holds what reads as the row below: with three numbers or more.

    Two quotes in one column, as ditto marks, are one cell to a reader of tables, and so are the
    rows from the first to the second.

    Parameters
    ----------
    cells, separator
        Of a row.
    file, start, end
        The file, the line the row starts in, and the one in which it ends.
    problems
        Receives what is wrong.

    Examples
    --------
    >>> problems = Problems()
    >>> name_swallowed_row(["A", "0", "0", "0", "\nB,1,0,0,"], ",", "walk.csv", 7, 8, problems)
    >>> name_swallowed_row(["C", "2", "0", "0", "kerb,\n1, 2, 3"], ",", "", 9, 10, problems)
    >>> print(*problems.first())  # doctest: +ELLIPSIS
    walk.csv:7: a quoted cell that starts in this row goes on in the row below (read up to line ...
    """
    if end <= start:
        return
    for column, cell in enumerate(cells):
        own, *below = (line.split(separator) for line in re.split("\r\n?|\n", cell))
        # the rest of its own row, where the coordinates stand there; the row below up to the quote
        rest = len(cells) - column
        if (below and rest > 3 and len(own) >= rest and _has_place(own)) or any(
            len(inner) in (column + 1, len(cells)) and _has_place(inner) for inner in below
        ):
            problems.add(
                "csv-syntax",
                "a quoted cell that starts in this row goes on in the row below (read up to line"
                f" {end})",
                "a closing quote in the same row",
                "close the quote, or write two quotes for one in a text",
                file,
                start,
            )
            return


def name_open_quotes(
    lines: Sequence[str], separator: str, file: str, first: int, problems: Problems
) -> None:
    r"""Report quotes that are not closed in their row: rows below would be one cell with it.

    Parameters
    ----------
    lines, separator
        Of a table; `first` is the number of its first line in the file.
    file, problems
        The file; receives what is wrong.

    Examples
    --------
    >>> problems = Problems()
    >>> rows = ['A,0,0,0,"5" pipe"', "B,1,0,0,'", 'C,2,0,0,"', 'D,3,0,0,"old post"', "E,4,0,0,"]
    >>> name_open_quotes(rows, ",", "walk.csv", 2, problems)
    >>> [(one.code, one.line) for one in problems.first()]
    [('csv-syntax', 4)]
    """
    start = 0
    # one pass: after an error the next reader goes on in the row below
    below = io.StringIO("\n".join(lines))
    while start < len(lines):
        reader = csv.reader(below, delimiter=separator, skipinitialspace=True, strict=True)
        begun = start
        try:
            for cells in reader:
                end = begun + reader.line_num
                name_swallowed_row(cells, separator, file, first + start, first + end - 1, problems)
                start = end
            return
        except csv.Error as error:
            end = begun + reader.line_num
            if end - start > 1 or re.search("unexpected end|field larger", str(error)):
                row_unreadable(error, separator, file, first + start, first + end - 1, problems)
                return
            start = end  # within one row: it is read as it can be


def _has_place(cells: Sequence[str]) -> bool:
    return sum(_NUMBER.fullmatch(cell) is not None for cell in cells) >= 3


_NUMBER = re.compile(r"\s*[+-]?\d+(?:[.,]\d+)?\s*", re.ASCII)
