"""``site.xlsx``: every table as a sheet, numbers as numbers in any locale (ECMA-376).

The CSVs keep every digit and have a dot as decimal mark, which programs want and spreadsheets of
half the world misread. Here a number is a number, its unit stands in a row of its own under the
heading, and its format shows no more decimals than are of use; the full value is in the cell.
What few look at is folded away, so that a sheet can be read and printed.
"""

from __future__ import annotations

import datetime
import math
import re
import textwrap
from collections.abc import Collection
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from geosite.base.columns import Field
from geosite.base.units import FOOT_M, IN_FEET
from geosite.handover.formats.record_columns import column_of, of_each
from geosite.handover.layers.residuals import RESIDUALS, sharing_a_misclosure
from geosite.handover.model import CAUTION, Package, Table
from geosite.handover.wording.paper_units import UNITS
from geosite.handover.wording.reference import crs_words, height_words

__all__ = ["write_spreadsheet"]

_BY_ROW = "by row"
"""Stands for the unit where each row names its own."""
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
    "metre": 3,
    "foot": 3,
    "US survey foot": 3,
    "degree": 8,
    "l/s": 3,
    "ft³/s": 3,
    _BY_ROW: 3,
    "": 2,
}
_WORDS = {"m2": "m²", "m3": "m³", "ft2": "ft²", "yd3": "yd³", "deg": "degrees", "percent": "%"}
_OTHER_UNITS = frozenset(("ft", "ft2", "yd3"))
_SUFFIXES = {"l/s": "lps", "ft³/s": "cfs"}
"""How columns end whose unit is no word."""
_ROWS_UNIT = {"unit": "", "order_unit": "order"}
"""By column that names the unit of a row: how the numbers begin that have it, all where empty."""
_WATER_IN_FEET = {
    # a cubic foot and an inch: NIST Special Publication 811, appendix B.8
    "l/s": ("cfs", "ft³/s", 1 / (1000 * FOOT_M**3)),
    "rainfall_mm_per_hour": ("in_per_hour", "", 12 / (1000 * FOOT_M)),
}
"""By unit, or by column without one: suffix, unit and factor in feet and inches."""
_ASIDE = ("_sigma", "_grid")
"""Ends of columns that are folded in any unit."""
_ELEVATIONS = frozenset(("elevation", "design"))
"""Columns of stations."""
#: What a name of a sheet must not hold (ECMA-376, 18.2.19, as programs enforce it).
_NOT_IN_NAMES = re.compile(r"[\[\]:*?/\\]")
_ILLEGAL = re.compile(r"[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_INTERVAL = " +/- 95 %"
_WIDEST = 34
_NARROWEST = 8
_ABOUT = 90
_LINE = 15.0
"""Height of a line, points."""
_PAGE = 215
"""Letters that a page across has room for, at the least size that is read with ease."""
_FOLDED = (
    "Columns of standard deviations and of the map grid, of units that the site does not use, "
    "those that few look at and those without any value are folded away: the plus above the "
    "columns shows them."
)
#: By table the quantities that few look at: take-off and designs print on one page without them.
_SELDOM = {
    "quantities": frozenset(
        (
            *("kind", "gross_area", "surface_area", "surface_covered", "perimeter", "length_3d"),
            *("depth", "volume", "material", "replaced_by", "area_change", "net_area_change"),
        )
    ),
    "designs": frozenset(("cut_area", "fill_area", "covered_share")),
}
#: What is ordered by each measure that `order_by` of the take-off may name.
_ORDERED = {"area": "order_area", "volume": "order_volume", "material": "order_material"}
#: Rows that a sheet has room for, the two of the header taken off.
_ROWS = 1_048_574
#: Rows of residuals that stand one by one: nobody reads a streamed walk leg by leg.
_RESIDUALS = 5_000
_STRETCHES = (
    "Legs that share one misclosure stand in one row, with the sums of their lengths, residuals "
    "and standard deviations; residuals.csv has each."
)


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
    package = replace(package, tables=tuple(map(_readable, package.tables)))
    with xlsxwriter.Workbook(held, options) as book:
        book.set_properties({"title": package.title, "created": _day(package.date)})
        formats = {
            "title": book.add_format({"bold": True, "font_size": 14}),
            "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top"}),
            "unit": book.add_format({"italic": True, "font_color": "#6b7780", "bottom": 1}),
            "head of numbers": book.add_format(
                {"bold": True, "text_wrap": True, "valign": "top", "align": "right"}
            ),
            "unit of numbers": book.add_format(
                {"italic": True, "font_color": "#6b7780", "bottom": 1, "align": "right"}
            ),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        }
        _about(book.add_worksheet("About"), package, formats)
        for table in package.tables:
            _sheet(book, table, package, formats)
    path.write_bytes(held.getvalue())


def _readable(table: Table) -> Table:
    """Return a table as its sheet has it: residuals by stretches where there are very many legs."""
    if table.name != RESIDUALS.name or len(table.records) <= _RESIDUALS:
        return table
    legs = [record for record in table.records if record["kind"] == "leg"]
    others = [record for record in table.records if record["kind"] != "leg"]
    rows = [*sharing_a_misclosure(legs), *others]
    return replace(table, records=rows, description=f"{table.description} {_STRETCHES}")


def _day(date: str) -> datetime.datetime:
    try:
        day = datetime.date.fromisoformat(date[:10])
    except ValueError:
        day = datetime.date(1980, 1, 1)
    return datetime.datetime(day.year, day.month, day.day)


def _about(sheet: Any, package: Package, formats: dict[str, Any]) -> None:
    sheet.set_column(0, 0, 18)
    sheet.set_column(1, 1, _ABOUT)
    sheet.write_string(0, 0, package.name, formats["title"])
    rows = [
        ("Surveyed", package.date or "not said"),
        ("Map", crs_words(package.frame.crs_wkt, package.frame.crs_name)),
        ("Elevations", height_words(package.frame)),
        ("Lengths", "Ground values unless the heading says grid."),
        ("95 %", "Half of the interval that holds the true value in 95 of 100 cases."),
        ("Folded", _FOLDED),
        ("Caution", CAUTION),
    ]
    for number, (name, text) in enumerate(rows, start=2):
        sheet.write_string(number, 0, name, formats["head"])
        _wrapped(sheet, number, text, formats)
    start = len(rows) + 4
    sheet.write_string(start - 1, 0, "Sheets", formats["head"])
    for number, table in enumerate(package.tables, start=start):
        sheet.write_string(number, 0, _sheet_name(table.name), formats["wrap"])
        _wrapped(sheet, number, table.purpose, formats)
    _printed(sheet, package, 1)
    sheet.set_portrait()


def _wrapped(sheet: Any, row: int, text: str, formats: dict[str, Any]) -> None:
    """Write a text that may need several lines, in a row of that height."""
    sheet.write_string(row, 1, _legal(text), formats["wrap"])
    sheet.set_row(row, _LINE * max(1, len(textwrap.wrap(text, _ABOUT))))


def _printed(sheet: Any, package: Package, across: int) -> None:
    """Set a sheet up for paper, so many pages across."""
    sheet.set_landscape()
    sheet.set_paper(1 if package.unit == "ft" else 9)  # letter, A4
    sheet.set_margins(left=0.5, right=0.5, top=0.7, bottom=0.7)
    sheet.fit_to_pages(across, 0)
    # an ampersand begins a code there
    title = _legal(package.title).replace("&", "&&")[:100]
    sheet.set_header(f"&L{title}&R&A")
    sheet.set_footer("&LNo boundary survey, no certificate, no drainage design.&R&P / &N")


def _in_feet(table: Table, height_unit_m: float) -> tuple[Table, frozenset[str]]:
    """Return a table with all that it tells in metres in feet as well, and what goes for it.

    Tables have quantities in metres, some of them again in feet, without the interval. Elevations
    keep the unit of their vertical CRS: where that is the metre, there is nothing to tell again.
    """
    table, metric_water = _water_in_feet(*_rows_in_feet(table))
    metric = [
        (field, stem, is_elevation)
        for field in table.fields
        if field.type == "real" and field.unit in IN_FEET
        for stem in [field.name.removesuffix(f"_{field.unit}")]
        for is_elevation in [stem.removesuffix("_95") in _ELEVATIONS]
        if not stem.endswith(_ASIDE) and not (is_elevation and height_unit_m == 1.0)
    ]
    if not metric:
        return table, metric_water
    named = {field.name for field in table.fields}
    fields, records = list(table.fields), [dict(record) for record in table.records]
    for field, stem, is_elevation in metric:
        other, _ = IN_FEET[field.unit]
        told = Field(f"{stem}_{other}", "real", "", other)
        if told.name in named:
            continue
        # behind the number that an interval belongs to
        before = f"{stem.removesuffix('_95')}_{other}"
        before = before if before in named else field.name
        fields.insert(next(i for i, f in enumerate(fields) if f.name == before) + 1, told)
        factor = 1 / height_unit_m if is_elevation else UNITS["ft"].of(field.unit)[0]
        for record in records:
            value = record.get(field.name)
            record[told.name] = None if value is None else value * factor
    return replace(table, fields=tuple(fields), records=records), metric_water | {
        field.name for field, *_ in metric
    }


def _rows_in_feet(table: Table) -> tuple[Table, frozenset[str]]:
    """Return a table whose rows name units of their own with these rows in feet as well."""
    named = [field.name for field in table.fields]
    (by, start), *_ = [x for x in _ROWS_UNIT.items() if x[0] in named] or [("", "")]
    units = {record.get(by) for record in table.records} if by else set()
    if not units & IN_FEET.keys():
        return table, frozenset()
    metric = [
        field
        for field in table.fields
        if field.name == by
        or (field.type == "real" and not field.unit and field.name.startswith(start))
    ]
    told = {field.name: f"{field.name}_{_BY_ROW}" for field in metric}
    records = []
    for record in table.records:
        unit = record.get(by)
        factor, word = UNITS["ft"].of(unit) if unit in IN_FEET else (1.0, unit)
        in_feet = {told[by]: word}
        for name in told.keys() - {by}:
            value = record.get(name)
            in_feet[told[name]] = None if value is None else value * factor
        records.append({**record, **in_feet})
    fields = [
        one
        for field in table.fields
        for one in (
            (field, replace(field, name=told[field.name], unit=_BY_ROW))
            if field.name in told
            else (field,)
        )
    ]
    return replace(table, fields=tuple(fields), records=records), frozenset(told)


def _water_in_feet(table: Table, metric: frozenset[str]) -> tuple[Table, frozenset[str]]:
    """Return a table with its flows and its rain in feet and inches as well."""
    if not any((field.unit or field.name) in _WATER_IN_FEET for field in table.fields):
        return table, metric
    fields, records = list[Field](), [dict(record) for record in table.records]
    for field in table.fields:
        fields.append(field)
        known = _WATER_IN_FEET.get(field.unit or field.name)
        if known is None:
            continue
        suffix, unit, factor = known
        stem = field.name.removesuffix("_lps").removesuffix("_mm_per_hour")
        fields.append(replace(field, name=f"{stem}_{suffix}", unit=unit))
        for record in records:
            value = record.get(field.name)
            record[fields[-1].name] = None if value is None else value * factor
        metric |= {field.name}
    return replace(table, fields=tuple(fields), records=records), metric


def _folded(field: Field, values: list[Any], unit: str, seldom: Collection[str] = ()) -> bool:
    """Whether a column is one of those that few look at, or belongs to a quantity of these."""
    if all(value is None for value in values):
        return True
    stem = field.name.removesuffix(f"_{field.unit}")
    if stem.endswith(_ASIDE) or (unit == "m" and field.unit in _OTHER_UNITS):
        return True
    return stem.removesuffix("_95").removesuffix("_low").removesuffix("_high") in seldom


def _seldom(table: Table) -> frozenset[str]:
    """Return the quantities that few look at, with those that nothing of a take-off is ordered by.

    What is ordered by its volume has an area, too: the same thing, that is not ordered again.
    """
    seldom = _SELDOM.get(table.name, frozenset())
    if table.name != "quantities":
        return seldom
    by = set(column_of(table.records, "order_by"))
    return seldom | {stem for name, stem in _ORDERED.items() if name not in by}


def _sheet(book: Any, table: Table, package: Package, formats: dict[str, Any]) -> None:
    sheet = book.add_worksheet(_sheet_name(table.name))
    sheet.freeze_panes(2, 1)
    across, tall, was_folded = 0, 1, False
    seldom, metric = _seldom(table), frozenset[str]()
    if package.unit == "ft":
        table, metric = _in_feet(table, package.frame.height_unit_m)
    for column, field in enumerate(table.fields):
        unit = _WORDS.get(field.unit, field.unit)
        heading = _heading(field.name, field.unit)
        of_numbers = "" if field.type == "text" else " of numbers"
        sheet.write_string(0, column, heading, formats[f"head{of_numbers}"])
        sheet.write_string(1, column, unit, formats[f"unit{of_numbers}"])
        decimals = _DECIMALS.get(field.unit)
        shape = (
            book.add_format({"num_format": "#,##0" + ("." + "0" * decimals if decimals else "")})
            if field.type == "real" and decimals is not None
            else None
        )
        values = of_each(
            column_of(table.records[:_ROWS], field.name),
            lambda value: _legal(value) if isinstance(value, str) else value,
        )
        for row, value in enumerate(values, start=2):
            if isinstance(value, str):
                sheet.write_string(row, column, value)
            elif value is not None:
                sheet.write_number(row, column, float(value), shape)
        folded = field.name in metric or _folded(field, values, package.unit, seldom)
        width = _width(field, values, decimals or 0)
        # the plus stands above the column after those that it folds
        outline = {"level": int(folded), "hidden": folded, "collapsed": was_folded and not folded}
        sheet.set_column(column, column, width, None, outline)
        if not folded:
            across += width
            tall = max(tall, len(textwrap.wrap(heading, width - 1)))
        was_folded = folded
    sheet.set_row(0, _LINE * tall)
    if was_folded:
        sheet.set_column(len(table.fields), len(table.fields), None, None, {"collapsed": True})
    if table.fields and table.records:
        last = min(len(table.records), _ROWS) + 1, len(table.fields) - 1
        sheet.autofilter(1, 0, *last)
        sheet.print_area(0, 0, *last)
        sheet.repeat_rows(0, 1)
        sheet.repeat_columns(0)
    sheet.hide_gridlines(0)  # printed, they lead the eye along a row
    _printed(sheet, package, max(1, math.ceil(across / _PAGE)))


def _width(field: Field, values: list[Any], decimals: int) -> int:
    """Return the width of a column, letters: of its longest value, and of each word above it."""
    words = _heading(field.name, field.unit).replace(_INTERVAL, "").split()
    half = len(_INTERVAL) if _INTERVAL in _heading(field.name, field.unit) else 0
    least = max([_NARROWEST, half, *(len(word) + 2 for word in words), len(field.unit) + 1])
    kinds = set(map(type, values))
    texts = 0
    if kinds - {int, float, type(None)}:
        texts = max((len(value) + 2 for value in values if isinstance(value, str)), default=0)
    sizes = np.array([v for v in values if isinstance(v, int | float)], dtype=np.float64)
    largest = np.abs(sizes[np.isfinite(sizes)]).max(initial=-1.0)
    digits = len(f"{-largest:,.{decimals}f}") + 1 if largest >= 0 else 0
    return min(_WIDEST, max(least, texts, digits))


def _heading(name: str, unit: str) -> str:
    """Return a column's name in words, without the unit that stands under it."""
    stem = name.removesuffix(f"_{_SUFFIXES.get(unit, unit)}") if unit else name
    if stem.endswith("_95"):
        stem = stem[:-3] + _INTERVAL
    words = stem.replace("_", " ")
    return words[:1].upper() + words[1:]


def _legal(text: str) -> str:
    """Return a text without the characters that XML 1.0 does not allow."""
    return _ILLEGAL.sub("□", text)


def _sheet_name(name: str) -> str:
    return _NOT_IN_NAMES.sub(" ", name)[:31] or "table"
