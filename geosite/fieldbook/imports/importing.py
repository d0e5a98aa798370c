"""From exports to a field book and a site file, with every guess told and every gap marked."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems
from geosite.base.units import FOOT_M, LENGTH_UNITS, may_be_one_unit
from geosite.fieldbook.imports.columns import read_columns
from geosite.fieldbook.imports.model import (
    DEGREES,
    Answers,
    Question,
    Source,
    Sureness,
    Unit,
    Walked,
    of_degrees,
)
from geosite.fieldbook.imports.site_text import site_text
from geosite.fieldbook.imports.sources import open_sources
from geosite.fieldbook.imports.walks import (
    Baseline,
    Observations,
    baseline_of,
    field_unit,
    gathered,
    lengths,
    mirrored,
    unit_from,
)

__all__ = ["Imported", "import_exports"]

EVEN = 0.02
"""Share by which the baseline may differ between walks before another unit is thought of."""


@dataclass(frozen=True, eq=False)
class Imported:
    """An import that raised no question.

    Parameters
    ----------
    walked
        By source: which column is what.
    found
        The observations.
    baseline
    unit
        Of the field book; ``None`` where nobody said it, which the site file marks as a gap.
    unit_sureness, unit_why
    files
        ``field_book.csv`` and ``site.toml``, by name.
    gaps
        Keys of the site file that stand open.
    passed_over
        Sheets without coordinates, beside others that have them.
    """

    walked: tuple[Walked, ...]
    found: Observations
    baseline: Baseline
    unit: Unit | None
    unit_sureness: Sureness
    unit_why: str
    files: dict[str, bytes]
    gaps: tuple[str, ...]
    passed_over: tuple[str, ...] = ()


def import_exports(paths: Sequence[Path], answers: Answers) -> Imported:
    """Make a field book and a site file of exports.

    Parameters
    ----------
    paths
        Files, each with one walk or with several.
    answers
        What is known besides.

    Returns
    -------
    Imported

    Raises
    ------
    InputError
        A file cannot be read, or the exports leave a question open; all of them, each with the
        option that answers it.
    """
    problems = Problems()
    sources, passed_over = open_sources(paths, answers, problems)
    if len(problems):
        raise InputError(problems.first())
    questions: list[Question] = []
    walked = tuple(_columns(sources, answers, questions))
    _raise(questions)
    for one in walked:
        _ask_for_lengths(one, questions)
    _raise(questions)
    unit, factors, sureness, why = _unit(walked, answers, questions)
    _raise(questions)
    found = gathered(walked, factors, questions)
    _raise(questions)
    baseline = baseline_of(found, answers, questions)
    if baseline is not None:
        _alike(found, baseline, questions)
        unit, factor, sureness, why = _by_length(unit, sureness, why, baseline, answers, questions)
        found, baseline = _scaled(found, factor), _longer(baseline, factor)
    _raise(questions)
    assert baseline is not None
    text, gaps = site_text(found, baseline, unit, answers, tuple(str(p) for p in paths))
    files = {"field_book.csv": _field_book(found), "site.toml": text.encode()}
    return Imported(walked, found, baseline, unit, sureness, why, files, gaps, passed_over)


def _columns(
    sources: Sequence[Source], answers: Answers, questions: list[Question]
) -> list[Walked]:
    found = [read_columns(source, answers, questions) for source in sources]
    return [one for one in found if one is not None]


def _ask_for_lengths(one: Walked, questions: list[Question]) -> None:
    """Ask for other coordinates where x and y are longitude and latitude."""
    flat = one.xyz[:, :2]
    if not len(flat) or (span := float(np.ptp(flat, axis=0).max())) > DEGREES:
        return
    east, north = np.median(flat, axis=0).tolist()
    if max(abs(east), abs(north)) > 10 * span > 0 and abs(east) <= 360 and abs(north) <= 360:
        what = (
            f"x and y span {span:.2g} units near {east:.6g}, {north:.6g}: these look like degrees"
        )
        questions.append(of_degrees(what, one.source.file))


def _raise(questions: Sequence[Question]) -> None:
    if questions:
        raise InputError(
            Problem(q.code, q.what, q.expected, q.answer, q.file, q.line) for q in questions
        )


def _unit(
    walked: Sequence[Walked], answers: Answers, questions: list[Question]
) -> tuple[Unit | None, list[float], Sureness, str]:
    """Return the field book's unit and what each source's numbers are multiplied with."""
    stated = [one.unit for one in walked]
    if answers.unit is not None:
        questions += [
            Question(
                "unit-contradicts",
                f"it says {one.unit[0]} ({one.unit[1]}), you said {answers.unit}",
                "one of the two",
                "leave --unit out, or correct what says it",
                one.source.file,
            )
            for one in walked
            if one.unit is not None
            and not may_be_one_unit(LENGTH_UNITS[one.unit[0]], LENGTH_UNITS[answers.unit])
        ]
        return answers.unit, [1.0] * len(walked), "told", "you said so"
    known = [unit for unit in stated if unit is not None]
    if not known:
        return None, [1.0] * len(walked), "guess", ""
    if len(known) < len(stated):
        silent = next(one for one in walked if one.unit is None)
        if len({unit for unit, _ in known}) > 1:
            questions.append(
                Question(
                    "unit-of-file-open",
                    "it states no unit, and the others state different ones",
                    "the unit of this file",
                    "write it into its headers, such as x [m]",
                    silent.source.file,
                )
            )
    unit, factor = field_unit(known[0][0])
    base = LENGTH_UNITS[known[0][0]] / factor
    factors = [factor if one is None else round(LENGTH_UNITS[one[0]] / base, 15) for one in stated]
    return unit, factors, "sure", known[0][1]


def _alike(found: Observations, baseline: Baseline, questions: list[Question]) -> None:
    """Ask where walks do not agree on the baseline's length, or are mirror images."""
    per_walk = lengths(found, baseline.start, baseline.end)
    names = list(dict.fromkeys(found.runs))
    middle = float(np.median(per_walk))
    for name, length in zip(names, per_walk, strict=True):
        ratio = length / middle if middle else 1.0
        near_foot = min(abs(ratio * FOOT_M - 1), abs(ratio / FOOT_M - 1)) < EVEN
        if near_foot or (len(per_walk) == 2 and abs(ratio - 1) > 5 * EVEN):
            questions.append(
                Question(
                    "baseline-differs",
                    f"the walk {name} has the baseline {baseline.start} to {baseline.end}"
                    f" {length:.4g} units long, {_others(per_walk, length)}",
                    "one length",
                    "was it recorded in another unit? Then write the units into the headers"
                    " (x [ft]), else check the marks' names"
                    if near_foot or _foot_apart(per_walk)
                    else "check the marks' names and the columns of x and y",
                )
            )
            return
    for one, other in mirrored(found):
        questions.append(
            Question(
                "walks-mirrored",
                f"walks {one} and {other} are mirror images of each other",
                "axes that lie alike in every file: seen from above, y to the left of x",
                "x and y have changed places in one of them: import it with its own header, or"
                " turn an axis with --column y=-NAME",
            )
        )
        return


def _others(per_walk: Sequence[float], length: float) -> str:
    rest = [one for one in per_walk if one != length]
    return f"the other{'s' if len(rest) > 1 else ''} {float(np.median(rest)):.4g}"


def _foot_apart(per_walk: Sequence[float]) -> bool:
    ratio = max(per_walk) / max(min(per_walk), 1e-9)
    return abs(ratio * FOOT_M - 1) < EVEN


def _by_length(
    unit: Unit | None,
    sureness: Sureness,
    why: str,
    baseline: Baseline,
    answers: Answers,
    questions: list[Question],
) -> tuple[Unit | None, float, Sureness, str]:
    """Take the unit from the baseline's length, or see whether it agrees with the one stated."""
    if answers.baseline_m is None:
        return unit, 1.0, sureness, why
    known_m, written = answers.baseline_m
    fitting = unit_from(baseline.length, known_m)
    says = f"the exports have the baseline {baseline.length:.5g} units long, you measured {written}"
    if unit is not None:
        size = LENGTH_UNITS[unit]
        if abs(baseline.length * size / known_m - 1) > 0.03:
            questions.append(
                Question(
                    "unit-contradicts",
                    f"{says}, and the unit is {unit} ({why})",
                    "a unit and a length that agree",
                    f"the length would fit {' or '.join(fitting)}: correct the unit or the length"
                    if fitting
                    else "no unit fits: check --baseline-length and the two marks",
                )
            )
        return unit, 1.0, sureness, why
    if len(fitting) != 1:
        questions.append(
            Question(
                "unit-open",
                says,
                "a length that fits one unit",
                "check --baseline-length and the marks of the baseline, or say --unit",
            )
        )
        return None, 1.0, "guess", ""
    known, factor = field_unit(fitting[0])
    return known, factor, "sure", f"the baseline is {written} long"


def _scaled(found: Observations, factor: float) -> Observations:
    if factor == 1.0:
        return found
    xyz = found.xyz * factor
    return Observations(found.runs, found.points, xyz, found.cells, found.split, found.named)


def _longer(baseline: Baseline, factor: float) -> Baseline:
    return Baseline(
        baseline.start, baseline.end, baseline.length * factor, baseline.sureness, baseline.why
    )


def _field_book(found: Observations) -> bytes:
    """Write the observations as a field book."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    extra = ["feature", "code", "segment", "note", *(["time"] if "time" in found.cells else [])]
    writer.writerow(["run", "point", "x", "y", "z", *extra])
    blank = ("",) * len(found.runs)
    columns = [found.cells.get(role, blank) for role in extra]
    for row, (run, point) in enumerate(zip(found.runs, found.points, strict=True)):
        # nine digits keep a micrometre in a kilometre
        numbers = [f"{value + 0.0:.10g}" for value in found.xyz[row].tolist()]
        writer.writerow([run, point, *numbers, *(column[row] for column in columns)])
    return out.getvalue().encode()
