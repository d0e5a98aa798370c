"""Every bad field book: the exact lines and causes, all of them together."""

import os
import random
import sys
import threading
import time
from pathlib import Path

import pytest
from fieldbook_cases import BASELINE, BOOK, HEADER, SITE, faults, write

from geosite.base import problems as collect
from geosite.base.errors import InputError
from geosite.fieldbook.read import read_survey

ROW = "R1,A1,1,1,0,landing,setts,,\n"


def after_baseline(*rows: str) -> str:
    """Return a book whose first row after the baseline is line 4."""
    return HEADER + BASELINE + "\n".join(rows) + "\n"


def with_cell(column: int, cell: str) -> str:
    cells = ROW.rstrip("\n").split(",")
    cells[column] = cell
    return after_baseline(",".join(cells))


BAD = {
    "empty": (b"", [(None, "file-empty")]),
    "blank": (b" \r\n\n", [(None, "file-empty")]),
    "only a byte order mark": (b"\xef\xbb\xbf", [(None, "file-empty")]),
    "only commas": (",,,\n,,,\n", [(None, "file-empty")]),
    "header only": (HEADER, [(1, "no-rows")]),
    "header only, then blank rows": ("\n" + HEADER + "\n,,,,,,,,\n", [(2, "no-rows")]),
    "semicolons, quoted": (
        '"run";"point";"x"\n"a";"b";"1"\n',
        [(1, "column-missing"), (1, "column-missing")],
    ),
    "Latin-1": (BOOK.replace("R2,B1", "R2,Böschung").encode("latin-1"), [(9, "encoding")]),
    "NUL byte": (BOOK.encode().replace(b"A2", b"A\0"), [(5, "nul-byte")]),
    "spreadsheet under a wrong name": (b"PK\x03\x04" + b"\0" * 99, [(None, "not-text")]),
    "database under a wrong name": (b"SQLite format 3\0" + b"\0" * 99, [(None, "not-text")]),
    "no y column": (BOOK.replace(",y,", ",why,"), [(1, "column-missing")]),
    "no run and no z": (
        BOOK.replace("run,", "Walk,").replace(",z,", ",elevation,"),
        [(1, "column-missing"), (1, "column-missing")],
    ),
    "column nearly named": (BOOK.replace("segment", "segments"), [(1, "column-near-miss")]),
    "column twice": (BOOK.replace(",note", ",X"), [(1, "column-twice")]),
    "text for a number": (with_cell(2, "abc"), [(4, "not-a-number")]),
    "number with unit": (with_cell(3, "1.5 m"), [(4, "not-a-number")]),
    "number with underscore": (with_cell(2, "1_0"), [(4, "not-a-number")]),
    "number in other digits": (with_cell(2, "١٢"), [(4, "not-a-number")]),
    "hexadecimal": (with_cell(2, "0x10"), [(4, "not-a-number")]),
    "long dash for minus": (with_cell(2, "\u22121.5"), [(4, "not-a-number")]),
    "two numbers": (with_cell(2, "1.5 2.5"), [(4, "not-a-number")]),
    "decimal comma in quotes": (with_cell(2, '"1,5"'), [(4, "decimal-comma")]),
    "a comma that may part thousands": (with_cell(2, '"1,250"'), [(4, "decimal-comma")]),
    "thousands that are not of three digits": (with_cell(2, '"1,25.5"'), [(4, "not-a-number")]),
    "decimal commas without quotes": (
        after_baseline("R1,A1,1,5,1,5,0,1,landing,setts,,"),
        [(4, "row-length")],
    ),
    "blank number": (with_cell(4, " "), [(4, "number-blank")]),
    "nan": (with_cell(2, "nan"), [(4, "not-finite")]),
    "infinity": (with_cell(2, "-Infinity"), [(4, "not-finite")]),
    "not available": (with_cell(2, "N/A"), [(4, "not-finite")]),
    "overflow": (with_cell(2, "1e999"), [(4, "coordinate-too-large")]),
    "far away": (with_cell(4, "-1e12"), [(4, "coordinate-too-large")]),
    "just too far": (with_cell(4, "10000000.1"), [(4, "coordinate-too-large")]),
    "blank run": (with_cell(0, ""), [(4, "run-blank")]),
    "unknown segment": (with_cell(7, "ark"), [(4, "segment-unknown")]),
    "segment with a sign": (with_cell(7, "arc-2"), [(4, "segment-unknown")]),
    "segment number too large": (with_cell(7, "arc10000"), [(4, "segment-unknown")]),
    "segment number alone": (with_cell(7, "2"), [(4, "segment-unknown")]),
    "segment in other digits": (with_cell(7, "arc²"), [(4, "segment-unknown")]),
    "short row": (after_baseline("R1,A1,1,1,0"), [(4, "row-length")]),
    "cut-off last row": (BOOK[:-6], [(9, "row-length")]),
    "long row": (after_baseline("R1,A1,1,1,0,f,setts,,note,more"), [(4, "row-length")]),
    "quote never closed": (after_baseline('R1,A1,1,1,0,f,setts,,"note'), [(4, "csv-syntax")]),
    "quote never closed, long": (
        after_baseline('R1,A1,1,1,0,f,setts,,"note', *[ROW.strip()] * 9000),
        [(4, "csv-syntax")],
    ),
    "quotes as ditto marks": (
        after_baseline('R1,A1,1,1,0,f,setts,,"', 'R1,A2,2,1,0,f,setts,,"'),
        [(4, "csv-syntax")],
    ),
    "text after a quote": (after_baseline('R1,"A"1,1,1,0,f,setts,,'), [(4, "csv-syntax")]),
    "row after a row of several lines": (
        after_baseline('R1,A1,1,1,0,f,setts,,"a\nb"', "R1,A2,no,1,0,f,setts,,"),
        [(6, "not-a-number")],
    ),
    "duplicate row": (after_baseline(ROW.strip(), ROW.strip()), [(5, "row-duplicate")]),
    "duplicate row, three times": (
        after_baseline(*[ROW.strip()] * 3),
        [(5, "row-duplicate"), (6, "row-duplicate")],
    ),
    "duplicate row of an unnamed corner": (
        after_baseline("R1,,1,1,0,f,setts,,", "R1,,1,1,0,f,setts,line,"),
        [(5, "row-duplicate")],
    ),
    "duplicate row, another run between": (
        after_baseline(ROW.strip(), "R2,B1,0,0,0,,,,", ROW.strip(), "R2,B2,9,0,0,,,,"),
        [(6, "row-duplicate")],
    ),
    "duplicate row, many runs in turn": (
        HEADER
        + "".join(f"R{r},B{b},{b},{r},0,,,,\n" for b in (1, 2) for r in range(40))
        + "".join(f"R{r},A{i},{i},{r},0,f,setts,,\n" for i in range(9) for r in range(40))
        + "R7,A8,8,7,0,f,setts,,\n",
        [(442, "row-duplicate")],
    ),
    "control character in a name": (with_cell(1, "A\x07"), [(4, "name-unusable")]),
    "line break in a name": (with_cell(1, '"A\nB"'), [(4, "name-unusable")]),
    "bidirectional mark in a name": (with_cell(5, "a\u202eb"), [(4, "name-unusable")]),
    "zero-width character in a name": (with_cell(6, "a\u200bb"), [(4, "name-unusable")]),
    "endless name": (with_cell(1, "A" * 10_000), [(4, "name-unusable")]),
    "several at once": (
        after_baseline(
            "R1,A1,1,x,nan,landing,setts,ark,", ",A1,1,1,0,landing,setts,,", "R1,A1,1,1"
        ),
        [
            (4, "not-a-number"),
            (4, "not-finite"),
            (4, "segment-unknown"),
            (5, "run-blank"),
            (6, "row-length"),
        ],
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_book(tmp_path: Path, name: str) -> None:
    book, expected = BAD[name]
    status, found = faults(write(tmp_path, book))
    assert status == 2
    assert sorted(found, key=str) == sorted((("book.csv", *e) for e in expected), key=str)


@pytest.mark.parametrize("name", ["just a yard", "R" * 200, "A/../B", "<b>&'\"", "=1+1", "名前"])
def test_strange_but_harmless_names_are_kept(tmp_path: Path, name: str) -> None:
    quoted = '"' + name.replace('"', '""') + '"'
    book = read_survey(write(tmp_path, with_cell(1, quoted))).book
    assert book.marks == ("B1", "B2", name)


def test_largest_coordinate_depends_on_the_unit(tmp_path: Path) -> None:
    book = with_cell(2, "32808398")  # 1e7 m is 32,808,398.95 ft
    assert faults(write(tmp_path, book))[0] == 2
    site = SITE.replace("[survey]", '[survey]\nunit = "ft"')
    assert faults(write(tmp_path, book, site)) == (0, [])


def message(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_survey(path)
    return str(caught.value)


def test_messages_name_place_value_and_remedy(tmp_path: Path) -> None:
    assert message(write(tmp_path, with_cell(7, "ark"))) == (
        f'{tmp_path}/book.csv:4: segment is "ark"; expected one of line, arc, circle, stream, gap, '
        'with a number up to 9999 for a new piece; did you mean "arc"?'
    )
    assert message(write(tmp_path, BOOK.replace(",x,", ",Easting,"))) == (
        f"{tmp_path}/book.csv:1: the field book has no column x; expected it among the columns, "
        'which are "run", "point", "Easting", "y", "z", "feature", "code", "segment", "note"; '
        'is it "Easting"? then set x = "Easting" in [survey.columns]'
    )
    assert "the row repeats line 4: same run" in message(write(tmp_path, after_baseline(ROW + ROW)))


def test_a_mapped_column_that_is_missing(tmp_path: Path) -> None:
    site = SITE.replace("[survey]", '[survey]\ncolumns = {note = "Remarks"}')
    said = message(write(tmp_path, BOOK, site))
    assert 'no column "Remarks" (for note, by [survey.columns])' in said


@pytest.mark.parametrize(
    ("columns", "line", "code"),
    [
        ('{nots = "Remarks"}', 3, "column-unknown"),
        ('{note = " "}', 3, "column-blank"),
        ('{note = "Text", code = "t e x t"}', 3, "column-shared"),
    ],
)
def test_bad_column_mapping(tmp_path: Path, columns: str, line: int, code: str) -> None:
    site = SITE.replace("[survey]\n", f"[survey]\n\ncolumns = {columns}\n")
    assert faults(write(tmp_path, BOOK, site)) == (2, [("site.toml", line, code)])


def test_many_problems_are_cut_short_and_counted(tmp_path: Path) -> None:
    rows = [f"R1,A{i},x,1,0,,,," for i in range(200)]
    with pytest.raises(InputError) as caught:
        read_survey(write(tmp_path, after_baseline(*rows)))
    problems = caught.value.problems
    assert len(problems) == collect.SHOWN + 1
    assert [p.line for p in problems[:-1]] == list(range(4, 4 + collect.SHOWN))
    assert problems[-1].what == "150 more problems not shown"


def test_reading_stops_when_there_are_far_too_many_problems(tmp_path: Path) -> None:
    rows = ["R1,A,x,y,z,,,ark,"] * 20_000
    with pytest.raises(InputError) as caught:
        read_survey(write(tmp_path, after_baseline(*rows)))
    assert len(caught.value.problems) == collect.SHOWN + 1
    assert caught.value.problems[-1].what.startswith("at least ")


def test_faults_in_later_blocks_have_the_right_line(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.tables.BLOCK", 300)
    monkeypatch.setattr("geosite.reading.tables.ROWS", 5)
    rng = random.Random(3)
    rows = [f"R1,A{i},{i},1,0,,,,note" for i in range(300)]
    expected = []
    for i in sorted(rng.sample(range(300), 20)):
        kind = rng.randrange(3)
        rows[i] = (f"R1,A{i},x,1,0,,,,", f"R1,A{i},1,1", f"R1,A{i},1,1,0,,,ark,")[kind]
        code = ("not-a-number", "row-length", "segment-unknown")[kind]
        expected.append(("book.csv", 4 + i, code))
    assert faults(write(tmp_path, after_baseline(*rows))) == (2, expected)
    rows.append('R1,A999,1,1,0,,,,"quoted"')
    assert faults(write(tmp_path, after_baseline(*rows))) == (2, expected)


@pytest.mark.parametrize("cell", ["9" * 900_000 + "x", "1" + " " * 900_000 + "x", "." * 900_000])
def test_an_endless_cell_is_refused_at_once(tmp_path: Path, cell: str) -> None:
    # a number pattern with two ways to match digits took hours for the first one
    began = time.process_time()
    assert faults(write(tmp_path, with_cell(2, cell))) == (2, [("book.csv", 4, "not-a-number")])
    assert faults(write(tmp_path, with_cell(7, cell)))[0] == 2
    assert time.process_time() - began < 5


@pytest.mark.parametrize("block", [1, 2, 3, 7, 100])
def test_wrong_bytes_are_found_across_blocks(tmp_path: Path, monkeypatch, block: int) -> None:
    monkeypatch.setattr("geosite.reading.files.BLOCK", block)
    good = BOOK.replace("landing", "l\u00e4nd\u20ac\U0001f6a4")
    assert faults(write(tmp_path, good)) == (0, [])
    bad = good.encode().replace(b"R2,B1", b"R2,\xe2\x82,B1")
    assert faults(write(tmp_path, bad)) == (2, [("book.csv", 9, "encoding")])
    cut = good.encode() + b"\n\xe2\x82"
    assert faults(write(tmp_path, cut)) == (2, [("book.csv", 11, "encoding")])


def test_too_many_lines(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.tables.LINES", 9)
    assert faults(write(tmp_path, BOOK.replace("\n", "\r\n"))) == (0, [])
    assert faults(write(tmp_path, BOOK + "\n")) == (2, [("book.csv", None, "too-many-rows")])


def test_a_line_without_end(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.tables.BLOCK", 500)
    monkeypatch.setattr("geosite.reading.tables.LONGEST", 900)
    path = write(tmp_path, after_baseline(ROW.strip() + "," * 1000))
    assert faults(path) == (2, [("book.csv", 4, "row-length")])


# ---- what is not a plain file -------------------------------------------------------------------


def test_missing_book(tmp_path: Path) -> None:
    path = write(tmp_path)
    (tmp_path / "book.csv").unlink()
    assert faults(path) == (2, [("site.toml", 2, "file-missing")])


def test_book_is_a_folder(tmp_path: Path) -> None:
    path = write(tmp_path)
    (tmp_path / "book.csv").unlink()
    (tmp_path / "book.csv").mkdir()
    assert faults(path) == (2, [("site.toml", 2, "file-is-folder")])


def test_book_is_a_pipe(tmp_path: Path) -> None:
    path = write(tmp_path)
    (tmp_path / "book.csv").unlink()
    os.mkfifo(tmp_path / "book.csv")
    # a reader that opens the pipe would wait for ever
    thread = threading.Thread(target=faults, args=(path,), daemon=True)
    thread.start()
    thread.join(5)
    assert not thread.is_alive()
    assert faults(path) == (2, [("site.toml", 2, "file-not-regular")])


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may read everything"
)
def test_book_without_permission(tmp_path: Path) -> None:
    path = write(tmp_path)
    (tmp_path / "book.csv").chmod(0)
    assert faults(path) == (2, [("book.csv", None, "file-unreadable")])


def test_book_too_large(tmp_path: Path) -> None:
    path = write(tmp_path)
    with (tmp_path / "book.csv").open("r+b") as stream:
        stream.truncate(200_000_001)  # sparse: takes no room
    assert faults(path) == (2, [("book.csv", None, "file-too-large")])


@pytest.mark.parametrize(
    ("named", "code"),
    [
        ("../book.csv", "path-outside"),
        ("sub/../../other/book.csv", "path-outside"),
        ("/etc/passwd", "path-absolute"),
        ("\\\\\\\\server\\\\share\\\\book.csv", "path-absolute"),
        ("C:\\\\book.csv", "path-absolute"),
        ("C:book.csv", "path-absolute"),
        ("link.csv", "path-outside"),
        ("linked/book.csv", "path-outside"),
        ("loop.csv", "path-unusable"),
        ("n" * 300 + ".csv", "file-unreadable"),
        (".", "file-is-folder"),
        ("https://example.com/book.gpkg", "file-missing"),
        ("/vsicurl/https://example.com/book.gpkg", "path-absolute"),
        ("vsizip/book.zip", "file-missing"),
    ],
)
def test_book_elsewhere(tmp_path: Path, named: str, code: str) -> None:
    folder, other = tmp_path / "site", tmp_path / "other"
    folder.mkdir()
    other.mkdir()
    path = write(folder, site=SITE.replace("book.csv", named))
    (other / "book.csv").write_text(BOOK)
    (tmp_path / "book.csv").write_text(BOOK)
    (folder / "link.csv").symlink_to(other / "book.csv")
    (folder / "linked").symlink_to(other)
    (folder / "loop.csv").symlink_to(folder / "loop.csv")
    status, found = faults(path)
    assert status == 2
    assert [(line, c) for _, line, c in found] == [(2, code)]


def test_links_within_the_folder_are_followed(tmp_path: Path) -> None:
    path = write(tmp_path, site=SITE.replace("book.csv", "sub/../link.csv"))
    (tmp_path / "sub").mkdir()
    (tmp_path / "link.csv").symlink_to("book.csv")
    assert faults(path) == (0, [])


def test_a_site_behind_a_link_has_its_book_beside_the_link_target(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    write(tmp_path / "real")
    (tmp_path / "folder").symlink_to("real")
    assert faults(tmp_path / "folder" / "site.toml") == (0, [])


OTHER_TEXTS = {
    "semicolons": BOOK.replace(",", ";"),
    "semicolons and decimal commas": BOOK.replace(",", ";").replace(".", ","),
    "quoted": BOOK.replace(",", ";").replace("A1", '"A1"').replace(".", ","),
    "semicolons announced": "sep=;\n" + BOOK.replace(",", ";"),
    "tabs": BOOK.replace(",", "\t"),
    "tabs and decimal commas": BOOK.replace(",", "\t").replace(".", ","),
    "bars": "\n" + BOOK.replace(",", "|"),
    "UTF-16": BOOK.encode("utf-16"),
    "UTF-16 without mark": BOOK.encode("utf-16-le"),
    "UTF-16 big-endian without mark": BOOK.encode("utf-16-be"),
    "UTF-16 as a spreadsheet writes it": BOOK.replace(",", "\t").encode("utf-16"),
}


@pytest.mark.parametrize("name", OTHER_TEXTS)
def test_texts_of_other_programs_are_the_same_book(tmp_path: Path, name: str) -> None:
    usual = read_survey(write(tmp_path)).book
    other = read_survey(write(tmp_path, OTHER_TEXTS[name])).book
    assert (other.local == usual.local).all()
    assert other.marks == usual.marks
    assert other.features == usual.features


def test_points_and_commas_in_one_book_are_refused(tmp_path: Path) -> None:
    mixed = BOOK.replace(",", ";").replace("0.1;", "0,1;").replace("10;0;0", "10.5;0;0")
    status, found = faults(write(tmp_path, mixed))
    assert status == 2
    assert {code for _, _, code in found} == {"decimal-comma"}


def test_a_point_among_decimal_commas_is_refused(tmp_path: Path) -> None:
    commas = BOOK.replace(",", ";").replace("0.1;", "0,1;").replace("10;0;0", "1.250;0;0")
    status, found = faults(write(tmp_path, commas))
    assert status == 2
    assert {code for _, _, code in found} <= {"decimal-comma", "decimal-point"}


def test_path_with_backslashes_is_followed(tmp_path: Path) -> None:
    (tmp_path / "walks").mkdir()
    site = SITE.replace('"book.csv"', "'walks\\book.csv'")
    (tmp_path / "walks/book.csv").write_text(BOOK)
    (tmp_path / "site.toml").write_text(site)
    assert faults(tmp_path / "site.toml") == (0, [])


@pytest.mark.parametrize("path", ["walks\\yard.csv", "C:\\Users\\me\\book.csv", "\\uD800.csv"])
def test_path_with_backslashes_between_double_quotes_is_explained(
    tmp_path: Path, path: str
) -> None:
    said = message(write(tmp_path, BOOK, SITE.replace('"book.csv"', f'"{path}"')))
    assert said.startswith(f"{tmp_path}/site.toml:2: a backslash between double quotes")
    assert said.endswith("write / instead of the backslash")


def test_a_path_whose_backslash_means_a_control_character_is_explained(tmp_path: Path) -> None:
    said = message(write(tmp_path, BOOK, SITE.replace('"book.csv"', '"walks\\field.csv"')))
    assert "write / instead" in said


def test_a_path_without_quotes_is_no_matter_of_slashes(tmp_path: Path) -> None:
    said = message(write(tmp_path, BOOK, SITE.replace('"book.csv"', "book.csv")))
    assert 'site.toml:2: file is "book.csv" without quotes' in said


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("R1", "the row has 1 cell; expected 9 as in the header; fill in the missing cells"),
        ("R1,A1,1", "the row has 3 cells; expected 9 as in the header; fill in the missing cells"),
        ("R1,A1,1,2,3,,,,a,b", "has 10 cells; expected 9 as in the header; put a text that"),
        ("R1,A1,1,2,3,,,,a,b,c", "has 11 cells; expected 9 as in the header; write decimal points"),
    ],
)
def test_a_row_of_another_length_is_counted(tmp_path: Path, row: str, told: str) -> None:
    assert told in message(write(tmp_path, after_baseline(row)))


@pytest.mark.parametrize("day", ["9999-12-31", "1026-04-12", "2206-04-12"])
def test_a_year_that_nobody_walks_in(tmp_path: Path, day: str) -> None:
    site = SITE + f'[site]\ntitle = "Yard"\ndate = {day}\n'
    assert faults(write(tmp_path, BOOK, site)) == (
        2,
        [("site.toml", site.count("\n"), "date-unlikely")],
    )
    assert faults(write(tmp_path, BOOK, site.replace(day, "2026-04-12"))) == (0, [])


@pytest.mark.parametrize(
    ("right", "wrong", "says"),
    [
        ('from = "B1"', "from = B1", 'from is "B1" without quotes; .*; write from = "B1"'),
        ("northing = 5276100.0", "northing = 5276100,5", "a decimal point; write northing = 5276"),
        ('title = "Stone setts"', "title = Stone setts  # grey", 'write title = "Stone setts"'),
        ('crs = "EPSG:25832"', "crs = EPSG:25832", 'write crs = "EPSG:25832"'),
    ],
)
def test_toml_is_told_to_who_does_not_know_it(
    tmp_path: Path, right: str, wrong: str, says: str
) -> None:
    site = SITE.replace(right, wrong, 1)
    with pytest.raises(InputError, match=says) as told:
        read_survey(write(tmp_path, BOOK, site))
    assert told.value.problems[0].line == site[: site.index(wrong)].count("\n") + 1


def test_a_field_book_in_the_place_of_its_site_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a table, no site file") as told:
        read_survey(write(tmp_path).parent / "book.csv")
    assert len(told.value.problems) == 1
