"""Water shared between two cells: facets and shares cell by cell, with walls and holes."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain.water import d_infinity as facets
from geosite.terrain.water.d_infinity import (
    accumulate_proportions,
    facet_slope,
    flow_proportions,
    steepest_facets,
)
from geosite.terrain.water.descent import NODATA, OUTFLOW
from geosite.terrain.water.drainage import drain

STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]


def ground(seed: int) -> tuple[np.ndarray, np.ndarray | None]:
    rng = np.random.default_rng(seed)
    shape = tuple(rng.integers(1, 10, 2))
    r, c = np.mgrid[: shape[0], : shape[1]]
    # smooth enough that most facets lean between their two ways; steps make ties
    z = 0.7 * r - 0.4 * c + rng.normal(0.0, 0.5, shape)
    if seed % 4 == 1:
        z = np.round(z)
    if seed % 3 == 0:
        z[rng.random(shape) < 0.15] = np.nan
    if seed % 2:
        return z, None
    walls = np.zeros(shape, dtype=np.uint8)
    for i, j, k in np.ndindex(*shape, 4):
        if rng.random() < 0.15:
            walls[i, j] |= 1 << k
            to = i + STEPS[k][0], j + STEPS[k][1]
            if 0 <= to[0] < shape[0] and 0 <= to[1] < shape[1]:
                walls[to] |= 1 << k + 4
    return z, walls


def height(z: np.ndarray, walls: np.ndarray | None, r: int, c: int, k: int) -> float:
    """Elevation that way, infinite where no way leads there."""
    i, j = r + STEPS[k][0], c + STEPS[k][1]
    is_in = 0 <= i < z.shape[0] and 0 <= j < z.shape[1]
    if not is_in or (walls is not None and walls[r, c] >> k & 1) or np.isnan(z[i, j]):
        return np.inf
    return float(z[i, j])


def steepest(z: np.ndarray, walls: np.ndarray | None, r: int, c: int) -> tuple[int, float, float]:
    """Number, fall and turn from the direct way of the steepest facet; 255 without one."""
    best, chosen, angle = 0.0, 255, 0.0
    for k in range(8):
        direct, diagonal = (k, k + 1) if k % 2 == 0 else ((k + 1) % 8, k)
        e0, e1, e2 = float(z[r, c]), *(height(z, walls, r, c, w) for w in (direct, diagonal))
        if np.isinf(e1):
            turn, fall = np.pi / 4, (e0 - e2) / 2.0**0.5
        elif np.isinf(e2):
            turn, fall = 0.0, e0 - e1
        else:
            turn, fall = (float(value) for value in facet_slope(e0, e1, e2, 1.0, 1.0))
        if fall > best + 1e-12:
            best, chosen, angle = fall, k, turn
    return chosen, best, angle


@pytest.mark.parametrize("seed", range(24))
def test_shares_are_those_of_the_steepest_facet(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(facets, "_BAND", 25)
    z, walls = ground(seed)
    number, fall = steepest_facets(z, walls)
    drained = drain(z, 1.0, walls=walls)
    water = drained.filled
    got = flow_proportions(z, water, drained.direction, walls)
    for r, c in np.ndindex(*z.shape):
        if np.isnan(z[r, c]):
            assert (number[r, c], fall[r, c], got.first[r, c]) == (255, 0.0, NODATA)
            continue
        k, steep, angle = steepest(z, walls, r, c)
        assert number[r, c] == k
        assert fall[r, c] == pytest.approx(steep, abs=1e-12)
        expected = (int(drained.direction[r, c]), 0.0, np.nan)
        if k < 8 and drained.direction[r, c] < OUTFLOW and water[r, c] == z[r, c]:
            direct, diagonal = (k, k + 1) if k % 2 == 0 else ((k + 1) % 8, k)
            part = angle / (np.pi / 4)
            takers = [w for w, s in ((direct, 1.0 - part), (diagonal, part)) if s > 0.0]
            to = [(r + STEPS[w][0], c + STEPS[w][1]) for w in takers]
            if all(water[at] < water[r, c] for at in to):
                sense = 1.0 if diagonal == (direct + 1) % 8 else -1.0
                turn = (direct * 45.0 + sense * np.degrees(angle)) % 360.0
                expected = (takers[0], part if len(takers) == 2 else 0.0, turn)
                if len(takers) == 2:
                    assert got.second[r, c] == diagonal
        assert got.first[r, c] == expected[0]
        assert got.to_second[r, c] == pytest.approx(expected[1], abs=1e-12)
        assert got.azimuth_deg[r, c] == pytest.approx(expected[2], abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("seed", range(12))
def test_each_cell_hands_on_what_it_gets(seed: int) -> None:
    z, walls = ground(seed)
    drained = drain(z, 1.0, walls=walls)
    shares = flow_proportions(z, drained.filled, drained.direction, walls)
    passing = accumulate_proportions(shares)
    expected = np.isfinite(z).astype(float)
    for r, c in np.ndindex(*z.shape):
        for way, part in (
            (shares.first[r, c], 1.0 - shares.to_second[r, c]),
            (shares.second[r, c], shares.to_second[r, c]),
        ):
            if way < OUTFLOW and part > 0.0:
                expected[r + STEPS[way][0], c + STEPS[way][1]] += part * passing[r, c]
    np.testing.assert_allclose(passing, expected, rtol=1e-12)
