"""Every file that leaves, from building a starter that asks for all of them."""

from __future__ import annotations

import json
import re
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geosite.handover.model import Layer, Package

__all__ = ["output_files"]

# What the descriptions of rasters say of the one site that was built, and what is so of any.
_OF_ANY_SITE = (
    (r", m(?=[,;])", ""),
    (r"(?<=by )[\w-]+(?=; buildings)", "[surface] method"),
    (r"in percent, method horn", "in [surface] slope_unit (percent without it), by slope_method"),
    (r", which are [\d.]+ of those on the ground", ""),
    (r"\d+ possible grounds", "the possible grounds"),
    (r"the inlet \w+", "the first inlet (drains_to_inlet_2.tif: the second)"),
)
_UNITS_OF_ANY_SITE = {"slope": "that of slope_unit"}


@cache
def output_files() -> tuple[dict[str, Any], ...]:
    """Return name, purpose and tables of every file that a build can write.

    Nothing is listed by hand: a starter that asks for everything is built into a temporary folder,
    together with the layers and tables of the catalogue that hold nothing there (it has no ponds),
    and what stands in its manifest, layers and tables is told. NAME stands for a design's name.
    """
    from geosite.build import build
    from geosite.fieldbook.read import read_survey
    from geosite.fieldbook.starter import everything_asked
    from geosite.handover.folder.read_first import PROOF
    from geosite.handover.folder.staging import MANIFEST
    from geosite.handover.folder.write import write_into

    with tempfile.TemporaryDirectory(prefix="geosite-") as name:
        folder = Path(name)
        for file, content in everything_asked().items():
            (folder / file).write_bytes(content)
        notes = read_survey(folder / "site.toml")
        package = _with_all(build(notes))
        out = folder / "map"
        out.mkdir()
        write_into(out, package, notes.site.handover)
        manifest = json.loads((out / MANIFEST).read_text(encoding="utf-8"))
    purposes = {entry["file"]: entry["purpose"] for entry in manifest["files"]}
    purposes[MANIFEST] = PROOF
    found = []
    for file, purpose in purposes.items():
        tables: list[dict[str, Any]] = []
        if file == "site.gpkg":
            tables = [_table(layer, _types(layer)) for layer in _in_geopackage(package)]
        tables += [_table(table, "") for table in package.tables if file == f"{table.name}.csv"]
        for raster in package.rasters:
            if file == f"{raster.name}.tif":
                unit = _UNITS_OF_ANY_SITE.get(raster.name, raster.unit or "none")
                unit = "that of the elevations" if raster.is_elevation else unit
                purpose = f"{_of_any_site(raster.description)} Unit: {unit}."
        found.append({"name": file, "purpose": purpose, "tables": tables})
    return tuple(found)


def _with_all(package: Package) -> Package:
    """Add the layers and tables that hold nothing here, so that they are written and told too."""
    from dataclasses import replace

    from geosite.handover.layers import curves
    from geosite.handover.layers.catalogue import catalogue

    there = {one.name for one in package.layers} | {one.name for one in package.tables}
    # the true curves are written beside the layers, into the GeoPackage alone
    there |= {form.name for form in (curves.AREAS, curves.LINES)}
    more = [made for name, made in catalogue().items() if name not in there]
    layers = [form.layer(columns, [], []) for form, columns in more if form.geometry_type]
    tables = [form.table(columns, []) for form, columns in more if not form.geometry_type]
    return replace(package, layers=(*package.layers, *layers), tables=(*package.tables, *tables))


def _in_geopackage(package: Package) -> list[Layer]:
    """Return the layers of the GeoPackage, the true curves as well."""
    from geosite.handover.layers import curves
    from geosite.handover.layers.catalogue import catalogue

    made = [catalogue()[form.name] for form in (curves.AREAS, curves.LINES)]
    return [*package.layers, *(form.layer(columns, [], []) for form, columns in made)]


def _of_any_site(description: str) -> str:
    """Return the description of a raster without what is so of the site alone that was built."""
    for own, general in _OF_ANY_SITE:
        description = re.sub(own, general, description)
    return description


def _types(layer: Layer) -> str:
    """Return the geometry types that a layer may have, not only that of this site."""
    from geosite.handover.layers.catalogue import catalogue

    known = catalogue().get(layer.name)
    return layer.geometry_type if known is None else known[0].geometry_types


def _table(table: Any, geometry: str) -> dict[str, Any]:
    """Return what a layer or table is, its columns with the units that each site chooses named."""
    from geosite.handover.layers.catalogue import catalogue

    known = catalogue().get(table.name)
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
            for field in (table if known is None else known[1]).fields
        ],
    }
