"""Banks from a design to the ground, each place reckoned by itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.design_ground.shaping import Footing, footing
from geosite.analysis.design_ground.zones import Zone, pad

heights = st.floats(-5, 5)


def one(zone: int, level: float, away: float, side_slope: float) -> Footing:
    return Footing(np.array([zone]), np.array([level]), np.array([away]), side_slope)


@given(heights, heights, st.floats(0, 20), st.sampled_from([0.0, 0.5, 1.0, 3.0]))
def test_a_bank_climbs_or_falls_to_the_ground_and_no_farther(
    level: float, ground: float, away: float, side_slope: float
) -> None:
    found = float(one(-1, level, away, side_slope).built(np.array([ground]))[0])
    if side_slope == 0:  # a wall: the ground beside it stays
        expected = ground
    elif level >= ground:
        expected = max(ground, level - away / side_slope)
    else:
        expected = min(ground, level + away / side_slope)
    assert found == pytest.approx(expected, abs=1e-9)
    # the foot of the bank is where its height above the ground is used up
    clear = float(one(-1, level, away, side_slope).clearance(np.array([ground]))[0])
    if abs(clear) > 1e-6:
        assert (clear > 0) == (abs(found - ground) > 0)
    if side_slope > 0:
        assert clear == pytest.approx(abs(level - ground) - away / side_slope)


@given(heights, heights, st.sampled_from([0.0, 2.0]))
def test_in_a_zone_the_design_stands_whatever_the_ground(
    level: float, ground: float, side_slope: float
) -> None:
    inside = one(0, level, 0.0, side_slope)
    assert inside.built(np.array([ground])).tolist() == [level]
    # where design and ground are level with each other the zone is still part of what is built
    clear = inside.clearance(np.array([ground]))[0]
    assert clear == (max(abs(level - ground), 1e-3) if side_slope else 1e-3)
    assert np.isnan(inside.built(np.array([math.nan]))).all()
    assert np.isnan(one(-1, level, 1.0, side_slope).built(np.array([math.nan]))).all()


def test_a_place_far_from_any_edge_with_a_level_keeps_its_ground() -> None:
    assert one(-1, math.nan, 1.0, 2.0).built(np.array([3.0])).tolist() == [3.0]


@pytest.mark.parametrize(("side_slope", "reached"), [(0.0, [0]), (2.0, [0, 2, 3, 5])])
def test_what_a_bank_reaches_on_the_lowest_or_the_highest_ground(
    side_slope: float, reached: list[int]
) -> None:
    # by hand at 2 m of bank per metre: the bank from 10 m is at 9 / 11 two metres off
    zone = np.array([0, -1, -1, -1, -1, -1])
    away = np.array([0.0, 2.0, 2.0, 2.0, 2.0, 2.0])
    grounds = np.array(
        [
            [10.0, 9.0, 8.99, 10.0, 11.0, 10.0],
            [10.0, 9.5, 9.5, 11.01, 10.5, 8.0],
        ]
    )
    laid = Footing(zone, np.full(6, 10.0), away, side_slope)
    assert laid.reached(grounds).tolist() == reached
    part = laid.at(np.array([3, 0]))
    assert (part.zone.tolist(), part.away.tolist()) == ([-1, 0], [2.0, 0.0])
    assert part.side_slope == side_slope


def level(name: str, shape: shapely.Polygon, up: float) -> Zone:
    return pad(name, shape, np.zeros(2), up, 0.0, 0.0, 1.0)


def test_a_later_zone_lies_on_an_earlier_one_and_a_bank_starts_at_its_height() -> None:
    low, high = (
        level("low", shapely.box(0, 0, 10, 4), 5.0),
        level("high", shapely.box(6, 0, 14, 4), 8.0),
    )
    places = np.array([[2.0, 2], [8, 2], [12, 2], [2, 7], [12, 7], [8, -2], [17, 8]])
    found = footing([low, high], places, 2.0, 0.5, 0.25)
    assert found.zone.tolist() == [0, 1, 1, -1, -1, -1, -1]
    assert found.level.tolist() == [5.0, 8.0, 8.0, 5.0, 8.0, 8.0, 8.0]
    # a metre on the map is two on the ground
    assert found.away == pytest.approx([0, 0, 0, 6, 6, 4, 10])
    other = footing([high, low], places, 2.0, 0.5, 0.25)
    assert other.zone.tolist() == [1, 1, 0, -1, -1, -1, -1]
    assert other.level[[1, 5]].tolist() == [5.0, 5.0]


def test_where_a_design_has_no_elevation_another_zone_or_the_edge_beside_it_counts() -> None:
    # a raster that knows its western half alone, over a pad
    half = Zone(
        "half",
        shapely.box(0, 0, 4, 4),
        lambda at: np.where(at[:, 0] <= 2, 7.0, np.nan),
        (),
    )
    places = np.array([[1.0, 1], [3, 1], [-2, 1], [6, 1]])
    over = footing([level("pad", shapely.box(0, 0, 4, 4), 5.0), half], places, 2.0, 1.0, 0.5)
    assert over.zone.tolist() == [1, 0, -1, -1]
    assert over.level.tolist() == [7.0, 5.0, 7.0, 5.0]
    alone = footing([half], places, 2.0, 1.0, 0.5)
    assert alone.zone.tolist() == [0, -1, -1, -1]
    # the nearest place on the edge whose elevation is known
    assert alone.level.tolist() == [7.0] * 4
    assert alone.away == pytest.approx([0.0, math.hypot(1, 1), 2.0, math.hypot(4, 1)])


def test_the_edge_of_a_sloping_pad_has_its_own_height_at_every_place() -> None:
    slope = pad("p", shapely.box(0, 0, 10, 10), np.zeros(2), 100.0, 0.1, math.pi / 2, 1.0)
    places = np.array([[2.5, 13.0], [7.5, -4.0], [12.0, 5.0]])
    found = footing([slope], places, 1.0, 1.0, 0.5)
    assert found.level == pytest.approx([99.75, 99.25, 99.0])
    assert found.away == pytest.approx([3.0, 4.0, 2.0])
