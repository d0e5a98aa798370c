"""Congruency of two surveys: the test, what it finds, what it can find."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.change.congruency import (
    congruency,
    detectable,
    find_stable,
    frame_of_level,
    frame_of_plan,
    pooled_degrees_of_freedom,
)

PLACES = np.array([(0, 0), (30, 2), (28, 25), (4, 22), (15, 12), (12, 30)], float)


def spread(seed: int, size: int) -> np.ndarray:
    root = np.random.default_rng(seed).normal(size=(size, size))
    return root @ root.T / size + 0.1 * np.eye(size)


def test_it_is_the_quadratic_form_of_the_inner_constraint_solution() -> None:
    # Pelzer: d' Q+ d with d and Q in the frame that shifts and turns the marks least
    q = spread(1, 12)
    d = np.random.default_rng(2).normal(size=12)
    g = frame_of_plan(PLACES)
    inner = np.eye(12) - g @ np.linalg.inv(g.T @ g) @ g.T
    value = inner @ d @ np.linalg.pinv(inner @ q @ inner.T) @ inner @ d
    test = congruency(d, q, g)
    assert test.degrees_of_freedom == 9
    assert test.statistic * 9 == pytest.approx(value)


def test_it_is_what_one_frame_for_both_adds_to_the_weighted_squares() -> None:
    # the other form of the same test: hypothesis "nothing moved" against no hypothesis
    q = spread(3, 6)
    d = np.random.default_rng(4).normal(size=6)
    g = frame_of_level(6)
    weight = np.linalg.inv(q)
    lift = float((g.T @ weight @ d)[0] / (g.T @ weight @ g)[0, 0])
    left = d - lift
    assert congruency(d, q, g).statistic * 5 == pytest.approx(left @ weight @ left)


@given(st.floats(-5, 5), st.floats(-5, 5), st.floats(-0.01, 0.01), st.integers(0, 50))
def test_a_shift_and_turn_of_the_frame_is_no_movement(e: float, n: float, t: float, s: int) -> None:
    q = spread(s, 12)
    d = np.random.default_rng(s).normal(size=12)
    g = frame_of_plan(PLACES)
    moved = congruency(d + g @ [e, n, t], q, g)
    assert moved.statistic == pytest.approx(congruency(d, q, g).statistic, rel=1e-6)


def test_known_quantiles_of_the_test() -> None:
    g = frame_of_level(2)
    # one difference of two heights: chi-square with 1, or F with 1 and 10 degrees of freedom
    limit = 1.959964 * math.sqrt(2)
    assert congruency([0, limit], np.eye(2), g).probability == pytest.approx(0.05, abs=1e-6)
    limit = 2.228139 * math.sqrt(2)
    assert congruency([0, limit], np.eye(2), g, 10).probability == pytest.approx(0.05, abs=1e-6)


def test_detectable_movements_are_those_of_the_tables() -> None:
    # Baarda (1968): lambda 7.85 for one and 9.63 for two dimensions at 5 % and 80 %
    assert detectable([[4.0]]) == pytest.approx(2 * math.sqrt(7.849), abs=1e-3)
    assert detectable(np.diag([1.0, 9.0])) == pytest.approx(3 * math.sqrt(9.635), abs=2e-3)
    assert detectable([[1.0]], 5.0) > detectable([[1.0]])


def test_one_mark_that_moved_is_found_and_measured() -> None:
    d = np.zeros(12)
    d[4:6] = 0.30, -0.10
    found = find_stable(d, 0.01**2 * np.eye(12), frame_of_plan(PLACES), size=2)
    assert found.stable.tolist() == [True, True, False, True, True, True]
    assert found.marks[2].shift == pytest.approx([0.30, -0.10])
    assert found.last.passed
    assert not found.marks[2].test.passed
    assert found.doubtful == ()


def test_with_two_marks_only_their_distance_is_tested() -> None:
    g = frame_of_plan(PLACES[:2])
    across = np.array([0, 0, -0.0665, 0.9978])
    assert congruency(across, 0.01**2 * np.eye(4), g).statistic < 1e-3
    found = find_stable(np.array([0, 0, 0.2, 0]), 0.01**2 * np.eye(4), g, size=2)
    assert found.first.degrees_of_freedom == 1
    assert not found.last.passed


def test_of_three_levels_two_stories_fit_and_both_are_told() -> None:
    found = find_stable([0.0, 0.10, 0.10], 0.01**2 * np.eye(3), frame_of_level(3), size=1)
    assert found.stable.tolist() == [False, True, True]
    found = find_stable([0.0, 0.06, 0.12], 0.01**2 * np.eye(3), frame_of_level(3), size=1)
    assert not found.last.passed


def test_marks_without_any_error_between_them_are_no_test() -> None:
    test = congruency([1.0, 1.0], np.ones((2, 2)), frame_of_level(2))
    assert (test.statistic, test.degrees_of_freedom, test.probability) == (0.0, 0, 1.0)


def test_one_mark_alone_is_no_test() -> None:
    test = congruency([1.0], np.eye(1), frame_of_level(1))
    assert (test.statistic, test.degrees_of_freedom, test.probability) == (0.0, 0, 1.0)


def test_a_mark_whose_removal_explains_as_much_is_doubtful() -> None:
    # without the first the others are 2.5 cm apart, without the last as well
    found = find_stable([0.0, 0.025, 0.05], 0.01**2 * np.eye(3), frame_of_level(3), size=1)
    assert (found.stable.tolist(), found.doubtful) == ([False, True, True], (2,))
    assert found.last.statistic == pytest.approx(2.5**2 / 2)
    # without the last two the first two are 2 cm apart, without the first they are 2.5 cm
    found = find_stable([0.0, 0.02, 0.045], 0.01**2 * np.eye(3), frame_of_level(3), size=1)
    assert (found.stable.tolist(), found.doubtful) == ([True, True, False], (0,))
    # 3 cm against 2 cm: squares 4.5 and 2, less than 3.84 apart; 3.5 cm: no longer congruent
    found = find_stable([0.0, 0.02, 0.055], 0.01**2 * np.eye(3), frame_of_level(3), size=1)
    assert (found.stable.tolist(), found.doubtful) == ([True, True, False], ())


def test_a_mark_is_held_against_the_others_not_against_itself() -> None:
    # against the mean of the three others, with its own error and a third of theirs
    found = find_stable([0.3, 0.0, 0.6, 0.9], np.eye(4), frame_of_level(4), size=1)
    assert found.stable.all()
    assert [float(one.shift[0]) for one in found.marks] == pytest.approx([-0.2, -0.6, 0.2, 0.6])
    assert found.marks[0].covariance == pytest.approx(np.array([[4 / 3]]))
    assert found.marks[0].test.statistic == pytest.approx(0.2**2 / (4 / 3))
    assert found.frame == pytest.approx([0.45])


def test_of_two_marks_that_moved_each_is_measured_against_the_others() -> None:
    found = find_stable([0, 0, 0, 0.3, -0.2, 0], 0.01**2 * np.eye(6), frame_of_level(6), size=1)
    assert found.stable.tolist() == [True, True, True, False, False, True]
    assert [float(found.marks[k].shift[0]) for k in (3, 4)] == pytest.approx([0.3, -0.2])
    assert found.first.degrees_of_freedom == 5
    assert found.last.degrees_of_freedom == 3


@pytest.mark.parametrize("size", [1, 2])
def test_exactly_known_marks_hold_the_frame_as_nearly_exact_ones_do(size: int) -> None:
    # Rao 1973, Linear Statistical Inference, section 4i: weights where a covariance is singular are
    # the limit of those beside it; a plain generalised inverse gives an exact mark no weight
    count = 6 * size
    g = frame_of_plan(PLACES) if size == 2 else frame_of_level(6)
    exact, d = spread(7, count), 0.2 * np.random.default_rng(8).normal(size=count)
    known = 2 * size if size == 2 else 1  # two marks of a baseline, one elevation
    exact[:known] = exact[:, :known] = d[:known] = 0.0
    nearly = exact.copy()
    nearly[range(known), range(known)] = 1e-8
    found, beside = (find_stable(d, q, g, size=size) for q in (exact, nearly))
    for mark, other in zip(found.marks[size:], beside.marks[size:], strict=True):
        assert mark.shift == pytest.approx(other.shift, abs=1e-5)
        assert mark.covariance == pytest.approx(other.covariance, abs=1e-5)
    assert found.stable.all()


@pytest.mark.parametrize("size", [1, 2])
def test_a_mark_is_measured_as_least_squares_has_it(size: int) -> None:
    # general linear hypothesis (Caspary 2000, Concepts of Network and Deformation Analysis, ch. 4;
    # Koch 1999, section 4.2): the movement of one mark beside a frame is one more unknown, and its
    # quadratic form is what the squares of all grow by without it
    count = 6 * size
    g = frame_of_plan(PLACES) if size == 2 else frame_of_level(6)
    q, d = spread(9, count), 0.3 * np.random.default_rng(10).normal(size=count)
    found = find_stable(d, q, g, size=size)
    assert found.stable.all()
    weight = np.linalg.inv(q)
    for mark, moved in enumerate(found.marks):
        own = np.eye(count)[:, mark * size : (mark + 1) * size]
        design = np.hstack([g, own])
        inverse = np.linalg.inv(design.T @ weight @ design)
        estimate = inverse @ design.T @ weight @ d
        assert moved.shift == pytest.approx(estimate[-size:], abs=1e-9)
        assert moved.covariance == pytest.approx(inverse[-size:, -size:], abs=1e-9)
        rows = np.delete(np.arange(count), np.arange(mark * size, (mark + 1) * size))
        without = congruency(d[rows], q[np.ix_(rows, rows)], g[rows])
        grown = found.first.statistic * found.first.degrees_of_freedom
        grown -= without.statistic * without.degrees_of_freedom
        assert moved.test.statistic * size == pytest.approx(grown, abs=1e-9)


def test_the_noise_is_known_as_well_as_that_of_each_survey_whatever_the_anchor() -> None:
    # Satterthwaite 1946: (4 + 1)^2 / (4^2 / 8 + 1 / inf) = 12.5, however large what all share is
    g = frame_of_level(5)
    first, second = 4.0 * np.eye(5), np.eye(5)
    for shared in (0.0, 1.0, 1e3):
        both = first + shared * g @ g.T, second + shared * g @ g.T
        assert pooled_degrees_of_freedom(both, g, (8.0, math.inf)) == pytest.approx(12.5)
    assert pooled_degrees_of_freedom((first, second), g, (math.inf, math.inf)) == math.inf


def test_of_two_marks_in_plan_the_whole_change_of_their_distance_is_told() -> None:
    frame = frame_of_plan([[0.0, 0.0], [30.0, 40.0]])
    along, across = np.array([0.3, 0.4]), np.array([-0.4, 0.3])
    found = find_stable([0, 0, *(along + across)], np.eye(4) * 1e-4, frame, size=2)
    one, other = found.marks
    assert other.shift == pytest.approx(along)
    assert one.shift == pytest.approx(-along)
    assert other.covariance == pytest.approx(np.outer(along, along) / 0.25 * 2e-4)
    # what goes sideways is not seen, however far
    assert other.detectable == np.inf
