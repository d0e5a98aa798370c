"""The share of perturbed surfaces that agree, and that it can be repeated."""

from __future__ import annotations

import numpy as np
import pytest
from geosite.terrain.water.confidence import correlated_noise, drainage_confidence

from geosite.terrain.water.descent import NODATA
from geosite.terrain.water.drainage import drain


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


@pytest.mark.parametrize(
    ("azimuth", "other", "share"),
    [(100.0, 122.0, 1.0), (100.0, 123.0, 0.0), (10.0, 349.0, 1.0), (10.0, 347.0, 0.0)],
)
def test_ways_agree_within_half_of_an_eighth(azimuth: float, other: float, share: float) -> None:
    r, c = np.mgrid[:7, :7]

    def plane(degrees: float) -> np.ndarray:
        turn = np.radians(degrees)
        return 9.0 - 0.1 * (np.sin(turn) * c - np.cos(turn) * r)

    got = drainage_confidence(plane(azimuth), 1.0, lambda _: plane(other), 2, method="d-infinity")
    assert (got[1:-1, 1:-1] == share).all()


def test_no_way_out_agrees_with_no_way() -> None:
    # a yard of two cells: the lower one is where water stays, the other drains to it, due north in
    # half of the drawn surfaces
    z = np.full((4, 3), 9.0)
    z[1:3, 1] = [5.0, 4.0]
    barriers = np.ones(z.shape, dtype=bool)
    barriers[1:3, 1] = False
    swapped = z.copy()
    swapped[1:3, 1] = [4.0, 5.0]
    turns = iter([z, swapped, z, swapped])
    got = drainage_confidence(z, 1.0, lambda _: next(turns), 4, barriers=barriers)
    assert got[1:3, 1].tolist() == [0.5, 0.5]
    assert np.isnan(got[barriers]).all()


def test_noise_of_a_standard_deviation_per_cell_hangs_together_as_told() -> None:
    z = slope_with_a_flat()
    sigma = np.linspace(0.0, 0.02, z.size).reshape(z.shape)
    got = drainage_confidence(z, 1.0, sigma, 3, seed=4, correlation_cells=2.5)
    drawn = iter(
        [
            z + sigma * correlated_noise(z.shape, 2.5, np.random.default_rng(child))
            for child in np.random.SeedSequence(4).spawn(3)
        ]
    )
    same = drainage_confidence(z, 1.0, lambda _: next(drawn), 3)
    np.testing.assert_array_equal(got, same)
    assert np.nanmin(got) < 1.0
