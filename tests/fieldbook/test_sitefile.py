"""The site file: what is read, and every bad one with the exact lines and causes."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fieldbook_cases import BOOK, HEADER, SITE, faults, write

from geosite.base.errors import InputError, SurveyRefused
from geosite.fieldbook.read import read_survey


def append(*lines: str) -> str:
    """Return the site file with more lines; the first of them is line 21."""
    assert len(SITE.splitlines()) == 20
    return SITE + "\n".join(lines) + "\n"


def instead(old: str, new: str) -> str:
    assert old in SITE
    return SITE.replace(old, new)


MAGNETIC = '[anchor.azimuth]\nvalue = 87\nreference = "magnetic"\n'
ONE_MARK = instead("[anchor.marks.B2]\neasting = 512320.0\nnorthing = 5276100.0\n", "")

BAD = {
    # TOML
    "empty": ("", [(None, "file-empty")]),
    "only blanks": ("\n \n", [(None, "file-empty")]),
    "no table at all": (
        "# nothing\n",
        [(None, "key-missing"), (None, "key-missing"), (None, "key-missing")],
    ),
    "no value": (append("[surface]", "cell_size ="), [(22, "toml-syntax")]),
    "decimal comma": (append("[surface]", "cell_size = 0,25"), [(22, "toml-syntax")]),
    "text without quotes": (instead('"EPSG:25832"', "EPSG:25832"), [(9, "toml-syntax")]),
    "quote never closed": (instead('"book.csv"', '"book.csv'), [(2, "toml-syntax")]),
    "long text never closed": (append("[site]", 'title = """a', "b"), [(23, "toml-syntax")]),
    "bracket never closed": (append("[drainage]", "flow_paths_from = ["), [(22, "toml-syntax")]),
    "key twice": (append("[surface]", "cell_size = 1", "cell_size = 2"), [(23, "toml-duplicate")]),
    "table twice": (append("[baseline]", 'from = "B1"'), [(21, "toml-duplicate")]),
    "name twice but for a blank": (
        append('[codes."setts "]', 'title = "again"'),
        [(21, "toml-duplicate")],
    ),
    "deep lists": (
        append("[drainage]", "flow_paths_from = " + "[" * 5000),
        [(None, "toml-nesting")],
    ),
    "nine lists": (
        append("[drainage]", f"flow_paths_from = {'[' * 9}1{']' * 9}"),
        [(22, "toml-nesting")],
    ),
    "deep tables": (append("[" + ".".join("a" * 100) + "]"), [(21, "toml-nesting")]),
    "endless line": (append("[site]", f'title = "{"a" * 10_000}"'), [(22, "toml-line-too-long")]),
    "endless text": (
        append("[site]", f'title = """{"a " * 4000}\\', f'{"b " * 4000}"""'),
        [(22, "text-too-long")],
    ),
    "endless number": (
        append("[surface]", "cell_size = " + "9" * 5000),
        [(22, "number-too-large")],
    ),
    "huge whole number": (
        append("[surface]", "cell_size = " + "9" * 400),
        [(22, "number-too-large")],
    ),
    "huge number": (append("[surface]", "cell_size = 1e300"), [(22, "number-too-large")]),
    "tiny number": (append("[surface]", "cell_size = 1e-300"), [(22, "number-too-small")]),
    "nan": (append("[surface]", "cell_size = nan"), [(22, "not-finite")]),
    "infinity": (instead("easting = 512310.0", "easting = -inf"), [(12, "not-finite")]),
    "infinity where a number is free": (
        append("[sections.s]", "design_grade_percent = inf"),
        [(22, "not-finite")],
    ),
    "Latin-1": (append("[site]", 'title = "Böschung"').encode("latin-1"), [(22, "encoding")]),
    "UTF-16": (SITE.encode("utf-16"), [(1, "encoding")]),
    "NUL byte": (SITE.encode().replace(b"setts", b"set\0ts", 1), [(19, "nul-byte")]),
    "database": (b"SQLite format 3\0" + b"\0" * 99, [(None, "not-text")]),
    # names and texts
    "control character in a text": (
        append("[site]", 'title = "a\\u0007"'),
        [(22, "text-unusable")],
    ),
    "line break in a title": (append("[site]", 'title = "a\\nb"'), [(22, "text-unusable")]),
    "bidirectional mark in a title": (
        append("[site]", 'title = "a\u202eb"'),
        [(22, "text-unusable")],
    ),
    "control character in a name": (append('[codes."a\\u0007"]'), [(21, "name-unusable")]),
    "endless name": (append(f"[codes.{'a' * 201}]"), [(21, "name-unusable")]),
    "blank name": (append('[codes." "]'), [(21, "name-unusable")]),
    # keys and values
    "unknown key": (instead("[survey]\n", "[survey]\nfeild = 1\n"), [(2, "key-unknown")]),
    "misspelt key": (instead("file =", "fil ="), [(2, "key-unknown")]),
    "unknown table": (append("[surfaces]", "cell_size = 1"), [(21, "key-unknown")]),
    "misspelt table": (instead("[baseline]", "[basline]"), [(4, "key-unknown")]),
    "missing key": (instead('to = "B2"\n', ""), [(4, "key-missing")]),
    "missing table": (
        instead('[baseline]\nfrom = "B1"\nto = "B2"\n', ""),
        [(None, "key-missing")],
    ),
    "unknown unit": (instead("[survey]\n", '[survey]\nunit = "feet"\n'), [(2, "value-refused")]),
    "number in quotes": (append("[surface]", 'cell_size = "1"'), [(22, "value-refused")]),
    "name without quotes": (instead('"B2"', "2"), [(6, "value-refused")]),
    "blank mark name": (instead('to = "B2"', 'to = " "'), [(6, "value-refused")]),
    "zero cell size": (append("[surface]", "cell_size = 0"), [(22, "value-refused")]),
    "negative depth": (
        instead("[codes.setts]", "[codes.setts]\ndepth = -1"),
        [(20, "value-refused")],
    ),
    "text for a switch": (
        instead("[codes.setts]", '[codes.setts]\npaved = "yes"'),
        [(20, "value-refused")],
    ),
    "number for a switch": (
        instead("[codes.setts]", "[codes.setts]\npaved = 1"),
        [(20, "value-refused")],
    ),
    "switch for a number": (append("[surface]", "cell_size = true"), [(22, "value-refused")]),
    "table for a number": (append("[surface.cell_size]", "x = 1"), [(21, "value-refused")]),
    "number for a table": (
        "codes = 1\n" + SITE.replace("[codes.setts]\n", "#\n").replace("title", "# t"),
        [(1, "value-refused")],
    ),
    "part of a whole number": (append("[surface]", "index_every = 2.5"), [(22, "value-refused")]),
    "latitude beyond the pole": (
        instead("easting = 512310.0\nnorthing = 5276100.0", "latitude = 91.0\nlongitude = 9.0"),
        [(12, "value-refused")],
    ),
    "wrong item of a list": (
        append("[drainage]", "flow_paths_from = [", '  "A1",', "  5,", "]"),
        [(24, "value-refused")],
    ),
    "unknown key of an inline table": (
        'sections.s = {marks = ["A1", "A2"], intervall = 1}\n' + SITE,
        [(1, "key-unknown")],
    ),
    # tables against each other
    "baseline of one mark": (instead('to = "B2"', 'to = "B1"'), [(6, "baseline-one-mark")]),
    "half a position": (
        instead("northing = 5276100.0\n\n[anchor.marks.B2]", "\n[anchor.marks.B2]"),
        [(12, "anchor-half")],
    ),
    "longitude alone": (
        instead("easting = 512310.0\nnorthing = 5276100.0", "longitude = 9.0"),
        [(12, "anchor-half"), (11, "anchor-too-few")],
    ),
    "two positions": (
        instead("easting = 512310.0\n", "easting = 512310.0\nlatitude = 47.6\nlongitude = 9.1\n"),
        [(11, "anchor-two-positions")],
    ),
    "no position": (
        instead("easting = 512310.0\nnorthing = 5276100.0\n", ""),
        [(11, "anchor-no-position"), (11, "anchor-too-few")],
    ),
    "a benchmark does not place": (
        instead("easting = 512310.0\nnorthing = 5276100.0\n", "elevation = 400.0\n"),
        [(11, "anchor-too-few")],
    ),
    "two heights": (
        instead(
            "easting = 512310.0\n",
            "easting = 512310.0\nelevation = 1.0\nellipsoidal_height = 2.0\n",
        ),
        [(11, "anchor-two-heights")],
    ),
    "millimetres for metres": (instead("512310.0", "512310000.0"), [(12, "anchor-too-far")]),
    "elevation too high": (
        instead("easting = 512310.0\n", "elevation = 4e5\neasting = 512310.0\n"),
        [(12, "anchor-too-far")],
    ),
    "one mark": (ONE_MARK, [(11, "anchor-too-few")]),
    "one mark and a check point": (
        instead("[anchor.marks.B2]", "[anchor.marks.B2]\ncheck = true"),
        [(11, "anchor-too-few")],
    ),
    "no marks": (
        instead(
            "[anchor.marks.B1]\neasting = 512310.0\nnorthing = 5276100.0\n", "[anchor.marks]"
        ).replace("[anchor.marks.B2]\neasting = 512320.0\nnorthing = 5276100.0\n", ""),
        [(11, "anchor-too-few")],
    ),
    "magnetic without a day": (ONE_MARK + MAGNETIC, [(18, "azimuth-undated")]),
    "unreadable day": (
        append("[site]", 'date = "yesterday"'),
        [(22, "date-unreadable")],
    ),
    "parcel map missing": (append("[parcels]", 'file = "none.gpkg"'), [(22, "file-missing")]),
    "parcel map elsewhere": (append("[parcels]", 'file = "../p.gpkg"'), [(22, "path-outside")]),
    "limits elsewhere": (
        append("[grades]", 'limits_file = "/etc/passwd"'),
        [(22, "path-absolute")],
    ),
    "surface elsewhere": (
        append("[earthworks.e]", 'feature = "landing"', 'surface = "../z.tif"'),
        [(23, "path-outside")],
    ),
    # against the field book
    "unknown mark in a section": (
        append("[sections.s]", 'marks = ["A1", "a22"]'),
        [(22, "name-unknown")],
    ),
    "unknown feature": (
        append("[surface]", 'exclude = ["lading"]', "[grades.lines.g]", 'feature = "x"'),
        [(22, "name-unknown"), (24, "name-unknown")],
    ),
    "unknown start of a flow path": (
        append("[drainage]", 'flow_paths_from = ["landing", "A1", "nowhere"]'),
        [(22, "name-unknown")],
    ),
    "unknown mark of earthworks": (
        append("[earthworks.e]", 'feature = "landing"', "design_elevation = 1", 'through = "Q"'),
        [(24, "name-unknown")],
    ),
    "impossible number and unknown key": (
        append("[surface]", "cell_size = nan", "cellsize = 1", "index_every = inf"),
        [(22, "not-finite"), (23, "key-unknown"), (24, "not-finite")],
    ),
    "everything at once": (
        "[survey]\nfile = 'book.csv'\nunits = 'm'\n[baseline]\nfrom = 'B1'\nto = 5\n"
        "[anchor]\ncrs = 'EPSG:25832'\n[anchor.marks]\nB1 = {easting = '1', northing = 2}\n"
        "B2 = {easting = 1, northing = 3, sigma = -1}\n",
        [(3, "key-unknown"), (6, "value-refused"), (10, "value-refused"), (11, "value-refused")],
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_site_file(tmp_path: Path, name: str) -> None:
    site, expected = BAD[name]
    status, found = faults(write(tmp_path, BOOK, site))
    assert status == 2
    assert sorted(found, key=str) == sorted((("site.toml", *e) for e in expected), key=str)


@pytest.mark.parametrize(
    ("site", "said"),
    [
        (instead("file =", "fil ="), 'unknown key "fil" in [survey]'),
        (instead("file =", "fil ="), 'did you mean "file"?'),
        (instead("[baseline]", "[basline]"), 'did you mean "baseline"?'),
        (append("[surface]", 'method = "tin2"'), 'expected one of "auto", "inverse-distance"'),
        (append("[surface]", 'method = "tin2"'), 'did you mean "tin"?'),
        (append("[surface]", 'cell_size = "1"'), "surface.cell_size"),
        (append("[surface]", 'cell_size = "1"'), "without quotes"),
        (append("[surface]", "cell_size = 0"), "expected a number greater than 0"),
        (append("[parcels]", 'file = "p.gpkg"', "sigma = -1"), "expected a number at least 0"),
        (append('[codes."top of wall"]', "depth = -1"), 'codes."top of wall".depth is -1'),
        (append("[drainage]", "flow_paths_from = [5]"), "drainage.flow_paths_from[0] is 5"),
        (append("[sections.s]", 'marks = ["a1"]'), 'did you mean "A1"?'),
        (append("[surface]", "cell_size = 0,25"), "write cell_size = 0.25"),
        (append("[tolerances]", "plan = 0.05"), "write plan = ... below [tolerances.NAME]"),
        (append("[sections]", 's = "A1"'), "write its keys below [sections.s]"),
    ],
)
def test_messages_name_value_expectation_and_remedy(tmp_path: Path, site: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        read_survey(write(tmp_path, BOOK, site))
    assert said in str(caught.value)
    assert f"{tmp_path}/site.toml:" in str(caught.value)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("a\\nb", "a line break"),
        ("a\\u202eb", "the invisible character U+202E"),
        ("a\\u0007b", "the control character U+0007"),
    ],
)
def test_what_cannot_be_seen_is_called_by_its_kind(tmp_path: Path, written: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        read_survey(write(tmp_path, BOOK, append("[site]", f'title = "{written}"')))
    (problem,) = caught.value.problems
    assert (problem.line, problem.remedy) == (22, "type it again without it")
    assert f"contains {said}" in problem.what


def test_problems_of_both_files_are_told_together(tmp_path: Path) -> None:
    site = append("[surface]", "cell_size = 0")
    book = BOOK.replace("R1,A1,1", "R1,A1,one")
    assert faults(write(tmp_path, book, site)) == (
        2,
        [("site.toml", 22, "value-refused"), ("book.csv", 4, "not-a-number")],
    )


@pytest.mark.parametrize("wrong", ['unit = "yards"', "closure_limit = -3", 'leg_noise = "fine"'])
def test_a_wrong_value_beside_its_name_does_not_hide_faults_of_the_field_book(
    tmp_path: Path, wrong: str
) -> None:
    site = instead('file = "book.csv"', f'file = "book.csv"\n{wrong}')
    book = BOOK.replace("R1,A1,1,1,", "R1,A1,1,l,")
    assert faults(write(tmp_path, book, site)) == (
        2,
        [("site.toml", 3, "value-refused"), ("book.csv", 4, "not-a-number")],
    )


# ---- what is read --------------------------------------------------------------------------------


def test_dates_become_iso_days(tmp_path: Path) -> None:
    site = ONE_MARK + MAGNETIC + "date = 2026-04-12T08:30:00Z\n[site]\ndate = 2026-04-12\n"
    tables = read_survey(write(tmp_path, BOOK, site)).site
    assert tables.site.date == "2026-04-12"
    assert tables.anchor.azimuth is not None
    assert tables.anchor.azimuth.date == "2026-04-12"
    site = site.replace("date = 2026-04-12\n", 'date = "2026-04-13"\n')
    assert read_survey(write(tmp_path, BOOK, site)).site.site.date == "2026-04-13"


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    plain = read_survey(write(tmp_path)).site
    site = b"\xef\xbb\xbf" + SITE.replace("\n", "\r\n").encode()
    assert read_survey(write(tmp_path, BOOK, site)).site == plain
    bad = site.replace(b"B2]", b"B2]\r\nsigma = -1")
    assert faults(write(tmp_path, BOOK, bad)) == (2, [("site.toml", 16, "value-refused")])


def test_crs_as_printed_wkt_may_have_lines(tmp_path: Path) -> None:
    site = instead('"EPSG:25832"', '"""PROJCRS[\n  "so"]"""')
    assert read_survey(write(tmp_path, BOOK, site)).site.anchor.crs == 'PROJCRS[\n  "so"]'


def test_an_anchor_mark_may_be_a_benchmark(tmp_path: Path) -> None:
    site = append("[anchor.marks.A1]", "elevation = 402.5")
    assert read_survey(write(tmp_path, BOOK, site)).site.anchor.marks["A1"].elevation == 402.5


def test_lines_of_keys_are_handed_on(tmp_path: Path) -> None:
    lines = read_survey(write(tmp_path)).site_lines
    assert lines["survey", "file"] == 2
    assert lines["anchor", "crs"] == 9
    assert lines["anchor", "marks", "B2"] == 15


def test_site_file_given_as_text(tmp_path: Path, monkeypatch) -> None:
    write(tmp_path)
    monkeypatch.chdir(tmp_path)
    notes = read_survey("site.toml")  # type: ignore[arg-type]
    assert (notes.site_file, notes.book.file) == ("site.toml", "book.csv")


# ---- what is no plain file -----------------------------------------------------------------------


def test_missing_site_file(tmp_path: Path) -> None:
    assert faults(tmp_path / "none.toml") == (2, [("none.toml", None, "file-missing")])
    assert faults(tmp_path / "none" / "site.toml")[1] == [("site.toml", None, "file-missing")]


def test_site_file_is_a_folder(tmp_path: Path) -> None:
    assert faults(tmp_path) == (2, [(tmp_path.name, None, "file-is-folder")])


def test_site_file_is_a_device(tmp_path: Path) -> None:
    assert faults(Path("/dev/zero")) == (2, [("zero", None, "file-not-regular")])


def test_site_file_is_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "site.toml")
    assert faults(tmp_path / "site.toml") == (2, [("site.toml", None, "file-not-regular")])


def test_site_file_too_large(tmp_path: Path) -> None:
    assert faults(write(tmp_path, BOOK, SITE + "#\n" * 500_000))[1] == [
        ("site.toml", None, "file-too-large")
    ]


def test_site_file_name_that_no_system_has(tmp_path: Path) -> None:
    assert faults(tmp_path / "a\0b")[0] == 2
    assert faults(tmp_path / ("n" * 5000))[0] == 2


@pytest.mark.parametrize(
    "line",
    ['"' + '\\"' * 4_900 + "." * 40, "'" * 4_999 + "." * 40, "a" * 9_900 + "." * 40, ". " * 4_999],
)
def test_lines_that_are_hard_to_scan(tmp_path: Path, line: str) -> None:
    began = time.process_time()
    assert faults(write(tmp_path, BOOK, SITE + f"{line}\n" * 18))[0] == 2
    assert time.process_time() - began < 2


# ---- exit 3: read, but it cannot be right --------------------------------------------------------

RUNS = HEADER.replace(",feature,code,segment,note", "")


@pytest.mark.parametrize(
    ("book", "site", "expected"),
    [
        (
            RUNS + "R1,B1,0,0,0\nR1,B2,9,0,0\nR2,B1,0,0,0\nR2,A,1,0,0\nR3,A,0,0,0\n",
            SITE,
            [
                ("book.csv", 4, "run-without-baseline"),
                ("book.csv", 6, "run-without-baseline"),
                ("book.csv", 6, "run-without-baseline"),
            ],
        ),
        (
            RUNS + "R1,B1,0,0,0\nR1,C2,9,0,0\n",
            SITE.replace("marks.B2", "marks.C2"),
            [("site.toml", 6, "baseline-unseen")],
        ),
        (
            RUNS + "R1,B1,0,0,0\nR1,B2,9,0,0\n",
            SITE.replace("marks.B2", "marks.C2"),
            [("site.toml", 15, "anchor-unseen")],
        ),
        (
            RUNS + "R1,A,0,0,0\n",
            SITE,
            [
                ("site.toml", 5, "baseline-unseen"),
                ("site.toml", 6, "baseline-unseen"),
                ("site.toml", 11, "anchor-unseen"),
                ("site.toml", 15, "anchor-unseen"),
            ],
        ),
    ],
    ids=["runs without", "mark without", "anchor without", "nothing"],
)
def test_survey_refused(tmp_path: Path, book: str, site: str, expected: list) -> None:
    path = write(tmp_path, book, site)
    assert faults(path) == (3, expected)
    with pytest.raises(SurveyRefused):
        read_survey(path)


def test_run_without_baseline_is_named(tmp_path: Path) -> None:
    book = RUNS + "R1,B1,0,0,0\nR1,B2,9,0,0\nNorth walk,B1,0,0,0\n"
    with pytest.raises(SurveyRefused, match='run "North walk" never visits mark "B2"'):
        read_survey(write(tmp_path, book))


def test_input_errors_come_first_and_decide_the_status(tmp_path: Path) -> None:
    book = RUNS + "R1,B1,0,0,0\nR1,B2,9,x,0\nR2,B1,0,0,0\n"
    assert faults(write(tmp_path, book)) == (
        2,
        [("book.csv", 3, "not-a-number"), ("book.csv", 4, "run-without-baseline")],
    )


# ---- findings ------------------------------------------------------------------------------------


def findings(path: Path) -> list[tuple[str, str, int | None]]:
    return [(f.level, f.code, f.line) for f in read_survey(path).findings]


def test_unseen_extra_mark_and_check_point(tmp_path: Path) -> None:
    site = append(
        *("[anchor.marks.C1]", "easting = 1.0", "northing = 2.0"),
        *("[anchor.marks.C2]", "easting = 1.0", "northing = 3.0", "check = true"),
    )
    expected = [("look", "anchor-unseen", 21), ("look", "anchor-unseen", 24)]
    assert findings(write(tmp_path, BOOK, site)) == expected


def test_unexplained_code(tmp_path: Path) -> None:
    rows = "R1,P1,0,1,0,pole,lamp,,\nR1,L1,1,2,0,wire,lamp,,\nR1,L2,3,2,0,wire,lamp,,\n"
    notes = read_survey(write(tmp_path, BOOK.replace(",setts,", ",sets,") + rows))
    assert [(f.code, f.line) for f in notes.findings] == [
        ("code-unexplained", 4),
        ("code-unexplained", 10),
    ]
    first, second = (f.text for f in notes.findings)
    assert "did you mean setts?" in first
    assert "drawn as areas by" in first
    assert "drawn as lines or points by" in second


def test_stray_segment(tmp_path: Path) -> None:
    book = BOOK.replace("landing,setts,arc,", ",setts,arc,")
    assert findings(write(tmp_path, book)) == [("look", "segment-without-feature", 6)]
    (one,) = read_survey(tmp_path / "site.toml").findings
    assert one.text.startswith("1 row has a segment and no feature")
    more = book + "R1,Z1,70,7,0,,,arc,\n"
    (two,) = read_survey(write(tmp_path, more)).findings
    assert (two.line, two.text[:15]) == (6, "2 rows have a s")


def test_rows_repeated_later(tmp_path: Path) -> None:
    rows = "R1,A1,1,1,0,,,,\nR1,A2,5,1.001,0,,,,\nR2,A2,5,1,0,,,,\nR2,A1,1,1,0,,,,\n"
    notes = read_survey(write(tmp_path, BOOK + rows + "R1,B2,10,0,0.1,,,,\n"))
    (finding,) = notes.findings
    assert (finding.level, finding.code, finding.line) == ("look", "rows-repeated", 10)
    assert "2 rows repeat" in finding.text
    assert "the first one line 4" in finding.text


def test_names_alike(tmp_path: Path) -> None:
    book = BOOK.replace("R2,B1", "R2,b 1,3,3,0,,,,\nR2,B1")
    assert findings(write(tmp_path, book)) == [("look", "names-alike", 9)]


def test_names_alike_beyond_those_told_are_counted(tmp_path: Path) -> None:
    for more, said in ((1, "1 more pair of marks that look alike"), (2, "2 more pairs of marks")):
        rows = "".join(f"R1,m{n},{n},1,0,,,,\nR1,M{n},{n},2,0,,,,\n" for n in range(20 + more))
        told = read_survey(write(tmp_path, BOOK + rows)).findings
        assert any(f"And {said}" in one.text for one in told)


def test_unexplained_codes_beyond_those_told_are_counted(tmp_path: Path) -> None:
    for more, said in ((1, "1 more unexplained code."), (2, "2 more unexplained codes.")):
        rows = "".join(f"R1,m{n},{n},1,0,f{n},code{n},,\n" for n in range(20 + more))
        told = read_survey(write(tmp_path, BOOK + rows)).findings
        assert any(one.text == f"And {said}" for one in told)


def test_layer_of_a_text_file(tmp_path: Path) -> None:
    site = instead("[survey]\n", '[survey]\nlayer = "points"\n')
    assert findings(write(tmp_path, BOOK, site)) == [("note", "layer-unused", 2)]


# ---- cost ----------------------------------------------------------------------------------------


def test_a_good_site_needs_no_heavy_library(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from geosite.fieldbook.read import read_survey;"
        f"read_survey(Path({str(write(tmp_path))!r}));"
        "heavy = {'jsonschema', 'fiona', 'shapely', 'pyproj', 'scipy', 'rasterio'};"
        "sys.exit(' '.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
