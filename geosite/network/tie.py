"""The runs tied to each other, without the map: what the misclosures alone can tell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import LegNoise
from geosite.network.anchor import Control
from geosite.network.similarity import fit_rigid
from geosite.network.solve import Legs, Levels, Placement, Prior, level, place
from geosite.network.walk import Complexes, Walk, scaled_path, walk_runs

__all__ = ["Misfit", "Tied", "known_heights", "known_places", "make_legs", "misfit", "tie"]


SETTLED = 1e-8
"""Radians. A tenth of a micrometre over ten metres: enough to judge misclosures by."""
NO_FIT = 1e12
"""Chi-square of known marks that the notes lay on one place."""
STEPS = 15
"""Runs that fit together settle in five; what needs more has a mistake in it and is only judged."""


@dataclass(frozen=True, eq=False)
class Tied:
    """A free network: first baseline mark at 0, the baseline along the east axis.

    Parameters
    ----------
    book, walk, path, legs
        What it was made from.
    plan
        Positions and orientations.
    levels
        Elevations, first baseline mark at 0.
    """

    book: FieldBook
    walk: Walk
    path: Floats
    legs: Legs
    plan: Placement
    levels: Levels

    @cached_property
    def knot(self) -> dict[str, int]:
        """Number of each knot by its mark's name."""
        return {name: i for i, name in enumerate(self.walk.knots)}

    @property
    def squares(self) -> float:
        """Weighted squares of the misclosures, horizontal and vertical."""
        return self.plan.weighted_squares + self.levels.weighted_squares

    @property
    def redundancy(self) -> int:
        """Independent misclosures, horizontal (two each) and vertical."""
        return self.plan.redundancy + self.levels.redundancy


def make_legs(walk: Walk, path: Floats, runs: int, factors: tuple[float, float]) -> Legs:
    """Return the long legs of a path, a-priori variances times factors (horizontal, vertical)."""
    step = path[walk.leg_end] - path[walk.leg_start]
    return Legs(
        run=walk.leg_run,
        start=walk.leg_from,
        end=walk.leg_to,
        vector=step[:, :2],
        rise=step[:, 2],
        variance=walk.leg_variance * factors[0],
        variance_up=walk.leg_variance * factors[1],
        knots=len(walk.knots),
        runs=runs,
    )


def first_visits(walk: Walk, runs: int, knot: int) -> Ints:
    """Return the position in walking order of each run's first visit to a knot, shape (runs,)."""
    at = np.flatnonzero(walk.knot == knot)
    seen, first = np.unique(walk.run[at], return_index=True)
    visits = np.full(runs, -1, dtype=np.int64)
    visits[seen] = at[first]
    return visits


def tie(
    book: FieldBook,
    noise: LegNoise,
    baseline: tuple[str, str],
    always: frozenset[str],
    factor: float | Complexes,
) -> Tied:
    """Adjust the runs to each other.

    Parameters
    ----------
    book
        Every run visits both baseline marks.
    noise
        Of one leg.
    baseline
        The two marks.
    always
        Marks that are knots even when seen once.
    factor
        Map length per ground length.

    Returns
    -------
    Tied
    """
    walk = walk_runs(book, noise, always | set(baseline))
    path = scaled_path(walk, book.local, factor)
    runs = len(book.runs)
    legs = make_legs(walk, path, runs, (1.0, 1.0))
    start, end = walk.knots.index(baseline[0]), walk.knots.index(baseline[1])
    own = path[first_visits(walk, runs, end)] - path[first_visits(walk, runs, start)]
    turn = -np.arctan2(own[:, 1], own[:, 0])
    origin = np.array([start])
    exact = np.zeros(1)
    plan = place(
        legs,
        Prior(origin, np.zeros((1, 2)), exact),
        turn,
        azimuth=(start, end, math.pi / 2, 0.0),
        settled=SETTLED,
        steps=STEPS,
    )
    levels = level(legs, Prior(origin, exact, exact))
    return Tied(book, walk, path, legs, plan, levels)


def known_places(controls: tuple[Control, ...], knot: dict[str, int]) -> Prior:
    """Return the marks with a known position that place the survey."""
    used = [c for c in controls if c.position is not None and not c.check]
    return Prior(
        np.array([knot[c.name] for c in used], dtype=np.int64),
        np.array([c.position for c in used], dtype=np.float64).reshape(-1, 2),
        np.array([c.sigma for c in used], dtype=np.float64),
    )


def known_heights(controls: tuple[Control, ...], knot: dict[str, int]) -> Prior:
    """Return the marks with a known elevation that place the survey."""
    used = [c for c in controls if c.elevation is not None and not c.check]
    return Prior(
        np.array([knot[c.name] for c in used], dtype=np.int64),
        np.array([c.elevation for c in used], dtype=np.float64),
        np.array([c.sigma_elevation for c in used], dtype=np.float64),
    )


@dataclass(frozen=True, eq=False)
class Misfit:
    """How the known marks fit the free network, scale held.

    Parameters
    ----------
    knot : array, shape (m,)
    residual : array, shape (m, d), metres
        Known less measured after turn and shift; d is 2 for positions, 1 for elevations.
    squares, freedom
        Chi-square of the residuals with their covariance, and its degrees of freedom.
    error : array, shape (m, d), metres
        Estimated mistake of each mark if it alone is wrong.
    test : array, shape (m,)
        Chi-square of that mistake, d degrees of freedom; 0 where the others cannot tell.
    """

    knot: Ints
    residual: Floats
    squares: float
    freedom: int
    error: Floats
    test: Floats


def _generalised(
    values: Floats, covariance: Floats, design: Floats
) -> tuple[Floats, float, Floats]:
    """Residuals, their chi-square and their weight matrix after fitting the design's columns.

    The design's own space is added to the covariance: it changes neither, and makes a covariance
    invertible that is zero in the directions that the free network holds.
    """
    spread = float(np.trace(covariance)) / len(values) + 1e-6
    weight = np.linalg.inv(covariance + spread * design @ design.T + 1e-12 * np.eye(len(values)))
    normal = design.T @ weight @ design
    projected = weight - weight @ design @ np.linalg.solve(normal, design.T @ weight)
    residual = values - design @ np.linalg.solve(normal, design.T @ weight @ values)
    # from the residuals, not from the values: no difference of large numbers
    return residual, max(float(residual @ weight @ residual), 0.0), np.asarray(projected)


def misfit(tied: Tied, prior: Prior, factors: tuple[float, float] = (1.0, 1.0)) -> Misfit:
    """Compare known marks with the free network.

    Parameters
    ----------
    tied
    prior
        Known positions (shape (m, 2)) or elevations (shape (m,)), knots of `tied`.
    factors
        Variance factors, horizontal and vertical, of the free network.

    Returns
    -------
    Misfit
        With no freedom left (two positions have one, one elevation none) `squares` is 0.
    """
    count, knot = len(prior.knot), prior.knot
    axes = prior.value.ndim
    freedom = axes * count - (3 if axes == 2 else 1)
    nothing = np.zeros((count, axes)), np.zeros(count)
    if freedom <= 0:
        return Misfit(knot, nothing[0], 0.0, 0, *nothing)
    if axes == 1:
        values = prior.value - tied.levels.elevation[knot]
        covariance = factors[1] * tied.levels.covariance[np.ix_(knot, knot)]
        design = np.ones((count, 1))
    else:
        free = tied.plan.position[knot]
        if np.ptp(free, axis=0).max() < 1e-3:  # a mistake in the names lays them on one place
            apart = prior.value - prior.value.mean(axis=0)
            return Misfit(knot, apart, NO_FIT, freedom, *nothing)
        moved = fit_rigid(free, prior.value)
        turned = moved.apply(free)
        values = (prior.value - turned).ravel()
        both = np.column_stack([knot, tied.legs.knots + knot]).ravel()
        covariance = factors[0] * tied.plan.covariance[np.ix_(both, both)]
        cosine, sine = math.cos(moved.turn), math.sin(moved.turn)
        spin = np.kron(np.eye(count), np.array([[cosine, -sine], [sine, cosine]]))
        covariance = spin @ covariance @ spin.T
        about = turned - turned.mean(axis=0)
        arm = float(np.sqrt((about**2).mean()))
        design = np.zeros((2 * count, 3))
        design[0::2, 0] = design[1::2, 1] = 1.0
        design[0::2, 2], design[1::2, 2] = -about[:, 1] / arm, about[:, 0] / arm
    covariance = covariance + np.diag(np.repeat(prior.sigma**2, axes))
    residual, squares, weight = _generalised(values, covariance, design)
    pull = weight @ values
    error, test = nothing
    for i in range(count):
        own = slice(axes * i, axes * (i + 1))
        if freedom >= axes:
            error[i] = np.linalg.lstsq(weight[own, own], pull[own], rcond=1e-9)[0]
            test[i] = float(error[i] @ pull[own])
    return Misfit(knot, residual.reshape(count, axes), squares, freedom, error, test)
