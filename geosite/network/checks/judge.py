"""What a survey is judged by before it is placed: known marks, baseline, loops, a length."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from geosite.base.statistics import radius_of, t_factor
from geosite.fieldbook.model import FieldBook
from geosite.network.checks.facts import (
    SHORT_LOOP,
    WORST_KNOWN,
    JudgedLength,
    LengthCheck,
    LoopByDevice,
    LoopByRatio,
    LooseMark,
    NoPlace,
    Reduction,
    SamePlace,
    ShortBaseline,
    UnitMistake,
)
from geosite.network.control.model import Anchored
from geosite.network.model import Closure
from geosite.network.noise import Noise
from geosite.network.tie_runs import Tied, first_visits
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Walk

__all__ = [
    "bad_control",
    "judge_length",
    "judge_loops",
    "length_check",
    "no_place",
    "short_baselines",
]

LEAST_LOOP = 2.0
"""Metres; the ratio of misclosure of a shorter loop says nothing."""
USUAL_LIMIT = 300.0
"""Ratio of misclosure asked of legs that err independently where the site file gives none."""
LEAST_SURE = 4.0
"""Degrees of freedom; a device that is less well known would excuse any loop."""
NO_DEVICE = 0.5
"""Share by which no device measures a length too long or too short."""
APART = 0.10
"""Metres; baseline marks nearer than this are one mark."""
US_FOOT = 1.000002
"""US survey foot over international foot."""

UNIT_RATIOS: tuple[tuple[float, UnitMistake], ...] = (
    (0.3048, "feet too short"),
    (1 / 0.3048, "feet too long"),
    (0.9144, "yards"),
    (1 / 0.9144, "yards"),
    (100.0, "notes in centimetres"),
    (1000.0, "notes in millimetres"),
    (0.01, "map in centimetres"),
    (0.001, "map in millimetres"),
)
"""Measured over mapped length when one of the two is in another unit."""


def bad_control(anchored: Anchored) -> tuple[LooseMark | SamePlace, ...]:
    """Find known marks that cannot hold the survey: hardly known, or two in one place."""
    loose = [
        LooseMark(c.name, max(c.sigma, c.sigma_elevation))
        for c in anchored.controls
        if not c.check and max(c.sigma, c.sigma_elevation) > WORST_KNOWN
    ]
    used = [
        (c.name, c.position) for c in anchored.controls if c.position is not None and not c.check
    ]
    same = [
        SamePlace(first, second)
        for (first, a), (second, b) in combinations(used, 2)
        if math.dist(a, b) < APART
    ]
    return (*loose, *same)


def no_place(book: FieldBook) -> NoPlace:
    """Return which run of a survey whose equations have no solution has no determined place.

    Legs and marks were checked before, so that only lengths beyond all measure are left.
    """
    order = np.argsort(book.run, kind="stable")
    step = np.sqrt((np.diff(book.local[order], axis=0) ** 2).sum(axis=1))
    step[np.diff(book.run[order]) != 0] = 0.0
    longest = int(np.argmax(step))
    row = int(order[longest + 1])
    return NoPlace(book.runs[book.run[row]], row, float(step[longest]))


def short_baselines(
    book: FieldBook, baseline: tuple[str, str], walk: Walk
) -> tuple[ShortBaseline, ...]:
    """Find runs in whose notes the two baseline marks fall together."""
    starts, ends = (first_visits(walk, len(book.runs), walk.knots.index(name)) for name in baseline)
    step = book.local[walk.row[ends]] - book.local[walk.row[starts]]
    apart = np.hypot(step[:, 0], step[:, 1])
    variance = walk.variance
    spread = np.sqrt(np.abs(variance[ends] - variance[starts]))
    together = (apart < APART) | ((apart < 1.0) & (apart < 2 * spread))
    return tuple(
        ShortBaseline(book.runs[run], int(walk.row[max(starts[run], ends[run])]), float(apart[run]))
        for run in np.flatnonzero(together).tolist()
    )


def judge_loops(
    closures: Sequence[Closure], limit: float | None, device: Device
) -> tuple[LoopByRatio | LoopByDevice, ...]:
    """Find loops that close worse than the limit.

    The limit alone decides for loops of 30 m and more. A shorter loop is judged by what its legs
    explain as well (2.45 standard deviations of each axis, 95 %): two careful legs of 5 m already
    spend 1:500. Below 2 m the ratio says nothing and the loop is only to be looked at. Without a
    limit in the site file a loop is judged by what the device may do.

    Parameters
    ----------
    closures
        Of the runs.
    limit
        Ratio of misclosure that the site file asks, ``None`` for none.
    device
    """
    if limit is None:
        if not device.is_leg_noise:
            return _judged_by_device(closures, device)
        limit = USUAL_LIMIT
    found = []
    for loop in closures:
        if loop.ratio >= limit:
            continue
        explained = loop.misclosure_m <= 2.45 * loop.sigma_m
        if loop.length_m < LEAST_LOOP or (loop.length_m < SHORT_LOOP and explained):
            if not explained:
                found.append(LoopByRatio(loop, limit, is_refused=False))
            continue
        found.append(LoopByRatio(loop, limit, is_refused=True))
    return tuple(found)


def _judged_by_device(closures: Sequence[Closure], device: Device) -> tuple[LoopByDevice, ...]:
    """Refuse loops that a device leaves less than once in a thousand; look at one in a hundred.

    Of Student's t in two dimensions, as the size of a device's error is not known for sure.
    """
    sure = max(device.degrees_of_freedom, LEAST_SURE)
    refused, looked = (radius_of(p, sure) for p in (0.001, 0.01))
    return tuple(
        LoopByDevice(
            loop, refused * loop.sigma_m, is_refused=loop.misclosure_m > refused * loop.sigma_m
        )
        for loop in closures
        if loop.misclosure_m > looked * loop.sigma_m
    )


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


def judge_length(check: LengthCheck) -> JudgedLength | None:
    """Judge a length that may tell of a mistake, and say which it looks like; ``None`` if it fits.

    A unit is named only where another length confirms it: one length alone may be a mistake of its
    own, and a device whose scale is off looks like yards. No device is off by half: there the unit
    that would fit is said as a possibility.
    """
    relative = check.sigma_m * check.widening / check.mapped_m
    near = max(0.01, 3 * relative)
    for value, unit in UNIT_RATIOS:
        # that is nine standard deviations off, or more
        if not abs(check.ratio / value - 1) < near < abs(check.ratio - 1) / 3:
            continue
        if any(abs(other / value - 1) < near for other in check.others):
            return JudgedLength(check, "another unit", unit)
        if abs(check.ratio - 1) > NO_DEVICE:
            return JudgedLength(check, "perhaps another unit", unit)
    off = abs(check.judged)
    if off > 4 and abs(check.ratio - 1) > 0.01:
        return JudgedLength(check, "too far")
    if off <= 3:
        return None
    return JudgedLength(check, "look", reduction=_reduction(check, relative))


def _reduction(check: LengthCheck, relative: float) -> Reduction | None:
    """Return the reason for a small difference of scale, if the length can tell it from none."""
    reasons: tuple[tuple[float, Reduction], ...] = (
        (check.combined_factor, "notes on the grid"),
        (1 / check.combined_factor, "map on the ground"),
        (1 / US_FOOT, "US survey feet"),
        (US_FOOT, "international feet"),
    )
    for value, reason in reasons:
        told_apart = abs(value - 1) > 3 * relative
        if told_apart and abs(check.ratio - value) < 2 * relative:
            return reason
    return None
