"""Verdicts over a built surface at their limits, and areas of patches counted by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.analysis.as_built.surfaces import _estimate, _lattice, _patches, _within
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (0.1, 0.3, "within"),
        (0.0999, 0.3, "undecided"),
        (0.1, 0.3001, "undecided"),
        (0.3001, 0.5, "beyond"),
        (0.3, 0.5, "undecided"),
        (0.0, 0.0999, "beyond"),
        (0.0, 0.1, "undecided"),
        (0.0, 0.5, "undecided"),
    ],
)
def test_a_thickness_at_the_ends_of_its_range(low: float, high: float, verdict: str) -> None:
    assert _within(Estimate((low + high) / 2, low, high), 0.1, 0.3) == verdict


def test_an_estimate_holds_its_own_value() -> None:
    draws = np.arange(41.0)
    found = _estimate(50.0, draws)
    assert (found.low, found.high) == (1.0, 50.0)
    assert _estimate(-3.0, draws).low == -3.0
    lone = _estimate(5.0, draws[:1])
    assert (lone.low, lone.high) == (-np.inf, np.inf)


def test_places_are_spread_over_a_shape_alike_and_lie_in_it() -> None:
    # a right angle of legs 30 and 40, at an odd place
    shape = shapely.Polygon([(100, 50), (130, 50), (100, 90)])
    grid, cells, places = _lattice(shape)
    assert len(places) == pytest.approx(4000, rel=0.02)
    assert grid.cell_size == pytest.approx((600 / 4000) ** 0.5)
    assert shapely.contains_xy(shape, places[:, 0], places[:, 1]).all()
    assert places.mean(axis=0) == pytest.approx([110.0, 50 + 40 / 3], abs=0.05)
    row, col = np.divmod(cells, grid.cols)
    east, north = grid.centres()
    assert np.array_equal(np.column_stack([east[col], north[row]]), places)
    # the grid covers the shape, no row or column more
    assert 0 <= grid.north - 90 < grid.cell_size
    assert grid.cols * grid.cell_size >= 30


def test_patches_part_the_shape_by_what_95_of_100_grounds_say() -> None:
    # four cells of 2 m in a row; the shape reaches half a cell over them on every side
    grid = Grid(0.0, 2.0, 2.0, 1, 4)
    spread = np.linspace(-0.01, 0.01, 41)[:, None]
    off = np.array([0.0, 0.1, 0.03, -0.1])
    shape = shapely.box(-1, -1, 9, 3)
    found = _patches("slab", 0.03, off + spread, np.arange(4), grid, shape, 0.5)
    areas = {patch.verdict: patch.area_m2 for patch in found}
    # 2 x 4 each, and 1 x 2 more at the ends; on the ground twice as long each way
    assert areas == pytest.approx({"within": 40.0, "beyond": 32.0 + 40.0, "undecided": 32.0})
    (within,) = [patch for patch in found if patch.verdict == "within"]
    assert within.shape.bounds == (-1.0, -1.0, 2.0, 3.0)
    assert _patches("slab", 0.03, (off + spread)[:1], np.arange(4), grid, shape, 1.0) == ()


def test_a_surface_just_at_its_tolerance() -> None:
    grid, shape = Grid(0.0, 1.0, 1.0, 1, 6), shapely.box(0, 0, 6, 1)
    off = [
        *([0.03] * 3, [-0.03] * 3, [0.0300001] * 3, [-0.0300001] * 3),
        *([0.03, 0.03, 0.05], [-0.05, -0.03, -0.03]),
    ]
    found = _patches("slab", 0.03, np.transpose(off), np.arange(6), grid, shape, 1.0)
    areas = {patch.verdict: patch.area_m2 for patch in found}
    assert areas == {"within": 2.0, "beyond": 2.0, "undecided": 2.0}
