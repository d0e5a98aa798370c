"""The built surface against the designed one, code by code, over the possible grounds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.as_built.datum import Datum
from geosite.analysis.design_ground.zones import Zone
from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate, interval_of_draws
from geosite.base.grid import Grid
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.terrain.uncertainty.ground import Ground
from geosite.terrain.water.flow import polygons

__all__ = ["Patch", "SurfaceDeviation", "Verdict", "laid_of_whole", "surface_deviations"]

Verdict = Literal["within", "beyond", "undecided"]

PLACES = 4_000
"""At which a surface is compared."""
COVERED = 0.95
"""Share of a code's area on whose volume between two surveys it is priced."""
_SIDES_THEN_CORNERS = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1))


@dataclass(frozen=True, slots=True)
class Patch:
    """Where the surface of a code has one verdict.

    Parameters
    ----------
    code
    verdict
        Of the height, place by place at 95 %.
    shape
        Polygon or multipolygon, local grid metres.
    area_m2
        On the ground.
    """

    code: str
    verdict: Verdict
    shape: BaseGeometry
    area_m2: float


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
    patches
        Where it is within, beyond, undecided; none without a tolerance in height.
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
    patches: tuple[Patch, ...] = ()


@dataclass(frozen=True, eq=False)
class _CachedDraws:
    """A ground in the frame of the marks that hold it."""

    ground: Ground
    datum: Datum

    @cached_property
    def errors(self) -> tuple[Floats, Floats]:
        """Of the marks that hold it, on each possible ground."""
        rows = self.datum.plan_rows, self.datum.level_rows
        return self.ground.mark_draws(rows[0]), self.ground.mark_draws(rows[1])

    def draws_at(self, places: Floats) -> Floats:
        """Return the possible grounds at places, less what the frame of each moves them."""
        triangle, _ = self.ground.weights(places)
        moved = self.datum.of_ground(*self.errors, places, self.ground.gradients[triangle])
        found: Floats = self.ground.draws_at(places) - moved
        return found


def surface_deviations(
    notes: Notes,
    drawing: Drawing,
    ground: Ground,
    datum: Datum,
    zones: Sequence[Zone],
    before: Ground | None,
) -> tuple[SurfaceDeviation, ...]:
    """Compare the areas of each code with the design under them.

    Against the marks that hold both, as marks and edges are: see `geosite.analysis.as_built.datum`.
    """
    design = shapely.union_all([zone.shape for zone in zones])
    shapes: dict[str, list[BaseGeometry]] = {}
    for feature in drawing.features:
        if feature.kind == "area":
            met = shapely.intersection(shapely.force_2d(feature.geometry), design)
            if met.area > 0:
                shapes.setdefault(feature.code, []).append(met)
    cached_draws, found = _CachedDraws(ground, datum), []
    for code, parts in shapes.items():
        one = _compared(notes, code, shapely.union_all(parts), cached_draws, zones, before)
        if one is not None:
            found.append(one)
    return tuple(found)


def laid_of_whole(
    surfaces: Sequence[SurfaceDeviation], area_m2: Mapping[str, float]
) -> dict[str, Estimate]:
    """Return what was laid of each code, m3, where it was compared on nearly all of its area.

    Parameters
    ----------
    surfaces
        From `surface_deviations`.
    area_m2
        Ground area of each code.

    Returns
    -------
    dict
        Without the codes of which only a part lies on the design: a volume of a part is no measure
        of the whole.
    """
    return {
        one.code: one.placed_m3
        for one in surfaces
        if one.placed_m3 is not None
        and one.thickness_m is not None
        and one.placed_m3.value >= COVERED * area_m2[one.code] * one.thickness_m.value
    }


def _lattice(shape: BaseGeometry) -> tuple[Grid, Ints, Floats]:
    """Return a grid, the cells whose middles lie in a shape, and these middles, shape (n, 2)."""
    west, south, east, north = shapely.bounds(shape).tolist()
    spacing = math.sqrt(shapely.area(shape) / PLACES)
    rows, cols = math.ceil((north - south) / spacing), math.ceil((east - west) / spacing)
    grid = Grid(west, south + rows * spacing, spacing, rows, cols)
    places = np.stack(np.meshgrid(*grid.centres()), axis=-1).reshape(-1, 2)
    cells = np.flatnonzero(shapely.contains_xy(shape, places[:, 0], places[:, 1]))
    return grid, cells, places[cells]


def _patches(
    code: str,
    limit: float,
    draws: Floats,
    cells: Ints,
    grid: Grid,
    shape: BaseGeometry,
    factor: float,
) -> tuple[Patch, ...]:
    """Return where the surface is within, beyond and undecided, cell by cell.

    Parameters
    ----------
    draws : array, shape (draws, n)
        Built above designed on each possible ground, in `cells`.
    """
    if len(draws) < 2:
        return ()
    low, high = interval_of_draws(draws)
    numbers = np.zeros(grid.rows * grid.cols, np.int32)
    within, beyond = (low >= -limit) & (high <= limit), (low > limit) | (high < -limit)
    numbers[cells] = np.select([within, beyond], [1, 2], 3)
    # along the outline the cells are cut, or go on to it
    wide = np.pad(numbers.reshape(grid.shape), 1)
    for turn in _SIDES_THEN_CORNERS:
        near = np.roll(np.pad(numbers.reshape(grid.shape), 1), turn, (0, 1))
        wide = np.where(wide == 0, near, wide)
    size = grid.cell_size
    wider = Grid(grid.west - size, grid.north + size, size, grid.rows + 2, grid.cols + 2)
    verdicts: tuple[Verdict, ...] = ("within", "beyond", "undecided")
    found = []
    for number, outline in polygons(wide, wider).items():
        part = shapely.intersection(outline, shape)
        if part.area > 0:
            area = float(part.area) / factor**2
            found.append(Patch(code, verdicts[number - 1], part, area))
    return tuple(found)


def _compared(
    notes: Notes,
    code: str,
    shape: BaseGeometry,
    cached_draws: _CachedDraws,
    zones: Sequence[Zone],
    before: Ground | None,
) -> SurfaceDeviation | None:
    ground = cached_draws.ground
    grid, cells, places = _lattice(shape)
    designed = np.full(len(places), np.nan)
    for zone in zones:
        here = np.asarray(shapely.intersects_xy(zone.shape, places[:, 0], places[:, 1]))
        heights = zone.heights(places[here])
        designed[here] = np.where(np.isfinite(heights), heights, designed[here])
    built = ground.elevations_at(places)
    met = np.isfinite(designed) & np.isfinite(built)
    if not met.any():
        return None
    places, designed, built, cells = places[met], designed[met], built[met], cells[met]
    factor = ground.network.frame.combined_factor
    area = float(shapely.area(shape)) / factor**2 * float(met.mean())
    cell = area / len(places)
    off = built - designed
    draws = cached_draws.draws_at(places) - designed if ground.draws else off[None, :]
    limits = notes.site.tolerances.get(code)
    height = None if limits is None else limits.height
    share, patches = None, tuple[Patch, ...]()
    if height is not None:
        patches = _patches(code, height, draws, cells, grid, shape, factor)
        share = _estimate(
            float((np.abs(off) <= height).mean()), (np.abs(draws) <= height).mean(axis=1)
        )
    placed = thickness = verdict = None
    required_depth = notes.site.codes[code].depth if code in notes.site.codes else None
    limit = None if limits is None else limits.thickness
    if before is not None:
        old = before.elevations_at(
            before.network.frame.to_local(ground.network.frame.to_map(places))
        )
        known = np.isfinite(old)
        if known.any():
            thick, thick_draws = _placed_thickness(ground, before, places[known])
            thickness = _estimate(float(thick.mean()), thick_draws.mean(axis=1))
            placed = thickness.scaled(area * float(known.mean()))
            if required_depth is not None and limit is not None:
                verdict = _within(thickness, required_depth - limit, required_depth + limit)
    return SurfaceDeviation(
        code,
        area,
        _estimate(float(off.mean()), draws.mean(axis=1)),
        share,
        height,
        _estimate(float(off[off > 0].sum()) * cell, np.maximum(draws, 0).sum(axis=1) * cell),
        _estimate(float(-off[off < 0].sum()) * cell, np.maximum(-draws, 0).sum(axis=1) * cell),
        placed,
        thickness,
        required_depth,
        limit,
        verdict,
        patches,
    )


def _placed_thickness(ground: Ground, before: Ground, places: Floats) -> tuple[Floats, Floats]:
    there = before.network.frame.to_local(ground.network.frame.to_map(places))
    thickness = ground.elevations_at(places) - before.elevations_at(there)
    count = min(ground.draws, before.draws)
    if not count:
        return thickness, thickness[None, :]
    # the two surveys know nothing of each other: one of them in another order
    drawn = ground.draws_at(places)[:count] - before.draws_at(there)[:count][::-1]
    return thickness, drawn


def _estimate(value: float, draws: Floats) -> Estimate:
    if len(draws) < 2:
        return Estimate(value, -math.inf, math.inf)
    found = Estimate.from_draws(value, draws)
    return Estimate(value, min(found.low, value), max(found.high, value))


def _within(value: Estimate, low: float, high: float) -> str:
    if low <= value.low and value.high <= high:
        return "within"
    return "beyond" if value.low > high or value.high < low else "undecided"
