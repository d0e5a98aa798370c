"""Lengths of the site file with units of their own, and questions about improbable ones."""

import doctest
from pathlib import Path

import pytest
from fieldbook_cases import BOOK, SITE, faults, write

from geosite.fieldbook import written_lengths
from geosite.fieldbook.read import read_survey


def codes(path: Path) -> list[str]:
    return [f.code for f in read_survey(path).findings]


@pytest.mark.parametrize(
    ("written", "metres"),
    [('"4 in"', 0.1016), ('"0.1 m"', 0.1), ('"0.33 ft"', 0.100584), ("0.1", 0.1)],
)
def test_depth_may_carry_its_unit(tmp_path: Path, written: str, metres: float) -> None:
    notes = read_survey(write(tmp_path, BOOK, SITE + f"depth = {written}\n"))
    assert notes.site.codes["setts"].depth == pytest.approx(metres, abs=1e-12)


def test_map_lengths_are_turned_into_map_units(tmp_path: Path) -> None:
    site = SITE.replace("EPSG:25832", "EPSG:2264") + '[surface]\ncell_size = "1 m"\n'
    notes = read_survey(write(tmp_path, BOOK, site))
    assert notes.site.surface.cell_size == pytest.approx(3937 / 1200, abs=1e-9)


def test_a_foot_is_a_foot_of_the_map(tmp_path: Path) -> None:
    site = SITE.replace("EPSG:25832", "EPSG:2264") + '[surface]\ncell_size = "1 ft"\n'
    assert read_survey(write(tmp_path, BOOK, site)).site.surface.cell_size == 1.0


def test_bad_unit_is_refused_with_its_line(tmp_path: Path) -> None:
    site = SITE + 'depth = "4 stone"\n'
    assert faults(write(tmp_path, BOOK, site)) == (
        2,
        [("site.toml", site.count("\n"), "value-refused")],
    )


def test_bare_depth_in_a_survey_in_feet_is_asked_about(tmp_path: Path) -> None:
    feet = SITE.replace('file = "book.csv"', 'file = "book.csv"\nunit = "ft"')
    notes = read_survey(write(tmp_path, BOOK, feet + "depth = 0.33\n"))
    (asked,) = [f for f in notes.findings if f.code == "length-without-unit"]
    assert "1.083 ft" in asked.text
    assert asked.line == feet.count("\n") + 1
    assert "length-without-unit" not in codes(write(tmp_path, BOOK, feet + 'depth = "4 in"\n'))
    assert "length-without-unit" not in codes(write(tmp_path, BOOK, SITE + "depth = 0.33\n"))


def test_improbable_depth_is_asked_about(tmp_path: Path) -> None:
    assert "value-improbable" in codes(write(tmp_path, BOOK, SITE + "depth = 4\n"))
    assert "value-improbable" not in codes(write(tmp_path, BOOK, SITE + "depth = 0.2\n"))


def test_unit_of_the_walk_goes_to_the_handover(tmp_path: Path) -> None:
    feet = SITE.replace('file = "book.csv"', 'file = "book.csv"\nunit = "ftUS"')
    assert read_survey(write(tmp_path, BOOK, feet)).site.handover.unit == "ft"
    assert read_survey(write(tmp_path, BOOK, SITE)).site.handover.unit == "m"
    other = feet + '[handover]\nunit = "m"\n'
    assert read_survey(write(tmp_path, BOOK, other)).site.handover.unit == "m"


def test_gap_is_told_with_its_line(tmp_path: Path) -> None:
    site = SITE.replace("easting = 512310.0", 'easting = "GAP: easting of B1"')
    line = site[: site.index("GAP")].count("\n") + 1
    assert faults(write(tmp_path, BOOK, site)) == (2, [("site.toml", line, "gap")])


def test_examples() -> None:
    assert doctest.testmod(written_lengths).failed == 0


def test_an_improbable_geoid_height_says_what_it_is(tmp_path: Path) -> None:
    site = SITE.replace('crs = "EPSG:25832"', 'crs = "EPSG:25832"\ngeoid_height = 402.5')
    (asked,) = [
        f for f in read_survey(write(tmp_path, BOOK, site)).findings if f.code == "value-improbable"
    ]
    assert "not an elevation? Take it from a map of the geoid, or leave the key out." in asked.text
    assert "4 in" not in asked.text
