"""Keys that do nothing where they stand are told with their line, and only those."""

from pathlib import Path

import pytest
from fieldbook_cases import BOOK, SITE, write

from geosite.fieldbook.read import read_survey

DESIGN = "[designs.d.pads.p]\nfeature = 'landing'\nelevation = 0.2\n"


def idle(folder: Path, more: str) -> list[tuple[str, int | None]]:
    found = read_survey(write(folder, BOOK, SITE + more)).findings
    return [(_key(f.text), f.line) for f in found if f.code == "key-idle"]


def _key(text: str) -> str:
    """Return the key that a finding names: ``a.b has no effect`` or ``[a] b counts ...``."""
    first, second, *_ = text.split()
    return f"{first[1:-1]}.{second}" if first.startswith("[") else first


# what is written, what it lacks, the key that does nothing without it
CASES = [
    ("[codes.a]\n%s\ndepth = 0.1\n", "geometry = 'area'", "geometry = 'line'", "codes.a.depth"),
    ("[codes.a]\n%s\ncoverage_unit = 'bags'\n", "coverage = 2.0", "", "codes.a.coverage_unit"),
    ("[codes.a]\n%s\npaved = true\n", "", "geometry = 'line'", "codes.a.paved"),
    (
        "[codes.a]\nbreakline = true\n%s\n",
        "geometry = 'line'",
        "geometry = 'point'",
        "codes.a.breakline",
    ),
    ("[codes.a]\nheight_m = 0.1\n%s\n", "gutter = true", "", "codes.a.height_m"),
    (
        "[drainage]\nrainfall_mm_per_hour = 9.0\n[codes.a]\ndrains_to = 'landing'\n%s\n",
        "building = true",
        "",
        "codes.a.drains_to",
    ),
    (
        "[codes.a]\nrunoff = 0.9\n[drainage]\n%s\n",
        "rainfall_mm_per_hour = 9.0",
        "",
        "codes.a.runoff",
    ),
    ("[drainage]\nrunoff = 0.9\n%s\n", "rainfall_mm_per_hour = 9.0", "", "drainage.runoff"),
    (
        "[anchor.azimuth]\nvalue = 87.6\ndate = 2026-04-12\nreference = %s\n",
        "'magnetic'",
        "'grid'",
        "anchor.azimuth.date",
    ),
    (
        "[sections.s]\nmarks = ['A1', 'A2']\ndesign_grade_percent = 2.0\n%s\n",
        "design_elevation = 4.0",
        "",
        "sections.s.design_grade_percent",
    ),
    (
        "[earthworks.e]\nfeature = 'landing'\ndesign_elevation = 4.0\nfall_azimuth = 90.0\n%s\n",
        "fall_percent = 2.0",
        "",
        "earthworks.e.fall_azimuth",
    ),
    (
        DESIGN + "fall_azimuth = 90.0\n%s\n",
        "fall_percent = 2.0",
        "",
        "designs.d.pads.p.fall_azimuth",
    ),
    (
        "[grades.lines.g]\nmarks = ['A1', 'A2']\nwidth = 1.5\n%s\n",
        "",
        "edges = ['landing', 'landing']",
        "grades.lines.g.width",
    ),
    (
        "[prices]\ncurrency = 'EUR'\n%s\n",
        "[prices.codes.setts]\nrate = 9.0",
        "",
        "prices.currency",
    ),
    ("[prices.cut]\nrate = 9.0\n%s\n", DESIGN, "", "prices.cut"),
]


@pytest.mark.parametrize(("text", "whole", "lacking", "key"), CASES, ids=[c[3] for c in CASES])
def test_a_key_is_idle_without_what_it_needs(
    text: str, whole: str, lacking: str, key: str, tmp_path: Path
) -> None:
    assert idle(tmp_path, text % whole) == []
    wrong = text % lacking
    above = (SITE + wrong).splitlines()
    last = key.rsplit(".", 1)[1]
    line = next(n for n, t in enumerate(above, 1) if t.startswith((f"{last} =", f"[{key}]")))
    assert idle(tmp_path, wrong) == [(key, line)]


def test_a_default_that_is_written_out_is_no_idle_key(tmp_path: Path) -> None:
    more = (
        "[codes.a]\ngeometry = 'line'\npaved = false\nbuilding = false\ndwelling = false\n"
        "coverage_unit = ''\n[drainage]\nconfidence_runs = 0\nseed = 2\n[prices]\ncurrency = ''\n"
        "rounding = 0.01\n[sections.s]\nmarks = ['A1', 'A2']\ndesign_grade_percent = 0.0\n"
    )
    assert idle(tmp_path, more) == []


def test_what_is_written_on_no_line_is_no_key(tmp_path: Path) -> None:
    assert idle(tmp_path, "") == []
    site = SITE.replace(
        "northing = 5276100.0\n", "northing = 5276100.0\nsigma_elevation = 0.1\n", 1
    )
    found = read_survey(write(tmp_path, BOOK, site)).findings
    assert "anchor.marks.B1.sigma_elevation has no effect: it needs elevation." in [
        f.text for f in found
    ]


def test_seconds_need_a_clock(tmp_path: Path) -> None:
    device = '[survey.device]\nclass = "good"\nwalk_per_second = 0.01\n'
    assert [key for key, _ in idle(tmp_path, device)] == ["survey.device.walk_per_second"]
    head, *rows = BOOK.splitlines()
    timed = "\n".join([head + ",time", *(f"{row},{9 * n}" for n, row in enumerate(rows))])
    found = read_survey(write(tmp_path, timed, SITE + device)).findings
    assert "key-idle" not in {f.code for f in found}
