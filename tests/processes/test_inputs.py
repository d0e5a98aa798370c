from __future__ import annotations

import json
import nturl2path
import os
from pathlib import Path
from typing import Any

import pytest

from geosite.base.errors import InputError
from geosite.processes.inputs import checked, from_request, from_words
from geosite.processes.model import Input, Output, Process


def process(*inputs: Input) -> Process:
    made = (Output("result", "Result", "", "text/plain", "txt"),)
    return Process("try-it", "1", "Try", "", inputs, made, lambda inputs, context: {})


NUMBER = Input("cell_size", "Cell size", "", {"type": "number", "minimum": 0.5}, required=False)
METHOD = Input(
    "method", "Method", "", {"enum": ["tin", "plane"], "type": "string", "default": "tin"}, False
)
FILE = Input("points", "Points", "", {"type": "string", "format": "path"})
EXTENT = Input(
    "extent",
    "Extent",
    "",
    {"type": "array", "items": {"type": "number"}, "minItems": 4, "maxItems": 4},
    required=False,
)
FLAG = Input("smooth", "Smooth", "", {"type": "boolean"}, required=False)


def lines(*inputs: Input, **values: Any) -> list[str]:
    with pytest.raises(InputError) as caught:
        checked(process(*inputs), values)
    assert caught.value.exit_code == 2
    return [str(problem) for problem in caught.value.problems]


def test_defaults_are_filled_in_and_what_has_none_stays_out() -> None:
    assert checked(process(NUMBER, METHOD, FLAG), {}) == {"method": "tin"}
    assert checked(process(NUMBER, METHOD), {"cell_size": 2, "method": "plane"}) == {
        "cell_size": 2,
        "method": "plane",
    }


def test_every_fault_is_told_at_once_with_the_near_name() -> None:
    found = lines(NUMBER, METHOD, FILE, cellsize=1, method="tim", cell_size=0.1)
    assert len(found) == 4
    assert 'no input "cellsize"' in found[0]
    assert 'did you mean "cell_size"?' in found[0]
    assert "cell_size is 0.1; expected at least 0.5" in found[1]
    assert 'method is "tim"; expected one of tin, plane; did you mean "tin"?' in found[2]
    assert 'the input "points" of try-it is missing' in found[3]
    assert all("\n" not in line for line in found)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 10**400])
def test_what_is_not_finite_is_refused_wherever_it_hides(value: float) -> None:
    assert "cell_size is" in lines(NUMBER, cell_size=value)[0]
    assert "extent is" in lines(EXTENT, extent=[0, 0, 1, value])[0]
    deep = Input("table", "Table", "", {"type": "object"})
    assert "table is" in lines(deep, table={"a": [{"b": value}]})[0]


@pytest.mark.parametrize(
    ("one", "value", "expected"),
    [
        (NUMBER, "2", "expected a number"),
        (NUMBER, True, "expected a number"),
        (FLAG, 1, "expected true or false"),
        (EXTENT, [0, 0, 1], "extent is [0, 0, 1]; expected 4 values"),
        (EXTENT, [0, 0, 1, "e"], 'extent[3] is "e"; expected a number'),
        (EXTENT, "0,0,1,1", "expected a list"),
        (METHOD, 3, "method is 3; expected one of tin, plane"),
        (NUMBER, object(), "cell_size is of the type object"),
    ],
)
def test_a_value_that_does_not_fit_says_what_would(one: Input, value: Any, expected: str) -> None:
    assert expected in lines(one, **{one.id: value})[0]


def test_a_schema_of_any_kind_is_enforced() -> None:
    named = Input(
        "limits",
        "Limits",
        "",
        {
            "type": "object",
            "properties": {"running": {"type": "number"}, "cross": {"type": "number"}},
            "required": ["running"],
            "additionalProperties": False,
        },
    )
    assert checked(process(named), {"limits": {"running": 5}}) == {"limits": {"running": 5}}
    found = lines(named, limits={"crosss": 2})
    assert any("also running" in line for line in found)
    assert any('did you mean "cross"?' in line for line in found)
    pattern = Input("name", "Name", "", {"type": "string", "pattern": "^[a-z]+$"})
    assert "name is" in lines(pattern, name="A1")[0]


def test_words_of_a_command_line_become_values() -> None:
    words = {
        "cell_size": "0.25",
        "extent": "0,-1.5, 2e1,3",
        "smooth": True,
        "points": "12",
        "method": "1",
    }
    assert from_words(process(NUMBER, EXTENT, FLAG, FILE, METHOD), words) == {
        "cell_size": 0.25,
        "extent": [0.0, -1.5, 20.0, 3.0],
        "smooth": True,
        "points": "12",
        "method": "1",
    }
    count = Input("count", "Count", "", {"type": "integer"})
    table = Input("table", "Table", "", {"type": "object"})
    assert from_words(process(count, table), {"count": "-12", "table": '{"a": 1}'}) == {
        "count": -12,
        "table": {"a": 1},
    }


@pytest.mark.parametrize("word", ["nan", "inf", "1_000", "0,25", "", "٣", "0x10", "1e", "9" * 5000])
def test_a_word_that_is_no_number_is_refused_as_it_was_written(word: str) -> None:
    count = Input("count", "Count", "", {"type": "integer"})
    one = process(NUMBER, count)
    with pytest.raises(InputError, match="expected"):
        checked(one, from_words(one, {"cell_size": word, "count": "1.5"}))


def test_a_request_may_hold_values_qualified_values_and_references(tmp_path: Path) -> None:
    points = tmp_path / "points with space.csv"
    points.write_text("x")
    request = {
        "inputs": {
            "cell_size": {"value": 1.5},
            "points": {"href": points.as_uri(), "type": "text/csv"},
        },
        "outputs": {},
        "response": "document",
    }
    text = b"\xef\xbb\xbf" + json.dumps(request).encode()
    found = checked(process(NUMBER, FILE), from_request(text, "request.json"))
    assert found == {"cell_size": 1.5, "points": str(points)}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b"{", "request.json:1: the request is not JSON"),
        (b'{"inputs":\n{"a": 1,}}', "request.json:2: the request is not JSON"),
        (b'{"inputs": {"a": NaN}}', "the number NaN"),
        (b'{"inputs": {"a": 1, "a": 2}}', "a key that is there twice"),
        (b"[1]", "expected an object"),
        (b"{}", 'has no "inputs"'),
        (b'{"inputs": [1]}', '"inputs" of the request is'),
        (b'{"inputs": {}, "input": 1}', 'did you mean "inputs"?'),
        (b"\xff\xfe{", "not UTF-8"),
        (b"[" * 100_000, "nested too deep"),
    ],
)
def test_a_request_that_is_none_is_refused_on_one_line(text: bytes, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        from_request(text, "request.json")
    assert expected in str(caught.value)
    assert "\n" not in str(caught.value.problems[0])


@pytest.mark.parametrize(
    "address",
    [
        "http://127.0.0.1/points.csv",
        "https://example.invalid/points.csv",
        "s3://bucket/points.csv",
        "/vsicurl/http://127.0.0.1/a.tif",
        "/vsizip/a.zip/a.tif",
        "//host/share/a.tif",
        "\\\\host\\share\\a.tif",
        "file://host/share/a.tif",
        "FILE://HOST/a.tif",
        "file:///tmp/a.tif?x=1",
    ],
)
def test_only_files_on_this_machine_are_read(address: str) -> None:
    assert "expected a file on this machine" in lines(FILE, points=address)[0]


def test_only_plain_files_are_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "pipe" in lines(FILE, points=str(tmp_path / "pipe"))[0]
    assert "is a folder" in lines(FILE, points=str(tmp_path))[0]
    (said,) = lines(FILE, points=str(tmp_path / "none.csv"))
    assert f"{tmp_path / 'none.csv'}: the file given as points does not exist" in said
    assert "points" in lines(FILE, points="a\0b")[0]
    assert "device" in lines(FILE, points="/dev/zero")[0]
    assert "expected the path of a file" in lines(FILE, points=7)[0]


def test_numbers_nesting_and_lists_have_limits_that_are_told() -> None:
    assert checked(process(NUMBER), {"cell_size": 10**300 - 1}) == {"cell_size": 10**300 - 1}
    for number in (10**300, -(10**300)):
        (said,) = lines(NUMBER, cell_size=number)
        assert "cell_size is a number of more than 300 digits" in said
    table = Input("table", "Table", "", {"type": "object"})

    def nested(deep: int) -> Any:
        return 1 if deep == 0 else {"a": nested(deep - 1)}

    assert checked(process(table), {"table": nested(40)}) == {"table": nested(40)}
    assert "table is nested too deeply" in lines(table, table=nested(41))[0]


@pytest.mark.parametrize(
    ("schema", "value", "expected"),
    [
        ({"type": "number", "minimum": 1, "maximum": 4}, 4.5, "a number from 1 to 4;"),
        ({"type": "number", "minimum": 1, "maximum": 4}, 0.5, "a number from 1 to 4;"),
        ({"type": "number", "maximum": 4}, 4.5, "expected at most 4;"),
        ({"type": "array", "minItems": 1}, [], "expected at least 1 value;"),
        ({"type": "array", "minItems": 2}, [1], "expected at least 2 values;"),
        ({"type": "array", "maxItems": 1}, [1, 2], "expected at most 1 value;"),
        ({"type": "array", "minItems": 1, "maxItems": 1}, [1, 2], "expected 1 value;"),
        ({"type": ["number", "boolean"]}, "a", "expected a number or true or false;"),
        ({"type": "integer"}, 1.5, "expected a whole number;"),
    ],
)
def test_what_a_schema_asks_for_is_put_into_words(
    schema: dict[str, Any], value: Any, expected: str
) -> None:
    (said,) = lines(Input("given", "Given", "", schema), given=value)
    assert expected in said


@pytest.mark.parametrize(
    ("word", "value"),
    [("true", True), ("True", True), ("false", False), ("FALSE", False), ("yes", "yes")],
)
def test_a_switch_may_be_written_out(word: str, value: Any) -> None:
    assert from_words(process(FLAG), {"smooth": word}) == {"smooth": value}


FILES = Input(
    "sites",
    "Sites",
    "",
    {"type": "array", "items": {"type": "string", "format": "path"}, "minItems": 1},
)


def test_each_of_a_list_of_files_is_checked_as_one_alone(tmp_path: Path) -> None:
    one, other = tmp_path / "a.toml", tmp_path / "b.toml"
    one.write_text("")
    other.write_text("")
    both = [str(one), str(other)]
    tried = process(FILES)
    assert checked(tried, {"sites": [str(one), {"href": str(other)}]}) == {"sites": both}
    for word in (tuple(both), (",".join(both),), ",".join(both)):
        assert from_words(tried, {"sites": word}) == {"sites": both}
    (said,) = lines(FILES, sites=[str(one), str(tmp_path / "none.toml")])
    assert "sites[1]" in said
    assert "does not exist" in said
    for wrong in ([], "a.toml", [3], [str(one), "/vsicurl/x"], [str(tmp_path)]):
        assert lines(FILES, sites=wrong)


def test_a_file_address_begins_with_a_drive_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("urllib.request.url2pathname", nturl2path.url2pathname)
    (said,) = lines(FILE, points="file:///C:/yard%20two/points.csv")
    assert said.startswith("C:\\yard two\\points.csv: ")
