"""GeoPackage (OGC 12-128, version 1.2): layers and tables, described so that nobody has to ask.

fiona makes the file, its tables, CRS and spatial indexes; the rows and what fiona has no words for
are added with sqlite3: true curves, column descriptions, units and value lists (schema extension),
ISO metadata (metadata extension) and styles. The same package gives the same bytes.
"""

from __future__ import annotations

import math
import re
import sqlite3
import struct
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from geosite.handover.geotiff import drop_foreign_proj, write_coverages
from geosite.handover.model import NODATA, Field, Layer, Package, Raster, Table
from geosite.handover.wkb import Encoded, encode, encode_curves

__all__ = ["write_geopackage"]

_FIONA_TYPE = {"text": "str", "real": "float", "integer": "int64"}
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
) -> None:
    """Write the package's layers and tables into a new GeoPackage.

    Parameters
    ----------
    path
        A file that does not exist yet.
    package
        Layers are written as features, tables as attributes.
    curves
        Add the layer ``curves``: the drawing with true arcs.
    coverages
        Add the rasters as gridded coverages.
    metadata
        ISO 19139 record of the whole file, XML; empty for none.
    styles
        SLD document by layer or raster name.

    Raises
    ------
    OSError
        The file does not come out whole; further errors of fiona, rasterio and sqlite3 mean the
        same, `geosite.handover.folder.staged` turns them all into one line.
    """
    drop_foreign_proj()
    import fiona

    moment = timestamp(package.date)
    sources: list[Layer | Table] = [*package.layers, *package.tables]
    shapes = [encode(source) if isinstance(source, Layer) else None for source in sources]
    if curves:
        layer, outlines = encode_curves(package)
        sources.append(layer)
        shapes.append(outlines)
    with fiona.Env(
        OGR_CURRENT_DATE=moment,
        # the folder is flushed as a whole before it is swapped in
        OGR_SQLITE_SYNCHRONOUS="OFF",
        OGR_SQLITE_JOURNAL="MEMORY",
    ):
        for source in sources:
            _create(path, source, package.frame.crs_wkt)
    if coverages:
        write_coverages(path, package, moment)
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("PRAGMA synchronous=OFF")
        file.execute("PRAGMA journal_mode=MEMORY")
        file.execute("PRAGMA cache_size=-65536")  # KiB: large layers stay out of the disk
        file.execute("BEGIN")
        for source, encoded in zip(sources, shapes, strict=True):
            _fill(file, source, encoded)
        _describe_columns(file, sources)
        if coverages and package.rasters:
            # rasterio tells the tiles about nodata, but not the coverage
            file.execute("UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = ?", (NODATA,))
        if metadata:
            _add_metadata(file, metadata, moment)
        if styles:
            drawn: list[Layer | Raster] = [*package.layers, *(package.rasters if coverages else ())]
            _add_styles(file, drawn, styles, moment)
        file.execute("COMMIT")
        # drops what the writing left in free pages: the bytes depend on the content alone
        file.execute("VACUUM")
        file.execute("PRAGMA journal_mode=DELETE")
        (verdict,) = file.execute("PRAGMA integrity_check").fetchone()
        if verdict != "ok":
            raise OSError(f"GeoPackage damaged on writing: {verdict}")


def timestamp(date: str) -> str:
    """Return the moment that stands in the files: the day of the survey, so that bytes repeat."""
    day = date[:10] if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", date) else "1970-01-01"
    return f"{day}T00:00:00.000Z"


def _create(path: Path, source: Layer | Table, crs_wkt: str) -> None:
    """Let fiona make the table, its CRS, spatial index and registration."""
    import fiona

    geometry = "None"
    options = {"IDENTIFIER": source.title, "DESCRIPTION": source.description}
    if isinstance(source, Layer):
        flat = source.geometry_type.removesuffix("Z")
        # fiona has no mixed layer with Z: made without, it is told apart when it is filled
        geometry = flat if flat in (source.geometry_type, "Unknown") else f"3D {flat}"
        options["crs_wkt"] = crs_wkt
    columns = {field.name: _FIONA_TYPE[field.type] for field in source.fields}
    schema = {"geometry": geometry, "properties": columns}
    with fiona.open(
        path, "w", driver="GPKG", layer=source.name, schema=schema, VERSION="1.2", **options
    ):
        pass


def _fill(file: sqlite3.Connection, source: Layer | Table, encoded: Encoded | None) -> None:
    """Insert all rows at once; fiona's 0.2 ms per feature are 20 s for 100,000 observations.

    The triggers that fiona made keep spatial index and count right when somebody edits the file.
    They rest meanwhile, because row by row they take longer than all the rest.
    """
    columns: dict[str, Iterable[Any]] = {
        field.name: [_value(field, record.get(field.name)) for record in source.records]
        for field in source.fields
    }
    triggers = file.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?",
        (source.name,),
    ).fetchall()
    for name, _ in triggers:
        file.execute(f"DROP TRIGGER {_quoted(name)}")
    if encoded is not None:
        columns = {**_fill_geometry(file, source.name, encoded), **columns}
    file.executemany(
        f"INSERT INTO {_quoted(source.name)} ({', '.join(map(_quoted, columns))}) "
        f"VALUES ({', '.join('?' * len(columns))})",
        zip(*columns.values(), strict=True),
    )
    file.execute(
        "UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?",
        (len(source.records), source.name),
    )
    for _, sql in triggers:
        file.execute(sql)


def _fill_geometry(
    file: sqlite3.Connection, table: str, encoded: Encoded
) -> dict[str, Iterable[bytes]]:
    """Write spatial index, extent and geometry types of a table; return its geometry column."""
    ((column, srs_id),) = file.execute(
        "SELECT column_name, srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (table,)
    )
    if encoded.curved:
        file.execute("UPDATE gpkg_geometry_columns SET z = 2 WHERE table_name = ?", (table,))
    for kind in encoded.curved:
        _extend(file, table, f"gpkg_geom_{kind}", _GEOMETRY_EXTENSION, column)
    if len(encoded.bounds):
        west, south = encoded.bounds[:, :2].min(axis=0).tolist()
        east, north = encoded.bounds[:, 2:].max(axis=0).tolist()
        file.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
            "WHERE table_name = ?",
            (west, south, east, north, table),
        )
    file.executemany(
        f"INSERT INTO {_quoted(f'rtree_{table}_{column}')} VALUES (?, ?, ?, ?, ?)",
        (
            (fid, west, east, south, north)
            for fid, (west, south, east, north) in enumerate(encoded.bounds.tolist(), start=1)
        ),
    )
    return {column: _blobs(encoded, srs_id)}


# OGC 12-128, clause 2.1.3: magic, version 0, flags (envelope of two axes, little-endian), srs_id,
# envelope west, east, south, north; then the WKB
_HEADER = struct.Struct("<2sBBi4d")
_FLAGS = 0b0000_0011


def _blobs(encoded: Encoded, srs_id: int) -> Iterable[bytes]:
    for wkb, (west, south, east, north) in zip(encoded.wkb, encoded.bounds.tolist(), strict=True):
        yield _HEADER.pack(b"GP", 0, _FLAGS, srs_id, west, east, south, north) + wkb


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


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
            unit = f" [{field.unit}]" if field.unit else ""
            file.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (
                    source.name,
                    field.name,
                    field.name,
                    _column_title(field) + unit,
                    field.description + (f" Unit: {field.unit}." if field.unit else ""),
                    constraint,
                ),
            )


def _column_title(field: Field) -> str:
    """Return the column name in words: ``net_area_m2`` becomes ``Net area``."""
    words = field.name.split("_")
    if len(words) > 1 and words[-1] in {"m", "m2", "m3", "deg", "percent", "ppm"}:
        words.pop()
    return " ".join(words).capitalize()


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
    drawn: Sequence[Layer | Raster],
    styles: Mapping[str, str],
    moment: str,
) -> None:
    """Store the SLD of each layer in the table that open desktop readers look for."""
    file.execute(
        "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "
        "f_table_catalog TEXT, f_table_schema TEXT, f_table_name TEXT, f_geometry_column TEXT, "
        "styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, "
        "owner TEXT, ui TEXT, update_time DATETIME)"
    )
    file.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleSLD, useAsDefault, description, owner, update_time) "
        "VALUES ('', '', ?, ?, ?, ?, 1, ?, '', ?)",
        [
            (
                item.name,
                "geom" if isinstance(item, Layer) else "",
                item.title,
                styles[item.name],
                item.title,
                moment,
            )
            for item in drawn
            if item.name in styles
        ],
    )
