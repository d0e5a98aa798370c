"""What is said of the grades of a line: the worst one, what would decide, what was not measured."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geosite.analysis.access.grade_checks import Grade, Requirement, Span
from geosite.analysis.limits import Verdict, judge
from geosite.analysis.wording import grade_findings
from geosite.base.estimate import Estimate

LIMIT = Requirement("own", 0.08, "4.2")
LEAST = Requirement("own", 1.2, "")


def grade(
    check: str, value: float | None, verdict: str, *, sigma: float = 0.001, more: int | None = None,
    limit: Requirement = LIMIT, probability: float | None = None, at: str = "A", t: float = 2.0,
) -> Grade:  # fmt: skip
    measured = None if value is None else Estimate.normal(value, sigma, t)
    span = Span("ramp", at, f"{at}'", 0.0, 10.0, np.zeros((2, 3)))
    return Grade(check, span, measured, limit, Verdict(verdict, more), probability)  # type: ignore[arg-type]


def told(*grades: Grade) -> list[str]:
    return [finding.text for finding in grade_findings(grades)]


def test_the_worst_of_several_is_the_one_that_misses_its_limit_by_most() -> None:
    steep, steeper = grade("running", 0.09, "beyond"), grade("running", -0.11, "beyond", at="B")
    (said,) = told(steep, steeper)
    assert said.startswith(
        "ramp: beyond the limit in 2 places, the worst: running 11.00 +/- 0.20 % (95 %)"
        " from B to B' against 8.00 % (section 4.2)."
    )
    wide, narrow = (
        grade("width", w, "beyond", limit=LEAST, at=a) for w, a in ((1.1, "C"), (0.9, "D"))
    )
    (said,) = told(wide, narrow)
    assert (
        "the worst: width 0.9000 +/- 0.0020 m (95 %) from D to D' against at least 1.20 m." in said
    )
    # of one place there is no worst, and what is undecided beside it is not told
    (said,) = told(steep, grade("running", 0.0801, "undecided"))
    assert said.startswith("ramp: beyond the limit: running 9.00 +/- 0.20 %")


@pytest.mark.parametrize(
    ("grades", "decides"),
    [
        ([grade("running", 0.081, "undecided", more=1)], "1 more measurement of it would decide"),
        (
            [grade("running", 0.08, "undecided", more=n) for n in (1, 4)],
            "4 more measurements of each would decide",
        ),
        (
            [grade("running", 0.081, "undecided"), grade("running", 0.08, "undecided", more=4)],
            "no reasonable number of measurements would decide all of them",
        ),
        (
            [grade("running", 0.081, "undecided")],
            "no reasonable number of measurements would decide.",
        ),
        (
            [grade("landing slope", 0.081, "undecided", probability=0.62)],
            "in 62 of 100 possible profiles there is one there; more marks where the slope changes",
        ),
        (
            [grade("landing slope", 0.081, "undecided", probability=0.95, more=2)],
            "2 more measurements of it would decide",
        ),
        (
            [grade("running", 0.081, "undecided", t=math.inf, probability=0.62)],
            "what its accuracy is would have to be known first",
        ),
    ],
)  # fmt: skip
def test_what_would_decide_is_told(grades: list[Grade], decides: str) -> None:
    (said,) = told(*grades)
    assert said.startswith("ramp: undecided at this accuracy")
    assert decides in said
    assert (" in 2 places, the worst: " in said) == (len(grades) == 2)


@pytest.mark.parametrize(
    ("check", "remedy"),
    [
        ("cross", "walk marks on both sides of the line, or its two edges and name them as edges"),
        ("width", "walk both edges along the whole line"),
        ("landing length", "walk on to the end of the landing"),
        ("flare", "walk more marks there"),
    ],
)
def test_what_was_not_measured_is_told_with_what_to_walk(check: str, remedy: str) -> None:
    one = grade(check, None, "not measured")
    assert told(one) == [
        f"ramp: {check} not measured from A to A': no mark is near enough to say; {remedy}."
    ]
    (said,) = told(one, grade(check, None, "not measured", at="B"))
    assert f"{check} not measured in 2 places, the first from A to A'" in said


def test_a_number_within_its_limit_is_not_told() -> None:
    within = Estimate.normal(0.05, 0.001, 2.0)
    span = Span("ramp", "A", "B", 0.0, 10.0, np.zeros((2, 3)))
    assert told(Grade("running", span, within, LIMIT, judge(within, LIMIT.limit))) == []
