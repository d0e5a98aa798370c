"""GeoPackage (OGC 12-128, version 1.2): layers and tables, described so that nobody has to ask.

The features are written by fiona. What it has no words for is added afterwards with sqlite3:
column descriptions, units and value lists (schema extension), ISO metadata (metadata extension)
and styles. The same package gives the same bytes.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import shapely

from geosite.errors import OutputRefused, Problem
from geosite.handover.geotiff import drop_foreign_proj
from geosite.handover.model import Field, Layer, Package, Table

__all__ = ["write_geopackage"]

_FIONA_TYPE = {"text": "str", "real": "float", "integer": "int64"}
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec120/#extension_schema"
_METADATA_EXTENSION = "http://www.geopackage.org/spec120/#extension_metadata"


def write_geopackage(
    path: Path,
    package: Package,
    *,
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
    metadata
        ISO 19139 record of the whole file, XML; empty for none.
    styles
        SLD document by layer name.

    Raises
    ------
    OutputRefused
        The file does not come out whole, for instance because the disk is full.
    """
    drop_foreign_proj()
    import fiona
    from fiona.errors import FionaError

    moment = timestamp(package.date)
    try:
        with fiona.Env(
            OGR_CURRENT_DATE=moment,
            # the folder is flushed as a whole before it is swapped in
            OGR_SQLITE_SYNCHRONOUS="OFF",
            OGR_SQLITE_JOURNAL="MEMORY",
        ):
            for layer in package.layers:
                _write_layer(path, layer, package.frame.crs_wkt)
            for table in package.tables:
                _write_table(path, table)
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            _finish(file, package, moment, metadata, styles or {})
    except (FionaError, sqlite3.Error) as error:
        raise OutputRefused(
            Problem(
                "geopackage-not-written",
                f"cannot be written ({error})",
                "room and permission for the file",
                "free some space or choose another folder with --out",
                file=path.name,
            )
        ) from error


def timestamp(date: str) -> str:
    """Return the moment that stands in the files: the day of the survey, so that bytes repeat."""
    day = date[:10] if re.fullmatch(r"\d{4}-\d{2}-\d{2}.*", date) else "1970-01-01"
    return f"{day}T00:00:00.000Z"


def _write_layer(path: Path, layer: Layer, crs_wkt: str) -> None:
    import fiona

    kind = layer.geometry_type
    flat = kind.removesuffix("Z")
    columns = {field.name: _FIONA_TYPE[field.type] for field in layer.fields}
    with fiona.open(
        path,
        "w",
        driver="GPKG",
        layer=layer.name,
        crs_wkt=crs_wkt,
        schema={"geometry": f"3D {flat}" if kind != flat else flat, "properties": columns},
        VERSION="1.2",
        IDENTIFIER=layer.title,
        DESCRIPTION=layer.description,
    ) as file:
        file.writerecords(
            {"type": "Feature", "geometry": shape, "properties": properties}
            for shape, properties in zip(
                map(shapely.geometry.mapping, layer.geometries),
                _properties(layer.fields, layer.records),
                strict=True,
            )
        )


def _write_table(path: Path, table: Table) -> None:
    import fiona

    columns = {field.name: _FIONA_TYPE[field.type] for field in table.fields}
    with fiona.open(
        path,
        "w",
        driver="GPKG",
        layer=table.name,
        schema={"geometry": "None", "properties": columns},
        VERSION="1.2",
        IDENTIFIER=table.title,
    ) as file:
        file.writerecords(
            {"type": "Feature", "geometry": None, "properties": properties}
            for properties in _properties(table.fields, table.records)
        )


def _properties(
    fields: Sequence[Field], records: Iterable[Mapping[str, Any]]
) -> Iterable[dict[str, Any]]:
    for record in records:
        yield {field.name: _value(field, record.get(field.name)) for field in fields}


def _value(field: Field, value: Any) -> Any:
    """Return the value in the column's type; NaN and infinity, which no column means, as null."""
    if value is None:
        return None
    if field.type == "real":
        number = float(value)
        return number if abs(number) < float("inf") else None
    if field.type == "integer":
        return int(value)
    # SQLite text ends at NUL for many readers; a lone surrogate has no UTF-8
    return str(value).replace("\0", "").encode("utf-8", "replace").decode("utf-8")


def _finish(
    file: sqlite3.Connection,
    package: Package,
    moment: str,
    metadata: str,
    styles: Mapping[str, str],
) -> None:
    file.execute("PRAGMA synchronous=OFF")
    file.execute("PRAGMA journal_mode=MEMORY")
    file.execute("BEGIN")
    _describe_columns(file, (*package.layers, *package.tables))
    if metadata:
        _add_metadata(file, metadata, moment)
    if styles:
        _add_styles(file, package.layers, styles, moment)
    file.execute("COMMIT")
    # drops what the writing left in free pages, so that bytes depend on the content alone
    file.execute("VACUUM")
    file.execute("PRAGMA journal_mode=DELETE")
    (verdict,) = file.execute("PRAGMA integrity_check").fetchone()
    if verdict != "ok":
        raise sqlite3.DatabaseError(verdict)


def _extend(file: sqlite3.Connection, table: str, extension: str, definition: str) -> None:
    file.execute(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')",
        (table, extension, definition),
    )


def _ensure_extensions(file: sqlite3.Connection) -> None:
    file.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, "
        "extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )


def _describe_columns(file: sqlite3.Connection, sources: Sequence[Layer | Table]) -> None:
    """Write descriptions, units and value lists (OGC 12-128, annex F.9)."""
    _ensure_extensions(file)
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
    file: sqlite3.Connection, layers: Sequence[Layer], styles: Mapping[str, str], moment: str
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
        "VALUES ('', '', ?, 'geom', ?, ?, 1, ?, '', ?)",
        [
            (layer.name, layer.title, styles[layer.name], layer.title, moment)
            for layer in layers
            if layer.name in styles
        ],
    )
