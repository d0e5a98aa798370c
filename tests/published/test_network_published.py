"""Closed loops adjusted by the network against published compass-rule examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from network_cases import Row, dms, notes

from geosite.base.errors import SurveyRefused
from geosite.network.adjust import adjust
from geosite.network.model import Network

FOOT = 0.3048


def closed_loop(latitudes: list[float], departures: list[float], names: str) -> list[Row]:
    """Field book of one run that starts and ends on the first mark, feet."""
    north = np.concatenate([[0.0], np.cumsum(latitudes)])
    east = np.concatenate([[0.0], np.cumsum(departures)])
    return [
        ("R1", name, x, y, 0.0) for name, x, y in zip(names + names[0], east, north, strict=True)
    ]


def adjusted_by_azimuth(rows: list[Row], lat: float, dep: float, limit: float = 300) -> Network:
    """Anchor the first mark and the adjusted azimuth of the first leg; zero constant noise."""
    azimuth = math.degrees(math.atan2(dep, lat))
    survey = notes(
        rows,
        {"A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0}},
        noise=(0.0, 0.004),
        limit=limit,
        unit="ft",
        azimuth={"value": azimuth},
    )
    return adjust(survey)


def legs_in_feet(network: Network) -> tuple[np.ndarray, np.ndarray]:
    step = np.diff(network.en, axis=0) / FOOT
    return step[:, 1], step[:, 0]


# J. Mahun, Open Access Surveying Library, Traverse Computations, chapter I
MAHUN_LAT = [-176.357, 203.395, 192.357, -219.312]
MAHUN_DEP = [-438.548, -73.093, 198.651, 313.065]
MAHUN_ADJUSTED_LAT = [-176.386, 203.382, 192.340, -219.336]
MAHUN_ADJUSTED_DEP = [-438.574, -73.105, 198.635, 313.044]


def test_compass_rule_of_a_textbook_loop() -> None:
    rows = closed_loop(MAHUN_LAT, MAHUN_DEP, "ABCD")
    network = adjusted_by_azimuth(rows, MAHUN_ADJUSTED_LAT[0], MAHUN_ADJUSTED_DEP[0])
    lat, dep = legs_in_feet(network)
    assert lat == pytest.approx(MAHUN_ADJUSTED_LAT, abs=1e-3)
    assert dep == pytest.approx(MAHUN_ADJUSTED_DEP, abs=1e-3)
    (loop,) = network.closures
    assert loop.length_m / FOOT == pytest.approx(1347.57, abs=5e-3)
    assert loop.misclosure_m / FOOT == pytest.approx(0.1112, abs=1e-3)
    # recomputed from the bearings and lengths; the departures above are rounded
    assert loop.ratio == pytest.approx(12116, rel=0.01)
    # area by coordinates of the adjusted loop, chapter G
    east, north = network.en.T / FOOT
    area = abs(east @ np.roll(north, -1) - north @ np.roll(east, -1)) / 2
    assert area == pytest.approx(102935.7, abs=0.3)


def test_compass_rule_holds_when_two_marks_anchor_the_loop() -> None:
    rows = closed_loop(MAHUN_LAT, MAHUN_DEP, "ABCD")
    known = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
        "B": {"easting": -438.574 * FOOT, "northing": -176.386 * FOOT},
    }
    network = adjust(notes(rows, known, noise=(0.0, 0.004), unit="ft"))
    lat, dep = legs_in_feet(network)
    assert lat == pytest.approx(MAHUN_ADJUSTED_LAT, abs=1e-3)
    assert dep == pytest.approx(MAHUN_ADJUSTED_DEP, abs=1e-3)


def test_compass_rule_of_a_self_study_solution() -> None:
    # J. Mahun, Open Access Surveying Library, self-study solution, Traverse Adjustment problem 1
    legs = [
        (180 - dms(36, 0, 0), 379.25),
        (180 + dms(75, 23, 18), 408.90),
        (360 - dms(14, 43, 29), 298.65),
        (dms(63, 59, 20), 276.55),
    ]
    lat = [length * math.cos(math.radians(azimuth)) for azimuth, length in legs]
    dep = [length * math.sin(math.radians(azimuth)) for azimuth, length in legs]
    assert lat == pytest.approx([-306.820, -103.152, 288.842, 121.280], abs=6e-4)
    network = adjusted_by_azimuth(closed_loop(lat, dep, "ABCD"), -306.862, 222.954)
    adjusted_lat, adjusted_dep = legs_in_feet(network)
    assert adjusted_lat == pytest.approx([-306.862, -103.197, 288.809, 121.250], abs=1.5e-3)
    assert adjusted_dep == pytest.approx([222.954, -395.637, -75.881, 248.564], abs=1.5e-3)
    assert network.closures[0].ratio == pytest.approx(6884, rel=0.01)


# Purdue University ASM 215, Traverse calculations
PURDUE = [
    (dms(26, 10), 285.10),
    (dms(104, 35), 610.45),
    (dms(195, 30), 720.48),
    (dms(358, 18), 203.00),
    (dms(306, 54), 647.02),
]
PURDUE_BALANCED = (
    [255.96, -153.52, -694.07, 202.97, 388.66],
    [125.66, 590.65, -192.69, -6.07, -517.55],
)


def purdue(limit: float) -> Network:
    lat = [length * math.cos(math.radians(azimuth)) for azimuth, length in PURDUE]
    dep = [length * math.sin(math.radians(azimuth)) for azimuth, length in PURDUE]
    # full precision of the balanced first leg: correction in proportion to its length
    share = PURDUE[0][1] / 2466.05
    return adjusted_by_azimuth(
        closed_loop(lat, dep, "ABCDE"), lat[0] - sum(lat) * share, dep[0] - sum(dep) * share, limit
    )


def test_compass_rule_of_a_course_example() -> None:
    network = purdue(limit=300)
    lat, dep = legs_in_feet(network)
    assert lat == pytest.approx(PURDUE_BALANCED[0], abs=0.012)
    assert dep == pytest.approx(PURDUE_BALANCED[1], abs=0.012)
    (loop,) = network.closures
    assert loop.ratio == pytest.approx(2792, rel=0.01)
    assert loop.misclosure_m / FOOT == pytest.approx(0.8833, abs=1e-3)


def test_the_course_example_fails_1_in_5000() -> None:
    with pytest.raises(SurveyRefused) as refused:
        purdue(limit=5000)
    assert refused.value.exit_code == 3
    assert [p.code for p in refused.value.problems] == ["closure"]
    assert str(refused.value).startswith("field_book.csv:7: run R1 came back to mark A after 751.6")
    assert "1:2792; expected 1:5000 or better" in str(refused.value)
