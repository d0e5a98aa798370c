"""What holds for the drainage of any surface."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from geosite.terrain.slope import slope
from geosite.terrain.water.drainage import OUTFLOW, drain


@st.composite
def surfaces(draw: st.DrawFn, distinct: bool = False) -> np.ndarray:
    rows, cols = draw(st.integers(1, 14)), draw(st.integers(1, 14))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    if distinct:
        # primes as steps: no two ways down are equally steep, straight or diagonal
        z = rng.permutation(rows * cols).reshape(rows, cols) * 7.0 + rng.random((rows, cols))
    else:
        z = rng.integers(0, draw(st.integers(1, 12)), (rows, cols)).astype(np.float64)
    z[rng.random(z.shape) < draw(st.sampled_from([0.0, 0.1, 0.4]))] = np.nan
    return z


def edge_of(z: np.ndarray) -> np.ndarray:
    known = np.pad(np.isfinite(z), 1)
    ring = [known[r : r + z.shape[0], c : c + z.shape[1]] for r in range(3) for c in range(3)]
    return np.isfinite(z) & ~np.logical_and.reduce(ring)


@settings(max_examples=80, deadline=None)
@given(surfaces())
def test_filling(z: np.ndarray) -> None:
    known = np.isfinite(z)
    got = drain(z, 1.0)
    assert (got.filled[known] >= z[known]).all()
    assert np.array_equal(np.isnan(got.filled), ~known)
    assert np.array_equal(got.filled[edge_of(z)], z[edge_of(z)])
    again = drain(got.filled, 1.0)
    assert np.array_equal(again.filled, got.filled, equal_nan=True)
    # never uphill over the filled surface
    flat = got.filled.ravel()
    cell = np.flatnonzero(known.ravel())
    assert (flat[got.receiver.ravel()[cell]] <= flat[cell]).all()


@settings(max_examples=80, deadline=None)
@given(surfaces(), st.integers(1, 3))
def test_filling_turns_with_the_surface(z: np.ndarray, turns: int) -> None:
    got = drain(np.rot90(z, turns), 1.0)
    assert np.array_equal(got.filled, np.rot90(drain(z, 1.0).filled, turns), equal_nan=True)


@settings(max_examples=80, deadline=None)
@given(surfaces(distinct=True), st.integers(1, 3))
def test_directions_turn_with_the_surface(z: np.ndarray, turns: int) -> None:
    plain, turned = drain(z, 1.0), drain(np.rot90(z, turns), 1.0)
    assert np.array_equal(turned.contributing_cells, np.rot90(plain.contributing_cells, turns))
    # np.rot90 turns against the clock, and azimuths run with it
    moves = np.rot90(plain.direction < OUTFLOW, turns)
    expected = (np.rot90(plain.azimuth_deg, turns) - 90.0 * turns) % 360.0
    assert np.array_equal(turned.azimuth_deg[moves], expected[moves])


@settings(max_examples=60, deadline=None)
@given(surfaces(), st.integers(1, 3))
def test_slope_turns_with_the_surface(z: np.ndarray, turns: int) -> None:
    plain, turned = slope(z, 2.0), slope(np.rot90(z, turns), 2.0)
    np.testing.assert_allclose(turned.steepness(), np.rot90(plain.steepness(), turns), atol=1e-9)
    aspect = np.rot90(plain.aspect(), turns)
    has_aspect = aspect >= 0
    np.testing.assert_allclose(
        np.cos(np.radians(turned.aspect()[has_aspect] - aspect[has_aspect] + 90.0 * turns)),
        1.0,
        atol=1e-9,
    )
