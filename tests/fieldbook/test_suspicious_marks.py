"""Marks that look like a slip, on small outlines with a known answer; nothing on plain ones."""

from pathlib import Path

import pytest
from fieldbook_cases import BASELINE, HEADER, SITE, write

from geosite.base.errors import Finding
from geosite.fieldbook.read import read_survey

YARD = [(5.2, 3.1), (42.7, 2.4), (43.5, 15.2), (44.1, 28.3), (24.6, 29.9), (4.4, 30.7)]


def look(folder: Path, places: list[tuple[float, float]]) -> list[Finding]:
    rows = "".join(f"R1,A{i},{x},{y},0,yard,setts,,\n" for i, (x, y) in enumerate(places, 1))
    path = write(folder, HEADER + BASELINE + rows, SITE)
    return [f for f in read_survey(path).findings if f.code == "mark-suspect"]


def test_a_plain_yard_has_none(tmp_path: Path) -> None:
    assert look(tmp_path, YARD) == []


def test_a_decimal_slip_is_named_with_its_line_and_the_number_that_fits(tmp_path: Path) -> None:
    slipped = [*YARD[:3], (4.41, 28.3), *YARD[4:]]
    (finding,) = look(tmp_path, slipped)
    assert finding.line == 7
    assert "Mark A4 of yard" in finding.text
    assert "x = 44.1 instead of 4.41" in finding.text


def test_a_spike_is_named(tmp_path: Path) -> None:
    (finding,) = look(tmp_path, [*YARD[:4], (24.6, 299.0), *YARD[5:]])
    assert finding.line == 8
    assert "spike" in finding.text or "instead of 299" in finding.text


def test_a_mark_seen_twice_is_left_to_the_adjustment(tmp_path: Path) -> None:
    slipped = [*YARD[:3], (4.41, 28.3), *YARD[4:]]
    rows = "".join(f"R1,A{i},{x},{y},0,yard,setts,,\n" for i, (x, y) in enumerate(slipped, 1))
    again = "R1,A4,4.4,28.2,0,,,,\n"
    path = write(tmp_path, HEADER + BASELINE + rows + again, SITE)
    assert "mark-suspect" not in [f.code for f in read_survey(path).findings]


def test_nothing_drawn_names_the_columns_that_are_not_used(tmp_path: Path) -> None:
    book = "run,point,x,y,z,Outline name\nR1,B1,0,0,0,a\nR1,B2,10,0,0,a\n"
    findings = read_survey(write(tmp_path, book)).findings
    (finding,) = [f for f in findings if f.code == "nothing-drawn"]
    assert '"Outline name"' in finding.text


@pytest.mark.parametrize(("word", "meant"), [("polygon", "area"), ("polyline", "line")])
def test_other_words_for_a_geometry_are_understood(tmp_path: Path, word: str, meant: str) -> None:
    from geosite.base.errors import InputError

    with pytest.raises(InputError, match=f'did you mean "{meant}"'):
        read_survey(write(tmp_path, site=SITE + f'geometry = "{word}"\n'))
