"""The drainage of many possible grounds (realisations), counted against that of the surface itself.

Realisations are drained many at a time, one below the other in one tall raster with a row of no
data between them: the kernels then have as much to do per call as they can use.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.terrain.slope import SlopeMethod, slope
from geosite.terrain.water.descent import INLET, NODATA, OUTFLOW, Index, Long, Mask, Raster
from geosite.terrain.water.drainage import Drainage, FlowMethod, drain
from geosite.terrain.water.falls_from_buildings import WallProfiles
from geosite.terrain.water.regions import connected_regions

__all__ = ["WET_M", "DrainageReference", "RealisedDrainage", "drain_realisations"]

WET_M = 0.001
"""A film of water thinner than a millimetre is no pond."""

_AGREES_DEG = 22.5
"""Half the angle between two of the eight directions."""

_CELLS_AT_ONCE = 500_000
_MOST_AT_ONCE = 16


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
class _StackAnswer:
    """Of one stack of realisations: counts over them, and arrays with one row each."""

    agrees: Index
    ponds: Index
    to_inlet: Index
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
        Threads; the result does not depend on them.

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
    rows, cols = reference.pond.shape
    stack_size = max(1, min(_MOST_AT_ONCE, _CELLS_AT_ONCE // max(rows * cols, 1)))
    stacks = [range(k, min(k + stack_size, draws)) for k in range(0, draws, stack_size)]

    def answers() -> Iterator[_StackAnswer]:
        if workers <= 1:
            yield from (
                _drain_stack(reference, grounds(draws_of_stack)) for draws_of_stack in stacks
            )
            return
        with ThreadPoolExecutor(workers) as pool:
            # as many at a time as there are threads: no more grounds in memory than that
            for first in range(0, len(stacks), workers):
                batch = stacks[first : first + workers]
                yield from pool.map(
                    lambda draws_of_stack: _drain_stack(reference, grounds(draws_of_stack)), batch
                )

    agrees, ponds = np.zeros((2, rows, cols), np.int32)
    to_inlet = np.zeros((int(reference.inlets.max(initial=0)), rows, cols), np.int32)
    values: dict[str, list[Floats]] = {}
    falls: list[tuple[Floats, ...]] = []
    for answer in answers():
        agrees += answer.agrees
        ponds += answer.ponds
        to_inlet += answer.to_inlet
        falls.append(answer.falls)
        for name, value in answer.rows.items():
            values.setdefault(name, []).append(value)
    known = (reference.drainage.direction != NODATA) & reference.by_cell

    def share(count: Index) -> npt.NDArray[np.float32]:
        return np.where(known, count / np.float32(draws), np.nan).astype(np.float32)

    return RealisedDrainage(
        draws,
        share(agrees),
        share(ponds),
        share(to_inlet),
        fall_percent=tuple(np.concatenate(one) for one in zip(*falls, strict=True)),
        **{name: np.concatenate(parts) for name, parts in values.items()},
    )


def _drain_stack(reference: DrainageReference, grounds: Floats) -> _StackAnswer:
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
    return _StackAnswer(
        *_counts_by_cell(reference, stacked, wet, outlet),
        {
            **_match_ponds(reference, stacked, depth, wet, accumulation),
            **_follow_paths(reference, stacked, count),
            "catchment_cells": _summed(leaves_by, reference.catchments),
            "catchment_peak": _largest(leaves_by, accumulation, exits, reference.catchments),
            **_count_by_slope(reference, grounds),
        },
        tuple(one.fall_percent(grounds) for one in reference.profiles),
    )


def _counts_by_cell(
    reference: DrainageReference, stacked: Drainage, wet: Mask, outlet: Index
) -> tuple[Index, Index, Index]:
    """Count, by cell, realisations with the same flow direction, with a pond, and to each inlet."""
    shape = reference.pond.shape
    inlets = int(reference.inlets.max(initial=0))
    if not reference.by_cell:
        none = np.zeros(shape, np.int32)
        return none, none, np.zeros((inlets, *shape), np.int32)
    to_inlet = np.empty((inlets, *shape), np.int32)
    if inlets:
        into = np.append(reference.inlets.ravel(), np.int32(0)).take(outlet)
        for number in range(inlets):
            np.equal(into, number + 1).sum(axis=0, out=to_inlet[number])
    alike = _agreeing(reference.drainage.azimuth_deg, _unstacked(stacked.azimuth_deg, shape[0]))
    return alike, wet.sum(axis=0, dtype=np.int32), to_inlet


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
    walls = None if stacked.walls is None else stacked.walls.ravel()
    region, count = connected_regions(cells, stacked.direction.shape, walls=walls)
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
        np.maximum.at(of_region[name], region, value)
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
    """Trace flow paths from the starts on all realisations at once, until they leave or join."""
    rows, cols = reference.pond.shape
    base = np.arange(grounds) * ((rows + 1) * cols)
    receiver, direction = stacked.receiver.ravel(), stacked.direction.ravel()
    length = np.where(np.arange(256) % 2, np.sqrt(2.0), 1.0)
    steps, fall = np.zeros((2, grounds, len(reference.starts)))
    passed = np.zeros(receiver.size, bool)
    for number, (row, col) in enumerate(reference.starts):
        position = base + (row * cols + col)
        first = stacked.filled.ravel()[position]
        moving = np.flatnonzero(~passed[position])
        while moving.size:
            here = position[moving]
            passed[here] = True
            goes_on = direction[here] < OUTFLOW
            leaving = (direction[here] >= OUTFLOW) & (direction[here] < INLET)
            steps[moving[goes_on], number] += length[direction[here[goes_on]]]
            steps[moving[leaving], number] += length[direction[here[leaving]]] / 2
            moving = moving[goes_on]
            position[moving] = receiver[here[goes_on]]
            moving = moving[~passed[position[moving]]]
        fall[:, number] = first - stacked.filled.ravel()[position]
    return {"path_steps": steps, "path_fall": fall}


def _count_by_slope(reference: DrainageReference, grounds: Floats) -> dict[str, Floats]:
    """Count cells by slope class, per realisation and area."""
    count, rows, _ = grounds.shape
    classes = len(reference.breaks_percent) + 1
    if not reference.area_count:
        return {
            "class_cells": np.zeros((count, 0, classes)),
            "flat_cells": np.zeros((count, 0)),
        }
    steep = slope(
        _stacked(grounds, np.nan), reference.drainage.cell_size, method=reference.slope_method
    )
    percent = _unstacked(steep.steepness("percent"), rows).reshape(count, -1)
    # the same cells have a slope on every ground
    known = np.flatnonzero(np.isfinite(percent[0]) & (reference.areas.ravel() > 0))
    steepness = percent[:, known]
    area_of = reference.areas.ravel()[known] - 1 + np.arange(count)[:, None] * reference.area_count
    slope_class = np.searchsorted(np.asarray(reference.breaks_percent), steepness, side="right")
    shape = (count, reference.area_count)
    size = shape[0] * shape[1]
    by_class = np.bincount((area_of * classes + slope_class).ravel(), minlength=size * classes)
    is_flat = (steepness < reference.flat_percent).ravel()
    flat = np.bincount(area_of.ravel(), is_flat, size)
    return {
        "class_cells": by_class.reshape(*shape, classes).astype(np.float64),
        "flat_cells": flat.reshape(shape).astype(np.float64),
    }
