"""The take-off priced: rates, waste, minimum, rounding, and the range of each line."""

import numpy as np
import pytest
from linework_cases import rows, survey

from geosite.analysis.takeoff.prices import rounded, valuation
from geosite.analysis.takeoff.quantities import take_off
from geosite.analysis.wording import price_findings
from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import Code, Price, Prices
from geosite.linework.draw import draw

CODES = {
    "setts": Code(title="Stone setts", depth=0.1, waste_percent=8.0),
    "kerb": Code(geometry="line"),
    "inlet": Code(geometry="point"),
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
