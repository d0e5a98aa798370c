"""What arcs and circles say about how they move, against small differences of the fits."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from geosite.linework.arcs import Arc, fit_arc
from geosite.linework.circles import fit_circle, taubin_circle

STEP = 1e-5
# marks that lie far off their arc and circle, so that the second derivatives count as well
LEFT = np.array([[0.0, 0.0], [3.0, -1.9], [5.5, -3.4], [8.0, -1.2], [11.0, 1.0]])
MARKS = {
    "flat": LEFT,
    "turning right": LEFT * [1.0, -1.0],
    "more than half": np.array([[0.0, 0.0], [-4.2, 3.0], [0.7, 10.2], [6.5, 6.1], [3.0, 0.5]]),
    "through three": LEFT[[0, 2, 4]],
}
QUANTITIES = ("bulge", "chord", "length", "segment", "radius", "sweep", "sagitta")


def moved(points: np.ndarray, measure: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Central differences of `measure` by each coordinate of each mark, shape (..., n, 2)."""
    found = []
    for place in np.ndindex(points.shape):
        step = np.zeros(points.shape)
        step[place] = STEP
        found.append((measure(points + step) - measure(points - step)) / (2.0 * STEP))
    return np.moveaxis(np.array(found), 0, -1).reshape(*np.shape(found[0]), *points.shape)


def arc_through(points: np.ndarray) -> Arc:
    arc = fit_arc(points)
    assert arc is not None
    return arc


@pytest.mark.parametrize("name", MARKS)
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_an_arc_knows_how_its_marks_change_it(name: str, quantity: str) -> None:
    stated = getattr(arc_through(MARKS[name]), f"{quantity}_gradient")
    seen = moved(MARKS[name], lambda p: np.float64(getattr(arc_through(p), quantity)))
    assert stated == pytest.approx(seen, abs=1e-6)


@pytest.mark.parametrize("name", MARKS)
def test_points_of_an_arc_move_as_stated(name: str) -> None:
    points = MARKS[name]
    arc = arc_through(points)
    angles = arc.start_angle + arc.sweep * np.array([0.0, 0.2, 0.7, 1.0])
    outward = np.column_stack([np.cos(angles), np.sin(angles)])

    def reach(changed: np.ndarray) -> np.ndarray:
        """How far out the changed arc lies, seen from the old centre."""
        other = arc_through(changed)
        shift = outward @ (np.array(other.centre) - arc.centre)
        return shift + other.radius

    assert arc.normal_motion(angles) == pytest.approx(moved(points, reach), abs=1e-6)


@pytest.mark.parametrize("name", MARKS)
def test_a_circle_knows_how_its_marks_change_it(name: str) -> None:
    points = MARKS[name]
    circle = fit_circle(points)
    assert circle is not None

    def centre_and_radius(changed: np.ndarray) -> np.ndarray:
        other = fit_circle(changed)
        assert other is not None
        return np.array([*other.centre, other.radius])

    seen = moved(points, centre_and_radius)
    assert circle.centre_gradient == pytest.approx(seen[:2], abs=1e-6)
    assert circle.radius_gradient == pytest.approx(seen[2], abs=1e-6)
    angles = np.array([0.3, 2.0, 4.0])
    outward = np.column_stack([np.cos(angles), np.sin(angles), np.ones(3)])
    assert circle.normal_motion(angles) == pytest.approx(np.tensordot(outward, seen, 1), abs=1e-6)


def test_a_first_step_too_far_still_leads_to_the_nearest_arc() -> None:
    """From the best inner mark's own arc Newton's first step passes the minimum by far."""
    from scipy.optimize import minimize_scalar

    marks = np.array([[0.0, 0.0], [-3.2, 0.2], [-12.1, -1.1], [-6.5, -3.8], [10.0, 0.0]])
    arc = arc_through(marks)

    def squares(bulge: float) -> float:
        """From the circle through both ends with this bulge, written with its centre."""
        centre = np.array([5.0, 10.0 * (1.0 - bulge**2) / (4.0 * bulge)])
        radius = 10.0 * (1.0 + bulge**2) / (4.0 * bulge)
        away = np.hypot(*(marks[1:-1] - centre).T) - radius
        return float(away @ away)

    best = minimize_scalar(squares, bounds=(1.0, 100.0), method="bounded", options={"xatol": 1e-9})
    assert arc.bulge == pytest.approx(best.x, rel=1e-6)
    assert float(arc.residuals @ arc.residuals) == pytest.approx(best.fun, rel=1e-9)


def test_the_first_guess_of_a_circle_is_exact_where_the_marks_are() -> None:
    angles = np.array([0.1, 0.9, 1.3, 2.5, 4.0])
    marks = 3.0 * np.column_stack([np.cos(angles), np.sin(angles)]) + [0.4, -0.7]
    middle = marks.mean(axis=0)
    found = taubin_circle(marks - middle)
    assert found is not None
    assert found == pytest.approx([0.4 - middle[0], -0.7 - middle[1], 3.0], abs=1e-12)


def test_the_first_guess_of_a_circle_has_taubins_least_value() -> None:
    """Of (mean of f^2) / (mean of |grad f|^2), f = a (x^2 + y^2) + b x + c y + d (Taubin 1991)."""
    from scipy.optimize import minimize

    marks = LEFT - LEFT.mean(axis=0) + [[0, 0.2], [0, 0], [0.1, 0], [0, -0.3], [0, 0.1]]
    marks = marks - marks.mean(axis=0)

    def value(circle: np.ndarray) -> float:
        offset = marks - circle[:2]
        square = (offset**2).sum(axis=1)
        return float(((square - circle[2] ** 2) ** 2).sum() / (4.0 * square.sum()))

    found = taubin_circle(marks)
    assert found is not None
    best = minimize(value, found * 1.01, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 0})
    assert value(found) == pytest.approx(best.fun, rel=1e-9)
    assert found == pytest.approx(best.x, rel=1e-5)


def test_marks_of_no_clear_circle_get_one_that_no_small_change_betters() -> None:
    marks = np.array([[1.1, 1.2], [1.9, 4.2], [0, 0.4], [-0.7, 0], [0.6, 1.6], [-0.7, -1.7]])
    circle = fit_circle(marks)
    assert circle is not None
    assert circle.radius > 1000.0  # next to a line: undamped steps overshoot
    offset = marks - circle.centre
    away = np.hypot(*offset.T)
    assert circle.residuals == pytest.approx(away - circle.radius, abs=1e-9)
    # the derivatives of half the squares, by radius and by centre
    assert circle.residuals.sum() == pytest.approx(0.0, abs=1e-7)
    assert circle.residuals @ (offset / away[:, None]) == pytest.approx([0.0, 0.0], abs=1e-7)
