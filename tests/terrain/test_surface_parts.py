"""The parts of the elevation model: steps, places told twice, noise, what is chosen and said."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.base.errors import InputError
from geosite.base.grid import MAX_CELLS, Grid
from geosite.terrain.surface.cell_grid import default_cell_size, grid_over, round_step
from geosite.terrain.surface.marks import (
    Coincident,
    checked_sigma,
    combine_coincident,
    neighbour_pairs,
    relative_noise,
)
from geosite.terrain.surface.model import choose_method, elevation_surface
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.wording import surface_findings


@pytest.mark.parametrize(
    ("value", "nearest", "larger"),
    [
        (1.0, 1.0, 1.0),
        (1.4, 1.0, 2.0),
        (1.42, 2.0, 2.0),  # beyond the root of 1 * 2
        (2.0, 2.0, 2.0),
        (3.1, 2.0, 5.0),
        (3.2, 5.0, 5.0),  # beyond the root of 2 * 5
        (5.0, 5.0, 5.0),
        (7.0, 5.0, 10.0),
        (7.1, 10.0, 10.0),  # beyond the root of 5 * 10
        (0.0141, 0.01, 0.02),
        (350.0, 500.0, 500.0),
    ],
)
def test_steps_are_one_two_and_five(value: float, nearest: float, larger: float) -> None:
    assert round_step(value) == pytest.approx(nearest, rel=1e-12)
    assert round_step(value, up=True) == pytest.approx(larger, rel=1e-12)
    # a step that rounding has made larger is still that step
    assert round_step(larger * (1 + 1e-12), up=True) == pytest.approx(larger, rel=1e-9)


def test_the_default_cell_keeps_to_a_million() -> None:
    # 1.2 km by 0.9 km: root of 1.08 is beyond one metre
    rng = np.random.default_rng(1)
    points = rng.random((20_000, 2))
    points[:4] = [[0, 0], [1, 0], [0, 1], [1, 1]]
    assert default_cell_size(points * [1200.0, 900.0]) == 2.0
    assert default_cell_size(points * [1000.0, 1000.0]) == 1.0
    # positions without a number do not count
    assert default_cell_size([[0, 0], [0, 30], [30, 0], [30, 30], [np.nan, 5]]) == 1.0
    # 0.0791 * root of an eighth over three
    assert default_cell_size([[0, 0], [0.5, 0], [0, 0.5]]) == 0.02
    with pytest.raises(InputError, match="no point makes no surface"):
        default_cell_size(np.empty((0, 2)))


def test_the_largest_raster_and_the_next_one() -> None:
    corner = [[0.0, 0.0], [9.0, 9.0]]
    side = int(MAX_CELLS**0.5)
    assert grid_over(corner, 1.0, (0, 0, side, side)).shape == (side, side)
    with pytest.raises(InputError, match=r"use a cell size of 2 or more") as caught:
        grid_over(corner, 1.0, (70, 50, side + 70, side + 51))
    assert f"makes {side + 1} rows of {side} cells, 0.8 GB per raster" in str(caught.value)
    assert f"over {side} x {side + 1} map units" in str(caught.value)
    assert "at most 100 million cells" in str(caught.value)
    # as large as allowed, but half a cell aside: one row and column more
    with pytest.raises(InputError, match=r"use a cell size of 2 or more"):
        grid_over(corner, 1.0, (0.5, 0.5, side + 0.5, side + 0.5))


def test_marks_at_one_place_are_joined_to_the_first() -> None:
    given = np.array(
        [
            [0.0, 0.0, 1.0],
            [5.0, 0.0, 2.0],
            [0.0, 0.0009, 4.0],
            [0.0, 0.0018, 8.0],  # near to the third, not to the first
            [5.0, 0.0, 2.0005],
            [5.0, 0.0, 2.0010],
        ]
    )
    marks, origin, owner, findings = combine_coincident(given, None, 0.001)
    assert origin.tolist() == [0, 1, 0, 2, 1, 1]
    assert owner.tolist() == [0, 1, 3]
    np.testing.assert_allclose(marks, [[0, 0, 2.5], [5, 0, 2.0005], [0, 0.0018, 8.0]])
    assert findings == (Coincident(0, 2, 3.0, None, 2.5),)


@pytest.mark.parametrize(
    ("sigma", "mean", "owner", "is_sure"),
    [
        # weights 1 / sigma^2: 1 and 4
        ([0.5, 0.25], (1.0 + 4.0 * 1.75) / 5.0, 1, True),
        ([0.25, 0.5], (4.0 * 1.0 + 1.75) / 5.0, 0, True),
        # three times the standard deviation of the difference is 0.75
        ([0.15, 0.2], (16.0 * 1.0 + 9.0 * 1.75) / 25.0, 0, True),
        ([0.2, 0.1499], None, 1, False),
        # an exact one alone counts
        ([0.1, 0.0], 1.75, 1, False),
        ([0.0, 0.0], 1.375, 0, False),
    ],
)
def test_the_surest_mark_weighs_most_and_speaks(
    sigma: list[float], mean: float | None, owner: int, is_sure: bool
) -> None:
    given = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 1.75]])
    marks, _, speaks, (found,) = combine_coincident(given, np.array(sigma), 0.001)
    if mean is not None:
        assert marks[0, 2] == pytest.approx(mean, rel=1e-12)
    assert speaks.tolist() == [owner]
    assert found.sigma is not None
    assert (found.gap <= 3 * found.sigma) is is_sure


def test_a_gap_as_large_as_the_place_is_not_mentioned() -> None:
    given = np.array([[0.0, 0.0, 0.0], [0.25, 0.0, 0.25], [9.0, 0.0, 0.0], [9.0, 0.0, 0.375]])
    marks, _, _, findings = combine_coincident(given, None, 0.25)
    assert marks[:, 2].tolist() == [0.125, 0.1875]
    assert [(f.low, f.high) for f in findings] == [(2, 3)]


@pytest.mark.parametrize("value", [0.0, 1e-300, 5.0])
def test_a_standard_deviation_may_be_nothing(value: float) -> None:
    assert checked_sigma([value], 1).tolist() == [value]


def test_noise_is_what_neighbours_do_not_share() -> None:
    rng = np.random.default_rng(3)
    points = rng.random((15, 3)) * [40, 30, 1]
    tin = triangulate(points)
    root = rng.normal(size=(15, 15))
    matrix = root @ root.T
    pairs = {
        (int(a), int(b)) for t in tin.triangles for a in t for b in t if a != b
    }  # both ways, each once
    start, end = neighbour_pairs(tin)
    assert sorted(zip(start.tolist(), end.tolist(), strict=True)) == sorted(pairs)
    got = relative_noise(tin, lambda i, j: matrix[i, j])
    for mark in range(15):
        half = [(matrix[a, a] + matrix[b, b]) / 2 - matrix[a, b] for a, b in pairs if a == mark]
        assert got[mark] == pytest.approx(np.sqrt(np.mean(half)), rel=1e-9)


def test_a_vertex_of_a_breakline_is_no_neighbour_of_the_mark_it_hangs_on() -> None:
    points = np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0], [10, 10, 0]])
    tin = triangulate(points, [np.array([[1.0, 1, 0], [5, 4, 0]])])
    hangs = tin.owner[4:].tolist()
    assert hangs == [0, 0]
    variance = np.array([0.04, 0.01, 0.01, 0.01])
    got = relative_noise(tin, lambda i, j: np.where(i == j, variance[i], 0.0))
    # each neighbour but itself: half of 0.04 + 0.01
    np.testing.assert_allclose(got[[0, 4, 5]], np.sqrt(0.025))


def test_the_best_of_at_least_five_marks_is_chosen_and_all_are_told() -> None:
    # a hull of four around so many marks, on a plane
    for inner in (4, 5):
        rng = np.random.default_rng(8)
        place = np.vstack([[[0, 0], [9, 0], [0, 9], [9, 9]], rng.uniform(1, 8, (inner, 2))])
        bent = rng.normal(0, 0.3, inner + 4)
        tin = triangulate(np.column_stack([place, place @ [0.5, 0.2] + bent]))
        method, found = choose_method(tin, "auto", None, False)
        assert [s.rmse for s in found] == sorted(s.rmse for s in found)
        assert method == ("tin" if inner == 4 else found[0].method)
        assert choose_method(tin, "plane", None, False) == ("plane", ())


def test_a_crossing_is_told_beyond_the_size_of_a_place() -> None:
    square = np.array([[0.0, 0, 0], [8, 0, 0], [8, 8, 0], [0, 8, 0]])
    for gap, told in ((0.25, 0), (0.3125, 1)):
        lines = [np.array([[1.0, 1, 0], [7, 7, 0]]), np.array([[1.0, 7, gap], [7, 1, gap]])]
        surface = elevation_surface(
            square, Grid(0, 8, 1.0, 8, 8), breaklines=lines, coincident=0.25
        )
        assert surface.tin.crossing_gap == gap
        assert (
            sum(f.code == "breaklines-cross" for f in surface_findings(surface, coincident=0.25))
            == told
        )


def test_marks_on_a_breakline_are_neither_judged_nor_judge() -> None:
    rng = np.random.default_rng(2)
    east, north = (at.ravel() for at in np.meshgrid(np.arange(9.0), np.arange(8.0)))
    points = np.column_stack([east, north, rng.normal(0.0, 0.01, 72)])
    points[:, :2] += rng.uniform(-0.2, 0.2, (72, 2))
    points[[20, 42], 2] += 0.5
    grid = Grid(0.0, 8.0, 1.0, 8, 9)

    def named(**more: object) -> list[str]:
        surface = elevation_surface(points, grid, **more)  # type: ignore[arg-type]
        return sorted(f.text[:8] for f in surface_findings(surface) if f.code == "outlier")

    assert named() == ["point 21", "point 43"]
    assert named(breaklines=[points[[20, 42]]]) == []
    # marks that are known no better than that do not stand out
    assert named(sigma=np.full(72, 0.2)) == []
    # nor does one beside a mark that stands out almost as much
    points[21, 2] += 0.4
    assert named() == ["point 43"]


def test_of_too_few_marks_none_is_unusual() -> None:
    # a lattice of 3 by 5: three marks inside, some of the others have neighbours all round
    east, north = (at.ravel() for at in np.meshgrid(np.arange(5.0), np.arange(3.0)))
    points = np.column_stack([east, north, np.zeros(15)])
    points[7, 2] = 3.0
    surface = elevation_surface(points, Grid(0.0, 2.0, 1.0, 2, 4))
    assert surface_findings(surface) == ()


@pytest.mark.parametrize(("wrong", "last"), [(20, None), (21, "1 more mark stands out like these")])
def test_twenty_marks_are_named(wrong: int, last: str | None) -> None:
    east, north = (at.ravel() * 3.0 for at in np.meshgrid(np.arange(30.0), np.arange(24.0)))
    points = np.column_stack([east, north, np.zeros(720)])
    points[:, :2] += np.random.default_rng(4).uniform(-0.5, 0.5, (720, 2))
    spread = (np.arange(3, 24, 5)[:, None] * 30 + np.arange(3, 28, 5)).ravel()[:wrong]
    points[spread, 2] = np.linspace(1.0, 2.0, wrong)
    told = [f.text for f in surface_findings(elevation_surface(points, Grid(0.0, 9.0, 3.0, 3, 3)))]
    assert sum(text.startswith("point ") for text in told) == 20
    assert told[20:] == ([] if last is None else [last])
