"""The closed-form covariance against a dense solution and against simulated walks."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from network_cases import SMALL_ANCHORS, SMALL_CRS, SMALL_PLACES, SMALL_WALKS, notes, turned
from scipy import stats

from geosite.fieldbook.model import Notes
from geosite.network.accuracy.ellipses import error_ellipses, relative_ellipses
from geosite.network.accuracy.sight import sight_covariance
from geosite.network.adjust import adjust
from geosite.network.covariance import (
    covariance,
    intervals,
    sigma,
    sigma_horizontal,
    sigma_vertical,
    sigmas,
)
from geosite.network.equations.heights import adjust_heights
from geosite.network.equations.normal import Prior
from geosite.network.equations.plan import PlanInput, adjust_plan
from geosite.network.equations.rows import Between, height_rows, plan_rows
from geosite.network.model import LinearForm, Network
from geosite.network.tie_runs import plan_steps
from geosite.network.walk.device import device_of
from geosite.network.walk.runs import walk_runs

NOISE = (0.005, 0.004)


def places() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(3)
    found = {name: np.array(place) for name, place in SMALL_PLACES.items()}
    for stops in SMALL_WALKS.values():
        for stop in stops:
            if stop not in found:
                found[stop] = np.append(rng.uniform(-5, 35, 2), rng.uniform(0, 1))
    return found


def survey(anchor: str, rng: np.random.Generator | None = None) -> Notes:
    """Walk the site, without noise or with; every run in a frame of its own."""
    known, more = SMALL_ANCHORS[anchor]
    where, rows = places(), []
    for number, (run, stops) in enumerate(SMALL_WALKS.items()):
        local = np.array([where[stop] for stop in stops])
        if rng is not None:
            legs = np.diff(local, axis=0)
            spread = np.sqrt(NOISE[0] ** 2 + NOISE[1] ** 2 * np.sqrt((legs**2).sum(axis=1)))
            legs = legs + rng.standard_normal(legs.shape) * spread[:, None]
            local = np.vstack([local[0], local[0] + np.cumsum(legs, axis=0)])
        local = turned(local, 100.0 * number + 17, (3.0, -8.0, 2.0))
        for stop, xyz in zip(stops, local, strict=True):
            rows.append((run, "" if stop.startswith("s") else stop, *xyz))
    return notes(rows, known, noise=NOISE, crs=SMALL_CRS, **more)


def dense(case: Notes, network: Network) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of all rows' easting, northing (2 n) and elevation (n), every mark an unknown."""
    plan, up = dense_with_turns(case, network)
    n = len(case.book)
    return plan[: 2 * n, : 2 * n], up


def dense_with_turns(case: Notes, network: Network) -> tuple[np.ndarray, np.ndarray]:
    """Return the same, the runs' orientations after the northings."""
    book, n = case.book, len(case.book)
    mark = {}
    unknown = np.array(
        [
            mark.setdefault(("mark", m) if m >= 0 else ("row", i), len(mark))
            for i, m in enumerate(book.mark)
        ]
    )
    count, runs = len(mark), len(book.runs)
    rows, rows_up = [], []
    for run in range(runs):
        at = np.flatnonzero(book.run == run)
        for i, j in pairwise(at):
            length = float(np.sqrt(((book.local[j] - book.local[i]) ** 2).sum()))
            weight = 1 / math.sqrt(NOISE[0] ** 2 + NOISE[1] ** 2 * length)
            step = network.en[j] - network.en[i]
            for axis, across in ((0, step[1]), (1, -step[0])):
                row = np.zeros(2 * count + runs)
                row[axis * count + unknown[j]] += 1
                row[axis * count + unknown[i]] -= 1
                row[2 * count + run] = across
                rows.append(row * weight / math.sqrt(network.variance_factor))
            row = np.zeros(count)
            row[unknown[j]] += 1
            row[unknown[i]] -= 1
            rows_up.append(row * weight / math.sqrt(network.vertical_variance_factor))
    held, held_up = [], []
    for name, known in case.site.anchor.marks.items():
        at = unknown[np.flatnonzero(book.mark == book.marks.index(name))[0]]
        for axis in (0, 1):
            row = np.zeros(2 * count + runs)
            row[axis * count + at] = 1 / (known.sigma or 1)
            (rows if known.sigma else held).append(row)
        if known.elevation is not None:
            row = np.zeros(count)
            row[at] = 1 / (known.sigma or 1)
            (rows_up if known.sigma else held_up).append(row)
    azimuth = case.site.anchor.azimuth
    if azimuth is not None:
        a, b = (np.flatnonzero(book.mark == book.marks.index(name))[0] for name in "AB")
        step = network.en[b] - network.en[a]
        row = np.zeros(2 * count + runs)
        for knot, sign in ((unknown[b], 1), (unknown[a], -1)):
            row[knot] = sign * step[1] / (step @ step)
            row[count + knot] = -sign * step[0] / (step @ step)
        if azimuth.sigma:
            rows.append(row / math.radians(azimuth.sigma))
        else:
            held.append(row)

    def covariance_of(design: list[np.ndarray], fixed: list[np.ndarray]) -> np.ndarray:
        table = np.array(design)
        free = np.eye(table.shape[1])
        if fixed:  # what is exact: only the unknowns' space beside it moves
            q, _ = np.linalg.qr(np.array(fixed).T, mode="complete")
            free = q[:, len(fixed) :]
        _, r = np.linalg.qr(table @ free)
        root = free @ np.linalg.inv(r)
        return root @ root.T

    plan, up = covariance_of(rows, held), covariance_of(rows_up, held_up)
    both = np.concatenate([unknown, count + unknown, 2 * count + np.arange(runs)])
    assert n == len(unknown)
    return plan[np.ix_(both, both)], up[np.ix_(unknown, unknown)]


def single_forms(n: int) -> list[LinearForm]:
    one, none = np.ones(1), np.zeros(1)
    at = [np.array([i]) for i in range(n)]
    return (
        [LinearForm(i, one, none, none) for i in at]
        + [LinearForm(i, none, one, none) for i in at]
        + [LinearForm(i, none, none, one) for i in at]
    )


@pytest.mark.parametrize("anchor", SMALL_ANCHORS)
def test_closed_form_equals_the_dense_solution(anchor: str) -> None:
    case = survey(anchor)
    network = adjust(case)
    n = len(case.book)
    plan, up = dense(case, network)
    found = covariance(network, single_forms(n))
    scale = plan.diagonal().max()
    assert np.abs(found[: 2 * n, : 2 * n] - plan).max() < 1e-9 * scale
    assert np.abs(found[2 * n :, 2 * n :] - up).max() < 1e-9 * up.diagonal().max()
    assert np.abs(found[: 2 * n, 2 * n :]).max() == 0.0
    own = plan.diagonal()
    assert sigma_horizontal(network) ** 2 == pytest.approx(
        (own[:n] + own[n:]) / 2, abs=1e-9 * scale
    )
    assert sigma_vertical(network) ** 2 == pytest.approx(up.diagonal(), abs=1e-9 * up.max())

    major, minor, azimuth = error_ellipses(network)
    for i in (0, 4, 13, n - 1):
        block = plan[np.ix_([i, n + i], [i, n + i])]
        values = np.linalg.eigvalsh(block)
        assert [minor[i] ** 2, major[i] ** 2] == pytest.approx(values, abs=1e-9 * scale)
        direction = np.array([math.sin(azimuth[i]), math.cos(azimuth[i])])
        assert direction @ block @ direction == pytest.approx(values[1], abs=1e-9 * scale)

    before, after = np.arange(n - 1), np.arange(1, n)
    same = case.book.run[before] == case.book.run[after]
    before, after = before[same], after[same]
    relative = relative_ellipses(network, before, after)[0]
    for k, (i, j) in enumerate(zip(before, after, strict=True)):
        pick = np.zeros((2, 2 * n))
        pick[0, [i, j]] = pick[1, [n + i, n + j]] = -1, 1
        value = np.linalg.eigvalsh(pick @ plan @ pick.T)[1]
        assert relative[k] ** 2 == pytest.approx(value, abs=1e-9 * scale)


def test_forms_of_many_rows_and_their_correlation() -> None:
    case = survey("two marks with sigma")
    network = adjust(case)
    n = len(case.book)
    plan, up = dense(case, network)
    rng = np.random.default_rng(5)
    forms, tables = [], []
    for size in (3, 8, 20):
        rows = rng.integers(0, n, size)  # rows may appear twice
        east, north, lift = rng.normal(size=(3, size))
        forms.append(LinearForm(rows, east, north, lift))
        table = np.zeros(3 * n)
        np.add.at(table, rows, east)
        np.add.at(table, n + rows, north)
        np.add.at(table, 2 * n + rows, lift)
        tables.append(table)
    whole = np.zeros((3 * n, 3 * n))
    whole[: 2 * n, : 2 * n], whole[2 * n :, 2 * n :] = plan, up
    expected = np.array(tables) @ whole @ np.array(tables).T
    assert covariance(network, forms) == pytest.approx(expected, rel=1e-8, abs=1e-12)
    assert sigma(network, forms[1]) == pytest.approx(math.sqrt(expected[1, 1]), rel=1e-9)
    total = forms[0] + 2.0 * forms[1]
    assert sigma(network, total) ** 2 == pytest.approx(
        expected[0, 0] + 4 * expected[0, 1] + 4 * expected[1, 1], rel=1e-9
    )
    assert sigmas(network, forms) ** 2 == pytest.approx(np.diag(expected), rel=1e-9)
    assert covariance(network, []).shape == (0, 0)
    assert sigmas(network, []).shape == (0,)


def test_seen_from_another_run() -> None:
    case = survey("two marks with sigma")
    network = adjust(case)
    n, target = len(case.book), 4
    plan, _ = dense(case, network)
    rows, base = np.array([6, 15, 20, 3]), np.array([-1, 17, 30, 9])
    own, cross, others = sight_covariance(network, target, rows, base)
    pick = [target, n + target]
    scale = plan.diagonal().max()
    assert own == pytest.approx(plan[np.ix_(pick, pick)], abs=1e-9 * scale)
    assert cross[0] == pytest.approx(plan[np.ix_(pick, [6, n + 6])], abs=1e-9 * scale)
    assert others[0] == pytest.approx(plan[np.ix_([6, n + 6], [6, n + 6])], abs=1e-9 * scale)


def test_a_chain_that_leaves_the_very_first_row(monkeypatch: pytest.MonkeyPatch) -> None:
    # the first long leg starts at the first row
    monkeypatch.setitem(SMALL_WALKS, "R1", ["A", "s1", "s2", "B", "T1", "s4", "T2", "s6", "B", "A"])
    case = survey("two marks with sigma")
    network = adjust(case)
    n, book = len(case.book), case.book
    chain = network.plan.between.chain(np.arange(n))
    assert np.flatnonzero(chain == 0).tolist() == [1, 2]
    plan, up = dense(case, network)
    scale = plan.diagonal().max()
    forms = single_forms(n)
    found = covariance(network, forms)
    assert np.abs(found[: 2 * n, : 2 * n] - plan).max() < 1e-9 * scale
    assert np.abs(found[2 * n :, 2 * n :] - up).max() < 1e-9 * up.diagonal().max()
    assert sigmas(network, forms) ** 2 == pytest.approx(found.diagonal(), abs=1e-9 * scale)
    before = np.flatnonzero(book.run[1:] == book.run[:-1])
    relative = relative_ellipses(network, before, before + 1)
    for k, i in enumerate(before.tolist()):
        pick = np.zeros((2, 2 * n))
        pick[0, [i, i + 1]] = pick[1, [n + i, n + i + 1]] = -1, 1
        values = np.linalg.eigvalsh(pick @ plan @ pick.T)
        assert relative[1][k] ** 2 == pytest.approx(values[0], abs=1e-9 * scale)
        assert relative[0][k] ** 2 == pytest.approx(values[1], abs=1e-9 * scale)
    _, cross, others = sight_covariance(network, 1, np.array([2, 4]), np.array([-1, -1]))
    for k, i in enumerate((2, 4)):
        at = [i, n + i]
        assert cross[k] == pytest.approx(plan[np.ix_([1, n + 1], at)], abs=1e-9 * scale)
        assert others[k] == pytest.approx(plan[np.ix_(at, at)], abs=1e-9 * scale)


def test_marks_as_another_run_sees_them() -> None:
    # a mark's place in the frame of a run: its place less that of the row it is seen from, turned
    # back with the run
    case = survey("two marks with sigma")
    network = adjust(case)
    n, book = len(case.book), case.book
    whole, _ = dense_with_turns(case, network)
    scale = whole[: 2 * n, : 2 * n].diagonal().max()

    def sight(row: int, base: int) -> np.ndarray:
        table = np.zeros((2, len(whole)))
        table[0, row] = table[1, n + row] = 1.0
        if base >= 0:
            table[0, base] -= 1.0
            table[1, n + base] -= 1.0
            east, north = network.en[row] - network.en[base]
            table[:, 2 * n + book.run[base]] = north, -east
        return table

    rng = np.random.default_rng(9)
    for target in (0, 4, 7, 11, 24, n - 1):  # on knots, inside chains, on open ends
        rows, base = rng.integers(0, n, 40), rng.integers(-1, n, 40)
        rows[:6], base[:6] = target, [-1, target - 1, (target + 1) % n, 5, 24, 12]
        rows[6:8], base[6:8] = [24, n - 2], [23, n - 1]
        own, cross, others = sight_covariance(network, target, rows, base)
        here = sight(target, -1)
        assert own == pytest.approx(here @ whole @ here.T, abs=1e-9 * scale)
        for k in range(40):
            there = sight(int(rows[k]), int(base[k]))
            assert cross[k] == pytest.approx(here @ whole @ there.T, abs=1e-9 * scale)
            assert others[k] == pytest.approx(there @ whole @ there.T, abs=1e-9 * scale)


@pytest.mark.slow
def test_against_simulated_walks() -> None:
    case = survey("two exact marks")
    expected = adjust(case)
    book, count = case.book, 400
    device, known = device_of(case), frozenset("AB")
    walk = walk_runs(book, device, known)
    start = [walk.knots.index(name) for name in "AB"]
    places = Prior(np.array(start), np.array([[0.0, 0.0], [6.0, 1.0]]), np.zeros(2))
    height = Prior(np.array(start[:1]), np.ones(1), np.zeros(1))
    rng = np.random.default_rng(11)
    # the true legs of each run, then walks with noise
    order, run = walk.row, book.run[walk.row]
    legs = np.diff(book.local[order], axis=0, prepend=np.zeros((1, 3)))
    first = np.append(True, run[1:] != run[:-1])
    spread = np.sqrt(NOISE[0] ** 2 + NOISE[1] ** 2 * np.sqrt((legs**2).sum(axis=1)))
    spread[first] = 0.0
    found = np.empty((count, len(book), 3))
    for i in range(count):
        path = np.cumsum(legs + rng.standard_normal(legs.shape) * spread[:, None], axis=0)
        given = PlanInput(walk, plan_steps(walk, path), device, 1.0, places, expected.orientation)
        plan = adjust_plan(given)
        heights = adjust_heights(walk, path, device, 1.0, height, len(book.runs))
        found[i, :, :2] = plan_rows(walk, Between.of(walk), plan, 0.0)[1]
        found[i, :, 2] = height_rows(walk, Between.of(walk), heights, 0.0)[1]
    seen = found.std(axis=0)
    for simulated, stated, factor in (
        (
            np.sqrt((seen[:, 0] ** 2 + seen[:, 1] ** 2) / 2),
            sigma_horizontal(expected),
            expected.variance_factor,
        ),
        (seen[:, 2], sigma_vertical(expected), expected.vertical_variance_factor),
    ):
        stated = stated / math.sqrt(factor)
        moving = stated > 1e-6
        # a simulated sigma scatters by sigma / sqrt(2 count), 4 %: four of those, 36 marks at once
        assert simulated[moving] == pytest.approx(stated[moving], rel=0.14)
        assert np.all(simulated[~moving] < 1e-6)
    mean = found.mean(axis=0)[:, :2] + [500.0, 700.0]
    bias = np.abs(mean - expected.frame.to_map(expected.en))
    stated = sigma_horizontal(expected).max() / math.sqrt(expected.variance_factor)
    assert bias.max() < 5 * stated / math.sqrt(count)


def test_half_widths_are_students_t_times_sigma_with_plan_and_height_apart() -> None:
    """A quantity of plan and height has the degrees of freedom of Satterthwaite 1946."""
    network = replace(
        adjust(survey("two marks with sigma")),
        degrees_of_freedom=3.0,
        vertical_degrees_of_freedom=8.0,
    )
    rows, one, none = np.array([5]), np.ones(1), np.zeros(1)
    plan, up = LinearForm(rows, one, none, none), LinearForm(rows, none, none, one)
    a, b = sigmas(network, [plan, up])
    both = LinearForm(rows, one, none, one * (a / b))
    half = intervals(network, [plan, up, both])
    assert half[0] == pytest.approx(3.1824 * a, rel=1e-4)  # tables of Student's t, 97.5 %
    assert half[1] == pytest.approx(2.3060 * b, rel=1e-4)
    # equal variances with 3 and 8 degrees of freedom: 4 / (1 / 3 + 1 / 8) = 8.727
    assert half[2] == pytest.approx(stats.t.ppf(0.975, 96 / 11) * math.sqrt(2) * a, rel=1e-9)
    assert network.interval_factor == pytest.approx(3.1824, rel=1e-4)
    # Abramowitz & Stegun table 26.9: F(2, 3) at 95 % is 9.55
    assert network.ellipse_factor == pytest.approx(math.sqrt(2 * 9.55), rel=1e-3)


def test_known_noise_has_normal_half_widths() -> None:
    # walks with the noise that was stated
    network = adjust(survey("two marks with sigma", np.random.default_rng(4)))
    assert network.variance_factor == network.vertical_variance_factor == 1.0
    one = np.ones(1)
    form = LinearForm(np.array([5]), one, one, one)
    half = intervals(network, [form])
    assert half == pytest.approx(1.959964 * sigmas(network, [form]), rel=1e-6)
    assert intervals(network, []).shape == (0,)
