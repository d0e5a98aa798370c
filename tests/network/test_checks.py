"""What a survey is refused for: every limit from both sides, every sentence with its numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from network_cases import Row, book, notes

from geosite.base.errors import Finding, Problem, SurveyRefused
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.adjust import adjust
from geosite.network.checks.facts import LengthCheck, LooseMark, NoPlace, SamePlace
from geosite.network.checks.judge import (
    bad_control,
    judge_length,
    judge_loops,
    length_check,
    no_place,
    short_baselines,
)
from geosite.network.checks.wording import (
    baseline_problem,
    control_problem,
    length_told,
    loops_told,
    no_place_problem,
)
from geosite.network.control.model import Control
from geosite.network.equations.normal import Prior
from geosite.network.model import Closure
from geosite.network.noise import Noise
from geosite.network.tie_runs import misfit, tie
from geosite.network.walk.device import CLASSES, Device, device_of
from geosite.network.walk.runs import walk_runs

LEGS = Device.from_leg_noise(0.005, 0.004)
AS_GIVEN = Noise("as expected", 1.0, 1.0, 4.0, 4, 0.4)


def survey(rows: list[Row] | FieldBook | None = None, **more: Any) -> Notes:
    found = notes(rows or [("R", "A", 0.0, 0.0, 0.0)], {}, **more)
    lines = {("anchor", "marks", "B"): 9, ("anchor", "marks", "B", "sigma"): 11}
    return replace(found, site_lines=lines)


def control(
    name: str, place: tuple[float, float] | None, check: bool = False, sigma: float = 0.0
) -> Control:
    return Control(name, place, None, sigma, 0.0, check)


def anchored(*controls: Control, factor: float = 1.0, unit: str = "metre") -> Any:
    return SimpleNamespace(
        controls=controls, frame=SimpleNamespace(combined_factor=factor, unit_name=unit)
    )


def test_marks_known_too_badly_hold_nothing() -> None:
    fine = (control("A", (0, 0), sigma=1000.0), control("C", (9, 9), True, 1001.0))
    assert bad_control(anchored(*fine)) == ()
    bad = control("B", (5, 5), sigma=1001.0)
    high = replace(control("D", None), sigma_elevation=2500.0)
    found = bad_control(anchored(*fine, bad, high))
    assert found == (LooseMark("B", 1001.0), LooseMark("D", 2500.0))
    first, second = (control_problem(survey(), one) for one in found)
    assert first == Problem(
        "anchor-sigma",
        "mark B is known to 1001 m only, so the survey has no determined place",
        "a sigma of at most 1000 m",
        "sigma is in metres: correct it, or measure the mark",
        "site.toml",
        11,
    )
    assert second.what.startswith("mark D is known to 2500 m only")


def test_known_marks_ten_centimetres_apart_are_two() -> None:
    apart = (control("A", (1.0, 1.0)), control("B", (1.0, 1.101)), control("C", (1.05, 1.0), True))
    assert bad_control(anchored(*apart, control("D", None), control("E", None))) == ()
    near = (control("C", (1.0, 1.0)), control("D", (5.0, 5.0)), control("B", (1.06, 1.079)))
    (found,) = bad_control(anchored(*near))
    assert found == SamePlace("C", "B")
    problem = control_problem(survey(), found)
    assert problem == Problem(
        "anchor-marks-coincide",
        "marks C and B are given the same place",
        "marks apart from each other",
        "correct the coordinates of one of them",
        "site.toml",
        9,
    )
    three = [control(name, (2.0, 3.0)) for name in "CAB"]
    found = bad_control(anchored(*three))
    assert found == (SamePlace("C", "A"), SamePlace("C", "B"), SamePlace("A", "B"))


def test_the_longest_leg_of_a_survey_without_place_is_named() -> None:
    rows = [("R1", "A", 0.0, 0.0, 0.0), ("R2", "A", 1e9, 0.0, 0.0), ("R1", "B", 9.0, 0.0, 0.0)]
    rows += [("R2", "B", 1e9, 30.0, 40.0), ("R1", "A", 9.0, 40.0, 0.0), ("R2", "C", 1e9, 0, 39.0)]
    for scale in (0.01, 1.0):
        small = [(run, name, scale * x, scale * y, scale * z) for run, name, x, y, z in rows]
        found = no_place(survey(small).book)
        assert found == NoPlace("R2", 3, pytest.approx(50.0 * scale))
    problem = no_place_problem(survey(small), found)
    assert (problem.code, problem.file, problem.line) == (
        "place-undetermined",
        "field_book.csv",
        5,
    )
    assert "the marks of run R2 have no determined place; its longest leg, of 50 m" in problem.what


def test_baseline_marks_apart_in_every_run() -> None:
    def said(length: float, noise: tuple[float, float] = (0.0, 0.0)) -> list[Problem]:
        rows = [("R1", "A", 0.0, 0.0, 0.0), ("R1", "B", 9.0, 0.0, 0.0), ("R2", "B", 5.0, 5.0, 9.0)]
        x, y = 0.6 * length, 0.8 * length
        rows += [("R2", "A", 5.0 + x, 5.0 - y, 0.0), ("R1", "C", 1.0, 0.0, 0.0)]
        checked = survey(rows, noise=noise)
        walk = walk_runs(checked.book, device_of(checked), frozenset("AB"))
        found = short_baselines(checked.book, ("A", "B"), walk)
        return [baseline_problem(checked, one) for one in found]

    assert said(0.101) == []
    (problem,) = said(0.099)
    assert problem == Problem(
        "baseline-marks-coincide",
        "run R2 has A and B only 0.099 m apart",
        "two baseline marks well apart",
        "check the mark names of these rows; mark out a longer baseline",
        "field_book.csv",
        5,
    )
    # below a metre: twice the noise of the leg
    assert said(0.41, (0.2, 0.0)) == []
    assert len(said(0.39, (0.2, 0.0))) == 1
    assert len(said(0.99, (0.5, 0.0))) == 1
    assert said(1.01, (0.51, 0.0)) == []


def loop(length: float, misclosure: float, ratio: float, sigma: float) -> Closure:
    return Closure("R", "C", 3, 8, length, misclosure, 0.0, ratio, sigma)


def closed(one: Closure, limit: float = 300.0) -> tuple[list[Problem], list[Finding]]:
    return loops_told(survey(), judge_loops((one,), limit, LEGS), 1)


def test_where_half_of_the_loops_miss_the_device_is_in_doubt() -> None:
    misses = judge_loops([loop(100.0, 1.0, 100.0, 0.01)] * 2, 300.0, LEGS)
    few, _ = loops_told(survey(), misses, 5)
    assert not any("device" in problem.remedy for problem in few)
    (first, second), _ = loops_told(survey(), misses, 4)
    assert first.remedy == (
        "walk the loop from line 3 again; 2 of 4 loops miss so much: where nothing jumped, the "
        "device is worse than [survey.leg_noise] says"
    )
    assert "device" not in second.remedy
    # of one loop alone nobody can tell
    (alone,), _ = loops_told(survey(), misses[:1], 1)
    assert "device" not in alone.remedy


def test_loops_close_within_the_limit() -> None:
    assert closed(loop(100.0, 1.0, 300.0, 0.01)) == ([], [])
    (problem,), findings = closed(loop(100.0, 0.4, 299.6, 9.0))
    assert findings == []
    assert problem == Problem(
        "closure",
        "run R came back to mark C after 100.00 m with a misclosure of 0.400 m, 1:300",
        "1:300 or better",
        "walk the loop from line 3 again",
        "field_book.csv",
        8,
    )
    # below 30 m noise may explain it: 2.45 sigma
    assert closed(loop(29.9, 0.244, 100.0, 0.1)) == ([], [])
    for refused in (loop(29.9, 0.246, 100.0, 0.1), loop(30.0, 0.244, 100.0, 0.1)):
        problems, findings = closed(refused)
        assert (len(problems), len(findings)) == (1, 0)
    assert closed(loop(1.9, 0.244, 100.0, 0.1)) == ([], [])
    (problem,), _ = closed(loop(2.0, 0.246, 100.0, 0.1))
    problems, (finding,) = closed(loop(1.9, 0.246, 8.0, 0.1))
    assert problems == []
    assert finding == Finding(
        "look",
        "closure-short-loop",
        "Run R came back to mark C after 1.90 m with a misclosure of 0.246 m, 1:8; too short a "
        "loop to judge by its ratio.",
        "field_book.csv",
        8,
    )
    # one loop that is let pass hides no other
    several = (loop(9, 9, 999, 1), loop(1.9, 0.2, 9, 0.1), loop(1.9, 0.3, 9, 0.1))
    found = judge_loops((*several, loop(50, 9, 5.6, 1)), None, LEGS)
    problems, findings = loops_told(survey(), found, 1)
    assert ([p.code for p in problems], len(findings)) == (["closure"], 1)


# ---- a length on the map ------------------------------------------------------------------------

PLACES = {"A": (0.0, 0.0), "B": (30.0, 40.0), "C": (-20.0, 60.0), "D": (90.0, 10.0)}


def test_length_of_the_baseline_or_of_the_marks_farthest_apart() -> None:
    rng = np.random.default_rng(6)
    local = np.array([PLACES[s] for s in "ABCDACBD"]) + rng.normal(0, 0.02, (8, 2))
    walked = book([("R", s, *xy, 0.0) for s, xy in zip("ABCDACBD", local, strict=True)])
    noise = Device.from_leg_noise(0.02, 0.01)
    tied = tie(walked, noise, ("A", "B"), frozenset(), 0.5)
    known = {n: control(n, (x + 9.0, y), sigma=0.3) for n, (x, y) in PLACES.items()}
    known["B"] = replace(known["B"], sigma=0.4)

    def checked(names: str, **changed: Control) -> LengthCheck | None:
        marks = known | changed
        return length_check(
            anchored(*(marks[n] for n in names), factor=0.5), tied, ("A", "B"), AS_GIVEN
        )

    found = checked("DCBA")
    assert found is not None
    assert (found.start, found.end, found.combined_factor) == ("A", "B", 0.5)
    position = tied.plan.position
    apart = math.dist(position[tied.knot["A"]], position[tied.knot["B"]])
    assert found.measured_m == pytest.approx(apart / 0.5)
    assert found.mapped_m == pytest.approx(50.0 / 0.5)
    # without the baseline's second mark: the longest of the others
    found = checked("CAD")
    assert found is not None
    assert (found.start, found.end) == ("C", "D")
    apart = math.dist(position[tied.knot["C"]], position[tied.knot["D"]])
    assert found.measured_m == pytest.approx(apart / 0.5)
    assert found.mapped_m == pytest.approx(math.hypot(110.0, 50.0) / 0.5)
    # its variance: how much two exact marks that far apart would add to the misclosures
    prior = Prior(
        np.array([tied.knot["C"], tied.knot["D"]]),
        np.array([[0.0, 0.0], [apart + 0.001, 0.0]]),
        np.zeros(2),
    )
    own = 0.001**2 / misfit(tied, prior).squares
    assert found.sigma_m == pytest.approx(math.sqrt(own + 0.3**2 + 0.3**2) / 0.5, rel=1e-4)
    found = checked("BCD")
    assert found is not None
    assert (found.start, found.end) == ("C", "D")
    exact = checked("CD", C=control("C", (0.0, 0.0)), D=control("D", (1.0, 0.0)))
    assert exact is not None
    assert exact.sigma_m == pytest.approx(math.sqrt(own) / 0.5, rel=1e-3)
    found = checked("AB")
    assert found is not None
    assert found.sigma_m == pytest.approx(0.5 / 0.5, rel=0.05)
    found = checked("ACD", D=replace(known["D"], check=True))
    assert found is not None
    assert {found.start, found.end} == {"A", "C"}
    assert checked("A") is None
    assert checked("AB", B=replace(known["B"], position=None)) is None
    assert checked("AB", B=replace(known["B"], check=True)) is None


def length(measured: float, mapped: float, sigma: float, factor: float = 1.0) -> LengthCheck:
    return LengthCheck("A", "B", measured, mapped, sigma, factor)


def test_a_length_in_ppm_and_in_standard_deviations() -> None:
    check = length(100.1, 100.0, 0.05)
    assert check.ratio == pytest.approx(1.001)
    assert check.ppm == pytest.approx(1000.0)
    assert check.sigmas == pytest.approx(2.0)
    assert length(99.9, 100.0, 0.05).sigmas == pytest.approx(-2.0)
    assert length(99.9, 100.0, 0.0).sigmas == 0.0


def judged(
    check: LengthCheck, unit: str = "m", map_unit: str = "metre"
) -> tuple[list[Problem], list[Finding]]:
    return length_told(survey(unit=unit), judge_length(check), map_unit)


def test_a_length_is_refused_beyond_four_sigma_and_one_percent() -> None:
    assert judged(length(100.0, 100.0, 0.0)) == ([], [])
    for off in (2.99, -2.99):
        assert judged(length(100.0 + off * 0.1, 100.0, 0.1)) == ([], [])
    problems, (finding,) = judged(length(100.0 + 0.301, 100.0, 0.1))
    assert problems == []
    assert finding == Finding(
        "look",
        "baseline-length",
        "From A to B the notes measure 100.301 m, the map says 100.000 m (ratio 1.003): 3.0 "
        "standard deviations apart.",
        "site.toml",
        9,
    )
    # within one percent, or within four sigma, it is looked at only
    for check in (length(100.99, 100.0, 0.1), length(98.02, 100.0, 0.5), length(103.9, 100.0, 1.0)):
        problems, findings = judged(check)
        assert (problems, len(findings)) == ([], 1)
    for measured in (101.01, 98.99):
        (problem,), findings = judged(length(measured, 100.0, 0.1))
        assert findings == []
    assert problem == Problem(
        "baseline-length",
        "from A to B the notes measure 98.990 m, the map says 100.000 m (ratio 0.9899)",
        "a difference below 0.400 m (four standard deviations)",
        "check the marks' coordinates, their names in the field book, and the unit",
        "site.toml",
        9,
    )


FEET_NOTES = 'the notes look like feet: set unit = "ft" (or "ftUS") instead of "m"'
FEET_MAP = "the anchor's coordinates look like feet in a CRS in metres: convert them"


@pytest.mark.parametrize(
    ("ratio", "unit", "map_unit", "remedy"),
    [
        (1 / 0.3048, "m", "metre", FEET_NOTES),
        (
            1 / 0.3048,
            "ft",
            "US survey foot",
            "the anchor's coordinates look like metres in a CRS in US survey feet: convert them",
        ),
        # two stories explain it: both are told
        (
            0.3048,
            "ft",
            "metre",
            'either the notes look like metres: set unit = "m" instead of "ft"; or the anchor\'s'
            " coordinates are feet and this crs, in metres, is not theirs. Look at where each was"
            " written down before you change one of them",
        ),
        (0.3048, "ft", "foot", 'the notes look like metres: set unit = "m" instead of "ft"'),
        (
            1 / 0.3048,
            "m",
            "foot",
            f"either {FEET_NOTES}; or the anchor's coordinates are metres and this crs, in feet, is"
            " not theirs. Look at where each was written down before you change one of them",
        ),
        (0.3048, "m", "metre", FEET_MAP),
        (
            0.3048,
            "m",
            "foot",
            "check whether the anchor's coordinates belong to this crs, and the unit of the notes",
        ),
        (0.9144, "m", "metre", "one of the two looks like yards: convert it"),
        (1 / 0.9144, "m", "metre", "one of the two looks like yards: convert it"),
        (100.0, "m", "metre", "the notes look like centimetres: convert them to metres"),
        (1000.0, "m", "metre", "the notes look like millimetres: convert them to metres"),
        (0.01, "m", "metre", "the anchor's coordinates look like centimetres: convert them"),
        (0.001, "m", "metre", "the anchor's coordinates look like millimetres: convert them"),
    ],
)
def test_a_length_in_another_unit_is_named(
    ratio: float, unit: str, map_unit: str, remedy: str
) -> None:
    def asked(off: float, *others: float) -> Problem:
        check = replace(length(ratio * 50.0 * off, 50.0, 0.001), others=others)
        (problem,), findings = judged(check, unit, map_unit)
        assert findings == []
        return problem

    for off in (1.0, 1.0099, 0.9901):
        problem = asked(off, 1.0, ratio * 1.005)
        assert (problem.code, problem.expected) == ("baseline-unit", "the same length")
        assert (problem.remedy, problem.file, problem.line) == (remedy, "site.toml", 9)
        assert problem.what.startswith("from A to B the notes measure ")
        # another length that says something else, or none: no guess, at most a possibility
        for others in ((), (1.0,), (ratio * 1.02,)):
            problem = asked(off, *others)
            assert problem.code == "baseline-length"
            assert str(problem).endswith(problem.remedy)  # not cut off
            assert (remedy in problem.remedy) == (abs(ratio * off - 1) > 0.5)
    for off in (1.0101, 0.9899):
        assert asked(off, ratio * off).code == "baseline-length"


def test_units_are_told_apart_by_three_sigma_of_the_ratio() -> None:
    def code(ratio: float, sigma: float) -> str:
        check = replace(length(50.0 * ratio, 50.0, sigma), others=(ratio,))
        (problem,), _ = judged(check)
        return problem.code

    # 2 % of the length: what is within 6 % of 3.28 looks like feet
    assert code(1.059 / 0.3048, 1.0) == "baseline-unit"
    assert code(1.061 / 0.3048, 1.0) == "baseline-length"
    # yards are 8.6 % shorter: told only where the ratio is known to a third of that
    assert code(0.9144, 0.47) == "baseline-unit"
    assert code(0.9144, 0.48) == "baseline-length"
    # not significant: no unit either
    assert judged(length(50.0 / 0.3048, 50.0, 29.0))[0] == []


@pytest.mark.parametrize(
    ("ratio", "factor", "guess"),
    [
        (0.9996, 0.9996, " The notes look reduced to the map grid already."),
        (1 / 0.9996, 0.9996, " The map coordinates look scaled to ground lengths."),
        (
            1 / 1.000002,
            0.9996,
            " The notes look like US survey feet taken for international feet.",
        ),
        (1.000002, 0.9996, " The notes look like international feet taken for US survey feet."),
        # the first reason counts
        (1 / 1.000002, 1 / 1.000002, " The notes look reduced to the map grid already."),
        (0.9998, 0.9996, ""),
        (0.9996, 1.0, ""),
    ],
)
def test_a_small_difference_of_scale_may_have_a_reason(
    ratio: float, factor: float, guess: str
) -> None:
    share = 0.2 * abs(ratio - 1)
    for off in (0.0, 1.9, -1.9):
        check = length(5000.0 * (ratio + off * share / 2), 5000.0, 5000.0 * share / 2, factor)
        problems, (finding,) = judged(check)
        assert problems == []
        assert finding.text.partition("apart.")[2] == guess
    if guess:
        check = length(5000.0 * (ratio + 2.1 * share / 2), 5000.0, 5000.0 * share / 2, factor)
        assert judged(check)[1][0].text.endswith("apart.")
        # a scale that the length cannot tell from 1 is no reason
        for sigmas, told in ((2.99, ""), (3.01, guess)):
            coarse = 5000.0 * abs(ratio - 1) / sigmas
            check = length(5000.0 * (1 + (ratio - 1) * 1.1), 5000.0, coarse, factor)
            assert judged(check)[1][0].text.partition("apart.")[2] == told


@pytest.mark.parametrize(
    ("misclosure", "code"), [(0.2, ""), (0.9, "closure-large"), (1.2, "closure")]
)
def test_without_a_limit_a_loop_is_judged_by_what_the_device_may_do(
    misclosure: float, code: str
) -> None:
    # sigma 0.1 m per axis, 4 degrees of freedom: F(2, 4) is exceeded by a 1 % share beyond 18.0
    # and by one in a thousand beyond 61.2, at 0.6 m and 1.106 m
    one = Closure("R", "A", 2, 9, 120.0, misclosure, 0.0, 120.0 / misclosure, 0.1)
    found = judge_loops((one,), None, CLASSES["unknown"])
    problems, findings = loops_told(survey(), found, 1)
    assert [p.code for p in [*problems, *findings]] == ([code] if code else [])
    assert len(problems) == (code == "closure")


def test_other_lengths_between_known_marks_confirm_a_unit() -> None:
    stops = {"A": (0.0, 0.0), "B": (30.0, 0.0), "C": (30.0, 40.0)}
    rows = [("R", n, x / 0.3048, y / 0.3048, 0.0) for n, (x, y) in stops.items()]
    rows.append(("R", "A", 0.0, 0.0, 0.0))
    known = {n: {"easting": x, "northing": y} for n, (x, y) in stops.items()}

    def refused(names: str) -> list[Problem]:
        with pytest.raises(SurveyRefused) as error:
            adjust(notes(rows, {n: known[n] for n in names}))
        return [p for p in error.value.problems if p.code.startswith("baseline")]

    (problem,) = refused("ABC")
    assert (problem.code, problem.remedy) == ("baseline-unit", FEET_NOTES)
    (problem,) = refused("AB")
    assert problem.code == "baseline-length"
    assert "if it is the unit, which no other length confirms, the notes look" in problem.remedy


def test_a_heading_that_strays_opens_a_loop_by_its_closed_form() -> None:
    """Out ten metres and back: ``h^2`` times the integral of the squared way to the end, halved."""
    out = [("R", f"P{i}", float(i), 0.0, 0.0) for i in range(1, 11)]
    back = [("R", f"Q{i}", float(i), 0.0, 0.0) for i in range(9, 0, -1)]
    ends = [("R", "A", 0.0, 0.0, 0.0), ("R", "B", 10.0, 0.0, 0.0)]
    device = {"pointing": 0.001, "walk": 0.0001, "heading_deg": 0.5}
    origin = {"A": {"easting": 0.0, "northing": 0.0, "elevation": 5.0}}
    survey = notes(
        [ends[0], *out, *back, *ends], origin, noise=None, device=device, azimuth={"value": 90.0}
    )
    (loop,) = adjust(survey).report.closures
    strayed = math.radians(0.5) ** 2 * 2 * 10**3 / 3  # both axes
    assert loop.sigma_m == pytest.approx(math.sqrt(strayed / 2 + 2 * 0.001**2), rel=0.002)
