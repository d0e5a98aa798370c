"""Loops: a run that comes back to a mark."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from geosite.base.arrays import Floats
from geosite.fieldbook.model import FieldBook
from geosite.network.model import Closure
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Walk

__all__ = ["loops"]


def loops(book: FieldBook, walk: Walk, device: Device) -> tuple[Closure, ...]:
    """Return the misclosure of every loop: from one visit of a mark to the next by the same run.

    A visit right after another without a leg between (standing still) is not a loop.

    Notes
    -----
    A heading that strays on a leg by eta turns all that follows: it moves the end of the loop by
    eta times the distance of the end from that leg, so that the misclosure of a loop has the
    variance ``kappa^2`` times the sum of the legs times the squares of their distances. The scale
    does nothing to a loop.
    """
    strayed = _strayed(book, walk, device)
    ground = _ground(book, walk)
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
        length = float(ground[end] - ground[start])
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
                sigma_m=float(
                    np.sqrt(
                        walk.variance_between(start, end)
                        + 2 * device.pointing**2
                        + strayed(start, end) / 2
                    )
                ),
            )
        )
    return tuple(found)


def _ground(book: FieldBook, walk: Walk) -> Floats:
    """Return the running sum of the horizontal lengths of the legs, metres; within a run."""
    step = np.zeros((len(walk.row), 2))
    step[1:] = np.diff(book.local[walk.row, :2], axis=0)
    step[np.append(True, walk.run[1:] != walk.run[:-1])] = 0.0
    return np.cumsum(np.hypot(step[:, 0], step[:, 1]))


def _strayed(book: FieldBook, walk: Walk, device: Device) -> Callable[[int, int], float]:
    """Return what straying headings add to the square of a loop's misclosure, both axes."""
    place = book.local[walk.row, :2]
    middle = place.copy()
    middle[1:] = (place[1:] + place[:-1]) / 2
    variance = device.heading**2 * walk.way
    sums: Floats = np.cumsum(
        np.column_stack([np.ones(len(middle)), middle, (middle**2).sum(axis=1)])
        * variance[:, None],
        axis=0,
    )

    def over(start: int, end: int) -> float:
        count, east, north, square = sums[end] - sums[start]
        x, y = place[end]
        return max(float(count * (x * x + y * y) - 2 * (x * east + y * north) + square), 0.0)

    return over
