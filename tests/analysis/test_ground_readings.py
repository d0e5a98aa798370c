"""Weighted sums of elevations of the ground: the same accuracy as the ground itself gives."""

import numpy as np
import pytest
from analysis_cases import block
from walk_simulator import Noise

from geosite.analysis.ground_readings import (
    departure_variance,
    departure_variances,
    ground_estimates,
    outer_interval,
)


def rough(e, n):
    """Ground with bumps between marks 3 m apart."""
    return 0.02 * e + 0.03 * np.sin(e) * np.cos(0.7 * n)


@pytest.fixture(scope="module")
def ground(tmp_path_factory):
    folder = tmp_path_factory.mktemp("walk")
    *_, terrain = block(3, folder, rough, Noise(0.003, 0.002), spacing=3.0)
    assert terrain.ground.roughness.departures > 0
    return terrain.ground


def places(ground, count, seed):
    """Pairs of places inside the square, local grid metres."""
    middle = ground.tin.points[:, :2].mean(axis=0)
    return middle + np.random.default_rng(seed).uniform(-3, 3, (count, 2, 2))


def test_variances_are_those_of_the_grounds_own_covariance(ground):
    pairs = places(ground, 6, 1)
    weights = np.tile([0.5, -0.5], (6, 1))
    found = departure_variances(ground, pairs, weights)
    for pair, own in zip(pairs, found, strict=True):
        both = ground.departure_covariance(pair)
        assert own == pytest.approx(0.25 * (both[0, 0] + both[1, 1] - 2 * both[0, 1]), rel=1e-9)
    told = ground_estimates(ground, pairs, weights)
    for pair, one in zip(pairs, told, strict=True):
        if one is not None:
            whole = ground.covariance_at(pair)
            variance = 0.25 * (whole[0, 0] + whole[1, 1] - 2 * whole[0, 1])
            assert one.sigma == pytest.approx(np.sqrt(variance), rel=1e-9)
            z = ground.elevations_at(pair)
            assert one.value == pytest.approx(0.5 * (z[0] - z[1]))
    assert any(one is not None for one in told)


def test_the_variance_of_one_long_sum_is_that_of_the_grounds_own_covariance(ground):
    some = places(ground, 40, 2).reshape(-1, 2)
    weights = np.random.default_rng(3).uniform(-1, 2, len(some))
    own = departure_variance(ground, some, weights)
    assert own == pytest.approx(weights @ ground.departure_covariance(some) @ weights, rel=1e-9)
    assert own == pytest.approx(departure_variances(ground, some[None], weights[None])[0], rel=1e-9)


def test_beyond_the_marks_nothing_is_measured(ground):
    far = ground.tin.points[:, :2].max(axis=0) + 50.0
    pairs = np.stack([np.stack([far, far + 1.0])])
    assert ground_estimates(ground, pairs, [[1.0, -1.0]]) == [None]
    assert departure_variances(ground, np.zeros((0, 2, 2)), np.zeros((0, 2))).shape == (0,)


def test_the_outer_interval_holds_the_value_and_stays_above_nothing():
    told = outer_interval(0.1, np.linspace(0.2, 1.0, 100))
    assert told.low == 0.0
    assert told.low <= told.value <= told.high
    even = outer_interval(5.0, np.linspace(4.0, 6.0, 401)[1:-1])
    assert (even.low, even.high) == pytest.approx((4.05, 5.95))


def test_a_sum_without_possible_grounds_is_bounded_by_nothing():
    told = outer_interval(2.0, np.zeros(0))
    assert (told.value, told.low, told.high) == (2.0, -np.inf, np.inf)
