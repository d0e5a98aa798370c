"""A long walk is reckoned some runs at a time; that changes no more than rounding does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closed_runs import closed_runs
from network_cases import notes

from geosite.fieldbook.model import Notes
from geosite.network.adjust import adjust
from geosite.network.walk import runs
from geosite.network.walk.device import CLASSES
from geosite.network.walk.runs import walk_runs


def open_ended() -> Notes:
    """Return runs whose ends no mark checks, on the way there and on the way out."""
    case = closed_runs(9, 14)
    mark = case.book.mark.copy()
    ends = np.flatnonzero(np.isin(np.arange(len(mark)) % 14, [12, 13]))
    mark[ends] = -1
    return replace(case, book=replace(case.book, mark=mark))


@pytest.mark.parametrize("case", ["closed", "open", "legs"])
@pytest.mark.parametrize("size", [1, 40])
@pytest.mark.slow
def test_pieces_give_what_the_whole_gives(
    case: str, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    survey = open_ended() if case == "open" else closed_runs(9, 14)
    if case == "legs":
        rows = zip(survey.book.run, survey.book.mark, survey.book.local, strict=True)
        named = [(f"R{r}", survey.book.marks[m], *xyz) for r, m, xyz in rows]
        anchor = {
            "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
            "B": {"easting": 20.0, "northing": 0.0},
        }
        survey = notes(named, anchor, noise=(0.005, 0.004), limit=None)
    whole = adjust(survey)
    monkeypatch.setattr(runs, "PIECE", size)
    pieced = adjust(survey)
    assert pieced.en == pytest.approx(whole.en, abs=1e-8)
    assert pieced.elevation == pytest.approx(whole.elevation, abs=1e-9)
    assert pieced.raw_en == pytest.approx(whole.raw_en, abs=1e-9)
    assert pieced.plan.own == pytest.approx(whole.plan.own, rel=1e-6, abs=1e-12)
    assert pieced.heights.own == pytest.approx(whole.heights.own, rel=1e-6, abs=1e-12)
    every = np.arange(len(whole.en))
    assert pieced.plan.between.start.tolist() == whole.plan.between.start.tolist()
    for name in ("end", "leg", "chain", "steps"):
        of_pieces = getattr(pieced.plan.between, name)(every).tolist()
        assert of_pieces == getattr(whole.plan.between, name)(every).tolist()


def test_no_piece_cuts_a_run(monkeypatch: pytest.MonkeyPatch) -> None:
    walk = walk_runs(closed_runs(9, 14).book, CLASSES["good"], frozenset("AB"))
    monkeypatch.setattr(runs, "PIECE", 40)
    pieces = list(walk.pieces())
    assert [(p.at.start, p.at.stop) for p in pieces] == [
        (0, 28),
        (28, 56),
        (56, 84),
        (84, 112),
        (112, 126),
    ]
    assert [p.legs.stop for p in pieces][-1] == len(walk.leg_end)
    assert [p.nodes.stop for p in pieces][-1] == len(walk.nodes)
    monkeypatch.setattr(runs, "PIECE", 5)
    assert [len(p.walk.row) for p in walk.pieces()] == [14] * 9
