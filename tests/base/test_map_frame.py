"""What can carry a survey and what cannot: CRS, units, marks by latitude and longitude."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from network_cases import notes

from geosite.base.errors import InputError
from geosite.base.map_frame import Frame
from geosite.network.adjust import adjust
from geosite.network.control.anchor import read_anchor
from geosite.network.control.facts import FromGlobe
from geosite.reading.crs import read_crs, read_vertical_crs

SQUARE = [
    ("R", "A", 0.0, 0.0, 0.0),
    ("R", "B", 20.0, 0.0, 0.0),
    ("R", "C", 20.0, 20.0, 1.0),
    ("R", "A", 0.0, 0.0, 0.0),
]
EAST = {"value": 90.0}
ENGINEERING = (
    'ENGCRS["yard",EDATUM["yard"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
    'LENGTHUNIT["metre",1]]'
)


@pytest.mark.parametrize(
    ("crs", "says"),
    [
        ("EPSG:4326", "is geographic"),
        ("EPSG:4979", "is geographic"),
        ("EPSG:4978", "is geocentric"),
        ("EPSG:3857", "is Web Mercator"),
        ("EPSG:3785", "is Web Mercator"),
        ("+proj=merc +a=6378137 +b=6378137 +units=m +type=crs", "is Web Mercator"),
        ("EPSG:4087", "is an equidistant cylindrical map of the world"),
        ("EPSG:32663", "is an equidistant cylindrical map of the world"),
        ("+proj=eqc +datum=WGS84 +units=m +type=crs", "is an equidistant cylindrical map"),
        ("EPSG:22300", "is one that PROJ cannot compute"),
        ("EPSG:32600", "is one that PROJ cannot compute"),
        ("EPSG:2048", "has axes west and south"),
        ("EPSG:5513", "has axes south and west"),
        ("EPSG:7837", "is a vertical CRS"),
        (ENGINEERING, "is of type Engineering CRS"),
        ("EPSG:999999", "is unknown"),
        ("NOSUCH:25832", "is unknown"),
        ("", "is not understood"),
        ("25832", "is not understood"),
        ("UTM zone 32", "is not understood"),
        ("https://example.com/crs.wkt", "is an address"),
        ("http://www.opengis.net/def/crs/EPSG/0/25832", "is an address"),
        ("/etc/passwd", "is not understood"),
        ("../site.prj", "is not understood"),
        ("+init=epsg:25832", "names a file"),
        ("+proj=utm +zone=32 +ellps=intl +nadgrids=/tmp/x.gsb +type=crs", "names a file"),
        ("+proj=utm +zone=32 +geoidgrids=x.gtx", "names a file"),
        ('PROJCRS["x"', "is not understood"),
        ('PROJCRS["x"]', "is unknown"),
        ("+proj=nonsense +zone=32", "is unknown"),
        ("+proj=utm +zone=32 " + "+k=1 " * 9000, "is too long"),
        ("EPSG:25832\x00", "is not understood"),
    ],
)
def test_crs_that_cannot_carry_a_survey(crs: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as refused:
        read_crs(crs, "site.toml", 5)
    (problem,) = refused.value.problems
    assert str(problem).startswith("site.toml:5: crs ")
    assert "\n" not in str(problem)


@pytest.mark.parametrize(
    ("crs", "name", "unit"),
    [
        ("EPSG:25832", "EPSG:25832", "metre"),
        ("epsg:31467", "EPSG:31467", "metre"),  # axes north, east: given as easting, northing
        ("EPSG:2264", "EPSG:2264", "US survey foot"),
        ("EPSG:2992", "EPSG:2992", "foot"),
        ("EPSG:5514", "EPSG:5514", "metre"),
    ],
)
def test_projected_crs_are_taken(crs: str, name: str, unit: str) -> None:
    east, north = {
        "EPSG:25832": (512300, 5276100),
        "EPSG:31467": (3512300, 5276100),
        "EPSG:2264": (1540000, 640000),
        "EPSG:2992": (1_300_000, 1_000_000),
        "EPSG:5514": (-600000, -1150000),
    }[name]
    place = {"A": {"easting": east, "northing": north}}
    frame = read_anchor(notes(SQUARE, place, crs=crs, azimuth=EAST)).frame
    assert (frame.crs_name, frame.unit_name) == (name, unit)
    assert frame.origin == (east, north)


@pytest.mark.parametrize(
    ("crs", "middle"),
    [
        ("EPSG:5041", 2e6),
        ("EPSG:5042", 2e6),
        ("EPSG:32661", 2e6),
        ("EPSG:3031", 0.0),
        ("EPSG:3995", 0.0),
        ("EPSG:3413", 0.0),
        ("+proj=stere +lat_0=90 +lat_ts=71 +lon_0=0 +ellps=WGS84 +type=crs", 0.0),
    ],
)
@pytest.mark.parametrize("away", [0.0, 5.0, 400_000.0])
def test_polar_crs_are_taken(crs: str, middle: float, away: float) -> None:
    place = {"A": {"easting": middle + away, "northing": middle - away}}
    network = adjust(notes(SQUARE, place, crs=crs, azimuth=EAST))
    # axes that are both called south or north: x to the right, y up all the same
    ground = (network.en - network.en[0]) / network.frame.combined_factor
    assert ground == pytest.approx(np.array([row[2:4] for row in SQUARE]), abs=1e-7)
    assert network.frame.to_map(network.en[0]) == pytest.approx(
        [middle + away, middle - away], abs=1e-6
    )


def test_true_north_at_the_pole_is_refused() -> None:
    true = {"value": 90.0, "reference": "true"}
    at_pole = {"A": {"easting": 2e6, "northing": 2e6}}
    with pytest.raises(InputError, match="true north has no direction at the pole"):
        read_anchor(notes(SQUARE, at_pole, crs="EPSG:5041", azimuth=true))
    # 20 m along the meridian of 90 degrees east true north points west: what is walked at a true
    # azimuth of 90 degrees goes to grid north
    beside = {"A": {"easting": 2e6 + 20, "northing": 2e6}}
    azimuth = read_anchor(notes(SQUARE, beside, crs="EPSG:5041", azimuth=true)).azimuth
    assert azimuth is not None
    assert azimuth[0] == pytest.approx(0.0, abs=1e-9)


def test_wkt_of_a_crs_is_taken() -> None:
    from pyproj import CRS

    for version in ("WKT2_2019", "WKT1_GDAL"):
        crs, vertical = read_crs(CRS("EPSG:25832").to_wkt(version, pretty=True))
        assert crs.to_epsg() == 25832
        assert vertical is None


def test_compound_crs_is_split() -> None:
    place = {"A": {"easting": 512300.0, "northing": 5276100.0, "elevation": 10.0}}
    frame = read_anchor(notes(SQUARE, place, crs="EPSG:5555", azimuth=EAST)).frame
    assert (frame.crs_name, frame.vertical_name) == ("EPSG:25832", "EPSG:5783")
    survey = notes(SQUARE, place, crs="EPSG:5555", vertical_crs="EPSG:7837", azimuth=EAST)
    with pytest.raises(InputError, match="crs contains DHHN92 height, vertical_crs is DHHN2016"):
        read_anchor(survey)
    joined = notes(SQUARE, place, crs="EPSG:25832+7837", azimuth=EAST)
    assert read_anchor(joined).frame.vertical_name == "EPSG:7837"


@pytest.mark.parametrize(
    ("crs", "says"),
    [
        ("EPSG:25832", "is of type Projected CRS"),
        ("EPSG:5715", "counts down"),
        ("EPSG:1", "is unknown"),
    ],
)
def test_vertical_crs_of_another_kind(crs: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_vertical_crs(crs)


def test_problems_are_told_together() -> None:
    place = {"A": {"easting": 0.0, "northing": 0.0}}
    survey = notes(SQUARE, place, crs="EPSG:4326", vertical_crs="EPSG:5715", azimuth=EAST)
    with pytest.raises(InputError) as refused:
        read_anchor(survey)
    assert [p.code for p in refused.value.problems] == ["crs-geographic", "vertical-crs"]


def test_map_without_one_scale_is_refused() -> None:
    place = {"A": {"easting": 2_500_000.0, "northing": 2_400_000.0}}  # equal area, off its middle
    with pytest.raises(InputError, match=r"stretches north and east differently here, by \d+ ppm"):
        read_anchor(notes(SQUARE, place, crs="EPSG:3035", azimuth=EAST))


@pytest.mark.parametrize(
    ("east", "north", "says"),
    [
        (8e7, 9e7, "mark A at E 80000000.0, N 90000000.0 is outside the area of ETRS89"),
        (512_300.0, -5_276_100.0, "check easting and the other coordinate, and the crs"),
        (5_276_100.0, 512_300.0, "easting and northing look swapped"),
    ],
)
def test_place_outside_the_map_is_refused(east: float, north: float, says: str) -> None:
    place = {"A": {"easting": east, "northing": north}}
    with pytest.raises(InputError, match=says):
        read_anchor(notes(SQUARE, place, crs="EPSG:25832", azimuth=EAST))


def test_marks_by_latitude_and_longitude() -> None:
    # EPSG Guidance Note 7-2 has no example in this CRS: PROJ itself is the reference
    from pyproj import Transformer

    east, north = Transformer.from_crs("EPSG:4326", "EPSG:25832", always_xy=True).transform(
        9.2, 47.6
    )
    survey = notes(
        SQUARE,
        {"A": {"latitude": 47.6, "longitude": 9.2, "elevation": 400.0}},
        crs="EPSG:25832",
        azimuth=EAST,
    )
    network = adjust(survey)
    assert network.frame.to_map(network.en[0]) == pytest.approx([east, north], abs=1e-6)
    (told,) = [f for f in network.findings if f.code == "anchor-from-globe"]
    assert "good to 1 m" in told.text


def test_a_better_transformation_that_is_not_installed_is_named() -> None:
    survey = notes(
        SQUARE, {"A": {"latitude": 48.0, "longitude": 9.0}}, crs="EPSG:31467", azimuth=EAST
    )
    (told,) = read_anchor(survey).remarks
    assert told == FromGlobe("A", "DHDN / 3-degree Gauss-Kruger zone 3", 3.0, "de_adv_BETA2007.tif")


def test_missing_geoid_grid_is_named() -> None:
    mark = {"latitude": 47.6, "longitude": 9.2, "ellipsoidal_height": 450.0}
    survey = notes(SQUARE, {"A": mark}, crs="EPSG:25832", vertical_crs="EPSG:7837", azimuth=EAST)
    with pytest.raises(InputError, match=r"geoid grid de_bkg_gcg2016\.tif is not installed"):
        read_anchor(survey)
    survey = notes(SQUARE, {"A": mark}, crs="EPSG:25832", azimuth=EAST)
    with pytest.raises(InputError, match="ellipsoidal_height without vertical_crs"):
        read_anchor(survey)


def test_foreign_proj_folders_are_dropped(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PROJ_DATA", str(tmp_path))
    monkeypatch.setenv("PROJ_LIB", str(tmp_path))
    assert read_crs("EPSG:25832")[0].to_epsg() == 25832
    assert "PROJ_DATA" not in os.environ
    assert "PROJ_LIB" not in os.environ


def test_far_from_the_origin_of_the_map_nothing_is_lost() -> None:
    # 5,000 km away the last digits of a coordinate are worth 1e-9 m
    near = {"A": {"easting": 0.0, "northing": 5_000_000.0}}
    far_crs = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0={} +y_0=0 +ellps=GRS80 +units=m +type=crs"
    far = {"A": {"easting": 5_000_000.0, "northing": 5_000_000.0}}
    first = adjust(notes(SQUARE, near, crs=far_crs.format(0), azimuth=EAST))
    second = adjust(notes(SQUARE, far, crs=far_crs.format(5_000_000), azimuth=EAST))
    moved = second.frame.to_map(second.en) - first.frame.to_map(first.en)
    assert moved == pytest.approx(np.broadcast_to([5_000_000.0, 0.0], moved.shape), abs=1e-6)


def test_a_band_of_elevations_says_which_foot_it_is_in() -> None:
    survey = Frame(height_unit_m=1200 / 3937, height_unit_name="US survey foot")
    feet = Frame(height_unit_m=0.3048, height_unit_name="foot")
    assert [f.height_band_unit for f in (Frame(), feet, survey)] == ["m", "ft", "US survey foot"]
