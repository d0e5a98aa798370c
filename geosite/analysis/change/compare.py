"""Two surveys of one site: which marks kept their places, how the ground and the works changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Literal

import numpy as np
import numpy.typing as npt

from geosite.analysis.change import wording
from geosite.analysis.change.congruency import (
    Stability,
    find_stable,
    frame_of_level,
    frame_of_plan,
    pooled_degrees_of_freedom,
)
from geosite.analysis.change.ground import change_of_ground
from geosite.analysis.change.model import Apart, Change, Epoch, Explained, MarkChange, Verdict
from geosite.analysis.change.progress import features_not_walked_again, progress
from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.base.estimate import Estimate
from geosite.base.map_frame import name_unless_same_map
from geosite.base.statistics import ellipse_factor, t_factor
from geosite.fieldbook.model import Notes
from geosite.network.accuracy.ellipses import ellipses
from geosite.network.covariance import covariance
from geosite.network.model import LinearForm

__all__ = ["compare"]

ANOTHER_M = 3.0
"""Marks of one name that lie farther apart than this, or a tenth of the site, are two marks."""
SEEN_M = 0.1
"""Frames that are farther apart than this are told of where nobody knows how accurate they are."""
FAR_M = 1.0
"""Frames that are farther apart than this are told of however inaccurate they are."""
COMMON = 200
"""Most common marks that are held against each other."""
EXACT_M = 1e-6
"""A mark with less than this for a standard deviation is taken as exact."""
SAME_M = 1e-3
"""Given coordinates that differ by no more are the same, written with other digits."""


def compare(before: Epoch, after: Epoch) -> Change:
    """Compare two surveys over their common marks and ground.

    Raises
    ------
    InputError
        They are on different maps, have fewer than two marks in common, or the coordinates given
        for marks that both take as exact do not agree.
    """
    _same_map(before, after)
    names, other_marks = _common(before, after)
    rows = [_rows(epoch.notes, names) for epoch in (before, after)]
    frame = before.network.frame
    factor = frame.combined_factor
    first = before.network.en[rows[0]]
    second = frame.to_local(after.network.frame.to_map(after.network.en[rows[1]]))
    lift = after.network.elevation[rows[1]] - before.network.elevation[rows[0]]
    plan_spread = _covariances(before, after, rows, "plan")
    level_spread = _covariances(before, after, rows, "level")
    _same_control(
        names,
        (first / factor, second / factor, lift),
        (plan_spread[0] + plan_spread[1], level_spread[0] + level_spread[1]),
        after.notes,
    )
    in_plan, in_height = frame_of_plan(first / factor), frame_of_level(len(names))
    plan = find_stable(
        ((second - first) / factor).ravel(),
        (plan_spread[0] + plan_spread[1]) / factor**2,
        in_plan,
        size=2,
        noise_degrees_of_freedom=pooled_degrees_of_freedom(
            plan_spread,
            in_plan,
            (before.network.degrees_of_freedom, after.network.degrees_of_freedom),
        ),
    )
    level = find_stable(
        lift,
        level_spread[0] + level_spread[1],
        in_height,
        size=1,
        noise_degrees_of_freedom=pooled_degrees_of_freedom(
            level_spread,
            in_height,
            (before.network.vertical_degrees_of_freedom, after.network.vertical_degrees_of_freedom),
        ),
    )
    known = before.network.accuracy_known and after.network.accuracy_known
    marks = tuple(
        _mark(name, before, int(rows[0][i]), i, plan, level, known) for i, name in enumerate(names)
    )
    ground = None
    if before.site is not None and after.site is not None:
        ground = change_of_ground(
            (before.site.ground, after.site.ground),
            before.site.grid,
            (rows[0][level.stable], rows[1][level.stable]),
            plan.frame,
            first.mean(axis=0),
        )
    change = Change(
        marks,
        plan,
        level,
        ground,
        progress(before.taken, after.taken, before.notes.site.codes | after.notes.site.codes),
        features_not_walked_again(before.drawing, after.drawing),
        _apart(before, after, rows, plan, level),
    )
    findings_ = wording.findings(change, other_marks, before.notes, after.notes)
    return replace(change, findings=findings_)


def _same_map(before: Epoch, after: Epoch) -> None:
    one, other = before.network.frame, after.network.frame
    if name_unless_same_map(other.crs_wkt, one.crs_wkt) is not None:
        raise InputError(
            Problem(
                "surveys-crs",
                f"this survey is on {other.crs_name} and the one before on {one.crs_name}",
                "two surveys on one map",
                "anchor both in the same CRS",
                after.notes.site_file,
            )
        )
    if one.vertical_name != other.vertical_name:
        raise InputError(
            Problem(
                "surveys-heights",
                f"this survey has heights in {other.vertical_name or 'no system'} and the one "
                f"before in {one.vertical_name or 'no system'}",
                "the same vertical_crs",
                "give both the same vertical_crs, or leave it out of both",
                after.notes.site_file,
            )
        )


def _same_control(
    names: Sequence[str],
    places: tuple[Floats, Floats, Floats],
    spread: tuple[Floats, Floats],
    after: Notes,
) -> None:
    """Refuse given coordinates that both surveys take as exact and that are not the same.

    Marks cannot have moved exactly: one of the site files is wrong, and what it stretches would
    pass for movements of all other marks.

    Parameters
    ----------
    names
    places : arrays, shape (m, 2), (m, 2) and (m,), ground metres
        Before, after, and how much higher after.
    spread : arrays, shape (2 m, 2 m) and (m, m)
        Covariance of the differences.
    after
    """
    first, second, lift = places
    in_plan = np.flatnonzero(np.diagonal(spread[0]).reshape(-1, 2).max(axis=1) < EXACT_M**2)
    in_height = np.flatnonzero(np.diagonal(spread[1]) < EXACT_M**2)
    off_words = []
    for a, b in combinations(in_plan.tolist(), 2):
        off = math.dist(second[a], second[b]) - math.dist(first[a], first[b])
        if abs(off) > SAME_M:
            off_words.append((names[a], names[b], off, "farther from" if off > 0 else "nearer to"))
    for a, b in combinations(in_height.tolist(), 2):
        off = float(lift[b] - lift[a])
        if abs(off) > SAME_M:
            off_words.append(
                (names[a], names[b], off, "higher against" if off > 0 else "lower against")
            )
    if off_words:
        raise InputError(
            [
                Problem(
                    "surveys-control",
                    f"{other} lies {abs(off):.3f} m {sense} {one} than in the survey before, and "
                    "both take these marks as exact",
                    "the same coordinates in both site files",
                    "correct them, or give the marks a sigma",
                    after.site_file,
                )
                for one, other, off, sense in off_words
            ]
        )


def _common(before: Epoch, after: Epoch) -> tuple[list[str], list[str]]:
    """Return the marks of both surveys, and those that only share a name."""
    there = set(after.notes.book.marks)
    names = [name for name in before.notes.book.marks if name in there]
    alike: list[str] = []
    if len(names) > 2:
        frame = before.network.frame
        first = before.network.en[_rows(before.notes, names)]
        second = after.network.en[_rows(after.notes, names)]
        step = frame.to_local(after.network.frame.to_map(second)) - first
        away = np.hypot(*(step - np.median(step, axis=0)).T)
        # nothing on a yard walks that far
        far = away > max(ANOTHER_M, 0.1 * float(np.hypot(*np.ptp(first, axis=0))))
        alike = [name for name, off in zip(names, far.tolist(), strict=True) if off]
        names = [name for name in names if name not in alike]
    if len(names) < 2:
        raise InputError(
            Problem(
                "surveys-nothing-common",
                f"{'only one' if names else 'no'} mark of the survey before is in this one",
                "two or more marks under the same names in both",
                "give the same mark the same name; visit the baseline in both",
                after.notes.site_file,
            )
        )
    if len(names) <= COMMON:
        return names, alike
    baseline = before.notes.site.baseline
    known = [name for name in (baseline.from_, baseline.to) if name in names]
    rest = [name for name in names if name not in known]
    # spread over the walk, not its first marks only
    picked = np.linspace(0, len(rest) - 1, COMMON - len(known)).round().astype(int)
    return [*known, *(rest[i] for i in picked.tolist())], alike


def _rows(notes: Notes, names: Sequence[str]) -> Ints:
    book = notes.book
    marks, first = np.unique(book.mark, return_index=True)
    row_of = dict(zip(marks.tolist(), first.tolist(), strict=True))
    return np.array([row_of[book.marks.index(name)] for name in names], np.int64)


def _forms(rows: Ints, what: Literal["plan", "level"]) -> list[LinearForm]:
    one, none = np.ones(1), np.zeros(1)
    if what == "level":
        return [LinearForm(np.array([row]), none, none, one) for row in rows]
    return [
        LinearForm(np.array([row]), *axis, none)
        for row in rows
        for axis in ((one, none), (none, one))
    ]


def _covariances(
    before: Epoch, after: Epoch, rows: Sequence[Ints], what: Literal["plan", "level"]
) -> tuple[Floats, Floats]:
    one, other = (
        covariance(epoch.network.relative, _forms(own, what))
        for epoch, own in zip((before, after), rows, strict=True)
    )
    return one, other


def _apart(
    before: Epoch, after: Epoch, rows: Sequence[Ints], plan: Stability, level: Stability
) -> Apart:
    """Return what the frames of the surveys are off by, and whether their anchors explain it."""

    def explained(
        off: float, stable: npt.NDArray[np.bool_], what: Literal["plan", "level"]
    ) -> Explained:
        total = 0.0
        for epoch, own in zip((before, after), rows, strict=True):
            if not epoch.network.accuracy_known:
                return "not known" if off > SEEN_M else "yes"
            mean = np.full(int(stable.sum()), 1.0 / max(int(stable.sum()), 1))
            axes = np.eye(3)[:2] if what == "plan" else np.eye(3)[2:]
            forms = [LinearForm(own[stable], *(mean * part for part in axis)) for axis in axes]
            total += float(np.trace(covariance(epoch.network, forms)))
        if off > max(4.0 * math.sqrt(total), SEEN_M / 10):
            return "no"
        return "yes, but far" if off > FAR_M else "yes"

    step, lift = math.hypot(*plan.frame[:2]), float(level.frame[0])
    return Apart(
        step,
        lift,
        explained(step, plan.stable, "plan"),
        explained(abs(lift), level.stable, "level"),
    )


def _mark(
    name: str, before: Epoch, row: int, number: int, plan: Stability, level: Stability, known: bool
) -> MarkChange:
    flat, up = plan.marks[number], level.marks[number]
    in_plan = t_factor(flat.test.noise_degrees_of_freedom) if known else math.inf
    in_height = t_factor(up.test.noise_degrees_of_freedom) if known else math.inf
    east, north = flat.shift.tolist()
    length = math.hypot(east, north)
    along = flat.shift / length if length > 0 else np.array([1.0, 0.0])
    spread = math.sqrt(max(float(along @ flat.covariance @ along), 0.0))
    sigma = np.sqrt(np.maximum(np.diagonal(flat.covariance), 0.0)).tolist()
    major, minor, azimuth = ellipses(flat.covariance[None])
    wide = ellipse_factor(flat.test.noise_degrees_of_freedom)
    sigma_up = math.sqrt(max(float(up.covariance[0, 0]), 0.0))
    return MarkChange(
        name,
        before.network.en[row],
        float(before.network.elevation[row]),
        Estimate.normal(east, sigma[0], in_plan),
        Estimate.normal(north, sigma[1], in_plan),
        Estimate.normal(float(up.shift[0]), sigma_up, in_height),
        Estimate.normal(length, spread, in_plan),
        flat.detectable,
        up.detectable,
        flat.test.probability,
        up.test.probability,
        _verdict(plan, number) if known else "undecided",
        _verdict(level, number) if known else "undecided",
        (float(major[0]) * wide, float(minor[0]) * wide, float(azimuth[0])),
    )


def _verdict(found: Stability, number: int) -> Verdict:
    if not found.last.passed or number in found.doubtful:
        return "undecided"
    # nothing was measured, or of two marks in plan nothing but their distance
    if not found.last.degrees_of_freedom or all(one.is_along_only for one in found.marks):
        return "undecided"
    # of many marks that together are congruent one may stand out by itself
    alone = found.marks[number].test.passed
    if found.stable[number]:
        return "stable" if alone else "undecided"
    return "undecided" if alone else "moved"
