"""Bands of a ground that rises and falls, counted cell by cell."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.handover.palette import RAMPS
from geosite.handover.plan.elevation_bands import bands

COUNT = len(RAMPS["raised"])
assert COUNT == len(RAMPS["lowered"]) == 5


def found(*rise: float) -> list[tuple[float, float, str, float]]:
    grid = Grid(0.0, 2.0, 2.0, 1, len(rise))
    return [
        (round(b.low, 9), round(b.high, 9), b.colour, b.shape.area / 4)
        for b in bands(np.array([rise]), grid)
    ]


def test_steps_are_the_least_round_ones_that_reach_the_largest_change() -> None:
    assert found(0.01 * COUNT)[-1][1] == pytest.approx(0.01 * COUNT)
    # five bands of 2 cm, of which the third is reached
    assert found(0.01 * COUNT + 1e-6)[-1][:2] == (0.04, 0.06)
    # beyond the last round step an even share of the whole
    assert found(50.0 * COUNT * 2)[-1][1] == pytest.approx(100.0 * COUNT)


def test_each_band_holds_the_cells_beyond_it_and_sides_are_told_apart() -> None:
    raised, lowered = RAMPS["raised"], RAMPS["lowered"]
    step = 0.01
    made = found(0.0, 0.3 * step, 1.5 * step, -1.5 * step, COUNT * step, np.nan)
    assert made[0] == (0.0, step, raised[0], 3)
    assert made[1] == (step, 2 * step, raised[1], 2)
    assert made[2][2:] == (raised[COUNT - 1], 1)
    # no cell lies in the first band below, and its own is told from the deeper end
    assert made[3:] == [(-2 * step, -step, lowered[1], 1)]


def test_a_cell_on_the_border_belongs_to_the_lower_band() -> None:
    made = found(0.01, 0.01 * COUNT)
    assert made[0] == (0.0, 0.01, RAMPS["raised"][0], 2)
    assert [band[3] for band in made] == [2, 1]


def test_without_change_there_is_no_band() -> None:
    assert found(0.0, np.nan) == []
