"""A step goes on beyond the last mark of its lines, or fades, or ends: triangles bridge it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from geosite.terrain.surface.line_steps import step_ends, steps_beyond
from geosite.terrain.surface.tin import Tin, barycentric, locate_points, triangulate

RISE = 0.12

FOOT = [(-8.0, 0.0), (0.0, 0.0)]
TOP = [(-8.0, 0.2), (0.0, 0.2)]
AROUND = [(-9.0, -6.0), (-9.0, 6.0), (5.0, -6.0), (5.0, 6.0), (14.0, -5.0), (14.0, 5.0)]


def yard(
    *,
    foot: Sequence[tuple[float, float]] = FOOT,
    top: Sequence[tuple[float, float]] = TOP,
    around: Sequence[tuple[float, float]] = AROUND,
    turned: float = 0.0,
    ends_at: float = math.inf,
    across: Sequence[tuple[float, float]] = (),
) -> Tin:
    """A kerb of 8 m and marks around on ground that is level but for its step."""

    def marks(places: Sequence[tuple[float, float]]) -> np.ndarray:
        east, north = np.array(places, float).reshape(-1, 2).T
        up = np.where((north > 0.1) & (east < ends_at), RISE, 0.0)
        sine, cosine = math.sin(turned), math.cos(turned)
        return np.column_stack([cosine * east - sine * north, sine * east + cosine * north, up])

    lines = [marks(line) for line in (foot, top, across) if len(line)]
    return triangulate(np.concatenate([*lines, marks(around)]), lines)


def beyond(tin: Tin, places: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    triangle = locate_points(tin, places)
    return steps_beyond(step_ends(tin), tin, places, triangle, barycentric(tin, triangle, places))


def whole(tin: Tin, places: np.ndarray) -> np.ndarray:
    """The ground where every step goes on as it is."""
    triangle = locate_points(tin, places)
    corners = tin.points[tin.triangles[triangle], 2]
    up = (corners * barycentric(tin, triangle, places)).sum(axis=1)
    place, _, off = beyond(tin, places)
    np.add.at(up, place, off)
    return up


@pytest.mark.parametrize("turned", [0.0, 0.9, 2.5, 4.0])
def test_where_it_goes_on_the_ground_is_level_on_either_side(turned: float) -> None:
    tin = yard(turned=turned)
    way = np.array([math.cos(turned), math.sin(turned)])
    (end,) = (e for e in step_ends(tin) if e.ahead @ way > 0)
    assert end.stop == math.inf
    assert end.rise == pytest.approx(RISE)
    assert end.wide == pytest.approx(0.2)
    assert end.ahead == pytest.approx(way)
    east, north = np.meshgrid([-8.7, -8.3, *np.linspace(0.3, 13.5, 23)], [-1.5, -0.01, 0.21, 1.5])
    east, north = east.ravel(), north.ravel()
    sine, cosine = math.sin(turned), math.cos(turned)
    at = np.column_stack([cosine * east - sine * north, sine * east + cosine * north])
    assert whole(tin, at) == pytest.approx(np.where(north > 0, RISE, 0.0), abs=1e-12)
    middle = np.array([[6.0 * cosine - 0.1 * sine, 6.0 * sine + 0.1 * cosine]])
    assert whole(tin, middle) == pytest.approx(RISE / 2)


def test_marks_and_the_ground_beside_the_lines_stay_where_they_are() -> None:
    tin = yard()
    assert whole(tin, tin.points[:, :2]) == pytest.approx(tin.points[:, 2], abs=1e-12)
    beside = np.array([[-4.0, 0.1], [-7.0, 3.0], [-2.0, 0.05], [-3.0, -2.0]])
    assert not beyond(tin, beside)[2].any()


def test_it_has_ended_where_marks_farther_on_do_not_fall() -> None:
    (end,) = (e for e in step_ends(yard(ends_at=9.0)) if e.ahead[0] > 0)
    assert end.stop == 14.0
    # half of it is enough to go on
    tin = yard()
    assert all(e.stop == math.inf for e in step_ends(tin))
    tin.points[(tin.points[:, 0] == 14) & (tin.points[:, 1] == 5), 2] = 0.061
    assert all(e.stop == math.inf for e in step_ends(tin))
    tin.points[(tin.points[:, 0] == 14) & (tin.points[:, 1] == 5), 2] = 0.059
    assert [e.stop for e in step_ends(tin) if e.ahead[0] > 0] == [14.0]


def test_it_ends_at_a_line_across() -> None:
    tin = yard(around=AROUND[:2] + AROUND[4:], across=[(5.0, -6.0), (7.0, 6.0)])
    assert [e.stop for e in step_ends(tin) if e.ahead[0] > 0] == [5.0]
    place, _, off = beyond(tin, np.array([[8.0, 1.0], [4.0, 0.21]]))
    assert place.tolist() == [1]
    # it fades on the way there
    endless = tuple(replace(e, stop=math.inf) for e in step_ends(tin))
    at = np.array([[4.0, 0.21]])
    triangle = locate_points(tin, at)
    shares = barycentric(tin, triangle, at)
    assert off == pytest.approx(steps_beyond(endless, tin, at, triangle, shares)[2] / 5)


@pytest.mark.parametrize(
    ("foot", "top"),
    [
        ([(-8.0, 0.0), (0.0, 0.0)], [(-8.0, 2.2), (0.0, 2.2)]),  # a bank
        ([(-8.0, -3.0), (0.0, 0.0)], [(-8.0, 3.0), (0.0, 0.2)]),  # they meet at an angle
        ([(-8.0, 0.0), (0.0, 0.0)], [(-8.0, 0.2), (0.9, 0.2)]),  # one is longer
        ([(-8.0, 0.0), (0.0, 0.0), (0.0, 0.2)], []),  # one line that turns
    ],
)
def test_other_lines_are_no_step(
    foot: list[tuple[float, float]], top: list[tuple[float, float]]
) -> None:
    ends = step_ends(yard(foot=foot, top=top))
    assert not [e for e in ends if e.ahead[0] > 0]


def test_level_lines_side_by_side_are_no_step() -> None:
    tin = yard()
    tin.points[:, 2] = 0.0
    assert step_ends(tin) == ()
    assert step_ends(triangulate(tin.points)) == ()


def test_of_two_ends_each_is_told_by_its_number() -> None:
    around = [(-30.0, -6.0), (-30.0, 6.0), *AROUND]
    tin = yard(around=around)
    place, end, _ = beyond(tin, np.array([[4.0, 0.21], [-12.0, 0.21]]))
    ahead = [step_ends(tin)[k].ahead[0] for k in end[np.argsort(place)]]
    assert ahead == [1.0, -1.0]
