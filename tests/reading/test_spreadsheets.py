"""Spreadsheets: a cell far out is told before every row is filled up to it."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from geosite.reading.foreign import damage
from geosite.reading.spreadsheets import sheet_damage

SHEET = "xl/worksheets/sheet1.xml"


def book(path: Path, name: str, text: str) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, text)
    return path


def row(number: int, *cells: str) -> str:
    inside = "".join(f'<c r="{cell}{number}"><v>1</v></c>' for cell in cells)
    return f'<row r="{number}">{inside}</row>'


def test_an_ordinary_sheet_is_read(tmp_path: Path) -> None:
    rows = "".join(row(n, "A", "B", "C", "IV") for n in range(1, 2000))
    assert damage(book(tmp_path / "a.xlsx", SHEET, rows)) is None
    # the empty rest of a row and of the sheet, as programs write it
    text = (
        "<table:table-row><table:table-cell><text:p>1</text:p></table:table-cell>"
        '<table:table-cell table:number-columns-repeated="16380"/></table:table-row>'
        '<table:table-row table:number-rows-repeated="1048570"><table:table-cell '
        'table:number-columns-repeated="16384"/></table:table-row>'
    )
    assert damage(book(tmp_path / "a.ods", "content.xml", text)) is None


@pytest.mark.parametrize("column", ["IW", "JA", "ZZ", "AAA", "XFD"])
def test_a_cell_far_out_is_told(column: str, tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", SHEET, row(1, "A", column) + row(2, "A"))
    assert "beyond column 256" in str(damage(path))


def test_cells_without_a_name_are_counted(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", SHEET, "<row>" + "<c><v>1</v></c>" * 300 + "</row>")
    assert "beyond column 256" in str(sheet_damage(path))


def test_a_cell_that_is_repeated_is_counted(tmp_path: Path) -> None:
    text = (
        '<table:table-row><table:table-cell table:number-columns-repeated="9999" '
        'office:value="1"><text:p>1</text:p></table:table-cell></table:table-row>'
    )
    assert "beyond column 256" in str(sheet_damage(book(tmp_path / "a.ods", "content.xml", text)))


def test_a_last_row_far_down_counts(tmp_path: Path) -> None:
    wide = row(1, *(f"A{c}" for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"), "B", "C", "D", "E")
    path = book(tmp_path / "a.xlsx", SHEET, wide + row(1_048_576, "A"))
    assert "take the empty rows out" in str(sheet_damage(path))
