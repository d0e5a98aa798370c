"""Where a survey must lie, before it is computed."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.fieldbook.rough_place import MARGIN_M, surroundings
from geosite.fieldbook.sitefile import Anchor, AnchorMark

WALK = np.array([[0.0, 0.0, 0.0], [4000.0, 0.0, 0.0], [4000.0, 3000.0, 0.0]])


def test_a_mark_in_latitude_and_longitude_has_degrees_of_its_latitude_about_it() -> None:
    # a degree of a sphere of 6371 km has 111.2 km, along the parallel of 60 degrees half of it
    mark = AnchorMark(latitude=60.0, longitude=10.0)
    found = surroundings(Anchor(crs="EPSG:25832", marks={"B1": mark}), WALK, np.zeros(3, int))
    assert found.reach_m == 5000.0 + MARGIN_M
    ((crs, box),) = found.boxes
    assert crs == "EPSG:4326"
    up = found.reach_m / 111_195
    expected = (10.0 - 2 * up, 60.0 - up, 10.0 + 2 * up, 60.0 + up)
    assert box == pytest.approx(expected, abs=0.02 * up)


def test_a_mark_without_a_whole_place_has_none() -> None:
    halves = {"B1": AnchorMark(latitude=60.0), "B2": AnchorMark(northing=5.0)}
    found = surroundings(Anchor(crs="EPSG:25832", marks=halves), WALK, np.zeros(3, int))
    assert found.boxes == ()
    assert found.in_crs("EPSG:25832") is None
