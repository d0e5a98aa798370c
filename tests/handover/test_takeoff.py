"""The take-off on paper: read back by a PDF library, digits and sums by hand."""

from __future__ import annotations

import dataclasses
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import package_cases
import pypdf
import pytest

from geosite.fieldbook.sitefile import Code, Handover, Sheet
from geosite.handover.documents.earthworks import earthwork_blocks
from geosite.handover.documents.takeoff import takeoff_pdf
from geosite.handover.model import Package, Table
from geosite.handover.plan.sheet import write_plan
from geosite.handover.wording.paper_units import UNITS

CODES = {
    "asphalt": Code(title="Asphalt apron", geometry="area"),
    "house": Code(title="Ticket house", geometry="area", building=True),
}


def area(feature: str, code: str, size: float, half: float | None = None, **more: Any) -> Any:
    return {
        "feature": feature,
        "code": code,
        "kind": "area",
        "count": 1,
        "gross_area_m2": size,
        "gross_area_95_m2": half,
        "net_area_m2": size,
        "net_area_95_m2": half,
        **more,
    }


def package(*records: Mapping[str, Any], earthworks: tuple[Mapping[str, Any], ...] = ()) -> Package:
    tables = [Table("quantities", "Quantities", (), records)]
    if earthworks:
        tables.append(Table("earthworks", "Earthworks", (), earthworks))
    return dataclasses.replace(package_cases.ferry_landing(), tables=tuple(tables), codes=CODES)


def read(package: Package, **options: Any) -> str:
    document = takeoff_pdf(package, Handover(**options))
    assert document is not None
    pages = pypdf.PdfReader(io.BytesIO(document)).pages
    text = " ".join(page.extract_text() for page in pages)
    return " ".join(text.replace("\u202f", " ").replace("\xa0", " ").split())


APRON = area("apron", "asphalt", 14994.26, 19.5)
APRON_TWO = area("yard", "asphalt", 100.0, 0.5)
BOTH = area(
    "",
    "asphalt",
    15094.26,
    19.6,
    surface_area_m2=15100.0,
    surface_area_95_m2=19.6,
    waste_percent=5.0,
    order_area_m2=15855.0,
    order_area_95_m2=20.6,
)


def test_a_quantity_has_no_digit_that_its_interval_does_not_bear() -> None:
    text = read(package(APRON, APRON_TWO, BOTH))
    assert "14 994 +/- 20 m²" in text
    assert "100.0 +/- 0.5 m²" in text
    assert "15 094 +/- 20 m²" in text  # the total of the code
    assert "14994" not in text


def test_what_is_ordered_is_rounded_up_at_the_digit_in_which_its_interval_begins() -> None:
    assert "5 % 15 860 m²" in read(package(APRON, BOTH))
    more = {**BOTH, "order_area_m2": 15860.01}
    assert "5 % 15 870 m²" in read(package(APRON, more))


def test_what_a_design_replaces_is_said_on_the_line_that_is_ordered() -> None:
    order = {"order_area_m2": 749.71, "order_area_95_m2": 1.9}
    under = {"replaced_area_m2": 35.597, "replaced_area_95_m2": 0.196}
    text = read(package(APRON, {**BOTH, **order, **under}))
    assert "35.60 +/- 0.20 m² of it lie under a design" in text
    # the waste is added to what is left: 714.0 m2 and 5 percent of it
    assert "without that 714.0 +/- 1.8 m²" in text
    assert "under a design" not in read(package(APRON, BOTH))


def test_of_a_line_what_a_design_covers_is_said_and_taken_off() -> None:
    kerb = {
        "feature": "", "code": "kerb", "kind": "line", "count": 1, "waste_percent": 10.0,
        "length_m": 20.0, "length_95_m": 0.05, "order_by": "length",
        "replaced_length_m": 5.0023, "replaced_length_95_m": 0.00001,
        "order_length_m": 16.5, "order_length_95_m": 0.055,
    }  # fmt: skip
    text = read(package(kerb))
    assert "5.00 m of it lie under a design" in text
    assert "without that 15.00 +/- 0.05 m" in text
    assert "10 % 16.50 m" in text


def test_without_an_interval_two_decimals_stand() -> None:
    assert "14 994.26 m²" in read(package(area("apron", "asphalt", 14994.26)))


def test_buildings_are_measured_and_not_ordered() -> None:
    house = area("house", "house", 63.4, 0.3)
    total = {**house, "feature": "", "order_area_m2": 63.5, "order_area_95_m2": 0.3}
    total |= {"surface_area_m2": 63.4, "order_by": "existing"}
    text = read(package(house, total))
    assert "What to order" not in text
    assert "is there and stays" not in text
    assert "63.4 +/- 0.3 m²" in text


def test_feet_are_square_feet_and_cubic_yards() -> None:
    text = read(package(area("apron", "asphalt", 929.0304, 0.929), BOTH), unit="ft")
    assert "10 000 +/- 10 ft²" in text  # 10,000 sq ft are 929.0304 m2 exactly
    work = ({"earthwork": "dig", "method": "grid", "cut_m3": 0.764554857984},)
    assert "1.00 yd³" in read(package(APRON, earthworks=work), unit="ft")


def test_both_units_stand_below_each_other_each_with_the_digits_known_in_it() -> None:
    """By hand: 14994.26 m2 are 161 396.9 ft2, good to 210 ft2: tens.

    15855 m2 are 170 661.8 ft2, good to 220 ft2: ordered to hundreds.
    """
    small = {"cut_m3": 10.0, "cut_low_m3": 8.0, "cut_high_m3": 12.0}
    whole = package(APRON, BOTH, earthworks=({"earthwork": "pit", **small},))
    both = dataclasses.replace(whole, sheet=Sheet(units="both"))
    text = read(both)
    assert "14 994 +/- 20 m² 161 400 +/- 210 ft²" in text
    assert "15 860 m² 170 700 ft²" in text
    assert "10.0 (8.0 to 12.0) m³ 13.1 (10.5 to 15.7) yd³" in text
    assert read(both, unit="ft").index("ft²") < read(both, unit="ft").index("m²")
    assert not re.search(r"\b(ft|yd)\b", read(whole))


@pytest.mark.slow
def test_the_surfaces_of_the_plan_are_told_in_both_units(tmp_path: Path) -> None:
    whole = package_cases.ferry_landing()
    totals = Table("quantities", "", (), [{**BOTH, "net_area_95_m2": 2.0}])
    both = dataclasses.replace(whole, tables=(totals,), sheet=Sheet(units="both"))
    sizes = {}
    for name, one in (("one", whole), ("both", both)):
        (tmp_path / name).mkdir()
        write_plan(tmp_path / name, one, Handover())
        page = pypdf.PdfReader(tmp_path / name / "plan.pdf").pages[0]
        text = page.extract_text().replace("\u202f", " ")
        sizes[name] = re.findall(r"^([\d .]+) (m²|ft²)", text, re.MULTILINE)
    assert not [unit for _, unit in sizes["one"] if unit == "ft²"]
    metres = [float(v.replace(" ", "")) for v, unit in sizes["both"] if unit == "m²"]
    feet = [float(v.replace(" ", "")) for v, unit in sizes["both"] if unit == "ft²"]
    assert feet
    for size in feet:
        assert any(abs(m / 0.3048**2 - size) < 0.6 for m in metres)


def test_earthworks_are_printed_with_both_ends_of_their_interval() -> None:
    work = {
        "earthwork": "even",
        "feature": "slipway",
        "method": "prismoidal",
        "cut_m3": 0.35,
        "cut_low_m3": 0.05,
        "cut_high_m3": 2.1,
        "fill_m3": 2.48,
        "fill_95_m3": 0.51,
    }
    text = read(package(APRON, earthworks=(work,)))
    assert "0.3 (0.1 to 2.1) m³" in text or "0.4 (0.1 to 2.1) m³" in text
    assert "2.5 +/- 0.5 m³" in text


def test_volumes_of_an_earthwork_add_up_and_tell_its_methods_apart() -> None:
    """The even slipway of the ferry landing, as its CSV has it."""
    ways = {"exact": (0.06, 2.51, -2.45), "average end area": (0.06, 2.43, -2.37)}
    ends = {"cut_low_m3": 0.0, "cut_high_m3": 2.99, "fill_low_m3": 0.0, "fill_high_m3": 7.08}
    lines = [
        {"earthwork": "even", "method": name, "net_95_m3": 5.03, **ends}
        | dict(zip(("cut_m3", "fill_m3", "net_m3"), found, strict=True))
        for name, found in ways.items()
    ]
    text = read(package(APRON, earthworks=tuple(lines)))
    assert "exact 0.06 (0.00 to 2.99) m³ 2.51 (0.00 to 7.08) m³ -2.45 +/- 5.03 m³" in text
    assert "area 0.06 (0.00 to 2.99) m³ 2.43 (0.00 to 7.08) m³ -2.37 +/- 5.03 m³" in text


def test_a_net_volume_is_that_of_the_printed_cut_and_fill() -> None:
    work = {"earthwork": "even", "method": "exact", "cut_m3": 1.26, "fill_m3": 1.04}
    work |= {"net_m3": 0.22, "cut_95_m3": 0.4, "fill_95_m3": 0.4, "net_95_m3": 0.5}
    text = read(package(APRON, earthworks=(work,)))
    assert "1.3 +/- 0.4 m³ 1.0 +/- 0.4 m³ 0.3 +/- 0.5 m³" in text


def test_a_least_charge_and_what_has_no_price_stand_on_the_paper() -> None:
    fill = {"design": "d", "title": "Fill to formation", "per": "m3", "measured": 0.6}
    fill |= {"charged": 0.7, "rate": 28.0, "minimum": 120.0, "amount": 120.0, "currency": "EUR"}
    fill |= {"waste_percent": 15.0}
    made = package(APRON, BOTH)
    more = (
        Table("design_estimate", "", (), (fill,)),
        Table("prices", "", (), ({"title": "Total", "amount": 1.0},)),
    )
    text = read(dataclasses.replace(made, tables=(*made.tables, *more)))
    assert "28.00 EUR/m³ minimum charge 120.00 120.00 EUR" in text
    assert "15 % to fill to formation" in text
    assert "without a price and not in the total: Asphalt apron." in text


def test_nothing_measured_is_no_paper() -> None:
    assert takeoff_pdf(package(), Handover()) is None


def test_prices_stand_on_the_paper_with_their_range() -> None:
    line = {
        "code": "asphalt",
        "title": "Asphalt apron",
        "per": "m2",
        "measured": 750.0,
        "measured_95": 2.0,
        "charged": 787.5,
        "charged_95": 2.1,
        "rate": 40.0,
        "amount": 31500.0,
        "amount_low": 31416.0,
        "amount_high": 31584.0,
        "currency": "EUR",
    }
    total = {"title": "Total", "amount": 31500.0, "amount_low": 31416.0, "amount_high": 31584.0}
    made = package(APRON)
    prices = Table("prices", "Prices", (), (line, total))
    text = read(dataclasses.replace(made, tables=(*made.tables, prices)))
    assert "787.5 +/- 2.1 m² 40.00 EUR/m² 31 500.00 EUR 31 416 to 31 584" in text
    assert "Total 31 500.00 31 416 to 31 584" in text


def test_each_thing_is_ordered_once_and_what_is_not_says_why() -> None:
    codes = {
        "setts": Code(title="Setts"),
        "foot": Code(title="Kerb, foot", geometry="line"),
        "top": Code(title="Kerb, top", geometry="line"),
        "slab": Code(title="Slab"),
    }
    setts = area("", "setts", 28.0, surface_area_m2=28.2, order_area_m2=30.4, depth_m=0.08)
    setts |= {"volume_m3": 2.24, "order_volume_m3": 2.42, "order_by": "volume"}
    top = {"code": "top", "kind": "line", "length_m": 41.98, "order_by": "elsewhere"}
    slab = area("", "slab", 88.0, surface_area_m2=88.4, order_by="existing")
    made = package(setts, top | {"counted_in": "foot"}, slab)
    text = read(dataclasses.replace(made, codes=codes))
    assert "by depth of 0.08 m 2.24 m³ 2.42 m³" in text
    assert "28.20 m² the same, counted above" in text
    assert "30.40" not in text
    assert "41.98 m counted in Kerb, foot" in text
    assert "88.40 m² is there and stays" in text


def test_what_a_design_takes_and_costs_stands_on_the_paper() -> None:
    part = {
        "design": "d",
        "part": "north",
        "code": "asphalt",
        "surface_area_m2": 36.0,
        "volume_m3": 6.48,
        "depth_m": 0.18,
        "edging_m": 25.0,
        "order_by": "volume",
        "order": 6.48,
        "order_unit": "m3",
    }
    design = {"design": "d", "title": "Pad", "cut_m3": 0.0, "fill_m3": 4.7, "fill_low_m3": 3.5}
    design |= {"fill_high_m3": 7.5, "formation_cut_m3": 2.3, "formation_fill_m3": 0.6}
    fill = {"design": "d", "title": "Fill", "per": "m3", "measured": 4.7, "rate": 28.0}
    fill |= {"measured_low": 3.5, "measured_high": 7.5, "amount": 131.6, "currency": "EUR"}
    made = package(APRON)
    named = (("design_parts", part), ("designs", design), ("design_estimate", fill))
    more = tuple(Table(name, "", (), (record,)) for name, record in named)
    text = read(dataclasses.replace(made, tables=(*made.tables, *more)))
    assert "Asphalt apron (north) by depth of 0.18 m 6.48 m³ 25.00 m 6.48 m³" in text
    assert "4.7 (3.5 to 7.5) m³" in text
    assert "to formation 2.30 m³ 0.60 m³" in text
    assert "Estimate: Pad" in text
    assert "4.7 (3.5 to 7.5) m³ 28.00 EUR/m³ 131.60 EUR" in text


def test_a_volume_that_is_none_is_told_in_a_word() -> None:
    """A pad that only fills was told to cut 0.0 (0.0 to 0.0) m³."""
    ends = {"cut_low_m3": 0.0, "cut_high_m3": 0.0, "fill_low_m3": 2.2, "fill_high_m3": 6.9}
    record = {"design": "pad", "cut_m3": 0.0, "fill_m3": 4.7, **ends}
    for units in ((UNITS["m"],), (UNITS["m"], UNITS["ft"])):
        _, table, _ = earthwork_blocks([], [record], units)
        cut, fill = table.rows[0][3:5]  # type: ignore[union-attr]
        assert cut == "none"
        assert fill.startswith("4.7 (2.2 to 6.9) m³")
