"""Leaving one mark out, against really leaving it out, also with too many marks for one system."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from geosite.base.grid import Grid
from geosite.terrain.surface.cross_validation import (
    METHODS,
    Method,
    Score,
    independent_batches,
    leave_one_out,
    marks_to_leave_out,
    score,
)
from geosite.terrain.surface.idw import inverse_distance
from geosite.terrain.surface.model import elevation_surface
from geosite.terrain.surface.spline import leave_one_out_thin_plate, smoothing_diagonal
from geosite.terrain.surface.tin import border_points, triangulate


def slope(n: int, seed: int = 5) -> np.ndarray:
    """Marks on uneven ground of 60 m by 40 m."""
    rng = np.random.default_rng(seed)
    east, north = rng.random((2, n)) * [[60], [40]]
    return np.column_stack([east, north, 3 + 0.05 * east + np.sin(north / 5)])


def test_of_many_marks_the_nearest_others_predict() -> None:
    points, which = slope(1100), np.array([0, 400, 1099])
    found = inverse_distance(points, points[which, :2], leave_out=which)
    for k, value in zip(which, found, strict=True):
        rest = np.delete(points, k, axis=0)
        distance = np.hypot(*(rest[:, :2] - points[k, :2]).T)
        order = np.argsort(distance)
        near, reach = order[:24], distance[order[24]]
        # Franke & Nielson (1980): ((R - d) / (R d)) ** 2
        weight = ((reach - distance[near]) / (reach * distance[near])) ** 2
        assert value == pytest.approx(np.average(rest[near, 2], weights=weight), abs=1e-9)
        assert value == pytest.approx(inverse_distance(rest, points[k : k + 1, :2])[0], abs=1e-9)


def test_of_a_few_marks_all_others_predict() -> None:
    points, which = slope(50), np.array([3, 49])
    found = inverse_distance(points, points[which, :2], leave_out=which)
    for k, value in zip(which, found, strict=True):
        rest = np.delete(points, k, axis=0)
        weight = 1 / ((rest[:, :2] - points[k, :2]) ** 2).sum(axis=1)
        assert value == pytest.approx(np.average(rest[:, 2], weights=weight), abs=1e-12)


def test_of_many_marks_a_spline_of_the_nearest_predicts() -> None:
    points, which = slope(600), np.arange(1, 600, 9)
    found = leave_one_out_thin_plate(points, None, which)
    for k in (0, 30, 64, 66):
        rest = np.delete(points, which[k], axis=0)
        spline = RBFInterpolator(rest[:, :2], rest[:, 2], neighbors=60, degree=1)
        place = points[which[k : k + 1], :2]
        assert found[k] == pytest.approx(spline(place)[0], abs=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("n", [40, 510])
def test_uncertain_marks_are_predicted_by_a_smooth_spline(n: int) -> None:
    points = slope(n)
    noise = np.linspace(0.02, 0.05, n)
    points[:, 2] += np.random.default_rng(1).normal(0.0, noise)
    diagonal = smoothing_diagonal(points, noise)
    assert (diagonal > 0).all()
    size = np.ptp(points[:, :2], axis=0).max()
    which = np.array([2, 17, n - 1])
    found = leave_one_out_thin_plate(points, noise, which)
    for k, value in zip(which, found, strict=True):
        distance = np.hypot(*(points[:, :2] - points[k, :2]).T)
        near = np.argsort(distance)[1:61]
        spline = RBFInterpolator(
            points[near, :2] / size, points[near, 2], smoothing=diagonal[near], degree=1
        )
        assert value == pytest.approx(spline(points[k : k + 1, :2] / size)[0], abs=1e-6)


def test_the_smoothing_makes_the_marks_most_likely() -> None:
    """Restricted likelihood, Patterson & Thompson (1971), doi:10.1093/biomet/58.3.545."""
    points = slope(45)
    noise = np.linspace(0.05, 0.1, 45)
    points[:, 2] += np.random.default_rng(2).normal(0.0, noise)
    position = points[:, :2] / np.ptp(points[:, :2], axis=0).max()
    square = ((position[:, None] - position[None]) ** 2).sum(axis=-1)
    kernel = 0.5 * square * np.log(np.where(square > 0, square, 1.0))
    planes = np.column_stack([np.ones(45), position])
    # the kernel is a covariance for what planes leave over; on planes it may be anything positive
    kernel += 10.0 * planes @ planes.T

    def unlikely(ratio: float) -> float:
        variance = ratio * kernel + np.diag(noise**2)
        inverse = np.linalg.inv(variance)
        information = planes.T @ inverse @ planes
        left = inverse - inverse @ planes @ np.linalg.solve(information, planes.T @ inverse)
        logs = np.linalg.slogdet(variance)[1] + np.linalg.slogdet(information)[1]
        return float(logs + points[:, 2] @ left @ points[:, 2])

    ratio = noise**2 / smoothing_diagonal(points, noise)
    assert ratio == pytest.approx(np.full(45, ratio[0]), rel=1e-9)
    best = unlikely(float(ratio[0]))
    assert best < min(unlikely(float(ratio[0]) * 1.005), unlikely(float(ratio[0]) / 1.005))


def test_a_thousand_marks_score_a_large_survey() -> None:
    tin = triangulate(slope(1200))
    which = marks_to_leave_out(tin)
    assert len(which) == 1000
    assert (np.diff(which) > 0).all()
    assert not border_points(tin)[which].any()
    assert which.max() > 1100  # spread over all, not the first thousand


def test_marks_on_breaklines_and_what_these_add_score_nothing() -> None:
    points = slope(40)
    points[[3, 8], :2] = [[15, 10], [45, 30]]
    points[[5, 9], :2] = [[15, 30], [45, 10]]
    tin = triangulate(points, [points[[3, 8]], points[[5, 9]]])
    assert len(tin.points) > 40  # where the lines cross
    which = marks_to_leave_out(tin)
    inner = np.flatnonzero(~border_points(triangulate(points)))
    assert which.tolist() == [k for k in inner if k not in (3, 5, 8, 9)]


def test_a_line_beyond_the_marks_makes_no_hull_mark_scorable() -> None:
    points = slope(40)
    beyond = np.array([[-10.0, -10.0, 0.0], [70.0, -10.0, 0.0], [70.0, 50.0, 0.0]])
    which = marks_to_leave_out(triangulate(points, [beyond]))
    assert which.tolist() == np.flatnonzero(~border_points(triangulate(points))).tolist()


def test_without_inner_marks_there_is_no_score() -> None:
    corners = np.array([[0.0, 0.0, 1.0], [9.0, 0.0, 2.0], [0.0, 9.0, 3.0]])
    assert score(triangulate(corners), "tin") == Score("tin", 0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("method", METHODS)
def test_a_score_is_that_of_marks_that_never_were(method: Method) -> None:
    # a breakline whose ends are no marks: only the triangles know it, and no method scores them
    points = slope(18)
    line = np.array([[20.0, 15.0, 9.0], [35.0, 25.0, 9.0]])
    tin = triangulate(points, [line])
    which = marks_to_leave_out(tin)
    assert len(tin.points) == 20
    assert 5 <= len(which) <= 15
    residual = []
    for mark in which:
        cell = Grid(points[mark, 0] - 0.5, points[mark, 1] + 0.5, 1.0, 1, 1)
        lines = [line] if method == "tin" else []
        rest = np.delete(points, mark, axis=0)
        z = elevation_surface(rest, cell, method=method, breaklines=lines).z[0, 0]
        residual.append(points[mark, 2] - z)
    np.testing.assert_allclose(
        points[which, 2] - leave_one_out(tin, method, which), residual, atol=1e-7
    )
    found = score(tin, method)
    assert (found.method, found.marks) == (method, len(which))
    assert found.rmse == pytest.approx(np.sqrt(np.mean(np.square(residual))), abs=1e-7)
    assert found.mean == pytest.approx(np.mean(residual), abs=1e-7)
    assert found.largest == pytest.approx(np.max(np.abs(residual)), abs=1e-7)


def test_the_noise_of_marks_alone_counts_where_breaklines_add_some() -> None:
    points = slope(18)
    tin = triangulate(points, [np.array([[20.0, 15.0, 9.0], [35.0, 25.0, 9.0]])])
    noise = np.append(np.linspace(0.02, 0.3, 18), [1e-6, 1e-6])
    which = marks_to_leave_out(tin)
    for method in ("plane", "thin-plate"):
        plain = leave_one_out(triangulate(points), method, which, noise[:18])  # type: ignore[arg-type]
        with_line = leave_one_out(tin, method, which, noise)  # type: ignore[arg-type]
        np.testing.assert_allclose(with_line, plain, rtol=1e-12)


@pytest.mark.parametrize("n", [12, 200])
def test_batches_are_of_marks_that_are_not_each_others_neighbours(n: int) -> None:
    tin = triangulate(slope(n))
    which = marks_to_leave_out(tin)
    batches = list(independent_batches(tin, which))
    assert sorted(np.concatenate(batches).tolist()) == list(range(len(which)))
    sides = np.stack([tin.triangles.ravel(), np.roll(tin.triangles, -1, axis=1).ravel()], axis=1)
    left = set(which.tolist())
    for batch in batches:
        taken = set(which[batch].tolist())
        assert not any(a in taken and b in taken for a, b in sides.tolist())
        left -= taken
        # no other mark that is left could have joined it
        near = {b for a, b in sides.tolist() if a in taken}
        assert left <= near
    assert len(batches) <= 8


def test_a_place_that_a_line_of_one_vertex_adds_is_not_scored() -> None:
    points = slope(30)
    tin = triangulate(points, [np.array([[30.0, 20.0, 5.0]])])
    assert len(tin.points) == 31
    assert marks_to_leave_out(tin).tolist() == marks_to_leave_out(triangulate(points)).tolist()
