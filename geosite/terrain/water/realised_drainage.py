"""The drainage of many possible grounds (realisations), counted against that of the surface itself.

Realisations are drained many at a time, one below the other in one tall raster with a row of no
data between them: the kernels then have as much to do per call as they can use.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.memory import keep_freed
from geosite.base.shared_work import shared_out, shared_zeros
from geosite.terrain.slope import SlopeMethod, slope
from geosite.terrain.water.descent import (
    INLET,
    NODATA,
    OUTFLOW,
    Index,
    Long,
    Mask,
    Raster,
    index_offsets,
)
from geosite.terrain.water.drainage import Drainage, FlowMethod, drain
from geosite.terrain.water.falls_from_buildings import WallProfiles
from geosite.terrain.water.regions import connected_regions, connected_runs

__all__ = ["WET_M", "DrainageReference", "RealisedDrainage", "drain_realisations"]

WET_M = 0.001
"""A film of water thinner than a millimetre is no pond."""

_AGREES_DEG = 22.5
"""Half the angle between two of the eight directions."""

_STEP = (1.0, 2.0**0.5)
"""Length of a step straight and across, in cells."""

_CELLS_AT_ONCE = 500_000
_MOST_AT_ONCE = 24


@dataclass(frozen=True, eq=False)
class DrainageReference:
    """The drainage of the surface itself, and what is counted on each realisation.

    Arrays have shape (rows, cols).

    Parameters
    ----------
    drainage
        Of the surface itself; the flow directions of the realisations are compared with its own.
    method
        Of the drainage.
    inlets : array of int
        Number of the inlet in each cell, from 1.
    buildings : array of bool
    pond : array of int
        Number of the pond in each cell of the surface itself, from 1.
    ponds
        How many there are.
    outlet : array of int
        Number of the catchment whose water leaves here if it leaves in this cell, from 1.
    catchments
        How many there are.
    areas : array of int
        Number of the area in each cell, from 1, for its slope classes.
    area_count
    breaks_percent
        Between the slope classes.
    flat_percent
        Ground less steep than this counts as flat.
    slope_method
    profiles
        Before the walls of buildings.
    starts
        Row and column of the cells from which flow paths are traced, in the order in which one path
        ends where it joins another.
    by_cell
        Whether the shares of realisations are counted by cell.
    """

    drainage: Drainage
    method: FlowMethod
    inlets: Index
    buildings: Mask
    pond: Index
    ponds: int
    outlet: Index
    catchments: int
    areas: Index
    area_count: int
    breaks_percent: tuple[float, ...]
    flat_percent: float
    slope_method: SlopeMethod
    profiles: tuple[WallProfiles, ...]
    starts: tuple[tuple[int, int], ...] = ()
    by_cell: bool = True


@dataclass(frozen=True, eq=False)
class RealisedDrainage:
    """What was counted on the realisations.

    Parameters
    ----------
    draws
        How many realisations.
    confidence : array of float32, shape (rows, cols)
        Share of them on which water leaves the cell as on the surface itself; NaN for no data, and
        in all three everywhere where no shares are counted.
    ponding : array of float32, shape (rows, cols)
        Share on which water stands in the cell, a millimetre or more.
    to_inlet : array of float32, shape (inlets, rows, cols)
        Share on which the cell's water ends in inlet 1, 2, ...
    pond_depth, pond_volume, pond_cells, pond_inflow, pond_level : array, shape (draws, ponds)
        Of the standing water that overlaps most with the pond of the surface itself: depth in
        metres, volume in metres times cells, cells, cells that drain through it, all 0 where there
        is none; elevation of the water in metres, NaN where there is none.
    catchment_cells, catchment_peak : array, shape (draws, catchments)
        Cells whose water leaves where that of the catchment does, and most of them through one
        cell.
    path_steps, path_fall : array, shape (draws, starts)
        Length of the flow paths, in cells, and the fall along them, metres.
    class_cells : array, shape (draws, areas, classes)
        Cells by slope class.
    flat_cells : array, shape (draws, areas)
        Cells that are flat.
    fall_percent : tuple of array, shape (draws, n)
        Of the profiles before each building.
    """

    draws: int
    confidence: npt.NDArray[np.float32]
    ponding: npt.NDArray[np.float32]
    to_inlet: npt.NDArray[np.float32]
    pond_depth: Floats
    pond_volume: Floats
    pond_cells: Floats
    pond_inflow: Floats
    pond_level: Floats
    catchment_cells: Floats
    catchment_peak: Floats
    path_steps: Floats
    path_fall: Floats
    class_cells: Floats
    flat_cells: Floats
    fall_percent: tuple[Floats, ...]


@dataclass(frozen=True, eq=False)
class _Answer:
    """Of some of the realisations: arrays with one row each."""

    rows: dict[str, Floats]
    falls: tuple[Floats, ...]


def drain_realisations(
    reference: DrainageReference,
    grounds: Callable[[range], Floats],
    draws: int,
    *,
    workers: int = 1,
) -> RealisedDrainage:
    """Drain many possible grounds and count what they have in common with the surface itself.

    Parameters
    ----------
    reference
    grounds
        Gives the realisations of a range of numbers, shape (n, rows, cols), metres.
    draws
        How many realisations.
    workers
        Into how many parts the work is shared out; the result does not depend on it.

    Returns
    -------
    RealisedDrainage

    Examples
    --------
    A plane of 5 % that falls east, and the same plane turned round: on half of the realisations the
    water leaves the cells as on the surface itself.

    >>> plane = np.tile([10.0, 9.95, 9.9], (3, 1))
    >>> none, nowhere = np.zeros((3, 3), np.int32), np.zeros((3, 3), bool)
    >>> reference = DrainageReference(
    ...     drain(plane, 1.0), "d8", none, nowhere, none, 0, none, 0, none, 0, (), 1.0, "horn", ()
    ... )
    >>> both = np.stack([plane, plane[:, ::-1]])
    >>> found = drain_realisations(reference, lambda draws: both[draws.start : draws.stop], 2)
    >>> float(found.confidence[1, 1])
    0.5
    """
    shape = reference.pond.shape
    pieces = _pieces(draws, _most_at_once(reference))
    workers = max(1, min(workers, len(pieces)))
    counts = shared_zeros((workers, 2 + int(reference.inlets.max(initial=0)), *shape), np.int32)
    if reference.pond.size <= _CELLS_AT_ONCE:
        keep_freed()
    if workers > 1:
        grounds(range(min(draws, 2)))  # what all grounds have in common is made once, for all

    def begin(worker: int) -> Callable[[int], _Answer]:
        counts[worker] = 0
        return lambda k: _drain_some(reference, grounds, pieces[k], counts[worker])

    answer = _joined(shared_out(begin, len(pieces), workers))
    total: Index = counts.sum(axis=0, dtype=np.int32)
    known = (reference.drainage.direction != NODATA) & reference.by_cell

    def share(count: Index) -> npt.NDArray[np.float32]:
        return np.where(known, count / np.float32(draws), np.nan).astype(np.float32)

    return RealisedDrainage(
        draws,
        share(total[0]),
        share(total[1]),
        share(total[2:]),
        fall_percent=answer.falls,
        **answer.rows,
    )


def _pieces(draws: int, most: int) -> list[range]:
    """Share out realisations, some at a time; they are drawn in pairs."""
    size = max(most // 2 * 2, 2)
    return [range(k, min(k + size, draws)) for k in range(0, draws, size)]


def _drain_some(
    reference: DrainageReference, grounds: Callable[[range], Floats], draws: range, counts: Index
) -> _Answer:
    """Drain some of the realisations, and add to the counts by cell."""
    most = min(_most_at_once(reference), len(draws))
    stacks = [range(k, min(k + most, draws.stop)) for k in range(draws.start, draws.stop, most)]
    return _joined([_drain_stack(reference, grounds(some), counts) for some in stacks])


def _most_at_once(reference: DrainageReference) -> int:
    return max(1, min(_MOST_AT_ONCE, _CELLS_AT_ONCE // max(reference.pond.size, 1)))


def _joined(answers: Sequence[_Answer]) -> _Answer:
    return _Answer(
        {name: np.concatenate([one.rows[name] for one in answers]) for name in answers[0].rows},
        tuple(np.concatenate(one) for one in zip(*(one.falls for one in answers), strict=True)),
    )


def _drain_stack(reference: DrainageReference, grounds: Floats, counts: Index) -> _Answer:
    count, rows, cols = grounds.shape
    stacked = drain(
        _stacked(grounds, np.nan),
        reference.drainage.cell_size,
        method=reference.method,
        inlets=_repeat_stacked(reference.inlets > 0, count),
        barriers=_repeat_stacked(reference.buildings, count),
        walls=None
        if reference.drainage.walls is None
        else _repeat_stacked(reference.drainage.walls, count),
    )
    depth = _unstacked(stacked.ponding_depth, rows)
    wet = depth >= WET_M
    # where the water of each cell leaves its own ground, as a cell of the one surface
    exit_cell = _unstacked(stacked.catchment, rows)
    outlet = exit_cell - (np.arange(count, dtype=np.int32) * ((rows + 1) * cols))[:, None, None]
    np.copyto(outlet, rows * cols, where=exit_cell < 0)
    leaves_by = np.append(reference.outlet.ravel(), np.int32(0)).take(outlet)
    accumulation = _unstacked(stacked.contributing_cells, rows)
    exits = _unstacked(stacked.outlets | stacked.sinks, rows)
    if reference.by_cell:
        _count_by_cell(reference, stacked, wet, outlet, counts)
    return _Answer(
        {
            **_match_ponds(reference, stacked, depth, wet, accumulation),
            **_follow_paths(reference, stacked, count),
            "catchment_cells": _summed(leaves_by, reference.catchments),
            "catchment_peak": _largest(leaves_by, accumulation, exits, reference.catchments),
            **_count_by_slope(reference, grounds),
        },
        tuple(one.fall_percent(grounds) for one in reference.profiles),
    )


def _count_by_cell(
    reference: DrainageReference, stacked: Drainage, wet: Mask, outlet: Index, counts: Index
) -> None:
    """Count, by cell, realisations with the same flow direction, with a pond, and to each inlet."""
    azimuth = _unstacked(stacked.azimuth_deg, len(reference.pond))
    counts[0] += _agreeing(reference.drainage.azimuth_deg, azimuth)
    counts[1] += wet.sum(axis=0, dtype=np.int32)
    if len(counts) > 2:
        into = np.append(reference.inlets.ravel(), np.int32(0)).take(outlet)
        for number, to_inlet in enumerate(counts[2:], start=1):
            to_inlet += (into == number).sum(axis=0, dtype=np.int32)


def _stacked(grounds: Floats, between: float) -> Floats:
    """Put realisations below each other with a row between them."""
    count, rows, cols = grounds.shape
    tall = np.full((count, rows + 1, cols), between, grounds.dtype)
    tall[:, :rows] = grounds
    return tall.reshape(count * (rows + 1), cols)


def _repeat_stacked(values: npt.NDArray, count: int) -> npt.NDArray:  # type: ignore[type-arg]
    rows, cols = values.shape
    tall = np.zeros((count, rows + 1, cols), values.dtype)
    tall[:, :rows] = values
    return tall.reshape(count * (rows + 1), cols)


def _unstacked(values: npt.NDArray, rows: int) -> npt.NDArray:  # type: ignore[type-arg]
    return values.reshape(-1, rows + 1, values.shape[1])[:, :rows]


def _agreeing(reference_azimuth: Raster, others: Raster) -> Index:
    """Count the realisations on which water leaves a cell the same way, within half an eighth."""
    difference = np.abs(others - reference_azimuth)
    np.minimum(difference, 360.0 - difference, out=difference)
    # -1, no way over the ground, agrees with nothing but itself
    same = (difference <= _AGREES_DEG) & ((others < 0) == (reference_azimuth < 0))
    counted: Index = same.sum(axis=0, dtype=np.int32)
    return counted


def _summed(label: Index, count: int) -> Floats:
    """Count the cells with label 1, 2, ... on each realisation, shape (grounds, count)."""
    grounds = len(label)
    place = label + (np.arange(grounds) * (count + 1))[:, None, None]
    counts = np.bincount(place.ravel(), minlength=grounds * (count + 1))
    return counts.reshape(grounds, count + 1)[:, 1:].astype(np.float64)


def _largest(label: Index, value: Raster, chosen: Mask, count: int) -> Floats:
    """Return the largest value among chosen cells with label 1, 2, ... on each realisation."""
    out = np.zeros((len(label), count + 1))
    ground, row, col = np.nonzero(chosen)
    np.maximum.at(out, (ground, label[ground, row, col]), value[ground, row, col])
    return out[:, 1:]


def _match_ponds(
    reference: DrainageReference, stacked: Drainage, depth: Raster, wet: Mask, accumulation: Raster
) -> dict[str, Floats]:
    """Match the ponds of each realisation with those of the surface, by the water in common."""
    grounds, rows, cols = depth.shape
    size = (grounds, reference.ponds)
    matched = {name: np.zeros(size) for name in ("depth", "volume", "cells", "inflow")}
    matched["level"] = np.full(size, np.nan)
    tall = np.zeros((grounds, rows + 1, cols), bool)
    tall[:, :rows] = wet
    cells: Long = np.flatnonzero(tall)
    if not reference.ponds or not cells.size:
        return {f"pond_{name}": value for name, value in matched.items()}
    shape = (grounds * (rows + 1), cols)
    if stacked.walls is None:
        first, of_run, count = connected_runs(cells, shape)
        region = np.repeat(of_run, np.diff(first, append=cells.size))
    else:  # every cell by itself
        region, count = connected_regions(cells, shape, walls=stacked.walls.ravel())
        first, of_run = np.arange(cells.size), region
    ground, within = np.divmod(cells, (rows + 1) * cols)
    depth_of_cell = depth.reshape(grounds, -1)[ground, within].astype(np.float64)
    of_region = {
        "volume": np.bincount(region, depth_of_cell, count),
        "cells": np.bincount(region, minlength=count),
    }
    for name, value in (
        ("depth", depth_of_cell),
        ("inflow", accumulation.reshape(grounds, -1)[ground, within]),
        ("level", stacked.filled.ravel()[cells]),
    ):
        of_region[name] = np.full(count, -np.inf)
        np.maximum.at(of_region[name], of_run, np.maximum.reduceat(value, first))
    pond = reference.pond.ravel()[within]
    shared = np.flatnonzero(pond)
    pair, which = np.unique(
        region[shared] * np.int64(reference.ponds + 1) + pond[shared], return_inverse=True
    )
    common = np.bincount(which, depth_of_cell[shared])
    # of the parts that share water with a pond the one that shares most is written last and stays
    region_of, pond_of = np.divmod(pair[np.argsort(common, kind="stable")], reference.ponds + 1)
    ground_of = np.zeros(count, np.int64)
    ground_of[region] = ground
    for name, by_region in of_region.items():
        matched[name][ground_of[region_of], pond_of - 1] = by_region[region_of]
    return {f"pond_{name}": value for name, value in matched.items()}


def _follow_paths(
    reference: DrainageReference, stacked: Drainage, grounds: int
) -> dict[str, Floats]:
    """Trace flow paths from the starts on every realisation, until they leave or join."""
    rows, cols = reference.pond.shape
    # a step at a time: numbers of plain Python are quicker than arrays of a few
    direction, filled = stacked.direction.tobytes(), stacked.filled.ravel()
    offset = index_offsets(cols).tolist()
    steps, fall = np.zeros((2, grounds, len(reference.starts)))
    for ground in range(grounds):
        passed: set[int] = set()
        for number, (row, col) in enumerate(reference.starts):
            start = here = (ground * (rows + 1) + row) * cols + col
            walked = 0.0
            while here not in passed:
                passed.add(here)
                towards = direction[here]
                if towards >= OUTFLOW:
                    walked += _STEP[towards % 2] / 2 if towards < INLET else 0.0
                    break
                walked += _STEP[towards % 2]
                here += offset[towards]
            steps[ground, number] = walked
            fall[ground, number] = filled[start] - filled[here]
    return {"path_steps": steps, "path_fall": fall}


def _count_by_slope(reference: DrainageReference, grounds: Floats) -> dict[str, Floats]:
    """Count cells by slope class, per realisation and area."""
    count, size = len(grounds), reference.area_count
    flat = np.zeros((count, size))
    # of each area the cells at least as steep as 0, as each of the breaks, and as nothing is
    at_least = np.zeros((len(reference.breaks_percent) + 2, count, size))
    inside = np.nonzero(reference.areas)
    if inside[0].size:
        window = tuple(slice(max(int(one.min()) - 1, 0), int(one.max()) + 2) for one in inside)
        grounds, area = grounds[:, *window], reference.areas[window].ravel()
        rows = grounds.shape[1]
        steep = slope(
            _stacked(grounds, np.nan), reference.drainage.cell_size, method=reference.slope_method
        )
        percent = _unstacked(steep.steepness("percent"), rows).reshape(count, -1)
        # area after area; the same cells have a slope on every ground
        known = np.argsort(area, kind="stable")
        known = known[np.isfinite(percent[0, known]) & (area[known] > 0)]
        steepness = percent[:, known]
        first = np.flatnonzero(np.diff(area[known], prepend=0))
        there = area[known[first]] - 1
        at_least[0][:, there] = np.diff(first, append=len(known))
        for number, limit in enumerate(reference.breaks_percent, start=1):
            at_least[number][:, there] = np.add.reduceat(
                steepness >= limit, first, axis=1, dtype=np.int64
            )
        flat[:, there] = np.add.reduceat(
            steepness < reference.flat_percent, first, axis=1, dtype=np.int64
        )
    by_class = at_least[:-1] - at_least[1:]
    return {"class_cells": np.ascontiguousarray(by_class.transpose(1, 2, 0)), "flat_cells": flat}
