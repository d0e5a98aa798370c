"""Which mistakes a survey is refused for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geosite.fieldbook.model import FieldBook
from geosite.network.checks.facts import SHORT_LOOP
from geosite.network.mistakes.facts import JudgedMistake, Mistake

__all__ = ["judge_mistakes"]


def judge_mistakes(
    book: FieldBook, mistakes: Sequence[Mistake], limit: float | None
) -> tuple[JudgedMistake, ...]:
    """Hold mistakes against the limit of the loops.

    Parameters
    ----------
    book
        The field book as read.
    mistakes
        That were found in it.
    limit
        Of the site file: a loop may miss by its length over this; ``None`` for no limit.

    Notes
    -----
    A mistake with a name is always refused. A leg or a visit that is off by an unknown amount is
    refused where that is more than the run's length over the limit, and looked at otherwise.
    """
    return tuple(
        JudgedMistake(
            mistake,
            mistake.kind not in ("leg", "visit")
            or (limit is not None and mistake.size > _length(book, mistake.run) / limit),
        )
        for mistake in mistakes
    )


def _length(book: FieldBook, run: str) -> float:
    """Return the horizontal length of a run, that of a short loop at least, metres."""
    rows = np.flatnonzero(book.run == book.runs.index(run))
    length = float(np.hypot(*np.diff(book.local[rows, :2], axis=0).T).sum())
    return max(length, SHORT_LOOP)
