"""How the runs hang together: knots, the legs between them, loops.

A leg is the step between two consecutive observations of a run. Marks seen once carry no
information about others: the legs between two visits to knots act as one long leg.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints, Shorts
from geosite.fieldbook.model import FieldBook
from geosite.network.walk.device import Device

Complexes = npt.NDArray[np.complex128]

__all__ = ["PIECE", "Complexes", "Piece", "Walk", "scaled_path", "sum_at", "walk_runs"]

PIECE = 1 << 16
"""Positions of a long walk treated together, so that not all of it is held several times over."""

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
    A visit to a knot is a node; a long leg is the walk from one node of a run to the next.

    Parameters
    ----------
    knots : tuple of str
        Marks with an unknown place of their own: seen more than once, anchored, on the baseline.
    row : array, shape (n,)
        Observation at each position.
    run, knot : array, shape (n,)
        Run and knot (``-1`` on the way) at each position.
    before, after : array, shape (n,)
        Position of the node at or before, at or after, in the same run; ``-1`` where none.
    way : array, shape (n,)
        Length of the leg that ends at each position, metres; 0 where a run starts.
    step_variance, step_variance_up : array, shape (n,)
        A-priori variance of the random walk on that leg, per horizontal axis and upwards, square
        metres.
    leg_start, leg_end : array, shape (s,)
        Positions of the two ends of each long leg.
    """

    knots: tuple[str, ...]
    row: Shorts
    run: Shorts
    knot: Shorts
    before: Shorts
    after: Shorts
    way: Floats
    step_variance: Floats
    step_variance_up: Floats
    leg_start: Ints
    leg_end: Ints

    @property
    def length(self) -> Floats:
        """Running sum of the legs from the start of the first run, metres.

        Only differences within a run mean something.
        """
        return np.cumsum(self.way)

    @property
    def variance(self) -> Floats:
        """Running sum of the random walk's variance per horizontal axis, square metres."""
        return np.cumsum(self.step_variance)

    def variance_between(self, start: int, end: int) -> float:
        """Return the random walk's variance per horizontal axis from one position to another."""
        return float(self.step_variance[min(start, end) + 1 : max(start, end) + 1].sum())

    @cached_property
    def nodes(self) -> Ints:
        """Position of each node, shape (m,)."""
        return np.flatnonzero(self.knot >= 0)

    @cached_property
    def node_at(self) -> Shorts:
        """Node at each position, ``-1`` where none."""
        found = np.full(len(self.row), -1, dtype=np.int32)
        found[self.nodes] = np.arange(len(self.nodes))
        return found

    @cached_property
    def leg_of_step(self) -> Shorts:
        """Long leg to which the leg that ends at each position belongs, ``-1`` for open ends."""
        number = np.full(len(self.row) + 1, -1, dtype=np.int32)
        number[self.leg_end] = np.arange(len(self.leg_end))
        of_step: Shorts = number[self.after]
        of_step[self.reference >= self.after] = -1
        return of_step

    @cached_property
    def reference(self) -> Shorts:
        """Position of the node from which the leg that ends at each position is reckoned.

        The node before; that after where a run has not met a knot yet.
        """
        before = np.empty_like(self.before)
        before[1:] = self.before[:-1]
        first = np.append(True, self.run[1:] != self.run[:-1])
        before[first] = self.before[first]
        return np.where(before >= 0, before, self.after)

    @property
    def leg_variance(self) -> Floats:
        """A-priori variance of the random walk per horizontal axis on each long leg."""
        variance = self.variance
        return variance[self.leg_end] - variance[self.leg_start]

    @cached_property
    def _leg_bounds(self) -> Ints:
        """First position on each long leg and first after it, one after the other."""
        bounds = np.column_stack([self.leg_start, self.leg_end]).ravel() + 1
        return bounds[:-1] if len(bounds) and bounds[-1] == len(self.row) else bounds

    def along_legs(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return the sums of the values of its legs along each long leg, shape (s,)."""
        if not len(self.leg_start):
            return np.zeros(0, dtype=values.dtype)
        return np.asarray(np.add.reduceat(values, self._leg_bounds)[::2])

    @property
    def leg_from(self) -> Ints:
        """Knot each long leg leaves."""
        return self.knot[self.leg_start].astype(np.int64)

    @property
    def leg_to(self) -> Ints:
        """Knot each long leg reaches."""
        return self.knot[self.leg_end].astype(np.int64)

    @property
    def leg_run(self) -> Ints:
        """Run of each long leg."""
        return self.run[self.leg_start].astype(np.int64)

    def pieces(self) -> Iterator[Piece]:
        """Yield the walk in pieces of whole runs, about `PIECE` positions each: no leg is cut."""
        count = len(self.row)
        if count <= PIECE:
            yield Piece(
                self, slice(0, count), slice(0, len(self.nodes)), slice(0, len(self.leg_end))
            )
            return
        bounds = np.append(np.flatnonzero(np.diff(self.run, prepend=-1)), count)
        start = 0
        while start < count:
            last = int(np.searchsorted(bounds, start + PIECE, side="right")) - 1
            end = int(bounds[last])
            if end <= start:  # a run longer than a piece
                end = int(bounds[last + 1])
            yield self._piece(start, end)
            start = end

    def _piece(self, start: int, end: int) -> Piece:
        at = slice(start, end)
        nodes = slice(*np.searchsorted(self.nodes, [start, end]).tolist())
        legs = slice(*np.searchsorted(self.leg_end, [start, end]).tolist())
        before, after = self.before[at], self.after[at]
        walk = Walk(
            knots=self.knots,
            row=self.row[at],
            run=self.run[at],
            knot=self.knot[at],
            before=np.where(before >= 0, before - start, -1).astype(np.int32),
            after=np.where(after >= 0, after - start, -1).astype(np.int32),
            way=self.way[at],
            step_variance=self.step_variance[at],
            step_variance_up=self.step_variance_up[at],
            leg_start=self.leg_start[legs] - start,
            leg_end=self.leg_end[legs] - start,
        )
        return Piece(walk, at, nodes, legs)


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """Some whole runs of a walk, as a walk of their own.

    Parameters
    ----------
    walk
        Its positions, nodes and long legs are counted from its start; runs and knots are those of
        the whole.
    at, nodes, legs
        Its positions, nodes and long legs in the whole walk.
    """

    walk: Walk
    at: slice
    nodes: slice
    legs: slice


def sum_at(places: Ints, values: Floats, size: int) -> Floats:
    """Return the sums of the values at each place 0 .. size - 1.

    Examples
    --------
    >>> sum_at(np.array([0, 2, 0]), np.array([1.0, 2.0, 3.0]), 3)
    array([4., 0., 2.])
    """
    return np.asarray(np.bincount(places, values, size), dtype=np.float64)


def _step_variances(
    book: FieldBook, row: Shorts, first: Ints, way: Floats, device: Device
) -> tuple[Floats, Floats]:
    """Variance of the random walk on each leg, horizontal and up, shapes (n,), square metres.

    One array where both are the same.
    """
    spent = way
    if book.time is not None:
        spent = np.diff(book.time[row], prepend=0.0)
        # a clock that stands or runs backwards, or a time that is not there: by the way

    def of(per_metre: float, per_second: float | None) -> Floats:
        if device.leg == 0 and per_metre == 0:
            per_metre = LEAST_PER_METRE**0.5
        variance = device.leg**2 + per_metre**2 * way
        if per_second is not None and book.time is not None:
            timed = np.isfinite(spent) & (spent > 0)
            variance = np.where(timed, per_second**2 * np.where(timed, spent, 0.0), variance)
        least = max(LEAST_VARIANCE, LEAST_SHARE * float(variance.max(initial=0.0)))
        return np.where(first, 0.0, np.maximum(variance, least))

    in_plan = device.walk, device.walk_per_second
    upwards = device.walk_up, device.walk_up_per_second
    plan = of(*in_plan)
    return plan, plan if upwards == in_plan else of(*upwards)


def walk_runs(book: FieldBook, device: Device, always: frozenset[str]) -> Walk:
    """Put the observations in walking order and find knots and long legs.

    Parameters
    ----------
    book
        The field book.
    device
        Its random walk.
    always
        Marks that are knots even when seen once (anchored, baseline).

    Returns
    -------
    Walk
    """
    row = np.argsort(book.run, kind="stable").astype(np.int32)
    run, local, mark = book.run[row].astype(np.int32), book.local[row], book.mark[row]
    n = len(row)
    step = np.zeros((n, 3))
    step[1:] = np.diff(local, axis=0)
    first = np.append(True, run[1:] != run[:-1])
    step[first] = 0.0
    way = np.sqrt((step**2).sum(axis=1))
    plan, up = _step_variances(book, row, first, way, device)

    seen = np.bincount(mark[mark >= 0], minlength=len(book.marks))
    is_knot_mark = seen > 1
    for number, name in enumerate(book.marks):
        if name in always and seen[number]:
            is_knot_mark[number] = True
    number_of = np.full(len(book.marks) + 1, -1, dtype=np.int32)  # the last one for unnamed
    number_of[:-1][is_knot_mark] = np.arange(int(is_knot_mark.sum()))
    knot = number_of[mark]
    knots = tuple(name for name, is_one in zip(book.marks, is_knot_mark, strict=True) if is_one)

    at = np.arange(n, dtype=np.int32)
    run_start = np.maximum.accumulate(np.where(first, at, 0))
    before = np.maximum.accumulate(np.where(knot >= 0, at, -1))
    before = np.where(before >= run_start, before, -1)
    last = np.append(first[1:], True)
    run_end = np.minimum.accumulate(np.where(last, at, np.int32(n))[::-1])[::-1]
    after = np.minimum.accumulate(np.where(knot >= 0, at, np.int32(n))[::-1])[::-1]
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
        way=way,
        step_variance=plan,
        step_variance_up=up,
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
