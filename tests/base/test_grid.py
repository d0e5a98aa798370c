"""Cells lie on whole multiples of their size and cover what they are asked to, and no more."""

from __future__ import annotations

import pytest

from geosite.base.grid import MAX_CELLS, Grid


def test_the_smallest_grid_on_whole_multiples() -> None:
    grid = Grid.covering(10.2, 20.6, 12.1, 21.9, 0.5)
    assert grid == Grid(west=10.0, north=22.0, cell_size=0.5, rows=3, cols=5)
    assert (grid.east, grid.south, grid.shape) == (12.5, 20.5, (3, 5))


def test_an_extent_of_whole_cells_does_not_grow() -> None:
    # 0.3 / 0.1 is 2.9999999999999996 and 0.7 / 0.1 6.999999999999999; 0.6 / 0.2 the same as 0.3
    grid = Grid.covering(0.3, 0.6, 0.7, 1.1, 0.1)
    assert grid.shape == (5, 4)
    assert (grid.west, grid.north) == pytest.approx((0.3, 1.1))
    beside = Grid.covering(-4.0, -6.0, 2.0 + 1e-12, 3.0 + 1e-12, 2.0)
    assert (beside.west, beside.south, beside.east, beside.north) == (-4.0, -6.0, 2.0, 4.0)
    assert Grid.covering(1.0 - 1e-12, 1.0 - 1e-12, 3.0, 3.0, 1.0).shape == (2, 2)
    assert Grid.covering(0.99, 0.99, 3.01, 3.01, 1.0).shape == (4, 4)


def test_a_place_has_one_cell() -> None:
    assert Grid.covering(5.0, 7.0, 5.0, 7.0, 1.0) == Grid(5.0, 8.0, 1.0, 1, 1)


def test_centres_begin_in_the_north_west() -> None:
    east, north = Grid(100.0, 50.0, 4.0, rows=2, cols=3).centres()
    assert east.tolist() == [102.0, 106.0, 110.0]
    assert north.tolist() == [48.0, 44.0]


def test_the_largest_raster_has_800_megabytes_of_elevations() -> None:
    assert MAX_CELLS * 8 == 800e6
