"""Progress valuation and final measurement: every number of a line in its place, and the total."""

from __future__ import annotations

import io
from dataclasses import replace

import package_cases
import pypdf
import pytest

from geosite.analysis.takeoff.prices import PriceLine, Valuation
from geosite.analysis.takeoff.progress_prices import PeriodLine, PeriodValuation
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Handover
from geosite.handover.comparison.valuations import (
    final_paper,
    final_table,
    progress_paper,
    progress_table,
)


def about(value: float, half: float) -> Estimate:
    return Estimate(value, value - half, value + half, half / 2)


SETTS = PeriodLine(
    "setts", "Stone setts", "m2", 40.5,
    about(50.0, 0.5), about(80.0, 0.75), about(30.0, 0.9),
    about(2025.0, 20.25), about(3240.0, 30.4), about(1215.0, 36.5),
)  # fmt: skip
POSTS = PeriodLine(
    "post", "", "piece", 9.0,
    about(4.0, 0.0), about(6.0, 0.0), about(2.0, 0.0),
    about(36.0, 0.0), about(54.0, 0.0), about(18.0, 0.0),
)  # fmt: skip
PERIOD = PeriodValuation(
    "EUR", "2026-04-12", "2026-06-20", (SETTS, POSTS),
    about(2061.0, 20.25), about(3294.0, 30.4), about(1233.0, 36.5), ("fence", "kerb"),
)  # fmt: skip

FINAL = Valuation(
    "EUR",
    (
        PriceLine("gravel", "Gravel", "m3", about(12.0, 0.4), 10.0, about(13.2, 0.44), 60.0, 0.0,
                  about(792.0, 26.4), False, True),
        PriceLine("kerb", "", "m", about(4.0, 0.02), 0.0, about(4.0, 0.02), 25.0, 500.0,
                  about(500.0, 0.0), True),
    ),
    about(1292.0, 26.4),
    ("asphalt",),
)  # fmt: skip


def words(document: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(document)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).replace("\u202f", " ").split())


def test_each_number_of_a_period_stands_under_its_name() -> None:
    setts, posts, total = progress_table(PERIOD).records
    assert (setts["code"], setts["title"], setts["per"]) == ("setts", "Stone setts", "m2")
    assert (setts["rate"], setts["currency"]) == (40.5, "EUR")
    numbers = ("measured_before", "measured", "added", "amount_before", "amount", "amount_added")
    assert [setts[n] for n in numbers] == [50.0, 80.0, 30.0, 2025.0, 3240.0, 1215.0]
    assert (setts["added_low"], setts["added_high"]) == pytest.approx((29.1, 30.9))
    assert (setts["amount_low"], setts["amount_high"]) == pytest.approx((3209.6, 3270.4))
    assert (posts["measured"], posts["amount_added"]) == (6.0, 18.0)
    # the total has amounts alone
    assert (total["title"], total["code"]) == ("Total", None)
    assert [total[n] for n in numbers] == [None, None, None, 2061.0, 3294.0, 1233.0]
    assert total["rate"] is None


def test_a_final_measurement_says_what_each_quantity_is() -> None:
    gravel, kerb, total = final_table(FINAL).records
    assert [row["basis"] for row in (gravel, kerb, total)] == ["laid", "measured", None]
    assert (gravel["measured"], gravel["charged"], gravel["amount"]) == (12.0, 13.2, 792.0)
    assert (kerb["minimum"], kerb["amount"]) == (500.0, 500.0)
    assert (total["amount"], total["charged"]) == (1292.0, None)
    assert final_table(FINAL).fields[-1].name == "basis"


def test_the_paper_of_a_period_has_its_lines_in_the_order_of_its_heads() -> None:
    text = words(progress_paper(PERIOD, package_cases.ferry_landing(), Handover()))
    assert "Progress valuation 2026-04-12 to 2026-06-20" in text
    # before, to date, rate, valued to date, valued before, this period, its range
    assert (
        "Stone setts 50.0 +/- 0.5 m² 80.0 +/- 0.8 m² 40.50 EUR/m² 3 240.00 2 025.00 1 215.00 "
        "1 178 to 1 252" in text
    )
    assert "post 4 6 9.00 EUR/piece 54.00 36.00 18.00 fixed" in text
    assert "Total, EUR 3 294.00 2 061.00 1 233.00 1 196 to 1 270" in text
    assert "Not walked again and not valued: fence, kerb." in text
    later = replace(PERIOD, first_day="", currency="", not_walked=())
    text = words(progress_paper(later, package_cases.ferry_landing(), Handover()))
    assert "Progress valuation 2026-06-20 Quantities" in text
    assert "Total 3 294.00" in text
    assert "Not walked again" not in text


def test_the_paper_of_a_final_measurement_tells_waste_minimum_and_what_has_no_price() -> None:
    text = words(final_paper(FINAL, package_cases.ferry_landing(), Handover()))
    gravel = "Gravel laid, between surveys 12.0 +/- 0.4 m³ 13.2 +/- 0.4 m³ 60.00 EUR/m³ 792.00 "
    assert gravel + "766 to 818" in text
    kerb = "kerb as built 4.000 +/- 0.020 m 4.000 +/- 0.020 m 25.00 EUR/m 500.00 (minimum) fixed"
    assert kerb in text
    assert "Total, EUR 1 292.00 1 266 to 1 318" in text
    assert "without a price and not in the total: asphalt." in text
    priced = replace(FINAL, without_price=(), currency="")
    text = words(final_paper(priced, package_cases.ferry_landing(), Handover()))
    assert "without a price" not in text
    assert "Total 1 292.00" in text
