"""Sentences turned from metres into feet, with names and other numbers left alone."""

import doctest
from dataclasses import dataclass

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from geosite.base import spoken_units
from geosite.base.spoken_units import in_feet, like_measures, spoken


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


NAMES = st.one_of(
    st.text(st.characters(codec="utf-8", exclude_characters='"'), min_size=1, max_size=12),
    st.from_regex(r"[a-z]{0,3} ?-?[0-9]{1,3}(\.[0-9])? ?(m|mm|m2|km|cm)( [a-z0-9]{1,4})?",
                  fullmatch=True),
)  # fmt: skip
WORDS = (
    "{0}: less fall than the default asks, within 2.80 m of {1} 14.3 m have less",
    "run {0}, mark {1}, 3.05 m off",
    "{0} and {1} are 3.05 m apart ({0})",
    "{0} {1} 3.05 m",
)


@pytest.mark.slow
@given(NAMES, NAMES, st.sampled_from(WORDS))
@example("12 m strip", "5 m2", WORDS[0])
@example("m", "12 m", WORDS[2])
def test_no_name_is_ever_rewritten(one: str, other: str, words: str) -> None:
    """Names lie bare in a sentence; wherever they stood, they still stand."""
    marked = [f"\ue000{one}\ue001", f"\ue000{other}\ue001"]
    said = in_feet(words.format(*marked), like_measures(one, other))
    assert said.count(marked[0]) == words.count("{0}") + (one == other) * words.count("{1}")
    assert said.count(marked[1]) >= words.count("{1}")
    bare = in_feet(words.format(one, other), like_measures(one, other))
    assert one in bare
    assert other in bare


def test_a_name_that_is_a_measure_stays_and_measures_are_turned() -> None:
    kept = like_measures(("12 m strip", "A1"), {"x": "5 m"})
    assert kept == {"12 m strip", "5 m"}
    assert in_feet("12 m strip is 3.05 m off A1", kept) == "12 m strip is 10.01 ft off A1"
    assert in_feet("12 m strip is 3.05 m off") == "39 ft strip is 10.01 ft off"  # not handed in


def test_examples() -> None:
    assert doctest.testmod(spoken_units).failed == 0


@dataclass(frozen=True)
class Named:
    name: str
    length_m: float = 5.0


class Struct(msgspec.Struct):
    name: str
    others: list[str]


def test_names_are_found_wherever_they_are_kept() -> None:
    struct = Struct("2 m strip", ["3 m2", "A1"])
    assert like_measures([Named("1 m", 4.0)], {"4 km": 3}, ({"5 cm"},)) == {"1 m", "4 km", "5 cm"}
    assert like_measures({"x": struct}, frozenset({"6 mm"}), None, 7) == {
        "2 m strip", "3 m2", "6 mm",
    }  # fmt: skip


def test_a_name_within_a_name_and_within_a_word() -> None:
    names = ("5 m", "5 m strip")
    assert in_feet("5 m strip, 5 m, 15 m and 5 m2", names) == "5 m strip, 5 m, 49 ft and 54 ft2"


@pytest.mark.parametrize(
    ("metric", "feet"),
    [
        # a foot of 0.3048 m, an inch of a twelfth, a yard of three feet, a mile of 5280
        ("304.8 m", "1000.0 ft"),
        ("100.00 mm", "3.937 in"),
        ("100 cm", "39.4 in"),
        ("16.093 km", "10.000 mi"),
        ("100.0 m²", "1076 ft2"),
        ("100 m2", "1076 ft2"),
        ("1000.0 m³", "1308.0 yd3"),
        ("-0.001 m", "-0.003 ft"),
        ("-0.00 m", "0.00 ft"),
        ("+0.0 m2", "+0 ft2"),
        ("1 to 2 plus 3 or 4 m", "3 to 7 plus 10 or 13 ft"),
        ("3.0\u00a0m", "9.8 ft"),
        ("1/3 m", "3/10 ft"),
        ("4.00 m (3.50 to 4.50)", "13.12 ft (11.48 to 14.76)"),
    ],
)
def test_factors_and_decimals(metric: str, feet: str) -> None:
    assert in_feet(metric) == feet
