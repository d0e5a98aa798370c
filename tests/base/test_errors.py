"""One line per problem, whatever is in it, and always with what to do."""

from __future__ import annotations

import pickle

import pytest

from geosite.base.errors import (
    GeositeError,
    InputError,
    OutputRefused,
    Problem,
    SurveyRefused,
    printable,
)


@pytest.mark.parametrize("long", ["what", "expected", "remedy", "file"])
def test_what_to_do_stays_however_long_the_rest_is(long: str) -> None:
    parts = {"what": "is wrong", "expected": "it right", "remedy": "mend it", "file": "site.toml"}
    parts[long] = "äx " * 900
    text = str(Problem("code", **parts, line=7))
    assert len(text) <= 1000
    if long != "remedy":
        assert text.endswith("; mend it")
    assert "; expected " in text
    if long != "file":
        assert text.startswith("site.toml:7: ")
    assert "…" in text


def test_a_short_problem_is_not_cut() -> None:
    problem = Problem("code", "w" * 300, "e" * 300, "r" * 300, "f.csv", 3)
    assert str(problem) == f"f.csv:3: {'w' * 300}; expected {'e' * 300}; {'r' * 300}"


def test_what_a_terminal_obeys_is_written_out() -> None:
    assert printable("a\x1b[2J\x07\n\u202e\udc80é") == "a\\x1b[2J\\x07\\x0a\\x202e\\xdc80é"


def test_there_is_no_error_without_a_problem() -> None:
    with pytest.raises(ValueError, match="without a problem"):
        InputError([])


@pytest.mark.parametrize(("part", "longest"), [("expected", 300), ("remedy", 450)])
def test_each_part_is_cut_beyond_its_length(part: str, longest: int) -> None:
    parts = {"what": "is wrong", "expected": "it right", "remedy": "mend it"}
    whole = str(Problem("code", **(parts | {part: "x" * longest})))
    assert whole.count("x") == longest + whole.count("ex")
    cut = str(Problem("code", **(parts | {part: "x" * (longest + 1)})))
    assert "x" * (longest - 1) + "…" in cut
    assert len(cut) == len(whole)


def test_a_line_has_a_thousand_characters() -> None:
    problem = Problem("code", "w" * 2000, "e", "r", "f")
    assert len(str(problem)) == 1000
    assert str(problem).endswith("w…; expected e; r")


def test_a_place_is_told_as_far_as_it_is_known() -> None:
    assert str(Problem("code", "w", "e", "r")) == "w; expected e; r"
    assert str(Problem("code", "w", "e", "r", line=3)) == "w; expected e; r"
    assert str(Problem("code", "w", "e", "r", "f.csv")) == "f.csv: w; expected e; r"
    assert str(Problem("code", "w", "e", "r", "f.csv", 0)) == "f.csv:0: w; expected e; r"


@pytest.mark.parametrize(
    ("kind", "status"), [(GeositeError, 2), (InputError, 2), (SurveyRefused, 3), (OutputRefused, 4)]
)
def test_every_kind_has_its_exit_status_and_crosses_processes(
    kind: type[GeositeError], status: int
) -> None:
    one, other = Problem("a", "w", "e", "r"), Problem("b", "v", "e", "r", "f", 2)
    error = pickle.loads(pickle.dumps(kind([one, other])))
    assert type(error) is kind
    assert error.exit_code == status
    assert error.problems == (one, other)
    assert str(error) == "w; expected e; r\nf:2: v; expected e; r"
    assert kind(one).problems == (one,)
