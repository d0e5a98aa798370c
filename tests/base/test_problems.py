"""Problems are counted however many there are; fifty are shown, in the order of their files."""

from __future__ import annotations

import pytest

from geosite.base.errors import Problem
from geosite.base.problems import (
    KEPT,
    SHOWN,
    Problems,
    did_you_mean,
    nearest,
    one_line,
    shown,
)


def problems(count: int) -> Problems:
    found = Problems()
    for line in range(count):
        found.add("odd", f"problem {line}", "none", "mend it", "book.csv", line)
    return found


@pytest.mark.parametrize("count", [0, 1, KEPT - 1, KEPT, KEPT + 1, 3 * KEPT])
def test_all_are_counted_and_the_first_ones_are_kept(count: int) -> None:
    found = problems(count)
    assert len(found) == count
    assert bool(found) == (count > 0)
    assert len(found.kept) == min(count, KEPT)
    assert found.full == (count >= KEPT)


@pytest.mark.parametrize(
    ("count", "told"),
    [
        (SHOWN, None),
        (SHOWN + 1, "1 more problem not shown"),
        (SHOWN + 2, "2 more problems not shown"),
        (KEPT - 1, "949 more problems not shown"),
        (KEPT, "at least 950 more problems not shown"),
        (KEPT + 7, "at least 957 more problems not shown"),
    ],
)
def test_fifty_are_shown_and_the_others_are_told_by_their_number(
    count: int, told: str | None
) -> None:
    shown = problems(count).first()
    assert [p.what for p in shown[:SHOWN]] == [f"problem {line}" for line in range(SHOWN)]
    assert [p.what for p in shown[SHOWN:]] == ([told] if told else [])


def test_they_come_by_line_within_files_in_the_order_that_files_were_met() -> None:
    found = Problems()
    for file, line in (("b", 9), ("a", 5), ("b", 2), ("a", None), ("b", 9)):
        found.add("odd", f"{file} {line}", "none", "mend it", file, line)
    assert [p.what for p in found.first()] == ["b 2", "b 9", "b 9", "a None", "a 5"]


def test_names_are_suggested_for_what_will_be_shown() -> None:
    assert problems(SHOWN - 1).suggest("norting", ["easting", "northing"]) == "northing"
    assert problems(SHOWN).suggest("norting", ["easting", "northing"]) is None


def test_what_a_library_complains_of_is_cut_at_two_hundred_characters() -> None:
    assert len(one_line(ValueError("a " * 100))) == 199
    assert len(one_line(ValueError("ab" * 200))) == 200


def test_problems_found_elsewhere_are_kept_whole() -> None:
    found = Problems()
    found.extend(problems(3).kept)
    found.extend([Problem("rare", "r", "e", "m")])
    assert [(p.code, p.what, p.expected, p.remedy, p.file, p.line) for p in found.kept[2:]] == [
        ("odd", "problem 2", "none", "mend it", "book.csv", 2),
        ("rare", "r", "e", "m", None, None),
    ]
    assert found.codes == {"odd", "rare"}


def test_the_nearest_name_is_alike_in_six_of_ten_letters() -> None:
    # share of letters in common: 2 * 3 / 10 and 2 * 3 / 11
    assert nearest("abcxx", ["abcyy"]) == "abcyy"
    assert nearest("abcxx", ["abcyyy"]) is None
    assert nearest("abcxx", ["abcyyy"], 0.5) == "abcyyy"
    assert Problems().suggest("abcxx", ["abcyy"]) == "abcyy"
    assert Problems().suggest("abcxx", ["abcyyy"]) is None
    assert nearest("NORTHING", ["easting", "Northing", "northing"]) == "Northing"
    assert nearest("x", []) is None


def test_names_are_compared_by_their_beginning_and_so_many_only() -> None:
    names = [f"{number:05d}" for number in range(499)]
    assert nearest("easting", [*names, "easting"]) == "easting"
    assert nearest("easting", [*names, "other", "easting"]) is None
    assert nearest("a" * 80 + "b" * 900, ["a" * 80]) == "a" * 80
    assert nearest("a" * 80, ["a" * 80 + "b" * 900]) == "a" * 80 + "b" * 900
    # 40 of 80 letters are alike; the 81st is not seen
    half = "b" * 40 + "a" * 41
    assert nearest(half, ["a" * 80], 0.505) is nearest("a" * 80, [half], 0.505) is None
    assert nearest(half, ["a" * 80], 0.5) == "a" * 80


@pytest.mark.parametrize(
    ("value", "quoted"),
    [
        (True, "true"),
        (False, "false"),
        ({"a": 1}, "a table"),
        ([1], "a list"),
        ((1, 2), "a list"),
        ("a" * 60, f'"{"a" * 60}"'),
        ("a" * 61, f'"{"a" * 60}…" (61 characters)'),
        (1.5, "1.5"),
        (7, "7"),
        (None, "None"),
    ],
)
def test_values_are_quoted(value: object, quoted: str) -> None:
    assert shown(value) == quoted


def test_a_name_that_is_not_known_is_asked_for_or_not() -> None:
    assert did_you_mean("method", "leave it out") == 'did you mean "method"?'
    assert did_you_mean(None, "leave it out") == "leave it out"
    assert one_line(ValueError("  bad\n file\t(flags=6) (flags=68)")) == "bad file (flags=6)"
