"""Adjust a survey: from notes to placed marks with their covariance."""

from __future__ import annotations

import math

import numpy as np

from geosite.errors import Finding, Problem, SurveyRefused
from geosite.fieldbook.model import Floats, Ints, Notes
from geosite.network.checks import (
    LengthCheck,
    anchor_ok,
    baseline_apart,
    closures_ok,
    length_ok,
)
from geosite.network.frame import (
    Anchored,
    Control,
    at_middle,
    combined_factor,
    read_anchor,
)
from geosite.network.model import Closure, Frame, Network
from geosite.network.similarity import fit_rigid
from geosite.network.solve import Legs, Placement, Prior, level, place
from geosite.network.walk import Complexes, Walk, loops, make_chains, scaled_path, walk_runs

__all__ = ["adjust"]

VARYING = 1e-3
"""Metres; the combined factor is taken leg by leg when its change over the survey costs more."""


def adjust(notes: Notes) -> Network:
    """Place every observation on the map by least squares.

    Parameters
    ----------
    notes
        The survey as read.

    Returns
    -------
    Network

    Raises
    ------
    InputError
        If the anchor cannot be used: CRS, marks, azimuth.
    SurveyRefused
        If the survey cannot be right: baseline missing or collapsed, loops that do not close,
        a unit mistake; all of them together.

    Notes
    -----
    The scale is the combined factor of the map at the survey's middle, not an unknown. Leg
    variances are taken as they are in grid metres; the combined factor is left out of them.
    """
    book, baseline = notes.book, notes.site.baseline
    anchored = read_anchor(notes)
    problems = anchor_ok(notes, anchored)
    if problems:
        raise SurveyRefused(problems)
    always = {baseline.from_, baseline.to}
    always |= {control.name for control in anchored.controls if not control.check}
    walk = walk_runs(book, notes.site.survey.leg_noise, always)
    closures = loops(book, walk)
    problems = baseline_apart(notes, walk)
    refused, findings = closures_ok(notes, closures)
    problems += refused
    if any(p.code == "baseline-marks-coincide" for p in problems):
        raise SurveyRefused(problems)

    knot = {name: i for i, name in enumerate(walk.knots)}
    start_knot, end_knot = knot[baseline.from_], knot[baseline.to]
    free = _free_network(notes, walk, anchored.frame.combined_factor, start_knot, end_knot)
    check = _length_check(anchored, free, knot, (baseline.from_, baseline.to))
    if check is not None:
        refused, more = length_ok(notes, anchored, check)
        problems += refused
        findings += more
    if problems:
        raise SurveyRefused(problems)

    heights = _height_prior(anchored.controls, knot, start_knot)
    frame, path, legs, placement = _on_the_map(notes, walk, anchored, free, knot, heights)
    if not placement.converged:
        raise SurveyRefused(
            Problem(
                "network-unsettled",
                "the orientations of the runs do not settle",
                "runs that fit together at their common marks",
                "check the mark names: the same name must be the same physical mark",
                book.file,
            )
        )
    elevation, vertical, _, _ = level(legs, heights)
    chains, offset, rise = make_chains(walk, path, placement.orientation)
    share = chains.fraction[:, None]
    en = (1 - share) * placement.position[chains.start]
    en += share * placement.position[chains.end] + offset
    up = (1 - chains.fraction) * elevation[chains.start]
    up += chains.fraction * elevation[chains.end] + rise
    raw_en, raw_up = _raw(
        notes, walk, path, placement, elevation, (start_knot, end_knot), anchored.controls
    )
    if not any(c.elevation is not None and not c.check for c in anchored.controls):
        findings.append(
            Finding(
                "look",
                "elevation-relative",
                f"No elevation is given: elevations count from mark {baseline.from_}, which is 0, "
                "and the map scale is that of sea level.",
                notes.site_file,
            )
        )
    if check is None:
        findings.append(
            Finding(
                "note",
                "scale-unchecked",
                "Only one mark has a known position, so no length on the map checks the notes.",
                notes.site_file,
            )
        )
    report = _report(notes, frame, closures, check, placement.orientation, raw_en, walk, anchored)
    return Network(
        frame=frame,
        en=en,
        elevation=up,
        raw_en=raw_en,
        raw_elevation=raw_up,
        orientation=placement.orientation,
        chains=chains,
        horizontal=placement.covariance,
        vertical=vertical,
        variance_factor=1.0,
        vertical_variance_factor=1.0,
        closures=closures,
        findings=anchored.findings + tuple(findings),
        report=report,
    )


def _legs(walk: Walk, path: Floats, runs: int) -> Legs:
    step = path[walk.leg_end] - path[walk.leg_start]
    return Legs(
        run=walk.leg_run,
        start=walk.leg_from,
        end=walk.leg_to,
        vector=step[:, :2],
        rise=step[:, 2],
        variance=walk.leg_variance,
        knots=len(walk.knots),
        runs=runs,
    )


def _first_orientations(legs: Legs, walk: Walk, path: Floats, start: int, end: int) -> Floats:
    """Orientation of each run that lays its own baseline, first visits, along the east axis."""
    turn = np.zeros(legs.runs)
    for run in range(legs.runs):
        inside = walk.run == run
        first = int(np.argmax(inside & (walk.knot == start)))
        second = int(np.argmax(inside & (walk.knot == end)))
        x, y = (path[second] - path[first])[:2]
        turn[run] = -math.atan2(y, x)
    return turn


def _free_network(notes: Notes, walk: Walk, factor: float, start: int, end: int) -> Placement:
    """Tie the runs to each other only: first mark at 0, the first run's baseline east."""
    path = scaled_path(walk, notes.book.local, factor)
    legs = _legs(walk, path, len(notes.book.runs))
    turn = _first_orientations(legs, walk, path, start, end)
    origin = Prior(np.array([start]), np.zeros((1, 2)), np.zeros(1))
    return place(legs, origin, turn, hold_first=True)


def _known(controls: tuple[Control, ...], knot: dict[str, int]) -> Prior:
    used = [c for c in controls if c.position is not None and not c.check]
    return Prior(
        np.array([knot[c.name] for c in used], dtype=np.int64),
        np.array([c.position for c in used], dtype=np.float64),
        np.array([c.sigma for c in used]),
    )


def _height_prior(controls: tuple[Control, ...], knot: dict[str, int], start: int) -> Prior:
    used = [c for c in controls if c.elevation is not None and not c.check]
    if not used:
        return Prior(np.array([start]), np.zeros(1), np.zeros(1))
    return Prior(
        np.array([knot[c.name] for c in used], dtype=np.int64),
        np.array([c.elevation for c in used], dtype=np.float64),
        np.array([c.sigma_elevation for c in used]),
    )


def _length_check(
    anchored: Anchored, free: Placement, knot: dict[str, int], baseline: tuple[str, str]
) -> LengthCheck | None:
    """Compare the baseline, or the two known marks farthest apart, in the notes and on the map."""
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
    i, j = knot[pair[0]], knot[pair[1]]
    vector = free.position[j] - free.position[i]
    length = float(np.hypot(*vector))
    along = vector / max(length, 1e-12)
    form = np.zeros(len(free.covariance))
    count = len(free.position)
    form[[i, j]] += -along[0], along[0]
    form[[count + i, count + j]] += -along[1], along[1]
    variance = float(form @ free.covariance @ form) + first.sigma**2 + second.sigma**2
    factor = anchored.frame.combined_factor
    return LengthCheck(
        pair[0],
        pair[1],
        length / factor,
        math.dist(first.position, second.position) / factor,
        math.sqrt(max(variance, 0.0)) / factor,
        factor,
    )


def _on_the_map(
    notes: Notes,
    walk: Walk,
    anchored: Anchored,
    free: Placement,
    knot: dict[str, int],
    heights: Prior,
) -> tuple[Frame, Floats, Legs, Placement]:
    """Adjust with the anchor; the combined factor is taken at the middle of what comes out."""
    book, baseline = notes.book, notes.site.baseline
    prior = _known(anchored.controls, knot)
    start, end = knot[baseline.from_], knot[baseline.to]
    azimuth = None
    if len(prior.knot) >= 2:
        turn = fit_rigid(free.position[prior.knot], prior.value).turn
    else:
        assert anchored.azimuth is not None
        azimuth = (start, end, *anchored.azimuth)
        turn = 0.0
    orientation = free.orientation + turn
    frame = anchored.frame
    factor: float | Complexes = frame.combined_factor
    geoid = notes.site.anchor.geoid_height or 0.0
    for turn_number in range(3):
        path = scaled_path(walk, book.local, factor)
        legs = _legs(walk, path, len(book.runs))
        placement = place(legs, prior, orientation, azimuth=azimuth)
        if turn_number == 2:
            break
        orientation = placement.orientation
        chains, offset, rise = make_chains(walk, path, orientation)
        share = chains.fraction[:, None]
        en = (1 - share) * placement.position[chains.start] + offset
        en += share * placement.position[chains.end]
        elevation = level(legs, heights)[0]
        up = elevation[chains.start] + chains.fraction * (
            elevation[chains.end] - elevation[chains.start]
        )
        up = up + rise + geoid
        frame, factor = _factor(frame, walk, en, up)
    return frame, path, legs, placement


def _factor(
    frame: Frame, walk: Walk, en: Floats, height: Floats
) -> tuple[Frame, float | Complexes]:
    """Frame at the survey's middle, and the combined factor: one number, or one per leg.

    Per leg it is a plane in position and height, the first terms of its series, fitted over the
    extent; a map whose scale changes also bends straight lines (arc-to-chord correction: the turn
    grows by the sideways change of scale). Both only when the change of scale over the survey costs
    more than a millimetre.
    """
    low, high = en.min(axis=0), en.max(axis=0)
    middle = (low + high) / 2
    level_m = float(height.mean())
    frame = at_middle(frame, (float(middle[0]), float(middle[1])), level_m)
    half = np.maximum((high - low) / 2, 1.0)
    cross = middle + half * np.array([[-1, 0], [1, 0], [0, -1], [0, 1], [0, 0]])
    above = np.array([0.0, 0.0, 0.0, 0.0, 100.0])
    easting, northing = frame.to_map(cross).T
    factors = combined_factor(frame.crs_wkt, easting, northing, level_m + above)
    slope = (factors[[1, 3]] - factors[[0, 2]]) / (2 * half)
    upward = (factors[4] - frame.combined_factor) / above[4]
    offset = en - middle
    change = offset @ slope + upward * (height - level_m)
    spread = float(np.ptp(change))
    if spread < 1e-6 or spread / 2 * float(np.hypot(*(high - low))) < VARYING:
        return frame, frame.combined_factor
    turn = (slope[0] * offset[:, 1] - slope[1] * offset[:, 0]) / frame.combined_factor
    at_row = ((frame.combined_factor + change) * np.exp(1j * turn))[walk.row]
    per_leg: Complexes = at_row.copy()
    per_leg[1:] = (at_row[1:] + at_row[:-1]) / 2
    return frame, per_leg


def _raw(
    notes: Notes,
    walk: Walk,
    path: Floats,
    placement: Placement,
    elevation: Floats,
    baseline: tuple[int, int],
    controls: tuple[Control, ...],
) -> tuple[Floats, Floats]:
    """Each run placed by its own first visits to the two baseline marks, unadjusted."""
    target = placement.position[list(baseline)].copy()
    up = elevation[list(baseline)]
    for control in controls:
        for i, number in enumerate(baseline):
            if control.name == walk.knots[number] and control.position and not control.check:
                target[i] = control.position
    en, height = np.empty((len(path), 2)), np.empty(len(path))
    for run in range(len(notes.book.runs)):
        inside = walk.run == run
        visits: Ints = np.array([np.argmax(inside & (walk.knot == k)) for k in baseline])
        moved = fit_rigid(path[visits, :2], target).apply(path[inside, :2])
        en[walk.row[inside]] = moved
        height[walk.row[inside]] = path[inside, 2] + float((up - path[visits, 2]).mean())
    return en, height


def _report(
    notes: Notes,
    frame: Frame,
    closures: tuple[Closure, ...],
    check: LengthCheck | None,
    orientation: Floats,
    raw_en: Floats,
    walk: Walk,
    anchored: Anchored,
) -> dict[str, object]:
    """Everything for ``report.json``; ratios of 0 misclosure are left out (no infinity in JSON)."""
    book = notes.book
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
                "orientation_deg": math.degrees(float(orientation[i])),
                "observations": int((book.run == i).sum()),
            }
            for i, name in enumerate(book.runs)
        ],
        "closures": [
            {
                "run": c.run,
                "mark": c.mark,
                "first_line": c.first_line,
                "last_line": c.last_line,
                "length_m": c.length_m,
                "misclosure_m": c.misclosure_m,
                "misclosure_up_m": c.misclosure_up_m,
                "ratio": c.ratio if math.isfinite(c.ratio) else None,
                "sigma_m": c.sigma_m,
            }
            for c in closures
        ],
        "ties": _ties(notes, walk, raw_en),
        "baseline": None
        if check is None
        else {
            "from": check.start,
            "to": check.end,
            "measured_m": check.measured_m,
            "mapped_m": check.mapped_m,
            "ppm": check.ppm,
            "sigma_m": check.sigma_m,
            "sigmas": check.sigmas,
        },
    }


def _ties(notes: Notes, walk: Walk, raw_en: Floats) -> list[dict[str, object]]:
    """List marks that several runs visited, and how far apart the runs put them unadjusted."""
    book = notes.book
    rows = np.flatnonzero(book.mark >= 0)
    rows = rows[np.argsort(book.mark[rows], kind="stable")]
    cuts = np.flatnonzero(np.diff(book.mark[rows])) + 1
    ties: list[dict[str, object]] = []
    for group in np.split(rows, cuts):
        runs = np.unique(book.run[group])
        if len(runs) < 2:
            continue
        seen = np.array([raw_en[group[book.run[group] == r]].mean(axis=0) for r in runs])
        spread = float(np.hypot(*np.ptp(seen, axis=0)))
        ties.append(
            {
                "mark": book.marks[book.mark[group[0]]],
                "runs": [book.runs[r] for r in runs],
                "spread_m": spread,
            }
        )
    return ties
