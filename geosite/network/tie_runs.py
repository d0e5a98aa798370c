"""The runs tied to each other, without the map: what the misclosures alone can tell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook
from geosite.network.control.model import Control
from geosite.network.control.similarity import fit_rigid
from geosite.network.equations.heights import Heights, adjust_heights
from geosite.network.equations.normal import Prior
from geosite.network.equations.plan import Azimuth, Plan, PlanInput, adjust_plan
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Complexes, Walk, scaled_path, walk_runs

__all__ = ["Misfit", "Tied", "known_heights", "known_places", "misfit", "plan_steps", "tie"]


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
    book, device, walk
        What it was made from.
    plan
        Places and headings.
    heights
        Elevations, first baseline mark at 0.
    """

    book: FieldBook
    device: Device
    walk: Walk
    plan: Plan
    heights: Heights

    @property
    def path(self) -> Floats:
        """The walked path in each run's own frame, shape (n, 3), in walking order, metres."""
        return self.heights.given.path

    @cached_property
    def knot(self) -> dict[str, int]:
        """Number of each knot by its mark's name."""
        return {name: i for i, name in enumerate(self.walk.knots)}

    @property
    def squares(self) -> float:
        """Weighted squares of the misclosures, horizontal and vertical."""
        return self.plan.weighted_squares + self.heights.weighted_squares

    @property
    def redundancy(self) -> int:
        """Independent misclosures, horizontal (two each) and vertical."""
        return self.plan.redundancy + self.heights.redundancy


def plan_steps(walk: Walk, path: Floats) -> Complexes:
    """Return the leg that ends at each position in plan; 0 where a run starts."""
    plane = path[:, 0] + 1j * path[:, 1]
    step = np.diff(plane, prepend=plane[:1])
    step[np.append(True, walk.run[1:] != walk.run[:-1])] = 0.0
    return step


def first_visits(walk: Walk, runs: int, knot: int) -> Ints:
    """Return the position in walking order of each run's first visit to a knot, shape (runs,)."""
    at = np.flatnonzero(walk.knot == knot)
    seen, first = np.unique(walk.run[at], return_index=True)
    visits = np.full(runs, -1, dtype=np.int64)
    visits[seen] = at[first]
    return visits


def tie(
    book: FieldBook,
    device: Device,
    baseline: tuple[str, str],
    always: frozenset[str],
    factor: float | Complexes,
    walk: Walk | None = None,
) -> Tied:
    """Adjust the runs to each other.

    Parameters
    ----------
    book
        Every run visits both baseline marks.
    device
        What its error is made of.
    baseline
        The two marks.
    always
        Marks that are knots even when seen once.
    factor
        Map length per ground length.
    walk
        The book as `walk_runs` has it, where that is known.

    Returns
    -------
    Tied
    """
    if walk is None:
        walk = walk_runs(book, device, always | set(baseline))
    path = scaled_path(walk, book.local, factor)
    runs = len(book.runs)
    start, end = walk.knots.index(baseline[0]), walk.knots.index(baseline[1])
    own = path[first_visits(walk, runs, end)] - path[first_visits(walk, runs, start)]
    turn = -np.arctan2(own[:, 1], own[:, 0])
    origin = np.array([start])
    exact = np.zeros(1)
    plan = adjust_plan(
        PlanInput(
            walk=walk,
            step=plan_steps(walk, path),
            device=device,
            factor=1.0,
            prior=Prior(origin, np.zeros((1, 2)), exact),
            heading=turn,
            azimuth=Azimuth(start, end, math.pi / 2, 0.0),
        ),
        settled=SETTLED,
        steps=STEPS,
    )
    heights = adjust_heights(walk, path, device, 1.0, Prior(origin, exact, exact), runs)
    return Tied(book, device, walk, plan, heights)


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
    share : float
        Part of the chi-square that is to be expected from the device, the rest from the marks.
    """

    knot: Ints
    residual: Floats
    squares: float
    freedom: int
    error: Floats
    test: Floats
    share: float = 1.0


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
        values = prior.value - tied.heights.elevation[knot]
        at = tied.heights.knot[knot]
        covariance = factors[1] * tied.heights.posterior.block(at)
        design = np.ones((count, 1))
    else:
        free = tied.plan.position[knot]
        if np.ptp(free, axis=0).max() < 1e-3:  # a mistake in the names lays them on one place
            apart = prior.value - prior.value.mean(axis=0)
            return Misfit(knot, apart, NO_FIT, freedom, *nothing)
        moved = fit_rigid(free, prior.value)
        turned = moved.apply(free)
        values = (prior.value - turned).ravel()
        both = (tied.plan.knot[knot][:, None] + np.array([0, 1])).ravel()
        covariance = factors[0] * tied.plan.posterior.block(both)
        cosine, sine = math.cos(moved.turn), math.sin(moved.turn)
        spin = np.kron(np.eye(count), np.array([[cosine, -sine], [sine, cosine]]))
        covariance = spin @ covariance @ spin.T
        about = turned - turned.mean(axis=0)
        arm = float(np.sqrt((about**2).mean()))
        design = np.zeros((2 * count, 3))
        design[0::2, 0] = design[1::2, 1] = 1.0
        design[0::2, 2], design[1::2, 2] = -about[:, 1] / arm, about[:, 0] / arm
    of_device = covariance
    covariance = covariance + np.diag(np.repeat(prior.sigma**2, axes))
    residual, squares, weight = _generalised(values, covariance, design)
    share = min(max(float((weight * of_device).sum()) / freedom, 0.0), 1.0)
    pull = weight @ values
    error, test = nothing
    for i in range(count):
        own = slice(axes * i, axes * (i + 1))
        if freedom >= axes:
            error[i] = np.linalg.lstsq(weight[own, own], pull[own], rcond=1e-9)[0]
            test[i] = float(error[i] @ pull[own])
    return Misfit(knot, residual.reshape(count, axes), squares, freedom, error, test, share)
