"""Deviations of what was built from what was designed, with their intervals and verdicts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely

from geosite.analysis.as_built import wording
from geosite.analysis.as_built.datum import Datum, datum_of
from geosite.analysis.as_built.edges import edge_deviations
from geosite.analysis.as_built.model import AsBuilt, Deviation, Plan, Verdict
from geosite.analysis.as_built.surfaces import SurfaceDeviation, surface_deviations
from geosite.analysis.design_ground.zones import Zone
from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Tolerance
from geosite.linework.model import Drawing
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["compare_design"]


def compare_design(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground | None,
    plan: Plan,
    before: Ground | None = None,
) -> AsBuilt:
    """Compare a walked survey with a design.

    Parameters
    ----------
    notes, network, drawing, ground
        The survey of what was built.
    plan
        The design.
    before
        The ground before, for what was laid on it.
    """
    datum = datum_of(notes, network)
    codes = _codes(notes)
    found = [
        *_marks(notes, network, datum, plan, codes),
        *edge_deviations(network, drawing, datum, plan.edges),
    ]
    limits = notes.site.tolerances
    judged = tuple(_judged(one, limits) for one in found)
    book = notes.book
    missing = tuple(name for name, _ in plan.points if name not in book.marks)
    surfaces: tuple[SurfaceDeviation, ...] = ()
    if ground is not None and plan.zones:
        surfaces = surface_deviations(notes, drawing, ground, datum, plan.zones, before)
    made = AsBuilt(judged, surfaces, missing)
    return replace(made, findings=wording.findings(made, notes))


def _codes(notes: Notes) -> dict[str, str]:
    """Return the code of each mark, that of its first observation with one."""
    book = notes.book
    found: dict[str, str] = {}
    for row in np.flatnonzero((book.mark >= 0) & (book.code >= 0)).tolist():
        found.setdefault(book.marks[book.mark[row]], book.codes[book.code[row]])
    return found


def _row_forms(row: int) -> tuple[LinearForm, LinearForm, LinearForm]:
    at, one, none = np.array([row]), np.ones(1), np.zeros(1)
    return (
        LinearForm(at, one, none, none),
        LinearForm(at, none, one, none),
        LinearForm(at, none, none, one),
    )


def _marks(
    notes: Notes, network: Network, datum: Datum, plan: Plan, codes: Mapping[str, str]
) -> list[Deviation]:
    book, factor = notes.book, network.frame.combined_factor
    designed = dict(plan.points)
    known = {*notes.site.anchor.marks, notes.site.baseline.from_, notes.site.baseline.to}
    found = []
    for number, name in enumerate(book.marks):
        if name in known and name not in designed:
            continue
        row = int(np.flatnonzero(book.mark == number)[0])
        en, up = network.en[row], float(network.elevation[row])
        place = np.array([*en, up])
        east, north, lift = _row_forms(row)
        code = codes.get(name, "")
        if name in designed:
            target = designed[name]
            off = (en - target[:2]) / factor
            length = float(np.hypot(*off))
            along = off / length if length > 0 else np.array([1.0, 0.0])
            both = east * float(along[0]) + north * float(along[1])
            forms = [
                datum.in_plan(east, en, np.array([1.0, 0.0])) * (1 / factor),
                datum.in_plan(north, en, np.array([0.0, 1.0])) * (1 / factor),
                datum.in_plan(both, en, along) * (1 / factor),
                datum.in_height(lift),
            ]
            sigma, half = accuracies(network, forms)
            values = [*off.tolist(), length, up - float(target[2])]
            e, n, length_of, level = (
                _estimate(v, s, h) for v, s, h in zip(values, sigma, half, strict=True)
            )
            known_up = level if math.isfinite(values[3]) else None
            found.append(
                Deviation("mark", name, code, place, e, n, length_of, known_up, shift=off * factor)
            )
            continue
        height = _designed(plan.zones, en[None, :])[0]
        if not math.isfinite(height):
            continue
        sigma, half = accuracies(network, [datum.in_height(lift)])
        level = _estimate(up - float(height), sigma[0], half[0])
        found.append(Deviation("mark", name, code, place, None, None, None, level))
    return found


def _estimate(value: float, sigma: float, half: float) -> Estimate:
    return Estimate(float(value), float(value - half), float(value + half), float(sigma))


def _designed(zones: Sequence[Zone], places: Floats) -> Floats:
    """Return the designed elevation at places, NaN outside the design; a later zone on top."""
    height = np.full(len(places), np.nan)
    for zone in zones:
        here = np.asarray(shapely.dwithin(zone.shape, shapely.points(places), 1e-6))
        found = zone.heights(places[here])
        height[here] = np.where(np.isfinite(found), found, height[here])
    return height


def _judged(one: Deviation, limits: Mapping[str, Tolerance]) -> Deviation:
    limit = limits.get(one.code)
    if limit is None:
        return one
    return replace(
        one,
        plan_limit=limit.plan,
        height_limit=limit.height,
        plan_verdict=_verdict(one.plan, limit.plan),
        height_verdict=_verdict(one.up, limit.height),
    )


def _verdict(value: Estimate | None, limit: float | None) -> Verdict | None:
    """Judge how far a number may be from nought, at 95 %."""
    if value is None or limit is None:
        return None
    if -limit <= value.low and value.high <= limit:
        return "within"
    return "beyond" if value.low > limit or value.high < -limit else "undecided"
