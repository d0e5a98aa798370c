"""What is said about the accuracy, each judgement on its own, by hand on made-up numbers."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from network_cases import Row, book
from scipy.stats import chi2

from geosite.fieldbook.model import FieldBook
from geosite.network.accuracy.advice import Advice, advise
from geosite.network.accuracy.check_points import (
    ELLIPSE_95,
    CheckPoints,
    check_points,
    nssda_horizontal,
    nssda_vertical,
)
from geosite.network.accuracy.lever_arm import lever_arm
from geosite.network.accuracy.precision import (
    DirectionCheck,
    angular_limit,
    direction_check,
    levelling_mm_per_sqrt_km,
    neighbour_precision,
)
from geosite.network.control.model import UNMOVED, Control
from geosite.network.model import Closure
from geosite.network.noise import judge_noise
from geosite.network.walk.device import Device
from geosite.network.walk.runs import walk_runs


def bare(**facts: Any) -> Any:
    """Return what is asked of a network that nothing shifts on the map."""
    network = SimpleNamespace(**facts, shift=UNMOVED, accuracy_known=True)
    network.relative = network
    return network


NOISE = Device.from_leg_noise(0.03, 0.02)


def walked(**runs: str) -> FieldBook:
    """One row per letter; a small letter is no mark."""
    return book(
        [
            (r, s if s.isupper() else "", k, 0.0, 0.0)
            for r, w in runs.items()
            for k, s in enumerate(w)
        ]
    )


def test_noise_is_judged_at_five_percent_on_both_sides() -> None:
    for freedom in (4, 19, 20):
        for chance, verdict in (
            (0.0249, "worse than assumed"),
            (0.0251, "as expected"),
            (0.9749, "as expected"),
            (0.9751, "better than assumed"),
        ):
            squares = float(chi2.isf(chance, freedom))
            noise = judge_noise(squares, freedom)
            assert noise.verdict == verdict
            assert noise.estimate == squares / freedom
            assert (noise.squares, noise.freedom) == (squares, freedom)
            assert noise.chance == pytest.approx(chance)
            believed = chance < 0.025 or (chance > 0.975 and freedom >= 20)
            assert noise.factor == (squares / freedom if believed else 1.0)
    few = judge_noise(30.0, 3)
    assert (few.verdict, few.factor, few.estimate, few.freedom) == (
        "too little to tell",
        1.0,
        10.0,
        3,
    )
    assert few.chance == pytest.approx(chi2.sf(30.0, 3))
    one = judge_noise(2.0, 1)
    assert (one.estimate, one.chance) == (2.0, pytest.approx(chi2.sf(2.0, 1)))
    none = judge_noise(0.5, -1)
    assert (none.estimate, none.squares, none.freedom, none.chance) == (None, 0.5, 0, 1.0)
    assert judge_noise(0.5, 0).chance == 1.0


def test_accuracy_of_check_points_by_hand() -> None:
    def horizontal(east: float, north: float) -> tuple[float, float]:
        return nssda_horizontal(np.array([east, -east]), np.array([north, -north]))

    # circular, elliptic from 0.6 on, else the circle that holds 95 %
    assert horizontal(3.0, 3.0) == pytest.approx((math.sqrt(18), 1.7308 * math.sqrt(18)), rel=1e-4)
    assert horizontal(3.0, 5.0) == pytest.approx((math.sqrt(34), 2.4477 * 4.0), rel=1e-4)
    assert horizontal(5.0, 3.0) == pytest.approx((math.sqrt(34), 2.4477 * 4.0), rel=1e-4)
    assert horizontal(0.3, 0.5) == pytest.approx((math.sqrt(0.34), 2.4477 * 0.4), rel=1e-4)
    radial, within = horizontal(2.99, 5.0)
    assert radial == pytest.approx(math.hypot(2.99, 5.0))
    draws = np.random.default_rng(1).normal(size=(400_000, 2)) * (2.99, 5.0)
    assert (np.hypot(*draws.T) < within).mean() == pytest.approx(0.95, abs=0.002)
    assert horizontal(0.5, 0.0) == pytest.approx((0.5, 1.96 * 0.5), rel=1e-4)
    assert horizontal(0.0, 0.0) == (0.0, 0.0)
    assert nssda_vertical(np.array([3.0, -4.0, 0.0, 5.0])) == pytest.approx(
        (math.sqrt(12.5), 1.96 * math.sqrt(12.5))
    )


def test_check_points_are_compared_where_they_are_known(monkeypatch: pytest.MonkeyPatch) -> None:
    survey = walked(R1="CABA", R2="BC")
    network: Any = bare(en=np.arange(12.0).reshape(6, 2) ** 2, elevation=np.arange(6.0) / 4)
    flat, up = np.array([0.1, 3.0, 4.0, 5, 6, 7]), np.array([0.2, 5.0, 12.0, 5, 6, 7])
    monkeypatch.setattr(
        "geosite.network.accuracy.check_points.plan_covariance",
        lambda _, a, b: flat[a][:, None, None] ** 2 * np.eye(2) * (a == b)[:, None, None],
    )
    monkeypatch.setattr(
        "geosite.network.accuracy.check_points.level_covariance",
        lambda _, a, b: up[a] ** 2 * (a == b),
    )
    controls = (
        Control("B", (15.0, 26.0), 0.25, 3.0, 5.0, True),
        Control("C", None, 1.5, 0.0, 0.0, True),
        Control("A", (0.0, 0.0), 0.0, 0.0, 0.0, False),
        Control("A", (5.0, 8.0), None, 4.0, 0.0, True),
    )
    found = check_points(network, survey, controls)
    assert found.names == ("B", "C", "A")
    nan = math.nan
    # the first visit counts: B on row 2, C on row 0, A on row 1
    expected = [[1.0, -1.0, 0.25], [nan, nan, -1.5], [-1.0, 1.0, nan]]
    assert found.error == pytest.approx(np.array(expected), nan_ok=True)
    assert found.sigma == pytest.approx(
        np.array([[5.0, 5.0, 13.0], [0.1, 0.1, 0.2], [5.0, 5.0, 5.0]])
    )
    none = check_points(network, survey, controls[2:3])
    assert (none.names, none.error.shape, none.sigma.shape) == ((), (0, 3), (0, 3))
    assert none.suspicious == ()


def test_check_points_beyond_one_in_a_thousand_are_suspicious() -> None:
    nan = math.nan
    root = [math.sqrt(float(chi2.isf(0.001, n))) for n in (1, 2, 3)]
    third = root[2] / math.sqrt(3)
    error = [
        [third * 1.01 * 2.0, -third * 1.01 * 3.0, third * 1.01 * 0.5],
        [third * 0.99 * 2.0, -third * 0.99 * 3.0, third * 0.99 * 0.5],
        [nan, nan, root[0] * 0.505],
        [nan, nan, root[0] * 0.495],
        [root[1] * 2.02, 0.0, nan],
        [root[1] * 1.98, 0.0, nan],
        [nan, nan, nan],
    ]
    sigma = np.tile([2.0, 3.0, 0.5], (7, 1))
    assert CheckPoints(tuple("ABCDEFG"), np.array(error), sigma).suspicious == ("A", "C", "E")
    # a sigma of nothing counts as a micrometre
    exact = CheckPoints(("A", "B"), np.array([[4e-6, 0, 0], [5e-6, 0, 0]]), np.zeros((2, 3)))
    assert exact.suspicious == ("B",)


# ---- lever arm ----------------------------------------------------------------------------------


def ellipses(*major: float) -> Any:
    def of(_: Any, rows: Any = slice(None)) -> Any:
        found = np.array(major)[rows]
        return found, np.zeros(len(found)), np.zeros(len(found))

    return of


def test_lever_arm_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    between = bare(run=np.array([0, 0, 1, 0]), at=np.arange(4))
    network: Any = bare(
        en=np.array([[0.0, 0.0], [6.0, 8.0], [3.0, 16.0], [100.0, 4.0]]),
        plan=bare(between=between),
        frame=bare(combined_factor=0.5),
        ellipse_factor=3.0,
        interval_factor=2.0,
    )
    turns = np.array([9.0, 0.04])
    monkeypatch.setattr("geosite.network.accuracy.lever_arm.orientation_variances", lambda _: turns)
    monkeypatch.setattr(
        "geosite.network.accuracy.lever_arm.orientation_with_place",
        lambda _, row: np.array([0.3, 0.4]) * row,
    )
    alone = bare()

    def of(survey: Any, rows: Any) -> Any:
        assert survey is alone
        return ellipses(1.0, 2.0, 4.0, 3.0)(0, rows)

    monkeypatch.setattr("geosite.network.accuracy.lever_arm.error_ellipses", of)
    monkeypatch.setattr(
        "geosite.network.accuracy.lever_arm.major_axes",
        lambda _: np.array([8.0, 1.0, 2.0, 9.0]),
    )
    arm = lever_arm(network, (0, 1), alone, np.array([0, 3]))
    assert arm.row == 2  # rows 0 and 3 are known
    assert arm.distance_m == pytest.approx(12.0 / 0.5)
    assert arm.baseline_m == pytest.approx(10.0 / 0.5)
    assert arm.error_95_m == pytest.approx(3.0 * 2.0)
    assert arm.baseline_only_95_m == pytest.approx(3.0 * 4.0)
    # covariance with the turn of its run over the sigma of that turn: its share of the error
    assert arm.swing_95_m == pytest.approx(2.0 * 1.0 / 0.2)
    # with everything known the worst of all is shown; a run whose turn is exact does not swing
    turns[0] = 0.0
    arm = lever_arm(network, (0, 1), None, np.arange(4))
    assert (arm.row, arm.swing_95_m, arm.baseline_only_95_m) == (3, 0.0, None)
    assert arm.distance_m == pytest.approx(97.0 / 0.5)
    arm = lever_arm(network, (0, 1), None, np.array([0, 1, 3]))
    assert arm.row == 2


# ---- advice -------------------------------------------------------------------------------------


def advised(
    monkeypatch: pytest.MonkeyPatch,
    survey: FieldBook,
    en: Any,
    gain: Any = lambda mark, row: 0.0,
    anchored: tuple[int, ...] = (),
    now: float = 2.0,
    noise: Device = NOISE,
) -> tuple[tuple[Advice, ...], list[list[tuple[int, int]]]]:
    """Advice, and the (row of the mark, row walked from) that were weighed."""
    asked: list[list[tuple[int, int]]] = []

    def covariance(_: Any, far: int, rows: np.ndarray, seen_from: np.ndarray) -> Any:
        assert far == 1
        asked.append(list(zip(rows.tolist(), seen_from.tolist(), strict=True)))
        cross = np.array([gain(*pair) * np.eye(2) for pair in asked[-1]])
        return np.diag([1.0, 4.0]), cross, np.array([0.5 * np.eye(2)] * len(rows))

    monkeypatch.setattr("geosite.network.accuracy.advice.sight_covariance", covariance)
    monkeypatch.setattr("geosite.network.accuracy.advice.error_ellipses", ellipses(0.0, now))
    network: Any = bare(
        en=np.asarray(en, dtype=float), ellipse_factor=ELLIPSE_95, variance_factor=1.0
    )
    found = advise(network, survey, noise, 1, 0.1, np.array(anchored, dtype=int))
    return found, asked


FORTH = walked(R1="ABCxD", R2="ABEy")
PLACES = [(0, 0), (9, 0), (20, 5), (30, 30), (40, 10), (0, 0), (9, 0), (22, 9), (41, 13)]


def test_candidates_of_advice(monkeypatch: pytest.MonkeyPatch) -> None:
    found, (ties, controls) = advised(monkeypatch, FORTH, PLACES, anchored=(0, 1, 5))
    # a mark's own run comes back to it at its end; a run that was there needs no advice; another
    # one goes there from where it is nearest: C from E, D from the last row, E from C
    assert ties == [(0, 4), (1, 4), (2, 4), (2, 7), (4, 4), (4, 8), (7, 2), (7, 8)]
    assert controls == [(2, -1), (4, -1), (7, -1)]  # A and B are known
    assert found == ()
    found, asked = advised(monkeypatch, FORTH, PLACES, anchored=(0, 1, 2, 4, 7))
    assert len(asked) == 1
    assert advised(monkeypatch, walked(R1="xyz"), PLACES[:3]) == ((), [])


def test_the_best_candidate_of_each_kind_is_advised(monkeypatch: pytest.MonkeyPatch) -> None:
    def gain(mark: int, row: int) -> float:
        return {(7, 2): 1.0, (2, -1): 1.0, (4, -1): 1.01, (4, 4): 0.9}.get((mark, row), 0.0)

    (tie, control), _ = advised(monkeypatch, FORTH, PLACES, gain)
    # the new pair is as good as its leg; E is sqrt(20) m from C
    left = 4.0 - 1.0 / (0.5 + 0.03**2 + 0.02**2 * math.sqrt(20.0))
    expected = ELLIPSE_95 * math.sqrt(left)
    assert (tie.kind, tie.mark, tie.run, tie.row) == ("tie", "E", "R1", 2)
    assert tie.error_95_m == pytest.approx(expected, rel=1e-12)
    left = 4.0 - 1.01**2 / (0.5 + 0.1**2)
    assert (control.kind, control.mark, control.run, control.row) == ("control", "D", "", -1)
    assert control.error_95_m == pytest.approx(ELLIPSE_95 * math.sqrt(left), rel=1e-12)
    # a gain of less than a twentieth is no advice
    for now, kinds in (
        (control.error_95_m / ELLIPSE_95 / 0.95 - 0.001, []),
        (control.error_95_m / ELLIPSE_95 / 0.95 + 0.001, ["control"]),
        (expected / ELLIPSE_95 / 0.95 + 0.001, ["tie", "control"]),
    ):
        found, _ = advised(monkeypatch, FORTH, PLACES, gain, now=now)
        assert [advice.kind for advice in found] == kinds
    # nothing is better than exact
    (tie,), _ = advised(monkeypatch, FORTH, PLACES, lambda _, row: 5.0 if row >= 0 else 0.0)
    assert tie.error_95_m == 0.0


def test_a_tie_may_leave_from_the_very_first_row(monkeypatch: pytest.MonkeyPatch) -> None:
    def gain(*pair: int) -> float:
        return float(pair == (4, 0))

    places = [(0, 0), (9, 0), (0, 0), (9, 0), (1, 2)]
    (tie,), _ = advised(monkeypatch, walked(R1="AB", R2="ABE"), places, gain)
    assert (tie.kind, tie.mark, tie.run, tie.row) == ("tie", "E", "R1", 0)


def test_a_visit_without_a_leg_is_not_exact(monkeypatch: pytest.MonkeyPatch) -> None:
    perfect = Device.from_leg_noise(0.0, 0.0)

    def gain(*pair: int) -> float:
        return float(pair == (4, 4))

    (tie,), _ = advised(monkeypatch, FORTH, PLACES, gain, noise=perfect)
    assert tie.error_95_m == pytest.approx(ELLIPSE_95 * math.sqrt(4 - 1 / (0.5 + 1e-8)), rel=1e-12)


def test_large_surveys_weigh_a_part_of_the_candidates(monkeypatch: pytest.MonkeyPatch) -> None:
    # five runs: the four longest walk; of 61 marks the middle one is left out
    rows: list[Row] = [("S", "A1", 0.0, 0.0, 0.0)]
    rows += [("L1", f"M{k:02}", float(k), 0.0, 0.0) for k in range(60)]
    rows += [(run, "", 0.0, 5.0, 0.0) for run in ("L2", "L3", "L4") for _ in range(2)]
    survey = book(rows)
    _, (ties, controls) = advised(monkeypatch, survey, survey.local[:, :2])
    marks = [row for row, _ in controls]
    assert len(marks) == 60
    assert (marks[0], marks[-1], sorted(set(range(61)) - set(marks))) == (0, 60, [30])
    assert {int(survey.run[row]) for _, row in ties} == {1, 2, 3, 4}
    _, (_, controls) = advised(monkeypatch, book(rows[1:]), survey.local[1:, :2])
    assert [row for row, _ in controls] == list(range(60))
    # of a run of 1500 rows every third
    rows = [("L", "", float(k), 0.0, 0.0) for k in range(1500)] + [("S", "M", 400.0, 3.0, 0.0)]
    rows.append(("S", "N", 401.0, 3.0, 0.0))
    survey = book(rows)
    _, (ties, _) = advised(monkeypatch, survey, survey.local[:, :2])
    assert ties == [(1500, 399), (1500, 1501), (1501, 402), (1501, 1501)]


# ---- neighbours, directions ---------------------------------------------------------------------


def test_neighbours_keep_two_centimetres_and_fifty_ppm(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [
        ("R1", "A"),
        ("R2", "A"),
        ("R1", "B"),
        ("R1", ""),
        ("R1", "C"),
        ("R1", "C"),
        ("R2", "D"),
    ]
    survey = book([(run, name, 0.0, 0.0, 0.0) for run, name in [*rows, ("R1", "E"), ("R2", "F")]])
    en = np.zeros((9, 2))
    en[2] = en[6] = (300.0, 400.0)
    en[7] = (40.0, 30.0)
    network: Any = bare(en=en, frame=bare(combined_factor=0.5), ellipse_factor=ELLIPSE_95)

    def relative(_: Any, before: np.ndarray, after: np.ndarray) -> Any:
        pairs = list(zip(before.tolist(), after.tolist(), strict=True))
        assert pairs == [(0, 2), (5, 7), (1, 6), (6, 8)]
        return np.array([0.0699, 0.0249, 0.0701, 0.01]) / ELLIPSE_95, None, None

    monkeypatch.setattr("geosite.network.accuracy.precision.relative_ellipses", relative)
    found = neighbour_precision(network, survey)
    assert found is not None
    # 1000 m on the ground may have 7 cm, 100 m 2.5 cm
    assert (found.pairs, found.within) == (4, 3)
    assert found.worst == (1, 6)
    assert found.worst_95_m - found.allowed_m == pytest.approx(0.0001)
    assert neighbour_precision(network, walked(R1="AxBB", R2="C")) is None


def looked(walks: list[tuple[str, list[tuple[str, complex]]]], run: int) -> DirectionCheck | None:
    rows = [(name, s, p.real, p.imag, 0.0) for name, stops in walks for s, p in stops]
    survey = book(rows)
    walk = walk_runs(survey, NOISE, frozenset("AB"))
    ends = walk.knots.index("A"), walk.knots.index("B")
    return direction_check(survey, walk, run, ends)


def test_turn_between_the_first_and_the_last_look_along_the_baseline() -> None:
    turn = complex(math.cos(0.3), math.sin(0.3))
    first = [("A", 1 + 1j), ("B", 11 + 1j)]
    between = [("", 20 + 5j), ("B", 11 + 3j), ("C", 30 + 9j)]
    last = [("B", 10 + 8j), ("", 12 + 8j), ("A", 10 + 8j - 8 * turn)]
    other = ("R0", [("C", 0j), ("A", 1 + 0j), ("B", 4 + 0j)])
    found = looked([other, ("R1", first + between + last), ("R2", first + last)], 1)
    assert found is not None
    assert found.misclosure == pytest.approx(0.3)
    # legs of the first pass: 10 m; of the last: 2 m, then from there to A
    step = abs(10 + 8j - 8 * turn - 12 - 8j)
    spread = 2 * 0.03**2 + 0.02**2 * (2.0 + step)
    assert found.sigma == pytest.approx(
        math.sqrt((0.03**2 + 0.02**2 * 10.0) / 100 + spread / 64), rel=1e-9
    )
    assert found.angles == 4  # from row 1 of the run to row 5
    turned_on = [(s, p * 1j) for s, p in first + between + last]
    again = looked([("R1", turned_on)], 0)
    assert again is not None
    assert (again.misclosure, again.sigma) == pytest.approx((found.misclosure, found.sigma))


def test_one_look_along_the_baseline_compares_with_nothing() -> None:
    first = [("A", 0j), ("B", 10 + 0j)]
    assert looked([("R1", [*first, ("C", 5j), ("A", 0j)])], 0) is None
    assert looked([("R1", [*first, ("C", 5j), ("B", 10 + 1j)])], 0) is None
    # the same visit to B ends the first pass and begins the last
    assert looked([("R1", [*first, ("A", 1j), ("B", 10 + 1j)])], 0) is not None
    aba = [("A", 0j), ("A", 1j), ("B", 10 + 0j), ("B", 10 + 1j)]
    assert looked([("R1", aba)], 0) is None
    # a pass of no length has no direction
    assert looked([("R1", [*first, ("A", 7j), ("B", 7j)])], 0) is None
    assert looked([("R1", [("A", 7j), ("B", 7j), *first])], 0) is None


def test_limits_of_rules_by_hand() -> None:
    # 10 seconds times the root of 4 angles
    assert angular_limit(10.0, 4) == pytest.approx(math.radians(20 / 3600))
    loop = Closure("R", "A", 1, 2, 250.0, 0.1, -0.006, 10.0, 0.1)
    assert levelling_mm_per_sqrt_km(loop) == pytest.approx(12.0)
    still = Closure("R", "A", 1, 2, 0.0, 0.1, 0.006, 10.0, 0.1)
    assert levelling_mm_per_sqrt_km(still) == pytest.approx(6000.0)
