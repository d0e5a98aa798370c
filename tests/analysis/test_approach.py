"""How well a place is known towards a boundary: across the swing of a survey and along it."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from network_cases import notes

from geosite.analysis.approach import sigma_across
from geosite.network.adjust import adjust


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
