"""A number with its interval, by hand."""

import doctest

import numpy as np
import pytest

from geosite.base import estimate
from geosite.base.estimate import Estimate, interval_of_draws


def test_the_examples_run() -> None:
    assert doctest.testmod(estimate).failed == 0


def test_an_even_interval_has_half_its_length_beside_the_number() -> None:
    area = Estimate.normal(240.0, 1.5, 2.0)
    assert (area.low, area.high, area.half_width, area.sigma) == (237.0, 243.0, 3.0, 1.5)


def test_another_unit_moves_every_part_and_a_sign_exchanges_the_ends() -> None:
    cut = Estimate(4.0, 1.0, 9.0)
    assert cut.scaled(-2.0) == Estimate(-8.0, -18.0, -2.0)
    assert Estimate.normal(1.0, 0.5, 2.0).scaled(10.0) == Estimate(10.0, 0.0, 20.0, 5.0)


def test_draws_give_their_quantiles_whatever_the_number_itself_is() -> None:
    pond = Estimate.from_draws(0.0, np.linspace(0.0, 1.0, 1001)[1:-1])
    assert (pond.low, pond.high) == pytest.approx((0.025, 0.975))
    assert pond.sigma is None


@pytest.mark.parametrize("count", [39, 50, 200])
def test_a_truth_that_is_like_its_draws_lies_in_their_interval_in_95_of_100_cases(
    count: int,
) -> None:
    # of uniform draws the k-th lies at k / (n + 1) on average (David & Nagaraja 2003, section 3.1),
    # which is the chance that the truth lies below it
    low, high = interval_of_draws(np.arange(1, count + 1) / (count + 1))
    assert (low, high) == pytest.approx((0.025, 0.975))
    rng = np.random.default_rng(count)
    all_alike = rng.lognormal(size=(count + 1, 20_000))
    low, high = interval_of_draws(all_alike[1:])
    held = ((low <= all_alike[0]) & (all_alike[0] <= high)).mean()
    assert held == pytest.approx(0.95, abs=0.005)


def test_few_draws_give_the_least_and_the_largest() -> None:
    assert interval_of_draws(np.array([[3.0], [1.0], [2.0]])).tolist() == [[1.0], [3.0]]
