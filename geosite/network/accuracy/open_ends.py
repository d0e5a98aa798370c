"""Ends of runs that come back to no common mark, and how far they may have drifted there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Ints
from geosite.fieldbook.model import FieldBook
from geosite.network.accuracy.ellipses import relative_ellipses
from geosite.network.covariance import intervals
from geosite.network.model import LinearForm, Network
from geosite.network.walk.runs import Walk

__all__ = ["OpenEnd", "open_ends", "open_stretches"]


@dataclass(frozen=True, slots=True)
class OpenEnd:
    """The end of a run that comes back to no common mark.

    Parameters
    ----------
    run, since
        The run, and the last common mark that it visited.
    row
        Its last observation.
    drift_95_m, drift_up_95_m
        How far that may be off, as seen from the last common mark: semi-major axis of the 95 %
        ellipse, and half the 95 % interval of the rise, metres. Infinite or NaN where the accuracy
        is not known.
    """

    run: str
    since: str
    row: int
    drift_95_m: float
    drift_up_95_m: float


def open_stretches(walk: Walk) -> list[Ints]:
    """Return positions after the last common mark of a run, an array for each run that has such."""
    at = np.flatnonzero(walk.after < 0)
    # every run meets the baseline, so the end of one never touches that of the next
    return np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(at) else []


def open_ends(network: Network, book: FieldBook, walk: Walk) -> tuple[OpenEnd, ...]:
    """Return the ends of runs that nothing checks, the one that may have drifted most first.

    An end on which neither a mark nor a shape was noted is left out: nothing is made of it, such as
    the way to where the device was switched off.
    """
    used = (book.mark >= 0) | (book.feature >= 0)
    ends = [at for at in open_stretches(walk) if used[walk.row[at]].any()]
    if not ends:
        return ()
    nodes = np.array([walk.before[at[-1]] for at in ends])
    last = np.array([walk.row[at[-1]] for at in ends])
    since = walk.row[nodes]
    axes = network.ellipse_factor * relative_ellipses(network, since, last)[0]
    apart, none = np.array([-1.0, 1.0]), np.zeros(2)
    rises = [
        LinearForm(np.array(pair), none, none, apart) for pair in zip(since, last, strict=True)
    ]
    up = intervals(network, rises)
    found = [
        OpenEnd(
            run=book.runs[book.run[row]],
            since=walk.knots[walk.knot[node]],
            row=int(row),
            drift_95_m=float(axis),
            drift_up_95_m=float(half),
        )
        for node, row, axis, half in zip(nodes, last, axes, up, strict=True)
    ]
    return tuple(sorted(found, key=lambda end: (-end.drift_95_m, end.run)))
