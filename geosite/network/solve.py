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

import numpy as np
import numpy.typing as npt

from geosite.fieldbook.model import Floats, Ints
from geosite.network.walk import sum_at

__all__ = ["Legs", "Levels", "Placement", "Prior", "level", "place"]

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
    covariance : array, shape (2 K, 2 K), square metres
        Easting of all knots, then northing of all knots; zero where held.
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
    covariance: Floats
    turn_gain: Floats
    turn_variance: Floats
    residual: Floats
    weighted_squares: float
    redundancy: int
    converged: bool


@dataclass(frozen=True, eq=False)
class Levels:
    """Adjusted elevations of the knots.

    Parameters
    ----------
    elevation : array, shape (K,), metres
    covariance : array, shape (K, K), square metres
    residual : array, shape (s,), metres
    weighted_squares, redundancy
        As in `Placement`.
    """

    elevation: Floats
    covariance: Floats
    residual: Floats
    weighted_squares: float
    redundancy: int


def _graph(legs: Legs, variance: Floats, prior: Prior) -> tuple[Floats, Ints, Floats]:
    """Return the weighted graph of the knots, the free knots, the priors' weights (0 for exact)."""
    weight = 1.0 / variance
    at = np.arange(legs.knots)
    matrix = np.zeros((legs.knots, legs.knots))
    np.add.at(matrix, (legs.start, legs.end), -weight)
    matrix += matrix.T
    matrix[at, at] += sum_at(legs.start, weight, legs.knots)
    matrix[at, at] += sum_at(legs.end, weight, legs.knots)
    prior_weight = np.where(prior.exact, 0.0, 1.0 / np.where(prior.exact, 1.0, prior.sigma) ** 2)
    np.add.at(matrix, (prior.knot, prior.knot), prior_weight)
    held = np.zeros(legs.knots, dtype=bool)
    held[prior.knot[prior.exact]] = True
    return matrix, np.flatnonzero(~held), prior_weight


def _inverse(matrix: Floats, free: Ints) -> Floats:
    """Invert the rows and columns of the free unknowns, zero elsewhere; symmetric."""
    out = np.zeros_like(matrix)
    if len(free):
        inner = np.linalg.inv(matrix[np.ix_(free, free)])
        out[np.ix_(free, free)] = (inner + inner.T) / 2
    return out


def _gather(legs: Legs, per_leg: Floats) -> Floats:
    """Add each leg's value at the knot it reaches, take it off where it leaves, shape (K,)."""
    return sum_at(legs.end, per_leg, legs.knots) - sum_at(legs.start, per_leg, legs.knots)


class _Reduced:
    """Positions as a function of the orientations, and the normal equations of both."""

    def __init__(self, legs: Legs, prior: Prior) -> None:
        self.legs, self.prior = legs, prior
        self.graph, self.free, self.prior_weight = _graph(legs, legs.variance, prior)
        self.inverse = _inverse(self.graph, self.free)
        self.held_knots = np.unique(prior.knot[prior.exact])
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
        position = self.held + self.inverse @ right
        residual = observed - position[legs.end] + position[legs.start]
        off = prior.value - position[prior.knot]
        squares = float((self.weight[:, None] * residual**2).sum())
        squares += float((self.prior_weight[:, None] * off**2).sum())
        return position, residual, squares

    def coupling(self, position: Floats) -> tuple[Floats, Floats, Floats]:
        """Coupling of knots and orientations, shape (2 K, R); weight of each orientation, (R,).

        The third is the derivative of each leg with respect to its run's orientation, (s, 2).
        """
        legs = self.legs
        vector = position[legs.end] - position[legs.start]
        across = np.column_stack([vector[:, 1], -vector[:, 0]])
        table = np.zeros((2 * legs.knots, legs.runs))
        for axis in (0, 1):
            shift, value = axis * legs.knots, self.weight * across[:, axis]
            np.add.at(table, (shift + legs.end, legs.run), value)
            np.subtract.at(table, (shift + legs.start, legs.run), value)
        table[self.held_knots] = table[legs.knots + self.held_knots] = 0.0
        square = sum_at(legs.run, self.weight * (vector**2).sum(axis=1), legs.runs)
        # a mistake in the names can leave a run without a direction: any will do then
        return table, np.maximum(square, 1e-9), across

    def normal(
        self, table: Floats, square: Floats, row: Floats | None, row_variance: float
    ) -> tuple[Floats, Ints]:
        """Return the normal equations of the knots, orientations eliminated, and the free rows.

        An azimuth is one more row with its multiplier as one more unknown, so that an exact one
        (variance 0) needs no huge weight.
        """
        count = self.legs.knots
        size = 2 * count + (row is not None)
        matrix = np.zeros((size, size))
        matrix[:count, :count] = matrix[count : 2 * count, count : 2 * count] = self.graph
        matrix[: 2 * count, : 2 * count] -= (table / square) @ table.T
        free = np.concatenate([self.free, count + self.free])
        if row is not None:
            matrix[-1, :-1] = matrix[:-1, -1] = row
            matrix[-1, -1] = -row_variance
            free = np.append(free, size - 1)
        return matrix, free


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
    settled: float = 1e-11,
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
        matrix, free = reduced.normal(table, square, row, 0.0)
        right = np.append(-table @ (slope / square), [] if row is None else [0.0])
        moved = np.zeros(len(matrix))
        if len(free):
            moved[free] = np.linalg.solve(matrix[np.ix_(free, free)], right[free])
        step = (slope - table.T @ moved[: len(table)]) / square
        share = 1.0
        while True:
            trial = reduced.solve(theta + share * step)
            if trial[2] <= squares * (1 + 1e-12) + 1e-15 or share < 1e-6:
                break
            share /= 2
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
    size = 2 * legs.knots
    known = int((~reduced.prior.exact).sum())
    observations = 2 * (len(legs.run) + known) + (azimuth is not None)
    return Placement(
        position=position,
        orientation=(theta + np.pi) % (2 * np.pi) - np.pi,
        covariance=_inverse(*reduced.normal(table, square, row, row_variance))[:size, :size],
        turn_gain=-(table / square).T,
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
    inverse = _inverse(graph, free)
    held = np.zeros(legs.knots)
    held[prior.knot[prior.exact]] = prior.value[prior.exact]
    weight = 1.0 / legs.variance_up
    right = _gather(legs, weight * (legs.rise - held[legs.end] + held[legs.start]))
    np.add.at(right, prior.knot, prior_weight * (prior.value - held[prior.knot]))
    elevation = held + inverse @ right
    residual = legs.rise - elevation[legs.end] + elevation[legs.start]
    off = prior.value - elevation[prior.knot]
    squares = float((weight * residual**2).sum() + (prior_weight * off**2).sum())
    redundancy = len(legs.run) + int((~prior.exact).sum()) - len(free)
    return Levels(elevation, inverse, residual, squares, redundancy)
