"""Walks, marks and baseline of an export, from what the data show: visits that coincide."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.units import LENGTH_UNITS, UNIT_M
from geosite.fieldbook.imports.model import Answers, Question, Sureness, Unit, Walked

__all__ = [
    "Baseline",
    "Observations",
    "baseline_of",
    "field_unit",
    "gathered",
    "lengths",
    "mirrored",
    "unit_from",
]

ORIGIN = 1e-9
"""A walk starts at its own origin: nearer than this to nought in every axis."""
SHARE = 0.03
"""Of the way walked, what a device may drift until it is back."""
_STEADY = 3.0
"""Times the usual step that a step of a steady walk may be long."""
LEAST_SPAN = 0.02
"""Of the extent: what two looks at one mark may differ anyhow."""


@dataclass(frozen=True, eq=False)
class Observations:
    """Every observation of every source, in walking order.

    Parameters
    ----------
    runs : tuple of str, length n
        Walk of each observation.
    points : tuple of str, length n
        Mark, blank for none.
    xyz : array, shape (n, 3)
        In one unit.
    cells
        Feature, code, segment, note and time of each observation, blank for none.
    split
        How the walks were told apart, in words; blank where the exports say it.
    named
        Whether marks were named by their place, for want of a column.
    """

    runs: tuple[str, ...]
    points: tuple[str, ...]
    xyz: Floats
    cells: Mapping[str, tuple[str, ...]]
    split: str
    named: bool


@dataclass(frozen=True, slots=True)
class Baseline:
    """The two marks that every walk visits.

    Parameters
    ----------
    start, end
    length
        Mean of all walks, in the unit of the observations.
    sureness, why
    """

    start: str
    end: str
    length: float
    sureness: Sureness
    why: str


def gathered(
    walked: Sequence[Walked], factors: Sequence[float], questions: list[Question]
) -> Observations:
    """Put the observations of all sources one after the other.

    Parameters
    ----------
    walked
    factors
        What the numbers of each source are multiplied with.
    questions
        Receives what stays open.
    """
    runs: list[str] = []
    points: list[str] = []
    parts: list[Floats] = []
    cells: dict[str, list[str]] = {r: [] for r in ("feature", "code", "segment", "note", "time")}
    split, named = "", False
    for one, factor in zip(walked, factors, strict=True):
        xyz = one.xyz * factor
        count = len(xyz)
        names = one.cells.get("point")
        if names is None:
            names, named = _by_place(xyz, one, len(walked) > 1), True
        labels = one.cells.get("run")
        if labels is None:
            starts, how = _starts(one, xyz, names, questions)
            number = np.searchsorted(starts, np.arange(count), side="right")
            several = len(starts) > 1
            labels = tuple(f"{one.source.label}{f'-{n}' if several else ''}" for n in number)
            split = how if several else split
        elif len(walked) > 1 and set(labels) & set(runs):
            labels = tuple(f"{one.source.label}-{name}" for name in labels)
        runs += labels
        points += names
        parts.append(xyz)
        for role, column in cells.items():
            column += one.cells.get(role, ("",) * count)
    return Observations(
        tuple(runs),
        tuple(points),
        np.concatenate(parts),
        {role: tuple(column) for role, column in cells.items() if any(column)},
        split,
        named,
    )


def _way(xyz: Floats) -> Floats:
    """Return the way walked up to each observation."""
    steps = np.sqrt((np.diff(xyz, axis=0) ** 2).sum(axis=1))
    return np.concatenate([[0.0], np.cumsum(steps)])


def _revisits(xyz: Floats, names: Sequence[str], rows: Ints) -> list[tuple[int, int]]:
    seen: dict[str, int] = {}
    pairs = []
    for row in rows.tolist():
        if names[row]:
            if names[row] in seen:
                pairs.append((seen[names[row]], row))
            seen[names[row]] = row
    return pairs


def _apart(xyz: Floats, way: Floats, pair: tuple[int, int]) -> float:
    """Return how far two looks at a mark differ, as a multiple of what drift may explain."""
    one, other = pair
    extent = float(np.ptp(xyz[:, :2], axis=0).max())
    allowed = SHARE * float(way[other] - way[one]) + LEAST_SPAN * extent
    return float(np.linalg.norm(xyz[other] - xyz[one])) / max(allowed, 1e-12)


def _passes(xyz: Floats, row: int) -> bool:
    """Whether a row at the origin lies in a steady walk: a step from the row before and after."""
    if not 0 < row < len(xyz) - 1:
        return False
    steps = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    # where somebody stands there is no step
    usual = float(np.median(steps[steps > ORIGIN])) if (steps > ORIGIN).any() else 0.0
    there_and_on = steps[row - 1 : row + 1]
    return bool((there_and_on > ORIGIN).all() and (there_and_on <= _STEADY * usual).all())


def _starts(
    one: Walked, xyz: Floats, names: Sequence[str], questions: list[Question]
) -> tuple[Ints, str]:
    """Return the rows at which a walk starts, and how that was seen."""
    rows = np.arange(len(xyz))
    way = _way(xyz)
    origin = np.flatnonzero((np.abs(xyz) < ORIGIN).all(axis=1))
    nought = "where coordinates start at nought again"
    # a recording that passes its origin without a jump is still the same walk, if that fits
    jumped = [row for row in origin.tolist() if not _passes(xyz, row)]
    offers = (
        (np.array(sorted({0, *one.breaks})), "empty lines, titles and headers between them"),
        (np.array(sorted({0, *jumped})), nought),
        (np.array(sorted({0, *origin.tolist()})), nought),
    )
    blocks, how = offers[0]
    if len(blocks) > 1 and (xyz[blocks] == xyz[0]).all():
        # to the last digit: a recording that begins there again, no look at the mark from a walk
        return blocks, how
    whole = max((_apart(xyz, way, p) for p in _revisits(xyz, names, rows)), default=0.0)
    if whole <= 1.0:
        # nothing contradicts one walk
        return np.array([0]), ""
    for starts, how in offers:
        if len(starts) < 2:
            continue
        pieces = np.split(rows, starts[1:])
        worst = max(
            (_apart(xyz, way, p) for piece in pieces for p in _revisits(xyz, names, piece)),
            default=0.0,
        )
        if worst <= 1.0:
            return starts, how
    pair = max(_revisits(xyz, names, rows), key=lambda p: _apart(xyz, way, p))
    off = float(np.linalg.norm(xyz[pair[1]] - xyz[pair[0]]))
    questions.append(
        Question(
            "walks-open",
            f"mark {names[pair[0]]} is seen again {off:.4g} units from where line"
            f" {one.lines[pair[0]]} has it, too far for one walk, and nothing shows where another"
            " walk begins",
            "the walk of each row",
            "say --column run=NAME if a column names it, leave an empty line between the walks, or"
            " correct the mark's name",
            one.source.file,
            one.lines[pair[1]],
        )
    )
    return np.array([0]), ""


def _by_place(xyz: Floats, one: Walked, several: bool) -> tuple[str, ...]:
    """Name marks by their place: looks that coincide are the same mark.

    The first two observations of a walk are its baseline; only they are looked for again, since
    two neighbouring marks may be nearer to each other than the device drifts.
    """
    way = _way(xyz)
    prefix = f"{one.source.label}-" if several else ""
    names = [f"{prefix}{i - 1}" for i in range(len(xyz))]
    names[: min(2, len(xyz))] = ["B1", "B2"][: len(xyz)]
    reach = float(np.linalg.norm(xyz[1, :2] - xyz[0, :2])) / 3 if len(xyz) > 1 else 0.0
    for first, name in enumerate(("B1", "B2")[: len(xyz)]):
        for row in range(2, len(xyz)):
            near = float(np.linalg.norm(xyz[row] - xyz[first])) < reach
            if near and _apart(xyz, way, (first, row)) < 0.5:
                names[row] = name
    return tuple(names)


def baseline_of(
    found: Observations, answers: Answers, questions: list[Question]
) -> Baseline | None:
    """Return the baseline: what was said, or the two marks that every walk visits.

    Examples
    --------
    >>> import numpy as np
    >>> places = np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 1.0]])
    >>> found = Observations(("R1", "R1"), ("B1", "B2"), places, {}, "", False)
    >>> told = baseline_of(found, Answers(baseline=("B1", "B2")), [])
    >>> told.length, told.why
    (5.0, 'you said so')
    """
    runs = list(dict.fromkeys(found.runs))
    # how often each walk visits which mark, in the order of the first visits
    visited: dict[str, Counter[str]] = {run: Counter() for run in runs}
    for run, point in zip(found.runs, found.points, strict=True):
        if point:
            visited[run][point] += 1
    common = [mark for mark in visited[runs[0]] if all(mark in visited[run] for run in runs)]
    if answers.baseline is not None:
        missing = [m for m in answers.baseline if m not in common]
        if missing:
            questions.append(
                Question(
                    "baseline-unseen",
                    f"not every walk visits {' and '.join(missing)}",
                    f"two marks that every walk visits ({', '.join(common[:10]) or 'none does'})",
                    "correct --baseline, or walk again over both marks",
                )
            )
            return None
        return _measured(found, *answers.baseline, "told", "you said so")
    pair: tuple[str, str] | None = None
    why = "the only marks that every walk visits"
    sureness: Sureness = "sure"
    if len(runs) > 1 and len(common) == 2:
        pair = common[0], common[1]
    else:
        starts = {tuple(itertools.islice(visited[run], 2)) for run in runs}
        first = {frozenset(s) for s in starts}
        if len(first) == 1 and len(next(iter(starts))) == 2:
            one, other = itertools.islice(visited[runs[0]], 2)
            pair = one, other
            again = all(visited[run][m] > 1 for run in runs for m in pair)
            why = "every walk starts with them" + (" and comes back to both" if again else "")
            sureness = "sure" if again and len(runs) > 1 else "likely"
    if pair is None:
        questions.append(
            Question(
                "baseline-open",
                f"the walks share {', '.join(common[:10]) or 'no mark'}",
                "the two marks that every walk visits, the baseline",
                "say for example --baseline "
                + (",".join(common[:2]) if len(common) > 1 else "B1,B2")
                + ("" if len(common) > 1 else ", or walk again over both marks"),
            )
        )
        return None
    return _measured(found, *pair, sureness, why)


def _measured(found: Observations, start: str, end: str, sureness: Sureness, why: str) -> Baseline:
    return Baseline(start, end, float(np.mean(lengths(found, start, end))), sureness, why)


def lengths(found: Observations, start: str, end: str) -> list[float]:
    """Return the baseline's length in plan, once for each walk, in walking order.

    Examples
    --------
    >>> import numpy as np
    >>> places = np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 1.0]])
    >>> found = Observations(("R1", "R1"), ("B1", "B2"), places, {}, "", False)
    >>> lengths(found, "B1", "B2")
    [5.0]
    """
    seen: dict[str, dict[str, int]] = {}
    for row, (run, point) in enumerate(zip(found.runs, found.points, strict=True)):
        seen.setdefault(run, {}).setdefault(point, row)
    return [
        math.dist(found.xyz[at[start], :2], found.xyz[at[end], :2])
        for at in seen.values()
        if start in at and end in at
    ]


def unit_from(length: float, known_m: float) -> list[str]:
    """Return the units in which a length agrees with its measured value to 3 percent.

    Parameters
    ----------
    length
        In an unknown unit.
    known_m
        Metres.

    Examples
    --------
    >>> unit_from(32.8, 10.0), unit_from(10.0, 10.0), unit_from(20.0, 10.0)
    (['ft'], ['m'], [])
    """
    return [
        unit
        for unit, size in LENGTH_UNITS.items()
        if unit != "ftUS" and abs(length * size / known_m - 1) < 0.03
    ]


def mirrored(found: Observations) -> list[tuple[str, str]]:
    """Return pairs of walks of which one is the mirror image of the other, by three common marks.

    Two axes that changed places, or one that points the other way, make a mirror image.

    Examples
    --------
    The second walk's y points the other way:

    >>> import numpy as np
    >>> corner = np.array([[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 3.0, 0.0]])
    >>> both = np.vstack([corner, corner * [1, -1, 1]])
    >>> found = Observations(("R1",) * 3 + ("R2",) * 3, ("A", "B", "C") * 2, both, {}, "", False)
    >>> mirrored(found)
    [('R1', 'R2')]
    """
    first: dict[str, dict[str, Floats]] = {}
    for run, point, at in zip(found.runs, found.points, found.xyz, strict=True):
        if point:
            first.setdefault(run, {}).setdefault(point, at[:2])
    pairs = []
    for one, other in itertools.combinations(first, 2):
        common = [mark for mark in first[one] if mark in first[other]]
        if len(common) < 3:
            continue
        signs = []
        for three in itertools.islice(itertools.combinations(common, 3), 200):
            turns = [_turn(*(first[run][mark] for mark in three)) for run in (one, other)]
            # nearly in line tells nothing
            if min(map(abs, turns)) > 0.04:
                signs.append(turns[0] * turns[1] > 0)
        if signs and sum(signs) < len(signs) / 2:
            pairs.append((one, other))
    return pairs


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    """Return twice the area of a triangle over its longest side squared, left turn positive."""
    longest = max(math.dist(p, q) for p, q in ((a, b), (b, c), (c, a)))
    area = float((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]))
    return area / longest**2 if longest else 0.0


def field_unit(unit: str) -> tuple[Unit, float]:
    """Return the unit of the field book for a unit of an export, and what to multiply with.

    Examples
    --------
    >>> field_unit("ft"), field_unit("cm")
    (('ft', 1.0), ('m', 0.01))
    """
    for known in UNIT_M:
        if unit == known:
            return known, 1.0
    if unit in ("in", "yd"):
        return "ft", round(LENGTH_UNITS[unit] / LENGTH_UNITS["ft"], 12)
    return "m", LENGTH_UNITS[unit]
