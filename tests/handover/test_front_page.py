"""The client's page: one page, the cost with its range, what to look at, what is not known."""

from __future__ import annotations

import dataclasses
import io
import math
from typing import Any

import package_cases
import pypdf
import pytest

from geosite.base.errors import Finding
from geosite.fieldbook.sitefile import Code, Handover, Sheet
from geosite.handover.documents.takeoff import takeoff_pdf
from geosite.handover.model import Package, Table
from geosite.handover.report_model.answers import Alternative, Cost, CostPart
from geosite.network.report_model import ClosureReport

TOTAL = {
    "feature": "",
    "code": "asphalt",
    "kind": "area",
    "net_area_m2": 749.8,
    "net_area_95_m2": 1.953,
}
COST = Cost(
    currency="EUR",
    parts=(
        CostPart(
            design="",
            title="Take-off",
            amount=20597.89,
            amount_low=20548.1,
            amount_high=20647.7,
            without_price=("setts",),
        ),
        CostPart(
            design="boarding",
            title="Boarding pad",
            amount=2600.91,
            amount_low=2543.9,
            amount_high=2683.6,
            without_price=(),
        ),
    ),
    total=23198.80,
    total_low=23123.1,
    total_high=23295.6,
)


def package(*findings: Finding, cost: Cost | None = COST, **changes: Any) -> Package:
    usual = package_cases.ferry_landing()
    assert usual.report is not None
    report = dataclasses.replace(usual.report, cost=cost)
    network = changes.pop("network", None)
    if network is not None:
        report = dataclasses.replace(report, network=network)
    given = {
        "findings": findings,
        "report": report,
        "tables": (Table("quantities", "Quantities", (), [TOTAL]),),
        **changes,
    }
    return dataclasses.replace(usual, **given)


def read(package: Package, **options: Any) -> list[str]:
    document = takeoff_pdf(package, Handover(**options))
    assert document is not None
    pages = pypdf.PdfReader(io.BytesIO(document)).pages
    texts = [page.extract_text().replace("\u202f", " ").replace("\xa0", " ") for page in pages]
    return [" ".join(text.split()) for text in texts]


def test_the_total_stands_with_its_range_its_parts_and_what_has_no_price() -> None:
    works = Table("earthworks", "Earthworks", (), [{"earthwork": "even_slipway"}])
    tables = (Table("quantities", "Quantities", (), [TOTAL]), works)
    first = read(package(tables=tables))[0]
    # the total is known to some 90, so it is told to tens
    assert "23 200 EUR, in 95 of 100 cases between 23 120 and 23 300 EUR." in first
    assert "Boarding pad 2 600 EUR 2 540 to 2 680" in first
    assert "Total 23 200 EUR 23 120 to 23 300" in first
    total, missing = first.index("23 200 EUR"), first.index("Not in it, for want of a price")
    assert total < missing < first.index("The range is")
    assert "for want of a price: Stone setts, the earthwork even slipway." in first


def test_alternatives_have_a_total_each_and_no_sum() -> None:
    east = dataclasses.replace(COST, total=30198.8, total_low=30123.1, total_high=30295.6)
    usual = package(cost=None)
    assert usual.report is not None
    both = (Alternative(built=("west",), cost=COST), Alternative(built=("pad_east",), cost=east))
    report = dataclasses.replace(usual.report, alternatives=both)
    titles = Table("designs", "Designs", (), [{"design": "west", "title": "Boarding pad"}])
    site = dataclasses.replace(usual, report=report, tables=(*usual.tables, titles))
    first = read(site)[0]
    assert "23 200 to 30 200 EUR, depending on which alternative is built." in first
    assert "Boarding pad 23 200 EUR 23 120 to 23 300" in first
    assert "pad east 30 200 EUR 30 120 to 30 300" in first
    assert "Total" not in first.split("How good it is")[0]


def test_places_are_told_by_the_nearest_mark_that_the_plan_shows() -> None:
    usual = package_cases.ferry_landing()
    marks = next(layer for layer in usual.layers if layer.name in ("marks", "points"))
    number = next(i for i, r in enumerate(marks.records) if r.get("point"))
    mark, name = marks.geometries[number], marks.records[number]["point"]
    place = f"E {mark.x:.2f}, N {mark.y:.2f}"
    first = read(package(Finding("look", "pond", f"Water stands 46 mm deep at {place}.")))[0]
    assert f"46 mm deep at mark {name}." in first
    assert place not in first


def test_without_prices_no_cost_is_stated() -> None:
    first = read(package(cost=None))[0]
    assert "No price was given" in first
    assert "EUR" not in first


def test_an_amount_of_unknown_accuracy_has_no_range() -> None:
    part = dataclasses.replace(COST.parts[0], amount_low=None, amount_high=None)
    bare = dataclasses.replace(COST, parts=(part,), total=20597.89, total_low=None, total_high=None)
    first = read(package(cost=bare))[0]
    assert "20 598 EUR. How far that may be off is not known." in first
    assert "The range is" not in first
    assert "The range is what the survey leaves open." in read(package())[0]


def test_what_is_decided_is_to_be_looked_at_and_what_is_open_is_not_known() -> None:
    findings = (
        Finding("look", "parcel-line", "kerb_top reaches over a line. Move it."),
        Finding("look", "parcel-line-undecided", "apron and a line: cannot tell."),
        Finding(
            "note",
            "ponds-not-significant",
            "Water may stand in 8 hollows too shallow to be sure of. More marks.",
        ),
        Finding("note", "prices", "The take-off comes to 12 EUR."),
    )
    site = package(*findings, codes={**package_cases.CODES, "kerb_top": Code(title="Kerb, top")})
    first = read(site)[0]
    look, unknown = first.split("What to look at first")[1].split("What is not known")
    assert "kerb top reaches over a line." in look
    assert "Move it" not in look  # advice stands in the list of findings
    assert "cannot tell" not in look
    assert "apron and a line: cannot tell." in unknown
    assert "Water may stand in 8 hollows too shallow to be sure of." in unknown
    assert "comes to 12" not in first
    assert "where cables and pipes lie" in unknown


def test_where_nothing_stands_out_that_is_said() -> None:
    assert "Nothing stands out" in read(package())[0]


def test_how_good_it_is_names_the_largest_surface_and_what_checked_the_walk() -> None:
    usual = package_cases.ferry_landing()
    assert usual.report is not None
    loop = ClosureReport(
        run="R1",
        mark="B1",
        first_line=2,
        last_line=90,
        length_m=350.0,
        misclosure_m=0.169,
        misclosure_up_m=0.01,
        ratio=2075.0,
        sigma_m=0.08,
        levelling_mm_per_sqrt_km=1.0,
        would_meet=(),
    )
    closed = dataclasses.replace(usual.report.network, closures=(loop,))
    first = read(package(network=closed))[0]
    assert "The largest surface, Asphalt apron, has 749.8 +/- 2.0 m²." in first
    assert "came back to its own marks once and was at most 0.17 m off, after 350 m." in first
    open_walk = dataclasses.replace(usual.report.network, closures=())
    assert "nothing in it checks itself" in read(package(network=open_walk))[0]
    # by hand: 749.8 m2 are 8 070.8 ft2, good to 21
    assert "has 8 071 +/- 21 ft²." in read(package(network=closed), unit="ft")[0]


@pytest.mark.parametrize("sheet", ["A3", "ANSI B"])
def test_it_is_one_page_however_much_there_is_to_say(sheet: str) -> None:
    long = "It reads on and on with a number of 12.34 m in it, and then " * 12
    many = [
        *(Finding("look", "outlier", f"Mark {i} is off: {long}.") for i in range(40)),
        *(Finding("look", "grade-undecided", f"Line {i} is open: {long}.") for i in range(40)),
    ]
    parts = tuple(
        dataclasses.replace(COST.parts[1], design=f"d{i}", title=f"Design {i} {'long name ' * 8}")
        for i in range(30)
    )
    cost = dataclasses.replace(COST, parts=(COST.parts[0], *parts))
    site = package(
        *many, cost=cost, sheet=Sheet(project="A project of many words " * 12), title="Yard " * 60
    )
    first, second, *_ = read(site, sheet=sheet)
    assert "What this is not" in first
    assert "Locate buried services before digging" in first
    assert second.split("What to order")[0].count("Take-off") >= 1
    assert "What is not known" not in second
    assert "more in the list of findings" in first


@pytest.mark.slow
def test_the_landing_adds_take_off_and_design_up(built_landing: Any) -> None:
    """By hand: amounts add, the ways to each end add like sigmas; the page says the same."""
    import json

    report = json.loads((built_landing / "report.json").read_text("utf-8"))
    prices, cost = report["prices"], report["cost"]
    design = next(r for r in report["design_estimate"] if r["title"] == "Total")
    assert cost["total"] == pytest.approx(prices["total"] + design["amount"], abs=1e-9)
    above = math.hypot(
        prices["total_high"] - prices["total"], design["amount_high"] - design["amount"]
    )
    assert cost["total_high"] == pytest.approx(cost["total"] + above, abs=0.011)
    first = pypdf.PdfReader(built_landing / "takeoff.pdf").pages[0].extract_text()
    # known to some 90: told to tens
    told = f"{round(cost['total'], -1):,.0f} EUR".replace(",", " ")
    assert told in " ".join(first.replace("\u202f", " ").replace("\xa0", " ").split())


def test_the_site_is_named_once_where_no_project_has_another_name() -> None:
    named = package_cases.ferry_landing()
    own, _, _ = read(package(sheet=Sheet(project="New apron")))[0].partition("What it costs")
    assert own.count("New apron") == own.count(named.title) == 1
    head, _, _ = read(package(sheet=Sheet()))[0].partition("What it costs")
    assert head.count(named.title) == 1
    assert "Surveyed 2026-04-12. This page in plain words" in head
