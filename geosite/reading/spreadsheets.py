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
_OPEN_FORMULA = re.compile(
    rb'<c\b(?=[^>]*\br="([A-Z]{1,3})([0-9]{1,7})")[^>]*>\s*<f\b[^>]*?(?:/>|>([^<]*)</f>)'
    rb"\s*(?:<v\s*/>|<v>\s*</v>)?\s*</c>"
)


def open_formulas(path: Path, sheet: str | None) -> dict[tuple[int, int], str]:
    """Return formulas of a sheet that have no value, by row from 1 and column from 0.

    Parameters
    ----------
    path
        A spreadsheet in the format whose sheets are XML files of their own (.xlsx).
    sheet
        Its name, ``None`` for the only one.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            workbook = archive.read("xl/workbook.xml").decode("utf-8", "replace")
            relations = archive.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
            parts = {
                _attribute(one, "Id"): _attribute(one, "Target")
                for one in _RELATION.findall(relations)
            }
            listed = {
                _attribute(one, "name"): _attribute(one, r"\w+:id")
                for one in _LISTED.findall(workbook)
            }
            key = listed.get(sheet) if sheet is not None else next(iter(listed.values()), None)
            part = parts.get(key or "", "")
            if not part:
                return {}
            data = archive.read(part[1:] if part.startswith("/") else f"xl/{part}")
    except (*DAMAGED, KeyError):
        return {}  # told when it is read
    return {
        (int(row), _column(letters.decode())): "=" + html.unescape(words.decode("utf-8", "replace"))
        for letters, row, words in _OPEN_FORMULA.findall(data)
    }


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
