"""Cells labelled run by run are joined as cell by cell, and as a general library joins them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from geosite.terrain.water.regions import connected_regions, connected_runs


@pytest.mark.parametrize("seed", range(60))
def test_runs_join_what_cells_join(seed: int) -> None:
    draw = np.random.default_rng(seed)
    shape = (int(draw.integers(1, 40)), int(draw.integers(1, 40)))
    wet = draw.random(shape) < draw.choice([0.1, 0.3, 0.4, 0.5, 0.6, 0.9, 1.0])
    cells = np.flatnonzero(wet)
    first, of_run, count = connected_runs(cells, shape)
    region = np.repeat(of_run, np.diff(first, append=cells.size))
    by_cell, expected = connected_regions(cells, shape)
    library, joined = ndimage.label(wet, np.ones((3, 3)))
    assert count == expected == joined
    for other in (by_cell, library[wet]):
        # one to one
        assert len(np.unique(np.column_stack([region, other]), axis=0)) == count
    # a run is of one row, and as long as it can be
    assert (np.diff(cells)[np.setdiff1d(np.arange(cells.size - 1), first - 1)] == 1).all()


def test_a_run_does_not_go_on_in_the_next_row() -> None:
    """The last cell of a row and the first of the next are numbered on, and lie apart."""
    first, region, count = connected_runs(np.array([3, 4]), (2, 4))
    assert first.tolist() == [0, 1]
    assert count == 2
    assert sorted(region.tolist()) == [0, 1]


def test_no_cells() -> None:
    first, region, count = connected_runs(np.zeros(0, np.int64), (3, 3))
    assert (first.size, region.size, count) == (0, 0, 0)
