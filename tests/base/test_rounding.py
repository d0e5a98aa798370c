"""Digits by the rule of the GUM, 7.2.6, on numbers whose rounding is known."""

import doctest
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.base import rounding
from geosite.base.rounding import (
    alone,
    decimals,
    grouped,
    place_words,
    places_told,
    signed,
    written,
)


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


@pytest.mark.parametrize(
    ("unit", "finest"),
    [
        # half a litre is 0.00065 of a cubic yard, half a thousandth of a m2 0.0054 of a square foot
        *((unit, 0.0005) for unit in ("m", "m2", "m²", "m3", "m³")),
        ("ft", 0.0005 / 0.3048),
        *((unit, 0.0005 / 0.3048**2) for unit in ("ft2", "ft²")),
        *((unit, 0.0005 / 0.9144**3) for unit in ("yd3", "yd³")),
    ],
)
def test_an_interval_below_half_a_thousandth_is_not_told_in_any_unit(
    unit: str, finest: float
) -> None:
    assert written(7.5, finest * 0.999, unit) == f"7.50 {unit}"
    assert " +/- 0.00" in written(7.5, finest * 1.001, unit)


def test_without_a_unit_any_interval_is_told() -> None:
    assert written(1.0, 1e-5) == "1.000000 +/- 0.000010"
    assert written(1.0, None) == written(1.0, -1.0) == "1.00"


@pytest.mark.parametrize(
    ("half", "places"),
    [(2.94, 1), (2.96, 0), (0.2949, 2), (0.2951, 1), (1.0, 1), (9.9, 0), (10.0, 0), (1000.0, -2)],
)
def test_two_digits_up_to_two_ninety_five(half: float, places: int) -> None:
    assert decimals(half) == places


@pytest.mark.parametrize("half", [None, 0.0, -0.1, math.inf, math.nan])
def test_hundredths_where_nothing_is_known(half: float | None) -> None:
    assert decimals(half) == 2


def test_places_of_an_interval() -> None:
    assert places_told(21.2, 21.8, 3) == places_told(-0.3, 0.3, 3) == 1
    assert places_told(0.0, 1e-6, 3) == 3  # never more
    assert places_told(0.0, 900.0, 3) == 0  # never tens
    for low, high in ((5.0, 5.0), (6.0, 5.0), (0.0, math.inf), (-math.inf, math.inf)):
        assert places_told(low, high, 3) == 3
        assert places_told(low, high, 3, 0) == 0


@pytest.mark.parametrize(
    ("unit", "told"),
    [
        ("m", "12.346"), ("m2", "12.3"), ("m3", "12.35"), ("percent", "12.3"), ("deg", "12.35"),
        ("ft", "12.346"), ("ft2", "12"), ("yd3", "12.35"), ("l/s", "12.35"),
    ],
)  # fmt: skip
def test_a_number_alone_has_the_digits_of_its_unit(unit: str, told: str) -> None:
    assert alone(12.3456, unit) == told
    assert alone(-12.3456, unit) == f"-{told}"


def test_a_number_alone_without_a_unit() -> None:
    assert [alone(v, "") for v in (1.0, -1.234, 0.99999, -0.123, -0.0, 123456789.129)] == [
        "1", "-1.23", "1", "-0.12", "0", "123456789.1",
    ]  # fmt: skip
    assert alone(-0.0, "m") == "0.000"


def test_signs_and_places() -> None:
    assert [signed(v, 1) for v in (0.04, -0.04, -0.0, 3.0, -2.36)] == [
        "+0.0", "+0.0", "+0.0", "+3.0", "-2.4",
    ]  # fmt: skip
    assert place_words(1.0, 2.126) == "E 1.00, N 2.13"
    assert [grouped(v, 0) for v in (-0.4, -1234.0, 999.6)] == ["0", "-1\u202f234", "1\u202f000"]
