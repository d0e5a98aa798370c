"""Spreadsheets, looked at beside the reading library: how large they are, formulas and clocks.

A file of 100 kB may name a cell in the last column: each row is then filled up to it. A formula
that no program has worked out, as those written by a script, has no value: it would be blank. Of
days with a clock the library knows a few forms, and leaves the clock of the others away.
"""

from __future__ import annotations

import html
import re
import zipfile
import zlib
from datetime import datetime, timedelta
from pathlib import Path

__all__ = ["DAMAGED", "as_typed", "clocks", "open_formulas", "sheet_damage"]

DAMAGED = (
    *(zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError, ValueError),
    NotImplementedError,
)
"""What is raised where a packed file is damaged, encrypted or packed in another way."""

COLUMNS = 256
"""No table of marks has more; column IV is the last of them."""
CELLS = 30_000_000

_SHEET = re.compile(r"(xl/worksheets/.*\.xml|content\.xml)", re.IGNORECASE)
# a reference to a column beyond IV: JA to ZZ, or three letters
_FAR = re.compile(rb'\br="(?:[A-Z]{3}|[J-Z][A-Z]|I[W-Z])[0-9]+"')
_LAST_ROW = re.compile(rb'\br="[A-Z]{0,3}([0-9]{1,9})"')
# of the open format: a cell that is not empty, so many times
_REPEATED = re.compile(rb'<table:table-cell\b[^>]*number-columns-repeated="([0-9]{1,9})"[^>/]*>')

_LISTED = re.compile(r"<sheet\b[^>]*>")
_RELATION = re.compile(r"<Relationship\b[^>]*>")
# a text without letters is a value, too: =IF(B3="","",B3/2) in rows that wait to be filled in
_OPEN_FORMULA = re.compile(
    rb'<c\b(?![^>]*\st="str")(?=[^>]*\br="([A-Z]{1,3})([0-9]{1,7})")[^>]*>'
    rb"\s*<f\b[^>]*?(?:/>|>([^<]*)</f>)\s*(?:<v\s*/>|<v>\s*</v>)?\s*</c>"
)
_TABLE = re.compile(r"(<table:table(?=[\s>])[^>]*(?<!/)>)(.*?)</table:table>", re.DOTALL)
_ROW_OR_CELL = re.compile(
    r"""(<table:table-row\b[^>]*>)|(<table:(?:covered-)?table-cell\b(?:[^>"/]|"[^"]*")*)"""
    r"(?:/>|>((?:(?!<table:).)*)</table:(?:covered-)?table-cell>)",
    re.DOTALL,
)
_VALUE = re.compile(r'\soffice:(?:\w+-)?value="[^"]')
_NO_LETTERS = ' office:string-value=""'

_FORM = re.compile(r"<numFmt\b[^>]*>")
_FORMS_OF_CELLS = re.compile(r"<cellXfs\b.*?</cellXfs>", re.DOTALL)
_FORM_OF_CELL = re.compile(r"<xf\b[^>]*>")
_BUILT_IN_TIMES = {*range(14, 23), *range(45, 48)}
"""Numbers of forms of days and times that every program knows (ISO/IEC 29500-1, 18.8.30)."""
# what is no letter of a form: texts, colours and conditions, but for hours beyond 24 ([h])
_NO_FORM = re.compile(
    r'"[^"]*"|\\.|_.|\[(?!h+\]|m+\]|s+\])[^\]]*\]|general|standard', re.IGNORECASE
)
_SERIAL = re.compile(
    rb'<c\b(?=[^>]*\sr="([A-Z]{1,3})([0-9]{1,7})")(?=[^>]*\ss="([0-9]+)")(?![^>]*\st="[^n])[^>]*>'
    rb"\s*(?:<f\b[^>]*?(?:/>|>[^<]*</f>)\s*)?<v>([0-9]+(?:\.[0-9]*)?(?:E[+-]?[0-9]+)?)</v>"
)
_LAST_DAY = 2_958_465
"""31 December 9999, in days of spreadsheets."""
_LONG_NUMBER = re.compile(r"(?=(?:\D*\d){15})-?(?:0|[1-9]\d*)\.\d+(?:[eE][+-]?\d+)?", re.ASCII)
_SPAN = re.compile(r"PT(\d{1,2})H(\d{1,2})M(\d{1,2})(?:[.,](\d+))?S", re.ASCII)
_DAY = re.compile(r"(\d{4})/(\d{2})/(\d{2})((?: \d{2}:\d{2}:\d{2}(?:\.\d+)?)?)", re.ASCII)


def open_formulas(path: Path, sheet: str | None) -> dict[tuple[int, int], str]:
    """Return formulas of a sheet that have no value, by row from 1 and column from 0.

    Those of the open format that were worked out as a text without letters are blank: the reading
    library works them out anew, and otherwise.

    Parameters
    ----------
    path
        A spreadsheet, in the format whose sheets are XML files of their own (.xlsx) or in the one
        with all of them in one (.ods).
    sheet
        Its name, ``None`` for the only one.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            if path.suffix.lower() == ".ods":
                return _of_open_format(archive.read("content.xml"), sheet)
            return _of_parts(archive, sheet)
    except (*DAMAGED, KeyError):
        return {}  # told when it is read


def _of_parts(archive: zipfile.ZipFile, sheet: str | None) -> dict[tuple[int, int], str]:
    return {
        (int(row), _column(letters.decode())): "=" + html.unescape(words.decode("utf-8", "replace"))
        for letters, row, words in _OPEN_FORMULA.findall(_part(archive, sheet))
    }


def _part(archive: zipfile.ZipFile, sheet: str | None) -> bytes:
    """Return the XML of a sheet, of the first for ``None``; empty where there is none."""
    workbook = archive.read("xl/workbook.xml").decode("utf-8", "replace")
    relations = archive.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
    parts = {
        _attribute(one, "Id"): _attribute(one, "Target") for one in _RELATION.findall(relations)
    }
    listed = {
        _attribute(one, "name"): _attribute(one, r"\w+:id") for one in _LISTED.findall(workbook)
    }
    key = listed.get(sheet) if sheet is not None else next(iter(listed.values()), None)
    part = parts.get(key or "", "")
    return archive.read(part[1:] if part.startswith("/") else f"xl/{part}") if part else b""


def clocks(path: Path, sheet: str | None) -> dict[tuple[int, int], str]:
    """Return days and times of a sheet (.xlsx) as text, by row from 1 and column from 0.

    Such a cell is a number of days with a form to show it in; also a form without a clock may
    stand over a day that has one.

    Parameters
    ----------
    path
    sheet
        Its name, ``None`` for the only one.
    """
    if path.suffix.lower() == ".ods":
        return {}  # they are written out there
    try:
        with zipfile.ZipFile(path) as archive:
            if "xl/styles.xml" not in archive.namelist():
                return {}
            forms = _times_among_forms(archive.read("xl/styles.xml").decode("utf-8", "replace"))
            if not forms:
                return {}
            workbook = archive.read("xl/workbook.xml")
            first = datetime(1904, 1, 1) if b'date1904="1' in workbook else datetime(1899, 12, 30)
            return {
                (int(row), _column(letters.decode())): _moment(float(days), first)
                for letters, row, form, days in _SERIAL.findall(_part(archive, sheet))
                if int(form) in forms and float(days) < _LAST_DAY
            }
    except (*DAMAGED, KeyError):
        return {}  # told when it is read


def _times_among_forms(styles: str) -> set[int]:
    """Return which forms of cells are those of days or times, counted from 0."""
    own = {}
    for form in _FORM.findall(styles):
        letters = _NO_FORM.sub("", _attribute(form, "formatCode")).split(";")[0].lower()
        # no moment has a place for digits, but for those of its last second
        has_digits = set("0#?") & set(re.sub(r"s\.0+", "s", letters))
        own[_attribute(form, "numFmtId")] = bool(set("ymdhs") & set(letters)) and not has_digits
    cells = _FORMS_OF_CELLS.search(styles)
    used = [_attribute(one, "numFmtId") for one in _FORM_OF_CELL.findall(cells[0] if cells else "")]
    return {
        number
        for number, form in enumerate(used)
        if own.get(form, form.isdigit() and int(form) in _BUILT_IN_TIMES)
    }


def _moment(days: float, first: datetime) -> str:
    """Return days since the first one as a day, a clock time or both, to the millisecond.

    Examples
    --------
    >>> _moment(46173.354169560184, datetime(1899, 12, 30)), _moment(0.5, datetime(1899, 12, 30))
    ('2026-05-31T08:30:00.250', '12:00:00')
    """
    at = first + timedelta(milliseconds=round(days * 86_400_000))
    if days >= 1 and at.time() == datetime.min.time():
        return at.date().isoformat()
    told = at.isoformat(timespec="milliseconds" if at.microsecond else "seconds")
    return told if days >= 1 else told[11:]


def as_typed(text: str) -> str:
    """Return the text of a cell as it would be typed, where the reading library gives its inside.

    Examples
    --------
    >>> as_typed("3.2000000000000002"), as_typed("PT08H30M05S"), as_typed("2026/05/31")
    ('3.2', '08:30:05', '2026-05-31')
    >>> as_typed("0170.123456789012345")  # no number has a nought before it
    '0170.123456789012345'
    """
    if _LONG_NUMBER.fullmatch(text):
        value = float(text)
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else str(value)
    if found := _SPAN.fullmatch(text):
        hours, minutes, seconds = (int(found[i]) for i in (1, 2, 3))
        return f"{hours:02d}:{minutes:02d}:{seconds:02d}" + (f".{found[4]}" if found[4] else "")
    day = _DAY.fullmatch(text)
    return f"{day[1]}-{day[2]}-{day[3]}{day[4]}" if day else text


def _of_open_format(content: bytes, sheet: str | None) -> dict[tuple[int, int], str]:
    """Return what `open_formulas` does, of a file in the open format: cells have no names there."""
    found: dict[tuple[int, int], str] = {}
    if b"table:formula" not in content:
        return found
    tables = _TABLE.findall(content.decode("utf-8", "replace"))
    inner = next(
        (rows for tag, rows in tables if sheet in (None, _attribute(tag, "table:name"))), ""
    )
    row, below, column = 0, 1, 0
    for of_row, of_cell, text in _ROW_OR_CELL.findall(inner):
        if of_row:
            row, column = below, 0
            below += int(_attribute(of_row, "table:number-rows-repeated") or 1)
            continue
        words = _attribute(of_cell, "table:formula")
        is_blank = not _VALUE.search(of_cell) and not re.sub("<[^>]*>", "", text).strip()
        if words and is_blank:
            found[row, column] = "" if _NO_LETTERS in of_cell else _of_formula(words)
        column += int(_attribute(of_cell, "table:number-columns-repeated") or 1)
    return found


def _of_formula(formula: str) -> str:
    """Return a formula of the open format as spreadsheet programs show it.

    Examples
    --------
    >>> _of_formula("of:=[.C3]/2+SUM([.A1:.B2];[$Walk.C4])")
    '=C3/2+SUM(A1:B2;$Walk.C4)'
    """
    words = formula[formula.find("=") :] if "=" in formula else f"={formula}"
    return re.sub(r"\[([^\]]*)\]", lambda found: found[1].replace(":.", ":").lstrip("."), words)


def _attribute(tag: str, name: str) -> str:
    found = re.search(rf'\s{name}="([^"]*)"', tag)
    return html.unescape(found[1]) if found else ""


def _column(letters: str) -> int:
    """Return the number of a column from 0.

    Examples
    --------
    >>> _column("A"), _column("AB")
    (0, 27)
    """
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def sheet_damage(path: Path) -> str | None:
    """Return why a spreadsheet is too large to be read, or ``None``; also for other archives."""
    try:
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                if _SHEET.fullmatch(name) and (fault := _fault(archive.read(name))) is not None:
                    return fault
    except DAMAGED as error:
        return f"damaged: {error}"
    return None


def _fault(sheet: bytes) -> str | None:
    rows = re.split(rb"<(?:table:table-)?row[ >]", sheet)
    widest = max(row.count(b"<c ") + row.count(b"<c>") for row in rows)
    repeated = max((int(found) for found in _REPEATED.findall(sheet)), default=0)
    if _FAR.search(sheet) or max(widest, repeated) > COLUMNS:
        return f"a row has cells beyond column {COLUMNS}: keep the columns of the table alone"
    last = max((int(found) for row in rows for found in _LAST_ROW.findall(row[:40])), default=0)
    if max(last, len(rows)) * max(widest, 1) > CELLS:
        return (
            f"its {max(last, len(rows)):,} rows of {widest} cells are more than "
            f"{CELLS / 1e6:.0f} million: take the empty rows out"
        )
    return None
