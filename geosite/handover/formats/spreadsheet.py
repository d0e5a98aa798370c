"""``site.xlsx``: every table as a sheet, numbers as numbers in any locale (ECMA-376).

The CSVs keep every digit and have a dot as decimal mark, which programs want and spreadsheets of
half the world misread. Here a number is a number, its unit stands in a row of its own under the
heading, and its format shows no more decimals than are of use; the full value is in the cell.
"""

from __future__ import annotations

import datetime
import re
from io import BytesIO
from pathlib import Path
from typing import Any

from geosite.handover.model import CAUTION, Package, Table

__all__ = ["write_spreadsheet"]

_DECIMALS = {
    "m": 3,
    "ft": 2,
    "m2": 2,
    "ft2": 1,
    "m3": 3,
    "yd3": 2,
    "deg": 4,
    "percent": 2,
    "ppm": 0,
}
_WORDS = {"m2": "m²", "m3": "m³", "ft2": "ft²", "yd3": "yd³", "deg": "degrees", "percent": "%"}
#: What a name of a sheet must not hold (ECMA-376, 18.2.19, as programs enforce it).
_NOT_IN_NAMES = re.compile(r"[\[\]:*?/\\]")
_ILLEGAL = re.compile(r"[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_WIDEST = 34
#: Rows that a sheet has room for, the two of the header taken off.
_ROWS = 1_048_574


def write_spreadsheet(path: Path, package: Package) -> None:
    """Write every table of a package into one spreadsheet file.

    Parameters
    ----------
    path
        Of the file to make.
    package
        Whose tables become sheets, in their order, and whose title and date its first sheet bears.

    Notes
    -----
    Text stays text: nothing that a field book holds is read as a formula or an address. The same
    package gives the same bytes; the date in the file is the survey's.
    """
    import xlsxwriter

    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": True,
    }
    held = BytesIO()
    with xlsxwriter.Workbook(held, options) as book:
        book.set_properties({"title": package.title, "created": _day(package.date)})
        formats = {
            "title": book.add_format({"bold": True, "font_size": 14}),
            "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top"}),
            "unit": book.add_format({"italic": True, "font_color": "#6b7780", "bottom": 1}),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        _about(book.add_worksheet("About"), package, formats)
        for table in package.tables:
            _sheet(book, table, formats)
    path.write_bytes(held.getvalue())


def _day(date: str) -> datetime.datetime:
    try:
        day = datetime.date.fromisoformat(date[:10])
    except ValueError:
        day = datetime.date(1980, 1, 1)
    return datetime.datetime(day.year, day.month, day.day)


def _about(sheet: Any, package: Package, formats: dict[str, Any]) -> None:
    sheet.set_column(0, 0, 18)
    sheet.set_column(1, 1, 90)
    sheet.write_string(0, 0, package.title or "Untitled site", formats["title"])
    rows = [
        ("Surveyed", package.date or "not said"),
        ("Map", package.frame.crs_name),
        ("Elevations", package.frame.vertical_name or "relative to the first baseline mark"),
        ("Lengths", "Ground values unless the heading says grid."),
        ("95 %", "Half of the interval that holds the true value in 95 of 100 cases."),
        ("Caution", CAUTION),
    ]
    for number, (name, text) in enumerate(rows, start=2):
        sheet.write_string(number, 0, name, formats["head"])
        sheet.write_string(number, 1, _legal(text), formats["wrap"])
    start = len(rows) + 4
    sheet.write_string(start - 1, 0, "Sheets", formats["head"])
    for number, table in enumerate(package.tables, start=start):
        sheet.write_string(number, 0, _sheet_name(table.name))
        sheet.write_string(number, 1, table.title)


def _sheet(book: Any, table: Table, formats: dict[str, Any]) -> None:
    from geosite.handover.formats.spreadsheet_rows import ColumnSheet

    sheet = book.add_worksheet(_sheet_name(table.name), ColumnSheet)
    sheet.freeze_panes(2, 1)
    for column, field in enumerate(table.fields):
        unit = _WORDS.get(field.unit, field.unit)
        sheet.write_string(0, column, _heading(field.name, field.unit), formats["head"])
        sheet.write_string(1, column, unit, formats["unit"])
        decimals = _DECIMALS.get(field.unit)
        shape = (
            book.add_format({"num_format": "#,##0" + ("." + "0" * decimals if decimals else "")})
            if field.type == "real" and decimals is not None
            else None
        )
        values = [record.get(field.name) for record in table.records[:_ROWS]]
        texts = [value for value in values if isinstance(value, str)]
        if texts:
            values = [_legal(value) if isinstance(value, str) else value for value in values]
        sheet.write_whole_column(2, column, values, shape)
        width = max([11, *(min(len(text) + 2, _WIDEST) for text in texts)])
        sheet.set_column(column, column, width)
    if table.fields and table.records:
        sheet.autofilter(1, 0, min(len(table.records), _ROWS) + 1, len(table.fields) - 1)


def _heading(name: str, unit: str) -> str:
    """Return a column's name in words, without the unit that stands under it."""
    stem = name.removesuffix(f"_{unit}") if unit else name
    if stem.endswith("_95"):
        stem = f"{stem[:-3]} +/- (95 %)"
    words = stem.replace("_", " ")
    return words[:1].upper() + words[1:]


def _legal(text: str) -> str:
    """Return a text without the characters that XML 1.0 does not allow."""
    return _ILLEGAL.sub("□", text)


def _sheet_name(name: str) -> str:
    return _NOT_IN_NAMES.sub(" ", name)[:31] or "table"
