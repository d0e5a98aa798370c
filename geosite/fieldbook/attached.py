"""What the site file points to beside the field book: parcel map, limit sets, second surfaces."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geosite.errors import InputError, Problem
from geosite.fieldbook import sitefile
from geosite.fieldbook.sitefile import SiteFile

if TYPE_CHECKING:
    import numpy.typing as npt
    from shapely.geometry.base import BaseGeometry

__all__ = ["Attached", "PolygonLayer", "SecondSurface", "read_attached"]

#: OGR and GDAL drivers that read plain local files and nothing else.
POLYGON_DRIVERS = (
    "GPKG",
    "ESRI Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "GML",
    "DXF",
    "MapInfo File",
    "TopoJSON",
)
RASTER_DRIVERS = ("GTiff", "AAIGrid", "GPKG")

Refuse = Callable[[str, str, str, str], InputError]


@dataclass(frozen=True, eq=False)
class PolygonLayer:
    """Polygons as they are in the file, names beside them.

    Parameters
    ----------
    file
        As the user named it.
    names, shapes
        Same length, file order.
    crs_wkt
        CRS of the file.
    """

    file: str
    names: tuple[str, ...]
    shapes: tuple[BaseGeometry, ...]
    crs_wkt: str


@dataclass(frozen=True, eq=False)
class SecondSurface:
    """A raster of elevations.

    Parameters
    ----------
    file
        As the user named it.
    values : array, shape (rows, cols), NaN for nodata
    west, north, cell_east, cell_north
        Outer corner of the north-west cell and size of a cell, units of `crs_wkt`.
    """

    file: str
    values: npt.NDArray[np.float64]
    west: float
    north: float
    cell_east: float
    cell_north: float
    crs_wkt: str


@dataclass(frozen=True, eq=False)
class Attached:
    """Everything the site file points to.

    Parameters
    ----------
    parcels
        The parcel map.
    limit_tables
        The user's own limit sets as TOML tables, and the file they came from.
    surfaces
        Second surfaces by the name of the earthwork that asks for them.
    """

    parcels: PolygonLayer | None = None
    limit_tables: Mapping[str, Any] = field(default_factory=dict)
    limits_file: str = ""
    surfaces: Mapping[str, SecondSurface] = field(default_factory=dict)


def read_attached(site: SiteFile, folder: Path, site_file: str) -> Attached:
    """Read every file that the site file points to.

    Parameters
    ----------
    site, folder, site_file
        The site file, the folder its relative paths start in, its name for messages.

    Raises
    ------
    InputError
        Everything that is wrong with any of them.
    """
    problems: list[Problem] = []

    def refuse_as(what: str) -> Refuse:
        def refuse(code: str, wrong: str, expected: str, remedy: str) -> InputError:
            return InputError(Problem(code, f"{what}: {wrong}", expected, remedy, site_file))

        return refuse

    parcels: PolygonLayer | None = None
    tables: Mapping[str, Any] = {}
    surfaces: dict[str, SecondSurface] = {}
    try:
        if site.parcels is not None:
            parcels = _polygons(site.parcels, folder, refuse_as("[parcels] file"))
    except InputError as error:
        problems += error.problems
    try:
        if site.grades.limits_file is not None:
            tables = _tables(site.grades.limits_file, folder, refuse_as("[grades] limits_file"))
    except InputError as error:
        problems += error.problems
    for name, wanted in site.earthworks.items():
        try:
            if wanted.surface is not None:
                refuse = refuse_as(f"[earthworks.{name}] surface")
                surfaces[name] = _raster(wanted.surface, folder, refuse)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return Attached(parcels, tables, site.grades.limits_file or "", surfaces)


def _inside(file: str, folder: Path, refuse: Refuse) -> Path:
    try:
        path = (folder / file).resolve()
        inside = path.is_relative_to(folder.resolve())
        there = inside and path.is_file()
    except (OSError, ValueError):
        inside, there = True, False
    if not inside:
        raise refuse(
            "attached-outside-folder",
            f"{file} lies outside the site's folder",
            "a file in the folder of the site file",
            "copy the file into it",
        )
    if not there:
        raise refuse(
            "attached-missing", f"{file} is not there", "an existing file", "correct the name"
        )
    return path


def _tables(file: str, folder: Path, refuse: Refuse) -> Mapping[str, Any]:
    path = _inside(file, folder, refuse)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise refuse(
            "limits-unreadable",
            f"{file} cannot be read ({error})",
            "a TOML file with one table per limit set",
            "correct the file or take limits_file out",
        ) from error


def _polygons(table: sitefile.Parcels, folder: Path, refuse: Refuse) -> PolygonLayer:
    path = _inside(table.file, folder, refuse)
    import fiona
    import shapely
    import shapely.geometry
    from fiona.errors import FionaError

    names: list[str] = []
    shapes: list[BaseGeometry] = []
    try:
        with fiona.open(path, layer=table.layer, enabled_drivers=POLYGON_DRIVERS) as source:
            columns = list(source.schema["properties"])
            if table.name_field is not None and table.name_field not in columns:
                raise refuse(
                    "parcels-name-field",
                    f"there is no column {table.name_field} in {table.file}",
                    f"one of {', '.join(columns) or 'none at all'}",
                    "correct name_field",
                )
            crs_wkt = str(source.crs_wkt or "")
            for record in source:
                if record.geometry is None:
                    continue
                shape = shapely.geometry.shape(record.geometry)
                if shape.geom_type not in ("Polygon", "MultiPolygon"):
                    continue
                named = record.properties[table.name_field] if table.name_field else None
                names.append(str(named) if named is not None else str(record.id))
                shapes.append(shapely.force_2d(shape))
    except (FionaError, OSError, ValueError, TypeError, UnicodeError) as error:
        raise refuse(
            "parcels-unreadable",
            f"{table.file} cannot be read ({error})",
            "a polygon layer",
            "correct layer or export the parcel map again, for example as GeoPackage",
        ) from error
    if not shapes:
        raise refuse(
            "parcels-no-polygons",
            f"{table.file} holds no polygons",
            "a polygon layer",
            "name the right layer with layer",
        )
    if not crs_wkt:
        raise refuse(
            "parcels-no-crs",
            f"{table.file} does not say which CRS it is in",
            "a layer with a CRS",
            "export it again with its CRS, or as GeoPackage",
        )
    return PolygonLayer(table.file, tuple(names), tuple(shapes), crs_wkt)


def _raster(file: str, folder: Path, refuse: Refuse) -> SecondSurface:
    path = _inside(file, folder, refuse)
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with rasterio.open(path, driver=list(RASTER_DRIVERS)) as source:
            turned = source.transform.b != 0 or source.transform.d != 0
            if turned or source.transform.e >= 0 or source.crs is None:
                raise refuse(
                    "surface-not-north-up",
                    f"{file} is turned, upside down or without a CRS",
                    "a north-up raster with a CRS",
                    "warp it to the map's CRS first",
                )
            if source.width * source.height > 100_000_000:
                raise refuse(
                    "surface-too-large",
                    f"{file} has {source.width} x {source.height} cells",
                    "at most 100 million",
                    "cut it to the site",
                )
            values = source.read(1, masked=True).astype(np.float64).filled(np.nan)
            place = source.transform
            crs_wkt = str(source.crs.to_wkt())
    except (RasterioError, OSError, ValueError) as error:
        raise refuse(
            "surface-unreadable",
            f"{file} cannot be read ({error})",
            "a GeoTIFF of elevations",
            "correct the name or export it again",
        ) from error
    return SecondSurface(file, values, place.c, place.f, place.a, -place.e, crs_wkt)
