"""What the marks leave open of the triangles has another share on each possible ground."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rough_sites import RoughSite, Walked, crowned, landing, walk_site

from geosite.terrain.surface.left_open import LeftOpen, OpenPlaces
from geosite.terrain.surface.tin import barycentric, locate_points, triangulate
from geosite.terrain.uncertainty.rasters import RealisedRasters


def test_every_share_is_as_likely_and_each_shape_has_its_own() -> None:
    one = OpenPlaces(np.array([4, 4, 7]), np.array([0, 1, 1]), np.array([0.1, -0.2, 0.3]), 2)
    off = np.array([one.drawn(1, draw) for draw in range(2000)])
    share = off / one.off
    assert share.min() >= 0
    assert share.max() < 1
    assert share.mean(axis=0) == pytest.approx(0.5, abs=0.03)
    assert share.std(axis=0) == pytest.approx(12**-0.5, abs=0.02)
    assert share[:, 1] == pytest.approx(share[:, 2])
    assert abs(np.corrcoef(share[:, :2].T)[0, 1]) < 0.08
    assert np.array_equal(one.drawn(1, 3), one.drawn(1, 3))
    assert not np.array_equal(one.drawn(1, 3), one.drawn(2, 3))
    nothing = OpenPlaces(one.place[:0], one.shape[:0], one.off[:0], 2)
    assert not len(nothing.drawn(1, 0))


def test_steps_and_diagonals_are_shapes_of_their_own() -> None:
    kerb = [np.array([(-8.0, n, up), (0.0, n, up)]) for n, up in ((0.0, 0.0), (0.2, 0.12))]
    around = [(e, n, 0.12 * (n > 0)) for e in (-9.0, 5.0) for n in (-6.0, 6.0)]
    crown = [(e, 0.0, 0.1) for e in (88.0, 96.0, 104.0, 112.0)]
    feet = [(e, n, 0.0) for e in (92.0, 100.0, 108.0) for n in (-3.0, 3.0)]
    tin = triangulate(np.concatenate([*kerb, around, crown, feet]), kerb)
    found = LeftOpen.of(tin)
    steps, pairs = len(found.steps), len(found.diagonals.twist)
    at = np.array([(100.0, 1.0), (99.0, 1.0), (101.0, 0.5), (3.0, 0.21)])
    triangle = locate_points(tin, at)
    told = found.at(at, triangle, barycentric(tin, triangle, at))
    assert told.shapes == steps + pairs
    by_place = dict(zip(told.place.tolist(), told.shape.tolist(), strict=True))
    assert set(by_place) == {0, 1, 2, 3}
    assert by_place[0] == steps + found.diagonals.quad[triangle[0]]
    assert found.steps[by_place[3]].ahead[0] > 0


def walked(site: RoughSite, folder: Path) -> Walked:
    def none(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return np.zeros(np.shape(east))

    return walk_site(site, 0, folder, rough=none, more="[drainage]\nconfidence_runs = 4\n")


@pytest.mark.slow
@pytest.mark.parametrize("site", [landing(), crowned()], ids=lambda site: site.name)
def test_on_a_raster_and_at_places_the_ground_is_the_same(site: RoughSite, tmp_path: Path) -> None:
    terrain = walked(site, tmp_path).terrain
    ground = replace(terrain.ground, draws=4)
    row, col = np.nonzero(np.isfinite(terrain.surface.z))
    row, col = row[::17], col[::17]
    east, north = terrain.local.centres()
    places = np.column_stack([east[col], north[row]])
    at_places = ground.draws_at(places)
    rasters = RealisedRasters(ground, terrain.local, terrain.surface.z)
    assert rasters.stack(range(4))[:, row, col] == pytest.approx(at_places, abs=1e-9)
    # the marks do not move by it, and what lies in no such triangle neither
    plain = replace(ground)
    plain.__dict__["left_open"] = LeftOpen.nothing(ground.tin)
    moved = np.abs(at_places - plain.draws_at(places)).max(axis=0)
    assert 0.02 < moved.max() < 0.12
    assert 10 < (moved > 0.005).sum() < len(row) / 4
    marks = ground.tin.points[:, :2]
    marks = marks[np.isfinite(ground.elevations_at(marks))]
    assert ground.draws_at(marks) == pytest.approx(plain.draws_at(marks), abs=1e-9)
    assert len(ground.left_open.diagonals.twist)
    assert bool(ground.left_open.steps) == (site.name == "landing")


@pytest.mark.slow
def test_where_nothing_is_told_between_marks_nothing_is_open(tmp_path: Path) -> None:
    ground = walked(crowned(), tmp_path).terrain.ground
    even = replace(ground.roughness, sills=(0.0,) * len(ground.roughness.sills), wide_sills=())
    assert replace(ground, roughness=even).left_open.steps == ()
    assert not len(replace(ground, roughness=even).left_open.diagonals.twist)
