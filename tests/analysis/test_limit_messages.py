"""What is wrong with a limit set of one's own: in plain words, with its line."""

import pytest

from geosite.analysis.limits import limit_sets
from geosite.base.errors import InputError
from geosite.reading.toml_lines import key_lines


@pytest.mark.parametrize(
    ("text", "line", "what", "expected"),
    [
        (
            '[mine]\ntitle = "x"\nrunning = "1:20"\n',
            3,
            'limit set [mine]: running is "1:20"',
            'a table such as { ratio = "1:20"',
        ),
        (
            '[mine]\ntitle = "x"\nrunning = { ratio = 20 }\n',
            3,
            "limit set [mine]: running.ratio is 20",
            'text such as "1:20"',
        ),
        (
            '[mine]\ntitle = "x"\nrunning = { ratio = "1:0" }\n',
            3,
            "limit set [mine]: running cannot be used: a ratio of 1:0 is vertical",
            "",
        ),
        ('[mine]\ntitel = "x"\n', 2, 'limit set [mine]: it has the key "titel"', "one of title"),
        ('[mine]\nsource = "x"\n', 1, "limit set [mine]: it has no title", "at least title"),
    ],
)
def test_a_bad_limit_set_is_named_with_its_line(
    text: str, line: int, what: str, expected: str
) -> None:
    import tomllib

    with pytest.raises(InputError) as caught:
        limit_sets(tomllib.loads(text), "limits.toml", key_lines(text))
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.what) == ("limits.toml", line, what)
    assert problem.expected.startswith(expected)


@pytest.mark.parametrize(
    ("line", "expected", "remedy"),
    [
        ("title = 3", "text in quotes", 'write title = "3"'),
        ("title = true", "text in quotes", 'write title = "..."'),
        (
            'running = { ratio = "20" }',
            'text such as "1:20"',
            'write ratio = "1:20" for 1 in 20, or percent = 20 for 20 %',
        ),
        (
            "running = { ratio = 0.05 }",
            'text such as "1:20"',
            'write ratio = "1:20" for 1 in 20, or percent = 5 for 5 %',
        ),
        ('running = { ratio = "1/20" }', 'text such as "1:20"', 'write ratio = "1:20" for 1 in 20'),
        (
            'running = { percent = "5 %" }',
            "a number above 0, at most 1000",
            "write it without quotes, percent = 5",
        ),
        (
            "running = { percent = -5 }",
            "a number above 0, at most 1000",
            "correct it, as in percent = 8.0",
        ),
        ("width = { metres = 0 }", "a number above 0 in metres", "correct it, as in metres = 1.5"),
        (
            "width = { percent = 4 }",
            "one of metres, section",
            'write it like width = { metres = 1.5, section = "4.2" }',
        ),
        ('running = { ratio = "1:20", section = 4.2 }', "text in quotes", 'write section = "4.2"'),
        ("landing_as_wide_as_run = 4", "text in quotes", 'write landing_as_wide_as_run = "4"'),
    ],
)
def test_what_to_do_fits_what_was_written(line: str, expected: str, remedy: str) -> None:
    import tomllib

    text = line if line.startswith("title") else f'title = "x"\n{line}'
    with pytest.raises(InputError) as caught:
        limit_sets(tomllib.loads(f"[mine]\n{text}\n"), "limits.toml", {})
    (problem,) = caught.value.problems
    assert (problem.expected, problem.remedy) == (expected, remedy)
