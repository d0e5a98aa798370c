"""Sections as drawings: true along, enlarged upwards by the number that is written."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from package_cases import HOSTILE, ferry_landing, ground

from geosite.analysis.sections import Profile
from geosite.base.estimate import Estimate
from geosite.drawing.sheet import Shape, Sheet, Text
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Handover
from geosite.handover.plan.profile import (
    Heights,
    Section,
    draw_profile,
    write_sections,
)
from geosite.handover.wording.measures import Measures

AT = np.array([0.0, 5.0, 12.0, 20.0, 24.0])
UP = np.array([402.4, 402.3, 402.44, 402.04, 402.04])
LABELS = ("S1", "S2", "", "S4", "S5")


def section(**changes: object) -> Section:
    usual = Section("north", AT, UP, np.full(5, 1.96 * 0.02), LABELS)
    return dataclasses.replace(usual, **changes)  # type: ignore[arg-type]


def drawn_line(sheet: Sheet) -> np.ndarray:
    ground_group = next(g for g in sheet.groups if g.name == "ground")
    (line,) = (
        item.outlines[0].pieces[0]
        for item in ground_group.items
        if not isinstance(item, Text) and item.stroke and item.stroke.width_mm == 0.6
    )
    assert isinstance(line, np.ndarray)
    return line


def words(sheet: Sheet) -> list[str]:
    return [t.text for g in sheet.groups for t in g.items if isinstance(t, Text)]


@pytest.mark.parametrize("scale", [0.1, 1.0, 40.0, 900.0])
def test_lengths_and_heights_have_the_scales_they_say(scale: float) -> None:
    sheet = draw_profile(section(chainage=AT * scale), Measures("m"))
    line = drawn_line(sheet)
    told = next(t for t in words(sheet) if "heights" in t)
    found = re.fullmatch(r"1:([\d.]+), heights 1:[\d.]+(?: \(([\d.]+) times\))?", told)
    assert found
    along, higher = float(found[1]), float(found[2] or 1)
    assert np.diff(line[:, 0]) == pytest.approx(np.diff(AT * scale) * 1000 / along, abs=1e-6)
    assert -np.diff(line[:, 1]) == pytest.approx(np.diff(UP) * 1000 * higher / along, abs=1e-6)
    window = sheet.window
    assert (line[:, 0] > window.x).all()
    assert (line[:, 0] < window.right).all()
    assert (line[:, 1] > window.y).all()
    assert (line[:, 1] < window.bottom).all()


def test_grades_are_told_from_mark_to_mark_with_their_way() -> None:
    told = words(draw_profile(section(), Measures("m")))
    # 0.1 m down on 5 m; 0.14 m up on 7 m to the highest place, 0.4 m down on 8 m; level
    assert "→ 2.0" in told
    assert "← 2.0" in told
    assert "→ 5.0" in told
    # level at 95 %: 0.0392 m at either end make 1.4 % on 4 m
    assert {"0.0 +/- 1.4", "0.0"} & set(told)
    rising = words(draw_profile(section(elevation=UP[::-1].copy()), Measures("m")))
    assert any(t.startswith("←") for t in rising)


def test_the_band_holds_95_percent_and_is_left_out_when_nothing_is_known() -> None:
    sheet = draw_profile(section(), Measures("m"))
    (band,) = (
        item.outlines[0].pieces[0]
        for g in sheet.groups
        if g.name == "ground"
        for item in g.items
        if not isinstance(item, Text) and item.fill
    )
    assert isinstance(band, np.ndarray)
    line = drawn_line(sheet)
    per_metre = (line[1, 1] - line[0, 1]) / (UP[0] - UP[1])
    assert band[-1, 1] - band[0, 1] == pytest.approx(2 * 1.96 * 0.02 * per_metre, rel=1e-3)
    bare = draw_profile(section(half_width=np.full(5, np.nan)), Measures("m"))
    assert not any("95 %" in t for t in words(bare))


def test_ground_that_was_not_measured_has_no_band_and_no_solid_line() -> None:
    under = np.full(5, 1.96 * 0.02)
    under[2] = np.nan
    sheet = draw_profile(section(half_width=under), Measures("m"))
    shapes = [
        item
        for group in sheet.groups
        if group.name == "ground"
        for item in group.items
        if isinstance(item, Shape)
    ]
    bands = [item for item in shapes if item.fill]
    dashed = [item for item in shapes if item.stroke is not None and item.stroke.dash_mm]
    solid = [item for item in shapes if item.stroke is not None and not item.stroke.dash_mm]
    # two stations at either side, and a dashed line over the three round the gap
    assert [len(outline.pieces[0]) for item in bands for outline in item.outlines] == [4, 4]
    assert [len(outline.pieces[0]) for item in solid for outline in item.outlines] == [2, 2]
    assert [len(outline.pieces[0]) for item in dashed for outline in item.outlines] == [3]
    assert "not measured" in words(sheet)
    assert "not measured" not in words(draw_profile(section(), Measures("m")))


def test_what_was_not_measured_has_no_elevation_and_no_grade() -> None:
    under = np.full(5, 1.96 * 0.02)
    under[2] = np.inf
    told = words(draw_profile(section(half_width=under), Measures("m")))
    assert "402.44" not in told  # the highest place, where nothing was measured
    assert "402.30" in told
    assert "12.00" in told  # its distance stays
    assert "high" not in told
    assert "high" in words(draw_profile(section(), Measures("m")))
    # only from 0 to 5 m and from 20 to 24 m
    assert [t for t in told if t.startswith(("→", "←"))] == ["→ 2.0"]


def test_a_grade_whose_interval_holds_level_has_no_arrow() -> None:
    """By hand: 0.1 m on 5 m are 2.0 %; two ends good to 0.1 m make 2.8 % of it."""
    loose = section(half_width=np.full(5, 0.1))
    told = words(draw_profile(loose, Measures("m")))
    assert "→ 2.0" not in told
    assert any(t in ("2.0", "2.0 +/- 2.8") for t in told)
    # where the grade between the marks is known better than both elevations, it has one
    sure = section(half_width=np.full(5, 0.1), grade_half=np.full(4, 0.005))
    assert "→ 2.0" in words(draw_profile(sure, Measures("m")))


def test_a_design_line_is_drawn_where_it_is_known() -> None:
    design = np.array([np.nan, 402.5, 402.4, 402.3, np.nan])
    sheet = draw_profile(section(design=design), Measures("m"))
    assert "design" in words(sheet)
    assert "design" not in words(draw_profile(section(), Measures("m")))


def test_a_level_or_endless_section_is_drawn_too() -> None:
    level = draw_profile(
        section(elevation=np.full(5, 402.0), half_width=np.zeros(5)), Measures("m")
    )
    assert np.ptp(drawn_line(level)[:, 1]) == 0
    crowd = np.linspace(0, 60, 4000)
    many = Section("x", crowd, ground(20.0, crowd), np.full(4000, 0.01), ["P"] * 4000)
    texts = words(draw_profile(many, Measures("ft")))
    assert texts.count("P") < 35  # one column per 8 mm at most


def test_the_drawing_is_well_formed_for_any_name() -> None:
    for name in HOSTILE:
        drawn = draw_profile(section(name=name, labels=[name] * 5), Measures("m"))
        text = svg(drawn)
        ElementTree.fromstring(text.encode("utf-8"))
        assert "<script" not in text


def test_every_section_is_written(tmp_path: Path) -> None:
    grade = np.diff(UP) / np.diff(AT)
    climbs = Estimate(1.0, 0.9, 1.1)
    profiles = tuple(
        Profile(
            name,
            tuple(LABELS),
            AT,
            np.column_stack([AT, AT]),
            climbs,
            tuple(Estimate.normal(z, 0.02, 1.96) for z in UP),
            tuple(Estimate.normal(g, 0.003, 1.96) for g in grade),
            climbs,
            climbs,
        )
        for name in ("../../etc", "b")
    )
    package = dataclasses.replace(ferry_landing(), profiles=profiles)
    written = write_sections(tmp_path, package, Handover())
    assert [p.name for p in written] == [
        "section_1.pdf", "section_1.svg", "section_2.pdf", "section_2.svg",
    ]  # fmt: skip
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in written)
    assert write_sections(tmp_path, ferry_landing(), Handover()) == ()


def test_the_datum_is_a_round_elevation_below_everything_and_is_the_lower_edge() -> None:
    for unit in ("m", "ft"):
        heights = Heights(unit, 1.0 if unit == "m" else 0.3048, "invented datum")
        sheet = draw_profile(section(), Measures(unit), heights=heights)
        (told,) = [t for t in words(sheet) if t.startswith("Datum ")]
        datum_m = float(told.removeprefix("Datum ")) * heights.unit_m
        line = drawn_line(sheet)
        per_metre = (line[0, 1] - line[3, 1]) / (UP[3] - UP[0])
        assert sheet.window.bottom - line[0, 1] == pytest.approx(
            (UP[0] - datum_m) * per_metre, abs=0.02
        )
        assert any(f"Elevation, {unit}" == t for t in words(sheet))
        assert "invented datum" in " ".join(words(sheet))


def test_both_ends_bear_the_letter_that_the_plan_has() -> None:
    told = words(draw_profile(section(letter="B", name="house_to_lake"), Measures("m")))
    assert "Section B-B', house to lake" in told
    assert {"B", "B'"} <= set(told)


def test_the_lowest_place_between_the_marks_has_a_column_of_its_own() -> None:
    up = np.array([402.4, 402.3, 401.9, 402.1, 402.3])
    told = words(draw_profile(section(elevation=up), Measures("m")))
    assert {"low", "401.90"} <= set(told)
    # to the low point it falls, from it it rises
    assert "→ 5.7" in told
    assert any(t.startswith("←") for t in told)


def test_low_and_high_points_bear_their_elevation_and_the_ends_their_marks() -> None:
    up = np.array([402.4, 402.1, 402.3, 402.35, 402.05])
    drawn = draw_profile(section(elevation=up), Measures("m"))
    (ground,) = (g for g in drawn.groups if g.name == "ground")
    said = [item.text for item in ground.items if isinstance(item, Text)]
    assert said == ["402.10", "402.35"]
    assert any("From " in text for text in words(drawn))
