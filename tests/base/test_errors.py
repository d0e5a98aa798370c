"""One line per problem, whatever is in it, and always with what to do."""

from __future__ import annotations

import pytest

from geosite.base.errors import InputError, Problem, printable


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
