"""Points of a text table, with the columns easting, northing and elevation."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import InputError
from geosite.base.problems import Problems, nearest, shown
from geosite.reading.faulty_rows import name_open_quotes, row_unreadable
from geosite.reading.files import as_utf8, decode, refuse_empty

__all__ = ["COLUMNS", "points_of_table"]

COLUMNS = ("easting", "northing", "elevation")
_LONGEST_HEADER = 100_000
_ABOVE = 50
"""Lines in which the names of the columns may stand, below titles and comments."""
_PARTED = re.compile(
    r"[+-]?\d{1,3}(?:,\d{3})+\.\d+|[+-]?\d{1,3}(?:([ '])\d{3})(?:\1\d{3})*(?:\.\d+)?"
)
"""A number with a decimal point whose thousands are parted, and can be nothing else."""


def points_of_table(file: str) -> Floats:
    """Return the points of a text table, shape (n, 3).

    Parameters
    ----------
    file
        UTF-8 or UTF-16; commas, semicolons or tabs; titles and comments above the names of the
        columns are passed over. Thousands may be parted where that can be read in one way only.

    Raises
    ------
    InputError
        Unreadable, columns missing, cells that are no finite numbers.
    """
    problems = Problems()
    data = as_utf8(Path(file).read_bytes())
    if not decode(data, file, "table of points", problems):
        raise InputError(problems.first())
    text = data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    refuse_empty(text, "points below the names of their columns", file)
    first = _header_line(text)
    start = 0
    for _ in range(first):
        start = text.index("\n", start) + 1
    header_line, _, rest = text[start:].partition("\n")
    separator = max(",;\t", key=header_line.count)
    rows = text[start:].split("\n") if '"' in text else []
    if any(row.count('"') % 2 for row in rows):
        name_open_quotes(rows, separator, file, first + 1, problems)
        if problems:
            raise InputError(problems.first())
    header = _names(header_line)
    if missing := [name for name in COLUMNS if name not in header]:
        _name_missing(missing, header, header_line, file, first + 1, problems)
        raise InputError(problems.first())
    wanted = [header.index(name) for name in COLUMNS]
    if separator == ";" and "," in rest and "." not in rest:
        rest = rest.replace(",", ".")  # decimal commas
    if not rest.strip(f"{separator} \n"):
        return np.empty((0, 3))
    found = _numbers(rest, separator, wanted)
    if found is None:
        # rows of separators alone, as spreadsheets leave them
        filled = [line for line in rest.split("\n") if line.replace(separator, "").strip()]
        found = _numbers("\n".join(filled), separator, wanted)
    if found is None:
        found = _parted_thousands(rest, separator, wanted)
    if found is None:
        _name_bad_cells(rest, separator, wanted, file, first + 2)
    assert found is not None
    return found


def _numbers(rest: str, separator: str, wanted: Sequence[int]) -> Floats | None:
    """Return some columns of a table, ``None`` where a cell is no finite number."""
    try:
        found = np.loadtxt(
            io.StringIO(rest),
            delimiter=separator,
            usecols=wanted,
            quotechar='"',
            comments=None,
            ndmin=2,
        )
    except ValueError:
        return None
    return np.asarray(found, dtype=np.float64) if np.isfinite(found).all() else None


def _name_bad_cells(rest: str, separator: str, wanted: Sequence[int], file: str, line: int) -> None:
    """Go through the rows one by one, only when one of them is known to be wrong."""
    problems = Problems()
    rows = csv.reader(io.StringIO(rest), delimiter=separator)
    start = line
    try:
        for row in rows:
            start = line + rows.line_num
            if not any(cell.strip() for cell in row):
                continue
            for name, column in zip(COLUMNS, wanted, strict=True):
                cell = row[column].strip() if column < len(row) else ""
                try:
                    # float() alone also takes 1_000 and digits of other scripts
                    plain = cell.isascii() and "_" not in cell
                    good = plain and bool(np.isfinite(float(cell)))
                except ValueError:
                    good = False
                if not good:
                    problems.add(
                        "cell-not-number",
                        f"{name} is {shown(cell) if cell else 'blank'}",
                        "a finite number with a decimal point",
                        "correct the cell or take the row out",
                        file,
                        line + rows.line_num - 1,
                    )
    except csv.Error as error:
        row_unreadable(error, separator, file, start, line + rows.line_num - 1, problems)
    if not problems:
        problems.add(
            "table-unreadable",
            "the table cannot be read",
            "rows of equal length",
            "export it again",
            file,
        )
    raise InputError(problems.first())


def _header_line(text: str) -> int:
    """Return the number from 0 of the first line that names all columns, else of the first one."""
    lines = text.split("\n", 1000)[:1000]
    first = next((n for n, line in enumerate(lines) if line.strip()), 0)
    naming = (
        n
        for n, line in enumerate(lines[first : first + _ABOVE], first)
        if {*COLUMNS} <= {*_names(line)}
    )
    return next(naming, first)


def _names(line: str) -> list[str]:
    """Return the names of columns in a line, without a sign of comments before them."""
    # cut, so that no cell is longer than the reader of tables takes
    line = line[:_LONGEST_HEADER].lstrip("# ")
    with suppress(csv.Error):
        cells = next(csv.reader([line], delimiter=max(",;\t", key=line.count)), [])
        return [cell.strip().casefold() for cell in cells]
    return []


def _name_missing(
    missing: Sequence[str],
    header: Sequence[str],
    line: str,
    file: str,
    number: int,
    problems: Problems,
) -> None:
    """Say which columns there are not; in one line where no name of them is alike."""
    close = {name: nearest(name, [c for c in header if c not in COLUMNS]) for name in missing}
    if len(missing) == len(COLUMNS) and not any(close.values()):
        remedy = "rename the columns: which counts east, which north, is not guessed"
        if any(name.startswith("lat") for name in header):
            remedy = "transform longitude and latitude to a projected CRS first"
        elif any(char.isdigit() for char in line):
            commas = "" if re.search("[,;\t]", line) else ", with commas between the numbers"
            remedy = f"write easting,northing,elevation above the numbers, in their order{commas}"
        problems.add(
            "column-missing",
            f"the first line has none of the names of columns, it is {shown(line.strip(), 60)}",
            "the columns easting, northing and elevation",
            remedy,
            file,
            number,
        )
        return
    for name in missing:
        problems.add(
            "column-missing",
            f"there is no column {name}",
            "the columns easting, northing and elevation",
            f'rename "{close[name]}"'
            if close[name]
            else "add it, or name the columns in the first line",
            file,
            number,
        )


def _parted_thousands(rest: str, separator: str, wanted: Sequence[int]) -> Floats | None:
    """Read cells with parted thousands, ``None`` where a cell is still no number."""
    try:
        rows = [row for row in csv.reader(io.StringIO(rest), delimiter=separator) if any(row)]
        cells = [[row[column].strip() for column in wanted] for row in rows]
    except (csv.Error, IndexError):
        return None
    plain = [
        [re.sub("[ ',]", "", cell) if _PARTED.fullmatch(cell) else cell for cell in row]
        for row in cells
    ]
    if plain == cells:
        return None
    return _numbers("\n".join(map("\t".join, plain)), "\t", range(len(wanted)))
