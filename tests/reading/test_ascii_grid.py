"""ASCII grids: a word among the cells is no elevation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyproj
import pytest

from geosite.base.errors import InputError, Problem
from geosite.reading.ascii_grid import check_ascii_grid
from geosite.reading.rasters import open_elevation, read_elevation
from geosite.reading.second_surface import read_surface

HEADER = "ncols 3\nnrows 2\nxllcorner 500000\nyllcorner 5000000\ncellsize 2\nnodata_value -9999\n"


def grid(folder: Path, text: str) -> str:
    (folder / "a.asc").write_bytes(text.encode())
    (folder / "a.prj").write_text(pyproj.CRS.from_epsg(25832).to_wkt("WKT1_GDAL"))
    return str(folder / "a.asc")


@pytest.mark.parametrize(
    ("cells", "line", "shown"),
    [
        ("5 5 5\n5 abc 5\n", 8, "abc"),  # read as 0 it was a pond 5 m deep
        ("abc 5 5\n5 5 5\n", 7, "abc"),
        ("5 5 5\n5 5 *\n", 8, "*"),
        ("5 5 5\r\n\r\n5 null 5\r\n", 9, "null"),
        ("5 5 5\n5 1-2 5\n", 8, "1-2"),
        ("5 5 5\n5 1.5d 5\n", 8, "1.5d"),
        ("5 5 5\n5 0x10 5\n", 8, "0x10"),
        ("5 5 5\n5 1.2.3 5\n", 8, "1.2.3"),
        ("5 5 5\n5 inf 5\n", 8, "inf"),
        ("5 5 5\n5 1e 5\n", 8, "1e"),
        ("5 5 5\n5 - 5\n", 8, "-"),
        ("5 5 5\n5 \u0665 5\n", 8, "\u0665"),
    ],
)
def test_a_cell_that_is_no_number(tmp_path: Path, cells: str, line: int, shown: str) -> None:
    path = grid(tmp_path, HEADER + cells)
    with pytest.raises(InputError) as caught:
        read_elevation(path)
    (problem,) = caught.value.problems
    assert problem.code == "grid-cell-not-number"
    assert (problem.file, problem.line) == (path, line)
    assert shown in problem.what


def test_every_way_to_write_a_number(tmp_path: Path) -> None:
    found = read_elevation(grid(tmp_path, HEADER + "+1 .5 -2.\n1.25E+2 5,25 -9999\n")).values
    np.testing.assert_array_equal(found, [[1, 0.5, -2], [125, 5.25, np.nan]])


@pytest.mark.parametrize("word", ["nan", "NaN"])
def test_nan_among_whole_numbers_is_nothing_measured(tmp_path: Path, word: str) -> None:
    found = read_elevation(grid(tmp_path, HEADER + f"4 4 {word}\n4 5 6\n")).values
    np.testing.assert_array_equal(found, [[4, 4, np.nan], [4, 5, 6]])


@pytest.mark.parametrize(("cells", "count"), [("1 2 3\n4 5 6\n7 8 9\n", 9), ("1 2 3 4 5\n", 5)])
def test_cells_that_the_header_does_not_know(tmp_path: Path, cells: str, count: int) -> None:
    path = grid(tmp_path, HEADER + cells)
    with pytest.raises(InputError, match=f"the grid has {count} cells; expected 2 rows of 3"):
        check_ascii_grid(Path(path), path)


def test_rows_that_run_over_lines_and_a_header_without_nodata(tmp_path: Path) -> None:
    text = "NCOLS 3 NROWS 2\nxllcenter 500001 yllcenter 5000001\ndx 2\ndy 2\n1 2\n3 4\n5 6"
    found = read_elevation(grid(tmp_path, text)).values
    np.testing.assert_array_equal(found, [[1, 2, 3], [4, 5, 6]])


@pytest.mark.parametrize("value", ["none", "null", "--"])
def test_a_header_without_a_number(tmp_path: Path, value: str) -> None:
    path = grid(tmp_path, HEADER.replace("-9999", value) + "1 2 3\n4 5 6\n")
    with pytest.raises(InputError, match=r":6: nodata_value is "):
        read_elevation(path)


def test_a_size_of_cells_that_is_no_number_is_told_as_such(tmp_path: Path) -> None:
    path = grid(
        tmp_path, "ncols 3\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize one\n1 2 3\n4 5 6\n"
    )
    with pytest.raises(InputError, match=":5: cellsize is "):
        read_elevation(path)


def test_a_cell_at_the_end_of_a_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geosite.reading.ascii_grid._BLOCK", 4)
    path = grid(tmp_path, HEADER + "111111 2 3\n4 5555 6\n")
    check_ascii_grid(Path(path), path)
    path = grid(tmp_path, HEADER + "111111 2 3\n4 55x5 6\n")
    with pytest.raises(InputError) as caught:
        check_ascii_grid(Path(path), path)
    assert caught.value.problems[0].line == 8


@pytest.mark.parametrize("kind", ["complex64", "complex128", "complex_int16"])
def test_complex_cells_are_no_elevations(tmp_path: Path, kind: str) -> None:
    import rasterio

    path = tmp_path / "a.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=2, height=2, count=1, dtype=kind, crs="EPSG:25832",
        transform=rasterio.Affine(1, 0, 500_000, 0, -1, 5_000_000),
    ) as file:  # fmt: skip
        file.write(np.array([[1 + 2j, 2], [3, 4]], np.complex64), 1)
    with pytest.raises(InputError, match="the cells of the raster are complex numbers"):
        read_elevation(str(path))


def test_what_stands_for_nothing_where_the_header_does_not_say(tmp_path: Path) -> None:
    """The default of the format; where the header says another, both are asked about."""
    bare = HEADER.replace("nodata_value -9999\n", "")
    path = grid(tmp_path, bare + "1 2 -9999\n4 5 -9999.0\n")
    here = [[1, 2, np.nan], [4, 5, np.nan]]
    np.testing.assert_array_equal(read_elevation(path).values, here)
    with open_elevation(path) as source:
        np.testing.assert_array_equal(source.rows(1, 2), here[1:])

    def refuse(*told: str) -> InputError:
        return InputError(Problem(*told))

    np.testing.assert_array_equal(read_surface(Path(path), "a.asc", refuse).values, here)
    told = grid(tmp_path, HEADER.replace("-9999", "-1") + "1 2 -9999\n4 5 6\n")
    with pytest.raises(InputError, match=r"1 cell is -9999, .* only -1 is declared as nodata"):
        read_elevation(told)
    other = grid(tmp_path, bare + "401 402 -32768\n403 404 405\n")
    with pytest.raises(InputError, match="1 cell is -32768"):
        read_elevation(other)
