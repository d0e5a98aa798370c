"""Peak flows from what codes, roofs and catchments give, against C i A by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from geosite.analysis.peak_flows import PeakFlow, peak_flow_findings, peak_flows
from geosite.base.errors import InputError
from geosite.base.estimate import Estimate

RAIN = 90.0
"""Millimetres per hour: a quarter of a litre per second and ten square metres."""


def asked(
    *,
    runoff: float | None = 0.2,
    paved: float | None = 0.8,
    roof: float | None = 0.9,
    rain: float | None = RAIN,
    drains_to: str | None = "G2",
    building: bool = True,
) -> tuple[PeakFlow, ...]:
    """Six cells of 10 m2 that drain to G2, two of them paved; two to G1; a roof of 30 m2."""
    codes = {
        "asphalt": SimpleNamespace(runoff=paved, drains_to=None, building=False),
        "grass": SimpleNamespace(runoff=None, drains_to=None, building=False),
        "house": SimpleNamespace(runoff=roof, drains_to=drains_to, building=building),
    }
    drainage = SimpleNamespace(rainfall_mm_per_hour=rain, runoff=runoff)
    notes = SimpleNamespace(
        site=SimpleNamespace(drainage=drainage, codes=codes), site_file="site.toml", asked=_asked
    )
    features = [
        SimpleNamespace(name=name, code=code, area=SimpleNamespace(value=area))
        for name, code, area in (("yard", "asphalt", 20.0), ("lawn", "grass", 9.0))
    ]
    features.append(SimpleNamespace(name="h1", code="house", area=SimpleNamespace(value=30.0)))
    features.append(SimpleNamespace(name="h2", code="house", area=None))
    catchments = [
        _catchment(1, "inlet", 2, Estimate(60.0, 50.0, 90.0)),
        _catchment(2, "edge", 0, Estimate(10.0, 5.0, 15.0)),
        _catchment(3, "inlet", 1, Estimate(20.0, 20.0, 20.0)),
    ]
    water = SimpleNamespace(
        inlets=("G1", "G2"),
        area_names=("lawn", "yard"),
        areas=np.array([[2, 2, 0, 0, 1, 1, 2, 2, 2]]),
        catchment=np.array([[1, 1, 1, 1, 1, 1, 2, 3, 3]]),
        catchments=catchments,
    )
    terrain: Any = SimpleNamespace(water=water)
    made: Any = notes
    return peak_flows(made, SimpleNamespace(features=features), terrain)  # type: ignore[arg-type]


def _catchment(number: int, kind: str, inlet: int, area: Estimate) -> SimpleNamespace:
    return SimpleNamespace(
        catchment=SimpleNamespace(number=number, kind=kind, inlet=inlet), area_m2=area
    )


class _asked:
    """Stands for the place in the site file that an error is told of."""

    def __init__(self, *_: str) -> None:
        pass

    def __enter__(self) -> None:
        pass

    def __exit__(self, *_: object) -> None:
        pass


def test_ground_and_roofs_run_off_by_their_own_shares() -> None:
    second, first = asked()
    assert (second.inlet, first.inlet) == ("G2", "G1")
    assert (second.roof_m2, second.unknown_m2) == (30.0, 0.0)
    # two cells of six paved: (2 * 0.8 + 4 * 0.2) / 6 = 0.4 of 60 m2, and 0.9 of 30 m2
    assert second.coefficient == pytest.approx((0.4 * 60 + 0.9 * 30) / 90)
    assert second.flow_l_s is not None
    flow = second.flow_l_s
    roofs = 0.9 * 30
    by_hand = [(0.4 * area + roofs) / 40 for area in (60.0, 50.0, 90.0)]
    assert (flow.value, flow.low, flow.high) == pytest.approx(by_hand)
    # all of it paved, no roof
    assert first.coefficient == pytest.approx(0.8)
    assert first.roof_m2 == 0.0
    assert first.flow_l_s is not None
    assert first.flow_l_s.value == pytest.approx(0.8 * 20 / 40)


def test_what_no_code_tells_of_is_counted_and_stops_its_own_inlet_alone() -> None:
    second, first = asked(runoff=None)
    assert second.unknown_m2 == pytest.approx(40.0)
    assert (second.coefficient, second.flow_l_s) == (None, None)
    assert first.flow_l_s is not None
    (told,) = peak_flow_findings((second, first), SimpleNamespace(site_file="site.toml"))  # type: ignore[arg-type]
    assert "G2: no peak flow, for of 40 m2" in told.text
    second, _ = asked(runoff=None, roof=None)
    assert second.unknown_m2 == pytest.approx(70.0)


def test_a_roof_without_a_share_of_its_own_takes_that_of_the_site() -> None:
    second, _ = asked(roof=None)
    assert second.coefficient == pytest.approx((0.4 * 60 + 0.2 * 30) / 90)
    kept, _ = asked(roof=0.0)
    assert kept.coefficient == pytest.approx(0.4 * 60 / 90)
    dry, _ = asked(roof=0.0, paved=0.0, runoff=0.0)
    assert dry.flow_l_s is not None
    assert (dry.coefficient, dry.flow_l_s.high) == (0.0, 0.0)


def test_roofs_count_where_they_drain_and_nowhere_without_rain() -> None:
    second, first = asked(drains_to="G1")
    assert (second.roof_m2, first.roof_m2) == (0.0, 30.0)
    assert [flow.roof_m2 for flow in asked(drains_to=None)] == [0.0, 0.0]
    assert asked(rain=None) == ()
    with pytest.raises(InputError) as error:
        asked(drains_to="G3", rain=None)
    assert error.value.problems[0].expected == "one of G1, G2"


def test_only_a_building_has_a_roof() -> None:
    """Paving that names an inlet would count twice there, once as ground and once as roof."""
    assert [flow.roof_m2 for flow in asked(building=False)] == [0.0, 0.0]
