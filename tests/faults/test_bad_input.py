"""Bad input: one clear line each, together, no traceback; some through the installed command."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from cli_runner import Ran, geosite

COMMAND = Path(sys.executable).with_name("geosite")

SITE = """
[survey]
file = "walk.csv"
unit = "m"
[baseline]
from = "A"
to = "B"
[anchor]
crs = "EPSG:25832"
[anchor.marks.A]
easting = 512000.0
northing = 5276000.0
[anchor.marks.B]
easting = 512010.0
northing = 5276000.0
[codes.apron]
geometry = "area"
[codes.kerb]
geometry = "line"
"""

HEADER = "run,point,x,y,z,feature,code,segment,note\n"
ROWS = """R1,A,0,0,0,,,,
R1,B,10.004,0,0.1,,,,
R1,C,10,8,0.2,yard,apron,,
R1,D,2,9,0.3,yard,apron,,
R1,E,1,3,0.1,yard,apron,,
R1,A,0.01,0.01,0,,,,
"""
BOOK = HEADER + ROWS


def write(folder: Path, site: str = SITE, book: str | bytes | None = BOOK) -> Path:
    (folder / "site.toml").write_text(site, encoding="utf-8")
    if book is not None:
        raw = book if isinstance(book, bytes) else book.encode("utf-8")
        (folder / "walk.csv").write_bytes(raw)
    return folder / "site.toml"


def build(site: Path, *more: str) -> Ran:
    return geosite("build", site, "--out", site.parent / "out", *more)


def build_installed(site: Path) -> Ran:
    words = [COMMAND, "build", site, "--out", site.parent / "out"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    return Ran(done.returncode, done.stdout, done.stderr)


def edited(old: str, new: str, text: str = BOOK) -> str:
    assert old in text
    return text.replace(old, new)


CASES = {
    # name: (site, book, exit, patterns that one line each must match)
    "missing book": (SITE, None, 2, [r"site\.toml:3: .*walk\.csv"]),
    "empty book": (SITE, "", 2, [r"walk\.csv.*empty"]),
    "header only": (SITE, HEADER, 2, [r"walk\.csv.*no (rows|observations)|header"]),
    "wrong column": (SITE, edited("point,x", "point,eks"), 2, [r"walk\.csv:1: .*column.* x\b"]),
    "text for a number": (SITE, edited("10,8,0.2", "10,eight,0.2"), 2, [r"walk\.csv:4: .*eight"]),
    "NaN": (SITE, edited("10,8,0.2", "10,nan,0.2"), 2, [r"walk\.csv:4: .*nan"]),
    "infinity": (SITE, edited("10,8,0.2", "10,8,-inf"), 2, [r"walk\.csv:4: .*inf"]),
    "run without the baseline": (
        SITE,
        BOOK + "R2,A,0,0,0,,,,\nR2,F,3,3,0,,,,\n",
        3,
        [r"walk\.csv:8: .*R2.*\bB\b"],
    ),
    "baseline marks coincide": (
        SITE,
        edited("R1,B,10.004,0,0.1", "R1,B,0.0,0.0,0.0"),
        3,
        [r"walk\.csv:3: .*apart"],
    ),
    "one mark only": (
        edited("[anchor.marks.B]\neasting = 512010.0\nnorthing = 5276000.0\n", "", SITE),
        BOOK,
        2,
        [r"site\.toml:\d+: .*(mark|azimuth)"],
    ),
    "collinear arc": (
        SITE,
        BOOK
        + "R1,K1,0,20,0,kerb,kerb,,\nR1,K2,5,20,0,kerb,kerb,arc,\nR1,K3,9,20,0,kerb,kerb,arc,\n",
        3,
        [r"walk\.csv:(8|9|10): .*line"],
    ),
    "area with two marks": (
        SITE,
        edited("R1,E,1,3,0.1,yard,apron,,", "R1,E,1,3,0.1,,,,"),
        3,
        [r"walk\.csv:(4|5): .*yard"],
    ),
    "self-crossing outline": (
        SITE,
        BOOK + "R1,P,0,20,0,bow,apron,,\nR1,Q,9,29,0,bow,apron,,\n"
        "R1,R,9,20,0,bow,apron,,\nR1,S,0,29,0,bow,apron,,\n",
        3,
        [r"walk\.csv:\d+: .*bow.*cross"],
    ),
    "duplicate rows": (
        SITE,
        edited("R1,C,10,8,0.2,yard,apron,,\n", "R1,C,10,8,0.2,yard,apron,,\n" * 2),
        2,
        [r"walk\.csv:5: "],
    ),
    "geographic CRS": (
        edited("EPSG:25832", "EPSG:4326", SITE),
        BOOK,
        2,
        [r"site\.toml:9: .*(geographic|projected)"],
    ),
    "unknown CRS": (
        edited("EPSG:25832", "EPSG:999999", SITE),
        BOOK,
        2,
        [r"site\.toml:9: .*999999"],
    ),
    "unknown key": (
        edited("unit =", "units =", SITE),
        BOOK,
        2,
        [r"site\.toml:4: .*units.*unit\b"],
    ),
    "feet taken for metres": (
        SITE,
        edited("R1,B,10.004,0,0.1", "R1,B,32.808,0,0.1"),
        3,
        [r"(walk\.csv|site\.toml)(:\d+)?: .*(3\.28|0\.3048|foot|feet|ft)"],
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_one_clear_line_with_file_and_row(name, tmp_path):
    site, book, status, patterns = CASES[name]
    done = build(write(tmp_path, site, book))
    assert done.status == status, done.err
    assert "Traceback" not in done.err + done.out
    lines = [line for line in done.err.splitlines() if line.strip()]
    for pattern in patterns:
        assert any(re.search(pattern, line) for line in lines), done.err
    # each line says where, what is wrong, what was expected and what to do
    for line in lines:
        assert "expected" in line
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_several_are_reported_together(tmp_path):
    book = edited("10,8,0.2", "10,eight,0.2", edited("2,9,0.3", "2,9,inf"))
    site = edited("[codes.kerb]", "[codes.kerb]\ngeometri = 'line'", SITE)
    site = edited("EPSG:25832", "EPSG:4326", site)
    done = build_installed(write(tmp_path, site, book))
    assert done.status == 2
    site_lines = r"site\.toml:\d+: .*geometri", r"site\.toml:9: .*projected"
    for pattern in (*site_lines, r"walk\.csv:4: ", r"walk\.csv:5: "):
        assert re.search(pattern, done.err), done.err


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.slow
def test_the_good_site_builds(tmp_path):
    done = build_installed(write(tmp_path))
    assert done.status == 0, done.err
    assert (tmp_path / "out" / "site.gpkg").is_file()


@pytest.mark.slow
def test_a_failed_run_leaves_earlier_output_as_it_was(tmp_path):
    site = write(tmp_path)
    assert build(site).status == 0
    before = contents(tmp_path / "out")
    write(tmp_path, book=edited("10,8,0.2", "10,eight,0.2"))
    assert build(site).status == 2
    assert contents(tmp_path / "out") == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "site.toml", "walk.csv"]


def test_missing_site_file(tmp_path):
    done = build_installed(tmp_path / "nothing.toml")
    assert done.status == 2
    assert re.search(r"nothing\.toml: .*expected", done.err)
    shutil.rmtree(tmp_path)


ASKED = {
    "cell size": ("[surface]", "cell_size = 1e-6"),
    "contour interval": ("[surface]", "contour_interval = 1e-9"),
    "distance of a mark from itself": ("[distances]", 'pairs = [["A", "A"]]'),
    "distance to nowhere": ("[distances]", 'pairs = [["A", "B"], ["A", "Q"]]'),
    "line of nothing": ("[grades.lines.way]", 'feature = "lane"'),
    "limits of nobody": ("[grades.lines.way]", 'marks = ["A", "C"]\nlimits = "ours"'),
    "section to nowhere": ("[sections.s]", 'marks = ["A", "Q"]'),
    "earthwork of nothing": ("[earthworks.w]", 'feature = "pit"\ndesign_elevation = 0'),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", ASKED)
def test_a_wrong_question_is_told_where_it_is_asked(name, tmp_path):
    table, keys = ASKED[name]
    site = write(tmp_path, f"{SITE}{table}\n{keys}\n")
    line = SITE.count("\n") + 1
    done = build(site)
    told = done.err.splitlines()
    assert done.status == 2
    assert len(told) == 1
    assert re.match(rf"{re.escape(str(site))}:({line}|{line + 1}): ", told[0]), told


NEED_GROUND = {
    "path of a drop": ("[drainage]", 'flow_paths_from = ["B"]'),
    "section": ("[sections.s]", 'marks = ["A", "B"]'),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", NEED_GROUND)
def test_what_needs_ground_is_told_where_the_marks_make_none(name, tmp_path):
    table, keys = NEED_GROUND[name]
    site = write(tmp_path, f"{SITE}{table}\n{keys}\n", HEADER + "R1,A,0,0,0,,,,\nR1,B,10,0,1,,,,\n")
    line = SITE.count("\n") + 1
    done = build(site)
    (told,) = done.err.splitlines()
    assert done.status == 2
    assert re.match(rf"{re.escape(str(site))}:({line}|{line + 1}): .* needs the ground ", told), (
        told
    )
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_an_own_limit_set_is_told_by_its_file(tmp_path):
    (tmp_path / "limits.toml").write_text("[ours]\nslope = 3\n")
    site = write(tmp_path, f'{SITE}[grades]\nlimits_file = "limits.toml"\n')
    done = build(site)
    assert done.status == 2
    assert done.err.startswith(f"{tmp_path / 'limits.toml'}:"), done.err
