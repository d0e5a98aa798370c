"""Volumes against a published worked example and solids whose volume is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.volumes.between_surfaces import average_end_area, prismoidal

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
