"""Profiles of receivers, held against folders that lack one thing at a time."""

from __future__ import annotations

import json
import sqlite3
import xml.etree.ElementTree as ET
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from cli_runner import geosite

from geosite.base.errors import InputError
from geosite.handover.submission.check import missing
from geosite.handover.submission.profile import Profile, built_in, read_profile

SAMPLE = Path(__file__).parents[2] / "sample_data" / "jetty_feet"
GIVEN = """
[submission]
organisation = "Invented Works"
email = "works@example.org"
issued = 2026-04-20
keywords = ["yard", "drainage"]
conditions = "CC0-1.0"
public_access = "none"
identifier = "urn:example:jetty"
"""


def built(folder: Path, more: str = "") -> Path:
    site = folder / "yard"
    site.mkdir()
    for name in ("site.toml", "field_book.csv"):
        (site / name).write_bytes((SAMPLE / name).read_bytes())
    (site / "site.toml").write_text((site / "site.toml").read_text("utf-8") + more, "utf-8")
    assert geosite("build", site / "site.toml", "--out", folder / "map").status == 0
    return folder / "map"


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("full"), GIVEN)


def test_a_submission_that_states_everything_meets_the_built_in_profile(full: Path) -> None:
    assert missing(full, read_profile("discovery")) == ()
    told = geosite("verify", full, "--profile", "discovery")
    assert (told.status, "requires" in told.out) == (0, True)


@pytest.mark.slow
def test_what_is_not_stated_is_named_with_the_place_to_state_it(tmp_path: Path) -> None:
    told = geosite("verify", built(tmp_path), "--profile", "discovery")
    assert told.status == 2
    for element, state in (
        ("Responsible organisation (9)", "[submission] organisation"),
        ("Unique resource identifier (1.5)", "[submission] identifier"),
        ("Limitations on public access (8.2)", "[submission] public_access"),
    ):
        (line,) = [row for row in told.err.splitlines() if element in row]
        assert "metadata.xml" in line
        assert state in line


@pytest.mark.slow
def test_each_element_of_the_profile_is_missed_when_it_is_taken_out(full: Path) -> None:
    """No path of the profile may be one that finds something in every record."""
    profile = read_profile("discovery")
    record = full / "metadata.xml"
    names = {"gmd": "http://www.isotc211.org/2005/gmd", "gco": "http://www.isotc211.org/2005/gco"}
    whole = record.read_bytes()
    try:
        for element in profile.elements:
            root = ET.fromstring(whole)
            for way in element.path.split("|"):
                for found in list(root.iterfind(way, names)):
                    for inner in found.iter():
                        inner.text = None
            record.write_bytes(ET.tostring(root))
            codes = [p.what for p in missing(full, profile)]
            assert f"{element.name} is missing" in codes
    finally:
        record.write_bytes(whole)


def test_files_layers_columns_systems_and_accuracy_are_held_against_the_profile(
    full: Path,
) -> None:
    profile = msgspec.convert(
        {
            "title": "Invented town",
            "files": ["plan.pdf", "*.shp"],
            "crs": ["EPSG:2263"],
            "layers": {
                "points": {"geometry": "POLYGON", "columns": ["point", "owner"]},
                "hedges": {},
            },
            "accuracy": {"horizontal_95_m": 1e-6},
        },
        Profile,
    )
    found = missing(full, profile)
    assert [p.code for p in found] == [
        "profile-file",
        "profile-geometry",
        "profile-column",
        "profile-layer",
        "profile-crs",
        "profile-accuracy",
    ]
    assert "*.shp" in found[0].what
    about = json.loads((full / "MANIFEST.json").read_bytes())
    assert about["crs"] in str(found[-2]) or about["crs"] in str(found[-1])


def test_a_record_or_a_database_that_is_damaged_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "metadata.xml").write_bytes(b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>')
    (tmp_path / "site.gpkg").write_bytes(b"SQLite format 3\0 no")
    found = missing(tmp_path, read_profile("discovery"))
    assert {"profile-record", "profile-package", "profile-file"} == {p.code for p in found}


@pytest.mark.slow
def test_an_endless_view_does_not_hold_the_check_up(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    with closing(sqlite3.connect(path)) as made:
        made.execute(
            "CREATE VIEW gpkg_geometry_columns AS WITH RECURSIVE a(table_name) AS"
            " (SELECT 1 UNION ALL SELECT table_name + 1 FROM a)"
            " SELECT table_name, 'POINT' AS geometry_type_name FROM a"
        )
        made.commit()
    found = missing(tmp_path, read_profile("discovery"))
    assert "profile-package" in {p.code for p in found}


@pytest.mark.parametrize(
    ("text", "says"),
    [("title = 3", "title"), ("title = ", "inside a value"), ('title = "a"\nfiels = []', "fiels")],
)
def test_a_profile_that_is_not_understood_is_told(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "town.toml").write_text(text)
    with pytest.raises(InputError, match="profile") as caught:
        read_profile("town.toml", tmp_path)
    assert says in str(caught.value)


def test_an_unknown_name_is_answered_with_the_known_ones() -> None:
    assert built_in() == ("discovery",)
    with pytest.raises(InputError, match='did you mean "discovery"'):
        read_profile("discovry")


def test_a_profile_is_told_in_our_words_with_its_line(tmp_path: Path) -> None:
    text = 'title = "a"\nfiels = []\n\n[accuracy]\nhorizontal_95_m = "far"\nvertical_95_m = nan\n'
    (tmp_path / "town.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_profile("town.toml", tmp_path)
    told = {problem.line: str(problem) for problem in caught.value.problems}
    assert 'unknown key "fiels" in the profile' in told[2]
    assert 'accuracy.horizontal_95_m is "far"; expected a number' in told[5]
    assert "accuracy.vertical_95_m is nan" in told[6]
    (tmp_path / "town.toml").write_text(f'title = "a"\n[accuracy]\nhorizontal_95_m = {10**400}\n')
    with pytest.raises(InputError, match=r"town\.toml:3: accuracy\.horizontal_95_m is a huge"):
        read_profile("town.toml", tmp_path)
    (tmp_path / "town.toml").write_text('title = "a"\n[accuracy]\nhorizontal_95_m = inf\n')
    with pytest.raises(InputError, match=r"town\.toml:3: accuracy\.horizontal_95_m is inf;"):
        read_profile("town.toml", tmp_path)
    (tmp_path / "town.toml").write_text("files = []\n")
    with pytest.raises(InputError, match=r"the profile has no key title; .*; add title ="):
        read_profile("town.toml", tmp_path)


def test_a_profile_that_is_not_there_is_told_at_the_key_that_names_it(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    given = (SAMPLE / "site.toml").read_text("utf-8") + '\n[submission]\nprofile = "town.toml"\n'
    site.write_text(given, "utf-8")
    (tmp_path / "field_book.csv").write_bytes((SAMPLE / "field_book.csv").read_bytes())
    told = geosite("check", site)
    assert (told.status, told.err.count("\n")) == (2, 1)
    line = given.count("\n")
    assert told.err.startswith(f'{site}:{line}: the profile "{tmp_path / "town.toml"}" does not')


def test_a_scale_that_cannot_be_drawn_is_told_at_its_line(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    (tmp_path / "field_book.csv").write_bytes((SAMPLE / "field_book.csv").read_bytes())
    given = (SAMPLE / "site.toml").read_text("utf-8")
    for scale in (1, 1_000_000_000):
        text = given.replace("[handover]\n", f"[handover]\nscale = {scale}\n")
        site.write_text(text, "utf-8")
        line = text[: text.index("scale =")].count("\n") + 1
        for call in (("check", site), ("build", site, "--out", tmp_path / "map")):
            told = geosite(*call)
            assert (told.status, told.err.count("\n")) == (4, 1)
            assert told.err.startswith(f"{site}:{line}: ")
