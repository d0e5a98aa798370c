"""Walks, marks and baseline of an export, on walks whose every visit is known."""

from __future__ import annotations

import itertools
import math
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.base.arrays import Floats
from geosite.fieldbook.imports.model import Answers, Question, Source, Walked
from geosite.fieldbook.imports.walks import (
    Observations,
    baseline_of,
    field_unit,
    gathered,
    mirrored,
    unit_from,
)
from geosite.reading.delimited import TextTable

PLACES = {
    "A": (0.0, 0.0, 0.0),
    "B": (10.0, 0.0, 0.2),
    "C": (14.0, 6.0, 0.4),
    "D": (3.0, 9.0, 0.1),
    "E": (-5.0, 4.0, 0.0),
}


def observed(*walks: str) -> Observations:
    """Return walks over marks, each a word of their letters."""
    runs = tuple(f"R{n}" for n, walk in enumerate(walks, start=1) for _ in walk)
    points = tuple(mark.strip() for walk in walks for mark in walk)
    xyz = np.array([PLACES.get(mark, (1.0, 1.0, 0.0)) for walk in walks for mark in walk])
    return Observations(runs, points, xyz, {}, "", False)


def source(label: str) -> Source:
    return Source(f"{label}.csv", label, TextTable((("A",),), (1,)))


def walked(
    walk: str, *, label: str = "morning", named: bool = True, drift: float = 0.0,
    breaks: tuple[int, ...] = (), moved: tuple[int, ...] = (), **cells: tuple[str, ...],
) -> Walked:  # fmt: skip
    """Return one export; from the rows `moved` on the device has another origin."""
    xyz = np.array([PLACES[mark] for mark in walk]) + drift * np.arange(len(walk))[:, None]
    for row in moved:
        xyz[row:] = xyz[row:] - xyz[row]
    told = {"point": tuple(walk), **cells} if named else cells
    lines = tuple(range(2, 2 + len(walk)))
    return Walked(source(label), {}, None, lines, xyz, told, frozenset(breaks))


def together(*parts: Walked, factors: tuple[float, ...] = ()) -> tuple[Observations, list[str]]:
    questions: list[Question] = []
    found = gathered(parts, factors or (1.0,) * len(parts), questions)
    return found, [f"{q.code} {q.line}" for q in questions]


@given(
    st.floats(0, 2 * math.pi),
    st.floats(-100, 100),
    st.sampled_from([1e-3, 1.0, 3.28, 1e3]),
    st.booleans(),
)
def test_a_walk_is_a_mirror_image_whatever_its_origin_heading_and_unit(
    turn: float, shift: float, unit: float, flipped: bool
) -> None:
    one = np.array(list(PLACES.values()))
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    other = one.copy()
    other[:, :2] = (one[:, :2] * [1, -1 if flipped else 1]) @ rotation.T + shift
    xyz = np.vstack([one, other]) * unit
    found = Observations(("R1",) * 5 + ("R2",) * 5, tuple(PLACES) * 2, xyz, {}, "", False)
    assert mirrored(found) == ([("R1", "R2")] if flipped else [])


def test_marks_nearly_in_line_tell_nothing_of_a_mirror() -> None:
    # a centimetre to this or to that side of ten metres
    line = np.array([[0.0, 0, 0], [5, 0.01, 0], [10, 0, 0]])
    both = np.vstack([line, line * [1, -1, 1]])
    names = ("A", "B", "C") * 2
    found = Observations(("R1",) * 3 + ("R2",) * 3, names, both, {}, "", False)
    assert mirrored(found) == []
    # of two common marks there is none
    two = Observations(("R1",) * 2 + ("R2",) * 2, ("A", "B") * 2, both[[0, 1, 3, 4]], {}, "", False)
    assert mirrored(two) == []


@pytest.mark.parametrize(
    ("walks", "pair", "sureness", "why"),
    [
        (("ABCA", "ABD"), ("A", "B"), "sure", "the only marks that every walk visits"),
        (("CABD", "DAB"), None, "", "walks share A, B, D"),
        (("ABCAB", "ABCAB"), ("A", "B"), "sure", "comes back to both"),
        (("ABCD", "ABCD"), ("A", "B"), "likely", "every walk starts with them"),
        (("BACD", "ABCD"), ("B", "A"), "likely", "every walk starts with them"),
        (("ABCDAB",), ("A", "B"), "likely", "comes back to both"),
        (("ABCD",), ("A", "B"), "likely", "every walk starts with them"),
        (("AC", "BD"), None, "", "walks share no mark"),
        (("A A B", "AB C"), ("A", "B"), "sure", "the only marks"),
    ],
)
def test_the_baseline_is_what_every_walk_visits_or_starts_with(
    walks: tuple[str, ...], pair: tuple[str, str] | None, sureness: str, why: str
) -> None:
    questions: list[Question] = []
    told = baseline_of(observed(*walks), Answers(), questions)
    if pair is None:
        assert told is None
        (question,) = questions
        assert (question.code, question.what) == ("baseline-open", f"the {why}")
        assert ("walk again" in question.answer) == ("no mark" in why)
        return
    assert told is not None
    assert (told.start, told.end, told.sureness) == (*pair, sureness)
    assert why in told.why
    assert told.length == pytest.approx(10.0)
    assert not questions


def test_a_baseline_that_was_said_must_be_seen_in_every_walk() -> None:
    questions: list[Question] = []
    told = baseline_of(observed("ABCD", "BADC"), Answers(baseline=("C", "D")), questions)
    assert told is not None
    assert (told.sureness, told.length) == ("told", pytest.approx(math.hypot(11, 3)))
    assert baseline_of(observed("ABCD", "ABC"), Answers(baseline=("C", "D")), questions) is None
    (question,) = questions
    assert question.what == "not every walk visits D"
    assert "(A, B, C)" in question.expected


def test_exports_are_walks_of_their_own_with_names_that_differ() -> None:
    one, two = walked("ABCA"), walked("ABD", label="noon")
    found, questions = together(one, two, factors=(1.0, 0.01))
    assert not questions
    assert found.runs == ("morning",) * 4 + ("noon",) * 3
    assert found.points == tuple("ABCAABD")
    assert found.xyz[:4] == pytest.approx(one.xyz)
    assert found.xyz[4:] == pytest.approx(two.xyz / 100)
    assert (found.split, found.named) == ("", False)
    # the same label of a walk in two exports is two walks
    named, _ = together(
        walked("AB", run=("R1", "R1")), walked("AB", label="noon", run=("R1", "R1"))
    )
    assert named.runs == ("R1", "R1", "noon-R1", "noon-R1")
    apart, _ = together(
        walked("AB", run=("R1", "R1")), walked("AB", label="noon", run=("R2", "R2"))
    )
    assert apart.runs == ("R1", "R1", "R2", "R2")


def test_what_one_export_has_and_the_other_lacks_is_blank() -> None:
    found, _ = together(walked("AB", code=("", "kerb")), walked("AB", label="noon"))
    assert dict(found.cells) == {"code": ("", "kerb", "", "")}


@pytest.mark.parametrize(
    ("breaks", "how"),
    [
        ((4,), "empty lines, titles and headers between them"),
        ((), "where coordinates start at nought"),
    ],
)
def test_two_walks_in_one_export_are_told_apart_by_what_does_not_fit(
    breaks: tuple[int, ...], how: str
) -> None:
    found, questions = together(walked("ABCBBADC", moved=(4,), breaks=breaks))
    assert not questions
    assert found.runs == ("morning-1",) * 4 + ("morning-2",) * 4
    assert how in found.split


def recording(*, back: bool, jump: bool) -> Walked:
    """Return two streamed walks in one export; the first may pass its origin exactly again.

    The second lies square to the first. `jump`: the first ends away from its origin.
    """

    def stream(*corners: tuple[float, float]) -> Floats:
        parts = [
            np.linspace(a, b, round(math.dist(a, b) * 2), endpoint=False)
            for a, b in itertools.pairwise(corners)
        ]
        flat = np.vstack([*parts, corners[-1]])
        return np.column_stack([flat, np.zeros(len(flat))])

    home = (0.0, 0.0) if back else (0.0, 0.7)
    end = (-5.0, 4.0) if jump else (0.3, 0.2)
    first = stream((0.0, 0.0), (10.0, 0.0), (10.0, 6.0), home, end)
    second = stream((0.0, 0.0), (0.0, 10.0), (-6.0, 10.0), (-3.0, 3.0))
    names = [""] * (len(first) + len(second))
    names[0], names[20] = "A", "B"
    names[len(first)], names[len(first) + 20] = "A", "B"
    xyz = np.vstack([first, second])
    lines = tuple(range(2, 2 + len(xyz)))
    return Walked(source("morning"), {}, None, lines, xyz, {"point": tuple(names)})


@pytest.mark.parametrize(("back", "jump"), [(True, True), (False, True), (False, False)])
def test_passing_the_origin_in_a_steady_walk_begins_no_new_one(back: bool, jump: bool) -> None:
    part = recording(back=back, jump=jump)
    found, questions = together(part)
    assert not questions
    # where it only just does not reach the second walk's start, a step leads there, and marks tell
    assert set(found.runs) == {"morning-1", "morning-2"}
    start = found.runs.index("morning-2")
    assert found.points[start] == "A"
    assert found.runs == ("morning-1",) * start + ("morning-2",) * (len(found.runs) - start)


def test_one_walk_that_comes_back_is_one_walk_although_it_drifts_and_has_gaps() -> None:
    # 3 % of the way walked, and 2 % of the extent, may be drift
    for walk, breaks in (("ABCDA", ()), ("ABCDAB", (3,)), ("ABCDABAB", (2, 5))):
        found, questions = together(walked(walk, breaks=breaks, drift=0.02))
        assert not questions
        assert set(found.runs) == {"morning"}
        assert found.split == ""


def test_a_mark_far_from_where_it_was_is_asked_about_with_its_line() -> None:
    # the second origin is no nought and no line is empty: nothing shows where a walk begins
    part = walked("ABCABADC", moved=(4,))
    xyz = part.xyz.copy()
    xyz[4:] += 7.0
    odd = Walked(part.source, {}, None, part.lines, xyz, part.cells)
    found, questions = together(odd)
    assert set(found.runs) == {"morning"}
    ((code, line),) = [told.split() for told in questions]
    assert code == "walks-open"
    assert int(line) in (7, 8, 9)  # of the rows behind the fourth


@pytest.mark.parametrize("drift", [0.0, 0.03])
def test_marks_without_names_are_those_that_are_met_again_at_the_baseline(drift: float) -> None:
    found, _ = together(walked("ABCDABEC", named=False, drift=drift))
    # C is met again but only the baseline's two marks are looked for
    assert found.points == ("B1", "B2", "1", "2", "B1", "B2", "5", "6")
    assert found.named
    two, _ = together(walked("ABC", named=False), walked("ABD", label="noon", named=False))
    assert two.points == ("B1", "B2", "morning-1", "B1", "B2", "noon-1")
    lone, _ = together(walked("A", named=False))
    assert lone.points == ("B1",)


def test_units_of_lengths_and_of_field_books() -> None:
    assert unit_from(1000.0, 10.0) == ["cm"]
    assert unit_from(10.29, 10.0) == ["m"]
    assert unit_from(10.31, 10.0) == []
    assert unit_from(9.71, 10.0) == ["m"]
    assert field_unit("m") == ("m", 1.0)
    assert field_unit("in") == ("ft", pytest.approx(1 / 12))
    assert field_unit("yd") == ("ft", pytest.approx(3.0))
    assert field_unit("mm") == ("m", 0.001)


def turned(places: Floats, degrees: float) -> Floats:
    """Turn about the origin, counter-clockwise."""
    a = math.radians(degrees)
    rotation = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return np.asarray(places @ rotation.T)


def test_a_baseline_has_the_mean_length_of_all_walks() -> None:
    both = observed("ABC", "ABD")
    xyz = both.xyz.copy()
    xyz[3:, :2] = turned(xyz[3:, :2] * 1.02, 70.0)
    told = baseline_of(Observations(both.runs, both.points, xyz, {}, "", False), Answers(), [])
    assert told is not None
    assert told.length == pytest.approx(10.1)


def test_the_baseline_of_very_many_marks_is_found_at_once() -> None:
    """Each mark was looked for among all others, which takes a minute of as many."""
    names = tuple(f"M{k}" for k in range(60_000))
    places = np.arange(180_000.0).reshape(-1, 3)
    found = Observations(("R1",) * len(names), names, places, {}, "", False)
    start = time.process_time()
    baseline = baseline_of(found, Answers(), [])
    assert baseline is not None
    assert (baseline.start, baseline.end) == ("M0", "M1")
    assert time.process_time() - start < 5
