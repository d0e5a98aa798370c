"""Many numbers at once are written as one at a time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.drawing.decimals import number, with_numbers

NUMBERS = st.floats(-1e6, 1e6) | st.integers(-20_000, 20_000).map(lambda n: n / 1000)


@given(st.lists(NUMBERS, min_size=1, max_size=8))
def test_many_at_once_are_written_as_one_at_a_time(values: list[float]) -> None:
    for between in (" ", "L", " l\n"):
        template = between.join(["%.3f"] * len(values)) + " 0 0 1Z"
        assert with_numbers(template, values) == between.join(map(number, values)) + " 0 0 1Z"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (-0.0004, "0"), (-0.0006, "-0.001"), (10.0, "10"), (-100.05, "-100.05")],
)
def test_no_digit_more_than_the_number_has(value: float, text: str) -> None:
    assert number(value) == text
