"""Slope on a Dask cluster: the answer of this machine alone."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from dask_cluster import dask_cluster
from plain_cluster import ADDRESS, Client, KilledWorker, plain_cluster
from rasterio.transform import Affine

import geosite
from geosite.base.errors import InputError, Problem
from geosite.processes import derive_slope
from geosite.processes import raster_strips as in_strips
from geosite.processes.registry import Result


def raster(path: Path) -> str:
    draw = np.random.default_rng(4)
    z = (draw.normal(size=(120, 90)).cumsum(0).cumsum(1) / 10).astype(np.float32)
    z[30:34, 20:50] = -9999
    with rasterio.open(
        path, "w", driver="GTiff", width=90, height=120, count=1, dtype="float32",
        crs="EPSG:25832", nodata=-9999, transform=Affine(2, 0, 500_000, 0, -2, 5_000_000),
    ) as file:  # fmt: skip
        file.write(z, 1)
    return str(path)


def assert_same(here: Result, there: Result) -> None:
    assert there.summary["cells"] == here.summary["cells"]
    for name in ("slope", "aspect"):
        with (
            rasterio.open(here.outputs[name]["href"]) as one,
            rasterio.open(there.outputs[name]["href"]) as other,
        ):
            np.testing.assert_array_equal(one.read(1), other.read(1))


@pytest.mark.slow
def test_the_same_slope_as_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    elevation = raster(tmp_path / "e.tif")
    here = geosite.execute("derive-slope", {"elevation": elevation}, tmp_path / "here")
    monkeypatch.setattr(in_strips, "STRIP_CELLS", 90 * 13)
    monkeypatch.chdir(tmp_path)
    with dask_cluster() as scheduler:
        there = geosite.slope_on_cluster("e.tif", tmp_path / "there", scheduler)
    assert_same(here, there)


def test_strips_come_back_in_order_with_a_few_under_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elevation = raster(tmp_path / "e.tif")
    here = geosite.execute("derive-slope", {"elevation": elevation}, tmp_path / "here")
    monkeypatch.setattr(in_strips, "STRIP_CELLS", 90 * 5)
    monkeypatch.chdir(tmp_path)
    clients = plain_cluster(monkeypatch)
    there = geosite.slope_on_cluster("e.tif", tmp_path / "there", ADDRESS)
    assert_same(here, there)
    (client,) = clients
    assert len(client.given) == 24
    assert {given["elevation"] for given, *_ in client.given} == {elevation}, "a whole path"
    assert Client.threads < client.most_waiting <= 4 * Client.threads


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (KilledWorker("strip\n  7"), r"the cluster lost a strip \(KilledWorker: strip 7\)"),
        (InputError(Problem("gone", "it is gone", "a raster", "look")), "^it is gone; expected a"),
    ],
)
def test_a_strip_that_is_lost_is_told_and_nothing_is_written(
    error: Exception, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise error

    elevation = raster(tmp_path / "e.tif")
    plain_cluster(monkeypatch)
    monkeypatch.setattr(derive_slope, "slope_of_rows", fails)
    with pytest.raises(InputError, match=told):
        geosite.slope_on_cluster(elevation, tmp_path / "out", ADDRESS)
    assert not list(tmp_path.glob("out/*"))


def test_a_library_that_is_not_installed_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"not installed; .*; install geosite\[dask\]"):
        geosite.slope_on_cluster(raster(tmp_path / "e.tif"), tmp_path / "out", ADDRESS)


def test_no_scheduler_is_one_line_and_no_folder(tmp_path: Path) -> None:
    elevation = raster(tmp_path / "e.tif")
    with pytest.raises(InputError, match="no Dask scheduler answers at nowhere"):
        geosite.slope_on_cluster(elevation, tmp_path / "out", "nowhere")
    assert not (tmp_path / "out").exists()
