"""Ponds whose volume is known, where they spill, and which of them count."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.base.grid import Grid
from geosite.terrain.water.barriers import walls_along
from geosite.terrain.water.drainage import drain
from geosite.terrain.water.flow import polygons
from geosite.terrain.water.ponding import find_ponds


def bowl(cells: int, shape: str, notch: float = np.inf) -> tuple[np.ndarray, float]:
    """A hollow of 1 m depth and 2 m half width in a 5 m square of level ground at 10 m."""
    cell = 5.0 / cells
    at = (np.arange(cells) + 0.5) * cell - 2.5
    east, north = np.meshgrid(at, -at)
    if shape == "cone":
        out = np.hypot(east, north)
    else:
        out = np.maximum(np.abs(east), np.abs(north))
    z = 10.0 - np.maximum(0.0, 1.0 - out / 2.0)
    # a trench from the hollow to the east edge sets the level of the water
    z[cells // 2, east[0] > 0.0] = np.minimum(z[cells // 2, east[0] > 0.0], notch)
    return z, cell


@pytest.mark.parametrize(("shape", "third"), [("cone", np.pi * 4.0 / 3.0), ("pyramid", 16.0 / 3.0)])
def test_volume_of_cone_and_pyramid(shape: str, third: float) -> None:
    # a third of base area times height: 4.18879 m3 and 5.33333 m3
    z, cell = bowl(501, shape)
    raster, ponds = find_ponds(drain(z, cell))
    assert len(ponds) == 1
    pond = ponds[0]
    assert pond.volume == pytest.approx(third, rel=2e-4)
    assert pond.level == 10.0
    assert pond.depth == pytest.approx(1.0, abs=cell)
    assert (pond.row, pond.col) == (250, 250)
    assert pond.cells == (raster == 1).sum()
    assert pond.cells * cell**2 == pytest.approx(third * 3.0, rel=2e-3)
    assert z[pond.spill_row, pond.spill_col] == 10.0


@pytest.mark.parametrize("shape", ["cone", "pyramid"])
def test_volume_up_to_a_trench(shape: str) -> None:
    # the water stands half as high, so the pond is an eighth of the whole
    z, cell = bowl(501, shape, notch=9.5)
    _, ponds = find_ponds(drain(z, cell))
    whole = np.pi * 4.0 / 3.0 if shape == "cone" else 16.0 / 3.0
    assert ponds[0].level == pytest.approx(9.5, abs=1e-12)
    assert ponds[0].volume == pytest.approx(whole / 8.0, rel=2e-3)
    assert ponds[0].spill_row == 250
    # a quarter of the way from the centre to the edge: half the radius of 2 m
    assert ponds[0].spill_col * cell - 2.5 == pytest.approx(1.0, abs=2 * cell)
    assert len(ponds) == 1


def test_nested_hollows_are_one_pond_when_full() -> None:
    z = np.array([[9, 9, 9, 9, 9, 9, 9], [9, 1, 5, 2, 8, 3, 9], [9, 9, 9, 9, 9, 9, 7]], float)
    raster, ponds = find_ponds(drain(z, 2.0))
    assert raster[1].tolist() == [0, 1, 1, 1, 0, 2, 0]
    first, second = ponds
    assert (first.level, first.depth, first.volume) == (8.0, 7.0, (7 + 3 + 6) * 4.0)
    assert (first.row, first.col, first.spill_row, first.spill_col) == (1, 1, 1, 4)
    assert (second.level, second.depth, second.volume) == (7.0, 4.0, 16.0)
    assert (second.spill_row, second.spill_col) == (2, 6)
    assert second.contributing_cells > first.contributing_cells


def test_a_wall_parts_a_pond() -> None:
    z = np.full((5, 8), 9.0)
    z[1:4, 1:7] = 5.0
    z[2, 0], z[2, 7] = 6.0, 7.0
    grid = Grid(0.0, 5.0, 1.0, 5, 8)
    kerb = walls_along([shapely.LineString([(4.0, -1.0), (4.0, 6.0)])], grid)
    raster, ponds = find_ponds(drain(z, 1.0, walls=kerb))
    assert [(p.level, p.cells) for p in ponds] == [(7.0, 9), (6.0, 9)]
    assert raster[2].tolist() == [0, 2, 2, 2, 1, 1, 1, 0]
    _, one = find_ponds(drain(z, 1.0))
    assert [(p.level, p.cells) for p in one] == [(6.0, 18)]


def test_a_least_depth_leaves_out_the_shallow_and_keeps_the_others_numbers() -> None:
    z = np.full((5, 13), 9.0)
    z[2, 2], z[1:4, 6], z[2, 10] = 8.99999, 8.9, 8.9999
    raster, ponds = find_ponds(drain(z, 1.0), minimum_depth=1e-4 - 1e-9)
    assert [(p.number, p.cells, p.col) for p in ponds] == [(1, 3, 6), (2, 1, 10)]
    assert np.unique(raster).tolist() == [0, 1, 2]
    assert raster[2, [2, 6, 10]].tolist() == [0, 1, 2]
    assert [p.volume for p in ponds] == pytest.approx([0.3, 1e-4])
    assert len(find_ponds(drain(z, 1.0))[1]) == 3
    assert find_ponds(drain(z, 1.0), minimum_depth=1.0)[1] == ()
    # as deep as the least depth will do
    least = 9.0 - z[2, 6]
    assert [p.number for p in find_ponds(drain(z, 1.0), minimum_depth=least)[1]] == [1]


def test_no_pond() -> None:
    raster, ponds = find_ponds(drain(np.arange(12.0).reshape(3, 4), 1.0))
    assert ponds == ()
    assert not raster.any()


def test_outlines_of_ponds() -> None:
    numbers = np.zeros((4, 6), dtype=np.int32)
    numbers[1, 1] = numbers[2, 2] = 3
    numbers[0, 4:] = 1
    grid = Grid(10.0, 40.0, 0.5, 4, 6)
    found = polygons(numbers, grid)
    assert list(found) == [1, 3]
    assert found[1].equals(shapely.box(12.0, 39.5, 13.0, 40.0))
    assert found[3].area == pytest.approx(0.5)
    assert found[3].bounds == (10.5, 38.5, 11.5, 39.5)
