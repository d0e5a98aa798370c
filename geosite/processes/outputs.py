"""Every file that leaves, from building a starter that asks for all of them."""

from __future__ import annotations

import json
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geosite.handover.model import Layer

__all__ = ["output_files"]


@cache
def output_files() -> tuple[dict[str, Any], ...]:
    """Return name, purpose and tables of every file that a build can write.

    Nothing is listed by hand: a starter that asks for everything is built into a temporary folder,
    and what stands in its manifest, layers and tables is told.
    """
    from geosite.build import build
    from geosite.fieldbook.read import read_survey
    from geosite.fieldbook.starter import everything_asked
    from geosite.handover.folder.write import write_into

    with tempfile.TemporaryDirectory(prefix="geosite-") as name:
        folder = Path(name)
        for file, content in everything_asked().items():
            (folder / file).write_bytes(content)
        notes = read_survey(folder / "site.toml")
        package = build(notes)
        out = folder / "map"
        out.mkdir()
        write_into(out, package, notes.site.handover)
        manifest = json.loads((out / "MANIFEST.json").read_text(encoding="utf-8"))
    purposes = {entry["file"]: entry["purpose"] for entry in manifest["files"]}
    purposes["MANIFEST.json"] = "What is in the folder, with a checksum of each file"
    found = []
    for file, purpose in purposes.items():
        tables: list[dict[str, Any]] = []
        if file == "site.gpkg":
            tables = [_table(layer, _types(layer)) for layer in package.layers]
        tables += [_table(table, "") for table in package.tables if file == f"{table.name}.csv"]
        for raster in package.rasters:
            if file == f"{raster.name}.tif":
                purpose = f"{raster.description} Unit: {raster.unit or 'none'}."
        found.append({"name": file, "purpose": purpose, "tables": tables})
    return tuple(found)


def _types(layer: Layer) -> str:
    """Return the geometry types that a layer may have, not only that of this site."""
    from geosite.handover.layers.catalogue import catalogue

    known = catalogue().get(layer.name)
    return layer.geometry_type if known is None else known[0].geometry_types


def _table(table: Any, geometry: str) -> dict[str, Any]:
    return {
        "name": table.name,
        "geometry": geometry,
        "description": table.description or table.title,
        "fields": [
            {
                "name": field.name,
                "type": field.type,
                "unit": field.unit,
                "description": field.description,
            }
            for field in table.fields
        ],
    }
