"""Contours: where they are, what they are called, where they end."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.base.errors import InputError
from geosite.base.grid import Grid
from geosite.terrain.contour import contours, contours_in_strips, default_interval

GRID = Grid(500_000, 5_300_100, 0.5, 200, 200)


def cone(height: float = 10.0, fall: float = 0.1) -> np.ndarray:
    east, north = GRID.centres()
    away = np.hypot(east[None, :] - 500_050, north[:, None] - 5_300_050)
    return height - fall * away


def signed_area(line: np.ndarray) -> float:
    x, y = (line - line[0]).T
    return float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum() / 2)


def test_contours_of_a_cone_are_circles() -> None:
    found = [c for c in contours(cone(), GRID, 0.5) if c.is_closed]
    assert [c.elevation for c in found] == [5.5 + 0.5 * k for k in range(9)]
    for contour in found:
        radius = (10 - contour.elevation) / 0.1
        away = np.hypot(*(contour.line - (500_050, 5_300_050)).T)
        # chords across cells of half a metre, and the cone's bend within a cell
        assert np.abs(away - radius).max() < 0.5**2 / 4 / radius + 0.001
        assert signed_area(contour.line) == pytest.approx(np.pi * radius**2, rel=0.01)


def test_higher_ground_is_on_the_left() -> None:
    hill = [c for c in contours(cone(), GRID, 1.0) if c.is_closed]
    hole = [c for c in contours(-cone(), GRID, 1.0) if c.is_closed]
    assert len(hill) == len(hole) == 4
    assert all(signed_area(c.line) > 0 for c in hill)
    assert all(signed_area(c.line) < 0 for c in hole)


def test_a_plane_gives_straight_lines_at_the_right_place() -> None:
    east, north = np.meshgrid(*GRID.centres())
    z = 3 + 0.01 * (east - 500_000) + 0.02 * (north - 5_300_000)
    found = contours(z, GRID, 0.25)
    assert [c.elevation for c in found] == [3.25 + 0.25 * k for k in range(11)]
    for contour in found:
        on = 3 + contour.line @ [0.01, 0.02] - (0.01 * 500_000 + 0.02 * 5_300_000)
        np.testing.assert_allclose(on, contour.elevation, atol=1e-8)


def test_a_straight_line_has_two_vertices_and_a_bend_of_a_thousandth_of_a_cell_stays() -> None:
    _, north = np.meshgrid(*GRID.centres())
    z = (north - 5_300_000) / 10
    assert [len(c.line) for c in contours(z, GRID, 1.0)] == [2] * 9
    z[:, 100] += 0.001 * 0.5 / 10
    lines = [c.line for c in contours(z, GRID, 1.0)]
    assert [len(line) for line in lines] == [5] * 9
    bend = [np.ptp(line[:, 1]) for line in lines]
    np.testing.assert_allclose(bend, 0.0005, rtol=1e-5)


def test_no_line_leaves_the_place_where_it_was_traced() -> None:
    import contourpy

    z = np.random.default_rng(4).normal(size=(12, 12)).cumsum(axis=0).cumsum(axis=1)
    grid = Grid(0, 12, 1.0, 12, 12)
    east, north = grid.centres()
    traced = contourpy.contour_generator(east, north[::-1], z[::-1]).lines(1.0)
    found = [c.line for c in contours(z, grid, 1.0) if c.elevation == 1.0]
    assert len(found) == len(traced) > 1
    for plain, raw in zip(found, traced, strict=True):
        apart = shapely.hausdorff_distance(shapely.linestrings(plain), shapely.linestrings(raw))
        assert apart <= 1.01e-5


def test_lines_are_clipped_to_the_data_and_end_at_holes() -> None:
    z = cone()
    z[60:140, 90:110] = np.nan
    z[:, :20] = np.nan
    hole = shapely.box(500_045, 5_300_030, 500_055, 5_300_070)
    found = contours(z, GRID, 1.0)
    lines = shapely.MultiLineString([c.line for c in found])
    assert not shapely.intersects(lines, hole)
    assert shapely.bounds(lines)[0] >= 500_010.25 - 1e-6
    # the circle of 10 m around the summit is cut twice, that of 20 m not at all
    assert sum(c.elevation == 9 for c in found) == 2
    assert [c.is_closed for c in found if c.elevation == 7] == [True]


def test_a_hole_of_one_cell_is_left_out() -> None:
    z = cone()
    z[100, 120] = np.nan
    lines = shapely.MultiLineString([c.line for c in contours(z, GRID, 0.05)])
    east, north = GRID.centres()
    assert shapely.distance(lines, shapely.points(east[120], north[100])) > 0.3


def test_three_centres_carry_a_line() -> None:
    z = np.array([[0.0, np.nan], [1.0, 0.0]])
    (half,) = (c for c in contours(z, Grid(0, 2, 1.0, 2, 2), 0.5) if c.elevation == 0.5)
    assert sorted(half.line.tolist()) == [[0.5, 1.0], [1.0, 0.5]]


def test_every_fifth_is_an_index_contour() -> None:
    found = contours(cone(1.0, 0.1), GRID, 0.5)
    named = {c.elevation: c.is_index for c in found}
    assert [z for z, index in named.items() if index] == [-5.0, -2.5, 0.0]
    tens = {c.elevation for c in contours(cone(), GRID, 0.1, index_every=10) if c.is_index}
    assert tens == {float(z) for z in range(3, 10)}


def test_elevations_are_round_numbers() -> None:
    for contour in contours(cone(), GRID, 0.1):
        assert contour.elevation == float(f"{contour.elevation:.1f}")


@pytest.mark.parametrize(
    ("relief", "interval"),
    [(1.5, 0.1), (0.3, 0.02), (7.0, 0.5), (40.0, 2.0), (270.0, 20.0), (0.0, 1.0)],
)
def test_interval_follows_the_relief(relief: float, interval: float) -> None:
    z = np.array([[100.0, np.nan], [100 + relief / 2, 100 + relief]])
    assert default_interval(z) == pytest.approx(interval)


def test_without_an_interval_lines_follow_the_relief() -> None:
    plane = np.add.outer(np.zeros(8), np.arange(8.0))
    found = contours(plane, Grid(0.0, 8.0, 1.0, 8, 8))
    assert [c.elevation for c in found if 0 < c.elevation < 7] == [k / 2 for k in range(1, 14)]


def test_no_relief_no_matter_where_gives_an_interval_of_one() -> None:
    for level in (np.nan, 0.0, -3.0):
        assert default_interval(np.full((2, 2), level)) == 1.0
    assert default_interval(np.array([[0.0, 3e-7]])) == pytest.approx(2e-8)


def test_level_ground_with_rounding_has_no_contours_of_its_rounding() -> None:
    rng = np.random.default_rng(1)
    z = 412.3 + rng.normal(0, 1e-13, GRID.shape)
    assert contours(z, GRID) == ()


@pytest.mark.parametrize("z", [np.full((5, 5), np.nan), np.ones((1, 9)), np.ones((4, 4))])
def test_nothing_to_trace(z: np.ndarray) -> None:
    assert contours(z, Grid(0, 5, 1.0, *z.shape), 0.5) == ()


@pytest.mark.parametrize("interval", [0.0, -1.0, float("nan"), float("inf")])
def test_intervals_that_are_none(interval: float) -> None:
    with pytest.raises(InputError, match="positive"):
        contours(cone(), GRID, interval)


def test_an_interval_that_would_fill_the_map_is_refused() -> None:
    for relief, told in ((1.0, r"use 0\.005 or more"), (1.5, r"use 0\.01 or more")):
        with pytest.raises(InputError, match=told):
            contours(relief * cone(), GRID, 1e-6)


def test_contours_of_noise_are_counted_before_they_are_traced(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("geosite.terrain.contour._VERTICES", 20_000)
    noise = np.random.default_rng(7).uniform(0.0, 100.0, (100, 100))
    grid = Grid(0.0, 100.0, 1.0, 100, 100)
    with pytest.raises(InputError) as refused:
        contours(noise, grid, 5.0)
    assert "from cell to cell; expected at most" in str(refused.value)
    assert "use an interval of 50 or more, or resample" in str(refused.value)
    assert contours(noise, grid, 50.0)
    slope = np.add.outer(np.arange(100.0), np.zeros(100))
    assert len(contours(slope, grid, 5.0)) == 20


@pytest.mark.parametrize("height", [1, 3, 10, 28])
@pytest.mark.parametrize("whole", [False, True])
def test_in_strips_the_same_lines(height: int, whole: bool) -> None:
    draw = np.random.default_rng(5)
    z = draw.normal(size=(30, 24)).cumsum(0).cumsum(1)
    if whole:
        z = np.round(z)  # contours through the centres of cells, and along rows
    z[4:7, 3:9] = np.nan
    grid = Grid(100.0, 500.0, 2.0, *z.shape)
    ends = (float(np.nanmin(z)), float(np.nanmax(z)))
    at_once = contours(z, grid, 2.5)
    found = contours_in_strips(lambda top, bottom: z[top:bottom], grid, ends, 2.5, height=height)
    assert len(found) == len(at_once)
    for level in {line.elevation for line in at_once}:
        a, b = ([line for line in lines if line.elevation == level] for lines in (at_once, found))
        assert sorted(line.is_closed for line in a) == sorted(line.is_closed for line in b)
        assert {line.is_index for line in a} == {line.is_index for line in b}
        np.testing.assert_allclose(
            sorted(shapely.LineString(line.line).length for line in a),
            sorted(shapely.LineString(line.line).length for line in b),
        )
        one, other = (shapely.MultiLineString([c.line for c in lines]) for lines in (a, b))
        assert one.hausdorff_distance(other) < 1e-4
        # the higher ground stays on the left
        rings = [sum(signed_area(c.line) for c in lines if c.is_closed) for lines in (a, b)]
        assert rings[0] == pytest.approx(rings[1], abs=1e-3)
