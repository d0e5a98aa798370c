"""Files from outside: where they may lie, what is a plain one, what is text in it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems
from geosite.reading import files
from geosite.reading.files import (
    as_utf8,
    clean_name,
    decode,
    inside,
    name_fault,
    read_plain_file,
    refuse_empty,
)


def only(problems: Problems) -> Problem:
    (problem,) = problems.first()
    return problem


# --- where a file may lie ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "named",
    ["/etc/walk.csv", "C:\\walks\\walk.csv", "C:walk.csv", "\\walks\\walk.csv", "//host/walk.csv"],
)
def test_an_absolute_path_is_refused_whatever_system_writes_it(named: str, tmp_path: Path) -> None:
    problems = Problems()
    assert inside(tmp_path, named, "survey.file", problems, "site.toml", 4) is None
    found = only(problems)
    assert (found.code, found.file, found.line) == ("path-absolute", "site.toml", 4)
    assert found.what == f'survey.file is the absolute path "{named}"'


def test_a_file_lies_in_the_folder_or_below_it(tmp_path: Path) -> None:
    folder = tmp_path / "site"
    (folder / "walks").mkdir(parents=True)
    problems = Problems()

    def found(named: str) -> Path | None:
        return inside(folder, named, "survey.file", problems, "site.toml", 4)

    for named in ("walk.csv", "walks/walk.csv", "walks/../walk.csv", "not/there.csv", "a..b.csv"):
        assert found(named) == folder / named
    assert found("walks\\walk.csv") == folder / "walks/walk.csv", "as another system writes it"
    (folder / "odd\\name.csv").write_text("")
    assert found("odd\\name.csv") == folder / "odd\\name.csv", "a name where there is such a file"
    assert not problems
    (folder / "link").symlink_to(tmp_path)
    (tmp_path / "site2").mkdir()
    for named in ("../walk.csv", "walks/../../walk.csv", "link/walk.csv", "..\\site2\\walk.csv"):
        assert found(named) is None
    assert [p.code for p in problems.first()] == ["path-outside"] * 4


def test_a_path_that_cannot_be_followed_is_told(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    for named, why in (("a\0b.csv", "not a usable path"), ("loop/walk.csv", "")):
        problems = Problems()
        assert inside(tmp_path, named, "survey.file", problems, "site.toml", 4) is None
        found = only(problems)
        assert (found.code, found.line) == ("path-unusable", 4)
        assert why in found.what
    problems = Problems()
    assert inside(tmp_path, "a\ud800.csv", "survey.file", problems, "site.toml", 4) is None
    assert "character set of this terminal" in only(problems).what
    assert "plain letters" in only(problems).remedy


# --- a plain file ------------------------------------------------------------------------------


def test_a_plain_file_of_the_largest_size_is_read_and_one_byte_more_is_not(tmp_path: Path) -> None:
    path, problems = tmp_path / "walk.csv", Problems()
    path.write_bytes(b"x" * 1_250_000)
    whole = read_plain_file(path, "walk.csv", "the field book", 1_250_000, problems)
    assert whole == path.read_bytes()
    assert not problems
    path.write_bytes(b"x" * 1_250_001)
    assert read_plain_file(path, "walk.csv", "the field book", 1_250_000, problems) is None
    found = only(problems)
    assert (found.code, found.file) == ("file-too-large", "walk.csv")
    assert found.what == "the field book has 1.3 MB"
    assert found.expected == "at most 1 MB"


def test_what_is_no_plain_file_is_told_where_it_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "walk.csv"
    path.write_text("run,point")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "blank").write_text(" \n\t\n")

    def told(name: str) -> tuple[str, str | None, int | None]:
        problems = Problems()
        where = ("site.toml", 7)
        assert (
            read_plain_file(tmp_path / name, name, "the field book", 100, problems, where) is None
        )
        found = only(problems)
        return found.code, found.file, found.line

    assert told("none.csv") == ("file-missing", "site.toml", 7)
    assert told("walk.csv/none.csv") == ("file-missing", "site.toml", 7)
    assert told("a\0b") == ("file-unreadable", "site.toml", 7)
    assert told("") == ("file-is-folder", "site.toml", 7)
    assert told("pipe") == ("file-not-regular", "site.toml", 7)
    # what is wrong within a file is told of the file
    assert told("blank") == ("file-empty", "blank", None)

    def refused(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refused)
    problems = Problems()
    assert read_plain_file(path, "walk.csv", "the field book", 100, problems) is None
    found = only(problems)
    assert (found.code, found.file) == ("file-unreadable", "walk.csv")
    assert found.what == "the field book cannot be read (Permission denied)"


@pytest.mark.parametrize("text", ["", " , ,\r\n", ';;;\n""', "||\t'"])
def test_separators_and_quotes_are_nothing(text: str) -> None:
    with pytest.raises(InputError, match=r"walk\.csv: there is nothing in it; expected marks"):
        refuse_empty(text, "marks", "walk.csv")
    refuse_empty(f"{text}0", "marks", "walk.csv")


# --- text --------------------------------------------------------------------------------------

TABLE = "run,point,x\r\nR1,Tür,1\r\n"


@pytest.mark.parametrize("kind", ["utf-16", "utf-16-le", "utf-16-be"])
def test_text_of_two_bytes_a_character_is_known_with_and_without_a_mark(kind: str) -> None:
    data = TABLE.encode(kind)
    assert as_utf8(data).decode() == TABLE
    problems = Problems()
    assert not decode(data, "walk.csv", "field book", problems)
    found = only(problems)
    assert (found.code, found.line) == ("encoding", 1)
    assert found.what == "the field book is UTF-16 text"
    # cut in the middle of a character it is told as what it is
    assert as_utf8(data[:-1]) == data[:-1]


def test_other_text_stays_as_it_is() -> None:
    for data in (TABLE.encode(), b"", b"abc\0def", TABLE.encode("cp1252"), b"\0\0\0\0", b"a\0\0b"):
        assert as_utf8(data) == data


@pytest.mark.parametrize(
    ("data", "code", "line", "what"),
    [
        (b"PK\x03\x04rest", "not-text", None, "the field book is a zip or spreadsheet file"),
        (b"SQLite format 3\x00", "not-text", None, "a database file"),
        (b"\x89PNG\r\n", "not-text", None, "a picture"),
        (b"a,b\n1,\0\n", "nul-byte", 2, "contains a NUL byte"),
        (b"a,b\n\n1,T\xfcr\n", "encoding", 3, "byte 0xfc is not UTF-8; it looks like Latin-1"),
        (b"a,b\n1,\xe2\x82", "encoding", 2, "byte 0xe2 is not UTF-8"),
    ],
)
def test_what_is_no_text_is_told_with_its_line(
    data: bytes, code: str, line: int | None, what: str
) -> None:
    problems = Problems()
    assert not decode(data, "walk.csv", "field book", problems)
    found = only(problems)
    assert (found.code, found.file, found.line) == (code, "walk.csv", line)
    assert what in found.what


@pytest.mark.parametrize("block", [1, 2, 3, 5, 1000])
def test_a_wrong_byte_is_found_whatever_block_it_lies_in(
    block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "BLOCK", block)
    right = "aß\n€\n𝄞x\n".encode()
    assert decode(right, "a", "table", Problems())
    for cut, line in ((right + b"\xff", 4), (right[:-4] + b"\n\n", 3), (right[:5] + b"x", 2)):
        problems = Problems()
        assert not decode(cut, "a", "table", problems)
        assert only(problems).line == line


def test_names_have_one_spelling_and_no_signs_that_nobody_sees() -> None:
    assert clean_name("  Tu\u0308r\u00a01 ") == "Tür 1"
    assert clean_name(" A1\t") == "A1"
    assert name_fault("x" * 200) is None
    assert name_fault("x" * 201) == ("has 201 characters", "shorten it")
    assert name_fault("Tür 1") is None
    assert name_fault("a\x07b\u200b") == (
        "contains the control character U+0007",
        "type it again without it",
    )
    assert name_fault("a\u200bb") == (
        "contains the invisible character U+200B",
        "type it again without it",
    )
