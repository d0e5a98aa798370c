"""The take-off priced: rates, waste, minimum, rounding, and the range of each line."""

from dataclasses import replace

import numpy as np
import pytest
from linework_cases import rows, survey

from geosite.analysis.takeoff.design_prices import DesignEstimate
from geosite.analysis.takeoff.prices import priced_line, rounded, valuation
from geosite.analysis.takeoff.quantities import take_off
from geosite.analysis.takeoff.whole_cost import whole_cost
from geosite.analysis.wording import price_findings
from geosite.base.errors import InputError
from geosite.base.estimate import Estimate
from geosite.base.rounding import whole_pieces
from geosite.fieldbook.sitefile import Code, Price, Prices
from geosite.linework.draw import draw

CODES = {
    "setts": Code(title="Stone setts", depth=0.1, waste_percent=8.0),
    "kerb": Code(geometry="line"),
    "inlet": Code(geometry="point"),
    "wall": Code(geometry="line"),
}
MADE = [
    *rows("yard", "setts", [("", 0, 0), ("", 10, 0), ("", 10, 5), ("", 0, 5)]),
    *rows("edge", "kerb", [("", 0, 0), ("", 12, 0)]),
    *rows("drain", "inlet", [("", 1, 1), ("", 9, 4)]),
]


def priced(*, sigma=0.0, rounding=0.01, made=MADE, **codes):
    notes, network = survey(made, CODES, sigma=sigma)
    totals = take_off(notes, network, draw(notes, network)).codes
    return valuation(
        totals, Prices(currency="EUR", rounding=rounding, codes=codes), CODES, network, "site.toml"
    )


def test_each_unit_and_the_total():
    found = priced(
        setts=Price(rate=40.0),
        kerb=Price(rate=25.5, per="m", waste_percent=10.0),
        inlet=Price(rate=180.0, per="piece"),
    )
    amounts = {line.code: line.amount.value for line in found.lines}
    # 50 m2 and 8 % waste of the code; 12 m and 10 % of the price; two pieces
    assert amounts == {"setts": 2160.0, "kerb": 336.6, "inlet": 360.0}
    assert found.total.value == 2856.6
    assert found.without_price == ()
    assert [line.measured.value for line in found.lines] == pytest.approx([50.0, 12.0, 2.0])


def test_volume_and_edging_of_an_area():
    (line,) = priced(setts=Price(rate=90.0, per="m3", waste_percent=0.0)).lines
    assert line.amount.value == 450.0
    (line,) = priced(setts=Price(rate=10.0, per="m", waste_percent=0.0)).lines
    assert line.amount.value == 300.0


@pytest.mark.parametrize(
    ("code", "metric", "feet", "size"),
    [
        # NIST Special Publication 811, appendix B.8: a foot is 0.3048 m, a yard 0.9144 m
        ("kerb", "m", "ft", 0.3048),
        ("setts", "m2", "ft2", 0.09290304),
        ("setts", "m2", "yd2", 0.83612736),
        ("setts", "m3", "yd3", 0.764554857984),
    ],
)
def test_a_rate_by_the_foot_comes_to_the_same(code, metric, feet, size):
    whole = priced(sigma=0.05, rounding=1e-6, **{code: Price(rate=40.0, per=metric)})
    parts = priced(sigma=0.05, rounding=1e-6, **{code: Price(rate=40.0 * size, per=feet)})
    (one,), (other,) = whole.lines, parts.lines
    assert other.per == feet
    assert other.measured.value == pytest.approx(one.measured.value / size, rel=1e-9)
    for key in ("value", "low", "high"):
        assert getattr(other.amount, key) == pytest.approx(getattr(one.amount, key), abs=2e-6)
        assert getattr(parts.total, key) == pytest.approx(getattr(whole.total, key), abs=2e-6)


def test_a_minimum_is_charged_and_bounds_the_range():
    found = priced(sigma=0.05, kerb=Price(rate=25.0, per="m", minimum=500.0))
    (line,) = found.lines
    assert line.at_minimum
    assert (line.amount.value, line.amount.low, line.amount.high) == (500.0, 500.0, 500.0)
    assert (found.total.low, found.total.high) == (500.0, 500.0)
    (line,) = priced(sigma=0.05, kerb=Price(rate=25.0, per="m", minimum=299.0)).lines
    assert (line.at_minimum, line.amount.value, line.amount.low) == (False, 300.0, 299.0)
    assert line.amount.high > 300.0
    assert line.amount.sigma is None


def test_the_total_reaches_where_a_minimum_may_not_be_charged_or_be_passed():
    """Beside lines that move, the range of a line at its minimum was left out of the total."""
    made = [*MADE, *rows("stub", "wall", [("", 20, 0), ("", 20.1, 0)])]
    setts = Price(rate=40.0, waste_percent=0.0)
    alone = priced(sigma=0.05, made=made, setts=setts)
    # 0.1 m +/- 0.14: perhaps there is no wall, and perhaps there is more than the least charge buys
    wall = Price(rate=1000.0, per="m", minimum=150.0)
    both = priced(sigma=0.05, made=made, setts=setts, wall=wall)
    line = both.lines[-1]
    assert (line.at_minimum, line.amount.value, line.amount.low) == (True, 150.0, 0.0)
    assert line.amount.high > 200.0
    assert both.total.value == alone.total.value + 150.0
    assert both.total.low == pytest.approx(alone.total.low)
    assert both.total.high == pytest.approx(alone.total.high + line.amount.high)
    assert both.total.sigma is None
    # a count beside it adds no range
    counted = priced(sigma=0.05, setts=setts, inlet=Price(rate=9.0, per="piece", minimum=30.0))
    assert counted.total.sigma == pytest.approx(alone.total.sigma)
    assert counted.total.high == pytest.approx(alone.total.high + 30.0)


@pytest.mark.parametrize(
    ("per", "size"), [("m2", 1.0), ("ft2", 0.3048**2), ("m3", 1.0), ("yd3", 0.9144**3)]
)
def test_for_what_a_rounding_leaves_no_minimum_is_charged(per, size):
    """1e-12 m2 cost the least charge; half a thousandth is the finest that is told of a site."""
    price = Price(rate=40.0, per=per, minimum=150.0)

    def cost(metric):
        amount = Estimate(metric / size, metric / size, metric / size, 0.0)
        line = priced_line("", price, amount, 0.01, None)
        return line.amount.value, line.at_minimum

    assert cost(1e-12) == (0.0, False)
    assert cost(0.0004)[1] is False
    assert cost(0.0006) == (150.0, True)


def test_totals_are_told_in_steps_of_the_currency():
    """A total of 8248.65 ended at 8261.838109034."""
    found = priced(
        sigma=0.05, rounding=0.05, setts=Price(rate=40.0), kerb=Price(rate=25.5, per="m")
    )
    pad = replace(found, total=Estimate(50.0, 46.35, 53.2))
    cost = whole_cost(found, [DesignEstimate("pad", "", pad)])
    assert found.total.low < found.total.value < found.total.high
    for total in (found.total, cost.total):
        for amount in (total.value, total.low, total.high):
            assert amount == round(round(amount * 20) / 20, 2)


def test_one_piece_costs_the_minimum():
    (line,) = priced(inlet=Price(rate=1.0, per="piece", minimum=30.0)).lines
    assert line.amount.value == 30.0


def test_of_pieces_with_waste_whole_ones_are_bought():
    """Two inlets and 5 % breakage were charged as 2.1 of them."""
    (line,) = priced(inlet=Price(rate=180.0, per="piece", waste_percent=5.0)).lines
    assert (line.measured.value, line.charged, line.amount.value) == (
        2.0,
        Estimate(3.0, 3.0, 3.0, 0.0),
        540.0,
    )
    assert whole_pieces(100, 5.0) == 105  # not 106, for 100 * 1.05 is 105.00000000000001 at times
    assert whole_pieces(3, 10.0) == 4


def test_the_range_of_a_line_is_rate_times_that_of_the_quantity():
    (line,) = priced(sigma=0.02, rounding=1e-6, setts=Price(rate=40.0)).lines
    assert line.amount.sigma == pytest.approx(40.0 * 1.08 * line.measured.sigma, rel=1e-4)
    assert line.amount.half_width == pytest.approx(40.0 * 1.08 * line.measured.half_width, rel=1e-4)


def test_lines_on_the_same_marks_vary_together():
    # a kerb along the side of an area: where it is longer the area is larger
    shared = [
        *rows("a", "setts", [("", 0, 0), ("", 5, 0, 0, "M"), ("", 5, 5, 0, "N"), ("", 0, 5)]),
        *rows("side", "kerb", [("", 5, 0, 0, "M"), ("", 5, 5, 0, "N")]),
    ]
    price = Price(rate=10.0, waste_percent=0.0)
    along = Price(rate=40.0, per="m", waste_percent=0.0)
    found = priced(sigma=0.02, made=shared, setts=price, kerb=along)
    apart = np.hypot(*(line.amount.sigma for line in found.lines))
    assert found.total.sigma > 1.1 * apart


@pytest.mark.parametrize(
    ("amount", "step", "expected"),
    [
        (2.675, 0.01, 2.68),  # halves up, though the nearest float lies below
        (2.674, 0.01, 2.67),
        (1.025, 0.05, 1.05),
        (1234.5, 1.0, 1235.0),
        (1250.0, 100.0, 1300.0),
        (0.0, 0.01, 0.0),
    ],
)
def test_rounding(amount, step, expected):
    assert rounded(amount, step) == expected


def test_what_cannot_be_priced_is_told_together():
    with pytest.raises(InputError) as caught:
        priced(
            paint=Price(rate=1.0),
            kerb=Price(rate=1.0, per="m2"),
            inlet=Price(rate=1.0, per="m3"),
        )
    told = [(p.code, p.what.split("]")[0]) for p in caught.value.problems]
    assert told == [
        ("price-no-code", "[prices.codes.paint"),
        ("price-no-quantity", "[prices.codes.kerb"),
        ("price-no-quantity", "[prices.codes.inlet"),
    ]


def test_findings_name_the_total_the_caution_and_what_has_no_price():
    total, missing = price_findings(priced(kerb=Price(rate=25.0, per="m")))
    assert "300.00 EUR" in total.text
    assert "no tax, no contract advice" in total.text
    assert missing.text.endswith("setts, inlet.")
