"""The recipes of DEVELOPERS.md run, and its lines can be read."""

from __future__ import annotations

import re
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import fiona
import pytest

from geosite.fieldbook.model import Notes
from geosite.fieldbook.read import read_survey
from geosite.handover.formats.geopackage import write_geopackage
from geosite.handover.model import Package
from geosite.linework.draw import draw
from geosite.linework.model import Drawing
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.processes.model import Context

ROOT = Path(__file__).parents[1]
BOOK = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def recipe(heading: str) -> dict[str, Any]:
    """Run the code below a heading and return what it defines."""
    (section,) = re.findall(rf"^### {heading}\n(.*?)(?=^##)", BOOK, re.MULTILINE | re.DOTALL)
    (code,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    module = ModuleType(f"recipe_{heading.replace(' ', '_')}")
    sys.modules[module.__name__] = module  # where its dataclasses look their types up
    exec(compile(code, f"DEVELOPERS.md, {heading}", "exec"), module.__dict__)
    return module.__dict__


@cache
def survey() -> tuple[Notes, Network, Drawing]:
    notes = read_survey(ROOT / "sample_data" / "jetty_feet" / "site.toml")
    network = adjust(notes)
    return notes, network, draw(notes, network)


def test_a_column() -> None:
    _, _, drawing = survey()
    columns = recipe("A column")["longer"]
    lines = [f for f in drawing.features if f.kind == "line"]
    for record in columns.records(lines):
        assert record["length_ft"] == pytest.approx(record["length_m"] / 0.3048)
        assert record["length_95_ft"] == pytest.approx(record["length_95_m"] / 0.3048)


def test_a_layer(tmp_path: Path) -> None:
    _, network, drawing = survey()
    layer = recipe("A layer")["layer"](drawing, network.frame)
    write_geopackage(tmp_path / "x.gpkg", Package("x", "", network.frame, (layer,), (), ()))
    with fiona.open(tmp_path / "x.gpkg", layer="area_middles") as read:
        (found,) = read
    assert found.properties["feature"] == "deck"
    assert found.properties["area_95_m2"] > found.properties["area_sigma_m2"] > 0


def test_a_process(tmp_path: Path) -> None:
    process = recipe("A process")["PROCESS"]
    site = str(ROOT / process.example["site"])
    assert process.run({"site": site}, Context(tmp_path)) == {"observations": len(survey()[0].book)}
    assert int((tmp_path / "count.txt").read_text()) == 9


def test_a_check() -> None:
    from package_cases import features

    names = recipe("A check")
    assert names["short_lines"](features()) == ()
    (found,) = names["told"]([names["ShortLine"]("kerb", 0.02, 0.05)])
    assert found.text == "kerb is 0.02 m long, +/- 0.05 m: it may be no line at all."


def test_an_output_format(tmp_path: Path) -> None:
    from package_cases import ferry_landing

    recipe("An output format")["write_marks"](tmp_path / "marks.txt", ferry_landing())
    first = (tmp_path / "marks.txt").read_text().splitlines()[0].split()
    assert first[0] == "AC1"
    assert float(first[1]) > 512_300


def test_lines_are_no_longer_than_a_screen_is_wide() -> None:
    long = [number for number, line in enumerate(BOOK.splitlines(), 1) if len(line) > 120]
    assert not long


def test_every_heading_of_the_contents_is_there() -> None:
    headings = re.findall(r"^##+ (.+)$", BOOK, re.MULTILINE)
    anchors = {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}
    assert set(re.findall(r"\]\(#([^)]+)\)", BOOK)) <= anchors
    chapters = [h for h in re.findall(r"^## (.+)$", BOOK, re.MULTILINE) if h != "Contents"]
    assert all(f"[{chapter}](#" in BOOK for chapter in chapters)


def test_files_that_the_book_names_exist() -> None:
    named = set(re.findall(r"`((?:geosite|tests|sample_data)/[\w./]+?)/?`", BOOK)) - {"tests/"}
    missing = [n for n in named if not (ROOT / n).exists() and "NAME" not in n and "<" not in n]
    assert not missing
