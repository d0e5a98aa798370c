"""The true ground of `rough_sites` asked the same as the surveyed one: what intervals hold."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from rough_sites import Walked

from geosite.base.estimate import Estimate
from geosite.terrain.water.realised_drainage import RealisedDrainage, drain_realisations
from geosite.terrain.water.water_estimates import estimate_slope_classes

__all__ = ["BINS", "Compared", "Number", "compared", "said_at_places", "together", "true_answer"]

PLACES = 200

BINS = 10
"""Into which shares of possible grounds are sorted."""


@dataclass(frozen=True)
class Number:
    """A number of one walk beside the truth.

    Parameters
    ----------
    name
        What it is.
    of
        Of which pond, catchment, area, ...
    value, low, high, truth
    draws
        The number on every possible ground, from the least; six digits, which is what walks that
        are kept in a file have of it.
    """

    name: str
    of: str
    value: float
    low: float
    high: float
    truth: float
    draws: Sequence[float]

    @property
    def below(self) -> float:
        """Share of the possible grounds whose number is less than the truth.

        Those that equal it count by half. Even between 0 and 1 over many walks where the draws are
        right: with it and the draws themselves any other rule for intervals can be tried on walks
        that were kept.
        """
        apart = np.asarray(self.draws) - float(f"{self.truth:.6g}")
        return float((np.sign(-apart).mean() + 1) / 2)

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low - 1e-9 <= self.truth <= self.high + 1e-9


@dataclass(frozen=True)
class Compared:
    """One walk beside its truth.

    Parameters
    ----------
    numbers
        With intervals of their own.
    held : dict
        By name: how many of how many intervals at places held the truth.
    bins : dict
        By name: for each of ten bins of shares how many cells, the sum of the shares said, and how
        many were so.
    counts : dict
        Findings and findings that are wrong.
    """

    numbers: tuple[Number, ...]
    held: Mapping[str, tuple[int, int]]
    bins: Mapping[str, tuple[tuple[float, float, float], ...]]
    counts: Mapping[str, int] = field(default_factory=dict)

    def shares(self) -> Iterator[tuple[str, int, int]]:
        """Yield name, held and asked of everything that has an interval."""
        for name, (held, asked) in self.held.items():
            yield name, held, asked
        for number in self.numbers:
            yield number.name, int(number.held), 1


def compared(walked: Walked, seed: int) -> Compared:
    """Hold what a walk says against its truth."""
    terrain, truth = walked.terrain, true_answer(walked)
    water, realised = terrain.water, terrain.water.realised
    assert realised is not None
    known = np.isfinite(realised.confidence)
    bins = {
        "confidence": _binned(realised.confidence[known], truth.confidence[known]),
        "ponding probability": _binned(realised.ponding[known], truth.ponding[known]),
    }
    if len(realised.to_inlet):
        said, so = realised.to_inlet[:, known].ravel(), truth.to_inlet[:, known].ravel()
        bins["drains to inlet"] = _binned(said, so)
    sure = [k for k, pond in enumerate(water.ponds) if pond.is_significant]
    none = int((truth.pond_depth[0, sure] <= 0).sum())
    counts = {
        "pond findings": len(sure),
        "pond findings that are none": none,
        "walks with a pond finding that is none": int(none > 0),
    }
    return Compared(tuple(_numbers(walked, truth, realised)), _places(walked, seed), bins, counts)


def together(walks: Iterable[Compared], least: int = 1) -> tuple[dict[str, float], np.ndarray]:
    """Return which share of the intervals of walks held, and the bins of the directions, summed.

    Of what was asked less often than `least` nothing is told.
    """
    held: dict[str, int] = defaultdict(int)
    asked: dict[str, int] = defaultdict(int)
    bins = []
    for walk in walks:
        for name, inside, of in walk.shares():
            held[name] += inside
            asked[name] += of
        bins.append(walk.bins["confidence"])
    shares = {name: held[name] / asked[name] for name in held if asked[name] >= least}
    return shares, np.sum(bins, axis=0)


def _binned(said: np.ndarray, so: np.ndarray) -> tuple[tuple[float, float, float], ...]:
    group = np.minimum((said * BINS).astype(int), BINS - 1)
    sums = (np.bincount(group, weight, BINS) for weight in (np.ones(len(said)), said, so))
    return tuple((float(n), float(s), float(t)) for n, s, t in zip(*sums, strict=True))


def true_answer(walked: Walked) -> RealisedDrainage:
    """Return what the true ground answers to the questions."""
    terrain = walked.terrain
    east, north = terrain.local.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    z = walked.true_elevations(places).reshape(terrain.local.shape)
    z[np.isnan(terrain.surface.z)] = np.nan
    return drain_realisations(terrain.water.reference, lambda _: z[None], 1)


def said_at_places(walked: Walked, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return random places that count as measured, elevations there, half-widths of intervals."""
    ground = walked.terrain.ground
    rng = np.random.default_rng([seed, 3])
    points = ground.tin.points[:, :2]
    at = rng.uniform(points.min(axis=0), points.max(axis=0), (PLACES, 2))
    at = at[ground.measured(at)]
    marks, between = ground.sigmas_at(at)
    half = np.hypot(marks, between) * [
        ground.coverage_factor(a * a, b * b) for a, b in zip(marks, between, strict=True)
    ]
    return at, ground.elevations_at(at), half


def _places(walked: Walked, seed: int) -> dict[str, tuple[int, int]]:
    ground = walked.terrain.ground
    at, elevation, half = said_at_places(walked, seed)
    error = np.abs(elevation - walked.true_elevations(at))
    z = walked.terrain.sigma
    row = ((walked.terrain.local.north - at[:, 1]) / walked.terrain.local.cell_size).astype(int)
    col = ((at[:, 0] - walked.terrain.local.west) / walked.terrain.local.cell_size).astype(int)
    raster = z[row, col]
    seen = np.isfinite(raster)
    factor = ground.network.vertical_interval_factor
    pairs = at[: len(at) // 2 * 2].reshape(-1, 2, 2)
    near = pairs[:, 0] + np.clip(pairs[:, 1] - pairs[:, 0], -1.0, 1.0)
    both = np.stack([pairs[:, 0], near], axis=1)[:20]
    rises = _rises(walked, both)
    return {
        "elevation at a place": (int((error < half).sum()), len(at)),
        "elevation_sigma.tif": (int((error < factor * raster)[seen].sum()), int(seen.sum())),
        "rise between near places": (sum(rises), len(rises)),
    }


def _rises(walked: Walked, pairs: np.ndarray) -> list[bool]:
    ground, held = walked.terrain.ground, []
    drop = np.array([1.0, -1.0])
    for pair in pairs:
        if not ground.measured(pair).all():
            continue
        whole = float(drop @ ground.covariance_at(pair) @ drop)
        between = float(drop @ ground.departure_covariance(pair) @ drop)
        error = drop @ ground.elevations_at(pair) - drop @ walked.true_elevations(pair)
        half = np.sqrt(whole) * ground.coverage_factor(whole - between, between)
        held.append(bool(abs(error) < half))
    return held


def _number(name: str, of: str, said: Estimate, so: float, draws: np.ndarray) -> Number:
    kept = tuple(float(f"{one:.6g}") for one in np.sort(draws))
    return Number(name, of, said.value, said.low, said.high, float(so), kept)


def _numbers(
    walked: Walked, truth: RealisedDrainage, realised: RealisedDrainage
) -> Iterator[Number]:
    water = walked.terrain.water
    cell = walked.terrain.local.cell_size**2 / walked.network.frame.combined_factor**2
    yield from _of_ponds(walked, truth, realised, cell)
    for k, one in enumerate(water.catchments):
        catchment = one.catchment
        if catchment.kind == "edge" and catchment.cells * cell < 5.0:
            continue
        of = water.inlets[catchment.inlet - 1] if catchment.inlet else f"edge {k}"
        drawn = realised.catchment_cells[:, k] * cell
        area = truth.catchment_cells[0, k] * cell
        yield _number(f"catchment ({catchment.kind})", of, one.area_m2, area, drawn)
    for paved in water.paving:
        k = water.area_names.index(paved.paving.name)
        flat, drawn = truth.flat_cells[0, k] * cell, realised.flat_cells[:, k] * cell
        yield _number("flat paving", paved.paving.name, paved.flat_m2, flat, drawn)
    for k, fall in enumerate(water.falls):
        profiles = water.reference.profiles[k]
        true, drawn = truth.fall_percent[k][0], realised.fall_percent[k]
        name, wide, worst = fall.fall.name, profiles.width_m, fall.fall.worst
        yield _number("fall from building", name, fall.worst_percent, true[worst], drawn[:, worst])
        short = profiles.short(true) @ wide, profiles.short(drawn) @ wide
        yield _number("wall with too little fall", name, fall.short_m, *short)
        toward = profiles.toward(true) @ wide, profiles.toward(drawn) @ wide
        yield _number("wall with water towards it", name, fall.toward_m, *toward)
    own = walked.terrain.classes
    low, high = estimate_slope_classes(own, realised.class_cells)
    for a, classes in enumerate(truth.class_cells[0]):
        for c, cells in enumerate(classes):
            if own[a, c] or cells:
                said = Estimate(own[a, c], low[a, c], high[a, c]).scaled(cell)
                drawn = realised.class_cells[:, a, c] * cell
                of = f"{water.area_names[a]} {c}"
                yield _number("slope classes", of, said, cells * cell, drawn)
    for k, path in enumerate(water.paths):
        side = np.sqrt(cell)
        length, drawn = truth.path_steps[0, k] * side, realised.path_steps[:, k] * side
        yield _number("flow path: length", path.start, path.length_m, length, drawn)
        fell = truth.path_fall[0, k], realised.path_fall[:, k]
        yield _number("flow path: fall", path.start, path.fall_m, *fell)


def _of_ponds(
    walked: Walked, truth: RealisedDrainage, realised: RealisedDrainage, cell: float
) -> Iterator[Number]:
    for k, pond in enumerate(walked.terrain.water.ponds):
        for group in ["pond"] + (["pond finding"] if pond.is_significant else []):
            for name, said, so, drawn in (
                ("depth", pond.depth_m, truth.pond_depth, realised.pond_depth),
                ("area", pond.area_m2, truth.pond_cells * cell, realised.pond_cells * cell),
                ("volume", pond.volume_m3, truth.pond_volume * cell, realised.pond_volume * cell),
                ("inflow", pond.inflow_m2, truth.pond_inflow * cell, realised.pond_inflow * cell),
            ):
                yield _number(f"{group}: {name}", f"pond {k}", said, so[0, k], drawn[:, k])
            if truth.pond_depth[0, k] > 0:
                drawn = realised.pond_level[:, k]
                drawn = drawn[np.isfinite(drawn)]
                level = truth.pond_level[0, k]
                yield _number(f"{group}: spill level", f"pond {k}", pond.level_m, level, drawn)
