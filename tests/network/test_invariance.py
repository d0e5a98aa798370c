"""The result does not depend on the frames, the order and the unit of the notes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from network_cases import turned
from network_spoilt import clean, spoil

from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical
from geosite.network.model import Network

SURVEY = clean(77)
EXPECTED = adjust(SURVEY)


def same(network: Network, rows: np.ndarray | slice = slice(None)) -> None:
    assert network.frame.to_map(network.en) == pytest.approx(
        EXPECTED.frame.to_map(EXPECTED.en)[rows], abs=1e-6
    )
    assert network.elevation == pytest.approx(EXPECTED.elevation[rows], abs=1e-8)
    assert sigma_horizontal(network) == pytest.approx(sigma_horizontal(EXPECTED)[rows], rel=1e-6)
    assert sigma_vertical(network) == pytest.approx(sigma_vertical(EXPECTED)[rows], rel=1e-6)
    assert network.report.noise.horizontal.squares == pytest.approx(
        EXPECTED.report.noise.horizontal.squares, rel=1e-6
    )
    assert network.raw_elevation == pytest.approx(EXPECTED.raw_elevation[rows], abs=1e-8)


def with_book(book: FieldBook) -> Notes:
    return replace(SURVEY, book=book)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 2),
    st.floats(-180, 180),
    st.tuples(*[st.floats(-1e5, 1e5)] * 2, st.floats(-1e3, 1e3)),
)
def test_any_run_may_be_turned_and_shifted(
    run: int, degrees: float, shift: tuple[float, float, float]
) -> None:
    book = SURVEY.book
    rows = book.run == run
    local = book.local.copy()
    local[rows] = turned(local[rows], degrees, shift)
    same(adjust(with_book(replace(book, local=local))))


def reordered(notes: Notes, order: list[int]) -> tuple[Notes, np.ndarray]:
    """Return the notes with their runs in another order, and the old row of each new one."""
    book = notes.book
    rows = np.concatenate([np.flatnonzero(book.run == r) for r in order])
    names = [book.runs[r] for r in order]
    new_number = np.argsort(order)
    marks = list(dict.fromkeys(int(m) for m in book.mark[rows] if m >= 0))
    new_mark = np.full(len(book.marks) + 1, -1)
    new_mark[marks] = np.arange(len(marks))
    moved = replace(
        book,
        local=book.local[rows],
        run=new_number[book.run[rows]],
        runs=tuple(names),
        mark=new_mark[book.mark[rows]],
        marks=tuple(book.marks[m] for m in marks),
        line=book.line[rows],
    )
    return replace(notes, book=moved), rows


@settings(max_examples=10, deadline=None)
@given(st.permutations([0, 1, 2]))
def test_order_of_runs_does_not_matter(order: list[int]) -> None:
    moved, rows = reordered(SURVEY, order)
    same(adjust(moved), rows)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["jump of 1 m on a leg", "names of two marks swapped"])
def test_what_is_said_does_not_depend_on_the_order_of_runs(kind: str) -> None:
    """Advice and alternatives of equal worth too: the first by name, the first by line."""
    notes = spoil(kind, 2).notes
    told = heard(notes)
    assert told
    assert heard(reordered(notes, [2, 1, 0])[0]) == told


def heard(notes: Notes) -> list[str]:
    """Return all that is said of a survey, placed or refused."""
    try:
        return sorted(str(finding) for finding in adjust(notes).findings)
    except SurveyRefused as refused:
        return sorted(str(problem) for problem in refused.problems)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_runs_may_be_interleaved(seed: int) -> None:
    # rows of a run need not be next to each other, only in walking order
    book = SURVEY.book
    rng = np.random.default_rng(seed)
    left = [list(np.flatnonzero(book.run == r)) for r in range(3)]
    rows = []
    while any(left):
        rows.append(rng.choice([i for i, x in enumerate(left) if x]))
        rows[-1] = left[rows[-1]].pop(0)
    order = np.array(rows)
    moved = replace(
        book,
        local=book.local[order],
        run=book.run[order],
        mark=book.mark[order],
        line=book.line[order],
    )
    same(adjust(with_book(moved)), order)


def test_unit_does_not_matter() -> None:
    import msgspec

    for unit, metres in (("ft", 0.3048), ("ftUS", 1200 / 3937)):
        table = msgspec.structs.replace(SURVEY.site.survey, unit=unit)
        site = msgspec.structs.replace(SURVEY.site, survey=table)
        # what the field book holds is metres already: through the unit and back
        local = SURVEY.book.local / metres * metres
        book = replace(SURVEY.book, local=local, unit_m=metres)
        same(adjust(replace(SURVEY, site=site, book=book)))
