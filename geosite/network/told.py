"""Mistakes and judgements in a contractor's words."""

from __future__ import annotations

import math

import numpy as np

from geosite.base.errors import Finding, Problem
from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.anchor import Anchored
from geosite.network.checks import SHORT_LOOP
from geosite.network.covariance import sigma
from geosite.network.device import Device
from geosite.network.mistakes.facts import Mistake, Search
from geosite.network.model import LinearForm, Network
from geosite.network.tie import Misfit
from geosite.network.trust import (
    ENOUGH_CHECK_POINTS,
    Advice,
    CheckPoints,
    LeverArm,
    Noise,
)

__all__ = [
    "device_in_words",
    "told_advice",
    "told_azimuth",
    "told_check_points",
    "told_control",
    "told_lever_arm",
    "told_mistakes",
    "told_noise",
]


def device_in_words(device: Device) -> str:
    """Say what the error of a device was taken to be, in one sentence.

    Examples
    --------
    >>> device_in_words(Device.from_leg_noise(0.005, 0.004))
    'Standard deviation of one leg per axis sqrt(0.005^2 + 0.004^2 x length) m.'
    """
    if device.is_leg_noise:
        return (
            f"Standard deviation of one leg per axis sqrt({device.leg:g}^2 + {device.walk:g}^2 x "
            "length) m."
        )
    return (
        f"Standard deviations of the device ({device.name}): pointing {device.pointing:g} m, "
        f"random walk {device.walk:g} m and heading {math.degrees(device.heading):.2g} degrees per "
        f"square root of a metre, scale {100 * device.scale:.2g} %, climb "
        f"{100 * device.climb:.2g} % and tilt {math.degrees(device.tilt):.2g} degrees of each run."
    )


def told_mistakes(notes: Notes, search: Search) -> tuple[list[Problem], list[Finding]]:
    """Say what was found: a mistake with a name is refused, and so is one larger than the limit.

    The limit is that of the loops: an error of more than a run's length over ``closure_limit``.
    """
    problems, findings = [], []
    for mistake in search.mistakes:
        if mistake.kind in ("leg", "visit"):
            book = notes.book
            run = book.runs.index(mistake.run)
            rows = np.flatnonzero(book.run == run)
            length = float(np.hypot(*np.diff(book.local[rows, :2], axis=0).T).sum())
            length = max(length, SHORT_LOOP)
            says, remedy = _off(book, mistake)
            line = int(book.line[mistake.rows[-1]])
            limit = notes.site.survey.closure_limit
            if limit is not None and mistake.size > length / limit:
                expected = f"at most 1:{limit:g} of the run's length"
                problems.append(
                    Problem(f"{mistake.kind}-off", says, expected, remedy, book.file, line)
                )
            else:
                text = f"{says[0].upper()}{says[1:]}: {remedy}."
                findings.append(Finding("look", f"{mistake.kind}-off", text, book.file, line))
        else:
            problems.append(_named(notes, mistake))
    return problems, findings


def _signed(value: float, digits: int) -> str:
    """Write a number with its sign; 0 has none of its own."""
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def _stretch(book: FieldBook, first: int, last: int) -> str:
    a, b = int(book.line[first]), int(book.line[last])
    return f"lines {a} to {b}"


def _off(book: FieldBook, mistake: Mistake) -> tuple[str, str]:
    east, north, up = (float(v) for v in mistake.error)
    parts = []
    if np.isfinite(east):
        parts.append(f"{_signed(east, 2)} m east, {_signed(north, 2)} m north")
    if np.isfinite(up):
        parts.append(f"{_signed(up, 2)} m up")
    amount = f"about {mistake.size:.2f} m ({', '.join(parts)})"
    if mistake.kind == "visit":
        says = f"run {mistake.run} is off by {amount} on its visit to mark {mistake.marks[0]}"
        remedy = "check that the right mark was visited and named here"
    else:
        where = _stretch(book, *mistake.rows)
        says = (
            f"run {mistake.run} is off by {amount} between marks {mistake.marks[0]} and "
            f"{mistake.marks[1]}, {where}"
        )
        if mistake.detail:
            says += f", {mistake.detail}"
        remedy = "look for a jump there, and walk that stretch again"
    if mistake.others:
        listed = "; ".join(
            f"line {int(book.line[b])} of run {book.runs[book.run[b]]}"
            if mistake.kind == "visit"
            else _stretch(book, a, b)
            for a, b in mistake.others[:3]
        )
        remedy += f" (the misclosures cannot tell it from {listed})"
    return says, remedy


def _named(notes: Notes, mistake: Mistake) -> Problem:
    book = notes.book
    run = mistake.run
    several = " or " in run
    rows = mistake.rows
    if rows:
        line = int(book.line[rows[0]])
    elif run in book.runs:
        line = int(book.line[np.argmax(book.run == book.runs.index(run))])
    else:
        line = int(book.line[0])
    who = f"one of the runs {run}" if several else run if run == "every run" else f"run {run}"
    good = "right-handed coordinates, z up"
    match mistake.kind:
        case "run-mirrored":
            said = (
                f"{who} is mirrored, as a left-handed export is",
                good,
                "change the sign of its y (or exchange x and y), or export it again",
            )
        case "run-upside-down":
            said = (f"{who} has its z axis downwards", good, "change the sign of its z")
        case "run-mirrored-upside-down":
            said = (
                f"{who} has y and z with the wrong sign",
                good,
                "change the sign of its y and z, or export it again with z up",
            )
        case "run-unit":
            like = f" in {mistake.detail}" if mistake.detail else " in another unit"
            said = (
                f"{who} looks measured{like}, unlike the others",
                f'every run in the site file\'s unit, "{notes.site.survey.unit}"',
                "convert its coordinates",
            )
        case "baseline-swapped":
            where = f" on lines {_lines(book, mistake)}" if rows else ""
            a, b = notes.site.baseline.from_, notes.site.baseline.to
            said = (
                f"{who} has the baseline marks {a} and {b} exchanged{where}",
                "the same name on the same mark in every run",
                f"exchange the names {a} and {b} there",
            )
        case "names-swapped":
            said = (
                f"{who} has the names {mistake.marks[0]} and {mistake.marks[1]} exchanged on lines "
                f"{_lines(book, mistake)}{_or_else(book, mistake.alternative)}",
                "the same name on the same mark everywhere",
                "exchange the two names",
            )
        case "name-wrong":
            said = (
                f"{who} calls a mark {mistake.marks[0]} that is where {mistake.marks[1]} is",
                "the same name on the same mark everywhere",
                f"name it {mistake.marks[1]}, or leave the name out",
            )
        case _:
            said = _sign(book, mistake, who)
    return Problem(mistake.kind, *said, book.file, line)


def _or_else(book: FieldBook, wrong: Mistake | None) -> str:
    if wrong is None:
        return ""
    return (
        f" (or run {wrong.run}, line {int(book.line[wrong.rows[0]])}, calls a mark "
        f"{wrong.marks[0]} that is where {wrong.marks[1]} is)"
    )


def _lines(book: FieldBook, mistake: Mistake) -> str:
    pairs = [mistake.rows] if mistake.kind == "leg-sign" else [mistake.rows, *mistake.others]
    return ", or ".join(" and ".join(str(int(book.line[row])) for row in pair) for pair in pairs)


def _sign(book: FieldBook, mistake: Mistake, who: str) -> tuple[str, str, str]:
    extra = ""
    if mistake.others:
        listed = ", ".join(_stretch(book, a, b)[6:] for a, b in mistake.others[:4])
        extra = f" (or that from {listed})"
    return (
        f"{who}: the leg from line {_lines(book, mistake).replace(' and ', ' to line ')} looks "
        f"written with the wrong sign of {mistake.detail}{extra}",
        "each leg in the direction it was walked",
        f"change the sign of {mistake.detail} of that leg in all rows that follow, or walk again",
    )


def told_noise(notes: Notes, horizontal: Noise, vertical: Noise) -> list[Finding]:
    """Say whether the misclosures are as large as the leg noise makes them."""
    findings = []
    for noise, what in ((horizontal, "in plan"), (vertical, "in height")):
        if noise.verdict == "worse than assumed":
            root = noise.factor**0.5
            text = (
                f"The misclosures {what} are worse than assumed: {root:.1f} times what the leg "
                "noise of the site file explains. The stated accuracies are widened by that."
            )
            findings.append(Finding("look", "noise-worse", text, notes.site_file))
        elif noise.verdict == "better than assumed":
            assert noise.estimate is not None
            root = noise.estimate**0.5
            text = (
                f"The misclosures {what} are better than assumed, {root:.2f} of what the leg noise "
                "of the site file explains"
            )
            text += (
                "; the stated accuracies are narrowed by that."
                if noise.factor < 1
                else "; there are too few to count on it, so the stated accuracies stay."
            )
            findings.append(Finding("note", "noise-better", text, notes.site_file))
    few = [n for n in (horizontal, vertical) if n.verdict == "too little to tell"]
    if horizontal.freedom == 0 and vertical.freedom == 0:
        text = (
            "Nothing checks this survey: no run comes back to a mark and no mark ties two runs, so "
            "a mistake would not be noticed. Come back to the baseline at the end of each run."
        )
        findings.append(Finding("look", "nothing-checks", text, notes.site_file))
    elif few:
        freedom = horizontal.freedom + vertical.freedom
        text = (
            f"Only {freedom} independent misclosures check this survey: too few to tell the leg "
            "noise, and a small mistake would not be noticed."
        )
        findings.append(Finding("note", "redundancy-small", text, notes.site_file))
    return findings


def told_control(
    notes: Notes, misfits: tuple[Misfit, Misfit], names: tuple[str, ...]
) -> list[Finding]:
    """Say when known marks do not fit the survey, and which is most likely wrong."""
    findings = []
    for fit, what in zip(misfits, ("position", "elevation"), strict=True):
        if fit.freedom == 0 or chi2_sf(fit.squares, fit.freedom) > 0.001:
            continue
        if what == "position" and len(fit.knot) == 2:
            continue  # the length check has said so
        text = f"The known {what}s do not fit the survey within their accuracy"
        best = int(np.argmax(fit.test))
        ranked = np.sort(fit.test)
        if len(fit.knot) > 2 and ranked[-1] > ranked[-2] + 10:
            size = float(np.sqrt((fit.error[best] ** 2).sum()))
            text += f": the {what} of mark {names[fit.knot[best]]} looks wrong by {size:.2f} m."
        else:
            text += ", and there are too few to tell which is wrong."
        findings.append(Finding("look", "control-misfit", text, notes.site_file))
    return findings


def told_check_points(notes: Notes, checks: CheckPoints) -> list[Finding]:
    """Say what the check points are worth."""
    findings = []
    if 0 < len(checks.names) < ENOUGH_CHECK_POINTS:
        text = (
            f"The accuracy was tested on {len(checks.names)} check point"
            f"{'s' if len(checks.names) > 1 else ''}; the standard behind the 95 % figures asks "
            f"for {ENOUGH_CHECK_POINTS}."
        )
        findings.append(Finding("note", "check-points-few", text, notes.site_file))
    findings += [
        Finding(
            "look",
            "check-point-off",
            f"Check point {name} is farther off than the stated accuracy explains.",
            notes.site_file,
        )
        for name in checks.suspicious
    ]
    return findings


def told_lever_arm(notes: Notes, arm: LeverArm) -> list[Finding]:
    """Say what a baseline much shorter than the site costs."""
    if arm.distance_m < 3 * arm.baseline_m or arm.swing_95_m < 0.05:
        return []
    book = notes.book
    mark = book.marks[book.mark[arm.row]] if book.mark[arm.row] >= 0 else ""
    where = f"mark {mark}" if mark else f"line {int(book.line[arm.row])}"
    return [
        Finding(
            "note",
            "lever-arm",
            f"The baseline is {arm.baseline_m:.1f} m long and {where} is {arm.distance_m:.0f} m "
            f"from it: there the direction alone costs up to {arm.swing_95_m:.2f} m (95 %).",
            book.file,
            int(book.line[arm.row]),
        )
    ]


def told_azimuth(
    notes: Notes, anchored: Anchored, network: Network, baseline: tuple[int, int]
) -> list[Finding]:
    """Compare a given azimuth with the baseline where two or more known marks hold the survey."""
    known = sum(c.position is not None and not c.check for c in anchored.controls)
    if anchored.azimuth is None or known < 2:
        return []
    given, sigma_given = anchored.azimuth
    east, north = network.en[baseline[1]] - network.en[baseline[0]]
    off = math.remainder(given - math.atan2(east, north), 2 * math.pi)
    sign = np.array([-1.0, 1.0]) / (east**2 + north**2)
    turn = LinearForm(np.array(baseline), sign * north, -sign * east, np.zeros(2))
    clear = abs(off) > 3 * math.hypot(sigma_given, sigma(network, turn))
    text = (
        f"The azimuth given for the baseline differs by {_signed(math.degrees(off), 3)}° from the "
        "one the known marks give; it is only compared, since they hold the survey."
    )
    return [Finding("look" if clear else "note", "azimuth-compared", text, notes.site_file)]


def told_advice(notes: Notes, arm: LeverArm, advice: tuple[Advice, ...]) -> list[Finding]:
    """Say which one extra measurement would help the far end most."""
    if not advice:
        return []
    parts = []
    for one in advice:
        if one.kind == "tie":
            parts.append(
                f"let run {one.run} also visit mark {one.mark}: {one.error_95_m:.2f} m there"
            )
        else:
            parts.append(f"measure mark {one.mark} on the map: {one.error_95_m:.2f} m there")
    text = (
        f"The least certain place is good to {arm.error_95_m:.2f} m (95 %). What would help most: "
        + "; or ".join(parts)
        + "."
    )
    return [Finding("note", "advice", text, notes.book.file)]
