"""What the site file points to beside the field book: parcel map, limit sets, second surfaces."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import numpy as np

from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems
from geosite.fieldbook import sitefile
from geosite.fieldbook.site import parse_toml
from geosite.fieldbook.sitefile import SiteFile
from geosite.fieldbook.surroundings import Surroundings
from geosite.reading.ascii_grid import OPTIONS, check_ascii_grid
from geosite.reading.files import check_plain_file, decode, inside
from geosite.reading.foreign import damage, driver_names, is_view, quiet, reading_layers

if TYPE_CHECKING:
    import numpy.typing as npt
    from shapely.geometry.base import BaseGeometry

__all__ = ["Attached", "PolygonLayer", "SecondSurface", "read_attached"]

#: Formats whose OGR drivers read plain local files and nothing else.
POLYGON_FORMATS = (
    "GPKG",
    "Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "GML",
    "DXF",
    "TAB",
    "TopoJSON",
)
RASTER_DRIVERS = {".asc": "AAIGrid", ".gpkg": "GPKG"}
"""By extension; everything else is a GeoTIFF. rasterio takes one driver at a time."""

VECTOR_LIMIT = 1_000_000_000
TABLES_LIMIT = 1_000_000
RASTER_LIMIT = 2_000_000_000
"""Largest files read, bytes."""
MOST_POLYGONS = 50_000
"""Parcels round one survey."""
CELLS = 25_000_000
"""Most cells of a second surface: 200 MB in memory."""

Refuse = Callable[[str, str, str, str], InputError]
T = TypeVar("T")


class LineOf(Protocol):
    """Gives the line of a key of the site file by its path."""

    def __call__(self, *path: str | int) -> int | None: ...


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
    reach_m
        How far round the survey the file was read; infinite for all of it.
    repeated
        Number of polygons left out because they are the same as one before them.
    """

    file: str
    names: tuple[str, ...]
    shapes: tuple[BaseGeometry, ...]
    crs_wkt: str
    reach_m: float = math.inf
    repeated: int = 0


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


def read_attached(
    site: SiteFile,
    folder: Path,
    file: str,
    line: LineOf,
    problems: Problems,
    near: Surroundings | None = None,
) -> Attached:
    """Read every file that the site file points to; what is wrong goes into `problems`.

    Parameters
    ----------
    site, folder, file
        The site file's tables, its folder, its name for messages.
    line
        Gives the line of a key of the site file by its path.
    problems
        Receives everything that is wrong with any of the files.
    near
        Where the survey lies: of a parcel map no more is read.
    """

    def read(reader: Callable[[Path, Refuse], T], named: str, limit: int, *key: str) -> T | None:
        at = line(*key)
        path = inside(folder, named, ".".join(key), problems, file, at)
        what = f"file of {'.'.join(key)},"
        if path is None or not check_plain_file(path, named, what, limit, problems, (file, at)):
            return None

        def refuse(code: str, wrong: str, expected: str, remedy: str) -> InputError:
            said = f"{'.'.join(key)}: {wrong}"
            return InputError(Problem(code, said, expected, remedy, file, at))

        try:
            return reader(path.resolve(), refuse)
        except InputError as error:
            problems.extend(error.problems)
            return None

    parcels: PolygonLayer | None = None
    if (table := site.parcels) is not None:
        parcels = read(partial(_polygons, table, near), table.file, VECTOR_LIMIT, "parcels", "file")
    tables: Mapping[str, Any] | None = None
    if (limits := site.grades.limits_file) is not None:
        tables = read(partial(_tables, limits), limits, TABLES_LIMIT, "grades", "limits_file")
    surfaces: dict[str, SecondSurface] = {}
    for name, wanted in site.earthworks.items():
        if wanted.surface is not None:
            key = ("earthworks", name, "surface")
            surface = read(partial(_raster, wanted.surface), wanted.surface, RASTER_LIMIT, *key)
            if surface is not None:
                surfaces[name] = surface
    limits_file = "" if limits is None else str(Path(file).parent / limits)
    return Attached(parcels, tables or {}, limits_file, surfaces)


def _tables(file: str, path: Path, refuse: Refuse) -> Mapping[str, Any]:
    problems = Problems()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise refuse(
            "limits-unreadable",
            f"{file} cannot be read ({error.strerror})",
            "a TOML file with one table per limit set",
            "check its permissions",
        ) from error
    if decode(data, file, "limit sets", problems):
        tables = parse_toml(data.decode("utf-8-sig"), file, problems)
        if tables is not None:
            return tables
    raise InputError(problems.first())


def _polygons(
    table: sitefile.Parcels, near: Surroundings | None, path: Path, refuse: Refuse
) -> PolygonLayer:
    import fiona
    from fiona.errors import FionaError
    from shapely.errors import ShapelyError

    # this driver would leave a file of its own beside the map, and fetch schemas
    options = {"WRITE_GFS": "NO"} if path.suffix.lower() == ".gml" else {}
    try:
        if (fault := damage(path)) is not None:
            raise ValueError(fault)
        with (
            reading_layers(),
            fiona.Env(GML_DOWNLOAD_SCHEMA="NO"),
            fiona.open(
                path, layer=table.layer, enabled_drivers=driver_names(POLYGON_FORMATS), **options
            ) as source,
        ):
            if is_view(path, source.name):
                raise ValueError("the layer is a view, a query that may never end")
            columns = list(source.schema["properties"])
            if table.name_field is not None and table.name_field not in columns:
                raise refuse(
                    "parcels-name-field",
                    f"there is no column {table.name_field} in {table.file}",
                    f"one of {', '.join(columns) or 'none at all'}",
                    "correct name_field",
                )
            crs_wkt = str(source.crs_wkt or "")
            window = near.in_crs(crs_wkt) if near is not None and crs_wkt else None
            found = _inside(source, window, table, refuse)
            if not found and not _has_polygons(source):
                raise refuse(
                    "parcels-no-polygons",
                    f"{table.file} holds no polygons",
                    "a polygon layer",
                    "name the right layer with layer",
                )
    except (FionaError, ShapelyError, OSError, ValueError, TypeError) as error:
        raise refuse(
            "parcels-unreadable",
            f"{table.file} cannot be read ({error})",
            "a polygon layer",
            "correct layer or export the parcel map again, for example as GeoPackage",
        ) from error
    if not crs_wkt:
        raise refuse(
            "parcels-no-crs",
            f"{table.file} does not say which CRS it is in",
            "a layer with a CRS",
            "export it again with its CRS, or as GeoPackage",
        )
    once = {shape.wkb: (name, shape) for name, shape in reversed(found)}
    names, shapes = zip(*reversed(once.values()), strict=True) if once else ((), ())
    reach = math.inf if window is None or near is None else near.reach_m
    return PolygonLayer(table.file, names, shapes, crs_wkt, reach, len(found) - len(once))


def _inside(
    source: Any,
    window: tuple[float, float, float, float] | None,
    table: sitefile.Parcels,
    refuse: Refuse,
) -> list[tuple[str, BaseGeometry]]:
    """Return names and polygons of a layer that reach into a window."""
    found: list[tuple[str, BaseGeometry]] = []
    for record in source if window is None else source.filter(bbox=window):
        shape = _polygon(record.geometry)
        if shape is None or shape.is_empty:
            continue
        named = record.properties[table.name_field] if table.name_field else None
        found.append((str(named) if named is not None else str(record.id), shape))
        if len(found) > MOST_POLYGONS:
            raise refuse(
                "parcels-too-many",
                f"more than {MOST_POLYGONS} polygons of {table.file} lie round the survey",
                "a parcel map, in which a place belongs to one parcel",
                "export the parcels of the site alone",
            )
    return found


def _polygon(geometry: Any) -> BaseGeometry | None:
    """Return a polygon or several, without the empty ones among them; None for anything else."""
    import shapely
    import shapely.geometry

    if geometry is None or geometry.type not in ("Polygon", "MultiPolygon"):
        return None
    parts = geometry.coordinates if geometry.type == "MultiPolygon" else [geometry.coordinates]
    kept = [part for part in parts if part and part[0]]
    if not kept:
        return None
    kind, held = ("Polygon", kept[0]) if len(kept) == 1 else ("MultiPolygon", kept)
    return shapely.force_2d(shapely.geometry.shape({"type": kind, "coordinates": held}))


def _has_polygons(source: Any) -> bool:
    """Tell whether there is a polygon among the first records of a layer."""
    return any(_polygon(record.geometry) is not None for record in islice(source, 1000))


def _raster(file: str, path: Path, refuse: Refuse) -> SecondSurface:
    import rasterio
    from rasterio.errors import RasterioError

    driver = RASTER_DRIVERS.get(path.suffix.lower(), "GTiff")
    try:
        if (fault := damage(path)) is not None:
            raise ValueError(fault)
        options = OPTIONS if driver == "AAIGrid" else {}
        with quiet(), rasterio.open(path, driver=driver, **options) as source:
            place = source.transform
            upright = place.b == place.d == 0 and place.a > 0 > place.e
            if not upright or source.crs is None:
                raise refuse(
                    "surface-not-north-up",
                    f"{file} is turned, upside down or without a CRS",
                    "a north-up raster with a CRS",
                    "warp it to the map's CRS first",
                )
            if "complex" in source.dtypes[0]:
                raise refuse(
                    "surface-complex",
                    f"the cells of {file} are complex numbers",
                    "elevations, which are real numbers",
                    "save its real part if that is the elevation",
                )
            if source.width * source.height > CELLS:
                raise refuse(
                    "surface-too-large",
                    f"{file} has {source.width} x {source.height} cells",
                    f"at most {CELLS / 1e6:.0f} million",
                    "cut it to the site",
                )
            if driver == "AAIGrid":
                check_ascii_grid(path, file)
            values = source.read(1, masked=True).astype(np.float64).filled(np.nan)
            crs_wkt = str(source.crs.to_wkt())
    except (RasterioError, OSError, ValueError, IndexError) as error:
        raise refuse(
            "surface-unreadable",
            f"{file} cannot be read ({error})",
            "a GeoTIFF of elevations",
            "correct the name or export it again",
        ) from error
    return SecondSurface(file, values, place.c, place.f, place.a, -place.e, crs_wkt)
