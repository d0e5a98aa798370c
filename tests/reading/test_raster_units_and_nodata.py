"""Rasters that do not say their unit, or what stands for nothing."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from geosite.base.errors import InputError
from geosite.reading.rasters import open_elevation, read_elevation


def raster(path: Path, values: np.ndarray, unit: str = "", **given: object) -> str:
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1,
        dtype="float32", transform=Affine(1, 0, 512000, 0, -1, 5276000),
        **{"crs": "EPSG:25832", **given},
    ) as out:  # fmt: skip
        out.write(values.astype(np.float32), 1)
        if unit:
            out.units = [unit]
    return str(path)


GROUND = 402 + np.add.outer(np.arange(6), np.arange(8)) / 10


def code(file: str, **given: object) -> str:
    with pytest.raises(InputError) as caught:
        read_elevation(file, **given)
    return caught.value.problems[0].code


def test_undeclared_nodata_is_refused_with_the_value(tmp_path: Path) -> None:
    holes = GROUND.copy()
    holes[0, :3] = -9999
    with pytest.raises(InputError, match="3 cells are -9999") as caught:
        read_elevation(raster(tmp_path / "a.tif", holes))
    assert "set the nodata value of the raster to -9999" in str(caught.value)
    read = read_elevation(raster(tmp_path / "b.tif", holes, nodata=-9999))
    assert np.isnan(read.values).sum() == 3


def test_a_second_value_for_nothing_beside_the_declared_one_is_refused(tmp_path: Path) -> None:
    """As in a raster that one program cut and another filled: the ponds were 100 km deep."""
    holes = GROUND.copy()
    holes[0, :3], holes[4, 2] = -9999, -99999
    with pytest.raises(
        InputError, match=r"1 cell is -99999, far from .* only -9999 is decl"
    ) as caught:
        read_elevation(raster(tmp_path / "a.tif", holes, nodata=-9999))
    assert "give these cells the value -9999" in str(caught.value)


def test_undeclared_nodata_above_everything_is_counted_too(tmp_path: Path) -> None:
    holes = GROUND.copy()
    holes[2:4, 5] = 1e20
    with pytest.raises(
        InputError, match=r"2 cells are 1e\+20, far from all others \(402 to 403\.2\)"
    ):
        read_elevation(raster(tmp_path / "a.tif", holes))
    # the same where the rows come in parts, and the value lies in two of them
    with (
        open_elevation(raster(tmp_path / "b.tif", holes)) as source,
        pytest.raises(InputError, match=r"2 cells are 1e\+20"),
    ):
        source.ends(height=3)


@pytest.mark.parametrize(
    ("many", "value", "told"), [(12, 0.0, "12 cells are 0"), (1, -9998.9, "1 cell is -9998.9")]
)
def test_noughts_and_mixed_values_below_all_ground_are_refused(
    tmp_path: Path, many: int, value: float, told: str
) -> None:
    """A nought where nothing was known made cliffs of 400 m; one was mixed with its neighbours."""
    holes = GROUND.copy()
    holes[0, 0] = -9999
    holes[1:4, :4].flat[:many] = value
    with pytest.raises(InputError, match=rf"{told}, far from .*402.*, and only -9999 is decl"):
        read_elevation(raster(tmp_path / "a.tif", holes, nodata=-9999))


@pytest.mark.parametrize("lowest", [2.0, 12.0])
def test_a_level_of_nought_below_ground_is_an_elevation(tmp_path: Path, lowest: float) -> None:
    """Water that was made level, below a quay; a pad at the level that a site counts from."""
    quay = GROUND - 402 + lowest
    quay[:3, :4] = 0.0
    assert np.count_nonzero(read_elevation(raster(tmp_path / "a.tif", quay)).values == 0.0) == 12


def test_depths_near_a_usual_value_are_elevations(tmp_path: Path) -> None:
    deep = -999 + np.add.outer(np.arange(6), np.arange(8)) / 10
    assert np.isfinite(read_elevation(raster(tmp_path / "a.tif", deep)).values).all()


@pytest.mark.parametrize(("unit", "size"), [("ft", 0.3048), ("ftUS", 1200 / 3937), ("m", 1.0)])
def test_unit_of_the_elevations_may_be_given(tmp_path: Path, unit: str, size: float) -> None:
    file = raster(tmp_path / "a.tif", GROUND)
    assert read_elevation(file).z_factor == 1.0
    assert read_elevation(file, unit).z_factor == pytest.approx(size)


def test_unit_that_the_raster_contradicts_is_refused(tmp_path: Path) -> None:
    file = raster(tmp_path / "a.tif", GROUND, unit="ft")
    assert code(file, elevation_unit="m") == "raster-two-units"
    assert read_elevation(file, "ft").z_factor == pytest.approx(0.3048)


def test_feet_that_somebody_gives_are_those_of_the_raster(tmp_path: Path) -> None:
    """Who says feet seldom means which; the CRS does."""
    us_foot = 1200 / 3937
    for crs, given in (("EPSG:25832+6360", "ft"), ("EPSG:25832+6360", "ftUS")):
        file = raster(tmp_path / "a.tif", GROUND, crs=crs)
        assert read_elevation(file, given).z_factor == pytest.approx(us_foot, rel=1e-12)
    band = raster(tmp_path / "b.tif", GROUND, unit="ftUS")
    assert read_elevation(band, "ft").z_factor == pytest.approx(us_foot, rel=1e-12)
    band = raster(tmp_path / "c.tif", GROUND, unit="ft")
    assert read_elevation(band, "ftUS").z_factor == pytest.approx(us_foot, rel=1e-12)
    with pytest.raises(InputError, match=r"are in US survey feet \("):
        read_elevation(file, "m")
