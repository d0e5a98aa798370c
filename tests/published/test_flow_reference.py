"""D-infinity against published facets, an independent implementation's value, and planes."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain.water.d_infinity import (
    accumulate_proportions,
    facet_slope,
    flow_proportions,
    steepest_facets,
)
from geosite.terrain.water.drainage import drain


# Tarboton (1997), equations 1 to 5; hand values quoted from the tests of a BSD-licensed
# implementation: e0, e1, e2, d1, d2 -> r, s
@pytest.mark.parametrize(
    ("given", "turn", "fall"),
    [
        ((10.0, 8.0, 6.0, 2.0, 3.0), 0.588002603547568, 1.201850425154663),
        ((10.0, 9.0, 10.0, 2.0, 3.0), 0.0, 0.5),
        ((10.0, 6.0, -3.0, 2.0, 3.0), np.arctan2(3.0, 2.0), np.sqrt(13.0)),
        ((0.0, 0.0, 0.0, 2.0, 3.0), 0.0, 0.0),
        ((-10.0, -8.0, -6.0, 2.0, 3.0), 0.0, -1.0),
    ],
)
def test_published_facets(given: tuple[float, ...], turn: float, fall: float) -> None:
    got_turn, got_fall = facet_slope(*given)
    assert got_turn == pytest.approx(turn, abs=1e-14)
    assert got_fall == pytest.approx(fall, abs=1e-14)


def test_teaching_window() -> None:
    # the window of a widely quoted slope example; own value, confirmed by another library's
    # D-infinity: 4.612720328 rad counter-clockwise from east, slope 4.019950248
    window = np.array([[50.0, 45.0, 50.0], [30.0, 30.0, 30.0], [8.0, 10.0, 10.0]])
    number, fall = steepest_facets(window)
    assert fall[1, 1] / 5.0 == pytest.approx(4.019950248, abs=1e-9)
    azimuth = drain(window, 5.0, method="d-infinity").azimuth_deg[1, 1]
    assert number[1, 1] == 4
    from_east = np.radians(90.0 - azimuth) % (2.0 * np.pi)
    assert from_east == pytest.approx(4.612720328, abs=1e-9)
    # the same facet by its gradient: 20 down to the south, 2 down from south to south-west
    assert azimuth == pytest.approx(180.0 + np.degrees(np.arctan2(2.0, 20.0)), abs=1e-12)


@pytest.mark.parametrize(
    "azimuth", [0.0, 17.5, 30.0, 45.0, 100.0, 135.0, 200.0, 225.0, 270.0, 333.3, 359.9]
)
def test_planes_of_any_azimuth_are_exact(azimuth: float) -> None:
    r, c = np.mgrid[:9, :11]
    turn = np.radians(azimuth)
    z = 50.0 - 0.1 * (np.sin(turn) * c - np.cos(turn) * r)
    free, eight = drain(z, 1.0, method="d-infinity"), drain(z, 1.0)
    inner = np.s_[1:-1, 1:-1]
    error = (free.azimuth_deg[inner] - azimuth + 180.0) % 360.0 - 180.0
    assert np.abs(error).max() < 1e-9
    # d8 takes the nearest of its eight ways
    error = (eight.azimuth_deg[inner] - azimuth + 180.0) % 360.0 - 180.0
    assert np.abs(error).max() <= 22.5


def test_shares_of_a_plane_by_hand() -> None:
    # Straight between south and south-east at atan(1/2): 0.590334 of the water goes diagonally.
    # A cell of the second row keeps its own and gets 0.409666 and 0.590334 of a whole one.
    r, c = np.mgrid[:4, :6]
    z = 100.0 - 2.0 * r - 1.0 * c
    got = drain(z, 1.0, method="d-infinity").contributing_cells
    diagonal = np.arctan(0.5) / (np.pi / 4.0)
    assert diagonal == pytest.approx(0.590334, abs=1e-6)
    # the cells at the north edge know the facets to the south, so all of them share
    np.testing.assert_allclose(got[1, 1:5], 2.0, atol=1e-12)
    assert got[1, 0] == pytest.approx(2.0 - diagonal, abs=1e-12)


def upslope_by_recursion(first: np.ndarray, second: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Tarboton's recursive definition: own cell plus the shares of all that drain here."""
    steps = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]
    feeders: dict[tuple[int, int], list[tuple[tuple[int, int], float]]] = {}
    for r, c in np.ndindex(first.shape):
        for way, share_of in ((first[r, c], 1.0 - part[r, c]), (second[r, c], part[r, c])):
            if way < 8 and share_of > 0.0:
                to = (r + steps[way][0], c + steps[way][1])
                feeders.setdefault(to, []).append(((r, c), float(share_of)))
    known: dict[tuple[int, int], float] = {}

    def area(cell: tuple[int, int]) -> float:
        if cell not in known:
            known[cell] = 1.0 + sum(area(up) * part_ for up, part_ in feeders.get(cell, []))
        return known[cell]

    return np.array([[area((r, c)) for c in range(first.shape[1])] for r in range(len(first))])


def test_shares_add_up_as_the_recursive_definition_says() -> None:
    r, c = np.mgrid[:17, :21]
    z = 0.9 * r + 0.4 * c + np.random.default_rng(2).normal(size=(17, 21))
    eight = drain(z, 1.0)
    shares = flow_proportions(z, eight.filled, eight.direction)
    expected = upslope_by_recursion(shares.first, shares.second, shares.to_second)
    np.testing.assert_allclose(accumulate_proportions(shares), expected, rtol=1e-12)
    assert (shares.to_second > 0).sum() > 60
