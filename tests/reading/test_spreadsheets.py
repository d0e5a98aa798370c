"""Spreadsheets: a cell far out is told before every row is filled up to it."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from geosite.base.problems import Problems
from geosite.fieldbook.book import read_book
from geosite.fieldbook.read_site_file import SiteText
from geosite.fieldbook.sitefile import Survey
from geosite.reading.foreign import damage
from geosite.reading.spreadsheets import open_formulas, sheet_damage

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


def test_a_formula_that_was_never_worked_out_is_no_blank(tmp_path: Path) -> None:
    path = tmp_path / "walk.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("Notes & names").write_row(0, 0, ["x", "y"])
        sheet = book.add_worksheet("Walk")
        sheet.write_row(0, 0, ["run", "point", "x", "y", "z"])
        sheet.write_row(1, 0, ["R1", "B1", 0, 0, 0])
        sheet.write_row(2, 0, ["R1", "B2", 10, 0, 0])
        sheet.write_row(3, 0, ["R1", "A"])
        sheet.write_formula(3, 2, "=C3/2", None, "")
        sheet.write_formula(3, 3, "=C3&1", None, 5)
        sheet.write(3, 4, 0)
    assert open_formulas(path, "Walk") == {(4, 2): "=C3/2"}
    assert open_formulas(path, "Notes & names") == open_formulas(path, "none") == {}
    problems = Problems()
    survey = Survey(file="walk.xlsx", layer="Walk")
    read_book(path, "walk.xlsx", survey, problems, [], SiteText("site.toml", "", None, None, None))
    assert [str(one) for one in problems.first()] == [
        'walk.xlsx:4: x is "=C3/2", a formula without a value; expected a number; open the file in'
        " a spreadsheet program and save it, or put the number there"
    ]
