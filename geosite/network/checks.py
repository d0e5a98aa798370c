"""What a survey is refused for, each with the line it comes from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from geosite.base.errors import Finding, Problem
from geosite.base.statistics import radius_of, t_factor
from geosite.fieldbook.model import Notes
from geosite.network.control.model import Anchored
from geosite.network.model import Closure
from geosite.network.noise import Noise
from geosite.network.tie import Tied, first_visits
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Walk
from geosite.reading.toml_lines import line_of

__all__ = [
    "LengthCheck",
    "anchor_ok",
    "baseline_apart",
    "closures_ok",
    "length_check",
    "length_ok",
    "no_place",
]

LEAST_LOOP = 2.0
"""Metres; the ratio of misclosure of a shorter loop says nothing."""
SHORT_LOOP = 30.0
"""Metres; a shorter loop must also miss by more than its legs explain, else it is let pass."""
WORST_KNOWN = 1000.0
"""Metres; a position known worse than this holds nothing, and its weight has no digits left."""
USUAL_LIMIT = 300.0
"""Ratio of misclosure asked of legs that err independently where the site file gives none."""
LEAST_SURE = 4.0
"""Degrees of freedom; a device that is less well known would excuse any loop."""
NO_DEVICE = 0.5
"""Share by which no device measures a length too long or too short."""
APART = 0.10
"""Metres; baseline marks nearer than this are one mark."""


def _line(notes: Notes, *path: str) -> int | None:
    return line_of(notes.site_lines, path)


def anchor_ok(notes: Notes, anchored: Anchored) -> list[Problem]:
    """Refuse an anchor that cannot hold the survey: marks that fall together or are not known."""
    problems = [
        Problem(
            "anchor-sigma",
            f"mark {c.name} is known to {max(c.sigma, c.sigma_elevation):g} m only, so the survey "
            "has no determined place",
            f"a sigma of at most {WORST_KNOWN:g} m",
            "sigma is in metres: correct it, or measure the mark",
            notes.site_file,
            _line(notes, "anchor", "marks", c.name, "sigma"),
        )
        for c in anchored.controls
        if not c.check and max(c.sigma, c.sigma_elevation) > WORST_KNOWN
    ]
    used = [c for c in anchored.controls if c.position is not None and not c.check]
    for i, first in enumerate(used):
        for second in used[i + 1 :]:
            assert first.position is not None
            assert second.position is not None
            if math.dist(first.position, second.position) < APART:
                problems.append(
                    Problem(
                        "anchor-marks-coincide",
                        f"marks {first.name} and {second.name} are given the same place",
                        "marks apart from each other",
                        "correct the coordinates of one of them",
                        notes.site_file,
                        _line(notes, "anchor", "marks", second.name),
                    )
                )
    return problems


def no_place(notes: Notes) -> Problem:
    """Say of a survey whose equations have no solution which run has no determined place.

    Legs and marks were checked before, so that only lengths beyond all measure are left.
    """
    book = notes.book
    order = np.argsort(book.run, kind="stable")
    step = np.sqrt((np.diff(book.local[order], axis=0) ** 2).sum(axis=1))
    step[np.diff(book.run[order]) != 0] = 0.0
    longest = int(np.argmax(step))
    row = int(order[longest + 1])
    return Problem(
        "place-undetermined",
        f"the marks of run {book.runs[book.run[row]]} have no determined place; its longest leg, "
        f"of {step[longest]:.0f} m, ends here",
        "legs of a walk, and marks that hold every run in place and direction",
        "check coordinates, unit and mark names of the run",
        book.file,
        int(book.line[row]),
    )


def baseline_apart(notes: Notes, walk: Walk) -> list[Problem]:
    """Refuse runs in whose notes the two baseline marks fall together."""
    book, baseline = notes.book, notes.site.baseline
    starts, ends = (
        first_visits(walk, len(book.runs), walk.knots.index(name))
        for name in (baseline.from_, baseline.to)
    )
    step = book.local[walk.row[ends]] - book.local[walk.row[starts]]
    apart = np.hypot(step[:, 0], step[:, 1])
    spread = np.sqrt(np.abs(walk.variance[ends] - walk.variance[starts]))
    together = (apart < APART) | ((apart < 1.0) & (apart < 2 * spread))
    return [
        Problem(
            "baseline-marks-coincide",
            f"run {book.runs[run]} has {baseline.from_} and {baseline.to} only {apart[run]:.3f} m "
            "apart",
            "two baseline marks well apart",
            "check the mark names of these rows; mark out a longer baseline",
            book.file,
            int(book.line[walk.row[max(starts[run], ends[run])]]),
        )
        for run in np.flatnonzero(together).tolist()
    ]


def closures_ok(
    notes: Notes, closures: tuple[Closure, ...], device: Device
) -> tuple[list[Problem], list[Finding]]:
    """Refuse loops that close worse than the limit.

    The limit alone decides for loops of 30 m and more. A shorter loop is judged by what its legs
    explain as well (2.45 standard deviations of each axis, 95 %): two careful legs of 5 m already
    spend 1:500. Below 2 m the ratio says nothing and only a finding is made. Without a limit in the
    site file a loop is judged by what the device may do.
    """
    limit = notes.site.survey.closure_limit
    if limit is None:
        if not device.is_leg_noise:
            return _closures_of_device(notes, closures, device)
        limit = USUAL_LIMIT
    problems, findings = [], []
    for loop in closures:
        if loop.ratio >= limit:
            continue
        explained = loop.misclosure_m <= 2.45 * loop.sigma_m
        says = (
            f"run {loop.run} came back to mark {loop.mark} after {loop.length_m:.2f} m with a "
            f"misclosure of {loop.misclosure_m:.3f} m, 1:{loop.ratio:.0f}"
        )
        if loop.length_m < LEAST_LOOP or (loop.length_m < SHORT_LOOP and explained):
            if not explained:
                findings.append(
                    Finding(
                        "look",
                        "closure-short-loop",
                        f"{says[0].upper()}{says[1:]}; too short a loop to judge by its ratio.",
                        notes.book.file,
                        loop.last_line,
                    )
                )
            continue
        problems.append(
            Problem(
                "closure",
                says,
                f"1:{limit:g} or better",
                f"walk the loop from line {loop.first_line} again",
                notes.book.file,
                loop.last_line,
            )
        )
    return problems, findings


def _closures_of_device(
    notes: Notes, closures: tuple[Closure, ...], device: Device
) -> tuple[list[Problem], list[Finding]]:
    """Refuse loops that a device leaves less than once in a thousand; look at one in a hundred.

    Of Student's t in two dimensions, as the size of a device's error is not known for sure.
    """
    sure = max(device.degrees_of_freedom, LEAST_SURE)
    refused, looked = (radius_of(p, sure) for p in (0.001, 0.01))
    problems, findings = [], []
    for loop in closures:
        if loop.misclosure_m <= looked * loop.sigma_m:
            continue
        says = (
            f"run {loop.run} came back to mark {loop.mark} after {loop.length_m:.2f} m with a "
            f"misclosure of {loop.misclosure_m:.3f} m"
        )
        if loop.misclosure_m <= refused * loop.sigma_m:
            text = f"{says[0].upper()}{says[1:]}, more than 99 of 100 such loops of this device."
            findings.append(Finding("look", "closure-large", text, notes.book.file, loop.last_line))
            continue
        problems.append(
            Problem(
                "closure",
                says,
                f"at most {refused * loop.sigma_m:.3f} m from a device like this",
                f"walk the loop from line {loop.first_line} again",
                notes.book.file,
                loop.last_line,
            )
        )
    return problems, findings


@dataclass(frozen=True, slots=True)
class LengthCheck:
    """A length in the notes against the same on the map.

    Parameters
    ----------
    start, end
        The two marks.
    measured_m, mapped_m
        Ground metres.
    sigma_m
        Expected standard deviation of the difference.
    combined_factor
        Map length per ground length.
    widening
        Quantile of Student's t over that of the normal distribution, at 95 %.
    others
        Measured over mapped of the other lengths between known marks.
    """

    start: str
    end: str
    measured_m: float
    mapped_m: float
    sigma_m: float
    combined_factor: float
    widening: float = 1.0
    others: tuple[float, ...] = ()

    @property
    def ratio(self) -> float:
        """Measured over mapped length."""
        return self.measured_m / self.mapped_m

    @property
    def ppm(self) -> float:
        """Measured less mapped length, parts per million."""
        return (self.ratio - 1) * 1e6

    @property
    def sigmas(self) -> float:
        """Difference in standard deviations."""
        return (self.measured_m - self.mapped_m) / self.sigma_m if self.sigma_m > 0 else 0.0

    @property
    def judged(self) -> float:
        """The same for a judgement: in standard deviations of a normal distribution as wide."""
        return self.sigmas / self.widening


def length_check(
    anchored: Anchored, tied: Tied, baseline: tuple[str, str], noise: Noise
) -> LengthCheck | None:
    """Compare the baseline, or the two known marks farthest apart, in the notes and on the map.

    Parameters
    ----------
    anchored, tied, baseline
    noise
        In plan, as the misclosures alone show it.
    """
    used = {c.name: c for c in anchored.controls if c.position is not None and not c.check}
    if len(used) < 2:
        return None
    if baseline[0] in used and baseline[1] in used:
        pair = baseline
    else:
        names = list(used)
        places = np.array([used[n].position for n in names])
        apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
        far = np.unravel_index(int(np.argmax(apart)), apart.shape)
        pair = (names[int(far[0])], names[int(far[1])])
    first, second = used[pair[0]], used[pair[1]]
    assert first.position is not None
    assert second.position is not None
    i, j = tied.knot[pair[0]], tied.knot[pair[1]]
    vector = tied.plan.position[j] - tied.plan.position[i]
    length = float(np.hypot(*vector))
    along = vector / max(length, 1e-12)
    both = (tied.plan.knot[[i, j]][:, None] + np.array([0, 1])).ravel()
    form = np.concatenate([-along, along])
    own = noise.factor * float(form @ tied.plan.posterior.block(both) @ form)
    variance = own + first.sigma**2 + second.sigma**2
    factor = anchored.frame.combined_factor
    return LengthCheck(
        pair[0],
        pair[1],
        length / factor,
        math.dist(first.position, second.position) / factor,
        math.sqrt(max(variance, 0.0)) / factor,
        factor,
        t_factor(noise.degrees_of_freedom) / t_factor(math.inf),
        tuple(
            float(np.hypot(*(tied.plan.position[b] - tied.plan.position[a])))
            / max(math.dist(used[one].position or (), used[other].position or ()), 1e-9)
            for one, other in combinations(used, 2)
            if {one, other} != set(pair)
            for a, b in [(tied.knot[one], tied.knot[other])]
        ),
    )


def length_ok(
    notes: Notes, anchored: Anchored, check: LengthCheck
) -> tuple[list[Problem], list[Finding]]:
    """Refuse a length that tells of a mistake; say which mistake it looks like.

    A unit is named only where another length confirms it: one length alone may be a mistake of its
    own, and a device whose scale is off looks like yards. No device is off by half: there the unit
    that would fit is said as a possibility.
    """
    pair = f"from {check.start} to {check.end}"
    says = (
        f"{pair} the notes measure {check.measured_m:.3f} m, the map says {check.mapped_m:.3f} m "
        f"(ratio {check.ratio:.5g})"
    )
    line = _line(notes, "anchor", "marks", check.end)
    off = abs(check.judged)
    relative = check.sigma_m * check.widening / check.mapped_m
    near = max(0.01, 3 * relative)
    unit = notes.site.survey.unit
    map_unit = anchored.frame.unit_name
    in_feet = unit != "m"
    for value, looks in _UNIT_MISTAKES:
        # that is nine standard deviations off, or more
        if not abs(check.ratio / value - 1) < near < abs(check.ratio - 1) / 3:
            continue
        if any(abs(other / value - 1) < near for other in check.others):
            return [
                Problem(
                    "baseline-unit",
                    says,
                    "the same length",
                    looks(in_feet, unit, map_unit),
                    notes.site_file,
                    line,
                )
            ], []
        if abs(check.ratio - 1) > NO_DEVICE:
            remedy = (
                "check the marks' coordinates and their names; if it is the unit, which no other "
                f"length confirms, {looks(in_feet, unit, map_unit)}"
            )
            return [
                Problem("baseline-length", says, "the same length", remedy, notes.site_file, line)
            ], []
    if off > 4 and abs(check.ratio - 1) > 0.01:
        return [
            Problem(
                "baseline-length",
                says,
                f"a difference below {4 * check.sigma_m * check.widening:.3f} m (four standard "
                "deviations)",
                "check the marks' coordinates, their names in the field book, and the unit",
                notes.site_file,
                line,
            )
        ], []
    if off <= 3:
        return [], []
    guess = ""
    candidates = (
        (check.combined_factor, "the notes look reduced to the map grid already"),
        (1 / check.combined_factor, "the map coordinates look scaled to ground lengths"),
        (1 / 1.000002, "the notes look like US survey feet taken for international feet"),
        (1.000002, "the notes look like international feet taken for US survey feet"),
    )
    for value, looks_like in candidates:
        told_apart = abs(value - 1) > 3 * relative
        if told_apart and abs(check.ratio - value) < 2 * relative:
            guess = f" {looks_like[0].upper()}{looks_like[1:]}."
            break
    text = f"{says[0].upper()}{says[1:]}: {off:.1f} standard deviations apart.{guess}"
    return [], [Finding("look", "baseline-length", text, notes.site_file, line)]


def _feet_short(in_feet: bool, unit: str, map_unit: str) -> str:
    if in_feet:
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


def _feet_long(in_feet: bool, unit: str, map_unit: str) -> str:
    if not in_feet:
        notes = f'the notes look like feet: set unit = "ft" (or "ftUS") instead of "{unit}"'
        if map_unit == "metre":
            return notes
        return (
            f"either {notes}; or the anchor's coordinates are metres and this crs, in {map_unit},"
            " is not theirs. Look at where each was written down before you change one of them"
        )
    return f"the anchor's coordinates look like metres in a CRS in {map_unit}: convert them"


_UNIT_MISTAKES = (
    (0.3048, _feet_short),
    (1 / 0.3048, _feet_long),
    (0.9144, lambda *_: "one of the two looks like yards: convert it"),
    (1 / 0.9144, lambda *_: "one of the two looks like yards: convert it"),
    (100.0, lambda *_: "the notes look like centimetres: convert them to metres"),
    (1000.0, lambda *_: "the notes look like millimetres: convert them to metres"),
    (0.01, lambda *_: "the anchor's coordinates look like centimetres: convert them"),
    (0.001, lambda *_: "the anchor's coordinates look like millimetres: convert them"),
)
