"""Directions, contributing cells and filled surfaces against published grids and pyflwdir."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from geosite.terrain.water.drainage import drain

# The classic flow-direction teaching grid (in the style of Jenson & Domingue 1988), as quoted in
# the tests of R's terra. Powers of two from E clockwise; the lowest edge cell is 0; the
# accumulation counts the cells upstream without the cell itself.
ELEVATION = [
    [78, 72, 69, 71, 58, 49],
    [74, 67, 56, 49, 46, 50],
    [69, 53, 44, 37, 38, 48],
    [64, 58, 55, 22, 31, 24],
    [68, 61, 47, 21, 16, 19],
    [74, 53, 34, 12, 11, 12],
]
DIRECTION = [
    [2, 2, 2, 4, 4, 8],
    [2, 2, 2, 4, 4, 8],
    [1, 1, 2, 4, 8, 4],
    [128, 128, 1, 2, 4, 8],
    [2, 2, 1, 4, 4, 4],
    [1, 1, 1, 1, 0, 16],
]
UPSTREAM = [
    [0, 0, 0, 0, 0, 0],
    [0, 1, 1, 2, 2, 0],
    [0, 3, 7, 5, 4, 0],
    [0, 0, 0, 20, 0, 1],
    [0, 0, 0, 1, 24, 0],
    [0, 2, 4, 7, 35, 1],
]
AZIMUTH = {1: 90, 2: 135, 4: 180, 8: 225, 16: 270, 32: 315, 64: 0, 128: 45}


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int16])
def test_teaching_grid(dtype: type) -> None:
    got = drain(np.array(ELEVATION, dtype=dtype), 1.0)
    leaves = np.array(DIRECTION) == 0
    assert np.array_equal(got.outlets, leaves)
    expected = np.array([[AZIMUTH.get(code, 180) for code in row] for row in DIRECTION])
    assert np.array_equal(got.azimuth_deg, expected)  # the outlet drains south, off the grid
    assert np.array_equal(got.contributing_cells - 1, UPSTREAM)
    assert np.array_equal(got.filled, ELEVATION)


def test_filled_hollow() -> None:
    # own values, confirmed with another library's fill_depressions: the hollow fills to its rim's 7
    z = np.array(
        [[9, 9, 9, 9, 9], [9, 5, 4, 6, 9], [9, 4, 1, 3, 7], [9, 6, 3, 5, 9], [9, 9, 9, 9, 9]],
        dtype=np.float64,
    )
    got = drain(z, 1.0)
    expected = np.full((5, 5), 9.0)
    expected[1:4, 1:4] = 7.0
    expected[2, 4] = 7.0
    assert np.array_equal(got.filled, expected)
    assert np.array_equal(got.ponding_depth, expected - z)
    assert np.argwhere(got.outlets).tolist() == [[2, 4]]
    assert got.azimuth_deg[2, 4] == 90.0
    assert got.contributing_cells[2, 4] == 25


def surface(seed: int, rows: int, cols: int) -> np.ndarray:
    """Hills with noise on them: thousands of hollows inside hollows."""
    rng = np.random.default_rng(seed)
    r, c = np.mgrid[:rows, :cols]
    hills = 5.0 * np.sin(r / 17.0 + seed) * np.cos(c / 23.0) + 0.01 * c
    return (400.0 + hills + rng.normal(0.0, 0.5, (rows, cols))).astype(np.float32)


@pytest.fixture(scope="module")
def fill_depressions():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pyflwdir.dem import fill_depressions

        fill_depressions(np.ones((4, 4), dtype=np.float32), nodata=np.float32(np.nan))
    return fill_depressions


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", ["plain", "holes", "steps", "both"])
def test_filled_surface_equals_the_librarys_exactly(
    fill_depressions,
    seed: int,
    kind: str,
) -> None:
    z = surface(seed, 90 + seed, 110)
    if kind in ("steps", "both"):
        z = np.round(z)
    if kind in ("holes", "both"):
        z[np.random.default_rng(seed).random(z.shape) < 0.02] = np.nan
        z[30:40, :25] = np.nan
    expected, _ = fill_depressions(z, nodata=np.float32(np.nan))
    got = drain(z, 1.0)
    assert got.filled.dtype == np.float32
    assert np.array_equal(got.filled, expected, equal_nan=True)
    assert (got.ponding_depth[np.isfinite(z)] > 0).any()


def test_contributing_area_equals_the_librarys_on_the_same_directions() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyflwdir

        z = surface(5, 120, 80)
        z[50:60, 20:40] = np.nan
        got = drain(z, 1.0)
        code = np.array([64, 128, 1, 2, 4, 8, 16, 32, *[0] * 10, 247], dtype=np.uint8)
        library = pyflwdir.from_array(code[got.direction], ftype="d8")
        expected = library.upstream_area("cell")
    expected[~np.isfinite(z)] = 0
    assert np.array_equal(got.contributing_cells, expected)
