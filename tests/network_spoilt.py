"""Simulated surveys with one mistake of a known kind, for the tests of what is recognised.

The ferry landing is walked again with fresh noise; then one thing is spoilt in its field book.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from ferry_landing import make_site
from network_cases import book, notes
from walk_simulator import Noise, Walk, recorded

from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.adjust import adjust

WALKS: tuple[Walk, ...] = (make_site.run_one(), make_site.run_two(), make_site.run_three())
NOISE = make_site.NOISE
FACTOR = make_site.combined_factor()
TIES = ("A1", "A2", "A5", "A6")


def clean(seed: int, noise: Noise = NOISE, walks: tuple[Walk, ...] = WALKS) -> Notes:
    """Walk the landing; the anchor's marks are off by their sigma as well."""
    rng = np.random.default_rng(seed)
    rows = []
    for walk in walks:
        local = recorded(walk, noise, rng, origin=tuple(rng.uniform(-50, 50, 3)))
        rows += [(walk.run, s.point, *xyz) for s, xyz in zip(walk.stops, local, strict=True)]
    marks = {}
    for mark in (make_site.B1, make_site.B2):
        east, north = make_site.to_map(mark.east, mark.north, float(FACTOR))
        off = rng.normal(0, 0.015, 3).tolist()
        marks[mark.point] = {
            "easting": east + off[0],
            "northing": north + off[1],
            "elevation": mark.up + off[2],
            "sigma": 0.015,
        }
    return notes(
        book(rows),
        marks,
        baseline=("B1", "B2"),
        noise=(noise.constant, noise.per_sqrt_metre),
        limit=100.0,
        crs=make_site.CRS,
    )


@dataclass(frozen=True)
class Spoilt:
    """A spoilt survey and what should be said about it."""

    notes: Notes
    codes: tuple[str, ...]
    run: str
    rows: tuple[int, ...] = ()


Spoiler = Callable[[FieldBook, np.random.Generator], tuple[FieldBook, str, tuple[int, ...]]]


def _some_run(book: FieldBook, rng: np.random.Generator) -> tuple[str, np.ndarray]:
    run = int(rng.integers(len(book.runs)))
    return book.runs[run], np.flatnonzero(book.run == run)


def jump(book: FieldBook, rng: np.random.Generator) -> tuple[FieldBook, str, tuple[int, ...]]:
    """The device lost itself by a metre on one leg between two common marks."""
    run, rows = _some_run(book, rng)
    at = int(rng.integers(2, len(rows) - 2))
    turn = rng.uniform(0, 2 * np.pi)
    local = book.local.copy()
    local[rows[at:]] += [1.0 * np.cos(turn), 1.0 * np.sin(turn), 0.0]
    return replace(book, local=local), run, (int(rows[at - 1]), int(rows[at]))


def sign(book: FieldBook, rng: np.random.Generator) -> tuple[FieldBook, str, tuple[int, ...]]:
    """One leg of at least a metre was written with the wrong sign."""
    run, rows = _some_run(book, rng)
    while True:
        at = int(rng.integers(2, len(rows) - 2))
        step = book.local[rows[at]] - book.local[rows[at - 1]]
        if np.hypot(*step[:2]) > 1.0:
            break
    local = book.local.copy()
    local[rows[at:]] -= 2 * step
    return replace(book, local=local), run, (int(rows[at - 1]), int(rows[at]))


def _exchanged(book: FieldBook, rows: np.ndarray, a: int, b: int) -> FieldBook:
    mark = book.mark.copy()
    mark[rows[book.mark[rows] == a]] = b
    mark[rows[book.mark[rows] == b]] = a
    return replace(book, mark=mark)


def baseline(book: FieldBook, rng: np.random.Generator) -> tuple[FieldBook, str, tuple[int, ...]]:
    """A run was walked from the second baseline mark, and noted as if from the first."""
    run, rows = _some_run(book, rng)
    a, b = book.marks.index("B1"), book.marks.index("B2")
    return _exchanged(book, rows, a, b), run, ()


def baseline_start(
    book: FieldBook, rng: np.random.Generator
) -> tuple[FieldBook, str, tuple[int, ...]]:
    """The same at the start of a run only."""
    run, rows = _some_run(book, rng)
    a, b = book.marks.index("B1"), book.marks.index("B2")
    return _exchanged(book, rows[:2], a, b), run, (int(rows[0]), int(rows[1]))


def names(book: FieldBook, rng: np.random.Generator) -> tuple[FieldBook, str, tuple[int, ...]]:
    """The names of a common mark and of another mark of the same run were exchanged."""
    run, rows = _some_run(book, rng)
    named = [r for r in rows if book.mark[r] >= 0 and book.marks[book.mark[r]] not in ("B1", "B2")]
    ties = [r for r in named if book.marks[book.mark[r]] in TIES]
    first = int(rng.choice(ties))
    second = int(rng.choice([r for r in named if book.mark[r] != book.mark[first]]))
    mark = book.mark.copy()
    mark[[first, second]] = mark[[second, first]]
    return replace(book, mark=mark), run, tuple(sorted((first, second)))


def feet(book: FieldBook, rng: np.random.Generator) -> tuple[FieldBook, str, tuple[int, ...]]:
    """One run was recorded in feet, the others in metres."""
    run, rows = _some_run(book, rng)
    local = book.local.copy()
    local[rows] /= 0.3048
    return replace(book, local=local), run, ()


def mirrored(book: FieldBook, rng: np.random.Generator) -> tuple[FieldBook, str, tuple[int, ...]]:
    """One run was exported left-handed: an axis flipped, or x and y exchanged."""
    run, rows = _some_run(book, rng)
    local = book.local.copy()
    match int(rng.integers(3)):
        case 0:
            local[rows, 0] *= -1
        case 1:
            local[rows, 1] *= -1
        case _:
            local[rows, :2] = local[rows][:, [1, 0]]
    return replace(book, local=local), run, ()


KINDS: dict[str, tuple[Spoiler, tuple[str, ...]]] = {
    "jump of 1 m on a leg": (jump, ("leg-off",)),
    "leg with the wrong sign": (sign, ("leg-sign",)),
    "baseline swapped": (baseline, ("baseline-swapped",)),
    "baseline swapped at the start": (baseline_start, ("baseline-swapped",)),
    "names of two marks swapped": (names, ("names-swapped",)),
    "run in feet": (feet, ("run-unit",)),
    "run mirrored": (mirrored, ("run-mirrored",)),
}


def spoil(kind: str, seed: int) -> Spoilt:
    """Return a survey with one mistake."""
    survey = clean(seed)
    spoiler, codes = KINDS[kind]
    spoilt, run, rows = spoiler(survey.book, np.random.default_rng(seed + 10_000))
    return Spoilt(replace(survey, book=spoilt), codes, run, rows)


ALARMS = {
    "leg-off",
    "visit-off",
    "leg-sign",
    "baseline-swapped",
    "names-swapped",
    "name-wrong",
    "run-unit",
    "run-mirrored",
    "run-upside-down",
    "run-mirrored-upside-down",
}


def said(survey: Notes) -> list[tuple[str, str]]:
    """Code and text of everything that was said about mistakes."""
    try:
        findings = adjust(survey).findings
        return [(f.code, f.text) for f in findings if f.code in ALARMS]
    except SurveyRefused as refused:
        return [(p.code, str(p)) for p in refused.problems]


def is_named(spoilt: Spoilt, told: list[tuple[str, str]]) -> bool:
    """The first thing said is the right kind, in the right run, on the right lines."""
    if not told:
        return False
    code, text = told[0]
    if code not in spoilt.codes or spoilt.run not in re.findall(r"\w+", text):
        return False
    if not spoilt.rows:
        return True
    lines = [int(spoilt.notes.book.line[row]) for row in spoilt.rows]
    stretches = _stretches(text)
    if code == "leg-off":
        return any(a <= lines[0] and lines[1] <= b for a, b in stretches)
    return tuple(lines) in stretches


def _stretches(text: str) -> list[tuple[int, int]]:
    found = re.findall(r"(\d+) (?:to|and) (?:line )?(\d+)", text)
    return [(int(a), int(b)) for a, b in found]
