"""Heights seen once that look like a slip: a mark far above, or far below, everything round it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook

__all__ = ["HeightSuspect", "height_suspects"]

NEIGHBOURS = 5
"""Nearest rows of the same run that a height is held against."""
FEWEST = 7
"""Rows of a run that tell what is usual in it."""
LEAST_M = 0.5
"""By less, nobody has to look before a walk is used."""
TIMES = 6.0
"""Times what is usual in the run, both as a height and as a grade."""
ONE_BY_ONE = 500
"""Rows up to which distances are taken one by one, without a tree."""


@dataclass(frozen=True, slots=True)
class HeightSuspect:
    """A height worth a look.

    Parameters
    ----------
    row
        Observation.
    above
        How far above the highest of its neighbours, metres; negative below the lowest.
    usual
        Median difference of height from a row to its neighbours in the run, metres.
    instead
        Height that lies among the neighbours when the decimal point or the sign is changed, in the
        unit of the field book; NaN when there is none.
    """

    row: int
    above: float
    usual: float
    instead: float


def height_suspects(book: FieldBook, off_ground: Collection[str] = ()) -> tuple[HeightSuspect, ...]:
    """Return the marks far above or below all rows round them, in walking order.

    Held against the nearest rows of the same run and those before and after in its feature, so that
    the top of a wall stands beside the other tops. What is usual is the median over the run, which
    a few slips do not move.

    Parameters
    ----------
    book
        In metres. Only named marks that were seen once are judged.
    off_ground
        Codes whose marks are not on the ground, the top of a bollard: they are neither judged nor
        held against others.

    Examples
    --------
    Twelve marks 5 m apart that rise by centimetres; the decimal point of one height slipped:

    >>> from geosite.fieldbook.book import book_from_text
    >>> z = [0, 0.02, 0.05, 0.07, 0.03, 0.04, 6.1, 0.09, 0.05, 0.06, 0.08, 0.1]
    >>> rows = [f"R1,A{k},{5 * (k % 4)},{5 * (k // 4)},{up}" for k, up in enumerate(z)]
    >>> (found,) = height_suspects(book_from_text(chr(10).join(["run,point,x,y,z", *rows])))
    >>> book_row = found.row, round(found.above, 2), round(found.instead, 3)
    >>> book_row
    (6, 6.01, 0.061)
    """
    return tuple(sorted(_found(book, off_ground), key=lambda one: one.row))


def _found(book: FieldBook, off_ground: Collection[str]) -> Iterator[HeightSuspect]:
    seen = np.bincount(book.mark[book.mark >= 0], minlength=len(book.marks))
    is_once = np.zeros(len(book), dtype=bool)
    named = book.mark >= 0
    is_once[named] = seen[book.mark[named]] == 1
    before, after = _along_features(book)
    # the rows of each run, in one pass over all rows however many runs there are
    on_ground = ~np.isin(book.code, [i for i, c in enumerate(book.codes) if c in off_ground])
    by_run = np.argsort(book.run, kind="stable")
    by_run = by_run[on_ground[by_run]]
    ends = np.cumsum(np.bincount(book.run[on_ground], minlength=len(book.runs)))
    for rows in np.split(by_run, ends[:-1]):
        # without a mark seen once, or all within the least difference, none can stand out
        if len(rows) < FEWEST or not is_once[rows].any():
            continue
        if np.ptp(book.local[rows, 2]) <= LEAST_M:
            continue
        near = rows[_nearest(book.local[rows, :2])]
        beside = np.column_stack([near, before[rows], after[rows]])
        yield from _stand_out(book, rows, beside, is_once)


def _stand_out(
    book: FieldBook, rows: Ints, beside: Ints, is_once: npt.NDArray[np.bool_]
) -> Iterator[HeightSuspect]:
    steps = book.local[rows][:, None] - book.local[beside]
    # the ends of a feature have no row before or after them
    steps[beside < 0] = np.nan
    rise = steps[:, :, 2]
    apart = np.hypot(steps[:, :, 0], steps[:, :, 1])
    near_rise = np.median(np.abs(rise[:, :-2]), axis=1)
    grade = np.median(np.abs(rise[:, :-2]) / np.maximum(apart[:, :-2], 0.1), axis=1)
    # points of a stream lie a step apart and say little about marks
    is_mark = book.mark[rows] >= 0
    told = is_mark if is_mark.sum() >= FEWEST else np.ones(len(rows), dtype=bool)
    usual = float(np.median(near_rise[told]))
    lowest, highest = np.nanmin(rise, axis=1), np.nanmax(rise, axis=1)
    above = np.where(lowest > 0, lowest, np.where(highest < 0, highest, 0.0))
    is_out = (np.abs(above) > max(LEAST_M, TIMES * usual)) & (
        grade > TIMES * float(np.median(grade[told]))
    )
    for k in np.flatnonzero(is_out & is_once[rows]):
        around = book.local[beside[k][beside[k] >= 0], 2]
        yield HeightSuspect(
            int(rows[k]), float(above[k]), usual, _instead(book, int(rows[k]), around, usual)
        )


def _instead(book: FieldBook, row: int, around: Floats, usual: float) -> float:
    given = float(book.local[row, 2])
    for factor in (0.1, 10.0, -1.0, 0.01, 100.0, -0.1, -10.0, -0.01, -100.0):
        if around.min() - usual <= factor * given <= around.max() + usual:
            return factor * given / book.unit_m
    return float("nan")


def _along_features(book: FieldBook) -> tuple[Ints, Ints]:
    """Return the row before and after each in its feature and run, -1 where there is none."""
    before, after = np.full(len(book), -1), np.full(len(book), -1)
    order = np.flatnonzero(book.feature >= 0)
    order = order[np.lexsort((order, book.run[order], book.feature[order]))]
    one, other = order[:-1], order[1:]
    same = (book.feature[one] == book.feature[other]) & (book.run[one] == book.run[other])
    after[one[same]], before[other[same]] = other[same], one[same]
    return before, after


def _nearest(places: Floats) -> Ints:
    """Return the `NEIGHBOURS` nearest others of each place, in no order, (n, `NEIGHBOURS`)."""
    if len(places) > ONE_BY_ONE:
        from scipy.spatial import cKDTree

        found = np.asarray(cKDTree(places).query(places, NEIGHBOURS + 1)[1])
        own = np.arange(len(places))[:, None]
        # many rows in one place: a row itself need not be the first, or among them at all
        is_own = found == own
        is_own[~is_own.any(axis=1), -1] = True
        return np.asarray(found[~is_own].reshape(len(places), NEIGHBOURS))
    east, north = places.T
    apart = np.hypot(east[:, None] - east, north[:, None] - north)
    np.fill_diagonal(apart, np.inf)
    last = np.partition(apart, NEIGHBOURS - 1, axis=1)[:, NEIGHBOURS - 1 : NEIGHBOURS]
    near = apart <= last
    # of several as far as the last the first ones in the book
    for k in np.flatnonzero(near.sum(axis=1) > NEIGHBOURS):
        near[k] = False
        near[k, np.argsort(apart[k], kind="stable")[:NEIGHBOURS]] = True
    return np.asarray(np.nonzero(near)[1].reshape(len(places), NEIGHBOURS))
