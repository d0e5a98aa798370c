"""Numbers of the site file that are of another kind than the ground: asked, refused or told."""

from pathlib import Path

import pytest
from fieldbook_cases import BOOK, SITE, write

import geosite
from geosite.base.errors import Finding, InputError

SMALL = SITE + "[drainage]\nconfidence_runs = 0\n"
YARD = BOOK.replace("arc2", "line").replace("arc", "line")
LINE = SMALL.count("\n") + 2


def found(folder: Path, more: str) -> dict[str, Finding]:
    made = geosite.build_site(write(folder, YARD, SMALL + more))
    return {one.code: one for one in made.findings}


def test_cells_larger_than_the_site_are_refused_at_their_key(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        found(tmp_path, "[surface]\ncell_size = 1e9\n")
    (problem,) = error.value.problems
    assert (problem.code, problem.line) == ("cell-size-too-large", LINE)


def test_an_interval_without_any_contour_is_told(tmp_path: Path) -> None:
    told = found(tmp_path, "[surface]\ncontour_interval = 1000.0\n")["contours-none"]
    assert (told.level, told.line) == ("look", LINE)
    assert "no multiple of 1000 m lies between" in told.text
    assert "contours-none" not in found(tmp_path, "[surface]\ncontour_interval = 0.01\n")


# of the marks the highest lies at 0.1 m
@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("[sections.s]\n%s\nmarks = ['A1', 'A2']\n", "design_elevation"),
        ("[earthworks.e]\n%s\nfeature = 'landing'\n", "design_elevation"),
        ("[designs.d.pads.p]\n%s\nfeature = 'landing'\n", "elevation"),
        ("[designs.d.edges.e]\n%s\nmarks = ['A1', 'A2', 'A3']\nclosed = true\n", "elevations"),
        (
            "[designs.d.edges.e]\n%s\nmarks = ['A1', 'A2', 'A3']\nclosed = true\ngrades = [0, 0]\n",
            "start",
        ),
    ],
)
def test_an_elevation_far_from_all_marks_is_asked_about(
    table: str, key: str, tmp_path: Path
) -> None:
    def told(elevation: float) -> Finding | None:
        value = [elevation] * 3 if key == "elevations" else elevation
        return found(tmp_path, table % f"{key} = {value}").get("elevation-far")

    far = told(14.0)
    assert far is not None
    assert (far.level, far.line) == ("look", LINE)
    assert f'.{key} is "14 m"' in far.text
    assert told(9.0) is None


def test_a_check_asks_about_a_far_elevation_before_anything_is_built(tmp_path: Path) -> None:
    more = "[sections.s]\ndesign_elevation = 14.0\nmarks = ['A1', 'A2']\n"
    checked = geosite.check_survey(write(tmp_path, YARD, SMALL + more))
    assert "elevation-far" in {one["code"] for one in checked["findings"]}
