"""The network's part of ``report.json``, filled from what was judged."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.wgs84 import to_wgs84
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network import report_model as model
from geosite.network import report_trust as trust
from geosite.network.accuracy.advice import Advice
from geosite.network.accuracy.check_points import CheckPoints, nssda_horizontal, nssda_vertical
from geosite.network.accuracy.error_shares import ErrorShares
from geosite.network.accuracy.lever_arm import LeverArm
from geosite.network.accuracy.open_ends import OpenEnd, open_stretches
from geosite.network.accuracy.precision import (
    AzimuthCheck,
    DirectionCheck,
    NeighbourPrecision,
    angular_limit,
    direction_check,
    levelling_mm_per_sqrt_km,
)
from geosite.network.accuracy.sight import orientation_variances
from geosite.network.checks.facts import LengthCheck
from geosite.network.control.model import Anchored
from geosite.network.mistakes.facts import Mistake
from geosite.network.model import Closure, Network
from geosite.network.noise import Noise
from geosite.network.tie_runs import Misfit
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Walk

__all__ = ["CLOSURE_CLASSES", "Judged", "direction", "report", "ties", "unchecked"]

CLOSURE_CLASSES: dict[str, tuple[tuple[float, str], ...]] = {
    "WAC 332-130-090": (
        (5_000.0, "WAC 332-130-090(1), subdivisions, suburban and rural"),
        (10_000.0, "WAC 332-130-090(1), business districts"),
    ),
    "FGCC 1984": (
        (20_000.0, "FGCC 1984 table 2.1, second order class II (from memory)"),
        (50_000.0, "FGCC 1984 table 2.1, second order class I (from memory)"),
        (100_000.0, "FGCC 1984 table 2.1, first order (from memory)"),
    ),
}
"""Ratios of misclosure that published rules ask for, by the name the site file chooses them by."""


@dataclass(frozen=True, eq=False)
class Judged:
    """What was judged about a network, before anything is said of it.

    Parameters
    ----------
    device
        As the site file gives it.
    noise, misfits
        In plan and in height.
    length, azimuth
        Of the baseline, or of two known marks; ``None`` where nothing is known to compare with.
    checks, arm, advice, neighbours, mistakes
    shares
        What errors are made of; ``None`` where the accuracy is not known, or not computed.
    calibrated_95_m
        What the least certain place would be good to once the device is calibrated; ``None`` where
        the device is given.
    open_ends
        Ends of runs that come back to no common mark.
    """

    device: Device
    noise: tuple[Noise, Noise]
    length: LengthCheck | None
    misfits: tuple[Misfit, Misfit]
    azimuth: AzimuthCheck | None
    checks: CheckPoints
    arm: LeverArm
    advice: tuple[Advice, ...]
    neighbours: NeighbourPrecision | None
    mistakes: tuple[Mistake, ...]
    shares: ErrorShares | None = None
    calibrated_95_m: float | None = None
    open_ends: tuple[OpenEnd, ...] = ()


def report(
    notes: Notes, anchored: Anchored, network: Network, walk: Walk, judged: Judged
) -> model.NetworkReport:
    """Return everything about the network that has no column of its own."""
    book, rules = notes.book, notes.site.survey.closure_rules
    horizontal, vertical = judged.noise
    return model.NetworkReport(
        frame=_frame(network),
        anchor=_anchor(anchored),
        runs=_runs(notes, network, walk),
        closures=tuple(_closure(c, rules) for c in network.closures),
        ties=ties(book, network.raw_en),
        unchecked=unchecked(book, walk),
        baseline=None if judged.length is None else _length(judged.length),
        noise=trust.NoiseReport(horizontal=horizontal, vertical=vertical),
        control=_control(judged.misfits, walk),
        check_points=_checks(judged.checks),
        lever_arm=_arm(book, judged.arm, judged.calibrated_95_m),
        error_shares=_shares(book, judged.shares),
        advice=tuple(_advice(book, a) for a in judged.advice),
        neighbour_precision=_neighbours(book, judged.neighbours),
        mistakes=tuple(_mistake(book, m) for m in judged.mistakes),
    )


def _frame(network: Network) -> model.MapFrame:
    frame = network.frame
    longitude, latitude = None, None
    if frame.crs_wkt:
        found = to_wgs84(frame).place(frame.origin)[0]
        if np.isfinite(found).all():
            longitude, latitude = (round(degrees, 5) for degrees in found.tolist())
    return model.MapFrame(
        crs=frame.crs_name,
        vertical_crs=frame.vertical_name,
        unit=frame.unit_name,
        elevation_unit=frame.height_unit_name,
        grid_scale_factor=frame.grid_scale_factor,
        elevation_factor=frame.elevation_factor,
        combined_factor=frame.combined_factor,
        convergence_deg=math.degrees(frame.convergence),
        latitude=latitude,
        longitude=longitude,
    )


def _anchor(anchored: Anchored) -> model.Anchor:
    azimuth = anchored.azimuth
    return model.Anchor(
        marks=tuple(
            model.AnchoredMark(
                mark=c.name,
                use="check" if c.check else "anchor",
                sigma_m=c.sigma,
                exact=c.sigma == 0,
            )
            for c in anchored.controls
        ),
        grid_azimuth_deg=None if azimuth is None else math.degrees(azimuth[0]) % 360,
        transformation=anchored.shift.source or None,
        shift_sigma_m=anchored.shift.sigma,
        shift_sigma_up_m=anchored.shift.sigma_up,
        shift_known=not anchored.shift.unknown,
    )


def _runs(notes: Notes, network: Network, walk: Walk) -> tuple[model.RunReport, ...]:
    book, baseline, rules = notes.book, notes.site.baseline, notes.site.survey.closure_rules
    ends = walk.knots.index(baseline.from_), walk.knots.index(baseline.to)
    counts = np.bincount(book.run, minlength=len(book.runs))
    turn = np.degrees(np.sqrt(orientation_variances(network)))
    known = network.accuracy_known
    return tuple(
        model.RunReport(
            run=name,
            orientation_deg=math.degrees(float(network.orientation[i])),
            orientation_sigma_deg=float(turn[i]) if known else None,
            orientation_95_deg=float(turn[i]) * network.interval_factor if known else None,
            observations=int(counts[i]),
            direction=direction(direction_check(book, walk, i, ends), rules),
        )
        for i, name in enumerate(book.runs)
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _closure(closure: Closure, rules: Sequence[str]) -> model.ClosureReport:
    classes = [one for rule in rules for one in CLOSURE_CLASSES[rule]]
    return model.ClosureReport(
        run=closure.run,
        mark=closure.mark,
        first_line=closure.first_line,
        last_line=closure.last_line,
        length_m=closure.length_m,
        misclosure_m=closure.misclosure_m,
        misclosure_up_m=closure.misclosure_up_m,
        ratio=_finite(closure.ratio),
        sigma_m=closure.sigma_m,
        levelling_mm_per_sqrt_km=levelling_mm_per_sqrt_km(closure),
        would_meet=tuple(name for ratio, name in classes if closure.ratio >= ratio),
    )


def direction(check: DirectionCheck | None, rules: Sequence[str]) -> model.Direction | None:
    """Return the turn of a run between two passes of the baseline, with the limits asked for."""
    if check is None:
        return None
    found = model.Direction(
        misclosure_deg=math.degrees(check.misclosure),
        sigma_deg=math.degrees(check.sigma),
        angles=check.angles,
    )
    if "WAC 332-130-090" not in rules:
        return found
    return replace(
        found,
        information_only="WAC 332-130-090(2): 10 and 30 seconds times the root of the angles",
        limit_10_deg=math.degrees(angular_limit(10.0, check.angles)),
        limit_30_deg=math.degrees(angular_limit(30.0, check.angles)),
    )


def _length(check: LengthCheck) -> model.BaselineCheck:
    return model.BaselineCheck(
        from_=check.start,
        to=check.end,
        measured_m=check.measured_m,
        mapped_m=check.mapped_m,
        ppm=check.ppm,
        sigma_m=check.sigma_m,
        sigmas=check.sigmas,
    )


def _control(misfits: tuple[Misfit, Misfit], walk: Walk) -> trust.ControlFit:
    plan, heights = misfits
    in_plan = tuple(
        trust.PlanResidual(mark=mark, east_m=east, north_m=north)
        for mark, (east, north) in _residuals(plan, walk)
    )
    in_height = tuple(
        trust.HeightResidual(mark=mark, up_m=up) for mark, (up,) in _residuals(heights, walk)
    )
    return trust.ControlFit(
        horizontal=trust.PlanMisfit(
            chi_square=plan.squares, freedom=plan.freedom, residuals=in_plan
        )
        if plan.freedom
        else None,
        vertical=trust.HeightsMisfit(
            chi_square=heights.squares, freedom=heights.freedom, residuals=in_height
        )
        if heights.freedom
        else None,
    )


def _residuals(fit: Misfit, walk: Walk) -> Iterator[tuple[str, list[float]]]:
    """Yield each known mark with its misfits by axis."""
    for knot, residual in zip(fit.knot.tolist(), fit.residual.tolist(), strict=True):
        yield walk.knots[knot], residual


def _checks(checks: CheckPoints) -> trust.CheckedAccuracy | None:
    if not checks.names:
        return None
    rows = zip(checks.names, checks.error.tolist(), checks.sigma.tolist(), strict=True)
    found = trust.CheckedAccuracy(
        points=tuple(
            trust.CheckPoint(
                mark=name,
                east_m=_finite(east),
                north_m=_finite(north),
                up_m=_finite(up),
                sigma_h_m=_finite(sigma[0]),
                sigma_v_m=_finite(sigma[2]),
            )
            for name, (east, north, up), sigma in rows
        )
    )
    plan, height = np.isfinite(checks.error[:, 0]), np.isfinite(checks.error[:, 2])
    if plan.any():
        rmse, at_95 = nssda_horizontal(checks.error[plan, 0], checks.error[plan, 1])
        found = replace(
            found, rmse_r_m=rmse, horizontal_95_m=at_95, horizontal_points=int(plan.sum())
        )
    if height.any():
        rmse, at_95 = nssda_vertical(checks.error[height, 2])
        found = replace(
            found, rmse_z_m=rmse, vertical_95_m=at_95, vertical_points=int(height.sum())
        )
    return found


def _mark(book: FieldBook, row: int) -> str | None:
    return book.marks[book.mark[row]] if book.mark[row] >= 0 else None


def _shares(book: FieldBook, shares: ErrorShares | None) -> trust.ErrorSharesReport | None:
    if shares is None:
        return None

    def percent(parts: Mapping[str, float]) -> dict[str, float]:
        return {name: 100 * part for name, part in parts.items()}

    ends = None
    if shares.between is not None:
        ends = _mark(book, shares.between[0]) or "", _mark(book, shares.between[1]) or ""
    return trust.ErrorSharesReport(
        mark=_mark(book, shares.row),
        line=int(book.line[shares.row]),
        horizontal_percent=percent(shares.horizontal),
        vertical_percent=percent(shares.vertical),
        distance_between=ends,
        distance_percent=percent(shares.distance),
    )


def _arm(book: FieldBook, arm: LeverArm, calibrated: float | None) -> trust.LeastCertain:
    only = arm.baseline_only_95_m
    return trust.LeastCertain(
        mark=_mark(book, arm.row),
        line=int(book.line[arm.row]),
        distance_m=arm.distance_m,
        baseline_m=arm.baseline_m,
        error_95_m=_finite(arm.error_95_m),
        swing_95_m=_finite(arm.swing_95_m),
        calibrated_95_m=calibrated,
        baseline_only_95_m=None if only is None else _finite(only),
    )


def _advice(book: FieldBook, advice: Advice) -> trust.ExtraMeasurement:
    return trust.ExtraMeasurement(
        kind=advice.kind,
        mark=advice.mark,
        run=advice.run or None,
        after_line=int(book.line[advice.row]) if advice.row >= 0 else None,
        error_95_m=advice.error_95_m,
    )


def _neighbours(book: FieldBook, found: NeighbourPrecision | None) -> trust.NeighbourReport | None:
    if found is None:
        return None
    before, after = found.worst
    return trust.NeighbourReport(
        pairs=found.pairs,
        within=found.within,
        worst_pair=(_mark(book, before), _mark(book, after)),
        worst_95_m=found.worst_95_m,
        allowed_m=found.allowed_m,
    )


def _mistake(book: FieldBook, mistake: Mistake) -> trust.MistakeReport:
    return trust.MistakeReport(
        kind=mistake.kind,
        run=mistake.run,
        lines=tuple(int(book.line[row]) for row in mistake.rows),
        marks=tuple(mistake.marks),
        error_m=tuple(_finite(v) for v in mistake.error.tolist()),
        chance=mistake.chance,
    )


def ties(book: FieldBook, raw_en: Floats) -> tuple[model.Tie, ...]:
    """Return marks that several runs visited, and how far apart the runs put them unadjusted."""
    rows = np.flatnonzero(book.mark >= 0)
    if not len(rows):
        return ()
    rows = rows[np.lexsort((book.run[rows], book.mark[rows]))]
    pair = book.mark[rows].astype(np.int64) * len(book.runs) + book.run[rows]
    first = np.flatnonzero(np.append(True, pair[1:] != pair[:-1]))
    visits = np.diff(np.append(first, len(rows)))
    seen = np.add.reduceat(raw_en[rows], first, axis=0) / visits[:, None]
    mark, run = book.mark[rows[first]], book.run[rows[first]]
    cuts = np.flatnonzero(np.append(True, mark[1:] != mark[:-1]))
    ends = np.append(cuts[1:], len(mark))
    return tuple(
        model.Tie(
            mark=book.marks[mark[a]],
            runs=tuple(book.runs[r] for r in run[a:b].tolist()),
            spread_m=float(np.hypot(*np.ptp(seen[a:b], axis=0))),
        )
        for a, b in zip(cuts.tolist(), ends.tolist(), strict=True)
        if b - a > 1
    )


def unchecked(book: FieldBook, walk: Walk) -> tuple[model.Unchecked, ...]:
    """Return the ends of runs that nothing checks: they never come back to a common mark."""
    return tuple(
        model.Unchecked(
            run=book.runs[walk.run[end[0]]],
            first_line=int(book.line[walk.row[end[0]]]),
            last_line=int(book.line[walk.row[end[-1]]]),
            observations=len(end),
        )
        for end in open_stretches(walk)
    )
