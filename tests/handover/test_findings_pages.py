"""The title block, and the sheets that follow the plan, read back by a PDF library."""

from __future__ import annotations

import dataclasses
import io

import package_cases
import pypdf
import pytest

from geosite.base.errors import Finding
from geosite.drawing.document import Table, lay_out
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Text
from geosite.fieldbook.sitefile import Handover, Revision, Sheet
from geosite.handover.documents.findings import MOST_OF_A_KIND, finding_blocks, paper_for
from geosite.handover.model import CAUTION, Package
from geosite.handover.plan.sheet import draw_plan

LONG = "Water stands at " + ", ".join(f"{512000 + i}.25, {5276000 + i}.75" for i in range(60)) + "."
FINDINGS = (
    *(Finding("look", "pond", f"Place {i} is deep: {LONG}") for i in range(12)),
    Finding("note", "cells", "An area of 14\u202f994 m2 was left out.", "yard/field_book.csv", 17),
)


def with_findings(**changes: object) -> Package:
    return dataclasses.replace(package_cases.ferry_landing(), findings=FINDINGS, **changes)


def words(text: str) -> str:
    return " ".join(text.replace("\u202f", " ").replace("\xa0", " ").split())


@pytest.mark.parametrize("sheet", ["A3", "ANSI D"])
def test_every_finding_stands_in_full_on_the_sheets_that_follow(sheet: str) -> None:
    package = with_findings()
    paper = paper_for(package, Handover(sheet=sheet), "Findings")  # type: ignore[arg-type]
    pages = lay_out(finding_blocks(package), paper)
    read = words(
        " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf(*pages))).pages)
    )
    for number in range(12):
        assert f"Place {number} is deep" in read
    assert read.count("5276059.75") == 12  # the last coordinate of each
    assert "An area of 14 994 m² was left out." in read
    assert "field_book.csv:17" in read
    assert words(CAUTION)[:60] in read
    assert "□" not in read


def test_of_one_kind_no_more_stand_on_paper_than_anybody_reads() -> None:
    many = [Finding("look", "pond", f"Place {i} is deep.") for i in range(MOST_OF_A_KIND + 3)]
    seen = (*many, Finding("look", "odd", "Another kind."))
    blocks = finding_blocks(dataclasses.replace(package_cases.ferry_landing(), findings=seen))
    (table,) = [block for block in blocks if isinstance(block, Table)]
    told = [row[1] for row in table.rows]
    assert told[: MOST_OF_A_KIND + 1] == [
        *(f"Place {i} is deep." for i in range(MOST_OF_A_KIND)),
        "Another kind.",
    ]
    assert told[MOST_OF_A_KIND + 1 :] == ["and 3 more of the kind pond, in report.json"]
    assert [row[0] for row in table.rows[-2:]] == [f"{MOST_OF_A_KIND + 4} ", ""]


def test_without_findings_no_sheet_follows() -> None:
    package = dataclasses.replace(package_cases.ferry_landing(), findings=())
    assert finding_blocks(package) == []


def test_running_pages_are_of_the_sheets_family() -> None:
    package = with_findings()
    assert paper_for(package, Handover(sheet="A1"), "x").width == 210.0
    assert paper_for(package, Handover(sheet="ANSI B"), "x").height == 279.4


def test_the_title_block_carries_what_the_site_file_gives() -> None:
    sheet = Sheet(
        project="Renewal of the apron",
        number="FL-01",
        client="Invented Landing Trust",
        surveyor="A. Example",
        licence="licence 000",
        revisions=(
            Revision(number="A", date="2026-04-14", text="Kerb measured again", by="B. Example"),
        ),
    )
    document = pdf(draw_plan(with_findings(sheet=sheet), Handover()))
    read = words(pypdf.PdfReader(io.BytesIO(document)).pages[0].extract_text())
    for wanted in (
        "FL-01",
        "Renewal of the apron",
        "Invented Landing Trust",
        "A. Example, licence 000",
        "2026-04-14: Kerb measured again, B. Example",
    ):
        assert wanted in read


def test_nothing_given_leaves_no_title_block() -> None:
    document = pdf(draw_plan(with_findings(), Handover()))
    assert "Title block" not in pypdf.PdfReader(io.BytesIO(document)).pages[0].extract_text()


@pytest.mark.slow
def test_no_page_holds_the_caution_alone_however_many_findings_there_are() -> None:
    paper = paper_for(with_findings(), Handover(sheet="ANSI B"), "Findings")
    begins = words(CAUTION)[:30]
    for count in range(28, 50):  # the 39th begins a second page
        found = tuple(Finding("note", f"kind {i}", f"Finding {i} is told.") for i in range(count))
        package = dataclasses.replace(with_findings(), findings=found)
        pages = lay_out(finding_blocks(package), paper)
        said = [" ".join(t.text for t in p.groups[0].items if isinstance(t, Text)) for p in pages]
        assert sum(begins in words(text) for text in said) == 1
        assert all("is told." in text for text in said), count


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("land office (invented), 2026-01-15", "Parcel map: land office (invented), 2026-01-15."),
        ("", "Source and date of the parcel map: not stated."),
    ],
)
def test_whose_parcel_map_it_is_stands_on_the_plan(source: str, said: str) -> None:
    package = dataclasses.replace(package_cases.ferry_landing(), parcel_source=source)

    def told(package: Package) -> str:
        groups = draw_plan(package, Handover()).groups
        return words(" ".join(t.text for g in groups for t in g.items if isinstance(t, Text)))

    assert said in told(package)
    layers = tuple(layer for layer in package.layers if layer.name != "parcels")
    assert "parcel map:" not in told(dataclasses.replace(package, layers=layers)).lower()
