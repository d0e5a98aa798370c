"""Marks worth a look: how many slips are noticed, and how often a clean walk is called so."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from device_walks import walked
from simulated import ferry_landing

from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.suspicious_marks import suspects

pytestmark = pytest.mark.slow

SHAPES = {
    "rectangle": [(0, 0), (1, 0), (1, 0.6), (0, 0.6)],
    "rectangle, marks on its sides": [
        *[(0, 0), (0.5, 0), (1, 0), (1, 0.3), (1, 0.6), (0.4, 0.6), (0, 0.6)]
    ],
    "ell": [(0, 0), (1, 0), (1, 0.5), (0.55, 0.5), (0.55, 1), (0, 1)],
    "tee": [(0, 0), (1, 0), (1, 0.3), (0.65, 0.3), (0.65, 0.9), (0.35, 0.9), (0.35, 0.3), (0, 0.3)],
    "round corner": [(0, 0), (0.85, 0), (0.96, 0.04), (1, 0.15), (1, 0.6), (0, 0.6)],
    "strip": [(0, 0), (1, 0), (1, 0.05), (0, 0.05)],
    "wedge": [(0, 0), (1, 0.1), (1, 0.3), (0.5, 0.3)],
    "turnaround": [
        (0.5 + 0.5 * math.cos(a), 0.5 + 0.4 * math.sin(a)) for a in np.linspace(0, 5.6, 9)
    ],
}


def walk(rng: np.random.Generator) -> FieldBook:
    """Walk three to six shapes of 4 to 40 m in a yard, turned at will, with a device's noise."""
    places, feature = [(0.0, 0.0), (3.0, 18.0)], [-1, -1]
    names = rng.choice(list(SHAPES), size=rng.integers(3, 7))
    for number, name in enumerate(names):
        size, turn = rng.uniform(4, 40), rng.uniform(0, 2 * math.pi)
        shape = np.array(SHAPES[str(name)]) * size
        wobble = rng.normal(0, 0.02 * size, shape.shape)  # nobody builds a true rectangle
        c, s = math.cos(turn), math.sin(turn)
        shape = (shape + wobble) @ np.array([[c, s], [-s, c]]) + rng.uniform(-40, 40, 2)
        places += [tuple(p) for p in shape]
        feature += [number] * len(shape)
    n = len(places)
    local = np.round(np.column_stack([np.array(places), rng.normal(0, 0.3, n)]), 3)
    return FieldBook(
        file="book.csv",
        local=local,
        unit_m=1.0,
        runs=("only",),
        run=np.zeros(n, dtype=np.int64),
        marks=tuple(f"M{i}" for i in range(n)),
        mark=np.arange(n),
        features=tuple(f"F{i}" for i in range(len(names))),
        feature=np.array(feature),
        codes=(),
        code=np.full(n, -1),
        kind=np.zeros(n, dtype=np.int8),
        piece=np.ones(n, dtype=np.int16),
        notes=("",) * n,
        line=np.arange(2, n + 2),
    )


def test_clean_walks_are_seldom_called_so() -> None:
    rng = np.random.default_rng(17)
    called = sum(bool(suspects(walk(rng))) for _ in range(1000))
    assert called / 1000 <= 0.05


def test_decimal_slips_are_noticed() -> None:
    rng = np.random.default_rng(18)
    noticed = tried = 0
    while tried < 500:
        book = walk(rng)
        row, axis = int(rng.integers(2, len(book))), int(rng.integers(2))
        local = book.local.copy()
        local[row, axis] *= rng.choice([0.1, 10.0])
        # a slip that moves a mark by less than a metre is no matter of a look
        if abs(local[row, axis] - book.local[row, axis]) < 1.0:
            continue
        tried += 1
        noticed += row in {s.row for s in suspects(replace(book, local=local))}
    assert noticed / tried >= 0.55


def test_heights_of_clean_walks_are_seldom_called_so(tmp_path: Path) -> None:
    """The landing with its kerbs and slipway, and marks strewn over a fall of 2 % with 0.2 m."""
    books = [ferry_landing(seed, tmp_path).notes.book for seed in range(40)]
    books += [walked(size, seed).notes.book for size in (20, 60, 200) for seed in range(40)]
    called = sum(any(s.kind == "height" for s in suspects(book)) for book in books)
    assert called / len(books) <= 0.01


def test_heights_off_by_a_metre_or_more_are_noticed(tmp_path: Path) -> None:
    """A lost decimal point, a wrong digit of metres: on marks of the landing seen once."""
    rng = np.random.default_rng(19)
    book = ferry_landing(3, tmp_path).notes.book
    seen = np.bincount(book.mark[book.mark >= 0])
    rows = [i for i, m in enumerate(book.mark) if m >= 0 and seen[m] == 1]
    noticed = 0
    for _ in range(300):
        row, off = int(rng.choice(rows)), rng.choice([-1, 1]) * rng.uniform(1, 40)
        local = book.local.copy()
        local[row, 2] += off
        noticed += row in {s.row for s in suspects(replace(book, local=local))}
    assert noticed / 300 >= 0.9
