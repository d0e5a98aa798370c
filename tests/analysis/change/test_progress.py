"""What was added per code, and what only was not walked again."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from geosite.analysis.change.progress import features_not_walked_again, progress
from geosite.analysis.takeoff.quantities import Quantity, TakeOff
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Code


def drawing(*features: tuple[str, str]) -> SimpleNamespace:
    return SimpleNamespace(features=[SimpleNamespace(name=n, code=c) for n, c in features])


def test_a_feature_that_only_the_first_survey_has_is_named_with_its_code() -> None:
    before = drawing(("tank", "slab"), ("pad", "slab"), ("wall", "kerb"), ("hut", "roof"))
    after = drawing(("pad", "slab"), ("new pad", "slab"), ("wall", "kerb"))
    # the code of the hut was not walked again at all: it is left out of the comparison
    assert features_not_walked_again(before, after) == (("tank", "slab"),)
    assert features_not_walked_again(before, before) == ()


def taken(*codes: Quantity) -> TakeOff:
    return TakeOff((), codes, (), {})


def quantity(code: str, kind: Any, **measured: float) -> Quantity:
    """What was measured to 4 and 3 cm, 95 % and sigma."""
    some: Any = {
        name: SimpleNamespace(estimate=Estimate(value, value - 0.04, value + 0.04, 0.03))
        for name, value in measured.items()
    }
    return Quantity("", code, kind, 5, **some)


def test_what_was_added_is_told_by_code_and_quantity() -> None:
    before = taken(quantity("slab", "area", net_area=20.0), quantity("gone", "line", length=7.0))
    after = taken(
        quantity("slab", "area", net_area=25.0, volume=2.5),
        quantity("bollard", "point"),
        quantity("kerb", "line", length=9.0),
    )
    found = progress(before, after, {"slab": Code(geometry="area", title="Slab")})
    assert [
        (p.code, p.title, p.quantity, p.unit, p.before.value, p.added.value) for p in found
    ] == [
        ("slab", "Slab", "area", "m2", 20.0, 5.0),
        ("slab", "Slab", "volume", "m3", 0.0, 2.5),
        ("bollard", "", "count", "", 0.0, 5.0),
        ("kerb", "", "length", "m", 0.0, 9.0),
    ]
    area = found[0].added
    assert (area.low, area.high) == pytest.approx((5 - 0.04 * 2**0.5, 5 + 0.04 * 2**0.5))
    assert area.sigma == pytest.approx(0.03 * 2**0.5)
    count = found[2].added
    assert (count.low, count.high, count.sigma) == (5.0, 5.0, 0.0)
