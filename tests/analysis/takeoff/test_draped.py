"""Areas laid over triangles: planes in closed form, derivatives by moving the corners."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.takeoff.draped import Triangles, drape, triangles_of
from geosite.network.independent_marks import independent_marks
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import ground_between

CORNERS = np.array([[0.0, 0], [10, 0], [10, 8], [0, 8], [4, 5]])
FAN = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
"""Four triangles round a place inside, which fill 80 square metres."""


def fan(*heights: float, turned: bool = False) -> Triangles:
    order = FAN[:, ::-1] if turned else FAN
    return Triangles(np.column_stack([CORNERS, heights]), order)


def area_in_space(points: np.ndarray, triangles: np.ndarray) -> float:
    """Sum half the lengths of the cross products."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2


slopes = st.floats(-2, 2)


@given(slopes, slopes, st.floats(0.5, 1.5), st.booleans(), st.floats(0.5, 9), st.floats(0.5, 7))
def test_any_part_of_a_plane_is_larger_by_its_slope(
    east: float, north: float, factor: float, turned: bool, x: float, y: float
) -> None:
    plane = fan(*(CORNERS @ [east, north] + 3), turned=turned)
    shape = shapely.Polygon([(0, 0), (x, 0.3), (x, y), (0.2, y)])
    (found,) = drape([shape], plane, factor)
    # a metre of the map is 1 / factor on the ground, a metre of height stays one
    assert found.factor == pytest.approx(math.sqrt(1 + (east**2 + north**2) * factor**2))
    assert found.covered == pytest.approx(1.0)
    # a plane that is lifted whole is as steep as it was
    assert found.change.sum() == pytest.approx(0.0, abs=1e-9)


def test_a_whole_surface_is_as_large_as_its_triangles_in_space() -> None:
    surface = fan(1.0, 2.5, 0.3, -1.0, 6.0)
    (found,) = drape([shapely.box(-5, -5, 20, 20)], surface, 1.0)
    assert found.factor == pytest.approx(area_in_space(surface.points, FAN) / 80)
    assert found.covered == pytest.approx(80 / 625)
    # on a map of half the size the same heights make it twice as steep as seen there
    ground = surface.points * [2.0, 2.0, 1.0]
    (half,) = drape([shapely.box(0, 0, 10, 8)], surface, 0.5)
    assert half.factor == pytest.approx(area_in_space(ground, FAN) / 320)


@given(st.lists(st.floats(-3, 3), min_size=5, max_size=5), st.floats(0.5, 1.5))
def test_the_derivative_is_what_moving_a_corner_changes(
    heights: list[float], factor: float
) -> None:
    shape = shapely.Polygon([(-1, 2), (5, 1), (9, 7), (3, 12)])  # reaches beyond the surface
    (found,) = drape([shape], fan(*heights), factor)
    assert found.points.tolist() == [0, 1, 2, 3, 4]
    assert found.covered == pytest.approx(
        shape.intersection(shapely.box(0, 0, 10, 8)).area / shape.area
    )
    for corner, change in zip(found.points.tolist(), found.change.tolist(), strict=True):
        step = np.zeros(5)
        step[corner] = 1e-4
        (up,), (down,) = (drape([shape], fan(*(heights + s)), factor) for s in (step, -step))
        assert change == pytest.approx((up.factor - down.factor) / 2e-4, abs=1e-6)


def test_each_area_has_its_own_part_and_one_elsewhere_is_level() -> None:
    # a roof: 3 in 4 up to the ridge at 4, level beyond
    points = np.array([[0.0, 0, 0], [4, 0, 3], [4, 6, 3], [0, 6, 0], [9, 0, 3], [9, 6, 3]])
    roof = Triangles(points, np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]]))
    areas = [
        *(shapely.box(1, 1, 3, 5), shapely.box(5, 1, 8, 5), shapely.box(3, 0, 5, 6)),
        *(shapely.box(20, 0, 22, 2), shapely.box(-4, 0, 0, 6)),
    ]
    slope, level, both, away, beside = drape(areas, roof, 1.0)
    assert [one.factor for one in (slope, level, both)] == pytest.approx([1.25, 1.0, 1.125])
    for one in (away, beside):
        assert (one.factor, one.covered, len(one.points), len(one.change)) == (1.0, 0.0, 0, 0)
    assert set(slope.points) <= {0, 1, 2, 3}
    assert drape([], roof, 1.0) == []
    (bare,) = drape([areas[0]], Triangles(points, np.zeros((0, 3), np.int64)), 1.0)
    assert (bare.factor, bare.covered) == (1.0, 0.0)


def test_a_wall_of_triangles_on_edge_covers_nothing() -> None:
    points = np.vstack([np.column_stack([CORNERS, np.zeros(5)]), [(0, 0, 4.0), (10, 0, 4.0)]])
    walled = Triangles(points, np.vstack([FAN, [(0, 1, 6), (0, 6, 5)]]))
    (found,) = drape([shapely.box(0, 0, 10, 8)], walled, 1.0)
    assert (found.factor, found.covered) == pytest.approx((1.0, 1.0))
    assert np.isfinite(found.change).all()


def test_triangles_of_a_ground_hang_on_the_observations_of_its_marks() -> None:
    # the first observation is of no ground, the others are in another order than the points
    places = np.array([[50, 50, 9], [0, 0, 1], [10, 0, 2], [10, 10, 5], [0, 10, 4]], float)
    rows = np.array([3, 1, 4, 2])
    ground = ground_between(independent_marks(places), rows, triangulate(places[rows]))
    found = triangles_of(ground)
    assert found.rows is not None
    assert np.array_equal(found.points, places[found.rows])
