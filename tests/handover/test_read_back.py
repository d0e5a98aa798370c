"""Files that did not come out whole are told from those that did, whatever is wrong with them."""

from __future__ import annotations

import random
import shutil
import sqlite3
import struct
import zipfile
from contextlib import closing
from pathlib import Path
from xml.parsers import expat

import numpy as np
import package_cases
import pytest

from geosite.base.errors import OutputRefused
from geosite.base.grid import Grid
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.read_back import fault, faults
from geosite.handover.folder.staging import staged
from geosite.handover.folder.write import write_into, write_package
from geosite.handover.formats import geotiff
from geosite.handover.formats.geotiff import write_raster
from geosite.handover.model import Raster


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write one of everything."""
    folder = tmp_path_factory.mktemp("whole")
    options = Handover(curves=True, coverages=True, archive=True, dxf=True, geojson=True)
    write_into(folder, package_cases.ferry_landing(), options)
    return folder


def test_what_a_build_writes_is_whole(whole: Path) -> None:
    kinds = {path.suffix for path in whole.rglob("*")}
    assert {".tif", ".gpkg", ".pdf", ".zip", ".dxf", ".png", ".svg", ".json", ".html"} <= kinds
    assert list(faults(whole)) == []


_KINDS = ("pdf", "svg", "png", "html", "json", "geojson", "dxf", "zip", "gpkg", "tif", "xml", "sld")


@pytest.mark.parametrize("kind", _KINDS)
def test_a_file_that_was_cut_off(whole: Path, tmp_path: Path, kind: str) -> None:
    content = next(whole.rglob(f"*.{kind}")).read_bytes()
    path = tmp_path / f"cut.{kind}"
    for share in (0.0, 0.1, 0.5, 0.9, 0.99):
        path.write_bytes(content[: int(share * len(content))])
        assert fault(path), share
    path.write_bytes(content[:-20])
    assert fault(path)
    path.write_bytes(content)
    assert fault(path) is None


@pytest.mark.parametrize("kind", ["svg", "html", "json", "geojson", "dxf", "xml", "tif", "zip"])
def test_a_page_that_never_reached_the_disk(whole: Path, tmp_path: Path, kind: str) -> None:
    original = max(whole.rglob(f"*.{kind}"), key=lambda path: path.stat().st_size).read_bytes()
    path = tmp_path / f"hole.{kind}"
    for page in range(0, len(original) // 4096, max(1, len(original) // 4096 // 40)):
        content = bytearray(original)
        content[page * 4096 : (page + 1) * 4096] = bytes(4096)
        path.write_bytes(content[: len(original)])
        assert fault(path), page


def test_any_byte_of_a_tile_counts(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(size=(600, 700)).cumsum(axis=0)
    given = Raster("x", "X", "Y.", values, Grid(512_300.0, 5_276_200.0, 0.25, 600, 700), "m", True)
    path = tmp_path / "x.tif"
    write_raster(path, given, package_cases.frame())
    content = path.read_bytes()
    chance = random.Random(3)
    found = 0
    for _ in range(60):
        spoilt = bytearray(content)
        at = chance.randrange(4096, len(content))
        spoilt[at] ^= 1 << chance.randrange(8)
        path.write_bytes(spoilt)
        found += fault(path) is not None
    assert found >= 58  # a few bytes beside each tile carry nothing


@pytest.mark.parametrize("big", ["NO", "YES"])
@pytest.mark.parametrize("endianness", ["LITTLE", "BIG"])
@pytest.mark.parametrize("more", [{"compress": "none"}, {"compress": "deflate", "tiled": True}])
def test_rasters_of_other_writers(
    tmp_path: Path, big: str, endianness: str, more: dict[str, object]
) -> None:
    import rasterio

    path = tmp_path / "x.tif"
    values = np.random.default_rng(1).integers(0, 9999, size=(3, 211, 97)).astype(np.int16)
    with rasterio.open(
        path, "w", driver="GTiff", width=97, height=211, count=3, dtype="int16", crs="EPSG:25832",
        transform=rasterio.Affine(1, 0, 9, 0, -1, 9), bigtiff=big, endianness=endianness,
        **({"blockxsize": 64, "blockysize": 64} if "tiled" in more else {}), **more,
    ) as file:  # fmt: skip
        file.write(values)
    assert fault(path) is None
    content = path.read_bytes()
    for share in (0.02, 0.3, 0.98):
        path.write_bytes(content[: int(share * len(content))])
        assert fault(path), share


def test_a_tile_that_was_never_written(tmp_path: Path) -> None:
    import rasterio

    path = tmp_path / "x.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=512, height=512, count=1, dtype="float32", tiled=True,
        blockxsize=256, blockysize=256, sparse_ok=True, crs="EPSG:25832", compress="deflate",
        transform=rasterio.Affine(1, 0, 9, 0, -1, 9),
    ) as file:  # fmt: skip
        file.write(np.ones((256, 256), np.float32), 1, window=((0, 256), (0, 256)))
    assert fault(path) == "piece 2 of 4 is missing"


def test_directories_in_a_circle(tmp_path: Path) -> None:
    path = tmp_path / "x.tif"
    entries = b"".join(
        struct.pack("<HHII", tag, 4, 1, value)
        for tag, value in ((256, 1), (257, 1), (258, 8), (273, 4), (279, 1))
    )
    path.write_bytes(struct.pack("<2sHIH", b"II", 42, 8, 5) + entries + struct.pack("<I", 8))
    assert fault(path) == "its directories run in a circle"


def test_a_geopackage_without_its_crs(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    shutil.copy(whole / "site.gpkg", path)
    with closing(sqlite3.connect(path)) as file, file:
        file.execute("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id > 0")
    file.close()
    assert "the CRS 25832 of its layer" in str(fault(path))


def test_a_geopackage_whose_journal_is_still_there(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    shutil.copy(whole / "site.gpkg", path)
    (tmp_path / "site.gpkg-journal").write_bytes(b"what would be rolled back")
    assert "site.gpkg-journal is still there" in str(fault(path))


def test_an_archive_with_a_damaged_file(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "handover.zip"
    content = bytearray((whole / "handover.zip").read_bytes())
    with zipfile.ZipFile(whole / "handover.zip") as archive:
        middle = archive.getinfo("site.gpkg").header_offset + 3000
    content[middle] ^= 255
    path.write_bytes(content)
    assert fault(path)


def test_what_it_does_not_know_is_taken_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "readings.bin"
    path.write_bytes(b"\0" * 10)
    assert fault(path) is None


# ---- the folder ---------------------------------------------------------------------------------


def test_a_damaged_file_refuses_the_folder(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "earlier.txt").write_text("of before")

    def write() -> None:
        with staged(out) as inside:
            (inside / "a.pdf").write_bytes(b"%PDF-1.7 cut")
            (inside / "b.json").write_bytes(b'{"half": ')

    with pytest.raises(OutputRefused) as caught:
        write()
    assert [problem.code for problem in caught.value.problems] == ["output-not-whole"] * 2
    assert "a.pdf did not come out whole (its end is missing)" in str(caught.value)
    assert [path.name for path in out.iterdir()] == ["earlier.txt"]
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_raster_damaged_in_a_build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its digest in the manifest would be that of the damaged file."""

    def lossy(path: Path, raster: Raster, frame: object) -> None:
        write_raster(path, raster, package_cases.frame())
        content = bytearray(path.read_bytes())
        content[-4096:] = bytes(4096)
        path.write_bytes(content)

    monkeypatch.setattr("geosite.handover.formats.geotiff.write_raster", lossy)
    small = Handover(plan=False, viewer=False, dxf=False, geojson=False)
    with pytest.raises(OutputRefused, match=r"\.tif did not come out whole"):
        write_package(package_cases.ferry_landing(), tmp_path / "map", small)
    assert list(tmp_path.iterdir()) == []


def test_the_library_writes_no_file_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the disk does not take is then an error of Python."""
    import errno

    def full(self: Path, content: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    grid = Grid(512_300.0, 5_276_200.0, 0.25, 300, 300)
    given = Raster("x", "X", "Y.", np.ones((300, 300)), grid, "m", True)
    with pytest.raises(OSError, match="No space left"):
        geotiff.write_raster(tmp_path / "x.tif", given, package_cases.frame())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b'{"a": NaN}', b'{"a": "\xff"}', b'{"a": 1}}', b"[1,]"])
def test_what_is_no_json(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "report.json"
    path.write_bytes(content)
    assert fault(path)


def test_a_long_attribute_is_looked_at_a_few_times_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The parser goes over an unfinished attribute again from its start with each block."""
    given: list[int] = []

    class Parser:
        def __init__(self) -> None:
            self._parser = before()

        def Parse(self, block: bytes, is_end: bool) -> None:
            given.append(len(block))
            self._parser.Parse(block, is_end)

    before = expat.ParserCreate
    monkeypatch.setattr(expat, "ParserCreate", Parser)
    path = tmp_path / "plan.svg"
    path.write_text(f'<svg><path d="{"M 1 2 " * 500_000}"/></svg>', encoding="ascii")
    assert fault(path) is None
    assert sum(given) == path.stat().st_size
    assert len(given) < 6
