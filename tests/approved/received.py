"""What whoever receives a hand-over does with it: verifies it and adds its layers."""

from __future__ import annotations

import re
import shutil
import sqlite3
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

__all__ = ["received"]

STRICT = """title = "Strict"
files = ["*.gpkg", "*.docx"]
crs = ["EPSG:25833"]
vertical_crs = ["EPSG:7837"]
[layers.points]
geometry = "POLYGON"
columns = ["point", "colour"]
[layers.lines]
geometry = "MULTILINESTRING"
[layers.trees]
[[elements]]
name = "Title"
path = "gmd:identificationInfo//gmd:citation//gmd:title"
[[elements]]
name = "Purpose"
path = "gmd:identificationInfo//gmd:purpose"
state = "nowhere"
[accuracy]
horizontal_95_m = 0.001
vertical_95_m = 5.0
"""


def received(said: Callable[..., str], out: Path) -> str:
    """Verify a folder and its archive, damaged in one way each; add layers, twice."""
    told = said("verify", out) + said("verify", out / "handover.zip")
    told += said("verify", out / "handover.zip", "--profile", "discovery")
    told += said("verify", out, "--profile", "discovery")
    Path("strict.toml").write_text(STRICT, encoding="utf-8")
    told += said("verify", out, "--profile", "strict.toml")
    for text in ('titel = "x"\n', "title = 3\n", "title\n"):
        Path("wrong.toml").write_text(text, encoding="utf-8")
        told += said("verify", out, "--profile", "wrong.toml")
    told += said("verify", out, "--profile", "discovry") + said("verify", "none")
    for what, damage in DAMAGES.items():
        copy = Path(f"copy_{what.replace(' ', '_')}")
        shutil.copytree(out, copy)
        damage(copy)
        told += f"== {what}\n" + said("verify", copy)
    told += "== archives\n"
    with zipfile.ZipFile("other.zip", "w") as archive:
        archive.writestr("readme.txt", "nothing")
    Path("text.zip").write_text("no archive", encoding="utf-8")
    told += said("verify", "other.zip") + said("verify", "text.zip")
    told = re.sub(r"SHA-256 \w+", "SHA-256 SUM", told)
    told += "== places to write to\n"
    for place in ("yard/site.toml", "yard/site.toml/map", ".", "/proc/map"):
        told += said("build", "yard/bare.toml", "--out", place)
    told += said("check", "yard/bare.toml", "--out", ".")
    return (
        told + "== layers added to a file of somebody else\n" + "\n".join(_added(said, out)) + "\n"
    )


def _shorter(folder: Path) -> None:
    (folder / "aspect.qml").write_text("less", encoding="utf-8")


def _changed(folder: Path) -> None:
    data = bytearray((folder / "aspect.qml").read_bytes())
    data[-3] ^= 1
    (folder / "aspect.qml").write_bytes(data)


def _gone(folder: Path) -> None:
    (folder / "aspect.qml").unlink()
    (folder / "more.txt").write_text("more", encoding="utf-8")


def _more(folder: Path) -> None:
    for number in range(12):
        (folder / f"more{number:02}.txt").write_text("more", encoding="utf-8")


def _linked(folder: Path) -> None:
    (folder / "aspect.qml").unlink()
    (folder / "aspect.qml").symlink_to(folder / "quantities.csv")


def _listing(text: str) -> Callable[[Path], None]:
    return lambda folder: (folder / "MANIFEST.json").write_text(text, encoding="utf-8") and None


ENTRY = '{{"files": [{{"file": "{}", "purpose": "", "size": 3, "sha256": "{}"}}]}}'
DAMAGES: dict[str, Callable[[Path], None]] = {
    "shorter": _shorter,
    "changed": _changed,
    "gone": _gone,
    "more": _more,
    "linked": _linked,
    "no manifest": lambda folder: (folder / "MANIFEST.json").unlink(),
    "no JSON": _listing("nothing"),
    "no list": _listing('{"files": 3}'),
    "no sizes": _listing('{"files": [{"file": "a"}]}'),
    "a way out": _listing(ENTRY.format("../a.txt", "0" * 64)),
    "an own place": _listing(ENTRY.format("/etc/hostname", "0" * 64)),
}


def _added(said: Callable[..., str], out: Path) -> Iterator[str]:
    from geosite.handover.formats.append import append_layers

    for name in ("none.gpkg", "yard/site.toml"):
        yield said("build", "yard/bare.toml", "--out", "more", "--into", name).strip()
    theirs = Path("theirs.gpkg")
    with closing(sqlite3.connect(theirs)) as file, file:
        file.executescript(THEIRS)
    names, again = (append_layers(out / "site.gpkg", theirs) for _ in range(2))
    assert names == again
    yield " ".join(names)
    with closing(sqlite3.connect(theirs)) as file:
        tables = file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        for (table,) in sorted(tables.fetchall()):
            (count,) = file.execute(f'SELECT count(*) FROM "{table}"').fetchone()
            if not re.search("_(node|parent|rowid)$", table):
                yield f"{table}: {count}"
        for table, columns in TOLD.items():
            rows = file.execute(f"SELECT {columns} FROM {table}")
            yield from sorted(f"{table}: {' | '.join(map(str, row))}" for row in rows)
    with closing(sqlite3.connect(theirs)) as file, file:
        file.execute("DELETE FROM gpkg_metadata_reference")
    yield said("build", "yard/bare.toml", "--out", "more", "--into", theirs).strip()


TOLD = {
    "gpkg_contents": "table_name, data_type, identifier, srs_id",
    "gpkg_extensions": "table_name, column_name, extension_name, scope",
    "gpkg_metadata": "md_scope, md_standard_uri, mime_type",
    "gpkg_metadata_reference": "reference_scope, table_name, md_file_id",
}
THEIRS = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY,
    organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL,
    description TEXT);
INSERT INTO gpkg_spatial_ref_sys VALUES ('Undefined', -1, 'NONE', -1, 'undefined', ''),
    ('Undefined', 0, 'NONE', 0, 'undefined', ''), ('WGS 84', 4326, 'EPSG', 4326, 'GEOGCS[...]', '');
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL,
    identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT '',
    min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER);
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
    geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL,
    m TINYINT NOT NULL, CONSTRAINT pk PRIMARY KEY (table_name, column_name));
CREATE TABLE trees (fid INTEGER PRIMARY KEY, kind TEXT);
INSERT INTO trees VALUES (1, 'lime');
INSERT INTO gpkg_contents VALUES ('trees', 'attributes', 'Trees', '', '', 0, 0, 0, 0, 0);
PRAGMA application_id = 1196444487;
"""
