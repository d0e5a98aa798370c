"""Two field books as one: the same names are the same marks, runs of the same name stay apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geosite.base.arrays import Floats, Shorts
from geosite.fieldbook.model import FieldBook

__all__ = ["joined"]


def joined(first: FieldBook, second: FieldBook, suffix: str) -> FieldBook:
    """Return the observations of two books, those of the first one in front.

    Parameters
    ----------
    first, second
        Coordinates in metres already; file and unit are those of the first.
    suffix
        Added to the name of a run of the second book that the first one has as well: it is another
        walk.

    Returns
    -------
    FieldBook

    Examples
    --------
    The second book's walk has the same name and the same mark B1, which is not moved or tied yet:

    >>> from geosite.fieldbook.book import book_from_text
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0
    ... R1,A1,1,0,0''')
    >>> both = joined(book, book, " of today")
    >>> both.runs, both.marks, both.mark.tolist()
    (('R1', 'R1 of today'), ('B1', 'A1'), [0, 1, 0, 1])
    """
    own = {run: f"{run}{suffix}" if run in first.runs else run for run in second.runs}
    runs, run = _merged(first.runs, first.run, tuple(own.values()), second.run)
    marks, mark = _merged(first.marks, first.mark, second.marks, second.mark)
    features, feature = _merged(first.features, first.feature, second.features, second.feature)
    codes, code = _merged(first.codes, first.code, second.codes, second.code)
    return replace(
        first,
        local=np.vstack([first.local, second.local]),
        runs=runs,
        run=run,
        marks=marks,
        mark=mark,
        features=features,
        feature=feature,
        codes=codes,
        code=code,
        kind=np.concatenate([first.kind, second.kind]),
        piece=np.concatenate([first.piece, second.piece]),
        notes=(*first.notes, *second.notes),
        line=np.concatenate([first.line, second.line]),
        time=_times(first, second),
    )


def _times(first: FieldBook, second: FieldBook) -> Floats | None:
    """Return the times of both, NaN for a book without any; None where neither has."""
    if first.time is None and second.time is None:
        return None
    return np.concatenate(
        [np.full(len(b), np.nan) if b.time is None else b.time for b in (first, second)]
    )


def _merged(
    names: tuple[str, ...], index: Shorts, more: tuple[str, ...], more_index: Shorts
) -> tuple[tuple[str, ...], Shorts]:
    known = {name: number for number, name in enumerate(names)}
    moved = np.array([known.setdefault(name, len(known)) for name in more] + [-1], np.int32)
    return tuple(known), np.concatenate([index, moved[more_index]])
