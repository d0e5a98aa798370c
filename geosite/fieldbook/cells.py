"""Cells of a field book: from the text of a column to numbers, and what is wrong with a cell."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.problems import Problems, did_you_mean, shown
from geosite.base.units import plain_marks
from geosite.fieldbook.model import PIECE_KINDS
from geosite.reading.files import clean_name
from geosite.reading.written_numbers import units_of

__all__ = [
    "PIECE_LIMIT",
    "TIME_FORMS",
    "Names",
    "Segments",
    "Texts",
    "Written",
    "coordinates",
    "report_bad_segments",
    "times",
]

REACH_M = 1e7
"""No yard is larger than this."""
NOTE_LIMIT = 2000
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_GROUPED = re.compile(
    r"[+-]?\d{1,3}(?:([ '])\d{3}(?:\1\d{3})*(?:\.\d*)?|(?:,\d{3})+\.\d*|(?:,\d{3}){2,})"
)
"""A number with decimal point whose thousands are parted, and can be nothing else."""
_PLAIN_BLANKS = str.maketrans("\u00a0\u202f", "  ")
"""Blanks that do not break, as programs write before AM and PM and between thousands."""
_EXCHANGED = str.maketrans(".,", ",.")
NUMBER_LIMIT = 100
"""Characters of a number."""
_CLOCK = re.compile(
    r"T?([01]?\d|2[0-4]):([0-5]\d):([0-5]\d(?:[.,]\d{1,9})?)(?:\s?([ap])\.?m\.?)?",
    re.ASCII | re.IGNORECASE,
)
_DATED = re.compile(r"(\d{1,2})([./])(\d{1,2})\2(\d{4})[T, ]+(\S.*)", re.ASCII)
"""A date with dots has its day first (DIN 5008); one with strokes may have its month first."""
_DAY = re.compile(r"\d{4}-(?:\d{2}-\d{2}|W\d{2}(?:-\d)?)", re.ASCII)
TIME_FORMS = (
    "seconds, 2026-05-31T08:30:00, 31.05.2026 08:30:00, 08:30:00, 8:30:00 AM, or"
    " 31/05/2026 08:30:00 where the column tells day from month"
)
"""How times may be written, for messages."""
_LAST_SECOND = 1e10
"""Seconds since 1970 until the year 2286."""
_FIRST_NOTED = 8e8
"""Seconds since 1970 until 1995: no device noted a walk before. Ticks of 100 ns, and days and
minutes written as one number, would come earlier."""
_SEGMENT = re.compile(r"([a-z]+)\s*(\d{0,5})", re.ASCII)
PIECE_LIMIT = 9999


class Names:
    """Numbers distinct names in order of appearance, 0 for a blank."""

    def __init__(self) -> None:
        self.numbers: defaultdict[str, int] = defaultdict()
        self.numbers.default_factory = self.numbers.__len__
        self.numbers[""]

    def number(self, cells: Sequence[str]) -> Ints:
        """Return the number of each name, shape (n,)."""
        tidy = str.strip if "".join(cells).isascii() else clean_name
        return np.fromiter(map(self.numbers.__getitem__, map(tidy, cells)), np.int64, len(cells))

    def names(self) -> tuple[str, ...]:
        """Return the names met so far; number 1 is the first."""
        return tuple(self.numbers)[1:]


class Segments(dict[str, int]):
    """Reads segment words; -1 for a word that is none. A value is kind * 10000 + piece."""

    def __missing__(self, cell: str) -> int:
        word = cell.strip().casefold()
        match = _SEGMENT.fullmatch(word)
        number = -1
        if not word:
            number = 1
        elif match and match[1] in PIECE_KINDS and int(match[2] or 1) <= PIECE_LIMIT:
            kind = PIECE_KINDS.index(match[1])
            number = kind * (PIECE_LIMIT + 1) + int(match[2] or 1)
        self[cell] = number
        return number


class Texts(dict[str, str]):
    """Tidies free text to one printable line; equal notes share one string."""

    def __missing__(self, cell: str) -> str:
        text = cell
        if not text.isprintable():
            text = "".join(c if c.isprintable() or c in "\u200c\u200d" else " " for c in text)
        text = " ".join(text.split())
        if len(text) > NOTE_LIMIT:
            text = text[: NOTE_LIMIT - 1] + "…"
        if len(self) < 100_000:
            self[cell] = text
        return text


def times(cells: Sequence[str], decimal: Literal[".", ","] = ".") -> Floats:
    """Return times in seconds, of numbers or ISO 8601; NaN where a cell is blank or neither.

    Only differences count, so a time without a zone is taken as UTC, and a clock time without a
    day, ``08:30:05`` or ``8:30:05 AM``, as the seconds of its day; not beside times with a day, and
    not without its seconds: 08:30 may be minutes and seconds. Seconds may have the decimal mark of
    the table. A day may be written ``05.03.2026``, its day first, before a clock time; of
    ``05/03/2026`` a number above 12 in any cell tells which is the month, and of one day alone it
    does not matter. Numbers too large for seconds since 1970 are its milli-, micro- or nanoseconds
    where that gives a year from 1995 to 2286, else no times.

    Examples
    --------
    >>> np.diff(times(["1780000000000", "1780000001500"])).item()
    1.5
    >>> noted = times(["2026-05-01T08:30:00", "2026-05-01T08:31:30", ""])
    >>> (noted - noted[0]).tolist()
    [0.0, 90.0, nan]
    >>> np.diff(times(["12/31/2026 23:59:30", "01/01/2027 00:00:00"])).item()
    30.0
    """
    out = np.full(len(cells), np.nan)
    numbers: dict[int, float] = {}
    clock: dict[int, float] = {}
    dated: dict[int, re.Match[str]] = {}
    has_days = False
    for i, cell in enumerate(cells):
        text = cell.translate(_PLAIN_BLANKS).strip()
        if not text or len(text) > NUMBER_LIMIT:
            continue
        number = text.replace(",", ".") if decimal == "," else text
        if _NUMBER.fullmatch(number):
            numbers[i] = float(number)
        elif (seconds := _of_day(text)) is not None:
            clock[i] = seconds
        elif (found := _DATED.fullmatch(text)) is not None:
            dated[i] = found
        else:
            try:
                moment = datetime.fromisoformat(text)
            except ValueError:
                continue
            if _DAY.fullmatch(text):
                continue  # no time of the day: all rows would have one moment
            has_days = True
            # without a zone of its own as good as any: only differences count
            out[i] = moment.replace(tzinfo=moment.tzinfo or UTC).timestamp()
    out[list(numbers)] = _as_seconds(np.array(list(numbers.values())))
    month_first = _month_first([found for found in dated.values() if found[2] == "/"])
    for i, found in dated.items():
        out[i] = _moment(found, found[2] == "/" and month_first)
    if not (has_days or dated):
        out[list(clock)] = list(clock.values())
    return np.where(np.isfinite(out), out, np.nan)


def _as_seconds(numbers: Floats) -> Floats:
    """Return numbers as seconds, of which as many may have passed since 1970, else NaN."""
    usual = float(np.median(np.abs(numbers))) if len(numbers) else 0.0
    parts = 1.0
    if usual >= _LAST_SECOND:
        fitting = (p for p in (1e3, 1e6, 1e9) if _FIRST_NOTED <= usual / p < _LAST_SECOND)
        parts = next(fitting, 1.0)
    seconds = numbers / parts
    return np.where(np.abs(seconds) < _LAST_SECOND, seconds, np.nan)


def _month_first(days: Sequence[re.Match[str]]) -> bool | None:
    """Tell whether dates with strokes have their month first, ``None`` where they do not say."""
    pairs = {(int(day[1]), int(day[3])) for day in days}
    day_first, month_first = (any(pair[k] > 12 for pair in pairs) for k in (0, 1))
    if day_first != month_first:
        return month_first
    return None if day_first or len({(day[1], day[3], day[4]) for day in days}) > 1 else False


def _moment(dated: re.Match[str], month_first: bool | None) -> float:
    """Return the seconds of a day and clock time, NaN where they are none."""
    seconds = _of_day(dated[5])
    if seconds is None or month_first is None:
        return np.nan
    day, month = (3, 1) if month_first else (1, 3)
    try:
        at = datetime(int(dated[4]), int(dated[month]), int(dated[day]), tzinfo=UTC)
        return (at + timedelta(seconds=seconds)).timestamp()
    except (ValueError, OverflowError):  # 24 hours after the last day there is
        return np.nan


def _of_day(text: str) -> float | None:
    """Return the seconds of a day that a clock time is, None where it is none."""
    at = _CLOCK.fullmatch(text)
    if at is None:
        return None
    hour = int(at[1])
    if at[4]:  # twelve comes before one
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (at[4] in "pP")
    return 3600.0 * hour + 60.0 * int(at[2]) + float(at[3].replace(",", "."))


@dataclass(frozen=True, slots=True)
class Written:
    """Cells of one column as they stand in the field book.

    Parameters
    ----------
    cells
        Their text.
    lines
        Line of each in the file.
    file
        How to call the file in messages.
    decimal
        Mark between whole and fraction.
    """

    cells: Sequence[str]
    lines: Sequence[int]
    file: str
    decimal: Literal[".", ","] = "."


def coordinates(axis: str, written: Written, unit_m: float, problems: Problems) -> Floats:
    """Return a column of coordinates; cells that are none are reported and become NaN.

    Thousands may be parted by blanks, apostrophes or the other mark where that can be read in one
    way only: 1,234.5 is a number, 1,234 may be two.

    Parameters
    ----------
    axis
        Name of the column, for messages.
    written
        The cells.
    unit_m
        Metres per unit of the coordinates: more than `REACH_M` is a slip.
    problems
        Receives a problem for each cell that is no coordinate.

    Examples
    --------
    >>> problems = Problems()
    >>> cells = Written(["1.5", "1,234.5", "2,5"], [2, 3, 4], "book.csv")
    >>> coordinates("x", cells, 1.0, problems).tolist()
    [1.5, 1234.5, nan]
    >>> print(problems.first()[0])
    book.csv:4: x is "2,5"; expected a decimal point; export with decimal points, not commas
    """
    limit = REACH_M / unit_m
    points = written.cells
    if written.decimal == ",":
        points = [cell.translate(_EXCHANGED) for cell in points]
    joined = "".join(points)
    try:
        # float() alone also takes 1_000 and digits of other scripts
        if joined.isascii() and "_" not in joined:
            values = np.fromiter(map(float, points), np.float64, len(points))
            if bool(np.all(np.abs(values) <= limit)):
                return values
    except ValueError:
        pass
    values = np.full(len(points), np.nan)
    for i, (cell, line) in enumerate(zip(points, written.lines, strict=True)):
        if problems.full:
            break
        text = written.cells[i].strip()
        value = _number(cell.strip())
        if value is None:
            problems.add(*_number_fault(axis, text, written.decimal), written.file, line)
        elif abs(value) <= limit:
            values[i] = value
        else:
            problems.add(
                "coordinate-too-large",
                f"{axis} is {shown(text, 30)}",
                f"a local coordinate of at most {limit:.0e} units",
                "check the unit and the decimal point: no yard is that large",
                written.file,
                line,
            )
    return values


def _number(text: str) -> float | None:
    """Return a number with decimal point, ``None`` for a text that is none."""
    text = text.translate(_PLAIN_BLANKS)
    if len(text) > NUMBER_LIMIT:
        return None
    if _NUMBER.fullmatch(text):
        return float(text)
    if _GROUPED.fullmatch(text) and text.isascii():
        return float(re.sub("[ ',]", "", text))
    return None


def _number_fault(axis: str, text: str, decimal: str) -> tuple[str, str, str, str]:
    if not text:
        return "number-blank", f"{axis} is blank", "a number", "measure it, or remove the row"
    what = f"{axis} is {shown(text, 30)}"
    if text[0] == "=":
        return (
            "formula-open",
            f"{what}, a formula without a value",
            "a number",
            "open the file in a spreadsheet program and save it, or put the number there",
        )
    if len(text) > NUMBER_LIMIT:
        return "not-a-number", what, "a number", "check the columns, or correct the cell"
    if re.fullmatch(r"[+-]?(nan|inf|infinity|1\.#\w+|n/?a|null|none)", text, re.IGNORECASE):
        return "not-finite", what, "a finite number", "measure it again, or remove the row"
    # a power of ten is no unit
    plain = re.sub(r"(?<=\d)[eE][+-]?\d+$", "", text.translate(_PLAIN_BLANKS))
    if decimal == "," and re.fullmatch(r"[+-]?[\d, ']*(?:\d\.|\.\d)\d*", plain, re.ASCII):
        return "decimal-point", what, "a decimal comma, as in other rows", "write all of them alike"
    if decimal == "." and re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text, re.ASCII):
        point, none = text.replace(",", "."), text.replace(",", "")
        return "decimal-comma", what, "a decimal point", f"write {point} or {none}, as is meant"
    if decimal == "." and re.fullmatch(r"[+-]?[\d. ']*\d,\d+", plain, re.ASCII):
        return "decimal-comma", what, "a decimal point", "export with decimal points, not commas"
    if text[0] in "\u2212\u2013\u2014":
        return "not-a-number", what, "a plain minus sign", "type - instead of the long dash"
    if re.match(r"[+-]?[\d.,]+\s*[A-Za-z'\"]", plain_marks(text)):
        remedy = "remove the unit: it is set once in the site file"
        if units_of(text, "," if decimal == "," else "."):
            remedy += "; geosite import reads tables with units, also feet and inches"
        return "not-a-number", what, "a number alone", remedy
    return "not-a-number", what, "a number", "check the columns, or correct the cell"


def report_bad_segments(
    cells: Sequence[str], words: Ints, lines: Sequence[int], file: str, problems: Problems
) -> None:
    """Report segment words that are none, with the word that was probably meant.

    Parameters
    ----------
    cells
        As written.
    words : array, shape (n,)
        What `Segments` made of them, -1 for a word that is none.
    lines
        Line of each cell in the file.
    file
        How to call it in messages.
    problems
        Receives them.

    Examples
    --------
    >>> problems, cells = Problems(), ["line", "arck"]
    >>> words = np.array([Segments()[cell] for cell in cells])
    >>> report_bad_segments(cells, words, [2, 3], "book.csv", problems)
    >>> print(problems.first()[0].remedy)
    did you mean "arc"?
    """
    for i in np.flatnonzero(words < 0).tolist():
        if problems.full:
            break
        word = cells[i].strip()
        near = problems.suggest(re.sub(r"[\W\d_]+", "", word), PIECE_KINDS)
        problems.add(
            "segment-unknown",
            f"segment is {shown(word, 30)}",
            "one of "
            + ", ".join(PIECE_KINDS)
            + f", with a number up to {PIECE_LIMIT} for a new piece",
            did_you_mean(near, "use one of these words, or leave it blank"),
            file,
            lines[i],
        )
