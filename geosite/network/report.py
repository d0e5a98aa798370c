"""The network's part of ``report.json``: plain dicts, lists and numbers, no NaN, no infinity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.anchor import Anchored
from geosite.network.checks import LengthCheck
from geosite.network.covariance import orientation_variances
from geosite.network.mistakes.facts import Mistake
from geosite.network.model import Closure, Network
from geosite.network.tie import Misfit
from geosite.network.trust import (
    Advice,
    CheckPoints,
    DirectionCheck,
    LeverArm,
    NeighbourPrecision,
    Noise,
    angular_limit,
    direction_check,
    levelling_mm_per_sqrt_km,
    nssda_horizontal,
    nssda_vertical,
)
from geosite.network.walk import Walk

__all__ = ["CLOSURE_CLASSES", "Judged", "report"]

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
    """What was judged about a network."""

    noise: tuple[Noise, Noise]
    length: LengthCheck | None
    misfits: tuple[Misfit, Misfit]
    checks: CheckPoints
    arm: LeverArm
    advice: tuple[Advice, ...]
    neighbours: NeighbourPrecision | None
    mistakes: tuple[Mistake, ...]


def report(
    notes: Notes, anchored: Anchored, network: Network, walk: Walk, judged: Judged
) -> dict[str, object]:
    """Return everything about the network that has no column of its own."""
    book, frame, rules = notes.book, network.frame, notes.site.survey.closure_rules
    baseline = notes.site.baseline
    ends = walk.knots.index(baseline.from_), walk.knots.index(baseline.to)
    counts = np.bincount(book.run, minlength=len(book.runs))
    turn = np.sqrt(orientation_variances(network))
    return {
        "frame": {
            "crs": frame.crs_name,
            "vertical_crs": frame.vertical_name,
            "unit": frame.unit_name,
            "elevation_unit": frame.height_unit_name,
            "grid_scale_factor": frame.grid_scale_factor,
            "elevation_factor": frame.elevation_factor,
            "combined_factor": frame.combined_factor,
            "convergence_deg": math.degrees(frame.convergence),
        },
        "anchor": {
            "marks": [
                {
                    "mark": c.name,
                    "use": "check" if c.check else "anchor",
                    "sigma_m": c.sigma,
                    "exact": c.sigma == 0,
                }
                for c in anchored.controls
            ],
            "grid_azimuth_deg": None
            if anchored.azimuth is None
            else math.degrees(anchored.azimuth[0]) % 360,
        },
        "runs": [
            {
                "run": name,
                "orientation_deg": math.degrees(float(network.orientation[i])),
                "orientation_sigma_deg": math.degrees(float(turn[i])),
                "observations": int(counts[i]),
                "direction": _direction(direction_check(book, walk, i, ends), rules),
            }
            for i, name in enumerate(book.runs)
        ],
        "closures": [_closure(c, rules) for c in network.closures],
        "ties": _ties(book, network.raw_en),
        "unchecked": _unchecked(book, walk),
        "baseline": None if judged.length is None else _length(judged.length),
        "noise": {
            axis: _rounded(asdict(noise))
            for axis, noise in zip(("horizontal", "vertical"), judged.noise, strict=True)
        },
        "control": {
            axis: _misfit(fit, walk)
            for axis, fit in zip(("horizontal", "vertical"), judged.misfits, strict=True)
        },
        "check_points": _checks(judged.checks),
        "lever_arm": _arm(book, judged.arm),
        "advice": [_advice(book, a) for a in judged.advice],
        "neighbour_precision": _neighbours(book, judged.neighbours),
        "mistakes": [_mistake(book, m) for m in judged.mistakes],
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _rounded(values: dict[str, object]) -> dict[str, object]:
    return {k: _finite(v) if isinstance(v, float) else v for k, v in values.items()}


def _closure(closure: Closure, rules: Sequence[str]) -> dict[str, object]:
    classes = [one for rule in rules for one in CLOSURE_CLASSES[rule]]
    reached = [name for ratio, name in classes if closure.ratio >= ratio]
    return {
        "run": closure.run,
        "mark": closure.mark,
        "first_line": closure.first_line,
        "last_line": closure.last_line,
        "length_m": closure.length_m,
        "misclosure_m": closure.misclosure_m,
        "misclosure_up_m": closure.misclosure_up_m,
        "ratio": _finite(closure.ratio),
        "sigma_m": closure.sigma_m,
        "levelling_mm_per_sqrt_km": levelling_mm_per_sqrt_km(closure),
        "would_meet": reached,
    }


def _direction(check: DirectionCheck | None, rules: Sequence[str]) -> dict[str, object] | None:
    if check is None:
        return None
    found: dict[str, object] = {
        "misclosure_deg": math.degrees(check.misclosure),
        "sigma_deg": math.degrees(check.sigma),
        "angles": check.angles,
    }
    if "WAC 332-130-090" in rules:
        found["information_only"] = (
            "WAC 332-130-090(2): 10 and 30 seconds times the root of the angles"
        )
        found["limit_10_deg"] = math.degrees(angular_limit(10.0, check.angles))
        found["limit_30_deg"] = math.degrees(angular_limit(30.0, check.angles))
    return found


def _length(check: LengthCheck) -> dict[str, object]:
    return {
        "from": check.start,
        "to": check.end,
        "measured_m": check.measured_m,
        "mapped_m": check.mapped_m,
        "ppm": check.ppm,
        "sigma_m": check.sigma_m,
        "sigmas": check.sigmas,
    }


def _misfit(fit: Misfit, walk: Walk) -> dict[str, object] | None:
    if fit.freedom == 0:
        return None
    names = ("east_m", "north_m") if fit.residual.shape[1] == 2 else ("up_m",)
    return {
        "chi_square": fit.squares,
        "freedom": fit.freedom,
        "residuals": [
            {"mark": walk.knots[knot]} | dict(zip(names, row, strict=True))
            for knot, row in zip(fit.knot.tolist(), fit.residual.tolist(), strict=True)
        ],
    }


def _checks(checks: CheckPoints) -> dict[str, object] | None:
    if not checks.names:
        return None
    out: dict[str, object] = {
        "points": [
            {
                "mark": name,
                "east_m": _finite(east),
                "north_m": _finite(north),
                "up_m": _finite(up),
                "sigma_h_m": sigma[0],
                "sigma_v_m": sigma[2],
            }
            for name, (east, north, up), sigma in zip(
                checks.names, checks.error.tolist(), checks.sigma.tolist(), strict=True
            )
        ]
    }
    plan = np.isfinite(checks.error[:, 0])
    if plan.any():
        rmse, at_95 = nssda_horizontal(checks.error[plan, 0], checks.error[plan, 1])
        out |= {"rmse_r_m": rmse, "horizontal_95_m": at_95, "horizontal_points": int(plan.sum())}
    up = np.isfinite(checks.error[:, 2])
    if up.any():
        rmse, at_95 = nssda_vertical(checks.error[up, 2])
        out |= {"rmse_z_m": rmse, "vertical_95_m": at_95, "vertical_points": int(up.sum())}
    return out


def _mark(book: FieldBook, row: int) -> str | None:
    return book.marks[book.mark[row]] if book.mark[row] >= 0 else None


def _arm(book: FieldBook, arm: LeverArm) -> dict[str, object]:
    return {
        "mark": _mark(book, arm.row),
        "line": int(book.line[arm.row]),
        "distance_m": arm.distance_m,
        "baseline_m": arm.baseline_m,
        "error_95_m": arm.error_95_m,
        "swing_95_m": arm.swing_95_m,
        "baseline_only_95_m": arm.baseline_only_95_m,
    }


def _advice(book: FieldBook, advice: Advice) -> dict[str, object]:
    return {
        "kind": advice.kind,
        "mark": advice.mark,
        "run": advice.run or None,
        "after_line": int(book.line[advice.row]) if advice.row >= 0 else None,
        "error_95_m": advice.error_95_m,
    }


def _neighbours(book: FieldBook, found: NeighbourPrecision | None) -> dict[str, object] | None:
    if found is None:
        return None
    return {
        "information_only": "2 cm + 50 ppm at 95 % between neighbouring marks; no boundary survey",
        "pairs": found.pairs,
        "within": found.within,
        "worst_pair": [_mark(book, row) for row in found.worst],
        "worst_95_m": found.worst_95_m,
        "allowed_m": found.allowed_m,
    }


def _mistake(book: FieldBook, mistake: Mistake) -> dict[str, object]:
    return {
        "kind": mistake.kind,
        "run": mistake.run,
        "lines": [int(book.line[row]) for row in mistake.rows],
        "marks": list(mistake.marks),
        "error_m": [_finite(v) for v in mistake.error.tolist()],
        "chance": mistake.chance,
    }


def _ties(book: FieldBook, raw_en: Floats) -> list[dict[str, object]]:
    """List marks that several runs visited, and how far apart the runs put them unadjusted."""
    rows = np.flatnonzero(book.mark >= 0)
    if not len(rows):
        return []
    rows = rows[np.lexsort((book.run[rows], book.mark[rows]))]
    pair = book.mark[rows] * len(book.runs) + book.run[rows]
    first = np.flatnonzero(np.append(True, pair[1:] != pair[:-1]))
    visits = np.diff(np.append(first, len(rows)))
    seen = np.add.reduceat(raw_en[rows], first, axis=0) / visits[:, None]
    mark, run = book.mark[rows[first]], book.run[rows[first]]
    cuts = np.flatnonzero(np.append(True, mark[1:] != mark[:-1]))
    ends = np.append(cuts[1:], len(mark))
    return [
        {
            "mark": book.marks[mark[a]],
            "runs": [book.runs[r] for r in run[a:b].tolist()],
            "spread_m": float(np.hypot(*np.ptp(seen[a:b], axis=0))),
        }
        for a, b in zip(cuts.tolist(), ends.tolist(), strict=True)
        if b - a > 1
    ]


def _unchecked(book: FieldBook, walk: Walk) -> list[dict[str, object]]:
    """List the ends of runs that nothing checks: they never come back to a common mark."""
    at = np.flatnonzero(walk.after < 0)
    # every run meets the baseline, so the end of one never touches that of the next
    ends = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(at) else []
    return [
        {
            "run": book.runs[walk.run[end[0]]],
            "first_line": int(book.line[walk.row[end[0]]]),
            "last_line": int(book.line[walk.row[end[-1]]]),
            "observations": len(end),
        }
        for end in ends
    ]
