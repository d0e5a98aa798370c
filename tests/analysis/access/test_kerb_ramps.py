"""The parts of a kerb ramp: slopes and lengths by hand, which limit each is held against."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from geosite.analysis.access.grade_checks import Checked, Grade
from geosite.analysis.access.kerb_ramps import KerbRampParts, kerb_ramp_checks
from geosite.analysis.limits import LimitSet, MetreLimit, SlopeLimit, judge
from geosite.analysis.walked_line import Polyline
from geosite.analysis.wording import grade_findings
from geosite.network.independent_marks import independent_marks

MARKS = {
    "F": (0.0, 0.0, 0.0),  # foot of the ramp
    "T": (0.0, 1.5, 0.12),  # its top
    "L1": (0.0, 2.1, 0.126),
    "L2": (0.0, 2.9, 0.102),
    "G": (0.0, -0.6, 0.03),
    "W": (-1.5, 0.9, 0.06),
    "E1": (0.6, 1.5, 0.06),
    "E2": (0.6, 0.0, 0.0),
}
LIMITS = LimitSet(
    title="Own",
    flare=SlopeLimit(ratio="1:10", section="f"),
    flare_without_landing=SlopeLimit(ratio="1:12", section="w"),
    landing=SlopeLimit(percent=2.0, section="s"),
    landing_length=MetreLimit(metres=1.5, section="l"),
    counter_slope=SlopeLimit(percent=5.0, section="c"),
)


def line(names: tuple[str, ...], called: str, factor: float = 1.0) -> Polyline:
    places = np.array([MARKS[name] for name in names])
    steps = np.hypot(*np.diff(places[:, :2], axis=0).T) / factor
    rows = np.array([list(MARKS).index(name) for name in names])
    return Polyline(called, rows, names, np.append(0.0, np.cumsum(steps)))


def checked(
    parts: KerbRampParts, limits: LimitSet = LIMITS, sigma: float = 1e-6, factor: float = 1.0
) -> list[Grade]:
    frame = replace(independent_marks([]).frame, combined_factor=factor)
    network = independent_marks(
        list(MARKS.values()), sigma_m=sigma, sigma_up_m=sigma / 2, frame=frame
    )
    return list(kerb_ramp_checks(Checked(line(("F", "T"), "ramp"), network, limits, "own"), parts))


LANDING, GUTTER = line(("T", "L1", "L2"), "landing"), line(("F", "G"), "gutter")
FLARES = line(("T", "W"), "flare 1"), line(("T", "E1", "E2"), "flare 2")


def test_each_leg_of_each_part_has_its_slope_and_its_own_limit() -> None:
    found = checked(KerbRampParts(FLARES, LANDING, GUTTER))
    told = [
        (g.check, round(g.measured.value, 6), g.requirement.section, g.verdict)
        for g in found
        if g.measured is not None
    ]
    assert told == [
        ("flare", round(-0.06 / math.hypot(1.5, 0.6), 6), "f", "within"),
        ("flare", -0.1, "f", "undecided"),  # 6 cm on 60: on the limit itself
        ("flare", -0.04, "f", "within"),
        ("landing length", 1.4, "l", "beyond"),
        ("landing slope", 0.01, "s", "within"),
        ("landing slope", -0.03, "s", "beyond"),
        ("counter slope", 0.05, "c", "undecided"),
    ]
    # all are told of the ramp, each by the marks it lies between
    assert {g.span.line for g in found} == {"ramp"}
    ends = [(g.span.start, g.span.end) for g in found]
    assert ends == [
        *(("T", "W"), ("T", "E1"), ("E1", "E2")),
        *(("T", "L2"), ("T", "L1"), ("L1", "L2"), ("F", "G")),
    ]
    for grade, names in zip(found, ends, strict=True):
        assert grade.span.places == pytest.approx(np.array([MARKS[name] for name in names]))


def test_without_a_landing_the_stricter_limit_holds_for_the_flares() -> None:
    (west, east, low) = checked(KerbRampParts(FLARES))
    assert {g.requirement.section for g in (west, east, low)} == {"w"}
    assert [g.verdict for g in (west, east, low)] == ["within", "beyond", "within"]
    assert east.requirement.limit == pytest.approx(1 / 12)
    # a set that has none for that keeps to its limit for all flares
    one = LimitSet(title="One", flare=SlopeLimit(ratio="1:10", section="f"))
    assert {g.requirement.section for g in checked(KerbRampParts(FLARES), one)} == {"f"}
    nothing = checked(KerbRampParts(FLARES, LANDING), LimitSet(title="None"))
    assert {g.verdict for g in nothing} == {"no limit"}
    assert checked(KerbRampParts()) == []


def test_slopes_and_lengths_are_known_as_their_marks_are() -> None:
    """Rise over run: the heights count by 1 / L each, the places by the slope over L."""
    sigma = 0.01
    found = checked(KerbRampParts(FLARES[1:], LANDING, GUTTER), sigma=sigma)
    for grade in found:
        assert grade.measured is not None
        length = grade.span.end_m - grade.span.start_m
        slope = grade.measured.value
        if grade.check == "landing length":
            # the corner between two legs on one line does not count
            expected = math.sqrt(2) * sigma
        else:
            expected = math.hypot(sigma / 2, slope * sigma) * math.sqrt(2) / length
        assert grade.measured.sigma == pytest.approx(expected), grade.check
        assert grade.measured.half_width == pytest.approx(1.96 * expected, rel=1e-3)


def test_on_a_map_of_another_scale_lengths_are_those_of_the_ground() -> None:
    half = line(("T", "L1", "L2"), "landing", 0.5)
    length, first, _ = checked(KerbRampParts((), half), sigma=0.01, factor=0.5)
    assert length.measured is not None
    assert first.measured is not None
    assert length.measured.value == pytest.approx(2.8)
    assert length.measured.sigma == pytest.approx(math.sqrt(2) * 0.02)
    assert first.measured.value == pytest.approx(0.005)


def test_named_marks_become_lines_with_their_names() -> None:
    parts = KerbRampParts.of(
        lambda marks, name: line(tuple(marks), name), [["T", "W"], ["T", "E1"]], ["T", "L1"], []
    )
    assert [flare.name for flare in parts.flares] == ["flare 1", "flare 2"]
    assert parts.landing is not None
    assert (parts.landing.name, parts.landing.names) == ("landing", ("T", "L1"))
    assert parts.gutter is None
    other = KerbRampParts.of(lambda marks, name: line(tuple(marks), name), [], [], ["F", "G"])
    assert (other.flares, other.landing) == ((), None)
    assert other.gutter is not None
    assert other.gutter.name == "gutter"


@pytest.mark.parametrize(
    ("count", "told"), [(1, "from T to W"), (3, "in 3 places, the first from T to W")]
)
def test_what_was_not_measured_is_counted_and_the_first_place_is_told(
    count: int, told: str
) -> None:
    grade, *_ = checked(KerbRampParts(FLARES))
    lost = replace(grade, check="cross", measured=None, judged=judge(None, 0.02))
    (finding,) = grade_findings([lost] * count)
    assert f"ramp: cross not measured {told}: no mark is near enough" in finding.text
    assert "name them as edges" in finding.text
