"""Contributing area over strips: each cell is taken once, in whatever strip water comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.large_rasters import Rows
from geosite.terrain.water.descent import COL_STEP, LEAVES, NODATA, ROW_STEP, Bytes, Long, Raster
from geosite.terrain.water.facets import share
from geosite.terrain.water.strips.ground import Ground, Strip

__all__ = ["Shared", "count_passing", "share_strips"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Shared:
    """What `geosite.terrain.water.facets.Shares` says of each cell, on disk."""

    first: Rows
    second: Rows
    part: Rows
    azimuth_deg: Rows


def share_strips(ground: Ground, filled: Callable[[Strip, Raster], Raster]) -> Shared:
    """Share the water of every cell between two neighbours.

    Parameters
    ----------
    ground
        With its final directions.
    filled
        Gives the water surface of a strip with the rows beside it, flat, from its elevations.
    """
    shape = ground.elevation.shape
    made = Shared(
        ground.room.rows(shape, np.uint8),
        ground.room.rows(shape, np.uint8),
        ground.room.rows(shape, np.float64),
        ground.room.rows(shape, np.float32),
    )
    for strip in ground.strips:
        z = ground.z(strip)
        water = filled(strip, z).reshape(z.shape)
        found = share(z, water, ground.direction[strip.first : strip.last], ground.walls_of(strip))
        for rows, values in (
            (made.first, found.first),
            (made.second, found.second),
            (made.part, found.part),
            (made.azimuth_deg, found.azimuth_deg),
        ):
            rows.mapped(strip.top, strip.bottom)[...] = values[strip.core]
        ground.progress((strip.number + 1) / len(ground.strips))
    return made


_Waiting = list[tuple[Long, Floats]]


def count_passing(ground: Ground, shared: Shared | None) -> Rows:
    """Count the cells whose water passes through each cell, itself included.

    Within a strip cells are taken as in `geosite.terrain.water.facets.share_out`; what goes over
    its border waits until the strip beside it has its turn. A strip has its turn again as long as
    something waits for it.

    Parameters
    ----------
    ground
        With its final directions.
    shared
        For d-infinity.

    Returns
    -------
    Rows of float64, 0 for nodata
    """
    shape = ground.elevation.shape
    value = ground.room.rows(shape, np.float64)
    feeders = ground.room.rows(shape, np.int8)
    waits: list[_Waiting] = [[] for _ in ground.strips]
    for strip in ground.strips:
        first, second, part = _ways(ground, shared, strip.first, strip.last)
        fed = feeders.mapped(strip.top, strip.bottom)
        _count_feeders(fed, first, second, part, strip)
        mine = first[strip.core]
        value.mapped(strip.top, strip.bottom)[...] = mine != NODATA
        flat = mine.reshape(-1)
        ready = np.flatnonzero((flat < LEAVES) & (fed.reshape(-1) == 0))
        _take(ground, shared, strip, value, feeders, ready, waits)
        ground.progress((strip.number + 1) / len(ground.strips))
    number, step = len(waits) - 1, -1
    while any(waits):
        if waits[number]:
            _arrive(ground, shared, ground.strips[number], value, feeders, waits)
        if not 0 <= number + step < len(waits):
            step = -step
        number = min(max(number + step, 0), len(waits) - 1)
    return value


def _ways(
    ground: Ground, shared: Shared | None, top: int, bottom: int
) -> tuple[Bytes, Bytes | None, Floats | None]:
    if shared is None:
        return ground.direction[top:bottom], None, None
    return (
        shared.first.mapped(top, bottom),
        shared.second.mapped(top, bottom),
        shared.part.mapped(top, bottom),
    )


def _count_feeders(
    fed: npt.NDArray[np.int8],
    first: Bytes,
    second: Bytes | None,
    part: Floats | None,
    strip: Strip,
) -> None:
    """Count the neighbours that give water to each cell, those in the rows beside too."""
    rows, cols = fed.shape
    above = strip.core.start
    for k in range(8):
        down, across = int(ROW_STEP[k]), int(COL_STEP[k])
        # the neighbour that gives in direction k lies the other way
        low, high = max(0, down - above), min(rows, len(first) - above + down)
        left, right = max(0, across), cols + min(0, across)
        taker = slice(low, high), slice(left, right)
        giver = (
            slice(low + above - down, high + above - down),
            slice(left - across, right - across),
        )
        fed[taker] += first[giver] == k
        if second is not None and part is not None:
            fed[taker] += (second[giver] == k) & (part[giver] > 0.0) & (first[giver] < LEAVES)


def _arrive(
    ground: Ground,
    shared: Shared | None,
    strip: Strip,
    value: Rows,
    feeders: Rows,
    waits: list[_Waiting],
) -> None:
    """Take in what waits for a strip, and go on from there."""
    cells = np.concatenate([cell for cell, _ in waits[strip.number]])
    amounts = np.concatenate([amount for _, amount in waits[strip.number]])
    waits[strip.number] = []
    cells = cells - strip.top * strip.cols
    fed = feeders.mapped(strip.top, strip.bottom).reshape(-1)
    np.add.at(value.mapped(strip.top, strip.bottom).reshape(-1), cells, amounts)
    np.subtract.at(fed, cells, np.int8(1))
    first, _, _ = _ways(ground, shared, strip.top, strip.bottom)
    ready = np.unique(cells[fed[cells] == 0])
    ready = ready[first.reshape(-1)[ready] < LEAVES]
    _take(ground, shared, strip, value, feeders, ready, waits)


def _take(
    ground: Ground,
    shared: Shared | None,
    strip: Strip,
    values: Rows,
    feeders: Rows,
    front: Long,
    waits: list[_Waiting],
) -> None:
    """Take cells whose feeders have all been taken, and so on, as far as the strip goes."""
    value = values.mapped(strip.top, strip.bottom).reshape(-1)
    fed = feeders.mapped(strip.top, strip.bottom).reshape(-1)
    first, second, part = (
        None if ways is None else ways.reshape(-1)
        for ways in _ways(ground, shared, strip.top, strip.bottom)
    )
    assert first is not None
    shift = np.zeros(256, dtype=np.intp)
    shift[:8] = ROW_STEP * strip.cols + COL_STEP
    order = np.empty(value.size, dtype=np.int32)
    while front.size:
        there, amount = front + shift[first[front]], value[front]
        if second is not None and part is not None:
            given = part[front]
            divided = np.flatnonzero(given > 0.0)
            apart = front[divided]
            there = np.concatenate([there, apart + shift[second[apart]]])
            amount = np.concatenate([amount * (1.0 - given), amount[divided] * given[divided]])
        up, down = there < 0, there >= value.size
        for beside, goes in ((strip.number - 1, up), (strip.number + 1, down)):
            if goes.any():
                waits[beside].append((there[goes] + strip.top * strip.cols, amount[goes]))
        stays = ~(up | down)
        there, amount = there[stays], amount[stays]
        np.add.at(value, there, amount)
        np.subtract.at(fed, there, np.int8(1))
        ready = there[(fed[there] == 0) & (first[there] < LEAVES)]
        place = np.arange(ready.size, dtype=np.int32)
        order[ready] = place
        front = ready[order[ready] == place]
