"""Lengths as people write them."""

import doctest

import pytest

from geosite.base import units
from geosite.base.units import length_m


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("4 in", 0.1016),
        ('4"', 0.1016),
        ("0.33 ft", 0.100584),
        ("0.33ft", 0.100584),
        ("5' 6\"", 1.6764),
        ("-2 ft 6 in", -0.762),
        ("40'-3 1/2\"", 12.2809),
        ("-40' - 3-1/2\"", -12.2809),
        ("+0'-0\"", 0.0),
        ("1/2 in", 0.0127),
        ("6.5\u2033", 0.1651),
        ("1 ftUS", 0.304800609601),
        ("1 us-ft", 0.304800609601),
        ("100 mm", 0.1),
        ("0.1 m", 0.1),
        (".5 yd", 0.4572),
    ],
)
def test_lengths_with_a_unit(text: str, metres: float) -> None:
    assert length_m(text) == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["4", "in", "4 stone", "4,5 m", "", "4 m 3", "1e3 m", "nan m", "1/0 in", "3 1/2", "5'-"]
)
def test_what_is_no_length(text: str) -> None:
    assert length_m(text) is None


def test_examples() -> None:
    assert doctest.testmod(units).failed == 0
