"""Which column of an export is what, where several could be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geosite.fieldbook.cells import times
from geosite.fieldbook.imports.headers import role_of
from geosite.fieldbook.imports.importing import import_exports
from geosite.fieldbook.imports.model import Answers

WALK = [("A", 0.0, 0.0, 0.0), ("B", 25.0, 0.0, 0.2), ("C", 31.0, 17.0, 0.9), ("A", 0.0, 0.0, 0.0)]


def test_a_column_that_is_called_just_so_goes_before_one_that_means_the_same(
    tmp_path: Path,
) -> None:
    """Local coordinates beside those of a map: the field book takes x, y and z."""
    path = tmp_path / "walk.csv"
    rows = [f"{name},{512_300 + x},{5_276_100 + y},{400 + z},{x},{y},{z}" for name, x, y, z in WALK]
    path.write_text("\n".join(["point,easting,northing,elevation,x,y,z", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert {role: walked.columns[role].header for role in "xyz"} == {"x": "x", "y": "y", "z": "z"}
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]


@pytest.mark.parametrize(
    ("header", "role", "turned", "sureness"),
    [
        *(("Point", "point", False, "sure"), ("station", "point", False, "likely")),
        *(("Run", "run", False, "sure"), ("Track", "run", False, "likely")),
        *(("Easting", "x", False, "sure"), ("Ost", "x", False, "likely")),
        *(("d", "z", True, "likely"), ("s", "y", True, "likely"), ("West", "x", True, "sure")),
    ],
)
def test_a_word_of_our_own_is_surer_than_one_that_means_the_same(
    header: str, role: str, turned: bool, sureness: str
) -> None:
    assert role_of(header) == (role, turned, sureness)


def test_a_heading_over_nothing_does_not_hide_the_names_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    rows = [f",{name},{x},{y},{z}," for name, x, y, z in WALK]
    path.write_text("\n".join(["name,,x,y,z,feature", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.cells == {"point": ("A", "B", "C", "A")}


def test_clock_times_that_an_import_takes_are_read_by_a_field_book(tmp_path: Path) -> None:
    path = tmp_path / "walk.txt"
    for clock, taken in (("8:30:{0:02d}", True), ("08:3{0}", False), ("3{0}.5.2026", False)):
        rows = [f"{clock.format(n)};{name};{x};{y};{z}" for n, (name, x, y, z) in enumerate(WALK)]
        path.write_text("\n".join([*rows, ""]))
        (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
        assert ("time" in walked.columns) is taken
    spent = times(["8:30:00", "8:31:30.5", "T08:32:00", "24:99:00", ""])
    np.testing.assert_array_equal(spent - 30600, [0, 90.5, 120, np.nan, np.nan])
    # seconds of a day beside those since 1970 would be years of way
    assert np.isnan(times(["8:30:00", "2026-05-01T08:31:00"])[0])
