"""Falls from buildings, flat paving and ponds, in numbers and in words."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from fall_cases import falls_from_building

from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.terrain.water.barriers import cells_in
from geosite.terrain.water.falls_from_buildings import (
    FlatPaving,
    flat_paving,
    slope_classes,
)
from geosite.terrain.water.water_estimates import PavingEstimate
from geosite.terrain.wording import paving_findings

FRAME = Frame()


GRID = Grid(1000.0, 2040.0, 0.25, 160, 200)
HOUSE = shapely.box(1020.0, 2015.0, 1030.0, 2025.0)


def ground(east: float, north: float) -> np.ndarray:
    """A plane with these grades, percent, positive rising east and north; the house is cut out."""
    e, n = np.meshgrid(*GRID.centres())
    z = 50.0 + east / 100.0 * (e - 1025.0) + north / 100.0 * (n - 2020.0)
    return np.where(cells_in([HOUSE], GRID), np.nan, z)


def hipped(percent: float) -> np.ndarray:
    """Ground that falls away from every wall."""
    e, n = np.meshgrid(*GRID.centres())
    away = np.maximum(np.maximum(1020.0 - e, e - 1030.0), np.maximum(2015.0 - n, n - 2025.0))
    return np.where(cells_in([HOUSE], GRID), np.nan, 50.0 - percent / 100.0 * away)


@pytest.mark.parametrize("turn", [True, False])
def test_plane_falls_towards_one_wall(turn: bool) -> None:
    house = HOUSE if turn else HOUSE.reverse()
    fall = falls_from_building("ticket house", house, ground(3.0, 0.0), GRID)
    assert fall is not None
    # rising east: the east wall has the ground fall towards it, north and south walls are level
    assert fall.worst_percent == pytest.approx(-3.0, abs=1e-6)
    assert fall.easting == pytest.approx(1030.0)
    assert 2015.0 < fall.northing < 2025.0
    assert fall.wall_m == pytest.approx(40.0)
    assert fall.short_m == pytest.approx(40.0)
    assert fall.toward_m == pytest.approx(10.0)
    assert fall.over_m == pytest.approx(3.048, abs=0.5)
    assert fall.limit_percent == 5.0


def test_ground_that_falls_enough_is_no_finding() -> None:
    fall = falls_from_building("ticket house", HOUSE, hipped(6.0), GRID)
    assert fall is not None
    assert fall.worst_percent == pytest.approx(6.0, abs=1e-6)
    assert (fall.short_m, fall.toward_m) == (0.0, 0.0)
    short = falls_from_building("ticket house", HOUSE, hipped(4.9), GRID)
    assert short is not None
    assert short.short_m == pytest.approx(40.0)


def test_exactly_six_inches_in_ten_feet_will_do() -> None:
    # R401.3: 152.4 mm within 3.048 m is 5 percent
    fall = falls_from_building("ticket house", HOUSE, hipped(15.24 / 3.048), GRID)
    assert fall is not None
    assert fall.short_m == 0.0


def test_paved_ground_may_be_flatter() -> None:
    z = hipped(3.0)
    e, _ = np.meshgrid(*GRID.centres())
    fall = falls_from_building("ticket house", HOUSE, z, GRID, paved=e > 1025.0)
    assert fall is not None
    # the east wall and half of the north and south walls are paved
    assert fall.short_m == pytest.approx(20.0, abs=0.6)
    assert not fall.is_paved
    steep = falls_from_building("ticket house", HOUSE, hipped(1.5), GRID, paved=e > 0.0)
    assert steep is not None
    assert (steep.limit_percent, steep.is_paved) == (2.0, True)


def test_feet_and_metres_give_the_same_fall() -> None:
    foot = 0.3048
    grid = Grid(1000.0 / foot, 2040.0 / foot, 0.25 / foot, 160, 200)
    house = shapely.transform(HOUSE, lambda at: at / foot)
    fall = falls_from_building("a", house, ground(3.0, 1.0), grid, ground_m=foot)
    same = falls_from_building("a", HOUSE, ground(3.0, 1.0), GRID)
    assert fall is not None
    assert same is not None
    assert fall.worst_percent == pytest.approx(same.worst_percent, abs=1e-6)
    assert fall.wall_m == pytest.approx(same.wall_m)
    assert fall.over_m == pytest.approx(same.over_m)


def test_another_building_ends_the_distance() -> None:
    z = ground(3.0, 0.0)
    z[cells_in([shapely.box(1032.0, 2010.0, 1035.0, 2030.0)], GRID)] = np.nan
    fall = falls_from_building("ticket house", HOUSE, z, GRID)
    assert fall is not None
    assert fall.over_m == pytest.approx(1.5, abs=0.4)
    assert fall.worst_percent == pytest.approx(-3.0, abs=1e-6)


def test_no_ground_no_answer() -> None:
    z = np.full(GRID.shape, np.nan)
    assert falls_from_building("ticket house", HOUSE, z, GRID) is None


@pytest.mark.parametrize("rough", [1e-7, 2e-5])
def test_level_ground_that_rounding_makes_rough_does_not_fall_either_way(rough: float) -> None:
    z = hipped(0.0)
    z += rough * np.random.default_rng(3).choice([-1.0, 1.0], z.shape)
    fall = falls_from_building("ticket house", HOUSE, z, GRID)
    assert fall is not None
    assert -1e-2 < fall.worst_percent < 0.0
    assert (fall.toward_m, fall.short_m) == (0.0, pytest.approx(40.0))


def test_ground_as_steep_as_the_limit_but_for_rounding_is_steep_enough() -> None:
    fall = falls_from_building("ticket house", HOUSE, hipped(5.0 - 1e-6), GRID)
    assert fall is not None
    assert 4.99 < fall.worst_percent < 5.0 - 9e-7
    assert fall.short_m == 0.0


def test_a_rise_of_a_millimetre_is_told() -> None:
    fall = falls_from_building("ticket house", HOUSE, hipped(-0.1 / 3.048), GRID)
    assert fall is not None
    assert fall.toward_m == pytest.approx(40.0)


def test_level_ground_does_not_rise() -> None:
    fall = falls_from_building("ticket house", HOUSE, hipped(0.0), GRID)
    assert fall is not None
    assert fall.toward_m == 0.0


@pytest.mark.parametrize("mirrored", [True, False])
def test_flat_cells_that_touch_by_a_corner_hang_together(mirrored: bool) -> None:
    slope = np.full((6, 6), 3.0)
    slope[[1, 2, 3], [1, 2, 3]] = slope[[3, 5], [0, 5]] = 0.2
    if mirrored:
        slope = slope[:, ::-1]
    grid = Grid(0.0, 6.0, 1.0, 6, 6)
    (yard,) = flat_paving(slope, np.ones((6, 6), dtype=np.int64), ["yard"], grid)
    assert (yard.flat_m2, yard.patch_m2) == (5.0, 3.0)


def test_flat_paving() -> None:
    slope = np.full((20, 30), 3.0)
    numbers = np.zeros((20, 30), dtype=np.int32)
    numbers[:10, :10] = 1
    numbers[10:, 20:] = 2
    slope[2:5, 3:8] = 0.4
    slope[8, 1] = 0.05
    slope[0, :] = np.nan
    grid = Grid(0.0, 10.0, 0.5, 20, 30)
    apron, circle = flat_paving(slope, numbers, ["apron", "turning circle"], grid)
    assert (apron.flat_m2, apron.known_m2, apron.patch_m2) == (4.0, 22.5, 3.75)
    assert (apron.easting, apron.northing) == (2.75, 8.25)
    assert circle.flat_m2 == 0.0
    assert flat_paving(slope, numbers * 0, ["apron"], grid) == ()


def test_slope_classes() -> None:
    steep = np.array([[0.0, 0.99, 1.0, np.nan], [2.0, 5.0, 50.0, 3.0]])
    numbers = np.array([[1, 1, 1, 1], [2, 2, 0, 2]])
    counts = slope_classes(steep, numbers, 3, [1.0, 2.0, 5.0])
    assert counts.tolist() == [[2, 1, 0, 0], [0, 0, 2, 1], [0, 0, 0, 0]]


@pytest.mark.parametrize(
    ("share", "patch", "level", "doubt"),
    [(1.0, 1.0, "look", False), (0.98, 0.9, "note", False), (0.97, 4.0, "note", True)],
)
def test_flat_paving_is_undecided_where_there_may_be_none(
    share: float, patch: float, level: str, doubt: bool
) -> None:
    yard = FlatPaving("yard", 6.0, 30.0, 1.0, patch, 0.0, 0.0)
    (found,) = paving_findings([PavingEstimate(yard, Estimate(6.0, 0.0, 9.0), share)], FRAME)
    assert (found.level, "Undecided" in found.text) == (level, doubt)
    none = FlatPaving("yard", 0.0, 30.0, 1.0, 0.0, 0.0, 0.0)
    assert paving_findings([PavingEstimate(none, Estimate(0.0, 0.0, 9.0))], FRAME) == ()
