"""Points and rasters from outside: what is read, and what is refused on one line."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pyproj
import pytest
import rasterio
from rasterio.transform import Affine

from geosite.base.errors import InputError
from geosite.reading.crs import map_frame
from geosite.reading.foreign import driver_names
from geosite.reading.points import read_points
from geosite.reading.rasters import read_elevation

(SHAPEFILE,) = driver_names(["Shapefile"])

EXTENT = (500_000.0, 5_000_000.0, 500_100.0, 5_000_100.0)


def from_origin(west: float, north: float, wide: float, high: float) -> Affine:
    return Affine(wide, 0.0, west, 0.0, -high, north)


def fault(call: Any, *arguments: Any) -> str:
    with pytest.raises(InputError) as caught:
        call(*arguments)
    assert all("\n" not in str(problem) for problem in caught.value.problems)
    return str(caught.value)


def table(folder: Path, text: str | bytes, name: str = "points.csv") -> str:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return str(path)


WANTED = [[1.5, 2.0, 3.0], [4.0, -5.0, 6e1]]


@pytest.mark.parametrize(
    "text",
    [
        "easting,northing,elevation\n1.5,2,3\n4,-5,6e1\n",
        "Elevation;NORTHING; Easting \n3;2;1.5\n60;-5;4\n",
        "Elevation;NORTHING;Easting\n3,0;2,0;1,5\n60,0;-5,0;4,0\n",
        "name\teasting\tnorthing\televation\na,b\t1.5\t2\t3\n\t4\t-5\t60",
        '\ufeff\n\n"easting","northing","elevation","note"\r\n1.5,2,3,"a, b"\r\n4,-5,60,#3\r\n',
        "point,easting,northing,elevation\n1,1.5,2,3\n\n2,4,-5,60\n\n",
        "easting,northing,elevation\r1.5,2,3\r4,-5,60\r",
    ],
)
def test_tables_are_read_whatever_their_order_capitals_and_separator(
    tmp_path: Path, text: str
) -> None:
    points = read_points(table(tmp_path, text))
    np.testing.assert_array_equal(points.positions, WANTED)
    assert points.crs_wkt is None


@pytest.mark.parametrize("quote", ["", '"'])
def test_an_endless_header_is_refused(tmp_path: Path, quote: str) -> None:
    header = quote + "n" * 500_000 + quote
    assert "none of the names of columns" in fault(
        read_points, table(tmp_path, f"{header}\n1,2,3\n")
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "there is nothing in it"),
        ("easting,northing,elevation\n", "expected points"),
        ("easting,northing,elevatoin\n1,2,3\n", 'no column elevation; expected the'),
        ("easting,northing,elevatoin\n1,2,3\n", 'rename "elevatoin"'),
        ("1,2,3\n4,5,6\n", "none of the names of columns"),
        ("easting,northing,elevation\n1,2,3\n1,x,3\n", 'points.csv:3: northing is "x"'),
        ("easting,northing,elevation\n1,2,3\n\n1,2\n", 'points.csv:4: elevation is blank'),
        ("easting,northing,elevation\n1,2,nan\n", 'points.csv:2: elevation is "nan"'),
        ("easting,northing,elevation\n1,2,1e999\n", "points.csv:2: elevation"),
        (b"easting,northing,elevation\n\xff,1,2\n", "not UTF-8"),
        (b"easting,northing,elevation\n1\0,1,2\n", "NUL byte"),
        ("easting,northing,elevation\n" + '"1,2,3\n' * 20_000, "points.csv"),
    ],
)  # fmt: skip
def test_a_table_that_cannot_be_read_says_where(
    tmp_path: Path, text: str | bytes, expected: str
) -> None:
    assert expected in fault(read_points, table(tmp_path, text))


def test_all_bad_cells_are_told_together(tmp_path: Path) -> None:
    rows = "".join(f"{n},x,3\n" for n in range(30))
    found = fault(read_points, table(tmp_path, f"easting,northing,elevation\n{rows}"))
    assert found.count("\n") == 29


def layer(
    path: Path,
    driver: str,
    geometry: str,
    rows: list[tuple[Any, dict[str, Any]]],
    name: str | None = None,
) -> str:
    schema = {"geometry": geometry, "properties": {"Elevation": "float"}}
    with fiona.open(path, "w", driver=driver, schema=schema, crs="EPSG:25832", layer=name) as file:
        for coordinates, properties in rows:
            file.write(
                {
                    "type": "Feature",
                    "geometry": None
                    if coordinates is None
                    else {"type": geometry.removeprefix("3D "), "coordinates": coordinates},
                    "properties": properties,
                }
            )
    return str(path)


@pytest.mark.parametrize(
    ("driver", "name"), [("GPKG", "p.gpkg"), ("GeoJSON", "p.geojson"), (SHAPEFILE, "p.shp")]
)
def test_point_layers_are_read_with_z_or_with_a_field(
    tmp_path: Path, driver: str, name: str
) -> None:
    rows = [((e, n, z), {"Elevation": -1.0}) for e, n, z in WANTED]
    found = read_points(layer(tmp_path / name, driver, "3D Point", rows))
    np.testing.assert_array_equal(found.positions, WANTED)
    assert found.crs_wkt is not None
    flat = [((e, n), {"Elevation": z}) for e, n, z in WANTED]
    found = read_points(layer(tmp_path / f"flat_{name}", driver, "Point", flat))
    np.testing.assert_array_equal(found.positions, WANTED)


def test_of_several_layers_the_points_are_taken_or_the_one_that_is_named(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    layer(path, "GPKG", "Point", [((1, 1), {"Elevation": 1.0})], "baseline_marks")
    other = fault(
        read_points, layer(path, "GPKG", "Point", [((2, 2), {"Elevation": 2.0})], "spots")
    )
    assert "one of baseline_marks, spots" in other
    assert 'did you mean "spots"?' in fault(read_points, str(path), "spot")
    assert read_points(str(path), "spots").positions.tolist() == [[2, 2, 2]]
    layer(path, "GPKG", "Point", [((3, 3), {"Elevation": 3.0})], "points")
    assert read_points(str(path)).positions.tolist() == [[3, 3, 3]]


def test_layers_without_usable_points_are_refused(tmp_path: Path) -> None:
    line = layer(
        tmp_path / "l.geojson", "GeoJSON", "LineString", [([(0, 0), (1, 1)], {"Elevation": 1.0})]
    )
    assert "LineString" in fault(read_points, line)
    bare = layer(tmp_path / "b.geojson", "GeoJSON", "Point", [((0, 0), {"Elevation": None})])
    assert "no elevation" in fault(read_points, bare)
    none = layer(tmp_path / "n.gpkg", "GPKG", "Point", [(None, {"Elevation": 1.0})])
    assert "is nothing" in fault(read_points, none)
    database = tmp_path / "d.gpkg"
    sqlite3.connect(database).execute("CREATE TABLE t (a)").connection.close()
    assert "no GeoPackage" in fault(read_points, str(database))
    noise = table(tmp_path, b"\x00\x01\x02" * 100, "noise.gpkg")
    assert "cannot be read as a point layer" in fault(read_points, noise)
    # a virtual layer could point to the network or to any file
    virtual = (
        '<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>/etc/hostname</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    assert "cannot be read" in fault(read_points, table(tmp_path, virtual, "x.vrt"))


def raster(
    path: Path,
    values: Any = None,
    crs: str | None = "EPSG:25832",
    transform: Any = None,
    **more: Any,
) -> str:
    values = np.arange(20.0, dtype=np.float32).reshape(4, 5) if values is None else values
    bands = values if values.ndim == 3 else values[None]
    place = transform or from_origin(500_000, 5_000_000, 2.0, 2.0)
    with rasterio.open(
        path, "w", driver="GTiff", width=bands.shape[2], height=bands.shape[1], count=len(bands),
        dtype=bands.dtype, crs=crs, transform=place, nodata=more.pop("nodata", -9999),
    ) as file:  # fmt: skip
        for name, value in more.items():
            setattr(file, name, value)
        file.write(bands)
    return str(path)


def test_an_elevation_raster_is_read_with_its_place_units_and_nodata(tmp_path: Path) -> None:
    values = np.arange(20.0, dtype=np.float32).reshape(4, 5)
    values[1, 2] = -9999
    found = read_elevation(raster(tmp_path / "a.tif", values))
    assert found.grid.shape == (4, 5)
    assert (found.grid.west, found.grid.north, found.grid.cell_size) == (500_000, 5_000_000, 2.0)
    assert np.isnan(found.values[1, 2])
    assert found.values[3, 4] == 19
    assert found.values.dtype == np.float32
    assert (found.frame.crs_name, found.z_factor) == ("EPSG:25832", 1.0)


@pytest.mark.parametrize(
    ("crs", "unit", "factor"),
    [
        ("EPSG:25832", "ft", 0.3048),
        ("EPSG:2264", None, 1.0),  # US survey feet, elevations taken to be in the same
        ("EPSG:2264", "m", 3937 / 1200),
        ("EPSG:25832+6360", None, 1200 / 3937),
        ("EPSG:25832+6360", "ft", 1200 / 3937),  # of which foot only the CRS says
    ],
)
def test_elevations_in_another_unit_than_the_map(
    tmp_path: Path, crs: str, unit: str | None, factor: float
) -> None:
    place = from_origin(1_540_000, 640_000, 2.0, 2.0) if "2264" in crs else None
    units = {"units": (unit,)} if unit else {}
    found = read_elevation(raster(tmp_path / "a.tif", crs=crs, transform=place, **units))
    assert found.z_factor == pytest.approx(factor, rel=1e-12)


def test_a_band_and_a_vertical_crs_of_two_units_are_refused(tmp_path: Path) -> None:
    path = raster(tmp_path / "a.tif", crs="EPSG:25832+7837", units=("ft",))
    with pytest.raises(InputError, match=r"in feet, those of its CRS \(.*\) are in metres"):
        read_elevation(path)


def test_whole_numbers_with_scale_and_offset(tmp_path: Path) -> None:
    values = np.array([[1, 2], [3, -9999]], dtype=np.int16)
    path = raster(tmp_path / "a.tif", values, scales=(0.5,), offsets=(100.0,))
    np.testing.assert_array_equal(read_elevation(path).values, [[100.5, 101], [101.5, np.nan]])


def test_an_ascii_grid_is_read_with_its_projection_beside_it(tmp_path: Path) -> None:
    text = (
        "ncols 2\nnrows 2\nxllcorner 500000\nyllcorner 5000000\ncellsize 2\nnodata_value -9\n"
        "1 2\n3 -9\n"
    )
    path = table(tmp_path, text, "a.asc")
    assert "which CRS" in fault(read_elevation, path)
    (tmp_path / "a.prj").write_text(pyproj.CRS.from_epsg(25832).to_wkt("WKT1_GDAL"))
    found = read_elevation(path)
    np.testing.assert_array_equal(found.values, [[1, 2], [3, np.nan]])
    assert found.grid.north == 5_000_004


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"crs": None}, "does not say which CRS"),
        ({"crs": "EPSG:4326", "transform": from_origin(9, 48, 1e-5, 1e-5)}, "geographic"),
        ({"crs": "EPSG:3857"}, "Web Mercator"),
        ({"transform": from_origin(500_000, 5_000_000, 2.0, 3.0)}, "2 wide and 3 high"),
        ({"transform": Affine(2, 0.5, 500_000, 0.5, -2, 5_000_000)}, "turned"),
        ({"transform": Affine(2, 0, 500_000, 0, 2, 5_000_000)}, "upside down"),
        ({"values": np.zeros((2, 3, 3), np.float32)}, "2 bands"),
        ({"values": np.full((3, 3), -9999, np.float32)}, "no elevation at all"),
        ({"values": np.full((3, 3), np.nan, np.float32), "nodata": None}, "no elevation at all"),
    ],
)
def test_rasters_that_cannot_be_worked_with(
    tmp_path: Path, more: dict[str, Any], expected: str
) -> None:
    assert expected in fault(read_elevation, raster(tmp_path / "a.tif", **more))


def test_a_raster_too_large_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=50_000, height=50_000, count=1, dtype="float32",
        crs="EPSG:25832", transform=from_origin(0, 0, 2, 2), sparse_ok=True, tiled=True,
    ):  # fmt: skip
        pass
    assert path.stat().st_size < 1_000_000
    assert "50000 rows of 50000 cells, 10.0 GB" in fault(read_elevation, str(path))


def test_damaged_and_foreign_files(tmp_path: Path) -> None:
    whole = Path(
        raster(tmp_path / "a.tif", np.random.default_rng(1).random((300, 300), np.float32))
    )
    cut = table(tmp_path, whole.read_bytes()[:5000], "cut.tif")
    assert "cannot be read" in fault(read_elevation, cut)
    assert "neither GeoTIFF nor" in fault(read_elevation, table(tmp_path, "hello", "b.tif"))
    assert "neither GeoTIFF nor" in fault(read_elevation, table(tmp_path, "", "c.tif"))
    virtual = (
        '<VRTDataset rasterXSize="5" rasterYSize="4"><VRTRasterBand dataType="Float32" band="1">'
        f"<SimpleSource><SourceFilename>{whole}</SourceFilename></SimpleSource>"
        "</VRTRasterBand></VRTDataset>"
    )
    assert "neither GeoTIFF nor" in fault(read_elevation, table(tmp_path, virtual, "d.vrt"))
    named = tmp_path / "GTIFF_DIR:1:a.tif"
    named.write_bytes(whole.read_bytes())
    assert read_elevation(str(named)).grid.shape == (300, 300)


@pytest.mark.parametrize(
    ("text", "name", "vertical"),
    [
        ("EPSG:25832", "EPSG:25832", None),
        ("http://www.opengis.net/def/crs/EPSG/0/25832", "EPSG:25832", None),
        (" EPSG:25832+7837 ", "EPSG:25832", "EPSG:7837"),
    ],
)
def test_ways_to_name_a_crs(text: str, name: str, vertical: str | None) -> None:
    frame = map_frame(text, EXTENT)
    assert (frame.crs_name, frame.vertical_name) == (name, vertical)
    # 500000 is the central meridian of a UTM zone: scale 0.9996 there (Snyder 1987, p. 57)
    assert frame.grid_scale_factor == pytest.approx(0.9996, abs=1e-7)


@pytest.mark.parametrize(
    "text", ["", "EPSG:4979", "EPSG:99999999", "http://127.0.0.1/crs", "x" * 9]
)
def test_what_is_no_map_crs(text: str) -> None:
    assert fault(map_frame, text, EXTENT)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("1e308,2,3", "easting of point number 2 is 1e+308; expected at most 1e+09"),
        ("1,-1e12,3", "northing of point number 2 is -1e+12"),
        ("1,2,1e300", "elevation of point number 2 is 1e+300; expected at most 1e+06"),
    ],
)
def test_numbers_that_are_nowhere_on_earth_are_refused(row: str, said: str, tmp_path: Path) -> None:
    table = tmp_path / "points.csv"
    table.write_text(f"easting,northing,elevation\n1,2,3\n{row}\n4,5,6\n")
    with pytest.raises(InputError) as refused:
        read_points(str(table))
    assert said in str(refused.value)


@pytest.mark.parametrize("cell", ["1_000", "\u0661"])
def test_a_number_that_only_a_program_would_take_is_named(tmp_path: Path, cell: str) -> None:
    path = tmp_path / "p.csv"
    path.write_text(f"easting,northing,elevation\n\x0c\n{cell},2,3\n", encoding="utf-8")
    with pytest.raises(InputError, match=f':3: easting is "{cell}"'):
        read_points(str(path))


def test_the_first_point_that_is_no_place_is_named(tmp_path: Path) -> None:
    places = [(1, 1, 1), (2, 2, math.nan), (math.nan, 3, 3)]
    rows = [(place, {"Elevation": 1.0}) for place in places]
    path = layer(tmp_path / "nan.gpkg", "GPKG", "3D Point", rows)
    assert "point number 2 is not finite" in fault(read_points, path)
