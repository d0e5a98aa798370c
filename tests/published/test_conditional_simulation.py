"""Draws that agree with data, against the worked kriging example of a textbook.

Isaaks, E.H. & Srivastava, R.M. (1989), An Introduction to Applied Geostatistics, Oxford University
Press, chapter 12: seven samples of the Walker Lake set, covariance ``10 exp(-0.3 h)``, ordinary
kriging of the place (65, 137). Values from memory; the equations below give the printed weights.
"""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain.surface import roughness
from geosite.terrain.surface.realisations import Lattice, draw_rough
from geosite.terrain.surface.roughness import Roughness
from geosite.terrain.uncertainty.conditioning import Conditions

PLACES = np.array(
    [(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], float
)
VALUES = np.array([477.0, 696.0, 227.0, 646.0, 606.0, 791.0, 783.0])
WEIGHTS = [0.173, 0.318, 0.129, 0.086, 0.151, 0.057, 0.086]
ESTIMATE, VARIANCE = 592.7, 8.96
HERE = (65.0, 137.0)
DRAWS = 4000

UNKNOWN_MEAN = 1000.0
"""Variance of the mean in the draws: so large that it is as good as unknown."""


SILL = 10.0


def correlation(distance: np.ndarray, range_m: float) -> np.ndarray:
    """Return the example's covariance over its sill, with a mean that is not known."""
    return UNKNOWN_MEAN / SILL + np.exp(-0.3 * np.asarray(distance))


def test_the_equations_give_the_printed_weights() -> None:
    apart = np.hypot(*(PLACES[:, None] - PLACES).transpose(2, 0, 1))
    away = np.hypot(*(PLACES - HERE).T)
    one = np.ones((7, 1))
    matrix = np.block([[10 * np.exp(-0.3 * apart), one], [one.T, np.zeros((1, 1))]])
    right = np.append(10 * np.exp(-0.3 * away), 1.0)
    solved = np.linalg.solve(matrix, right)
    assert solved[:7] == pytest.approx(WEIGHTS, abs=0.0006)
    assert solved[:7] @ VALUES == pytest.approx(ESTIMATE, abs=0.06)
    assert 10.0 - solved @ right == pytest.approx(VARIANCE, abs=0.006)


@pytest.fixture(scope="module")
def drawn() -> tuple[Lattice, np.ndarray]:
    rough = Roughness((SILL,), (10.0,), (1.0,))
    # every sample and the place that is asked for are nodes
    lattice = Lattice(55.0, 122.0, 1.0, 26, 26)
    conditions = Conditions(
        departure=VALUES - 600.0,
        touched=np.arange(7),
        along=np.eye(7),
        slope=np.zeros((7, 2)),
        pulls=np.zeros((7, 7)),
        noise=np.zeros((7, 7)),
        scale=np.ones(7),
        places=PLACES,
        built=np.zeros((7, 7)),
    )
    with pytest.MonkeyPatch.context() as patch:
        # the example's covariance in the place of the surface's own, which is smoother
        patch.setattr(roughness, "rough_correlation", correlation)
        draws = draw_rough(rough, lattice, 1, range(DRAWS))
        node, share = lattice.weights(PLACES)
        on_marks = (draws.nodes[:, node] * share).sum(axis=2)
        still = np.zeros((DRAWS, 7, 3))
        errors, nodes = conditions.agree(still, draws, on_marks, rough, np.zeros((DRAWS, 7)))
        assert np.array_equal(errors, still)
    return lattice, nodes + 600.0


def at(drawn: tuple[Lattice, np.ndarray], places: np.ndarray) -> np.ndarray:
    lattice, nodes = drawn
    node, share = lattice.weights(places)
    return (nodes[:, node] * share).sum(axis=2)


def test_draws_honour_the_samples(drawn: tuple[Lattice, np.ndarray]) -> None:
    assert np.abs(at(drawn, PLACES) - VALUES).max() < 0.05


def test_draws_have_the_mean_and_the_variance_of_the_example(
    drawn: tuple[Lattice, np.ndarray],
) -> None:
    here = at(drawn, np.array([HERE]))[:, 0]
    assert here.mean() == pytest.approx(ESTIMATE, abs=4 * np.sqrt(VARIANCE / DRAWS) + 0.6)
    assert here.var() == pytest.approx(VARIANCE, rel=0.1)


def test_draws_honour_the_variogram_between_places(drawn: tuple[Lattice, np.ndarray]) -> None:
    pair = np.array([HERE, (66.0, 137.0), (68.0, 134.0)])
    samples = np.hypot(*(PLACES[:, None] - PLACES).transpose(2, 0, 1))
    matrix = 10 * np.exp(-0.3 * samples) + UNKNOWN_MEAN
    cross = 10 * np.exp(-0.3 * np.hypot(*(pair[:, None] - PLACES).transpose(2, 0, 1)))
    cross += UNKNOWN_MEAN
    own = 10 * np.exp(-0.3 * np.hypot(*(pair[:, None] - pair).transpose(2, 0, 1))) + UNKNOWN_MEAN
    expected = own - cross @ np.linalg.solve(matrix, cross.T)
    assert np.cov(at(drawn, pair).T) == pytest.approx(expected, abs=1.2)
