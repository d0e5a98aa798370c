"""The spreadsheet, read back by another library and, where it is there, an office program."""

from __future__ import annotations

import dataclasses
import re
import shutil
import subprocess
from pathlib import Path

import openpyxl
import package_cases
import pytest

from geosite.base.map_frame import Frame
from geosite.handover.formats.spreadsheet import write_spreadsheet
from geosite.handover.model import Field, Package, Table

TABLE = Table(
    "quantities",
    "Quantities",
    (
        Field("feature", "text", "Name."),
        Field("net_area_m2", "real", "Area.", "m2"),
        Field("net_area_95_m2", "real", "Half of its interval.", "m2"),
        Field("count", "integer", "Pieces."),
    ),
    (
        {"feature": "apron", "net_area_m2": 14994.26, "net_area_95_m2": 1.95, "count": 1},
        {"feature": "=1+1", "net_area_m2": None, "net_area_95_m2": None, "count": 2},
        {"feature": "https://example.org\x00", "net_area_m2": -0.5, "count": 0},
    ),
)


def package(*tables: Table, **changes: object) -> Package:
    return dataclasses.replace(package_cases.ferry_landing(), tables=tables, **changes)


def written(folder: Path, *tables: Table, **changes: object) -> Path:
    path = folder / "site.xlsx"
    write_spreadsheet(path, package(*tables, **changes))
    return path


def test_numbers_are_numbers_under_a_heading_and_a_unit(tmp_path: Path) -> None:
    sheet = openpyxl.load_workbook(written(tmp_path, TABLE))["quantities"]
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    assert rows[0] == ["Feature", "Net area", "Net area +/- 95 %", "Count"]
    assert [value or "" for value in rows[1]] == ["", "m²", "m²", ""]
    assert rows[2] == ["apron", 14994.26, 1.95, 1]
    assert sheet["B3"].number_format == "#,##0.00"


def test_text_is_never_a_formula_or_a_link(tmp_path: Path) -> None:
    sheet = openpyxl.load_workbook(written(tmp_path, TABLE))["quantities"]
    assert (sheet["A4"].value, sheet["A4"].data_type) == ("=1+1", "s")
    assert sheet["A5"].value == "https://example.org□"
    assert sheet["A5"].hyperlink is None


@pytest.mark.parametrize(
    ("legs", "rows"), [pytest.param(4999, 5000, marks=pytest.mark.slow), (5000, 3)]
)
def test_of_a_streamed_walk_legs_that_share_a_misclosure_stand_in_one_row(
    tmp_path: Path, legs: int, rows: int
) -> None:
    axes = ("east", "north", "up")
    names = ["length_m", *(f"{a}_{end}" for a in axes for end in ("m", "sigma_m", "standardised"))]
    fields = (
        *(Field(name, "text", "") for name in ("kind", "run", "from_point", "to_point")),
        *(Field(name, "integer", "") for name in ("from_row", "row")),
        *(Field(name, "real", "") for name in names),
    )
    leg = {"kind": "leg", "run": "R1", "from_point": None, "to_point": None, "length_m": 0.5}
    for axis in axes:
        leg |= {f"{axis}_m": 0.25, f"{axis}_sigma_m": 0.125, f"{axis}_standardised": 2.0}
    walked = [{**leg, "from_row": k + 2, "row": k + 3} for k in range(legs)]
    walked[0] |= {"up_standardised": 1.0}
    visit = {**leg, "kind": "visit", "length_m": None, "from_row": 9000, "row": 9000}
    table = Table("residuals", "Residuals", fields, [*walked, visit])
    book = openpyxl.load_workbook(written(tmp_path, table))
    said = [row[1] for row in book["About"].iter_rows(values_only=True) if row[0] == "residuals"]
    assert ("residuals.csv has each" in said[0]) == (rows == 3)
    found = list(book["residuals"].iter_rows(min_row=3, values_only=True))
    assert len(found) == rows
    if rows == 3:
        assert [row[0] for row in found] == ["leg", "leg", "visit"]
        # from, to, length, and residual, deviation and standardised residual east
        assert found[1][4:10] == (3, 5002, 2499.5, 1249.75, 624.875, 2.0)


def test_names_that_no_sheet_may_have_are_mended(tmp_path: Path) -> None:
    odd = dataclasses.replace(TABLE, name="a/b:c*" + "x" * 40)
    assert openpyxl.load_workbook(written(tmp_path, odd)).sheetnames[1] == "a b c " + "x" * 25


def test_the_same_package_gives_the_same_bytes(tmp_path: Path) -> None:
    first = written(tmp_path, TABLE).read_bytes()
    assert written(tmp_path, TABLE).read_bytes() == first


@pytest.mark.parametrize("date", ["", "2026-04-12", "last spring"])
def test_the_date_in_the_file_is_the_surveys(tmp_path: Path, date: str) -> None:
    book = openpyxl.load_workbook(written(tmp_path, TABLE, date=date))
    assert book.properties.created.date().isoformat() == (
        "2026-04-12" if date.startswith("2026") else "1980-01-01"
    )


SETTING = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Setup/L10N"><prop oor:name="ooSetupSystemLocale" oor:op="fuse">
<value>{language}</value></prop></item></oor:items>"""


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="no office program is installed")
@pytest.mark.parametrize(("language", "shown"), [("en-US", "14,994.26"), ("de-DE", "14.994,26")])
def test_an_office_program_shows_the_number_in_its_own_language(
    tmp_path: Path, language: str, shown: str
) -> None:
    path = written(tmp_path, TABLE)
    profile = tmp_path / "profile"
    (profile / "user").mkdir(parents=True)
    (profile / "user" / "registrymodifications.xcu").write_text(SETTING.format(language=language))
    subprocess.run(
        [
            "soffice",
            f"-env:UserInstallation={profile.as_uri()}",
            "--headless",
            "--convert-to",
            "fods",
            "--outdir",
            str(tmp_path / "out"),
            str(path),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    read = (tmp_path / "out" / "site.fods").read_text("utf-8")
    cell = re.search(r'office:value-type="float" office:value="14994.26".*?</table', read, re.S)
    assert cell is not None
    assert f"<text:p>{shown}</text:p>" in cell[0]


def test_a_sheet_is_set_up_for_paper_and_what_few_look_at_is_folded(tmp_path: Path) -> None:
    fields = (
        *TABLE.fields,
        Field("net_area_sigma_m2", "real", "Standard deviation.", "m2"),
        Field("net_area_ft2", "real", "In square feet.", "ft2"),
        Field("note", "text", "Never filled."),
    )
    records = [{**r, "net_area_sigma_m2": 1.0, "net_area_ft2": 5.0} for r in TABLE.records]
    table = dataclasses.replace(TABLE, fields=fields, records=records)
    # in feet what is told in metres is folded, and the interval stands in feet behind the number
    for unit, folded, paper, last in (("m", "EFG", 9, "G"), ("ft", "BCEH", 1, "H")):
        sheet = openpyxl.load_workbook(written(tmp_path, table, unit=unit))["quantities"]
        hidden = {name for name, column in sheet.column_dimensions.items() if column.hidden}
        spans = [range(sheet.column_dimensions[n].min, sheet.column_dimensions[n].max + 1)
                 for n in hidden]  # fmt: skip
        assert {number for span in spans for number in span} == {ord(c) - 64 for c in folded}
        page = sheet.page_setup
        assert (page.orientation, page.paperSize, page.fitToWidth or 1) == ("landscape", paper, 1)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert page.fitToHeight == 0  # as many pages down as it takes
        assert sheet.print_title_rows == "$1:$2"
        assert sheet.print_title_cols == "$A:$A"
        assert sheet.print_area == f"'quantities'!$A$1:${last}$5"
        assert sheet.freeze_panes == "B3"
    assert sheet.row_dimensions[1].height == 30  # two lines: Net area / +/- 95 %
    cells = [[cell.value for cell in row[5:7]] for row in sheet.iter_rows(max_row=3)]
    assert cells[:2] == [["Net area", "Net area +/- 95 %"], ["ft²", "ft²"]]
    assert cells[2] == [5.0, pytest.approx(1.95 / 0.3048**2)]


@pytest.mark.parametrize(("height_unit_m", "level"), [(1.0, None), (0.3048, 10.0)])
def test_what_is_told_in_metres_alone_is_told_in_feet_too(
    tmp_path: Path, height_unit_m: float, level: float | None
) -> None:
    units = {"edge": "", "length_m": "m", "length_sigma_m": "m", "length_95_m": "m", "up_m": "m"}
    units |= {"net_low_m3": "m3", "elevation_m": "m", "elevation_95_m": "m", "angle_deg": "deg"}
    fields = tuple(Field(name, "real", "", unit) for name, unit in units.items())
    values = (1.0, 3.048, 0.1, 0.3048, None, 0.9144**3, 3.048, 0.3048, 90.0)
    record = dict(zip(units, values, strict=True))
    table = Table("edges", "Edges", fields, [record])
    path = written(tmp_path, table, unit="ft", frame=Frame(height_unit_m=height_unit_m))
    sheet = openpyxl.load_workbook(path)["edges"]
    hidden = [d for d in sheet.column_dimensions.values() if d.hidden]
    folded = {k for d in hidden for k in range(d.min, d.max + 1)}
    seen = [
        (name.value, unit.value, round(number.value, 9))
        for k, (name, unit, number) in enumerate(sheet.iter_cols(max_row=3), start=1)
        if k not in folded
    ]
    levels = [("Elevation", "m", 3.048), ("Elevation +/- 95 %", "m", 0.3048)]
    if level is not None:
        levels = [("Elevation", "ft", 10.0), ("Elevation +/- 95 %", "ft", 1.0)]
    assert seen == [
        ("Edge", "", 1.0),
        ("Length", "ft", 10.0),
        ("Length +/- 95 %", "ft", 1.0),
        ("Net low", "yd³", 1.0),
        *levels,
        ("Angle", "degrees", 90.0),
    ]


def in_feet(folder: Path, name: str, units: dict[str, str], *records: dict[str, object]) -> object:
    """Return the rows that a sheet shows where the site is in feet, with heading and units."""
    texts = ("what", "unit", "order_unit", "inlet")
    fields = tuple(
        Field(n, "text" if n in texts else "real", "", unit) for n, unit in units.items()
    )
    path = written(folder, Table(name, name, fields, list(records)), unit="ft")
    sheet = openpyxl.load_workbook(path)[name]
    hidden = [d for d in sheet.column_dimensions.values() if d.hidden]
    folded = {k for d in hidden for k in range(d.min, d.max + 1)}
    return [
        [
            round(v, 9) if isinstance(v, float) else v or None
            for k, v in enumerate(row, start=1)
            if k not in folded
        ]
        for row in sheet.iter_rows(values_only=True)
    ]


def test_a_row_with_a_unit_of_its_own_is_told_in_feet_too(tmp_path: Path) -> None:
    """Ponds and catchments of designs stood in cubic metres on a site in feet."""
    units = {"what": "", "unit": "", "before": "", "after": ""}
    assert in_feet(
        tmp_path,
        "design_water",
        units,
        {"what": "pond", "unit": "m3", "before": 0.764554857984, "after": None},
        {"what": "inlet", "unit": "m2", "before": 0.09290304, "after": 0.9290304},
        {"what": "fall", "unit": "percent", "before": 5.0, "after": 4.0},
    ) == [
        ["What", "Unit", "Before", "After"],
        [None, "by row", "by row", "by row"],
        ["pond", "yd³", 1.0, None],
        ["inlet", "ft²", 1.0, 10.0],
        ["fall", "percent", 5.0, 4.0],
    ]


def test_flows_and_rain_are_told_in_feet_and_inches_too(tmp_path: Path) -> None:
    # NIST Special Publication 811, appendix B.8: 28.316846592 l, 25.4 mm
    units = {"inlet": "", "rainfall_mm_per_hour": "", "flow_lps": "l/s"}
    row = {"inlet": "G1", "rainfall_mm_per_hour": 50.8, "flow_lps": 28.316846592}
    assert in_feet(tmp_path, "peak_flows", units, row) == [
        ["Inlet", "Rainfall in per hour", "Flow"],
        [None, None, "ft³/s"],
        ["G1", 2.0, 1.0],
    ]


def quantities(folder: Path, *by: str) -> set[str]:
    """Return the headings that a take-off shows whose codes are ordered so."""
    names = ("feature", "kind", "gross_area_m2", "gross_area_95_m2", "volume_m3", "material",
             "material_unit", "length_m", "length_3d_m", "order_area_m2", "order_volume_m3",
             "order_material", "order_by")  # fmt: skip
    texts = ("feature", "kind", "material_unit", "order_by")
    fields = [
        Field(n, "text" if n in texts else "real", "", "m" if n[-2:] == "_m" else n[-2:])
        for n in names
    ]
    records = [{n: "x" if n in texts else 1.0 for n in names} | {"order_by": b} for b in by]
    table = Table("quantities", "Quantities", tuple(fields), records)
    sheet = openpyxl.load_workbook(written(folder, table))["quantities"]
    hidden = [d for d in sheet.column_dimensions.values() if d.hidden]
    folded = {k for d in hidden for k in range(d.min, d.max + 1)}
    return {names[k - 1] for k in range(1, len(names) + 1) if k not in folded}


def test_a_take_off_shows_what_is_there_and_what_to_order(tmp_path: Path) -> None:
    always = {"feature", "material_unit", "length_m", "order_by"}
    assert quantities(tmp_path, "volume", "total") == always | {"order_volume_m3"}
    assert quantities(tmp_path, "area", "material") == always | {"order_area_m2", "order_material"}


@pytest.mark.slow
def test_the_take_off_of_the_landing_prints_on_one_page_across(built_landing: Path) -> None:
    book = openpyxl.load_workbook(built_landing / "site.xlsx")
    assert {
        name: sheet.page_setup.fitToWidth or 1
        for name, sheet in zip(book.sheetnames, book, strict=True)
    } == (dict.fromkeys(book.sheetnames, 1))


def test_a_table_of_many_columns_takes_several_pages_across(tmp_path: Path) -> None:
    fields = tuple(Field(f"length_{i}_m", "real", "Length.", "m") for i in range(60))
    table = Table("wide", "Wide", fields, [{field.name: 12345.678 for field in fields}])
    sheet = openpyxl.load_workbook(written(tmp_path, table))["wide"]
    assert sheet.page_setup.fitToWidth == 4  # 60 columns of 13 letters, 215 to a page


def test_a_table_without_rows_has_its_heads_and_no_filter(tmp_path: Path) -> None:
    full, empty, bare = (
        dataclasses.replace(TABLE, name=name, records=records, fields=fields)
        for name, records, fields in (
            ("full", TABLE.records, TABLE.fields),
            ("empty", (), TABLE.fields),
            ("bare", TABLE.records, ()),
        )
    )
    book = openpyxl.load_workbook(written(tmp_path, full, empty, bare))
    assert book["full"].auto_filter.ref == "A2:D5"
    assert book["empty"].auto_filter.ref is book["bare"].auto_filter.ref is None
    assert [cell.value for cell in book["empty"][1]] == [cell.value for cell in book["full"][1]]
