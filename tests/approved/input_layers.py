"""Layers, databases, archives and sheets from outside: what is read of each, or why it is not."""

from __future__ import annotations

import json
import os
import sqlite3
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import chdir, closing
from pathlib import Path
from typing import Any

import fiona
import shapely
from approved.input_places import UTM, code_of, refuse
from approved.input_tables import listed, problems_of, said_of

from geosite.base.problems import Problems
from geosite.reading import plain_copy
from geosite.reading.background_lines import read_background_lines
from geosite.reading.databases import crs_texts, database_damage, holds_queries, plain
from geosite.reading.designs import read_design
from geosite.reading.foreign import damage, driver_names, names_a_file
from geosite.reading.points import read_points
from geosite.reading.polygons import place_of, read_polygons
from geosite.reading.spreadsheets import sheet_damage
from geosite.reading.table_layers import open_layer
from geosite.reading.toml_lines import TomlText

__all__ = ["layers_told"]

SQUARE = [[[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]]]
HOLED = [*SQUARE, [[2, 2], [4, 2], [4, 4], [2, 2]]]
FAR = [[[900, 0], [910, 0], [910, 10], [900, 0]]]
LINE = [[0, 0, 1], [10, 0, 2], [10, 5, 3]]
FIELDS = {"name": "str", "code": "str", "elevation": "float", "n": "int"}
DRIVERS = {
    ".gpkg": "GPKG", ".geojson": "GeoJSON", ".fgb": "FlatGeobuf", ".dxf": "DXF", ".gml": "GML",
    ".shp": driver_names(["Shapefile"])[0], ".dbf": driver_names(["Shapefile"])[0], ".xlsx": "XLSX",
    ".ods": "ODS",
}  # fmt: skip

Shape = tuple[str, Any]


def layer(
    path: str, kind: str, shapes: list[Shape | None], name: str = "layer", crs: str | None = UTM
) -> None:
    """Write a layer; the properties tell its number."""
    driver = DRIVERS[Path(path).suffix]
    fields = {} if driver == "DXF" else FIELDS
    options: dict[str, Any] = {"crs": crs} if crs and driver not in ("DXF", "XLSX", "ODS") else {}
    if driver in ("GPKG", "XLSX", "ODS"):
        options["layer"] = name
    if driver == "FlatGeobuf":
        shapes = [shape for shape in shapes if shape is not None]
    schema = {"geometry": kind, "properties": fields}
    with fiona.open(
        path, "w", driver=driver, schema=schema, allow_unsupported_drivers=True, **options
    ) as sink:
        for number, shape in enumerate(shapes):
            geometry = None if shape is None else {"type": shape[0], "coordinates": shape[1]}
            told = {"name": f"n{number}", "code": "", "elevation": 7.5 + number, "n": number}
            sink.write({"geometry": geometry, "properties": told if fields else {}})


POLYGONS = [
    ("Polygon", SQUARE), ("Polygon", HOLED), ("Polygon", SQUARE), ("MultiPolygon", [SQUARE, FAR]),
    None, ("Polygon", FAR),
]  # fmt: skip


def _files() -> None:
    """All files that are read below."""
    single = [shape for shape in POLYGONS if shape is None or shape[0] == "Polygon"]
    for ending in (".gpkg", ".geojson", ".fgb", ".shp"):
        layer(f"areas{ending}", "Unknown" if ending == ".gpkg" else "Polygon", single)
    layer("many.gpkg", "MultiPolygon", [("MultiPolygon", [SQUARE, FAR])], "a")
    layer("many.gpkg", "Polygon", [("Polygon", FAR)], "b")
    layer("many.gpkg", "LineString", [("LineString", LINE)], "c")
    layer("mixed.gpkg", "Polygon", [("Polygon", FAR)], "areas")
    layer("mixed.gpkg", "3D LineString", [("LineString", LINE)], "lines")
    layer("points.gpkg", "3D Point", [("Point", (1, 2, 3)), ("Point", (4, 5, 6))], "points")
    layer("several.gpkg", "Point", [("Point", (1, 2))], "a")
    layer("several.gpkg", "Point", [("Point", (1, 2))], "b")
    layer("flat.gpkg", "Point", [("Point", (1, 2)), ("Point", (4, 5))], "flat")
    layer("lines.gpkg", "3D LineString", [("LineString", LINE), None, ("LineString", LINE[:2])])
    layer("no_crs.shp", "Polygon", [("Polygon", SQUARE)], crs=None)
    layer("points.geojson", "Point", [("Point", (9.1, 47.6)), ("Point", (9.2, 47.7))])
    layer(
        "multi.geojson", "MultiPoint", [("MultiPoint", [(1, 2)]), ("MultiPoint", [(1, 2), (3, 4)])]
    )
    layer("walk.xlsx", "None", [None, None], "walk")
    layer("walk.ods", "None", [None, None], "walk")
    layer("walk.dbf", "None", [None, None])
    layer(
        "drawn.dxf",
        "Unknown",
        [("LineString", [*LINE, LINE[0]]), ("LineString", LINE), ("Point", (1, 2, 3))],
    )
    Path("words.gpkg").write_text("no database", encoding="utf-8")
    Path("broken.geojson").write_text('{"type": "FeatureCollection", "features": [', "utf-8")
    for name, parts in (
        ("two.zip", ("areas", "no_crs")),
        ("one.zip", ("areas",)),
        ("none.zip", ()),
    ):
        with zipfile.ZipFile(name, "w") as archive:
            for part in parts:
                for path in sorted(Path().glob(f"{part}.*")):
                    if path.suffix in (".shp", ".shx", ".dbf", ".prj"):
                        archive.write(path)
    with zipfile.ZipFile("foreign.zip", "w") as archive:
        archive.writestr("a.shp", b"")
        archive.writestr("a.prj", "+proj=utm +nadgrids=a.gsb")
    Path("damaged.zip").write_bytes(b"PK\x03\x04 no archive")


# --- polygons, lines under a plan, designs ---------------------------------------------------

WINDOW = {"near": lambda crs: (-5.0, -5.0, 5.0, 5.0), "reach_m": 500.0}
AREAS: dict[str, Mapping[str, Any]] = {
    **{f"areas{ending}": {} for ending in (".gpkg", ".geojson", ".fgb", ".shp")},
    "areas.gpkg, round a place": WINDOW,
    "areas.gpkg, with their names": {"name_field": "name"},
    "areas.gpkg, with other names": {"name_field": "parcel"},
    "areas.gpkg, a CRS told that is right": {"crs": UTM},
    "areas.gpkg, another CRS told": {"crs": "EPSG:25833"},
    "areas.gpkg, a CRS told that is none": {"crs": "my town"},
    "areas.gpkg, a CRS told that names a file": {"crs": "+proj=utm +nadgrids=a.gsb"},
    "no_crs.shp": {},
    "no_crs.shp, a CRS told": {"crs": UTM},
    "many.gpkg": {},
    "many.gpkg, one of its layers": {"layer": "b"},
    "many.gpkg, a layer that it has not": {"layer": "d"},
    "mixed.gpkg": {},
    "lines.gpkg": {},
    "drawn.dxf": {"crs": UTM},
    "one.zip": {},
    "two.zip": {},
    "none.zip": {},
    "foreign.zip": {},
    "damaged.zip": {},
    "words.gpkg": {},
    "broken.geojson": {},
}


def _shapes(shapes: tuple[Any, ...]) -> str:
    return "; ".join(shapely.to_wkt(shape, rounding_precision=3) for shape in shapes)


def _areas(given: tuple[str, Mapping[str, Any]]) -> Iterator[str]:
    file = given[0].split(",")[0]
    found = read_polygons(Path(file).resolve(), file, refuse, **given[1])
    crs = code_of(found.crs_wkt)
    yield f"{found.names}, {found.repeated} repeated, reach {found.reach_m}, {crs}"
    yield _shapes(found.shapes)


UNDER: dict[str, Mapping[str, Any]] = {
    "areas.gpkg": {},
    "areas.gpkg, round a place": {"near": WINDOW["near"]},
    "lines.gpkg": {},
    "mixed.gpkg": {},
    "mixed.gpkg, one of its layers": {"layer": "lines"},
    "points.gpkg": {},
    "no_crs.shp": {},
    "one.zip": {},
    "words.gpkg": {},
}


def _under(given: tuple[str, Mapping[str, Any]]) -> Iterator[str]:
    file = given[0].split(",")[0]
    found = read_background_lines(Path(file).resolve(), file, refuse, **given[1])
    yield f"{_shapes(found.shapes)} in {code_of(found.crs_wkt)}"


DESIGNS = (
    "areas.gpkg", "many.gpkg", "points.gpkg", "flat.gpkg", "lines.gpkg", "drawn.dxf",
    "points.geojson", "multi.geojson", "words.gpkg", "broken.geojson",
)  # fmt: skip
DESIGN_TABLES: dict[str, object] = {
    "names and codes": "point,easting,northing,elevation,code\nA,1,2,3,kerb\nB,4,5,,\n",
    "another order and decimal commas": "Elevation;NORTHING;Easting;Label\n1,5;2;3;A\n",
    "commas and points": "point;easting;northing\nA;1,5;2.5\n",
    "points and commas": "easting;northing;elevation\n1.5;2;3\n",
    "no northing": "point,easting,north,elevation\nA,1,2,3\n",
    "neither": "point,e,n\nA,1,2\n",
    "a word": "point,easting,northing\nA,one,2\n\nB,2,nan\nC,,4\n",
    "a quote that is not closed": 'point,easting,northing\nA,1,"2\n',
    "a header only": "point,easting,northing\n",
    "nothing": "\n",
    "rows of separators": "point,easting,northing\n,,\nA,1,2\n,,\n",
    "titles above": "\n\npoint\teasting\tnorthing\nA\t1\t2\n",
}


def _design(file: str, layer: str | None = None) -> Iterator[str]:
    found = read_design(file, layer)
    for shape in found.shapes:
        about = f"{shape.kind} {shape.name!r} {shape.code!r} line {shape.line}"
        yield f"{about}: {shape.places.tolist()}"
    yield f"CRS {code_of(found.crs_wkt)}"


def _design_table(given: str) -> Iterator[str]:
    Path("design.csv").write_text(given, encoding="utf-8")
    yield from _design("design.csv")


# --- points and field books in layers --------------------------------------------------------

POINT_LAYERS: dict[str, object] = {
    "points.gpkg": None, "points.gpkg, by name": "points", "points.gpkg, by another": "pointz",
    "flat.gpkg": None, "several.gpkg": None, "lines.gpkg": None, "mixed.gpkg": None,
    "points.geojson": None,
    "multi.geojson": None, "words.gpkg": None, "drawn.dxf": None,
}  # fmt: skip


def _points(given: tuple[str, str | None]) -> Iterator[str]:
    found = read_points(given[0].split(",")[0], given[1])
    yield f"{found.positions.tolist()} in {code_of(found.crs_wkt)}"


BOOKS: dict[str, object] = {
    "points.gpkg": None, "many.gpkg": None, "many.gpkg, one": "b", "many.gpkg, none": "bb",
    "flat.gpkg": None, "points.geojson": None, "multi.geojson": None, "areas.fgb": None,
    "areas.shp": None, "walk.xlsx": None, "walk.xlsx, one": "walk", "walk.xlsx, none": "wolk",
    "walk.ods": None, "walk.dbf": None, "words.gpkg": None, "broken.geojson": None,
}  # fmt: skip
SITE = '[survey]\nfile = "book"\nlayer = "walk"\n'


def _book(given: tuple[str, str | None]) -> Iterator[str]:
    problems = Problems()
    file = Path(given[0].split(",")[0])
    rows = open_layer(file, str(file), given[1], problems, TomlText("site.toml", SITE))
    yield from problems_of(problems)
    if rows is not None:
        yield f"{rows.header} line {rows.header_line} decimal {rows.decimal}"
        for lines, columns in rows.chunks:
            yield f"lines {list(lines)}: {[list(cells) for cells in columns]}"


# --- what must not be handed to the library --------------------------------------------------

TABLE = "CREATE TABLE walk (id INTEGER PRIMARY KEY, point TEXT, x REAL); "
FILLED = TABLE + "INSERT INTO walk VALUES (5, 'A', 1.5), (7, 'B', 2.5); "
DATABASES: dict[str, object] = {
    "a table": FILLED,
    "a trigger": FILLED + "CREATE TRIGGER t AFTER INSERT ON walk BEGIN SELECT 1; END",
    "an index": FILLED + "CREATE INDEX i ON walk (point)",
    "an index over an expression": FILLED + "CREATE INDEX i ON walk (abs(x))",
    "an index of some rows": FILLED + "CREATE INDEX i ON walk (x) WHERE x > 2",
    "a query": FILLED + "CREATE VIEW v AS SELECT point, x FROM walk",
    "a query among the layers": FILLED + "CREATE VIEW v AS SELECT point, x * 2 AS y FROM walk;"
    "CREATE TABLE gpkg_contents (table_name TEXT); INSERT INTO gpkg_contents VALUES ('V');"
    "CREATE TABLE gpkg_extensions (table_name TEXT, extension_name TEXT);"
    "INSERT INTO gpkg_extensions VALUES ('v', 'gpkg_rtree_index'), ('v', 'other');"
    "PRAGMA user_version = 10300; PRAGMA application_id = 1196444487",
    "a query for the list of layers": FILLED
    + "CREATE VIEW gpkg_contents AS SELECT 1 AS table_name",
    "a computed column": "CREATE TABLE walk (x REAL, y REAL GENERATED ALWAYS AS (x * 2) STORED,"
    " z AS (x + 1), \"odd \"\"name\" TEXT); INSERT INTO walk (x) VALUES (1.5)",
    "a check": "CREATE TABLE walk (x REAL CHECK (x > 1)); INSERT INTO walk VALUES (2)",
    "two keys and none": "CREATE TABLE a (x INTEGER, y TEXT, PRIMARY KEY (x, y));"
    "CREATE TABLE b (x); CREATE VIEW v AS SELECT 1; INSERT INTO a VALUES (1, 'p');"
    "INSERT INTO b VALUES ('q')",
    "a query that never ends": FILLED + "CREATE TABLE gpkg_contents (table_name TEXT);"
    "INSERT INTO gpkg_contents VALUES ('v'); CREATE VIEW v AS WITH RECURSIVE n(i) AS"
    " (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i FROM n",
    "a CRS that names a file": "CREATE TABLE gpkg_spatial_ref_sys (definition TEXT);"
    "INSERT INTO gpkg_spatial_ref_sys VALUES ('+proj=utm +nadgrids=a.gsb')",
}  # fmt: skip


def _in_a_copy(work: Callable[[], str]) -> str:
    """What some work says that limits the process that does it."""
    reading, writing = os.pipe()
    if (copy := os.fork()) == 0:
        os.write(writing, work().encode())
        os._exit(0)
    os.close(writing)
    with open(reading, "rb") as told:
        said = told.read().decode()
    os.waitpid(copy, 0)
    return said


def _database(given: str) -> Iterator[str]:
    path, copy = Path("d.gpkg"), Path("copy.gpkg")
    for old in (path, copy):
        old.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as file:
        file.executescript(given)
    yield f"holds queries {holds_queries(path)}, {database_damage(path)}, {damage(path)}"
    yield f"CRSs {list(crs_texts(path))}"
    said = _in_a_copy(lambda: str(plain_copy.main(str(path.resolve()), str(copy.resolve()), 2)))
    yield f"copied: {said}"
    if said == "None":
        with closing(sqlite3.connect(copy)) as file:
            for name, sql in file.execute("SELECT name, sql FROM sqlite_master").fetchall():
                rows = file.execute(f'SELECT rowid, * FROM "{name}"').fetchall()
                yield f"{' '.join(sql.split())}: {rows}"
            for about in ("user_version", "application_id"):
                yield f"{about} {file.execute(f'PRAGMA {about}').fetchone()[0]}"


JSON = {"type": "FeatureCollection", "features": []}
DAMAGED: dict[str, object] = {
    "good.geojson": json.dumps(JSON),
    "named.geojson": json.dumps(
        JSON | {"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}}),
    "by_code.geojson": json.dumps(JSON | {"crs": {"type": "EPSG", "properties": {"code": 1}}}),
    "linked.geojson": json.dumps(
        JSON | {"crs": {"type": "link", "properties": {"href": "http://example.org"}}}),
    "proj.geojson": json.dumps(
        JSON | {"crs": {"type": "name", "properties": {"name": "+proj=utm +nadgrids=a"}}}),
    "bare.geojson": json.dumps(JSON | {"crs": "EPSG:25832"}),
    "rows.geojson": json.dumps(JSON) + "\n" + json.dumps(JSON) + "\n",
    "records.geojson": "\x1e" + json.dumps(JSON) + "\n\x1e" + json.dumps(JSON) + "\n",
    "cut.geojson": '{"type": ',
    "rows_cut.geojson": json.dumps(JSON) + "\n{",
    "deep.geojson": "[" * 100_000,
    "latin.geojson": '{"a": "ü"}'.encode("latin-1"),
    "text.gml": "<gml srsName='+proj=utm +init=epsg:1'/>",
    "plain.gml": "<gml/>",
    "zip.xlsx": b"PK\x03\x04 no archive",
    "empty.csv": "",
}  # fmt: skip
CRS_WORDS = (
    UTM, "+proj=utm +nadgrids=a.gsb", "+proj=utm +nadgrids=@null", 'grids = "a"', "PARAMETERFILE",
    "+geoidgrids=g.tif", "+init=epsg:25832", "init='x'", "+proj=tinshift", "EXTENSION[PROJ4_GRIDS]",
    "hybrids = 3", "catalog=x",
)  # fmt: skip


def _damaged(given: tuple[str, str | bytes]) -> Iterator[str]:
    path = Path(given[0])
    path.write_bytes(given[1].encode() if isinstance(given[1], str) else given[1])
    yield f"{damage(path)}"


def _parts(folder: Path) -> Iterator[str]:
    """Files beside one that belong to it; places of archives; words of CRSs."""
    (folder / "else").mkdir()
    (folder / "else" / "p.dbf").write_bytes(b"a")
    for name in ("p.shp", "q.shp", "r.tif", "s.tif", "t.tif"):
        Path(name).write_bytes(b"a")
    Path("p.dbf").symlink_to(folder / "else" / "p.dbf")
    os.mkfifo("q.prj")
    Path("r.prj").write_text("+proj=utm +nadgrids=a.gsb", encoding="utf-8")
    Path("s.tif.aux.xml").write_text("<SRS>+init=epsg:1</SRS>", encoding="utf-8")
    Path("t.txt").write_text("+proj=utm +nadgrids=a.gsb", encoding="utf-8")
    for name in ("p.shp", "q.shp", "r.tif", "s.tif", "t.tif"):
        yield f"{name}: {damage(Path(name))}"
    yield f"place {place_of(Path('one.zip'), Path('x'))} {place_of(Path('a.gpkg'), Path('x'))}"
    for words in CRS_WORDS:
        yield f"{words!r} names a file: {names_a_file(words)}"
    with plain(Path("areas.gpkg")) as safe:
        yield f"read where it is: {safe}"


def _sheets() -> Iterator[str]:
    """Sheets that are as large as what is taken, and larger."""
    made = {
        "256 cells": "<row>" + "<c/>".replace("/", " /") * 256 + "</row>",
        "257 cells": "<row>" + "<c/>".replace("/", " /") * 257 + "</row>",
        "column IV": '<row><c r="IV1"/></row>',
        "column IW": '<row><c r="IW1"/></row>',
        "column AAA": '<row><c r="AAA1"/></row>',
        "row 30,000,000": '<row r="30000000"><c /></row>',
        "row 30,000,001": '<row r="30000001"><c /></row>',
        "two cells of row 15,000,001": '<row r="15000001"><c /><c /></row>',
    }
    for name, text in made.items():
        with zipfile.ZipFile("sheet.xlsx", "w") as archive:
            archive.writestr("xl/worksheets/sheet1.xml", text)
        yield f"{name}: {sheet_damage(Path('sheet.xlsx'))}"
    for times, cell in ((256, ">1</"), (257, ">1</"), (16384, "/>")):
        text = f'<table:table-cell table:number-columns-repeated="{times}"{cell}'
        with zipfile.ZipFile("sheet.ods", "w") as archive:
            archive.writestr("content.xml", f"<table:table-row>{text}")
        yield f"{times} times {cell}: {sheet_damage(Path('sheet.ods'))}"


def _by_name(names: Mapping[str, Any]) -> dict[str, object]:
    return {name: (name, given) for name, given in names.items()}


def layers_told(folder: Path) -> dict[str, str]:
    """All of it as texts."""
    with chdir(folder):
        _files()
        told = {
            "polygons.txt": [*listed(_by_name(AREAS), _areas), *listed(_by_name(UNDER), _under)],
            "designs.txt": [
                *listed({name: name for name in DESIGNS}, _design),
                *listed({"a layer of many": "many.gpkg"}, lambda file: _design(file, "c")),
                *listed({"a layer of a table": "design.csv"}, lambda file: _design(file, "c")),
                *listed(DESIGN_TABLES, _design_table),
            ],
            "points_and_books.txt": [
                *listed(_by_name(POINT_LAYERS), _points),
                *listed(_by_name(BOOKS), _book),
            ],
            "not_handed_on.txt": [
                *listed(DATABASES, _database),
                *listed(_by_name(DAMAGED), _damaged),
                "== beside it",
                *said_of(lambda: _parts(folder)),
                *said_of(_sheets),
            ],
        }
    place = f"{folder.resolve()}/"
    return {name: "\n".join(lines).replace(place, "") + "\n" for name, lines in told.items()}
