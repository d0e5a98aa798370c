"""How sure the water is: the same questions asked on each of many possible grounds.

The grounds are drained many at a time, one below the other in one tall raster with a row of no data
between them: the kernels then have as much to do per call as they can use.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.terrain.slope import SlopeMethod, slope
from geosite.terrain.water.basins import connected_regions
from geosite.terrain.water.descent import INLET, NODATA, OUTFLOW, Index, Long, Mask, Raster
from geosite.terrain.water.drainage import Drainage, FlowMethod, drain
from geosite.terrain.water.falls_from_buildings import WallProfiles

__all__ = ["WET_M", "Possible", "Question", "ask_possible"]

WET_M = 0.001
"""A film of water thinner than a millimetre is no pond."""

_AGREES_DEG = 22.5
"""Half the angle between two of the eight directions."""

_CELLS_AT_ONCE = 500_000
_MOST_AT_ONCE = 16


@dataclass(frozen=True, eq=False)
class Question:
    """What is asked of each possible ground. Arrays have shape (rows, cols).

    Parameters
    ----------
    drainage
        Of the surface itself, whose directions the others are compared with.
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
        Number of the area in each cell, from 1, for its classes of slope.
    area_count
    breaks_percent
        Between the classes.
    flat_percent
        Ground less steep than this counts as flat.
    slope_method
    profiles
        Before the walls of buildings.
    starts
        Row and column of the cells from which water is followed, in the order in which one way
        ends where it joins another.
    by_cell
        Whether the shares of grounds by cell are asked for.
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
class Possible:
    """What the possible grounds answer.

    Parameters
    ----------
    draws
        How many grounds.
    confidence : array of float32, shape (rows, cols)
        Share of the grounds on which water leaves the cell as on the surface itself; NaN for no
        data, and in all three everywhere where no shares are asked for.
    ponding : array of float32, shape (rows, cols)
        Share on which water stands in the cell, a millimetre or more.
    to_inlet : array of float32, shape (inlets, rows, cols)
        Share on which the cell's water ends in inlet 1, 2, ...
    pond_depth, pond_volume, pond_cells, pond_inflow, pond_level : array, shape (draws, ponds)
        Of the standing water that shares most with the pond of the surface itself: depth in metres,
        volume in metres times cells, cells, cells that drain through it, all 0 where there is none;
        elevation of the water in metres, NaN where there is none.
    catchment_cells, catchment_peak : array, shape (draws, catchments)
        Cells whose water leaves where that of the catchment does, and most of them through one
        cell.
    path_steps, path_fall : array, shape (draws, starts)
        Length of the ways that were followed, in cells, and the fall along them, metres.
    class_cells : array, shape (draws, areas, classes)
        Cells by slope.
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
    """Of the grounds of one stack: counts over them, and rows of a value per ground."""

    agrees: Index
    ponds: Index
    to_inlet: Index
    rows: dict[str, Floats]
    falls: tuple[Floats, ...]


def ask_possible(
    question: Question, grounds: Callable[[range], Floats], draws: int, *, workers: int = 1
) -> Possible:
    """Ask the same of many possible grounds.

    Parameters
    ----------
    question
    grounds
        Returns the grounds of some numbers, shape (n, rows, cols), metres.
    draws
        How many grounds.
    workers
        Threads; the answer does not depend on them.

    Returns
    -------
    Possible
    """
    rows, cols = question.pond.shape
    together = max(1, min(_MOST_AT_ONCE, _CELLS_AT_ONCE // max(rows * cols, 1)))
    stacks = [range(k, min(k + together, draws)) for k in range(0, draws, together)]

    def answered() -> Iterator[_Answer]:
        if workers <= 1:
            yield from (_ask(question, grounds(some)) for some in stacks)
            return
        with ThreadPoolExecutor(workers) as pool:
            # as many at a time as there are threads: no more grounds in memory than that
            for first in range(0, len(stacks), workers):
                few = stacks[first : first + workers]
                yield from pool.map(lambda some: _ask(question, grounds(some)), few)

    agrees, ponds = np.zeros((2, rows, cols), np.int32)
    to_inlet = np.zeros((int(question.inlets.max(initial=0)), rows, cols), np.int32)
    values: dict[str, list[Floats]] = {}
    falls: list[tuple[Floats, ...]] = []
    for answer in answered():
        agrees += answer.agrees
        ponds += answer.ponds
        to_inlet += answer.to_inlet
        falls.append(answer.falls)
        for name, value in answer.rows.items():
            values.setdefault(name, []).append(value)
    known = (question.drainage.direction != NODATA) & question.by_cell

    def share(count: Index) -> npt.NDArray[np.float32]:
        return np.where(known, count / np.float32(draws), np.nan).astype(np.float32)

    return Possible(
        draws,
        share(agrees),
        share(ponds),
        share(to_inlet),
        fall_percent=tuple(np.concatenate(one) for one in zip(*falls, strict=True)),
        **{name: np.concatenate(parts) for name, parts in values.items()},
    )


def _ask(question: Question, grounds: Floats) -> _Answer:
    count, rows, cols = grounds.shape
    stacked = drain(
        _piled(grounds, np.nan),
        question.drainage.cell_size,
        method=question.method,
        inlets=_repeated(question.inlets > 0, count),
        barriers=_repeated(question.buildings, count),
        walls=None
        if question.drainage.walls is None
        else _repeated(question.drainage.walls, count),
    )
    depth = _unpiled(stacked.ponding_depth, rows)
    wet = depth >= WET_M
    # where the water of each cell leaves its own ground, as a cell of the one surface
    there = _unpiled(stacked.catchment, rows)
    outlet = there - (np.arange(count, dtype=np.int32) * ((rows + 1) * cols))[:, None, None]
    np.copyto(outlet, rows * cols, where=there < 0)
    leaves_by = np.append(question.outlet.ravel(), np.int32(0)).take(outlet)
    passing = _unpiled(stacked.contributing_cells, rows)
    ends = _unpiled(stacked.outlets | stacked.sinks, rows)
    return _Answer(
        *_by_cell(question, stacked, wet, outlet),
        {
            **_ponds(question, stacked, depth, wet, passing),
            **_ways(question, stacked, count),
            "catchment_cells": _summed(leaves_by, question.catchments),
            "catchment_peak": _largest(leaves_by, passing, ends, question.catchments),
            **_steepness(question, grounds),
        },
        tuple(one.fall_percent(grounds) for one in question.profiles),
    )


def _by_cell(
    question: Question, stacked: Drainage, wet: Mask, outlet: Index
) -> tuple[Index, Index, Index]:
    """Count the grounds on which water leaves a cell alike, stands in it, ends in each inlet."""
    shape = question.pond.shape
    inlets = int(question.inlets.max(initial=0))
    if not question.by_cell:
        none = np.zeros(shape, np.int32)
        return none, none, np.zeros((inlets, *shape), np.int32)
    to_inlet = np.empty((inlets, *shape), np.int32)
    if inlets:
        into = np.append(question.inlets.ravel(), np.int32(0)).take(outlet)
        for number in range(inlets):
            np.equal(into, number + 1).sum(axis=0, out=to_inlet[number])
    alike = _agreeing(question.drainage.azimuth_deg, _unpiled(stacked.azimuth_deg, shape[0]))
    return alike, wet.sum(axis=0, dtype=np.int32), to_inlet


def _piled(grounds: Floats, between: float) -> Floats:
    """Lay grounds below each other with a row between them."""
    count, rows, cols = grounds.shape
    piled = np.full((count, rows + 1, cols), between, grounds.dtype)
    piled[:, :rows] = grounds
    return piled.reshape(count * (rows + 1), cols)


def _repeated(values: npt.NDArray, count: int) -> npt.NDArray:  # type: ignore[type-arg]
    rows, cols = values.shape
    piled = np.zeros((count, rows + 1, cols), values.dtype)
    piled[:, :rows] = values
    return piled.reshape(count * (rows + 1), cols)


def _unpiled(values: npt.NDArray, rows: int) -> npt.NDArray:  # type: ignore[type-arg]
    return values.reshape(-1, rows + 1, values.shape[1])[:, :rows]


def _agreeing(said: Raster, others: Raster) -> Index:
    """Count the grounds on which water leaves a cell the same way, within half an eighth."""
    turn = np.abs(others - said)
    np.minimum(turn, 360.0 - turn, out=turn)
    # -1, no way over the ground, agrees with nothing but itself
    same = (turn <= _AGREES_DEG) & ((others < 0) == (said < 0))
    counted: Index = same.sum(axis=0, dtype=np.int32)
    return counted


def _summed(label: Index, count: int) -> Floats:
    """Count the cells with label 1, 2, ... on each ground, shape (grounds, count)."""
    grounds = len(label)
    place = label + (np.arange(grounds) * (count + 1))[:, None, None]
    counts = np.bincount(place.ravel(), minlength=grounds * (count + 1))
    return counts.reshape(grounds, count + 1)[:, 1:].astype(np.float64)


def _largest(label: Index, value: Raster, chosen: Mask, count: int) -> Floats:
    """Return the largest value among chosen cells with label 1, 2, ... on each ground."""
    out = np.zeros((len(label), count + 1))
    ground, row, col = np.nonzero(chosen)
    np.maximum.at(out, (ground, label[ground, row, col]), value[ground, row, col])
    return out[:, 1:]


def _ponds(
    question: Question, stacked: Drainage, depth: Raster, wet: Mask, passing: Raster
) -> dict[str, Floats]:
    """Match the ponds of each ground with those of the surface itself, by the water they share."""
    grounds, rows, cols = depth.shape
    size = (grounds, question.ponds)
    found = {name: np.zeros(size) for name in ("depth", "volume", "cells", "inflow")}
    found["level"] = np.full(size, np.nan)
    piled = np.zeros((grounds, rows + 1, cols), bool)
    piled[:, :rows] = wet
    cells: Long = np.flatnonzero(piled)
    if not question.ponds or not cells.size:
        return {f"pond_{name}": value for name, value in found.items()}
    walls = None if stacked.walls is None else stacked.walls.ravel()
    part, count = connected_regions(cells, stacked.direction.shape, walls=walls)
    ground, within = np.divmod(cells, (rows + 1) * cols)
    water = depth.reshape(grounds, -1)[ground, within].astype(np.float64)
    of_part = {
        "volume": np.bincount(part, water, count),
        "cells": np.bincount(part, minlength=count),
    }
    for name, value in (
        ("depth", water),
        ("inflow", passing.reshape(grounds, -1)[ground, within]),
        ("level", stacked.filled.ravel()[cells]),
    ):
        of_part[name] = np.full(count, -np.inf)
        np.maximum.at(of_part[name], part, value)
    pond = question.pond.ravel()[within]
    shared = np.flatnonzero(pond)
    pair, which = np.unique(
        part[shared] * np.int64(question.ponds + 1) + pond[shared], return_inverse=True
    )
    common = np.bincount(which, water[shared])
    # of the parts that share water with a pond the one that shares most is written last and stays
    part_of, pond_of = np.divmod(pair[np.argsort(common, kind="stable")], question.ponds + 1)
    ground_of = np.zeros(count, np.int64)
    ground_of[part] = ground
    for name, by_part in of_part.items():
        found[name][ground_of[part_of], pond_of - 1] = by_part[part_of]
    return {f"pond_{name}": value for name, value in found.items()}


def _ways(question: Question, stacked: Drainage, grounds: int) -> dict[str, Floats]:
    """Follow the water from the starts, on all grounds at once, until it leaves or joins."""
    rows, cols = question.pond.shape
    base = np.arange(grounds) * ((rows + 1) * cols)
    receiver, direction = stacked.receiver.ravel(), stacked.direction.ravel()
    length = np.where(np.arange(256) % 2, np.sqrt(2.0), 1.0)
    steps, fall = np.zeros((2, grounds, len(question.starts)))
    passed = np.zeros(receiver.size, bool)
    for number, (row, col) in enumerate(question.starts):
        at = base + (row * cols + col)
        first = stacked.filled.ravel()[at]
        moving = np.flatnonzero(~passed[at])
        while moving.size:
            here = at[moving]
            passed[here] = True
            on = direction[here] < OUTFLOW
            leaving = (direction[here] >= OUTFLOW) & (direction[here] < INLET)
            steps[moving[on], number] += length[direction[here[on]]]
            steps[moving[leaving], number] += length[direction[here[leaving]]] / 2
            moving = moving[on]
            at[moving] = receiver[here[on]]
            moving = moving[~passed[at[moving]]]
        fall[:, number] = first - stacked.filled.ravel()[at]
    return {"path_steps": steps, "path_fall": fall}


def _steepness(question: Question, grounds: Floats) -> dict[str, Floats]:
    """Count cells by slope, per ground and area."""
    count, rows, _ = grounds.shape
    classes = len(question.breaks_percent) + 1
    if not question.area_count:
        return {
            "class_cells": np.zeros((count, 0, classes)),
            "flat_cells": np.zeros((count, 0)),
        }
    steep = slope(
        _piled(grounds, np.nan), question.drainage.cell_size, method=question.slope_method
    )
    percent = _unpiled(steep.steepness("percent"), rows).reshape(count, -1)
    # the same cells have a slope on every ground
    known = np.flatnonzero(np.isfinite(percent[0]) & (question.areas.ravel() > 0))
    steepness = percent[:, known]
    place = question.areas.ravel()[known] - 1 + np.arange(count)[:, None] * question.area_count
    grade = np.searchsorted(np.asarray(question.breaks_percent), steepness, side="right")
    shape = (count, question.area_count)
    size = shape[0] * shape[1]
    by_class = np.bincount((place * classes + grade).ravel(), minlength=size * classes)
    is_flat = (steepness < question.flat_percent).ravel()
    flat = np.bincount(place.ravel(), is_flat, size)
    return {
        "class_cells": by_class.reshape(*shape, classes).astype(np.float64),
        "flat_cells": flat.reshape(shape).astype(np.float64),
    }
