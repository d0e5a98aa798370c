"""Numbers about water with what the possible grounds say of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.terrain.water.falls_from_buildings import FallFromBuilding, FlatPaving, WallProfiles
from geosite.terrain.water.flow import Catchment
from geosite.terrain.water.likelihood import Possible
from geosite.terrain.water.ponding import Pond

__all__ = [
    "CatchmentEstimate",
    "FallEstimate",
    "PavingEstimate",
    "PondEstimate",
    "estimate_catchments",
    "estimate_fall",
    "estimate_paving",
    "estimate_ponds",
    "interval_of",
]


@dataclass(frozen=True, slots=True)
class PondEstimate:
    """A pond of the surface and how much of it there may be.

    Parameters
    ----------
    pond
    depth_m, area_m2, volume_m3
        When full, on the ground.
    inflow_m2
        Ground that drains through it.
    level_m
        Elevation at which it spills.
    probability
        Share of the possible grounds on which water stands here, a millimetre or more; NaN where
        none were asked.
    """

    pond: Pond
    depth_m: Estimate
    area_m2: Estimate
    volume_m3: Estimate
    inflow_m2: Estimate
    level_m: Estimate
    probability: float

    @property
    def is_significant(self) -> bool:
        """Whether there is a pond at all with 95 % confidence; so if that was not asked."""
        return not self.depth_m.low <= 0.0 or math.isnan(self.probability)


@dataclass(frozen=True, slots=True)
class CatchmentEstimate:
    """A catchment and how much ground may drain to where its water leaves.

    Parameters
    ----------
    catchment
    area_m2
        On the ground.
    peak_m2
        Area whose water passes through the one cell through which most passes.
    """

    catchment: Catchment
    area_m2: Estimate
    peak_m2: Estimate


@dataclass(frozen=True, slots=True)
class PavingEstimate:
    """Paved ground and how much of it may be flatter than it should be."""

    paving: FlatPaving
    flat_m2: Estimate


@dataclass(frozen=True, eq=False, slots=True)
class FallEstimate:
    """The fall away from a building and how far it can be trusted.

    Parameters
    ----------
    fall
    worst_percent
        Fall at the place that misses its limit by most, or holds it by least.
    short_m, toward_m
        Length of wall before which the ground falls less than it should, and towards the building.
    profiles
        Before its walls.
    """

    fall: FallFromBuilding
    worst_percent: Estimate
    short_m: Estimate
    toward_m: Estimate
    profiles: WallProfiles | None = None


def interval_of(value: float, draws: Floats | None) -> Estimate:
    """Return a number with the 95 % interval that its values on possible grounds give it.

    Parameters
    ----------
    value
        On the surface itself.
    draws : array, shape (n,), optional
        On the possible grounds; without them nothing bounds the number.

    Notes
    -----
    From the 2.5 to the 97.5 % quantile of the possible grounds, widened to hold the value: possible
    grounds are rougher than the surface, so that most of them may hold, say, more water.

    Examples
    --------
    >>> import numpy as np
    >>> held = interval_of(99.0, np.arange(101.0))
    >>> round(held.low, 1), held.high
    (2.5, 99.0)
    """
    if draws is None:
        return Estimate(value, -math.inf, math.inf)
    found = Estimate.from_draws(value, draws)
    return Estimate(value, min(found.low, value), max(found.high, value))


def estimate_ponds(
    ponds: Sequence[Pond], possible: Possible | None, *, cell_m2: float
) -> tuple[PondEstimate, ...]:
    """Join the ponds of the surface to what the possible grounds have in their places.

    Parameters
    ----------
    ponds
        Numbered as the possible grounds were asked; depth in metres.
    possible
        None where no possible grounds were asked: then nothing bounds the numbers.
    cell_m2
        Area of a cell on the ground.
    """
    out = []
    for k, pond in enumerate(ponds):
        depth = cells = volume = inflow = level = None
        probability = math.nan
        if possible is not None:
            depth, level = possible.pond_depth[:, k], possible.pond_level[:, k]
            cells = possible.pond_cells[:, k] * cell_m2
            volume = possible.pond_volume[:, k] * cell_m2
            inflow = possible.pond_inflow[:, k] * cell_m2
            probability = float((depth > 0).mean())
            # where there is no pond there is no level
            level = level[depth > 0] if probability > 0 else None
        out.append(
            PondEstimate(
                pond,
                interval_of(pond.depth, depth),
                interval_of(pond.cells * cell_m2, cells),
                interval_of(pond.cell_depths * cell_m2, volume),
                interval_of(pond.contributing_cells * cell_m2, inflow),
                interval_of(pond.level, level),
                probability,
            )
        )
    return tuple(out)


def estimate_catchments(
    catchments: Sequence[Catchment], possible: Possible | None, *, cell_m2: float
) -> tuple[CatchmentEstimate, ...]:
    """Join the catchments of the surface to what drains to the same places on possible grounds."""
    out = []
    for k, one in enumerate(catchments):
        cells = None if possible is None else possible.catchment_cells[:, k] * cell_m2
        peak = None if possible is None else possible.catchment_peak[:, k] * cell_m2
        out.append(
            CatchmentEstimate(
                one,
                interval_of(one.cells * cell_m2, cells),
                interval_of(one.peak_cells * cell_m2, peak),
            )
        )
    return tuple(out)


def estimate_paving(
    paving: Sequence[FlatPaving], areas: Sequence[str], possible: Possible | None, *, cell_m2: float
) -> tuple[PavingEstimate, ...]:
    """Join flat paving to how much of it is flat on possible grounds, area by area."""
    out = []
    for one in paving:
        cells = None
        if possible is not None:
            cells = possible.flat_cells[:, list(areas).index(one.name)] * cell_m2
        out.append(PavingEstimate(one, interval_of(one.flat_m2, cells)))
    return tuple(out)


def estimate_fall(
    fall: FallFromBuilding,
    worst: Estimate,
    profiles: WallProfiles,
    fall_percent: Floats | None,
) -> FallEstimate:
    """Join the fall away from one building to the falls on possible grounds.

    Parameters
    ----------
    fall
    worst
        The fall at its worst place, which is linear in the marks and has its sigma in closed form.
    profiles
    fall_percent : array, shape (draws, n), optional
        Of every profile on each possible ground.
    """
    short = toward = None
    if fall_percent is not None:
        short = profiles.short(fall_percent) @ profiles.width_m
        toward = profiles.toward(fall_percent) @ profiles.width_m
    return FallEstimate(
        fall, worst, interval_of(fall.short_m, short), interval_of(fall.toward_m, toward), profiles
    )
