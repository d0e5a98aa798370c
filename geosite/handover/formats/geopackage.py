"""GeoPackage (OGC 12-128, version 1.3): layers and tables, described so that nobody has to ask.

fiona makes the file, its CRS and one layer. The tables are made after the pattern of that layer and
filled with sqlite3, which also adds what fiona has no words for: true curves, column descriptions,
units and value lists (schema extension), ISO metadata (metadata extension) and styles. The same
package gives the same bytes.
"""

from __future__ import annotations

import math
import re
import sqlite3
import struct
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from geosite.base.columns import Field
from geosite.handover.formats.geotiff import drop_foreign_proj, with_coverages
from geosite.handover.formats.record_columns import column_of, numbers, of_each
from geosite.handover.formats.wkb import Encoded, encode, encode_curves
from geosite.handover.model import NODATA, Layer, Package, Raster, Table
from geosite.handover.wording.titles import column_titles

__all__ = ["write_geopackage"]

_SQL_TYPE = {"text": "TEXT", "real": "REAL", "integer": "INTEGER"}
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec120/#extension_schema"
_GEOMETRY_EXTENSION = "http://www.geopackage.org/spec120/#extension_geometry_types"
_METADATA_EXTENSION = "http://www.geopackage.org/spec120/#extension_metadata"


def write_geopackage(
    path: Path,
    package: Package,
    *,
    curves: bool = False,
    coverages: bool = False,
    metadata: str = "",
    styles: Mapping[str, str] | None = None,
    native_styles: Mapping[str, str] | None = None,
) -> None:
    """Write the package's layers and tables into a new GeoPackage.

    Parameters
    ----------
    path
        A file that does not exist yet.
    package
        Layers are written as features, tables as attributes.
    curves
        Add ``curve_areas`` and ``curve_lines``: the drawing with true arcs.
    coverages
        Add the rasters as gridded coverages.
    metadata
        ISO 19139 record of the whole file, XML; empty for none.
    styles
        SLD document by layer or raster name.
    native_styles
        The same in the open GIS desktop's own format.

    Raises
    ------
    OSError
        The file cannot be written; further errors of fiona, rasterio and sqlite3 mean the same.
        `geosite.handover.folder.staging.staged` turns them all into one line and reads back.
    """
    drop_foreign_proj()
    import fiona
    from fiona.io import MemoryFile

    moment = timestamp(package.date)
    sources: list[Layer | Table] = [*package.layers, *package.tables]
    shapes = [encode(source) if isinstance(source, Layer) else None for source in sources]
    if curves:
        for layer, outlines in encode_curves(package):
            sources.append(layer)
            shapes.append(outlines)
    # made in memory: the library passes over what a disk does not take, Python and SQLite do not
    with fiona.Env(OGR_CURRENT_DATE=moment), MemoryFile(ext=".gpkg") as memory:
        memory.open(
            driver="GPKG",
            layer=_PATTERN,
            crs_wkt=package.frame.crs_wkt,
            schema={"geometry": "Point", "properties": {"x": "str"}},
            VERSION="1.3",
        ).close()
        content = bytes(memory.getbuffer())
    path.write_bytes(with_coverages(content, package, moment) if coverages else content)
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        # the folder is flushed as a whole before it is swapped in
        file.execute("PRAGMA synchronous=OFF")
        file.execute("PRAGMA journal_mode=MEMORY")
        file.execute("PRAGMA cache_size=-65536")  # KiB: large layers stay out of the disk
        file.execute("BEGIN")
        pattern = _take_pattern(file)
        for source, encoded in zip(sources, shapes, strict=True):
            pattern.write(source, encoded, moment)
        _describe_columns(file, sources)
        if coverages and package.rasters:
            # rasterio tells the tiles about nodata, but not the coverage
            file.execute("UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = ?", (NODATA,))
        if metadata:
            _add_metadata(file, metadata, moment)
        if styles:
            rasters = package.rasters if coverages else ()
            drawn: list[Layer | Raster | Table] = [*package.layers, *rasters, *package.tables]
            _add_styles(file, drawn, styles, native_styles or {}, moment)
        file.execute("COMMIT")
        # drops what the writing left in free pages: the bytes depend on the content alone
        file.execute("VACUUM")
        file.execute("PRAGMA journal_mode=DELETE")


def timestamp(date: str) -> str:
    """Return the moment that stands in the files: the day of the survey, so that bytes repeat."""
    day = date[:10] if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", date) else "1970-01-01"
    return f"{day}T00:00:00.000Z"


# the one layer that fiona makes; the others are made after its pattern and it goes
_PATTERN = "geosite_pattern"


def _take_pattern(file: sqlite3.Connection) -> _Pattern:
    """Read how fiona made its layer, and remove the layer."""
    ((index,),) = file.execute(
        "SELECT sql FROM sqlite_master WHERE name = ?", (f"rtree_{_PATTERN}_geom",)
    )
    triggers = file.execute(
        "SELECT sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (_PATTERN,)
    ).fetchall()
    ((srs_id,),) = file.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (_PATTERN,)
    )
    ((extension,),) = file.execute(
        "SELECT definition FROM gpkg_extensions WHERE table_name = ?", (_PATTERN,)
    )
    file.execute(f"DROP TABLE rtree_{_PATTERN}_geom")
    file.execute(f"DROP TABLE {_PATTERN}")
    for table in (
        "gpkg_extensions",
        "gpkg_geometry_columns",
        "gpkg_ogr_contents",
        "gpkg_contents",
    ):
        file.execute(f"DELETE FROM {table} WHERE table_name = ?", (_PATTERN,))
    return _Pattern(file, srs_id, extension, index, tuple(sql for (sql,) in triggers))


@dataclass(frozen=True, slots=True)
class _Pattern:
    """A layer as fiona makes it, to make more of; fiona reads all layers again for every one.

    Parameters
    ----------
    file
        The GeoPackage.
    srs_id
        Of the map CRS in it.
    extension
        Definition of the spatial index in ``gpkg_extensions``.
    index, triggers
        SQL of the spatial index, and of the triggers that keep it and the feature count right
        when somebody edits the file.
    """

    file: sqlite3.Connection
    srs_id: int
    extension: str
    index: str
    triggers: tuple[str, ...]

    def write(self, source: Layer | Table, encoded: Encoded | None, moment: str) -> None:
        """Make a table, fill it, and register it."""
        if not _NAME.fullmatch(source.name):
            raise ValueError(f"{source.name!r} is no name for a table")
        columns: dict[str, Iterable[Any]] = {
            field.name: _values(field, column_of(source.records, field.name))
            for field in source.fields
        }
        types = {field.name: _SQL_TYPE[field.type] for field in source.fields}
        extent: list[float | None] = [None] * 4
        if isinstance(source, Layer) and encoded is not None:
            columns = {"geom": _blobs(encoded, self.srs_id), **columns}
            types = {"geom": _geometry_type(source), **types}
            if len(encoded.bounds):
                low, high = encoded.bounds[:, :2].min(axis=0), encoded.bounds[:, 2:].max(axis=0)
                extent = [*low.tolist(), *high.tolist()]
        made = "".join(f", {_quoted(name)} {kind}" for name, kind in types.items())
        self.file.execute(
            f"CREATE TABLE {_quoted(source.name)} "
            f'("fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL{made})'
        )
        if columns:
            self.file.executemany(
                f"INSERT INTO {_quoted(source.name)} ({', '.join(map(_quoted, columns))}) "
                f"VALUES ({', '.join('?' * len(columns))})",
                zip(*columns.values(), strict=True),
            )
        kind, srs_id = ("attributes", 0) if encoded is None else ("features", self.srs_id)
        # two things may have one title, but not one identifier
        self.file.execute(
            "INSERT INTO gpkg_contents SELECT ?1, ?2, CASE WHEN EXISTS (SELECT 1 FROM "
            "gpkg_contents WHERE identifier = ?3) THEN ?3 || ' (' || ?1 || ')' ELSE ?3 END, "
            "?4, ?5, ?6, ?7, ?8, ?9, ?10",
            (source.name, kind, source.title, source.description, moment, *extent, srs_id),
        )
        self.file.execute(
            "INSERT INTO gpkg_ogr_contents VALUES (?, ?)", (source.name, len(source.records))
        )
        if isinstance(source, Layer) and encoded is not None:
            self._index(source, encoded)
        for trigger in self.triggers:
            # a table without geometry has a count to keep, but no index
            if encoded is not None or "rtree" not in trigger:
                self.file.execute(trigger.replace(_PATTERN, source.name))

    def _index(self, layer: Layer, encoded: Encoded) -> None:
        """Register the geometry column and fill its spatial index."""
        # 2, Z allowed, for mixed types: readers have no code for a mixed type with Z
        z = 2 if "Unknown" in layer.geometry_type else int(layer.geometry_type.endswith("Z"))
        self.file.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, ?, 0)",
            (layer.name, _geometry_type(layer), self.srs_id, z),
        )
        self.file.execute(
            "INSERT INTO gpkg_extensions VALUES (?, 'geom', 'gpkg_rtree_index', ?, 'write-only')",
            (layer.name, self.extension),
        )
        for kind in encoded.curved:
            _extend(self.file, layer.name, f"gpkg_geom_{kind}", _GEOMETRY_EXTENSION, "geom")
        self.file.execute(self.index.replace(_PATTERN, layer.name))
        self.file.executemany(
            f"INSERT INTO {_quoted(f'rtree_{layer.name}_geom')} VALUES (?, ?, ?, ?, ?)",
            (
                (fid, west, east, south, north)
                for fid, (west, south, east, north) in enumerate(encoded.bounds.tolist(), start=1)
            ),
        )


_NAME = re.compile(r"[A-Za-z]\w*", re.ASCII)


def _geometry_type(layer: Layer) -> str:
    name = layer.geometry_type.removesuffix("Z").upper()
    return "GEOMETRY" if name == "UNKNOWN" else name


# OGC 12-128, clause 2.1.3: magic, version 0, flags (envelope of two axes, little-endian), srs_id,
# envelope west, east, south, north; then the WKB
_HEADER = struct.Struct("<2sBBi4d")
_FLAGS = 0b0000_0011


def _blobs(encoded: Encoded, srs_id: int) -> Iterable[bytes]:
    for wkb, (west, south, east, north) in zip(encoded.wkb, encoded.bounds.tolist(), strict=True):
        yield _HEADER.pack(b"GP", 0, _FLAGS, srs_id, west, east, south, north) + wkb


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _values(field: Field, values: Sequence[Any]) -> Iterable[Any]:
    """Return a column's values as they are stored."""
    found = numbers(values) if field.type == "real" else None
    return of_each(values, partial(_value, field)) if found is None else found


def _value(field: Field, value: Any) -> Any:
    """Return the value in the column's type; NaN and infinity, which no column means, as null."""
    if value is None:
        return None
    if field.type == "real":
        number = float(value)
        return number if math.isfinite(number) else None
    if field.type == "integer":
        return int(value)
    # for many readers text ends at NUL; a lone surrogate has no UTF-8
    return str(value).replace("\0", "").encode("utf-8", "replace").decode("utf-8")


def _extend(
    file: sqlite3.Connection,
    table: str,
    extension: str,
    definition: str,
    column: str | None = None,
) -> None:
    file.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, "
        "extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    file.execute(
        "INSERT INTO gpkg_extensions VALUES (?, ?, ?, ?, 'read-write')",
        (table, column, extension, definition),
    )


def _describe_columns(file: sqlite3.Connection, sources: Sequence[Layer | Table]) -> None:
    """Write descriptions, units and value lists (OGC 12-128, annex F.9)."""
    file.execute(
        "CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, "
        "name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT, "
        "CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), "
        "CONSTRAINT gdc_tn UNIQUE (table_name, name))"
    )
    file.execute(
        "CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL, "
        "constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, "
        "max NUMERIC, max_is_inclusive BOOLEAN, description TEXT, "
        "CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))"
    )
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        _extend(file, table, "gpkg_schema", _SCHEMA_EXTENSION)
    for source in sources:
        titles = column_titles(source.fields)
        for field in source.fields:
            constraint = None
            if field.values:
                constraint = f"{source.name}_{field.name}".lower()
                met = {
                    str(record.get(field.name)): ""
                    for record in source.records
                    if record.get(field.name) is not None
                }
                file.executemany(
                    "INSERT INTO gpkg_data_column_constraints "
                    "(constraint_name, constraint_type, value, description) "
                    "VALUES (?, 'enum', ?, ?)",
                    [(constraint, *pair) for pair in {**met, **field.values}.items()],
                )
            # readers show the column "name", not the title
            title = titles[field.name]
            file.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (
                    source.name,
                    field.name,
                    title,
                    title,
                    field.description + (f" Unit: {field.unit}." if field.unit else ""),
                    constraint,
                ),
            )


def _add_metadata(file: sqlite3.Connection, metadata: str, moment: str) -> None:
    """Store the ISO record of the whole file (OGC 12-128, annex F.8)."""
    file.execute(
        "CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, "
        "md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL, "
        "mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '')"
    )
    file.execute(
        "CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT, "
        "column_name TEXT, row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT "
        "(strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL, "
        "md_parent_id INTEGER, "
        "CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id), "
        "CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id))"
    )
    for table in ("gpkg_metadata", "gpkg_metadata_reference"):
        _extend(file, table, "gpkg_metadata", _METADATA_EXTENSION)
    file.execute(
        "INSERT INTO gpkg_metadata VALUES "
        "(1, 'dataset', 'http://www.isotc211.org/2005/gmd', 'text/xml', ?)",
        (metadata,),
    )
    file.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)",
        (moment,),
    )


def _add_styles(
    file: sqlite3.Connection,
    drawn: Sequence[Layer | Raster | Table],
    styles: Mapping[str, str],
    native_styles: Mapping[str, str],
    moment: str,
) -> None:
    """Store the look of each layer in the table that open desktop readers look for.

    Of a table that is the titles of its columns, which the desktop reads from nowhere else.

    The table is registered as attributes: readers hide a table that is not.
    """
    file.execute(
        "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "
        "f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256), "
        "f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT, "
        "useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), "
        "update_time DATETIME)"
    )
    file.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
        "update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', ?)",
        [
            (
                item.name,
                "geom" if isinstance(item, Layer) else "",
                item.name[:30],
                native_styles.get(item.name),
                styles.get(item.name),
                item.title,
                moment,
            )
            for item in drawn
            if item.name in styles or item.name in native_styles
        ],
    )
    file.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Looks of the layers', ?)",
        (moment,),
    )
    file.execute("INSERT INTO gpkg_ogr_contents SELECT 'layer_styles', COUNT(*) FROM layer_styles")
