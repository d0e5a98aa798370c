"""What is said about points to set out: how many are named, from where they are reached."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
import setting_out_cases

from geosite.analysis.setting_out.wording import (
    check_words,
    findings,
    ground_words,
    mark_words,
    order_words,
)
from geosite.base.spoken_units import in_feet


@pytest.mark.parametrize(
    ("count", "told"),
    [(2, "P1, P2, "), (5, "Q4, Q5:"), (6, "Q4, Q5 and 1 more:"), (12, "Q5 and 7 more:")],
)
def test_of_many_points_without_ground_five_are_named(count: int, told: str) -> None:
    found = setting_out_cases.found(count=count)
    bare = replace(found, points=tuple(replace(p, ground=None, cut=None) for p in found.points))
    (finding,) = [f for f in findings(bare, "site.toml") if f.code == "no-ground"]
    assert told in finding.text
    assert not [f for f in findings(found, "site.toml") if f.code == "no-ground"]


@pytest.mark.parametrize(
    ("straight", "told"),
    [
        (None, "2.5 baseline lengths away; use a longer baseline"),
        (0.04, "; straight from the baseline it comes within 0.040 m: go there first."),
        (0.05, "it comes within 0.050 m: go there first."),
        (
            0.051,
            ", straight from the baseline within 0.051 m, still too much; use a longer baseline",
        ),
    ],
)
def test_a_point_that_is_missed_is_told_with_the_way_to_reach_it(
    straight: float | None, told: str
) -> None:
    found = setting_out_cases.found()
    far = replace(found.points[0], verdict="cannot", error_95_m=0.0812, far=2.5)
    unsure = replace(found.points[1], verdict="undecided")
    made = replace(
        found,
        points=(far, unsure),
        straight_95_m={} if straight is None else {"P1": straight},
    )
    texts = [f.text for f in findings(made, "site.toml")]
    (missed,) = [text for text in texts if "P1 cannot be set out within 0.050 m" in text]
    # the tolerance has as many decimals as what is held against it, also in feet
    assert "within 0.164 ft from this baseline: the device stands within 0.266 ft" in in_feet(
        missed
    )
    assert "within 0.081 m in 95 of 100 walks" in missed
    assert told in missed
    assert any("may not be set out within 0.050 m" in text for text in texts)
    assert not any("be set out within" in f.text for f in findings(found, "site.toml"))


def test_what_is_said_of_the_baseline_before_and_after_the_walk() -> None:
    walked, before = setting_out_cases.found(), setting_out_cases.found(walked=False)
    # today's length is in the unit of the walk
    feet = replace(walked, unit="ft", unit_m=0.3048, baseline=32.81)
    assert "Baseline A to B: 32.808 ft today, 32.810 ft known." in check_words(feet)
    assert "From A to B are 10.000 m on the ground, B lies +0.000 m" in check_words(before)
    # 100 m of the map by a factor of 0.9996 are 100.040 m walked
    assert "0.9996000 (100.040 m walked are 100 m on the map)" in ground_words(walked)
    assert "going back to A or B" in order_words(walked)


def test_the_side_of_the_check_mark_is_told_where_there_is_no_reading() -> None:
    before = setting_out_cases.found(walked=False)
    assert before.check_mark is not None
    assert mark_words(before).endswith("S1: 3.00 m along, 6.00 m to the right.")
    left = replace(before, check_mark=replace(before.check_mark, offset=-6.0))
    assert mark_words(left).endswith("6.00 m to the left.")
    shown = mark_words(setting_out_cases.found()).partition("should show")[2]
    assert re.findall(r"[\d.]*\d", shown) == ["6.000", "3.000", "0.100"]
    assert mark_words(replace(before, check_mark=None)) == ""


@pytest.mark.parametrize(
    ("count", "more"), [(10, []), (11, ["1 more point is"]), (14, ["4 more points are"])]
)
def test_of_many_points_that_are_missed_ten_are_told(count: int, more: list[str]) -> None:
    made = setting_out_cases.found(count=count)
    missed = tuple(replace(p, verdict="cannot", error_95_m=0.2) for p in made.points)
    told = findings(replace(made, points=missed), "site.toml")
    assert sum("cannot be set out within 0.050 m" in f.text for f in told) == 10
    (*rest,) = [f.text for f in told if f.code == "set-out-more"]
    assert len(rest) == len(more)
    assert all(words in text for words, text in zip(more, rest, strict=True))


def test_a_point_of_a_survey_that_nothing_checks_is_told_as_not_known() -> None:
    made = setting_out_cases.found()
    unknown = replace(made.points[0], verdict="undecided", error_95_m=None)
    told = [f.text for f in findings(replace(made, points=(unknown,)), "site.toml")]
    assert (
        "P1: whether it comes within 0.050 m is not known, for nothing checks the survey: walk it "
        "so that it closes."
    ) in told


def test_without_a_tolerance_points_far_from_the_baseline_are_told() -> None:
    made = replace(setting_out_cases.found(), tolerance_m=None)
    near, far = made.points

    def told(*points: object) -> list[str]:
        found = findings(replace(made, points=points), "site.toml")  # type: ignore[arg-type]
        return [f.text for f in found if f.code == "baseline-short"]

    assert not told(near, replace(far, far=5.0))
    (one,) = told(near, replace(far, far=7.2))
    assert one.startswith("1 point lies more than 5 baseline lengths away, P2, ")
    assert "7 (within 0.02 m): set a mark near them" in one
    (two,) = told(replace(near, far=9.1, error_95_m=None), replace(far, far=7.2))
    assert two.startswith("2 points lie more than 5 baseline lengths away, P1 9: set a mark")


def test_readers_of_feet_are_told_numbers_that_are_rounded_once() -> None:
    found = setting_out_cases.found()
    assert found.check is not None
    check = replace(found.check, length_m=10.0124, known_m=10.0004)
    missed = replace(found.points[0], verdict="cannot", error_95_m=0.0814)
    made = replace(found, check=check, points=(missed,), straight_95_m={"P1": 0.0404})
    told = [in_feet(f.text) for f in findings(made, "site.toml")]
    # 10.012 m were 32.848 ft, 0.081 m 0.266 and 0.040 m 0.131
    assert any("from A to B is 32.849 ft, known are 32.810 ft (+0.039 ft," in text for text in told)
    assert any("within 0.267 ft in 95 of 100" in text for text in told)
    assert any("it comes within 0.133 ft: go there" in text for text in told)


def test_a_tolerance_below_half_a_millimetre_is_not_told_as_none() -> None:
    found = setting_out_cases.found()
    missed = replace(found.points[0], verdict="cannot", error_95_m=0.0812)
    made = replace(found, tolerance_m=0.0004, points=(missed,))
    told = [str(one.text) for one in findings(made, "site.toml")]
    assert any("within 0.0004 m" in text for text in told), told
    assert not any(re.search(r"within 0\.0+ m", text) for text in told)
