"""Intervals of water from what the possible grounds say, counted by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from geosite.terrain.water.falls_from_buildings import FlatPaving
from geosite.terrain.water.flow import Catchment
from geosite.terrain.water.ponding import Pond
from geosite.terrain.water.realised_drainage import RealisedDrainage
from geosite.terrain.water.water_estimates import (
    estimate_catchments,
    estimate_paving,
    estimate_ponds,
    estimate_slope_classes,
    interval_of_water,
)

DRAWS = 79
"""The quantiles of so many are the second from each end: 2.5 % of 80 are 2."""


def realised(**said: np.ndarray) -> RealisedDrainage:
    """Grounds of which only what a question asks is filled in."""
    nothing = np.full((DRAWS, 1), math.nan)
    names = dict.fromkeys(RealisedDrainage.__dataclass_fields__, nothing)
    return RealisedDrainage(**names | said)  # type: ignore[arg-type]


def one_pond(depth: np.ndarray, level: np.ndarray | None = None) -> RealisedDrainage:
    return realised(
        pond_depth=depth[:, None],
        pond_volume=2 * depth[:, None],
        pond_cells=100 * depth[:, None],
        pond_inflow=1000 * depth[:, None],
        pond_level=(np.where(depth > 0, 5 + depth, math.nan) if level is None else level)[:, None],
    )


POND = Pond(1, 5.0, 0.2, 0.4, 1.0, 20, 3, 4, 5, 6, 200.0)


def test_a_pond_is_as_probable_as_the_share_of_grounds_that_hold_any_water() -> None:
    depth = np.zeros(DRAWS)
    depth[:4] = [1e-9, 0.002, 0.3, 1.5]
    (found,) = estimate_ponds([POND], one_pond(depth), cell_m2=4.0)
    assert found.probability == 4 / DRAWS
    assert not found.is_significant
    # the level of the grounds that hold water alone, of so few the least and the largest
    assert (found.level_m.low, found.level_m.high) == pytest.approx((5.0, 6.5), abs=1e-8)


def test_water_is_counted_in_cells_and_told_in_square_and_cubic_metres() -> None:
    depth = np.arange(1, DRAWS + 1) / 100
    (found,) = estimate_ponds([POND], one_pond(depth), cell_m2=4.0)
    least, most = 0.4 * (0.02 / 0.4) ** 1.5, 0.78
    assert (found.depth_m.value, found.depth_m.low, found.depth_m.high) == pytest.approx(
        (0.2, least, most)
    )
    assert (found.volume_m3.value, found.volume_m3.low, found.volume_m3.high) == pytest.approx(
        (POND.cell_depths * 4, 2 * least * 4, 2 * most * 4)
    )
    assert (found.area_m2.low, found.area_m2.high) == pytest.approx((400 * least, 400 * most))
    assert (found.inflow_m2.low, found.inflow_m2.high) == pytest.approx((4000 * least, 3120.0))
    assert found.probability == 1.0
    assert found.is_significant


def test_where_there_may_be_no_pond_5_of_100_grounds_have_more_than_its_upper_end() -> None:
    depth = np.maximum(np.arange(DRAWS) - 7, 0) / 100
    (found,) = estimate_ponds([POND], one_pond(depth), cell_m2=4.0)
    # of 80 steps between and beside 79 draws the last four lie above the 76th
    assert (found.depth_m.low, found.depth_m.high) == pytest.approx((0.0, 0.68))
    deeper = replace(POND, depth=0.7)
    (held,) = estimate_ponds([deeper], one_pond(depth), cell_m2=4.0)
    assert held.depth_m.high == 0.7


@pytest.mark.parametrize(("dry", "sure"), [(0, True), (1, True), (2, False), (60, False)])
def test_something_is_there_at_95_of_100_where_few_enough_grounds_are_without(
    dry: int, sure: bool
) -> None:
    # 2.5 % of 79 are less than two; so many are dry where the quantile of the depth is nothing
    there = np.where(np.arange(DRAWS) < dry, 0.0, 0.2)
    (pond,) = estimate_ponds([POND], one_pond(there), cell_m2=1.0)
    assert (pond.is_significant, pond.depth_m.low > 0.0) == (sure, sure)
    assert replace(pond, probability=math.nan).is_significant
    yard, asked = (
        FlatPaving("yard", 0.2, 9.0, 1.0, 0.2, 0.0, 0.0),
        realised(flat_cells=there[:, None]),
    )
    (flat,) = estimate_paving([yard], ["yard"], asked, cell_m2=1.0)
    assert (flat.probability, flat.is_sure) == ((DRAWS - dry) / DRAWS, sure)
    (unasked,) = estimate_paving([yard], ["yard"], None, cell_m2=1.0)
    assert unasked.is_sure


def test_a_pond_no_ground_holds_has_no_bounds_of_its_level() -> None:
    (found,) = estimate_ponds([POND], one_pond(np.zeros(DRAWS)), cell_m2=1.0)
    assert found.probability == 0.0
    assert (found.level_m.low, found.level_m.high) == (-math.inf, math.inf)


def test_levels_of_several_ponds_are_each_from_the_grounds_that_hold_it() -> None:
    level = np.arange(DRAWS) + np.array([[0.0], [100.0], [200.0], [300.0]])
    depth = np.full((4, DRAWS), 0.1)
    depth[0, :40] = depth[1, 40:] = depth[2, 1:40] = 0.0  # 39, 40, 40 and all of them hold one
    sizes = dict.fromkeys(("pond_depth", "pond_volume", "pond_cells", "pond_inflow"), depth.T)
    asked = realised(**sizes, pond_level=np.where(depth > 0, level, math.nan).T)
    ponds = [replace(POND, level=50.0 + 100 * k) for k in range(4)]
    found = [one.level_m for one in estimate_ponds(ponds, asked, cell_m2=1.0)]
    assert [one.value for one in found] == [50.0, 150.0, 250.0, 350.0]
    # of 39 the first and the last, of 40 a fortieth from each end, of 79 the second; a value that
    # lies outside is an end itself
    assert [(one.low, one.high) for one in found] == [
        pytest.approx(ends)
        for ends in ((40.0, 78.0), (100.025, 150.0), (201.0, 277.975), (301.0, 377.0))
    ]


def test_catchments_and_paving_take_the_column_of_their_own() -> None:
    cells = np.column_stack([np.arange(DRAWS), 100 + np.arange(DRAWS)]).astype(float)
    asked = realised(catchment_cells=cells, catchment_peak=2 * cells, flat_cells=3 * cells)
    both = [Catchment(k, "edge", 0, 3, 4, 120, 240.0) for k in (1, 2)]
    _, second = estimate_catchments(both, asked, cell_m2=0.5)
    area, peak = second.area_m2, second.peak_m2
    least = 69.5 * (50.5 / 69.5) ** 1.5
    assert (area.value, area.low, area.high) == pytest.approx((60.0, least, 88.5))
    assert (peak.value, peak.low, peak.high) == pytest.approx((120.0, 2 * least, 177.0))
    yard = FlatPaving("yard", 180.0, 300.0, 1.0, 6.0, 0.0, 0.0)
    (flat,) = estimate_paving([yard], ["way", "yard"], asked, cell_m2=0.5)
    # 208.5 with quantiles 57 away
    assert (flat.flat_m2.low, flat.flat_m2.high) == pytest.approx((123.0, 294.0))
    (flat,) = estimate_paving([replace(yard, known_m2=290.0)], ["way", "yard"], asked, cell_m2=0.5)
    assert (flat.flat_m2.low, flat.flat_m2.high) == pytest.approx((123.0, 290.0))
    (flat,) = estimate_paving([yard], ["yard", "way"], asked, cell_m2=0.5)
    assert (flat.flat_m2.low, flat.flat_m2.high) == pytest.approx((0.0, 180.0))


def test_an_area_holds_no_more_of_a_slope_than_there_is_and_no_less_than_nothing() -> None:
    gentle = np.linspace(0.0, 100.0, DRAWS)
    draws = np.stack([gentle, 100.0 - gentle], axis=-1)[:, None, :]
    low, high = estimate_slope_classes(np.array([[40, 60]]), draws)
    assert (low.tolist(), high.tolist()) == ([[0.0, 0.0]], [[100.0, 100.0]])


def test_nothing_stays_nothing_and_a_number_outside_of_its_draws_is_held() -> None:
    dry = interval_of_water(0.0, np.zeros(DRAWS))
    assert (dry.low, dry.high) == (0.0, 0.0)
    rare = interval_of_water(2.0, np.where(np.arange(DRAWS) < 70, 0.0, 5.0))
    assert (rare.low, rare.high) == (0.0, 5.0)
    less = interval_of_water(0.5, np.full(DRAWS, 4.0))
    assert (less.low, less.high) == (0.5, 4.0)


def ends_of_ponds(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the depth where the surface says 1 and each column is drawn."""
    asked = realised(
        pond_depth=draws, pond_volume=draws, pond_cells=draws, pond_inflow=draws, pond_level=draws
    )
    ponds = estimate_ponds([replace(POND, depth=1.0)] * draws.shape[1], asked, cell_m2=1.0)
    low, high = np.array([(pond.depth_m.low, pond.depth_m.high) for pond in ponds]).T
    return low, high


@pytest.mark.slow
def test_a_truth_that_errs_by_half_more_than_its_draws_is_missed_as_often_as_said() -> None:
    rng = np.random.default_rng(1987)
    draws, truth = rng.normal(size=(200, 5_000)), 1.5 * rng.normal(size=5_000)
    low, high = ends_of_ponds(np.exp(draws))
    # the upper end is not stretched: 1.96 / 1.5 standard deviations, 9.6 of 100 are beyond
    missed = (np.exp(truth) < low).mean(), (np.exp(truth) > high).mean()
    assert missed == pytest.approx((0.025, 0.096), abs=0.012)
    low, high = estimate_slope_classes(np.full((1, 5_000), 50.0), 50.0 + draws[:, None, :])
    missed = (50.0 + truth < low).mean(), (50.0 + truth > high).mean()
    assert missed == pytest.approx((0.025, 0.025), abs=0.007)


@pytest.mark.slow
@pytest.mark.parametrize(("share", "missed"), [(1.0, 0.025), (0.4, 0.05)])
def test_a_pond_like_its_draws_is_larger_than_said_in_as_many_cases_as_are_left_above(
    share: float, missed: float
) -> None:
    rng = np.random.default_rng(2026)
    there = rng.random((201, 5_000)) < share
    depth = np.where(there, np.exp(rng.normal(size=there.shape)), 0.0)
    low, high = ends_of_ponds(depth[:-1])
    assert (low > 0.0).any() == (share == 1.0)
    assert (depth[-1] > high).mean() == pytest.approx(missed, abs=0.008)
