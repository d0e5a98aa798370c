"""The share of perturbed surfaces that agree, and that it can be repeated."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain.confidence import correlated_noise, drainage_confidence
from geosite.terrain.descent import NODATA
from geosite.terrain.drainage import drain


def slope_with_a_flat() -> np.ndarray:
    """Ground of 10 % in the west, level to a millimetre in the east."""
    r, c = np.mgrid[:24, :30]
    z = np.where(c < 15, 20.0 - 0.1 * r, 18.0 - 0.0001 * r)
    z[:3, 26:] = np.nan
    return z


def test_no_noise_is_certain() -> None:
    z = slope_with_a_flat()
    got = drainage_confidence(z, 1.0, np.zeros(z.shape), 3)
    assert np.array_equal(np.isnan(got), np.isnan(z))
    assert (got[np.isfinite(z)] == 1.0).all()


def test_noise_matters_where_the_ground_is_flat() -> None:
    z = slope_with_a_flat()
    got = drainage_confidence(z, 1.0, np.full(z.shape, 0.005), 40, seed=3)
    assert got[4:-4, 2:12].min() > 0.9
    assert np.nanmean(got[4:-4, 18:28]) < 0.5
    assert got.dtype == np.float32
    assert np.nanmin(got) >= 0.0
    assert np.nanmax(got) <= 1.0


def test_workers_do_not_change_the_answer() -> None:
    z = slope_with_a_flat()
    sigma = np.full(z.shape, 0.02)
    one = drainage_confidence(z, 1.0, sigma, 7, seed=5, correlation_cells=3.0)
    for workers in (2, 3):
        many = drainage_confidence(z, 1.0, sigma, 7, seed=5, workers=workers, correlation_cells=3.0)
        assert np.array_equal(one, many, equal_nan=True)
    other = drainage_confidence(z, 1.0, sigma, 7, seed=6, correlation_cells=3.0)
    assert not np.array_equal(one, other, equal_nan=True)


def test_counts_what_a_loop_counts() -> None:
    z = slope_with_a_flat()
    inlets = np.zeros(z.shape, dtype=bool)
    inlets[12, 22] = True

    def perturb(generator: np.random.Generator) -> np.ndarray:
        return z + generator.normal(0.0, 0.01, z.shape)

    got = drainage_confidence(z, 1.0, perturb, 5, seed=9, inlets=inlets)
    said = drain(z, 1.0, inlets=inlets)
    agree = np.zeros(z.shape)
    for seeds in np.random.SeedSequence(9).spawn(5):
        again = drain(perturb(np.random.default_rng(seeds)), 1.0, inlets=inlets)
        agree += again.azimuth_deg == said.azimuth_deg
    known = said.direction != NODATA
    np.testing.assert_allclose(got[known], agree[known] / 5, atol=1e-7)
    assert got[12, 22] == 1.0


def test_north_agrees_with_a_hair_west_of_north() -> None:
    r, c = np.mgrid[:9, :9]
    z = 10.0 + 0.1 * r + 0.0005 * c
    got = drainage_confidence(z, 1.0, lambda _: 10.0 + 0.1 * r - 0.0005 * c, 1, method="d-infinity")
    assert (got[1:-1, 1:-1] == 1.0).all()


@pytest.mark.parametrize("reach", [0.0, 0.2, 2.0, 6.0])
def test_noise_has_the_deviation_and_the_reach_it_says(reach: float) -> None:
    noise = correlated_noise((300, 400), reach, np.random.default_rng(8))
    assert noise.shape == (300, 400)
    assert noise.std() == pytest.approx(1.0, abs=0.06)
    if reach >= 2.0:
        step = int(reach)
        along = np.mean(noise[:, :-step] * noise[:, step:]) / noise.var()
        assert along == pytest.approx(np.exp(-1.0), abs=0.06)
    else:
        assert abs(np.mean(noise[:, :-1] * noise[:, 1:])) < 0.02
