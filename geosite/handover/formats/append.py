"""Putting the layers of a hand-over into a GeoPackage that somebody else keeps.

The work is done on a copy that takes the file's place in one step when all is well: his layers are
never touched, and a run that fails leaves the file as it was. Our layers are called ``site_...``
and registered as ours, so that the next run replaces them and nothing else.
"""

from __future__ import annotations

import os
import sqlite3
import struct
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

from geosite.base.errors import OutputRefused, Problem

__all__ = ["PREFIX", "append_layers", "check_appendable"]

PREFIX = "site_"
"""How the names of the added layers begin."""
_OURS = "urn:geosite:layer"
"""Standard of the metadata record that every layer of ours refers to (OGC 12-128, annex F.8)."""
_SUFFIXES = ("-wal", "-journal")
_IDS = (b"GPKG", b"GP10", b"GP11")


def check_appendable(target: Path) -> None:
    """Refuse a file that layers cannot be added to, before anything is computed.

    Raises
    ------
    OutputRefused
        It is not there, no GeoPackage, open in another program, or has layers of our names that
        are not ours.
    """
    _check_file(target)
    try:
        with closing(_opened(target)) as file:
            _check_tables(target, file)
    except sqlite3.Error as error:
        raise _refused(target, f"cannot be read ({error})", "a whole GeoPackage") from error


def append_layers(source: Path, target: Path) -> tuple[str, ...]:
    """Add the layers of the GeoPackage `source`, which geosite wrote, to `target`.

    Returns
    -------
    tuple of str
        Names of the layers in `target`.

    Raises
    ------
    OutputRefused
        As `check_appendable`; or the file cannot be written. It is as it was.
    """
    _check_file(target)
    place = Path(os.path.realpath(target))
    beside: str | None = None
    try:
        handle, beside = tempfile.mkstemp(prefix=".geosite-", suffix=".gpkg", dir=place.parent)
        os.close(handle)
        with closing(sqlite3.connect(beside, isolation_level=None)) as file:
            with closing(_opened(place)) as before:
                before.backup(file)
            file.execute("PRAGMA journal_mode=DELETE")
            _check_tables(target, file)
            file.execute("ATTACH ? AS ours", (str(source),))
            file.execute("BEGIN")
            names = tuple(_Copy(file).layers())
            file.execute("COMMIT")
            (verdict,) = file.execute("PRAGMA main.integrity_check").fetchone()
            if verdict != "ok":
                raise OSError(f"damaged on writing: {verdict}")
        with open(beside, "r+b") as whole:  # Windows flushes only what may be written
            os.fsync(whole.fileno())
        os.chmod(beside, os.stat(place).st_mode & 0o7777)
        _check_file(target)  # nobody opened it in the meantime
        os.replace(beside, place)
        beside = None
    except (sqlite3.Error, OSError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refused(
            target,
            f"cannot be written ({reason}), nothing was changed",
            "a file that can be written",
        ) from error
    finally:
        if beside is not None:
            for ending in ("", *_SUFFIXES):
                with suppress(OSError):
                    os.unlink(beside + ending)
    return names


def _opened(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)


def _refused(target: Path, what: str, expected: str, remedy: str = "") -> OutputRefused:
    remedy = remedy or "name another file with --into"
    return OutputRefused(Problem("not-appendable", what, expected, remedy, file=str(target)))


def _check_file(target: Path) -> None:
    if not target.is_file():
        raise _refused(
            target, "is not there", "a GeoPackage to add layers to", "check the name and the folder"
        )
    head = b""
    with suppress(OSError), target.open("rb") as stream:
        head = stream.read(100)
    if head[:16] != b"SQLite format 3\0" or head[68:72] not in (*_IDS, b"\0\0\0\0"):
        raise _refused(target, "is no GeoPackage", "a GeoPackage to add layers to")
    place = os.path.realpath(target)
    busy = [place + end for end in _SUFFIXES if os.path.exists(place + end)]
    if any(os.path.getsize(path) for path in busy):
        raise _refused(
            target,
            "is open in another program, or was not closed by it",
            "a file that nobody is working in",
            "save and close it there, then run again",
        )


def _check_tables(target: Path, file: sqlite3.Connection) -> None:
    tables = {name for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type='table'")}
    needed = {"gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys"}
    if not needed <= tables:
        missing = ", ".join(sorted(needed - tables))
        raise _refused(target, f"has no {missing}", "a GeoPackage to add layers to")
    ours = _registered(file, tables)
    others = sorted(name for name in tables if name.startswith(PREFIX) and name not in ours)
    if others:
        raise _refused(
            target,
            f"has {', '.join(others[:5])}, which geosite did not add and would replace",
            f"no layers of others whose names begin with {PREFIX}",
            "rename them, or name another file with --into",
        )


def _registered(file: sqlite3.Connection, tables: set[str]) -> set[str]:
    """Return the layers that an earlier run added."""
    if not {"gpkg_metadata", "gpkg_metadata_reference"} <= tables:
        return set()
    rows = file.execute(
        "SELECT r.table_name FROM gpkg_metadata_reference r JOIN gpkg_metadata m "
        "ON m.id = r.md_file_id WHERE m.md_standard_uri = ? AND r.table_name IS NOT NULL",
        (_OURS,),
    )
    return {name for (name,) in rows}


class _Copy:
    """One transaction from ``ours``, attached, into ``main``."""

    def __init__(self, file: sqlite3.Connection) -> None:
        self.file = file
        self.tables = {
            name
            for (name,) in file.execute("SELECT name FROM main.sqlite_master WHERE type='table'")
        }
        self.referred: set[int] = set()

    def layers(self) -> Iterator[str]:
        """Replace what an earlier run added; yield the name of each layer."""
        for name in sorted(_registered(self.file, self.tables)):
            self.remove(name)
        self.forget()
        for table in (
            "gpkg_extensions",
            "gpkg_ogr_contents",
            "gpkg_data_columns",
            "gpkg_data_column_constraints",
            "layer_styles",
            "gpkg_metadata",
            "gpkg_metadata_reference",
        ):
            self.make(table)
        records = self.records()
        rows = self.file.execute(
            "SELECT c.table_name, g.srs_id FROM ours.gpkg_contents c "
            "JOIN ours.gpkg_geometry_columns g USING (table_name) WHERE c.data_type = 'features' "
            "ORDER BY c.rowid"
        ).fetchall()
        for name, srs_id in rows:
            self.layer(name, self.system(srs_id))
            self.file.executemany(
                "INSERT INTO main.gpkg_metadata_reference VALUES ('table', ?, NULL, NULL, "
                "(SELECT last_change FROM main.gpkg_contents WHERE table_name = ?), ?, NULL)",
                [(PREFIX + name, PREFIX + name, record) for record in records],
            )
            yield PREFIX + name

    def records(self) -> list[int]:
        """Add how the layers were measured, and the mark that they are ours; return the ids."""
        mark = "Layers that geosite added; its next run replaces them."
        rows = [
            ("dataset", _OURS, "text/plain", mark),
            *self.file.execute(
                "SELECT md_scope, md_standard_uri, mime_type, metadata FROM ours.gpkg_metadata"
            ),
        ]
        made = []
        for row in rows:
            insert = (
                "INSERT INTO main.gpkg_metadata (id, md_scope, md_standard_uri, mime_type, "
                "metadata) SELECT COALESCE(MAX(id), 0) + 1, ?, ?, ?, ? FROM main.gpkg_metadata"
            )
            made.append(int(self.file.execute(insert, row).lastrowid or 0))
        return made

    def forget(self) -> None:
        """Take away the records that only layers of an earlier run referred to."""
        if "gpkg_metadata" not in self.tables:
            return
        self.file.executemany(
            "DELETE FROM main.gpkg_metadata WHERE id = ? AND id NOT IN "
            "(SELECT md_file_id FROM main.gpkg_metadata_reference)",
            [(record,) for record in sorted(self.referred)],
        )

    def make(self, table: str) -> None:
        """Make a table of the standard that the file lacks, and register it where it must be."""
        if table in self.tables:
            return
        row = self.file.execute(
            "SELECT sql FROM ours.sqlite_master WHERE type='table' AND name = ?", (table,)
        ).fetchone()
        if row is None:
            return
        self.file.execute(row[0])
        self.tables.add(table)
        if table == "layer_styles":
            self.file.execute(
                "INSERT INTO main.gpkg_contents (table_name, data_type, identifier, description, "
                "last_change) SELECT table_name, data_type, identifier, description, last_change "
                "FROM ours.gpkg_contents WHERE table_name = 'layer_styles'"
            )
        self.file.execute(
            "INSERT INTO main.gpkg_extensions SELECT * FROM ours.gpkg_extensions "
            "WHERE table_name = ? AND column_name IS NULL",
            (table,),
        )

    def system(self, srs_id: int) -> int:
        """Return the number of our CRS in his file, added where it is not there."""
        name, organisation, code, definition, about = self.file.execute(
            "SELECT srs_name, organization, organization_coordsys_id, definition, description "
            "FROM ours.gpkg_spatial_ref_sys WHERE srs_id = ?",
            (srs_id,),
        ).fetchone()
        same = "lower(organization) = lower(?) AND organization_coordsys_id = ?"
        keys: tuple[object, ...] = (organisation, code)
        if organisation.upper() == "NONE":
            same, keys = "definition = ?", (definition,)
        found = self.file.execute(
            f"SELECT srs_id FROM main.gpkg_spatial_ref_sys WHERE {same}", keys
        ).fetchone()
        if found is not None:
            return int(found[0])
        (taken,) = self.file.execute(
            "SELECT COUNT(*) FROM main.gpkg_spatial_ref_sys WHERE srs_id = ?", (srs_id,)
        ).fetchone()
        if taken:
            (srs_id,) = self.file.execute(
                "SELECT MAX(100000, MAX(srs_id)) + 1 FROM main.gpkg_spatial_ref_sys"
            ).fetchone()
        self.file.execute(
            "INSERT INTO main.gpkg_spatial_ref_sys (srs_name, srs_id, organization, "
            "organization_coordsys_id, definition, description) VALUES (?, ?, ?, ?, ?, ?)",
            (name, srs_id, organisation, code, definition, about),
        )
        return srs_id

    def layer(self, name: str, srs_id: int) -> None:
        """Copy one layer with its index, descriptions and look."""
        new = PREFIX + name
        made = self.file.execute(
            "SELECT type, sql FROM ours.sqlite_master WHERE (type = 'table' AND name IN (?, ?)) "
            "OR (type = 'trigger' AND tbl_name = ?) ORDER BY type, rowid",
            (name, f"rtree_{name}_geom", name),
        ).fetchall()
        for kind, sql in made:
            if kind == "table":
                self.file.execute(_renamed(sql, name))
        columns = [row[1] for row in self.file.execute(f'PRAGMA ours.table_info("{name}")')]
        listed = ", ".join(f'"{column}"' for column in columns)
        self.file.create_function("in_system", 1, lambda blob: _in_system(blob, srs_id))
        taken = listed.replace('"geom"', 'in_system("geom")', 1)
        self.file.execute(
            f'INSERT INTO main."{new}" ({listed}) SELECT {taken} FROM ours."{name}" ORDER BY fid'
        )
        self.file.execute(
            f'INSERT INTO main."rtree_{new}_geom" SELECT * FROM ours."rtree_{name}_geom"'
        )
        self.register(name, new, srs_id)
        for kind, sql in made:
            if kind == "trigger":
                self.file.execute(_renamed(sql, name))

    def register(self, name: str, new: str, srs_id: int) -> None:
        """Enter a copied layer into the tables of the standard."""
        run = self.file.execute
        run(
            "INSERT INTO main.gpkg_contents SELECT ?1, data_type, "
            "CASE WHEN EXISTS (SELECT 1 FROM main.gpkg_contents m WHERE m.identifier = "
            "c.identifier) THEN c.identifier || ' (' || ?1 || ')' ELSE c.identifier END, "
            "description, last_change, min_x, min_y, max_x, max_y, ?2 "
            "FROM ours.gpkg_contents c WHERE table_name = ?3",
            (new, srs_id, name),
        )
        run(
            "INSERT INTO main.gpkg_geometry_columns SELECT ?, column_name, geometry_type_name, ?, "
            "z, m FROM ours.gpkg_geometry_columns WHERE table_name = ?",
            (new, srs_id, name),
        )
        run(
            "INSERT INTO main.gpkg_extensions SELECT ?, column_name, extension_name, definition, "
            "scope FROM ours.gpkg_extensions WHERE table_name = ?",
            (new, name),
        )
        run(
            "INSERT INTO main.gpkg_ogr_contents SELECT ?, feature_count "
            "FROM ours.gpkg_ogr_contents WHERE table_name = ?",
            (new, name),
        )
        run(
            "INSERT INTO main.gpkg_data_columns (table_name, column_name, name, title, "
            "description, constraint_name) SELECT ?1, column_name, name, title, description, "
            "CASE WHEN constraint_name IS NOT NULL THEN ?2 || constraint_name END "
            "FROM ours.gpkg_data_columns WHERE table_name = ?3",
            (new, PREFIX, name),
        )
        run(
            "INSERT INTO main.gpkg_data_column_constraints (constraint_name, constraint_type, "
            "value, description) SELECT ?1 || constraint_name, constraint_type, value, description "
            "FROM ours.gpkg_data_column_constraints WHERE constraint_name IN "
            "(SELECT constraint_name FROM ours.gpkg_data_columns WHERE table_name = ?2)",
            (PREFIX, name),
        )
        if "layer_styles" in self.tables:
            run(
                "INSERT INTO main.layer_styles (f_table_catalog, f_table_schema, f_table_name, "
                "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, "
                "owner, update_time) SELECT f_table_catalog, f_table_schema, ?, f_geometry_column, "
                "styleName, styleQML, styleSLD, useAsDefault, description, owner, update_time "
                "FROM ours.layer_styles WHERE f_table_name = ?",
                (new, name),
            )

    def remove(self, name: str) -> None:
        """Take away a layer that an earlier run added."""
        run = self.file.execute
        constraints = (
            "SELECT constraint_name FROM main.gpkg_data_columns WHERE table_name = ? "
            "AND constraint_name IS NOT NULL"
        )
        if "gpkg_data_columns" in self.tables:
            run(
                "DELETE FROM main.gpkg_data_column_constraints "
                f"WHERE constraint_name IN ({constraints})",
                (name,),
            )
        for table in (
            "gpkg_data_columns",
            "gpkg_extensions",
            "gpkg_ogr_contents",
            "gpkg_geometry_columns",
            "gpkg_contents",
        ):
            if table in self.tables:
                run(f"DELETE FROM main.{table} WHERE table_name = ?", (name,))
        if "gpkg_metadata_reference" in self.tables:
            where = "FROM main.gpkg_metadata_reference WHERE table_name = ?"
            self.referred |= {row for (row,) in run(f"SELECT md_file_id {where}", (name,))}
            run(f"DELETE {where}", (name,))
        if "layer_styles" in self.tables:
            run("DELETE FROM main.layer_styles WHERE f_table_name = ?", (name,))
        run(f'DROP TABLE IF EXISTS main."rtree_{name}_geom"')
        run(f'DROP TABLE IF EXISTS main."{name}"')


def _renamed(sql: str, name: str) -> str:
    """Return the SQL of a table, its index or its triggers for the new name."""
    for before, after in (("rtree_", "_geom"), ("feature_count_", '"')):
        sql = sql.replace(f"{before}{name}{after}", f"{before}{PREFIX}{name}{after}")
    sql = sql.replace(f'"{name}"', f'"{PREFIX}{name}"')
    return sql.replace(f"lower('{name}')", f"lower('{PREFIX}{name}')")


def _in_system(blob: bytes | None, srs_id: int) -> bytes | None:
    """Return a geometry with another CRS number in its header (OGC 12-128, clause 2.1.3)."""
    if blob is None:
        return None
    order = "<" if blob[3] & 1 else ">"
    return blob[:4] + struct.pack(f"{order}i", srs_id) + blob[8:]
