"""Volumes against a published worked example and solids whose volume is known."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.volumes.between_surfaces import (
    average_end_area,
    cut_and_fill,
    overlay,
    prismoidal,
)

# Fundamentals of Transportation (Wikibooks), Earthwork: worked solution (P-J1)
STATIONS = [0.0, 50.0, 75.0, 100.0, 115.0, 150.0]
FILL = [60.0, 50.0, 25.0, 5.0, 0.0, 0.0]
CUT = [0.0, 0.0, 0.0, 10.0, 15.0, 30.0]


def test_published_road_example():
    fill, cut = average_end_area(STATIONS, FILL), average_end_area(STATIONS, CUT)
    assert fill == pytest.approx(4087.5, abs=0.05)
    assert cut == pytest.approx(1058.3, abs=0.05)
    assert fill - cut == pytest.approx(3029.2, abs=0.06)


def test_pyramid_is_a_third_and_a_wedge_is_a_half():
    # Euclid XII.7: a pyramid is a third of its prism; the prismoidal formula has both exactly
    assert average_end_area([0.0, 6.0], [10.0, 0.0]) == pytest.approx(20.0)
    assert average_end_area([0.0, 6.0], [10.0, 0.0], pyramid=False) == pytest.approx(30.0)
    assert prismoidal([0.0, 6.0], [10.0, 0.0], [2.5]) == pytest.approx(20.0)
    assert prismoidal([0.0, 6.0], [10.0, 0.0], [5.0]) == pytest.approx(30.0)


def test_sphere_by_the_prismoidal_formula_is_exact():
    # Simpson's rule is exact for the cubic section area of a quadric
    area = [0.0, np.pi * 4.0, 0.0]
    middle = [np.pi * 3.0, np.pi * 3.0]
    assert prismoidal([-2.0, 0.0, 2.0], area, middle) == pytest.approx(4 / 3 * np.pi * 8)


@pytest.mark.slow
@given(st.floats(0.1, 1e3), st.lists(st.floats(0.1, 100.0), min_size=1, max_size=20))
def test_congruent_sections_agree(area, lengths):
    chainage = np.concatenate([[0.0], np.cumsum(lengths)])
    ends, middles = np.full(len(chainage), area), np.full(len(lengths), area)
    by_ends = average_end_area(chainage, ends)
    assert by_ends == pytest.approx(area * chainage[-1], rel=1e-12)
    assert prismoidal(chainage, ends, middles) == pytest.approx(by_ends, rel=1e-12)


# the hipped heap: base 20 x 12, ridge of 8 in the middle at a height of 3
HEAP = np.array([(0, 0, 0), (20, 0, 0), (20, 12, 0), (0, 12, 0), (6, 6, 3), (14, 6, 3)], float)
HEAP_FACES = np.array([(0, 1, 5), (0, 5, 4), (1, 2, 5), (2, 3, 4), (2, 4, 5), (3, 0, 4)])


def excess(
    points: np.ndarray, triangles: np.ndarray, outline: np.ndarray, level: float
) -> tuple[float, float]:
    """Return what of a surface is above a level, and what is missing below it."""
    shape = np.array([shapely.Polygon(outline[:, :2])])
    lowered = points - [0.0, 0.0, level]
    return cut_and_fill(overlay(shape, lowered, triangles)[0])


def test_a_hipped_heap_is_exact():
    # wedge with a ridge: width x height x (2 base + ridge) / 6 (Bronshtein & Semendyayev, Handbook
    # of Mathematics, section 3.3, obelisk and wedge; from memory)
    cut, fill = excess(HEAP, HEAP_FACES, HEAP[:4], 0.0)
    assert cut == pytest.approx(12 * 3 * (2 * 20 + 8) / 6, rel=1e-12)
    assert fill == pytest.approx(0.0, abs=1e-9)
    # a metre up the heap is 16 x 8 with the same ridge; below it all but that is missing
    cut, fill = excess(HEAP, HEAP_FACES, HEAP[:4], 1.0)
    above = 8 * 2 * (2 * 16 + 8) / 6
    assert cut == pytest.approx(above, rel=1e-12)
    assert fill == pytest.approx(240 * 1 - (288 - above), rel=1e-12)


def test_a_frustum_a_cone_and_a_trench_are_exact():
    # frustum with unlike sides, 20 x 16 and 8 x 4 at 3: prismoidal formula, h / 6 (A + 4 M + B)
    ring = np.array([(0, 0), (20, 0), (20, 16), (0, 16)], float)
    inner = np.array([(6, 6), (14, 6), (14, 10), (6, 10)], float)
    points = np.vstack([np.c_[ring, np.zeros(4)], np.c_[inner, np.full(4, 3.0)]])
    sides = [
        face
        for k in range(4)
        for face in ((k, (k + 1) % 4, 4 + (k + 1) % 4), (k, 4 + (k + 1) % 4, 4 + k))
    ]
    faces = np.array([*sides, (4, 5, 6), (4, 6, 7)])
    volume = prismoidal([0.0, 3.0], [20 * 16, 8 * 4], [14 * 10])
    assert volume == pytest.approx(3 / 6 * (320 + 4 * 140 + 32))
    assert excess(points, faces, points[:4], 0.0)[0] == pytest.approx(volume, rel=1e-12)
    # the same upside down, a trench with sloped sides and ends, is that much to fill
    assert excess(points * [1, 1, -1], faces, points[:4], 0.0)[1] == pytest.approx(
        volume, rel=1e-12
    )
    # cone over a 24-gon: a third of height times base, 24 / 2 r^2 sin(360 / 24)
    turn = np.arange(24) * math.tau / 24
    foot = np.column_stack([8 * np.cos(turn), 8 * np.sin(turn), 0 * turn])
    cone = np.vstack([foot, [(0.0, 0.0, 4.0)]])
    faces = np.column_stack([np.arange(24), (np.arange(24) + 1) % 24, np.full(24, 24)])
    volume = 4 / 3 * 12 * 64 * math.sin(math.tau / 24)
    assert excess(cone, faces, foot, 0.0)[0] == pytest.approx(volume, rel=1e-12)
