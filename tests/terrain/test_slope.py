"""Nodata, edges, units and digits of the slope."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain import slope as module
from geosite.terrain.slope import slope

METHODS = ["horn", "zevenbergen-thorne"]


def plane(rows: int, cols: int, cell: float, east: float, north: float, level: float) -> np.ndarray:
    r, c = np.mgrid[:rows, :cols]
    return level + east * c * cell - north * r * cell


@pytest.mark.parametrize("method", METHODS)
def test_plane_is_exact_and_edges_are_unknown(method: str) -> None:
    got = slope(plane(7, 9, 0.5, 0.02, -0.03, 400.0), 0.5, method=method)  # type: ignore[arg-type]
    inner = np.zeros((7, 9), dtype=bool)
    inner[1:-1, 1:-1] = True
    assert np.array_equal(np.isfinite(got.east), inner)
    assert np.array_equal(np.isfinite(got.steepness()), inner)
    assert np.array_equal(np.isfinite(got.aspect()), inner)
    np.testing.assert_allclose(got.east[inner], 0.02, atol=1e-12)
    np.testing.assert_allclose(got.north[inner], -0.03, atol=1e-12)


@pytest.mark.parametrize("azimuth", [0.0, 17.5, 45.0, 100.0, 200.0, 333.3])
def test_aspect_of_planes(azimuth: float) -> None:
    turn = np.radians(azimuth)
    z = plane(5, 5, 1.0, -np.sin(turn) * 0.1, -np.cos(turn) * 0.1, 12.0)
    assert slope(z, 1.0).aspect()[2, 2] == pytest.approx(azimuth, abs=1e-9)
    assert slope(z, 1.0).steepness("degree")[2, 2] == pytest.approx(5.710593, abs=1e-6)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("hole", [(3, 3), (3, 4), (4, 4), (0, 0), (6, 2)])
def test_a_hole_makes_its_nine_windows_unknown(method: str, hole: tuple[int, int]) -> None:
    z = plane(8, 9, 1.0, 0.1, 0.2, 5.0)
    z[hole] = np.nan
    expected = np.zeros(z.shape, dtype=bool)
    for r in range(1, 7):
        for c in range(1, 8):
            expected[r, c] = max(abs(r - hole[0]), abs(c - hole[1])) > 1
    got = slope(z, 1.0, method=method)  # type: ignore[arg-type]
    assert np.array_equal(np.isfinite(got.east), expected)
    assert np.array_equal(np.isfinite(got.north), expected)


def test_a_hair_west_of_north_is_north_not_360() -> None:
    r, c = np.mgrid[:3, :3]
    z = (r + np.float32(1e-9) * c).astype(np.float32) * np.float32(0.5)
    z[1, 2] += np.float32(1e-7)
    assert slope(z, 1.0).east[1, 1] > 0.0
    assert slope(z, 1.0).aspect()[1, 1] == 0.0


def test_level_ground_has_no_aspect() -> None:
    got = slope(np.full((4, 4), 31.5), 1.0)
    assert got.steepness()[1, 1] == 0.0
    assert got.aspect()[1, 1] == -1.0


def test_float32_keeps_millimetres_at_four_hundred_metres() -> None:
    # heights that float32 holds exactly: steps of 1/1024 m on 400 m
    r, c = np.mgrid[:6, :8]
    z = (400.0 + (3 * c - 2 * r) / 1024.0).astype(np.float32)
    got = slope(z, 0.25)
    assert got.east.dtype == np.float32
    np.testing.assert_allclose(got.east[1:-1, 1:-1], 12 / 1024, rtol=1e-7)
    np.testing.assert_allclose(got.north[1:-1, 1:-1], 8 / 1024, rtol=1e-7)


@pytest.mark.parametrize("shape", [(0, 0), (0, 5), (1, 1), (2, 7), (7, 2), (3, 1)])
def test_too_small_for_a_window(shape: tuple[int, int]) -> None:
    got = slope(np.ones(shape), 1.0)
    assert got.east.shape == shape
    assert np.isnan(got.steepness()).all()


def test_whole_numbers_and_other_layouts() -> None:
    z = np.asfortranarray(np.arange(30).reshape(5, 6) ** 2)
    got = slope(z, 1.0)
    again = slope(np.ascontiguousarray(z).astype(np.float64), 1.0)
    assert np.array_equal(got.steepness(), again.steepness(), equal_nan=True)


@pytest.mark.parametrize("method", METHODS)
def test_bands_make_no_difference(method: str, monkeypatch: pytest.MonkeyPatch) -> None:
    z = np.random.default_rng(1).normal(size=(23, 17)).astype(np.float32)
    whole = slope(z, 1.0, method=method)  # type: ignore[arg-type]
    steep = whole.steepness("degree")
    monkeypatch.setattr(module, "_BAND", 5)
    banded = slope(z, 1.0, method=method)  # type: ignore[arg-type]
    assert np.array_equal(whole.east, banded.east, equal_nan=True)
    assert np.array_equal(whole.north, banded.north, equal_nan=True)
    np.testing.assert_allclose(steep, banded.steepness("degree"), rtol=1e-6)


def test_float32_degrees_are_as_good_as_float32() -> None:
    # every slope up to 22 degrees and beyond: with and without steep cells in the band
    rise = np.repeat(np.geomspace(1e-6, 0.414, 500), 3).reshape(-1, 3)
    east = np.arange(3.0) * rise
    exact = np.degrees(np.arctan(np.hypot(*_gradient(east))))
    got = slope(east.astype(np.float32), 1.0).steepness("degree")[1:-1, 1:-1]
    np.testing.assert_allclose(got, exact, rtol=1e-6)
    assert 21.5 < got.max() < 22.5
    east[1] = [0.0, 3.0, 6.0]
    steep = np.degrees(np.arctan(np.hypot(*_gradient(east))))
    got = slope(east.astype(np.float32), 1.0).steepness("degree")
    np.testing.assert_allclose(got[1:-1, 1:-1], steep, rtol=1e-6)


def _gradient(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    got = slope(z, 1.0)
    return got.east[1:-1, 1:-1], got.north[1:-1, 1:-1]
