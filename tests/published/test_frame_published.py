"""Ground, ellipsoid and grid against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from network_cases import dms, notes

from geosite.base.map_frame import combined_factor, longitude_latitude, map_factors
from geosite.network.adjust import adjust
from geosite.reading.crs import read_crs

FOOT, US_FOOT = 0.3048, 1200 / 3937


def wkt(code: str) -> str:
    return str(read_crs(code)[0].to_wkt())


# ICSM, Geocentric Datum of Australia Technical Manual v2.3, p. 46: MGA zone 55
FLINDERS, BUNINYONG = (273741.297, 5796489.777), (228854.052, 5828259.038)


def test_scale_and_convergence_of_a_national_manual() -> None:
    meridional, parallel, convergence, _ = map_factors(
        wkt("EPSG:28355"), *np.transpose([FLINDERS, BUNINYONG])
    )
    assert meridional == pytest.approx([1.00023056, 1.00050567], abs=1e-8)
    assert parallel == pytest.approx(meridional, abs=1e-8)
    # the manual prints the opposite sign; geodetic azimuth less grid azimuth is positive here
    printed = [dms(1, 35, 3.65), dms(1, 52, 43.22)]
    assert np.degrees(convergence) == pytest.approx(printed, abs=0.01 / 3600)


def test_line_scale_of_a_national_manual() -> None:
    # ellipsoidal distance 54972.271 m, plane distance 54992.279 m, line scale factor 1.00036397;
    # Simpson's rule over ends and middle
    ends = np.array([FLINDERS, BUNINYONG])
    places = np.array([ends[0], ends.mean(axis=0), ends[1]])
    k = map_factors(wkt("EPSG:28355"), *places.T)[0]
    line = 6 / (1 / k[0] + 4 / k[1] + 1 / k[2])
    assert line == pytest.approx(1.00036397, abs=1e-8)
    assert math.dist(*ends) / line == pytest.approx(54972.271, abs=0.001)


# NGS data sheet of a NAD 83(2011) mark quoted by J. Mahun, Horizontal Coordinate Systems, chapters
# K and L: longitude printed, latitude solved from the printed UTM convergence
LONGITUDE, LATITUDE = -dms(89, 43, 53.76403), 42.90636
ORTHOMETRIC, GEOID = 358.6, -33.902


def on_map(code: str) -> tuple[float, float]:
    from pyproj import Transformer

    to_map = Transformer.from_crs("EPSG:6318", code, always_xy=True)
    east, north = to_map.transform(LONGITUDE, LATITUDE)
    return float(east), float(north)


def test_factors_of_a_data_sheet() -> None:
    place = on_map("EPSG:6345")
    k, _, convergence, _ = map_factors(wkt("EPSG:6345"), *place)
    assert k[0] == pytest.approx(1.00021177, abs=6e-8)
    assert math.degrees(convergence[0]) == pytest.approx(-dms(1, 51, 37.6), abs=0.1 / 3600)
    combined = combined_factor(wkt("EPSG:6345"), *place, ORTHOMETRIC + GEOID)
    assert combined[0] == pytest.approx(1.00016082, abs=6e-8)
    k, _, convergence, _ = map_factors(wkt("EPSG:6608"), *on_map("EPSG:6608"))
    assert k[0] == pytest.approx(0.99996957, abs=6e-8)
    assert math.degrees(convergence[0]) == pytest.approx(dms(0, 11, 3.9), abs=0.1 / 3600)


@pytest.mark.parametrize(
    ("code", "longitude", "latitude", "east", "north", "turn"),
    [
        # IOGP Publication 373-7-2, Polar Stereographic variants A and B (figures from memory)
        ("EPSG:5041", 44.0, 73.0, 3320416.75, 632668.43, 44.0),
        ("EPSG:32661", 44.0, 73.0, 3320416.75, 632668.43, 44.0),
        ("EPSG:3032", 120.0, -75.0, 7255380.79, 7053389.56, -50.0),
    ],
)
def test_polar_maps(
    code: str, longitude: float, latitude: float, east: float, north: float, turn: float
) -> None:
    # easting, northing, whatever the order of the register's axes; the turn is the longitude from
    # the straight meridian, Snyder, USGS Professional Paper 1395, p. 158 (page from memory)
    assert longitude_latitude(wkt(code), east, north) == pytest.approx(
        (longitude, latitude), abs=2e-7
    )
    meridional, parallel, convergence, _ = map_factors(wkt(code), east, north)
    assert math.degrees(convergence[0]) == pytest.approx(turn, abs=1e-6)
    assert meridional == pytest.approx(parallel, abs=1e-9)


@pytest.mark.parametrize(
    ("code", "longitude", "latitude", "east", "north", "scale", "turn"),
    [
        # IOGP Publication 373-7-2, worked examples of methods 9807, 9802, 9801, 9809, 9815 and 9819
        # (figures as quoted by public test suites, the last from memory). Scale and convergence,
        # degrees, are worked out anew: Karney 2011 to the sixth power of n, Snyder, USGS
        # Professional Paper 1395, eqs 15-1 to 15-5
        ("EPSG:27700", 0.5, 50.5, 577274.99, 69740.50, 0.9999872867, 1.92956086),
        ("EPSG:32040", -96.0, 28.5, 2963503.91, 254759.80, 0.9999685594, 1.46973789),
        (
            "EPSG:24200",
            -dms(76, 56, 37.26),
            dms(17, 55, 55.80),
            255966.58,
            142493.51,
            1.0000006964,
            0.01740281,
        ),
        ("EPSG:28992", 6.0, 53.0, 196105.283, 557057.739, None, None),
        (
            "EPSG:29873",
            dms(115, 48, 19.8196),
            dms(5, 23, 14.1129),
            679245.73,
            596562.78,
            None,
            None,
        ),
        (
            "EPSG:5514",  # the note prints southing and westing
            dms(16, 50, 59.179),
            dms(50, 12, 32.442),
            -568991.00,
            -1050538.63,
            None,
            None,
        ),
    ],
)
def test_worked_examples_of_map_projections(
    code: str,
    longitude: float,
    latitude: float,
    east: float,
    north: float,
    scale: float | None,
    turn: float | None,
) -> None:
    # a hundredth of a metre or of a foot is printed, 1e-7 degrees
    found = longitude_latitude(wkt(code), east, north)
    assert found == pytest.approx((longitude, latitude), abs=1.5e-7)
    if scale is not None and turn is not None:
        meridional, parallel, convergence, _ = map_factors(wkt(code), east, north)
        assert (meridional[0], parallel[0]) == pytest.approx((scale, scale), abs=1e-9)
        assert math.degrees(convergence[0]) == pytest.approx(turn, abs=3e-7)


@pytest.mark.parametrize(("code", "scale"), [("EPSG:5041", 0.994), ("EPSG:5042", 0.994)])
def test_scale_at_the_pole(code: str, scale: float) -> None:
    # the scale at the pole is what defines the map; R there is a / sqrt(1 - e^2) = 6399593.626 m
    for away in (0.0, 1e-3, 1.0, 50.0):
        factor = combined_factor(wkt(code), 2e6 + away, 2e6, 100.0)[0]
        assert factor == pytest.approx(scale * 6399593.626 / 6399693.626, abs=1e-10)


def test_the_network_uses_elevation_and_geoid_height() -> None:
    east, north = on_map("EPSG:6345")
    square = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
    rows = [("R", n, x, y, 0.0) for n, (x, y) in zip("ABCD", square, strict=True)]
    survey = notes(
        rows,
        {"A": {"easting": east, "northing": north, "elevation": ORTHOMETRIC}},
        crs="EPSG:6345",
        geoid_height=GEOID,
        azimuth={"value": 90.0},
    )
    network = adjust(survey)
    assert network.frame.combined_factor == pytest.approx(1.00016082, abs=6e-8)
    grid_length = math.dist(network.en[0], network.en[1])
    assert grid_length == pytest.approx(10.0 * network.frame.combined_factor, abs=1e-9)


def test_reduction_of_a_line_to_two_grids() -> None:
    # Mahun, chapters K and L: heights 1177 and 1340 ft, geoid -111.2 ft, R 20,906,000 ft; the
    # ground length 5146.201 ft is inferred from the printed grid length
    height = ((1177 + 1340) / 2 - 111.2) * US_FOOT
    east, north = on_map("EPSG:6345")
    k, _, _, radius = map_factors(wkt("EPSG:6345"), east, north)
    elevation_factor = combined_factor(wkt("EPSG:6345"), east, north, height)[0] / k[0]
    assert radius[0] == pytest.approx(20_906_000 * US_FOOT, rel=1e-3)
    # the rounded radius of the example is worth 3e-8 here
    assert elevation_factor == pytest.approx(0.99994512, abs=6e-8)
    ellipsoidal = 5146.201 * US_FOOT * elevation_factor
    assert ellipsoidal == pytest.approx(1568.4790, abs=2e-4)
    assert ellipsoidal / US_FOOT * 0.999969232 == pytest.approx(5145.760, abs=2e-3)
    # half a thousandth of a foot of the inferred length is 0.15 mm, the rounded radius 0.05 mm
    assert ellipsoidal * 1.00021177 == pytest.approx(1568.8111, abs=3e-4)


def test_feet() -> None:
    # NIST/NOAA, Federal Register vol. 85 no. 193, 5 October 2020: 0.3048 m and 1200/3937 m
    assert read_crs("EPSG:2264")[0].axis_info[0].unit_conversion_factor == pytest.approx(
        0.304800609601, abs=1e-12
    )
    rows = [("R", "A", 0.0, 0.0, 10.0), ("R", "B", 100.0, 0.0, 20.0), ("R", "C", 100.0, 50.0, 30.0)]
    place = {"easting": 1_500_000.0, "northing": 600_000.0, "elevation": 700.0}
    north = {"value": 0.0}
    for unit, foot in (("ft", FOOT), ("ftUS", US_FOOT)):
        for crs, map_foot in (("EPSG:2264", US_FOOT), ("EPSG:2992", FOOT)):
            network = adjust(notes(rows, {"A": place}, crs=crs, unit=unit, azimuth=north))
            moved = network.frame.to_map(network.en)
            ground = math.dist(moved[0], moved[1]) / network.frame.combined_factor
            assert ground * map_foot == pytest.approx(100 * foot, abs=1e-8)
            assert network.elevation[0] == pytest.approx(700 * map_foot, abs=1e-9)
            assert network.elevation[1] - network.elevation[0] == pytest.approx(10 * foot, abs=1e-9)
            assert network.frame.unit_name == ("US survey foot" if crs == "EPSG:2264" else "foot")
