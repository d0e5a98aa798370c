"""Rasters larger than memory: the files of one piece, whatever is read at a time."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import fiona
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine

from geosite.base.errors import InputError, OutputRefused, Problem
from geosite.base.grid import MAX_CELLS, Grid
from geosite.base.large_rasters import ScratchFolder
from geosite.processes import raster_strips as in_strips
from geosite.processes.derive_slope import slope_of_rows
from geosite.processes.registry import execute
from geosite.terrain.slope import slope

ROWS, COLS = 300, 210


@pytest.fixture(scope="module")
def elevation(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Rough ground in feet over metres, with a lake, holes and tiles across the strips."""
    draw = np.random.default_rng(11)
    z = draw.normal(size=(ROWS, COLS)).cumsum(0).cumsum(1) / 20 + 300
    z = z.astype(np.float32)
    z[100:160, 50:120] = 280.0
    z[200:220, 10:40] = -9999
    path = tmp_path_factory.mktemp("ground") / "e.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=COLS, height=ROWS, count=1, dtype="float32",
        crs="EPSG:25832", nodata=-9999, tiled=True, blockxsize=64, blockysize=64,
        transform=Affine(2, 0, 500_000, 0, -2, 5_000_000),
    ) as file:  # fmt: skip
        file.units = ("ft",)
        file.write(z, 1)
    return str(path)


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in strips of 17 rows whatever the raster takes."""
    monkeypatch.setattr(in_strips, "MOST_BYTES", 1)
    monkeypatch.setattr(in_strips, "STRIP_CELLS", 17 * COLS)


def pair(process: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, **inputs: Any) -> Any:
    """Run a process at once and in strips."""
    at_once = execute(process, inputs, tmp_path / "at_once")
    monkeypatch.setattr(in_strips, "MOST_BYTES", 1)
    monkeypatch.setattr(in_strips, "STRIP_CELLS", 17 * COLS)
    said: list[str] = []
    parts = execute(
        process, inputs, tmp_path / "strips", progress=lambda _, words: said.append(words)
    )
    assert any(words.startswith("in 18 strips of 17 rows: some ") for words in said)
    names = sorted(path.name for path in (tmp_path / "at_once").iterdir())
    assert sorted(path.name for path in (tmp_path / "strips").iterdir()) == names
    return dict(at_once.summary), dict(parts.summary)


@pytest.mark.parametrize("unit", ["percent", "degree"])
def test_slope(elevation: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unit: str) -> None:
    one, other = pair("derive-slope", tmp_path, monkeypatch, elevation=elevation, unit=unit)
    assert other.pop("unit") == one.pop("unit") == unit
    assert other == pytest.approx(one, rel=1e-6)
    for name in ("slope.tif", "aspect.tif"):
        with (
            rasterio.open(tmp_path / "at_once" / name) as first,
            rasterio.open(tmp_path / "strips" / name) as second,
        ):
            # gentle slopes in degrees are a polynomial where a whole band is gentle
            np.testing.assert_allclose(
                first.read(1), second.read(1), rtol=3e-7 if unit == "degree" else 0
            )


@pytest.mark.slow
@pytest.mark.parametrize(
    "more",
    [
        {"method": "d8"},
        {"method": "d8", "codes": "power-of-two"},
        {"method": "d-infinity"},
        {"method": "d8", "inlets": True, "walls": True},
    ],
)
def test_drainage(
    elevation: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: dict[str, Any]
) -> None:
    if more.pop("inlets", False):
        more["inlets"] = layer(tmp_path / "inlets.gpkg", shapely.Point(500_141, 4_999_741))
        more.pop("walls")
        ring = shapely.box(500_050, 4_999_650, 500_301, 4_999_911).exterior
        more["walls"] = layer(tmp_path / "walls.gpkg", shapely.LineString(ring.coords))
    one, other = pair("derive-drainage", tmp_path, monkeypatch, elevation=elevation, **more)
    for words in ("findings", "unit"):
        assert other.pop(words, None) == one.pop(words, None)
    assert other == pytest.approx(one, rel=1e-6)
    assert one["deepest_m"] > 0
    for name in ("drainage_direction.tif", "ponding_depth.tif", "contributing_area.tif"):
        with (
            rasterio.open(tmp_path / "at_once" / name) as first,
            rasterio.open(tmp_path / "strips" / name) as second,
        ):
            np.testing.assert_array_equal(first.read(1), second.read(1))
            assert first.tags() == second.tags()
            assert (first.units, first.crs, first.overviews(1)) == (
                second.units,
                second.crs,
                second.overviews(1),
            )


def layer(path: Path, shape: shapely.Geometry) -> str:
    schema = {"geometry": shape.geom_type, "properties": {"name": "str"}}
    with fiona.open(path, "w", driver="GPKG", schema=schema, crs="EPSG:25832") as file:
        file.write({"geometry": shapely.geometry.mapping(shape), "properties": {"name": "one"}})
    return str(path)


def test_contours(elevation: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one, other = pair("trace-contours", tmp_path, monkeypatch, elevation=elevation)
    assert other == one
    lengths = []
    for folder in ("at_once", "strips"):
        with fiona.open(tmp_path / folder / "contours.gpkg") as file:
            shapes = [(f.properties["elevation"], shapely.geometry.shape(f.geometry)) for f in file]
        lengths.append(sorted((level, line.length) for level, line in shapes))
    np.testing.assert_allclose(*lengths, rtol=1e-6)


@pytest.mark.usefixtures("narrow")
def test_what_stands_for_nothing_is_refused_in_strips_too(tmp_path: Path) -> None:
    z = np.full((60, 50), 100.0, dtype=np.float32)
    z[3, 4], z[40, 7] = -9999, 101
    path = tmp_path / "e.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=50, height=60, count=1, dtype="float32",
        crs="EPSG:25832", transform=Affine(2, 0, 500_000, 0, -2, 5_000_000),
    ) as file:  # fmt: skip
        file.write(z, 1)
    for process in ("derive-slope", "derive-drainage", "trace-contours"):
        with pytest.raises(InputError, match=r"1 cell is -9999, far from all others \(100 to 1"):
            execute(process, {"elevation": str(path)}, tmp_path / "out")


def test_what_strips_take_can_be_worked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """400 rows of 10,000 cells to a strip, and one more on either side."""
    monkeypatch.setattr(in_strips, "available_bytes", lambda: None)

    def cost(rows: int, cols: int) -> in_strips.Cost:
        grid = Grid(0.0, float(rows), 1.0, rows, cols)
        return in_strips.cost_in_strips(
            grid, strip_bytes=45, resident_bytes=4, disk_bytes=24, file="e.tif"
        )

    found = cost(10_000, 10_000)
    assert (found.height, found.strips, found.disk) == (400, 25, 2_400_000_000)
    assert found.memory == 300_000_000 + 400_000_000 + 402 * 10_000 * 45
    assert str(found) == (
        "in 25 strips of 400 rows: some 0.9 GB of memory, and 2.4 GB on the disk meanwhile"
    )
    assert (cost(10_001, 10_000).strips, cost(300, 10_000).height) == (26, 300)
    assert (cost(3, 5_000_000).height, cost(3, 5_000_000).strips) == (1, 3)  # a row at least
    monkeypatch.setattr(in_strips, "available_bytes", lambda: found.memory)
    assert cost(10_000, 10_000) == found
    monkeypatch.setattr(in_strips, "available_bytes", lambda: found.memory - 1)
    with pytest.raises(InputError, match=r"100\.0 million cells need 0\.9 GB of memory even in"):
        cost(10_000, 10_000)


def test_as_much_as_is_free_is_done_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    grid = Grid(0.0, 1000.0, 1.0, 1000, 1000)
    for free, most in ((None, 45_000_000), (45_000_000, 10**12), (10**12, 45_000_000)):
        monkeypatch.setattr(in_strips, "available_bytes", lambda free=free: free)
        monkeypatch.setattr(in_strips, "MOST_BYTES", most)
        assert in_strips.fits_at_once(grid, 45)
        assert not in_strips.fits_at_once(grid, 46)
    monkeypatch.setattr(in_strips, "MOST_BYTES", 10**12)
    assert in_strips.fits_at_once(Grid(0.0, 1.0, 1.0, 1, MAX_CELLS), 1)
    assert not in_strips.fits_at_once(Grid(0.0, 1.0, 1.0, 1, MAX_CELLS + 1), 1)


def test_as_much_disk_as_is_free_is_enough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cost = in_strips.Cost(4, 2, 1, 1000)
    usage = in_strips.shutil.disk_usage(tmp_path)
    monkeypatch.setattr(in_strips.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    said: list[tuple[float, str]] = []
    context: Any = SimpleNamespace(out=tmp_path, progress=lambda *told: said.append(told))
    with in_strips.room_for(cost, context):
        assert [path.name.startswith(".geosite-rows-") for path in tmp_path.iterdir()] == [True]
    assert said == [(0.02, str(cost))]
    assert not any(tmp_path.iterdir())
    monkeypatch.setattr(in_strips.shutil, "disk_usage", lambda _: usage._replace(free=999))
    with (
        pytest.raises(OutputRefused, match="on the disk of the output meanwhile"),
        in_strips.room_for(cost, context),
    ):
        pass


@pytest.mark.parametrize(
    ("process", "inputs", "of_strip", "of_raster", "on_disk"),
    [
        ("derive-slope", {}, 45, 0, 24),
        ("derive-drainage", {}, 65, 4, 34),  # four of them are the elevations themselves
        ("derive-drainage", {"method": "d-infinity"}, 115, 4, 44),
        ("trace-contours", {}, 60, 2, 0),
    ],
)
def test_each_process_takes_as_much_as_was_measured_and_begins_where_that_is_there(
    process: str,
    inputs: dict[str, str],
    of_strip: int,
    of_raster: int,
    on_disk: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Bytes by cell: 20 rows of 30 cells in strips of 5 rows."""
    path = tmp_path / "e.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=30, height=20, count=1, dtype="float32",
        crs="EPSG:25832", transform=Affine(2, 0, 500_000, 0, -2, 5_000_000),
    ) as file:  # fmt: skip
        file.write(np.add.outer(np.arange(20.0), np.arange(30.0)).astype(np.float32), 1)
    asked = {"elevation": str(path), **inputs}
    monkeypatch.setattr(in_strips, "MOST_BYTES", 1)
    monkeypatch.setattr(in_strips, "STRIP_CELLS", 5 * 30)
    memory, disk = 300_000_000 + 7 * 30 * of_strip + 600 * of_raster, 600 * on_disk
    usage = in_strips.shutil.disk_usage(tmp_path)
    free = {"memory": memory, "disk": disk}
    monkeypatch.setattr(in_strips, "available_bytes", lambda: free["memory"])
    monkeypatch.setattr(in_strips.shutil, "disk_usage", lambda _: usage._replace(free=free["disk"]))
    execute(process, asked, tmp_path / "out")
    free["memory"] -= 1
    with pytest.raises(InputError, match="of memory even in strips"):
        execute(process, asked, tmp_path / "out")
    if disk:
        free |= {"memory": memory, "disk": disk - 1}
        with pytest.raises(OutputRefused, match="on the disk of the output meanwhile"):
            execute(process, asked, tmp_path / "out")


@pytest.mark.usefixtures("narrow")
def test_too_little_memory_or_disk_is_said_before(
    elevation: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(in_strips, "available_bytes", lambda: 10_000_000)
    with pytest.raises(InputError, match=r"GB of memory even in strips, and 0\.0 GB are free"):
        execute("derive-drainage", {"elevation": elevation}, tmp_path / "out")
    monkeypatch.setattr(in_strips, "available_bytes", lambda: None)
    usage = in_strips.shutil.disk_usage(tmp_path)
    monkeypatch.setattr(in_strips.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(OutputRefused, match=r"and 0\.0 GB are free"):
        execute("derive-drainage", {"elevation": elevation}, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("top", "bottom"), [(0, 4), (3, 7), (6, 9), (0, 9), (4, 5)])
def test_some_rows_have_the_slope_that_all_rows_have(top: int, bottom: int) -> None:
    z = np.random.default_rng(3).normal(size=(9, 6)).cumsum(0)
    read = []

    def rows(first: int, last: int) -> np.ndarray:
        read.append((first, last))
        return z[first:last]

    source: Any = SimpleNamespace(grid=Grid(0.0, 18.0, 2.0, 9, 6), rows=rows, z_factor=0.5)
    found = slope_of_rows(source, top, bottom, "horn", "percent")
    whole = slope(z, 2.0, z_factor=0.5, method="horn")
    for some, every in zip(found, (whole.steepness("percent"), whole.aspect()), strict=True):
        np.testing.assert_array_equal(some, every[top:bottom])
    # one row more on either side, where there is one
    assert read == [(max(top - 1, 0), min(bottom + 1, 9))]


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc for what is mapped")
def test_where_strips_are_refused_none_stays_mapped(tmp_path: Path) -> None:
    def refused(folder: ScratchFolder) -> None:
        strip = folder.rows((4, 5), np.float32).mapped(0, 2)
        strip[:] = 1.0
        raise InputError(Problem("odd", "is odd", "even", "correct it"))

    context = SimpleNamespace(out=tmp_path, progress=lambda share, words: None)
    cost = in_strips.Cost(2, 2, 10_000, 10_000)
    with pytest.raises(InputError) as kept, in_strips.room_for(cost, context) as folder:
        refused(folder)
    assert kept.value.problems[0].code == "odd"
    assert ".geosite-rows-" not in Path("/proc/self/maps").read_text()
