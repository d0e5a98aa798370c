"""Progress between two surveys and the final measurement, priced: to date, less before."""

import math

import pytest
from linework_cases import rows, survey

from geosite.analysis.takeoff.prices import valuation
from geosite.analysis.takeoff.progress_prices import Taken, period_valuation
from geosite.analysis.takeoff.quantities import take_off
from geosite.analysis.wording import period_findings
from geosite.base.errors import InputError
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Code, Price, Prices
from geosite.linework.draw import draw

CODES = {
    "setts": Code(title="Stone setts", depth=0.1),
    "kerb": Code(geometry="line"),
    "fence": Code(geometry="line"),
}


def yard(width, fence=False, kerb=0.0):
    made = rows("yard", "setts", [("", 0, 0), ("", width, 0), ("", width, 5), ("", 0, 5)])
    if kerb:
        made += rows("edge", "kerb", [("", 0, 0), ("", kerb, 0)])
    if fence:
        made += rows("post", "fence", [("", 0, 0), ("", 0, 9)])
    return made


def taken(made, sigma=0.0, day=""):
    notes, network = survey(made, CODES, sigma=sigma)
    totals = take_off(notes, network, draw(notes, network)).codes
    return Taken(totals, CODES, network, "site.toml", day)


def prices(**codes):
    return Prices(currency="EUR", codes=codes)


def test_this_period_is_to_date_less_before():
    found = period_valuation(
        taken(yard(10), day="2026-04-12"),
        taken(yard(16, kerb=12.0), day="2026-06-20"),
        prices(setts=Price(rate=40.0), kerb=Price(rate=25.0, per="m")),
    )
    setts, kerb = found.lines
    assert (setts.measured_before.value, setts.measured.value) == pytest.approx((50.0, 80.0))
    assert (setts.amount_before.value, setts.amount.value, setts.amount_added.value) == (
        2000.0, 3200.0, 1200.0,
    )  # fmt: skip
    # a code that was not there before
    assert (kerb.amount_before.value, kerb.amount_added.value) == (0.0, 300.0)
    assert (found.before.value, found.total.value, found.added.value) == (2000.0, 3500.0, 1500.0)
    assert (found.first_day, found.last_day) == ("2026-04-12", "2026-06-20")


def test_the_range_of_a_period_joins_those_of_both_surveys():
    rate = prices(setts=Price(rate=40.0))
    found = period_valuation(taken(yard(10), 0.02), taken(yard(16), 0.02), rate)
    (line,) = found.lines
    wide = math.hypot(line.measured_before.half_width, line.measured.half_width)
    assert line.added.half_width == pytest.approx(wide)
    assert line.amount_added.half_width == pytest.approx(40.0 * wide, rel=1e-3)
    assert found.added.low < 1200.0 < found.added.high
    for amount in (line.amount_added, found.total, found.added):
        assert amount.low == round(amount.low, 2)  # whole cents


def test_what_was_taken_away_is_less():
    found = period_valuation(taken(yard(16)), taken(yard(10)), prices(setts=Price(rate=40.0)))
    assert found.added.value == -1200.0


def test_a_minimum_is_charged_once():
    """Valued to date less valued before: the least charge is not charged every period."""
    rate = prices(kerb=Price(rate=25.0, per="m", minimum=500.0))
    found = period_valuation(taken(yard(10, kerb=4.0)), taken(yard(10, kerb=12.0)), rate)
    assert [found.lines[0].amount_before.value, found.lines[0].amount.value] == [500.0, 500.0]
    assert found.added.value == 0.0


def test_what_was_not_walked_again_is_said_and_not_valued():
    rate = prices(setts=Price(rate=40.0), fence=Price(rate=30.0, per="m"))
    found = period_valuation(taken(yard(10, fence=True)), taken(yard(16)), rate)
    assert found.not_walked == ("fence",)
    assert found.before.value == 2000.0  # without the fence, as to date
    texts = [finding.text for finding in period_findings(found)]
    assert texts[0].startswith("This period comes to 1200.00")
    assert "Not walked again and not valued: fence." in texts[1]


def test_nothing_to_price_is_none():
    assert period_valuation(taken(yard(10)), taken(yard(16)), prices()) is None
    fence = prices(fence=Price(rate=30.0, per="m"))
    assert period_valuation(taken(yard(10, fence=True)), taken(yard(16)), fence) is None


def test_a_unit_that_the_code_lacks_is_refused_with_the_file():
    with pytest.raises(InputError, match=r'site\.toml.*per = "m3" asks for an area with a depth'):
        period_valuation(
            taken(yard(10)), taken(yard(16, kerb=4.0)), prices(kerb=Price(rate=1.0, per="m3"))
        )


def final(laid=None, **codes):
    one = taken(yard(10, kerb=12.0), sigma=0.01)
    return valuation(
        one.totals, prices(**codes), CODES, one.network, "site.toml", partly=True, laid=laid
    )


def test_a_final_measurement_prices_what_was_laid():
    """50 m2 of 0.1 m are 5 m3 by the depth; 6.2 m3 were measured between two surveys."""
    rate = Price(rate=90.0, per="m3")
    (line,) = final(setts=rate).lines
    assert (line.amount.value, line.laid) == (pytest.approx(450.0, abs=0.01), False)
    found = final({"setts": Estimate(6.2, 5.0, 7.6)}, setts=rate, kerb=Price(rate=25.0, per="m"))
    setts, kerb = found.lines
    assert (setts.amount.value, setts.amount.low, setts.amount.high) == (558.0, 450.0, 684.0)
    assert setts.laid
    assert not kerb.laid
    # the kerb's own range joins that of the volume
    side = kerb.amount.half_width
    assert found.total.value == pytest.approx(858.0, abs=0.01)
    assert found.total.low == pytest.approx(858.0 - math.hypot(108.0, side), abs=0.02)
    assert found.total.high == pytest.approx(858.0 + math.hypot(126.0, side), abs=0.02)


def test_a_price_for_what_was_not_walked_is_passed_over():
    assert [line.code for line in final(setts=Price(rate=1.0), fence=Price(rate=1.0)).lines] == [
        "setts"
    ]
