"""The sheet set: which sheets follow the plan; verdicts stand on them with their interval."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import package_cases
import pypdf
import pytest

from geosite.base.errors import Finding
from geosite.drawing.document import Table
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.verdicts import verdict_blocks
from geosite.handover.model import Layer, Package
from geosite.handover.plan.sheet import write_plan


def words(text: str) -> str:
    return " ".join(text.replace("\u202f", " ").replace("\xa0", " ").split())


def pages(package: Package, folder: Path, **options: Any) -> list[str]:
    write_plan(folder, package, Handover(**options))
    reader = pypdf.PdfReader(io.BytesIO((folder / "plan.pdf").read_bytes()))
    return [words(page.extract_text()) for page in reader.pages]


def layer(name: str, *records: Mapping[str, Any]) -> Layer:
    return Layer(name, name, "", "LineStringZ", (), records, [None] * len(records))


GRADE = {
    "line": "access",
    "check_of": "cross",
    "from_point": "W1",
    "to_point": "W2",
    "value": 2.31,
    "value_95": 0.27,
    "unit": "percent",
    "limit_value": 2.083333,
    "limits": "walk",
    "section": "403.3",
    "verdict": "undecided",
}
CLEAR = {"feature": "fence", "parcel": "101/1", "distance_m": 3.75, "distance_95_m": 0.21}


def test_water_verdicts_and_findings_have_sheets_of_their_own(tmp_path: Path) -> None:
    finding = Finding("look", "pond", "Water stands 46 mm deep.")
    package = package_cases.ferry_landing()
    kept = tuple(x for x in package.layers if x.name not in ("grades", "parcel_clearances"))
    package = dataclasses.replace(
        package,
        findings=(finding,),
        layers=(
            *kept,
            layer("grades", GRADE, {**GRADE, "verdict": "beyond", "value": 4.0}),
            layer("parcel_clearances", {**CLEAR, "verdict": "clear"}),
        ),
    )
    plan, water, *rest = pages(package, tmp_path)
    assert plan.startswith("Ferry landing") or "Site plan in" in plan
    assert "Ground and water in" in water
    running = " ".join(rest)
    assert "access cross W1 to W2 4.00 +/- 0.27 % 2.08 % beyond walk 403.3" in running
    assert running.index("beyond walk") < running.index("undecided walk")
    assert "fence 101/1 3.75 +/- 0.21 m clear" in running
    assert "Water stands 46 mm deep." in running


def test_a_rule_names_its_standard_in_full() -> None:
    package = dataclasses.replace(
        package_cases.ferry_landing(),
        layers=(layer("grades", GRADE, {**GRADE, "limits": "own", "section": "7"}),),
        standards={"walk": "2010 ADA Standards for Accessible Design"},
    )
    *_, table = verdict_blocks(package, "m")
    assert isinstance(table, Table)
    assert [row[-1] for row in table.rows] == [
        "walk: 2010 ADA Standards for Accessible Design, 403.3",
        "own 7",  # of a set without a source
    ]


def test_lengths_of_verdicts_are_in_the_sheets_unit(tmp_path: Path) -> None:
    package = dataclasses.replace(
        package_cases.ferry_landing(),
        layers=(layer("parcel_clearances", {**CLEAR, "distance_m": 3.048, "verdict": "clear"}),),
        tables=(),
        findings=(),
    )
    running = " ".join(pages(package, tmp_path, unit="ft"))
    assert "fence 101/1 10.0 +/- 0.7 ft clear" in running


def test_a_package_without_ground_verdicts_or_findings_is_one_sheet(tmp_path: Path) -> None:
    package = package_cases.ferry_landing()
    keep = ("points", "baseline", "areas", "lines")
    bare = dataclasses.replace(
        package,
        layers=tuple(x for x in package.layers if x.name in keep),
        tables=(),
        findings=(),
    )
    assert len(pages(bare, tmp_path)) == 1


@pytest.mark.parametrize("sheet", ["A2", "ANSI D"])
def test_the_sheet_of_the_water_has_the_scale_and_window_of_the_plan(
    tmp_path: Path, sheet: str
) -> None:
    write_plan(tmp_path, package_cases.ferry_landing(), Handover(sheet=sheet))  # type: ignore[arg-type]
    reader = pypdf.PdfReader(io.BytesIO((tmp_path / "plan.pdf").read_bytes()))
    first, second = ([str(view.get_object()) for view in page["/VP"]] for page in reader.pages[:2])
    assert first == second
    assert any("/R" in view for view in first)


def test_a_grade_has_one_sign_on_plan_legend_and_table(tmp_path: Path) -> None:
    package = package_cases.ferry_landing()
    (drawn,) = (one for one in package.layers if one.name == "grades")
    steep = {**GRADE, "check_of": "running", "value": -2.31, "verdict": "within"}
    flat = {**steep, "value": 0.42, "from_point": "W2", "to_point": "W3"}
    grades = dataclasses.replace(drawn, records=[steep, flat], geometries=drawn.geometries[:2])
    layers = tuple(grades if one is drawn else one for one in package.layers)
    plan, *rest = pages(dataclasses.replace(package, layers=layers), tmp_path)
    assert "-2.31 +/- 0.27 % withinaccess, running" in plan  # the legend, value first
    assert plan.count("-2.31 +/- 0.27 % within") >= 2  # and beside the line
    assert "negative where it falls" in plan
    assert "W1 to W2 -2.31 +/- 0.27 %" in " ".join(rest)
