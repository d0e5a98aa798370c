"""Rasters that would crash the library, never end or fill memory are refused on one line."""

from __future__ import annotations

import faulthandler
import os
import signal
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from geosite.base.errors import InputError, Problem
from geosite.base.process_copies import Limits
from geosite.reading import foreign, pictures, raster_trial
from geosite.reading.pictures import picture_in, read_picture
from geosite.reading.raster_trial import try_raster
from geosite.reading.rasters import read_elevation
from geosite.reading.second_surface import read_surface

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="copies processes")

PLACE = Affine(1.0, 0.0, 512_000.0, 0.0, -1.0, 5_277_000.0)


def raster(path: Path, cells: np.ndarray | None, **profile: Any) -> Path:
    """Write a GeoTIFF; without cells its blocks are left out."""
    told = {"driver": "GTiff", "count": 1, "crs": "EPSG:25832", "transform": PLACE} | profile
    if cells is not None:
        told |= {"height": cells.shape[-2], "width": cells.shape[-1], "dtype": cells.dtype}
    with rasterio.open(path, "w", **told) as sink:
        if cells is not None:
            for band in range(1, told["count"] + 1):
                sink.write(cells, band)
    return path


def bomb(path: Path, dtype: str = "float32", count: int = 1) -> Path:
    """Write some hundred bytes that unpack to blocks of a gigabyte and more."""
    side = 16_384 if dtype != "uint8" else 32_768
    options = {"tiled": True, "blockxsize": side, "blockysize": side, "compress": "deflate"}
    return raster(
        path, None, width=100, height=100, dtype=dtype, count=count, SPARSE_OK=True, **options
    )


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


READERS = {
    "elevations": lambda path: read_elevation(str(path)),
    "surface": lambda path: read_surface(path, path.name, refuse),
    "picture": lambda path: read_picture(path.name, path, refuse),
}


def said(reader: str, path: Path) -> str:
    with pytest.raises(InputError) as caught:
        READERS[reader](path)
    (problem,) = caught.value.problems
    assert "\n" not in str(problem)
    assert problem.code.endswith("-unreadable")
    return problem.what


@pytest.fixture(params=READERS)
def reader(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def good(path: Path) -> Path:
    return raster(path, np.arange(1, 241, dtype=np.uint8).reshape(12, 20), count=1)


def test_a_file_that_crashes_the_library_ends_the_copy_alone(
    reader: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def crash(*_: object) -> None:
        faulthandler.disable()
        os.kill(os.getpid(), signal.SIGSEGV)

    monkeypatch.setattr(raster_trial, "_try_cells", crash)
    assert "breaks the library that reads it" in said(reader, good(tmp_path / "a.tif"))


@pytest.mark.slow
def test_a_file_that_never_ends_is_given_up(
    reader: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def hang(*_: object) -> None:
        while True:
            pass

    monkeypatch.setattr(raster_trial, "_try_cells", hang)
    monkeypatch.setattr(foreign, "LIMITS", Limits(seconds=1, memory=1_000_000_000))
    began = time.process_time()
    assert "takes more than 1 s" in said(reader, good(tmp_path / "a.tif"))
    assert time.process_time() - began < 0.5


def test_a_file_that_fills_memory_is_given_up(
    reader: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(raster_trial, "_try_cells", lambda *_: bytes(2_000_000_000))
    assert "takes more than 30 s or 1 GB" in said(reader, good(tmp_path / "a.tif"))


def test_errors_of_unknown_kinds_are_complaints_of_the_file(
    reader: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Bare(Exception):
        pass

    def complain(*_: object) -> None:
        raise Bare("a tag that nobody knows")

    monkeypatch.setattr(raster_trial, "_try_cells", complain)
    assert "a tag that nobody knows" in said(reader, good(tmp_path / "a.tif"))


@pytest.mark.parametrize("dtype", ["float32", "uint8"])
def test_blocks_of_gigabytes_are_refused_with_their_size(dtype: str, tmp_path: Path) -> None:
    path = bomb(tmp_path / "a.tif", dtype)
    assert path.stat().st_size < 1000
    what = said("elevations", path)
    size = {"float32": "16384 x 16384 cells, 1074", "uint8": "32768 x 32768 cells, 1074"}[dtype]
    assert f"blocks of {size} MB each" in what
    assert "save it in tiles" in what


def test_a_picture_in_blocks_of_gigabytes_is_refused(tmp_path: Path) -> None:
    assert "1074 MB each" in said("picture", bomb(tmp_path / "a.tif", "uint8", 3))


def test_a_block_of_half_a_gigabyte_is_read_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cells = np.full((1024, 1024), 7, dtype=np.float32)
    path = raster(tmp_path / "a.tif", cells, compress="deflate", blockysize=1024)
    monkeypatch.setattr(raster_trial, "BLOCK_BYTES", 1024 * 1024 * 4)
    assert read_elevation(str(path)).values.shape == (1024, 1024)
    monkeypatch.setattr(raster_trial, "BLOCK_BYTES", 1024 * 1024 * 4 - 1)
    assert "1024 x 1024 cells, 4 MB" in said("elevations", path)


@pytest.mark.parametrize("lost", [0, 8, 15])
@pytest.mark.parametrize("reader", ["elevations", "surface"])
def test_the_first_middle_and_last_block_of_a_large_raster_are_read(
    reader: str, lost: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One tile of sixteen is no more what it was; the trial alone finds it."""
    monkeypatch.setattr(raster_trial, "WHOLE_CELLS", 64 * 64)
    cells = np.random.default_rng(3).uniform(1, 9, (256, 256)).astype(np.float32)
    tiles = {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"}
    path = raster(tmp_path / "a.tif", cells, **tiles)
    with rasterio.open(path) as source:
        offset = int(source.get_tag_item(f"BLOCK_OFFSET_{lost % 4}_{lost // 4}", "TIFF", bidx=1))
        size = int(source.get_tag_item(f"BLOCK_SIZE_{lost % 4}_{lost // 4}", "TIFF", bidx=1))
    data = bytearray(path.read_bytes())
    data[offset : offset + size] = b"\xff" * size
    path.write_bytes(data)
    options: dict[str, str] = {}
    with pytest.raises(ValueError, match=r"a\.tif, band 1: IReadBlock failed"):
        try_raster(path, "GTiff", options, 10**9)
    try_raster(path, "GTiff", options, 256 * 256 - 1)  # opened, and no more
    assert "IReadBlock failed" in said(reader, path)


def test_a_small_raster_is_tried_whole(tmp_path: Path) -> None:
    cells = np.random.default_rng(3).uniform(1, 9, (256, 256)).astype(np.float32)
    path = raster(tmp_path / "a.tif", cells, compress="deflate", blockysize=16)
    with rasterio.open(path) as source:
        offset = int(source.get_tag_item("BLOCK_OFFSET_0_3", "TIFF", bidx=1))
    data = bytearray(path.read_bytes())
    data[offset : offset + 100] = b"\xff" * 100
    path.write_bytes(data)
    with pytest.raises(ValueError, match="IReadBlock failed at X offset 0, Y offset 3"):
        try_raster(path, "GTiff", {}, 10**9)


def test_nothing_is_tried_where_a_copy_would_be_a_danger(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(raster_trial, "can_copy", lambda: False)
    monkeypatch.setattr(pictures, "can_copy", lambda: False)
    try_raster(tmp_path / "none.tif", "GTiff", {}, 1)
    path = good(tmp_path / "a.tif")
    assert read_elevation(str(path)).values[0, 0] == 1.0
    picture = read_picture("a.tif", path, refuse)
    cells = picture_in(
        picture, "EPSG:25832", (512_000, 5_276_988, 512_020, 5_277_000), (12, 20), refuse
    )
    assert cells is not None
    assert cells[0, 0].tolist() == [1, 1, 1]


def test_a_picture_is_warped_in_a_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = read_picture("a.tif", good(tmp_path / "a.tif"), refuse)
    window = (512_000.0, 5_276_988.0, 512_020.0, 5_277_000.0)
    cells = picture_in(picture, "EPSG:25832", window, (12, 20), refuse)
    assert cells is not None
    assert cells[..., 0].ravel().tolist() == list(range(1, 241))

    def crash(*_: object) -> None:
        faulthandler.disable()
        os.kill(os.getpid(), signal.SIGSEGV)

    monkeypatch.setattr(pictures, "_colours", crash)
    with pytest.raises(InputError, match="breaks the library"):
        picture_in(picture, "EPSG:25832", window, (12, 20), refuse)


@pytest.mark.parametrize("target", ["/dev/zero", "/vsicurl/http://127.0.0.1:9/a.tif", "b.tif"])
@pytest.mark.parametrize("reader", ["elevations", "surface"])
def test_a_description_of_other_files_is_no_raster(
    reader: str, target: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.tif"
    good(tmp_path / "b.tif")
    path.write_text(
        "<VRTDataset rasterXSize='20' rasterYSize='12'><SRS>EPSG:25832</SRS><GeoTransform>512000, "
        "1, 0, 5277000, 0, -1</GeoTransform><VRTRasterBand dataType='Byte' band='1'><SimpleSource>"
        f"<SourceFilename>{target}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    assert said(reader, path)


@pytest.mark.slow
def test_a_raster_in_a_database_with_an_endless_query_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(foreign, "LIMITS", Limits(seconds=2, memory=1_000_000_000))
    path = raster(tmp_path / "a.gpkg", np.ones((300, 300), np.float32), driver="GPKG")
    assert read_surface(path, path.name, refuse).values.shape == (300, 300)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("ALTER TABLE gpkg_tile_matrix RENAME TO theirs")
        database.execute(
            "CREATE VIEW gpkg_tile_matrix AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i +"
            " 1 FROM n) SELECT theirs.* FROM n, theirs WHERE i < 0"
        )
    database.close()
    assert said("surface", path)
