"""Mistakes are named: kind, run, lines, size; and a survey without any is left in peace.

The full table, a hundred surveys with and without each kind, is tests/benchmark/blunder_table.py.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from device_walks import walked
from msgspec.structs import replace as replace_fields
from network_cases import notes
from network_spoilt import KINDS, NOISE, WALKS, clean, is_named, said, spoil
from walk_simulator import Noise

from geosite.base.errors import Problem, SurveyRefused
from geosite.fieldbook.model import FieldBook, Notes
from geosite.fieldbook.sitefile import DeviceTable
from geosite.network.adjust import adjust
from geosite.network.walk.device import CLASSES


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_mistake_is_named(kind: str) -> None:
    for seed in (1, 5):
        spoilt = spoil(kind, seed)
        told = said(spoilt.notes)
        assert is_named(spoilt, told), (seed, spoilt.run, spoilt.rows, told)


@pytest.mark.slow
@pytest.mark.parametrize("walks", [WALKS, WALKS[:1], WALKS[::2]], ids=["three", "one", "two"])
def test_no_false_alarm(walks: tuple) -> None:
    assert sum(bool(said(clean(seed, walks=walks))) for seed in range(100, 125)) <= 1


@pytest.mark.slow
def test_noise_that_is_larger_everywhere_is_not_a_mistake() -> None:
    for seed in range(200, 205):
        survey = clean(seed, Noise(3 * NOISE.constant, 3 * NOISE.per_sqrt_metre))
        assumed = clean(seed).site
        assert not said(replace(survey, site=assumed))


def run_rows(book: FieldBook, run: str) -> np.ndarray:
    return np.flatnonzero(book.run == book.runs.index(run))


def changed(survey: Notes, rows: np.ndarray, signs: tuple[float, float, float]) -> Notes:
    local = survey.book.local.copy()
    local[rows] *= signs
    return replace(survey, book=replace(survey.book, local=local))


def refusals(survey: Notes) -> tuple[Problem, ...]:
    with pytest.raises(SurveyRefused) as refused:
        adjust(survey)
    assert refused.value.exit_code == 3
    return tuple(refused.value.problems)


def problems(survey: Notes) -> list[str]:
    return [str(p) for p in refusals(survey)]


def test_size_and_place_of_a_jump_are_told() -> None:
    survey = clean(3)
    local = survey.book.local.copy()
    rows = run_rows(survey.book, "R3")
    local[rows[8:]] += [0.9, 0.0, 0.3]  # a jump on the walk from A5 (line 82) to A6 (line 89)
    network = adjust(replace(survey, book=replace(survey.book, local=local)))
    (told,) = [f for f in network.findings if f.code == "leg-off"]
    assert (told.level, told.line) == ("look", 89)
    assert "between marks A5 and A6, lines 82 to 89" in told.text
    (mistake,) = network.report.mistakes
    assert np.hypot(*mistake.error_m[:2]) == pytest.approx(0.9, abs=0.15)
    assert mistake.error_m[2] == pytest.approx(0.3, abs=0.15)
    # the noise is judged without the mistake
    assert network.report.noise.horizontal.verdict == "as expected"


def test_a_jump_beyond_the_limit_is_refused() -> None:
    survey = clean(3)
    local = survey.book.local.copy()
    local[run_rows(survey.book, "R3")[8:]] += [6.0, 0.0, 0.0]
    told = problems(replace(survey, book=replace(survey.book, local=local)))
    assert told[0].startswith("field_book.csv:89: run R3 is off by about 6.")
    assert "expected at most 1:100 of the run's length" in told[0]
    assert any("came back to mark B1" in t for t in told)


def test_a_visit_to_the_wrong_place_is_told_from_a_jump() -> None:
    survey = clean(6)
    local = survey.book.local.copy()
    row = np.flatnonzero(
        (survey.book.mark == survey.book.marks.index("A2"))
        & (survey.book.run == survey.book.runs.index("R2"))
    )[0]
    local[row] += [0.8, -0.5, 0.0]
    network = adjust(replace(survey, book=replace(survey.book, local=local)))
    (told,) = [f for f in network.findings if f.code in ("visit-off", "leg-off")]
    assert told.code == "visit-off"
    assert "on its visit to mark A2" in told.text
    # only R1 and R2 went there, so either may be wrong, and both are named
    assert "Run R1 is off by about" in told.text
    assert f"cannot tell it from line {survey.book.line[row]} of run R2" in told.text


def test_two_runs_leave_open_which_one_is_mirrored() -> None:
    survey = clean(2, walks=WALKS[::2])
    told = problems(changed(survey, run_rows(survey.book, "R3"), (1, -1, 1)))
    assert "one of the runs R" in told[0]
    assert "R1" in told[0]
    assert "R3" in told[0]
    assert "mirrored" in told[0]


def test_a_third_known_mark_tells_that_every_run_is_mirrored() -> None:
    survey = clean(2)
    place = adjust(survey)
    book = survey.book
    row = np.flatnonzero(book.mark == book.marks.index("A5"))[0]
    import msgspec

    east, north = place.frame.to_map(place.en[row]).tolist()
    marks = msgspec.to_builtins(survey.site.anchor.marks)
    marks["A5"] = {"easting": east, "northing": north, "sigma": 0.03}
    site = msgspec.structs.replace(
        survey.site, anchor=msgspec.structs.replace(survey.site.anchor, marks=_marks(marks))
    )
    third = replace(survey, site=site)
    assert not said(third)
    told = problems(changed(third, np.arange(len(book)), (-1, 1, 1)))
    assert "every run is mirrored" in told[0]


def _marks(marks: dict) -> dict:
    return notes([], marks).site.anchor.marks


@pytest.mark.slow
def test_a_run_upside_down() -> None:
    # the landing falls by half a metre between the common marks
    survey = clean(4)
    told = problems(changed(survey, run_rows(survey.book, "R2"), (1, 1, -1)))
    assert told[0].startswith("field_book.csv:51: run R2 has its z axis downwards")
    told = problems(changed(survey, run_rows(survey.book, "R2"), (1, -1, -1)))
    assert "run R2 has y and z with the wrong sign" in told[0]


@pytest.mark.slow
def test_the_map_tells_which_of_two_runs_is_in_feet() -> None:
    survey = clean(2, walks=WALKS[::2])
    local = survey.book.local.copy()
    local[run_rows(survey.book, "R1")] /= 0.3048
    told = problems(replace(survey, book=replace(survey.book, local=local)))
    assert told[0].startswith("field_book.csv:2: run R1 looks measured in feet, unlike the others")
    local = survey.book.local.copy()
    local[run_rows(survey.book, "R1")] *= 0.3048
    told = problems(replace(survey, book=replace(survey.book, local=local)))
    assert told[0].startswith("field_book.csv:2: run R1 looks measured in metres")
    # and not the length of the baseline, which is only spoilt by that run
    assert not any("the map says" in t for t in told)


def test_a_wrong_name_that_belongs_to_another_mark() -> None:
    survey = clean(7)
    book = survey.book
    row = np.flatnonzero((book.mark == book.marks.index("A2")) & (book.run == 1))[0]
    mark = book.mark.copy()
    mark[row] = book.marks.index("A5")  # R2 never goes to A5, R1 and R3 do
    told = problems(replace(survey, book=replace(book, mark=mark)))
    assert told[0].startswith(
        f"field_book.csv:{book.line[row]}: run R2 calls a mark A5 that is where A2 is"
    )


@pytest.mark.slow
def test_two_mistakes_in_one_survey() -> None:
    survey = clean(8)
    local = survey.book.local.copy()
    local[run_rows(survey.book, "R2"), 1] *= -1
    local[run_rows(survey.book, "R1")[20:]] += [0.0, 5.0, 0.0]
    told = problems(replace(survey, book=replace(survey.book, local=local)))
    assert any("run R2 is mirrored" in t for t in told)
    assert any("run R1 is off by about 5." in t or "run R1 is off by about 4.9" in t for t in told)


def test_one_sign_is_a_hint_only() -> None:
    survey = clean(11)
    rows = run_rows(survey.book, "R3")
    step = survey.book.local[rows[13]] - survey.book.local[rows[12]]
    local = survey.book.local.copy()
    local[rows[13:], 0] -= 2 * step[0]
    told = said(replace(survey, book=replace(survey.book, local=local)))
    assert told[0][0] == "leg-off"
    a, b = (int(survey.book.line[r]) for r in rows[12:14])
    assert f"as if x of the leg from line {a} to {b} had the wrong sign" in told[0][1]


def test_a_swapped_single_run_cannot_be_told() -> None:
    # one run and nothing but the baseline: exchanging its two names turns the survey about, and
    # nothing in the notes contradicts it. The small redundancy is said
    survey = clean(12, walks=WALKS[:1])
    book = survey.book
    a, b = book.marks.index("B1"), book.marks.index("B2")
    mark = np.where(book.mark == a, b, np.where(book.mark == b, a, book.mark))
    network = adjust(replace(survey, book=replace(book, mark=mark)))
    assert "redundancy-small" in [f.code for f in network.findings]


def test_a_wrong_name_for_the_first_mark_of_the_book_is_found() -> None:
    """Nothing is special about the mark that comes first; here the way back to it is misnamed."""
    walk = [
        *(("A", 0, 0, 0.0), ("C", 10, 18, 0.4), ("B", 25, 0, 0.2), ("D", 31, 17, 0.9)),
        *(("C", 10, 18, 0.4), ("E", -8, 9, 0.1), ("D", 0, 0, 0.0), ("B", 25, 0, 0.2)),
        ("D", 31, 17, 0.9),
    ]
    rows = [("R", name, float(x), float(y), z) for name, x, y, z in walk]
    origin = {"A": {"easting": 0.0, "northing": 0.0, "elevation": 5.0}}
    with pytest.raises(SurveyRefused) as caught:
        adjust(notes(rows, origin, azimuth={"value": 90.0}))
    first = caught.value.problems[0]
    assert (first.code, first.line) == ("name-wrong", 8)
    assert "calls a mark D that is where A is" in first.what


@pytest.mark.slow
def test_of_many_runs_the_one_in_feet_is_tried() -> None:
    """Only a few runs are tried in another unit: those that fit least, not those that fit best."""
    rng = np.random.default_rng(7)
    places = {"A": (0, 0, 0), "B": (25, 0, 0.2), "C": (31, 17, 0.9), "D": (10, 18, 0.4)}
    rows = []
    for number in range(9):
        size = 1 / 0.3048 if number == 8 else 1.0
        for name in "ABCDAB":
            at = size * (np.array(places[name], float) + rng.normal(0, 0.004, 3))
            rows.append((f"R{number}", name, *at.tolist()))
    origin = {"A": {"easting": 0.0, "northing": 0.0, "elevation": 5.0}}
    with pytest.raises(SurveyRefused) as caught:
        adjust(notes(rows, origin, azimuth={"value": 90.0}))
    first = caught.value.problems[0]
    assert first.code == "run-unit", str(first)
    assert "R8" in first.what


def seen_by(survey: Notes, device: str | None) -> Notes:
    """Return a survey whose site file tells a class of device, or nothing, instead of noise."""
    table = None if device is None else DeviceTable(class_=device)
    told = replace_fields(survey.site.survey, leg_noise=None, device=table, closure_limit=None)
    return replace(survey, site=replace_fields(survey.site, survey=told))


DEVICES = pytest.mark.parametrize("device", [None, "good"], ids=["nothing told", "good"])


@DEVICES
def test_one_run_mirrored_is_named_whatever_is_told_of_the_device(device: str | None) -> None:
    # its heading may drift far, so that misclosures of metres are no proof by themselves
    survey = seen_by(clean(2, walks=WALKS[::2]), device)
    told = problems(changed(survey, run_rows(survey.book, "R3"), (1, -1, 1)))
    assert "one of the runs R1 or R3 is mirrored" in told[0]


@DEVICES
def test_a_baseline_exchanged_in_one_run_is_named(device: str | None) -> None:
    survey = seen_by(clean(3, walks=WALKS[::2]), device)
    book = survey.book
    a, b = (book.marks.index(name) for name in ("B1", "B2"))
    mark = book.mark.copy()
    rows = run_rows(book, "R3")
    mark[rows[book.mark[rows] == a]] = b
    mark[rows[book.mark[rows] == b]] = a
    told = problems(replace(survey, book=replace(book, mark=mark)))
    assert "one of the runs R1 or R3 has the baseline marks B1 and B2 exchanged" in told[0]


@DEVICES
@pytest.mark.slow
def test_a_name_given_to_two_marks_is_a_visit_that_is_off(device: str | None) -> None:
    # neither two jumps of the device nor exchanged names
    survey = seen_by(clean(6), device)
    book = survey.book
    local = book.local.copy()
    (row,) = (r for r in run_rows(book, "R2") if book.marks[book.mark[r]] == "A2")
    local[row] += [3.0, -4.0, 0.0]
    network = adjust(replace(survey, book=replace(book, local=local)))
    (told,) = [f for f in network.findings if f.code in ("visit-off", "leg-off")]
    assert told.code == "visit-off"
    assert "is off by about 5.0" in told.text
    assert f"line {book.line[row]} of run R2" in told.text or told.line == book.line[row]


@pytest.mark.parametrize("line", [7, 15])
@pytest.mark.slow
def test_a_name_written_twice_in_a_row_is_told_by_its_line(line: int) -> None:
    # where the runs do not settle with it, what was found says why
    walk = walked(40.0, 7, true=CLASSES["good"], stated={"class": "good"})
    book = walk.notes.book
    (first,) = np.flatnonzero(book.line == line)
    mark = book.mark.copy()
    mark[first + 1] = mark[first]
    wrong = replace(walk.notes, book=replace(book, mark=mark))
    (said_of_it,) = refusals(wrong)
    assert f"on its visit to mark {book.marks[book.mark[first]]}" in said_of_it.what
    assert said_of_it.line in (line, line + 1)
    apart = float(np.linalg.norm(walk.truth[first + 1] - walk.truth[first]))
    told = re.search(r"about (\d+\.\d+) m", said_of_it.what)
    assert told is not None
    assert float(told[1]) == pytest.approx(apart, rel=0.03)


@pytest.mark.slow
def test_a_device_worse_than_assumed_turns_no_run_over() -> None:
    worse = replace(CLASSES["good"], heading=4 * CLASSES["good"].heading, walk=0.06)
    told = []
    # of forty walks those on which something is told, and some of the others
    for seed in (1, 2, 10, 28, 38):
        survey = walked(40.0, seed, true=worse, stated={"class": "good"}).notes
        told += [code for code, _ in said(survey)]
    assert not {code for code in told if code.startswith("run-") or code == "baseline-swapped"}
