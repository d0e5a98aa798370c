"""How large the sheets of a spreadsheet are, before the reading library fills every cell of them.

A file of 100 kB may name a cell in the last column: each row is then filled up to it.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from pathlib import Path

__all__ = ["DAMAGED", "sheet_damage"]

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
