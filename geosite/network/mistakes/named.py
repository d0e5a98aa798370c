"""Mistakes with a name that may explain the misclosures of one network.

A mistake with a name (a run mirrored, in another unit, names exchanged, a sign lost) has nothing
free to fit: the field book is corrected for it and tied again, and it is believed when that
explains the misclosures as well as an unknown amount would.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.network.mistakes.facts import CLEAR, NEARLY, Fit, Judge, Mistake
from geosite.network.mistakes.signs import REVERSED, twice_a_leg
from geosite.network.mistakes.suspects import (
    Refined,
    Suspect,
    leg_rows,
    refine,
    rough_places,
    rows_from,
)
from geosite.network.tie_runs import Tied, first_visits
from geosite.network.walk.runs import sum_at

__all__ = ["Named"]

RUNS_TRIED = 6
SAME = 1e-9
"""Sums of squares that differ by this share of themselves are the same but for rounding."""


@dataclass(frozen=True, eq=False)
class _Trial:
    mistake: Mistake
    squares: float


class Named:
    """Mistakes with a name that may explain the misclosures of one network."""

    def __init__(
        self,
        fit: Fit,
        tied: Tied,
        squares: float,
        redundancy: int,
        baseline: tuple[str, str],
        suspects: list[Suspect],
        judge: Judge,
    ) -> None:
        self.judge = judge
        self.fit, self.tied, self.baseline = fit, tied, baseline
        self.squares, self.redundancy, self.suspects = squares, redundancy, suspects
        self.book = tied.book

    def best(self, better: Refined | None, only_runs: bool = False) -> Mistake | None:
        """Return the named mistake that explains the misclosures best, if it does so well.

        That is as well as the leg or visit without a name that explains them best, `better`.
        """
        sources = [self.whole_runs]
        if not only_runs:
            sources += [self.baseline_pairs, self.signs, self.names]
        trials = [trial for source in sources for trial in source()]
        if not trials:
            return None
        trials.sort(key=lambda trial: trial.squares)
        # of what explains exactly as much, names: a run of two marks looks the same upside down and
        # with their names exchanged, and names are exchanged more often than devices turned over
        best = min(
            (t for t in trials if t.squares <= trials[0].squares * (1 + SAME) + SAME),
            key=lambda trial: trial.mistake.kind.startswith("run-"),
        )
        noise = self.judge.noise(best.squares, self.redundancy)
        unnamed = 0.0 if better is None else self.squares - better.left
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
            # told in the order of the lines, in whatever order the runs are tried
            mistake, *alike = sorted([mistake, *alike], key=self.place)
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

    def place(self, mistake: Mistake) -> tuple[tuple[int, ...], str]:
        """Return the lines of a mistake, and its run."""
        return tuple(self.book.line[list(mistake.rows)].tolist()), mistake.run

    def trial(self, mistake: Mistake) -> _Trial:
        """Tie the field book without a mistake."""
        try:
            squares = self.fit(mistake.corrected)[1]
        except np.linalg.LinAlgError:
            squares = math.inf  # what leaves a mark without any place explains nothing
        return _Trial(mistake, squares)

    def suspicious_runs(self) -> list[int]:
        """Return the runs with the largest share of the misclosures, largest first."""
        walk, runs = self.tied.walk, len(self.book.runs)
        by_run = np.zeros(runs)
        for part in (self.tied.plan, self.tied.heights):
            by_run += sum_at(walk.leg_run, part.legs.squares, runs)
            if part.visits is not None:
                by_run += sum_at(walk.run[walk.nodes].astype(np.int64), part.visits.squares, runs)
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
                yield self.trial(Mistake(kind, run, replace(book, local=local)))
            if run == "every run":
                continue
            number = book.runs.index(run)
            for factor in (0.3048, 1 / 0.3048):
                # feet taken for metres make the run 3.28 times as long as the others
                if 2 / 3 < lengths[number] * factor < 3 / 2:
                    local = book.local.copy()
                    local[rows] *= factor
                    detail = "feet" if factor < 1 else "metres"
                    other = Mistake("run-unit", run, replace(book, local=local), detail=detail)
                    yield self.trial(other)
            if len(book.runs) > 1:
                a, b = (book.marks.index(name) for name in self.baseline)
                mark = book.mark.copy()
                mark[rows & (book.mark == a)] = b
                mark[rows & (book.mark == b)] = a
                swapped = replace(book, mark=mark)
                yield self.trial(Mistake("baseline-swapped", run, swapped, marks=self.baseline))

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
        """Try two rows with their names exchanged."""
        book = self.book
        mark = book.mark.copy()
        mark[[first, second]] = mark[[second, first]]
        names = tuple(book.marks[book.mark[row]] for row in sorted((first, second)))
        if set(names) == set(self.baseline):
            kind = "baseline-swapped"
        return self.trial(
            Mistake(
                kind,
                book.runs[book.run[first]],
                replace(book, mark=mark),
                rows=tuple(sorted((first, second))),
                marks=names,
            )
        )

    def signs(self) -> Iterator[_Trial]:
        """Try legs written with the wrong sign: the error is twice the leg."""
        book = self.book
        for suspect in [s for s in self.suspects if not s.visit and s.test > CLEAR][:4]:
            better = refine(self.fit, self.tied, suspect)
            legs = [] if better is None else twice_a_leg(self.tied, better, REVERSED)
            if better is None or not legs or self.squares - better.left - legs[0].misfit < CLEAR:
                continue
            best = legs[0]
            local = book.local.copy()
            row, next_row = best.rows
            after = rows_from(self.tied, next_row)
            local[after] -= 2 * (book.local[next_row] - book.local[row]) * REVERSED[best.axes]
            # a level leg fits with z and without
            alike = dict.fromkeys(
                o.rows for o in legs if o.misfit < best.misfit + 6 and o.rows != best.rows
            )
            yield self.trial(
                Mistake(
                    "leg-sign",
                    book.runs[book.run[row]],
                    replace(book, local=local),
                    rows=best.rows,
                    error=suspect.error,
                    detail=best.axes,
                    others=tuple(alike),
                )
            )

    def names(self) -> Iterator[_Trial]:
        """Try visits that are really at another mark: a wrong name, or two exchanged."""
        book, tied = self.book, self.tied
        tried: set[tuple[int, int]] = set()
        ends = [leg_rows(tied, s.leg) for s in self.suspects[:8] if s.test >= CLEAR]
        visits = sorted({row for pair in ends for row in pair})
        for first, second in combinations(visits, 2):
            if book.run[first] == book.run[second] and book.mark[first] != book.mark[second]:
                tried.add((first, second))
                yield self.exchange(first, second)
        for suspect in self.suspects[:8]:
            if suspect.test < CLEAR:
                continue
            leg = leg_rows(tied, suspect.leg)
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
        place, up, spread = rough_places(tied)
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
                Mistake(
                    "name-wrong",
                    book.runs[run],
                    replace(book, mark=mark),
                    rows=(row,),
                    marks=(name, book.marks[real]),
                )
            )


def _near(
    place: Floats, up: Floats, spread: Floats, at: Floats, at_up: float
) -> npt.NDArray[np.bool_]:
    """Places that may be one with another, horizontally within four sigma and vertically too."""
    reach = 4 * spread + 0.05
    apart = np.hypot(place[:, 0] - at[0], place[:, 1] - at[1])
    near: npt.NDArray[np.bool_] = (apart < reach) & (np.abs(up - at_up) < reach)
    return near
