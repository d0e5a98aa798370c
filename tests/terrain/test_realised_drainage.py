"""Many possible grounds asked the same: what is certain, what is counted, what is matched."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.terrain.slope import slope
from geosite.terrain.water.descent import NODATA
from geosite.terrain.water.drainage import drain
from geosite.terrain.water.falls_from_buildings import slope_classes, wall_profiles
from geosite.terrain.water.flow import catchments, flow_path
from geosite.terrain.water.ponding import find_ponds
from geosite.terrain.water.realised_drainage import (
    DrainageReference,
    RealisedDrainage,
    drain_realisations,
)

SHAPE = (14, 18)
BREAKS = (1.0, 5.0)


def hollows(deep: float = 0.3) -> np.ndarray:
    """A plane that falls east with two hollows, one at (4, 5) and one at (9, 12)."""
    r, c = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    z = 10.0 - 0.03 * c + 0.002 * r
    z -= deep * np.exp(-((r - 4) ** 2 + (c - 5) ** 2) / 3.0)
    z -= 0.8 * deep * np.exp(-((r - 9) ** 2 + (c - 12) ** 2) / 3.0)
    z[0, 0] = np.nan
    return z


def ask(z: np.ndarray, grounds: np.ndarray, workers: int = 1, **more: object) -> RealisedDrainage:
    inlets = np.zeros(SHAPE, np.int32)
    inlets[12, 3], inlets[2, 15] = 1, 2
    drainage = drain(z, 1.0, inlets=inlets > 0)
    pond, ponds = find_ponds(drainage)
    catchment, found = catchments(drainage, inlets)
    areas = np.ones(SHAPE, np.int32)
    areas[:, 9:] = 2
    reference = DrainageReference(
        drainage=drainage,
        method="d8",
        inlets=inlets,
        buildings=np.zeros(SHAPE, bool),
        pond=pond,
        ponds=len(ponds),
        outlet=catchment,
        catchments=len(found),
        areas=areas,
        area_count=2,
        breaks_percent=BREAKS,
        flat_percent=2.0,
        slope_method="horn",
        profiles=(),
        starts=((1, 2), (9, 1)),
        **more,  # type: ignore[arg-type]
    )
    return drain_realisations(
        reference, lambda some: grounds[some.start : some.stop], len(grounds), workers=workers
    )


def rough(count: int) -> np.ndarray:
    rng = np.random.default_rng(3)
    return hollows() + 0.02 * rng.standard_normal((count, *SHAPE))


def test_the_same_ground_again_is_certain() -> None:
    z = hollows()
    found = ask(z, np.repeat(z[None], 5, axis=0))
    drainage = drain(z, 1.0, inlets=np.isin(np.arange(z.size).reshape(SHAPE), [12 * 18 + 3, 51]))
    known = drainage.direction != NODATA
    assert (found.confidence[known] == 1.0).all()
    assert np.isnan(found.confidence[~known]).all()
    _, ponds = find_ponds(drainage)
    assert [p.depth for p in ponds] == pytest.approx(found.pond_depth[0].tolist(), rel=1e-6)
    assert [p.cell_depths for p in ponds] == pytest.approx(found.pond_volume[0].tolist())
    assert [p.cells for p in ponds] == found.pond_cells[0].tolist()
    assert [p.level for p in ponds] == pytest.approx(found.pond_level[0].tolist())
    assert [p.contributing_cells for p in ponds] == found.pond_inflow[0].tolist()
    wet = drainage.ponding_depth >= 0.001
    assert np.array_equal(found.ponding[known] == 1.0, wet[known])
    assert not np.ptp(found.pond_depth, axis=0).any()


def test_without_shares_by_cell_the_counts_are_the_same() -> None:
    z, grounds = hollows(), rough(6)
    found, counted = ask(z, grounds), ask(z, grounds, by_cell=False)
    for name in ("pond_volume", "catchment_cells", "catchment_peak", "path_fall", "class_cells"):
        assert np.array_equal(getattr(found, name), getattr(counted, name))
    assert counted.to_inlet.shape == found.to_inlet.shape
    for shares in (counted.confidence, counted.ponding, counted.to_inlet):
        assert np.isnan(shares).all()


def test_what_is_counted_is_what_one_ground_after_the_other_says() -> None:
    z, grounds = hollows(), rough(37)
    found = ask(z, grounds)
    inlets = np.zeros(SHAPE, np.int32)
    inlets[12, 3], inlets[2, 15] = 1, 2
    first = drain(z, 1.0, inlets=inlets > 0)
    outlet, numbered = catchments(first, inlets)
    agrees, to_first = np.zeros(SHAPE), np.zeros(SHAPE)
    for number, ground in enumerate(grounds):
        one = drain(ground, 1.0, inlets=inlets > 0)
        agrees += (one.direction % 8 == first.direction % 8) & (
            (one.direction < 16) == (first.direction < 16)
        )
        ends = np.where(one.catchment >= 0, inlets.ravel()[one.catchment], 0)
        to_first += ends == 1
        leaves_by = np.where(one.catchment >= 0, outlet.ravel()[one.catchment], 0)
        cells = np.bincount(leaves_by.ravel(), minlength=len(numbered) + 1)[1:]
        assert found.catchment_cells[number].tolist() == cells.tolist()
        percent = slope(ground, 1.0).steepness("percent")
        areas = np.ones(SHAPE, np.int32)
        areas[:, 9:] = 2
        assert np.array_equal(found.class_cells[number], slope_classes(percent, areas, 2, BREAKS))
        assert found.flat_cells[number, 1] == ((percent < 2.0) & (areas == 2)).sum()
        rows, cols = flow_path(one, 1, 2)
        fall = one.filled[1, 2] - one.filled[rows[-1], cols[-1]]
        assert found.path_fall[number, 0] == pytest.approx(fall)
    known = np.isfinite(z)
    assert found.confidence[known] == pytest.approx(agrees[known] / 37)
    assert found.to_inlet[0][known] == pytest.approx(to_first[known] / 37)


def test_workers_and_stacks_do_not_change_the_answer(
    have_processors: Callable[[int], None],
) -> None:
    have_processors(3)
    z, grounds = hollows(), rough(37)
    one, many = ask(z, grounds), ask(z, grounds, workers=3)
    for name in ("confidence", "ponding", "to_inlet", "pond_depth", "catchment_peak", "path_steps"):
        assert np.array_equal(getattr(one, name), getattr(many, name), equal_nan=True)


def test_a_pond_is_matched_where_it_moves_and_missed_where_it_is_gone() -> None:
    z = hollows()
    moved, gone = np.roll(z, 1, axis=1), z.copy()
    moved[:, 0] = z[:, 0]
    gone[6:12, 9:15] = hollows(0.0)[6:12, 9:15]
    found = ask(z, np.stack([z, moved, gone]))
    assert found.pond_depth[:, 0] == pytest.approx(found.pond_depth[0, 0], abs=0.04)
    assert (found.pond_depth[:2, 1] > 0.05).all()
    assert (found.pond_depth[2, 1], found.pond_cells[2, 1]) == (0.0, 0.0)
    assert np.isnan(found.pond_level[2, 1])
    assert found.ponding[9, 12] == pytest.approx(2 / 3)


def test_falls_of_a_stack_are_those_of_each_ground() -> None:
    import shapely

    grid = Grid(0.0, 14.0, 1.0, *SHAPE)
    z = hollows()
    profiles = wall_profiles("shed", shapely.box(7, 6, 10, 9), z, grid)
    assert profiles is not None
    grounds = rough(3)
    found = profiles.fall_percent(grounds)
    assert found.shape == (3, len(profiles.foot))
    for one, ground in zip(found, grounds, strict=True):
        assert np.array_equal(one, profiles.fall_percent(ground), equal_nan=True)
