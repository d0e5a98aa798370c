"""Slope and aspect against published windows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geosite.terrain.slope import slope


def window(*rows: tuple[float, float, float]) -> np.ndarray:
    return np.array(rows, dtype=np.float64)


# A widely quoted teaching example (its 75.25762 comes from rounded factors; 75.25766 is exact).
TEACHING = window((50, 45, 50), (30, 30, 30), (8, 10, 10))


def test_horn_teaching_window() -> None:
    got = slope(TEACHING, 5.0)
    assert got.east[1, 1] == pytest.approx(0.05, abs=1e-12)
    assert got.north[1, 1] == pytest.approx(3.8, abs=1e-12)
    assert got.steepness("ratio")[1, 1] == pytest.approx(3.80032, abs=1e-5)
    assert got.steepness("degree")[1, 1] == pytest.approx(75.25762, abs=1e-4)
    assert got.steepness("percent")[1, 1] == pytest.approx(380.0329, abs=1e-4)


def test_zevenbergen_thorne_teaching_window() -> None:
    # agrees with GDAL 3.6.2, gdaldem slope -alg ZevenbergenThorne, to 1e-4
    got = slope(TEACHING, 5.0, method="zevenbergen-thorne")
    assert got.east[1, 1] == 0.0
    assert got.steepness("degree")[1, 1] == pytest.approx(74.0546, abs=1e-4)
    assert got.steepness("percent")[1, 1] == pytest.approx(350.0, abs=1e-9)


def test_aspect_teaching_window() -> None:
    # a widely quoted teaching example of the aspect of a cell: 92.64 degrees
    got = slope(window((101, 92, 85), (101, 92, 85), (101, 91, 84)), 1.0)
    assert got.aspect()[1, 1] == pytest.approx(92.64, abs=0.005)


# http://www.gisagmaps.com/example-of-slope-from-neighbor/ (heights are 10000 + the figure, the
# centre is not used); Horn's exact values, printed there with one decimal
NEIGHBOURHOODS = [
    ((20, 20, 20), (10, 0, 10), (0, 0, 0), 45.0),
    ((20, 10, 0), (20, 0, 0), (20, 10, 0), 45.0),
    ((10, 10, 0), (20, 0, 0), (20, 10, 0), 41.473),
    ((20, 10, 0), (10, 0, 0), (20, 10, 0), 36.870),
    ((20, 10, 0), (20, 0, 0), (10, 10, 0), 41.473),
    ((0, 10, 0), (0, 0, 0), (0, 10, 0), 0.0),
    ((0, 0, 0), (10, 0, 10), (0, 0, 0), 0.0),
    ((0, 10, 0), (10, 0, 10), (0, 10, 0), 0.0),
    ((10, 0, 0), (0, 0, 0), (0, 0, 0), 10.025),
    ((0, 0, 0), (10, 0, 0), (0, 0, 0), 14.036),
]


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("case", NEIGHBOURHOODS)
def test_published_neighbourhoods(case: tuple, dtype: type) -> None:
    z = (10_000.0 + window(*case[:3])).astype(dtype)
    z[1, 1] = 12_345.0
    assert slope(z, 10.0).steepness("degree")[1, 1] == pytest.approx(case[3], abs=5e-4)


@pytest.mark.parametrize("method", ["horn", "zevenbergen-thorne"])
def test_against_the_formulas_cell_by_cell(method: str) -> None:
    # Horn (1981) and Zevenbergen & Thorne (1987), written out per cell in plain Python
    rng = np.random.default_rng(3)
    z = rng.normal(50.0, 2.0, (9, 14))
    got = slope(z, 2.5, z_factor=0.3048, method=method)  # type: ignore[arg-type]
    for r in range(1, 8):
        for c in range(1, 13):
            (a, b, cc), (d, _, f), (g, h, i) = (z[r + dr, c - 1 : c + 2] for dr in (-1, 0, 1))
            if method == "horn":
                gx = ((cc + 2 * f + i) - (a + 2 * d + g)) / 20.0
                gy = ((g + 2 * h + i) - (a + 2 * b + cc)) / 20.0
            else:
                gx, gy = (f - d) / 5.0, (h - b) / 5.0
            steep = math.hypot(gx, gy) * 0.3048
            bearing = math.degrees(math.atan2(-gx, gy)) % 360.0
            assert got.steepness("ratio")[r, c] == pytest.approx(steep, rel=1e-12)
            assert got.aspect()[r, c] == pytest.approx(bearing, abs=1e-9)
