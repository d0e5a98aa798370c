"""Spreadsheets, looked at before the reading library: how large they are, and their formulas.

A file of 100 kB may name a cell in the last column: each row is then filled up to it. A formula
that no program has worked out, as those written by a script, has no value: it would be blank.
"""

from __future__ import annotations

import html
import re
import zipfile
import zlib
from pathlib import Path

__all__ = ["DAMAGED", "open_formulas", "sheet_damage"]

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
    if not part:
        return {}
    data = archive.read(part[1:] if part.startswith("/") else f"xl/{part}")
    return {
        (int(row), _column(letters.decode())): "=" + html.unescape(words.decode("utf-8", "replace"))
        for letters, row, words in _OPEN_FORMULA.findall(data)
    }


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
            found[row, column] = "" if _NO_LETTERS in of_cell else _as_typed(words)
        column += int(_attribute(of_cell, "table:number-columns-repeated") or 1)
    return found


def _as_typed(formula: str) -> str:
    """Return a formula of the open format as spreadsheet programs show it.

    Examples
    --------
    >>> _as_typed("of:=[.C3]/2+SUM([.A1:.B2];[$Walk.C4])")
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
