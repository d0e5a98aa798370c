"""What is said about setting out."""

from __future__ import annotations

from collections.abc import Iterator

from geosite.analysis.setting_out.model import Located, SettingOut
from geosite.base.errors import Finding
from geosite.base.exact_numbers import fixed, kept
from geosite.base.rounding import signed

__all__ = ["VERDICTS", "check_words", "findings", "ground_words", "mark_words", "order_words"]

VERDICTS = {
    "can": "in 95 of 100 walks the device stands within the tolerance",
    "cannot": "not this well from this baseline",
    "undecided": "too little is known of the device to tell",
}
FAR = 5.0
"""Baseline lengths: beyond, the direction of the baseline decides alone how good a point is."""
TOLD = 10
"""Points that are listed one by one."""


def findings(found: SettingOut, file: str) -> tuple[Finding, ...]:
    """Return what to know and what to look at, in the order of the work."""
    return (*_baseline(found, file), *_points(found), *_ground(found))


def ground_words(found: SettingOut) -> str:
    """Say how map lengths became ground lengths."""
    factor = found.combined_factor
    return (
        f"The walk measures ground lengths, the map is a grid: map lengths were divided by the "
        f"combined factor {factor:.7f} ({100 / factor:.3f} m walked are 100 m on the map)."
    )


def order_words(found: SettingOut) -> str:
    """Say which way the stated errors are meant for."""
    return (
        "Errors are for a walk from the baseline to the points in this order without a return; "
        f"going back to {found.marks[0]} or {found.marks[1]} in between makes them smaller."
    )


def check_words(found: SettingOut) -> str:
    """Say how the baseline fits today, or how long it must come out."""
    one, two = found.marks
    unit = found.unit
    if found.check is None:
        return (
            f"From {one} to {two} are {found.baseline:.3f} {unit} on the ground, {two} lies "
            f"{found.baseline_rise:+.3f} {unit} from {one} in height. Along and offset count from "
            f"{one}, facing {two}."
        )
    today = found.check.length_m / found.unit_m
    return (
        f"Baseline {one} to {two}: {today:.3f} {unit} today, {found.baseline:.3f} {unit} known. "
        f"x, y, z hold for today's start of the device only. Along and offset count from {one}, "
        f"facing {two}."
    )


def mark_words(found: SettingOut) -> str:
    """Say at which known mark to try the device first."""
    known = found.check_mark
    if known is None:
        return ""
    if known.reading is None:
        side = "right" if known.offset >= 0 else "left"
        return (
            f"Try the device first at the known mark {known.name}: {known.along:.2f} {found.unit} "
            f"along, {abs(known.offset):.2f} {found.unit} to the {side}."
        )
    axes = zip("xyz", known.reading, strict=True)
    shown = ", ".join(f"{axis} {value:.{found.places}f}" for axis, value in axes)
    return (
        f"Try the device first at the known mark {known.name}: it should show {shown} {found.unit}."
    )


def _baseline(found: SettingOut, file: str) -> Iterator[Finding]:
    one, two = found.marks
    check = found.check
    if check is None:
        yield Finding(
            "note",
            "walk-planned",
            f"No walk of today: go by along and offset from {one} towards {two}, or type what the "
            "device shows at both marks into the page. Errors are those of a walk that visits each "
            "mark once.",
        )
    else:
        longer, rise, known_rise = (
            kept(signed(value, 3), value)
            for value in (check.length_m - check.known_m, check.rise_m, check.known_rise_m)
        )
        yield Finding(
            "note",
            "baseline-fits",
            f"Today the baseline from {one} to {two} is {fixed(check.length_m, 3)} m, known are "
            f"{fixed(check.known_m, 3)} m ({longer} m, sigma {fixed(check.sigma_m, 3)} m); in "
            f"height {rise} m, known {known_rise} m.",
            file,
        )
        if not check.swap_seen:
            yield Finding(
                "look",
                "swap-unseen",
                f"{one} and {two} are too level for their heights to tell whether their names were "
                "exchanged today: try the device at another known mark first"
                + (f", {found.check_mark.name}." if found.check_mark else "."),
                file,
            )
    yield Finding("note", "ground-grid", ground_words(found))


def _points(found: SettingOut) -> Iterator[Finding]:
    tolerance = found.tolerance_m
    missed = [p for p in found.points if p.verdict in ("cannot", "undecided")]
    for point in missed[:TOLD]:
        assert tolerance is not None
        yield Finding("look", f"set-out-{point.verdict}", _missed(point, found, tolerance))
    if (more := len(missed) - TOLD) > 0:
        others = "1 more point is" if more == 1 else f"{more} more points are"
        yield Finding("look", "set-out-more", f"{others} like these.")
    far = [p for p in found.points if p.far > FAR]
    if far and tolerance is None:
        worst = max(far, key=lambda p: p.far)
        error = "" if worst.error_95_m is None else f" (within {fixed(worst.error_95_m, 2)} m)"
        yield Finding(
            "look",
            "baseline-short",
            f"{len(far)} point{'s lie' if len(far) > 1 else ' lies'} more than {FAR:.0f} baseline "
            f"lengths away, {worst.target.name} {worst.far:.0f}{error}: set a mark near them in "
            "the survey and begin there, or use a longer baseline.",
        )


def _missed(point: Located, found: SettingOut, tolerance: float) -> str:
    name = point.target.name
    within = fixed(tolerance, 3)
    if point.error_95_m is None:
        return (
            f"{name}: whether it comes within {within} m is not known, for nothing checks the "
            "survey: walk it so that it closes."
        )
    words = "cannot be" if point.verdict == "cannot" else "may not be"
    text = (
        f"{name} {words} set out within {within} m from this baseline: the device stands "
        f"within {fixed(point.error_95_m, 3)} m in 95 of 100 walks, {point.far:.1f} baseline "
        "lengths away"
    )
    straight = found.straight_95_m.get(name)
    if straight is not None and straight <= tolerance:
        return (
            f"{text}; straight from the baseline it comes within {fixed(straight, 3)} m: go there "
            "first."
        )
    if straight is not None:
        text += f", straight from the baseline within {fixed(straight, 3)} m, still too much"
    return text + (
        "; use a longer baseline, or survey a mark near it, visit both baseline marks again and "
        "begin there."
    )


def _ground(found: SettingOut) -> Iterator[Finding]:
    off = [p.target.name for p in found.points if p.ground is None]
    if off:
        named = ", ".join(off[:5]) + (f" and {len(off) - 5} more" if len(off) > 5 else "")
        yield Finding(
            "look",
            "no-ground",
            f"No ground was walked at {named}: there is no cut or fill to tell. Walk marks round "
            "them.",
        )
