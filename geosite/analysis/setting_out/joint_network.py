"""Survey and today's walk in one network, the points to set out as observations still to be made.

A point to set out is a row of today's walk whose reading is not known yet: the reading for which
the network places the row on the point. Its error against what the survey shows there then comes
out of the joint covariance: what today's walk and the survey's do not share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geosite.analysis.setting_out.baseline import baseline_rows
from geosite.base.arrays import Floats, Ints
from geosite.base.errors import GeositeError, Problem, SurveyRefused
from geosite.fieldbook.join_books import joined
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.adjust import adjust
from geosite.network.model import Network

__all__ = ["Joint", "Place", "planned_walk", "solve_readings", "today_rows", "with_rows"]

SETTLED_M = 2e-5
"""A reading is given to a millimetre at best."""
ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Place:
    """Where a point lies in the survey.

    Parameters
    ----------
    en : array, shape (2,), local grid metres
    up
        Metres.
    rows, shares
        The survey's marks that tell where this place is, and how much each counts.
    """

    en: Floats
    up: float
    rows: Ints
    shares: Floats


@dataclass(frozen=True, eq=False)
class Joint:
    """The joint network and the readings of the points in it.

    Parameters
    ----------
    network
    rows : array, shape (m,)
        Observation of each point in it.
    readings : array, shape (m, 3), metres
        In the right-handed frame of today's walk.
    """

    network: Network
    rows: Ints
    readings: Floats


def planned_walk(notes: Notes, step: Floats, rise: float, factor: float) -> FieldBook:
    """Return a walk that visits the two baseline marks without error, x along the baseline."""
    length = float(np.hypot(*step)) / factor
    names = (notes.site.baseline.from_, notes.site.baseline.to)
    return _book(notes.book, "planned", np.array([[0.0, 0.0, 0.0], [length, 0.0, rise]]), names)


def _book(like: FieldBook, run: str, local: Floats, names: Sequence[str]) -> FieldBook:
    n = len(local)
    blank = np.full(n, -1, np.int32)
    marks = tuple(dict.fromkeys(name for name in names if name))
    number = {name: index for index, name in enumerate(marks)}
    return replace(
        like,
        local=local,
        runs=(run,),
        run=np.zeros(n, np.int32),
        marks=marks,
        mark=np.array([number.get(name, -1) for name in names], np.int32),
        features=(),
        feature=blank,
        codes=(),
        code=blank,
        kind=np.zeros(n, np.int8),
        piece=np.ones(n, np.int16),
        notes=("",) * n,
        line=np.zeros(n, np.int32),
        time=None,
    )


def today_rows(walk: FieldBook, run: int, ties: frozenset[str], mirror: bool) -> FieldBook:
    """Return one run of today's walk, its marks other than the ties without name."""
    rows = np.flatnonzero(walk.run == run)
    names = [walk.marks[m] if m >= 0 and walk.marks[m] in ties else "" for m in walk.mark[rows]]
    local = walk.local[rows] * np.array([1.0, -1.0 if mirror else 1.0, 1.0])
    book = _book(walk, walk.runs[run], local, names)
    return replace(book, line=walk.line[rows], time=None if walk.time is None else walk.time[rows])


def with_rows(today: FieldBook, count: int) -> FieldBook:
    """Return today's walk with rows added that have no name and are still to be read."""
    last = today.local[-1]
    more = _book(today, today.runs[0], np.repeat(last[None, :], count, axis=0), [""] * count)
    return joined(today, replace(more, line=np.full(count, int(today.line[-1]))), "")


def solve_readings(
    notes: Notes,
    survey: Network,
    today: FieldBook,
    rows: Ints,
    places: Sequence[Place],
    file: str,
) -> Joint:
    """Find the readings for which the joint network places the rows on the points.

    Parameters
    ----------
    notes, survey
        The survey, and where its marks are.
    today
        One run of today's walk, its baseline visits under their names.
    rows : array, shape (m,)
        Rows of `today` that are placed on the points.
    places
        The points.
    file
        Of today's walk, for messages.

    Raises
    ------
    SurveyRefused
        The walk and the survey cannot be adjusted together.

    Notes
    -----
    The points belong to what the survey shows around them, so they move with the survey's marks
    where today's walk improves those. A place is linear in its reading; two or three rounds do.
    """
    count = len(notes.book)
    readings = _first_guess(notes, survey, today, places)
    at = np.asarray(rows, np.int64)
    network = survey
    for _ in range(ROUNDS):
        local = today.local.copy()
        local[at] = readings
        book = joined(notes.book, replace(today, local=local), " (today)")
        network = _adjusted(replace(notes, book=book), file)
        target, height = _moved(places, survey, network)
        here = count + at
        off = target - network.en[here]
        up = height - network.elevation[here]
        if max(float(np.abs(off).max(initial=0.0)), float(np.abs(up).max(initial=0.0))) < SETTLED_M:
            break
        run = int(book.run[count])
        turn = float(network.orientation[run])
        scale = network.frame.combined_factor
        cosine, sine = math.cos(turn), math.sin(turn)
        back = np.array([[cosine, sine], [-sine, cosine]]) / scale
        readings = readings + np.column_stack([off @ back.T, up])
    return Joint(network, count + at, readings)


def _moved(places: Sequence[Place], survey: Network, network: Network) -> tuple[Floats, Floats]:
    en = np.empty((len(places), 2))
    up = np.empty(len(places))
    for number, place in enumerate(places):
        shift = network.en[place.rows] - survey.en[place.rows]
        en[number] = place.en + place.shares @ shift
        lift = network.elevation[place.rows] - survey.elevation[place.rows]
        up[number] = place.up + float(place.shares @ lift)
    origin = network.frame.to_local(survey.frame.to_map(en))
    return origin, up


def _first_guess(
    notes: Notes, survey: Network, today: FieldBook, places: Sequence[Place]
) -> Floats:
    """Lay the points into today's frame by the mean visits to the two marks."""
    baseline = notes.site.baseline
    ends = list(baseline_rows(notes))
    on_map = survey.en[ends]
    seen = np.array(
        [
            today.local[today.mark == today.marks.index(name)].mean(axis=0)
            for name in (baseline.from_, baseline.to)
        ]
    )
    step, own = on_map[1] - on_map[0], seen[1] - seen[0]
    turn = math.atan2(own[1], own[0]) - math.atan2(step[1], step[0])
    cosine, sine = math.cos(turn), math.sin(turn)
    scale = survey.frame.combined_factor
    offset = np.array([place.en for place in places]).reshape(-1, 2) - on_map.mean(axis=0)
    turned = offset @ np.array([[cosine, sine], [-sine, cosine]]) / scale
    lift = float(seen[:, 2].mean()) - float(survey.elevation[ends].mean())
    return np.column_stack(
        [turned + seen[:, :2].mean(axis=0), np.array([place.up for place in places]) + lift]
    )


def _adjusted(notes: Notes, file: str) -> Network:
    try:
        return adjust(notes)
    except GeositeError as error:
        raise SurveyRefused(
            Problem(
                problem.code,
                f"together with the survey, {problem.what}",
                problem.expected,
                problem.remedy,
                file,
            )
            for problem in error.problems
        ) from None
