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


GROUND = [0.02, 0.05, 0.01, 0.07, 0.03, 0.06, 0.04, 0.08, 0.02, 0.05, 0.07, 0.03]


def heights(folder: Path, z: list[float], feature: str = "") -> list[Finding]:
    """Walk marks on a grid of 6 m with these heights, each seen once."""
    rows = "".join(
        f"R1,S{i},{3 + 6 * (i % 4)},{4 + 6 * (i // 4)},{up},{feature},,,\n"
        for i, up in enumerate(z)
    )
    path = write(folder, HEADER + BASELINE + rows, SITE)
    return [f for f in read_survey(path).findings if f.code == "mark-suspect"]


def test_marks_of_even_ground_are_not_suspected(tmp_path: Path) -> None:
    assert heights(tmp_path, GROUND) == []


def test_a_mark_five_metres_up_among_twelve_is_named_first_with_its_line(tmp_path: Path) -> None:
    (finding,) = heights(tmp_path, [*GROUND[:5], 5.06, *GROUND[6:]])
    assert finding.line == 9
    assert "Mark S5 is 5.01 m above everything round it" in finding.text


@pytest.mark.parametrize(
    ("wrong", "at", "right"), [(0.6, 5, "0.06"), (-7.0, 10, None), (8.0, 7, "0.08")]
)
def test_a_wrong_height_is_named_and_the_one_that_fits(
    tmp_path: Path, wrong: float, at: int, right: str | None
) -> None:
    (finding,) = heights(tmp_path, [*GROUND[:at], wrong, *GROUND[at + 1 :]])
    assert f"Mark S{at} " in finding.text
    if right is not None:
        assert f"z = {right} instead of {wrong:g}" in finding.text


def test_two_wrong_heights_do_not_hide_each_other(tmp_path: Path) -> None:
    found = heights(tmp_path, [GROUND[0], 5.06, *GROUND[2:10], -3.1, GROUND[11]])
    assert [f.line for f in found] == [5, 14]


def test_a_steep_bank_and_the_top_of_a_wall_are_not_suspected(tmp_path: Path) -> None:
    bank = [0.02, 0.05, 0.01, 0.07, 2.1, 2.2, 2.0, 2.1, 4.1, 4.0, 4.2, 4.1]
    assert heights(tmp_path, bank) == []
    book = HEADER + BASELINE
    for i, up in enumerate(GROUND):
        book += f"R1,S{i},{3 + 6 * (i % 4)},{4 + 6 * (i // 4)},{up},,,,\n"
    book += "R1,W1,5,7,1.9,wall,setts,,\nR1,W2,17,13,1.95,wall,setts,,\n"
    found = read_survey(write(tmp_path, book, SITE)).findings
    assert "mark-suspect" not in [f.code for f in found]


@pytest.mark.parametrize("axis", ["x", "y"])
@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_a_point_set_one_place_too_far_either_way_is_named_on_its_axis(
    tmp_path: Path, axis: str, factor: float
) -> None:
    x, y = YARD[3]
    wrong = (round(x * factor, 3), y) if axis == "x" else (x, round(y * factor, 3))
    found = look(tmp_path, [*YARD[:3], wrong, *YARD[4:]])
    was, is_now = (x, wrong[0]) if axis == "x" else (y, wrong[1])
    (named,) = [f for f in found if f.line == 7]
    assert f"{axis} = {was:g} instead of {is_now:g}" in named.text
