"""Leaving one mark out, against really leaving it out, also with too many marks for one system."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from geosite.terrain.idw import inverse_distance
from geosite.terrain.scores import Score, scorable, score
from geosite.terrain.spline import leave_one_out_thin_plate, smoothing
from geosite.terrain.tin import border, triangulate


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


@pytest.mark.parametrize("n", [40, 510])
def test_uncertain_marks_are_predicted_by_a_smooth_spline(n: int) -> None:
    points = slope(n)
    noise = np.linspace(0.02, 0.05, n)
    points[:, 2] += np.random.default_rng(1).normal(0.0, noise)
    diagonal = smoothing(points, noise)
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

    ratio = noise**2 / smoothing(points, noise)
    assert ratio == pytest.approx(np.full(45, ratio[0]), rel=1e-9)
    best = unlikely(float(ratio[0]))
    assert best < min(unlikely(float(ratio[0]) * 1.005), unlikely(float(ratio[0]) / 1.005))


def test_a_thousand_marks_score_a_large_survey() -> None:
    tin = triangulate(slope(1200))
    which = scorable(tin)
    assert len(which) == 1000
    assert (np.diff(which) > 0).all()
    assert not border(tin)[which].any()
    assert which.max() > 1100  # spread over all, not the first thousand


def test_marks_on_breaklines_and_what_these_add_score_nothing() -> None:
    points = slope(40)
    points[[3, 8], :2] = [[15, 10], [45, 30]]
    points[[5, 9], :2] = [[15, 30], [45, 10]]
    tin = triangulate(points, [points[[3, 8]], points[[5, 9]]])
    assert len(tin.points) > 40  # where the lines cross
    which = scorable(tin)
    inner = np.flatnonzero(~border(triangulate(points)))
    assert which.tolist() == [k for k in inner if k not in (3, 5, 8, 9)]


def test_a_line_beyond_the_marks_makes_no_hull_mark_scorable() -> None:
    points = slope(40)
    beyond = np.array([[-10.0, -10.0, 0.0], [70.0, -10.0, 0.0], [70.0, 50.0, 0.0]])
    which = scorable(triangulate(points, [beyond]))
    assert which.tolist() == np.flatnonzero(~border(triangulate(points))).tolist()


def test_without_inner_marks_there_is_no_score() -> None:
    corners = np.array([[0.0, 0.0, 1.0], [9.0, 0.0, 2.0], [0.0, 9.0, 3.0]])
    assert score(triangulate(corners), "tin") == Score("tin", 0, 0.0, 0.0, 0.0)
