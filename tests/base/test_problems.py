"""Problems are counted however many there are; fifty are shown, in the order of their files."""

from __future__ import annotations

import pytest

from geosite.base.problems import KEPT, SHOWN, Problems, one_line


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
