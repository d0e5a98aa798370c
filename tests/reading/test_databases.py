"""Databases from outside: what is stored in them as a query never runs on and on."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import fiona
import pytest

from geosite.base.errors import GeositeError, InputError, Problem
from geosite.base.problems import Problems
from geosite.fieldbook.imports.model import Answers
from geosite.fieldbook.imports.sources import open_sources
from geosite.reading import plain_copy
from geosite.reading.databases import holds_queries, plain
from geosite.reading.designs import read_design
from geosite.reading.points import read_points
from geosite.reading.polygons import read_polygons
from geosite.reading.table_layers import open_layer
from geosite.reading.toml_lines import TomlText

ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT "


def package(path: Path) -> Path:
    """Write four points, as most programs do: with a spatial index and its triggers."""
    schema = {"geometry": "3D Point", "properties": {"elevation": "float"}}
    with fiona.open(
        path, "w", driver="GPKG", layer="points", schema=schema, crs="EPSG:25832"
    ) as sink:
        for i in range(4):
            at = (512300.0 + i, 5276100.0 + i * i, float(i))
            geometry = {"type": "Point", "coordinates": at}
            sink.write({"geometry": geometry, "properties": {"elevation": 1.0}})
    return path


def change(path: Path, script: str) -> Path:
    with closing(sqlite3.connect(path)) as file:
        file.executescript(script)
    return path


def told(work: Callable[[], object]) -> str:
    """Return what was said of a file; fail where nothing is within the time it has."""
    said: list[str] = []

    def run() -> None:
        try:
            work()
        except GeositeError as error:
            said.append(str(error))
        except ValueError as error:
            said.append(str(error))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(15)
    assert not thread.is_alive(), "it does not end"
    return said[0] if said else ""


def test_an_ordinary_geopackage_is_read_as_it_is(tmp_path: Path) -> None:
    path = package(tmp_path / "a.gpkg")
    with closing(sqlite3.connect(path)) as file:
        (triggers,) = file.execute(
            "SELECT count(*) FROM sqlite_master WHERE type = 'trigger'"
        ).fetchone()
    assert triggers > 0
    assert not holds_queries(path)
    with plain(path) as same:
        assert same == path


REGISTRY = [
    "gpkg_contents",
    "gpkg_geometry_columns",
    "gpkg_spatial_ref_sys",
    "gpkg_extensions",
    "gpkg_ogr_contents",
]


@pytest.mark.parametrize("table", REGISTRY)
def test_an_endless_query_behind_a_table_of_the_standard_is_refused(
    table: str, tmp_path: Path
) -> None:
    path = package(tmp_path / "a.gpkg")
    with closing(sqlite3.connect(path)) as file:
        names = [row[1] for row in file.execute(f"PRAGMA table_info({table})")]
        file.execute(f"ALTER TABLE {table} RENAME TO kept")
        columns = ", ".join(f"i AS {name}" for name in names)
        file.execute(f"CREATE VIEW {table} AS {ENDLESS} {columns} FROM n")
        file.commit()
    began = time.monotonic()
    for read in (
        lambda: read_points(str(path)),
        lambda: read_design(str(path)),
        lambda: read_polygons(path, "a.gpkg", refused),
    ):
        assert f"{table}, which lists its layers, is a query and no table" in told(read)
    problems = Problems()
    assert open_layer(path, "a.gpkg", None, problems, TomlText("site.toml", "")) is None
    assert "is a query and no table" in str(problems.first()[0])
    assert open_sources([path], Answers(), Problems()) == ((), ())
    assert time.monotonic() - began < 10


def refused(code: str, what: str, expected: str, remedy: str) -> InputError:

    return InputError(Problem(code, what, expected, remedy))


def as_layer(path: Path, query: str) -> Path:
    """Put a query in the place of the points."""
    return change(
        path,
        f"""
        CREATE VIEW shown AS {query};
        INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id)
            VALUES ('shown', 'features', 'shown', 25832);
        INSERT INTO gpkg_geometry_columns VALUES ('shown', 'geom', 'POINT', 25832, 1, 0);
        """,
    )


def test_the_rows_of_a_query_are_read(tmp_path: Path) -> None:
    path = as_layer(
        package(tmp_path / "a.gpkg"), "SELECT fid, geom, elevation FROM points WHERE fid > 2"
    )
    assert holds_queries(path)
    assert read_points(str(path), "shown").positions[:, 2].tolist() == [2.0, 3.0]
    assert len(read_points(str(path), "points").positions) == 4


@pytest.mark.slow
@pytest.mark.parametrize(
    "query",
    [
        f"{ENDLESS} i AS fid, NULL AS geom FROM n WHERE i < 0",
        f"{ENDLESS} count(*) AS fid, zeroblob(1) AS geom FROM n",
        f"{ENDLESS} i AS fid, zeroblob(40000000) AS geom FROM n",
    ],
)
def test_a_layer_that_never_ends_or_fills_memory_is_given_up(
    query: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = as_layer(package(tmp_path / "a.gpkg"), query)
    monkeypatch.setattr("geosite.reading.databases.SECONDS", 1.0)
    said = told(lambda: read_points(str(path), "shown"))
    assert "a query stored in it takes more than" in said or "damaged" in said


def test_a_query_of_too_many_rows_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = as_layer(package(tmp_path / "a.gpkg"), "SELECT a.fid, a.geom FROM points a, points b")
    monkeypatch.setattr(plain_copy, "ROWS", 9)
    monkeypatch.setattr(plain_copy, "_limit", lambda seconds: None)
    said = plain_copy.main(str(path), str(tmp_path / "b.gpkg"), plain_copy.SECONDS)
    assert said == "the query shown gives more than 9 rows"


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE t (a INTEGER, b AS (a + 1))",
        "CREATE TABLE t (a INTEGER CHECK (length(zeroblob(a)) >= 0))",
        "CREATE TABLE t (a); CREATE INDEX i ON t (length(a))",
        "CREATE TABLE t (a); CREATE INDEX i ON t (a) WHERE a > 1",
        "CREATE VIRTUAL TABLE t USING fts5(a)",
        "CREATE VIEW t AS SELECT 1 AS a",
    ],
)
def test_what_runs_when_it_is_read_is_known(statement: str, tmp_path: Path) -> None:
    path = change(package(tmp_path / "a.gpkg"), statement)
    assert holds_queries(path)
    assert len(read_points(str(path)).positions) == 4
    with plain(path) as copy:
        assert copy != path
        assert not holds_queries(copy)


def test_damage_in_a_database_with_queries_is_told(tmp_path: Path) -> None:
    path = as_layer(package(tmp_path / "a.gpkg"), "SELECT fid, geom FROM points")
    data = bytearray(path.read_bytes())
    with closing(sqlite3.connect(path)) as file:
        (root,) = file.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'points'"
        ).fetchone()
    data[(root - 1) * 4096 : (root - 1) * 4096 + 200] = b"\xff" * 200
    path.write_bytes(data)
    assert "damaged" in told(lambda: read_points(str(path), "shown"))


def test_a_crs_in_a_database_with_queries_has_no_file_read(tmp_path: Path) -> None:
    path = as_layer(package(tmp_path / "a.gpkg"), "SELECT fid, geom FROM points")
    change(path, "UPDATE gpkg_spatial_ref_sys SET definition = '+proj=tinshift +file=/x'")
    assert "names another file" in told(lambda: read_points(str(path), "shown"))
