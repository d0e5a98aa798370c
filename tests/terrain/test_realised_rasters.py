"""The stochastic ground on a raster: the same model as at single places."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rough_sites import landing, plane_yard, walk_site

from geosite.network.control.model import CommonShift
from geosite.terrain.site import Terrain
from geosite.terrain.uncertainty.rasters import RealisedRasters, elevation_sigma


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Terrain:
    folder: Path = tmp_path_factory.mktemp("walk")
    return walk_site(plane_yard(), 4, folder, more="[drainage]\nconfidence_runs = 4\n").terrain


def some_cells(terrain: Terrain) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    row, col = np.nonzero(np.isfinite(terrain.surface.z))
    chosen = np.random.default_rng(0).choice(len(row), 60, replace=False)
    east, north = terrain.local.centres()
    row, col = row[chosen], col[chosen]
    return row, col, np.column_stack([east[col], north[row]])


def test_sigma_of_a_cell_is_that_of_its_centre(terrain: Terrain) -> None:
    row, col, places = some_cells(terrain)
    whole, relative = elevation_sigma(terrain.ground, terrain.local, terrain.surface.z)
    at_places = np.sqrt(np.diagonal(terrain.ground.covariance_at(places)))
    # errors in plan are those of the mean of the three corners: a few parts in a thousand
    assert whole[row, col] == pytest.approx(at_places, rel=0.01)
    assert (relative <= whole + 1e-12)[np.isfinite(whole)].all()
    assert np.array_equal(np.isnan(whole), np.isnan(terrain.surface.z))
    # triangles meet their marks: nothing of a plane that does not is added to the site's own
    assert terrain.sigma[row, col] == pytest.approx(whole[row, col], rel=1e-9)


def test_what_moves_the_whole_survey_moves_each_cell_and_none_against_its_surroundings(
    terrain: Terrain,
) -> None:
    row, col, places = some_cells(terrain)
    still = elevation_sigma(terrain.ground, terrain.local, terrain.surface.z)
    shift = CommonShift(0.3, 0.2, "from somewhere")
    moved = replace(terrain.ground, network=replace(terrain.ground.network, shift=shift))
    whole, relative = elevation_sigma(moved, terrain.local, terrain.surface.z)
    at_places = np.sqrt(np.diagonal(moved.covariance_at(places)))
    assert whole[row, col] == pytest.approx(at_places, rel=0.01)
    assert whole[row, col].min() > 0.2
    assert relative[row, col] == pytest.approx(still[1][row, col], rel=1e-6)


def test_what_a_surface_misses_its_marks_by_is_added_to_both_sigmas_as_a_variance(
    terrain: Terrain,
) -> None:
    row, col, _ = some_cells(terrain)
    exact = elevation_sigma(terrain.ground, terrain.local, terrain.surface.z)
    loose = elevation_sigma(terrain.ground, terrain.local, terrain.surface.z, lack_of_fit=0.3)
    for with_it, without in zip(loose, exact, strict=True):
        # where the corners share more than a place has, nothing was left before
        some = without[row, col] > 0
        assert some.sum() > 50
        expected = np.hypot(without[row, col][some], 0.3)
        assert with_it[row, col][some] == pytest.approx(expected, rel=1e-9)


def test_rasters_are_the_grounds_of_single_places(terrain: Terrain) -> None:
    row, col, places = some_cells(terrain)
    ground = replace(terrain.ground, draws=5)
    stack = RealisedRasters(ground, terrain.local, terrain.surface.z).stack(range(5))
    assert stack[:, row, col] == pytest.approx(ground.draws_at(places), abs=1e-9)
    again = RealisedRasters(ground, terrain.local, terrain.surface.z).stack(range(2, 4))
    assert np.array_equal(stack[2:4], again, equal_nan=True)


def test_kept_grounds_are_those_drawn_anew(terrain: Terrain) -> None:
    ground = replace(terrain.ground, draws=5)
    rasters = RealisedRasters(ground, terrain.local, terrain.surface.z)
    few = rasters.stack(range(1, 3)).copy()
    all_five = rasters.stack(range(5))
    assert np.array_equal(all_five[1:3], few, equal_nan=True)
    assert np.array_equal(rasters.stack(range(1, 3)), few, equal_nan=True)
    beyond = rasters.stack(range(4, 6))  # numbers that no question asks are drawn as well
    assert np.array_equal(beyond[0], all_five[4], equal_nan=True)
    assert not np.array_equal(beyond[1], beyond[0], equal_nan=True)
    with pytest.raises(ValueError, match="read-only"):
        all_five += 1.0


@pytest.mark.slow
def test_rasters_spread_as_the_sigma_says(tmp_path: Path) -> None:
    terrain = walk_site(landing(), 1, tmp_path, more="[drainage]\nconfidence_runs = 4\n").terrain
    known = replace(terrain.ground.roughness, degrees_of_freedom=math.inf)
    network = replace(
        terrain.ground.network,
        degrees_of_freedom=math.inf,
        vertical_degrees_of_freedom=math.inf,
    )
    ground = replace(terrain.ground, network=network, roughness=known, compared=None)
    rasters = RealisedRasters(ground, terrain.local, terrain.surface.z)
    stack = np.concatenate([rasters.stack(range(k, k + 20)) for k in range(0, 400, 20)])
    whole, _ = elevation_sigma(ground, terrain.local, terrain.surface.z)
    ratio = (stack.std(axis=0) / whole)[np.isfinite(whole)]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.06)
    assert np.quantile(ratio, [0.02, 0.98]) == pytest.approx([1.0, 1.0], abs=0.2)
