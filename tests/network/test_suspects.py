"""What the search for mistakes weighs, step by step, on small walks whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from network_cases import Row, book, run_rows, turned
from scipy.stats import chi2
from scipy.stats import f as f_distribution

from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import LegNoise
from geosite.network.mistakes import search as blunders
from geosite.network.mistakes.search import (
    CLEAR,
    Mistake,
    _Named,
    _near,
    _places,
    _Refined,
    _refined,
    _Residuals,
    _stands_out,
    _Suspect,
    _suspects,
    _test,
    _Trial,
    _twice_a_leg,
    _TwiceALeg,
    _unnamed,
    find_mistakes,
    leg_tests,
)
from geosite.network.tie import Tied, tie

NOISE = LegNoise(constant=0.02, per_sqrt_metre=0.01)
# capitals are marks, small letters are walked through once
PLACES = {
    "A": (0.0, 0.0, 1.0),
    "B": (20.0, 0.0, 1.2),
    "C": (15.0, 18.0, 0.5),
    "D": (-4.0, 12.0, 0.8),
    "E": (30.0, 9.0, 2.0),
    "a": (8.0, 9.0, 0.0),
    "b": (25.0, 14.0, 1.5),
    "c": (3.0, -7.0, 0.6),
}
TURNS = (0.0, 70.0, -130.0, 20.0, 160.0, 45.0, -20.0)
BASELINE = ("A", "B")


def walked(*walks: str, seed: int | None = None, sigma: float = 0.02) -> FieldBook:
    """Walk the stops of each run in a frame of its own, the first one in the map's."""
    rows: list[Row] = []
    rng = None if seed is None else np.random.default_rng(seed)
    for number, stops in enumerate(walks):
        shift = (5.0 * number, -number, number)
        rows += run_rows(f"R{number + 1}", stops, PLACES, TURNS[number], shift, rng, sigma)
    return book(rows)


def fit(trial: FieldBook, always: str = "") -> tuple[Tied, float, int]:
    tied = tie(trial, NOISE, BASELINE, frozenset(always), 1.0)
    return tied, tied.squares, tied.redundancy


def never(*_: Any) -> Any:
    raise AssertionError("not to be asked")


def moved(survey: FieldBook, first: int, last: int, by: Any) -> FieldBook:
    """Shift rows first to last, in the axes of their run."""
    local = survey.local.copy()
    local[first : last + 1] += by
    return replace(survey, local=local)


def residual_weights(tied: Tied) -> tuple[np.ndarray, np.ndarray]:
    """W Qvv W of all legs by the book: (s, 2, s, 2) in plan and (s, s) in height."""
    legs = tied.legs
    count, knots = len(legs.run), legs.knots
    design = np.zeros((count, 2, 2 * knots + legs.runs))
    rises = np.zeros((count, knots))
    for i in range(count):
        a, b = legs.start[i], legs.end[i]
        east, north = tied.plan.position[b] - tied.plan.position[a]
        for axis in (0, 1):
            design[i, axis, axis * knots + b] += 1
            design[i, axis, axis * knots + a] -= 1
        design[i, :, 2 * knots + legs.run[i]] = north, -east
        rises[i, b] += 1
        rises[i, a] -= 1

    def unexplained(table: np.ndarray, root: np.ndarray) -> np.ndarray:
        u, s, _ = np.linalg.svd(root[:, None] * table, full_matrices=False)
        u = u[:, s > 1e-9 * s[0]]
        return root[:, None] * (np.eye(len(table)) - u @ u.T) * root

    plan = unexplained(design.reshape(2 * count, -1), np.repeat(legs.variance, 2) ** -0.5)
    return plan.reshape(count, 2, count, 2), unexplained(rises, legs.variance_up**-0.5)


def by_the_book(tied: Tied, visit: bool, i: int) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Weight and pull of an error of leg i, or of the mark between legs i and i + 1."""
    plan, up = residual_weights(tied)
    sign = np.zeros(len(up))
    sign[i] = 1.0
    if visit:
        sign[i + 1] = -1.0
    pull = sign @ (tied.plan.residual / tied.legs.variance[:, None])
    weight = np.einsum("i,iajb,j->ab", sign, plan, sign)
    pull_up = float(sign @ (tied.levels.residual / tied.legs.variance_up))
    return weight, pull, float(sign @ up @ sign), pull_up


def test_residuals_have_the_covariance_of_the_dense_solution() -> None:
    tied = fit(walked("AaBCDbAB", "BADcCBE", "ABECAa", seed=3))[0]
    residuals = _Residuals(tied)
    weight, pull, weight_up, pull_up = residuals.single()
    for i in range(len(tied.legs.run)):
        expected = by_the_book(tied, False, i)
        assert weight[i] == pytest.approx(expected[0], rel=1e-6, abs=1e-3)
        assert pull[i] == pytest.approx(expected[1], rel=1e-9)
        assert weight_up[i] == pytest.approx(expected[2], rel=1e-6, abs=1e-3)
        assert pull_up[i] == pytest.approx(expected[3], rel=1e-9)
    at = np.array([0, 1, 2, 7, 11])
    weight, pull, weight_up, pull_up = residuals.double(at, at + 1)
    for k, i in enumerate(at.tolist()):
        expected = by_the_book(tied, True, i)
        assert weight[k] == pytest.approx(expected[0], rel=1e-6, abs=1e-3)
        assert pull[k] == pytest.approx(expected[1], rel=1e-9)
        assert weight_up[k] == pytest.approx(expected[2], rel=1e-6, abs=1e-3)
        assert pull_up[k] == pytest.approx(expected[3], rel=1e-9)


def test_estimated_errors_by_hand() -> None:
    # checked; checked in height only (one weak direction); not checked at all; just not enough
    weight = np.array([[[4, 1], [1, 2]], [[4, 2], [2, 1]], [[0, 0], [0, 0]], [[4, 0], [0, 0.04]]])
    pull = np.array([[7.0, 7.0], [7.0, 7.0], [0.0, 0.0], [1.0, 1.0]])
    error, spread, freedom, test = _test(
        np.full(4, 4.0), weight, pull, np.array([2.0, 0.5, 0.0, 0.04]), np.array([3.0, 2.0, 0, 1])
    )
    nan = math.nan
    # [[4, 1], [1, 2]]^-1 = [[2, -1], [-1, 4]] / 7
    expected = [[1.0, 3.0, 1.5], [nan, nan, 4.0], [nan] * 3, [nan] * 3]
    assert error == pytest.approx(np.array(expected), nan_ok=True)
    assert freedom.tolist() == [3, 1, 0, 0]
    assert test == pytest.approx([7 + 21 + 4.5, 8.0, 0.0, 0.0])
    assert spread[0] == pytest.approx(np.array([[2, -1, 0], [-1, 4, 0], [0, 0, 3.5]]) / 7)
    assert spread[1] == pytest.approx(np.diag([0, 0, 2.0]))
    assert not spread[2:].any()
    nothing = np.zeros(0)
    found = _test(nothing, np.zeros((0, 2, 2)), np.zeros((0, 2)), nothing, nothing)
    assert [len(part) for part in found] == [0, 0, 0, 0]


def test_legs_and_visits_are_ranked_by_their_chi_square() -> None:
    # E is seen once, at the end of a run: its leg cannot be checked
    survey = walked("ABCDAB", "BADCB", "ABDCABE", "CBAD", seed=5)
    tied = fit(survey, "E")[0]
    found, tested = _suspects(tied)
    count = len(tied.legs.run)
    assert count == 18
    expected = []
    for visit in (False, True):
        ranked = []
        for i in range(count - visit):
            if visit and tied.legs.run[i] != tied.legs.run[i + 1]:
                continue
            weight, pull, weight_up, pull_up = by_the_book(tied, visit, i)
            if np.linalg.eigvalsh(weight)[0] < 1.0:
                continue
            error = np.append(np.linalg.solve(weight, pull), pull_up / weight_up)
            test = float(error[:2] @ pull + error[2] * pull_up)
            spread = np.zeros((3, 3))
            spread[:2, :2], spread[2, 2] = np.linalg.inv(weight), 1 / weight_up
            ranked.append((test, i, visit, error, spread))
        ranked.sort(key=lambda one: -one[0])
        expected.append(ranked)
    assert len(expected[0]) == 17
    assert len(expected[1]) == 14
    assert tested == 31
    best = sorted(expected[0][:12] + expected[1][:12], key=lambda one: -one[0])
    assert [(s.leg, s.visit) for s in found] == [one[1:3] for one in best]
    for suspect, (test, _, _, error, spread) in zip(found, best, strict=True):
        assert suspect.test == pytest.approx(test, rel=1e-6)
        assert suspect.error == pytest.approx(error, rel=1e-6)
        assert suspect.spread == pytest.approx(spread, rel=1e-6)
        assert suspect.freedom == 3
    error, freedom, test = leg_tests(tied)
    assert freedom.tolist() == [3] * 14 + [0] + [3] * 3
    for one in expected[0]:
        assert error[one[1]] == pytest.approx(one[3], rel=1e-6)
        assert test[one[1]] == pytest.approx(one[0], rel=1e-6)


def suspect(test: float, freedom: int = 3, leg: int = 0, visit: bool = False) -> _Suspect:
    return _Suspect(leg, visit, np.full(3, 0.5), np.eye(3), freedom, test)


@pytest.mark.parametrize("freedom", [1, 3])
def test_a_mistake_stands_out_from_chance(freedom: int) -> None:
    def stands(chance: float, left: int, rest: float) -> bool:
        test = float(chi2.isf(chance / 10, freedom))
        return _stands_out(suspect(test, freedom), 10, test + rest, freedom + left)

    # ten tests: one false alarm in a hundred surveys
    assert not stands(0.0101, 20, 15.0)
    assert stands(0.0099, 20, 15.0)
    # with fewer than eight left it has to be a hundred times as clear
    assert stands(0.0099, 8, 5.0)
    assert not stands(0.0099, 7, 5.0)
    assert not stands(1.01e-4, 7, 5.0)
    assert stands(0.99e-4, 7, 5.0)
    assert stands(0.99e-4, 0, 0.0)
    assert not stands(1.01e-4, 0, 0.0)
    assert stands(0.99e-4, 0, 1e-9)  # rounding
    # what is left says that the noise is larger everywhere: it counts relative to that
    for left in (1, 4, 20):
        for chance, stand in ((0.0101, False), (0.0099, True)):
            test = 1e9
            ratio = float(f_distribution.isf(chance / 10, freedom, left))
            rest = test / freedom / ratio * left
            assert chi2_sf(rest, left) < 0.01
            told = _stands_out(suspect(test, freedom), 10, test + rest, freedom + left)
            assert told == stand


def refined(survey: FieldBook, leg: int, visit: bool) -> tuple[Tied, _Suspect, _Refined]:
    tied = fit(survey)[0]
    (one,) = [s for s in _suspects(tied)[0] if (s.leg, s.visit) == (leg, visit)]
    better = _refined(fit, tied, one)
    assert better is not None
    return tied, one, better


def test_a_large_error_is_found_exactly_though_it_bends_the_network() -> None:
    right = walked("ABCDAB", "BADCB", "ABDCAB")
    by = np.array([3.0, -2.0, 0.4])
    # R2 leaves A (row 7) for D (row 8) and is off from there on
    _, one, better = refined(moved(right, 8, 10, by), 6, False)
    assert better.suspect is one
    assert better.own == pytest.approx(by, abs=1e-4)
    # run R2 was turned by 70 degrees
    cosine, sine = math.cos(math.radians(-70)), math.sin(math.radians(-70))
    turned_back = [cosine * 3.0 + sine * 2.0, sine * 3.0 - cosine * 2.0, 0.4]
    assert better.error == pytest.approx(turned_back, abs=1e-4)
    assert better.left == pytest.approx(0.0, abs=1e-4)
    assert better.corrected.local == pytest.approx(right.local, abs=1e-4)
    weight, _, weight_up, _ = by_the_book(fit(better.corrected)[0], False, 6)
    spin = np.array([[cosine, sine], [-sine, cosine]]).T
    assert better.spread[:2, :2] == pytest.approx(spin.T @ np.linalg.inv(weight) @ spin, rel=1e-3)
    assert better.spread[2] == pytest.approx([0, 0, 1 / weight_up], rel=1e-6)
    # only the row itself, D on line 10 of the file
    _, one, better = refined(moved(right, 8, 8, by), 6, True)
    assert better.own == pytest.approx(by, abs=1e-4)
    assert better.corrected.local == pytest.approx(right.local, abs=1e-4)
    weight, _, weight_up, _ = by_the_book(fit(better.corrected)[0], True, 6)
    assert better.spread[:2, :2] == pytest.approx(spin.T @ np.linalg.inv(weight) @ spin, rel=1e-3)
    assert better.spread[2, 2] == pytest.approx(1 / weight_up, rel=1e-6)


def test_an_error_without_name_says_where_and_what_else_it_could_be() -> None:
    right = walked("ABCDAB", "BADCB", "ABaDCAB")
    survey = moved(right, 14, 17, [1.0, 0.5, 0.25])  # D and what follows in R3
    tied = fit(survey)[0]
    found, tested = _suspects(tied)
    best = found[0]
    assert (best.leg, best.visit) == (10, False)
    near = replace(found[1], visit=False, leg=3, test=best.test - 5.9)
    other_kind = replace(near, visit=True)
    far = replace(near, test=best.test - 6.1)
    mistake = _unnamed(fit, tied, best, [best, near, other_kind, far], tested)
    assert mistake is not None
    assert (mistake.kind, mistake.run) == ("leg", "R3")
    assert (mistake.rows, mistake.marks) == ((12, 14), ("B", "D"))
    assert mistake.others == ((3, 4),)
    assert mistake.detail == ""
    assert mistake.chance == pytest.approx(chi2_sf(best.test, 3) * tested)
    assert mistake.corrected.local == pytest.approx(right.local, abs=1e-4)
    assert mistake.size == pytest.approx(math.sqrt(1.0 + 0.25 + 0.0625), abs=1e-4)
    dull = replace(best, test=0.1)
    mistake = _unnamed(fit, tied, dull, [], tested)
    assert mistake is not None
    assert mistake.chance == 1.0
    visit = replace(best, visit=True)
    mistake = _unnamed(fit, tied, visit, [visit, near, other_kind], tested)
    assert mistake is not None
    assert (mistake.kind, mistake.rows, mistake.marks) == ("visit", (14,), ("D",))
    assert mistake.others == ((3, 4),)  # visits: `near` is not one
    # an error that leaves marks without any place explains nothing
    assert _unnamed(_no_place, tied, best, [best], tested) is None


def _no_place(_: FieldBook) -> Any:
    raise np.linalg.LinAlgError("Singular matrix")


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_an_error_of_twice_a_leg_along_one_axis_is_a_hint(axis: int) -> None:
    right = walked("ABCDAB", "BADCB", "ABaDCAB")
    step = np.zeros(3)
    step[axis] = right.local[14, axis] - right.local[13, axis]  # from stop a to D
    survey = moved(right, 14, 17, -2 * step)
    tied = fit(survey)[0]
    (best,) = [s for s in _suspects(tied)[0] if (s.leg, s.visit) == (10, False)]
    mistake = _unnamed(fit, tied, best, [best], 1)
    assert mistake is not None
    assert mistake.detail == f"as if {'xyz'[axis]} of the leg from line 15 to 16 had the wrong sign"
    # below CLEAR it is no hint
    mistake = _unnamed(fit, tied, replace(best, test=CLEAR), [best], 1)
    assert mistake is not None
    assert mistake.detail == ""


def test_a_hint_fits_within_three_sigma(monkeypatch: pytest.MonkeyPatch) -> None:
    survey = moved(walked("ABCDAB", "BADCB"), 3, 5, [1.0, 0.5, 0.25])
    tied = fit(survey)[0]
    best = _suspects(tied)[0][0]
    for misfit, hint in ((8.9, True), (9.1, False)):
        hints = [_TwiceALeg(misfit, "x", (2, 3))]
        monkeypatch.setattr(blunders, "_twice_a_leg", lambda *_, found=hints: found)
        mistake = _unnamed(fit, tied, best, [best], 1)
        assert mistake is not None
        assert bool(mistake.detail) == hint


def test_what_is_checked_by_less_than_a_hundredth_is_no_suspect() -> None:
    # good short legs among long ones: the rest of the network says next to nothing about them
    where = PLACES | {"F": (15.1, 18.0, 0.5), "G": (30.0, 9.2, 2.0), "H": (29.9, 9.1, 2.0)}
    walks = ("ABCFDAB", "BAGHECB", "AFEDBGCHA")
    rows = [
        (f"R{k}", s, *xyz)
        for k, stops in enumerate(walks)
        for s, xyz in zip(stops, turned(np.array([where[s] for s in stops]), 40 * k), strict=True)
    ]
    noise = LegNoise(constant=0.0005, per_sqrt_metre=0.02)
    tied = tie(book(rows), noise, BASELINE, frozenset(), 1.0)
    tested, weak = 0, [0, 0]
    freedoms = []
    for visit in (False, True):
        for i in range(len(tied.legs.run) - visit):
            if visit and tied.legs.run[i] != tied.legs.run[i + 1]:
                continue
            weight, _, weight_up, _ = by_the_book(tied, visit, i)
            full = sum(1 / tied.legs.variance[i : i + 1 + visit])
            shares = np.linalg.eigvalsh(weight)[0] / full, weight_up / full
            checked = [share > 0.01 for share in shares]
            weak[visit] += sum(1e-6 < share < 0.01 for share in shares)
            tested += any(checked)
            freedoms += [] if visit else [2 * checked[0] + checked[1]]
    assert min(weak) > 0
    assert _suspects(tied)[1] == tested
    assert leg_tests(tied)[1].tolist() == freedoms


def test_what_nothing_checks_is_no_suspect() -> None:
    found, tested = _suspects(fit(walked("ABCABD", seed=1), "D")[0])
    assert {(s.leg, s.visit) for s in found} == {
        *((leg, False) for leg in range(3)),
        *((leg, True) for leg in range(3)),
    }
    assert tested == 6


def test_twice_a_leg_is_weighed_by_the_spread_of_the_error() -> None:
    survey = walked("ABcaCDAB", "BADCB")
    tied = fit(survey)[0]
    # leg 1 goes from B through c and a to C: rows 1 to 4, run axes are the map's
    steps = np.diff(survey.local[1:5], axis=0)
    spread = np.diag([0.01, 0.04, 0.09])
    patterns = {"all": np.ones(3), "x": np.array([1.0, 0, 0])}

    def listed(own: np.ndarray) -> list[tuple[str, tuple[int, int], float]]:
        better = _Refined(suspect(100.0, leg=1), own, spread, own, 0.0, survey)
        return [(t.axes, t.rows, t.misfit) for t in _twice_a_leg(tied, better, patterns)]

    ((axes, rows, misfit),) = listed(2 * steps[1] + [0.1, -0.2, 0.6])
    assert (axes, rows, misfit) == ("all", (2, 3), pytest.approx(1 + 1 + 4))
    assert listed(2 * steps[1] + [0.41, 0.0, 0.0]) == []  # 16.8, beyond three degrees of freedom
    ((axes, rows, misfit),) = listed(np.array([2 * steps[2, 0], 0.1, 0.3]))
    assert (axes, rows, misfit) == ("x", (3, 4), pytest.approx(0.25 + 1.0))
    # the legs before and after the stretch are not in it
    for row in (1, 5):
        assert listed(2 * (survey.local[row] - survey.local[row - 1])) == []
    # unchecked in height: only the plan counts
    ((axes, rows, misfit),) = listed(np.append(2 * steps[0, :2] + [0.2, 0.2], math.nan))
    assert (axes, rows, misfit) == ("all", (1, 2), pytest.approx(4 + 1))
    own = 2 * steps[0]
    assert _twice_a_leg(tied, _Refined(suspect(9.0), own, 0 * spread, own, 0, survey), {}) == []


# ---- mistakes with a name -----------------------------------------------------------------------


def named(
    survey: FieldBook,
    suspects: list[_Suspect] | None = None,
    squares: float = 1000.0,
    redundancy: int = 10,
    fit: Any = lambda _: (None, 7.0, 0),
) -> _Named:
    return _Named(fit, tie_of(survey), squares, redundancy, BASELINE, suspects or [])


def tie_of(survey: FieldBook) -> Tied:
    return tie(survey, NOISE, BASELINE, frozenset(), 1.0)


def test_whole_runs_are_tried_mirrored_upside_down_and_exchanged() -> None:
    survey = walked("ABCA", "BACb", seed=2)
    trials = list(named(survey).whole_runs())
    first = survey.run == 0
    order = ("R1", "R2") if trials[0].mistake.run == "R1" else ("R2", "R1")
    flips = {
        "run-mirrored": [1.0, -1.0, 1.0],
        "run-upside-down": [1.0, 1.0, -1.0],
        "run-mirrored-upside-down": [1.0, -1.0, -1.0],
    }
    expected = [(kind, run) for run in order for kind in (*flips, "baseline-swapped")]
    expected += [(kind, "every run") for kind in flips]
    assert [(t.mistake.kind, t.mistake.run) for t in trials] == expected
    for trial in trials:
        mistake = trial.mistake
        rows = {"R1": first, "R2": ~first, "every run": np.ones(len(survey), dtype=bool)}
        here = rows[mistake.run]
        changed = np.where(here[:, None], survey.local * flips.get(mistake.kind, 1.0), survey.local)
        assert np.array_equal(mistake.corrected.local, changed)
        names = [survey.marks[m] if m >= 0 else "" for m in mistake.corrected.mark]
        if mistake.kind == "baseline-swapped":
            assert mistake.marks == BASELINE
            assert "".join(names) == ("BACBBAC" if mistake.run == "R1" else "ABCAABC")
        else:
            assert mistake.marks == ()
            assert np.array_equal(mistake.corrected.mark, survey.mark)
        assert (mistake.rows, mistake.detail, mistake.others) == ((), "", ())
        assert np.isnan(mistake.error).tolist() == [True] * 3
        assert (mistake.chance, mistake.alternative, trial.squares) == (0.0, None, 7.0)
    # one run alone: every run is that one, and nothing says which baseline mark is which
    kinds = [(t.mistake.kind, t.mistake.run) for t in named(walked("ABCA")).whole_runs()]
    assert kinds == [(kind, "R1") for kind in flips]


def test_what_leaves_marks_without_place_explains_nothing() -> None:
    survey = walked("ABCA", "BACb", seed=2)
    trials = list(named(survey, fit=_no_place).whole_runs())
    assert {t.squares for t in trials} == {math.inf}
    assert named(survey, fit=_no_place).best() is None


@pytest.mark.parametrize(
    ("longer", "details"),
    [
        (1.0, []),
        (2.1, []),
        (2.3, [("R1", "metres"), ("R2", "feet")]),
        (4.8, [("R1", "metres"), ("R2", "feet")]),
        (5.0, []),
        (0.31, [("R1", "feet"), ("R2", "metres")]),
    ],
)
def test_runs_are_tried_in_feet_where_their_baseline_says_so(
    longer: float, details: list[tuple[str, str]]
) -> None:
    survey = walked("ABCA", "BACb")
    local = survey.local.copy()
    local[4:] *= longer
    survey = replace(survey, local=local)
    trials = [t.mistake for t in named(survey).whole_runs() if t.mistake.kind == "run-unit"]
    assert sorted((m.run, m.detail) for m in trials) == details
    for mistake in trials:
        factor = 0.3048 if mistake.detail == "feet" else 1 / 0.3048
        rows = slice(0, 4) if mistake.run == "R1" else slice(4, 8)
        local = survey.local.copy()
        local[rows] *= factor
        assert mistake.corrected.local == pytest.approx(local)


def test_lengths_of_the_baseline_against_the_median_of_the_others() -> None:
    survey = walked("ABCA", "BACb", "ABDAB")
    local = survey.local.copy()
    local[4:8] *= 2.0
    local[8:] *= 4.0
    found = named(replace(survey, local=local)).run_lengths()
    assert found == pytest.approx([1 / 3, 2 / 2.5, 4 / 1.5])
    # a baseline of a few decimetres
    found = named(replace(survey, local=0.02 * local)).run_lengths()
    assert found == pytest.approx([1 / 3, 2 / 2.5, 4 / 1.5])
    assert named(walked("ABCA")).run_lengths() == pytest.approx([1.0])


@pytest.mark.parametrize("seed", range(6))
def test_runs_are_suspected_by_their_share_of_the_misclosures(seed: int) -> None:
    survey = walked("ABCDA", "ACEDAB", "AEBA", "BADCA", "CDABE", "ABDCA", "BECDA", seed=seed)
    tied = tie_of(survey)
    legs, plan, levels = tied.legs, tied.plan, tied.levels
    share = [0.0] * 7
    for i, run in enumerate(legs.run.tolist()):
        east, north = plan.residual[i]
        share[run] += (east * east + north * north) / legs.variance[i]
        share[run] += levels.residual[i] * levels.residual[i] / legs.variance_up[i]
    expected = sorted(range(7), key=lambda run: -share[run])[:6]
    assert named(survey).suspicious_runs() == expected


def test_two_baseline_marks_after_each_other_are_tried_exchanged() -> None:
    # A to B with an unnamed stop between; B to A over mark C; from one run to the next
    survey = walked("CAaBCABB", "BCA")
    trials = list(named(survey).baseline_pairs())
    assert [t.mistake.rows for t in trials] == [(1, 3), (5, 6)]
    for trial in trials:
        mistake = trial.mistake
        assert (mistake.kind, mistake.run, mistake.marks) == ("baseline-swapped", "R1", BASELINE)
        mark = survey.mark.copy()
        mark[list(mistake.rows)] = mark[list(mistake.rows)[::-1]]
        assert np.array_equal(mistake.corrected.mark, mark)
    # the run that fits best is left alone when there are many
    many = named(walked(*["ABCDA"] * 7, seed=4))
    (left_out,) = set(range(7)) - set(many.suspicious_runs())
    tried = [t.mistake.rows for t in many.baseline_pairs()]
    assert tried == [(5 * run, 5 * run + 1) for run in range(7) if run != left_out]


def test_names_are_exchanged_in_the_order_of_the_rows() -> None:
    survey = walked("ABCDA", "BAC")
    one = named(survey)
    mistake = one.exchange(3, 1).mistake
    assert (mistake.kind, mistake.run, mistake.rows) == ("names-swapped", "R1", (1, 3))
    assert mistake.marks == ("B", "D")
    names = "".join(survey.marks[m] for m in mistake.corrected.mark)
    assert names == "ADCBABAC"
    assert one.exchange(5, 6).mistake.kind == "baseline-swapped"
    assert one.exchange(5, 6).mistake.run == "R2"


REVERSED_AXES = [("x, y and z", [1.0, 1.0, 1.0]), ("x and y", [1.0, 1.0, 0.0])]


@pytest.mark.parametrize(("axes", "signs"), REVERSED_AXES)
def test_a_leg_with_the_wrong_sign_is_put_right(axes: str, signs: list[float]) -> None:
    right = walked("ABCDAB", "BADCB", "ABaDCAB")
    step = right.local[14] - right.local[13]
    survey = moved(right, 14, 17, -2 * step * signs)
    tied, squares, redundancy = fit(survey)
    found = _suspects(tied)[0]
    (best,) = [s for s in found if (s.leg, s.visit) == (10, False)]
    (trial,) = list(_Named(fit, tied, squares, redundancy, BASELINE, [best]).signs())
    mistake = trial.mistake
    assert (mistake.kind, mistake.run) == ("leg-sign", "R3")
    assert (mistake.rows, mistake.detail, mistake.others) == ((13, 14), axes, ())
    assert mistake.error is best.error
    assert mistake.corrected.local == pytest.approx(right.local)
    assert trial.squares == pytest.approx(0.0, abs=1e-6)


def test_legs_alike_may_have_the_wrong_sign_instead() -> None:
    # from B forth and back, then to D, all level: nothing tells which way was noted backwards, nor
    # whether z is concerned
    rows: list[Row] = [("R1", n, *PLACES[n][:2], 0.0) for n in "ABCDAB"]
    rows += [("R2", n, *PLACES[n][:2], 0.0) for n in "AB"]
    rows += [("R2", "", 23.0, 4.0, 0.0), ("R2", "", 20.0, 0.0, 0.0)]
    rows += [("R2", n, *PLACES[n][:2], 0.0) for n in "DCAB"]
    survey = moved(book(rows), 8, 13, [-6.0, -8.0, 0.0])
    tied, squares, redundancy = fit(survey)
    (best,) = [s for s in _suspects(tied)[0] if (s.leg, s.visit) == (6, False)]
    mistake = next(_Named(fit, tied, squares, redundancy, BASELINE, [best]).signs()).mistake
    assert {mistake.rows, *mistake.others} == {(7, 8), (8, 9)}
    assert len(mistake.others) == 1


def test_a_wrong_sign_explains_as_much_as_its_misfit_leaves(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    survey = walked("ABCDAB")
    nothing = np.zeros(3)
    better = _Refined(suspect(99.0), nothing, np.eye(3), nothing, 500.0, survey)
    legs = [
        _TwiceALeg(misfit, "x and y", rows)
        for misfit, rows in ((5.0, (1, 2)), (5.1, (1, 2)), (10.9, (2, 3)), (11.1, (3, 4)))
    ]
    monkeypatch.setattr(blunders, "_refined", lambda *_: better)
    monkeypatch.setattr(blunders, "_twice_a_leg", lambda *_: legs)
    assert list(named(survey, [suspect(99.0)], 500.0 + 5.0 + CLEAR - 0.1).signs()) == []
    (found,) = named(survey, [suspect(99.0)], 500.0 + 5.0 + CLEAR + 0.1).signs()
    assert (found.mistake.rows, found.mistake.others) == ((1, 2), ((2, 3),))
    # a visit, one that is not clear, and the fifth are not tried
    few = [suspect(99.0, visit=True), suspect(CLEAR), suspect(CLEAR + 0.1)]
    assert len(list(named(survey, few, 1e6).signs())) == 1
    assert len(list(named(survey, [suspect(99.0)] * 5, 1e6).signs())) == 4
    legs.clear()
    assert list(named(survey, [suspect(99.0)], 1e6).signs()) == []
    monkeypatch.setattr(blunders, "_refined", lambda *_: None)
    assert list(named(survey, [suspect(99.0)], 1e6).signs()) == []


class Listed(_Named):
    """Only lists what it is asked to try."""

    def exchange(self, first: int, second: int, kind: str = "names-swapped") -> Any:
        return "exchange", first, second

    def misnamed(self, row: int, tried: set[tuple[int, int]]) -> Any:
        yield "misnamed", row, tuple(sorted(tried))


def listed(survey: FieldBook, suspects: list[_Suspect]) -> list[Any]:
    return list(Listed(fit, tie_of(survey), 1e3, 10, BASELINE, suspects).names())


def test_names_are_tried_at_both_ends_of_the_suspects() -> None:
    # rows 0 to 4 and 5 to 8; legs 0 to 3 and 4 to 6
    survey = walked("ABCDA", "BACD")
    found = listed(survey, [suspect(50.0, leg=1), suspect(CLEAR, leg=4, visit=True)])
    pairs = [one[1:] for one in found if one[0] == "exchange"]
    assert pairs == [(1, 2), (5, 6)]
    tried = tuple(pairs)
    # every visit to B and to C, then every visit to A: the mark reached by leg 4
    rows = [(one[1], one[2]) for one in found if one[0] == "misnamed"]
    assert rows == [(row, tried) for row in (1, 5, 2, 7, 0, 4, 6)]
    assert listed(survey, [suspect(CLEAR - 0.1, leg=1)]) == []
    # the ninth suspect is not looked at, nor the seventh visit to a mark
    assert listed(survey, [suspect(1.0)] * 8 + [suspect(50.0)]) == []
    assert len(listed(survey, [suspect(1.0)] * 7 + [suspect(50.0, visit=True)])) == 3
    often = walked("ABABABABABABABA")
    rows = [one[1] for one in listed(often, [suspect(50.0, visit=True)]) if one[0] == "misnamed"]
    assert rows == [1, 3, 5, 7, 9, 11]


def renamed(survey: FieldBook, **names: str) -> FieldBook:
    mark = survey.mark.copy()
    for row, name in names.items():
        mark[int(row[1:])] = survey.marks.index(name)
    return replace(survey, mark=mark)


def misnamed(survey: FieldBook, row: int, tried: set[tuple[int, int]]) -> list[_Trial]:
    tied, squares, redundancy = fit(survey)
    return list(_Named(fit, tied, squares, redundancy, BASELINE, []).misnamed(row, tried))


def test_a_wrong_name_is_found_by_where_the_visit_really_was() -> None:
    right = walked("ABCDEAB", "BADCB", "ABECDAB")
    spoilt = renamed(right, r9="E")  # R2 was at D and calls it E
    tried: set[tuple[int, int]] = set()
    (trial,) = misnamed(spoilt, 9, tried)
    mistake = trial.mistake
    assert (mistake.kind, mistake.run, mistake.rows) == ("name-wrong", "R2", (9,))
    assert mistake.marks == ("E", "D")
    assert np.array_equal(mistake.corrected.mark, right.mark)
    assert trial.squares == pytest.approx(0.0, abs=1e-6)
    assert tried == {(9, -1)}
    assert misnamed(spoilt, 9, tried) == []  # once is enough
    assert misnamed(right, 9, set()) == []  # nothing to explain
    # the first mark of the field book is as good as any
    first = walked("DABCEAB", "BADCB", "ABECDAB")
    (trial,) = misnamed(renamed(first, r9="E"), 9, set())
    assert trial.mistake.marks == ("E", "D")
    spoilt = renamed(walked("ABCDEAB", "BADCB", "ABECDAB", seed=1), r9="E")
    tied, squares, redundancy = fit(spoilt)
    blank = fit(replace(spoilt, mark=np.where(np.arange(len(spoilt)) == 9, -1, spoilt.mark)))[1]
    for explained, count in ((CLEAR / 2 - 0.1, 0), (CLEAR / 2 + 0.1, 1)):
        one = _Named(fit, tied, blank + explained, redundancy, BASELINE, [])
        assert len(list(one.misnamed(9, set()))) == count
    assert list(_Named(_no_place, tied, squares, redundancy, BASELINE, []).misnamed(9, set())) == []
    # a mark seen once has no other visit that could say where it is
    alone = walked("ABCDEAB", "BADCB")
    assert misnamed(renamed(alone, r3="E", r4="D"), 3, set()) == []


def test_two_exchanged_names_are_found_by_where_others_saw_the_mark() -> None:
    right = walked("ABDEAB", "BADCEB", "ABEDAB")
    # R2 was at D on row 8 and at C, where nobody else went, on row 9
    spoilt = renamed(right, r8="C", r9="D")
    tried: set[tuple[int, int]] = set()
    (trial,) = misnamed(spoilt, 9, tried)
    assert (trial.mistake.kind, trial.mistake.rows) == ("names-swapped", (8, 9))
    assert trial.mistake.marks == ("C", "D")
    assert np.array_equal(trial.mistake.corrected.mark, right.mark)
    assert trial.squares == pytest.approx(0.0, abs=1e-6)
    assert tried == {(9, -1), (8, 9)}
    assert misnamed(spoilt, 9, {(8, 9)}) == []
    # the other way about in the walk
    right = walked("ABDEAB", "BACDEB", "ABEDAB")
    (trial,) = misnamed(renamed(right, r8="D", r9="C"), 8, set())
    assert trial.mistake.rows == (8, 9)


def test_a_run_keeps_a_visit_to_each_baseline_mark() -> None:
    right = walked("ABCDEAB", "BADCE", "ABECDAB")
    # R2 calls D, row 9, B: it has another visit to B; its only visit to A stays
    (trial,) = misnamed(renamed(right, r9="B"), 9, set())
    assert (trial.mistake.kind, trial.mistake.marks) == ("name-wrong", ("B", "D"))
    spoilt = moved(right, 8, 8, [3.0, 0.0, 0.0])
    tied, squares, redundancy = fit(spoilt)
    assert list(_Named(never, tied, squares, redundancy, BASELINE, []).misnamed(8, set())) == []


def test_places_of_all_rows_and_how_well_they_are_known() -> None:
    survey = walked("ABacCDA", "cBADCb", seed=None)
    tied = fit(survey)[0]
    place, up, spread = _places(tied)
    stops = "ABacCDAcBADCb"
    truth = np.array([PLACES[s] for s in stops])
    assert place == pytest.approx(truth[:, :2], abs=1e-7)
    assert up == pytest.approx(truth[:, 2] - 1.0, abs=1e-9)  # mark A is 0
    knot, k = tied.knot, tied.legs.knots
    q = np.diag(tied.plan.covariance)
    mean = {n: (q[knot[n]] + q[k + knot[n]]) / 2 for n in "ABCD"}

    def leg(a: str, b: str) -> float:
        return 0.02**2 + 0.01**2 * math.dist(PLACES[a], PLACES[b])

    def inside(*chain: str) -> float:
        spent = [leg(a, b) for a, b in pairwise(chain)]
        return spent[0] * (1 - spent[0] / sum(spent))

    expected = [mean[s] if s.isupper() else 0.0 for s in stops]
    worst = max(mean["B"], mean["C"])
    expected[2] = worst + inside("B", "a", "c", "C")
    spent = leg("B", "a") + leg("a", "c")
    expected[3] = worst + spent * (1 - spent / (spent + leg("c", "C")))
    expected[7] = mean["B"] + leg("c", "B")
    expected[12] = mean["C"] + leg("C", "b")
    assert spread**2 == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_near_is_within_four_sigma_and_five_centimetres() -> None:
    place = np.array([[0.44, 0.0], [0.46, 0.0], [0.0, -0.44], [0.31, 0.31], [0.33, 0.33], [0, 0]])
    place += [10.0, 20.0]
    up = np.array([5.0, 5.0, 5.44, 4.56, 5.0, 5.46])
    near = _near(place, up, np.full(6, 0.1), np.array([10.0, 20.0]), 5.0)
    assert near.tolist() == [True, False, True, True, False, False]


# ---- which of them is believed ------------------------------------------------------------------


def trial(
    kind: str,
    squares: float,
    run: str = "R1",
    rows: tuple[int, ...] = (),
    marks: tuple[str, ...] = (),
    **more: Any,
) -> _Trial:
    nothing = np.full(3, np.nan)
    mistake = Mistake(kind, run, rows, marks, nothing, "feet", 0.0, (), walked("AB"))
    return _Trial(replace(mistake, **more), squares)


def believed(
    *trials: _Trial, squares: float = 1000.0, redundancy: int = 10, test: float = 0.0
) -> Mistake | None:
    one = named(walked("ABCA"), [suspect(test)] if test else [], squares, redundancy)
    for source in ("baseline_pairs", "signs", "names"):
        setattr(one, source, lambda: iter(()))
    one.whole_runs = lambda: iter(trials)  # type: ignore[method-assign]
    return one.best()


def test_a_named_mistake_must_be_clear() -> None:
    assert believed() is None
    # noise as assumed: 40 less
    assert believed(trial("x", 10.0), squares=49.9) is None
    found = believed(trial("x", 10.0), squares=50.1)
    assert found is not None
    assert found.chance == pytest.approx(math.exp(-40.1 / 2))
    # what is left is twice the noise: 80 less
    assert believed(trial("x", 20.0), squares=99.9) is None
    found = believed(trial("x", 20.0), squares=100.1)
    assert found is not None
    assert found.chance == pytest.approx(math.exp(-80.1 / 2 / 2))
    assert believed(trial("x", 2.0), squares=81.0, redundancy=0) is None
    assert believed(trial("x", 2.0), squares=83.0, redundancy=0) is not None
    # about as good as an unknown amount anywhere, which has three more unknowns
    assert believed(trial("x", 10.0), squares=110.0, test=116.4) is None
    assert believed(trial("x", 10.0), squares=110.0, test=116.2) is not None
    assert believed(trial("x", 20.0), squares=220.0, test=232.7) is None
    assert believed(trial("x", 20.0), squares=220.0, test=232.5) is not None


def test_the_same_mistake_in_another_run_is_one_of_them() -> None:
    best = trial("baseline-swapped", 10.0, "R2", (4, 5), ("A", "B"))
    alike = trial("baseline-swapped", 19.9, "R1", (0, 1), ("B", "A"))
    third = trial("baseline-swapped", 15.0, "R3", (), ("A", "B"))
    others = [
        trial("run-mirrored", 12.0, "R4", (), ("A", "B")),
        trial("baseline-swapped", 12.0, "R5", (), ("A", "C")),
        trial("baseline-swapped", 20.1, "R6", (), ("A", "B")),
        trial("baseline-swapped", 12.0, "R2", (8, 9), ("A", "B")),
    ]
    found = believed(alike, *others, best, third)
    assert found is not None
    assert (found.run, found.rows, found.detail) == ("R2 or R3 or R1", (4, 5), "")
    assert found.others == ((0, 1),)
    found = believed(best, *others)
    assert found is not None
    assert (found.run, found.detail, found.others) == ("R2", "feet", ())
    # with twice the noise they may differ by twice as much
    for squares, run in ((39.9, "R2 or R1"), (40.1, "R2")):
        found = believed(replace(best, squares=20.0), replace(alike, squares=squares))
        assert found is not None
        assert found.run == run


def test_two_exchanged_names_are_told_before_one_wrong_name() -> None:
    wrong = trial("name-wrong", 10.0, rows=(4,), marks=("C", "D"))
    swapped = trial("names-swapped", 19.9, rows=(4, 7), marks=("C", "D"))
    for trials in ((wrong, swapped), (swapped, replace(wrong, squares=20.0))):
        found = believed(*trials)
        assert found is not None
        assert (found.kind, found.rows) == ("names-swapped", (4, 7))
        assert found.alternative is wrong.mistake
    for other in (replace(swapped, squares=20.1), trial("run-mirrored", 12.0)):
        found = believed(wrong, other)
        assert found is not None
        assert (found.kind, found.alternative) == ("name-wrong", None)
    for squares, kind in ((39.9, "names-swapped"), (40.1, "name-wrong")):
        found = believed(replace(wrong, squares=20.0), replace(swapped, squares=squares))
        assert found is not None
        assert found.kind == kind
    found = believed(replace(swapped, squares=10.0), replace(wrong, squares=20.1))
    assert found is not None
    assert (found.kind, found.alternative) == ("names-swapped", None)


# ---- the whole search ---------------------------------------------------------------------------


def test_nothing_is_looked_for_without_redundancy_or_need(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blunders, "_Named", never)
    survey = walked("ABCDAB", "BADCB", "ABDCAB", seed=1)
    search = find_mistakes(fit, survey, BASELINE)
    assert (search.mistakes, search.redundancy_spent) == ((), (0, 0))
    assert search.tied.book is survey
    monkeypatch.setattr(blunders, "_suspects", never)
    assert find_mistakes(lambda b: (fit(b)[0], 1e-9, 0), survey, BASELINE).mistakes == ()
    monkeypatch.setattr(blunders, "_suspects", lambda _: ([], 0))
    assert find_mistakes(lambda b: (fit(b)[0], 1e-9, 1), survey, BASELINE).mistakes == ()


def test_misclosures_are_gross_beyond_one_in_ten_thousand(monkeypatch: pytest.MonkeyPatch) -> None:
    # nothing stands out, yet a mistake with a name may explain it
    tied = fit(walked("ABCDAB", seed=1))[0]
    asked = []

    class Asked:
        def __init__(self, *args: Any) -> None:
            asked.append(args)

        def best(self) -> None:
            return None

    monkeypatch.setattr(blunders, "_Named", Asked)
    monkeypatch.setattr(blunders, "_stands_out", lambda *_: False)
    monkeypatch.setattr(blunders, "_unnamed", never)
    for chance, count in ((1.01e-4, 0), (0.99e-4, 1)):
        squares = float(chi2.isf(chance, 5))
        search = find_mistakes(lambda _, s=squares: (tied, s, 5), tied.book, BASELINE)
        assert search.mistakes == ()
        assert len(asked) == count
    ((_, found, squares, redundancy, baseline, suspects),) = asked
    # one misclosure is enough
    assert find_mistakes(lambda _: (tied, 99.0, 1), tied.book, BASELINE).mistakes == ()
    assert len(asked) == 2
    assert (found, squares, redundancy, baseline) == (tied, squares, 5, BASELINE)
    assert len(suspects) == len(_suspects(tied)[0])


def test_two_jumps_are_found_one_after_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    right = walked("ABCDEAB", "BADCEB", "ABECDAB", seed=7)
    survey = moved(right, 16, 19, [2.5, 0.0, 0.5])
    survey = moved(survey, 4, 6, [0.0, 2.0, -0.2])
    monkeypatch.setattr(_Named, "best", lambda self: counted.append(self.redundancy))
    monkeypatch.setattr(
        blunders, "_stands_out", lambda *args: bool(left.append(args[1:])) or _stands_out(*args)
    )
    counted: list[int] = []
    left: list[tuple[int, float, int]] = []
    search = find_mistakes(fit, survey, BASELINE)
    assert [(m.kind, m.run, m.rows) for m in search.mistakes] == [
        ("leg", "R3", (15, 16)),
        ("leg", "R1", (3, 4)),
    ]
    assert search.redundancy_spent == (4, 2)
    assert search.tied.book is search.mistakes[1].corrected
    assert search.mistakes[1].error == pytest.approx([0.0, 2.0, -0.2], abs=0.15)
    assert search.tied.squares < 2 * search.tied.redundancy
    # 17 legs: in plan twice that less 4 knots, 3 runs and the azimuth held, in height less 4
    assert search.tied.redundancy == (34 - 8 - 3 + 1) + (17 - 4)
    assert counted == [37, 34]
    assert [(tested, freedom) for tested, _, freedom in left] == [(31, 37), (31, 34), (31, 31)]
    assert left[2][1] == search.tied.squares


def test_runs_that_share_the_baseline_only_check_their_heights() -> None:
    # one leg each: two lengths agree, directions are free, so a jump is told in height alone
    search = find_mistakes(fit, moved(walked("AB", "AB"), 3, 3, [0.0, 0.0, 2.0]), BASELINE)
    (mistake,) = search.mistakes
    assert (mistake.kind, mistake.rows, mistake.others) == ("leg", (0, 1), ((2, 3),))
    assert mistake.error == pytest.approx([math.nan, math.nan, -2.0], nan_ok=True)
    assert mistake.size == pytest.approx(2.0)
    assert search.redundancy_spent == (0, 1)


def test_at_most_four_mistakes_are_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    survey = walked("ABCDAB", "BADCB", seed=7)
    monkeypatch.setattr(_Named, "best", lambda _: None)
    monkeypatch.setattr(blunders, "_stands_out", lambda *_: True)
    search = find_mistakes(fit, survey, BASELINE)
    assert len(search.mistakes) == 4


def test_a_named_mistake_costs_no_redundancy(monkeypatch: pytest.MonkeyPatch) -> None:
    survey = walked("ABCDAB", "BADCB", "ABDCAB", seed=2)
    for source in ("signs", "names"):
        monkeypatch.setattr(_Named, source, lambda _: iter(()))
    local = survey.local.copy()
    local[survey.run == 1, 1] *= -1
    search = find_mistakes(fit, replace(survey, local=local), BASELINE)
    assert [(m.kind, m.run) for m in search.mistakes] == [("run-mirrored", "R2")]
    assert search.redundancy_spent == (0, 0)
    assert search.tied.book.local == pytest.approx(survey.local)
