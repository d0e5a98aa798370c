"""The manifest: what was sent, and whether it arrived whole."""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from pathlib import Path
from typing import Any

import package_cases
import pytest

from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.manifest import verify, write_manifest, write_zip
from geosite.handover.folder.write import write_package

QUICK = Handover(plan=False, viewer=False, dxf=False, geojson=False, archive=True)
FILES = [("a.txt", "first"), ("styles/b.sld", "second")]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "styles").mkdir()
    (tmp_path / "a.txt").write_bytes(b"one")
    (tmp_path / "styles" / "b.sld").write_bytes(b"two")
    write_zip(tmp_path, {"title": "t"}, FILES, "2026-04-12")
    write_manifest(tmp_path, {"title": "t"}, [*FILES, ("handover.zip", "all")])
    return tmp_path


def codes(place: Path) -> list[str]:
    return [problem.code for problem in verify(place)]


def refused(place: Path) -> str:
    with pytest.raises(InputError) as caught:
        verify(place)
    assert "\n" not in str(caught.value)
    return caught.value.problems[0].code


def relist(folder: Path, content: Any) -> None:
    (folder / "MANIFEST.json").write_text(json.dumps(content))


def test_it_lists_purpose_size_and_digest(folder: Path) -> None:
    read = json.loads((folder / "MANIFEST.json").read_bytes())
    assert read["title"] == "t"
    assert read["files"][0] == {
        "file": "a.txt",
        "purpose": "first",
        "size": 3,
        "sha256": hashlib.sha256(b"one").hexdigest(),
    }
    assert [entry["file"] for entry in read["files"]] == ["a.txt", "styles/b.sld", "handover.zip"]


def test_whole_hand_overs_have_no_problem(folder: Path) -> None:
    assert verify(folder) == ()
    assert verify(folder / "handover.zip") == ()


def test_files_that_are_not_listed_do_not_matter(folder: Path) -> None:
    (folder / "mine.txt").write_text("mine")
    assert verify(folder) == ()


def test_every_problem_is_told(folder: Path) -> None:
    (folder / "a.txt").unlink()
    (folder / "styles" / "b.sld").write_bytes(b"tw0")
    assert codes(folder) == ["file-missing", "file-changed"]
    (folder / "styles" / "b.sld").write_bytes(b"t")
    assert codes(folder) == ["file-missing", "file-size"]
    shown = str(verify(folder)[1])
    assert shown.startswith(str(folder / "styles/b.sld"))
    assert "has 1 bytes; expected 3 bytes as sent" in shown


def test_a_link_is_not_the_file(folder: Path) -> None:
    target = folder.parent / "elsewhere"
    target.write_bytes(b"one")
    (folder / "a.txt").unlink()
    os.symlink(target, folder / "a.txt")
    assert codes(folder) == ["file-missing"]


@pytest.mark.parametrize("name", ["../x", "/etc/hostname", "a/../../x", "..\\x", "a\0b", ""])
def test_a_manifest_cannot_point_outside(folder: Path, name: str) -> None:
    entry = {"file": name, "purpose": "", "size": 1, "sha256": "0"}
    relist(folder, {"files": [entry]})
    assert codes(folder) == ["manifest-path"]


@pytest.mark.parametrize(
    "content",
    [
        [],
        {},
        {"files": 1},
        {"files": [1]},
        {"files": [{}]},
        {"files": [{"file": 1, "purpose": "", "size": 1, "sha256": ""}]},
        {"files": [{"file": "a", "purpose": "", "size": True, "sha256": ""}]},
    ],
)
def test_what_is_no_manifest_is_said(folder: Path, content: Any) -> None:
    relist(folder, content)
    assert refused(folder) == "manifest-not-valid"


def test_what_cannot_be_read_is_said(folder: Path, tmp_path: Path) -> None:
    (folder / "MANIFEST.json").write_bytes(b"\xff\xfe{")
    assert refused(folder) == "manifest-not-valid"
    (folder / "MANIFEST.json").write_text("[" * 100_000)
    assert refused(folder) == "manifest-not-valid"
    (folder / "MANIFEST.json").unlink()
    assert refused(folder) == "manifest-not-readable"
    assert refused(folder / "nothing") == "manifest-not-readable"
    assert refused(folder / "a.txt") == "manifest-not-readable"  # no zip file
    (folder / "MANIFEST.json").mkdir()
    assert refused(folder) == "manifest-not-readable"


def test_a_manifest_of_many_megabytes_is_not_read(folder: Path) -> None:
    with (folder / "MANIFEST.json").open("wb") as stream:
        stream.truncate(100 * 2**20)
    assert refused(folder) == "manifest-not-readable"


def test_archives_are_checked_like_folders(folder: Path) -> None:
    whole = (folder / "handover.zip").read_bytes()
    broken = folder / "broken.zip"
    with zipfile.ZipFile(folder / "handover.zip") as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    assert list(content) == ["a.txt", "styles/b.sld", "MANIFEST.json"]
    with zipfile.ZipFile(broken, "w") as archive:
        archive.writestr("a.txt", b"0ne")
        archive.writestr("MANIFEST.json", content["MANIFEST.json"])
    assert codes(broken) == ["file-changed", "file-missing"]
    with zipfile.ZipFile(broken, "w") as archive:
        archive.writestr("a.txt", b"one")
    assert refused(broken) == "manifest-not-readable"
    broken.write_bytes(whole[: len(whole) // 2])
    assert refused(broken) == "manifest-not-readable"


def test_the_archive_is_plain_and_repeats(folder: Path) -> None:
    first = (folder / "handover.zip").read_bytes()
    write_zip(folder, {"title": "t"}, FILES, "2026-04-12")
    assert (folder / "handover.zip").read_bytes() == first
    with zipfile.ZipFile(folder / "handover.zip") as archive:
        assert archive.testzip() is None
        assert {entry.date_time for entry in archive.infolist()} == {(2026, 4, 12, 0, 0, 0)}
    for date in ("", "1899-12-31", "spring"):
        write_zip(folder, {}, FILES, date)
        with zipfile.ZipFile(folder / "handover.zip") as archive:
            assert archive.infolist()[0].date_time[0] == 1980


def test_a_written_package_verifies_and_lists_every_file(tmp_path: Path) -> None:
    out = tmp_path / "out"
    written = write_package(package_cases.ferry_landing(), out, QUICK)
    assert verify(out) == ()
    assert verify(out / "handover.zip") == ()
    there = {path for path in out.rglob("*") if path.is_file()}
    assert set(written) == there
    read = json.loads((out / "MANIFEST.json").read_bytes())
    assert [out / entry["file"] for entry in read["files"]] == list(written[:-1])
    assert all(entry["purpose"] for entry in read["files"])
    assert read["crs"] == "EPSG:25832"
    names = {path.name for path in there}
    assert {"site.gpkg", "elevation.tif", "quantities.csv", "points.csv", "report.json"} <= names


@pytest.mark.slow
def test_options_leave_files_out(tmp_path: Path) -> None:
    bare = Handover(plan=False, viewer=False, dxf=False, geojson=False, points_csv=False)
    written = write_package(package_cases.ferry_landing(), tmp_path / "out", bare)
    names = {path.name for path in written}
    assert not names & {"site.dxf", "site.geojson", "points.csv", "handover.zip", "plan.pdf"}
    # what an earlier run wrote and this one does not, goes
    write_package(package_cases.ferry_landing(), tmp_path / "out", QUICK)
    assert (tmp_path / "out" / "handover.zip").exists()
    write_package(package_cases.ferry_landing(), tmp_path / "out", bare)
    assert {p.name for p in (tmp_path / "out").rglob("*") if p.is_file()} == names


@pytest.mark.parametrize("date", ["", "0001-01-01", "1979-12-31", "2107-12-31", "9999-12-31"])
def test_a_day_that_a_zip_file_cannot_hold(date: str, tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_bytes(b"one")
    write_zip(tmp_path, {"title": "t"}, FILES[:1], date)
    with zipfile.ZipFile(tmp_path / "handover.zip") as archive:
        years = {entry.date_time[0] for entry in archive.infolist()}
    assert years == {2107 if date > "2100" else 1980}
