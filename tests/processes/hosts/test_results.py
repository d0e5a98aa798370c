"""Results as they are answered, and files within a request, without a host."""

from __future__ import annotations

import base64
import email
import email.policy
import json
from pathlib import Path
from typing import Any

import pytest

from geosite.base.errors import InputError
from geosite.processes.hosts import results
from geosite.processes.hosts.inline_files import inline_file
from geosite.processes.hosts.results import Answer, Asked, answered, asked_for

TIFF = b"II*\x00\r\n--geosite-output\r\n\x00\xff"
MADE = {
    "elevation": {"href": "http://host/jobs/1/elevation.tif", "type": "image/tiff; application=x"},
    "report": {"href": "http://host/jobs/1/report.json", "type": "application/json"},
    "table": {"href": "http://host/jobs/1/table.csv", "type": "text/csv"},
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "elevation.tif").write_bytes(TIFF)
    (tmp_path / "report.json").write_text('{"cells": 4}')
    (tmp_path / "table.csv").write_text("mark,z\nä,1\n", encoding="utf-8")
    return tmp_path


def asked(modes: dict[str, Any], response: Any = "raw") -> Asked:
    return Asked(response, modes)


def kind(answer: Answer) -> str:
    return dict(answer.headers)["Content-Type"]


# --- what a request asks for -----------------------------------------------------------------


def test_where_a_request_says_nothing_all_comes_raw_by_value() -> None:
    assert asked_for({}, ["a"]) == Asked("raw", {})
    named = {"outputs": {"b": {}, "a": {"transmissionMode": "reference"}}, "response": "document"}
    assert asked_for(named, ["a", "b"]) == Asked("document", {"b": "value", "a": "reference"})
    assert list(asked_for(named, ["a", "b"]).modes) == ["b", "a"]
    assert asked_for({"outputs": ["a"]}, ["a", "b"]) == Asked("raw", {"a": "value"})


def test_all_that_is_wrong_with_a_request_is_told() -> None:
    request = {
        "outputs": {"c": {}, "a": {"transmissionMode": "mail"}, "b": "value"},
        "response": "paper",
    }
    with pytest.raises(InputError) as refused:
        asked_for(request, ["a", "b"])
    assert [p.what for p in refused.value.problems] == [
        "there is no output c",
        'the transmissionMode of a is "mail"',
        'the output b is "value"',
        'response is "paper"',
    ]
    long = {
        "outputs": {"a": {"transmissionMode": "m" * 200}, "b": "v" * 200},
        "response": "r" * 200,
    }
    with pytest.raises(InputError) as refused:
        asked_for(long, ["a", "b"])
    assert [p.what for p in refused.value.problems] == [
        f'the transmissionMode of a is "{"m" * 79}',
        f'the output b is "{"v" * 79}',
        f'response is "{"r" * 79}',
    ]
    with pytest.raises(InputError, match="outputs is no object; expected an object"):
        asked_for({"outputs": 3}, ["a"])


# --- how it is answered ----------------------------------------------------------------------


def test_one_output_is_the_file_itself(folder: Path) -> None:
    answer = answered(asked({"elevation": "value"}), MADE, folder)
    assert (answer.status, answer.body) == (200, TIFF)
    assert kind(answer) == "image/tiff; application=x"


def test_references_alone_are_links(folder: Path) -> None:
    answer = answered(asked({"elevation": "reference", "table": "reference"}), MADE, folder)
    assert (answer.status, answer.body) == (204, b"")
    assert answer.headers == (
        ("Link", '<http://host/jobs/1/elevation.tif>; rel="elevation"; type="image/tiff"'),
        ("Link", '<http://host/jobs/1/table.csv>; rel="table"; type="text/csv"'),
    )


def test_several_outputs_are_parts_that_a_mail_reader_reads(folder: Path) -> None:
    wanted = {"elevation": "value", "report": "reference", "table": "value"}
    answer = answered(asked(wanted), MADE, folder)
    assert answer.status == 200
    assert kind(answer).startswith("multipart/related; boundary=")
    whole = email.message_from_bytes(
        b"Content-Type: " + kind(answer).encode() + b"\r\n\r\n" + answer.body,
        policy=email.policy.HTTP,
    )
    parts = list(whole.iter_parts())  # type: ignore[attr-defined]
    assert [part["Content-ID"] for part in parts] == ["<elevation>", "<report>", "<table>"]
    assert [part.get_content_type() for part in parts] == [
        "image/tiff",
        "application/json",
        "text/csv",
    ]
    assert parts[1]["Content-Location"] == MADE["report"]["href"]
    assert parts[1].get_payload().strip() == ""
    table = "mark,z\nä,1\n".encode()
    assert answer.body.count(b"\r\n\r\n" + table + b"\r\n--") == 1
    # the boundary is none of the lines of a file
    boundary = b"--" + kind(answer).partition("boundary=")[2].strip('"').encode()
    assert answer.body.count(boundary) == 4
    assert answer.body.endswith(boundary + b"--\r\n")


def test_a_document_holds_values_by_their_kind(folder: Path) -> None:
    answer = answered(asked({}, "document"), MADE, folder)
    assert (answer.status, kind(answer)) == (200, "application/json")
    assert json.loads(answer.body) == {
        "elevation": {
            "value": base64.b64encode(TIFF).decode(),
            "encoding": "base64",
            "mediaType": "image/tiff; application=x",
        },
        "report": {"value": {"cells": 4}, "mediaType": "application/json"},
        "table": {"value": "mark,z\nä,1\n", "mediaType": "text/csv"},
    }
    mixed = answered(asked({"table": "reference", "gone": "value"}, "document"), MADE, folder)
    assert json.loads(mixed.body) == {"table": MADE["table"]}


def test_by_value_comes_only_what_is_not_too_large(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = len(TIFF) + len('{"cells": 4}')
    wanted = asked({"elevation": "value", "report": "value", "table": "reference"})
    monkeypatch.setattr(results, "VALUE_LIMIT", size)
    assert answered(wanted, MADE, folder).status == 200
    monkeypatch.setattr(results, "VALUE_LIMIT", size - 1)
    with pytest.raises(InputError, match='"transmissionMode": "reference"'):
        answered(wanted, MADE, folder)


# --- files within a request ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "name", "data"),
    [
        ({"value": "a,b", "mediaType": "text/csv"}, "points.csv", b"a,b"),
        ({"value": "a", "mediaType": " Text/CSV; charset=x"}, "points.csv", b"a"),
        ({"value": "a", "encoding": "utf-8", "mediaType": "text/plain"}, "points.txt", b"a"),
        ({"value": "SUkq AAo=\n", "encoding": "base64", "mediaType": "image/tiff"}, "points.tif",
         b"II*\x00\n"),
        ({"value": {"type": "x"}}, "points.geojson", b'{"type": "x"}'),
        ({"value": {"a": 1}, "format": {"mediaType": "application/json"}}, "points.json",
         b'{"a": 1}'),
    ],
)  # fmt: skip
def test_a_file_within_a_request_is_written_as_its_kind(
    tmp_path: Path, given: dict[str, Any], name: str, data: bytes
) -> None:
    path = inline_file("points", given, tmp_path / "deep" / "er")
    assert path == str(tmp_path / "deep" / "er" / name)
    assert Path(path).read_bytes() == data


@pytest.mark.parametrize("given", ["points.csv", 3, {"href": "x"}, {"value": "uploads/points.csv"}])
def test_what_names_a_file_holds_none(tmp_path: Path, given: Any) -> None:
    assert inline_file("points", given, tmp_path / "none") is None
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"value": "x", "mediaType": "text/html"}, "the mediaType of points is text/html"),
        ({"value": "x", "encoding": "utf-8"}, "the mediaType of points is none"),
        ({"value": "x*", "encoding": "base64", "mediaType": "text/csv"}, "is not base64"),
        ({"value": "x", "encoding": "zip", "mediaType": "text/csv"}, "encoding of points is zip"),
    ],
)
def test_what_is_no_file_is_refused(tmp_path: Path, given: dict[str, Any], told: str) -> None:
    with pytest.raises(InputError, match=told):
        inline_file("points", given, tmp_path / "none")
    assert not (tmp_path / "none").exists()
