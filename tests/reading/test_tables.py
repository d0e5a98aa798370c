"""Field books that OGR reads: tables, point layers, spreadsheets; and what hides behind names."""

import sqlite3
import struct
import zipfile
from contextlib import closing
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
from fieldbook_cases import BOOK, SITE, faults, write

from geosite.base.errors import InputError
from geosite.fieldbook.imports.importing import import_exports
from geosite.fieldbook.imports.model import Answers
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.read import read_survey
from geosite.reading.designs import read_design
from geosite.reading.foreign import driver_names

(SHAPEFILE,) = driver_names(["Shapefile"])
TAB = driver_names(["TAB"])[0]

HEAD, *ROWS = [line.split(",") for line in BOOK.splitlines()]
TYPES = {name: "float" if name in "xyz" else "str" for name in HEAD}


def records(placed: bool) -> list[dict[str, Any]]:
    made = []
    for row in ROWS:
        values: dict[str, Any] = dict(zip(HEAD, row, strict=True))
        at = tuple(float(values[c]) for c in "xyz")
        for c in "xyz":
            values[c] = float(values[c])
            if placed:
                del values[c]
        shape = {"type": "Point", "coordinates": at} if placed else None
        made.append({"properties": values, "geometry": shape})
    return made


def layer(path: Path, driver: str, placed: bool, **options: Any) -> None:
    types = {k: v for k, v in TYPES.items() if not (placed and k in "xyz")}
    schema = {"geometry": "3D Point" if placed else "None", "properties": types}
    with fiona.open(path, "w", driver=driver, schema=schema, **options) as out:
        out.writerecords(records(placed))


def sheets(path: Path, pages: dict[str, list[list[Any]]]) -> None:
    """Write a minimal workbook (ECMA-376, SpreadsheetML)."""
    office = "http://schemas.openxmlformats.org"
    main, rels = f"{office}/spreadsheetml/2006/main", f"{office}/officeDocument/2006/relationships"
    package = f"{office}/package/2006"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    numbers = range(1, len(pages) + 1)

    def cell(value: Any, row: int, column: int) -> str:
        at = f"{chr(65 + column)}{row}"
        if isinstance(value, float | int):
            return f'<c r="{at}"><v>{value}</v></c>'
        return f'<c r="{at}" t="inlineStr"><is><t>{value}</t></is></c>' if value else ""

    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType='
            '"application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
            + "".join(
                f'<Override PartName="/xl/worksheets/s{i}.xml" ContentType="{kind}.worksheet+xml"/>'
                for i in numbers
            )
            + "</Types>",
        )
        out.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
            f'Type="{rels}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        out.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{rels}"><sheets>'
            + "".join(
                f'<sheet name="{name}" sheetId="{i}" r:id="r{i}"/>'
                for i, name in enumerate(pages, 1)
            )
            + "</sheets></workbook>",
        )
        out.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{package}/relationships">'
            + "".join(
                f'<Relationship Id="r{i}" Type="{rels}/worksheet" Target="worksheets/s{i}.xml"/>'
                for i in numbers
            )
            + "</Relationships>",
        )
        for i, rows in enumerate(pages.values(), 1):
            body = "".join(
                f'<row r="{r}">' + "".join(cell(v, r, c) for c, v in enumerate(row)) + "</row>"
                for r, row in enumerate(rows, 1)
            )
            out.writestr(
                f"xl/worksheets/s{i}.xml",
                f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>',
            )


def open_sheet(path: Path, rows: list[list[Any]]) -> None:
    """Write a minimal spreadsheet (OASIS OpenDocument 1.2)."""

    def cell(value: Any) -> str:
        if isinstance(value, float):
            kind = f'office:value-type="float" office:value="{value}"'
            return f"<table:table-cell {kind}/>"
        words = f"<text:p>{value}</text:p>" if value else ""
        return f'<table:table-cell office:value-type="string">{words}</table:table-cell>'

    name = "urn:oasis:names:tc:opendocument:xmlns"
    spaces = " ".join(f'xmlns:{n}="{name}:{n}:1.0"' for n in ("office", "table", "text"))
    body = "".join(f"<table:table-row>{''.join(map(cell, r))}</table:table-row>" for r in rows)
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        out.writestr(
            "content.xml",
            f'<office:document-content {spaces} office:version="1.2"><office:body>'
            f'<office:spreadsheet><table:table table:name="Walk">{body}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )


def page() -> list[list[Any]]:
    return [HEAD, *([float(v) if 2 <= i <= 4 else v for i, v in enumerate(row)] for row in ROWS)]


def site(name: str, *lines: str) -> str:
    return SITE.replace('file = "book.csv"', "\n".join([f'file = "{name}"', *lines]))


def read(folder: Path, name: str, *lines: str) -> FieldBook:
    return read_survey(write(folder, site=site(name, *lines))).book


def same_but_lines(one: FieldBook, other: FieldBook) -> bool:
    names = set(FieldBook.__dataclass_fields__) - {"file", "line"}
    return all(np.array_equal(getattr(one, n), getattr(other, n)) for n in names)


@pytest.fixture
def plain(tmp_path: Path) -> FieldBook:
    folder = tmp_path / "plain"
    folder.mkdir()
    return read_survey(write(folder)).book


@pytest.mark.parametrize(
    ("name", "driver", "placed"),
    [
        ("book.gpkg", "GPKG", True),
        ("book.gpkg", "GPKG", False),
        ("book.shp", SHAPEFILE, True),
        ("BOOK.GeoJSON", "GeoJSON", True),
        ("book.json", "GeoJSON", False),
        ("book.fgb", "FlatGeobuf", True),
        ("book.gml", "GML", True),
        ("book.gml", "GML", False),
        ("book.tab", TAB, False),
        ("book.mif", TAB, False),
    ],
)
def test_layer(tmp_path: Path, plain: FieldBook, name: str, driver: str, placed: bool) -> None:
    more = {"SPATIAL_INDEX": "NO"} if driver == "FlatGeobuf" else {}
    layer(tmp_path / name, driver, placed, **more)
    book = read(tmp_path, name)
    assert same_but_lines(book, plain)
    assert book.line.tolist() == list(range(1, 9))
    assert book.file == str(tmp_path / name)


def test_text_between_tabs_keeps_its_usual_ending(tmp_path: Path, plain: FieldBook) -> None:
    (tmp_path / "book.tab").write_text("\n".join("\t".join(map(str, r)) for r in [HEAD, *ROWS]))
    assert same_but_lines(read(tmp_path, "book.tab"), plain)


def test_dbase_table_alone(tmp_path: Path, plain: FieldBook) -> None:
    layer(tmp_path / "book.dbf", SHAPEFILE, False)
    assert sorted(p.name for p in tmp_path.glob("book.*")) == ["book.cpg", "book.dbf"]
    assert same_but_lines(read(tmp_path, "book.dbf"), plain)


def test_columns_of_flat_points(tmp_path: Path, plain: FieldBook) -> None:
    schema = {"geometry": "Point", "properties": {k: v for k, v in TYPES.items() if k not in "xy"}}
    with fiona.open(tmp_path / "book.gpkg", "w", driver="GPKG", schema=schema) as out:
        for flat, full in zip(records(True), records(False), strict=True):
            values = {k: v for k, v in full["properties"].items() if k not in "xy"}
            at = flat["geometry"]["coordinates"][:2]
            shape = {"type": "Point", "coordinates": at}
            out.write({"geometry": shape, "properties": values})
    assert same_but_lines(read(tmp_path, "book.gpkg"), plain)


def test_own_columns_win_over_the_geometry(tmp_path: Path, plain: FieldBook) -> None:
    schema = {"geometry": "3D Point", "properties": TYPES}
    with fiona.open(tmp_path / "book.gpkg", "w", driver="GPKG", schema=schema) as out:
        for record in records(False):
            shape = {"type": "Point", "coordinates": (7.0, 7.0, 7.0)}
            out.write({"geometry": shape, "properties": record["properties"]})
    assert same_but_lines(read(tmp_path, "book.gpkg"), plain)


def test_spreadsheet_with_row_numbers(tmp_path: Path, plain: FieldBook) -> None:
    rows = page()
    rows.insert(3, ["", "", ""])
    sheets(tmp_path / "book.xlsx", {"Walk": rows})
    book = read(tmp_path, "book.xlsx")
    assert same_but_lines(book, plain)
    assert book.line.tolist() == [2, 3, 5, 6, 7, 8, 9, 10]


def test_open_spreadsheet(tmp_path: Path, plain: FieldBook) -> None:
    open_sheet(tmp_path / "book.ods", page())
    book = read(tmp_path, "book.ods")
    assert same_but_lines(book, plain)
    assert book.line.tolist() == list(range(2, 10))


def test_numbers_as_names(tmp_path: Path) -> None:
    rows = [["run", "point", "x", "y", "z"], [1, 101, 0, 0, 0], [1, 102, 9.5, 0, 0.25]]
    sheets(tmp_path / "book.xlsx", {"Walk": rows})
    text = site("book.xlsx").replace('"B1"', '"101"').replace('"B2"', '"102"')
    text = text.replace("marks.B1", "marks.101").replace("marks.B2", "marks.102")
    book = read_survey(write(tmp_path, site=text)).book
    assert book.runs == ("1",)
    assert book.marks == ("101", "102")
    assert book.local[1].tolist() == [9.5, 0, 0.25]


GML = """<f xmlns:gml="http://www.opengis.net/gml">
<gml:featureMember><{0} fid="1"><run>R1</run><point>B1</point><x>0</x><y>0</y><z>0</z></{0}>
</gml:featureMember><gml:featureMember><walk fid="2"><run>R1</run><point>B2</point><x>9.5</x>
<y>0</y><z>0.25</z></walk></gml:featureMember></f>"""


def test_layers_of_gml_are_chosen_among_and_nothing_is_left_beside_it(tmp_path: Path) -> None:
    """The first was taken without a word; an import, and a design, left a file of the driver."""
    (tmp_path / "book.gml").write_text(GML.format("notes"))
    path = write(tmp_path, site=site("book.gml"))
    assert faults(path) == (2, [("site.toml", 2, "layer-needed")])
    (tmp_path / "book.gml").write_text(GML.format("walk"))
    assert read_survey(path).book.marks == ("B1", "B2")
    import_exports([tmp_path / "book.gml"], Answers())
    with pytest.raises(InputError):  # without shapes
        read_design(str(tmp_path / "book.gml"))
    assert not list(tmp_path.glob("*.gfs"))


def test_layer_choice(tmp_path: Path, plain: FieldBook) -> None:
    layer(tmp_path / "book.gpkg", "GPKG", True, layer="walk")
    layer(tmp_path / "book.gpkg", "GPKG", True, layer="other")
    path = write(tmp_path, site=site("book.gpkg"))
    assert faults(path) == (2, [("site.toml", 2, "layer-needed")])
    path = write(tmp_path, site=site("book.gpkg", 'layer = "walks"'))
    assert faults(path) == (2, [("site.toml", 3, "layer-unknown")])
    assert same_but_lines(read(tmp_path, "book.gpkg", 'layer = "walk"'), plain)


def test_faults_have_the_record_number(tmp_path: Path) -> None:
    rows = page()
    rows[3][2] = "one"
    rows[5][7] = "ark"
    sheets(tmp_path / "book.xlsx", {"Walk": rows})
    path = write(tmp_path, site=site("book.xlsx"))
    assert faults(path) == (
        2,
        [("book.xlsx", 4, "not-a-number"), ("book.xlsx", 6, "segment-unknown")],
    )


def test_no_coordinates_at_all(tmp_path: Path) -> None:
    schema = {"geometry": "LineString", "properties": {"run": "str", "point": "str"}}
    with fiona.open(tmp_path / "book.gpkg", "w", driver="GPKG", schema=schema) as out:
        shape = {"type": "LineString", "coordinates": [(0, 0), (1, 1)]}
        out.write({"geometry": shape, "properties": {"run": "R1", "point": "B1"}})
    path = write(tmp_path, site=site("book.gpkg"))
    assert faults(path) == (2, [("book.gpkg", None, "column-missing")] * 3)


VRT = """<OGRVRTDataSource><OGRVRTLayer name="book"><SrcDataSource>{}</SrcDataSource>
<SrcLayer>secret</SrcLayer></OGRVRTLayer></OGRVRTDataSource>"""


@pytest.mark.parametrize(
    "name",
    [
        "book.gpkg",
        "book.shp",
        "book.dbf",
        "book.json",
        "book.fgb",
        "book.gml",
        "book.xlsx",
        "book.ods",
    ],
)
@pytest.mark.parametrize(
    "content",
    [
        VRT.encode(),
        b"<OGRWFSDataSource><URL>http://127.0.0.1:9/</URL></OGRWFSDataSource>",
        b"",
        b"\0" * 200,
        b"run,point,x,y,z\nR1,B1,0,0,0\n",
        b'{"type": "FeatureCollection", "features": ',
        b"SQLite format 3\0" + b"\xff" * 500,
        b"PK\x03\x04" + b"\xff" * 500,
        b"fgb\x03fgb\x00" + b"\xff" * 500,
        struct.pack(">i", 9994) + b"\xff" * 500,
    ],
    ids=["VRT", "WFS", "empty", "zeros", "CSV", "JSON", "SQLite", "zip", "FlatGeobuf", "shape"],
)
def test_something_else_under_the_name(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / "other").mkdir()
    secret = tmp_path / "other" / "secret.gpkg"
    layer(secret, "GPKG", True, layer="secret")
    (tmp_path / name).write_bytes(content.replace(b"{}", str(secret).encode()))
    status, found = faults(write(tmp_path, site=site(name)))
    assert status == 2
    # dBASE has no signature, so that its driver has the say
    assert [c for _, _, c in found] in (["layer-unreadable"], ["layer-needed"], ["file-empty"])


def test_spreadsheet_that_unpacks_to_a_lot(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.foreign.UNPACKED_LIMIT", 4_000_000)
    sheets(tmp_path / "book.xlsx", {"Walk": page()})
    path = write(tmp_path, site=site("book.xlsx"))
    assert faults(path) == (0, [])
    with zipfile.ZipFile(tmp_path / "book.xlsx", "a", zipfile.ZIP_DEFLATED) as out:
        out.writestr("docProps/more.xml", b" " * 5_000_000)
    assert (tmp_path / "book.xlsx").stat().st_size < 10_000
    assert faults(path) == (2, [("book.xlsx", None, "layer-unreadable")])


@pytest.mark.slow
def test_view_that_never_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geosite.reading.plain_copy.SECONDS", 1)
    layer(tmp_path / "book.gpkg", "GPKG", False, layer="walk")
    with closing(sqlite3.connect(tmp_path / "book.gpkg")) as db, db:
        db.execute("ALTER TABLE walk RENAME TO rows")
        db.execute(
            "CREATE VIEW walk AS WITH RECURSIVE n(fid) AS"
            " (SELECT 1 UNION ALL SELECT fid + 1 FROM n)"
            " SELECT n.fid, 'R' run, 'B1' point, 0.0 x, 0.0 y, 0.0 z FROM n WHERE n.fid < 0"
        )
    db.close()
    path = write(tmp_path, site=site("book.gpkg", 'layer = "walk"'))
    assert faults(path) == (2, [("book.gpkg", None, "layer-unreadable")])


def test_parts_of_a_shapefile_elsewhere(tmp_path: Path) -> None:
    folder, other = tmp_path / "site", tmp_path / "other"
    folder.mkdir()
    other.mkdir()
    layer(folder / "book.shp", SHAPEFILE, True)
    (folder / "book.dbf").rename(other / "secret.dbf")
    (folder / "book.dbf").symlink_to(other / "secret.dbf")
    path = write(folder, site=site("book.shp"))
    assert faults(path) == (2, [("book.shp", None, "layer-unreadable")])


def test_too_many_records(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.table_layers.RECORDS", 7)
    layer(tmp_path / "book.gpkg", "GPKG", True)
    path = write(tmp_path, site=site("book.gpkg"))
    assert faults(path) == (2, [("book.gpkg", None, "layer-unreadable")])
