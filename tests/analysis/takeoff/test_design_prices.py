"""The estimate of a design, reckoned by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from geosite.analysis.design_ground.model import EarthworkQuantities
from geosite.analysis.takeoff.design_prices import (
    DesignEstimate,
    design_estimate,
)
from geosite.analysis.takeoff.designed import DesignPart
from geosite.analysis.takeoff.prices import priced_line
from geosite.analysis.takeoff.quantities import Quantity, ordered
from geosite.analysis.wording import estimate_findings
from geosite.base.errors import InputError
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Code, CutPrice, FillPrice, Price, Prices
from geosite.linework.model import Measure
from geosite.network.independent_marks import independent_marks
from geosite.network.model import LinearForm

CODES = {"pad": Code(depth=0.1, waste_percent=10.0), "kerb": Code(geometry="line")}
NONE = Estimate(0.0, 0.0, 0.0)


def exact(value: float) -> Measure:
    none = np.zeros(0)
    return Measure(value, value, LinearForm(none.astype(int), none, none, none), 0.0, 0.0)


def part(name: str, size: float) -> DesignPart:
    area = exact(size)
    taken = Quantity(name, "pad", "area", 1, net_area=area, surface_area=area, edging=exact(20.0))
    return DesignPart("d", name, "pad", ordered(taken, CODES["pad"]))


def estimated(prices: Prices, *parts: DesignPart) -> DesignEstimate | None:
    cut, fill = Estimate(10.0, 8.0, 13.0), Estimate(4.0, 3.0, 5.0)
    design: Any = SimpleNamespace(
        name="d", title="Yard", formation=EarthworkQuantities(cut, fill, NONE, NONE, NONE)
    )
    network = independent_marks([(0.0, 0.0, 0.0)])
    return design_estimate(design, parts, prices, CODES, network, "site.toml")


def test_parts_of_one_code_are_one_line_and_earth_has_its_range() -> None:
    prices = Prices(
        currency="EUR",
        codes={"pad": Price(rate=50.0)},
        cut=CutPrice(rate=20.0, allowance_percent=25.0),
        fill=FillPrice(rate=30.0),
    )
    found = estimated(prices, part("a", 30.0), part("b", 20.0))
    assert found is not None
    pad, cut, fill = found.priced.lines
    # 50 m2 with a tenth of waste at 50; 10 m3 swollen by a quarter at 20; 4 m3 at 30
    assert (pad.amount.value, cut.amount.value, fill.amount.value) == (2750.0, 250.0, 120.0)
    assert (pad.amount.low, pad.amount.high) == (2750.0, 2750.0)
    assert (cut.amount.low, cut.amount.high) == (200.0, 325.0)
    total = found.priced.total
    assert total.value == 3120.0
    # ways to the ends: 50 and 30 below, 75 and 30 above, added like sigmas, in whole cents
    assert total.low == round(3120 - np.hypot(50, 30), 2)
    assert total.high == round(3120 + np.hypot(75, 30), 2)


def test_a_least_charge_that_may_not_come_is_left_out_whole() -> None:
    """Added like a sigma it was lost beside a wide range: 135 of 250 +/- 200."""
    prices = Prices(cut=CutPrice(rate=20.0), fill=FillPrice(rate=30.0, minimum=135.0))
    little = Estimate(1.0, 0.0, 3.0)
    design: Any = SimpleNamespace(
        name="d",
        title="",
        formation=EarthworkQuantities(Estimate(10.0, 6.0, 14.0), little, NONE, NONE, NONE),
    )
    network = independent_marks([(0.0, 0.0, 0.0)])
    found = design_estimate(design, [], prices, CODES, network, "site.toml")
    assert found is not None
    assert found.priced.total == Estimate(335.0, 120.0, 415.0)


def test_a_minimum_is_charged_for_a_little_earth() -> None:
    found = estimated(Prices(fill=FillPrice(rate=30.0, minimum=135.0)))
    assert found is not None
    (fill,) = found.priced.lines
    assert (fill.amount.value, fill.amount.low, fill.amount.high) == (135.0, 135.0, 150.0)
    assert found.priced.total == Estimate(135.0, 135.0, 150.0)


def test_of_no_earth_no_minimum_is_charged() -> None:
    """A design that brings nothing was charged the least that bringing something costs."""
    fill = Price(rate=30.0, per="m3", minimum=135.0)
    none = priced_line("", fill, Estimate(0.0, 0.0, 0.0), 0.01, None)
    assert (none.amount, none.at_minimum) == (Estimate(0.0, 0.0, 0.0), False)
    perhaps = priced_line("", fill, Estimate(0.0, 0.0, 2.0), 0.01, None)
    assert perhaps.amount == Estimate(0.0, 0.0, 135.0)


def test_earth_is_priced_by_the_cubic_yard_too() -> None:
    metres = estimated(Prices(cut=CutPrice(rate=20.0, allowance_percent=25.0)))
    # 0.9144 m cubed, NIST Special Publication 811, appendix B.8
    yards = CutPrice(rate=20.0 * 0.764554857984, per="yd3", allowance_percent=25.0)
    found = estimated(Prices(cut=yards))
    assert metres is not None
    assert found is not None
    assert found.priced.total == metres.priced.total
    (line,) = found.priced.lines
    assert (line.per, line.measured.value) == ("yd3", pytest.approx(10 / 0.764554857984))


def test_earth_without_an_interval_is_priced_without_a_range() -> None:
    # on a ground of unknown accuracy nothing bounds a volume
    volume = Estimate(4.0, -math.inf, math.inf)
    line = priced_line("", Price(rate=28.0, per="m3"), volume, 0.01, None)
    assert line.amount == Estimate(112.0, 0.0, math.inf)


def test_what_has_no_price_is_said() -> None:
    assert estimated(Prices(), part("a", 30.0)) is None
    found = estimated(Prices(cut=CutPrice(rate=1.0)), part("a", 30.0))
    assert found is not None
    priced, bare = estimate_findings([found], ["e"])
    assert "Without a price: pad." in priced.text
    assert "Design e: not priced" in bare.text


def test_a_unit_that_the_part_does_not_have_is_refused() -> None:
    kerb = DesignPart(
        "d", "k", "edge", ordered(Quantity("k", "kerb", "line", 1, length=exact(5.0)), None)
    )
    with pytest.raises(InputError, match="asks for an area"):
        estimated(Prices(codes={"kerb": Price(rate=1.0)}), kerb)
