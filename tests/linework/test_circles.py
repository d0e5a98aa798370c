"""What holds for every circle and arc, and the fits against a general least squares solver."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares, minimize_scalar

from geosite.linework.arcs import fit_arc
from geosite.linework.circles import chord_count, fit_circle

PROFILE = settings(max_examples=60, deadline=None, derandomize=True)


def circle_points(radius: float, angles: np.ndarray, east: float, north: float) -> np.ndarray:
    return np.column_stack([east + radius * np.cos(angles), north + radius * np.sin(angles)])


@PROFILE
@given(
    st.floats(0.1, 500.0),
    st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)),
    st.floats(0.0, 6.28),
    st.floats(0.4, 2.5),
    st.floats(0.4, 2.5),
)
def test_three_points_give_back_their_circle(
    radius: float, centre: tuple[float, float], start: float, one: float, two: float
) -> None:
    angles = start + np.array([0.0, one, one + two])
    circle = fit_circle(circle_points(radius, angles, *centre))
    assert circle is not None
    assert circle.radius == pytest.approx(radius, rel=1e-7)
    assert circle.centre == pytest.approx(centre, abs=1e-7 * max(radius, 1.0))


@PROFILE
@given(st.permutations(range(6)), st.integers(0, 1000))
def test_fit_knows_no_order(order: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = circle_points(8.0, np.arange(6.0), 3.0, -4.0) + rng.normal(0, 0.05, (6, 2))
    a, b = fit_circle(points), fit_circle(points[order])
    assert a is not None
    assert b is not None
    assert a.radius == pytest.approx(b.radius, abs=1e-9)
    assert a.residuals[order] == pytest.approx(b.residuals, abs=1e-9)


@PROFILE
@given(st.integers(4, 30), st.floats(1.0, 6.2), st.integers(0, 10_000))
def test_fitted_circle_is_the_least_squares_one(count: int, spread: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    angles = np.linspace(0.0, spread, count)
    points = circle_points(10.0, angles, 2.0, 1.0) + rng.normal(0.0, 0.02, (count, 2))
    circle = fit_circle(points)
    assert circle is not None
    best = least_squares(
        lambda u: np.hypot(points[:, 0] - u[0], points[:, 1] - u[1]) - u[2],
        [2.0, 1.0, 10.0],
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    assert (*circle.centre, circle.radius) == pytest.approx(best.x, abs=1e-5)
    assert float((circle.residuals**2).sum()) <= 2.0 * best.cost * (1.0 + 1e-9)


@PROFILE
@given(st.integers(4, 12), st.floats(0.4, 5.8), st.sampled_from([1, -1]), st.integers(0, 10_000))
def test_fitted_arc_is_the_least_squares_one_through_its_ends(
    count: int, sweep: float, sign: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    angles = 0.4 + sign * np.linspace(0.0, sweep, count)
    points = circle_points(10.0, angles, 2.0, 1.0) + rng.normal(0.0, 0.01, (count, 2))
    arc = fit_arc(points)
    assert arc is not None
    for end in (0, -1):
        step = points[end] - np.array(arc.centre)
        assert math.hypot(*step) == pytest.approx(arc.radius, rel=1e-9)
    middle, chord = (points[0] + points[-1]) / 2, points[-1] - points[0]
    left = np.array([-chord[1], chord[0]]) / arc.chord

    def cost(offset: float) -> float:
        """Squared distances from the circle through both ends whose centre is so far left."""
        rho = np.hypot(*(points[1:-1] - middle - offset * left).T)
        return float(((rho - math.hypot(offset, arc.chord / 2)) ** 2).sum())

    found = float((np.array(arc.centre) - middle) @ left)
    best = minimize_scalar(cost, bracket=(found - 0.1, found + 0.1), tol=1e-12)
    assert found == pytest.approx(float(best.x), abs=1e-4 * arc.radius)
    assert float((arc.residuals**2).sum()) == pytest.approx(cost(found), abs=1e-12)
    assert math.copysign(1.0, arc.sweep) == sign


@PROFILE
@given(st.floats(-400.0, 400.0), st.floats(-400.0, 400.0), st.floats(0.0, 6.28))
def test_collinear_marks_have_no_circle(east: float, north: float, direction: float) -> None:
    along = np.array([math.cos(direction), math.sin(direction)])
    for shares in ([0.0, 3.0, 10.0], [0.0, 10.0, 3.0], [0.0, 1.0, 4.0, 10.0]):
        points = np.array([east, north]) + np.array(shares)[:, None] * along
        assert fit_circle(points) is None
        assert fit_arc(points) is None


@PROFILE
@given(st.floats(0.001, 1000.0), st.floats(0.001, 6.28), st.floats(1e-5, 1.0))
def test_densified_chords_keep_the_sagitta(radius: float, sweep: float, sagitta: float) -> None:
    count = chord_count(radius, sweep, sagitta)
    assert radius * (1.0 - math.cos(sweep / count / 2.0)) <= sagitta * (1.0 + 1e-6)
    assert sweep / count <= math.pi / 4 * (1.0 + 1e-6)


def test_a_flat_arc_is_one_chord() -> None:
    # the chord over the angle a stands r (1 - cos(a / 2)) off its arc: 1 cm of 2 m at 0.20008
    assert [chord_count(2.0, sweep, 0.01) for sweep in (0.2, -0.2, 0.2002, 0.41)] == [1, 1, 2, 3]
