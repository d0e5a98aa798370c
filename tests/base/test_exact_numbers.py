"""Numbers of sentences: rounded in metres to be read, kept exact for readers of feet."""

from __future__ import annotations

import copy
import doctest
import math
import pickle
import re
from pathlib import Path

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from geosite.base import exact_numbers
from geosite.base.errors import Finding, Problem
from geosite.base.exact_numbers import Told, Words, fixed, kept
from geosite.base.rounding import written
from geosite.base.spoken_units import in_feet, spoken

LENGTHS = st.floats(-1e5, 1e5)


@given(LENGTHS, st.integers(0, 3))
@example(0.41392, 2)  # 1.36 ft; the 0.41 m of the sentence are 1.35
def test_a_length_is_rounded_once(length: float, places: int) -> None:
    assume(round(length, places) or not length)
    sentence = Told(f'mark "0.5 m" is {fixed(length, places)} m off, run 3 m')
    assert sentence == f'mark "0.5 m" is {length:.{places}f} m off, run 3 m'
    feet = f"{round(length / 0.3048, places) + 0.0:.{places}f}"
    assert in_feet(sentence) == f'mark "0.5 m" is {feet} ft off, run 10 ft'
    assert spoken(sentence, "m") == sentence
    assert type(spoken(sentence, "m")) is str


@pytest.mark.parametrize(
    ("length", "places", "metres", "feet"),
    [
        (-0.0004, 2, "-0.0004", "-0.0013"),
        (0.3, 0, "0.3", "1.0"),
        (0.00096, 2, "0.001", "0.003"),
        (1e-9, 3, "0.000", "0.000"),  # what arithmetic leaves
    ],
)
def test_what_is_not_nothing_is_not_told_as_nothing(
    length: float, places: int, metres: str, feet: str
) -> None:
    sentence = Told(f"good to {fixed(length, places)} m")
    assert sentence == f"good to {metres} m"
    assert in_feet(sentence) == f"good to {feet} ft"


def test_a_millimetre_is_not_nothing_in_inches() -> None:
    assert in_feet("0.1 mm deep, 0 mm wide") == "0.004 in deep, 0.0 in wide"


@given(LENGTHS, LENGTHS, LENGTHS)
def test_exact_values_go_from_words_into_sentences(one: float, two: float, three: float) -> None:
    words = kept(f"{one:.2f} m ({two:.2f} to {three:.2f})", one, two, three)
    said = "at W2 up to " + words + " and " + Words(f"{fixed(two, 1)} m2")
    assert list(said.exact.values()) == [one, two, three, two]
    assert all(said[at:].startswith((f"{v:.2f}", f"{v:.1f}")) for at, v in said.exact.items())
    finding = Finding("look", "a", f"{said}.")
    text = finding.text
    for same in (text, pickle.loads(pickle.dumps(text)), copy.deepcopy(text)):
        assert same == said + "."
        assert isinstance(same, Told)
        assert list(same.exact.values()) == [one, two, three, two]
    assert f"{text}" == f"{text!s}" == str(said) + "."  # what is told shows nothing of it


def test_no_word_of_a_problem_shows_what_is_kept() -> None:
    problem = Problem("a", f"{fixed(0.41392, 2)} m", f"{fixed(1.0, 1)} m", f"{fixed(2.0, 0)} m")
    assert str(problem) == "0.41 m; expected 1.0 m; 2 m"
    assert in_feet(problem.what) == "1.36 ft"


@pytest.mark.parametrize("endless", [math.inf, -math.inf, math.nan])
def test_of_a_number_without_end_nothing_is_kept(endless: float) -> None:
    said = Told(f"good to {fixed(endless, 2)} m, {kept(f'{endless:.2f} m (0.1 m)', endless, 0.12)}")
    assert said == f"good to {endless:.2f} m, {endless:.2f} m (0.1 m)"
    assert list(said.exact.values()) == [0.12]


def test_thousands_are_one_number() -> None:
    words = kept(written(1234.4, 5.2, "m"), 1234.4, 5.2)
    assert words == "1234 +/- 5 m"
    assert in_feet(words) == "4050 +/- 17 ft"


@pytest.mark.parametrize("cell", ["5\ue000abc\ue001", "5\ue0001.2.3\ue001", "5\ue001", "\ue0005"])
def test_characters_that_a_file_has_of_its_own_stay(cell: str) -> None:
    said = Told(f'x is "{cell}", {fixed(0.41392, 2)} m')
    assert said == f'x is "{cell}", 0.41 m'
    assert list(said.exact.values()) == [0.41392]


def test_nothing_that_leaves_shows_what_is_kept() -> None:
    texts = sorted((Path(__file__).parents[1] / "approved/text").rglob("*.txt"))
    assert len(texts) > 100
    shows = re.compile(r"[\ue000\ue001]|(\\u|\\x)e00[01]", re.IGNORECASE)
    assert not [path.name for path in texts if shows.search(path.read_text(encoding="utf-8"))]


def test_examples() -> None:
    assert doctest.testmod(exact_numbers).failed == 0
