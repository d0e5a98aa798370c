"""Points and rasters from outside: read with every check that an unknown file needs.

Only plain files on this machine, only formats that cannot point somewhere else, sizes looked at
before anything is read, and a CRS that distances can be measured in.
"""

from __future__ import annotations

import csv
import io
import re
import sqlite3
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geosite.errors import InputError, Problem
from geosite.fieldbook.collect import Problems, nearest, shown
from geosite.fieldbook.crs import read_crs
from geosite.fieldbook.files import decode
from geosite.fieldbook.foreign import damage, driver_names, is_view, reading_layers
from geosite.fieldbook.model import Floats
from geosite.network.frame import at_middle
from geosite.network.model import Frame
from geosite.terrain.model import Grid
from geosite.terrain.surface import MAX_CELLS

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["ElevationRaster", "Points", "check_unit", "map_frame", "read_elevation", "read_points"]

# Formats that hold their data themselves; a VRT or a web service description does not. GDAL is
# told which one it is, so that it asks no other driver.
_RASTER_STARTS = {
    b"II*\0": "GTiff",
    b"MM\0*": "GTiff",
    b"II+\0": "GTiff",
    b"MM\0+": "GTiff",
    b"ncol": "AAIGrid",
    b"NCOL": "AAIGrid",
}
_POINT_FORMATS = ["GPKG", "GeoJSON", "GeoJSONSeq", "Shapefile", "FlatGeobuf", "GML", "DXF"]
_LONGEST_HEADER = 100_000
_TEXT = (".csv", ".txt", ".tsv")
_COLUMNS = ("easting", "northing", "elevation")
_CRS_ADDRESS = re.compile(r"https?://www\.opengis\.net/def/crs/(\w+)/[\w.]+/(\w+)", re.ASCII)
_BAND_UNITS = (
    (1.0, "metre", ("m", "metre", "meter", "metres", "meters")),
    (0.3048, "foot", ("ft", "foot", "feet")),
    (1200 / 3937, "US survey foot", ("ftus", "us-ft", "us survey foot", "us survey feet")),
)
# what a slope, an aspect, a share or an area is in, and lengths in which no elevation is worked
# with; any other word is passed over
_OTHER_UNITS = frozenset(
    (
        *("%", "percent", "ratio", "1", "m/m", "permille", "‰"),
        *("degree", "degrees", "deg", "°", "radian", "radians", "rad", "gon", "grad"),
        *("m2", "m²", "m^2", "ft2", "ft²", "ft^2", "ha", "m3", "m³", "m^3"),
        *("mm", "cm", "dm", "km"),
    )
)


@dataclass(frozen=True, eq=False)
class Points:
    """Points with elevations.

    Parameters
    ----------
    positions : array, shape (n, 3), columns easting, northing, elevation
        Map units, elevation in its own unit, file order.
    crs_wkt
        CRS of the layer, ``None`` for a table.
    """

    positions: Floats
    crs_wkt: str | None


@dataclass(frozen=True, eq=False)
class ElevationRaster:
    """An elevation raster.

    Parameters
    ----------
    values : array of float32 or float64, shape (rows, cols)
        Row 0 north, NaN for nodata.
    grid
        Where it lies.
    frame
        Its map, with the unit of the elevations.
    """

    values: npt.NDArray[np.floating[Any]]
    grid: Grid
    frame: Frame

    @property
    def z_factor(self) -> float:
        """Map units per unit of elevation."""
        return self.frame.height_unit_m / self.frame.unit_m


def map_frame(
    crs: str, extent: tuple[float, float, float, float], file: str | None = None
) -> Frame:
    """Return the map that a CRS and an extent make up.

    Parameters
    ----------
    crs
        ``EPSG:25832``, with a vertical part ``EPSG:25832+7837``, an OGC address of a CRS, or WKT.
    extent
        West, south, east, north, map units.
    file
        File it stands in, for the message.

    Returns
    -------
    Frame
        Without a vertical part elevations count in map units. The factors are those at the middle
        of the extent and elevation 0.

    Raises
    ------
    InputError
        Unknown, or not a projected CRS with a scale.
    """
    address = _CRS_ADDRESS.fullmatch(crs.strip())
    horizontal, vertical = read_crs(f"{address[1]}:{address[2]}" if address else crs, file)
    unit_m, unit_name = _unit(horizontal)
    height_unit_m, height_unit_name = _unit(vertical) if vertical else (unit_m, unit_name)
    west, south, east, north = extent
    frame = Frame(
        crs_wkt=horizontal.to_wkt(),
        crs_name=_name(horizontal),
        vertical_wkt=vertical.to_wkt() if vertical else None,
        vertical_name=_name(vertical) if vertical else None,
        unit_m=unit_m,
        height_unit_m=height_unit_m,
        unit_name=unit_name,
        height_unit_name=height_unit_name,
        origin=(float(np.floor(west)), float(np.floor(south))),
        grid_scale_factor=1.0,
        elevation_factor=1.0,
        combined_factor=1.0,
        convergence=0.0,
    )
    middle = frame.to_local([(west + east) / 2, (south + north) / 2])
    there = at_middle(frame, (float(middle[0]), float(middle[1])), 0.0)
    # coordinates that are nowhere on this map (a test grid at 0, 0) have no factors
    return there if np.isfinite(there.combined_factor) else frame


def _unit(crs: CRS) -> tuple[float, str]:
    axis = crs.axis_info[0]
    return float(axis.unit_conversion_factor), str(axis.unit_name)


def _name(crs: CRS) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(crs.name)


def read_elevation(file: str) -> ElevationRaster:
    """Read an elevation raster.

    Parameters
    ----------
    file
        GeoTIFF or another raster file that stands alone.

    Raises
    ------
    InputError
        Unreadable, several bands, turned, cells that are not square, not projected, too large, or
        of something else than elevations by its unit.
    """
    import rasterio
    from rasterio.errors import RasterioError

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, what, expected, remedy, file))

    # the resolved path: GDAL reads meaning into names like "GTIFF_DIR:1:a.tif"
    path = Path(file).resolve()
    try:
        with path.open("rb") as stream:
            driver = _RASTER_STARTS.get(stream.read(4))
        if driver is None:
            raise ValueError("it is neither GeoTIFF nor an ASCII grid")
        if (fault := damage(path)) is not None:
            raise ValueError(fault)
        with (
            # a vertical CRS is passed over unless asked for; a file beside it may name another
            rasterio.Env(GTIFF_REPORT_COMPD_CS="YES", GDAL_PAM_ENABLED="NO"),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("ignore")  # a file without a place is refused below
            source = rasterio.open(path, driver=driver)
        with source:
            if source.count != 1:
                raise refuse(
                    "raster-bands",
                    f"the raster has {source.count} bands",
                    "one band of elevations",
                    "save the band of the elevations alone",
                )
            if source.width * source.height > MAX_CELLS:
                size = source.width * source.height * 4 / 1e9
                raise refuse(
                    "raster-too-large",
                    f"the raster has {source.height} rows of {source.width} cells, {size:.1f} GB",
                    f"at most {MAX_CELLS / 1e6:.0f} million cells",
                    "cut it to the site or take larger cells",
                )
            if source.crs is None:
                raise refuse(
                    "raster-no-crs",
                    "the raster does not say which CRS it is in",
                    "a raster with a projected CRS",
                    "assign its CRS first",
                )
            unit = (source.units[0] or "").strip()
            check_unit(unit, file)
            grid = _grid(source, refuse)
            extent = (grid.west, grid.south, grid.east, grid.north)
            code = source.crs.to_epsg(confidence_threshold=100)
            crs = f"EPSG:{code}" if code else source.crs.to_wkt()
            frame = _with_band_unit(map_frame(crs, extent, file), unit)
            values = _elevations(source)
    except (RasterioError, OSError, ValueError) as error:
        raise refuse(
            "raster-unreadable",
            f"the raster cannot be read ({_reason(error)})",
            "a whole GeoTIFF, or an ASCII grid with its .prj",
            "export it again",
        ) from error
    if not np.isfinite(values).any():
        raise refuse(
            "raster-empty",
            "the raster holds no elevation at all",
            "elevations",
            "look at its nodata",
        )
    return ElevationRaster(values, grid, frame)


def _reason(error: BaseException) -> str:
    return " ".join(str(error).split())[:200]


def _grid(source: Any, refuse: Any) -> Grid:
    place = source.transform
    wide, high = abs(place.a), abs(place.e)
    turned = place.b != 0 or place.d != 0
    if turned or place.a <= 0 or place.e >= 0 or source.transform.is_identity:
        raise refuse(
            "raster-not-north-up",
            "the raster is turned, upside down or has no place on the map",
            "a north-up raster",
            "warp it north-up first",
        )
    # a rounded cell size in a text header may move the far edge by a tenth of a cell, no more
    if abs(wide - high) * max(source.width, source.height) > 0.1 * wide:
        raise refuse(
            "raster-cells-not-square",
            f"the cells are {wide:g} wide and {high:g} high",
            "square cells",
            "resample it to square cells first",
        )
    return Grid(place.c, place.f, wide, source.height, source.width)


def check_unit(unit: str, file: str | None = None) -> None:
    """Refuse a unit in which no elevations are.

    Parameters
    ----------
    unit
        As the raster says, blank where it does not.
    file
        For the message.

    Raises
    ------
    InputError
        The raster holds slopes, directions, areas or the like.
    """
    if unit.lower() in _OTHER_UNITS:
        raise InputError(
            Problem(
                "raster-unit",
                f"the raster says that its values are in {shown(unit)}",
                "elevations in metres or feet",
                "choose the raster of the elevations, or correct its unit if that is wrong",
                file,
            )
        )


def _with_band_unit(frame: Frame, unit: str) -> Frame:
    """Without a vertical CRS the band may say in which unit its elevations are."""
    word = unit.lower()
    for length, name, words in _BAND_UNITS:
        if frame.vertical_wkt is None and word in words:
            return replace(frame, height_unit_m=length, height_unit_name=name)
    return frame


def _elevations(source: Any) -> npt.NDArray[np.floating[Any]]:
    band = source.read(1, masked=True)
    kind = np.float32 if band.dtype in (np.float32, np.int16, np.uint8, np.uint16) else np.float64
    values = band.astype(kind).filled(np.nan)
    if (source.scales[0], source.offsets[0]) != (1.0, 0.0):
        values = values * kind(source.scales[0]) + kind(source.offsets[0])
    values[~np.isfinite(values)] = np.nan
    return np.asarray(values)


def read_points(file: str, layer: str | None = None) -> Points:
    """Read points with elevations.

    Parameters
    ----------
    file
        A table with the columns easting, northing and elevation (CSV with commas, semicolons or
        tabs; other columns are ignored, capitals do not matter), or a point layer with Z or with a
        field elevation.
    layer
        Name of the layer, where the file holds several. Without it ``points``, or the only one.

    Raises
    ------
    InputError
        Unreadable, columns missing, cells that are no finite numbers, no points.
    """
    if Path(file).suffix.lower() in _TEXT:
        points = Points(_from_text(file), None)
    else:
        points = _from_layer(file, layer)
    if not len(points.positions):
        raise InputError(
            Problem(
                "points-none", "there are no points in it", "points", "choose another file", file
            )
        )
    return points


def _from_text(file: str) -> Floats:
    problems = Problems()
    data = Path(file).read_bytes()
    if not decode(data, file, "table of points", problems):
        raise InputError(problems.first())
    text = data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    first = next((n for n, line in enumerate(text.split("\n", 1000)) if line.strip()), 0)
    start = 0
    for _ in range(first):
        start = text.index("\n", start) + 1
    header_line, _, rest = text[start:].partition("\n")
    separator = max(",;\t", key=header_line.count)
    # cut, so that no cell is longer than the reader of tables takes
    cells = next(csv.reader([header_line[:_LONGEST_HEADER]], delimiter=separator), [])
    header = [cell.strip().casefold() for cell in cells]
    missing = [name for name in _COLUMNS if name not in header]
    for name in missing:
        close = nearest(name, [cell for cell in header if cell not in _COLUMNS])
        problems.add(
            "column-missing",
            f"there is no column {name}",
            "the columns easting, northing and elevation",
            f'rename "{close}"' if close else "add it, or name the columns in the first line",
            file,
            first + 1,
        )
    if missing:
        raise InputError(problems.first())
    wanted = [header.index(name) for name in _COLUMNS]
    if separator == ";" and "," in rest and "." not in rest:
        rest = rest.replace(",", ".")  # decimal commas
    if not rest.strip():
        return np.empty((0, 3))
    try:
        found = np.loadtxt(
            io.StringIO(rest),
            delimiter=separator,
            usecols=wanted,
            quotechar='"',
            comments=None,
            ndmin=2,
        )
    except ValueError:
        found = None
    if found is None or not np.isfinite(found).all():
        _name_bad_cells(rest, separator, wanted, file, first + 2)
    assert found is not None
    return np.asarray(found, dtype=np.float64)


def _name_bad_cells(rest: str, separator: str, wanted: Sequence[int], file: str, line: int) -> None:
    """Go through the rows one by one, only when one of them is known to be wrong."""
    problems = Problems()
    rows = csv.reader(io.StringIO(rest), delimiter=separator)
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            for name, column in zip(_COLUMNS, wanted, strict=True):
                cell = row[column].strip() if column < len(row) else ""
                try:
                    good = bool(np.isfinite(float(cell)))
                except ValueError:
                    good = False
                if not good:
                    problems.add(
                        "cell-not-number",
                        f"{name} is {shown(cell)}",
                        "a finite number with a decimal point",
                        "correct the cell or take the row out",
                        file,
                        line + rows.line_num - 1,
                    )
    except csv.Error as error:
        problems.add(
            "table-unreadable",
            f"the row cannot be split ({error})",
            "cells in a row",
            "export it again",
            file,
            line + rows.line_num - 1,
        )
    if not problems:
        problems.add(
            "table-unreadable",
            "the table cannot be read",
            "rows of equal length",
            "export it again",
            file,
        )
    raise InputError(problems.first())


def _from_layer(file: str, layer: str | None) -> Points:
    import fiona
    from fiona.errors import FionaError

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, what, expected, remedy, file))

    path = Path(file).resolve()
    with path.open("rb") as stream:
        is_database = stream.read(16) == b"SQLite format 3\x00"
    # this driver would leave a file of its own beside the points, and fetch schemas
    options = {"WRITE_GFS": "NO"} if path.suffix.lower() == ".gml" else {}
    drivers = driver_names(_POINT_FORMATS)
    try:
        if (fault := damage(path)) is not None:
            raise ValueError(fault)
        if is_database:
            layer = _package_layer(path, file, layer)
        with (
            reading_layers(),
            fiona.Env(GML_DOWNLOAD_SCHEMA="NO"),
            fiona.open(path, layer=layer, enabled_drivers=drivers, **options) as source,
        ):
            if is_view(path, source.name):
                raise ValueError("the layer is a view, a query that may never end")
            crs_wkt = str(source.crs_wkt or "") or None
            names = {name.casefold(): name for name in source.schema["properties"]}
            field = names.get("elevation")
            positions = _positions(source, field, refuse)
    except (FionaError, OSError, ValueError, TypeError, UnicodeError) as error:
        raise refuse(
            "layer-unreadable",
            f"it cannot be read as a point layer ({_reason(error)})",
            f"a .csv table or a point layer in one of the formats {', '.join(_POINT_FORMATS)}",
            "export it again, for example as GeoPackage",
        ) from error
    return Points(positions, crs_wkt)


def _package_layer(path: Path, file: str, wanted: str | None) -> str:
    """Choose the layer of a GeoPackage without asking every driver about the file."""
    try:
        uri = f"{path.as_uri()}?mode=ro&immutable=1"
        database = sqlite3.connect(uri, uri=True)
        try:
            rows = database.execute(
                "SELECT table_name FROM gpkg_geometry_columns "
                "WHERE upper(geometry_type_name) IN ('POINT', 'GEOMETRY') ORDER BY rowid"
            ).fetchall()
        finally:
            database.close()
    except sqlite3.Error as error:
        raise InputError(
            Problem(
                "layer-unreadable",
                f"the database is no GeoPackage ({_reason(error)})",
                "a GeoPackage with a point layer",
                "export it again",
                file,
            )
        ) from error
    names = [str(name) for (name,) in rows]
    choice = wanted or ("points" if "points" in names or len(names) != 1 else names[0])
    if choice not in names:
        close = nearest(choice, names) if wanted else None
        raise InputError(
            Problem(
                "layer-unknown",
                f"there is no point layer {shown(choice)}",
                f"one of {', '.join(names[:20])}" if names else "a point layer",
                f'did you mean "{close}"?' if close else "name one with layer",
                file,
            )
        )
    return choice


def _positions(source: Any, field: str | None, refuse: Any) -> Floats:
    found: list[tuple[float, float, float]] = []
    for record in source:
        geometry = record.geometry
        if geometry is None or geometry.type not in ("Point", "3D Point"):
            kind = "nothing" if geometry is None else geometry.type
            raise refuse(
                "feature-not-point",
                f"feature {record.id} is {kind}",
                "points only",
                "choose a point layer, or turn multipoints into points",
            )
        place = geometry.coordinates
        up = place[2] if len(place) > 2 else record.properties[field] if field else None
        if up is None:
            raise refuse(
                "point-no-elevation",
                f"the point {record.id} has no elevation",
                "points with Z, or a field elevation",
                "add the elevations or take the point out",
            )
        found.append((float(place[0]), float(place[1]), float(up)))
    positions = np.array(found, dtype=np.float64).reshape(-1, 3)
    if not np.isfinite(positions).all():
        number = int(np.flatnonzero(~np.isfinite(positions).all(axis=1))[0]) + 1
        raise refuse(
            "point-not-finite",
            f"point number {number} is not finite",
            "finite coordinates",
            "correct it",
        )
    return positions
