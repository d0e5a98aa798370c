"""Walks laid on each other by the baseline alone: good enough to look at, not to measure on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook

__all__ = ["LaidOut", "Misclosure", "lay_out"]


@dataclass(frozen=True, slots=True)
class Misclosure:
    """Two looks at one mark in one walk.

    Parameters
    ----------
    mark
    before, after
        Rows.
    length_m
        In space, metres.
    way_m
        Walked between them, metres.
    """

    mark: str
    before: int
    after: int
    length_m: float
    way_m: float


@dataclass(frozen=True, eq=False)
class LaidOut:
    """Observations on one plan.

    Parameters
    ----------
    plan : array, shape (n, 2), metres
        The first walk's own axes; every other walk moved and turned onto its baseline.
    placed : array of bool, shape (n,)
        Whether the walk of each row has both baseline marks; without them it lies where it began.
    misclosures
        Worst first.
    """

    plan: Floats
    placed: Ints
    misclosures: tuple[Misclosure, ...]


def lay_out(book: FieldBook, baseline: tuple[str, str]) -> LaidOut:
    """Lay every walk on the first by the baseline.

    Parameters
    ----------
    book
        In metres.
    baseline
        Names of its two marks.

    Examples
    --------
    The second walk was begun facing another way: its baseline runs along y.

    >>> from geosite.fieldbook.book import book_from_text
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0
    ... R1,B2,10,0,0
    ... R2,B1,0,0,0
    ... R2,B2,0,10,0
    ... R2,A1,-4,10,0''')
    >>> lay_out(book, ("B1", "B2")).plan[-1].round(9).tolist()
    [10.0, 4.0]
    """
    plan = book.local[:, :2].copy()
    placed = np.zeros(len(book), dtype=np.int64)
    number = {name: i for i, name in enumerate(book.marks)}
    ends = [number.get(name, -2) for name in baseline]
    target: complex | None = None
    origin = 0j
    for run in range(len(book.runs)):
        rows = np.flatnonzero(book.run == run)
        visits = [rows[book.mark[rows] == end] for end in ends]
        if not all(map(len, visits)):
            continue
        start, end = (complex(*book.local[v[0], :2]) for v in visits)
        placed[rows] = 1
        if target is None:
            origin, target = start, end - start
            continue
        along = end - start
        if abs(along) == 0 or abs(target) == 0:
            continue
        turn = target / along / abs(target / along)
        moved = (book.local[rows, 0] + 1j * book.local[rows, 1] - start) * turn + origin
        plan[rows] = np.column_stack([moved.real, moved.imag])
    return LaidOut(plan, placed, tuple(_misclosures(book)))


def _misclosures(book: FieldBook) -> list[Misclosure]:
    found = []
    for run in range(len(book.runs)):
        rows = np.flatnonzero(book.run == run)
        steps = np.sqrt((np.diff(book.local[rows], axis=0) ** 2).sum(axis=1))
        way = np.concatenate([[0.0], np.cumsum(steps)])
        seen: dict[int, int] = {}
        for at, mark in enumerate(book.mark[rows].tolist()):
            before = seen.get(mark)
            # a mark of two features stands in neighbouring rows, once for each
            if mark >= 0 and before is not None and way[at] - way[before] > 0:
                one, other = int(rows[before]), int(rows[at])
                miss = float(np.linalg.norm(book.local[other] - book.local[one]))
                walked = float(way[at] - way[before])
                found.append(Misclosure(book.marks[mark], one, other, miss, walked))
            if mark >= 0:
                seen.setdefault(mark, at)
    return sorted(found, key=lambda m: -m.length_m)
