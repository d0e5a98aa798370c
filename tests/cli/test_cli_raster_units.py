"""Rasters of something else than elevations, handed to what works with elevations."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
from cli_runner import geosite
from rasterio import Affine


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("ground") / "ground.tif"
    r, c = np.mgrid[:12, :14]
    with rasterio.open(
        path, "w", driver="GTiff", width=14, height=12, count=1, dtype="float32",
        crs="EPSG:25832", transform=Affine(2, 0, 500_000, 0, -2, 5_000_000), nodata=-9999,
    ) as file:  # fmt: skip
        file.write((20.0 - 0.05 * r + 0.02 * c).astype(np.float32), 1)
        file.units = ("m",)
    return path


@pytest.mark.parametrize("process", ["derive-slope", "derive-drainage", "trace-contours"])
@pytest.mark.parametrize("unit", ["percent", "degree", "ratio", "Degrees", "%", "m2", "cm"])
def test_what_is_no_elevation_by_its_unit_is_refused(
    ground: Path, tmp_path: Path, process: str, unit: str
) -> None:
    other = tmp_path / "other.tif"
    shutil.copy(ground, other)
    with rasterio.open(other, "r+") as file:
        file.units = (unit,)
    done = geosite("execute", process, "--elevation", other, "--out", tmp_path / "out")
    assert done.status == 2
    (line,) = done.err.strip().splitlines()
    assert f'other.tif: the raster says that its values are in "{unit}"' in line
    assert "elevations in metres or feet" in line
    assert "choose the raster of the elevations" in line
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("unit", ["m", "ft", "", "some datum"])
def test_elevations_and_words_that_say_nothing_are_taken(
    ground: Path, tmp_path: Path, unit: str
) -> None:
    other = tmp_path / "other.tif"
    shutil.copy(ground, other)
    with rasterio.open(other, "r+") as file:
        file.units = (unit,)
    done = geosite("execute", "derive-slope", "--elevation", other, "--out", tmp_path / "out")
    assert done.status == 0


@pytest.mark.parametrize("name", ["slope", "aspect"])
def test_the_slope_that_geosite_writes_is_no_ground(
    ground: Path, tmp_path: Path, name: str
) -> None:
    assert geosite("execute", "derive-slope", "--elevation", ground, "--out", tmp_path).status == 0
    done = geosite(
        "execute", "derive-drainage", "--elevation", tmp_path / f"{name}.tif", "--out",
        tmp_path / "water",
    )  # fmt: skip
    assert done.status == 2
    assert "values are in" in done.err
