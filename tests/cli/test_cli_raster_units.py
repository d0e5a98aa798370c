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


def test_ponds_of_a_raster_in_feet_are_told_in_feet(tmp_path: Path) -> None:
    """A bowl of 3 by 3 cells of 10 ft, 2 ft deep: 1800 cubic feet are 66.67 cubic yards."""
    high = np.full((9, 9), 30.0, np.float32)
    high[3:6, 3:6] = 28.0
    path = tmp_path / "bowl.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=9, height=9, count=1, dtype="float32",
        crs="EPSG:2264", transform=Affine(10, 0, 1_540_000, 0, -10, 540_000), nodata=-9999,
    ) as file:  # fmt: skip
        file.write(high, 1)
    done = geosite("execute", "derive-drainage", "--elevation", path, "--out", tmp_path / "out")
    assert done.status == 0
    assert "deepest: 2.000 ft" in done.err
    told = next(line for line in done.err.splitlines() if "ponding volume" in line)
    assert told.endswith(" yd3")
    assert float(told.split()[-2]) == pytest.approx(1800 / 27, abs=0.01)
