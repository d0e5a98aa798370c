"""Rasters, read back with tifffile, rasterio and the Cloud Optimized GeoTIFF validator."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import package_cases
import pytest
from pyproj import CRS

from geosite.base.grid import Grid
from geosite.handover.formats.geotiff import write_raster
from geosite.handover.model import Raster


def raster(rows: int, cols: int, unit: str = "m", *, is_elevation: bool = True) -> Raster:
    random = np.random.default_rng(5)
    values = 402.0 + random.normal(size=(rows, cols)).cumsum(axis=0) * 0.01
    values[random.random((rows, cols)) < 0.1] = np.nan
    grid = Grid(512_300.0, 5_276_200.0, 0.25, rows, cols)
    return Raster("elevation", "Elevation", "Of the ground.", values, grid, unit, is_elevation)


def written(tmp_path: Path, given: Raster, **frame: Any) -> Path:
    path = tmp_path / "x.tif"
    write_raster(path, given, package_cases.frame(**frame))
    return path


def geo_keys(path: Path) -> dict[str, Any]:
    import tifffile

    with tifffile.TiffFile(path) as file:
        keys: dict[str, Any] = file.geotiff_metadata
        return keys


@pytest.mark.parametrize("shape", [(1, 1), (3, 900), (511, 513), (1100, 1300)])
def test_it_is_a_valid_cloud_optimized_geotiff(tmp_path: Path, shape: tuple[int, int]) -> None:
    from rio_cogeo import cog_validate

    path = written(tmp_path, raster(*shape))
    valid, errors, warnings = cog_validate(path, strict=True)
    assert (valid, errors, warnings) == (True, [], [])


def test_the_validator_would_object(tmp_path: Path) -> None:
    """A plain striped file of the same size is not one."""
    import rasterio
    from rio_cogeo import cog_validate

    path = tmp_path / "striped.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=1300, height=1100, count=1, dtype="float32",
        crs="EPSG:25832", transform=rasterio.Affine(1, 0, 9, 0, -1, 9),
    ) as file:  # fmt: skip
        file.write(np.zeros((1100, 1300), np.float32), 1)
    assert not cog_validate(path, strict=True)[0]


@pytest.mark.parametrize("shape", [(1, 1), (90, 120), (600, 1100)])
def test_cells_are_what_was_given(tmp_path: Path, shape: tuple[int, int]) -> None:
    import tifffile

    given = raster(*shape)
    path = written(tmp_path, given)
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert page.dtype == np.float32
        assert page.tags["GDAL_NODATA"].value.strip("\0 ") == "-9999"
        scale = page.tags["ModelPixelScaleTag"].value
        tie = page.tags["ModelTiepointTag"].value
        read = page.asarray()
    assert scale[:2] == (0.25, 0.25)
    assert tie == (0.0, 0.0, 0.0, 512_300.0, 5_276_200.0, 0.0)
    expected = np.where(np.isnan(given.values), -9999.0, given.values).astype(np.float32)
    assert np.array_equal(read, expected)


def test_map_and_vertical_system(tmp_path: Path) -> None:
    """Both EPSG codes are in the keys, and a reader that does nothing special is told both."""
    import rasterio

    path = written(tmp_path, raster(90, 120))
    keys = geo_keys(path)
    assert keys["ProjectedCSTypeGeoKey"] == 25832
    assert keys["VerticalCSTypeGeoKey"] == 7837
    assert (keys["KeyRevision"], keys["KeyRevisionMinor"]) == (1, 1)
    with rasterio.open(path) as file:
        whole = CRS.from_wkt(file.crs.to_wkt())
    assert whole.is_compound
    assert [part.to_epsg() for part in whole.sub_crs_list] == [25832, 7837]


def test_relative_elevations_and_other_rasters_have_no_vertical_system(tmp_path: Path) -> None:
    relative = written(tmp_path, raster(9, 9), vertical_wkt=None, vertical_name=None)
    assert "VerticalCSTypeGeoKey" not in geo_keys(relative)
    slope = written(tmp_path, raster(9, 9, "percent", is_elevation=False))
    assert "VerticalCSTypeGeoKey" not in geo_keys(slope)
    assert geo_keys(slope)["ProjectedCSTypeGeoKey"] == 25832


def test_a_map_in_feet(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        raster(9, 9, "US survey foot"),
        crs_wkt=CRS("EPSG:2264").to_wkt(),
        crs_name="EPSG:2264",
        vertical_wkt=CRS("EPSG:6360").to_wkt(),
        vertical_name="EPSG:6360",
    )
    keys = geo_keys(path)
    assert (keys["ProjectedCSTypeGeoKey"], keys["VerticalCSTypeGeoKey"]) == (2264, 6360)


def test_unit_description_and_statistics(tmp_path: Path) -> None:
    import rasterio

    given = raster(200, 300)
    with rasterio.open(written(tmp_path, given)) as file:
        assert file.units == ("m",)
        assert file.descriptions == ("Elevation",)
        assert file.tags()["TITLE"] == "Elevation"
        assert file.tags()["DESCRIPTION"] == "Of the ground."
        stated = {name: float(value) for name, value in file.tags(1).items()}
    cells = given.values[np.isfinite(given.values)].astype(np.float32).astype(np.float64)
    assert stated == {
        "STATISTICS_MINIMUM": cells.min(),
        "STATISTICS_MAXIMUM": cells.max(),
        "STATISTICS_MEAN": cells.mean(),
        "STATISTICS_STDDEV": cells.std(),
        "STATISTICS_VALID_PERCENT": pytest.approx(100 * cells.size / given.values.size, rel=1e-3),
    }


def test_nothing_but_nodata(tmp_path: Path) -> None:
    import rasterio

    given = raster(5, 5)
    given.values[:] = np.nan
    with rasterio.open(written(tmp_path, given)) as file:
        assert np.all(file.read(1) == -9999.0)
        assert "STATISTICS_MEAN" not in file.tags(1)


def test_directions_are_not_averaged_in_overviews(tmp_path: Path) -> None:
    """350 and 10 degrees are no 180: an overview of directions holds values that occur."""
    import rasterio

    values = np.tile([[350.0, 10.0], [10.0, 350.0]], (600, 600))
    grid = Grid(0.0, 1200.0, 1.0, 1200, 1200)
    given = Raster("drainage_direction", "Directions", "", values, grid, "degree")
    path = written(tmp_path, given)
    with rasterio.open(path) as file:
        assert file.overviews(1)
        factor = file.overviews(1)[0]
        small = file.read(1, out_shape=(1200 // factor, 1200 // factor))
    assert set(np.unique(small)) <= {350.0, 10.0}


@pytest.mark.slow
def test_the_same_raster_gives_the_same_bytes(tmp_path: Path) -> None:
    given = raster(600, 700)
    first = written(tmp_path, given).read_bytes()
    time.sleep(1.1)  # a clock in the file would show
    assert written(tmp_path, given).read_bytes() == first
    assert [p.name for p in tmp_path.iterdir()] == ["x.tif"]
