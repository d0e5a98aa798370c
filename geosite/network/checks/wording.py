"""What a survey is refused for in a contractor's words, each with the line it comes from."""

from __future__ import annotations

from collections.abc import Sequence

from geosite.base.errors import Finding, Problem
from geosite.base.exact_numbers import fixed
from geosite.base.units import plural
from geosite.fieldbook.model import Notes
from geosite.network.checks.facts import (
    WORST_KNOWN,
    JudgedLength,
    LoopByDevice,
    LoopByRatio,
    LooseMark,
    NoPlace,
    Reduction,
    SamePlace,
    ShortBaseline,
    UnitMistake,
)
from geosite.reading.toml_lines import line_of

__all__ = ["baseline_problem", "control_problem", "length_told", "loops_told", "no_place_problem"]

Told = tuple[list[Problem], list[Finding]]
"""What is refused, and what is to be looked at."""


def control_problem(notes: Notes, fault: LooseMark | SamePlace) -> Problem:
    """Say why a known mark cannot hold the survey."""
    if isinstance(fault, LooseMark):
        return Problem(
            "anchor-sigma",
            f"mark {fault.mark} is known to {fault.sigma_m:g} m only, so the survey has no "
            "determined place",
            f"a sigma of at most {WORST_KNOWN:g} m",
            "sigma is in metres: correct it, or measure the mark",
            notes.site_file,
            line_of(notes.site_lines, ("anchor", "marks", fault.mark, "sigma")),
        )
    return Problem(
        "anchor-marks-coincide",
        f"marks {fault.first} and {fault.second} are given the same place",
        "marks apart from each other",
        "correct the coordinates of one of them",
        notes.site_file,
        line_of(notes.site_lines, ("anchor", "marks", fault.second)),
    )


def no_place_problem(notes: Notes, fault: NoPlace) -> Problem:
    """Say which run has no determined place."""
    return Problem(
        "place-undetermined",
        f"the marks of run {fault.run} have no determined place; its longest leg, of "
        f"{fixed(fault.leg_m, 0)} m, ends here",
        "legs of a walk, and marks that hold every run in place and direction",
        "check coordinates, unit and mark names of the run",
        notes.book.file,
        int(notes.book.line[fault.row]),
    )


def baseline_problem(notes: Notes, fault: ShortBaseline) -> Problem:
    """Say that the baseline marks of a run fall together."""
    baseline = notes.site.baseline
    return Problem(
        "baseline-marks-coincide",
        f"run {fault.run} has {baseline.from_} and {baseline.to} only {fixed(fault.apart_m, 3)} "
        "m apart",
        "two baseline marks well apart",
        "check the mark names of these rows; mark out a longer baseline",
        notes.book.file,
        int(notes.book.line[fault.row]),
    )


def loops_told(notes: Notes, loops: Sequence[LoopByRatio | LoopByDevice], of_all: int) -> Told:
    """Say which loops do not close.

    Where half of all loops are refused, a jump or a wrong name in one of them is not what is the
    likeliest: the first of them says so.
    """
    file = notes.book.file
    problems: list[Problem] = []
    findings: list[Finding] = []
    refused = sum(one.is_refused for one in loops)
    many = _device_in_doubt(notes, refused, of_all) if 2 * refused >= of_all else ""
    for one in loops:
        loop = one.loop
        says = (
            f"run {loop.run} came back to mark {loop.mark} after {fixed(loop.length_m, 2)} m "
            f"with a misclosure of {fixed(loop.misclosure_m, 3)} m"
        )
        if isinstance(one, LoopByRatio):
            says += f", 1:{loop.ratio:.0f}"
            expected = f"1:{one.limit:g} or better"
            if notes.site.survey.closure_limit is None:
                expected += ", as is usual where no closure_limit is given"
            code, rest = "closure-short-loop", "; too short a loop to judge by its ratio."
        else:
            expected = f"at most {fixed(one.bound_m, 3)} m from a device like this"
            code, rest = "closure-large", ", more than 99 of 100 such loops of this device."
        if one.is_refused:
            remedy = f"walk the loop from line {loop.first_line} again{'' if problems else many}"
            problems.append(Problem("closure", says, expected, remedy, file, loop.last_line))
        else:
            findings.append(Finding("look", code, _sentence(says) + rest, file, loop.last_line))
    return problems, findings


def _device_in_doubt(notes: Notes, refused: int, of_all: int) -> str:
    if refused < 2:
        return ""
    survey = notes.site.survey
    if survey.leg_noise is None and survey.device is None:
        stated = "an unknown one is taken to be"
    else:
        stated = f"{'[survey.leg_noise]' if survey.leg_noise else '[survey.device]'} says"
    return (
        f"; {refused} of {of_all} loops miss so much: where nothing jumped, the device is worse "
        f"than {stated}"
    )


def length_told(notes: Notes, judged: JudgedLength | None, map_unit: str) -> Told:
    """Say that a length in the notes is not that on the map, and what it looks like."""
    if judged is None:
        return [], []
    check, unit = judged.check, notes.site.survey.unit
    says = (
        f"from {check.start} to {check.end} the notes measure {fixed(check.measured_m, 3)} m, "
        f"the map says {fixed(check.mapped_m, 3)} m (ratio {check.ratio:.5g})"
    )
    line = line_of(notes.site_lines, ("anchor", "marks", check.end))
    if judged.outcome == "look":
        text = f"{_sentence(says)}: {abs(check.judged):.1f} standard deviations apart."
        if judged.reduction is not None:
            text += f" {_sentence(_REDUCTIONS[judged.reduction])}."
        return [], [Finding("look", "baseline-length", text, notes.site_file, line)]
    code, expected = "baseline-length", "the same length"
    if judged.outcome == "too far":
        expected = (
            f"a difference below {fixed(4 * check.sigma_m * check.widening, 3)} m (four "
            "standard deviations)"
        )
        remedy = "check the marks' coordinates, their names in the field book, and the unit"
    else:
        assert judged.unit is not None
        remedy = _unit_remedy(judged.unit, unit, map_unit)
        if judged.outcome == "another unit":
            code = "baseline-unit"
        else:
            remedy = (
                "check the marks' coordinates and their names; if it is the unit, which no other "
                f"length confirms, {remedy}"
            )
    return [Problem(code, says, expected, remedy, notes.site_file, line)], []


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}"


_REDUCTIONS: dict[Reduction, str] = {
    "notes on the grid": "the notes look reduced to the map grid already",
    "map on the ground": "the map coordinates look scaled to ground lengths",
    "US survey feet": "the notes look like US survey feet taken for international feet",
    "international feet": "the notes look like international feet taken for US survey feet",
}

_UNITS: dict[UnitMistake, str] = {
    "yards": "one of the two looks like yards: convert it",
    "notes in centimetres": "the notes look like centimetres: convert them to metres",
    "notes in millimetres": "the notes look like millimetres: convert them to metres",
    "map in centimetres": "the anchor's coordinates look like centimetres: convert them",
    "map in millimetres": "the anchor's coordinates look like millimetres: convert them",
}


def _unit_remedy(mistake: UnitMistake, unit: str, map_unit: str) -> str:
    """Say what to do about a unit; ``unit`` is that of the notes."""
    if mistake == "feet too short":
        return _feet_too_short(unit, map_unit)
    if mistake == "feet too long":
        return _feet_too_long(unit, map_unit)
    return _UNITS[mistake]


def _feet_too_short(unit: str, map_unit: str) -> str:
    if unit != "m":
        notes = f'the notes look like metres: set unit = "m" instead of "{unit}"'
        if map_unit != "metre":
            return notes
        return (
            f"either {notes}; or the anchor's coordinates are feet and this crs, in metres, is not"
            " theirs. Look at where each was written down before you change one of them"
        )
    if map_unit == "metre":
        return "the anchor's coordinates look like feet in a CRS in metres: convert them"
    return "check whether the anchor's coordinates belong to this crs, and the unit of the notes"


def _feet_too_long(unit: str, map_unit: str) -> str:
    if unit == "m":
        notes = f'the notes look like feet: set unit = "ft" (or "ftUS") instead of "{unit}"'
        if map_unit == "metre":
            return notes
        return (
            f"either {notes}; or the anchor's coordinates are metres and this crs, in"
            f" {plural(map_unit)}, is not theirs. Look at where each was written down before you"
            " change one of them"
        )
    return f"the anchor's coordinates look like metres in a CRS in {plural(map_unit)}: convert them"
