"""Closure, accuracy classes and azimuths against published figures."""

from __future__ import annotations

import dataclasses
import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from network_cases import Row, dms, notes

from geosite.base.errors import InputError, SurveyRefused
from geosite.network.accuracy.check_points import nssda_horizontal, nssda_vertical
from geosite.network.accuracy.precision import (
    allowed_relative_precision,
    angular_limit,
    levelling_mm_per_sqrt_km,
)
from geosite.network.adjust import adjust
from geosite.network.control.anchor import read_anchor
from geosite.network.control.declination import magnetic_declination
from geosite.network.place_on_map import scale_plane
from geosite.network.report import CLOSURE_CLASSES

FOOT = 0.3048


def loop(points: list[tuple[float, float]]) -> list[Row]:
    """One run around points (east, north) in feet, the last visit to A as it was computed."""
    names = "ABCDEFGH"[: len(points) - 1] + "A"
    return [("R", n, *p, 0.0) for n, p in zip(names, points, strict=True)]


def closed(points: list[tuple[float, float]], limit: float) -> Any:
    azimuth = math.degrees(math.atan2(points[1][0], points[1][1]))
    return adjust(
        notes(
            loop(points),
            {"A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0}},
            noise=(0.0, 0.004),
            limit=limit,
            unit="ft",
            azimuth={"value": azimuth},
        )
    ).closures[0]


def test_closure_arithmetic_of_a_forum_example() -> None:
    # landsurveyorsunited.com, "Procedure for LEOC": sums N 926.1908, S 926.1124, E 1271.5510,
    # W 1271.6325, perimeter 3739 ft; error 0.1131 ft, about 1:33000
    north, south, east, west, perimeter = 926.1908, 926.1124, 1271.5510, 1271.6325, 3739.0
    half = perimeter / 2
    # there by a leg east and a slanting one, back likewise, so that the perimeter is as printed
    out = (half**2 - north**2 - east**2) / (2 * (half - east))
    back = (half**2 - south**2 - west**2) / (2 * (half - west))
    points = [(0.0, 0.0), (out, 0.0), (east, north)]
    points += [(east - back, north), (east - west, north - south)]
    closure = closed(points, limit=10_000)
    assert closure.length_m / FOOT == pytest.approx(perimeter, abs=1e-6)
    assert closure.misclosure_m / FOOT == pytest.approx(0.1131, abs=6e-5)
    assert closure.ratio == pytest.approx(33_063, abs=20)


# J. Mahun (1:12116 and 1:6884) and Purdue ASM 215 (1:2792): the loops of the compass-rule tests
LOOPS = {
    12116: [(0, 0), (-438.548, -176.357), (-511.641, 27.038), (-312.990, 219.395), (0.075, 0.083)],
    6884: [(0, 0), (222.918, -306.820), (-172.757, -409.972), (-248.666, -121.130), (-0.128, 0.15)],
    2792: [
        (0, 0),
        (125.72, 255.88),
        (716.50, 102.18),
        (523.96, -592.10),
        (517.94, -389.19),
        (0.533, -0.704),
    ],
}


@pytest.mark.parametrize("ratio", LOOPS)
def test_closure_classes_are_a_setting(ratio: int) -> None:
    # WAC 332-130-090(1): 1:10,000 in business districts, 1:5,000 elsewhere; Clark County Code
    # 40.540.100.A tightens the second to the first, so the limit is a setting
    for limit in (5_000, 10_000):
        if ratio >= limit:
            assert closed(LOOPS[ratio], limit).ratio == pytest.approx(ratio, rel=0.01)
        else:
            with pytest.raises(SurveyRefused, match=f"expected 1:{limit} or better"):
                closed(LOOPS[ratio], limit)


def test_closure_classes_that_are_reported() -> None:
    ratios = [ratio for rule in CLOSURE_CLASSES.values() for ratio, _ in rule]
    # WAC 332-130-090(1); FGCC 1984 table 2.1 (from memory): 1:5,000 third order class II, 1:10,000
    # third class I, 1:20,000 and 1:50,000 second order, 1:100,000 first order
    assert ratios == [5_000, 10_000, 20_000, 50_000, 100_000]


def test_angular_misclosure_rule() -> None:
    # WAC 332-130-090(2): 10 seconds and 30 seconds times the root of the number of angles
    for angles, ten, thirty in ((4, 20.0, 60.0), (5, 22.36, 67.08)):
        assert math.degrees(angular_limit(10, angles)) * 3600 == pytest.approx(ten, abs=5e-3)
        assert math.degrees(angular_limit(30, angles)) * 3600 == pytest.approx(thirty, abs=5e-3)
    # FGCS as quoted in lecture notes: 1.7, 3, 4.5, 10, 20 seconds for one angle, first to third II
    for seconds in (1.7, 3.0, 4.5, 10.0, 20.0):
        assert math.degrees(angular_limit(seconds, 1)) * 3600 == pytest.approx(seconds)
        assert angular_limit(seconds, 9) == pytest.approx(3 * angular_limit(seconds, 1))


def test_direction_misclosure_is_reported_against_the_rule() -> None:
    # the frame of a run that turned by 0.1 degree between its two looks along the baseline
    turn = math.radians(0.1)
    square = [(0, 0), (100, 0), (100, 100), (0, 100)]
    back = [(0, 0), (100 * math.cos(turn), 100 * math.sin(turn))]
    rows = [("R", n, *p, 0.0) for n, p in zip("ABCDAB", square + back, strict=True)]
    known = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
        "B": {"easting": 100.0, "northing": 0.0},
    }
    asked = notes(rows, known)
    survey = replace(asked.site.survey, closure_rules=("WAC 332-130-090",))
    asked = dataclasses.replace(asked, site=replace(asked.site, survey=survey))
    (run,) = adjust(asked).report.runs
    assert run.direction.misclosure_deg == pytest.approx(0.1, abs=1e-9)
    assert run.direction.angles == 3
    assert run.direction.limit_30_deg == pytest.approx(30 * math.sqrt(3) / 3600)
    spread = math.sqrt(0.005**2 + 0.004**2 * 100) / 100
    assert run.direction.sigma_deg == pytest.approx(math.degrees(math.sqrt(2) * spread), rel=1e-6)


def test_two_centimetres_plus_fifty_parts_per_million() -> None:
    # 2021 ALTA/NSPS Minimum Standard Detail Requirements, 3.E.v
    allowed = allowed_relative_precision(np.array([10.0, 20.0, 100.0, 1000.0]))
    assert allowed == pytest.approx([0.0205, 0.0210, 0.0250, 0.0700], abs=1e-12)


def test_neighbouring_marks_are_compared_as_information() -> None:
    rows = [("R", n, x, 0.0, 0.0) for n, x in zip("ABCD", (0.0, 100.0, 140.0, 1100.0), strict=True)]
    known = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
        "B": {"easting": 100.0, "northing": 0.0},
    }
    found = adjust(notes(rows, known, noise=(0.0, 0.001))).report.neighbour_precision
    # one leg of 40 m: 0.001 x sqrt(40) per axis along, with the turn of the baseline across
    assert found.pairs == 3
    assert found.worst_pair == ("C", "D")
    assert found.allowed_m == pytest.approx(0.02 + 50e-6 * 960, abs=1e-6)
    across = math.hypot(0.001 * math.sqrt(960), 960 * 0.001 * math.sqrt(100) / 100)
    assert found.worst_95_m == pytest.approx(2.4477 * across, rel=1e-3)
    assert found.within == 2


def test_nssda_factors() -> None:
    # FGDC-STD-007.3-1998: 1.7308 RMSE_r where both axes are equal, 1.9600 RMSE_z
    error = np.array([0.1, -0.1, 0.1, -0.1])
    radial, at_95 = nssda_horizontal(error, error)
    assert radial == pytest.approx(0.1 * math.sqrt(2))
    assert at_95 / radial == pytest.approx(1.7308, abs=5e-5)
    rmse, at_95 = nssda_vertical(error)
    assert rmse == pytest.approx(0.1)
    assert at_95 / rmse == pytest.approx(1.9600)
    # unequal axes, ratio 0.8: 2.4477 x 0.5 x (RMSE_x + RMSE_y)
    assert nssda_horizontal(error, 0.8 * error)[1] == pytest.approx(2.4477 * 0.09, abs=5e-6)
    assert nssda_horizontal(0.6001 * error, error)[1] == pytest.approx(2.4477 * 0.080005, abs=5e-6)
    # below 0.6 the standard is silent; Harter 1960, Circular Error Probabilities, JASA 55:723-731,
    # P = 0.95 (from memory, integrated anew): radius in standard deviations of the larger axis
    for ratio, radius in ((0.0, 1.95996), (0.1, 1.96253), (0.3, 1.98420), (0.5, 2.03586)):
        for axes in ((error, ratio * error), (ratio * error, error)):
            assert nssda_horizontal(*axes)[1] == pytest.approx(0.1 * radius, rel=2e-5)
    assert nssda_horizontal(0 * error, 0 * error) == (0.0, 0.0)


def test_levelling_misclosure() -> None:
    # FGCC 1984 (from memory): third order 12 mm sqrt(K); over 1 km 12 mm, over 0.25 km 6 mm
    for length, up in ((1000.0, 0.012), (250.0, 0.006)):
        side = length / 4
        ring = [(0, 0, 0), (side, 0, 1), (side, side, 2), (0, side, 1), (0, 0, up)]
        rows = [("R", n, *p) for n, p in zip("ABCDA", ring, strict=True)]
        known = {
            "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
            "B": {"easting": side, "northing": 0.0},
        }
        network = adjust(notes(rows, known))
        (closure,) = network.closures
        assert levelling_mm_per_sqrt_km(closure) == pytest.approx(12.0, rel=1e-9)
        (reported,) = network.report.closures
        assert reported.levelling_mm_per_sqrt_km == pytest.approx(12.0, rel=1e-9)


def test_same_line_on_two_scales() -> None:
    # J. Mahun, Horizontal Coordinate Systems, table L-3: 1305.3993 m on a grid of scale
    # 1.000209087 is 1305.4028 m on one of scale 1.00021177
    crs = "+proj=tmerc +lat_0=43 +lon_0=-89 +k={} +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"
    ground = 1305.3993 / 1.000209087
    lengths = []
    for scale in (1.000209087, 1.00021177):
        # north and south of the middle of the map, where the scale is that of the central meridian
        rows = [("R", "A", 0.0, 0.0, 0.0), ("R", "B", ground, 0.0, 0.0)]
        known = {"A": {"easting": 0.0, "northing": -650.0, "elevation": 0.0}}
        network = adjust(notes(rows, known, crs=crs.format(scale), azimuth={"value": 0.0}))
        lengths.append(math.dist(network.en[0], network.en[1]))
    assert lengths == pytest.approx([1305.3993, 1305.4028], abs=1e-4)


# ---- azimuths ------------------------------------------------------------------------------------

# ICSM, Geocentric Datum of Australia Technical Manual v2.3, p. 46
FLINDERS = {"easting": 273741.297, "northing": 5796489.777, "elevation": 350.948}
TRUE_AZIMUTH, PLANE_BEARING = dms(306, 52, 5.37), dms(305, 17, 1.72)


def azimuth_of_baseline(**azimuth: Any) -> float:
    rows = [("R", "A", 0.0, 0.0, 0.0), ("R", "B", 100.0, 0.0, 0.0), ("R", "A", 0.0, 0.0, 0.0)]
    survey = notes(rows, {"A": FLINDERS}, crs="EPSG:28355", azimuth=azimuth)
    network = adjust(survey)
    east, north = network.en[1] - network.en[0]
    return math.degrees(math.atan2(east, north)) % 360


def test_true_azimuth_becomes_a_grid_azimuth() -> None:
    # printed: true azimuth 306-52-05.37, grid bearing 305-17-01.72, both at Flinders Peak
    found = azimuth_of_baseline(value=TRUE_AZIMUTH, reference="true")
    assert found == pytest.approx(PLANE_BEARING, abs=0.02 / 3600)
    assert azimuth_of_baseline(value=PLANE_BEARING) == pytest.approx(PLANE_BEARING, abs=1e-9)


def test_magnetic_azimuth_adds_the_declination() -> None:
    # grid azimuth = magnetic azimuth + declination (east positive) - convergence
    from pyproj import Transformer

    to_globe = Transformer.from_crs("EPSG:28355", "EPSG:4283", always_xy=True)
    longitude, latitude = to_globe.transform(FLINDERS["easting"], FLINDERS["northing"])
    declination, _ = magnetic_declination(latitude, longitude, 350.948, 2026.5)
    assert 11 < declination < 13  # about 12 degrees east around Melbourne
    found = azimuth_of_baseline(value=300.0, reference="magnetic", date="2026-07-02")
    expected = 300.0 + declination - dms(1, 35, 3.65)
    assert found == pytest.approx(expected, abs=0.002)


# NOAA/NCEI and BGS, World Magnetic Model 2025 test values (WMM2025_TEST_VALUES.txt), 2025.0
WMM = [
    (0.0, 80.0, 0.0, 6521.6, 145.9, 1.28),
    (0.0, 0.0, 120.0, 39677.8, -109.6, -0.16),
    (0.0, -80.0, 240.0, 6117.5, 15751.9, 68.78),
    (100.0, 80.0, 0.0, 6216.0, 92.4, 0.85),
    (100.0, 0.0, 120.0, 37688.6, -96.2, -0.15),
    (100.0, -80.0, 240.0, 5907.6, 14780.3, 68.21),
]


@pytest.mark.parametrize(("height", "latitude", "longitude", "x", "y", "declination"), WMM)
def test_world_magnetic_model(
    height: float, latitude: float, longitude: float, x: float, y: float, declination: float
) -> None:
    found, horizontal = magnetic_declination(latitude, longitude, height * 1000, 2025.0)
    assert found == pytest.approx(declination, abs=0.005)
    assert horizontal == pytest.approx(math.hypot(x, y), abs=0.1)


@pytest.mark.parametrize(
    ("day", "says"),
    [("2024-12-31", "2024-12-31 is outside"), ("2030-01-01", "2030-01-01 is outside")],
)
def test_outside_the_models_validity(day: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        azimuth_of_baseline(value=300.0, reference="magnetic", date=day)
    azimuth_of_baseline(value=300.0, reference="magnetic", date="2029-12-31")


def test_no_compass_near_the_magnetic_pole() -> None:
    rows = [("R", "A", 0.0, 0.0, 0.0), ("R", "B", 100.0, 0.0, 0.0)]
    survey = notes(
        rows,
        {"A": {"easting": 0.0, "northing": 0.0}},
        crs="+proj=tmerc +lat_0=84 +lon_0=140 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +type=crs",
        azimuth={"value": 10.0, "reference": "magnetic", "date": "2026-01-01"},
    )
    with pytest.raises(InputError, match="a compass is not reliable here"):
        read_anchor(survey)


def test_uncertainty_of_a_compass_swings_the_survey() -> None:
    rows = [("R", "A", 0.0, 0.0, 0.0), ("R", "B", 100.0, 0.0, 0.0), ("R", "A", 0.0, 0.0, 0.0)]
    given = {"value": 300.0, "reference": "magnetic", "date": "2026-07-02"}
    network = adjust(notes(rows, {"A": FLINDERS}, crs="EPSG:28355", azimuth=given))
    (run,) = network.report.runs
    # half a degree of compass and the model's own: sqrt(0.26^2 + (5417 / H)^2), WMM2025
    assert run.orientation_sigma_deg == pytest.approx(math.hypot(0.5, 0.26, 5417 / 22_300), 0.02)


# ---- arc to chord --------------------------------------------------------------------------------


def test_arc_to_chord() -> None:
    # formula 25.4e-10 dN (2 E1' + E2') / 3 seconds, E' = E - 500000 (quoted from NOAA Manual NOS
    # NGS 5), printed 19.47" and 20.67" for the line Flinders Peak to Buninyong. The bend of a leg
    # in this network comes from the change of scale around the survey's middle, so take the line
    # around its own middle: half of dN times the slope of the scale, at each end
    ends = np.array([[273741.297, 5796489.777], [228854.052, 5828259.038]])
    survey = notes(
        [("R", "A", 0.0, 0.0, 0.0), ("R", "B", 1.0, 0.0, 0.0)],
        {"A": {"easting": float(ends[:, 0].mean()), "northing": float(ends[:, 1].mean())}},
        crs="EPSG:28355",
        azimuth={"value": 0.0},
    )
    frame = read_anchor(survey).frame
    middle, half = frame.to_local(ends.mean(axis=0)), np.abs(ends[1] - ends[0]) / 2
    slope, _ = scale_plane(frame, middle, half, 0.0)
    step = ends[1] - ends[0]
    turned = (slope[0] * step[1] - slope[1] * step[0]) / frame.grid_scale_factor
    # over the whole line the two corrections add up to the turn of the tangent
    assert abs(math.degrees(turned) * 3600) == pytest.approx(19.47 + 20.67, abs=0.02)
    formula = 25.4e-10 * step[1] * (ends[:, 0] - 500_000).sum()
    assert abs(formula) == pytest.approx(19.465 + 20.672, abs=0.01)


# ---- sites of kilometres -------------------------------------------------------------------------


@pytest.mark.parametrize("ellipsoidal_height", [0.0, 900.0])
def test_a_site_of_kilometres_on_a_map_whose_scale_changes(ellipsoidal_height: float) -> None:
    # Truth: the azimuthal equidistant projection around the middle of the site is the plane that a
    # device walks in (lengths right to (d/R)^2/6, 4e-8 here); PROJ takes it to the map. One factor
    # for the whole site would be wrong by 48 mm, and straight legs would not bend
    from pyproj import Transformer

    middle = (8.2, 47.5)
    corners = {
        "A": (-1500.0, -1500.0),
        "B": (1500.0, -1500.0),
        "C": (1500.0, 1500.0),
        "D": (-1500.0, 1500.0),
        "E": (0.0, 300.0),
    }
    to_map = Transformer.from_pipeline(
        f"+proj=pipeline +step +inv +proj=aeqd +lat_0={middle[1]} +lon_0={middle[0]} +ellps=GRS80 "
        "+step +proj=tmerc +lat_0=0 +lon_0=3 +k=0.9996 +x_0=500000 +ellps=GRS80"
    )
    truth = {s: np.array(to_map.transform(*xy)) for s, xy in corners.items()}
    lift = 1 + ellipsoidal_height / 6_378_000
    stops = "AEBECEDA"
    legs = [("R", "A", -1500.0 * lift, -1500.0 * lift, 0.0)]
    for a, b in pairwise(stops):
        # thirty steps per leg, as a walk has
        for k in range(1, 31):
            x, y = np.array(corners[a]) + k / 30 * (np.array(corners[b]) - np.array(corners[a]))
            legs.append(("R", b if k == 30 else "", float(x * lift), float(y * lift), 0.0))
    known = {
        s: {
            "easting": float(truth[s][0]),
            "northing": float(truth[s][1]),
            "elevation": ellipsoidal_height,
            "sigma": 0.001,
        }
        for s in "AB"
    }
    crs = "+proj=tmerc +lat_0=0 +lon_0=3 +k=0.9996 +x_0=500000 +ellps=GRS80 +units=m +type=crs"
    network = adjust(notes(legs, known, crs=crs, noise=(0.0001, 0.0001)))
    rows = {s: next(i for i, leg in enumerate(legs) if leg[1] == s) for s in "CDE"}
    for s, row in rows.items():
        off = network.frame.to_map(network.en[row]) - truth[s]
        assert np.abs(off).max() < 0.002, (s, off)
