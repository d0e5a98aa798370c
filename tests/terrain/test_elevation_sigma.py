"""How well a cell's elevation is known, and surfaces drawn from that."""

from __future__ import annotations

import pickle
from dataclasses import replace

import network_cases
import numpy as np
import pytest
from geosite.terrain.surface.uncertainty import (
    draw_elevations,
    elevation_sigma,
    interpolation_rate,
    perturbations,
)

from geosite.base.grid import Grid
from geosite.network.adjust import adjust
from geosite.network.covariance import level_covariance, sigma_vertical
from geosite.terrain.surface import uncertainty
from geosite.terrain.surface.model import Surface, elevation_surface
from geosite.terrain.surface.scores import Method

# one triangle, its corners on cell centres
CORNERS = np.array([[0.5, 0.5, 1.0], [10.5, 0.5, 2.0], [0.5, 10.5, 4.0]])
GRID = Grid(0, 11, 1.0, 11, 11)


def triangle(sigma: list[float]) -> Surface:
    return elevation_surface(CORNERS, GRID, sigma=sigma)


def test_sigma_of_a_cell_is_that_of_the_weighted_corners() -> None:
    surface = triangle([0.01, 0.02, 0.03])
    sigma = elevation_sigma(surface, rate=0.0)
    assert sigma[10, 0] == pytest.approx(0.01)
    assert sigma[10, 10] == pytest.approx(0.02)
    assert sigma[0, 0] == pytest.approx(0.03)
    # a fifth of the way east and three tenths north
    expected = np.sqrt((0.5 * 0.01) ** 2 + (0.2 * 0.02) ** 2 + (0.3 * 0.03) ** 2)
    assert sigma[7, 2] == pytest.approx(expected)
    np.testing.assert_array_equal(np.isnan(sigma), np.isnan(surface.z))


def test_errors_that_marks_share_do_not_average_out() -> None:
    surface = triangle([0.05] * 3)

    def covariance(i: np.ndarray, j: np.ndarray) -> np.ndarray:
        return np.full(len(i), 0.05**2)

    sigma = elevation_sigma(surface, covariance, rate=0.0)
    np.testing.assert_allclose(sigma[~np.isnan(sigma)], 0.05)
    assert np.nanmin(elevation_sigma(surface, rate=0.0)) < 0.03


def test_errors_of_three_marks_are_weighed_with_their_covariance() -> None:
    surface = triangle([0.01, 0.02, 0.03])
    root = np.random.default_rng(5).normal(0.0, 0.02, (3, 3))
    matrix = root @ root.T
    sigma = elevation_sigma(surface, lambda i, j: matrix[i, j], rate=0.0)
    for (r, c), value in np.ndenumerate(sigma):
        share = np.array([10 - c - (10 - r), c, 10 - r]) / 10
        if share.min() >= 0:
            assert value == pytest.approx(np.sqrt(share @ matrix @ share), rel=1e-9)
    assert np.isfinite(sigma).sum() == 66


def test_sigma_grows_with_the_distance_from_marks() -> None:
    sigma = elevation_sigma(triangle([0.0] * 3), rate=0.02)
    assert sigma[10, 0] == 0
    assert sigma[10, 3] == pytest.approx(0.02 * 3)
    assert sigma[7, 3] == pytest.approx(0.02 * np.hypot(3, 3))


def test_a_survey_too_small_to_leave_a_mark_out_says_nothing_of_interpolation() -> None:
    surface = triangle([0.01] * 3)
    assert interpolation_rate(surface) is None
    np.testing.assert_array_equal(elevation_sigma(surface), elevation_sigma(surface, rate=0.0))


@pytest.mark.parametrize(
    ("method", "own"),
    [
        ("tin", 1.5),
        ("natural-neighbour", 1.5),
        ("inverse-distance", 1.0),
        ("plane", 1.0),
        ("thin-plate", 1.0),
    ],
)
def test_the_rate_is_what_a_mark_left_out_shows_beyond_its_noise(
    method: Method, own: float
) -> None:
    # one mark inside, 0.4 above level ground; the nearest of the others is 2.5 away
    east, north = (at.ravel() for at in np.meshgrid([0.0, 2.5, 5.0], [0.0, 3.0, 6.0]))
    points = np.column_stack([east, north, np.zeros(9)])
    points[4, 2] = 0.4
    grid = Grid(0.0, 6.0, 1.0, 6, 4)
    plain = elevation_surface(points, grid, method=method)
    assert interpolation_rate(plain) == pytest.approx(0.4 / 2.5, rel=1e-9)
    # of three marks that predict, half a variance beside its own; of many next to none
    noisy = elevation_surface(points, grid, method=method, sigma=[0.2] * 9)
    assert interpolation_rate(noisy) == pytest.approx(np.sqrt(0.4**2 - own * 0.2**2) / 2.5)
    assert interpolation_rate(elevation_surface(points, grid, method=method, sigma=[0.5] * 9)) == 0


def test_few_cells_at_a_time_say_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    grid = Grid(0, 100, 4.0, 25, 25)
    surface = elevation_surface(hills(40, 2, 0.02), grid, sigma=[0.02] * 40)
    whole, drawn = elevation_sigma(surface, rate=0.1), perturbations(surface, rate=0.1)
    monkeypatch.setattr(uncertainty, "_AT_ONCE", 37)
    np.testing.assert_array_equal(elevation_sigma(surface, rate=0.1), whole)
    parts = perturbations(surface, rate=0.1)
    np.testing.assert_array_equal(parts.corners, drawn.corners)
    np.testing.assert_array_equal(parts.cell, drawn.cell)
    # what is drawn between marks is the rate times the distance, and hangs together over half the
    # spacing of the marks
    exact = elevation_sigma(replace(surface, sigma=None), rate=0.1)
    known = np.isfinite(surface.z)
    np.testing.assert_allclose(drawn.interpolation_sigma[known], exact[known])
    assert (drawn.interpolation_sigma[~known] == 0.0).all()
    assert drawn.correlation_cells == pytest.approx(np.sqrt(known.sum() / 40) / 2)


def test_no_cell_between_the_marks_draws_no_error() -> None:
    grid = Grid(20.0, 100.0, 1.0, 5, 5)
    surface = elevation_surface(CORNERS, grid, sigma=[0.01] * 3)
    assert np.isnan(perturbations(surface)(np.random.default_rng(1))).all()
    assert np.isnan(elevation_sigma(surface)).all()


def test_two_marks_of_one_place_share_their_error_in_a_cell() -> None:
    # a breakline's own vertex hangs on the nearest mark: their weights add up before squaring
    points = np.array([[0.5, 0.5, 0.0], [10.5, 0.5, 0.0], [0.5, 10.5, 0.0]])
    line = np.array([[0.5, 0.5, 0.0], [4.5, 4.5, 0.0]])
    surface = elevation_surface(points, GRID, sigma=[0.03, 0.01, 0.01], breaklines=[line])
    assert surface.tin.owner.tolist() == [0, 1, 2, 0]
    sigma = elevation_sigma(surface, rate=0.0)
    # half way along the line: all of it is the first mark's
    assert sigma[8, 2] == pytest.approx(0.03)


def hills(n: int, seed: int, noise: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    place = rng.random((n, 2)) * 100
    return np.column_stack([place, hill(*place.T) + rng.normal(0, noise, n)])


def hill(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    return 2 * np.sin(east / 9) * np.cos(north / 7)


@pytest.mark.parametrize("method", ["tin", "natural-neighbour"])
def test_errors_are_as_large_as_said(method: str) -> None:
    grid = Grid(0, 100, 1.0, 100, 100)
    east, north = np.meshgrid(*grid.centres())
    share = []
    for seed in range(5):
        points = hills(300, seed, 0.05)
        surface = elevation_surface(points, grid, method=method, sigma=[0.05] * 300)  # type: ignore[arg-type]
        error = surface.z - hill(east, north)
        share.append(np.nanmean((error / elevation_sigma(surface)) ** 2))
    # a mean square of 1 is right; the model of the error is a plain one
    assert 0.5 < np.mean(share) < 1.6


def test_a_plane_with_noise_has_no_interpolation_error() -> None:
    rng = np.random.default_rng(1)
    place = rng.random((400, 2)) * 100
    points = np.column_stack([place, place @ [0.02, 0.01] + rng.normal(0, 0.03, 400)])
    grid = Grid(0, 100, 5.0, 20, 20)
    noisy = elevation_surface(points, grid, sigma=[0.03] * 400)
    rough = elevation_surface(hills(400, 1, 0.03), grid, sigma=[0.03] * 400)
    plain, bent = interpolation_rate(noisy), interpolation_rate(rough)
    assert plain is not None
    assert bent is not None
    # 3 cm of noise on marks some 3 m apart would be 0.01 if it were taken for ground
    assert plain < 0.007
    assert bent > 0.05


def test_no_sigma_where_there_is_no_surface() -> None:
    cut = np.zeros(GRID.shape, bool)
    cut[6:9, 1:3] = True
    surface = elevation_surface(CORNERS, GRID, sigma=[0.01] * 3, cut_out=cut)
    assert np.isnan(elevation_sigma(surface)[cut]).all()
    drawn = perturbations(surface)(np.random.default_rng(1))
    np.testing.assert_array_equal(np.isnan(drawn), np.isnan(surface.z))


def test_drawn_surfaces_spread_as_the_sigma_says() -> None:
    grid = Grid(0, 100, 4.0, 25, 25)
    surface = elevation_surface(hills(120, 2, 0.02), grid, sigma=[0.02] * 120)
    sigma = elevation_sigma(surface)
    perturb = perturbations(surface)
    drawn = np.stack([perturb(np.random.default_rng(k)) for k in range(400)])
    known = np.isfinite(surface.z)
    ratio = drawn.std(axis=0)[known] / sigma[known]
    assert np.median(ratio) == pytest.approx(1, abs=0.02)
    assert np.abs(ratio - 1).max() < 0.2
    shift = (drawn.mean(axis=0) - surface.z)[known] / sigma[known] * 20
    assert np.abs(shift).max() < 5


def test_drawing_depends_on_the_generator_alone() -> None:
    surface = elevation_surface(hills(60, 2, 0.02), Grid(0, 100, 4.0, 25, 25), sigma=[0.02] * 60)
    perturb = perturbations(surface)
    first, again = (perturb(np.random.default_rng(7)) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    copied = pickle.loads(pickle.dumps(perturb))
    np.testing.assert_array_equal(first, copied(np.random.default_rng(7)))
    assert not np.array_equal(first, perturb(np.random.default_rng(8)), equal_nan=True)


def test_a_drift_that_lifts_everything_lifts_it_as_a_whole() -> None:
    surface = triangle([0.05] * 3)
    perturb = perturbations(surface, lambda rng: np.full(3, rng.normal()), rate=0.0)
    lift = perturb(np.random.default_rng(1)) - surface.z
    assert np.ptp(lift[np.isfinite(lift)]) < 1e-6


def test_combined_marks_share_one_error() -> None:
    points = np.vstack([CORNERS, CORNERS[2] + [0, 0, 0.05]])
    surface = elevation_surface(points, GRID, sigma=[0.01, 0.02, 0.05, 0.03])
    perturb = perturbations(surface, lambda rng: np.array([0.0, 0.0, 9.0, 1.0]), rate=0.0)
    # the surest of the two speaks for the place
    assert (perturb(np.random.default_rng(1)) - surface.z)[0, 0] == pytest.approx(1.0)
    assert elevation_sigma(surface)[0, 0] == pytest.approx(0.03)


def walked() -> network_cases.FieldBook:
    rng = np.random.default_rng(5)
    rows = []
    for run in ("R1", "R2"):
        rows += [(run, "A", 0, 0, 0), (run, "", 3, 1, 0.2), (run, "B", 8, 0, 0.1)]
        rows += [(run, "", *(rng.random(3) * [40, 30, 1])) for _ in range(6)]
        rows += [(run, "T", 20, 25, 0.5)]
        rows += [(run, "", *(rng.random(3) * [40, 30, 1])) for _ in range(5)]
    return network_cases.book(rows)


def test_drawn_errors_have_the_networks_covariance() -> None:
    network = adjust(
        network_cases.notes(
            walked(),
            {
                "A": {"easting": 0.0, "northing": 0.0, "elevation": 10.0, "sigma": 0.02},
                "B": {"easting": 8.0, "northing": 0.0, "elevation": 10.1, "sigma": 0.02},
            },
            noise=(0.005, 0.01),
            limit=1.0,
        )
    )
    count = len(network.elevation)
    rng = np.random.default_rng(11)
    drawn = np.stack([draw_elevations(network, rng) for _ in range(1500)])
    i, j = np.indices((count, count)).reshape(2, -1)
    expected = level_covariance(network, i, j).reshape(count, count)
    sigma = np.sqrt(np.diagonal(expected))
    np.testing.assert_allclose(sigma, sigma_vertical(network), rtol=1e-9)
    found = np.cov(drawn.T)
    scale = np.maximum(sigma, 1e-9)
    off = (found - expected) / scale[:, None] / scale[None, :]
    # correlations of 30 x 30 from 1500 draws: five standard deviations
    assert np.abs(off).max() < 5 * np.sqrt(2 / 1500)
    assert np.abs(drawn.mean(axis=0) / scale).max() < 5 / np.sqrt(1500)


def test_marks_without_others_between_them_are_drawn_as_knots() -> None:
    rows = [(run, "A", 0, 0, 0) for run in ("R1", "R2")] + [("R1", "B", 8, 0, 0.1)]
    rows = [rows[0], rows[2], rows[1], ("R2", "B", 8, 0, 0.1)]
    known = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 10.0, "sigma": 0.03},
        "B": {"easting": 8.0, "northing": 0.0},
    }
    network = adjust(network_cases.notes(network_cases.book(rows), known, noise=(0.0, 0.01)))
    rng = np.random.default_rng(3)
    drawn = np.stack([draw_elevations(network, rng) for _ in range(2000)])
    assert drawn.shape == (2000, 4)
    # both runs tell the same marks
    np.testing.assert_allclose(drawn[:, :2], drawn[:, 2:], atol=1e-12)
    np.testing.assert_allclose(drawn.std(axis=0), sigma_vertical(network), rtol=0.08)
