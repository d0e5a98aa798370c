"""Whatever is handed in: notes or an error of ours; and what was written is what is read."""

from __future__ import annotations

import csv
import io
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fieldbook_cases import BOOK, HEADER, SITE, write
from hypothesis import given, settings
from hypothesis import strategies as st

from geosite.base.errors import GeositeError
from geosite.base.problems import Problems, nearest
from geosite.fieldbook.book import COLUMNS as ALL_COLUMNS
from geosite.fieldbook.model import PIECE_KINDS, FieldBook, Notes
from geosite.fieldbook.read import read_survey
from geosite.reading.files import clean_name, name_fault
from geosite.reading.toml_lines import key_lines, line_of

COLUMNS = tuple(name for name in ALL_COLUMNS if name != "time")

PROFILE = settings(max_examples=80, deadline=None, derandomize=True)


def read(book: str | bytes = BOOK, site: str | bytes = SITE) -> Notes | GeositeError:
    """Read a survey, holding every error to its form."""
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), book, site)
        try:
            notes = read_survey(path)
        except GeositeError as error:
            found = error
        else:
            assert np.isfinite(notes.book.local).all()
            assert len(notes.book) >= 2
            return notes
    assert found.problems
    for problem in found.problems:
        said = str(problem)
        assert said.isprintable()
        assert len(said) <= 1000
        assert problem.file is not None or problem.code == "more-problems"
    return found


# ---- anything at all -----------------------------------------------------------------------------

NASTY = st.sampled_from(
    [
        *("", " ", '"', '""', ",", "\r", "\n", "\0", "\ufeff", "\u2028", "\x85", "=1+1", "nan"),
        *("1e400", "1,5", "-", "arc2", "line", "B1", "B2", "R1", "\u0661", "1_0", "\u202e"),
        "a" * 300,
    ]
)
CELL = st.one_of(NASTY, st.text(max_size=8), st.floats().map(str), st.integers().map(str))


@pytest.mark.slow
@PROFILE
@given(st.binary(max_size=300))
def test_any_bytes_as_field_book(data: bytes) -> None:
    read(book=data)
    read(book=HEADER.encode() + data)
    read(book=BOOK.encode() + data)


@PROFILE
@given(st.text(max_size=300))
def test_any_text_as_field_book(text: str) -> None:
    read(book=text.encode("utf-8", "surrogatepass"))
    read(book=HEADER + text.encode("utf-8", "ignore").decode())


@PROFILE
@given(st.lists(st.lists(CELL, min_size=1, max_size=10), max_size=8), st.booleans())
def test_any_cells_as_field_book(rows: list[list[str]], quote: bool) -> None:
    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL if quote else csv.QUOTE_MINIMAL).writerows(rows)
    read(book=(BOOK + out.getvalue()).encode("utf-8", "replace"))


@PROFILE
@given(st.binary(max_size=200), st.integers(0, len(BOOK)), st.integers(0, 40))
def test_field_book_with_a_damaged_place(data: bytes, at: int, length: int) -> None:
    whole = BOOK.encode()
    read(book=whole[:at] + data + whole[at + length :])


@PROFILE
@given(st.binary(max_size=200), st.integers(0, len(SITE)), st.integers(0, 40))
def test_site_file_with_a_damaged_place(data: bytes, at: int, length: int) -> None:
    whole = SITE.encode()
    read(site=whole[:at] + data + whole[at + length :])


@PROFILE
@given(st.text(max_size=300))
def test_any_text_as_site_file(text: str) -> None:
    read(site=text.encode("utf-8", "surrogatepass"))
    read(site=SITE.encode() + text.encode("utf-8", "ignore"))


VALUE = st.sampled_from(
    [
        *("1", "-1", "0", "1e-5", "1e13", "inf", "nan", "true", "0x7f", "9" * 30, "2026-04-12"),
        *(
            '"x"',
            '""',
            "'B1'",
            "['A1']",
            '"2026"',
            '"m"',
            '"tin"',
            '"area"',
            '"../x"',
            '"book.csv"',
        ),
        *("[]", "[1]", "{}", "[[]]", "{x = 1}", '"""\n"""', '"\\u202e"'),
        *("12:00:00", "2026-04-12T08:00:00+02:00"),
    ]
)
TABLES: dict[str, list[str]] = {
    "site": ["title", "date"],
    "survey": ["unit", "layer", "closure_limit", "leg_noise", "columns", "columns.x", "file"],
    "survey.leg_noise": ["constant", "per_sqrt_metre"],
    "anchor": ["crs", "vertical_crs", "geoid_height", "azimuth", "marks"],
    "anchor.azimuth": ["value", "reference", "date", "sigma"],
    "anchor.marks.A1": ["easting", "latitude", "elevation", "sigma", "check"],
    "codes.setts": ["geometry", "depth", "paved", "unknown"],
    "codes": ["x", '"a b"', "'"],
    "surface": ["cell_size", "method", "exclude", "index_every", "scores"],
    "drainage": ["flow_paths_from", "seed", "confidence_runs"],
    "sections.s": ["marks", "feature", "interval"],
    "grades": ["lines", "limits_file", "lines.x.marks"],
    "parcels": ["file", "sigma", "layer"],
    "handover": ["sheet", "scale", "plan"],
}


@pytest.mark.slow
@PROFILE
@given(st.data())
def test_any_values_in_the_site_file(data: st.DataObject) -> None:
    text = SITE
    for table in data.draw(st.lists(st.sampled_from(sorted(TABLES)), max_size=5)):
        header = f"[{table}]\n"
        pairs = data.draw(st.lists(st.tuples(st.sampled_from(TABLES[table]), VALUE), max_size=3))
        body = "".join(f"{key} = {value}\n" for key, value in pairs)
        text = text.replace(header, header + body) if header in text else text + header + body
    read(site=text)


# ---- what was written is what is read ------------------------------------------------------------

NAME = (
    st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=6)
    .map(clean_name)
    .filter(lambda n: n and not name_fault(n))
)
NUMBER = st.floats(-1e6, 1e6)
SEGMENT = st.tuples(st.sampled_from(PIECE_KINDS), st.integers(0, 9999))
ROW = st.tuples(
    st.sampled_from(["R1", "R 2", "Nord"]),
    st.one_of(st.just(""), NAME),
    *(NUMBER, NUMBER, NUMBER),
    st.one_of(st.just(""), NAME),
    st.one_of(st.just(""), NAME),
    SEGMENT,
    st.text(st.characters(exclude_categories=["C", "Z"]), max_size=9),
)


def walked(rows: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """Return rows that start with both baseline marks in each run and never repeat a row."""
    runs = dict.fromkeys(row[0] for row in rows) or {"R1": None}
    blank = ("", "", ("line", 1), "")
    start = [
        (run, mark, i, 0.5, 0.0, *blank) for run in runs for i, mark in enumerate(("B1", "B2"))
    ]
    return start + [(*row[:2], row[2], row[3], float(i), *row[5:]) for i, row in enumerate(rows)]


def written(rows: list[tuple[Any, ...]], quoting: int, end: str) -> str:
    out = io.StringIO()
    writer = csv.writer(out, quoting=quoting, lineterminator=end)
    writer.writerow(COLUMNS)
    for run, point, x, y, z, feature, code, (kind, piece), note in rows:
        word = f"{kind}{piece}" if piece != 1 else kind
        writer.writerow([run, point, repr(x), repr(y), repr(z), feature, code, word, note])
    return out.getvalue()


def named(names: tuple[str, ...], numbers: Any) -> list[str]:
    return [names[i] if i >= 0 else "" for i in numbers]


@pytest.mark.slow
@PROFILE
@given(
    st.lists(ROW, max_size=12),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_what_was_written_is_read(rows: list[tuple[Any, ...]], quoting: int, end: str) -> None:
    rows = walked(rows)
    notes = read(written(rows, quoting, end))
    assert isinstance(notes, Notes), notes
    book = notes.book
    assert named(book.runs, book.run) == [row[0] for row in rows]
    assert named(book.marks, book.mark) == [row[1] for row in rows]
    assert book.local.tolist() == [[float(v) for v in row[2:5]] for row in rows]
    assert named(book.features, book.feature) == [row[5] for row in rows]
    assert named(book.codes, book.code) == [row[6] for row in rows]
    assert [(PIECE_KINDS[k], p) for k, p in zip(book.kind, book.piece, strict=True)] == [
        row[7] for row in rows
    ]
    assert book.notes == tuple(row[8] for row in rows)
    assert book.line.tolist() == list(range(2, len(rows) + 2))
    for names in (book.runs, book.marks, book.features, book.codes):
        assert len(set(names)) == len(names)
    for names, numbers in ((book.runs, book.run), (book.marks, book.mark)):
        seen = [i for i in dict.fromkeys(numbers.tolist()) if i >= 0]
        assert seen == list(range(len(names)))  # in order of first appearance


@pytest.mark.slow
@PROFILE
@given(st.lists(ROW, max_size=12), st.randoms(use_true_random=False))
def test_order_of_runs_does_not_change_a_run(rows: list[tuple[Any, ...]], chance: Any) -> None:
    rows = walked(rows)
    runs = list(dict.fromkeys(row[0] for row in rows))
    chance.shuffle(runs)
    sorted_rows = [row for run in runs for row in rows if row[0] == run]
    books = [read(written(r, csv.QUOTE_MINIMAL, "\n")) for r in (rows, sorted_rows)]

    def walk(book: FieldBook, run: str) -> list[Any]:
        at = book.run == book.runs.index(run)
        return [named(book.marks, book.mark[at]), book.local[at].tolist(), book.kind[at].tolist()]

    one, other = (notes.book for notes in books if isinstance(notes, Notes))
    for run in runs:
        assert walk(one, run) == walk(other, run)


@pytest.mark.slow
@pytest.mark.parametrize("block", [17, 60, 1000])
def test_plain_and_quoted_rows_give_the_same_faults(monkeypatch, block: int) -> None:
    monkeypatch.setattr("geosite.reading.tables.BLOCK", block)
    monkeypatch.setattr("geosite.reading.tables.ROWS", max(1, block // 20))
    cell = st.sampled_from(["", "R1", "B1", "1", "x", "arc", "ark", "nan", " "])

    @PROFILE
    @given(st.lists(st.lists(cell, min_size=1, max_size=11), max_size=10))
    def check(rows: list[list[str]]) -> None:
        plain = BOOK + "\n".join(",".join(row) for row in rows) + "\n"
        # one quoted cell, in the header, sends everything through the other reader
        quoted = plain.replace("note\n", '"note"\n', 1)
        one, other = read(plain), read(quoted)
        assert type(one) is type(other)
        if isinstance(one, GeositeError) and isinstance(other, GeositeError):
            assert one.problems[:40] == tuple(other.problems[:40]) or [
                (p.code, p.line, p.what) for p in one.problems
            ] == [(p.code, p.line, p.what) for p in other.problems]
        elif isinstance(one, Notes) and isinstance(other, Notes):
            assert one.book.line.tolist() == other.book.line.tolist()
            assert one.book.local.tolist() == other.book.local.tolist()

    check()


# ---- lines of TOML keys --------------------------------------------------------------------------

KEY = st.one_of(
    st.integers(0, 10**9).map("k{}k".format),
    st.sampled_from(["a", "b-1", "c_2", "9"]),
    st.sampled_from(["x y", "é", "#", "a.b", "]", "=", "q'", ""]).map(lambda k: f'"{k}"'),
    st.sampled_from(['say "so"', "\\", "{"]).map(lambda k: f"'{k}'"),
)
SCALAR = st.sampled_from(
    [
        *("1", "-1.5e3", "true", "nan", "0xff", "2026-04-12 08:00:00"),
        *('"a"', "'#]}'", '"\\"]"', '"a=b # c"'),
        *('"""x\n]"y""z"""', "'''\n[a]\n'''", '""""q"""""', "'''a''''"),
    ]
)


def value_of(depth: int) -> st.SearchStrategy[str]:
    if depth == 0:
        return SCALAR
    inner = value_of(depth - 1)
    gap = st.sampled_from(["", " ", "\n", " # ], } = \n\n"])
    array = st.tuples(st.lists(inner, max_size=3), gap, gap).map(
        lambda t: "[" + t[1] + f",{t[2]}".join(t[0]) + t[1] + "]"
    )
    table = st.lists(st.tuples(KEY, inner), max_size=3, unique_by=lambda p: plain(p[0])).map(
        lambda pairs: "{" + ", ".join(f"{k} = {v}" for k, v in pairs) + "}"
    )
    return st.one_of(SCALAR, array, table)


def plain(key: str) -> str:
    return tomllib.loads(f"{key} = 1").popitem()[0]


def paths(value: Any, path: tuple[Any, ...] = ()) -> set[tuple[Any, ...]]:
    """Return the path of everything in a parsed text."""
    found = {path} if path else set()
    items: Any = value.items() if isinstance(value, dict) else ()
    if isinstance(value, list):
        items = enumerate(value)
    for key, item in items:
        found |= paths(item, (*path, key))
    return found


@PROFILE
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["[{}]", "[[{}]]", "[ {} ] # c", "pair"]),
            st.lists(KEY, min_size=1, max_size=3),
            value_of(1),
            st.sampled_from(["\n", "\r\n", "\n\n# [x]\n"]),
        ),
        max_size=8,
    )
)
def test_every_key_of_a_text_has_its_line(parts: list[tuple[str, list[str], str, str]]) -> None:
    text = ""
    for form, keys, value, end in parts:
        dotted = " . ".join(keys)
        more = f"{dotted} = {value}" if form == "pair" else form.format(dotted)
        try:
            tomllib.loads(text + more + end)
        except tomllib.TOMLDecodeError:
            continue  # clashes with a key before it
        text += more + end
    lines = key_lines(text)
    assert set(lines) == paths(tomllib.loads(text))
    for path, line in lines.items():
        key = path[-1]
        if isinstance(key, str) and text.count(key) == 1 and key.startswith("k"):
            assert text.count("\n", 0, text.index(key)) + 1 == line


def test_items_of_a_list_have_their_lines() -> None:
    text = 'a = [ 1 ,\n2 , [ 3 ]\n, { k = "x" ,j = 4 } ]\nb = 5\n'
    assert key_lines(text) == {
        ("a",): 1,
        ("a", 0): 1,
        ("a", 1): 2,
        ("a", 2): 2,
        ("a", 2, 0): 2,
        ("a", 3): 3,
        ("a", 3, "k"): 3,
        ("a", 3, "j"): 3,
        ("b",): 4,
    }


@PROFILE
@given(st.text(max_size=60))
def test_lines_of_an_invalid_text_do_no_harm(text: str) -> None:
    lines = key_lines(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
    assert line_of(lines, ("no", "such", 3)) in {None, *lines.values()}


# ---- small parts ---------------------------------------------------------------------------------


@PROFILE
@given(st.text(max_size=60))
def test_a_clean_name_stays(name: str) -> None:
    once = clean_name(name)
    assert clean_name(once) == once
    if not name_fault(once):
        assert once.isprintable()
        assert len(once) <= 200


@PROFILE
@given(st.text(max_size=30), st.lists(st.text(max_size=30), max_size=9))
def test_a_suggestion_is_one_of_the_names(word: str, names: list[str]) -> None:
    assert nearest(word, names) in {None, *names}
    assert nearest(word, [*names, word]) is not None


@PROFILE
@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(1, 5)), max_size=1300))
def test_shown_problems_are_the_first_by_line(places: list[tuple[str, int]]) -> None:
    problems = Problems()
    for file, line in places:
        problems.add("c", "w", "e", "r", file, line)
    first = problems.first()
    assert len(first) == min(len(places), 51)
    files = list(dict.fromkeys(f for f, _ in places))
    shown = [(files.index(p.file or ""), p.line) for p in first[:50]]
    everything = sorted((files.index(f), line) for f, line in places[:1000])
    assert shown == everything[:50]
