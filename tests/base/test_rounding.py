"""Digits by the rule of the GUM, 7.2.6, on numbers whose rounding is known."""

import doctest
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.base import rounding
from geosite.base.rounding import decimals, grouped, written


def test_the_examples_run() -> None:
    assert doctest.testmod(rounding).failed == 0


@pytest.mark.parametrize(
    ("value", "half", "text"),
    [
        # JCGM 100:2008, 7.2.6: 10.057 62 with an uncertainty of 27 m is 10.058
        (10.05762, 0.027, "10.058 +/- 0.027"),
        (0.35, 0.0996, "0.35 +/- 0.10"),
        (1234567.0, 12345.0, "1\u202f235\u202f000 +/- 12\u202f000"),
        (-0.001, 0.5, "0.0 +/- 0.5"),
        (5.0, math.inf, "5.00"),
        (5.0, 0.0, "5.00"),
    ],
)
def test_value_and_interval_end_at_the_same_digit(value: float, half: float, text: str) -> None:
    assert written(value, half) == text


@given(st.floats(1e-6, 1e6), st.floats(-1e6, 1e6))
def test_rounding_never_moves_a_number_by_more_than_a_sixth_of_its_interval(
    half: float, value: float
) -> None:
    places = decimals(half)
    assert abs(round(value, places) - value) <= half / 5.9 + 1e-9
    shown = grouped(half, places).replace("\u202f", "")
    assert len(shown.replace(".", "").strip("0")) <= 2
