"""The search for mistakes that the misclosures give away, by name where they have one.

Two kinds of suspicion are weighed against each other: legs and visits that are off by an unknown
amount (`geosite.network.mistakes.suspects`) and mistakes with a name
(`geosite.network.mistakes.named`).
"""

from __future__ import annotations

import math

import numpy as np

from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import FieldBook
from geosite.network.mistakes.facts import CLEAR, Fit, Judge, Mistake, Search
from geosite.network.mistakes.named import Named
from geosite.network.mistakes.signs import ONE_AXIS, twice_a_leg
from geosite.network.mistakes.suspects import (
    Refined,
    Suspect,
    best_refined,
    find_suspects,
    leg_rows,
)
from geosite.network.tie_runs import Tied

__all__ = ["find_mistakes"]

MOST_MISTAKES = 4
GIVEN = Judge(math.inf)
"""Of noise that is given."""


def find_mistakes(
    fit: Fit, book: FieldBook, baseline: tuple[str, str], judge: Judge = GIVEN
) -> Search:
    """Look for mistakes until the misclosures are what the leg noise explains.

    Parameters
    ----------
    fit
        Ties a field book.
    book
        The field book as read.
    baseline
        Names of the two baseline marks.
    judge
        Tells mistakes from chance.

    Returns
    -------
    Search
    """
    tied, squares, redundancy = fit(book)
    as_read = math.sqrt(squares / redundancy) if redundancy > 0 else 1.0
    mistakes: list[Mistake] = []
    spent = [0, 0]
    for _ in range(MOST_MISTAKES):
        if redundancy <= 0:
            break
        suspects, tested = find_suspects(tied)
        best = suspects[0] if suspects else None
        gross = judge.gross(squares, redundancy)
        left = tied.redundancy - sum(spent)
        clear = best is not None and judge.stands_out(
            best.test, best.freedom, tested, tied.squares, left
        )
        if not gross and not clear and not judge.odd(squares, redundancy):
            break
        better = best_refined(fit, tied, suspects)
        named = Named(fit, tied, squares, redundancy, baseline, suspects, judge)
        mistake = named.best(better, only_runs=not gross and not clear)
        if mistake is None and clear and better is not None:
            mistake = _unnamed(tied, better, suspects, tested)
            spent[0] += 2 if np.isfinite(mistake.error[0]) else 0
            spent[1] += 1  # what is checked at all is checked in height
        if mistake is None:
            break
        mistakes.append(mistake)
        tied, squares, redundancy = fit(mistake.corrected)
        redundancy -= sum(spent)
    return Search(tuple(mistakes), tied, (spent[0], spent[1]), as_read)


def _unnamed(tied: Tied, better: Refined, suspects: list[Suspect], tested: int) -> Mistake:
    """Make the mistake of a leg or visit that is off by an amount without a name."""
    book, walk, best = tied.book, tied.walk, better.suspect
    alike = [
        s for s in suspects if s is not best and s.visit == best.visit and s.test > best.test - 6
    ]
    first, last = leg_rows(tied, best.leg)
    rows: tuple[int, ...] = (last,)
    marks: tuple[str, ...] = (walk.knots[walk.leg_to[best.leg]],)
    hint = ""
    if not best.visit:
        rows, marks = (first, last), (walk.knots[walk.leg_from[best.leg]], *marks)
        hints = twice_a_leg(tied, better, ONE_AXIS)
        if best.test > CLEAR and hints and hints[0].misfit < 9.0:
            a, b = (int(book.line[row]) for row in hints[0].rows)
            hint = f"as if {hints[0].axes} of the leg from line {a} to {b} had the wrong sign"
    return Mistake(
        kind="visit" if best.visit else "leg",
        run=book.runs[walk.leg_run[best.leg]],
        rows=rows,
        marks=marks,
        error=better.error,
        detail=hint,
        chance=min(1.0, chi2_sf(best.test, best.freedom) * tested),
        others=tuple(leg_rows(tied, s.leg) for s in alike),
        corrected=better.corrected,
    )
