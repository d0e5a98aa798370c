"""Where four marks would bend less along their other diagonal, triangles cross a crown."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from geosite.terrain.surface.other_diagonals import OtherDiagonals, other_diagonals
from geosite.terrain.surface.tin import Tin, barycentric, locate_points, triangulate

CROWN = [(e, 0.0) for e in (-12.0, -4.0, 4.0, 12.0)]
KERBS = [(e, n) for e in (-8.0, 0.0, 8.0) for n in (-3.0, 3.0)]


def roof(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    return 5.0 + 0.01 * east - 0.03 * np.abs(north)


def ground(
    places: Sequence[tuple[float, float]],
    up: Callable[[np.ndarray, np.ndarray], np.ndarray] = roof,
    lines: Sequence[Sequence[tuple[float, float]]] = (),
    turned: float = 0.0,
) -> Tin:
    def marks(at: Sequence[tuple[float, float]]) -> np.ndarray:
        east, north = np.array(at, float).reshape(-1, 2).T
        sine, cosine = math.sin(turned), math.cos(turned)
        plan = [cosine * east - sine * north, sine * east + cosine * north]
        return np.column_stack([*plan, up(east, north)])

    return triangulate(marks(places), [marks(line) for line in lines])


def turned(found: OtherDiagonals, tin: Tin, places: np.ndarray) -> np.ndarray:
    """The ground with the other diagonals."""
    triangle = locate_points(tin, places)
    shares = barycentric(tin, triangle, places)
    up = (tin.points[tin.triangles[triangle], 2] * shares).sum(axis=1)
    place, _, off = found.turned(triangle, shares)
    up[place] += off
    return up


@pytest.mark.parametrize("angle", [0.0, 0.4, 1.9])
def test_a_crown_between_kerbs_is_whole_with_the_other_diagonals(angle: float) -> None:
    tin = ground(CROWN + KERBS, turned=angle)
    found = other_diagonals(tin)
    assert found.twist == pytest.approx([0.09, 0.09, 0.09])
    east, north = np.meshgrid(np.linspace(-6.0, 6.0, 25), np.linspace(-2.0, 2.0, 13))
    east, north = east.ravel(), north.ravel()
    inside = np.abs(north) < 3 - 3 / 4 * np.abs(np.abs(np.abs(east) - 4.0) - 4.0) - 1e-9
    east, north = east[inside], north[inside]
    sine, cosine = math.sin(angle), math.cos(angle)
    at = np.column_stack([cosine * east - sine * north, sine * east + cosine * north])
    assert turned(found, tin, at) == pytest.approx(roof(east, north), abs=1e-9)


def test_marks_and_the_sides_round_a_pair_stay_where_they_are() -> None:
    tin = ground(CROWN + KERBS)
    found = other_diagonals(tin)
    marks = tin.points[:, :2]
    assert turned(found, tin, marks) == pytest.approx(tin.points[:, 2], abs=1e-12)
    round_one = np.array([[-2.0, 1.5], [2.0, 1.5], [2.0, -1.5], [1.0, -2.25]])
    level = (5.0 + 0.01 * round_one[:, 0]) - 0.03 * np.abs(round_one[:, 1])
    assert turned(found, tin, round_one) == pytest.approx(level, abs=1e-9)


def test_a_valley_is_as_much_as_a_crown_and_plane_ground_is_left_as_it_is() -> None:
    def valley(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return -roof(east, north)

    found = other_diagonals(ground(CROWN + KERBS, valley))
    assert found.twist == pytest.approx([-0.09, -0.09, -0.09])
    plane = ground(CROWN + KERBS, lambda east, north: 3.0 + 0.02 * east - 0.01 * north)
    assert not len(other_diagonals(plane).twist)


def test_a_crown_that_triangles_follow_is_left_to_them() -> None:
    near = [(e, 0.0) for e in (-12.0, -8.0, -4.0, 0.0, 4.0, 8.0, 12.0)]
    found = other_diagonals(ground(near + KERBS))
    assert not len(found.twist)


def test_a_pair_that_gains_little_is_left_to_chance() -> None:
    # of the three on a narrow road the outer ones keep 0.92 of their bends
    kerbs = [(e, n) for e in (-8.0, 0.0, 8.0) for n in (-2.5, 2.5)]
    assert other_diagonals(ground(CROWN + kerbs)).twist == pytest.approx([0.075])


def test_where_the_diagonals_cross_off_the_middle_the_crown_is_whole_too() -> None:
    places = [*CROWN[1:3], (-1.0, -3.0), (0.5, 2.0), (-8.0, -3.0), (-8.0, 2.0), (8.0, 2.0)]
    tin = ground([*places, (8.0, -3.0), CROWN[0], CROWN[3]])
    found = other_diagonals(tin)
    assert found.twist == pytest.approx([0.072])
    at = np.random.default_rng(3).uniform([-8, -3], [8, 2], (400, 2))
    triangle = locate_points(tin, at)
    at = at[(triangle >= 0) & (found.quad[triangle] >= 0)]
    assert len(at) > 30
    assert turned(found, tin, at) == pytest.approx(roof(*at.T), abs=1e-9)


def test_no_line_is_crossed_and_no_bend_along_one_counts() -> None:
    across = [(0.0, -3.0), (0.0, 3.0)]
    found = other_diagonals(ground(CROWN + KERBS, lines=[across]))
    assert len(found.twist) == 2

    # without the bends along the lines round it there is nothing to gain
    ring = [(-4.0, 0.0), (0.0, 3.0), (4.0, 0.0), (0.0, -3.0), (-4.0, 0.0)]
    tin = ground(CROWN + KERBS, lines=[ring])
    quad = other_diagonals(tin).quad
    assert (quad[locate_points(tin, np.array([[-1.0, 0.1], [1.0, 0.1]]))] < 0).all()


def test_no_triangle_is_of_two_pairs() -> None:
    rng = np.random.default_rng(5)
    places = [tuple(p) for p in rng.uniform(0, 20, (150, 2))]
    tin = ground(places, lambda east, north: rng.normal(0, 0.1, len(east)))
    found = other_diagonals(tin)
    assert len(found.twist) > 10
    assert (np.bincount(found.quad[found.quad >= 0]) == 2).all()
    # both triangles of a pair say the same of their common side
    at = rng.uniform(1, 19, (4000, 2))
    at = at[locate_points(tin, at) >= 0]
    near = turned(found, tin, at + 1e-7) - turned(found, tin, at)
    assert np.abs(near).max() < 1e-5


def test_of_alike_pairs_with_a_triangle_in_common_one_is_taken() -> None:
    # a lattice with a ridge across its diagonals: every cell gains the same
    places = [(float(e), float(n)) for e in range(5) for n in range(5)]
    for sign in (1.0, -1.0):
        tin = ground(places, lambda e, n, s=sign: 0.1 * np.abs(e - s * n - (4 if s < 0 else 0)))
        quad = other_diagonals(tin).quad
        assert (np.bincount(quad[quad >= 0], minlength=1) <= 2).all()


def test_none_is_nothing_anywhere() -> None:
    tin = ground(CROWN + KERBS)
    none = OtherDiagonals.none(len(tin.triangles))
    at = np.array([[0.0, 0.0], [1.0, 1.0]])
    triangle = locate_points(tin, at)
    assert not len(none.turned(triangle, barycentric(tin, triangle, at))[0])
