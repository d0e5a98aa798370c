"""Which marks of the survey tell where a point is, between them, on them and beyond them."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.analysis.setting_out.compute import _difference, _ground_at_places, _place
from geosite.analysis.setting_out.targets import Target
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.network.independent_marks import independent_marks
from geosite.network.model import Network
from geosite.terrain.surface.roughness import EVEN
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import Ground

FRAME = Frame(unit_m=0.3048, height_unit_m=0.3048, origin=(1000.0, 2000.0))
CORNERS = [(0.0, 0.0, 1.0), (9.0, 0.0, 1.3), (0.0, 12.0, 1.6)]


def walked() -> tuple[Network, Ground]:
    network = independent_marks(CORNERS, sigma_up_m=0.01, frame=FRAME)
    tin = triangulate(np.array(CORNERS))
    return network, Ground(network, tin, np.arange(3), EVEN, np.ones(3))


def shares_at(east: float, north: float, ground: bool = True) -> dict[int, float]:
    network, between = walked()
    place = np.append(FRAME.to_map((east, north)), 5.0)
    found = _place(network, between if ground else None, Target("P", "", "point", place))
    assert found.en == pytest.approx((east, north))
    assert found.up == pytest.approx(5 * 0.3048)
    return dict(zip(found.rows.tolist(), found.shares.tolist(), strict=True))


def expected(*shares: float) -> object:
    return pytest.approx(dict(enumerate(shares)), abs=2e-6)


def test_between_the_marks_the_corners_share_as_the_triangle_does() -> None:
    assert shares_at(3.0, 3.0) == expected(5 / 12, 1 / 3, 1 / 4)


def test_beyond_the_marks_a_point_hangs_on_the_nearest_place_they_reach() -> None:
    # the foot on the west side, 5 m up of 12; on the long side, two fifths of the way along it
    assert shares_at(-4.0, 5.0) == expected(7 / 12, 0.0, 5 / 12)
    foot = np.array([9.0, 0.0]) + 0.4 * np.array([-9.0, 12.0])
    assert shares_at(*(foot + np.array([12.0, 9.0])).tolist()) == expected(0.0, 0.6, 0.4)
    assert shares_at(-30.0, -40.0) == expected(1.0, 0.0, 0.0)


def test_on_a_mark_and_without_ground_a_point_hangs_on_the_nearest_mark_alone() -> None:
    assert shares_at(9.006, -0.008) == {1: 1.0}
    assert shares_at(3.0, 3.0, ground=False) == {0: 1.0}
    assert shares_at(1.0, 8.0, ground=False) == {2: 1.0}
    # a hand's breadth away it is between the marks again
    assert len(shares_at(8.8, 0.1)) == 3


def test_cut_is_ground_above_design_with_both_ends_moved_alike() -> None:
    found = _difference(Estimate(5.2, 5.1, 5.4, 0.07), 5.0)
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx((0.2, 0.1, 0.4))
    assert found.sigma == 0.07
    assert _difference(None, 5.0) is None


def test_ground_under_a_point_is_told_where_it_was_walked_alone() -> None:
    network, between = walked()
    places = [
        _place(network, between, Target("P", "", "point", np.append(FRAME.to_map(en), 5.0)))
        for en in ((-4.0, 5.0), (3.0, 3.0))
    ]
    beyond, within = _ground_at_places(between, places)
    assert beyond is None
    assert within is not None
    assert within.value == pytest.approx(5 / 12 * 1.0 + 1.3 / 3 + 1.6 / 4)
    marks = 0.01 * np.sqrt((5 / 12) ** 2 + (1 / 3) ** 2 + (1 / 4) ** 2)
    assert within.sigma == pytest.approx(marks, rel=1e-6)
    assert _ground_at_places(None, places) == [None, None]
