"""Planes, roads and triangles of a design, at places whose heights are known by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.design_ground.zones import Zone, facet_zone, moved, pad, raster_zone, strip

SQUARE = shapely.box(0, 0, 10, 10)


@given(
    st.floats(0, 2 * math.pi),
    st.floats(0, 0.3),
    st.floats(-50, 50),
    st.floats(0, 6.2),
    st.floats(0.5, 1.5),
)
def test_a_pad_falls_the_way_of_its_azimuth_and_not_across(
    azimuth: float, fall: float, far: float, aside: float, factor: float
) -> None:
    through = np.array([3.0, -2.0])
    zone = pad("yard", SQUARE, through, 100.0, fall, azimuth, factor)
    down = np.array([math.sin(azimuth), math.cos(azimuth)])  # clockwise from north
    across = np.array([down[1], -down[0]])
    place = through + far * down + aside * across
    assert zone.heights(place[None])[0] == pytest.approx(100 - fall * far / factor)


def test_every_ring_of_a_pad_is_an_edge_with_its_heights() -> None:
    shape = shapely.MultiPolygon(
        [SQUARE.difference(shapely.box(2, 2, 4, 4)), shapely.box(20, 0, 30, 5)]
    )
    zone = pad("yard", shapely.force_3d(shape, 77.0), np.zeros(2), 10.0, 0.1, math.pi / 2, 1.0)
    assert not zone.shape.has_z
    assert [(edge.name, edge.closed, len(edge.places)) for edge in zone.edges] == [
        ("yard", True, 5)
    ] * 3
    for edge in zone.edges:
        assert edge.places[:, 2] == pytest.approx(10 - 0.1 * edge.places[:, 0])
    assert sum(shapely.Polygon(e.places[:, :2]).area for e in zone.edges) == 100 + 4 + 50


BENT = np.array([[0.0, 0, 10], [20, 0, 12], [20, 30, 9]])
"""A road that climbs 1 in 10 to the east, then falls 1 in 10 to the north."""


@pytest.mark.parametrize("factor", [1.0, 0.5])
def test_a_road_follows_its_line_and_falls_across_it(factor: float) -> None:
    road = strip("road", BENT, 4.0, 0.05, True, factor)
    tilted = strip("road", BENT, 4.0, 0.05, False, factor)
    # whole width 4 m of the ground, mitred at the bend
    half = 2.0 * factor
    assert road.shape.bounds == pytest.approx((0, -half, 20 + half, 30))
    assert road.shape.area == pytest.approx(2 * half * 50)
    for place, along, right in (
        ((10.0, 0.0), 11.0, 0.0),
        ((10.0, 0.7), 11.0, -0.7),
        ((10.0, -0.7), 11.0, 0.7),
        ((20.5, 10.0), 11.0, 0.5),
        ((19.5, 10.0), 11.0, -0.5),
        ((20.0, 29.0), 9.1, 0.0),
        ((0.0, 0.4), 10.0, -0.4),
    ):
        at = np.array([place])
        down = 0.05 * right / factor
        assert road.heights(at)[0] == pytest.approx(along - abs(down)), place
        assert tilted.heights(at)[0] == pytest.approx(along - down), place
    *outline, axis = road.edges
    assert [edge.closed for edge in outline] == [True]
    assert (axis.closed, axis.places.tolist()) == (False, BENT.tolist())


def test_the_place_of_a_bend_itself_is_on_the_line() -> None:
    road = strip("road", BENT, 4.0, 0.05, False, 1.0)
    assert road.heights(BENT[:, :2]) == pytest.approx(BENT[:, 2])


@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(0, 10), st.floats(0, 10))
def test_triangles_through_marks_of_a_plane_are_the_plane(
    east: float, north: float, x: float, y: float
) -> None:
    flat = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10], [3, 4], [7, 2]])
    points = np.column_stack([flat, flat @ [east, north] + 5])
    zone = facet_zone("lawn", points, [], None, ())
    assert zone.shape.area == pytest.approx(100.0)
    assert zone.heights(np.array([[x, y]]))[0] == pytest.approx(5 + east * x + north * y)
    assert np.isnan(zone.heights(np.array([[10.5, 5.0], [x, -0.1]]))).all()


def test_triangles_follow_their_lines_and_keep_to_their_outline() -> None:
    # a ridge along the diagonal: without its line the other diagonal might be drawn
    corners = np.array([[0.0, 0, 2], [10, 0, 0], [10, 10, 2], [0, 10, 0]])
    ridge = corners[[0, 2]]
    valley = corners[[1, 3]]
    middle = np.array([[5.0, 5.0], [7.5, 2.5]])
    assert facet_zone("a", corners, [ridge], None, ()).heights(middle) == pytest.approx([2.0, 1.0])
    assert facet_zone("b", corners, [valley], None, ()).heights(middle) == pytest.approx([0.0, 0.0])
    inner = shapely.box(2, 2, 8, 8)
    kept = facet_zone("c", corners, [ridge], inner, ())
    assert kept.shape.equals(inner)
    (edge,) = kept.edges
    at = dict(zip(map(tuple, edge.places[:, :2].tolist()), edge.places[:, 2].tolist(), strict=True))
    assert at == pytest.approx({(2, 2): 2.0, (8, 8): 2.0, (8, 2): 0.8, (2, 8): 0.8})
    assert facet_zone("d", corners, [ridge], inner, kept.edges).edges is kept.edges


def test_a_moved_zone_is_the_same_zone_elsewhere() -> None:
    shift = np.array([100.0, -30.0])
    zone = pad("yard", SQUARE, np.zeros(2), 10.0, 0.1, math.pi / 3, 1.0)
    away = moved(zone, shift)
    places = np.array([[1.0, 2.0], [9.0, 4.0]])
    assert away.heights(places + shift) == pytest.approx(zone.heights(places))
    assert away.shape.bounds == (100, -30, 110, -20)
    (edge,), (before,) = away.edges, zone.edges
    assert edge.places == pytest.approx(before.places + np.array([100, -30, 0]))
    assert (away.name, edge.name, edge.closed) == ("yard", "yard", True)
    assert len(moved(Zone("r", SQUARE, zone.heights, ()), shift).edges) == 0
    assert raster_zone("pond", SQUARE, zone.heights).heights is zone.heights
