"""Cell size from the points, and rasters that are refused before they are made."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
import shapely

from geosite.base.errors import InputError
from geosite.base.grid import MAX_CELLS, Grid
from geosite.terrain.surface.cell_grid import default_cell_size, grid_over, outermost


def test_cell_size_follows_the_spacing_in_steps() -> None:
    east, north = np.meshgrid(np.arange(10.0) * 5, np.arange(8.0) * 5)
    points = np.column_stack([east.ravel(), north.ravel()])
    # hull 45 x 35 over 80 points: 0.0791 * 4.44 = 0.351, between 0.2 and 0.5
    assert default_cell_size(points) == pytest.approx(0.5)
    assert default_cell_size(points * 10) == pytest.approx(5)
    assert default_cell_size(points / 2.5) == pytest.approx(0.1)


@pytest.mark.slow
def test_cell_size_grows_with_the_number_of_points_only_to_a_million_cells() -> None:
    points = np.random.default_rng(1).random((200_000, 2)) * [900, 400]
    size = default_cell_size(points)
    grid = grid_over(points)
    assert size == grid.cell_size == 1.0
    assert grid.rows * grid.cols <= 1_001_000


def test_grid_is_snapped_and_holds_the_points() -> None:
    points = np.array([[100.3, 200.2, 1], [130.9, 220.0, 1], [110, 240.7, 2]])
    grid = grid_over(points, 0.5)
    assert (grid.west, grid.north) == (100.0, 241.0)
    assert (grid.east, grid.south) == (131.0, 200.0)
    assert grid_over(points, 2.0, (100, 200, 140, 240)).shape == (20, 20)


def test_an_extent_of_one_line_is_one_row_or_column() -> None:
    points = np.array([[0.5, 0.5, 1], [8.5, 0.5, 1], [3.5, 6.5, 2]])
    assert grid_over(points, 1.0, (0.5, 2.5, 7.5, 2.5)).shape == (1, 8)
    assert grid_over(points, 1.0, (2.5, 0.5, 2.5, 5.5)).shape == (6, 1)


def test_absurd_rasters_are_refused_before_they_are_made() -> None:
    points = np.array([[0, 0], [1000, 0], [0, 1000.0]])
    tracemalloc.start()
    with pytest.raises(InputError, match=r"cell size of 0\.1 or more") as caught:
        grid_over(points, 1e-3)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1e6
    assert "8000.0 GB" in str(caught.value)
    grid = grid_over(points, 0.1)
    assert grid.rows * grid.cols <= MAX_CELLS


@pytest.mark.parametrize("cell_size", [0.0, -1.0, float("nan"), float("inf")])
def test_cell_sizes_that_are_none(cell_size: float) -> None:
    with pytest.raises(InputError, match="positive"):
        grid_over([[0, 0], [1, 0], [0, 1]], cell_size)


@pytest.mark.parametrize("extent", [(10, 0, 0, 10), (0, 10, 10, 0), (0, 0, float("nan"), 1)])
def test_empty_extents(extent: tuple[float, float, float, float]) -> None:
    with pytest.raises(InputError, match="west,south,east,north"):
        grid_over([[0, 0], [1, 0], [0, 1]], 1.0, extent)


def test_points_in_line_have_no_default() -> None:
    with pytest.raises(InputError, match="not on one line"):
        default_cell_size([[0, 0], [1, 1], [2, 2.0]])


def test_a_grid_covers_its_extent_with_the_fewest_whole_cells() -> None:
    grid = Grid.covering(0.7, 3.1, 2.2, 4.6, 0.5)
    assert grid == Grid(0.5, 5.0, 0.5, 4, 4)
    assert (grid.shape, grid.east, grid.south) == ((4, 4), 2.5, 3.0)
    assert grid.centres()[0].tolist() == [0.75, 1.25, 1.75, 2.25]
    assert grid.centres()[1].tolist() == [4.75, 4.25, 3.75, 3.25]
    # a place is one cell, north and east of it where it is a corner of cells
    assert Grid.covering(3.0, 2.0, 3.0, 2.0, 1.0) == Grid(3.0, 3.0, 1.0, 1, 1)
    assert Grid.covering(3.5, -0.5, 3.5, -0.5, 1.0) == Grid(3.0, 0.0, 1.0, 1, 1)


@pytest.mark.parametrize(
    ("off", "more"), [(0.0, 0), (1e-10, 0), (1e-8, 1)], ids=["exact", "rounded", "beyond"]
)
def test_only_an_extent_beyond_rounding_takes_another_cell(off: float, more: int) -> None:
    grid = Grid.covering(3.0 - off, 6.0 - off, 5.0 + off, 10.0 + off, 1.0)
    assert grid == Grid(3.0 - more, 10.0 + more, 1.0, 4 + 2 * more, 2 + 2 * more)


def test_one_stray_point_among_fifty_is_named_before_a_raster_is_made() -> None:
    points = np.random.default_rng(3).uniform(0.0, 50.0, (51, 2))
    assert grid_over(points, 0.1).cols < 502
    points[20] = (4000.0, 3000.0)
    with pytest.raises(InputError) as refused:
        grid_over(points, 0.5)
    said = str(refused.value)
    assert "51 points make a raster of 48" in said
    assert "number 21 lies 4," in said
    assert "use a cell size of 2 or more" in said
    assert grid_over(points, 2.0).cols in (2000, 2001)


@pytest.mark.parametrize("kind", ["disc", "square", "line", "one place", "lattice"])
def test_the_hull_of_the_outermost_points_is_that_of_all(kind: str) -> None:
    draw = np.random.default_rng(2)
    points = {
        "disc": draw.normal(size=(20_000, 2)),
        "square": draw.random((20_000, 2)) * [3.0, 700.0],
        "line": np.outer(draw.random(20_000), [3.0, 1.0]),
        "one place": np.zeros((20_000, 2)),
        "lattice": np.stack(np.meshgrid(np.arange(150.0), np.arange(140.0)), axis=-1).reshape(
            -1, 2
        ),
    }[kind]
    whole, some = (shapely.convex_hull(shapely.multipoints(p)) for p in (points, outermost(points)))
    assert shapely.equals_exact(whole, some, tolerance=1e-12)
