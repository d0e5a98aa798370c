"""What holds for every take-off."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geosite.analysis.takeoff.draped import Triangles, drape
from geosite.analysis.takeoff.shared_edges import neighbours, shared_edges, snap
from geosite.linework.nesting import direct_children

PROFILE = settings(max_examples=40, deadline=None, derandomize=True)


def tiles(count: int, noise: float, seed: int) -> list[shapely.Polygon]:
    """Square tiles of 4 m, every one walked on its own."""
    rng = np.random.default_rng(seed)
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)])
    return [
        shapely.Polygon((np.add(corners, (i, j)) * 4.0) + rng.normal(0.0, noise, (4, 2)))
        for i in range(count)
        for j in range(count)
    ]


@PROFILE
@given(st.integers(2, 5), st.floats(0.001, 0.01), st.integers(0, 10_000))
def test_snapped_tiles_are_a_coverage(count: int, noise: float, seed: int) -> None:
    polygons = tiles(count, noise, seed)
    children, overlaps = direct_children(polygons)
    assert all(o.is_sliver for o in overlaps)
    tolerance = 0.08
    near = neighbours(polygons, children, set(), tolerance)
    edges = shared_edges(polygons, near, tolerance)
    assert len(edges) == 2 * count * (count - 1)  # every inner edge once, no corner
    assume(not all(edge.is_one for edge in edges))  # such tiles are left as they are
    snapped = snap(polygons, children, near, edges, tolerance)
    assert snapped.failed == ()
    outlines = [snapped.outlines.get(k, p) for k, p in enumerate(polygons)]
    assert shapely.coverage_is_valid(outlines)
    # no inner gap is left, and no area has moved by more than the tolerance around it
    assert shapely.union_all(outlines).geom_type == "Polygon"
    assert len(shapely.union_all(outlines).interiors) == 0
    for before, after in zip(polygons, outlines, strict=True):
        assert abs(after.area - before.area) < tolerance * before.length
        assert after.hausdorff_distance(before) < 2.0 * tolerance


@PROFILE
@given(st.integers(2, 4), st.integers(0, 10_000))
def test_overlap_and_gap_of_an_edge_against_plain_overlay(count: int, seed: int) -> None:
    polygons = tiles(count, 0.008, seed)
    children, _ = direct_children(polygons)
    near = neighbours(polygons, children, set(), 0.08)
    for edge in shared_edges(polygons, near, 0.08):
        a, b = polygons[edge.first], polygons[edge.second]
        assert edge.overlap_m2 == pytest.approx(a.intersection(b).area, abs=1e-9)
        assert edge.length_m == pytest.approx(4.0, abs=0.15)
        # what lies between the two: the hull of both without them, less the outer jags
        between = shapely.intersection(
            shapely.box(*a.bounds)
            .buffer(-0.1)
            .union(shapely.box(*b.bounds).buffer(-0.1))
            .convex_hull,
            a.union(b).convex_hull.difference(a.union(b)),
        )
        # the hull's ends lack 0.1 m of an edge of 4 m, where the gap may be at its widest
        assert edge.gap_m2 == pytest.approx(between.area, abs=0.001 + 0.1 * edge.gap_m2)


@PROFILE
@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.integers(3, 9), st.integers(0, 10_000))
def test_plane_has_one_factor_however_it_is_cut(
    east: float, north: float, count: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    places = rng.uniform(-10.0, 10.0, (40, 2))
    points = np.column_stack([places, places @ [east, north]])
    from scipy.spatial import Delaunay

    triangles = Delaunay(places).simplices
    turned = np.linspace(0.0, 2 * math.pi, count, endpoint=False)
    area = shapely.Polygon(np.column_stack([np.cos(turned), np.sin(turned)]) * 4.0)
    (draped,) = drape([area], Triangles(points, triangles), 0.9996)
    slope = math.hypot(east, north) * 0.9996
    assert draped.factor == pytest.approx(math.hypot(1.0, slope), rel=1e-9)
    assert draped.covered == pytest.approx(1.0, abs=1e-9)
