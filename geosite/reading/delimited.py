"""Text tables of any origin: encoding, separator and decimal mark are found out, and told.

Nothing is assumed that the text itself does not show. What it leaves open is a question.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from geosite.base.problems import Problems, shown
from geosite.reading.faulty_rows import SEPARATORS, name_open_quotes
from geosite.reading.written_numbers import Decimal, as_number, units_of

__all__ = ["TextTable", "columns_of_numbers", "decoded", "split_table"]

_SAMPLE = 400
"""Rows by which a separator is chosen."""
_MARKED = re.compile(r"[+-]?\d[\d.,]*\d")
_WKT = re.compile(r"\bPOINT\s*(?:Z|M|ZM)?\s*\(", re.IGNORECASE)
_RULE = re.compile(r"[-=_:+]{2,}")
"""A cell of a line that parts the names of columns from what stands below them."""
_COMMENT = ("#", "%", "//")
_LIKE_NUMBERS = re.compile(r"[-+\u2212]?[.,]?\d[^:;]*")
"""How a coordinate begins, and a clock time does not."""
_ONE_BYTE = ("cp1252", "cp1250", "cp1251", "cp1253", "mac_roman", "cp850")
_WESTERN = frozenset(
    "äöüÄÖÜßéèêëàâáãåçñíìîïóòôõøœæúùûÿýÉÈÊÀÁÂÅÇÑÓØÆÚ°²³µ½¼'\u2018\u2019\u201c\u201d\u2013€"
)


@dataclass(frozen=True)
class TextTable:
    """Rows of a text table.

    Parameters
    ----------
    rows
        Cells without blanks at their ends; rows of the table's own width only.
    lines
        Line of each row, counted from 1.
    breaks
        Places in `rows` before which there was an empty line.
    bare
        Places in `rows` of lines of words, fewer or more than the table has columns: the line is
        their first cell.
    above
        Lines above the table (titles, comments), as they are.
    encoding, separator
        ``"utf-8"``, ``"utf-16"``, ``"cp1252"``, ...; one of `faulty_rows.SEPARATORS`.
    decimal
        Mark between whole and fraction; ``None`` where the text does not tell it.
    guessed
        What was found out with less than certainty, in words.
    """

    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    breaks: frozenset[int] = frozenset()
    bare: frozenset[int] = frozenset()
    above: tuple[str, ...] = ()
    encoding: str = "utf-8"
    separator: str = ","
    decimal: Decimal | None = "."
    guessed: tuple[str, ...] = field(default=())

    @property
    def width(self) -> int:
        """Cells in a row."""
        return len(self.rows[0]) if self.rows else 0


def decoded(data: bytes) -> tuple[str, str, bool]:
    """Return bytes as text, the encoding, and whether that is certain.

    A byte order mark and valid UTF-8 are certain; the encodings of one byte per character fit any
    text and are chosen by the letters they make.

    Examples
    --------
    >>> decoded("Höhe".encode("utf-16"))
    ('Höhe', 'utf-16', True)
    >>> decoded("Höhe".encode("cp1252"))
    ('Höhe', 'cp1252', False)
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace"), "utf-16", True
    zeros = data[:4096]
    if zeros.count(0) * 4 > len(zeros):
        little = zeros[1::2].count(0) >= zeros[::2].count(0)
        name = "utf-16-le" if little else "utf-16-be"
        return data.decode(name, errors="replace"), name, True
    try:
        return data.decode("utf-8-sig"), "utf-8", True
    except UnicodeDecodeError:
        pass
    western = data.decode("cp1252", errors="replace")
    if all(c in _WESTERN for c in western if ord(c) > 127):
        return western, "cp1252", False
    from charset_normalizer import from_bytes

    best = from_bytes(data, cp_isolation=list(_ONE_BYTE)).best()
    return (western, "cp1252", False) if best is None else (str(best), best.encoding, False)


def split_table(
    data: bytes, file: str, problems: Problems, decimal: Decimal | None = None
) -> TextTable | None:
    """Split a text into rows and cells.

    Parameters
    ----------
    data, file
        The bytes, and what to call them in messages.
    problems
        Receives what is wrong; the answer is then ``None``.
    decimal
        The decimal mark, where somebody knows it.

    Examples
    --------
    >>> text = "Station;X;Y;Z" + chr(10) + "A1;0,5;2,0;0,1" + chr(10) + "A2;1,5;2,0;0,1"
    >>> table = split_table(text.encode(), "walk.txt", Problems())
    >>> table.separator, table.decimal, table.rows[1]
    (';', ',', ('A1', '0,5', '2,0', '0,1'))
    """
    text, encoding, certain = decoded(data)
    guessed = [] if certain else [f"the encoding of {file} is taken as {encoding}"]
    if "\0" in text:
        problems.add(
            "not-text", "it contains NUL bytes", "a text table", "export it again as text", file
        )
        return None
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    columns, separator = _likeliest(lines[:_SAMPLE], decimal)
    if any(line.count('"') % 2 for line in lines):
        count, parted_by = columns, separator
        if columns < 3 or separator == " ":
            # one in the first line takes all rows into its cell, by any separator but blanks
            bare = [line.replace('"', "") for line in lines[:_SAMPLE]]
            count, parted_by = _likeliest(bare, decimal)
        before = len(problems)
        if count >= 3 and parted_by != " ":
            name_open_quotes(lines, parted_by, file, 1, problems)
        if len(problems) > before:
            return None
    if columns < 3:
        _name_what_is_no_number(lines[:_SAMPLE], columns, file, problems)
        return None
    rows = _cells(lines, separator)
    width = Counter(len(cells) for _, cells in rows if len(cells) >= 3).most_common(1)[0][0]
    mark = decimal or _decimal_mark([cells for _, cells in rows], separator)
    body = _body(rows, lines, width, separator, file, problems)
    return replace(body, encoding=encoding, decimal=mark, guessed=tuple(guessed))


def _name_what_is_no_number(
    lines: Sequence[str], columns: int, file: str, problems: Problems
) -> None:
    """Say why not three columns are of numbers: by a cell among numbers, if there is such."""
    for separator in (one for one in SEPARATORS if one != " "):
        odd = _odd_among_numbers(_cells(lines, separator))
        if odd is None:
            continue
        line, cell = odd
        said = f"{shown(cell, 30)} is not understood as a number"
        expected = "a number, or one with its unit: 3.5 m, 12.25', 12' 3 1/2\", 12 ft 3 in"
        remedy = "export plain numbers, and say their unit with --unit"
        if not cell:
            said, remedy = "a number is missing", "fill it in, or take the row out"
        elif "\u00b0" in cell:
            expected = "x, y and z as lengths"
            remedy = (
                "angles, or degrees on earth, are not read: export coordinates of a projected CRS,"
                " or local ones"
            )
        elif as_number(cell) is not None or as_number(cell, ",") is not None:
            said = f"decimal points and decimal commas stand in one table, such as {shown(cell)}"
            expected, remedy = "one decimal mark", "write all of them alike"
        problems.add("no-coordinates", said, expected, remedy, file, line)
        return
    what, remedy = (
        "no separator gives rows with three columns of numbers",
        "export it as text with one observation per row",
    )
    if columns == 2:
        what = "its rows have two columns of numbers"
        remedy = "export the heights as well: a walk has x, y and z"
    point = next((n for n, one in enumerate(lines, 1) if _WKT.search(one)), None)
    if point is not None:
        what = "coordinates stand in one cell, as text of a point"
        remedy = "export the geometry as columns: AS_XYZ where the program asks for its form"
    problems.add(
        "no-coordinates", what, "a table with x, y and z in every row", remedy, file, point
    )


def _odd_among_numbers(rows: Sequence[tuple[int, list[str]]]) -> tuple[int, str] | None:
    """Return line and text of the first cell that is none of the numbers of three columns.

    A number with the other decimal mark than the first that has one is such a cell, too.
    """
    width = Counter(len(cells) for _, cells in rows).most_common(1)[0][0] if rows else 0
    body = [(line, cells) for line, cells in rows if len(cells) == width and any(cells)][1:]
    like = [
        i
        for i in range(width)
        if sum(bool(_LIKE_NUMBERS.fullmatch(cells[i])) for _, cells in body) >= 0.6 * len(body) > 0
    ]
    if len(like) < 3:
        return None
    mark: Decimal | None = None
    for line, cells in body:
        for cell in (cells[i] for i in like):
            point, comma = as_number(cell) is not None, as_number(cell, ",") is not None
            if not (point or comma) or (mark is not None and not (point if mark == "." else comma)):
                return line, cell
            if point != comma:
                mark = mark or ("." if point else ",")
    return None


def _cells(lines: Sequence[str], separator: str) -> list[tuple[int, list[str]]]:
    if separator == " ":
        return [(n, line.split()) for n, line in enumerate(lines, 1)]
    found = []
    reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=separator, skipinitialspace=True)
    start = 1
    try:
        for cells in reader:
            found.append((start, [cell.strip() for cell in cells]))
            start = reader.line_num + 1
    except csv.Error:
        return [(n, [c.strip() for c in line.split(separator)]) for n, line in enumerate(lines, 1)]
    return found


def _likeliest(lines: Sequence[str], decimal: Decimal | None) -> tuple[int, str]:
    """Return how many columns of numbers the likeliest separator makes, and the separator."""
    (columns, _), separator = max(
        ((_weight(lines, s, decimal), s) for s in SEPARATORS), key=lambda choice: choice[0]
    )
    return columns, separator


def _weight(lines: Sequence[str], separator: str, decimal: Decimal | None) -> tuple[int, float]:
    """Return how many columns of numbers a separator makes, and how even the rows are."""
    rows = [cells for _, cells in _cells(lines, separator) if any(cells)]
    if not rows:
        return 0, 0.0
    width, count = Counter(len(cells) for cells in rows).most_common(1)[0]
    even = count / len(rows)
    if width < 3 or even < 0.5:
        return 0, even
    body = [cells for cells in rows if len(cells) == width]
    marks: tuple[Decimal, ...] = (decimal,) if decimal else (".", ",")
    return max(len(columns_of_numbers(body, mark)) for mark in marks), even


def columns_of_numbers(rows: Sequence[Sequence[str]], decimal: Decimal) -> list[int]:
    """Return the columns in which most rows of a table have a number.

    Rows with less than three cells that are filled, too few for x, y and z, do not count: a
    spreadsheet pads titles above its table with blank cells.

    Examples
    --------
    >>> columns_of_numbers([["Yard", "", ""], ["Day one", "", ""], ["0", "2.5", "0.1"]], ".")
    [0, 1, 2]
    """
    body = [row for row in rows if sum(map(bool, row)) >= 3]
    return [
        i
        for i in range(len(body[0]) if body else 0)
        if sum(as_number(row[i], decimal) is not None for row in body) >= 0.6 * len(body)
    ]


def _decimal_mark(rows: Sequence[Sequence[str]], separator: str) -> Decimal | None:
    """Return the decimal mark that the numbers show, ``None`` where they leave it open.

    A comma followed by other than three digits, or after a nought, is no mark of thousands. Lengths
    with units tell where they may be the coordinates: beside three columns of bare numbers with
    decimals they are remarks.
    """
    joined = [c for cells in rows for c in cells if c and c[0] in "+-0123456789.,\u2212"]
    ended = [c for c in joined if c[-1].isdigit()]
    lengths = [c for c in joined if not c[-1].isdigit() and (units_of(c) or units_of(c, ","))]
    if not lengths or _bare_columns_with_decimals(rows[:_SAMPLE]) >= 3:
        joined = ended
    else:
        joined = ended + [number for c in lengths for number in _MARKED.findall(c)]
    points = [c for c in joined if as_number(c, ".") is not None and "." in c]
    commas = [c for c in joined if as_number(c, ",") is not None and "," in c]
    sure_comma = any(not re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+", c) for c in commas)
    sure_point = any(not re.fullmatch(r"[+-]?[1-9]\d{0,2}(\.\d{3})+", c) for c in points)
    if sure_comma and not sure_point:
        return ","
    if commas and not sure_comma and not points and separator != ",":
        return None  # 1,234 may be either
    if sure_comma and sure_point:
        return None
    return "."


def _bare_columns_with_decimals(rows: Sequence[Sequence[str]]) -> int:
    """Return in how many columns most numbers have no unit, and one of them has a decimal mark."""
    bare: Counter[int] = Counter()
    filled: Counter[int] = Counter()
    marked: set[int] = set()
    for row in rows:
        for i, cell in enumerate(row):
            filled[i] += bool(cell)
            if cell[-1:].isdigit() and (
                as_number(cell) is not None or as_number(cell, ",") is not None
            ):
                bare[i] += 1
                marked |= {i} if "." in cell or "," in cell else set()
    return sum(2 * bare[i] > filled[i] for i in marked)


def _heading(cells: Sequence[str], width: int) -> list[str] | None:
    """Return the names of columns behind a sign of comments, None for what is a comment.

    The sign may stand for a column of numbers, ``#;Label;X;Y;Z``, or before the names, ``# X Y Z``.
    """
    named = [cell.strip() for cell in cells]
    if named and named[0] in _COMMENT and len(named) == width + 1:
        named = named[1:]
    elif len(named) == width:
        named[0] = named[0].lstrip("#%/ ")
    else:
        return None
    return named if any(named) and all(as_number(cell) is None for cell in named) else None


def _is_comment(line: str, cells: Sequence[str], width: int) -> bool:
    """Whether a line is a comment: behind % and // not where it is a whole row, of mark %1."""
    line = line.lstrip()
    if line.startswith("#") or not line.startswith(_COMMENT):
        return line.startswith("#")
    numbers = sum(as_number(c) is not None or as_number(c, ",") is not None for c in cells)
    return len(cells) != width or numbers < 3


def _are_words(cells: Sequence[str]) -> bool:
    """Whether cells are a line of words, in which there may be a number: Walk 2 of 3 May."""
    numbers = sum(as_number(c) is not None or as_number(c, ",") is not None for c in cells)
    words = len(list(filter(None, cells))) - numbers
    # Number of points;9 or Page 2, and not a mark whose row breaks off
    is_title = " " in cells[0] or cells[-1].isdigit()
    return numbers < 3 and (numbers < words or (numbers == words and is_title))


def _is_data(rows: Sequence[tuple[int, list[str]]]) -> bool:
    """Tell whether the next row that is filled has a number: a heading stands above such."""
    cells = next((cells for _, cells in rows if any(cells)), [])
    return any(as_number(cell, mark) is not None for cell in cells for mark in (".", ","))


def _body(
    rows: Sequence[tuple[int, list[str]]],
    lines: Sequence[str],
    width: int,
    separator: str,
    file: str,
    problems: Problems,
) -> TextTable:
    """Cut the table out of the text: titles above, empty lines within, rows that are too short."""
    first = next(i for i, (_, cells) in enumerate(rows) if len(cells) == width)
    if (
        first
        and rows[first - 1][1][:1]
        and rows[first - 1][1][0] in _COMMENT
        and _heading(rows[first - 1][1], width)
    ):
        first -= 1
    kept: list[tuple[str, ...]] = []
    numbers: list[int] = []
    breaks: set[int] = set()
    bare: set[int] = set()
    for number, (line, cells) in enumerate(rows[first:], first + 1):
        if not any(cells):
            if kept:
                breaks.add(len(kept))
            continue
        if all(_RULE.fullmatch(cell) for cell in cells if cell):
            continue
        if _is_comment(lines[line - 1], cells, width):
            heading = _heading(cells, width) if not kept and _is_data(rows[number:]) else None
            if heading is None:
                continue
            cells = heading
        if len(cells) > width and not any(cells[width:]):
            cells = cells[:width]
        if len(cells) != width and _are_words(cells):
            bare.add(len(kept))
            cells = [lines[line - 1].strip(f" {separator}"), *[""] * (width - 1)]
        if len(cells) != width:
            problems.add(
                "row-length",
                f"the row has {len(cells)} cells",
                f"{width} as in most rows",
                "decimal commas between commas cannot be told apart: export with semicolons"
                if separator == "," and len(cells) > width
                else "a name with a blank in it is two cells: export with tabs or semicolons"
                if separator == " " and len(cells) > width
                else "fill in the missing cells, or take the row out",
                file,
                line,
            )
            continue
        kept.append(tuple(cells))
        numbers.append(line)
    return TextTable(
        tuple(kept),
        tuple(numbers),
        frozenset(b for b in breaks if b < len(kept)),
        frozenset(bare),
        # with the comments between titles and table, however many words they have
        above=tuple(lines[: (numbers[0] if numbers else rows[first][0]) - 1]),
        separator=separator,
    )
