"""The true ground of `rough_sites` asked the same as the surveyed one: what intervals hold."""

from __future__ import annotations

import numpy as np
from rough_sites import Walked

from geosite.terrain.water.realised_drainage import RealisedDrainage, drain_realisations

__all__ = ["Bins", "Held", "held_by", "true_answer"]

PLACES = 200

Held = list[tuple[str, float]]
Bins = list[tuple[str, float, float]]


def held_by(walked: Walked, seed: int) -> tuple[Held, Bins, Held]:
    """Return what was held (1) or not (0) by name; shares said with what is so; counts."""
    terrain, truth = walked.terrain, true_answer(walked)
    water, realised = terrain.water, terrain.water.realised
    assert realised is not None
    held = [*_places(walked, seed), *_numbers(walked, truth, realised)]
    known = np.isfinite(realised.confidence)
    bins = [
        ("confidence", float(p), float(q))
        for p, q in zip(realised.confidence[known], truth.confidence[known], strict=True)
    ]
    bins += [
        ("ponding probability", float(p), float(q))
        for p, q in zip(realised.ponding[known], truth.ponding[known], strict=True)
    ]
    for k in range(len(realised.to_inlet)):
        bins += [
            ("drains to inlet", float(p), float(q))
            for p, q in zip(realised.to_inlet[k][known], truth.to_inlet[k][known], strict=True)
        ]
    sure = [k for k, pond in enumerate(water.ponds) if pond.is_significant]
    counts = [
        ("significant ponds", float(len(sure))),
        ("significant ponds that are none", float((truth.pond_depth[0, sure] <= 0).sum())),
        (
            "walks with a significant pond that is none",
            float((truth.pond_depth[0, sure] <= 0).any()),
        ),
    ]
    return held, bins, counts


def true_answer(walked: Walked) -> RealisedDrainage:
    """Return what the true ground answers to the questions."""
    terrain = walked.terrain
    east, north = terrain.local.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    z = walked.true_elevations(places).reshape(terrain.local.shape)
    z[np.isnan(terrain.surface.z)] = np.nan
    return drain_realisations(terrain.water.reference, lambda _: z[None], 1)


def _places(walked: Walked, seed: int) -> Held:
    ground = walked.terrain.ground
    rng = np.random.default_rng([seed, 3])
    points = ground.tin.points[:, :2]
    at = rng.uniform(points.min(axis=0), points.max(axis=0), (PLACES, 2))
    at = at[ground.measured(at)]
    error = np.abs(ground.elevations_at(at) - walked.true_elevations(at))
    marks, between = ground.sigmas_at(at)
    half = np.hypot(marks, between) * [
        ground.coverage_factor(a * a, b * b) for a, b in zip(marks, between, strict=True)
    ]
    z = walked.terrain.sigma
    row = ((walked.terrain.local.north - at[:, 1]) / walked.terrain.local.cell_size).astype(int)
    col = ((at[:, 0] - walked.terrain.local.west) / walked.terrain.local.cell_size).astype(int)
    raster = z[row, col]
    seen = np.isfinite(raster)
    factor = ground.network.vertical_interval_factor
    pairs = at[: len(at) // 2 * 2].reshape(-1, 2, 2)
    near = pairs[:, 0] + np.clip(pairs[:, 1] - pairs[:, 0], -1.0, 1.0)
    both = np.stack([pairs[:, 0], near], axis=1)[:20]
    return [
        *(("elevation at a place", float(one)) for one in error < half),
        *(("elevation_sigma.tif", float(one)) for one in (error < factor * raster)[seen]),
        *(("rise between near places", one) for one in _rises(walked, both)),
    ]


def _rises(walked: Walked, pairs: np.ndarray) -> list[float]:
    ground, held = walked.terrain.ground, []
    drop = np.array([1.0, -1.0])
    for pair in pairs:
        if not ground.measured(pair).all():
            continue
        whole = float(drop @ ground.covariance_at(pair) @ drop)
        between = float(drop @ ground.departure_covariance(pair) @ drop)
        error = drop @ ground.elevations_at(pair) - drop @ walked.true_elevations(pair)
        half = np.sqrt(whole) * ground.coverage_factor(whole - between, between)
        held.append(float(abs(error) < half))
    return held


def _numbers(walked: Walked, truth: RealisedDrainage, realised: RealisedDrainage) -> Held:
    water = walked.terrain.water
    found: Held = []

    def count(name: str, low: float, high: float, so: float) -> None:
        found.append((name, float(low - 1e-9 <= so <= high + 1e-9)))

    cell = walked.terrain.local.cell_size**2 / walked.network.frame.combined_factor**2
    for k, pond in enumerate(water.ponds):
        groups = ["pond"] + (["significant pond"] if pond.is_significant else [])
        for group in groups:
            count(f"{group}: depth", pond.depth_m.low, pond.depth_m.high, truth.pond_depth[0, k])
            area, volume = truth.pond_cells[0, k] * cell, truth.pond_volume[0, k] * cell
            count(f"{group}: area", pond.area_m2.low, pond.area_m2.high, area)
            count(f"{group}: volume", pond.volume_m3.low, pond.volume_m3.high, volume)
            inflow = truth.pond_inflow[0, k] * cell
            count(f"{group}: inflow", pond.inflow_m2.low, pond.inflow_m2.high, inflow)
            if truth.pond_depth[0, k] > 0:
                level = truth.pond_level[0, k]
                count(f"{group}: spill level", pond.level_m.low, pond.level_m.high, level)
    for k, one in enumerate(water.catchments):
        kind = one.catchment.kind
        if kind == "edge" and one.catchment.cells * cell < 5.0:
            continue
        area = truth.catchment_cells[0, k] * cell
        count(f"catchment ({kind})", one.area_m2.low, one.area_m2.high, area)
    for one in water.paving:
        k = water.area_names.index(one.paving.name)
        count("flat paving", one.flat_m2.low, one.flat_m2.high, truth.flat_cells[0, k] * cell)
    for k, fall in enumerate(water.falls):
        profiles = water.reference.profiles[k]
        true = truth.fall_percent[k][0]
        short = profiles.short(true) @ profiles.width_m
        toward = profiles.toward(true) @ profiles.width_m
        worst = fall.worst_percent
        count("fall from building", worst.low, worst.high, true[fall.fall.worst])
        count("wall with too little fall", fall.short_m.low, fall.short_m.high, short)
        count("wall with water towards it", fall.toward_m.low, fall.toward_m.high, toward)
    low, high = np.quantile(realised.class_cells, (0.025, 0.975), axis=0)
    own = walked.terrain.classes
    for a, classes in enumerate(truth.class_cells[0]):
        for c, cells in enumerate(classes):
            if own[a, c] or cells:
                bounds = min(low[a, c], own[a, c]), max(high[a, c], own[a, c])
                count("slope classes", *bounds, cells)
    for k, path in enumerate(water.paths):
        length = truth.path_steps[0, k] * np.sqrt(cell)
        count("flow path: length", path.length_m.low, path.length_m.high, length)
        count("flow path: fall", path.fall_m.low, path.fall_m.high, truth.path_fall[0, k])
    return found
