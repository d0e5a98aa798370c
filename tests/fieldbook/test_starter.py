"""The starter sites: they read and build, and hold every table of the site file in place."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace as replace_fields

from geosite.base.errors import InputError
from geosite.build import build
from geosite.fieldbook.model import PIECE_KINDS, Notes
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.reference import tables
from geosite.fieldbook.starter import STARTERS, everything_asked, starter_files


def put(folder: Path, files: dict[str, bytes]) -> Path:
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return folder / "site.toml"


def with_few_grounds(notes: Notes) -> Notes:
    """Let a survey ask for 10 possible grounds instead of 200."""
    drainage = replace_fields(notes.site.drainage, confidence_runs=10)
    return replace(notes, site=replace_fields(notes.site, drainage=drainage))


def test_starter_reads_without_findings(tmp_path: Path) -> None:
    notes = read_survey(put(tmp_path, starter_files()))
    assert notes.findings == ()
    book, site = notes.book, notes.site
    assert len(book.runs) == 2
    assert {site.codes[c].geometry for c in book.codes} == {"area", "line", "point"}
    assert PIECE_KINDS.index("arc") in book.kind
    assert (site.anchor.crs, site.anchor.vertical_crs) == ("EPSG:25832", "EPSG:7837")


@pytest.mark.slow
@pytest.mark.parametrize("name", STARTERS)
def test_every_starter_builds_and_its_walks_close_by_centimetres(tmp_path: Path, name: str) -> None:
    notes = read_survey(put(tmp_path, starter_files(name)))
    assert [f.code for f in notes.findings if f.level == "look"] == []
    book = notes.book
    lengths = []
    for run in range(len(book.runs)):
        for mark in ("B1", "B2"):
            at = np.flatnonzero((book.run == run) & (book.mark == book.marks.index(mark)))
            assert len(at) == 2  # left and reached again
            miss = float(np.linalg.norm(book.local[at[1]] - book.local[at[0]]))
            assert 0.001 < miss < 0.1
        start, end = (
            book.local[np.flatnonzero((book.run == run) & (book.mark == book.marks.index(n)))[0]]
            for n in ("B1", "B2")
        )
        lengths.append(float(np.hypot(*(end - start)[:2])))
    assert abs(lengths[0] - lengths[1]) < 0.05
    package = build(with_few_grounds(notes))
    assert {layer.name for layer in package.layers} >= {"points", "baseline"}
    us = name.endswith("-us")
    assert notes.site.handover.unit == ("ft" if us else "m")


@pytest.mark.slow
def test_the_same_walk_in_feet_has_the_same_areas(tmp_path: Path) -> None:
    areas = []
    for name in ("paved-yard", "paved-yard-us"):
        (tmp_path / name).mkdir()
        notes = read_survey(put(tmp_path / name, starter_files(name)))
        package = build(with_few_grounds(notes))
        (layer,) = (one for one in package.layers if one.name == "areas")
        areas.append({r["feature"]: r["area_m2"] for r in layer.records})
    assert areas[0] == pytest.approx(areas[1], rel=1e-3)


def uncommented(text: str) -> str:
    """Take the # away in front of every table that is not in use."""
    _, _, tail = text.partition("# ---- every other table")
    lines = tail.split("\n", 1)[1].splitlines()
    return "\n".join(line.removeprefix("# ") for line in lines)


@pytest.mark.parametrize("name", [n for n in STARTERS if n != "landing"])
def test_every_table_and_key_stands_in_the_starter(name: str) -> None:
    text = starter_files(name)["site.toml"].decode()
    active = tomllib.loads(text)
    spare = tomllib.loads(uncommented(text))
    for table in tables():
        if not table.keys:
            continue
        found = [tree for tree in (active, spare) if table.path.split(".")[0] in tree]
        assert found, table.heading
        part = found[0]
        for word in table.path.split("."):
            if word == "NAME":
                part = next(iter(part.values()))
            elif word in part:
                part = part[word]
            else:
                break
        else:
            if found[0] is spare:
                part = part[0] if isinstance(part, list) else part
                assert {key.name for key in table.keys} <= set(part), table.heading


@pytest.mark.slow
def test_one_that_asks_for_everything_builds(tmp_path: Path) -> None:
    package = build(read_survey(put(tmp_path, everything_asked())))
    assert {"grades", "sections", "parcels"} <= {layer.name for layer in package.layers}


def test_unknown_starter_is_refused_with_the_likely_one() -> None:
    with pytest.raises(InputError, match='did you mean "stockpile"'):
        starter_files("stokpile")


def test_starter_is_plain_text_with_unix_line_ends() -> None:
    for name in STARTERS:
        files = starter_files(name)
        assert list(files) == ["site.toml", "field_book.csv"]
        for data in files.values():
            assert data.decode("ascii").endswith("\n")
            assert b"\r" not in data
