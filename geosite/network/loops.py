"""Loops: a run that comes back to a mark."""

from __future__ import annotations

import numpy as np

from geosite.fieldbook.model import FieldBook
from geosite.network.model import Closure
from geosite.network.walk import Walk

__all__ = ["loops"]


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
