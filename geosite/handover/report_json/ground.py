"""The ground of the report: surface, water, and how far each number can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.handover.report_model import ground as ground_model
from geosite.handover.report_model.ground import Spread
from geosite.terrain.site import SLOPE_BREAKS_PERCENT, Terrain
from geosite.terrain.site_water import Water
from geosite.terrain.surface.roughness import Roughness
from geosite.terrain.water.water_estimates import (
    CatchmentEstimate,
    PavingEstimate,
    PondEstimate,
    estimate_slope_classes,
)

if TYPE_CHECKING:
    from geosite.analysis.falls import FallVerdict

__all__ = ["ground_report"]


def ground_report(
    terrain: Terrain, falls: Sequence[FallVerdict], frame: Frame
) -> ground_model.Ground:
    """Return the ground between the marks."""
    inside = terrain.elevation[np.isfinite(terrain.elevation)] / frame.height_unit_m
    sigma = terrain.sigma[np.isfinite(terrain.sigma)]
    grid, water = terrain.grid, terrain.water
    cell_m2 = (grid.cell_size * frame.ground_unit_m) ** 2
    classes, low, high = _slope_classes(terrain, cell_m2)
    return ground_model.Ground(
        cell_size=grid.cell_size,
        rows=grid.rows,
        cols=grid.cols,
        unit=frame.unit_name,
        elevation_unit=frame.height_unit_name,
        lowest=float(inside.min()) if inside.size else None,
        highest=float(inside.max()) if inside.size else None,
        points=len(terrain.ground.tin.points),
        method=terrain.surface.method,
        scores=terrain.surface.scores,
        sigma_m=Spread(float(np.median(sigma)), float(sigma.max())) if sigma.size else None,
        roughness=_roughness(terrain.ground.roughness),
        possible_grounds=terrain.ground.draws,
        slope_breaks_percent=SLOPE_BREAKS_PERCENT,
        slope_classes_m2=classes,
        slope_classes_low_m2=low,
        slope_classes_high_m2=high,
        falls_from_buildings=tuple(_fall(one, frame) for one in falls),
        flat_paving=tuple(_paving(one, frame) for one in water.paving),
        ponds=tuple(_pond(one) for one in water.ponds),
        catchments=tuple(_catchment(one, water) for one in water.catchments),
    )


def _bound(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _ends(estimate: Estimate) -> tuple[float | None, float | None]:
    return _bound(estimate.low), _bound(estimate.high)


_Classes = dict[str, tuple[float, ...]]


def _slope_classes(terrain: Terrain, cell_m2: float) -> tuple[_Classes, _Classes, _Classes]:
    """Return the areas by slope class, and both ends of their intervals; empty if not known."""
    water, counted = terrain.water, terrain.classes

    def named(rows: Floats) -> _Classes:
        areas = zip(water.area_names, rows * cell_m2, strict=True)
        return {name: tuple(row.tolist()) for name, row in areas}

    if water.realised is None:
        return named(counted.astype(np.float64)), {}, {}
    low, high = estimate_slope_classes(counted, water.realised.class_cells)
    return named(counted.astype(np.float64)), named(low), named(high)


def _roughness(rough: Roughness) -> ground_model.Roughness:
    return ground_model.Roughness(
        sigma_m=tuple(math.sqrt(sill) for sill in rough.sills),
        weight=rough.weights,
        range_m=rough.ranges,
        wide_sigma_m=tuple(math.sqrt(sill) for sill in rough.wide_sills),
        wide_range_m=_bound(rough.wide_range_m),
        marks_left_out=rough.departures,
        reach_m=_bound(rough.reach_m),
    )


def _pond(one: PondEstimate) -> ground_model.Pond:
    depth, volume, area = _ends(one.depth_m), _ends(one.volume_m3), _ends(one.area_m2)
    return ground_model.Pond(
        depth_m=one.depth_m.value,
        depth_low_m=depth[0],
        depth_high_m=depth[1],
        volume_m3=one.volume_m3.value,
        volume_low_m3=volume[0],
        volume_high_m3=volume[1],
        area_m2=one.area_m2.value,
        area_low_m2=area[0],
        area_high_m2=area[1],
        probability=_bound(one.probability),
        is_significant=one.is_significant,
    )


def _catchment(one: CatchmentEstimate, water: Water) -> ground_model.Catchment:
    number = one.catchment.inlet
    low, high = _ends(one.area_m2)
    return ground_model.Catchment(
        leaves_by=one.catchment.kind,
        inlet=water.inlets[number - 1] if number else None,
        area_m2=one.area_m2.value,
        area_low_m2=low,
        area_high_m2=high,
    )


def _fall(told: FallVerdict, frame: Frame) -> ground_model.Fall:
    one = told.estimate
    fall, worst = one.fall, one.worst_percent
    short, toward = _ends(one.short_m), _ends(one.toward_m)
    easting, northing = frame.to_map((fall.easting, fall.northing)).tolist()
    return ground_model.Fall(
        name=fall.name,
        distance_m=fall.distance_m,
        wall_m=fall.wall_m,
        short_m=fall.short_m,
        short_low_m=short[0],
        short_high_m=short[1],
        toward_m=fall.toward_m,
        toward_low_m=toward[0],
        toward_high_m=toward[1],
        worst_percent=worst.value,
        worst_sigma_percent=worst.sigma,
        worst_95_percent=_bound(worst.half_width),
        limit_percent=fall.limit_percent,
        is_paved=fall.is_paved,
        over_m=fall.over_m,
        easting=easting,
        northing=northing,
        verdict=told.verdict,
        source=told.rule.source,
        section=told.rule.section,
        sense=told.rule.sense,
        beyond_m=told.lengths_m["beyond"],
        undecided_m=told.lengths_m["undecided"],
        not_measured_m=told.lengths_m["not measured"],
        within_m=told.lengths_m["within"],
    )


def _paving(one: PavingEstimate, frame: Frame) -> ground_model.Paving:
    paving = one.paving
    low, high = _ends(one.flat_m2)
    easting, northing = frame.to_map((paving.easting, paving.northing)).tolist()
    return ground_model.Paving(
        name=paving.name,
        flat_m2=paving.flat_m2,
        flat_low_m2=low,
        flat_high_m2=high,
        known_m2=paving.known_m2,
        minimum_percent=paving.minimum_percent,
        patch_m2=paving.patch_m2,
        easting=_bound(easting),
        northing=_bound(northing),
    )
