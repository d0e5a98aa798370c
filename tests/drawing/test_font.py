"""The reading and cutting of the packaged fonts, against fontTools."""

from __future__ import annotations

import io
from importlib.resources import files

import numpy as np
import pytest
from fontTools.ttLib import TTFont

from geosite.drawing.font import Weight, printable, typeface

WEIGHTS: tuple[Weight, ...] = ("regular", "bold")


@pytest.mark.parametrize("weight", WEIGHTS)
def test_characters_and_widths_are_the_fonts_own(weight: Weight) -> None:
    face = typeface(weight)
    path = files("geosite.drawing") / "fonts" / f"{face.name}.ttf"
    with TTFont(io.BytesIO(path.read_bytes())) as font:
        order, widths = font.getReverseGlyphMap(), font["hmtx"].metrics
        best = font.getBestCmap()
        assert {ord(c) for c in face.glyphs} == set(best)
        for code, name in best.items():
            assert face.glyphs[chr(code)] == order[name]
            wanted = widths[name][0] / font["head"].unitsPerEm
            assert face.width(chr(code)) == pytest.approx(wanted, abs=1e-12)
        head, high = font["head"], font["hhea"]
        sides = (head.xMin, head.yMin, head.xMax, head.yMax, high.ascent, high.descent)
        expected = [side / head.unitsPerEm for side in sides]
        assert [*face.box, face.ascent, face.descent] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("weight", WEIGHTS)
def test_subset_keeps_numbers_and_outlines(weight: Weight) -> None:
    face, text = typeface(weight), "Häfen 402.61 m² Łódź Ǻ"
    data = face.subset(text)
    assert len(data) < 0.3 * sum(map(len, face.tables.values()))
    path = files("geosite.drawing") / "fonts" / f"{face.name}.ttf"
    with (
        TTFont(io.BytesIO(data), checkChecksums=2) as cut,
        TTFont(io.BytesIO(path.read_bytes())) as whole,
    ):
        for c in text.replace(" ", ""):
            name, known = cut.getBestCmap()[ord(c)], whole.getBestCmap()[ord(c)]
            assert cut.getReverseGlyphMap()[name] == face.glyphs[c]
            outline = cut["glyf"][name].getCoordinates(cut["glyf"])
            # composite letters, as the accented ones, bring their parts along
            assert outline == whole["glyf"][known].getCoordinates(whole["glyf"])
        unused = cut["glyf"][cut.getBestCmap()[ord("Ж")]]
        assert unused.numberOfContours == 0


def test_fit_and_wrap_stay_within_the_limit() -> None:
    face = typeface("regular")
    text = "Water stands at inlet_west " + "x" * 90
    for limit in (4.0, 9.5, 30.0):
        assert face.width(face.fit(text, limit)) <= limit
        lines = face.wrap(text, limit)
        assert all(face.width(line) <= limit for line in lines)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert face.fit("short", 30.0) == "short"
    assert face.wrap("", 5.0) == []


def test_printable_has_no_control_and_no_direction_characters() -> None:
    shown = printable("a\x00b\u202ec\nd" + "y" * 100, 20)
    assert shown == "a□b□c□d" + "y" * 12 + "…"
    assert typeface("regular").lacks("漢")
    assert not typeface("regular").lacks("Αθήνα Київ Łódź")


def test_a_number_and_its_unit_stand_on_one_line() -> None:
    face = typeface("regular")
    text = "good to 0.25 +/- 0.21 m (95 %), 1\u202f540 ft2. mark 5 in run 7 m"
    for limit in np.linspace(9, 40, 60):
        lines = face.wrap(text, limit)
        assert " ".join(lines) == text
        assert all(face.width(line) <= limit for line in lines)
        for kept in ("0.21 m", "(95 %),", "1\u202f540 ft2.", "7 m"):
            assert any(kept in line for line in lines)
    assert face.wrap("m 5", 1.5) == ["m", "5"]


def test_a_number_without_room_for_its_unit_is_parted_from_it() -> None:
    face = typeface("regular")
    number, both = face.width("12345.67"), face.width("12345.67 m2")
    for limit in (number, (number + both) / 2, both - 1e-6):
        assert face.wrap("12345.67 m2 of it", limit)[0] == "12345.67"
    assert face.wrap("12345.67 m2 of it", both) == ["12345.67 m2", "of it"]
