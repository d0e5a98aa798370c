"""A number with its interval, by hand."""

import doctest

import numpy as np
import pytest

from geosite.base import estimate
from geosite.base.estimate import Estimate


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
    pond = Estimate.from_draws(0.0, np.linspace(0.0, 1.0, 1001))
    assert (pond.low, pond.high) == pytest.approx((0.025, 0.975))
    assert pond.sigma is None
