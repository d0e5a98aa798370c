"""A device whose heading strays: the closed form against every state written out.

The dense solution here knows nothing of knots and long legs: the place and heading of the path at
every observation, the turn of every leg, the place of every mark are unknowns of their own, solved
by Gauss-Newton with derivatives by complex steps (Squire & Trapp 1998,
doi:10.1137/S003614459631241X).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from dense_walks import ANCHORS, DEVICES, Dense, DenseHeights, start_of, survey
from device_walks import walked

from geosite.network.accuracy.ellipses import error_ellipses, relative_ellipses
from geosite.network.adjust import adjust
from geosite.network.covariance import (
    covariance,
    intervals,
    level_covariance,
    plan_covariance,
    sigma_horizontal,
    sigma_vertical,
    sigmas,
)
from geosite.network.model import LinearForm
from geosite.network.walk.device import device_of


@pytest.mark.slow
@pytest.mark.parametrize("anchor", ANCHORS)
@pytest.mark.parametrize("device", DEVICES)
def test_plan_equals_the_dense_solution(device: str, anchor: str) -> None:
    case = survey(DEVICES[device], anchor)
    network = adjust(case)
    scale = network.frame.combined_factor
    dense = Dense(case, device_of(case), network.variance_factor, scale, start_of(case, network))
    place, spread = dense.solved()
    n = len(case.book)
    origin = network.frame.to_map(network.en) - network.en
    assert network.en + origin - [500.0, 700.0] == pytest.approx(place, abs=1e-8)
    every = np.arange(n)
    i, j = (v.ravel() for v in np.meshgrid(every, every, indexing="ij"))
    found = plan_covariance(network, i, j).reshape(n, n, 2, 2).transpose(2, 0, 3, 1)
    largest = np.abs(spread).max()
    assert found.reshape(2 * n, 2 * n) == pytest.approx(spread, abs=1e-9 * largest)

    rng = np.random.default_rng(1)
    forms, tables = [], []
    for count in (1, 3, 40):
        rows, east, north = rng.integers(0, n, count), *rng.normal(size=(2, count))
        forms.append(LinearForm(rows, east, north, np.zeros(count)))
        table = np.zeros(2 * n)
        np.add.at(table, rows, east)
        np.add.at(table, n + rows, north)
        tables.append(table)
    expected = np.array(tables) @ spread @ np.array(tables).T
    assert covariance(network, forms) == pytest.approx(expected, rel=1e-8)
    assert sigmas(network, forms) == pytest.approx(np.sqrt(np.diag(expected)), rel=1e-8)
    factor = network.interval_factor
    assert intervals(network, forms) == pytest.approx(factor * sigmas(network, forms))
    own = np.diag(spread)
    assert sigma_horizontal(network) == pytest.approx(np.sqrt((own[:n] + own[n:]) / 2), rel=1e-8)
    major, minor, _ = error_ellipses(network)
    assert major**2 + minor**2 == pytest.approx(own[:n] + own[n:], rel=1e-8)
    order = np.argsort(case.book.run, kind="stable")
    a, b = order[:-1], order[1:]
    major, minor, _ = relative_ellipses(network, a, b)
    apart = np.zeros(n - 1)
    for k in (0, n):
        apart += own[k + a] + own[k + b] - 2 * spread[k + a, k + b]
    assert major**2 + minor**2 == pytest.approx(apart, rel=1e-8)


@pytest.mark.parametrize("device", DEVICES)
def test_heights_equal_the_dense_solution(device: str) -> None:
    case = survey(DEVICES[device], "two marks with sigma")
    network = adjust(case)
    scale, n = network.frame.combined_factor, len(case.book)
    heights = DenseHeights(case, device_of(case), network.vertical_variance_factor, scale)
    found, spread, mark = *heights.solved(), heights.mark
    assert network.elevation == pytest.approx(found[mark], abs=1e-9)
    every = np.arange(n)
    i, j = (v.ravel() for v in np.meshgrid(every, every, indexing="ij"))
    pairs = level_covariance(network, i, j).reshape(n, n)
    expected = spread[np.ix_(mark, mark)]
    assert pairs == pytest.approx(expected, abs=1e-9 * np.abs(expected).max())
    assert sigma_vertical(network) == pytest.approx(np.sqrt(np.diag(expected)), rel=1e-8)
    rng = np.random.default_rng(1)
    rows, up = rng.integers(0, n, 30), rng.normal(size=30)
    form = LinearForm(rows, np.zeros(30), np.zeros(30), up)
    weights = np.zeros(n)
    np.add.at(weights, rows, up)
    assert sigmas(network, [form]) == pytest.approx(math.sqrt(weights @ expected @ weights))
    assert covariance(network, [form, form]) == pytest.approx(weights @ expected @ weights)


@pytest.mark.parametrize("closed", [False, True])
def test_a_walk_far_off_settles(closed: bool) -> None:
    # 2 km of an unknown device: of the first of these the likeliest way was found one step behind
    # the places, and every further step was turned down
    walk = walked(200.0, 200_058, closed=closed)
    network = adjust(walk.notes)
    off = network.frame.to_map(network.en) - np.array([500.0, 700.0]) - walk.truth[:, :2]
    assert (np.abs(off) < 3 * sigma_horizontal(network)[:, None] + 1e-6).mean() > 0.9
