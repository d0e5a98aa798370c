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
            'a table such as { ratio = "1:20" }',
        ),
        (
            '[mine]\ntitle = "x"\nrunning = { ratio = 20 }\n',
            3,
            "limit set [mine]: running.ratio is 20",
            'text in quotes, such as "1:20"',
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
