"""Areas of a walk that strayed: outlines that cross themselves and run beside each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geosite.analysis.takeoff.shared_edges import neighbours, shared_edges, snap

CROSSED = [(0.0, 0.0), (10.0, 8.0), (10.0, 0.0), (0.0, 8.0)]


def test_an_outline_that_crosses_itself_is_compared_all_the_same() -> None:
    # plainly overlaid these two raise: "side location conflict"
    bow = shapely.Polygon(CROSSED)
    beside = shapely.Polygon([(10.0, 0.0), (20.0, 0.0), (20.0, 8.0), (10.0, 8.0)])
    near = neighbours([bow, beside], [[], []], set(), 0.2)
    (edge,) = shared_edges([bow, beside], near, 0.2)
    assert edge.length_m == np.clip(edge.length_m, 7.0, 9.0)
    assert edge.overlap_m2 == 0.0


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 2**31), st.integers(4, 14), st.floats(-14.0, 0.0), st.sampled_from([0.003, 0.3])
)
def test_no_areas_end_in_an_error(seed: int, corners: int, noise: float, width: float) -> None:
    rng = np.random.default_rng(seed)
    around = rng.normal(0, 5, (corners, 2))
    polygons = [
        shapely.Polygon(around + rng.normal(0, 10.0**noise, around.shape)) for _ in range(3)
    ]
    near = neighbours(polygons, [[], [], []], set(), width)
    edges = shared_edges(polygons, near, width)
    assert all(math.isfinite(e.gap_m2) and e.gap_m2 >= 0 for e in edges)
    # only outlines that do not cross themselves are areas that can be made one
    valid = [p for p in polygons if p.is_valid]
    children: list[list[int]] = [[] for _ in valid]
    near = neighbours(valid, children, set(), width)
    snap(valid, children, near, shared_edges(valid, near, width), width)
