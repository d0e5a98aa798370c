"""The least squares of the knots: positions and one orientation per run.

Model of a long leg from knot p to knot q in run r with local vector D and variance V per axis:
``D = R(-t_r) (X_q - X_p) + e``. Seen from the map the residual is ``R(t_r) D - (X_q - X_p)``, so
the two coordinates share one coefficient matrix, and for given orientations the positions follow
linearly. Gauss-Newton on that reduced problem finds the orientations (Golub & Pereyra 1973,
doi:10.1137/0710036; Kaufman 1975, doi:10.1007/BF01932995).

The orientations do not see each other but through the knots: they are eliminated first, one number
each, and what is dense is the knots alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.network.walk import sum_at

__all__ = ["Legs", "Levels", "Placement", "Prior", "System", "level", "place"]

DENSE = 600
"""Rows up to which a dense solution is faster than importing a sparse one."""
EXACT = 1e-4
"""Standard deviations up to this, metres, are taken as exact: smaller ones mean nothing here."""


@dataclass(frozen=True, eq=False)
class Legs:
    """Long legs.

    Parameters
    ----------
    run, start, end : array, shape (s,)
        Run, knot left and knot reached.
    vector : array, shape (s, 2), grid metres in the run's own frame
    rise : array, shape (s,), metres
    variance : array, shape (s,), square metres per axis
    variance_up : array, shape (s,), square metres
    knots, runs
        How many.
    """

    run: Ints
    start: Ints
    end: Ints
    vector: Floats
    rise: Floats
    variance: Floats
    variance_up: Floats
    knots: int
    runs: int


@dataclass(frozen=True, eq=False)
class Prior:
    """Knots whose place is known.

    Parameters
    ----------
    knot : array, shape (m,)
    value : array, shape (m, 2) or (m,), metres
    sigma : array, shape (m,), metres
        0 for exact.
    """

    knot: Ints
    value: Floats
    sigma: Floats

    @property
    def exact(self) -> npt.NDArray[np.bool_]:
        """Which are taken as exact."""
        exact: npt.NDArray[np.bool_] = self.sigma <= EXACT
        return exact


@dataclass(frozen=True, eq=False)
class Placement:
    """Adjusted knots and orientations.

    Parameters
    ----------
    position : array, shape (K, 2), grid metres
    orientation : array, shape (R,), radians
    system
        Normal equations at the end.
    turn_gain : array, shape (R, 2 K), radians per metre
        How a run's orientation follows the knots.
    turn_variance : array, shape (R,), square radians
        Variance of a run's orientation when the knots are held.
    residual : array, shape (s, 2), metres
        Of the long legs, observed less adjusted, map axes.
    weighted_squares
        Sum of the squared residuals of legs and known marks over their variances.
    redundancy
        Observations less unknowns.
    converged
        False if the orientations did not settle.
    """

    position: Floats
    orientation: Floats
    system: System
    turn_gain: Floats
    turn_variance: Floats
    residual: Floats
    weighted_squares: float
    redundancy: int
    converged: bool

    @cached_property
    def covariance(self) -> Floats:
        """Covariance of the knots, shape (2 K, 2 K), square metres; zero where held.

        Easting of all knots, then northing of all knots.
        """
        size = 2 * len(self.position)
        return self.system.inverse()[:size, :size]


@dataclass(frozen=True, eq=False)
class Levels:
    """Adjusted elevations of the knots.

    Parameters
    ----------
    elevation : array, shape (K,), metres
    system
        Normal equations.
    residual : array, shape (s,), metres
    weighted_squares, redundancy
        As in `Placement`.
    """

    elevation: Floats
    system: System
    residual: Floats
    weighted_squares: float
    redundancy: int

    @cached_property
    def covariance(self) -> Floats:
        """Covariance of the knots' elevations, shape (K, K), square metres; zero where held."""
        return self.system.inverse()


class System:
    """Symmetric equations with some unknowns held: dense when small, sparse when large.

    Equations without a solution raise `numpy.linalg.LinAlgError`.

    Long legs tie each knot to a few others only, so that elimination in a good order leaves a large
    network sparse. Its inverse, which the covariances need, is dense all the same.
    """

    def __init__(self, matrix: Any, free: Ints) -> None:
        self.size, self.free = matrix.shape[0], free
        self.matrix = matrix[np.ix_(free, free)] if isinstance(matrix, np.ndarray) else None
        if self.matrix is None:
            from scipy.sparse.linalg import splu

            self.sparse = matrix[free][:, free].tocsc()
            # symmetric: ten times faster; an exact azimuth's row has no pivot of its own
            try:
                self.factor = splu(
                    self.sparse,
                    permc_spec="MMD_AT_PLUS_A",
                    diag_pivot_thresh=1e-3,
                    options={"SymmetricMode": True},
                )
            except RuntimeError as error:
                raise np.linalg.LinAlgError(str(error)) from None

    def solve(self, right: Floats) -> Floats:
        """Solve for one or several right sides, shape (size,) or (size, m); zero where held."""
        out = np.zeros_like(right)
        if self.matrix is None:
            out[self.free] = self.factor.solve(right[self.free])
        elif len(self.free):
            out[self.free] = np.linalg.solve(self.matrix, right[self.free])
        return out

    def inverse(self) -> Floats:
        """Return the inverse, zero where held."""
        out = np.zeros((self.size, self.size))
        if len(self.free):
            inner = np.linalg.inv(self.sparse.toarray() if self.matrix is None else self.matrix)
            out[np.ix_(self.free, self.free)] = (inner + inner.T) / 2
        return out


def _graph(legs: Legs, variance: Floats, prior: Prior) -> tuple[Any, Ints, Floats]:
    """Return the weighted graph of the knots, the free knots, the priors' weights (0 for exact)."""
    weight = 1.0 / variance
    prior_weight = np.where(prior.exact, 0.0, 1.0 / np.where(prior.exact, 1.0, prior.sigma) ** 2)
    at = np.concatenate([legs.start, legs.end, legs.start, legs.end, prior.knot])
    to = np.concatenate([legs.end, legs.start, legs.start, legs.end, prior.knot])
    values = np.concatenate([-weight, -weight, weight, weight, prior_weight])
    free = np.setdiff1d(np.arange(legs.knots), prior.knot[prior.exact])
    return _table(at, to, values, (legs.knots, legs.knots)), free, prior_weight


def _table(at: Ints, to: Ints, values: Floats, shape: tuple[int, int]) -> Any:
    """Add values up in a table: a dense array when small, a sparse one when large."""
    if shape[0] <= DENSE:
        return sum_at(at * shape[1] + to, values, shape[0] * shape[1]).reshape(shape)
    from scipy.sparse import coo_array

    return coo_array((values, (at, to)), shape=shape).tocsr()


def _gather(legs: Legs, per_leg: Floats) -> Floats:
    """Add each leg's value at the knot it reaches, take it off where it leaves, shape (K,)."""
    return sum_at(legs.end, per_leg, legs.knots) - sum_at(legs.start, per_leg, legs.knots)


class _Reduced:
    """Positions as a function of the orientations, and the normal equations of both."""

    def __init__(self, legs: Legs, prior: Prior) -> None:
        self.legs, self.prior = legs, prior
        self.graph, self.free, self.prior_weight = _graph(legs, legs.variance, prior)
        self.system = System(self.graph, self.free)
        self.moving = np.zeros(legs.knots)
        self.moving[self.free] = 1.0
        self.held = np.zeros((legs.knots, 2))
        self.held[prior.knot[prior.exact]] = prior.value[prior.exact]
        self.weight = 1.0 / legs.variance

    def solve(self, orientation: Floats) -> tuple[Floats, Floats, float]:
        """Positions, residuals of the legs, weighted squares."""
        legs, prior = self.legs, self.prior
        cosine, sine = np.cos(orientation)[legs.run], np.sin(orientation)[legs.run]
        x, y = legs.vector.T
        observed = np.column_stack([x * cosine - y * sine, x * sine + y * cosine])
        left = self.weight[:, None] * (observed - self.held[legs.end] + self.held[legs.start])
        right = np.column_stack([_gather(legs, left[:, 0]), _gather(legs, left[:, 1])])
        pull = self.prior_weight[:, None] * (prior.value - self.held[prior.knot])
        np.add.at(right, prior.knot, pull)
        position = self.held + self.system.solve(right)
        residual = observed - position[legs.end] + position[legs.start]
        off = prior.value - position[prior.knot]
        squares = float((self.weight[:, None] * residual**2).sum())
        squares += float((self.prior_weight[:, None] * off**2).sum())
        return position, residual, squares

    def coupling(self, position: Floats) -> tuple[Any, Floats, Floats]:
        """Coupling of knots and orientations, shape (2 K, R); weight of each orientation, (R,).

        The third is the derivative of each leg with respect to its run's orientation, (s, 2).
        """
        legs, count = self.legs, self.legs.knots
        vector = position[legs.end] - position[legs.start]
        across = np.column_stack([vector[:, 1], -vector[:, 0]])
        east, north = (self.weight[:, None] * across).T
        at = np.concatenate([legs.end, legs.start, count + legs.end, count + legs.start])
        moving = self.moving[np.concatenate([legs.end, legs.start] * 2)]
        values = np.concatenate([east, -east, north, -north]) * moving
        table = _table(at, np.tile(legs.run, 4), values, (2 * count, legs.runs))
        square = sum_at(legs.run, self.weight * (vector**2).sum(axis=1), legs.runs)
        # a mistake in the names can leave a run without a direction: any will do then
        return table, np.maximum(square, 1e-9), across

    def normal(self, table: Any, square: Floats, row: Floats | None, variance: float) -> System:
        """Return the normal equations of the knots, the orientations eliminated.

        An azimuth is one more row with its multiplier as one more unknown, so that an exact one
        (variance 0) needs no huge weight.
        """
        free = np.concatenate([self.free, self.legs.knots + self.free])
        size = table.shape[0]
        if isinstance(table, np.ndarray):
            matrix = -(table / square) @ table.T
            half = size // 2
            graph = self.graph if isinstance(self.graph, np.ndarray) else self.graph.toarray()
            matrix[:half, :half] += graph
            matrix[half:, half:] += graph
            if row is not None:
                matrix = np.block([[matrix, row[:, None]], [row, np.array([-variance])]])
        else:
            from scipy import sparse

            blocks: Any = sparse
            matrix = blocks.block_diag([self.graph, self.graph], format="csr")
            matrix = matrix - table.multiply(1 / square) @ table.T
            if row is not None:
                edge = blocks.csr_array(row[:, None])
                corner = blocks.csr_array(np.array([[-variance]]))
                matrix = blocks.block_array([[matrix, edge], [edge.T, corner]], format="csr")
        return System(matrix, free if row is None else np.append(free, size))


def _azimuth_row(legs: Legs, free: Ints, vector: Floats, start: int, end: int) -> Floats:
    """Sideways shift of one knot seen from another, metres, per shift of each, shape (2 K,)."""
    row = np.zeros(2 * legs.knots)
    length = np.hypot(*vector)
    # a mistake in the names can make the two fall together: any direction will do then
    along = vector / length if length > 1e-9 else np.array([1.0, 0.0])
    for knot, sign in ((end, 1.0), (start, -1.0)):
        if knot in free:
            row[knot], row[legs.knots + knot] = sign * along[1], -sign * along[0]
    return row


def place(
    legs: Legs,
    prior: Prior,
    orientation: Floats,
    *,
    azimuth: tuple[int, int, float, float] | None = None,
    settled: float = 1e-10,
    steps: int = 60,
) -> Placement:
    """Adjust the knots' positions and the runs' orientations.

    Parameters
    ----------
    legs
        All long legs; every knot must hang together through them.
    prior
        Known positions, at least one.
    orientation : array, shape (R,)
        Where to start, radians.
    azimuth : (from knot, to knot, azimuth, sigma), radians
        Turns the whole network about the only known mark; it has no redundancy.
    settled
        Radians; the orientations are found when none moves by more.
    steps
        Most steps to take.

    Returns
    -------
    Placement
    """
    reduced = _Reduced(legs, prior)
    theta = np.array(orientation, dtype=np.float64)
    position, residual, squares = reduced.solve(theta)
    converged = False
    row: Floats | None = None
    for _ in range(steps):
        if azimuth is not None:
            start, end, value, _ = azimuth
            turn = np.pi / 2 - value - np.arctan2(*(position[end] - position[start])[::-1])
            theta = theta + turn
            position, residual, squares = reduced.solve(theta)
            row = _azimuth_row(legs, reduced.free, position[end] - position[start], start, end)
        table, square, across = reduced.coupling(position)
        slope = sum_at(legs.run, reduced.weight * (across * residual).sum(axis=1), legs.runs)
        right = np.append(-(table @ (slope / square)), [] if row is None else [0.0])
        moved = reduced.normal(table, square, row, 0.0).solve(right)[: table.shape[0]]
        step = (slope - table.T @ moved) / square
        share, most = 1.0, squares * (1 + 1e-12) + 1e-15
        trial = reduced.solve(theta + step)
        while trial[2] > most and share > 1e-3:
            share /= 2
            trial = reduced.solve(theta + share * step)
        if trial[2] > most:  # rounding hides what a small step gains; a large one leads nowhere
            converged = bool(np.abs(step).max() < 1e-6)
            break
        theta = theta + share * step
        position, residual, squares = trial
        if np.abs(share * step).max() < settled:
            converged = True
            break
    return _placed(reduced, theta, position, residual, squares, azimuth, converged)


def _placed(
    reduced: _Reduced,
    theta: Floats,
    position: Floats,
    residual: Floats,
    squares: float,
    azimuth: tuple[int, int, float, float] | None,
    converged: bool,
) -> Placement:
    legs = reduced.legs
    table, square, _ = reduced.coupling(position)
    row, row_variance = None, 0.0
    if azimuth is not None:
        start, end, _, sigma = azimuth
        vector = position[end] - position[start]
        row = _azimuth_row(legs, reduced.free, vector, start, end)
        row_variance = float(sigma**2 * (vector**2).sum())
    known = int((~reduced.prior.exact).sum())
    observations = 2 * (len(legs.run) + known) + (azimuth is not None)
    return Placement(
        position=position,
        orientation=(theta + np.pi) % (2 * np.pi) - np.pi,
        system=reduced.normal(table, square, row, row_variance),
        turn_gain=-(table if isinstance(table, np.ndarray) else table.toarray()).T
        / square[:, None],
        turn_variance=1.0 / square,
        residual=residual,
        weighted_squares=squares,
        redundancy=observations - 2 * len(reduced.free) - legs.runs,
        converged=converged,
    )


def level(legs: Legs, prior: Prior) -> Levels:
    """Adjust the knots' elevations.

    Parameters
    ----------
    legs
    prior
        Known elevations, value of shape (m,), at least one.

    Returns
    -------
    Levels
    """
    graph, free, prior_weight = _graph(legs, legs.variance_up, prior)
    system = System(graph, free)
    held = np.zeros(legs.knots)
    held[prior.knot[prior.exact]] = prior.value[prior.exact]
    weight = 1.0 / legs.variance_up
    right = _gather(legs, weight * (legs.rise - held[legs.end] + held[legs.start]))
    np.add.at(right, prior.knot, prior_weight * (prior.value - held[prior.knot]))
    elevation = held + system.solve(right)
    residual = legs.rise - elevation[legs.end] + elevation[legs.start]
    off = prior.value - elevation[prior.knot]
    squares = float((weight * residual**2).sum() + (prior_weight * off**2).sum())
    redundancy = len(legs.run) + int((~prior.exact).sum()) - len(free)
    return Levels(elevation, system, residual, squares, redundancy)
