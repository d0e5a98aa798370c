"""How the runs hang together: knots, the chains of legs between them, and loops.

A leg is the step between two consecutive observations of a run. Its error is a random step with
variance ``a^2 + b^2 length`` per axis, so the drift of a run is a random walk. Marks seen once
carry no information about others: the chain of legs between two knots acts as one long leg whose
variance is the sum of its legs' variances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import LegNoise
from geosite.network.model import Chains, Closure

Complexes = npt.NDArray[np.complex128]

__all__ = ["Complexes", "Walk", "loops", "make_chains", "scaled_path", "sum_at", "walk_runs"]

# A leg is never taken as perfect: 10 micrometres, and 0.1 mm per square root of a metre where the
# site file sets all noise to zero, so that the misclosure is shared out by length (compass rule).
# Nor is one so much better than the worst that their weights share no digits.
LEAST_VARIANCE = 1e-10
LEAST_SHARE = 1e-10
LEAST_PER_METRE = 1e-8


@dataclass(frozen=True, eq=False)
class Walk:
    """The legs of all runs, condensed to long legs between knots.

    Positions are places in walking order, run after run; `row` turns them into observation numbers.

    Parameters
    ----------
    knots : tuple of str
        Mark names.
    row : array, shape (n,)
        Observation at each position.
    run, knot : array, shape (n,)
        Run and knot (``-1`` inside a chain) at each position.
    before, after : array, shape (n,)
        Position of the knot at or before, at or after, in the same run; ``-1`` where none.
    length, ground, variance : array, shape (n,)
        Running sums from the start of the first run: length and horizontal length of the legs
        (metres), their variance per axis (square metres). Only differences within a run mean
        something.
    leg_start, leg_end : array, shape (s,)
        Positions of the two ends of each long leg.
    """

    knots: tuple[str, ...]
    row: Ints
    run: Ints
    knot: Ints
    before: Ints
    after: Ints
    length: Floats
    ground: Floats
    variance: Floats
    leg_start: Ints
    leg_end: Ints

    @property
    def leg_variance(self) -> Floats:
        """A-priori variance per axis of each long leg, square metres."""
        return self.variance[self.leg_end] - self.variance[self.leg_start]

    @property
    def leg_from(self) -> Ints:
        """Knot each long leg leaves."""
        return self.knot[self.leg_start]

    @property
    def leg_to(self) -> Ints:
        """Knot each long leg reaches."""
        return self.knot[self.leg_end]

    @property
    def leg_run(self) -> Ints:
        """Run of each long leg."""
        return self.run[self.leg_start]


def sum_at(places: Ints, values: Floats, size: int) -> Floats:
    """Return the sums of the values at each place 0 .. size - 1."""
    return np.asarray(np.bincount(places, values, size), dtype=np.float64)


def walk_runs(book: FieldBook, noise: LegNoise, always: frozenset[str]) -> Walk:
    """Put the observations in walking order and find knots and long legs.

    Parameters
    ----------
    book
        The field book.
    noise
        Standard deviation of one leg.
    always
        Marks that are knots even when seen once (anchored, baseline).

    Returns
    -------
    Walk
    """
    row = np.argsort(book.run, kind="stable")
    run, local, mark = book.run[row], book.local[row], book.mark[row]
    n = len(row)
    step = np.zeros((n, 3))
    step[1:] = np.diff(local, axis=0)
    first = np.ones(n, dtype=bool)
    first[1:] = run[1:] != run[:-1]
    step[first] = 0.0
    length = np.sqrt((step**2).sum(axis=1))
    a, b = noise.constant, noise.per_sqrt_metre
    per_metre = b**2 if a > 0 or b > 0 else LEAST_PER_METRE
    variance = a**2 + per_metre * length
    least = max(LEAST_VARIANCE, LEAST_SHARE * float(variance.max(initial=0.0)))
    variance = np.where(first, 0.0, np.maximum(variance, least))

    seen = np.bincount(mark[mark >= 0], minlength=len(book.marks))
    is_knot_mark = seen > 1
    for number, name in enumerate(book.marks):
        if name in always and seen[number]:
            is_knot_mark[number] = True
    number_of = np.full(len(book.marks) + 1, -1, dtype=np.int64)  # the last one for unnamed
    number_of[:-1][is_knot_mark] = np.arange(int(is_knot_mark.sum()))
    knot = number_of[mark]
    knots = tuple(name for name, is_one in zip(book.marks, is_knot_mark, strict=True) if is_one)

    at = np.arange(n)
    run_start = np.maximum.accumulate(np.where(first, at, 0))
    before = np.maximum.accumulate(np.where(knot >= 0, at, -1))
    before = np.where(before >= run_start, before, -1)
    last = np.append(first[1:], True)
    run_end = np.minimum.accumulate(np.where(last, at, n)[::-1])[::-1]
    after = np.minimum.accumulate(np.where(knot >= 0, at, n)[::-1])[::-1]
    after = np.where(after <= run_end, after, -1)

    stops = np.flatnonzero(knot >= 0)
    same = run[stops[1:]] == run[stops[:-1]]
    return Walk(
        knots=knots,
        row=row,
        run=run,
        knot=knot,
        before=before,
        after=after,
        length=np.cumsum(length),
        ground=np.cumsum(np.hypot(step[:, 0], step[:, 1])),
        variance=np.cumsum(variance),
        leg_start=stops[:-1][same],
        leg_end=stops[1:][same],
    )


def scaled_path(walk: Walk, local: Floats, factor: float | Complexes) -> Floats:
    """Return the walked path in grid metres, horizontally scaled, in each run's own frame.

    Parameters
    ----------
    walk
    local : array, shape (n, 3)
        Field-book coordinates, metres, in field-book order.
    factor : float or array of complex, shape (n,)
        Combined factor; or, of the leg that ends at each position, the combined factor times
        ``exp(i turn)``, turn counter-clockwise.

    Returns
    -------
    array, shape (n, 3), in walking order
        Only differences within a run mean something.
    """
    path = local[walk.row]
    if isinstance(factor, float):
        scaled: Floats = path * np.array([factor, factor, 1.0])
        return scaled
    step = np.zeros_like(path)
    step[1:] = np.diff(path, axis=0)
    plane = (step[:, 0] + 1j * step[:, 1]) * factor
    step[:, 0], step[:, 1] = plane.real, plane.imag
    return np.cumsum(step, axis=0)


def make_chains(walk: Walk, path: Floats, orientation: Floats) -> tuple[Chains, Floats, Floats]:
    """Say how each observation hangs on the knots.

    Parameters
    ----------
    walk, path
        From `walk_runs` and `scaled_path`.
    orientation : array, shape (runs,)
        Radians.

    Returns
    -------
    chains
        In field-book order.
    offset, rise : array, shape (n, 2) and (n,)
        What to add to ``(1 - f) X[start] + f X[end]``: grid metres and metres.
    """
    at = np.arange(len(walk.row))
    before, after = walk.before, walk.after
    on_knot = walk.knot >= 0
    bounded = (before >= 0) & (after >= 0) & ~on_knot
    tail = (before >= 0) & (after < 0)
    head = (before < 0) & (after >= 0)
    start = np.where(before >= 0, before, after)
    end = np.where(bounded, after, start)
    spent = np.abs(walk.variance - walk.variance[start])
    total = np.where(bounded, walk.variance[end] - walk.variance[start], spent)
    first = np.append(True, walk.run[1:] != walk.run[:-1])
    number = np.cumsum(first) - 1  # runs in order of appearance: positions are sorted by run
    at_first = walk.variance[np.flatnonzero(first)][number]
    at_last = walk.variance[np.flatnonzero(np.append(first[1:], True))][number]
    total = np.where(tail, at_last - walk.variance[start], total)
    total = np.where(head, walk.variance[start] - at_first, total)
    fraction = np.where(bounded, spent / np.where(bounded, total, 1.0), 0.0)
    moved = path - path[start] - fraction[:, None] * (path[end] - path[start])
    cosine, sine = np.cos(orientation)[walk.run], np.sin(orientation)[walk.run]
    offset = np.column_stack(
        [moved[:, 0] * cosine - moved[:, 1] * sine, moved[:, 0] * sine + moved[:, 1] * cosine]
    )
    # one number per chain: the position of the knot before it, or n plus that of the knot after
    chain = np.where(on_knot, -1, np.where(head, len(at) + start, start))
    back = np.empty(len(at), dtype=np.int64)
    back[walk.row] = at
    chains = Chains(
        knots=walk.knots,
        run=walk.run[back],
        start=walk.knot[start][back],
        end=walk.knot[end][back],
        chain=chain[back],
        fraction=fraction[back],
        variance=np.where(on_knot, 0.0, spent)[back],
        total=np.where(on_knot, 0.0, total)[back],
        is_open=(tail | head)[back],
        turn=np.column_stack([-offset[:, 1], offset[:, 0]])[back],
    )
    return chains, offset[back], moved[back, 2]


def loops(book: FieldBook, walk: Walk) -> tuple[Closure, ...]:
    """Return the misclosure of every loop: from one visit of a mark to the next by the same run.

    A visit right after another without a leg between (standing still) is not a loop.
    """
    stops = np.flatnonzero(walk.knot >= 0)
    by_mark = stops[np.lexsort((stops, walk.knot[stops], walk.run[stops]))]
    pair = (walk.run[by_mark[1:]] == walk.run[by_mark[:-1]]) & (
        walk.knot[by_mark[1:]] == walk.knot[by_mark[:-1]]
    )
    starts, ends = by_mark[:-1][pair], by_mark[1:][pair]
    ordered = np.argsort(ends, kind="stable")
    found = []
    for start, end in zip(starts[ordered].tolist(), ends[ordered].tolist(), strict=True):
        if end - start < 2:
            continue
        gap = book.local[walk.row[end]] - book.local[walk.row[start]]
        length = float(walk.ground[end] - walk.ground[start])
        misclosure = float(np.hypot(gap[0], gap[1]))
        found.append(
            Closure(
                run=book.runs[walk.run[start]],
                mark=walk.knots[walk.knot[start]],
                first_line=int(book.line[walk.row[start]]),
                last_line=int(book.line[walk.row[end]]),
                length_m=length,
                misclosure_m=misclosure,
                misclosure_up_m=float(gap[2]),
                ratio=length / misclosure if misclosure > 0 else float("inf"),
                sigma_m=float(np.sqrt(walk.variance[end] - walk.variance[start])),
            )
        )
    return tuple(found)
