"""What the reference, the schema and a refusal tell, beside what the reader does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from fieldbook_cases import BOOK, SITE, write
from jsonschema import Draft202012Validator

from geosite.base.errors import GeositeError
from geosite.base.problems import Problems
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.book_columns import BOOK_COLUMNS
from geosite.fieldbook.cells import Written, coordinates
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.reference import KeyEntry, json_schema, tables


def keys() -> list[tuple[str, KeyEntry]]:
    return [(table.path, key) for table in tables() for key in table.keys]


#: What is so unless somebody says no: ground, a road's crown, and the files that are handed over.
YES = {
    *(("codes.NAME", "ground"), ("designs.NAME.strips.NAME", "crowned")),
    *(("handover", name) for name in ("plan", "viewer", "dxf", "geojson", "points_csv")),
    *(("handover", name) for name in ("spreadsheet", "survey_report", "takeoff")),
}


def test_what_is_not_said_is_not_so() -> None:
    """A switch is off until it is turned on, and no key that must be given has a default."""
    assert {(path, key.name) for path, key in keys() if key.default is True} == YES
    codes = {key.name for path, key in keys() if path == "codes.NAME" and key.default is False}
    assert {"building", "barrier", "inlet", "breakline", "paved", "existing", "dwelling"} <= codes
    for path, key in keys():
        if key.required:
            assert key.default is None, (path, key.name)
        assert "NODEFAULT" not in repr(key.default)


@pytest.mark.parametrize("column", BOOK_COLUMNS, ids=lambda c: c.name)
def test_the_columns_called_needed_are_those_without_which_a_book_is_refused(
    column: object, tmp_path: Path
) -> None:
    name, needed = column.name, column.required  # type: ignore[attr-defined]
    head, *rows = BOOK.splitlines()
    # a code is that of a feature, and a segment one of its outline
    gone = {name, "code", "segment"} if name == "feature" else {name}
    kept = [i for i, one in enumerate(head.split(",")) if one not in gone]
    lines = [",".join(line.split(",")[i] for i in kept) for line in (head, *rows)]
    path = write(tmp_path, "\n".join([*lines, ""]))
    if needed:
        with pytest.raises(GeositeError, match=name):
            read_survey(path)
    else:
        assert len(read_survey(path).book) == len(rows)


@pytest.mark.parametrize(
    ("cell", "remedy"),
    [
        ("12.5 m", "remove the unit"),
        ("3'", "remove the unit"),
        ("-4ft", "remove the unit"),
        ("abc", "check the columns"),
        ("m 12", "check the columns"),
        ("12:5", "check the columns"),
        ("\u22123", "type - instead"),
        ("", "measure it"),
        ("nan", "measure it again"),
        ("1,234", "write 1.234 or 1234"),
        ("2,5", "export with decimal points"),
        ("1" * 400, "check the columns"),
    ],
)
def test_a_cell_that_is_no_number_is_told_what_to_do(cell: str, remedy: str) -> None:
    problems = Problems()
    found = coordinates("x", Written([cell, "1.5"], [2, 3], "book.csv"), 1.0, problems)
    (problem,) = problems.first()
    assert remedy in (problem.remedy or "")
    assert problem.line == 2
    assert np.isnan(found[0])
    assert found[1] == 1.5


def test_of_many_marks_some_are_named_from_the_first_to_the_last() -> None:
    rows = [f"R1,M{n:02},{n},0,0" for n in (*range(19, -1, -1), *range(20))]
    book = book_from_text(
        "\n".join(["run,point,x,y,z", *rows[:20], *(f"{r}.5" for r in rows[20:])])
    )

    def named(most: int) -> list[str]:
        return [book.marks[book.mark[row]] for row in book.first_observations(most)]

    assert named(20) == named(99) == [f"M{n:02}" for n in range(20)]
    assert named(3) == ["M00", "M10", "M19"]
    assert named(2) == ["M00", "M19"]
    # the first look at each
    assert sorted(book.first_observations(20).tolist()) == list(range(20))


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("A1x", "did you mean A1?"),
        ("Zed", "Check point Zed is not in the field book and is not used."),
    ],
)
def test_a_check_point_that_was_not_walked_is_named_with_the_likely_one(
    name: str, said: str, tmp_path: Path
) -> None:
    mark = f"\n[anchor.marks.{name}]\neasting = 1.0\nnorthing = 2.0\ncheck = true\n"
    notes = read_survey(write(tmp_path, site=SITE + mark))
    (finding,) = [f for f in notes.findings if f.code == "anchor-unseen"]
    assert said in finding.text
    assert ("is not used" in finding.text) == (name == "Zed")


def test_the_schema_takes_a_number_or_a_length_with_a_unit_and_nothing_else() -> None:
    schema = json_schema()
    taken = 0
    for name, definition in schema["$defs"].items():
        for key, rule in definition.get("properties", {}).items():
            words = [k for k in rule.get("anyOf", []) if k.get("pattern", "").endswith("|yd)$")]
            if not words:
                continue
            taken += 1
            check = Draft202012Validator({**rule, "$defs": schema["$defs"]})
            low = next((k.get("exclusiveMinimum", 0.0) for k in rule["anyOf"]), 0.0)
            assert check.is_valid(float(low) + 1.0), (name, key)
            for good in ("4 in", "0.5m", "12.25 ftUS"):
                assert check.is_valid(good), (name, key, good)
            for bad in ("4 stone", "in", [1.0], True, None):
                assert not check.is_valid(bad), (name, key, bad)
    told = {(path, key.name) for path, key in keys() if key.takes_unit}
    assert taken >= len({key for _, key in told}) > 10


@pytest.mark.parametrize(
    ("path", "name", "low", "high"),
    [
        ("anchor.marks.NAME", "latitude", -90, 90),
        ("anchor.marks.NAME", "longitude", -180, 180),
        ("anchor.azimuth", "value", -360, 360),
        ("earthworks.NAME", "fall_azimuth", 0, 360),
        ("designs.NAME.pads.NAME", "fall_azimuth", 0, 360),
    ],
)
def test_angles_are_taken_once_round_and_no_farther(
    path: str, name: str, low: int, high: int
) -> None:
    (key,) = [key for at, key in keys() if (at, key.name) == (path, name)]
    assert key.allowed == f"at least {low}, at most {high}"


def test_a_plane_of_a_design_is_level_where_nobody_says_how_it_falls() -> None:
    falls = ("fall_percent", "fall_azimuth", "cross_fall_percent")
    told = [key.default for _, key in keys() if key.name in falls]
    assert told == [0.0] * 5


@pytest.mark.parametrize("azimuth", [False, True])
def test_with_an_azimuth_one_known_mark_will_do(azimuth: bool, tmp_path: Path) -> None:
    turned = "\n[anchor.azimuth]\nvalue = 90.0\n" if azimuth else ""
    text = SITE.replace("[anchor.marks.B2]", "[anchor.marks.Far]") + turned
    path = write(tmp_path, site=text)
    if not azimuth:
        with pytest.raises(GeositeError, match="two anchor marks seen in the survey"):
            read_survey(path)
        return
    (finding,) = [f for f in read_survey(path).findings if f.code == "anchor-unseen"]
    assert finding.text.startswith("Anchor mark Far is not in the field book")
    with pytest.raises(GeositeError, match="one anchor mark seen in the survey"):
        read_survey(write(tmp_path, site=text.replace("[anchor.marks.B1]", "[anchor.marks.Away]")))
