"""Runs whose heights mirror those of the other runs: their z lost its sign.

A device that is not good enough hides it: twice the relief of a flat yard is no misclosure that it
could not have. But heights that fell in one run at just those marks where they rose in the others
are no noise. Of a survey of one run nothing tells it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.exact_numbers import fixed
from geosite.fieldbook.model import FieldBook

__all__ = ["UpsideDown", "upside_down", "upside_down_findings"]

FEWEST = 4
"""Common marks that tell: the rises between fewer may be mirrored by chance."""
LEAST_M = 0.10
"""Heights that miss by less as they were walked say nothing."""
TIMES = 4.0
"""By so much better must they fit mirrored."""
NOISE = 2.0
"""Times the largest misclosure in height by which they must miss as they were walked."""
TILT = 0.015
"""Of how far the marks lie apart: two runs whose devices lean the other way each miss by as much.

One and a half times the standard deviation of the difference of two tilts of 0.4 degrees, those
of a device that nothing is known of.
"""
RUNS_TOLD = 5


@dataclass(frozen=True, slots=True)
class UpsideDown:
    """A run that fits the others with the sign of its z changed.

    Parameters
    ----------
    run
        Index of it.
    marks
        How many marks it shares with others.
    missed, mirrored
        Root mean square by which its heights miss those of the others, as they were walked and
        with the other sign, metres.
    """

    run: int
    marks: int
    missed: float
    mirrored: float


def upside_down(book: FieldBook) -> tuple[UpsideDown, ...]:
    """Return the runs whose heights mirror those of all other runs.

    Each run has a height of its own to count from, so that only differences of height are compared.
    Its misclosures, which a lost sign does not change, say what its noise is.

    Parameters
    ----------
    book
        In metres.

    Examples
    --------
    Two runs over the same five marks; the second has every z with the wrong sign. Nothing says
    which of the two is right:

    >>> from geosite.fieldbook.book import book_from_text
    >>> z = [0, 0.11, -0.32, 0.28, -0.2]
    >>> rows = [f"{r},A{k},{5 * k},0,{s * up}" for r, s in (("R1", 1), ("R2", -1))
    ...         for k, up in enumerate(z)]
    >>> found = upside_down(book_from_text(chr(10).join(["run,point,x,y,z", *rows])))
    >>> [(one.run, one.marks, round(one.missed, 2), one.mirrored) for one in found]
    [(0, 5, 0.43, 0.0), (1, 5, 0.43, 0.0)]
    """
    if len(book.runs) < 2:
        return ()
    run, mark, place, noise = _visits(book)
    # every run counts from its own zero: each less its mean over the marks that others have too
    seen = np.bincount(mark, minlength=len(book.marks))
    shared = seen[mark] > 1
    run, mark, place = run[shared], mark[shared], place[shared]
    if not len(run):
        return ()
    height = place[:, 2] - _mean(place[:, 2], run, len(book.runs))[run]
    total = np.bincount(mark, height, len(book.marks))
    others = (total[mark] - height) / (seen[mark] - 1)
    found = []
    order = np.argsort(run, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(run[order])) + 1):
        if len(rows) < FEWEST:
            continue
        own, other = height[rows] - height[rows].mean(), others[rows] - others[rows].mean()
        missed, mirrored = (float(np.sqrt(np.mean((own - s * other) ** 2))) for s in (1, -1))
        spread = float(np.hypot(*np.std(place[rows, :2], axis=0)))
        if missed > max(LEAST_M, TIMES * mirrored, NOISE * noise, TILT * spread):
            found.append(UpsideDown(int(run[rows[0]]), len(rows), missed, mirrored))
    return tuple(found)


def _visits(book: FieldBook) -> tuple[Ints, Ints, Floats, float]:
    """Return run, mark and mean x, y, z of what each run visited, and the worst misclosure in z."""
    rows = np.flatnonzero(book.mark >= 0)
    key = book.run[rows].astype(np.int64) * len(book.marks) + book.mark[rows]
    met, at = np.unique(key, return_inverse=True)
    z = book.local[rows, 2]
    highest, lowest = np.full(len(met), -np.inf), np.full(len(met), np.inf)
    np.maximum.at(highest, at, z)
    np.minimum.at(lowest, at, z)
    run, mark = np.divmod(met, max(len(book.marks), 1))
    place = np.column_stack([_mean(axis, at, len(met)) for axis in book.local[rows].T])
    return run, mark, place, float(np.max(highest - lowest, initial=0.0))


def _mean(values: Floats, of: Ints, count: int) -> Floats:
    many = np.maximum(np.bincount(of, minlength=count), 1)
    return np.asarray(np.bincount(of, values, count) / many)


def upside_down_findings(book: FieldBook) -> list[Finding]:
    """Say which runs have heights that mirror those of the others.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> upside_down_findings(book_from_text("run,point,x,y,z" + chr(10) + "R1,B1,0,0,0"))
    []
    """
    found = upside_down(book)
    if not found:
        return []
    first = found[0]
    line = int(book.line[np.argmax(book.run == first.run)])
    which = _listed([book.runs[one.run] for one in found])
    text = (
        f"Heights of run {which} mirror those of the other runs: at the {first.marks} marks that "
        f"they share they differ by {fixed(first.missed, 2)} m as walked, and by "
        f"{fixed(first.mirrored, 2)} m with the sign of z changed. Is z positive downwards there?"
    )
    return [Finding("look", "run-heights-mirrored", text, book.file, line)]


def _listed(names: Sequence[str]) -> str:
    rest = len(names) - RUNS_TOLD
    told = list(names[:RUNS_TOLD])
    return " or ".join(told) + (f" or {rest} more" if rest > 0 else "")
