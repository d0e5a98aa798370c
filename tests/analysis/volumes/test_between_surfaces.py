"""Volumes over triangles against solids whose volume is known in closed form."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geosite.analysis.volumes.between_surfaces import Pieces, cut_and_fill, overlay, plane_of


def solid(points, triangles, area):
    """Cut and fill between triangles and the level of 0 within an area."""
    pieces, _ = overlay(
        np.array([area], dtype=object), np.asarray(points, float), np.asarray(triangles)
    )
    return cut_and_fill(pieces)


def fan(rim, top):
    """Triangles from a ring of corners to one point."""
    points = np.vstack([rim, [top]])
    count = len(rim)
    return points, np.array([[k, (k + 1) % count, count] for k in range(count)])


def test_prism():
    rim = np.array([[0, 0, 0.3], [12, 0, 0.3], [12, 9, 0.3], [0, 9, 0.3]])
    points, triangles = fan(rim, [5, 4, 0.3])
    assert solid(points, triangles, shapely.box(0, 0, 12, 9)) == pytest.approx((32.4, 0.0))


def test_pyramid_is_a_third_of_its_prism():
    rim = np.array([[0, 0, 0], [6, 0, 0], [6, 6, 0], [0, 6, 0]], float)
    points, triangles = fan(rim, [2.5, 3.5, 2.0])
    assert solid(points, triangles, shapely.box(0, 0, 6, 6)) == pytest.approx((24.0, 0.0))


def test_frustum_of_a_pyramid():
    # a pad of 4 by 4 m, 1 m high, its slopes 1 in 2: h / 3 (A1 + A2 + sqrt(A1 A2))
    inner = np.array([[2, 2, 1], [6, 2, 1], [6, 6, 1], [2, 6, 1]], float)
    outer = np.array([[0, 0, 0], [8, 0, 0], [8, 8, 0], [0, 8, 0]], float)
    points = np.vstack([inner, outer])
    triangles = [[0, 1, 2], [0, 2, 3]]
    for k in range(4):
        n = (k + 1) % 4
        triangles += [[k, n, 4 + n], [k, 4 + n, 4 + k]]
    volume = 1 / 3 * (16 + 64 + np.sqrt(16 * 64))
    cut, fill = solid(points, triangles, shapely.box(-1, -1, 9, 9))
    assert cut == pytest.approx(volume, rel=1e-12)
    assert fill == pytest.approx(0.0, abs=1e-12)


def test_a_plane_through_the_level_is_two_wedges():
    points = np.array([[-3, 0, -0.6], [3, 0, 0.6], [3, 5, 0.6], [-3, 5, -0.6]])
    wedge = 0.5 * 3 * 0.6 * 5
    found = solid(points, [[0, 1, 2], [0, 2, 3]], shapely.box(-3, 0, 3, 5))
    assert found == pytest.approx((wedge, wedge))


def test_an_area_with_a_hole_and_far_from_its_triangles():
    points = np.array([[0, 0, 1], [10, 0, 1], [10, 10, 1], [0, 10, 1]], float)
    area = shapely.Polygon([(2, 2), (8, 2), (8, 8), (2, 8)], [[(4, 4), (4, 6), (6, 6), (6, 4)]])
    assert solid(points, [[0, 1, 2], [0, 2, 3]], area) == pytest.approx((32.0, 0.0))
    away = shapely.box(50, 50, 51, 51)
    assert solid(points, [[0, 1, 2], [0, 2, 3]], away) == (0.0, 0.0)


def test_prismoidal_handbook_example_over_triangles():
    # a wedge-shaped embankment: rectangle 10 by 6 at one end that tapers to an edge of 4 at 30 m.
    # Its ends have 60 and 0 m2, the middle one 0.5 (10 + 4) by 3: 21; 30 (60 + 84 + 0) / 6 = 720.
    # By triangles: height over plan, plan x along, y across; h falls from 6 to 0, width 10 to 4.
    points = np.array([[0, -5, 6], [0, 5, 6], [30, -2, 0], [30, 2, 0]], float)
    area = shapely.Polygon(points[:, :2][[0, 2, 3, 1]])
    cut, _ = solid(points, [[0, 2, 3], [0, 3, 1]], area)
    # both sides are upright: the prismoid of the areas 60, 21, 0
    assert cut == pytest.approx(30 * (60 + 4 * 21 + 0) / 6, rel=1e-12)


@pytest.mark.slow
@settings(deadline=None, max_examples=15)
@given(st.integers(0, 200))
def test_cut_less_fill_is_the_integral_of_the_difference(seed):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 10, (30, 2))
    points = np.column_stack([places, rng.normal(0, 0.3, 30)])
    shapes = shapely.delaunay_triangles(shapely.MultiPoint(places)).geoms
    tree = {tuple(p): k for k, p in enumerate(places)}
    triangles = np.array([[tree[c] for c in t.exterior.coords[:3]] for t in shapes])
    area = shapely.Point(5, 5).buffer(3.0)
    pieces, _ = overlay(np.array([area], dtype=object), points, triangles)
    cut, fill = cut_and_fill(pieces)
    middle = shapely.get_coordinates(shapely.centroid(pieces.shapes))
    heights = pieces.planes[:, 0] + (pieces.planes[:, 1:] * middle).sum(axis=1)
    assert cut - fill == pytest.approx(float(shapely.area(pieces.shapes) @ heights), abs=1e-9)
    # a fine lattice sees the same, to what its spacing allows
    step = 0.05
    e, n = (v.ravel() for v in np.meshgrid(np.arange(2, 8, step), np.arange(2, 8, step)))
    from scipy.interpolate import LinearNDInterpolator

    inside = shapely.contains_xy(area, e, n)
    z = LinearNDInterpolator(places, points[:, 2])(e[inside], n[inside])
    # scipy's triangles may differ where four corners lie on a circle, which random ones do not
    assert cut == pytest.approx(np.nansum(np.maximum(z, 0)) * step**2, abs=0.08)


def test_upright_triangles_cover_nothing():
    points = np.array([[0, 0, 0], [5, 0, 1], [2.5, 0, 3], [5, 5, 1]], float)
    cut, _ = solid(points, [[0, 1, 2], [0, 1, 3]], shapely.box(0, 0, 5, 5))
    alone, _ = solid(points, [[0, 1, 3]], shapely.box(0, 0, 5, 5))
    assert cut == alone


def test_planes_that_touch_the_level_in_a_corner_are_not_cut_in_two():
    triangle = shapely.Polygon([(0, 0), (4, 0), (0, 4)])
    plane = plane_of(np.array([[0, 0, 0.0], [4, 0, 1.0], [0, 4, 1.0]]), np.array([[0, 1, 2]]))
    found = cut_and_fill(Pieces(np.array([triangle], dtype=object), plane))
    assert found == pytest.approx((8 * 2 / 3, 0.0))


@pytest.mark.parametrize("slope", [0.01, 0.2, 1.0, 4.0])
@pytest.mark.parametrize("share", [0.05, 0.3, 0.9])
def test_however_steep_a_plane_is_it_is_parted_where_it_crosses_the_level(slope, share):
    """Over 10 m by 4 m a plane that crosses the level at a share of the way: two wedges."""
    low, high = -slope * 10 * share, slope * 10 * (1 - share)
    points = np.array([[0, 0, low], [10, 0, high], [10, 4, high], [0, 4, low]])
    found = solid(points, [[0, 1, 2], [0, 2, 3]], shapely.box(0, 0, 10, 4))
    cut, fill = 0.5 * high * 10 * (1 - share) * 4, 0.5 * -low * 10 * share * 4
    assert found == pytest.approx((cut, fill))
