"""Maps, points and rasters from outside, good and odd ones: what is read of each, or why it is not.

Files are made here, each with one thing about it; what is told of them is facts or a refusal.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import chdir
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from approved.input_tables import listed, said_of
from pyproj import CRS, Transformer
from pyproj.datadir import get_data_dir
from pyproj.enums import WktVersion

from geosite.base.errors import InputError, Problem
from geosite.base.map_frame import Frame
from geosite.reading.crs import map_frame, read_systems
from geosite.reading.operations import best_operation
from geosite.reading.pictures import picture_in, read_picture
from geosite.reading.points import read_points
from geosite.reading.raster_trial import try_raster
from geosite.reading.rasters import band_unit, check_unit, open_elevation
from geosite.reading.second_surface import read_surface, refuse_unlike

__all__ = ["UTM", "code_of", "places_told", "refuse"]

UTM, DEGREES = "EPSG:25832", "EPSG:4326"
WEST, NORTH = 512000.0, 5276000.0


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def code_of(crs: CRS | str | None) -> str:
    """The code of a CRS: its names and its WKT differ by the version of the library's database."""
    found = None if crs is None else CRS(crs).to_authority(min_confidence=90)
    return "no code" if found is None else ":".join(found)


# --- CRSs and operations ---------------------------------------------------------------------

WKT2 = CRS(UTM).to_wkt()
BOUND = (
    f"BOUNDCRS[SOURCECRS[{WKT2}],TARGETCRS[{CRS(DEGREES).to_wkt()}],"
    'ABRIDGEDTRANSFORMATION["to",METHOD["Geocentric translations (geog2D domain)",'
    'ID["EPSG",9603]],PARAMETER["X-axis translation",1],PARAMETER["Y-axis translation",2],'
    'PARAMETER["Z-axis translation",3]]]'
)
SYSTEMS: dict[str, object] = {
    "a code": (UTM, None),
    "a code in small letters, with blanks": ("  epsg:25832 ", None),
    "WKT": (WKT2, None),
    "WKT of several lines": (CRS(UTM).to_wkt(pretty=True), None),
    "older WKT": (CRS(UTM).to_wkt(WktVersion.WKT1_GDAL), None),
    "a PROJ string": ("+proj=utm +zone=32 +ellps=GRS80 +units=m +type=crs", None),
    "a PROJ string without plus signs": ("proj=utm zone=32 ellps=GRS80", None),
    "heights": (UTM, "EPSG:7837"),
    "heights in the same code": ("EPSG:25832+7837", None),
    "heights twice, the same": ("EPSG:25832+7837", "EPSG:7837"),
    "heights twice, others": ("EPSG:25832+7837", "EPSG:5783"),
    "depths in the same code": ("EPSG:25832+5336", None),
    "depths": (UTM, "EPSG:5336"),
    "heights that are a map": (UTM, "EPSG:25832"),
    "heights that are a map with heights": (UTM, "EPSG:25832+7837"),
    "heights that nobody knows": (UTM, "EPSG:99999"),
    "feet": ("EPSG:2264", "EPSG:6360"),
    "a bound CRS": (BOUND, None),
    "a globe": (DEGREES, None),
    "a globe, as WKT": (
        'GEOGCS["a",DATUM["b",SPHEROID["c",6378137,298.257]],PRIMEM["Greenwich",0],'
        'UNIT["degree",0.0174532925]]', None),
    "the middle of the earth": ("EPSG:4978", None),
    "heights for a map": ("EPSG:7837", None),
    "the map of browsers": ("EPSG:3857", None),
    "the map of browsers without its name": ("+proj=merc +a=6378137 +b=6378137", None),
    "a Mercator map of an ellipsoid": ("EPSG:3395", None),
    "the world on a cylinder": ("EPSG:4087", None),
    "axes south and west": ("EPSG:2065", None),
    "axes at the pole": ("EPSG:3413", None),
    "axes at the other pole": ("EPSG:3031", None),
    "a site's own axes": ('ENGCRS["a",EDATUM["b"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
                          'LENGTHUNIT["metre",1]]', None),
    "a code that nobody knows": ("EPSG:99999", None),
    "an authority that nobody knows": ("TOWN:1", None),
    "words": ("my town", None),
    "a number": ("25832", None),
    "nothing": ("", None),
    "a file": ("+proj=utm +zone=32 +nadgrids=a.gsb", None),
    "an address": ("https://example.org/crs", None),
    "broken WKT": ('PROJCRS["a town",BASEGEOGCRS["b"]', None),
    "endless": ("EPSG:" + "1" * 20_001, None),
    "both wrong": ("my town", "my heights"),
}  # fmt: skip


def _systems(given: tuple[str, str | None]) -> Iterator[str]:
    horizontal, vertical = read_systems(*given, "site.toml", (8, 9))
    yield f"{code_of(horizontal)}; heights {code_of(vertical)}; {horizontal.type_name}"


MAPS: dict[str, object] = {
    "metres": (UTM, (WEST, NORTH - 100, WEST + 100, NORTH)),
    "feet and heights": ("EPSG:2264+6360", (1540000.4, 540000.6, 1540100.0, 540200.0)),
    "an address of a code": (
        "http://www.opengis.net/def/crs/EPSG/0/25832", (WEST, NORTH - 100, WEST + 100, NORTH)),
    "nowhere on it": (UTM, (0.0, 0.0, 10.0, 10.0)),
    "beyond all": (UTM, (1e9, 1e9, 1e9 + 1, 1e9 + 1)),
    "an address of a globe": ("https://www.opengis.net/def/crs/OGC/1.3/CRS84", (0, 0, 1, 1)),
}  # fmt: skip


def _map(given: tuple[str, tuple[float, float, float, float]]) -> Iterator[str]:
    frame = map_frame(*given, "ground.tif")
    yield (
        f"{frame.crs_name}, {frame.vertical_name}, {frame.unit_name} {frame.unit_m:.9f},"
        f" {frame.height_unit_name} {frame.height_unit_m:.9f}, origin {frame.origin}"
    )
    yield (
        f"factors {frame.grid_scale_factor:.7f} {frame.elevation_factor:.7f}"
        f" {frame.combined_factor:.7f}, convergence {frame.convergence:.7f}"
    )


HERE, DHDN = (9.2, 47.7), "EPSG:31467"
MOVES: dict[str, Mapping[str, Any]] = {
    "to itself": {"source": UTM},
    "to itself with its axes exchanged": {"source": "EPSG:3068", "target": "EPSG:3068"},
    "one ellipsoid": {"source": DEGREES},
    "another datum, south": {"source": DHDN},
    "another datum, middle": {"source": DHDN, "place": (9.2, 51.3)},
    "another datum, where nobody uses it": {"source": DHDN, "place": (100.0, 10.0)},
    "a chosen one": {"source": DHDN, "code": " epsg:1776 "},
    "one that leads elsewhere": {"source": DHDN, "code": "EPSG:1149"},
    "an accuracy told": {"source": DHDN, "accuracy_m": 0.25},
    "none is installed": {"source": "EPSG:4267", "target": "EPSG:26910", "place": (-122.0, 47.0)},
    "none is installed, an accuracy told": {
        "source": "EPSG:4267", "target": "EPSG:26910", "place": (-122.0, 47.0), "accuracy_m": 9.0},
    "none at all": {"source": "+proj=longlat +ellps=bessel", "target": UTM},
    "none at all, an accuracy told": {
        "source": "+proj=longlat +ellps=bessel", "target": UTM, "accuracy_m": 2.0},
    "none at all, one ellipsoid": {
        "source": "+proj=longlat +ellps=GRS80", "target": UTM, "accuracy_m": 2.0},
    "across the antimeridian": {
        "source": "EPSG:4167", "target": "EPSG:2193", "place": (-176.5, -44.0)},
    "islands": {"source": "EPSG:4672", "target": "EPSG:3851", "place": (-176.5, -44.0)},
}  # fmt: skip


def _move(given: Mapping[str, Any]) -> Iterator[str]:
    told = {"target": UTM, "place": HERE} | dict(given)
    source, target, place = CRS(told.pop("source")), CRS(told.pop("target")), told.pop("place")
    try:
        found = best_operation(source, target, place, refuse, **told)
    except InputError as error:
        told_anew = re.sub(r"EPSG:\d+(, EPSG:\d+)+", "CODES", str(error))
        told_anew = re.sub(r"\S+\.tif\b", "GRID", told_anew)
        yield f"! {told_anew}".replace(get_data_dir(), "FOLDER")
        return
    # names of operations, and which grids there are, differ by the version of the database
    yield f"{found.codes}, {found.accuracy_m:g} m, stated {found.stated}, named {found.name != ''}"
    if (better := found.better) is not None:
        told = f"named {better.name != ''}, nearer {better.accuracy_m < found.accuracy_m}"
        yield f"better with a grid: {bool(better.grids)}, {told}"
    at = Transformer.from_crs("EPSG:4326", source, always_xy=True).transform(*place)
    yield f"moves to {', '.join(f'{float(v):.2f}' for v in found.move(*at))}"


# --- tables of points ------------------------------------------------------------------------

POINTS: dict[str, object] = {
    "commas": "easting,northing,elevation\n1,2,3\n4.5,5.5,6.5\n",
    "another order, capitals, other columns": "Name;ELEVATION;northing;Easting\nA;3;2;1\nB;6;5;4\n",
    "tabs": "easting\tnorthing\televation\n1\t2\t3\n",
    "decimal commas": "easting;northing;elevation\n1,5;2,5;3,5\n",
    "lines above": "\n\n easting,northing,elevation\n1,2,3\n",
    "quoted": '"easting","northing","elevation"\n"1","2","3"\n',
    "old line ends": "easting,northing,elevation\r1,2,3\r",
    "a mark before": "\ufeffeasting,northing,elevation\n1,2,3\n",
    "no elevation": "easting,northing,height\n1,2,3\n",
    "nothing of it": "a,b,c\n1,2,3\n",
    "a word": "easting,northing,elevation\n1,2,3\n4,five,6\n7,8,\n",
    "a short row": "easting,northing,elevation\n1,2,3\n4,5\n",
    "not finite": "easting,northing,elevation\n1,2,nan\n",
    "beyond all": "easting,northing,elevation\n1,2,3\n1,2e9,3\n1,2,3e6\n",
    "a header only": "easting,northing,elevation\n",
    "only separators": ",,,\n",
    "blank rows": "easting,northing,elevation\n1,2,3\n\n4,5,6\n",
    "blank rows with separators": "easting,northing,elevation\n1,2,3\n,,\n4,5,6\n",
    "a quote that is not closed": 'easting,northing,elevation\n1,2,3\n4,"5,6\n',
    "latin letters": "easting,northing,elevation,Höhe\n1,2,3,4\n".encode("latin-1"),
}  # fmt: skip


def _points(given: str | bytes) -> Iterator[str]:
    path = Path("points.csv")
    path.write_bytes(given.encode() if isinstance(given, str) else given)
    found = read_points("points.csv")
    yield f"{found.positions.tolist()}, CRS {found.crs_wkt}"


# --- rasters ---------------------------------------------------------------------------------

CELLS = np.array([[101.0, 102.0, 103.5], [104.0, -9999.0, 106.0]])
ASC = "ncols 3\nnrows 2\nxllcorner 512000\nyllcorner 5275998\ncellsize 1\nnodata_value -9999\n"
ROWS = "101 102 103.5\n104 -9999 106\n"


def _write(path: Path, values: np.ndarray, **how: Any) -> None:
    values = values if values.ndim == 3 else values[None]
    told = {"crs": UTM, "transform": rasterio.Affine(1, 0, WEST, 0, -1, NORTH)}
    told |= {"nodata": None if values.dtype == np.uint8 else -9999}
    told |= {"driver": "GTiff", "dtype": values.dtype} | how
    tags, unit = told.pop("scaled", None), told.pop("unit", "")
    count, height, width = values.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(
            path, "w", width=width, height=height, count=count,
            **{k: v for k, v in told.items() if v is not None},
        ) as sink:  # fmt: skip
            # of a file that leaves out what is empty nothing need be written
            if "sparse_ok" not in told:
                sink.write(values)
            if tags:
                sink.scales, sink.offsets = [tags[0]], [tags[1]]
            if unit:
                sink.units = [unit] * count


OLDER = (
    'PROJCS["ETRS_1989_UTM_Zone_32N"'
    ',GEOGCS["GCS_ETRS_1989",DATUM["D_ETRS_1989",SPHEROID["GRS_1980",6378137.0,298.257222101]]'
    ',PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]'
    ',PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",500000.0],PARAMETER["False_Northing",0.0]'
    ',PARAMETER["Central_Meridian",9.0],PARAMETER["Scale_Factor",0.9996]'
    ',PARAMETER["Latitude_Of_Origin",0.0]'
    ',UNIT["Meter",1.0]]'
)
"""As the files beside grids and shapefiles have it."""


RASTERS: dict[str, object] = {
    "single": {"values": CELLS.astype("float32")},
    "double": {"values": CELLS},
    "whole numbers": {"values": CELLS.astype("int16")},
    "long whole numbers": {"alone": True, "values": CELLS.astype("int32")},
    "scaled": {"values": CELLS.astype("int16"), "scaled": (0.5, 7.0)},
    "without a nodata value": {"values": CELLS, "nodata": None},
    "a nodata value in all cells": {"values": np.full((2, 3), -9999.0)},
    "not a number in cells": {"values": np.where(CELLS < 0, np.nan, CELLS), "nodata": None},
    "infinite": {"values": np.where(CELLS < 0, np.inf, CELLS), "nodata": None},
    "level": {"alone": True, "values": np.full((2, 3), 9999.0), "nodata": None},
    "9999 far above, twice": {
        "values": np.array([[1.0, 2.0, 9999.0], [3.0, 9999.0, 4.0]]), "nodata": None},
    "9999 among its like": {"alone": True,
        "values": np.array([[9990.0, 9995.0, 9999.0], [9980.0, 9970.0, 9960.0]]), "nodata": None},
    "-999 and one other": {"alone": True, "values": np.array([[-999.0, 5.0]]), "nodata": None},
    "feet in the band": {"values": CELLS, "unit": "ft"},
    "survey feet in the band": {"values": CELLS, "unit": "US survey foot"},
    "percent in the band": {"values": CELLS, "unit": "percent"},
    "centimetres in the band": {"alone": True, "values": CELLS, "unit": "cm"},
    "an unknown word in the band": {"values": CELLS, "unit": "furlong"},
    "heights in its CRS": {"alone": True, "values": CELLS, "crs": "EPSG:25832+7837"},
    "heights in its CRS, feet in the band": {
        "values": CELLS, "crs": "EPSG:25832+7837", "unit": "ft"},
    "a map in feet": {"alone": True, "values": CELLS, "crs": "EPSG:2264",
                      "transform": rasterio.Affine(3, 0, 1540000, 0, -3, 540000)},
    "a globe": {"values": CELLS, "crs": DEGREES,
                "transform": rasterio.Affine(0.1, 0, 9, 0, -0.1, 47)},
    "no CRS": {"values": CELLS, "crs": None},
    "no place": {"values": CELLS, "transform": None},
    "turned": {"values": CELLS, "transform": rasterio.Affine(1, 0.1, WEST, 0.1, -1, NORTH)},
    "upside down": {"values": CELLS, "transform": rasterio.Affine(1, 0, WEST, 0, 1, NORTH)},
    "mirrored": {
        "alone": True, "values": CELLS, "transform": rasterio.Affine(-1, 0, WEST, 0, -1, NORTH)},
    "cells that are not square": {
        "values": CELLS, "transform": rasterio.Affine(1, 0, WEST, 0, -2, NORTH)},
    "cells that are nearly square": {"alone": True,
        "values": CELLS, "transform": rasterio.Affine(1, 0, WEST, 0, -1.03, NORTH)},
    "cells that are not nearly square": {
        "values": CELLS, "transform": rasterio.Affine(1, 0, WEST, 0, -1.04, NORTH)},
    "two bands": {"values": np.stack([CELLS, CELLS])},
    "complex numbers": {"alone": True, "values": CELLS.astype("complex64"), "nodata": None},
    "too many cells": {"values": np.broadcast_to(np.uint8(0), (5001, 5000)), "sparse_ok": True},
    "text": {"name": "old.asc", "text": ASC + ROWS, "prj": WKT2},
    "text, older WKT beside it": {
        "name": "old.asc", "text": ASC + ROWS, "prj": OLDER},
    "text, a code beside it": {"name": "old.asc", "text": ASC + ROWS, "prj": "EPSG:25832\n"},
    "text, capitals": {"alone": True, "name": "old.asc", "text": ASC.upper() + ROWS, "PRJ": WKT2},
    "text, words beside it": {"name": "old.asc", "text": ASC + ROWS, "prj": "my town"},
    "text, a file named beside it": {
        "name": "old.asc", "text": ASC + ROWS, "prj": "+proj=utm +zone=32 +nadgrids=a.gsb"},
    "text, nothing beside it": {"name": "old.asc", "text": ASC + ROWS},
    "text by centres": {"alone": True,
        "name": "old.asc", "text": ASC.replace("corner", "center") + ROWS, "prj": WKT2},
    "text with a word": {"name": "old.asc", "text": ASC + ROWS.replace("104", "l04"), "prj": WKT2},
    "text with a word in its header": {"alone": True,
        "name": "old.asc", "text": ASC.replace("512000", "here") + ROWS, "prj": WKT2},
    "text with a cell less": {
        "name": "old.asc", "text": ASC + ROWS.replace("104 ", ""), "prj": WKT2},
    "text with a row more": {
        "alone": True, "name": "old.asc", "text": ASC + ROWS + "1 2 3\n", "prj": WKT2},
    "text on one line": {"alone": True,
        "name": "old.asc", "text": ASC + ROWS.replace("\n", " ") + "\n", "prj": WKT2},
    "text without rows told": {"alone": True,
        "name": "old.asc", "text": ASC.replace("nrows 2\n", "") + ROWS, "prj": WKT2},
    "not a raster": {"name": "old.tif", "text": "elevations\n"},
    "cut off": {"values": CELLS, "cut": 200},
}  # fmt: skip


def _raster(given: Mapping[str, Any]) -> Iterator[str]:
    for old in Path().glob("old*"):
        old.unlink()
    path = Path(given.get("name", "old.tif"))
    if "text" in given:
        path.write_text(given["text"], encoding="utf-8")
    else:
        _write(path, **{k: v for k, v in given.items() if k not in ("cut", "alone")})
    if "cut" in given:
        path.write_bytes(path.read_bytes()[: given["cut"]])
    for ending in {"prj", "PRJ"} & set(given):
        path.with_suffix(f".{ending}").write_text(given[ending], encoding="utf-8")
    yield from said_of(lambda: _as_ground(str(path)))
    if "alone" not in given:
        yield from said_of(lambda: _as_surface(path))


def _as_ground(file: str) -> Iterator[str]:
    with open_elevation(file, most_cells=25_000_000) as source:
        frame, grid = source.frame, source.grid
        low, high = source.ends(1)
        whole = source.whole().values
        yield (
            f"ground: {frame.crs_name} {frame.vertical_name} {frame.height_unit_name}"
            f" {source.z_factor:.6f}, {grid.west} {grid.north} {grid.cell_size:g} {grid.rows}"
            f" {grid.cols}, {whole.dtype} {low:g} to {high:g}"
        )
        yield f"ground: {whole.tolist() if whole.size < 20 else whole.shape}"


def _as_surface(path: Path) -> Iterator[str]:
    found = read_surface(path.resolve(), path.name, refuse)
    yield (
        f"surface: {code_of(found.crs_wkt)}, {found.west} {found.north} {found.cell_east}"
        f" {found.cell_north:g} {found.unit!r} {found.values.tolist()}"
    )
    frame = Frame(crs_wkt=CRS(UTM).to_wkt(), crs_name=UTM)
    refuse_unlike(found, frame, "surface", refuse)


def _units() -> Iterator[str]:
    """Units that somebody gives, that a band has, and blocks of large rasters."""
    _write(Path("m.tif"), CELLS, unit="m")
    _write(Path("none.tif"), CELLS)
    _write(Path("heights.tif"), CELLS, crs="EPSG:25832+7837")
    for file in ("m.tif", "none.tif", "heights.tif"):
        for unit in ("m", "ft", "ftUS"):
            yield f"{file}, told {unit}"
            yield from said_of(lambda file=file, unit=unit: _given(file, unit))  # type: ignore[misc]
    for word in ("m", "Metres", "feet", "US survey feet", "us-ft", "furlong", "", "%", "HA", "km"):
        yield f"{word!r}: {band_unit(word)}"
        yield from said_of(lambda word=word: check_unit(word, "a.tif") or ())  # type: ignore[misc]
    large = np.zeros((2100, 500), "uint8")
    for name, how in (("strips", {}), ("tiles", {"tiled": True, "blockxsize": 256})):
        _write(Path(f"{name}.tif"), large, compress="LZW", **how)
        yield from said_of(lambda name=name: _tried(f"{name}.tif"))  # type: ignore[misc]
    block = np.broadcast_to(0.0, (8000, 8000))
    _write(Path("block.tif"), block, compress="LZW", blockysize=8000, sparse_ok=True)
    yield from said_of(lambda: _tried("block.tif"))


def _given(file: str, unit: str) -> Iterator[str]:
    with open_elevation(file, unit) as source:
        yield f"{source.frame.height_unit_name} {source.z_factor:.7f}"


def _tried(file: str) -> Iterator[str]:
    try:
        try_raster(Path(file).resolve(), "GTiff", {}, 100_000_000)
    except ValueError as error:
        yield f"! {error}"
    else:
        yield f"{file} is read"


# --- pictures --------------------------------------------------------------------------------

GREY = np.array([[10, 60, 110], [160, 210, 250]], "uint8")
PICTURES: dict[str, object] = {
    "grey": {"values": GREY},
    "grey with a nodata value": {"values": GREY, "nodata": 60},
    "colours": {"values": np.stack([GREY, GREY // 2, 255 - GREY])},
    "colours and what is seen of them": {
        "values": np.stack([GREY, GREY, GREY, np.full_like(GREY, 128)])},
    "a table of colours": {
        "values": np.array([[0, 1, 2], [2, 1, 0]], "uint8"), "table": True},
    "in degrees": {"values": GREY, "crs": DEGREES,
                   "transform": rasterio.Affine(2e-5, 0, 9.15974, 0, -2e-5, 47.6373)},
    "elsewhere": {"values": GREY,
                  "transform": rasterio.Affine(1, 0, WEST + 900, 0, -1, NORTH)},
    "two bands": {"values": np.stack([GREY, GREY])},
    "elevations": {"values": CELLS},
    "no CRS": {"values": GREY, "crs": None},
    "no place": {"values": GREY, "transform": None},
    "no picture": {"text": "a picture"},
    "cut off": {"values": GREY, "cut": 150},
}  # fmt: skip


def _picture(given: Mapping[str, Any]) -> Iterator[str]:
    path = Path("under.tif")
    path.unlink(missing_ok=True)
    if "text" in given:
        path.write_text(given["text"], encoding="utf-8")
    else:
        _write(path, **{k: v for k, v in given.items() if k not in ("table", "cut")})
    if "table" in given:
        with rasterio.open(path, "r+") as sink:
            sink.write_colormap(1, {0: (255, 0, 0), 1: (0, 255, 0), 2: (0, 0, 255)})
    if "cut" in given:
        path.write_bytes(path.read_bytes()[: given["cut"]])
    found = read_picture("under.tif", path.resolve(), refuse)
    for name, bounds, shape in (
        ("as it is", (WEST, NORTH - 2, WEST + 3, NORTH), (2, 3)),
        ("finer and beyond", (WEST + 1, NORTH - 3, WEST + 4, NORTH), (2, 4)),
    ):
        seen = picture_in(found, WKT2, bounds, shape, refuse)
        # as shares, so that a rounding of the library may go either way
        yield f"{name}: {None if seen is None else (seen / 255).round(2).tolist()}"


def places_told(folder: Path) -> dict[str, str]:
    """All of it as texts."""
    with chdir(folder):
        told = {
            "maps.txt": [*listed(SYSTEMS, _systems), *listed(MAPS, _map)],
            "operations.txt": listed(dict(MOVES), _move),
            "points.txt": listed(POINTS, _points),
            "rasters.txt": [*listed(RASTERS, _raster), "== units", *said_of(_units)],
            "pictures.txt": listed(PICTURES, _picture),
        }
    place = f"{folder.resolve()}/"
    return {name: "\n".join(lines).replace(place, "") + "\n" for name, lines in told.items()}
