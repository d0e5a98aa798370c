"""Possible grounds agree with what the marks tell of each other."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rough_sites import plane_yard, walk_site

from geosite.network.covariance import covariance
from geosite.network.independent_marks import independent_marks
from geosite.network.model import LinearForm
from geosite.terrain.surface.roughness import Contrasts
from geosite.terrain.uncertainty import simulation
from geosite.terrain.uncertainty.conditioning import Conditions
from geosite.terrain.uncertainty.ground import Ground

DRAWS = "[drainage]\nconfidence_runs = 4\n"


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Ground:
    folder: Path = tmp_path_factory.mktemp("walk")
    found = walk_site(plane_yard(), 4, folder, more="[drainage]\nconfidence_runs = 4\n")
    return found.terrain.ground


@pytest.fixture(scope="module")
def ground(walked: Ground) -> Ground:
    ground = walked
    # one range and no tails: what is left is linear, and known in closed form
    known = replace(ground.roughness.parts()[1], degrees_of_freedom=math.inf)
    network = replace(
        ground.network, degrees_of_freedom=math.inf, vertical_degrees_of_freedom=math.inf
    )
    return replace(ground, network=network, roughness=known)


@pytest.mark.slow
def test_heights_of_marks_are_those_of_the_closed_form(ground: Ground) -> None:
    draws = 2000
    observed = ground.rows[ground.tin.owner]
    assert ground.compared is not None
    conditions = Conditions.of(ground.network, observed, ground.scale, ground.compared)
    assert conditions is not None
    zero, one = np.zeros(1), np.ones(1)
    at = conditions.touched
    own = covariance(ground.network, [LinearForm(observed[[p]], zero, zero, one) for p in at])
    apart = np.hypot(*(conditions.places[:, None] - conditions.places).transpose(2, 0, 1))
    scaled = conditions.along * ground.scale[at]
    missed = scaled @ ground.roughness.covariance(apart) @ scaled.T
    missed += conditions.noise + conditions.built @ conditions.built.T
    gain = np.linalg.solve(missed, conditions.pulls.T).T
    mean = -gain @ conditions.departure
    after = own - gain @ conditions.pulls.T
    drawn = np.concatenate(
        [ground.draw(range(k, k + 100))[0][:, at, 2] for k in range(0, draws, 100)]
    )
    sigma = np.sqrt(after.diagonal())
    assert np.abs(drawn.mean(axis=0) - mean).max() < 4.5 * sigma.max() / math.sqrt(draws)
    assert drawn.std(axis=0) == pytest.approx(sigma, rel=0.08)
    # the marks are better known together than each alone, and are moved
    assert np.median(sigma / np.sqrt(own.diagonal())) < 0.95
    assert np.abs(mean).max() > 0.003


@pytest.mark.slow
def test_grounds_are_nearer_the_truth_than_the_marks(tmp_path: Path) -> None:
    better = []
    for seed in range(4):
        walked = walk_site(plane_yard(), seed, tmp_path, more="[drainage]\nconfidence_runs = 2\n")
        ground = walked.terrain.ground
        at = ground.tin.points[:, :2]
        off = walked.true_elevations(at) - ground.tin.points[:, 2]
        moved = ground.draw(range(100))[0][:, :, 2].mean(axis=0)
        free = replace(ground, compared=None).draw(range(100))[0][:, :, 2].mean(axis=0)
        # differences between marks: what all share says nothing of the shape of the ground
        better.append(np.std(off - (moved - free)) / np.std(off))
    assert np.mean(better) < 0.97


@pytest.mark.slow
def test_a_mark_at_the_bottom_of_a_dish_is_not_taken_for_an_error(tmp_path: Path) -> None:
    def dish(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        # 12 cm deep, as wide as the marks are apart; but one mark of the lattice is in it
        return -0.12 * np.exp(-((east - at[0]) ** 2 + (north - at[1]) ** 2) / 2.5**2)

    stops = plane_yard().walks[0].stops
    middle = min(stops, key=lambda stop: math.hypot(stop.east - 17.0, stop.north - 15.0))
    at, off, before = (middle.east, middle.north), [], []
    for seed in range(5):
        walked = walk_site(plane_yard(), seed, tmp_path, rough=dish, more=DRAWS)
        ground = walked.terrain.ground
        compared = ground.compared
        assert compared is not None
        which = int(np.argmin(compared.departure))
        points = compared.points[which]
        along = np.append(1.0, -compared.shares[which])
        true = along @ walked.true_elevations(ground.tin.points[points, :2])
        for drawn, found in (
            (ground, off),
            (replace(ground, compared=replace(compared, bend=None)), before),
        ):
            moved = along @ drawn.draw(range(60))[0][:, points, 2].mean(axis=0)
            found.append(compared.departure[which] + moved - true)
    # of 12 cm hardly a tenth is put down to the errors of the marks
    assert abs(np.mean(off)) < 0.012
    assert np.mean(before) > np.mean(off) + 0.002


def test_without_comparisons_draws_are_those_of_the_network(ground: Ground) -> None:
    observed = ground.rows[ground.tin.owner]
    assert ground.compared is not None
    few = replace(ground.compared, departure=np.zeros(0))
    assert Conditions.of(ground.network, observed, ground.scale, few) is None


@pytest.mark.slow
def test_threads_that_draw_from_a_new_ground_at_once_get_what_one_alone_gets(
    walked: Ground, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert len(walked.roughness.parts()) > 1
    pairs = [range(k, k + 2) for k in range(0, 16, 2)]
    alone = [replace(walked).draw(pair)[0] for pair in pairs]
    new = replace(walked)
    second, inverted, inv = threading.Event(), [], np.linalg.inv

    def slow(a: np.ndarray) -> np.ndarray:
        inverted.append(len(a))
        if len(inverted) == 2:  # one range is solved, the others are not: let the other look
            second.set()
            time.sleep(0.3)
        found: np.ndarray = inv(a)
        return found

    def drawn(which: int) -> list[np.ndarray]:
        if which:
            assert second.wait(30)
        return [new.draw(pair)[0] for pair in pairs[which::2]]

    monkeypatch.setattr(np.linalg, "inv", slow)
    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(drawn, range(2)))
    for which in range(2):
        for a, b in zip(together[which], alone[which::2], strict=True):
            assert np.array_equal(a, b)
    # each range is solved once, whichever thread comes first
    assert len(inverted) == len(walked.roughness.parts())


@pytest.mark.slow
def test_of_a_large_ground_a_pair_is_drawn_once_for_threads_that_take_one_draw_each(
    walked: Ground, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = [replace(walked).draw(range(k, k + 1))[0] for k in range(24)]
    monkeypatch.setattr(simulation, "_MOST_KEPT", 0)
    new, drawn, draw = replace(walked), [], simulation.GroundDraws._draw

    def counted(self: simulation.GroundDraws, draws: range) -> tuple[np.ndarray, simulation.Rough]:
        drawn.append(draws.start)
        time.sleep(0.01)  # the other thread comes meanwhile
        return draw(self, draws)

    monkeypatch.setattr(simulation.GroundDraws, "_draw", counted)
    with ThreadPoolExecutor(2) as pool:
        for k in range(0, 24, 2):
            both = list(pool.map(lambda one: new.draw(range(one, one + 1))[0], (k, k + 1)))
            for a, b in zip(both, alone[k : k + 2], strict=True):
                assert np.array_equal(a, b)
    assert drawn == list(range(0, 24, 2))
    # no more than a few are held, and the first is drawn again
    assert np.array_equal(new.draw(range(1))[0], alone[0])
    assert drawn[-1] == 0
    assert len(new._drawn._kept) <= simulation._FEW_PAIRS


@pytest.mark.parametrize("processors", [1, 2, 3])
def test_draws_on_several_processors_are_those_of_one_and_each_is_made_once(
    walked: Ground,
    monkeypatch: pytest.MonkeyPatch,
    have_processors: Callable[[int], None],
    tmp_path: Path,
    processors: int,
) -> None:
    alone = replace(walked, draws=121).draw(range(121))
    have_processors(processors)
    new, draw = replace(walked, draws=121), simulation.GroundDraws._draw
    log = tmp_path / "drawn"

    def counted(self: simulation.GroundDraws, draws: range) -> tuple[np.ndarray, simulation.Rough]:
        with log.open("a") as file:  # copies of this process draw, too
            file.write(f"{draws.start}\n")
        return draw(self, draws)

    monkeypatch.setattr(simulation.GroundDraws, "_draw", counted)
    new._drawn.draw_all()
    errors, rough = new.draw(range(121))
    assert sorted(map(int, log.read_text().split())) == list(range(0, 121, 2))
    assert np.array_equal(errors, alone[0])
    assert np.array_equal(rough.surface, alone[1].surface)
    assert np.array_equal(rough.on_marks, alone[1].on_marks)


def test_what_neighbours_share_of_a_built_shape_fades_with_the_way_and_not_across_a_breakline() -> (
    None
):
    places = np.zeros((3, 4, 2))
    places[:, 0] = [(0.0, 0.0), (3.0, 4.0), (6.0, 8.0)]
    # corners of the triangles that predict: the nearest are 2, 3 and 7 m away
    places[:, 1:] = places[:, :1] + np.array([[20.0, 0.0], [0.0, 30.0], [-40.0, 0.0]])
    for mark, near in enumerate((2.0, 3.0, 7.0)):
        places[mark, 1] = places[mark, 0] + [near, 0.0]
    compared = Contrasts(
        departure=np.array([0.03, -0.04, 0.0]),
        noise=np.zeros(3),
        places=places,
        shares=np.full((3, 3), 1 / 3),
        points=np.arange(12).reshape(3, 4),
        on_breakline=np.array([False, False, True]),
        slope=np.zeros((3, 2)),
        bend=np.array([0.0, 0.1, 0.2]),
    )
    assert compared.nearest.tolist() == [2.0, 3.0, 7.0]
    # twice the root mean square; a bell twice as wide as the usual way of 3 m to the next mark
    own = 4 * (0.03**2 + 0.04**2) / 3
    apart = own * math.exp(-(5.0**2) / (2 * 6.0**2))
    expected = [[own, apart, 0.0], [apart, own + 0.1**2, 0.0], [0.0, 0.0, own + 0.2**2]]
    points = np.column_stack([places.reshape(12, 2), np.zeros(12)])
    network = independent_marks(points, sigma_up_m=0.01)
    conditions = Conditions.of(network, np.arange(12), np.ones(12), compared)
    assert conditions is not None
    root = conditions.built
    np.testing.assert_allclose(root @ root.T, expected, atol=1e-15)
