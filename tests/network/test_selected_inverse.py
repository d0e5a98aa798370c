"""Entries of the inverse of sparse equations: equal to those of the dense inverse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from device_walks import walked as walked_yard
from network_cases import notes
from scipy import sparse

import geosite.network.equations.normal as solve
from geosite.fieldbook.model import Notes
from geosite.network.adjust import adjust
from geosite.network.covariance import (
    covariance,
    level_covariance,
    plan_covariance,
    sigma_horizontal,
    sigmas,
)
from geosite.network.equations.normal import Equations, Posterior
from geosite.network.equations.selected_inverse import Selected
from geosite.network.model import LinearForm
from geosite.network.walk.device import CLASSES


def equations(seed: int, size: int = 60) -> np.ndarray:
    """Return a chain with some chords and one unknown that meets all others."""
    rng = np.random.default_rng(seed)
    matrix = np.zeros((size, size))
    chords = [(int(a), int(b)) for a, b in rng.integers(0, size, (15, 2))]
    for a, b in [*zip(range(size - 1), range(1, size), strict=True), *chords]:
        row = np.zeros(size)
        row[a], row[b], row[-1] = rng.normal(size=3)
        matrix += np.outer(row, row)
    return matrix + np.diag(rng.uniform(0.1, 1.0, size))


@pytest.mark.parametrize("seed", range(6))
def test_every_entry_of_the_matrix_has_its_inverse(seed: int) -> None:
    matrix = equations(seed)
    inverse = np.linalg.inv(matrix)
    found = Selected(sparse.csc_array(matrix), np.random.default_rng(seed).permutation(len(matrix)))
    at, to = np.nonzero(matrix)
    value, met = found.lookup(at, to)
    assert met.all()
    assert value == pytest.approx(inverse[at, to], rel=1e-9, abs=1e-10)


def test_errors_have_the_inverse_as_covariance() -> None:
    matrix = equations(7)
    found = Selected(sparse.csc_array(matrix), np.arange(len(matrix))[::-1].copy())
    root = np.column_stack([found.root(unit) for unit in np.eye(len(matrix))])
    assert root @ root.T == pytest.approx(np.linalg.inv(matrix), rel=1e-9, abs=1e-10)


def test_pairs_that_nothing_joins_are_solved_for() -> None:
    matrix = equations(3)
    free = np.delete(np.arange(len(matrix)), 4)
    large = Posterior(Equations(sparse.csr_array(matrix), free))
    small = Posterior(Equations(matrix, free))
    every = np.arange(len(matrix))
    assert large.block(every) == pytest.approx(small.block(every), rel=1e-9, abs=1e-10)
    rows = np.array([[0, 30, 4], [0, 30, 4], [7, 8, 59]])
    assert large.blocks(rows, rows) == pytest.approx(small.blocks(rows, rows), abs=1e-10)


def walked(device: dict[str, str] | None, *, azimuth: bool) -> Notes:
    """Return runs that each share a mark with the next, by legs or by a device."""
    rng = np.random.default_rng(11)
    common = rng.uniform(-40, 40, (8, 3)) * [1, 1, 0.02]
    rows = []
    for run in range(8):
        path = np.cumsum(rng.normal(0, 3.0, (14, 3)) * [1, 1, 0.05], axis=0)
        names = [""] * 14
        names[0], names[1], names[-1] = "A", "B", "A"
        path[[0, -1]], path[1] = 0.0, (20.0, 0.0, 0.1)
        for at, mark in ((5, run), (9, (run + 1) % 8)):
            names[at], path[at] = f"T{mark}", common[mark]
        path[1:] += np.cumsum(rng.normal(0, 0.01, (13, 3)), axis=0)
        rows += [(f"R{run}", n, *xyz) for n, xyz in zip(names, path, strict=True)]
    marks = {"A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0, "sigma": 0.02}}
    if not azimuth:
        marks["B"] = {"easting": 20.0, "northing": 0.0, "sigma": 0.02}
    given = {"value": 90.0, "sigma": 0.5} if azimuth else None
    noise = {} if device is None else {"noise": None, "device": device}
    return notes(rows, marks, azimuth=given, limit=None, **noise)


@pytest.mark.slow
@pytest.mark.parametrize("azimuth", [False, True])
@pytest.mark.parametrize("device", [None, {"class": "unknown"}])
def test_a_large_survey_is_as_accurate_as_the_dense_one(
    monkeypatch: pytest.MonkeyPatch, device: dict[str, str] | None, azimuth: bool
) -> None:
    survey = walked(device, azimuth=azimuth)
    dense = adjust(survey)
    monkeypatch.setattr(solve, "DENSE", 0)
    large = adjust(survey)
    rng = np.random.default_rng(5)
    a, b = rng.integers(0, len(survey.book), (2, 300))
    assert dense.plan.posterior.is_dense
    assert not large.plan.posterior.is_dense
    assert plan_covariance(large, a, b) == pytest.approx(
        plan_covariance(dense, a, b), rel=1e-9, abs=1e-12
    )
    assert level_covariance(large, a, b) == pytest.approx(
        level_covariance(dense, a, b), rel=1e-9, abs=1e-12
    )
    forms = [
        LinearForm(rng.integers(0, len(survey.book), 12), *rng.normal(size=(3, 12)))
        for _ in range(4)
    ]
    assert sigmas(large, forms) == pytest.approx(sigmas(dense, forms), rel=1e-9)
    assert covariance(large, forms) == pytest.approx(covariance(dense, forms), rel=1e-8)


@pytest.mark.slow
@pytest.mark.parametrize("dense", [0, 10_000])
def test_draws_of_a_survey_placed_by_an_azimuth_have_its_covariance(
    monkeypatch: pytest.MonkeyPatch, dense: int
) -> None:
    # the multiplier of the azimuth is no unknown with an error: its row of the inverse is negative
    monkeypatch.setattr(solve, "DENSE", dense)
    network = adjust(walked({"class": "unknown"}, azimuth=True))
    posterior = network.plan.posterior
    root = np.column_stack([posterior.errors(unit) for unit in np.eye(posterior.size)])
    true = np.arange(posterior.size - 1)
    expected = posterior.block(true)
    assert (root @ root.T)[:-1, :-1] == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_a_heading_that_strays_while_nothing_else_errs_settles() -> None:
    # rounding hides the last steps: 14 of 80 such walks were refused as not settling
    heading = {"pointing": 0.001, "walk": 0.001, "heading_deg": 0.4, "scale_percent": 0.0}
    stated = {**heading, "climb_percent": 0.0, "tilt_deg": 0.0}
    true = replace(
        CLASSES["unknown"],
        pointing=0.001,
        pointing_up=0.001,
        walk=0.001,
        walk_up=0.001,
        scale=0.0,
        climb=0.0,
        tilt=0.0,
    )
    walk = walked_yard(200.0, 0, true=true, stated=stated, closed=False)
    network = adjust(walk.notes)
    error = network.frame.to_map(network.en) - [500.0, 700.0] - walk.truth[:, :2]
    # more than a kilometre walked: off by metres, and that is said
    sigma = sigma_horizontal(network)
    free = sigma > 1e-6
    assert (np.hypot(*error[free].T) / sigma[free]).max() < 5.0
