"""Judgements of a survey in a contractor's words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from geosite.base.errors import Finding
from geosite.base.exact_numbers import fixed
from geosite.base.rounding import decimals, seen, signed
from geosite.base.statistics import chi2_sf
from geosite.fieldbook.model import Notes
from geosite.network.accuracy.advice import Advice
from geosite.network.accuracy.check_points import ENOUGH_CHECK_POINTS, CheckPoints
from geosite.network.accuracy.error_shares import ErrorShares
from geosite.network.accuracy.lever_arm import LeverArm
from geosite.network.accuracy.open_ends import OpenEnd
from geosite.network.accuracy.precision import AzimuthCheck
from geosite.network.control.model import Anchored, CommonShift
from geosite.network.model import Network
from geosite.network.noise import Noise
from geosite.network.report import Judged
from geosite.network.tie_runs import Misfit
from geosite.network.walk.device import Device

__all__ = [
    "advice_findings",
    "azimuth_findings",
    "check_point_findings",
    "control_findings",
    "device_findings",
    "device_in_words",
    "direction_findings",
    "findings",
    "lever_arm_findings",
    "noise_findings",
    "open_end_findings",
]


_RUNS_TOLD = 5
"""Runs that are named when many do not come back."""
SHIFT_LOOK = 0.1
"""Metres; a transformation that is worse is to be looked at before anything is set out by it."""


_TOLD_FOR_M = 100.0


def _short(length_m: float) -> str:
    """Return a length with millimetres, or two digits where it is shorter, without an exponent."""
    return f"{length_m:.{max(3, decimals(length_m))}f}" if length_m else "0"


def device_in_words(device: Device) -> str:
    """Say what the error of a device was taken to be, in one sentence.

    Examples
    --------
    >>> device_in_words(Device.from_leg_noise(0.005, 0.004)).partition(":")[0]
    'Standard deviation of one leg per axis 0.005 m and, over 100 m of way, 0.040 m'

    Notes
    -----
    What grows with the root of the way is told for 100 m, which needs no root of a metre and can be
    said in feet.
    """
    way = math.sqrt(_TOLD_FOR_M)
    if device.is_leg_noise:
        return (
            f"Standard deviation of one leg per axis {_short(device.leg)} m and, over "
            f"{_TOLD_FOR_M:.0f} m of way, {_short(way * device.walk)} m: they add up as squares, "
            "the second in proportion to the way."
        )
    return (
        f"Standard deviations of the device ({device.name}): pointing {_short(device.pointing)} m; "
        f"over {_TOLD_FOR_M:.0f} m of way {_short(way * device.walk)} m by a random walk (errors "
        f"that add up on the way) and {math.degrees(way * device.heading):.2g} degrees of "
        f"heading, which grow with the root of the way; scale {100 * device.scale:.2g} %, climb "
        f"{100 * device.climb:.2g} % and tilt {math.degrees(device.tilt):.2g} degrees of each run."
    )


def findings(
    notes: Notes, anchored: Anchored, network: Network, judged: Judged, names: tuple[str, ...]
) -> tuple[Finding, ...]:
    """Say how far a placed survey can be trusted.

    Parameters
    ----------
    notes, anchored, network, judged
    names
        Of the knots that the misfits of known marks speak of.
    """
    found = noise_findings(notes, *judged.noise)
    if any(noise.freedom for noise in judged.noise):  # else that nothing checks it has been said
        found += open_end_findings(notes, judged.open_ends)
    found += control_findings(notes, judged.misfits, names)
    if not any(c.elevation is not None and not c.check for c in anchored.controls):
        text = (
            f"No elevation is given: elevations count from mark {notes.site.baseline.from_}, which "
            "is 0, and the map scale is that of sea level."
        )
        found.append(Finding("look", "elevation-relative", text, notes.site_file))
    if judged.length is None:
        text = "Only one mark has a known position, so no length on the map checks the notes."
        found.append(Finding("note", "scale-unchecked", text, notes.site_file))
    found += direction_findings(notes, anchored)
    found += device_findings(notes, judged, network.accuracy_known)
    found += share_findings(notes, judged.shares)
    found += shift_findings(notes, anchored.shift)
    found += azimuth_findings(notes, judged.azimuth)
    found += lever_arm_findings(notes, judged.arm)
    found += advice_findings(notes, judged.arm, judged.advice)
    found += check_point_findings(notes, judged.checks)
    return tuple(found)


def shift_in_words(shift: CommonShift) -> str:
    """Say what a transformation does to the whole survey, in one sentence; empty for nothing.

    Examples
    --------
    >>> shift_in_words(CommonShift(1.0, 0.0, "from WGS 84"))  # doctest: +NORMALIZE_WHITESPACE
    'The transformation of the known marks is good to 1 m in position: it moves the whole survey
    alike, so it is in every place on the map and in no distance, area or grade.'
    """
    if shift.unknown:
        return (
            "The transformation of the known marks is of unknown accuracy: it moves the whole "
            "survey alike, and no figure has it in it."
        )
    parts = [
        f"{sigma:g} m in {what}"
        for sigma, what in ((shift.sigma, "position"), (shift.sigma_up, "elevation"))
        if sigma > 0
    ]
    if not parts:
        return ""
    where = [what for s, what in ((shift.sigma, "place"), (shift.sigma_up, "elevation")) if s > 0]
    return (
        f"The transformation of the known marks is good to {' and '.join(parts)}: it moves the "
        f"whole survey alike, so it is in every {' and '.join(where)} on the map and in no "
        "distance, area or grade."
    )


def shift_findings(notes: Notes, shift: CommonShift) -> list[Finding]:
    """Say what moves the whole survey on the map alike."""
    text = shift_in_words(shift)
    level: Literal["look", "note"] = (
        "look" if shift.unknown or shift.sigma >= SHIFT_LOOK else "note"
    )
    return [Finding(level, "common-shift", text, notes.site_file)] if text else []


def share_findings(notes: Notes, shares: ErrorShares | None) -> list[Finding]:
    """Say what the error of the least certain place and of a typical distance is made of."""
    if shares is None:
        return []
    book = notes.book
    mark = book.mark[shares.row]
    where = f"mark {book.marks[mark]}" if mark >= 0 else f"line {int(book.line[shares.row])}"
    said = []
    if shares.horizontal:
        said.append(
            f"of the variance of {where}, the least certain place, {_parts(shares.horizontal)}"
        )
    if shares.vertical:
        said.append(f"of that of its elevation {_parts(shares.vertical)}")
    if shares.distance and shares.between is not None:
        a, b = (book.marks[book.mark[row]] for row in shares.between)
        said.append(
            f"of that of the distance of {fixed(shares.distance_m, 1)} m from {a} to {b} "
            f"{_parts(shares.distance)}"
        )
    if not said:
        return []
    text = (
        "What errors are made of, as shares of the variance (the standard deviation squared, in "
        "which errors add up): " + "; ".join(said) + "."
    )
    return [Finding("note", "error-shares", text, book.file)]


def _parts(shares: Mapping[str, float]) -> str:
    """Say the largest shares first, in whole percent that add up to 100; none is left out.

    Examples
    --------
    >>> _parts({"heading": 0.504, "scale": 0.297, "climb": 0.199, "pointing": 0.0})
    '50 % is heading, 30 % scale, 20 % climb'
    """
    ranked = sorted(shares.items(), key=lambda item: -item[1])
    whole = {name: math.floor(100 * share) for name, share in ranked}
    left = 100 - sum(whole.values())
    by_rest = sorted(ranked, key=lambda item: -(100 * item[1] - math.floor(100 * item[1])))
    for name, _ in by_rest[:left]:
        whole[name] += 1
    told = [f"{share} % {name}" for name, share in whole.items() if share]
    return ", ".join(told).replace(" % ", " % is ", 1)


def device_findings(notes: Notes, judged: Judged, accuracy_known: bool) -> list[Finding]:
    """Say when nothing is known of the device, or of the accuracy at all."""
    if not accuracy_known:
        text = (
            "The accuracy is not known: nothing checks this survey and nothing is said of the "
            "device, so no number has an interval and nothing is decided by one. Come back to the "
            "baseline, or give [survey.device]."
        )
        return [Finding("look", "accuracy-unknown", text, notes.site_file)]
    if not judged.device.given:
        gain = judged.calibrated_95_m
        text = (
            "Nothing is said of the device, so it is taken for an unknown one, as good or bad as "
            "the misclosures show. Three surveys that come back to their marks calibrate it"
            + (
                ", which would gain this site less than a twentieth: how large its errors are is "
                "told by the misclosures already."
                if gain is None
                else f": if its errors are what the misclosures show, the least certain place of "
                f"this site is then known within {fixed(gain, 2)} m instead of "
                f"{fixed(judged.arm.error_95_m, 2)} m (95 %)."
            )
        )
        return [Finding("note", "device-unknown", text, notes.site_file)]
    return []


def noise_findings(notes: Notes, horizontal: Noise, vertical: Noise) -> list[Finding]:
    """Say whether the misclosures are as large as the assumed noise makes them."""
    findings = []
    by_leg = notes.site.survey.leg_noise is not None
    explains = (
        "the leg noise of the site file explains"
        if by_leg
        else "the errors assumed of the device explain"
    )
    for noise, what in ((horizontal, "in plan"), (vertical, "in height")):
        if noise.verdict == "worse than assumed":
            root = noise.factor**0.5
            text = (
                f"The misclosures {what} are worse than assumed: {root:.1f} times what "
                f"{explains}. The stated accuracies are widened by that."
            )
            findings.append(Finding("look", "noise-worse", text, notes.site_file))
        elif noise.verdict == "better than assumed":
            assert noise.estimate is not None
            root = noise.estimate**0.5
            share = f"{seen(root, 2)} times what {explains}"
            text = f"The misclosures {what} are better than assumed: {share}"
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
        # those of a device are no whole number
        freedom = horizontal.freedom + vertical.freedom
        count = f"{freedom:.1f}".removesuffix(".0") if freedom >= 0.95 else f"{freedom:.1g}"
        checks = "misclosure checks" if count == "1" else "misclosures check"
        size = "the leg noise" if by_leg else "how large the errors of the device are"
        text = (
            f"Only {count} independent {checks} this survey: too few to tell {size}, "
            "and a small mistake would not be noticed."
        )
        findings.append(Finding("note", "redundancy-small", text, notes.site_file))
    return findings


def open_end_findings(notes: Notes, ends: Sequence[OpenEnd]) -> list[Finding]:
    """Say which runs end without coming back, what that costs and what to do; the worst first."""
    if not ends:
        return []
    book, worst = notes.book, ends[0]
    line, baseline = int(book.line[worst.row]), notes.site.baseline
    names = [end.run for end in ends]
    if len(names) == 1:
        which = f"Run {names[0]} does not come back to a mark that is seen twice"
    else:
        rest = len(names) - _RUNS_TOLD
        told = names[:_RUNS_TOLD] if rest > 0 else names[:-1]
        last = f"{rest} more" if rest > 0 else names[-1]
        which = f"Runs {', '.join(told)} and {last} do not come back to a mark that is seen twice"
    text = f"{which}, so nothing shows how far the device drifted or that a mistake was made there"
    if math.isfinite(worst.drift_95_m) and math.isfinite(worst.drift_up_95_m):
        text += (
            f": from {worst.since} to the end of {worst.run} up to {fixed(worst.drift_95_m, 2)} "
            f"m in plan and {fixed(worst.drift_up_95_m, 2)} m in height (95 %)"
        )
    text += f". Visit {baseline.from_} or {baseline.to} again before a run ends."
    return [Finding("look", "run-open", text, book.file, line)]


def direction_findings(notes: Notes, anchored: Anchored) -> list[Finding]:
    """Say when nothing checks how the survey is turned on the map."""
    placed = [c for c in anchored.controls if c.position is not None]
    known = [c.name for c in placed if not c.check]
    if len(placed) > len(known) or len(known) > 2:
        return []  # a check point, or a third mark, would be off
    if len(known) == 2:
        if anchored.azimuth is not None:
            return []  # it is compared
        text = (
            f"Nothing checks the direction: {known[0]} and {known[1]} alone give it, and their "
            "distance does not show a place that is off sideways, which turns the whole site. "
            "Measure a third mark on the map, or give the azimuth of the baseline."
        )
    else:
        text = (
            "Nothing checks the direction: the azimuth alone gives it, and one that is wrong turns "
            "the whole site. Measure a second mark on the map."
        )
    text += " Until then, compare the map with the yard: mirrored axes would not show either."
    return [Finding("note", "direction-unchecked", text, notes.site_file)]


def control_findings(
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
            text += (
                f": the {what} of mark {names[fit.knot[best]]} looks wrong by {fixed(size, 2)} m."
            )
        else:
            text += ", and there are too few to tell which is wrong."
        findings.append(Finding("look", "control-misfit", text, notes.site_file))
    return findings


def check_point_findings(notes: Notes, checks: CheckPoints) -> list[Finding]:
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


def lever_arm_findings(notes: Notes, arm: LeverArm) -> list[Finding]:
    """Say what a baseline much shorter than the site costs."""
    far = arm.distance_m >= 3 * arm.baseline_m
    if not far or not 0.05 <= arm.swing_95_m < math.inf:
        return []
    book = notes.book
    mark = book.marks[book.mark[arm.row]] if book.mark[arm.row] >= 0 else ""
    where = f"mark {mark}" if mark else f"line {int(book.line[arm.row])}"
    return [
        Finding(
            "note",
            "lever-arm",
            f"The baseline is {fixed(arm.baseline_m, 1)} m long and {where} is "
            f"{fixed(arm.distance_m, 0)} m "
            f"from it: there the direction alone costs up to {fixed(arm.swing_95_m, 2)} m (95 %).",
            book.file,
            int(book.line[arm.row]),
        )
    ]


def azimuth_findings(notes: Notes, check: AzimuthCheck | None) -> list[Finding]:
    """Say how far a given azimuth is from the one that the known marks give."""
    if check is None:
        return []
    clear = abs(check.difference) > 3 * check.sigma
    text = (
        f"The azimuth given for the baseline differs by {signed(math.degrees(check.difference), 3)}"
        "° from the one the known marks give; it is only compared, since they hold the survey."
    )
    return [Finding("look" if clear else "note", "azimuth-compared", text, notes.site_file)]


def advice_findings(notes: Notes, arm: LeverArm, advice: tuple[Advice, ...]) -> list[Finding]:
    """Say which one extra measurement would help the far end most."""
    if not advice:
        return []
    parts = []
    for one in advice:
        if one.kind == "tie":
            parts.append(
                f"let run {one.run} also visit mark {one.mark}: {fixed(one.error_95_m, 2)} m there"
            )
        else:
            parts.append(f"measure mark {one.mark} on the map: {fixed(one.error_95_m, 2)} m there")
    text = (
        f"The least certain place is good to {fixed(arm.error_95_m, 2)} m (95 %). What would "
        "help most: " + "; or ".join(parts) + "."
    )
    return [Finding("note", "advice", text, notes.book.file)]
