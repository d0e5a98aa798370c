"""Rows of a field book, as text: from CSV; `table_layers` has those that OGR reads."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Literal

from geosite.base.problems import Problems
from geosite.reading.files import as_utf8, decode, read_plain_file
from geosite.reading.toml_lines import TomlText

__all__ = ["SIZE_LIMIT", "Rows", "by_columns", "named_in", "open_csv", "text_rows"]

SIZE_LIMIT = 200_000_000
BLOCK = 2_000_000
"""Bytes cut at a time."""
LINES = 5_000_000
LONGEST = 1_000_000
"""Most lines of a text, most bytes of a line that does not fit into a block."""
LINE_LIMIT = 100_000
"""Characters looked through for the header."""
ROWS = 4096
"""Rows with quoted cells read at a time: many small lists alive at once are slow to collect."""

_COMMA_NUMBER = re.compile(
    r"[+-]?(?:\d*|\d{1,3}(?:[. \u00a0\u202f']\d{3})+),\d+(?:[eE][+-]?\d+)?", re.ASCII
)
_POINT_NUMBER = re.compile(
    r"[+-]?(?:\d*|\d{1,3}(?:[, \u00a0\u202f']\d{3})+)\.\d+(?:[eE][+-]?\d+)?", re.ASCII
)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
"""A number whose commas may part thousands as well as the fraction."""

_SEPARATOR_LINE = re.compile(rb'"?sep=.?"?(?=[\r\n])', re.IGNORECASE)
"""First line by which a spreadsheet tells the separator."""

Chunk = tuple[Sequence[int], list[Sequence[str]]]


@dataclass(frozen=True)
class Rows:
    """A field book as text.

    Parameters
    ----------
    header
        Column names as written.
    header_line
        Line they stand on, ``None`` where the format has no lines.
    chunks
        Line numbers of some rows, and their cells column by column in the order of the header.
    decimal
        Mark between whole and fraction.
    """

    header: list[str]
    header_line: int | None
    chunks: Iterator[Chunk]
    decimal: Literal[".", ","] = "."


def named_in(place: TomlText) -> tuple[str, int | None]:
    """Return where a field book is named, for messages: the site file and its line."""
    return place.file, place.line("survey", "file")


def open_csv(path: Path, file: str, problems: Problems, place: TomlText) -> Rows | None:
    """Open a text table; what is wrong goes into `problems`.

    UTF-8 or UTF-16; commas, semicolons, tabs or bars between the columns; decimal points, or
    decimal commas where the columns are not separated by commas or the numbers stand in quotes.
    """
    data = read_plain_file(path, file, "the field book", SIZE_LIMIT, problems, named_in(place))
    return None if data is None else text_rows(data, file, problems)


def text_rows(data: bytes, file: str, problems: Problems) -> Rows | None:
    r"""Cut the bytes of a text table into rows, as `open_csv` does with those of a file.

    Parameters
    ----------
    data
        UTF-8 or UTF-16.
    file
        How to call it in messages.
    problems
        Receives what is wrong; rows that are not as long as the header are left out.

    Examples
    --------
    Decimal commas between semicolons are found out, and cells come column by column:

    >>> rows = text_rows(b"point;z\nA;1,25\nB;1,50\n", "levels.csv", Problems())
    >>> rows.header, rows.decimal
    (['point', 'z'], ',')
    >>> list(rows.chunks)
    [(range(2, 4), [['A', 'B'], ['1,25', '1,50']])]
    """
    data = as_utf8(data)
    if not decode(data, file, "field book", problems):
        return None
    data = data.removeprefix(b"\xef\xbb\xbf")
    if (told := _SEPARATOR_LINE.match(data)) is not None:
        # blank, so that the lines keep their numbers
        data = b" " * (told.end() - told.start()) + data[told.end() :]
    if max(data.count(b"\n"), data.count(b"\r")) > LINES:
        problems.add(
            "too-many-rows",
            f"the field book has more than {LINES:,} lines",
            "fewer",
            "split the survey, or thin the streamed rows",
            file,
        )
        return None
    sample = data[:LINE_LIMIT].decode("utf-8", errors="ignore")
    separator = _separator(sample, file, problems)
    if separator is None:
        return None
    decimal = _decimal(sample, separator)
    if b'"' in data:
        return _open_quoted(data, separator, decimal, file, problems)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    header: list[str] = []
    start, line = 0, 0
    while start < len(data) and not "".join(header).strip():
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        line += 1
        header = data[start:end].decode("utf-8").split(separator)
        start = end + 1
    chunks = _plain_chunks(data, start, line + 1, len(header), separator, file, problems)
    return Rows(header, line, chunks, decimal)


def _decimal(sample: str, separator: str) -> Literal[".", ","]:
    """Return the decimal mark: a comma where cells are numbers with commas, none with points.

    Between commas a number with a comma stands in quotes, and may come from a spreadsheet that
    parts thousands: one comma that cannot do that tells.
    """
    rows = [row.split(separator) for row in sample.splitlines()[1:]]
    if '"' in sample:
        with suppress(csv.Error):  # told with its line when the rows are read
            rows = list(csv.reader(io.StringIO(sample, newline=""), delimiter=separator))[1:]
    cells = [cell.strip() for row in rows for cell in row]
    commas = [cell for cell in cells if _COMMA_NUMBER.fullmatch(cell)]
    points = any(_POINT_NUMBER.fullmatch(cell) for cell in cells)
    if separator == ",":
        commas = [cell for cell in commas if not _GROUPED.fullmatch(cell)]
    return "," if commas and not points else "."


def _plain_chunks(
    data: bytes,
    start: int,
    line: int,
    width: int,
    separator: str,
    file: str,
    problems: Problems,
) -> Iterator[Chunk]:
    """Cut rows without quotes. Splitting whole blocks takes a third of a row-by-row reader's time.

    Every line break becomes a cell of its own: if each ``width + 1``-th cell is one, all rows are
    as long as the header.
    """
    blank_row = re.compile(rf"\n[ \t{re.escape(separator)}]*\n")
    while start < len(data):
        end = data.rfind(b"\n", start, start + BLOCK) + 1
        if end <= start:
            end = data.find(b"\n", start) + 1 or len(data)
            if end - start > LONGEST:
                problems.add(
                    "row-length",
                    f"the row has {end - start} characters",
                    f"at most {LONGEST}",
                    "export the field book again",
                    file,
                    line,
                )
                return
        block = data[start:end].decode("utf-8")
        if not block.endswith("\n"):
            block += "\n"
        start = end
        count = block.count("\n")
        lines = range(line, line + count)
        line += count
        cells = block.replace("\n", f"{separator}\n{separator}").split(separator)
        cells.pop()
        even = len(cells) == count * (width + 1) and cells[width :: width + 1].count("\n") == count
        if even and not blank_row.search("\n" + block):
            yield lines, [cells[i :: width + 1] for i in range(width)]
        else:
            rows = [text.split(separator) for text in block[:-1].split("\n")]
            yield _even(lines, rows, width, separator, file, problems)


def _open_quoted(
    data: bytes, separator: str, decimal: Literal[".", ","], file: str, problems: Problems
) -> Rows | None:
    text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", newline="")
    reader = csv.reader(text, delimiter=separator, strict=True)
    line = 1
    header: list[str] = []
    try:
        for header in reader:
            if "".join(header).strip():
                break
            line = reader.line_num + 1
    except csv.Error as error:
        from geosite.reading.faulty_rows import row_unreadable

        row_unreadable(error, separator, file, line, reader.line_num, problems)
        return None
    return Rows(header, line, _quoted_chunks(reader, len(header), file, problems), decimal)


def _quoted_chunks(reader: Any, width: int, file: str, problems: Problems) -> Iterator[Chunk]:
    # most field books have no quotes
    from geosite.reading.faulty_rows import name_swallowed_row, row_unreadable

    mark = reader.dialect.delimiter
    fault: csv.Error | None = None
    while fault is None:
        rows: list[list[str]] = []
        ends = [reader.line_num]
        try:
            for row in islice(reader, ROWS):
                rows.append(row)
                ends.append(reader.line_num)
        except csv.Error as error:
            fault = error
        if not rows and fault is None:
            return
        if ends[-1] - ends[0] > len(rows):  # some have several lines
            for row, start, end in zip(rows, ends[:-1], ends[1:], strict=True):
                name_swallowed_row(row, mark, file, start + 1, end, problems)
        yield _even([end + 1 for end in ends[:-1]], rows, width, mark, file, problems)
        if fault is not None:
            row_unreadable(fault, mark, file, ends[-1] + 1, reader.line_num, problems)


def _separator(start: str, file: str, problems: Problems) -> str | None:
    """Return what separates the columns in the first row that is not blank."""
    for row in start.splitlines():
        if not row.strip(", \t\"';|"):
            continue
        counts = {mark: row.count(mark) for mark in (",", ";", "\t", "|")}
        return max(counts, key=lambda mark: counts[mark])
    problems.add(
        "file-empty",
        "the field book is empty",
        "a header and one row per observation",
        "check that the export or copy went through",
        file,
    )
    return None


def _even(
    lines: Sequence[int],
    rows: list[list[str]],
    width: int,
    separator: str,
    file: str,
    problems: Problems,
) -> Chunk:
    """Turn rows into columns; drop blank rows, report those that are not as long as the header."""
    kept_lines: list[int] = []
    kept: list[list[str]] = []
    for line, row in zip(lines, rows, strict=True):
        if problems.full:
            break
        if not "".join(row).strip():
            continue
        if len(row) > width and not "".join(row[width:]).strip():
            row = row[:width]
        if len(row) == width:
            kept_lines.append(line)
            kept.append(row)
            continue
        from geosite.reading.faulty_rows import row_uneven

        row_uneven(len(row), width, separator, file, line, problems)
    return kept_lines, by_columns(kept, width)


def by_columns(rows: list[list[str]], width: int) -> list[Sequence[str]]:
    """Return rows column by column, also where there is none."""
    return list(zip(*rows, strict=True)) if rows else [()] * width
