"""What is said of mistakes and judgements: the numbers, the lines, and when nothing is said."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace as replace_fields
from network_cases import book, notes
from scipy.stats import chi2

from geosite.base.errors import Finding, Problem
from geosite.fieldbook.model import Notes
from geosite.network.accuracy.advice import Advice
from geosite.network.accuracy.check_points import CheckPoints
from geosite.network.accuracy.lever_arm import LeverArm
from geosite.network.accuracy.precision import azimuth_check
from geosite.network.control.model import Control
from geosite.network.mistakes.facts import Mistake
from geosite.network.mistakes.judge import judge_mistakes
from geosite.network.mistakes.wording import mistakes_in_words
from geosite.network.noise import Noise, judge_noise
from geosite.network.tie_runs import Misfit
from geosite.network.wording import (
    advice_findings,
    azimuth_findings,
    check_point_findings,
    control_findings,
    lever_arm_findings,
    noise_findings,
)

NAN = math.nan


def survey() -> Notes:
    """Lines 2 to 5 are R1, 150 m long; lines 6 to 8 are R2, 10 m and 30 m up."""
    rows = [("R1", "A", 0.0, 0.0, 0.0), ("R1", "B", 30.0, 40.0, 5.0), ("R1", "C", 30.0, 140.0, 5)]
    rows += [("R1", "D", 30.0, 140.0, 9.0)]
    rows += [("R2", "A", 0.0, 0.0, 0.0), ("R2", "B", 6.0, 8.0, 30.0), ("R2", "E", 6.0, 8.0, 0)]
    return notes(rows, {}, limit=100.0)


def mistake(kind: str, run: str = "R1", rows: tuple[int, ...] = (), **more: Any) -> Mistake:
    fields: dict[str, Any] = {"marks": ("C", "D")}
    return Mistake(kind, run, survey().book, rows, **(fields | more))


def told_of(*mistakes: Mistake) -> tuple[list[Problem], list[Finding]]:
    notes = survey()
    judged = judge_mistakes(notes.book, mistakes, notes.site.survey.closure_limit)
    return mistakes_in_words(notes, judged)


def test_a_device_not_much_worse_than_stated_may_be_what_looks_like_a_mistake() -> None:
    notes = survey()
    swapped = mistake("names-swapped", "R1", (1, 3))
    small = mistake("leg", rows=(1, 2), error=np.array([1.2, -0.89, -0.001]))
    judged = judge_mistakes(notes.book, (swapped, small), notes.site.survey.closure_limit)
    doubt = "; or nothing is wrong here and the device is about 7 times worse than"
    (problem,), (finding,) = mistakes_in_words(notes, judged, 7.2)
    assert problem.remedy == f"exchange the two names{doubt} [survey.leg_noise] says"
    assert finding.text.endswith(f"walk that stretch again{doubt} [survey.leg_noise] says.")
    # a hundred times worse is no device: a mistake is the likelier story
    (problem,), (finding,) = mistakes_in_words(notes, judged, 100.0)
    assert "device" not in problem.remedy + finding.text


@pytest.mark.parametrize(
    ("kind", "lines"), [("names-swapped", "2 and 3, or 5 and 4"), ("leg-sign", "2 and 3")]
)
def test_lines_that_may_be_meant_are_all_listed(kind: str, lines: str) -> None:
    # other legs with the wrong sign are told as stretches instead
    (problem,), _ = told_of(mistake(kind, rows=(0, 1), others=((3, 2),)))
    assert lines.replace(" and ", " to line " if kind == "leg-sign" else " and ") in problem.what


def test_a_small_error_is_a_finding_and_one_beyond_the_limit_is_refused() -> None:
    # 1:100 of 150 m
    small = mistake("leg", rows=(1, 2), error=np.array([1.2, -0.89, -0.001]))
    problems, (finding,) = told_of(small)
    assert problems == []
    assert finding == Finding(
        "look",
        "leg-off",
        "Run R1 is off by about 1.49 m (+1.20 m east, -0.89 m north, +0.00 m up) between marks C "
        "and D, lines 3 to 4: look for a jump there, and walk that stretch again.",
        "field_book.csv",
        4,
    )
    large = replace(small, error=np.array([-1.21, 0.9, NAN]), detail="as if so", others=((0, 3),))
    (problem,), findings = told_of(large)
    assert findings == []
    assert problem == Problem(
        "leg-off",
        "run R1 is off by about 1.51 m (-1.21 m east, +0.90 m north) between marks C and D, lines "
        "3 to 4, as if so",
        "at most 1:100 of the run's length",
        "look for a jump there, and walk that stretch again (the misclosures cannot tell it from "
        "lines 2 to 5)",
        "field_book.csv",
        4,
    )


def test_a_visit_is_told_with_the_others_that_look_alike() -> None:
    # R2 is 10 m long: a run shorter than 30 m is taken as that, so 0.3 m is the limit
    others = ((4, 5), (0, 1), (1, 2), (2, 3))
    small = mistake("visit", "R2", (5,), marks=("B",), error=np.array([NAN, NAN, -0.299]))
    problems, (finding,) = told_of(replace(small, others=others))
    assert problems == []
    assert finding == Finding(
        "look",
        "visit-off",
        "Run R2 is off by about 0.30 m (-0.30 m up) on its visit to mark B: check that the right "
        "mark was visited and named here (the misclosures cannot tell it from line 7 of run R2; "
        "line 3 of run R1; line 4 of run R1).",
        "field_book.csv",
        7,
    )
    (problem,), _ = told_of(replace(small, error=np.array([NAN, NAN, -0.301])))
    assert (problem.code, problem.line) == ("visit-off", 7)


SAME_NAME = "the same name on the same mark everywhere"
RIGHT_HANDED = "right-handed coordinates, z up"


@pytest.mark.parametrize(
    ("one", "what", "expected", "remedy", "line"),
    [
        (
            mistake("run-mirrored", "R2"),
            "run R2 is mirrored, as a left-handed export is",
            RIGHT_HANDED,
            "change the sign of its y (or exchange x and y), or export it again",
            6,
        ),
        (
            mistake("run-upside-down", "R1 or R2"),
            "one of the runs R1 or R2 has its z axis downwards",
            RIGHT_HANDED,
            "change the sign of its z",
            2,
        ),
        (
            mistake("run-mirrored-upside-down", "every run"),
            "every run has y and z with the wrong sign",
            RIGHT_HANDED,
            "change the sign of its y and z, or export it again with z up",
            2,
        ),
        (
            mistake("run-unit", "R2", detail="feet"),
            "run R2 looks measured in feet, unlike the others",
            'every run in the site file\'s unit, "m"',
            "convert its coordinates",
            6,
        ),
        (
            mistake("run-unit", "R2 or R1"),
            "one of the runs R2 or R1 looks measured in another unit, unlike the others",
            'every run in the site file\'s unit, "m"',
            "convert its coordinates",
            2,
        ),
        (
            mistake("baseline-swapped", "R2"),
            "run R2 has the baseline marks A and B exchanged",
            "the same name on the same mark in every run",
            "exchange the names A and B there",
            6,
        ),
        (
            mistake("baseline-swapped", "R2 or R1", (4, 5), others=((0, 1),)),
            "one of the runs R2 or R1 has the baseline marks A and B exchanged on lines 6 and 7, "
            "or 2 and 3",
            "the same name on the same mark in every run",
            "exchange the names A and B there",
            6,
        ),
        (
            mistake("names-swapped", "R1", (1, 3)),
            "run R1 has the names C and D exchanged on lines 3 and 5",
            SAME_NAME,
            "exchange the two names",
            3,
        ),
        (
            mistake(
                "names-swapped",
                "R1",
                (1, 3),
                alternative=mistake("name-wrong", "R2", (6,), marks=("E", "B")),
            ),
            "run R1 has the names C and D exchanged on lines 3 and 5 (or run R2, line 8, calls a "
            "mark E that is where B is)",
            SAME_NAME,
            "exchange the two names",
            3,
        ),
        (
            mistake("name-wrong", "R2", (6,), marks=("E", "B")),
            "run R2 calls a mark E that is where B is",
            SAME_NAME,
            "name it B, or leave the name out",
            8,
        ),
        (
            mistake("leg-sign", "R1", (1, 2), detail="x and y"),
            "run R1: the leg from line 3 to line 4 looks written with the wrong sign of x and y",
            "each leg in the direction it was walked",
            "change the sign of x and y of that leg in all rows that follow, or walk again",
            3,
        ),
        (
            mistake(
                "leg-sign",
                "R1",
                (1, 2),
                detail="x and y",
                others=((0, 1), (2, 3), (4, 5), (5, 6), (0, 3)),
            ),
            "run R1: the leg from line 3 to line 4 looks written with the wrong sign of x and y "
            "(or that from 2 to 3, 4 to 5, 6 to 7, 7 to 8)",
            "each leg in the direction it was walked",
            "change the sign of x and y of that leg in all rows that follow, or walk again",
            3,
        ),
    ],
    ids=lambda value: value.kind if isinstance(value, Mistake) else "",
)
def test_a_mistake_with_a_name(
    one: Mistake, what: str, expected: str, remedy: str, line: int
) -> None:
    (problem,), findings = told_of(one)
    assert findings == []
    assert problem == Problem(one.kind, what, expected, remedy, "field_book.csv", line)


# ---- judgements ---------------------------------------------------------------------------------


def test_noise_larger_or_smaller_than_assumed() -> None:
    expected = judge_noise(20.0, 20)
    assert noise_findings(survey(), expected, expected) == []
    worse, better = noise_findings(survey(), judge_noise(180.0, 20), judge_noise(5.0, 20))
    assert (worse.level, worse.code, worse.file) == ("look", "noise-worse", "site.toml")
    assert worse.text.startswith("The misclosures in plan are worse than assumed: 3.0 times what")
    assert (better.level, better.code, better.file) == ("note", "noise-better", "site.toml")
    assert better.text.startswith(
        "The misclosures in height are better than assumed: 0.50 times what"
    )
    assert better.text.endswith("explains; the stated accuracies are narrowed by that.")
    (few,) = noise_findings(survey(), judge_noise(0.5, 8), expected)
    assert few.text.startswith("The misclosures in plan are better than assumed: 0.25 times what")
    assert few.text.endswith("too few to count on it, so the stated accuracies stay.")
    (perfect,) = noise_findings(survey(), judge_noise(0.0, 30), expected)
    assert "are better than assumed: 0.00 times what" in perfect.text


def test_too_few_misclosures_are_said_to_be_few() -> None:
    (few,) = noise_findings(survey(), judge_noise(2.0, 2), judge_noise(5.0, 5))
    assert (few.level, few.code) == ("note", "redundancy-small")
    assert few.text.startswith("Only 7 independent misclosures check this survey")
    (few,) = noise_findings(survey(), judge_noise(0.0, 0), judge_noise(1.0, 1))
    assert few.text.startswith("Only 1 independent misclosure checks this survey")
    (few,) = noise_findings(survey(), judge_noise(1.0, 1), judge_noise(0.0, 0))
    assert few.code == "redundancy-small"
    (none,) = noise_findings(survey(), judge_noise(0.0, 0), judge_noise(0.0, 0))
    assert (none.level, none.code) == ("look", "nothing-checks")
    assert none.text.startswith("Nothing checks this survey")


@pytest.mark.parametrize(
    ("freedom", "told"),
    [
        (0.9999999994768529, "1 independent misclosure checks"),
        (2.3999999, "2.4 independent misclosures check"),
        (3.0000000002, "3 independent misclosures check"),
        (0.0432, "0.04 independent misclosures check"),
    ],
)
def test_misclosures_of_a_device_are_counted_to_a_tenth(freedom: float, told: str) -> None:
    noise = Noise("too little to tell", 1.0, 1.0, freedom, freedom, 0.5)
    (few,) = noise_findings(survey(), noise, judge_noise(0.0, 0))
    assert few.text.startswith(f"Only {told} this survey")


def test_noise_is_told_of_what_the_site_file_says() -> None:
    leg = noise_findings(survey(), judge_noise(180.0, 20), judge_noise(5.0, 20))
    assert all("leg noise of the site file" in finding.text for finding in leg)
    told = survey()
    unknown = replace_fields(told.site.survey, leg_noise=None)
    told = replace(told, site=replace_fields(told.site, survey=unknown))
    device = [
        *noise_findings(told, judge_noise(180.0, 20), judge_noise(5.0, 20)),
        *noise_findings(told, judge_noise(2.0, 2), judge_noise(1.0, 1)),
    ]
    assert len(device) == 3
    assert not any("leg noise" in finding.text for finding in device)
    assert "what the errors assumed of the device explain" in device[0].text


def misfit(
    count: int, axes: int, test: list[float], freedom: int, chance: float = 0.0005
) -> Misfit:
    error = np.zeros((count, axes))
    error[1:2] = 0.6 if axes == 1 else (0.3, -0.4)
    squares = float(chi2.isf(chance, freedom)) if freedom else 0.0
    return Misfit(np.arange(count) + 1, error, squares, freedom, error, np.array(test))


def test_known_marks_that_do_not_fit() -> None:
    names = ("P", "Q", "R", "S")
    fine = misfit(1, 1, [0.0], 0)
    fits = misfit(3, 2, [1.0, 30.0, 2.0], 3, 0.0011)
    assert control_findings(survey(), (fits, fine), names) == []
    wrong = misfit(3, 2, [1.0, 30.0, 19.9], 3, 0.0009)
    (said,) = control_findings(survey(), (wrong, fine), names)
    assert said == Finding(
        "look",
        "control-misfit",
        "The known positions do not fit the survey within their accuracy: the position of mark R "
        "looks wrong by 0.50 m.",
        "site.toml",
    )
    unclear = ", and there are too few to tell which is wrong."
    as_likely = misfit(3, 2, [1.0, 30.0, 20.1], 3)
    (said,) = control_findings(survey(), (as_likely, fine), names)
    assert said.text.endswith("within their accuracy" + unclear)
    # of two elevations either may be wrong; of two positions the length check has spoken
    two, high = misfit(2, 2, [0.0, 30.0], 1), misfit(2, 1, [0.0, 30.0], 1)
    (said,) = control_findings(survey(), (two, high), names)
    assert said.text == "The known elevations do not fit the survey within their accuracy" + unclear
    (said,) = control_findings(survey(), (fine, misfit(3, 1, [0.0, 30.0, 1.0], 2)), names)
    assert said.text.endswith("the elevation of mark R looks wrong by 0.60 m.")


def test_check_points_are_few_below_twenty() -> None:
    def said(count: int, off: float = 0.0) -> list[Finding]:
        error = np.zeros((count, 3))
        error[:1] = off
        names = tuple(f"P{k}" for k in range(count))
        return check_point_findings(survey(), CheckPoints(names, error, np.ones((count, 3))))

    assert said(0) == said(20) == []
    (one,) = said(1)
    assert (one.level, one.code, one.file) == ("note", "check-points-few", "site.toml")
    assert one.text == (
        "The accuracy was tested on 1 check point; the standard behind the 95 % figures asks for "
        "20."
    )
    (many,) = said(19)
    assert "on 19 check points; " in many.text
    (two,) = said(2)
    assert "on 2 check points; " in two.text
    (off,) = said(20, 9.0)
    assert off == Finding(
        "look",
        "check-point-off",
        "Check point P0 is farther off than the stated accuracy explains.",
        "site.toml",
    )


def test_a_lever_arm_is_told_when_it_costs_something() -> None:
    arm = LeverArm(2, 30.0, 10.0, 0.2, 0.05, None)
    (said,) = lever_arm_findings(survey(), arm)
    assert said == Finding(
        "note",
        "lever-arm",
        "The baseline is 10.0 m long and mark C is 30 m from it: there the direction alone costs "
        "up to 0.05 m (95 %).",
        "field_book.csv",
        4,
    )
    assert lever_arm_findings(survey(), replace(arm, distance_m=29.9)) == []
    assert lever_arm_findings(survey(), replace(arm, swing_95_m=0.049)) == []
    (first,) = lever_arm_findings(survey(), replace(arm, row=0))
    assert "mark A is 30 m" in first.text
    unnamed = survey()
    unnamed = replace(unnamed, book=book([("R", "A", 0.0, 0.0, 0.0), ("R", "", 0.0, 0.0, 0.0)]))
    (said,) = lever_arm_findings(unnamed, replace(arm, row=1))
    assert "line 3 is 30 m from it" in said.text


def test_advice_names_the_walk_and_what_it_brings() -> None:
    arm = LeverArm(2, 30.0, 10.0, 0.2, 0.05, None)
    assert advice_findings(survey(), arm, ()) == []
    tie = Advice("tie", "C", "R2", 5, 0.11)
    control = Advice("control", "E", "", -1, 0.09)
    (said,) = advice_findings(survey(), arm, (tie, control))
    assert said == Finding(
        "note",
        "advice",
        "The least certain place is good to 0.20 m (95 %). What would help most: let run R2 also "
        "visit mark C: 0.11 m there; or measure mark E on the map: 0.09 m there.",
        "field_book.csv",
    )


def control(name: str, position: tuple[float, float] | None, check: bool = False) -> Control:
    return Control(name, position, None, 0.0, 0.0, check)


def test_an_azimuth_is_compared_with_two_known_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    forms: list[Any] = []

    def sigma(_: Any, form: Any) -> float:
        forms.append(form)
        return 0.004

    monkeypatch.setattr("geosite.network.accuracy.precision.sigma", sigma)
    network: Any = SimpleNamespace(en=np.array([[9.0, 9.0], [1.0, 2.0], [4.0, 6.0]]))
    both = (control("A", (0, 0)), control("B", (0, 0)))

    def said(off: float, controls: Any = both, given: bool = True) -> list[Finding]:
        azimuth = (math.atan2(3.0, 4.0) + off, 0.003)
        anchored: Any = SimpleNamespace(controls=controls, azimuth=azimuth if given else None)
        return azimuth_findings(survey(), azimuth_check(network, anchored, (1, 2)))

    # three times the hypotenuse of 0.003 and 0.004
    (note,) = said(0.0149)
    assert (note.level, note.code, note.file) == ("note", "azimuth-compared", "site.toml")
    assert "differs by +0.854° from" in note.text
    (look,) = said(-0.0151)
    assert look.level == "look"
    assert "differs by -0.865° from" in look.text
    (turned,) = said(0.01 - 2 * math.pi)
    assert "differs by +0.573° from" in turned.text
    assert said(0.0, given=False) == []
    assert said(0.0, (both[0], control("B", (0, 0), check=True))) == []
    assert said(0.0, (both[0], control("B", None))) == []
    # the derivative of the azimuth by its two ends, against differences
    form = forms[0]
    assert form.rows.tolist() == [1, 2]
    assert form.up.tolist() == [0.0, 0.0]
    for k, sign in ((0, -1), (1, 1)):
        east = math.atan2(3.0 + sign * 1e-6, 4.0) - math.atan2(3.0 - sign * 1e-6, 4.0)
        north = math.atan2(3.0, 4.0 + sign * 1e-6) - math.atan2(3.0, 4.0 - sign * 1e-6)
        assert (form.east[k], form.north[k]) == pytest.approx((east / 2e-6, north / 2e-6), rel=1e-6)
