"""What is built follows its lines: a sag of a kerb goes on in the footway beside it, or fades."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rough_sites import FACTOR, Walked, crowned, make_site, walk_site

from geosite.terrain.surface.line_bends import line_bends
from geosite.terrain.surface.realisations import Lattice
from geosite.terrain.surface.roughness import Contrasts, Roughness
from geosite.terrain.uncertainty.rasters import RealisedRasters
from geosite.terrain.uncertainty.simulation import GroundDraws

ROUGH = Roughness((1e-2,), (5.0,), (1.0,))
NODES = Lattice(-10.0, -12.0, 0.5, 61, 51)


def kerbs(*lines: tuple[tuple[float, float], float, float], noise: float = 0.0) -> Contrasts:
    """Vertices that depart by so much, with 4 m of kerb on one side and 6 on the other."""
    places = np.zeros((len(lines), 4, 2))
    for k, (vertex, azimuth, _) in enumerate(lines):
        way = np.array([math.sin(azimuth), math.cos(azimuth)])
        places[k] = vertex + np.outer([0.0, -4.0, 6.0, -4.0], way)
    return Contrasts(
        departure=np.array([bend for _, _, bend in lines]),
        noise=np.full(len(lines), noise),
        places=places,
        shares=np.tile([0.6, 0.4, 0.0], (len(lines), 1)),
        points=np.array([[0, 1, 2, 1]] * len(lines)),
        on_breakline=np.ones(len(lines), np.bool_),
    )


def expected(vertex: tuple[float, float], azimuth: float) -> np.ndarray:
    """What is left of a bend of 1 at every node, by the sine and the cosine."""
    east, north = NODES.places()
    away, way = (
        np.hypot(east - vertex[0], north - vertex[1]),
        np.arctan2(east - vertex[0], north - vertex[1]),
    )
    along, across = away * np.cos(way - azimuth), away * np.sin(way - azimuth)
    length = np.where(along < 0, 4.0, 6.0)
    left = np.maximum(1 - np.abs(along) / length, 0) * np.exp(-((across / length) ** 2) / 2)
    return np.where(np.abs(across) > 2.5 * length, 0.0, left)


@pytest.mark.parametrize("azimuth", [0.0, 0.7, 2.9])
def test_a_bend_fades_along_to_the_next_vertices_and_across_as_a_bell(azimuth: float) -> None:
    at = (1.3, 2.1)
    told = line_bends(kerbs((at, azimuth, -0.07)), ROUGH, np.ones(3), NODES)
    np.testing.assert_allclose(told, -0.07 * expected(at, azimuth), atol=1e-12)
    assert told.min() < -0.06


def test_a_bend_goes_over_the_end_of_the_nodes() -> None:
    at = (14.0, -11.0)
    told = line_bends(kerbs((at, 0.4, 0.05)), ROUGH, np.ones(3), NODES)
    np.testing.assert_allclose(told, 0.05 * expected(at, 0.4), atol=1e-12)
    far = line_bends(kerbs(((90.0, 90.0), 0.4, 0.05)), ROUGH, np.ones(3), NODES)
    assert not far.any()


def test_of_lines_side_by_side_the_mean_counts() -> None:
    one, two = ((0.0, 0.0), 0.5, -0.10), ((0.1, 0.0), 0.5, -0.06)
    told = line_bends(kerbs(one, two), ROUGH, np.ones(3), NODES)
    left = expected(*one[:2]), expected(*two[:2])
    both = (-0.10 * left[0] - 0.06 * left[1]) / np.maximum(left[0] + left[1], 1.0)
    np.testing.assert_allclose(told, both, atol=1e-12)
    assert told.reshape(NODES.rows, NODES.cols)[24, 20] == pytest.approx(-0.08, abs=0.001)


def test_a_bend_counts_by_what_the_marks_do_not_explain() -> None:
    sure = kerbs(((0.0, 0.0), 0.0, 0.08))
    own = float(sure.variance(ROUGH, np.full(1, 2.0))[0])
    told = line_bends(
        kerbs(((0.0, 0.0), 0.0, 0.08), noise=math.sqrt(own)), ROUGH, np.full(3, 2.0), NODES
    )
    assert told == pytest.approx(line_bends(sure, ROUGH, np.full(3, 2.0), NODES) / 2)
    # ground that bends sharply there is no error of the mark
    sharp = replace(sure, noise=np.full(1, math.sqrt(own)), bend=np.full(1, math.sqrt(2 * own)))
    told = line_bends(sharp, ROUGH, np.full(3, 2.0), NODES)
    assert told == pytest.approx(line_bends(sure, ROUGH, np.full(3, 2.0), NODES) * 3 / 4)


def test_marks_off_the_lines_and_bends_finer_than_the_nodes_are_left_out() -> None:
    one = kerbs(((0.0, 0.0), 0.0, 0.08))
    assert not line_bends(
        replace(one, on_breakline=~one.on_breakline), ROUGH, np.ones(3), NODES
    ).any()
    coarse = replace(NODES, step=2.1)
    assert not line_bends(one, ROUGH, np.ones(3), coarse).any()
    assert line_bends(one, ROUGH, np.ones(3), replace(NODES, step=1.9)).any()


@pytest.fixture(scope="module")
def road(tmp_path_factory: pytest.TempPathFactory) -> Walked:
    return walked(0, tmp_path_factory.mktemp("walk"))


def walked(seed: int, folder: Path) -> Walked:
    def none(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return np.zeros(np.shape(east))

    more = "[drainage]\nconfidence_runs = 4\n"
    return walk_site(crowned(), seed, folder, rough=none, more=more)


def test_on_a_raster_and_at_places_the_ground_bends_alike(road: Walked) -> None:
    terrain = road.terrain
    ground = replace(terrain.ground, draws=4)
    assert ground.bends is not None
    row, col = np.nonzero(np.isfinite(terrain.surface.z))
    row, col = row[::97], col[::97]
    east, north = terrain.local.centres()
    stack = RealisedRasters(ground, terrain.local, terrain.surface.z).stack(range(4))
    at_places = ground.draws_at(np.column_stack([east[col], north[row]]))
    assert stack[:, row, col] == pytest.approx(at_places, abs=1e-9)


def test_a_bend_leaves_every_mark_where_it_is(
    road: Walked, monkeypatch: pytest.MonkeyPatch
) -> None:
    ground = replace(road.terrain.ground, draws=6)
    # the walked lines themselves, and all marks
    ends = ground.breaklines
    at = np.concatenate([ground.tin.points[:, :2], ends.mean(axis=1)])
    at = at[np.isfinite(ground.elevations_at(at))]
    bent = ground.draws_at(at)
    monkeypatch.setattr(GroundDraws, "bends", None)
    straight = replace(ground).draws_at(at)
    # but for what lies between two nodes of the lattice
    assert np.nanmax(np.abs(bent - straight)) < 0.004
    assert (ground.bends_go_on(range(200)) < 1).all()
    assert ground.bends_go_on(range(200)).mean() == pytest.approx(0.5, abs=0.06)
    assert np.array_equal(ground.bends_go_on(range(3, 5)), ground.bends_go_on(range(9))[3:5])


@pytest.mark.slow
def test_the_sag_of_a_kerb_is_found_again_in_the_footway(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # marks of the footway stand 3 m on either side of the sag: triangles bridge it by 36 mm
    sides = np.array([1.0, -1.0])
    beside = np.column_stack([[30.0, 30.0], 8.0 + 5.2 * sides])
    kerb = np.column_stack([[30.0, 30.0], 8.0 + 3.6 * sides])
    off: dict[bool, list[float]] = {False: [], True: []}
    for seed in range(4):
        found = walked(seed, tmp_path)
        frame = found.network.frame
        at = np.array(
            [
                frame.to_local(tuple(np.array(make_site.ORIGIN) + place * FACTOR))
                for place in np.concatenate([beside, kerb])
            ]
        )
        true = found.true_elevations(at)
        for bent in (True, False):
            with monkeypatch.context() as patched:
                if not bent:
                    patched.setattr(GroundDraws, "bends", None)
                drawn = replace(found.terrain.ground, draws=100).draws_at(at).mean(axis=0) - true
            off[bent] += (drawn[:2] - drawn[2:]).tolist()
    assert np.nanmean(off[False]) > 0.012
    assert abs(np.nanmean(off[True])) < 0.6 * np.nanmean(off[False])


def test_grounds_that_are_not_compared_have_no_bends(road: Walked) -> None:
    ground = road.terrain.ground
    assert replace(ground, compared=None).bends is None
    even = replace(
        ground,
        roughness=replace(
            ground.roughness, sills=(0.0,) * len(ground.roughness.sills), wide_sills=()
        ),
    )
    assert even.bends is None
