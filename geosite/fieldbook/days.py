"""The runs of one day of a survey that was walked on several."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np

from geosite.base.errors import InputError, Problem
from geosite.fieldbook.checks import iso_day
from geosite.fieldbook.model import FieldBook, Notes

__all__ = ["days", "of_day", "only_runs"]


def days(notes: Notes) -> dict[str, str]:
    """Return the day of each run that has one: its own, else that of the site.

    Returns
    -------
    dict
        Run to day, ISO 8601.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.sitefile import Run
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0
    ... R2,B1,0,0,0''')
    >>> days(Notes.of(book, runs={"R2": Run(date="2026-05-11")}))
    {'R2': '2026-05-11'}
    """
    site = notes.site
    found = {}
    for run in notes.book.runs:
        own = site.runs[run].date if run in site.runs else None
        day = iso_day(own) if own else site.site.date
        if day:
            found[run] = day
    return found


def of_day(notes: Notes, day: str) -> Notes:
    """Return the survey with the runs of one day only.

    Parameters
    ----------
    notes
        The whole survey.
    day
        ISO 8601, ``"2026-05-11"``.

    Raises
    ------
    InputError
        No run was walked on that day.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.sitefile import Run
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0
    ... R2,B1,0,0,0''')
    >>> notes = Notes.of(book, runs={"R2": Run(date="2026-05-11")})
    >>> of_day(notes, "2026-05-11").book.runs
    ('R2',)
    """
    known = days(notes)
    wanted = iso_day(day)
    runs = [run for run, on in known.items() if on == wanted]
    if not runs:
        listed = ", ".join(sorted(set(known.values())))
        raise InputError(
            Problem(
                "day-no-runs",
                f"no run was walked on {day}",
                f"one of the days {listed}" if listed else "a run with a day, and none has one",
                "give the runs their day, [runs.NAME] date = 2026-05-11",
                notes.site_file,
            )
        )
    site = msgspec.structs.replace(
        notes.site, site=msgspec.structs.replace(notes.site.site, date=wanted)
    )
    return replace(notes, site=site, book=only_runs(notes.book, runs))


def only_runs(book: FieldBook, runs: list[str]) -> FieldBook:
    """Return the observations of some runs, names that no longer appear left out.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0
    ... R1,A1,1,0,0
    ... R2,B1,0,0,0''')
    >>> one = only_runs(book, ["R2"])
    >>> one.runs, one.marks, one.line.tolist()
    (('R2',), ('B1',), [4])
    """
    rows = np.flatnonzero(np.isin(book.run, [book.runs.index(run) for run in runs]))

    def kept(names: tuple[str, ...], index: np.ndarray) -> tuple[tuple[str, ...], np.ndarray]:
        used = np.unique(index[index >= 0])
        number = np.full(len(names) + 1, -1, np.int32)
        number[used] = np.arange(len(used))
        return tuple(names[i] for i in used.tolist()), number[index]

    run_names, run = kept(book.runs, book.run[rows])
    marks, mark = kept(book.marks, book.mark[rows])
    features, feature = kept(book.features, book.feature[rows])
    codes, code = kept(book.codes, book.code[rows])
    return replace(
        book,
        local=book.local[rows],
        runs=run_names,
        run=run,
        marks=marks,
        mark=mark,
        features=features,
        feature=feature,
        codes=codes,
        code=code,
        kind=book.kind[rows],
        piece=book.piece[rows],
        notes=tuple(book.notes[row] for row in rows.tolist()),
        line=book.line[rows],
        time=None if book.time is None else book.time[rows],
    )
