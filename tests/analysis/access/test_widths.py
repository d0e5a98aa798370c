"""Cuts across a way that meet both edges, at their ends and beyond them."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.analysis.access.widths import Crossing, crossing
from geosite.analysis.walked_line import Polyline
from geosite.network.independent_marks import independent_marks


def cut(north: float) -> Crossing | None:
    """Cut a way to the north, 2 m wide, whose left edge begins at 1 m and ends at 9 m."""
    network = independent_marks([(0, 1, 0.04), (0, 9, 0.04), (2, 0, 0), (2, 12, 0)])
    left = Polyline("left", np.array([0, 1]), ("", ""), np.array([0.0, 8.0]))
    right = Polyline("right", np.array([2, 3]), ("", ""), np.array([0.0, 12.0]))
    return crossing(network, (left, right), np.array([1.0, north]), np.array([-1.0, 0.0]))


@pytest.mark.parametrize("north", [1.0, 5.0, 9.0])
def test_a_way_is_as_wide_as_its_edges_are_apart(north: float) -> None:
    found = cut(north)
    assert found is not None
    assert (found.width, found.slope) == pytest.approx((2.0, 0.02))
    assert found.places.tolist() == [[0.0, north, 0.04], [2.0, north, 0.0]]


@pytest.mark.parametrize("north", [0.9, 9.1, 11.9, 13.0])
def test_beyond_an_end_of_an_edge_there_is_no_width(north: float) -> None:
    assert cut(north) is None
