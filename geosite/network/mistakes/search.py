"""Mistakes that the misclosures give away, by name where they have one.

Two kinds of suspicion are weighed against each other. A leg or a visit to a mark that is off by an
unknown amount is tested with its residual and the covariance of that residual (data snooping:
Baarda 1968, A testing procedure for use in geodetic networks, Netherlands Geodetic Commission).
A mistake with a name (a run mirrored, in another unit, names exchanged, a sign lost) has nothing
free to fit: the field book is corrected for it and tied again, and it is believed when that
explains the misclosures as well as an unknown amount would.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import FieldBook
from geosite.network.model import turn_with_knots
from geosite.network.tie import Tied, first_visits
from geosite.network.walk import make_chains, sum_at

__all__ = ["Mistake", "Search", "find_mistakes", "leg_tests"]

ALARM = 0.01
"""Chance of one false alarm in a survey without a mistake."""
CLEAR = 40.0
"""Drop of the chi-square, in units of the noise that is left, that makes a named mistake clear."""
NEARLY = 16.3
"""Chi-square of three degrees of freedom that is exceeded once in a thousand."""
MOST_MISTAKES = 4
RUNS_TRIED = 6
FEW = 8
"""With fewer misclosures left, a mistake and noise larger than assumed look alike."""

Fit = Callable[[FieldBook], "tuple[Tied, float, int]"]
"""Ties a field book; also returns its chi-square with the known marks, and the redundancy.

Raises `numpy.linalg.LinAlgError` where the marks have no determined place.
"""


@dataclass(frozen=True, eq=False)
class Mistake:
    """One mistake.

    Parameters
    ----------
    kind
        ``"leg"``, ``"visit"``, ``"leg-sign"``, ``"run-unit"``, ``"run-mirrored"``,
        ``"run-upside-down"``, ``"baseline-swapped"``, ``"names-swapped"``, ``"name-wrong"``.
    run
        Name of the run, or of the runs that cannot be told apart, joined by ``" or "``.
    rows : tuple of int
        Field-book rows: both ends of the leg or of the stretch of legs, the visit, the rows whose
        names are exchanged; empty for a whole run.
    marks : tuple of str
        Marks concerned.
    error : array, shape (3,), metres
        Estimated error in easting, northing, elevation, of a leg or visit; NaN where unchecked.
    detail
        What the kind leaves open: axes of a lost sign, unit of the run, a hint.
    chance
        Chance that noise alone looks like this.
    others
        Further legs or visits that the misclosures cannot tell from it, as row pairs.
    corrected
        The field book without the mistake.
    alternative
        A wrong name that explains the same as the two exchanged ones.
    """

    kind: str
    run: str
    rows: tuple[int, ...]
    marks: tuple[str, ...]
    error: Floats
    detail: str
    chance: float
    others: tuple[tuple[int, int], ...]
    corrected: FieldBook
    alternative: Mistake | None = None

    @property
    def size(self) -> float:
        """Length of the estimated error, metres."""
        return float(np.sqrt(np.nansum(self.error**2)))


@dataclass(frozen=True, eq=False)
class Search:
    """What was found, and what is left when it is taken out.

    Parameters
    ----------
    mistakes
        In order of weight.
    tied
        The network with the mistakes corrected.
    redundancy_spent : (horizontal, vertical)
        Unknown amounts that were fitted to correct legs and visits.
    """

    mistakes: tuple[Mistake, ...]
    tied: Tied
    redundancy_spent: tuple[int, int]


class _Residuals:
    """Residuals of the long legs and their covariance, by blocks."""

    def __init__(self, tied: Tied) -> None:
        self.legs, self.plan, self.levels = tied.legs, tied.plan, tied.levels
        plan = self.plan
        self.with_knots = turn_with_knots(plan.turn_gain, plan.covariance)
        self.turn_variance = (self.with_knots * plan.turn_gain).sum(axis=1) + plan.turn_variance
        vector = plan.position[self.legs.end] - plan.position[self.legs.start]
        self.across = np.column_stack([vector[:, 1], -vector[:, 0]])

    def adjusted(self, s: Ints, t: Ints) -> Floats:
        """Covariance of two adjusted legs of one run, shape (m, 2, 2)."""
        legs, q, count = self.legs, self.plan.covariance, self.legs.knots
        run = legs.run[s]
        out = np.empty((len(s), 2, 2))
        for i in (0, 1):
            for j in (0, 1):
                si, ei = i * count + legs.start[s], i * count + legs.end[s]
                sj, ej = j * count + legs.start[t], j * count + legs.end[t]
                value = q[ei, ej] - q[ei, sj] - q[si, ej] + q[si, sj]
                turned_t = self.with_knots[run, ej] - self.with_knots[run, sj]
                turned_s = self.with_knots[run, ei] - self.with_knots[run, si]
                value += self.across[s, i] * turned_t + self.across[t, j] * turned_s
                out[:, i, j] = (
                    value + self.across[s, i] * self.across[t, j] * (self.turn_variance[run])
                )
        return out

    def adjusted_up(self, s: Ints, t: Ints) -> Floats:
        """Covariance of two adjusted rises, shape (m,)."""
        legs, q = self.legs, self.levels.covariance
        value: Floats = (
            q[legs.end[s], legs.end[t]]
            - q[legs.end[s], legs.start[t]]
            - q[legs.start[s], legs.end[t]]
            + q[legs.start[s], legs.start[t]]
        )
        return value

    def single(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Estimated error of each leg if it alone is wrong, and its weight; plan and up."""
        legs = self.legs
        every = np.arange(len(legs.run))
        spread = legs.variance[:, None, None] * np.eye(2) - self.adjusted(every, every)
        weight = spread / legs.variance[:, None, None] ** 2
        pull = self.plan.residual / legs.variance[:, None]
        weight_up = (legs.variance_up - self.adjusted_up(every, every)) / legs.variance_up**2
        pull_up = self.levels.residual / legs.variance_up
        return weight, pull, weight_up, pull_up

    def double(self, s: Ints, t: Ints) -> tuple[Floats, Floats, Floats, Floats]:
        """Compute the same for the mark between two consecutive legs s and t of one run."""
        legs = self.legs
        weight, pull, weight_up, pull_up = self.single()
        cross = self.adjusted(s, t) / (legs.variance[s] * legs.variance[t])[:, None, None]
        cross_up = self.adjusted_up(s, t) / (legs.variance_up[s] * legs.variance_up[t])
        # the residuals' own covariance is minus that of the adjusted legs, and one error has the
        # opposite sign: the two minus signs cancel
        return (
            weight[s] + weight[t] + cross + cross.transpose(0, 2, 1),
            pull[s] - pull[t],
            weight_up[s] + weight_up[t] + 2 * cross_up,
            pull_up[s] - pull_up[t],
        )


def _test(
    legs_scale: Floats, weight: Floats, pull: Floats, weight_up: Floats, pull_up: Floats
) -> tuple[Floats, Floats, Ints, Floats]:
    """Errors (m, 3), their covariance (m, 3, 3), degrees of freedom (m,), chi-square (m,).

    `legs_scale` is the weight of an observation that everything else checks fully; what has less
    than a hundredth of that is not checked.
    """
    count = len(pull)
    error = np.full((count, 3), np.nan)
    spread = np.zeros((count, 3, 3))
    freedom = np.zeros(count, dtype=np.int64)
    test = np.zeros(count)
    least = np.linalg.eigvalsh(weight)[:, 0]
    plan = least > 0.01 * legs_scale
    inverse = np.linalg.inv(weight[plan])
    error[plan, :2] = np.einsum("mij,mj->mi", inverse, pull[plan])
    test[plan] += (error[plan, :2] * pull[plan]).sum(axis=1)
    spread[plan, :2, :2] = inverse
    freedom[plan] += 2
    up = weight_up > 0.01 * legs_scale
    error[up, 2] = pull_up[up] / weight_up[up]
    test[up] += pull_up[up] ** 2 / weight_up[up]
    spread[up, 2, 2] = 1 / weight_up[up]
    freedom[up] += 1
    return error, spread, freedom, test


@dataclass(frozen=True, eq=False)
class _Suspect:
    """A leg (first = last) or a visit (between two consecutive legs) that may be off."""

    leg: int
    visit: bool
    error: Floats
    spread: Floats
    freedom: int
    test: float


def leg_tests(tied: Tied) -> tuple[Floats, Ints, Floats]:
    """Return estimated errors (s, 3), degrees of freedom and chi-square of all long legs."""
    residuals = _Residuals(tied)
    error, _, freedom, test = _test(1.0 / tied.legs.variance, *residuals.single())
    return error, freedom, test


def _suspects(tied: Tied) -> tuple[list[_Suspect], int]:
    """Legs and visits, most suspicious first, and how many were tested."""
    legs, walk = tied.legs, tied.walk
    residuals = _Residuals(tied)
    found: list[_Suspect] = []

    def collect(visit: bool, at: Ints, results: tuple[Floats, Floats, Ints, Floats]) -> int:
        error, spread, freedom, test = results
        worst = np.argsort(-test, kind="stable")[:12]
        found.extend(
            _Suspect(int(at[i]), visit, error[i], spread[i], int(freedom[i]), float(test[i]))
            for i in worst[freedom[worst] > 0].tolist()
        )
        return int((freedom > 0).sum())

    every = np.arange(len(legs.run))
    count = collect(False, every, _test(1 / legs.variance, *residuals.single()))
    joined = np.flatnonzero(walk.leg_end[:-1] == walk.leg_start[1:])
    scale = 1 / legs.variance[joined] + 1 / legs.variance[joined + 1]
    count += collect(True, joined, _test(scale, *residuals.double(joined, joined + 1)))
    # what is equal but for rounding comes in walking order
    found.sort(key=lambda suspect: (-round(suspect.test, 6), suspect.leg))
    return found, count


def find_mistakes(fit: Fit, book: FieldBook, baseline: tuple[str, str]) -> Search:
    """Look for mistakes until the misclosures are what the leg noise explains.

    Parameters
    ----------
    fit
        Ties a field book.
    book
        The field book as read.
    baseline
        Names of the two baseline marks.

    Returns
    -------
    Search
    """
    tied, squares, redundancy = fit(book)
    mistakes: list[Mistake] = []
    spent = [0, 0]
    for _ in range(MOST_MISTAKES):
        if redundancy <= 0:
            break
        suspects, tested = _suspects(tied)
        best = suspects[0] if suspects else None
        gross = chi2_sf(squares, redundancy) < ALARM / 100
        left = tied.redundancy - sum(spent)
        clear = best is not None and _stands_out(best, tested, tied.squares, left)
        if not gross and not clear:
            break
        named = _Named(fit, tied, squares, redundancy, baseline, suspects)
        mistake = named.best()
        if mistake is None and clear and best is not None:
            mistake = _unnamed(fit, tied, best, suspects, tested)
            if mistake is not None:
                spent[0] += 2 if np.isfinite(best.error[0]) else 0
                spent[1] += 1  # what is checked at all is checked in height
        if mistake is None:
            break
        mistakes.append(mistake)
        tied, squares, redundancy = fit(mistake.corrected)
        redundancy -= sum(spent)
    return Search(tuple(mistakes), tied, (spent[0], spent[1]))


def _stands_out(suspect: _Suspect, tested: int, squares: float, redundancy: int) -> bool:
    """Tell a mistake from chance, and from noise that is larger than assumed everywhere."""
    left = redundancy - suspect.freedom
    rest = squares - suspect.test
    chance = chi2_sf(suspect.test, suspect.freedom) * tested
    if chance > ALARM:
        return False
    if left <= 0 or chi2_sf(rest, left) > ALARM:
        # few left cannot tell the noise: it has to be a hundred times as clear
        return chance < (ALARM / 100 if left < FEW else ALARM)
    from scipy.special import fdtrc

    ratio = suspect.test / suspect.freedom / (rest / left)
    return bool(fdtrc(suspect.freedom, left, ratio) * tested < ALARM)


def _leg_rows(tied: Tied, leg: int) -> tuple[int, int]:
    walk = tied.walk
    return int(walk.row[walk.leg_start[leg]]), int(walk.row[walk.leg_end[leg]])


@dataclass(frozen=True, eq=False)
class _Refined:
    """A leg's or visit's error where it no longer bends the whole network.

    `own` (NaN where unchecked) and its covariance `spread` are in the axes of its run, `error` in
    those of the map; `left` is the chi-square without it, `corrected` the field book without it.
    """

    suspect: _Suspect
    own: Floats
    spread: Floats
    error: Floats
    left: float
    corrected: FieldBook


def _refined(fit: Fit, tied: Tied, suspect: _Suspect) -> _Refined | None:
    """Estimate an error again and again with what is known of it taken out.

    ``None`` where that leaves marks without any place: such an error explains nothing.
    """
    try:
        return _settled(fit, tied, suspect)
    except np.linalg.LinAlgError:
        return None


def _settled(fit: Fit, tied: Tied, suspect: _Suspect) -> _Refined:
    book = tied.book
    row = _leg_rows(tied, suspect.leg)[1]
    moved = np.array([row]) if suspect.visit else _rows_from(tied, row)
    total, left, corrected = np.zeros(3), 0.0, book
    error, spread = suspect.error, suspect.spread
    at = np.array([suspect.leg])
    for _ in range(3):
        total += _own_axes(tied, suspect.leg) @ np.nan_to_num(error)
        local = book.local.copy()
        local[moved] -= total
        corrected = replace(book, local=local)
        tied, left, _ = fit(corrected)
        residuals = _Residuals(tied)
        scale = 1.0 / tied.legs.variance
        if suspect.visit:
            found = _test(scale[at] + scale[at + 1], *residuals.double(at, at + 1))
        else:
            found = _test(scale[at], *(v[at] for v in residuals.single()))
        error, spread = found[0][0], found[1][0]
    rotation = _own_axes(tied, suspect.leg)
    checked = np.isfinite(suspect.error)
    return _Refined(
        suspect,
        np.where(checked, total, np.nan),
        rotation @ spread @ rotation.T,
        np.where(checked, rotation.T @ total, np.nan),
        left,
        corrected,
    )


def _unnamed(
    fit: Fit, tied: Tied, best: _Suspect, suspects: list[_Suspect], tested: int
) -> Mistake | None:
    """Make the mistake of a leg or visit that is off by an amount without a name."""
    book, walk, legs = tied.book, tied.walk, tied.legs
    alike = [
        s for s in suspects if s is not best and s.visit == best.visit and s.test > best.test - 6
    ]
    first, last = _leg_rows(tied, best.leg)
    better = _refined(fit, tied, best)
    if better is None:
        return None
    rows: tuple[int, ...] = (last,)
    marks: tuple[str, ...] = (walk.knots[legs.end[best.leg]],)
    hint = ""
    if not best.visit:
        rows, marks = (first, last), (walk.knots[legs.start[best.leg]], *marks)
        hints = _twice_a_leg(tied, better, _ONE_AXIS)
        if best.test > CLEAR and hints and hints[0].misfit < 9.0:
            a, b = (int(book.line[row]) for row in hints[0].rows)
            hint = f"as if {hints[0].axes} of the leg from line {a} to {b} had the wrong sign"
    return Mistake(
        kind="visit" if best.visit else "leg",
        run=book.runs[legs.run[best.leg]],
        rows=rows,
        marks=marks,
        error=better.error,
        detail=hint,
        chance=min(1.0, chi2_sf(best.test, best.freedom) * tested),
        others=tuple(_leg_rows(tied, s.leg) for s in alike),
        corrected=better.corrected,
    )


@dataclass(frozen=True, eq=False)
class _Trial:
    mistake: Mistake
    squares: float


class _Named:
    """Mistakes with a name that may explain the misclosures of one network."""

    def __init__(
        self,
        fit: Fit,
        tied: Tied,
        squares: float,
        redundancy: int,
        baseline: tuple[str, str],
        suspects: list[_Suspect],
    ) -> None:
        self.fit, self.tied, self.baseline = fit, tied, baseline
        self.squares, self.redundancy, self.suspects = squares, redundancy, suspects
        self.book = tied.book

    def best(self) -> Mistake | None:
        """Return the named mistake that explains the misclosures best, if it does so well."""
        trials = [
            trial
            for source in (self.whole_runs, self.baseline_pairs, self.signs, self.names)
            for trial in source()
        ]
        if not trials:
            return None
        trials.sort(key=lambda trial: trial.squares)
        best = trials[0]
        noise = max(1.0, best.squares / max(self.redundancy, 1))
        unnamed = self.suspects[0].test if self.suspects else 0.0
        drop = self.squares - best.squares
        if drop < CLEAR * noise or drop < unnamed - NEARLY * noise:
            return None
        # the same mistake in another run may explain as much: then it is one of them
        alike = [
            t.mistake
            for t in trials
            if t.mistake.kind == best.mistake.kind
            and set(t.mistake.marks) == set(best.mistake.marks)
            and t.mistake.run != best.mistake.run
            and t.squares < best.squares + 10 * noise
        ]
        mistake = best.mistake
        if alike:
            runs = dict.fromkeys([mistake.run, *(m.run for m in alike)])
            pairs = tuple(m.rows for m in alike if len(m.rows) == 2)
            mistake = replace(
                mistake, run=" or ".join(runs), detail="", others=mistake.others + pairs
            )
        # two exchanged names and one wrong name elsewhere may put the same marks together
        close = [t.mistake for t in trials if t.squares < best.squares + 10 * noise]
        wrong = next((m for m in close if m.kind == "name-wrong"), None)
        swapped = next((m for m in close if m.kind == "names-swapped"), None)
        if mistake.kind == "name-wrong" and swapped is not None:
            mistake = swapped
        if mistake.kind == "names-swapped":
            mistake = replace(mistake, alternative=wrong)
        return replace(mistake, chance=math.exp(-drop / noise / 2))

    def trial(
        self,
        kind: str,
        run: str,
        corrected: FieldBook,
        rows: tuple[int, ...] = (),
        marks: tuple[str, ...] = (),
        detail: str = "",
        others: tuple[tuple[int, int], ...] = (),
        error: Floats | None = None,
    ) -> _Trial:
        try:
            squares = self.fit(corrected)[1]
        except np.linalg.LinAlgError:
            squares = math.inf  # what leaves a mark without any place explains nothing
        nothing = np.full(3, np.nan) if error is None else error
        return _Trial(
            Mistake(kind, run, rows, marks, nothing, detail, 0.0, others, corrected), squares
        )

    def suspicious_runs(self) -> list[int]:
        """Return the runs with the largest share of the misclosures, largest first."""
        legs = self.tied.legs
        share = (self.tied.plan.residual**2).sum(axis=1) / legs.variance
        share = share + self.tied.levels.residual**2 / legs.variance_up
        by_run = sum_at(legs.run, share, legs.runs)
        return [int(r) for r in np.argsort(-by_run, kind="stable")[:RUNS_TRIED]]

    def whole_runs(self) -> Iterator[_Trial]:
        """Try runs mirrored, upside down, in another unit, with the baseline names exchanged."""
        book = self.book
        groups = [(book.runs[r], book.run == r) for r in self.suspicious_runs()]
        if len(book.runs) > 1:
            groups.append(("every run", np.ones(len(book), dtype=bool)))
        lengths = self.run_lengths()
        for run, rows in groups:
            for kind, signs in (
                ("run-mirrored", (1.0, -1.0, 1.0)),
                ("run-upside-down", (1.0, 1.0, -1.0)),
                ("run-mirrored-upside-down", (1.0, -1.0, -1.0)),
            ):
                local = book.local.copy()
                local[rows] *= signs
                yield self.trial(kind, run, replace(book, local=local))
            if run == "every run":
                continue
            number = book.runs.index(run)
            for factor in (0.3048, 1 / 0.3048):
                # feet taken for metres make the run 3.28 times as long as the others
                if 2 / 3 < lengths[number] * factor < 3 / 2:
                    local = book.local.copy()
                    local[rows] *= factor
                    detail = "feet" if factor < 1 else "metres"
                    yield self.trial("run-unit", run, replace(book, local=local), detail=detail)
            if len(book.runs) > 1:
                a, b = (book.marks.index(name) for name in self.baseline)
                mark = book.mark.copy()
                mark[rows & (book.mark == a)] = b
                mark[rows & (book.mark == b)] = a
                yield self.trial(
                    "baseline-swapped", run, replace(book, mark=mark), marks=self.baseline
                )

    def run_lengths(self) -> Floats:
        """Baseline length of each run over the median of the others."""
        tied = self.tied
        start, end = (tied.knot[name] for name in self.baseline)
        runs = len(self.book.runs)
        own = (
            tied.path[first_visits(tied.walk, runs, end), :2]
            - tied.path[first_visits(tied.walk, runs, start), :2]
        )
        length = np.hypot(*own.T)
        typical = np.array(
            [np.median(np.delete(length, r)) if runs > 1 else length[r] for r in range(runs)]
        )
        ratio: Floats = length / np.maximum(typical, 1e-9)
        return ratio

    def baseline_pairs(self) -> Iterator[_Trial]:
        """Try exchanged names of two baseline marks visited one after the other."""
        walk = self.tied.walk
        a, b = (self.tied.knot[name] for name in self.baseline)
        suspicious = set(self.suspicious_runs())
        at = np.flatnonzero((walk.knot == a) | (walk.knot == b))
        for i, j in zip(at[:-1].tolist(), at[1:].tolist(), strict=True):
            run = int(walk.run[i])
            if run != walk.run[j] or walk.knot[i] == walk.knot[j] or run not in suspicious:
                continue
            if np.any(walk.knot[i + 1 : j] >= 0):
                continue
            yield self.exchange(int(walk.row[i]), int(walk.row[j]), "baseline-swapped")

    def exchange(self, first: int, second: int, kind: str = "names-swapped") -> _Trial:
        book = self.book
        mark = book.mark.copy()
        mark[[first, second]] = mark[[second, first]]
        names = tuple(book.marks[book.mark[row]] for row in sorted((first, second)))
        if set(names) == set(self.baseline):
            kind = "baseline-swapped"
        return self.trial(
            kind,
            book.runs[book.run[first]],
            replace(book, mark=mark),
            rows=tuple(sorted((first, second))),
            marks=names,
        )

    def signs(self) -> Iterator[_Trial]:
        """Try legs written with the wrong sign: the error is twice the leg."""
        book = self.book
        for suspect in [s for s in self.suspects if not s.visit and s.test > CLEAR][:4]:
            better = _refined(self.fit, self.tied, suspect)
            legs = [] if better is None else _twice_a_leg(self.tied, better, _REVERSED)
            if better is None or not legs or self.squares - better.left - legs[0].misfit < CLEAR:
                continue
            best = legs[0]
            local = book.local.copy()
            row, next_row = best.rows
            after = _rows_from(self.tied, next_row)
            local[after] -= 2 * (book.local[next_row] - book.local[row]) * _REVERSED[best.axes]
            yield self.trial(
                "leg-sign",
                book.runs[book.run[row]],
                replace(book, local=local),
                rows=best.rows,
                detail=best.axes,
                others=tuple(
                    # a level leg fits with z and without
                    dict.fromkeys(
                        o.rows for o in legs if o.misfit < best.misfit + 6 and o.rows != best.rows
                    )
                ),
                error=suspect.error,
            )

    def names(self) -> Iterator[_Trial]:
        """Try visits that are really at another mark: a wrong name, or two exchanged."""
        book, tied = self.book, self.tied
        tried: set[tuple[int, int]] = set()
        ends = [_leg_rows(tied, s.leg) for s in self.suspects[:8] if s.test >= CLEAR]
        visits = sorted({row for pair in ends for row in pair})
        for first, second in combinations(visits, 2):
            if book.run[first] == book.run[second] and book.mark[first] != book.mark[second]:
                tried.add((first, second))
                yield self.exchange(first, second)
        for suspect in self.suspects[:8]:
            if suspect.test < CLEAR:
                continue
            leg = _leg_rows(tied, suspect.leg)
            # a mark seen twice only: the other visit may be the wrong one
            for row in leg[1:] if suspect.visit else leg:
                alike = np.flatnonzero(book.mark == book.mark[row])
                for visit in alike[:6].tolist():
                    yield from self.misnamed(visit, tried)

    def misnamed(self, row: int, tried: set[tuple[int, int]]) -> Iterator[_Trial]:
        """Rename one visit to what is found where it really is."""
        book = self.book
        run, name = int(book.run[row]), book.marks[book.mark[row]]
        without = book.mark.copy()
        without[row] = -1
        others = np.flatnonzero(without == book.mark[row])
        if name in self.baseline:  # every run must keep a visit to both
            others = others[book.run[others] == run]
        if (row, -1) in tried or not len(others):
            return
        tried.add((row, -1))
        blank = replace(book, mark=without)
        try:
            tied, squares, _ = self.fit(blank)
        except np.linalg.LinAlgError:
            return
        if self.squares - squares < CLEAR / 2:
            return
        place, up, spread = _places(tied)
        named = (book.mark >= 0) & (book.mark != book.mark[row])
        # named rows of this run at the mark's real place, as others see it: exchanged names
        seen = int(others[0])
        near = _near(place, up, spread, place[seen], float(up[seen]))
        for other in np.flatnonzero(near & named & (book.run == run))[:6].tolist():
            pair = (min(row, other), max(row, other))
            if pair not in tried:
                tried.add(pair)
                yield self.exchange(row, other)
        # marks at the visit's real place
        near = _near(place, up, np.hypot(spread, spread[row]), place[row], float(up[row]))
        for real in np.unique(book.mark[near & named])[:6].tolist():
            mark = book.mark.copy()
            mark[row] = real
            yield self.trial(
                "name-wrong",
                book.runs[run],
                replace(book, mark=mark),
                rows=(row,),
                marks=(name, book.marks[real]),
            )


_REVERSED = {
    "x, y and z": np.array([1.0, 1.0, 1.0]),
    "x and y": np.array([1.0, 1.0, 0.0]),
}
"""Signs lost when a leg is noted backwards."""
_ONE_AXIS = {
    "x": np.array([1.0, 0.0, 0.0]),
    "y": np.array([0.0, 1.0, 0.0]),
    "z": np.array([0.0, 0.0, 1.0]),
}
"""A single sign. Among many legs one fits by chance too often to be more than a hint."""


@dataclass(frozen=True, slots=True)
class _TwiceALeg:
    misfit: float
    axes: str
    rows: tuple[int, int]


def _own_axes(tied: Tied, leg: int) -> Floats:
    """Rotation from map axes to those of a leg's run, shape (3, 3)."""
    turn = float(tied.plan.orientation[tied.legs.run[leg]])
    cosine, sine = math.cos(turn), math.sin(turn)
    return np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])


def _rows_from(tied: Tied, row: int) -> Ints:
    """Rows of a run from one of them to its end, in walking order."""
    rows = np.flatnonzero(tied.book.run == tied.book.run[row])
    after: Ints = rows[rows >= row]
    return after


def _twice_a_leg(tied: Tied, better: _Refined, patterns: dict[str, Floats]) -> list[_TwiceALeg]:
    """Legs of a stretch whose double, in the axes of a pattern, is its error; best first."""
    walk, leg, own = tied.walk, better.suspect.leg, better.own
    checked = np.isfinite(own)
    try:
        weight = np.linalg.inv(better.spread[np.ix_(checked, checked)])
    except np.linalg.LinAlgError:
        return []  # a leg without any noise tells nothing of its size
    rows = walk.row[int(walk.leg_start[leg]) : int(walk.leg_end[leg]) + 1]
    step = np.diff(tied.book.local[rows], axis=0)
    found = []
    for axes, pattern in patterns.items():
        off = (own - 2 * step * pattern)[:, checked]
        misfit = np.einsum("mi,ij,mj->m", off, weight, off)
        found += [
            _TwiceALeg(float(misfit[k]), axes, (int(rows[k]), int(rows[k + 1])))
            for k in np.flatnonzero(misfit < NEARLY).tolist()
        ]
    return sorted(found, key=lambda leg: leg.misfit)


def _places(tied: Tied) -> tuple[Floats, Floats, Floats]:
    """Position, elevation and rough sigma of all rows in the free network."""
    chains, offset, rise = make_chains(tied.walk, tied.path, tied.plan.orientation)
    s, e, f = chains.start, chains.end, chains.fraction
    position, level = tied.plan.position, tied.levels.elevation
    place = (1 - f)[:, None] * position[s] + f[:, None] * position[e] + offset
    up = (1 - f) * level[s] + f * level[e] + rise
    own = np.diag(tied.plan.covariance)
    both = own[: tied.legs.knots] + own[tied.legs.knots :]
    inside = chains.variance * np.where(chains.is_open, 1.0, 1.0 - f)
    # rounding leaves less than nothing where nothing is left
    return place, up, np.sqrt(np.maximum(np.maximum(both[s], both[e]) / 2 + inside, 0.0))


def _near(
    place: Floats, up: Floats, spread: Floats, at: Floats, at_up: float
) -> npt.NDArray[np.bool_]:
    """Places that may be one with another, horizontally within four sigma and vertically too."""
    reach = 4 * spread + 0.05
    apart = np.hypot(place[:, 0] - at[0], place[:, 1] - at[1])
    near: npt.NDArray[np.bool_] = (apart < reach) & (np.abs(up - at_up) < reach)
    return near
