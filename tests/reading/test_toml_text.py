"""TOML that is written by hand: what is wrong with it, in which line."""

from __future__ import annotations

import pytest

from geosite.base.problems import Problems
from geosite.reading.toml_lines import key_lines
from geosite.reading.toml_text import LINE_LIMIT, parse_toml

KEY = "[survey]\nfile = 1\n"


@pytest.mark.parametrize(
    ("text", "code", "line", "what"),
    [
        (f'{KEY}a = "{"x" * LINE_LIMIT}"', "toml-line-too-long", 3, "10006 characters"),
        (f"{KEY}{'a.' * 30}b = 1", "toml-nesting", 3, "too many parts joined by dots"),
        (f"{KEY}[{' . '.join('a' * 31)}]", "toml-nesting", 3, "too many parts joined by dots"),
        (f"{KEY}a = {'[' * 4000}", "toml-nesting", None, "nested too deeply"),
        (f"{KEY}a = {'9' * 5000}\n", "number-too-large", 3, "thousands of digits"),
        (f"{KEY}a = {'9_' * 4900}9\n", "number-too-large", 3, "thousands of digits"),
        (f"{KEY}file = 2\n", "toml-duplicate", 3, "a second time here"),
        (f"{KEY}[survey]\n", "toml-duplicate", 3, "a second time here"),
        (f'{KEY}a = "x\n\n', "toml-syntax", 3, ""),
        (f'{KEY}a = """x\n\ny\n\n', "toml-syntax", 5, "the file ends inside a value"),
        (f'{KEY}a = "C:\\Users"\n', "toml-syntax", 3, "a backslash between double quotes"),
        (f'{KEY}a = "C:\\walks"\n', "toml-syntax", 3, "a backslash between double quotes"),
        (f"{KEY}a = 1,5\n", "toml-syntax", 3, "a is 1,5"),
    ],
)
def test_each_fault_is_told_with_its_line(
    text: str, code: str, line: int | None, what: str
) -> None:
    problems = Problems()
    assert parse_toml(text, "site.toml", problems) is None
    (found,) = problems.first()
    assert (found.code, found.file, found.line) == (code, "site.toml", line)
    assert what in found.what


def test_what_is_long_within_its_limits_is_read() -> None:
    problems = Problems()
    quoted = "1." * 40
    text = (
        f'a = "{"x" * (LINE_LIMIT - 6)}"\nb = "{quoted}"\nc = \'{quoted}\'\n"{quoted}" = 2\n'
        f"{'d.' * 29}e = 1\nf = [{'1.5, ' * 40}]\n"
    )
    found = parse_toml(text, "site.toml", problems)
    assert not problems
    assert found is not None
    assert (found["b"], found["c"], found[quoted]) == (quoted, quoted, 2)
    assert found["f"] == [1.5] * 40


@pytest.mark.parametrize(
    ("line", "remedy"),
    [
        ("a = 1,5", "write a = 1.5"),
        ("a = -1,500 # of it", "write a = -1.500 or a = -1500, as is meant"),
        ("a = 0,500", "write a = 0.500"),
        ("a = north gate", 'write a = "north gate"'),
        ("a = C:\\walk.csv", "write a = 'C:\\walk.csv'"),
        ("a = True", "write a = true"),
    ],
)
def test_what_to_write_instead_can_be_read(line: str, remedy: str) -> None:
    problems = Problems()
    assert parse_toml(f"{line}\nb = 1\n", "site.toml", problems) is None
    assert problems.first()[0].remedy == remedy
    for written in remedy.removeprefix("write ").removesuffix(", as is meant").split(" or "):
        assert parse_toml(written, "site.toml", Problems()) is not None


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('a = """x\nb = north\n', "the file ends inside a value"),
        ("a = 1\na = nan\n", "a second time here"),
    ],
)
def test_a_line_is_not_blamed_for_what_it_has_no_part_in(text: str, what: str) -> None:
    problems = Problems()
    assert parse_toml(text, "site.toml", problems) is None
    assert what in problems.first()[0].what


def test_every_key_is_found_in_its_line() -> None:
    text = (
        '# a comment\n[site]\ntitle = "a # b\\" [x]"\n\'odd key\' = 1\n\n'
        '[ codes . "north pad" ]\nlist = [\n  1, # one\n  [2, 3],\n]\n'
        'inline = { a = 1, b.c = "}" }\n[[runs]]\n'
        'name = """\n[no]\nx = 1\n"""\n[[runs]]\nname = 2\n'
    )
    found = key_lines(text)
    told = {".".join(map(str, path)): line for path, line in found.items()}
    assert told["site"] == 2
    assert told["site.title"] == 3
    assert told["site.odd key"] == 4
    assert told["codes.north pad"] == 6
    assert told["codes.north pad.list"] == 7
    assert told["codes.north pad.inline"] == 11
    assert told["codes.north pad.inline.b.c"] == 11
    assert told["runs.0.name"] == 13
    assert told["runs.1.name"] == 18
    assert not [path for path in told if path.endswith("x")]
