"""Sentences turned from metres into feet, with names and other numbers left alone."""

import doctest

import pytest

from geosite.base import spoken_units
from geosite.base.spoken_units import in_feet, spoken


@pytest.mark.parametrize(
    ("metric", "feet"),
    [
        ("closes to 0.187 m in 350 m, 1:1872", "closes to 0.614 ft in 1148 ft, 1:1872"),
        ("0.08 m (95 %)", "0.26 ft (95 %)"),
        ("-0.30 m", "-0.98 ft"),
        ("+12 mm", "+0.5 in"),
        ("2 cm plus 50 ppm", "0.8 in plus 50 ppm"),
        ("12.5 m3 of fill", "16.3 yd3 of fill"),
        ("0.10 +/- 0.02 m", "0.33 +/- 0.07 ft"),
        ("cells of 1 x 2 m", "cells of 3 x 7 ft"),
        ("1.2 km", "0.7 mi"),
        ("4 m (0 to 10) of wall", "13 ft (0 to 33) of wall"),
        ("4 m (95 %)", "13 ft (95 %)"),
        # not measures
        ("mark 5 and run 12", "mark 5 and run 12"),
        ("at 512640.1, 5276210.2.", "at 512640.1, 5276210.2."),
        ("5 %/m", "5 %/m"),
        ("unit m", "unit m"),
        ("A5 m", "A5 m"),
        ('the mark "5 m"', 'the mark "5 m"'),
        ("3 ft", "3 ft"),
        ("5 mm/m", "5 mm/m"),
    ],
)
def test_measures(metric: str, feet: str) -> None:
    assert in_feet(metric) == feet


def test_metric_readers_get_it_as_it_is() -> None:
    assert spoken("0.08 m", "m") == "0.08 m"
    assert spoken("0.08 m", "ft") == "0.26 ft"


def test_examples() -> None:
    assert doctest.testmod(spoken_units).failed == 0
