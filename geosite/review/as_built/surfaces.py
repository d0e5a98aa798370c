"""The built surface against the designed one, code by code, over the possible grounds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.review.design_ground.zones import Zone
from geosite.terrain.ground import Ground

__all__ = ["SurfaceDeviation", "surface_deviations"]

PLACES = 4_000
"""At which a surface is compared."""


@dataclass(frozen=True, slots=True)
class SurfaceDeviation:
    """One code's surface.

    Parameters
    ----------
    code
    area_m2
        Ground area that was compared.
    mean_m
        Built above designed.
    share_within
        Of the area within the tolerance in height; None without one.
    height_limit
    above_m3, below_m3
        Built above and below the design.
    placed_m3, thickness_m
        Laid on the ground before, and how thick; None where that is not known.
    thickness_wanted, thickness_limit
        Depth of the code, and its tolerance.
    thickness_verdict
    """

    code: str
    area_m2: float
    mean_m: Estimate
    share_within: Estimate | None
    height_limit: float | None
    above_m3: Estimate
    below_m3: Estimate
    placed_m3: Estimate | None
    thickness_m: Estimate | None
    thickness_wanted: float | None
    thickness_limit: float | None
    thickness_verdict: str | None


def surface_deviations(
    notes: Notes,
    drawing: Drawing,
    ground: Ground,
    zones: Sequence[Zone],
    before: Ground | None,
) -> tuple[SurfaceDeviation, ...]:
    """Compare the areas of each code with the design under them."""
    design = shapely.union_all([zone.shape for zone in zones])
    shapes: dict[str, list[BaseGeometry]] = {}
    for feature in drawing.features:
        if feature.kind == "area":
            met = shapely.intersection(shapely.force_2d(feature.geometry), design)
            if met.area > 0:
                shapes.setdefault(feature.code, []).append(met)
    found = []
    for code, parts in shapes.items():
        one = _compared(notes, code, shapely.union_all(parts), ground, zones, before)
        if one is not None:
            found.append(one)
    return tuple(found)


def _lattice(shape: BaseGeometry) -> Floats:
    west, south, east, north = shapely.bounds(shape)
    spacing = math.sqrt(shapely.area(shape) / PLACES)
    e = np.arange(west + spacing / 2, east, spacing)
    n = np.arange(south + spacing / 2, north, spacing)
    grid = np.stack(np.meshgrid(e, n), axis=-1).reshape(-1, 2)
    inside: Floats = grid[shapely.contains_xy(shape, grid[:, 0], grid[:, 1])]
    return inside


def _compared(
    notes: Notes,
    code: str,
    shape: BaseGeometry,
    ground: Ground,
    zones: Sequence[Zone],
    before: Ground | None,
) -> SurfaceDeviation | None:
    places = _lattice(shape)
    designed = np.full(len(places), np.nan)
    for zone in zones:
        here = np.asarray(shapely.intersects_xy(zone.shape, places[:, 0], places[:, 1]))
        heights = zone.heights(places[here])
        designed[here] = np.where(np.isfinite(heights), heights, designed[here])
    built = ground.elevations_at(places)
    met = np.isfinite(designed) & np.isfinite(built)
    if not met.any():
        return None
    places, designed, built = places[met], designed[met], built[met]
    factor = ground.network.frame.combined_factor
    area = float(shapely.area(shape)) / factor**2 * float(met.mean())
    cell = area / len(places)
    off = built - designed
    draws = ground.draws_at(places) - designed if ground.draws else off[None, :]
    limits = notes.site.tolerances.get(code)
    height = None if limits is None else limits.height
    share = None
    if height is not None:
        share = _of(float((np.abs(off) <= height).mean()), (np.abs(draws) <= height).mean(axis=1))
    placed = thickness = verdict = None
    wanted = notes.site.codes[code].depth if code in notes.site.codes else None
    limit = None if limits is None else limits.thickness
    if before is not None:
        old = before.elevations_at(
            before.network.frame.to_local(ground.network.frame.to_map(places))
        )
        known = np.isfinite(old)
        if known.any():
            laid, laid_draws = _laid(ground, before, places[known])
            thickness = _of(float(laid.mean()), laid_draws.mean(axis=1))
            placed = thickness.scaled(area * float(known.mean()))
            if wanted is not None and limit is not None:
                verdict = _within(thickness, wanted - limit, wanted + limit)
    return SurfaceDeviation(
        code,
        area,
        _of(float(off.mean()), draws.mean(axis=1)),
        share,
        height,
        _of(float(off[off > 0].sum()) * cell, np.maximum(draws, 0).sum(axis=1) * cell),
        _of(float(-off[off < 0].sum()) * cell, np.maximum(-draws, 0).sum(axis=1) * cell),
        placed,
        thickness,
        wanted,
        limit,
        verdict,
    )


def _laid(ground: Ground, before: Ground, places: Floats) -> tuple[Floats, Floats]:
    there = before.network.frame.to_local(ground.network.frame.to_map(places))
    laid = ground.elevations_at(places) - before.elevations_at(there)
    count = min(ground.draws, before.draws)
    if not count:
        return laid, laid[None, :]
    # the two surveys know nothing of each other: one of them in another order
    drawn = ground.draws_at(places)[:count] - before.draws_at(there)[:count][::-1]
    return laid, drawn


def _of(value: float, draws: Floats) -> Estimate:
    if len(draws) < 2:
        return Estimate(value, -math.inf, math.inf)
    found = Estimate.from_draws(value, draws)
    return Estimate(value, min(found.low, value), max(found.high, value))


def _within(value: Estimate, low: float, high: float) -> str:
    if low <= value.low and value.high <= high:
        return "within"
    return "beyond" if value.low > high or value.high < low else "undecided"
