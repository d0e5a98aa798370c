"""Every PDF that leaves, by independent programs: whole, fonts inside, no glyph missing, true size.

The programs come from the system's packages; where one is not there its test is skipped with a
word.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import package_cases
import pypdf
import pytest

from geosite.drawing.pdf import pdf
from geosite.fieldbook.sitefile import Handover
from geosite.handover.plan.layout import SHEETS
from geosite.handover.plan.sheet import draw_plan

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def papers(built_landing: Path, built_jetty: Path) -> list[Path]:
    """All PDF files of the landing and of the jetty."""
    found = [*sorted(built_landing.rglob("*.pdf")), *sorted(built_jetty.rglob("*.pdf"))]
    assert {p.name for p in found} >= {
        *("plan.pdf", "survey_report.pdf", "takeoff.pdf", "section_1.pdf"),
    }
    return found


def said_by(*command: str | Path) -> str:
    """Run a checker; its words, of which none may be a warning."""
    if shutil.which(str(command[0])) is None:
        pytest.skip(f"{command[0]} is not installed")
    ran = subprocess.run([*map(str, command)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout + ran.stderr


def test_the_structure_is_sound(papers: list[Path]) -> None:
    for paper in papers:
        assert "No syntax or stream encoding errors found" in said_by("qpdf", "--check", paper)


def test_an_interpreter_draws_them_without_a_word(papers: list[Path]) -> None:
    for paper in papers:
        quiet = ("-q", "-dNOPAUSE", "-dBATCH", "-sDEVICE=nullpage", "-dPDFSTOPONWARNING")
        assert said_by("gs", *quiet, paper) == ""


def test_another_renderer_draws_them_without_a_word(papers: list[Path]) -> None:
    for paper in papers:
        told = said_by("mutool", "draw", "-q", "-F", "trace", "-o", "/dev/null", paper)
        told = told.replace("warning: ICC support is not available\n", "")  # of its own build
        assert "warning" not in told
        assert "error" not in told


def test_every_font_is_embedded_in_part_and_reads_back(papers: list[Path]) -> None:
    for paper in papers:
        lines = said_by("pdffonts", paper).splitlines()[2:]
        assert lines
        for line in lines:
            # name, type, encoding, emb, sub, uni, object
            assert re.search(r"\byes\s+yes\s+yes\s+\d+\s+\d+$", line), (paper.name, line)


def test_no_glyph_is_missing(papers: list[Path]) -> None:
    # glyph 0 is the box that stands for what a font lacks
    for paper in papers:
        told = said_by("mutool", "draw", "-q", "-F", "trace", paper)
        assert "<g " in told
        assert not re.search(r'glyph="(?:0|-1|\.notdef)"', told), paper.name
        assert "\ufffd" not in told


@pytest.mark.parametrize("sheet", SHEETS)
def test_lengths_on_every_sheet_are_right_to_a_tenth_of_a_millimetre(sheet: str) -> None:
    unit = "ft" if sheet.startswith("ANSI") else "m"
    drawn = draw_plan(package_cases.ferry_landing(), Handover(sheet=sheet, unit=unit))
    import io

    page = pypdf.PdfReader(io.BytesIO(pdf(drawn))).pages[0]
    size = sorted(float(v) * 25.4 / 72 for v in page.mediabox[2:])
    assert size == pytest.approx(sorted(SHEETS[sheet]), abs=0.1)
    # the length of the map's frame in the file, against the ground length it shows at the scale
    content = page.get_contents()
    assert content is not None
    text = content.get_data().decode("ascii")
    x, y, width, height = map(
        float, re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) ([\d.]+) re W n", text)[0]
    )
    assert width * 25.4 / 72 == pytest.approx(drawn.window.width, abs=0.1)
    assert height * 25.4 / 72 == pytest.approx(drawn.window.height, abs=0.1)
    assert (x + width) * 25.4 / 72 <= drawn.width
    assert (y + height) * 25.4 / 72 <= drawn.height
    # a ruler laid on the slipway's sides, 9.02 m and more, finds them
    slipway = next(f for f in package_cases.features() if f.kind == "area")
    piece = next(p for p in slipway.pieces if p.kind == "line")
    frame = package_cases.frame()
    ground = float(((piece.vertices[1] - piece.vertices[0])[:2] ** 2).sum()) ** 0.5
    ground /= frame.combined_factor
    told = [
        outline.pieces
        for group in drawn.groups
        if group.name == "outlines"
        for shape in group.items
        for outline in getattr(shape, "outlines", ())
    ]
    lengths = [
        float((((p[1] - p[0])[:2]) ** 2).sum()) ** 0.5
        for pieces in told
        for p in pieces
        if hasattr(p, "shape") and len(p) >= 2
    ]
    wanted = ground * 1000 / drawn.scale
    assert min(abs(length - wanted) for length in lengths) < 0.1
