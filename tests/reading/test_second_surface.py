"""A second surface is what its own file says, whatever lies beside it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio

from geosite.base.errors import InputError, Problem
from geosite.base.map_frame import Frame
from geosite.reading.rasters import open_elevation
from geosite.reading.second_surface import read_surface, refuse_unlike

CRS = rasterio.CRS.from_epsg(25832).to_wkt()
ASIDE = """<PAMDataset>
  <SRS>EPSG:31467</SRS>
  <GeoTransform>0, 5, 0, 0, 0, -5</GeoTransform>
  <PAMRasterBand band="1">
    <NoDataValue>101</NoDataValue><Scale>3</Scale><Offset>7</Offset><UnitType>ft</UnitType>
    <Metadata><MDI key="STATISTICS_MAXIMUM">9999</MDI></Metadata>
  </PAMRasterBand>
</PAMDataset>
"""


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def raster(folder: Path, values: np.ndarray, bands: int = 1, **how: object) -> Path:
    path = folder / "old.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=3, height=2, count=bands, dtype=values.dtype,
        crs="EPSG:25832", transform=rasterio.Affine(1, 0, 512000, 0, -1, 5276000), nodata=-9999,
    ) as sink:  # fmt: skip
        for band in range(1, bands + 1):
            sink.write(values, band)
        if how:
            sink.scales, sink.offsets = [how["scale"]], [how["offset"]]
    return path


def test_a_side_file_of_another_raster_changes_nothing(tmp_path: Path) -> None:
    path = raster(tmp_path, np.array([[100, 101, 102], [103, -9999, 105]], "float32"))
    alone = read_surface(path, "old.tif", refuse)
    path.with_name("old.tif.aux.xml").write_text(ASIDE, "utf-8")
    with rasterio.open(path) as source:  # the library by itself would believe it
        assert source.nodata == 101
    beside = read_surface(path, "old.tif", refuse)
    assert np.array_equal(alone.values, beside.values, equal_nan=True)
    assert np.isnan(beside.values).sum() == 1
    assert beside.values[0, 1] == 101
    assert (beside.crs_wkt, beside.west, beside.cell_east) == (alone.crs_wkt, 512000.0, 1.0)
    # and so it is where a raster is the ground
    with open_elevation(str(path)) as ground:
        assert np.array_equal(ground.whole().values, alone.values, equal_nan=True)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["old.tif", "old.tif.aux.xml"]


def test_centimetres_that_the_file_calls_so_are_metres(tmp_path: Path) -> None:
    whole = np.array([[10000, 10150, 10200], [10300, -9999, 10500]], "int32")
    found = read_surface(raster(tmp_path, whole, scale=0.01, offset=2.0), "old.tif", refuse)
    assert found.values[0].tolist() == pytest.approx([102.0, 103.5, 104.0])
    assert np.isnan(found.values[1, 1])


def in_unit(folder: Path, unit: str) -> Path:
    path = raster(folder, np.full((2, 3), 1320.0, "float32"))
    with rasterio.open(path, "r+") as sink:
        sink.units = [unit]
    return path


def test_elevations_of_another_unit_are_refused_in_one_line(tmp_path: Path) -> None:
    metric, feet = Frame(crs_wkt=CRS), Frame(crs_wkt=CRS, height_unit_m=0.3048)
    found = read_surface(in_unit(tmp_path, "ft"), "old.tif", refuse)
    refuse_unlike(found, feet, "surface", refuse)
    survey_feet = Frame(crs_wkt=CRS, height_unit_m=1200 / 3937)
    refuse_unlike(found, survey_feet, "surface", refuse)  # a band in feet: in which, the site says
    with pytest.raises(InputError, match=r"in feet; .* in metres.* convert its values") as caught:
        refuse_unlike(found, metric, "surface", refuse)
    (problem,) = caught.value.problems
    assert problem.code == "surface-unit"
    for unit in ("m", "metre", ""):  # what is not stated is taken as the site's, as is documented
        found = read_surface(in_unit(tmp_path, unit), "old.tif", refuse)
        refuse_unlike(found, metric, "design", refuse)
    with pytest.raises(InputError, match=r'values are in "percent"'):
        read_surface(in_unit(tmp_path, "percent"), "old.tif", refuse)


def test_the_unit_of_a_vertical_crs_counts_too(tmp_path: Path) -> None:
    """A text grid states no unit of its band: only the heights of its CRS tell it."""
    state = rasterio.CRS.from_epsg(2264).to_wkt()
    us_foot = 1200 / 3937
    path = tmp_path / "old.asc"
    path.write_text(
        "ncols 3\nnrows 2\nxllcorner 1540000\nyllcorner 540000\ncellsize 1\n30 30 30\n30 30 30\n"
    )
    for heights, right, wrong in ((6360, us_foot, 1.0), (5703, 1.0, us_foot)):
        compound = rasterio.CRS.from_user_input(f"EPSG:2264+{heights}")
        path.with_suffix(".prj").write_text(compound.to_wkt())
        found = read_surface(path, "old.asc", refuse)
        assert found.unit == ""
        refuse_unlike(found, Frame(crs_wkt=state, height_unit_m=right), "surface", refuse)
        with pytest.raises(InputError, match=r"are in .* \(those of NAVD88 height") as caught:
            refuse_unlike(found, Frame(crs_wkt=state, height_unit_m=wrong), "surface", refuse)
        assert caught.value.problems[0].code == "surface-unit"


def test_a_picture_is_no_surface(tmp_path: Path) -> None:
    path = raster(tmp_path, np.zeros((2, 3), "float32"), bands=3)
    with pytest.raises(InputError, match=r"old\.tif has 3 bands; expected one band of elevations"):
        read_surface(path, "old.tif", refuse)
