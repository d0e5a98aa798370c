"""Numbers about water, with the intervals that the possible grounds (realisations) give them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate, interval_of_draws
from geosite.terrain.water.falls_from_buildings import FallFromBuilding, FlatPaving, WallProfiles
from geosite.terrain.water.flow import Catchment
from geosite.terrain.water.ponding import Pond
from geosite.terrain.water.realised_drainage import RealisedDrainage

__all__ = [
    "CatchmentEstimate",
    "FallEstimate",
    "PavingEstimate",
    "PondEstimate",
    "estimate_catchments",
    "estimate_fall",
    "estimate_paving",
    "estimate_ponds",
    "estimate_slope_classes",
    "interval_of",
    "interval_of_water",
]

_STRETCH = 1.5
"""How many times as far from the median of the draws as their quantile an end of an interval is.

Possible grounds hold and gather rather too much water: of its amounts the lower end is stretched,
in ratio, so that some is left where there is some. Over an area the errors of single cells average
out, but not a roughness that is wrong everywhere: of areas by slope both ends are, in square
metres. An interval can be calibrated, so that it holds as often as it says, by the level of its
quantiles (Loh 1987, doi:10.1080/01621459.1987.10478408); as n draws know no level beyond
1 / (n + 1), the distance from the median is. Chosen and confirmed on simulated walks, told in
DEVELOPERS.md, Intervals of the ground, against truth.
"""

_MORE = 0.05
"""Share of the possible grounds that hold more than the upper end where there may be no pond.

An interval that begins at nothing has one end only, and all that it misses lies above.
"""

_SURE = 0.975
"""Share of the possible grounds where something is there with 95 % confidence."""


@dataclass(frozen=True, slots=True)
class PondEstimate:
    """A pond of the surface, with intervals.

    Parameters
    ----------
    pond
    depth_m, area_m2, volume_m3
        When full, on the ground.
    inflow_m2
        Ground that drains through it.
    level_m
        Spill elevation.
    probability
        Share of the possible grounds on which water stands here, a millimetre or more; NaN where
        none were drained.
    spill_apart_m
        From where it spills to the nearest mark, metres on the ground.
    """

    pond: Pond
    depth_m: Estimate
    area_m2: Estimate
    volume_m3: Estimate
    inflow_m2: Estimate
    level_m: Estimate
    probability: float
    spill_apart_m: float = 0.0

    @property
    def is_significant(self) -> bool:
        """Whether there is a pond at all with 95 % confidence; so if that was not asked."""
        return not self.probability < _SURE


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
    """Paved ground and how much of it may be flatter than it should be.

    Parameters
    ----------
    paving
    flat_m2
    probability
        Share of the possible grounds on which some of it is; NaN where none were drained.
    """

    paving: FlatPaving
    flat_m2: Estimate
    probability: float = math.nan

    @property
    def is_sure(self) -> bool:
        """Whether any of it is flat with 95 % confidence; so if that was not asked."""
        return not self.probability < _SURE


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
    From `interval_of_draws`, widened to hold the value: possible grounds are rougher than the
    surface, so that most of them may hold, say, more water.

    Examples
    --------
    >>> import numpy as np
    >>> held = interval_of(99.0, np.arange(1.0, 100.0))
    >>> round(held.low, 1), held.high
    (2.5, 99.0)
    """
    if draws is None:
        return Estimate(value, -math.inf, math.inf)
    found = Estimate.from_draws(value, draws)
    return Estimate(value, min(found.low, value), max(found.high, value))


def interval_of_water(value: float, draws: Floats | None) -> Estimate:
    """Return an amount of water, or of ground that gives it, with its 95 % interval.

    Parameters
    ----------
    value
        On the surface itself, not negative.
    draws : array, shape (n,), optional
        On the possible grounds; without them nothing bounds the amount.

    Notes
    -----
    As `interval_of`, but the lower end lies 1.5 times as far below the median, in ratio: possible
    grounds hold rather too much.

    Examples
    --------
    Where the quantile is a quarter of the median, the end is an eighth of it, 0.25**1.5:

    >>> import numpy as np
    >>> held = interval_of_water(8.0, np.array([2.0, 8.0, 11.0]))
    >>> held.low, held.high
    (1.0, 11.0)
    """
    if draws is None:
        return Estimate(value, -math.inf, math.inf)
    return Estimate(value, *_ends_of_water(value, draws).tolist())


def _ends_of_water(values: npt.ArrayLike, draws: Floats) -> Floats:
    """Return both ends for many amounts at once, shape (2, ...); draws have shape (n, ...)."""
    low, high = interval_of_draws(draws)
    median = np.median(draws, axis=0)
    share = np.divide(low, median, out=np.zeros_like(median), where=median > 0)
    return _widened(values, median * share**_STRETCH, high)


def _ends_of_ponds(values: npt.ArrayLike, draws: Floats) -> Floats:
    """Return both ends for what stands in many places, shape (2, ...), as `_ends_of_water`."""
    low, high = _ends_of_water(values, draws)
    one_end = np.quantile(draws, 1.0 - _MORE, axis=0, method="weibull")
    return _widened(values, low, np.where(low > 0.0, high, one_end))


def _ends_of_slope(values: npt.ArrayLike, draws: Floats, most: npt.ArrayLike) -> Floats:
    """Return both ends for areas by slope, shape (2, ...), of the `most` that there is of each."""
    low, high = interval_of_draws(draws)
    median = np.median(draws, axis=0)
    low, high = median - _STRETCH * (median - low), median + _STRETCH * (high - median)
    return _widened(values, np.maximum(low, 0.0), np.minimum(high, most))


def _widened(values: npt.ArrayLike, low: Floats, high: Floats) -> Floats:
    return np.stack([np.minimum(low, values), np.maximum(high, values)])


def estimate_ponds(
    ponds: Sequence[Pond],
    realised: RealisedDrainage | None,
    *,
    cell_m2: float,
    spills_apart_m: Sequence[float] | None = None,
) -> tuple[PondEstimate, ...]:
    """Give the ponds of the surface the intervals of the water in their places on possible grounds.

    Parameters
    ----------
    ponds
        Numbered as in the reference of the realisations; depth in metres.
    realised
        None where no possible grounds were drained: then nothing bounds the numbers.
    cell_m2
        Area of a cell on the ground.
    spills_apart_m
        From where each spills to the nearest mark; without it marks stand there.

    Examples
    --------
    A pond of 10 cells of 4 m2 whose depths add up to 1 m holds 4 m3 on 40 m2:

    >>> pond = Pond(1, 5.0, 0.2, 4.0, 1.0, 10, 3, 4, 5, 6, 25.0)
    >>> (found,) = estimate_ponds([pond], None, cell_m2=4.0)
    >>> found.volume_m3.value, found.area_m2.value, found.inflow_m2.value, found.depth_m.high
    (4.0, 40.0, 100.0, inf)
    """
    sizes = {
        "depth": [pond.depth for pond in ponds],
        "cells": [pond.cells * cell_m2 for pond in ponds],
        "volume": [pond.cell_depths * cell_m2 for pond in ponds],
        "inflow": [pond.contributing_cells * cell_m2 for pond in ponds],
    }
    if realised is None:
        found = {name: [interval_of(value, None) for value in sizes[name]] for name in sizes}
        levels = [interval_of(pond.level, None) for pond in ponds]
        probability = [math.nan] * len(ponds)
    else:
        standing = {
            "depth": realised.pond_depth,
            "cells": realised.pond_cells * cell_m2,
            "volume": realised.pond_volume * cell_m2,
        }
        found = {
            name: _estimates(sizes[name], _ends_of_ponds(sizes[name], draws))
            for name, draws in standing.items()
        }
        inflow_ends = _ends_of_water(sizes["inflow"], realised.pond_inflow * cell_m2)
        found["inflow"] = _estimates(sizes["inflow"], inflow_ends)
        holds = realised.pond_depth > 0
        probability = holds.mean(axis=0).tolist()
        levels = _where_held([pond.level for pond in ponds], realised.pond_level, holds)
    apart = [0.0] * len(ponds) if spills_apart_m is None else spills_apart_m
    facts = zip(ponds, *(found[name] for name in sizes), levels, probability, apart, strict=True)
    return tuple(PondEstimate(*one) for one in facts)


def _estimates(values: Sequence[float], ends: Floats) -> list[Estimate]:
    return [Estimate(*one) for one in zip(values, *ends.tolist(), strict=True)]


def _where_held(
    values: Sequence[float], draws: Floats, held: npt.NDArray[np.bool_]
) -> list[Estimate]:
    """Return `interval_of` of many numbers, each from the draws that have it: no pond, no level."""
    found = [interval_of(value, None) for value in values]
    counts = held.sum(axis=0)
    for count in np.unique(counts[counts > 0]).tolist():
        alike = np.flatnonzero(counts == count)
        # where so many draws have it, one below the other
        some = draws.T[alike][held.T[alike]].reshape(len(alike), count).T
        here = [values[k] for k in alike.tolist()]
        told = _estimates(here, _widened(here, *interval_of_draws(some)))
        for k, one in zip(alike.tolist(), told, strict=True):
            found[k] = one
    return found


def estimate_catchments(
    catchments: Sequence[Catchment], realised: RealisedDrainage | None, *, cell_m2: float
) -> tuple[CatchmentEstimate, ...]:
    """Give the catchments of the surface the intervals of what drains there on possible grounds.

    Parameters
    ----------
    catchments
        Numbered as in the reference of the realisations.
    realised
        None where no possible grounds were drained: then nothing bounds the numbers.
    cell_m2
        Area of a cell on the ground.

    Examples
    --------
    >>> (found,) = estimate_catchments([Catchment(1, "edge", 0, 3, 4, 12, 7.0)], None, cell_m2=4.0)
    >>> found.area_m2.value, found.peak_m2.value
    (48.0, 28.0)
    """
    out = []
    for k, one in enumerate(catchments):
        cells = None if realised is None else realised.catchment_cells[:, k] * cell_m2
        peak = None if realised is None else realised.catchment_peak[:, k] * cell_m2
        out.append(
            CatchmentEstimate(
                one,
                interval_of_water(one.cells * cell_m2, cells),
                interval_of_water(one.peak_cells * cell_m2, peak),
            )
        )
    return tuple(out)


def estimate_paving(
    paving: Sequence[FlatPaving],
    areas: Sequence[str],
    realised: RealisedDrainage | None,
    *,
    cell_m2: float,
) -> tuple[PavingEstimate, ...]:
    """Give flat paving the intervals of how much of it is flat on possible grounds, area by area.

    Parameters
    ----------
    paving
        Of the surface.
    areas
        Names of the areas as numbered in the reference of the realisations.
    realised
        None where no possible grounds were drained: then nothing bounds the numbers.
    cell_m2
        Area of a cell on the ground.

    Examples
    --------
    >>> yard = FlatPaving("yard", 6.0, 30.0, 1.0, 6.0, 0.0, 0.0)
    >>> estimate_paving([yard], ["yard"], None, cell_m2=1.0)[0].flat_m2.value
    6.0
    """
    out = []
    for one in paving:
        low, high, probability = -math.inf, math.inf, math.nan
        if realised is not None:
            flat = realised.flat_cells[:, list(areas).index(one.name)] * cell_m2
            low, high = _ends_of_slope(one.flat_m2, flat, one.known_m2).tolist()
            probability = float((flat > 0).mean())
        out.append(PavingEstimate(one, Estimate(one.flat_m2, low, high), probability))
    return tuple(out)


def estimate_slope_classes(counted: npt.ArrayLike, class_cells: Floats) -> Floats:
    """Return the ends of the intervals of areas by slope class.

    Parameters
    ----------
    counted : array, shape (areas, classes)
        Cells by slope class on the surface itself.
    class_cells : array, shape (draws, areas, classes)
        On the possible grounds.

    Returns
    -------
    array, shape (2, areas, classes)
        Cells.

    Examples
    --------
    An area of 100 cells of which possible grounds make 31 to 69 gentle: the lower end is 50 less
    1.5 * 19 cells, and the measured 80 are held.

    >>> gentle = np.linspace(31.0, 69.0, 39)
    >>> draws = np.stack([gentle, 100.0 - gentle], axis=-1)[:, None, :]
    >>> estimate_slope_classes([[80.0, 20.0]], draws).round(9).tolist()
    [[[21.5, 20.0]], [[80.0, 78.5]]]
    """
    return _ends_of_slope(counted, class_cells, np.sum(counted, axis=-1, keepdims=True))


def estimate_fall(
    fall: FallFromBuilding,
    worst: Estimate,
    profiles: WallProfiles,
    fall_percent: Floats | None,
) -> FallEstimate:
    """Give the fall away from one building the intervals of the falls on possible grounds.

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
