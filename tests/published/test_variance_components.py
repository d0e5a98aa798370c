"""The likelihood that devices are fitted by, and how far a straying heading leads, as published."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from network_cases import notes
from scipy.optimize import minimize

from geosite.network.calibration.likelihood import likelihood
from geosite.network.equations.normal import Equations, Posterior, Term, gather, squares_of
from geosite.network.equations.plan import Plan
from geosite.network.walk.dead_reckoning import Noise, Strayed, reckon, state_matrix
from geosite.network.walk.device import CLASSES
from geosite.network.walk.runs import walk_runs

DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)
"""Yield of dyestuff of five samples from each of six batches: Davies 1947, Statistical Methods in
Research and Production, table 6.1; as used by Bates et al. 2015, Fitting linear mixed-effects
models using lme4, doi:10.18637/jss.v067.i01 (data set Dyestuff; numbers from memory)."""


def fitted(between: float, within: float) -> Plan:
    """Return the adjustment of batch means about an unknown mean, as a plan is adjusted."""
    batches, samples = DYESTUFF.shape
    count = batches * samples
    batch = np.repeat(np.arange(batches), samples)
    terms = [
        Term(
            np.column_stack([np.zeros(count, dtype=np.int64), 1 + batch]),
            np.ones((count, 1, 2)),
            np.full((count, 1, 1), 1 / within),
            -DYESTUFF.reshape(-1, 1),
        ),
        Term(
            1 + np.arange(batches)[:, None],
            np.ones((batches, 1, 1)),
            np.full((batches, 1, 1), 1 / between),
            np.zeros((batches, 1)),
        ),
    ]
    matrix, gradient = gather(terms, 1 + batches)
    equations = Equations(matrix, np.arange(1 + batches))
    value = -equations.solve(gradient)
    left = [
        Term(t.unknown, t.jacobian, t.weight, t.misfit + np.einsum("mda,ma->md", t.jacobian, v))
        for t in terms
        for v in [value[t.unknown]]
    ]
    part = SimpleNamespace(
        terms=tuple(left), posterior=Posterior(equations), weighted_squares=squares_of(left)
    )
    return cast(Plan, cast(Any, part))


def test_variances_of_dyestuff_are_the_published_ones() -> None:
    # 1764.05 between batches, 2451.25 within; in a balanced design those of the analysis of
    # variance: (SS_between / 5 - SS_within / 24) / 5 and SS_within / 24 (Searle, Casella &
    # McCulloch 1992, Variance Components, section 4.4)
    found = minimize(
        lambda logs: likelihood(fitted(*np.exp(logs))),
        np.log([1000.0, 1000.0]),
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-9},
    )
    means = DYESTUFF.mean(axis=1)
    within = float(((DYESTUFF - means[:, None]) ** 2).sum() / 24)
    between = float((means.var(ddof=1) * 5 - within) / 5)
    assert np.exp(found.x) == pytest.approx([between, within], rel=1e-4)
    assert np.exp(found.x) == pytest.approx([1764.05, 2451.25], rel=1e-4)
    # minus twice the logarithm of the restricted likelihood: 319.6543
    assert found.fun + 29 * math.log(2 * math.pi) == pytest.approx(319.6543, abs=1e-3)


@pytest.mark.parametrize("legs", [1, 7, 40])
def test_a_straying_heading_leads_a_straight_walk_aside_by_the_cube_of_its_length(
    legs: int,
) -> None:
    # the integral of a Brownian motion has the variance kappa^2 s^3 / 3, and kappa^2 s^2 / 2 with
    # the motion itself (Ross, Introduction to Probability Models, section 10.5; from memory)
    length, kappa = 60.0, CLASSES["unknown"].heading
    rows = [("R", f"P{i}", length * i / legs, 0.0, 0.0) for i in range(legs + 1)]
    marks = {"P0": {"easting": 0.0, "northing": 0.0}}
    case = notes(rows, marks, baseline=("P0", "P1"), noise=None, device={"class": "unknown"})
    walk = walk_runs(case.book, CLASSES["unknown"], frozenset({"P0"}))
    noise = Noise(np.zeros(legs + 1), kappa**2 * walk.way)
    step = np.append(0.0, np.full(legs, length / legs)) + 0j
    found = reckon(walk, step, np.zeros(1), noise, Strayed.none(legs + 1))
    move = state_matrix(found.reach)[-1]
    own = move @ found.gain[-1] @ move.T
    assert own[1, 1] == pytest.approx(kappa**2 * length**3 / 3, rel=1e-9)
    assert own[1, 2] == pytest.approx(kappa**2 * length**2 / 2, rel=1e-9)
    assert own[2, 2] == pytest.approx(kappa**2 * length, rel=1e-9)
    assert own[0, 0] == pytest.approx(0.0, abs=1e-12)


def test_a_straight_leg_is_measured_too_short_by_its_bend() -> None:
    # the device walks straight on for 1 and its heading is a Brownian motion of variance q at the
    # end, in 200 small steps; what it then says of the distance, against the series
    q, steps, walks = 0.05, 200, 20_000
    rng = np.random.default_rng(5)
    heading = np.cumsum(rng.normal(0, math.sqrt(q / steps), (walks, steps)), axis=1)
    missing = 1 / np.abs(np.exp(1j * heading).mean(axis=1)) - 1
    noise = Noise.of_legs(np.zeros(1), np.array([q]), np.ones(1))
    # means of 20,000 draws, 4 standard errors; the next order of q is two hundredths of this one
    assert missing.mean() == pytest.approx(q / 12, rel=0.05)
    assert missing.std() == pytest.approx(q / math.sqrt(180), rel=0.08)
    assert math.sqrt((missing**2).mean()) == pytest.approx(math.sqrt(noise.walked[0]), rel=0.06)
