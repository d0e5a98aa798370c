"""How well a place is known towards a boundary: across the swing of a survey and along it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from network_cases import notes
from scipy import stats

from geosite.analysis.approach import approach, sigma_across, with_map
from geosite.base.map_frame import Frame
from geosite.network.adjust import adjust
from geosite.network.independent_marks import independent_marks


@pytest.mark.parametrize(
    ("towards", "share"),
    [((0.0, 5.0), 1.0), ((0.0, -3.0), 1.0), ((7.0, 0.0), 0.0), ((3.0, 4.0), 0.8)],
)
@pytest.mark.parametrize("on_the_boundary", [False, True])
def test_a_place_swings_about_the_known_mark(
    towards: tuple[float, float], share: float, on_the_boundary: bool
) -> None:
    # A is known, the azimuth of A to B to 0.1 degrees: C, 100 m east, is unsure to the north only
    rows = [("R", name, x, 0.0, 0.0) for name, x in (("A", 0.0), ("B", 9.0), ("C", 100.0))]
    known = {"A": {"easting": 0.0, "northing": 0.0}}
    azimuth = {"value": 90.0, "sigma": 0.1}
    network = adjust(notes(rows, known, noise=(0.0, 0.0), limit=None, azimuth=azimuth))
    place, way = network.en[2], np.array(towards)
    aside = np.array([-way[1], way[0]])
    foot = place if on_the_boundary else place + way
    boundary = shapely.LineString([foot - 9 * aside, foot + 9 * aside])
    found = sigma_across(np.array([2]), np.array([place, foot]), boundary, network)
    assert found == pytest.approx(100 * math.radians(0.1) * share, rel=1e-3, abs=1e-3)


CORNERS = [(0, 0, 0), (1, 0, 0), (1, 0, 0), (1, 6, 0), (0, 6, 0)]
"""A side of exactly one metre, and a corner that was written down twice."""


@pytest.mark.parametrize(
    ("place", "shares"),
    [
        ((0.25, 0.0), (0.75, 0.25)),
        ((1.0, 1.5), (0.75, 0.25)),
        ((0.0, 3.0), (0.5, 0.5)),  # on the side that closes the ring
        ((1.0, 6.0), (1.0, 0.0)),
    ],
)
@pytest.mark.parametrize("factor", [1.0, 0.5])
def test_a_place_on_a_side_is_as_unsure_as_its_share_of_two_corners(
    place: tuple[float, float], shares: tuple[float, float], factor: float
) -> None:
    network = independent_marks(CORNERS, sigma_m=0.02, frame=Frame(combined_factor=factor))
    at = np.array(place)
    for way in ((3.0, 4.0), (-1.0, 0.0)):
        line = np.array([at, at + way])
        found = sigma_across(np.arange(5), line, shapely.LineString(line), network)
        assert found == pytest.approx(0.02 * math.hypot(*shares) / factor)


def test_one_mark_alone_is_as_unsure_as_it_is() -> None:
    network = independent_marks([(5, 5, 0), (0, 0, 0)], sigma_m=0.03)
    boundary = shapely.LineString([(9, -9), (9, 9)])
    line = np.array([[0.0, 0.0], [9.0, 0.0]])
    assert sigma_across(np.array([1]), line, boundary, network) == pytest.approx(0.03)


def test_the_sigma_of_survey_and_map_together() -> None:
    """After Satterthwaite: with 5 degrees of freedom and a map as unsure as the survey, 20."""
    network = replace(independent_marks([(0, 0, 0)]), degrees_of_freedom=5.0)
    both = with_map(network, 7.0, 0.3, 0.3)
    assert both.sigma == pytest.approx(0.3 * math.sqrt(2))
    assert both.high - 7.0 == pytest.approx(float(stats.t.ppf(0.975, 20)) * 0.3 * math.sqrt(2))
    alone = with_map(network, 7.0, 0.0, 0.4)
    assert 7.0 - alone.low == pytest.approx(1.959964 * 0.4)
    unknown = with_map(replace(network, accuracy_known=False), 7.0, 0.3, 0.3)
    assert (unknown.value, unknown.low, unknown.high) == (7.0, -math.inf, math.inf)


def test_the_polygon_that_holds_most_is_met_whatever_kind_the_shape_is() -> None:
    west, east = shapely.box(-10, -10, 0, 10), shapely.box(0, -10, 10, 10)
    line = shapely.LineString([(-1, 2), (3, 2)])
    met = approach(line, [west, east])
    assert (met.number, met.apart) == (1, -1.0)
    assert met.line.tolist() == [[-1.0, 2.0], [0.0, 2.0]]
    point = approach(shapely.Point(-4, 3), [east, west])
    assert (point.number, point.apart) == (1, 4.0)
    assert point.line.tolist() == [[-4.0, 3.0], [0.0, 3.0]]
