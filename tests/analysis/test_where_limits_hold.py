"""Where the built-in limits can be law: well-known places, and what is said elsewhere."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from geosite.analysis.access.grade_checks import Grade, Requirement, Span
from geosite.analysis.limits import fall_rules, judge, limit_sets
from geosite.analysis.where_limits_hold import default_limit_findings, may_be_in_the_united_states
from geosite.analysis.wording import grade_findings
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.handover.layers import grades as grade_layer
from geosite.handover.wording.measures import verdict_told

INSIDE = {
    "Key West": (-81.78, 24.56),
    "San Diego": (-117.16, 32.72),
    "El Paso": (-106.49, 31.76),
    "Brownsville": (-97.5, 25.9),
    "Detroit": (-83.05, 42.33),
    "Buffalo": (-78.88, 42.89),
    "Madawaska": (-68.33, 47.36),
    "Eastport": (-66.99, 44.9),
    "Sault Ste. Marie, Michigan": (-84.35, 46.5),
    "International Falls": (-93.41, 48.6),
    "Grand Portage": (-89.69, 47.96),
    "Angle Inlet": (-95.07, 49.34),
    "Blaine": (-122.75, 48.99),
    "Neah Bay": (-124.62, 48.37),
    "Nantucket": (-70.1, 41.28),
    "Cape Hatteras": (-75.53, 35.25),
    "Miami": (-80.19, 25.76),
    "New Orleans": (-90.07, 29.95),
    "Chicago": (-87.63, 41.88),
    "Honolulu": (-157.86, 21.31),
    "Anchorage": (-149.9, 61.22),
    "Juneau": (-134.42, 58.3),
    "Attu": (173.0, 52.9),
    "San Juan": (-66.11, 18.47),
    "Hagatna": (144.75, 13.47),
    "Pago Pago": (-170.7, -14.28),
}
OUTSIDE = {
    "Lake Constance": (9.16, 47.64),
    "Toronto": (-79.38, 43.65),
    "Montreal": (-73.57, 45.5),
    "Ottawa": (-75.69, 45.42),
    "Winnipeg": (-97.14, 49.9),
    "Calgary": (-114.07, 51.05),
    "Halifax": (-63.58, 44.65),
    "Monterrey": (-100.32, 25.68),
    "Chihuahua": (-106.09, 28.63),
    "Havana": (-82.38, 23.13),
    "Nassau": (-77.34, 25.04),
    "Santo Domingo": (-69.93, 18.49),
    "Apia": (-171.76, -13.83),
    "Tokyo": (139.69, 35.69),
    "Sydney": (151.21, -33.87),
}


@pytest.mark.parametrize("name", INSIDE)
def test_no_place_of_the_united_states_is_taken_for_abroad(name: str) -> None:
    assert may_be_in_the_united_states(*INSIDE[name])


@pytest.mark.parametrize("name", OUTSIDE)
def test_places_well_outside_are_told_as_such(name: str) -> None:
    assert not may_be_in_the_united_states(*OUTSIDE[name])


def test_nothing_from_the_atlantic_to_japan_nor_south_of_samoa_is_in_the_united_states() -> None:
    eastern = [(east, north) for east in range(-60, 140, 5) for north in range(-85, 90, 5)]
    southern = [(east, north) for east in range(-180, 180, 5) for north in range(-85, -15, 5)]
    arctic = [(east, 75) for east in range(-180, 180, 5)]
    # a corner with a wrong sign makes a thin wedge across the oceans
    eastern += [(east, 24 + k / 4) for east in (-60, -30, 0, 45, 79) for k in range(110)]
    canada = [(east, 52) for east in range(-128, -60, 2)]
    assert not [place for place in eastern + southern + arctic + canada
                if may_be_in_the_united_states(*place)]  # fmt: skip


def test_all_of_the_middle_of_the_states_is_in_them() -> None:
    middle = [(east, north) for east in range(-117, -81, 2) for north in range(34, 42)]
    assert all(may_be_in_the_united_states(*place) for place in middle)


def frame(epsg: int, origin: tuple[float, float]) -> Frame:
    from pyproj import CRS

    return Frame(crs_wkt=CRS.from_epsg(epsg).to_wkt(), crs_name=f"EPSG:{epsg}", origin=origin)


ABROAD = frame(25832, (512_300.0, 5_276_100.0))
AT_HOME = frame(32617, (500_000.0, 4_400_000.0))  # 81 W, 39.7 N


def steep(*, is_default: bool) -> Grade:
    import numpy as np

    walk = limit_sets({})["walk"]
    assert walk.running is not None
    tenth = Estimate.normal(0.1, 0.002, 2.0)
    wanted = Requirement("walk", walk.running.slope, walk.running.section, is_default)
    span = Span("path", "A", "B", 0.0, 10.0, np.zeros((2, 3)))
    return Grade("running", span, tenth, wanted, judge(tenth, wanted.limit))


def fall() -> Any:
    return SimpleNamespace(rule=fall_rules()["building"])


def test_abroad_defaults_are_said_to_be_no_law_with_their_sections() -> None:
    (said,) = default_limit_findings([steep(is_default=True)], [fall()], ABROAD)
    assert said.level == "look"
    assert "2010 ADA Standards for Accessible Design 403.3" in said.text
    assert "International Building Code 1804.4" in said.text
    assert "47.6" in said.text
    assert "outside the United States" in said.text
    assert "[grades] limits_file and [drainage]" in said.text


@pytest.mark.parametrize(
    ("epsg", "longitude", "latitude", "told"),
    [(32631, 0.5, 0.5, "0.50 N, 0.50 E"), (32730, -0.5, -0.25, "0.25 S, 0.50 W")],
)
def test_the_place_is_told_with_its_side_however_near_it_lies_to_the_equator(
    epsg: int, longitude: float, latitude: float, told: str
) -> None:
    from pyproj import Transformer

    at = Transformer.from_crs(4326, epsg, always_xy=True).transform(longitude, latitude)
    (said,) = default_limit_findings([steep(is_default=True)], [], frame(epsg, at))
    assert f"no law at {told}, outside the United States" in said.text


def test_limits_of_the_site_and_sites_in_the_states_need_no_such_word() -> None:
    assert default_limit_findings([steep(is_default=False)], [], ABROAD) == ()
    assert default_limit_findings([steep(is_default=True)], [fall()], AT_HOME) == ()
    # a plan in metres without a CRS lies nowhere on earth
    assert default_limit_findings([steep(is_default=True)], [fall()], Frame()) == ()


def test_a_verdict_on_a_default_says_so() -> None:
    columns = grade_layer.columns()
    default, own = columns.records([steep(is_default=True), steep(is_default=False)])
    assert (default["limit_from"], own["limit_from"]) == ("default", "site")
    assert verdict_told(default) == "beyond the default"
    assert verdict_told(own) == "beyond"
    (text, other) = (grade_findings([steep(is_default=given)])[0].text for given in (True, False))
    assert "path: beyond the default limit" in text
    assert "path: beyond the limit" in other
