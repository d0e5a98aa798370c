"""Congruency of two surveys over their common marks: whether anything moved, and what.

Pelzer (1971), Zur Analyse geodaetischer Deformationsmessungen, DGK C 164; Caspary (2000), Concepts
of Network and Deformation Analysis, ch. 4; Niemeier (2008), Ausgleichungsrechnung, section 14.4.
Both surveys place the marks in a frame of their own (an anchor that is only so well known, or none
in common), so a shift, a turn or a lift that all marks share is no movement: the test is made on
what is left when that is taken out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.statistics import chi2_sf

__all__ = [
    "Moved",
    "Outcome",
    "Stability",
    "congruency",
    "detectable",
    "find_stable",
    "frame_of_level",
    "frame_of_plan",
    "pooled_degrees_of_freedom",
]

SIGNIFICANCE = 0.05
POWER = 0.80
AS_GOOD = 3.84
"""Two marks whose removal leaves squares this near to each other explain the change alike."""

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Outcome of one test.

    Parameters
    ----------
    statistic
        Quadratic form over `degrees_of_freedom`: follows F with these and the noise's degrees of
        freedom where nothing moved.
    degrees_of_freedom
        Independent differences that were tested.
    noise_degrees_of_freedom
        How well the noise is known; infinite where it is taken as known.
    probability
        Of a larger statistic where nothing moved.
    """

    statistic: float
    degrees_of_freedom: int
    noise_degrees_of_freedom: float
    probability: float

    @property
    def passed(self) -> bool:
        """Whether the difference is no more than noise, at 5 %."""
        return self.probability >= SIGNIFICANCE


@dataclass(frozen=True, eq=False)
class Moved:
    """One mark against the stable ones.

    Parameters
    ----------
    shift : array, shape (k,)
        Its displacement, k = 2 in plan and 1 in height.
    covariance : array, shape (k, k)
    test
        Of this displacement alone.
    is_along_only
        Held against one other mark: only what lies along the line to it is seen.
    """

    shift: Floats
    covariance: Floats
    test: Outcome
    is_along_only: bool = False

    @property
    def detectable(self) -> float:
        """What would have been found in 80 of 100 cases, in the worst direction."""
        if self.is_along_only:
            return math.inf
        return detectable(self.covariance, self.test.noise_degrees_of_freedom)


@dataclass(frozen=True, eq=False)
class Stability:
    """Which marks kept their places.

    Parameters
    ----------
    first
        Test of all marks together.
    stable : array of bool, shape (m,)
        Marks that are congruent with each other.
    last
        Test of these alone.
    marks
        Every mark against the stable ones (a stable one against the others).
    frame : array, shape (3,) or (1,)
        What the second survey's frame is off by: shift east, shift north, turn; or lift.
    doubtful
        Marks whose removal explains the change as well as that of those which were removed.
    """

    first: Outcome
    stable: Mask
    last: Outcome
    marks: tuple[Moved, ...]
    frame: Floats
    doubtful: tuple[int, ...]


def frame_of_plan(places: npt.ArrayLike) -> Floats:
    """Return how marks move with a shift and a turn of their frame.

    Parameters
    ----------
    places : array, shape (m, 2), columns easting, northing

    Returns
    -------
    array, shape (2 m, 3)
        Rows east and north of each mark in turn; columns shift east, shift north, turn
        (counter-clockwise, about the middle of the marks).

    Examples
    --------
    Two marks 2 m apart on an east-west line: a small turn to the left moves the western one south
    and the eastern one north, each by its distance of 1 m from the middle.

    >>> frame_of_plan([[0.0, 0.0], [2.0, 0.0]])[1::2, 2].tolist()
    [-1.0, 1.0]
    """
    en = np.asarray(places, np.float64)
    away = en - en.mean(axis=0)
    frame = np.zeros((2 * len(en), 3))
    frame[0::2, 0] = frame[1::2, 1] = 1.0
    frame[0::2, 2], frame[1::2, 2] = -away[:, 1], away[:, 0]
    return frame


def frame_of_level(count: int) -> Floats:
    """Return how elevations move with a lift of their frame, shape (count, 1): all by the same.

    Examples
    --------
    >>> frame_of_level(2).tolist()
    [[1.0], [1.0]]
    """
    return np.ones((count, 1))


def pooled_degrees_of_freedom(
    covariances: tuple[npt.ArrayLike, npt.ArrayLike],
    frame: npt.ArrayLike,
    degrees_of_freedom: tuple[float, float],
) -> float:
    """Return how well the noise of two surveys together is known.

    Parameters
    ----------
    covariances : arrays, shape (n, n)
        Of the marks in the first and the second survey.
    frame : array, shape (n, d)
        What is no movement: an anchor's error, which moves all marks, says nothing of the noise.
    degrees_of_freedom
        Of the variance factor in each.

    Notes
    -----
    Satterthwaite (1946, doi:10.2307/3002019), with the traces of the inner-constraint solutions.

    Examples
    --------
    Two surveys that are alike, with 10 misclosures each:

    >>> pooled_degrees_of_freedom((np.eye(3), np.eye(3)), frame_of_level(3), (10.0, 10.0))
    20.0
    """
    complement = _orthogonal_complement(np.asarray(frame, np.float64))
    total = spread = 0.0
    for own, known in zip(covariances, degrees_of_freedom, strict=True):
        size = float(np.trace(complement.T @ np.asarray(own, np.float64) @ complement))
        total += size
        spread += size**2 / known
    return total**2 / spread if spread > 0 else math.inf


def congruency(
    shift: npt.ArrayLike,
    covariance: npt.ArrayLike,
    frame: npt.ArrayLike,
    noise_degrees_of_freedom: float = math.inf,
) -> Outcome:
    """Test whether differences between two surveys are no more than noise and frame.

    Parameters
    ----------
    shift : array, shape (n,)
        Second survey minus first.
    covariance : array, shape (n, n)
        Of the differences.
    frame : array, shape (n, d)
        What is no movement, see `frame_of_plan`.
    noise_degrees_of_freedom
        Degrees of freedom of the variance factor in `covariance`.

    Notes
    -----
    With B the directions square to `frame`, ``(B'd)' (B'QB)^-1 B'd`` is Pelzer's
    ``d' Q_dd^+ d`` of the inner-constraint solution, and the least weighted squares of d less any
    frame.

    Examples
    --------
    Four benchmarks of which the third sank by 5 mm; each difference has a sigma of 1 mm.

    >>> test = congruency([0, 0, -5.0, 0], np.eye(4), frame_of_level(4))
    >>> test.degrees_of_freedom, round(test.statistic, 9), test.passed
    (3, 6.25, False)
    """
    d, q, g = (np.asarray(a, np.float64) for a in (shift, covariance, frame))
    complement = _orthogonal_complement(g)
    projected = complement.T @ d
    projected_covariance = complement.T @ q @ complement
    if not len(projected):
        return Outcome(0.0, 0, noise_degrees_of_freedom, 1.0)
    value, vector = np.linalg.eigh(projected_covariance)
    is_estimable = value > max(float(np.trace(q)), 0.0) * 1e-12
    degrees_of_freedom = int(is_estimable.sum())
    if not degrees_of_freedom:
        return Outcome(0.0, 0, noise_degrees_of_freedom, 1.0)
    quadratic_form = float(
        (((vector[:, is_estimable].T @ projected) ** 2) / value[is_estimable]).sum()
    )
    return _tested(quadratic_form, degrees_of_freedom, noise_degrees_of_freedom)


def _orthogonal_complement(frame: Floats) -> Floats:
    """Return orthonormal directions square to the columns of a matrix, shape (n, n - rank)."""
    whole, sizes, _ = np.linalg.svd(frame)
    rank = int((sizes > sizes.max(initial=0.0) * 1e-9).sum())
    found: Floats = whole[:, rank:]
    return found


def _tested(
    quadratic_form: float, degrees_of_freedom: int, noise_degrees_of_freedom: float
) -> Outcome:
    if math.isinf(noise_degrees_of_freedom):
        probability = chi2_sf(quadratic_form, degrees_of_freedom)
    else:
        from scipy.special import fdtrc

        probability = float(
            fdtrc(degrees_of_freedom, noise_degrees_of_freedom, quadratic_form / degrees_of_freedom)
        )
    return Outcome(
        quadratic_form / degrees_of_freedom,
        degrees_of_freedom,
        noise_degrees_of_freedom,
        probability,
    )


def detectable(covariance: npt.ArrayLike, noise_degrees_of_freedom: float = math.inf) -> float:
    """Return the displacement that a test at 5 % finds in 80 of 100 cases.

    Parameters
    ----------
    covariance : array, shape (k, k)
        Of one mark's displacement; the answer holds for its worst direction.
    noise_degrees_of_freedom

    Notes
    -----
    Baarda (1968), A testing procedure for use in geodetic networks: the non-centrality at which the
    power is reached, 7.85 for one and 9.63 for two dimensions where the noise is known.

    Examples
    --------
    >>> round(detectable([[1.0]]) ** 2, 2), round(detectable(np.eye(2)) ** 2, 2)
    (7.85, 9.63)
    """
    from scipy.special import chndtr, fdtri, ncfdtr

    q = np.atleast_2d(np.asarray(covariance, np.float64))
    k = len(q)
    n = min(noise_degrees_of_freedom, 1e6)
    limit = float(fdtri(k, n, 1 - SIGNIFICANCE))

    def missed(non_centrality: float) -> float:
        if n >= 1e6:
            return float(chndtr(limit * k, k, non_centrality))
        return float(ncfdtr(k, n, non_centrality, limit))

    low, high = 0.0, 10.0
    while missed(high) > 1 - POWER:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if missed(middle) > 1 - POWER else (low, middle)
    return math.sqrt((low + high) / 2 * max(float(np.linalg.eigvalsh(q)[-1]), 0.0))


def find_stable(
    shift: npt.ArrayLike,
    covariance: npt.ArrayLike,
    frame: npt.ArrayLike,
    *,
    size: int,
    noise_degrees_of_freedom: float = math.inf,
) -> Stability:
    """Find the marks that kept their places, and how far the others moved.

    Parameters
    ----------
    shift, covariance, frame
        As for `congruency`.
    size
        Numbers per mark: 2 in plan, 1 in height.
    noise_degrees_of_freedom

    Notes
    -----
    While the marks thought stable are not congruent, the one is taken out whose removal leaves the
    least squares (Pelzer's localisation); those that fit the rest after all come back. Every mark
    is then measured against the stable ones, a stable one against the other stable ones, by least
    squares: its test is what the quadratic form of all grows by with it (the general linear
    hypothesis; Caspary 2000, ch. 4).

    Examples
    --------
    >>> found = find_stable([0.2, -0.1, -5.0, 0.3], np.eye(4), frame_of_level(4), size=1)
    >>> found.stable.tolist(), round(float(found.marks[2].shift[0]), 2)
    ([True, True, False, True], -5.13)
    """
    d, q, g = (np.asarray(a, np.float64) for a in (shift, covariance, frame))
    count = len(d) // size
    least = 2  # marks; one tells nothing
    stable = np.ones(count, bool)

    def tested(marks: Mask) -> Outcome:
        rows = np.repeat(marks, size)
        return congruency(d[rows], q[np.ix_(rows, rows)], g[rows], noise_degrees_of_freedom)

    first = last = tested(stable)
    doubtful: list[int] = []
    while not last.passed and stable.sum() > least:
        without = {}
        for mark in np.flatnonzero(stable).tolist():
            candidate = stable.copy()
            candidate[mark] = False
            without[mark] = tested(candidate)
        quadratic_form = {
            mark: test.statistic * test.degrees_of_freedom for mark, test in without.items()
        }
        worst = min(quadratic_form, key=quadratic_form.__getitem__)
        doubtful += [
            mark
            for mark, remaining in quadratic_form.items()
            if mark != worst
            and remaining - quadratic_form[worst] < AS_GOOD
            and without[mark].passed
        ]
        stable[worst] = False
        last = without[worst]
    moved = [
        _against(d, q, g, stable, mark, size, noise_degrees_of_freedom) for mark in range(count)
    ]
    # one that was taken out for the sake of another comes back where it fits after all
    for mark in sorted(range(count), key=lambda m: -moved[m].test.probability):
        more = stable.copy()
        more[mark] = True
        if not stable[mark] and moved[mark].test.passed and tested(more).passed:
            stable, last = more, tested(more)
    moved = [
        _against(d, q, g, stable, mark, size, noise_degrees_of_freedom) for mark in range(count)
    ]
    return Stability(
        first,
        stable,
        last,
        tuple(moved),
        _frame(d, q, g, np.repeat(stable, size))[0],
        tuple(mark for mark in dict.fromkeys(doubtful) if stable[mark]),
    )


def _against(
    d: Floats,
    q: Floats,
    g: Floats,
    stable: Mask,
    mark: int,
    size: int,
    noise_degrees_of_freedom: float,
) -> Moved:
    """Return a mark's displacement against the stable marks, itself left out.

    The least squares estimate of what it moved by, where the others did not: the frame that they
    hold is taken out of it, and what it errs by together with them. One other mark leaves the turn
    open: then it is the whole change of their distance.
    """
    others = stable.copy()
    others[mark] = False
    rows = np.repeat(others, size)
    here = np.arange(mark * size, (mark + 1) * size)
    contrast = np.zeros((size, len(d)))
    is_along_only = rows.sum() < g.shape[1]
    if is_along_only:
        across = g[here, 2] - g[rows, 2]
        length = float(np.linalg.norm(across)) or 1.0
        contrast[:, here] = np.eye(size) - np.outer(across, across) / length**2
        contrast[:, rows] = -contrast[:, here]
    else:
        _, gain, weight = _frame(d, q, g, rows)
        contrast[np.arange(size), here] = 1.0
        contrast[:, rows] -= g[here] @ gain
        left = weight - weight @ g[rows] @ gain
        contrast[:, rows] -= q[np.ix_(here, np.flatnonzero(rows))] @ left
    shift, contrast_covariance = contrast @ d, contrast @ q @ contrast.T
    value = float(shift @ np.linalg.pinv(contrast_covariance, rcond=1e-9, hermitian=True) @ shift)
    rank = int(
        np.linalg.matrix_rank(
            contrast_covariance, hermitian=True, tol=1e-9 * np.abs(contrast_covariance).max()
        )
    )
    test = (
        _tested(value, rank, noise_degrees_of_freedom)
        if rank
        else Outcome(0.0, 0, noise_degrees_of_freedom, 1.0)
    )
    return Moved(shift, contrast_covariance, test, is_along_only)


def _frame(d: Floats, q: Floats, g: Floats, rows: Mask) -> tuple[Floats, Floats, Floats]:
    """Return the frame's parameters from some rows, their gain on these rows, and the weights.

    Of marks that are known exactly in both surveys the covariance is nothing, and its generalised
    inverse would give them no weight instead of all. So what the frame itself does is added to it,
    which changes no weights where it is regular (Rao 1973, Linear Statistical Inference and Its
    Applications, section 4i: unified theory of least squares).
    """
    own, part = q[np.ix_(rows, rows)], g[rows]
    size = np.linalg.norm(part, axis=0)
    unit = part / np.where(size > 0, size, 1.0)
    spread = float(np.trace(own)) / len(own) or 1.0
    whole = own + spread * unit @ unit.T
    weight = np.asarray(np.linalg.pinv(whole, rcond=1e-12, hermitian=True), np.float64)
    normal = part.T @ weight @ part
    gain: Floats = np.linalg.pinv(normal, hermitian=True) @ part.T @ weight
    return gain @ d[rows], gain, weight
