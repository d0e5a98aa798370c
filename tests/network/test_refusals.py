"""A survey that cannot be right is refused, in one line each, and says what it looks like."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from network_cases import Row, notes

from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import FieldBook
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal
from geosite.network.mistakes.search import find_mistakes
from geosite.network.tie_runs import Tied, tie
from geosite.network.walk.device import device_of

PLACES = {"A": (0, 0, 0.0), "B": (8, 0, 0.1), "C": (30, 25, 0.6), "D": (-5, 30, 0.4)}


def rows(stops: str = "ABCDAB", scale: float = 1.0, run: str = "R1") -> list[Row]:
    return [(run, s, *(scale * v for v in PLACES[s])) for s in stops]


def marks(scale: float = 1.0, sigma: float = 0.01) -> dict[str, dict[str, Any]]:
    return {
        name: {"easting": scale * PLACES[name][0], "northing": 0.0, "sigma": sigma}
        | ({"elevation": 0.0} if name == "A" else {})
        for name in "AB"
    }


def refused(*args: Any, **more: Any) -> list[str]:
    with pytest.raises(SurveyRefused) as error:
        adjust(notes(*args, **more))
    assert error.value.exit_code == 3
    told = [str(p) for p in error.value.problems]
    assert all("\n" not in line and "; " in line for line in told)
    return told


US_FEET = "+proj=tmerc +lat_0=48 +lon_0=11 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=us-ft +type=crs"


@pytest.mark.parametrize(
    ("walked", "mapped", "unit", "crs", "says"),
    [
        # notes in feet, said to be metres
        (1 / 0.3048, 1.0, "m", None, 'the notes look like feet: set unit = "ft"'),
        # notes in metres, said to be feet
        (1.0, 1.0, "ft", None, 'the notes look like metres: set unit = "m" instead of "ft"'),
        # anchor in feet on a map in metres
        (1.0, 1 / 0.3048, "m", None, "the anchor's coordinates look like feet in a CRS in metres"),
        # anchor in metres on a map in feet
        (
            1 / 0.3048,
            1.0,
            "ft",
            US_FEET,
            "the anchor's coordinates look like metres in a CRS in US",
        ),
        (1000.0, 1.0, "m", None, "the notes look like millimetres"),
        (100.0, 1.0, "m", None, "the notes look like centimetres"),
    ],
)
def test_unit_mistakes_are_named(
    walked: float, mapped: float, unit: str, crs: str | None, says: str
) -> None:
    more = {} if crs is None else {"crs": crs}
    told = refused(rows(scale=walked), marks(mapped), unit=unit, **more)
    assert len(told) == 1
    assert told[0].startswith("site.toml:9: from A to B the notes measure ")
    assert says in told[0]


def test_a_baseline_of_another_length_is_refused() -> None:
    (told,) = refused(rows(), marks(1.08))
    assert "the notes measure 8.000 m, the map says 8.640 m" in told
    assert "check the marks' coordinates" in told


def test_a_small_but_significant_misfit_is_a_finding() -> None:
    network = adjust(notes(rows(), marks(1.008, sigma=0.001), noise=(0.002, 0.001)))
    (told,) = [f for f in network.findings if f.code == "baseline-length"]
    assert told.level == "look"
    assert "standard deviations apart" in told.text


def test_two_parts_per_million_cannot_be_seen_on_eight_metres() -> None:
    network = adjust(notes(rows(scale=1 / 0.3048), marks(), unit="ftUS"))
    assert not [f for f in network.findings if f.code == "baseline-length"]
    assert network.report.baseline.ppm == pytest.approx(2.0, abs=0.01)


def test_notes_already_reduced_to_the_grid_are_recognised() -> None:
    # a long baseline on a map whose scale is 0.9996: walked lengths equal to grid lengths
    places = {"A": (0.0, 0.0), "B": (2000.0, 0.0), "C": (1000.0, 500.0)}
    crs = "EPSG:25832"
    book = [("R", s, *places[s], 0.0) for s in "ABCAB"]
    known = {
        s: {
            "easting": 499_000 + places[s][0],
            "northing": 5_300_000.0,
            "elevation": 0.0,
            "sigma": 0.001,
        }
        for s in "AB"
    }
    network = adjust(notes(book, known, crs=crs, noise=(0.001, 0.0002)))
    (told,) = [f for f in network.findings if f.code == "baseline-length"]
    assert "The notes look reduced to the map grid already" in told.text
    grid = [(r, s, x / 0.9996**2, y / 0.9996**2, z) for r, s, x, y, z in book]
    network = adjust(notes(grid, known, crs=crs, noise=(0.001, 0.0002)))
    (told,) = [f for f in network.findings if f.code == "baseline-length"]
    assert "The map coordinates look scaled to ground lengths" in told.text


def test_baseline_marks_that_fall_together() -> None:
    book = rows("ACDA")
    book.insert(1, ("R1", "B", 0.05, 0.0, 0.0))
    (told,) = refused(book, marks())
    assert told.startswith("field_book.csv:3: run R1 has A and B only 0.050 m apart")


def test_known_marks_that_fall_together() -> None:
    known = marks()
    known["B"]["easting"] = 0.05
    (told,) = refused(rows(), known)
    assert told.startswith("site.toml:9: marks A and B are given the same place")


def loop(length: float, misclosure: float) -> list[Row]:
    """One closed loop of a given length and misclosure, the baseline beside it."""
    side = length / 4
    ring = [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side), (0.0, misclosure)]
    return [("R1", s, *xy, 0.0) for s, xy in zip("ABCDA", ring, strict=True)]


def known_side(length: float) -> dict[str, dict[str, Any]]:
    return {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
        "B": {"easting": length / 4, "northing": 0.0},
    }


@pytest.mark.parametrize(
    ("length", "misclosure", "limit", "ok"),
    [
        (200.0, 0.66, 300, True),
        (200.0, 0.68, 300, False),
        (200.0, 0.68, 200, True),
        (200.0, 0.041, 5000, False),
        (40.0, 0.14, 300, False),
        # shorter than 30 m: refused only beyond what the legs explain, here 0.061 m at 95 %
        (20.0, 0.07, 300, False),
        (12.0, 0.041, 300, True),
        # shorter than 2 m: the ratio says nothing
        (1.6, 0.04, 300, True),
    ],
)
def test_closure_limit(length: float, misclosure: float, limit: float, ok: bool) -> None:
    survey = notes(loop(length, misclosure), known_side(length), limit=limit)
    if ok:
        (closure,) = adjust(survey).closures
        assert closure.misclosure_m == pytest.approx(misclosure)
        return
    with pytest.raises(SurveyRefused) as error:
        adjust(survey)
    told = [p for p in error.value.problems if p.code == "closure"]
    assert len(told) == 1
    assert told[0].line == 6
    assert f"expected 1:{limit} or better; walk the loop from line 2 again" in str(told[0])


def test_a_tiny_loop_that_misses_by_more_than_its_legs_is_looked_at() -> None:
    survey = notes(loop(1.6, 0.09), known_side(1.6), limit=300)
    network = adjust(survey)
    assert "closure-short-loop" in [f.code for f in network.findings]


def test_several_problems_are_told_together() -> None:
    book = loop(200.0, 3.0)
    book = [(r, s, x / 0.3048, y / 0.3048, z) for r, s, x, y, z in book]
    with pytest.raises(SurveyRefused) as error:
        adjust(notes(book, known_side(200.0)))
    assert {"closure", "baseline-length"} <= {p.code for p in error.value.problems}


def test_baseline_visited_late_and_runs_in_any_frame() -> None:
    rng = np.random.default_rng(2)
    stops = "CDCDAB"
    book: list[Row] = []
    for number in range(6):
        turn = rng.uniform(-math.pi, math.pi)
        for s in stops:
            x, y, z = PLACES[s]
            xy = complex(x, y) * complex(math.cos(turn), math.sin(turn))
            book.append((f"R{number}", s, xy.real + 9.0, xy.imag - 4.0, z + number))
    network = adjust(notes(book, marks()))
    expected = np.array([PLACES[s] for s in stops * 6])
    # marks of a plain map whose middle is the baseline: ground is grid to a part per billion
    assert network.frame.to_map(network.en) == pytest.approx(expected[:, :2], abs=1e-4)
    assert network.elevation == pytest.approx(expected[:, 2], abs=1e-9)


def test_a_sigma_that_holds_nothing_is_refused() -> None:
    # equations of such marks lose their digits: they were a crash
    (first, second) = refused(rows(), marks(sigma=1e6))
    assert "mark A is known to 1e+06 m only, so the survey has no determined place" in first
    assert "mark B" in second


def test_standing_still_beside_long_legs() -> None:
    # without a least variance that grows with the largest one a leg has an infinite weight
    walk = [("R", n, x, 0.0, 0.0) for n, x in zip("AB", (0.0, 20.0), strict=True)]
    walk += [("R", "", 2e4 * (i % 2), 2e4, 0.0) for i in range(40)]
    walk += [("R", "C", 5.0, 5.0, 1.0), ("R", "D", 5.0, 5.0, 1.0), ("R", "B", 20.0, 0.0, 0.0)]
    walk += [("R", "D", 5.0, 5.0, 1.0), ("R", "C", 5.0, 5.0, 1.0)]
    known = {"A": {"easting": 0.0, "northing": 0.0}, "B": {"easting": 20.0, "northing": 0.0}}
    network = adjust(notes(walk, known, noise=(0.0, 1.0)))
    assert network.frame.to_map(network.en[-1]) == pytest.approx([5.0, 5.0], abs=0.05)
    assert np.isfinite(sigma_horizontal(network)).all()


def test_a_run_without_a_determined_place_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def unsolved(*_: Any, **__: Any) -> None:
        raise np.linalg.LinAlgError("Singular matrix")

    monkeypatch.setattr("geosite.network.tie_runs.adjust_plan", unsolved)
    (told,) = refused(rows(), marks())
    assert "field_book.csv:5: the marks of run R1 have no determined place" in told


def test_a_correction_that_leaves_a_mark_without_place_explains_nothing() -> None:
    # whatever is tried besides the notes as they are has no solution
    spoilt = rows("ABCDABCDAB")
    spoilt[5] = ("R1", "B", 8.0, 3.0, 0.1)
    survey = notes(spoilt, marks())

    def fit(book: FieldBook) -> tuple[Tied, float, int]:
        if book is not survey.book:
            raise np.linalg.LinAlgError("Singular matrix")
        tied = tie(book, device_of(survey), ("A", "B"), frozenset("AB"), 1.0)
        return tied, tied.squares, tied.redundancy

    search = find_mistakes(fit, survey.book, ("A", "B"))
    assert search.tied.squares > 1000
    assert search.mistakes == ()
    assert search.redundancy_spent == (0, 0)
