"""A transformation moves the whole survey on the map alike: absolute figures know it, no others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from network_cases import notes
from network_spoilt import clean

from geosite.base.statistics import ellipse_factor, t_factor
from geosite.network.accuracy.ellipses import error_ellipses, relative_ellipses
from geosite.network.accuracy.lever_arm import lever_arm
from geosite.network.accuracy.on_map import half_widths
from geosite.network.adjust import adjust
from geosite.network.control.model import CommonShift
from geosite.network.covariance import (
    accuracies,
    covariance,
    sigma_horizontal,
    sigma_vertical,
    sigmas,
)
from geosite.network.error_draws import draw_marks
from geosite.network.model import LinearForm, Network
from geosite.network.wording import shift_in_words

SHIFT = CommonShift(1.0, 0.5, "from somewhere")
NONE, ONE = np.zeros(1), np.ones(1)


@pytest.fixture(scope="module")
def still() -> Network:
    return adjust(clean(3))


@pytest.fixture(scope="module")
def moved(still: Network) -> Network:
    return replace(still, shift=SHIFT)


def test_places_on_the_map_have_it_in_their_sigma(still: Network, moved: Network) -> None:
    assert sigma_horizontal(moved) == pytest.approx(np.hypot(sigma_horizontal(still), 1.0))
    assert sigma_vertical(moved) == pytest.approx(np.hypot(sigma_vertical(still), 0.5))
    for axis, alone in zip(error_ellipses(moved)[:2], error_ellipses(still)[:2], strict=True):
        assert axis == pytest.approx(np.hypot(alone, 1.0))
    easting = LinearForm(np.array([9]), ONE, NONE, NONE)
    middle = LinearForm(np.array([9, 20]), np.full(2, 0.5), np.zeros(2), np.zeros(2))
    height = LinearForm(np.array([9]), NONE, NONE, ONE)
    forms = [easting, middle, height]
    expected = np.hypot(sigmas(still, forms), [1.0, 1.0, 0.5])
    assert sigmas(moved, forms) == pytest.approx(expected)
    # two eastings share all of it, an easting and an elevation nothing
    more = covariance(moved, forms) - covariance(still, forms)
    assert more == pytest.approx(np.array([[1, 1, 0], [1, 1, 0], [0, 0, 0.25]]), abs=1e-12)


def test_what_lies_in_the_survey_itself_has_none_of_it(still: Network, moved: Network) -> None:
    rng = np.random.default_rng(1)
    forms = []
    for count in (2, 3, 40):
        rows = rng.choice(len(still.en), count, replace=False)
        east, north, up = rng.normal(0, 30, (3, count))
        forms.append(LinearForm(rows, east - east.mean(), north - north.mean(), up - up.mean()))
    assert sigmas(moved, forms) == pytest.approx(sigmas(still, forms), rel=1e-12)
    for found, alone in zip(accuracies(moved, forms), accuracies(still, forms), strict=True):
        assert found == pytest.approx(alone, rel=1e-12)
    before, after = np.arange(0, 20), np.arange(20, 40)
    of_moved, of_still = (relative_ellipses(n, before, after) for n in (moved, still))
    assert np.array_equal(of_moved, of_still)
    assert (draw_marks(moved, 1, range(3)) == draw_marks(still, 1, range(3))).all()


def test_its_size_is_known_so_intervals_are_not_wider_than_it_is() -> None:
    # one loop: few degrees of freedom, of which the shift needs none
    stops = (("A", 0, 0), ("B", 30, 0), ("C", 30, 40), ("A", 0, 0.02))
    rows = [("R", n, x, y, 0.0) for n, x, y in stops]
    known = {"A": {"easting": 0.0, "northing": 0.0}, "B": {"easting": 30.0, "northing": 0.0}}
    still = adjust(notes(rows, known, noise=None))
    assert still.degrees_of_freedom < 6
    moved = replace(still, shift=CommonShift(50.0, 50.0, "x"))
    horizontal, vertical = half_widths(moved)
    assert horizontal == pytest.approx(np.full(4, 1.96 * 50), rel=1e-3)
    assert vertical == pytest.approx(np.full(4, 1.96 * 50), rel=1e-3)
    horizontal, _ = half_widths(still)
    assert horizontal == pytest.approx(sigma_horizontal(still) * t_factor(still.degrees_of_freedom))
    arm = lever_arm(moved, (0, 1), None, np.array([0, 1]))
    assert arm.error_95_m == pytest.approx(50 * ellipse_factor(np.inf), rel=1e-3)
    alone = lever_arm(still, (0, 1), None, np.array([0, 1]))
    assert (arm.row, arm.swing_95_m) == (alone.row, alone.swing_95_m)


def walked() -> list:
    # 0.0002 degrees of latitude are 22.24 m
    places = (("A", 0.0), ("B", 22.24), ("C", 30.0), ("A", 0.0))
    return [("R", n, y, 0.0, 0.0) for n, y in places]


def test_marks_by_latitude_and_longitude_share_the_accuracy_of_their_transformation() -> None:
    both = {
        "A": {"latitude": 48.0, "longitude": 11.5, "sigma": 0.02},
        "B": {"latitude": 48.0002, "longitude": 11.5, "sigma": 0.02},
    }
    network = adjust(notes(walked(), both, crs="EPSG:25832"))
    # WGS 84 to ETRS89 is good to 1 m
    assert (network.shift.sigma, network.shift.sigma_up, network.shift.unknown) == (1.0, 0.0, False)
    assert sigma_horizontal(network).min() > 1.0
    assert sigma_horizontal(network.relative).max() < 0.1
    (finding,) = [f for f in network.findings if f.code == "common-shift"]
    assert finding.level == "look"
    assert "good to 1 m in position" in finding.text
    anchor = network.report.anchor
    assert anchor is not None
    assert (anchor.shift_sigma_m, anchor.shift_known) == (1.0, True)
    assert anchor.transformation == network.shift.source

    # a check point through the same transformation has the same shift: nothing of it is seen
    third = both | {"C": {"latitude": 48.00027, "longitude": 11.5, "sigma": 0.02, "check": True}}
    checks = adjust(notes(walked(), third, crs="EPSG:25832")).report.check_points
    assert checks is not None
    assert checks.points[0].sigma_h_m < 0.1
    east, north = network.frame.to_map(network.en[2]).tolist()
    third["C"] = {"easting": east, "northing": north, "sigma": 0.02, "check": True}
    checks = adjust(notes(walked(), third, crs="EPSG:25832")).report.check_points
    assert checks is not None
    assert checks.points[0].sigma_h_m > 1.0


def test_a_mark_given_on_the_map_itself_holds_the_survey_there() -> None:
    both = {name: {"latitude": lat, "longitude": 11.5} for name, lat in (("A", 48), ("B", 48.0002))}
    network = adjust(notes(walked(), both, crs="EPSG:25832"))
    east, north = network.frame.to_map(network.en[1]).tolist()
    mixed = {
        "A": {"latitude": 48.0, "longitude": 11.5},
        "B": {"easting": east, "northing": north, "sigma": 0.02},
    }
    found = adjust(notes(walked(), mixed, crs="EPSG:25832"))
    assert not found.shift
    assert sigma_horizontal(found)[1] == pytest.approx(0.02, rel=0.05)
    assert found.report.anchor is not None
    assert found.report.anchor.marks[0].sigma_m == pytest.approx(1.0)


def test_the_words() -> None:
    assert shift_in_words(CommonShift()) == ""
    assert "good to 0.5 m in elevation" in shift_in_words(CommonShift(0.0, 0.5, "x"))
    assert "in every elevation on the map" in shift_in_words(CommonShift(0.0, 0.5, "x"))
    assert "is of unknown accuracy" in shift_in_words(CommonShift(0.0, 0.0, "x", unknown=True))
