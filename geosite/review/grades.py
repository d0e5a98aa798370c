"""Grades along a line and across it, held against limit sets with their accuracy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding, InputError, Problem
from geosite.fieldbook import sitefile
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.covariance import sigma
from geosite.network.model import LinearForm, Network
from geosite.review.limits import CAUTION, LimitSet, judge
from geosite.terrain.ground import Ground

__all__ = [
    "Grade",
    "Polyline",
    "check_grades",
    "grade_findings",
    "grade_lines",
    "place_on",
    "polyline",
    "refuse_dense",
]

Check = Literal["running", "cross", "rise per run", "landing slope", "landing length"]


@dataclass(frozen=True, eq=False)
class Polyline:
    """A walked line as a linear function of its marks.

    Parameters
    ----------
    name
        Name of the line.
    rows : array, shape (m,)
        Observations along it.
    names : length m
        Mark names, empty for unnamed ones.
    chainage : array, shape (m,), ground metres
        Distance along the line; along the arc where two marks are joined by one.
    """

    name: str
    rows: Ints
    names: tuple[str, ...]
    chainage: Floats


@dataclass(frozen=True, eq=False)
class Grade:
    """One check of one stretch of a line.

    Parameters
    ----------
    line, limits
        Name of the line and of the limit set.
    check
        What is held against the limit.
    start, end
        Marks or stations of the stretch.
    start_m, end_m
        Chainage, ground metres.
    value, sigma, limit
        Percent for slopes, metres for rises and lengths; a limit of ``None``: the set has none.
    section
        Section of the standard.
    verdict, extra_observations
        See `geosite.review.limits.Verdict`.
    line_en : array, shape (2, 3)
        The stretch, easting, northing (local grid metres) and elevation (metres).
    """

    line: str
    limits: str
    check: Check
    start: str
    end: str
    start_m: float
    end_m: float
    value: float
    sigma: float
    limit: float | None
    section: str
    verdict: Literal["within", "beyond", "undecided", "no limit"]
    extra_observations: int | None
    line_en: Floats

    @property
    def unit(self) -> str:
        """Unit of value, sigma and limit."""
        return "m" if self.check in ("rise per run", "landing length") else "percent"


def polyline(
    name: str,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    *,
    feature: str | None,
    marks: Sequence[str],
) -> Polyline:
    """Return the line through a feature's marks, or through marks by name.

    Raises
    ------
    InputError
        The feature or a mark does not exist, both or neither are given, or fewer than two places.
    """

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, f"line {name}: {what}", expected, remedy, notes.site_file))

    book = notes.book
    if (feature is None) == (not marks):
        raise refuse(
            "line-of-what",
            "it has both a feature and marks" if marks else "it has neither a feature nor marks",
            "either feature = or marks =",
            "give one of them",
        )
    factor = network.frame.combined_factor
    if feature is not None:
        drawn = next((f for f in drawing.features if f.name == feature), None)
        if drawn is None:
            raise refuse(
                "line-no-feature",
                f"feature {feature} is not in the field book",
                f"one of {', '.join(f.name for f in drawing.features) or 'none'}",
                "correct the name",
            )
        rows = drawn.rows
    else:
        first = {book.marks[m]: i for i, m in reversed(list(enumerate(book.mark))) if m >= 0}
        missing = [m for m in marks if m not in first]
        if missing:
            raise refuse(
                "line-no-mark",
                f"mark {', '.join(missing)} is not in the field book",
                "names of marks in the field book",
                "correct the name",
            )
        drawn, rows = None, np.array([first[m] for m in marks])
    places = network.en[rows]
    lengths = np.hypot(*np.diff(places, axis=0).T) / factor
    if drawn is not None:
        lengths = _along_arcs(lengths, rows, drawn.pieces, network, factor)
    keep = np.concatenate([[True], lengths > 1e-6])
    rows = rows[keep]
    if len(rows) < 2:
        raise refuse(
            "line-too-short",
            "it has fewer than two places",
            "two marks or more",
            "name more marks",
        )
    chainage = np.concatenate([[0.0], np.cumsum(lengths[lengths > 1e-6])])
    names = tuple(book.marks[book.mark[r]] if book.mark[r] >= 0 else "" for r in rows)
    return Polyline(name, rows, names, chainage)


def _along_arcs(
    lengths: Floats, rows: Ints, pieces: Sequence[object], network: Network, factor: float
) -> Floats:
    from geosite.linework.model import Piece

    longer = lengths.copy()
    for piece in pieces:
        if not isinstance(piece, Piece) or piece.kind != "arc" or piece.radius is None:
            continue
        on_arc = set(map(int, piece.rows))
        for k in range(len(rows) - 1):
            if int(rows[k]) in on_arc and int(rows[k + 1]) in on_arc:
                chord = lengths[k] * factor
                half = min(chord / (2 * piece.radius), 1.0)
                longer[k] = 2 * piece.radius * np.arcsin(half) / factor
    return longer


MOST_STATIONS = 20_000


def refuse_dense(name: str, key: str, length: float, interval: float) -> None:
    """Refuse an interval that would make more stations than anybody reads.

    Raises
    ------
    InputError
        With the number it would make and the interval that would do.
    """
    if length / interval > MOST_STATIONS:
        raise InputError(
            Problem(
                "interval-too-small",
                f"{name}: {key} = {interval:g} m makes {length / interval:.0f} stations "
                f"on {length:.1f} m",
                f"at most {MOST_STATIONS}",
                f"use {length / MOST_STATIONS * 1.01:.2g} m or more",
            )
        )


def place_on(line: Polyline, network: Network, at: float) -> tuple[Floats, LinearForm]:
    """Return easting, northing, elevation at a chainage, and the form of the elevation."""
    k = int(np.clip(np.searchsorted(line.chainage, at, side="right") - 1, 0, len(line.rows) - 2))
    span = line.chainage[k + 1] - line.chainage[k]
    t = float(np.clip((at - line.chainage[k]) / span, 0.0, 1.0))
    a, b = line.rows[k], line.rows[k + 1]
    place = np.append(
        (1 - t) * network.en[a] + t * network.en[b],
        (1 - t) * network.elevation[a] + t * network.elevation[b],
    )
    zero = np.zeros(2)
    return place, LinearForm(np.array([a, b]), zero, zero, np.array([1 - t, t]))


def _length_form(line: Polyline, network: Network, start: float, end: float) -> LinearForm:
    """Return the form of the ground length between two chainages."""
    low = np.maximum(line.chainage[:-1], start)
    high = np.minimum(line.chainage[1:], end)
    share = np.maximum(high - low, 0.0) / np.diff(line.chainage)
    met = np.flatnonzero(share > 0)
    legs = np.diff(network.en[line.rows], axis=0)[met]
    unit = legs / np.hypot(*legs.T)[:, None] * share[met, None] / network.frame.combined_factor
    rows = np.concatenate([line.rows[met], line.rows[met + 1]])
    pull = np.concatenate([-unit, unit])
    return LinearForm(rows, pull[:, 0], pull[:, 1], np.zeros(len(rows)))


def _label(line: Polyline, at: float) -> str:
    k = int(np.argmin(np.abs(line.chainage - at)))
    if abs(line.chainage[k] - at) < 1e-6 and line.names[k]:
        return line.names[k]
    return f"{at:.2f} m"


def _verdict(
    value: float, spread: float, limit: float | None, *, at_least: bool = False
) -> tuple[Literal["within", "beyond", "undecided", "no limit"], int | None]:
    if limit is None:
        return "no limit", None
    told = judge(abs(value), spread, limit, at_least=at_least)
    return told.verdict, told.extra_observations


def check_grades(
    line: Polyline,
    network: Network,
    ground: Ground | None,
    limits: LimitSet,
    limits_name: str,
    *,
    width: float = 1.2,
    station: float | None = None,
) -> tuple[Grade, ...]:
    """Measure and judge the grades of one line.

    Parameters
    ----------
    line, network
        The line and the adjusted survey.
    ground
        Triangles between the marks, for the cross slope; without it no cross slope.
    limits, limits_name
        What to hold the grades against.
    width
        Over which the cross slope is taken, ground metres.
    station
        Distance between stations, ground metres; without it the marks are the stations.

    Returns
    -------
    tuple of Grade
        Running slopes first, then cross slopes, then rises per run and landings, by chainage.

    Notes
    -----
    A grade is rise / length, both linear in the marks to first order, so its variance is that of
    one linear form with the covariance of rise and length in it.
    """
    stations = line.chainage
    if station is not None:
        refuse_dense(line.name, "station", line.chainage[-1], station)
        steps = np.arange(0.0, line.chainage[-1], station)
        stations = np.append(steps[line.chainage[-1] - steps > station * 1e-6], line.chainage[-1])
    running = [_running(line, network, limits, limits_name, a, b) for a, b in pairwise(stations)]
    found = list(running)
    if ground is not None:
        for a, b in pairwise(stations):
            grade = _cross(line, network, ground, limits, limits_name, a, b, width)
            if grade is not None:
                found.append(grade)
    if limits.rise_per_run is not None:
        found += _runs(line, network, limits, limits_name, running)
    return tuple(found)


def _running(
    line: Polyline, network: Network, limits: LimitSet, name: str, a: float, b: float
) -> Grade:
    (start, up_a), (end, up_b) = place_on(line, network, a), place_on(line, network, b)
    length, rise = b - a, end[2] - start[2]
    form = (up_b + up_a * -1.0) * (1 / length)
    form = form + _length_form(line, network, a, b) * (-rise / length**2)
    spread = sigma(network, form)
    limit = limits.running
    bound = None if limit is None else limit.slope
    verdict, extra = _verdict(rise / length, spread, bound)
    return Grade(
        line.name,
        name,
        "running",
        _label(line, a),
        _label(line, b),
        float(a),
        float(b),
        100 * rise / length,
        100 * spread,
        None if bound is None else 100 * bound,
        "" if limit is None else limit.section,
        verdict,
        extra,
        np.array([start, end]),
    )


def _cross(
    line: Polyline,
    network: Network,
    ground: Ground,
    limits: LimitSet,
    name: str,
    a: float,
    b: float,
    width: float,
) -> Grade | None:
    middle, _ = place_on(line, network, (a + b) / 2)
    before, _ = place_on(line, network, a)
    after, _ = place_on(line, network, b)
    along = (after - before)[:2]
    if np.hypot(*along) == 0:
        return None
    aside = np.array([-along[1], along[0]]) / np.hypot(*along)
    half = aside * width / 2 * network.frame.combined_factor
    left, right = ground.at([middle[:2] + half, middle[:2] - half])
    if left is None or right is None:
        return None
    slope = (left.elevation - right.elevation) / width
    spread = sigma(network, (left.form + right.form * -1.0) * (1 / width))
    limit = limits.cross
    bound = None if limit is None else limit.slope
    verdict, extra = _verdict(slope, spread, bound)
    ends = np.array(
        [[*(middle[:2] + half), left.elevation], [*(middle[:2] - half), right.elevation]]
    )
    return Grade(
        line.name,
        name,
        "cross",
        _label(line, a),
        _label(line, b),
        float(a),
        float(b),
        100 * slope,
        100 * spread,
        None if bound is None else 100 * bound,
        "" if limit is None else limit.section,
        verdict,
        extra,
        ends,
    )


def _runs(
    line: Polyline,
    network: Network,
    limits: LimitSet,
    name: str,
    running: Sequence[Grade],
) -> list[Grade]:
    """Split the line into landings and the runs between them, and judge both."""
    assert limits.rise_per_run is not None
    flat = limits.landing.slope * 100 if limits.landing is not None else 0.0
    found: list[Grade] = []

    def add(check: Check, part: Sequence[Grade]) -> None:
        a, b = part[0].start_m, part[-1].end_m
        (start, up_a), (end, up_b) = place_on(line, network, a), place_on(line, network, b)
        at_least = check == "landing length"
        if check == "rise per run":
            limit = limits.rise_per_run
            value = float(end[2] - start[2])
            spread = sigma(network, up_b + up_a * -1.0)
        elif check == "landing length" and limits.landing_length is not None:
            limit = limits.landing_length
            value = b - a
            spread = sigma(network, _length_form(line, network, a, b))
        else:
            return
        assert limit is not None
        verdict, extra = _verdict(value, spread, limit.metres, at_least=at_least)
        found.append(
            Grade(
                line.name,
                name,
                check,
                part[0].start,
                part[-1].end,
                a,
                b,
                value,
                spread,
                limit.metres,
                limit.section,
                verdict,
                extra,
                np.array([start, end]),
            )
        )

    part: list[Grade] = []
    for grade in running:
        level = abs(grade.value) <= flat
        if part and (abs(part[-1].value) <= flat) != level:
            add("landing length" if not level else "rise per run", part)
            part = []
        part.append(grade)
    if part:
        add("landing length" if abs(part[-1].value) <= flat else "rise per run", part)
    return found


def grade_lines(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
    sets: Mapping[str, LimitSet],
) -> tuple[Grade, ...]:
    """Measure and judge every line of ``[grades.lines]``.

    Raises
    ------
    InputError
        A line names a feature, a mark or a limit set that does not exist; all of them together.
    """
    problems: list[Problem] = []
    found: list[Grade] = []
    for name, wanted in notes.site.grades.lines.items():
        try:
            with notes.asked("grades", "lines", name):
                found += _graded(name, wanted, notes, network, drawing, ground, sets)
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return tuple(found)


def _graded(
    name: str,
    wanted: sitefile.GradeLine,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
    sets: Mapping[str, LimitSet],
) -> tuple[Grade, ...]:
    if wanted.limits not in sets:
        raise InputError(
            Problem(
                "limits-unknown",
                f"line {name}: there is no limit set {wanted.limits}",
                f"one of {', '.join(sorted(sets))}",
                "correct the name or give your own set in [grades] limits_file",
                notes.site_file,
            )
        )
    line = polyline(name, notes, network, drawing, feature=wanted.feature, marks=wanted.marks)
    return check_grades(
        line,
        network,
        ground,
        sets[wanted.limits],
        wanted.limits,
        width=wanted.width,
        station=wanted.station,
    )


def grade_findings(grades: Sequence[Grade]) -> tuple[Finding, ...]:
    """Say per line and check what was found, worst first, in a contractor's words."""
    found: list[Finding] = []
    for line in dict.fromkeys(g.line for g in grades):
        for check in dict.fromkeys(g.check for g in grades if g.line == line):
            mine = [g for g in grades if g.line == line and g.check == check]
            beyond = [g for g in mine if g.verdict == "beyond"]
            open_ = [g for g in mine if g.verdict == "undecided"]
            if not beyond and not open_:
                continue
            worst = max(beyond or open_, key=lambda g: abs(g.value) - (g.limit or 0.0))
            unit = "%" if worst.unit == "percent" else " m"
            what = (
                f"{check} {abs(worst.value):.2f}{unit} +/- {1.96 * worst.sigma:.2f}{unit} (95 %) "
                f"from {worst.start} to {worst.end} against {worst.limit:.2f}{unit}"
                + (f" (section {worst.section})" if worst.section else "")
            )
            if beyond:
                text = f"{line}: beyond the limit: {what}. {CAUTION}"
                found.append(Finding("look", "grade-beyond", text))
            else:
                needed = [g.extra_observations for g in open_]
                most = max((n for n in needed if n), default=0)
                each = "it" if len(open_) == 1 else "each"
                more = (
                    f"{most} more measurements of {each} would decide"
                    if all(needed)
                    else "no reasonable number of measurements would decide"
                    + (" all of them" if most else "")
                )
                parts = f" in {len(open_)} places, the worst" if len(open_) > 1 else ""
                text = f"{line}: undecided at this accuracy{parts}: {what}; {more}. {CAUTION}"
                found.append(Finding("look", "grade-undecided", text))
    return tuple(found)
