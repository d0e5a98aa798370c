"""Legs and visits that may be off by an unknown amount, tested by what is left over at them.

Data snooping: Baarda 1968, A testing procedure for use in geodetic networks, Netherlands Geodetic
Commission. An error e of an observation with weight P adds ``P e`` to what pulls there; its
estimate is ``W^-1`` times the pull, with ``W = P - P A C A^T P``, A the derivatives of the
observation and C the covariance of the unknowns, and its chi-square is estimate times pull.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook
from geosite.network.covariance import row_variances
from geosite.network.equations.normal import Posterior, Term
from geosite.network.equations.rows import Between, PlanRows, height_rows, plan_rows
from geosite.network.mistakes.facts import Fit
from geosite.network.tie_runs import Tied

__all__ = [
    "Refined",
    "Suspect",
    "best_refined",
    "find_suspects",
    "leg_rows",
    "leg_tests",
    "own_axes",
    "refine",
    "rough_places",
    "rows_from",
]

LEAST_CHECKED = 1e-6
"""Share of the weight of an observation that others must check, else it is not checked.

A visit is pointed at to a centimetre from a path that may be known to metres only: others then
check a millionth of its weight, and still tell that it is off by more than those metres.
"""

LOOKED_AT = 4
"""So many of the suspects are taken out, one at a time, to see what is left without them."""
SAME_LEFT = 0.01


@dataclass(frozen=True, eq=False)
class Suspect:
    """A leg (first = last) or a visit (between two consecutive legs) that may be off."""

    leg: int
    visit: bool
    error: Floats
    spread: Floats
    freedom: int
    test: float


def leg_rows(tied: Tied, leg: int) -> tuple[int, int]:
    """Return the field-book rows at both ends of a long leg."""
    walk = tied.walk
    return int(walk.row[walk.leg_start[leg]]), int(walk.row[walk.leg_end[leg]])


def own_axes(tied: Tied, leg: int) -> Floats:
    """Return the rotation from map axes to those of a run where a leg starts, shape (3, 3)."""
    walk = tied.walk
    turn = float(tied.plan.node_heading[walk.node_at[walk.leg_start[leg]]])
    cosine, sine = np.cos(turn), np.sin(turn)
    return np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, eq=False)
class _Pulls:
    """Of some observations: what pulls at an error of each, its weight, and that of all else."""

    pull: Floats
    weight: Floats
    whole: Floats


def _pulls(term: Term, posterior: Posterior, which: Ints, axes: int) -> _Pulls:
    jacobian, weight = term.jacobian[which], term.weight[which]
    unknown = term.unknown[which]
    both = posterior.blocks(unknown, unknown)
    adjusted = weight @ jacobian @ both @ jacobian.transpose(0, 2, 1) @ weight
    pull = np.einsum("mde,me->md", weight, term.misfit[which])
    # what is left over is adjusted less observed
    return _Pulls(-pull[:, :axes], (weight - adjusted)[:, :axes, :axes], weight[:, :axes, :axes])


def _between(term: Term, posterior: Posterior, s: Ints, t: Ints, axes: int) -> _Pulls:
    """Return the same for the place between two consecutive legs: one longer, the next shorter."""
    one, two = (_pulls(term, posterior, which, axes) for which in (s, t))
    both = posterior.blocks(term.unknown[s], term.unknown[t])
    left = term.weight[s] @ term.jacobian[s]
    right = term.weight[t] @ term.jacobian[t]
    cross = (left @ both @ right.transpose(0, 2, 1))[:, :axes, :axes]
    return _Pulls(
        one.pull - two.pull,
        one.weight + two.weight + cross + cross.transpose(0, 2, 1),
        one.whole + two.whole,
    )


def _legs(tied: Tied, which: Ints) -> tuple[_Pulls, _Pulls]:
    plan, heights = tied.plan, tied.heights
    return (
        _pulls(plan.legs, plan.posterior, which, 2),
        _pulls(heights.legs, heights.posterior, which, 1),
    )


def _visits(tied: Tied, which: Ints) -> tuple[_Pulls, _Pulls]:
    """Visits after the legs `which`, each with a leg after it."""
    plan, heights, walk = tied.plan, tied.heights, tied.walk
    node = walk.node_at[walk.leg_end[which]].astype(np.int64)
    found = []
    for visits, legs, posterior, axes in (
        (plan.visits, plan.legs, plan.posterior, 2),
        (heights.visits, heights.legs, heights.posterior, 1),
    ):
        if visits is None:
            found.append(_between(legs, posterior, which, which + 1, axes))
        else:
            found.append(_pulls(visits, posterior, node, axes))
    return found[0], found[1]


def _test(in_plan: _Pulls, in_height: _Pulls) -> tuple[Floats, Floats, Ints, Floats]:
    """Errors (m, 3), their covariance (m, 3, 3), degrees of freedom (m,), chi-square (m,)."""
    count = len(in_plan.pull)
    error = np.full((count, 3), np.nan)
    spread = np.zeros((count, 3, 3))
    freedom = np.zeros(count, dtype=np.int64)
    test = np.zeros(count)
    for part, axes in ((in_plan, slice(0, 2)), (in_height, slice(2, 3))):
        share = np.linalg.eigvals(np.linalg.solve(part.whole, part.weight)).real
        checked = np.flatnonzero(share.min(axis=1) > LEAST_CHECKED)
        inverse = np.linalg.inv(part.weight[checked])
        found = np.einsum("mij,mj->mi", inverse, part.pull[checked])
        error[checked, axes] = found
        spread[checked, axes, axes] = inverse
        test[checked] += (found * part.pull[checked]).sum(axis=1)
        freedom[checked] += found.shape[1]
    return error, spread, freedom, test


def leg_tests(tied: Tied) -> tuple[Floats, Ints, Floats]:
    """Return estimated errors (s, 3), degrees of freedom and chi-square of all long legs."""
    error, _, freedom, test = _test(*_legs(tied, np.arange(len(tied.walk.leg_end))))
    return error, freedom, test


def find_suspects(tied: Tied) -> tuple[list[Suspect], int]:
    """Return legs and visits, most suspicious first, and how many were tested."""
    walk = tied.walk
    found: list[Suspect] = []

    def collect(visit: bool, at: Ints, results: tuple[Floats, Floats, Ints, Floats]) -> int:
        error, spread, freedom, test = results
        worst = np.argsort(-test, kind="stable")[:12]
        found.extend(
            Suspect(int(at[i]), visit, error[i], spread[i], int(freedom[i]), float(test[i]))
            for i in worst[freedom[worst] > 0].tolist()
        )
        return int((freedom > 0).sum())

    every = np.arange(len(walk.leg_end))
    count = collect(False, every, _test(*_legs(tied, every)))
    joined = np.flatnonzero(walk.leg_end[:-1] == walk.leg_start[1:])
    count += collect(True, joined, _test(*_visits(tied, joined)))
    # what is equal but for rounding comes in walking order
    found.sort(key=lambda suspect: (-round(suspect.test, 6), suspect.leg))
    return found, count


@dataclass(frozen=True, eq=False)
class Refined:
    """A leg's or visit's error where it no longer bends the whole network.

    `own` (NaN where unchecked) and its covariance `spread` are in the axes of its run, `error` in
    those of the map; `left` is the chi-square without it, `corrected` the field book without it.
    """

    suspect: Suspect
    own: Floats
    spread: Floats
    error: Floats
    left: float
    corrected: FieldBook


def refine(fit: Fit, tied: Tied, suspect: Suspect) -> Refined | None:
    """Estimate an error again and again with what is known of it taken out.

    ``None`` where that leaves marks without any place: such an error explains nothing.
    """
    try:
        return _settled(fit, tied, suspect)
    except np.linalg.LinAlgError:
        return None


def _settled(fit: Fit, tied: Tied, suspect: Suspect) -> Refined:
    book = tied.book
    row = leg_rows(tied, suspect.leg)[1]
    moved = np.array([row]) if suspect.visit else rows_from(tied, row)
    total, left, corrected = np.zeros(3), 0.0, book
    error, spread = suspect.error, suspect.spread
    at = np.array([suspect.leg])
    apart = _apart(fit, tied, row) if suspect.visit else None
    if apart is not None:
        total, error = np.where(np.isfinite(error), apart, 0.0), np.zeros(3)
    for _ in range(3):
        total += own_axes(tied, suspect.leg) @ np.nan_to_num(error)
        local = book.local.copy()
        local[moved] -= total
        corrected = replace(book, local=local)
        tied, left, _ = fit(corrected)
        found = _test(*(_visits if suspect.visit else _legs)(tied, at))
        error, spread = found[0][0], found[1][0]
    rotation = own_axes(tied, suspect.leg)
    checked = np.isfinite(suspect.error)
    return Refined(
        suspect,
        np.where(checked, total, np.nan),
        rotation @ spread @ rotation.T,
        np.where(checked, rotation.T @ total, np.nan),
        left,
        corrected,
    )


def _apart(fit: Fit, tied: Tied, row: int) -> Floats | None:
    """Return how far a visit is from its mark when it does not pull, in the axes of its run.

    ``None`` where no other visit tells where the mark is. What is off by many times what the path
    is known to turns the run so far that an estimate from there would run away.
    """
    book = tied.book
    others = np.flatnonzero(book.mark == book.mark[row])
    others = others[others != row]
    if not len(others):
        return None
    mark = book.mark.copy()
    mark[row] = -1
    try:
        free, left, _ = fit(replace(book, mark=mark))
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(left):
        return None
    legs = np.flatnonzero(free.walk.leg_run == book.run[row])
    if not len(legs):
        return None  # the run visits one mark besides
    _, place, up = _places(free)
    # the leg that it is noted on, or the first one, where the run begins with it
    before = int((free.walk.row[free.walk.leg_start[legs]] <= row).sum())
    leg = int(legs[max(before - 1, 0)])
    off = np.append(place[row] - place[others[0]], up[row] - up[others[0]])
    turned: Floats = own_axes(free, leg) @ off
    return turned


def _places(tied: Tied) -> tuple[PlanRows, Floats, Floats]:
    """Return all rows in plan, their positions and elevations in the free network."""
    device = tied.device
    between = Between.of(tied.walk)
    in_plan, place = plan_rows(tied.walk, between, tied.plan, device.pointing)
    _, up = height_rows(tied.walk, between, tied.heights, device.pointing_up)
    return in_plan, place, up


def rough_places(tied: Tied) -> tuple[Floats, Floats, Floats]:
    """Return position, elevation and rough sigma of all rows in the free network."""
    in_plan, place, up = _places(tied)
    return place, up, np.sqrt(np.maximum(row_variances(in_plan), 0.0))


def best_refined(fit: Fit, tied: Tied, suspects: list[Suspect]) -> Refined | None:
    """Return the one of the first suspects that leaves least when it is taken out.

    Where the misclosures are large against what the runs are known to, the pulls are those of a
    bent network: they say where to look, and not yet which it is.
    """
    found = [refine(fit, tied, suspect) for suspect in suspects[:LOOKED_AT]]
    known = [better for better in found if better is not None and np.isfinite(better.left)]
    if not known:
        return None
    least = min(better.left for better in known)
    # what leaves the same but for rounding is told in the order of the suspects
    return next(b for b in known if b.left <= least + SAME_LEFT)


def rows_from(tied: Tied, row: int) -> Ints:
    """Rows of a run from one of them to its end, in walking order."""
    rows = np.flatnonzero(tied.book.run == tied.book.run[row])
    after: Ints = rows[rows >= row]
    return after
