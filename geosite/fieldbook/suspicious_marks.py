"""Marks seen once that look like a slip: nothing else in the survey would notice them.

Outlines tell: a spike that goes out and comes back, an edge far longer than all others of its
shape, a corner that becomes a plain one when one decimal point is moved. So do heights far above or
below everything round them (`geosite.fieldbook.suspicious_heights`).
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.exact_numbers import fixed
from geosite.fieldbook.model import PIECE_KINDS, FieldBook
from geosite.fieldbook.suspicious_heights import height_suspects

__all__ = ["Suspect", "suspect_findings", "suspects"]

SPIKE_DEG = 12.0
"""A corner sharper than this, between two long edges, goes out and comes back."""
FAR = 3.0
"""Times the longest other edge of the shape that both edges at a mark must have."""
CALMER_DEG = 150.0
"""By so much less must an outline turn in all when a decimal point is moved."""
FEWEST = 4
"""Marks of a shape that tells anything."""
MOST = 5


@dataclass(frozen=True, slots=True)
class Suspect:
    """A mark worth a look.

    Parameters
    ----------
    kind
        ``"decimal"``: one coordinate fits with its decimal point moved; ``"spike"``; ``"far"``;
        ``"height"``.
    row
        Observation.
    axis
        Of a decimal slip, blank otherwise.
    instead
        Coordinate that fits, in the unit of the field book; NaN otherwise.
    above, usual
        Of a height: how far above all rows round it, negative below, and what is usual in its run,
        metres; NaN otherwise.
    """

    kind: Literal["decimal", "spike", "far", "height"]
    row: int
    axis: str = ""
    instead: float = math.nan
    above: float = math.nan
    usual: float = math.nan


def suspects(book: FieldBook, off_ground: Collection[str] = ()) -> tuple[Suspect, ...]:
    """Return the marks worth a look, each once, in walking order.

    Parameters
    ----------
    book
        In metres. Only outlines of straight and arc pieces, walked in one run, are looked at, and
        the heights of all runs; of their marks only those that were seen once.

    Examples
    --------
    Marks every 5 m around a yard of 20 by 10 m; the x of one of them lost its decimal point:

    >>> from geosite.fieldbook.book import book_from_text
    >>> x = [0, 5, 10, 15, 20, 20, 20, 15, 100, 5, 0, 0]
    >>> y = [0, 0, 0, 0, 0, 5, 10, 10, 10, 10, 10, 5]
    >>> rows = [f"R1,A{k},{e},{n},0,yard" for k, (e, n) in enumerate(zip(x, y), start=1)]
    >>> book = book_from_text("run,point,x,y,z,feature" + "".join(f"{chr(10)}{r}" for r in rows))
    >>> [(one.kind, one.row, one.axis, one.instead) for one in suspects(book)]
    [('decimal', 8, 'x', 10.0)]
    """
    seen = np.bincount(book.mark[book.mark >= 0], minlength=len(book.marks))
    found: dict[int, Suspect] = {}
    plain = {PIECE_KINDS.index("line"), PIECE_KINDS.index("arc")}
    order = np.argsort(book.feature, kind="stable")
    ends = np.searchsorted(book.feature[order], np.arange(len(book.features) + 1))
    for start, end in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        rows = order[start:end]
        kinds = set(book.kind[rows].tolist())
        if len(rows) < FEWEST or not kinds <= plain or len(set(book.run[rows].tolist())) > 1:
            continue
        for at in range(len(rows)):
            mark = book.mark[rows[at]]
            if mark >= 0 and seen[mark] == 1:
                suspect = _looked_at(book, rows, at)
                if suspect is not None:
                    found.setdefault(int(rows[at]), suspect)
    for high in height_suspects(book, off_ground):
        axis = "" if math.isnan(high.instead) else "z"
        suspect = Suspect("height", high.row, axis, high.instead, high.above, high.usual)
        found.setdefault(high.row, suspect)
    return tuple(found[row] for row in sorted(found))


def _looked_at(book: FieldBook, rows: Ints, at: int) -> Suspect | None:
    outline = book.local[rows, :2]
    row = int(rows[at])
    before, here, after = outline[at - 1], outline[at], outline[(at + 1) % len(rows)]
    legs = float(np.hypot(*(here - before))), float(np.hypot(*(after - here)))
    apart = float(np.hypot(*(after - before)))
    edges = np.hypot(*(np.roll(outline, -1, axis=0) - outline).T)
    others = np.delete(edges, [at - 1 if at else len(rows) - 1, at])
    usual = float(np.median(others))
    slip = _decimal(book, rows, at, outline)
    if slip is not None:
        return slip
    if min(legs) > usual and apart < 2 * min(legs) * math.sin(math.radians(SPIKE_DEG) / 2):
        return Suspect("spike", row)
    if min(legs) > FAR * float(others.max()):
        return Suspect("far", row)
    return None


def _turning(outline: Floats) -> float:
    """Return how far a closed outline turns in all, degrees: 360 for a convex one."""
    steps = np.diff(np.vstack([outline, outline[:1]]), axis=0)
    steps = steps[np.hypot(*steps.T) > 0]
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    turns = (np.diff(np.append(heading, heading[:1])) + math.pi) % (2 * math.pi) - math.pi
    return float(np.degrees(np.abs(turns).sum()))


def _decimal(book: FieldBook, rows: Ints, at: int, outline: Floats) -> Suspect | None:
    """Move the decimal point of each coordinate by one and see whether the outline gets plain."""
    turning = _turning(outline)
    if turning < 360 + CALMER_DEG:
        return None
    best: tuple[float, Suspect] | None = None
    for k, axis in enumerate("xy"):
        for factor in (0.1, 10.0):
            moved = outline.copy()
            moved[at, k] *= factor
            calmer = _turning(moved)
            if calmer > turning - CALMER_DEG or calmer > 360 + CALMER_DEG / 2:
                continue
            if _reach(moved) > 1.05 * _reach(np.delete(outline, at, axis=0)):
                continue  # it would lie far outside of all others
            instead = float(moved[at, k]) / book.unit_m
            suspect = Suspect("decimal", int(rows[at]), axis, instead)
            if best is None or calmer < best[0]:
                best = calmer, suspect
    return None if best is None else best[1]


def _reach(outline: Floats) -> float:
    return float(np.hypot(*np.ptp(outline, axis=0)))


def suspect_findings(book: FieldBook, off_ground: Collection[str] = ()) -> list[Finding]:
    """Return the suspects in words, at most `MOST` of them one by one.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> suspect_findings(book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0'''))
    []
    """
    found = suspects(book, off_ground)
    findings = []
    for suspect in found[:MOST]:
        text = _told(book, suspect)
        findings.append(
            Finding(
                "look",
                "mark-suspect",
                f"{text} It was seen once, so nothing checks it: look at its row.",
                book.file,
                int(book.line[suspect.row]),
            )
        )
    if len(found) > MOST:
        count = len(found) - MOST
        more = (
            f"And {count} more {'marks that look' if count > 1 else 'mark that looks'} like a slip."
        )
        findings.append(Finding("look", "mark-suspect", more))
    return findings


def _told(book: FieldBook, suspect: Suspect) -> str:
    shape = int(book.feature[suspect.row])
    where = f"Mark {book.marks[book.mark[suspect.row]]}"
    if shape >= 0:
        where += f" of {book.features[shape]}"
    if suspect.kind == "spike":
        return f"{where} makes a spike: the outline goes out to it and comes straight back."
    if suspect.kind == "far":
        return f"{where} lies far from all others: both edges there are the longest by far."
    if suspect.kind == "height":
        side = "above" if suspect.above > 0 else "below"
        text = (
            f"{where} is {fixed(abs(suspect.above), 2)} m {side} everything round it, where"
            f" {fixed(suspect.usual, 2)} m from mark to mark is usual"
        )
        if not suspect.axis:
            return f"{text}."
    else:
        text = f"{where} bends its outline"
    given = book.local[suspect.row, "xyz".index(suspect.axis)] / book.unit_m
    fits = "not" if suspect.kind == "decimal" else "lie among them"
    asked = "Did a decimal point slip?"
    if suspect.instead * given < 0:
        asked = "Did a sign or a decimal point slip?"
    instead = f"with {suspect.axis} = {suspect.instead:.6g} instead of {given:.6g}"
    return f"{text}; {instead} it would {fits}. {asked}"
