"""Mistakes in a contractor's words: what is refused, and what is to be looked at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from geosite.base.errors import Finding, Problem
from geosite.base.exact_numbers import fixed, kept
from geosite.base.rounding import signed
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.mistakes.facts import JudgedMistake, Mistake

__all__ = ["mistakes_in_words", "unsettling_mistakes"]

PLAUSIBLE = 30.0
"""Devices were stated so many times too well; what only a worse one would explain is a mistake."""


def mistakes_in_words(
    notes: Notes, judged: Sequence[JudgedMistake], as_read: float = math.inf
) -> tuple[list[Problem], list[Finding]]:
    """Say what the survey is refused for, and what is to be looked at.

    Parameters
    ----------
    notes, judged
    as_read
        How many times as large as the site file's device explains the misclosures are: with a
        device that is so much worse, they may all be chance.
    """
    problems, findings = [], []
    doubt = _doubt(notes, as_read)
    for one in judged:
        mistake = one.mistake
        if mistake.kind in ("leg", "visit"):
            book = notes.book
            says, remedy = _off(book, mistake)
            line = int(book.line[mistake.rows[-1]])
            if one.is_refused:
                limit = notes.site.survey.closure_limit
                expected = f"at most 1:{limit:g} of the run's length"
                code = f"{mistake.kind}-off"
                problems.append(Problem(code, says, expected, remedy + doubt, book.file, line))
            else:
                text = f"{says[0].upper()}{says[1:]}: {remedy}{doubt}."
                findings.append(Finding("look", f"{mistake.kind}-off", text, book.file, line))
        else:
            problem = _named(notes, mistake)
            problems.append(replace(problem, remedy=problem.remedy + doubt))
    return problems, findings


def _doubt(notes: Notes, as_read: float) -> str:
    """Return the other thing that it may be, where the site file says how good the device is."""
    survey = notes.site.survey
    if as_read > PLAUSIBLE or (survey.leg_noise is None and survey.device is None):
        return ""
    table = "[survey.device]" if survey.leg_noise is None else "[survey.leg_noise]"
    return (
        f"; or nothing is wrong here and the device is about {max(as_read, 2.0):.0f} times worse "
        f"than {table} says"
    )


def unsettling_mistakes(notes: Notes, mistakes: Sequence[Mistake]) -> list[Problem]:
    """Say what legs and visits are so far off that the runs find no place with them."""
    problems = []
    for mistake in mistakes:
        if mistake.kind in ("leg", "visit"):
            book = notes.book
            says, remedy = _off(book, mistake)
            expected = "runs that fit together at their common marks"
            line = int(book.line[mistake.rows[-1]])
            problems.append(Problem(f"{mistake.kind}-off", says, expected, remedy, book.file, line))
    return problems


def _stretch(book: FieldBook, first: int, last: int) -> str:
    a, b = int(book.line[first]), int(book.line[last])
    return f"lines {a} to {b}"


def _off(book: FieldBook, mistake: Mistake) -> tuple[str, str]:
    east, north, up = (float(v) for v in mistake.error)
    parts = []
    if np.isfinite(east):
        parts.append(
            f"{kept(signed(east, 2), east)} m east, {kept(signed(north, 2), north)} m north"
        )
    if np.isfinite(up):
        parts.append(f"{kept(signed(up, 2), up)} m up")
    amount = f"about {fixed(mistake.size, 2)} m ({', '.join(parts)})"
    if mistake.kind == "visit":
        says = f"run {mistake.run} is off by {amount} on its visit to mark {mistake.marks[0]}"
        remedy = "check that the right mark was visited and named here"
    else:
        where = _stretch(book, *mistake.rows)
        says = (
            f"run {mistake.run} is off by {amount} between marks {mistake.marks[0]} and "
            f"{mistake.marks[1]}, {where}"
        )
        if mistake.detail:
            says += f", {mistake.detail}"
        remedy = "look for a jump there, and walk that stretch again"
    if mistake.others:
        listed = "; ".join(
            f"line {int(book.line[b])} of run {book.runs[book.run[b]]}"
            if mistake.kind == "visit"
            else _stretch(book, a, b)
            for a, b in mistake.others[:3]
        )
        remedy += f" (the misclosures cannot tell it from {listed})"
    return says, remedy


def _named(notes: Notes, mistake: Mistake) -> Problem:
    book = notes.book
    run = mistake.run
    several = " or " in run
    rows = mistake.rows
    if rows:
        line = int(book.line[rows[0]])
    elif run in book.runs:
        line = int(book.line[np.argmax(book.run == book.runs.index(run))])
    else:
        line = int(book.line[0])
    who = f"one of the runs {run}" if several else run if run == "every run" else f"run {run}"
    good = "right-handed coordinates, z up"
    match mistake.kind:
        case "run-mirrored":
            said = (
                f"{who} is mirrored, as a left-handed export is",
                good,
                "change the sign of its y (or exchange x and y), or export it again",
            )
        case "run-upside-down":
            said = (f"{who} has its z axis downwards", good, "change the sign of its z")
        case "run-mirrored-upside-down":
            said = (
                f"{who} has y and z with the wrong sign",
                good,
                "change the sign of its y and z, or export it again with z up",
            )
        case "run-unit":
            like = f" in {mistake.detail}" if mistake.detail else " in another unit"
            said = (
                f"{who} looks measured{like}, unlike the others",
                f'every run in the site file\'s unit, "{notes.site.survey.unit}"',
                "convert its coordinates",
            )
        case "baseline-swapped":
            where = f" on lines {_lines(book, mistake)}" if rows else ""
            a, b = notes.site.baseline.from_, notes.site.baseline.to
            said = (
                f"{who} has the baseline marks {a} and {b} exchanged{where}",
                "the same name on the same mark in every run",
                f"exchange the names {a} and {b} there",
            )
        case "names-swapped":
            said = (
                f"{who} has the names {mistake.marks[0]} and {mistake.marks[1]} exchanged on lines "
                f"{_lines(book, mistake)}{_or_else(book, mistake.alternative)}",
                "the same name on the same mark everywhere",
                "exchange the two names",
            )
        case "name-wrong":
            said = (
                f"{who} calls a mark {mistake.marks[0]} that is where {mistake.marks[1]} is",
                "the same name on the same mark everywhere",
                f"name it {mistake.marks[1]}, or leave the name out",
            )
        case _:
            said = _sign(book, mistake, who)
    return Problem(mistake.kind, *said, book.file, line)


def _or_else(book: FieldBook, wrong: Mistake | None) -> str:
    if wrong is None:
        return ""
    return (
        f" (or run {wrong.run}, line {int(book.line[wrong.rows[0]])}, calls a mark "
        f"{wrong.marks[0]} that is where {wrong.marks[1]} is)"
    )


def _lines(book: FieldBook, mistake: Mistake) -> str:
    pairs = [mistake.rows] if mistake.kind == "leg-sign" else [mistake.rows, *mistake.others]
    return ", or ".join(" and ".join(str(int(book.line[row])) for row in pair) for pair in pairs)


def _sign(book: FieldBook, mistake: Mistake, who: str) -> tuple[str, str, str]:
    extra = ""
    if mistake.others:
        listed = ", ".join(_stretch(book, a, b)[6:] for a, b in mistake.others[:4])
        extra = f" (or that from {listed})"
    return (
        f"{who}: the leg from line {_lines(book, mistake).replace(' and ', ' to line ')} looks "
        f"written with the wrong sign of {mistake.detail}{extra}",
        "each leg in the direction it was walked",
        f"change the sign of {mistake.detail} of that leg in all rows that follow, or walk again",
    )
