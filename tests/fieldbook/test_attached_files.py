"""Files that a site file names beside the field book: what is read, and what is refused."""

import warnings
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
import rasterio
from fieldbook_cases import BOOK, SITE, faults, write
from pyproj import CRS
from rasterio.transform import Affine

from geosite.base.errors import InputError
from geosite.fieldbook.attached_files import Attached
from geosite.fieldbook.read import read_survey

E, N = 512310.0, 5276100.0  # the first mark of the baseline


def triangle(east: float, north: float, side: float = 9.0) -> dict[str, Any]:
    ring = [(east, north), (east + side, north), (east + side, north + side), (east, north)]
    return {"type": "Polygon", "coordinates": [ring]}


SQUARE = triangle(E, N)
PARCELS = SITE + '[parcels]\nfile = "parcels.gpkg"\nname_field = "lot"\n'  # lines 21 to 23
SURFACE = SITE + '[earthworks.pit]\nfeature = "landing"\nsurface = "below.tif"\n'


def parcels(path: Path, shapes: list[Any], crs: str | None = "EPSG:25832") -> None:
    kind = shapes[0]["type"] if shapes and shapes[0] else "Polygon"
    schema = {"geometry": kind, "properties": {"lot": "str"}}
    with fiona.open(path, "w", driver="GPKG", schema=schema, crs=crs) as out:
        for i, shape in enumerate(shapes):
            out.write({"geometry": shape, "properties": {"lot": f"12/{i}"}})


def surface(path: Path, transform: Affine, crs: str | None = "EPSG:25832") -> None:
    profile = {"driver": "GTiff", "width": 3, "height": 2, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", **profile, crs=crs, transform=transform, nodata=-9999) as out:
        out.write(np.array([[1, 2, 3], [4, 5, -9999]], dtype="float32"), 1)


def read(folder: Path, site: str) -> Attached:
    return read_survey(write(folder, BOOK, site)).attached


def test_nothing_attached(tmp_path: Path) -> None:
    found = read(tmp_path, SITE)
    assert found.parcels is None
    assert (found.limit_tables, found.limits_file, found.surfaces) == ({}, "", {})


def test_parcel_map(tmp_path: Path) -> None:
    parcels(tmp_path / "parcels.gpkg", [SQUARE, None, triangle(E + 9, N)])
    found = read(tmp_path, PARCELS).parcels
    assert found is not None
    assert found.names == ("12/0", "12/2")
    assert [shape.area for shape in found.shapes] == [40.5, 40.5]
    assert found.repeated == 0
    assert "25832" in found.crs_wkt
    found = read(tmp_path, PARCELS.replace('name_field = "lot"\n', "")).parcels
    assert found is not None
    assert found.names == ("1", "3")


def test_no_more_of_a_parcel_map_is_read_than_lies_round_the_survey(tmp_path: Path) -> None:
    # the survey is 10 m long; parcels up to 500 m round it count
    far = [triangle(E + 1000, N), triangle(E, N + 600), triangle(0, 0)]
    parcels(tmp_path / "parcels.gpkg", [*far, triangle(E + 400, N)])
    found = read(tmp_path, PARCELS).parcels
    assert found is not None
    assert found.names == ("12/3",)
    assert 500 < found.reach_m < 520


def test_the_window_is_the_same_in_another_crs_and_from_latitude_and_longitude(
    tmp_path: Path,
) -> None:
    # the first mark is at 9.16388 E, 47.63818 N; the parcel map is in WGS 84
    near, far = triangle(9.163, 47.638, 0.001), triangle(9.263, 47.638, 0.001)
    parcels(tmp_path / "parcels.gpkg", [near, far], "EPSG:4326")
    found = read(tmp_path, PARCELS).parcels
    assert found is not None
    assert found.names == ("12/0",)
    site = PARCELS.replace("easting = 512310.0", "longitude = 9.16388").replace(
        "northing = 5276100.0", "latitude = 47.63818", 1
    )
    found = read(tmp_path, site).parcels
    assert found is not None
    assert found.names == ("12/0",)


def test_the_same_polygon_many_times_is_read_once(tmp_path: Path) -> None:
    parcels(tmp_path / "parcels.gpkg", [SQUARE] * 40 + [triangle(E + 9, N)])
    found = read(tmp_path, PARCELS).parcels
    assert found is not None
    assert found.names == ("12/0", "12/40")
    assert found.repeated == 39


def test_empty_parts_of_a_parcel_are_nothing(tmp_path: Path) -> None:
    # a row whose second part is empty, as WKB: no writer makes one, some files hold one
    import shapely
    from pyogrio.raw import write as write_layer

    ring = SQUARE["coordinates"][0]
    whole = shapely.MultiPolygon([shapely.Polygon(ring), shapely.Polygon()])
    blobs = np.array([shapely.to_wkb(whole), shapely.to_wkb(shapely.MultiPolygon())], object)
    lots = [np.array(["12/0", "12/1"], object)]
    write_layer(
        tmp_path / "parcels.gpkg",
        blobs,
        lots,
        ["lot"],
        crs="EPSG:25832",
        geometry_type="MultiPolygon",
    )
    found = read(tmp_path, PARCELS).parcels
    assert found is not None
    assert found.names == ("12/0",)
    assert found.shapes[0].area == 40.5


def test_too_many_parcels_are_refused(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.polygons.MOST_POLYGONS", 3)
    parcels(tmp_path / "parcels.gpkg", [triangle(E + k, N) for k in range(4)])
    expected = (2, [("site.toml", 22, "parcels-too-many")])
    assert faults(write(tmp_path, BOOK, PARCELS)) == expected


def test_reading_leaves_nothing_behind(tmp_path: Path) -> None:
    schema = {"geometry": "Polygon", "properties": {"lot": "str"}}
    with fiona.open(
        tmp_path / "map.gml", "w", driver="GML", schema=schema, crs="EPSG:25832"
    ) as out:
        out.write({"geometry": SQUARE, "properties": {"lot": "12/0"}})
    (tmp_path / "map.xsd").unlink()
    surface(tmp_path / "below.tif", Affine(1, 0, 5, 0, -1, 5))
    site = PARCELS.replace("parcels.gpkg", "map.gml") + SURFACE.removeprefix(SITE)
    path = write(tmp_path, BOOK, site)
    before = sorted(p.name for p in tmp_path.iterdir())
    found = read_survey(path).attached.parcels
    assert found is not None
    assert found.names == ("12/0",)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_limit_sets(tmp_path: Path) -> None:
    (tmp_path / "limits.toml").write_text("[mine]\nrunning_slope = 5.0\n")
    found = read(tmp_path, SITE + '[grades]\nlimits_file = "limits.toml"\n')
    assert found.limit_tables == {"mine": {"running_slope": 5.0}}
    assert found.limits_file == str(tmp_path / "limits.toml")


def test_second_surface(tmp_path: Path) -> None:
    surface(tmp_path / "below.tif", Affine(0.5, 0, 100, 0, -0.25, 200))
    found = read(tmp_path, SURFACE).surfaces["pit"]
    np.testing.assert_array_equal(found.values, [[1, 2, 3], [4, 5, np.nan]])
    assert (found.west, found.north, found.cell_east, found.cell_north) == (100, 200, 0.5, 0.25)


LINE = {"type": "LineString", "coordinates": [(0, 0), (1, 1)]}


@pytest.mark.parametrize(
    ("shapes", "crs", "site", "code"),
    [
        ([LINE], "EPSG:25832", PARCELS, "parcels-no-polygons"),
        ([], "EPSG:25832", PARCELS, "parcels-no-polygons"),
        ([SQUARE], None, PARCELS, "parcels-no-crs"),
        ([SQUARE], "EPSG:25832", PARCELS.replace('"lot"', '"plot"'), "parcels-name-field"),
        ([SQUARE], "EPSG:25832", PARCELS + 'layer = "x"\n', "layer-unknown"),
    ],
)
def test_parcel_map_refused(tmp_path: Path, shapes, crs, site: str, code: str) -> None:
    parcels(tmp_path / "parcels.gpkg", shapes, crs)
    assert faults(write(tmp_path, BOOK, site)) == (2, [("site.toml", 22, code)])


@pytest.mark.parametrize("name", ["parcels.gpkg", "parcels.geojson", "parcels.shp"])
@pytest.mark.parametrize(
    "content",
    [
        b"<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>b.gpkg</SrcDataSource>"
        b"</OGRVRTLayer></OGRVRTDataSource>",
        b"no parcels",
        b"",
        b"SQLite format 3\0" + b"\xff" * 300,
        b'{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},'
        b' "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}}]}',
    ],
    ids=["VRT", "text", "empty", "SQLite", "half a polygon"],
)
def test_not_a_parcel_map(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    parcels(tmp_path / "b.gpkg", [SQUARE])
    site = SITE + f'[parcels]\nfile = "{name}"\n'
    assert faults(write(tmp_path, BOOK, site)) == (2, [("site.toml", 22, "parcels-unreadable")])


def test_limit_sets_with_a_mistake_have_its_line(tmp_path: Path) -> None:
    (tmp_path / "limits.toml").write_text("[mine]\nrunning = \n")
    site = SITE + '[grades]\nlimits_file = "limits.toml"\n'
    assert faults(write(tmp_path, BOOK, site)) == (2, [("limits.toml", 2, "toml-syntax")])


@pytest.mark.parametrize(
    ("transform", "crs", "code"),
    [
        (Affine(1, 0, 5, 0, 1, 5), "EPSG:25832", "surface-not-north-up"),
        (Affine(1, 0.1, 5, 0.1, -1, 5), "EPSG:25832", "surface-not-north-up"),
        (Affine(-1, 0, 5, 0, -1, 5), "EPSG:25832", "surface-not-north-up"),
        (Affine(1, 0, 5, 0, -1, 5), None, "surface-no-crs"),
    ],
)
def test_surface_refused(tmp_path: Path, transform: Affine, crs, code: str) -> None:
    surface(tmp_path / "below.tif", transform, crs)
    assert faults(write(tmp_path, BOOK, SURFACE)) == (2, [("site.toml", 23, code)])


def test_surface_without_a_place(tmp_path: Path) -> None:
    profile = {"driver": "GTiff", "width": 3, "height": 2, "count": 1, "dtype": "float32"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(tmp_path / "below.tif", "w", **profile):
            pass
    expected = (2, [("site.toml", 23, "surface-no-crs")])
    assert faults(write(tmp_path, BOOK, SURFACE)) == expected


def test_surface_too_large(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.second_surface.CELLS", 5)
    surface(tmp_path / "below.tif", Affine(1, 0, 5, 0, -1, 5))
    assert faults(write(tmp_path, BOOK, SURFACE)) == (2, [("site.toml", 23, "surface-too-large")])


def test_not_a_surface(tmp_path: Path) -> None:
    (tmp_path / "below.tif").write_text("<VRTDataset rasterXSize='1' rasterYSize='1'></VRTDataset>")
    assert faults(write(tmp_path, BOOK, SURFACE)) == (2, [("site.toml", 23, "surface-unreadable")])


def test_a_surface_with_a_word_among_its_cells(tmp_path: Path) -> None:
    header = "ncols 2\nnrows 2\nxllcorner 5\nyllcorner 5\ncellsize 1\n"
    (tmp_path / "below.prj").write_text(CRS.from_epsg(25832).to_wkt("WKT1_GDAL"))
    site = SURFACE.replace("below.tif", "below.asc")
    (tmp_path / "below.asc").write_text(header + "1 2\n3 abc\n")
    told = faults(write(tmp_path, BOOK, site))
    assert told == (2, [("below.asc", 7, "grid-cell-not-number")])


def test_a_surface_of_complex_numbers(tmp_path: Path) -> None:
    with rasterio.open(
        tmp_path / "below.tif", "w", driver="GTiff", width=3, height=2, count=1, dtype="complex64",
        crs="EPSG:25832", transform=Affine(1, 0, 5, 0, -1, 5),
    ):  # fmt: skip
        pass
    assert faults(write(tmp_path, BOOK, SURFACE)) == (2, [("site.toml", 23, "surface-complex")])


def test_all_of_them_are_told_together(tmp_path: Path) -> None:
    (tmp_path / "parcels.gpkg").write_text("none")
    site = PARCELS + '[grades]\nlimits_file = "limits.toml"\n' + SURFACE.removeprefix(SITE)
    assert faults(write(tmp_path, BOOK.replace("R1,B2,10", "R1,B2,ten"), site)) == (
        2,
        [
            ("book.csv", 3, "not-a-number"),
            ("site.toml", 22, "parcels-unreadable"),
            ("site.toml", 25, "file-missing"),
            ("site.toml", 28, "file-missing"),
        ],
    )


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ('[device]\nwalk = "far"\n', 2, 'device.walk is "far"; expected a number'),
        ("[device]\n\nwalk = -1.0\n", 3, "device.walk is -1.0; expected a number at least 0"),
        ("[device]\nwalks = 1.0\n", 2, 'unknown key "walks" in [device]'),
        ("[device]\nwalk = inf\n", 2, "device.walk is inf; expected a finite number"),
        ("[device]\nwalk = nan\n", 2, "device.walk is nan; expected a finite number"),
        (f"[device]\nwalk = {10**400}\n", 2, "device.walk is a huge whole number"),
        ("[device]\nwalk = 1e30\n", 2, "device.walk is 1e+30; expected at most 1e+12"),
    ],
)
def test_a_device_file_is_told_in_our_words(
    tmp_path: Path, text: str, line: int, says: str
) -> None:
    (tmp_path / "device.toml").write_text(text)
    site = SITE + '[survey.device]\nfile = "device.toml"\n'
    with pytest.raises(InputError) as told:
        read_survey(write(tmp_path, BOOK, site))
    (problem,) = told.value.problems
    assert (Path(problem.file or "").name, problem.line) == ("device.toml", line)
    assert says in str(problem)


def test_a_file_without_a_device_is_told_at_the_key_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "device.toml").write_text("[yard]\nwalk = 1\n")
    site = SITE + '[survey.device]\nfile = "device.toml"\n'
    with pytest.raises(InputError, match="has no table \\[device\\]") as told:
        read_survey(write(tmp_path, BOOK, site))
    assert told.value.problems[0].line == site.count("\n")
