"""The elevation model: methods, coincident marks, outliers, what is said about them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from geosite.base.errors import InputError
from geosite.base.grid import Grid
from geosite.terrain.surface.cross_validation import METHODS, Method
from geosite.terrain.surface.model import Surface, elevation_surface
from geosite.terrain.surface.natural import interpolate_natural
from geosite.terrain.surface.spline import interpolate_thin_plate, smoothing_diagonal
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.wording import surface_findings


def yard(n: int = 120, seed: int = 1, noise: float = 0.01) -> np.ndarray:
    rng = np.random.default_rng(seed)
    east, north = rng.random((2, n)) * [[40], [30]]
    return np.column_stack([east, north, ground(east, north) + rng.normal(0, noise, n)])


def ground(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    return 5 + 0.02 * east + 0.2 * np.sin(east / 8) * np.cos(north / 6)


GRID = Grid(0, 30, 0.5, 60, 80)


def said(surface: Surface, code: str, **how: Any) -> list[str]:
    return [f.text for f in surface_findings(surface, **how) if f.code == code]


@pytest.mark.parametrize("method", METHODS)
def test_a_constant_is_reproduced_exactly(method: Method) -> None:
    points = yard()
    points[:, 2] = 7.25
    z = elevation_surface(points, GRID, method=method).z
    assert np.abs(z[np.isfinite(z)] - 7.25).max() < 1e-10


@pytest.mark.parametrize("method", ["tin", "natural-neighbour", "thin-plate", "plane"])
@pytest.mark.parametrize("offset", [(0.0, 0.0), (691_000.0, 5_334_000.0)])
def test_a_plane_is_reproduced(method: Method, offset: tuple[float, float]) -> None:
    points = yard()
    points[:, 2] = 12 + 0.05 * points[:, 0] - 0.03 * points[:, 1]
    points[:, :2] += offset
    grid = Grid(offset[0], offset[1] + 30, 0.5, 60, 80)
    z = elevation_surface(points, grid, method=method).z
    east, north = np.meshgrid(*grid.centres())
    off = z - (12 + 0.05 * (east - offset[0]) - 0.03 * (north - offset[1]))
    assert np.isfinite(off).sum() > 3000
    assert np.nanmax(np.abs(off)) < 1e-9


@pytest.mark.parametrize("method", METHODS)
def test_outside_the_hull_is_nodata_for_every_method(method: Method) -> None:
    points = yard()
    grid = Grid(-10, 40, 0.5, 100, 120)
    z = elevation_surface(points, grid, method=method).z
    hull = shapely.convex_hull(shapely.multipoints(points[:, :2]))
    inside = shapely.contains_xy(hull, *np.meshgrid(*grid.centres()))
    np.testing.assert_array_equal(np.isfinite(z), inside)


@pytest.mark.parametrize("method", ["tin", "natural-neighbour", "thin-plate", "inverse-distance"])
def test_a_mark_on_a_cell_centre_keeps_its_elevation(method: Method) -> None:
    points = yard()
    points[7, :2] = GRID.centres()[0][31], GRID.centres()[1][22]
    z = elevation_surface(points, GRID, method=method).z
    assert z[22, 31] == pytest.approx(points[7, 2], abs=1e-9)


@pytest.mark.parametrize("n", [120, 1300])
@pytest.mark.parametrize("method", ["tin", "natural-neighbour", "inverse-distance"])
def test_values_stay_between_lowest_and_highest_mark(n: int, method: Method) -> None:
    points = yard(n, seed=4, noise=2.0)
    z = elevation_surface(points, GRID, method=method).z
    assert np.nanmin(z) >= points[:, 2].min()
    assert np.nanmax(z) <= points[:, 2].max()


def clipped(ring: np.ndarray, middle: np.ndarray, towards: np.ndarray) -> np.ndarray:
    """Keep the part of a convex ring on the near side of a line."""
    side = (ring - middle) @ towards
    kept = []
    for k in range(len(ring)):
        here, there = side[k], side[(k + 1) % len(ring)]
        if here <= 0:
            kept.append(ring[k])
        if here * there < 0:
            kept.append(ring[k] + (ring[(k + 1) % len(ring)] - ring[k]) * here / (here - there))
    return np.array(kept)


def cell_of(which: int, places: np.ndarray) -> shapely.Polygon:
    """Voronoi cell by cutting a large square at every bisector."""
    ring = np.array([[-1e5, -1e5], [1e5, -1e5], [1e5, 1e5], [-1e5, 1e5]])
    for other in np.delete(np.arange(len(places)), which):
        apart = places[other] - places[which]
        ring = clipped(ring, (places[other] + places[which]) / 2, apart)
    return shapely.Polygon(ring)


def test_natural_neighbours_weigh_by_the_area_taken() -> None:
    points = np.random.default_rng(6).random((25, 3)) * [10, 10, 5]
    grid = Grid(2, 8, 1.37, 4, 4)
    z = interpolate_natural(triangulate(points), grid)
    east, north = grid.centres()
    before = [cell_of(k, points[:, :2]) for k in range(25)]
    for row, col in zip(*np.nonzero(np.isfinite(z)), strict=True):
        place = np.array([[east[col], north[row]]])
        new = cell_of(25, np.vstack([points[:, :2], place]))
        taken = shapely.area(shapely.intersection(before, new))
        assert z[row, col] == pytest.approx(taken @ points[:, 2] / taken.sum(), abs=1e-7)


def test_natural_neighbours_on_a_lattice_and_on_its_lines() -> None:
    # every circle goes through four points, and centres lie on points and on edges
    east, north = np.meshgrid(np.arange(9.0), np.arange(7.0))
    points = np.column_stack([east.ravel(), north.ravel(), 3 * east.ravel() - north.ravel()])
    grid = Grid(-0.125, 6.125, 0.25, 25, 33)
    z = interpolate_natural(triangulate(points), grid)
    east, north = np.meshgrid(*grid.centres())
    np.testing.assert_allclose(z, 3 * east - north, atol=1e-9)


def test_natural_neighbours_close_to_a_mark_come_to_its_elevation() -> None:
    points = yard(60)
    for away in (1e-3, 1e-6, 1e-9, 1e-12, 1e-14, 0.0):
        mark = points[20]
        grid = Grid(mark[0] + away - 0.5, mark[1] + 0.5, 1.0, 1, 1)
        z = interpolate_natural(triangulate(points), grid)
        assert z[0, 0] == pytest.approx(mark[2], abs=2 * away + 1e-9)


@pytest.mark.slow
def test_the_spline_smooths_as_much_as_the_marks_are_uncertain() -> None:
    east, north = np.meshgrid(*GRID.centres())
    exact, smooth, without = [], [], []
    for seed in range(3):
        points = yard(150, seed, noise=0.05)
        inside = elevation_surface(points, GRID).z
        sigma = np.full(150, 0.05)
        for z, errors in (
            (elevation_surface(points, GRID, method="thin-plate").z, exact),
            (elevation_surface(points, GRID, method="thin-plate", sigma=sigma).z, smooth),
        ):
            errors.append(np.nanmean((z - ground(east, north)) ** 2))
        without.append(np.nanmean((inside - ground(east, north)) ** 2))
    assert np.mean(smooth) < 0.35 * np.mean(exact)
    assert np.mean(smooth) < 0.6 * np.mean(without)


def test_what_all_marks_share_is_not_smoothed() -> None:
    # 5 cm known poorly as a whole, 1 mm between neighbours: the surface must follow the marks
    points = yard(100, noise=0.001)
    sigma = np.full(100, 0.05)

    def covariance(i: np.ndarray, j: np.ndarray) -> np.ndarray:
        return 0.05**2 - 0.001**2 * (i != j)

    alone = elevation_surface(points, GRID, method="thin-plate", sigma=sigma)
    told = elevation_surface(points, GRID, method="thin-plate", sigma=sigma, covariance=covariance)
    assert alone.noise is not None
    assert told.noise is not None
    np.testing.assert_allclose(alone.noise, 0.05)
    np.testing.assert_allclose(told.noise, 0.001, rtol=1e-6)
    east, north = np.meshgrid(*GRID.centres())
    truth = ground(east, north)
    assert np.nanstd(told.z - truth) < 0.5 * np.nanstd(alone.z - truth)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("sigma", [[0.0] * 60, [0.0] * 30 + [0.02] * 30])
def test_exact_marks_do_not_upset_any_method(method: Method, sigma: list[float]) -> None:
    surface = elevation_surface(yard(60), GRID, method=method, sigma=sigma, scores=True)
    assert np.abs(surface.z[np.isfinite(surface.z)] - 5.4).max() < 1.5
    assert all(np.isfinite(s.rmse) for s in surface.scores)


def test_a_plane_goes_by_the_marks_that_are_known_best() -> None:
    points = yard(60, noise=0.0)
    points[:, 2] = 5.0
    points[40:, 2] += np.linspace(-1, 2, 20)
    sigma = np.where(np.arange(60) < 40, 0.001, 1.0)
    z = elevation_surface(points, GRID, method="plane", sigma=sigma).z
    assert np.nanmax(np.abs(z - 5.0)) < 0.001


def test_exact_marks_are_not_smoothed() -> None:
    points = yard(60)
    np.testing.assert_array_equal(smoothing_diagonal(points, None), 0)
    np.testing.assert_array_equal(smoothing_diagonal(points, np.zeros(60)), 0)


def test_many_marks_are_splined_in_patches_that_fit_together() -> None:
    rng = np.random.default_rng(2)
    place = rng.random((1500, 2)) * [40, 30]
    # and one streamed edge, dense and straight
    edge = np.column_stack([np.linspace(1, 39, 700), np.linspace(2, 28, 700)])
    place = np.vstack([place, edge])
    points = np.column_stack([place, ground(*place.T)])
    z = interpolate_thin_plate(points, GRID, np.ones(GRID.shape, bool))
    east, north = np.meshgrid(*GRID.centres())
    off = z - ground(east, north)
    inner = off[4:-4, 4:-4]
    assert np.abs(inner).max() < 0.004
    # no step where patches meet
    assert np.abs(np.diff(inner, axis=0)).max() < 0.002


def test_coincident_marks_are_averaged_by_weight_and_reported() -> None:
    points = np.vstack([yard(40), yard(40)[5] + [0.0004, 0, 0.06]])
    sigma = np.full(41, 0.01)
    sigma[40] = 0.02
    names = [f"N{k}" for k in range(41)]
    surface = elevation_surface(points, GRID, sigma=sigma)
    mean = points[5, 2] + 0.06 / 5
    assert len(surface.tin.points) == 40
    assert surface.tin.points[5, 2] == pytest.approx(mean)
    assert surface.tin.origin[40] == surface.tin.origin[5] == 5
    assert surface.tin.owner[5] == 5
    (text,) = said(surface, "coincident-marks", names=names, unit="m")
    assert text == (
        "mark N5 and mark N40 are at the same place with elevations that differ by 0.060 m; "
        f"the surface takes their weighted mean, {mean:.3f} m"
    )
    assert [f.level for f in surface_findings(surface) if f.code == "coincident-marks"] == ["note"]
    (text,) = said(surface, "coincident-marks", names=names, unit="ft", scale=1 / 0.3048)
    assert f"differ by 0.197 ft; the surface takes their weighted mean, {mean / 0.3048:.3f}" in text


@pytest.mark.parametrize(
    ("sigma", "level", "share"),
    [(None, "look", 0.5), ([0.001, 0.001], "look", 0.5), ([0.0, 0.02], "look", 0.0)],
)
def test_coincident_marks_that_do_not_agree(
    sigma: list[float] | None, level: str, share: float
) -> None:
    points = np.vstack([yard(40), yard(40)[5] + [0, 0, 0.1]])
    known = None if sigma is None else np.array([sigma[0]] * 40 + [sigma[1]])
    surface = elevation_surface(points, GRID, sigma=known)
    (finding,) = (f for f in surface_findings(surface) if f.code == "coincident-marks")
    assert finding.level == level
    assert surface.tin.points[5, 2] == pytest.approx(points[5, 2] + share * 0.1)


def test_coincident_marks_that_agree_are_not_mentioned() -> None:
    points = yard(40)
    surface = elevation_surface(np.vstack([points, points[3:9]]), GRID)
    assert not surface_findings(surface)
    np.testing.assert_array_equal(surface.tin.origin, [*range(40), *range(3, 9)])


def test_a_dense_line_does_not_shrink_to_a_point() -> None:
    line = np.column_stack([np.arange(2000) * 0.0007 + 10, np.full(2000, 15.0), np.zeros(2000)])
    surface = elevation_surface(np.vstack([yard(30), line]), GRID)
    assert 30 + 900 < len(surface.tin.points) < 30 + 1100


@pytest.mark.parametrize("seed", range(8))
def test_a_wrong_mark_is_named_and_kept(seed: int) -> None:
    points = yard(120, seed)
    middle = int(np.argmin(np.hypot(points[:, 0] - 20, points[:, 1] - 15)))
    assert not said(elevation_surface(points, GRID), "outlier")
    points[middle, 2] -= 0.5
    surface = elevation_surface(points, GRID)
    (text,) = said(surface, "outlier", unit="m")
    assert text.startswith(f"point {middle + 1} is 0.")
    assert "below the plane through its neighbours" in text
    np.testing.assert_array_equal(surface.tin.points, points)


def test_how_far_a_wrong_mark_stands_out() -> None:
    points = yard(120)
    wrong = int(np.argmin(np.hypot(points[:, 0] - 20, points[:, 1] - 15)))
    points[wrong, 2] += 0.6
    (text,) = said(elevation_surface(points, GRID), "outlier", unit="m")

    triangles = triangulate(points).triangles
    off, size = {}, {}
    for mark in range(120):
        around = np.setdiff1d(triangles[(triangles == mark).any(axis=1)], [mark])
        apart = points[around] - points[mark]
        # the plane through the neighbours, least squares, and how sure it is at the mark
        plane = np.column_stack([np.ones(len(around)), apart[:, :2]])
        if len(around) < 3:
            continue
        reach = np.linalg.inv(plane.T @ plane)[0, 0]
        if reach < 0.5:
            off[mark] = -np.linalg.lstsq(plane, apart[:, 2], rcond=None)[0][0] / np.sqrt(1 + reach)
            size[mark] = np.sqrt((apart[:, :2] ** 2).sum())
            if mark == wrong:
                height = off[mark] * np.sqrt(1 + reach)
    # 1.4826 times the median deviation is the standard deviation of normal errors
    usual = 1.4826 * np.median(np.abs(list(off.values())))
    wide = 1.4826 * np.median([abs(off[m]) / size[m] for m in off]) * size[wrong]
    times = off[wrong] / max(usual, wide)
    assert text.startswith(f"point {wrong + 1} is {height:.3f} m above the plane through its")
    assert f"neighbours, {times:.0f} times what is usual here" in text


@pytest.mark.parametrize(("count", "verb"), [(25, "s stand"), (21, " stands")])
def test_of_many_wrong_marks_the_worst_are_named(count: int, verb: str) -> None:
    east, north = np.meshgrid(np.arange(30.0) * 3, np.arange(30.0) * 3)
    points = np.column_stack([east.ravel(), north.ravel(), np.zeros(900)])
    points[:, :2] += np.random.default_rng(4).uniform(-0.5, 0.5, (900, 2))
    wrong = (np.arange(3, 28, 5)[:, None] * 30 + np.arange(3, 28, 5)).ravel()[:count]
    points[wrong, 2] = np.linspace(1.0, 2.0, len(wrong))
    found = said(elevation_surface(points, GRID), "outlier", unit="m")
    named = [int(text.split()[1]) - 1 for text in found[:-1]]
    assert found[-1] == f"{len(wrong) - len(named)} more mark{verb} out like these"
    assert set(named) <= set(wrong.tolist())
    heights = [float(text.split()[3]) for text in found[:-1]]
    assert min(heights) > (1.15 if count > 21 else 1.0)
    assert len(heights) == 20
    assert all(
        "plane through its neighbours, where all else is even;" in text for text in found[:-1]
    )


def test_on_an_exact_plane_no_multiple_of_rounding_is_told() -> None:
    # in feet the heights of a plane are off it by their last digits
    points = np.array(
        [(2 * e, 2 * n, (100 + 0.04 * n) * 1200 / 3937) for e in range(7) for n in range(7)]
    )
    points[24, 2] -= 0.3
    (text,) = said(elevation_surface(points, Grid(0.0, 12.0, 1.0, 12, 12)), "outlier", unit="m")
    assert "below the plane through its neighbours, where all else is even;" in text


def test_the_method_chosen_is_the_best_scored_and_said() -> None:
    rng = np.random.default_rng(0)
    flat = yard(80, noise=0.0)
    flat[:, 2] = 3 + 0.1 * flat[:, 0] + rng.normal(0, 0.05, 80)
    surface = elevation_surface(flat, GRID, method="auto")
    assert surface.method == "plane"
    assert [s.rmse for s in surface.scores] == sorted(s.rmse for s in surface.scores)
    assert {s.method for s in surface.scores} == set(METHODS)
    assert len({s.marks for s in surface.scores}) == 1
    (text,) = said(surface, "method-chosen")
    assert text.startswith("the surface is made by plane: it predicts ")
    np.testing.assert_array_equal(
        surface.z, elevation_surface(flat, GRID, method="plane").z, strict=True
    )
    smooth = yard(150, noise=0.0)
    assert elevation_surface(smooth, GRID, method="auto").method == "thin-plate"


def test_too_few_marks_to_choose_make_triangles() -> None:
    points = yard(6)
    surface = elevation_surface(points, GRID, method="auto")
    assert surface.method == "tin"
    assert "can be left out" in said(surface, "method-chosen")[0]


def test_scores_are_made_on_request_only() -> None:
    points = yard(50)
    assert elevation_surface(points, GRID).scores == ()
    assert len(elevation_surface(points, GRID, scores=True).scores) == len(METHODS)


def test_breaklines_keep_their_edge_and_other_methods_say_so() -> None:
    points = yard(80)
    line = np.array([[5, 10, 6.0], [35, 20, 6.0]])
    tin = elevation_surface(points, GRID, breaklines=[line])
    assert not said(tin, "breaklines-unused")
    assert np.nanmax(tin.z) == pytest.approx(6.0, abs=0.05)
    smooth = elevation_surface(points, GRID, method="natural-neighbour", breaklines=[line])
    assert len(said(smooth, "breaklines-unused")) == 1
    np.testing.assert_array_equal(
        smooth.z, elevation_surface(points, GRID, method="natural-neighbour").z
    )


def test_breaklines_that_cross_at_two_heights_are_reported() -> None:
    lines = [np.array([[5, 10, 5.0], [35, 20, 5.0]]), np.array([[5, 20, 5.4], [35, 10, 5.4]])]
    surface = elevation_surface(yard(80), GRID, breaklines=lines)
    assert said(surface, "breaklines-cross", unit="ft") == [
        "breaklines cross whose elevations differ by up to 0.400 ft there; the mean is used"
    ]


def test_marks_of_a_kerb_are_no_outliers() -> None:
    along = np.linspace(2, 38, 12)
    top = np.column_stack([along, np.full(12, 15.02), np.full(12, 5.5)])
    bottom = np.column_stack([along + 0.7, np.full(12, 15.0), np.full(12, 5.0)])
    rng = np.random.default_rng(3)
    field = np.column_stack([rng.random((80, 2)) * [33, 30] + [3, 0], np.zeros(80)])
    field[:, 2] = np.where(field[:, 1] > 15.01, 5.5, 5.0) + rng.normal(0, 0.005, 80)
    points = np.vstack([field, top, bottom])
    surface = elevation_surface(points, GRID, breaklines=[top, bottom])
    assert not said(surface, "outlier")


@pytest.mark.parametrize("sigma", [[0.1], [-0.1] * 40, [np.nan] * 40])
def test_sigma_that_is_none_is_refused(sigma: list[float]) -> None:
    with pytest.raises(InputError, match="standard deviations"):
        elevation_surface(yard(40), GRID, sigma=sigma)


@pytest.mark.parametrize("points", [np.empty((0, 3)), [[0, 0, 1.0]] * 3, [[0, 0], [1, 1], [0, 1]]])
def test_points_that_carry_no_surface_are_refused(points: object) -> None:
    with pytest.raises(InputError):
        elevation_surface(points, GRID)  # type: ignore[arg-type]
