"""The list of files that goes with a hand-over."""

from __future__ import annotations

import json
from fnmatch import fnmatchcase
from pathlib import Path

import package_cases
import pytest

from geosite.base.map_frame import Frame
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.manifest import unlisted, verify
from geosite.handover.folder.read_first import READ_FIRST, read_first
from geosite.handover.folder.write import write_package
from geosite.handover.model import Package


def named(text: str) -> list[str]:
    """Return the first word of every line that names a file."""
    return [line.split()[0] for line in text.splitlines() if line[:2] == "  " and line[2] != " "]


@pytest.mark.slow
def test_every_file_of_a_folder_is_named_once_and_the_list_is_proven_too(tmp_path: Path) -> None:
    out = tmp_path / "map"
    written = write_package(package_cases.ferry_landing(), out, Handover(archive=True))
    text = (out / READ_FIRST).read_bytes().decode("utf-8")
    assert text.count("\r\n") == text.count("\n")  # any editor
    names = named(text)
    assert len(names) == len(set(names))
    for path in written:
        name = path.relative_to(out).as_posix()
        hits = [n for n in names if name == n or fnmatchcase(name, f"{n}*" if n[-1] == "/" else n)]
        assert len(hits) == (name != READ_FIRST), name
    manifest = json.loads((out / "MANIFEST.json").read_bytes())
    assert manifest["files"][0]["file"] == READ_FIRST
    assert written[0].name == READ_FIRST
    assert verify(out) == () == unlisted(out)
    assert verify(out / "handover.zip") == ()
    (out / READ_FIRST).write_bytes(b"")
    assert [problem.code for problem in verify(out)] == ["file-size"]


def test_it_is_ordered_by_who_reads() -> None:
    files = ["report.json", "edges.csv", "a.tif", "survey_report.pdf", "plan.pdf", "takeoff.pdf"]
    text = read_first(Package("Yard", "", Frame()), [(name, "what it is") for name in files])
    assert named(text) == [*reversed(files), "MANIFEST.json"]
    assert text.index("Open first") < text.index("takeoff.pdf")
    assert text.index("For other programs") < text.index("report.json")


def test_hostile_names_and_titles_stay_on_their_lines() -> None:
    text = read_first(Package("a\nb\r  c", "", Frame()), [("odd.bin", "x " * 200)])
    assert text.splitlines()[0] == "a\u25a1b\u25a1  c"
    assert max(map(len, text.splitlines())) <= 92
    assert named(text) == ["odd.bin", "MANIFEST.json"]
