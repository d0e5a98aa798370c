"""The least squares of the knots: positions and one orientation per run.

Model of a long leg from knot p to knot q in run r with local vector D and variance V per axis:
``D = R(-t_r) (X_q - X_p) + e``. Seen from the map the same is ``R(t_r) D - (X_q - X_p)``, so the
two coordinates share one coefficient matrix, and for given orientations the positions follow
linearly. The orientations are found by Gauss-Newton on that reduced problem (Golub & Pereyra 1973,
doi:10.1137/0710036; Kaufman 1975, doi:10.1007/BF01932995).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.fieldbook.model import Floats, Ints

__all__ = ["Legs", "Placement", "Prior", "level", "place"]

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
    knots, runs
        How many.
    """

    run: Ints
    start: Ints
    end: Ints
    vector: Floats
    rise: Floats
    variance: Floats
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


@dataclass(frozen=True, eq=False)
class Placement:
    """Adjusted knots and orientations.

    Parameters
    ----------
    position : array, shape (K, 2), grid metres
    orientation : array, shape (R,), radians
    covariance : array, shape (2 K + R, 2 K + R)
        Easting of all knots, northing of all knots, orientations; zero rows where held.
    weighted_squares
        Sum of the squared residuals of legs and priors over their variances.
    redundancy
        Observations less unknowns.
    converged
        False if the orientations did not settle.
    """

    position: Floats
    orientation: Floats
    covariance: Floats
    weighted_squares: float
    redundancy: int
    converged: bool


def _laplacian(legs: Legs, prior: Prior) -> tuple[Floats, Ints, Floats]:
    """Inverse of the weighted graph of knots; free knots; weights of the priors (0 for exact)."""
    weight = 1.0 / legs.variance
    count = legs.knots
    matrix = np.zeros((count, count))
    np.add.at(matrix, (legs.start, legs.end), -weight)
    matrix += matrix.T
    degree = np.zeros(count)
    np.add.at(degree, legs.start, weight)
    np.add.at(degree, legs.end, weight)
    matrix[np.arange(count), np.arange(count)] += degree
    exact = prior.sigma <= EXACT
    prior_weight = np.where(exact, 0.0, 1.0 / np.where(exact, 1.0, prior.sigma) ** 2)
    np.add.at(matrix, (prior.knot, prior.knot), prior_weight)
    held = np.zeros(count, dtype=bool)
    held[prior.knot[exact]] = True
    free = np.flatnonzero(~held)
    inverse = np.zeros((count, count))
    if len(free):
        inverse[np.ix_(free, free)] = np.linalg.inv(matrix[np.ix_(free, free)])
    return (inverse + inverse.T) / 2, free, prior_weight


def _held(legs: Legs, prior: Prior, columns: int) -> Floats:
    """Start values: exact priors in their place, zero elsewhere."""
    start = np.zeros((legs.knots, columns))
    exact = prior.sigma <= EXACT
    start[prior.knot[exact]] = prior.value[exact].reshape(-1, columns)
    return start


class _Reduced:
    """Positions as a function of the orientations, and the normal equations of the latter."""

    def __init__(self, legs: Legs, prior: Prior) -> None:
        self.legs, self.prior = legs, prior
        self.inverse, self.free, self.prior_weight = _laplacian(legs, prior)
        self.held = _held(legs, prior, 2)
        self.weight = 1.0 / legs.variance

    def rotated(self, orientation: Floats) -> Floats:
        turn = orientation[self.legs.run]
        x, y = self.legs.vector.T
        return np.column_stack(
            [x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)]
        )

    def gather(self, per_leg: Floats) -> Floats:
        """Sum of a leg's value at the knot it reaches less that at the knot it leaves."""
        out = np.zeros((self.legs.knots, *per_leg.shape[1:]))
        np.add.at(out, self.legs.end, per_leg)
        np.subtract.at(out, self.legs.start, per_leg)
        return out

    def solve(self, orientation: Floats) -> tuple[Floats, Floats, float]:
        """Positions, leg residuals (observed less adjusted, map axes), weighted squares."""
        legs, prior = self.legs, self.prior
        observed = self.rotated(orientation)
        left = observed - (self.held[legs.end] - self.held[legs.start])
        right = self.gather(self.weight[:, None] * left)
        np.add.at(
            right, prior.knot, self.prior_weight[:, None] * (prior.value - self.held[prior.knot])
        )
        position = self.held + self.inverse @ right
        residual = observed - (position[legs.end] - position[legs.start])
        off = prior.value - position[prior.knot]
        squares = float(
            (self.weight[:, None] * residual**2).sum() + (self.prior_weight[:, None] * off**2).sum()
        )
        return position, residual, squares

    def columns(self, position: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Coupling of positions and orientations: C_E, C_N (K, R), D (R,), leg vectors (s, 2)."""
        legs = self.legs
        vector = position[legs.end] - position[legs.start]
        east, north = np.zeros((legs.knots, legs.runs)), np.zeros((legs.knots, legs.runs))
        along_e, along_n = self.weight * vector[:, 1], -self.weight * vector[:, 0]
        np.add.at(east, (legs.end, legs.run), along_e)
        np.subtract.at(east, (legs.start, legs.run), along_e)
        np.add.at(north, (legs.end, legs.run), along_n)
        np.subtract.at(north, (legs.start, legs.run), along_n)
        held = np.ones(legs.knots, dtype=bool)
        held[self.free] = False
        east[held] = north[held] = 0.0
        square = np.zeros(legs.runs)
        np.add.at(square, legs.run, self.weight * (vector**2).sum(axis=1))
        return east, north, square, vector


def place(
    legs: Legs,
    prior: Prior,
    orientation: Floats,
    *,
    hold_first: bool = False,
    azimuth: tuple[int, int, float, float] | None = None,
) -> Placement:
    """Adjust the knots' positions and the runs' orientations.

    Parameters
    ----------
    legs
        All long legs; every knot must hang together through them.
    prior
        Known positions, at least one.
    orientation : array, shape (runs,)
        Where to start, radians.
    hold_first
        Hold the orientation of run 0 (free network).
    azimuth : (from knot, to knot, azimuth, sigma), radians
        Direction that turns the whole network, for a network with one known mark: the network is
        adjusted with `hold_first`, then turned about the first prior's mark.

    Returns
    -------
    Placement
    """
    reduced = _Reduced(legs, prior)
    turning = np.arange(legs.runs) >= (1 if hold_first or azimuth is not None else 0)
    theta = np.array(orientation, dtype=np.float64)
    position, residual, squares = reduced.solve(theta)
    converged = not turning.any()
    for _ in range(100):
        if converged:
            break
        east, north, square, vector = reduced.columns(position)
        slope = np.zeros(legs.runs)
        np.add.at(
            slope,
            legs.run,
            reduced.weight * (vector[:, 1] * residual[:, 0] - vector[:, 0] * residual[:, 1]),
        )
        normal = (
            np.diag(square) - east.T @ reduced.inverse @ east - north.T @ reduced.inverse @ north
        )
        step = np.zeros(legs.runs)
        free = np.ix_(turning, turning)
        step[turning] = np.linalg.lstsq(normal[free], slope[turning], rcond=1e-13)[0]
        share = 1.0
        while True:
            trial = reduced.solve(theta + share * step)
            if trial[2] <= squares * (1 + 1e-12) + 1e-15 or share < 1e-6:
                break
            share /= 2
        theta = theta + share * step
        position, residual, squares = trial
        converged = bool(np.abs(share * step).max() < 1e-11)
    if azimuth is not None:
        start, end, value, _ = azimuth
        vector = position[end] - position[start]
        turn = (np.pi / 2 - value) - np.arctan2(vector[1], vector[0])
        theta = theta + turn
        cosine, sine = np.cos(turn), np.sin(turn)
        pivot = prior.value[0]
        position = pivot + (position - pivot) @ np.array([[cosine, sine], [-sine, cosine]])
    if azimuth is not None:
        turning = np.ones(legs.runs, dtype=bool)
    covariance = _covariance(reduced, position, turning, azimuth)
    observations = 2 * (len(legs.run) + int((prior.sigma > EXACT).sum())) + (azimuth is not None)
    redundancy = observations - 2 * len(reduced.free) - int(turning.sum())
    theta = (theta + np.pi) % (2 * np.pi) - np.pi
    return Placement(position, theta, covariance, squares, redundancy, converged)


def _covariance(
    reduced: _Reduced,
    position: Floats,
    turning: npt.NDArray[np.bool_],
    azimuth: tuple[int, int, float, float] | None,
) -> Floats:
    """Covariance of easting, northing, orientations by the Schur complement of the orientations.

    An azimuth is one more row: its multiplier is an extra unknown, so that an exact azimuth
    (sigma 0) needs no huge weight.
    """
    legs, inverse = reduced.legs, reduced.inverse
    east, north, square, _ = reduced.columns(position)
    keep = np.flatnonzero(turning)
    east, north = east[:, keep], north[:, keep]
    middle = np.diag(square[keep])
    if azimuth is not None:
        start, end, _, sigma = azimuth
        vector = position[end] - position[start]
        length = float(np.hypot(*vector))
        row_e, row_n = np.zeros((legs.knots, 1)), np.zeros((legs.knots, 1))
        # sideways shift of the end, in metres: keeps the row of the size of the others
        for knot, sign in ((end, 1.0), (start, -1.0)):
            row_e[knot], row_n[knot] = sign * vector[1] / length, -sign * vector[0] / length
        held = np.ones(legs.knots, dtype=bool)
        held[reduced.free] = False
        row_e[held] = row_n[held] = 0.0
        east, north = np.hstack([east, row_e]), np.hstack([north, row_n])
        middle = np.pad(middle, (0, 1))
        middle[-1, -1] = -((sigma * length) ** 2)
    spread_e, spread_n = inverse @ east, inverse @ north
    core = np.linalg.inv(middle - east.T @ spread_e - north.T @ spread_n) if len(middle) else middle
    count, runs = legs.knots, legs.runs
    covariance = np.zeros((2 * count + runs, 2 * count + runs))
    e, n = slice(0, count), slice(count, 2 * count)
    covariance[e, e] = inverse + spread_e @ core @ spread_e.T
    covariance[n, n] = inverse + spread_n @ core @ spread_n.T
    covariance[e, n] = spread_e @ core @ spread_n.T
    covariance[n, e] = covariance[e, n].T
    angles = 2 * count + keep
    inner = core[:, : len(keep)]
    covariance[e, angles] = -spread_e @ inner
    covariance[n, angles] = -spread_n @ inner
    covariance[angles, e] = covariance[e, angles].T
    covariance[angles, n] = covariance[n, angles].T
    covariance[np.ix_(angles, angles)] = core[: len(keep), : len(keep)]
    return covariance


def level(legs: Legs, prior: Prior) -> tuple[Floats, Floats, float, int]:
    """Adjust the knots' elevations.

    Parameters
    ----------
    legs
    prior
        Known elevations, value of shape (m,), at least one.

    Returns
    -------
    elevation : array, shape (K,), metres
    covariance : array, shape (K, K), square metres
    weighted_squares
    redundancy
    """
    inverse, free, prior_weight = _laplacian(legs, prior)
    held = _held(legs, prior, 1)[:, 0]
    weight = 1.0 / legs.variance
    left = weight * (legs.rise - held[legs.end] + held[legs.start])
    right = np.zeros(legs.knots)
    np.add.at(right, legs.end, left)
    np.subtract.at(right, legs.start, left)
    np.add.at(right, prior.knot, prior_weight * (prior.value - held[prior.knot]))
    elevation = held + inverse @ right
    residual = legs.rise - elevation[legs.end] + elevation[legs.start]
    off = prior.value - elevation[prior.knot]
    squares = float((weight * residual**2).sum() + (prior_weight * off**2).sum())
    redundancy = len(legs.run) + int((prior.sigma > EXACT).sum()) - len(free)
    return elevation, inverse, squares, redundancy
