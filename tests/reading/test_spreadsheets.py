"""Spreadsheets: a cell far out is told before every row is filled up to it."""

from __future__ import annotations

import zipfile
from datetime import datetime, time, timedelta
from pathlib import Path

import pytest
import xlsxwriter

from geosite.base.problems import Problems
from geosite.fieldbook.book import read_book
from geosite.fieldbook.read_site_file import SiteText
from geosite.fieldbook.sitefile import Survey
from geosite.reading.foreign import damage
from geosite.reading.spreadsheets import open_formulas, sheet_damage
from geosite.reading.table_layers import open_layer
from geosite.reading.toml_lines import TomlText

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


def in_open_format(path: Path, *rows: str) -> Path:
    """Write a file in the open format with the sheets Other and Walk, as a script would."""
    names = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    sheets = (
        '<table:table table:name="Other"><table:table-column/><table:table-row>'
        '<table:table-cell table:formula="of:=1"/></table:table-row></table:table>'
        f'<table:table table:name="Walk">{"".join(rows)}</table:table>'
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", kind)
        archive.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content {names}><office:body>'
            f"<office:spreadsheet>{sheets}</office:spreadsheet></office:body>"
            "</office:document-content>",
        )
    return path


def replace_in(path: Path, part: str, old: str, new: str) -> None:
    """Write a part of a zip anew, with other words in it."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    assert old.encode() in parts[part]
    parts[part] = parts[part].replace(old.encode(), new.encode())
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)


def cells(*given: object, before: str = "") -> str:
    found = []
    for one in given:
        kind = "string" if isinstance(one, str) else "float"
        value = "" if isinstance(one, str) else f' office:value="{one}"'
        found.append(
            one
            if isinstance(one, str) and one.startswith("<")
            else f'<table:table-cell office:value-type="{kind}"{value}><text:p>{one}</text:p>'
            "</table:table-cell>"
        )
    return f"<table:table-row{before}>{''.join(found)}</table:table-row>"


def test_a_formula_of_the_open_format_that_was_never_worked_out_is_told(tmp_path: Path) -> None:
    open_one = '<table:table-cell table:formula="{}"/>'.format
    worked_out = (
        '<table:table-cell table:formula="of:=[.C3]/4" office:value-type="float" '
        'office:value="2.5"><text:p>2.5</text:p></table:table-cell>'
    )
    path = in_open_format(
        tmp_path / "walk.ods",
        cells("run", "point", "x", "y", "z"),
        cells("R1", "B1", 0, 0, 0),
        cells("R1", "B2", 10, 0, 0),
        cells("<table:table-cell/>", before=' table:number-rows-repeated="2"'),
        cells("R1", "A", open_one("of:=[.C3]/2"), worked_out, 0),
        cells("R1", "B", 1, 2, open_one("of:=SUM([.C2:.C3])")),
        cells(
            *("R1", "C", 1),
            '<table:table-cell table:formula="=C3/8" table:number-columns-repeated="1"/>',
            '<table:table-cell table:formula="of:=IF([.C3]>1;2;3)"><text:p/></table:table-cell>',
        ),
    )
    assert open_formulas(path, "Walk") == {
        (6, 2): "=C3/2",
        (7, 4): "=SUM(C2:C3)",
        (8, 3): "=C3/8",
        (8, 4): "=IF(C3>1;2;3)",
    }
    assert open_formulas(path, "none") == {}
    problems = Problems()
    survey = Survey(file="walk.ods", layer="Walk")
    read_book(path, "walk.ods", survey, problems, [], SiteText("site.toml", "", None, None, None))
    told = [str(one).split(";")[0] for one in problems.first()]
    assert told == [
        'walk.ods:6: x is "=C3/2", a formula without a value',
        'walk.ods:7: z is "=SUM(C2:C3)", a formula without a value',
        'walk.ods:8: y is "=C3/8", a formula without a value',
        'walk.ods:8: z is "=IF(C3>1',
    ]


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


def test_a_formula_that_was_worked_out_as_no_text_is_a_blank(tmp_path: Path) -> None:
    """Rows below the last mark, which wait to be filled in, are passed over as blank ones are."""
    waiting = (
        '<table:table-cell table:formula="of:=IF([.H3]=&quot;&quot;;&quot;&quot;;[.H3])" '
        'office:value-type="string" office:string-value=""><text:p/></table:table-cell>'
    )
    table = [
        ("run", "point", "x", "y", "z"),
        ("R1", "B1", 0, 0, 0),
        ("R1", "B2", 10, 0, 0),
    ]
    opened = in_open_format(
        tmp_path / "walk.ods", *(cells(*row) for row in table), cells(*[waiting] * 5)
    )
    parts = tmp_path / "walk.xlsx"
    with xlsxwriter.Workbook(parts) as book:
        sheet = book.add_worksheet("Walk")
        for number, row in enumerate(table):
            sheet.write_row(number, 0, row)
        for column in range(5):
            sheet.write_formula(3, column, '=IF(H3="","",H3)', None, "X")
    replace_in(parts, SHEET, "<v>X</v>", "<v></v>")
    for path in (opened, parts):
        assert not any(open_formulas(path, "Walk").values())
        problems = Problems()
        survey = Survey(file=path.name, layer="Walk")
        site = SiteText("site.toml", "", None, None, None)
        book_read = read_book(path, path.name, survey, problems, [], site)
        assert not problems
        assert book_read is not None
        assert book_read.line.tolist() == [2, 3]


def test_an_empty_sheet_before_it_hides_no_formula(tmp_path: Path) -> None:
    path = in_open_format(
        tmp_path / "walk.ods", cells(1, 2), cells(3, '<table:table-cell table:formula="of:=1+1"/>')
    )
    assert open_formulas(path, "Walk") == {(2, 1): "=1+1"}
    before = '<table:table table:name="Walk">'
    replace_in(path, "content.xml", before, f'<table:table table:name="Plan"/>{before}')
    assert open_formulas(path, "Walk") == {(2, 1): "=1+1"}


def table_of(path: Path, sheet: str | None = None) -> list[list[str]]:
    rows = open_layer(path, path.name, sheet, Problems(), TomlText("site.toml", ""))
    assert rows is not None
    assert rows.header_line == 1
    ((_, columns),) = rows.chunks
    return [rows.header, *(list(row) for row in zip(*columns, strict=True))]


def test_equal_names_of_columns_are_columns_of_their_own(tmp_path: Path) -> None:
    """The library merges them: the noughts of a walk that begins at its origin, and two notes."""
    table = [["B1", "0", "0", "0", "", ""], ["B2", "12", "0.5", "0.1", "a", "b"]]
    path = tmp_path / "walk.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Walk")
        sheet.write_row(0, 0, ["B1", 0, 0, 0])
        sheet.write_row(1, 0, ["B2", 12, 0.5, 0.1, "a", "b"])
    opened = in_open_format(
        tmp_path / "walk.ods", cells("B1", 0, 0, 0), cells("B2", 12, 0.5, 0.1, "a", "b")
    )
    assert table_of(path) == table_of(opened, "Walk") == table


def test_days_have_their_clocks_whatever_form_they_are_shown_in(tmp_path: Path) -> None:
    """Most forms lost it, or became a share of a day that was taken for seconds."""
    forms = ["yyyy-mm-dd h:mm:ss", "d/m/yy h:mm", "dd.mm.yyyy", "m/d/yy hh:mm"]
    clocks = ["[h]:mm:ss", "mm:ss.0", "[$-409]h:mm:ss AM/PM;@", "hh:mm"]
    at = datetime(2026, 5, 31, 8, 30, 20, 250_000)
    path = tmp_path / "walk.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Walk")
        sheet.write_row(0, 0, [*forms, *clocks, "length", "day", "depth", "level"])
        for row in (1, 2):
            for column, form in enumerate(forms):
                moment = at + timedelta(seconds=row)
                sheet.write_datetime(row, column, moment, book.add_format({"num_format": form}))
            for column, form in enumerate(clocks, len(forms)):
                spent = time(8, 30, 20 + row)
                sheet.write_datetime(row, column, spent, book.add_format({"num_format": form}))
            metres = book.add_format({"num_format": '0.00" m, dry"'})
            sheet.write_number(row, 8, 3.2000000000000002, metres)
            day = book.add_format({"num_format": "d mmm"})
            sheet.write_datetime(row, 9, datetime(2026, 5, 31), day)
            # letters of days in forms of numbers
            for column, form in ((10, "0.00 m"), (11, "Standard")):
                sheet.write_number(row, column, 0.5, book.add_format({"num_format": form}))
    moment = "2026-05-31T08:30:{}.250".format
    assert table_of(path)[1:] == [
        [moment(21)] * 4 + ["08:30:21"] * 4 + ["3.2", "2026-05-31", "0.5", "0.5"],
        [moment(22)] * 4 + ["08:30:22"] * 4 + ["3.2", "2026-05-31", "0.5", "0.5"],
    ]
    cell = '<table:table-cell office:value-type="{0}" office:{0}-value="{1}"/>'.format
    opened = in_open_format(
        tmp_path / "walk.ods",
        cells("when", "clock"),
        cells(cell("date", "2026-05-31T08:30:20"), cell("time", "PT08H30M20S")),
    )
    assert table_of(opened, "Walk")[1] == ["2026-05-31T08:30:20", "08:30:20"]
