"""The house stays in order: units at the edges, modules that do one thing, tests from outside."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
KERNELS = ("network", "linework", "terrain", "analysis")

MAP_UNITS = {
    "geosite/linework/on_map.py": "brings geometries to the map",
    "geosite/network/control/anchor.py": "reads coordinates that the site file gives in map units",
    "geosite/network/report.py": "says in which unit elevations are written",
    "geosite/analysis/design_ground/requested.py": "reads designs, which are in map units",
    "geosite/analysis/takeoff/draped.py": "takes a raster in map units",
    "geosite/analysis/setting_out/fits_site.py": "reads and writes places of a design in map units",
    "geosite/analysis/setting_out/compute.py": "writes coordinates in the unit of the walk",
    "geosite/analysis/setting_out/joint_network.py": "reads places of a design in map units",
    "geosite/analysis/setting_out/model.py": "carries the unit of the walk to the page",
    "geosite/analysis/setting_out/targets.py": "reads a design, which is in map units",
    "geosite/analysis/change/ground.py": "reads a raster in map units",
    "geosite/analysis/answers.py": "hands the unit of the walk to sections",
    "geosite/analysis/volumes/requested.py": "takes a design's elevation in units of elevations",
    "geosite/analysis/volumes/design_surfaces.py": "reads designs, which are in map units",
    "geosite/analysis/sections.py": "takes the elevation of a design in units of the elevations",
    "geosite/analysis/stated_elevations.py": "reads elevations in their own unit",
    "geosite/analysis/setting_out/wording.py": "tells lengths in the unit of the walk",
    "geosite/analysis/access/turns.py": "makes distances round in the unit of the walk",
    "geosite/terrain/site.py": "the contour interval is asked for in units of the elevations",
    "geosite/terrain/site_ground.py": "lays the raster on whole cells of the map",
    "geosite/terrain/contour_wording.py": "tells elevations in their own unit",
    "geosite/terrain/wording.py": "tells elevations in their own unit",
}
"""Modules of the kernels that know map units, and why."""

LONG = {
    "geosite/fieldbook/sitefile.py": "the tables of the site file, a struct each",
    "geosite/handover/layers/grades.py:columns": "a table",
    "geosite/handover/layers/points.py:columns": "a table",
    "geosite/handover/layers/quantities.py:columns": "a table",
    "geosite/handover/layers/rasters.py:ground_rasters": "a table",
}
"""Functions of more than 70 lines and modules of more than 500, and why."""


def modules() -> Iterator[tuple[str, str]]:
    for folder in ("geosite", "cli"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            yield path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")


def functions(text: str) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def lines_of_code(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Count the lines of a function without its docstring."""
    first = node.body[0]
    told = first.end_lineno - first.lineno + 1 if ast.get_docstring(node) else 0  # type: ignore[operator]
    return node.end_lineno - node.lineno + 1 - told  # type: ignore[operator]


def test_kernels_work_in_metres() -> None:
    unit = re.compile(r"\b(height_unit_m|ground_unit_m|height_unit_name|unit_m)\b")
    found = {
        name
        for name, text in modules()
        if name.startswith(tuple(f"geosite/{room}/" for room in KERNELS)) and unit.search(text)
    }
    assert found <= set(MAP_UNITS)


def test_functions_do_one_thing() -> None:
    long = {
        f"{name}:{node.name}"
        for name, text in modules()
        for node in functions(text)
        if lines_of_code(node) > 70
    }
    assert long <= set(LONG)


def test_calls_can_be_read() -> None:
    many = {
        f"{name}:{node.name}"
        for name, text in modules()
        for node in functions(text)
        if len(node.args.posonlyargs + node.args.args + node.args.kwonlyargs) > 8
    }
    assert many == set()


def test_modules_are_read_in_one_go() -> None:
    long = {name for name, text in modules() if text.count("\n") > 500}
    assert long <= set(LONG)


def test_tests_stand_outside() -> None:
    private = set()
    for path in sorted((ROOT / "tests").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith(
                "geosite"
            ):
                continue
            if any(re.match(r"_[a-zA-Z]", a.name) for a in node.names):
                private.add(path.relative_to(ROOT).as_posix())
    assert private == set()


def test_an_empty_room_file_says_what_the_room_is() -> None:
    for path in (ROOT / "geosite").rglob("__init__.py"):
        assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))), path


def test_the_glossary_speaks_the_words_of_the_code() -> None:
    code = " ".join(text for name, text in modules() if name.startswith("geosite/"))
    code = re.sub(r"[\s_-]+", " ", code.lower())
    book = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = book.split("\n## Glossary\n")[1].split("\n## ")[0]
    rows = [line.split("|")[1] for line in table.splitlines() if line.startswith("| ")]
    terms = [term.strip() for row in rows[2:] for term in row.split(",")]
    assert len(terms) > 60
    missing = [term for term in terms if re.sub(r"[\s-]+", " ", term.lower()) not in code]
    assert missing == []
