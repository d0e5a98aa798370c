"""Flow accumulation over strips: each cell is taken once, whichever strip its water comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.large_rasters import Rows
from geosite.terrain.water.d_infinity import flow_proportions
from geosite.terrain.water.descent import COL_STEP, NODATA, OUTFLOW, ROW_STEP, Bytes, Long, Raster
from geosite.terrain.water.strips.ground import Strip, StripRaster

__all__ = ["ProportionsOnDisk", "accumulate_over_strips", "proportions_over_strips"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class ProportionsOnDisk:
    """What `geosite.terrain.water.d_infinity.FlowProportions` says of each cell, on disk."""

    first: Rows
    second: Rows
    to_second: Rows
    azimuth_deg: Rows


def proportions_over_strips(
    ground: StripRaster, filled: Callable[[Strip, Raster], Raster]
) -> ProportionsOnDisk:
    """Divide the water of every cell between two receivers: `facets.flow_proportions` in strips.

    Parameters
    ----------
    ground
        With its final directions.
    filled
        Gives the water surface of a strip with the rows beside it, flat, from its elevations.
    """
    shape = ground.elevation.shape
    made = ProportionsOnDisk(
        ground.scratch.rows(shape, np.uint8),
        ground.scratch.rows(shape, np.uint8),
        ground.scratch.rows(shape, np.float64),
        ground.scratch.rows(shape, np.float32),
    )
    for strip in ground.strips:
        z = ground.z(strip)
        water = filled(strip, z).reshape(z.shape)
        found = flow_proportions(
            z, water, ground.direction[strip.first : strip.last], ground.walls_of(strip)
        )
        for rows, values in (
            (made.first, found.first),
            (made.second, found.second),
            (made.to_second, found.to_second),
            (made.azimuth_deg, found.azimuth_deg),
        ):
            rows.mapped(strip.top, strip.bottom)[...] = values[strip.core]
        ground.progress((strip.number + 1) / len(ground.strips))
    return made


_Arriving = list[tuple[Long, Floats]]


def accumulate_over_strips(ground: StripRaster, proportions: ProportionsOnDisk | None) -> Rows:
    """Count the cells whose water passes through each cell, itself included.

    Within a strip cells are taken as in `geosite.terrain.water.d_infinity.accumulate_proportions`;
    what crosses its border waits until the strip beside it is worked on. A strip is worked on again
    as long as something waits for it.

    Parameters
    ----------
    ground
        With its final directions.
    proportions
        For d-infinity.

    Returns
    -------
    Rows of float64, 0 for nodata
    """
    shape = ground.elevation.shape
    accumulation = ground.scratch.rows(shape, np.float64)
    donors = ground.scratch.rows(shape, np.int8)
    arriving: list[_Arriving] = [[] for _ in ground.strips]
    for strip in ground.strips:
        first, second, to_second = _receivers(ground, proportions, strip.first, strip.last)
        donors_here = donors.mapped(strip.top, strip.bottom)
        _count_donors(donors_here, first, second, to_second, strip)
        own_first = first[strip.core]
        accumulation.mapped(strip.top, strip.bottom)[...] = own_first != NODATA
        flat = own_first.reshape(-1)
        ready = np.flatnonzero((flat < OUTFLOW) & (donors_here.reshape(-1) == 0))
        _accumulate_strip(ground, proportions, strip, accumulation, donors, ready, arriving)
        ground.progress((strip.number + 1) / len(ground.strips))
    number, step = len(arriving) - 1, -1
    while any(arriving):
        if arriving[number]:
            _take_in(ground, proportions, ground.strips[number], accumulation, donors, arriving)
        if not 0 <= number + step < len(arriving):
            step = -step
        number = min(max(number + step, 0), len(arriving) - 1)
    return accumulation


def _receivers(
    ground: StripRaster, proportions: ProportionsOnDisk | None, top: int, bottom: int
) -> tuple[Bytes, Bytes | None, Floats | None]:
    if proportions is None:
        return ground.direction[top:bottom], None, None
    return (
        proportions.first.mapped(top, bottom),
        proportions.second.mapped(top, bottom),
        proportions.to_second.mapped(top, bottom),
    )


def _count_donors(
    donors_here: npt.NDArray[np.int8],
    first: Bytes,
    second: Bytes | None,
    to_second: Floats | None,
    strip: Strip,
) -> None:
    """Count the donors of each cell, those in the rows beside the strip too."""
    rows, cols = donors_here.shape
    above = strip.core.start
    for k in range(8):
        down, across = int(ROW_STEP[k]), int(COL_STEP[k])
        # the neighbour that gives in direction k lies the other way
        low, high = max(0, down - above), min(rows, len(first) - above + down)
        left, right = max(0, across), cols + min(0, across)
        receiver = slice(low, high), slice(left, right)
        donor = (
            slice(low + above - down, high + above - down),
            slice(left - across, right - across),
        )
        donors_here[receiver] += first[donor] == k
        if second is not None and to_second is not None:
            donors_here[receiver] += (
                (second[donor] == k) & (to_second[donor] > 0.0) & (first[donor] < OUTFLOW)
            )


def _take_in(
    ground: StripRaster,
    proportions: ProportionsOnDisk | None,
    strip: Strip,
    accumulation: Rows,
    donors: Rows,
    arriving: list[_Arriving],
) -> None:
    """Take in what has arrived for a strip, and go on from there."""
    cells = np.concatenate([cell for cell, _ in arriving[strip.number]])
    amounts = np.concatenate([amount for _, amount in arriving[strip.number]])
    arriving[strip.number] = []
    cells = cells - strip.top * strip.cols
    donors_here = donors.mapped(strip.top, strip.bottom).reshape(-1)
    np.add.at(accumulation.mapped(strip.top, strip.bottom).reshape(-1), cells, amounts)
    np.subtract.at(donors_here, cells, np.int8(1))
    first, _, _ = _receivers(ground, proportions, strip.top, strip.bottom)
    ready = np.unique(cells[donors_here[cells] == 0])
    ready = ready[first.reshape(-1)[ready] < OUTFLOW]
    _accumulate_strip(ground, proportions, strip, accumulation, donors, ready, arriving)


def _accumulate_strip(
    ground: StripRaster,
    proportions: ProportionsOnDisk | None,
    strip: Strip,
    on_disk: Rows,
    donors: Rows,
    front: Long,
    arriving: list[_Arriving],
) -> None:
    """Take cells whose donors have all been taken, and so on, as far as the strip goes."""
    accumulation = on_disk.mapped(strip.top, strip.bottom).reshape(-1)
    donors_here = donors.mapped(strip.top, strip.bottom).reshape(-1)
    first, second, to_second = (
        None if one is None else one.reshape(-1)
        for one in _receivers(ground, proportions, strip.top, strip.bottom)
    )
    assert first is not None
    offset = np.zeros(256, dtype=np.intp)
    offset[:8] = ROW_STEP * strip.cols + COL_STEP
    order = np.empty(accumulation.size, dtype=np.int32)
    while front.size:
        receiver, amount = front + offset[first[front]], accumulation[front]
        if second is not None and to_second is not None:
            share = to_second[front]
            is_split = np.flatnonzero(share > 0.0)
            split = front[is_split]
            receiver = np.concatenate([receiver, split + offset[second[split]]])
            amount = np.concatenate([amount * (1.0 - share), amount[is_split] * share[is_split]])
        up, down = receiver < 0, receiver >= accumulation.size
        for beside, leaves in ((strip.number - 1, up), (strip.number + 1, down)):
            if leaves.any():
                arriving[beside].append((receiver[leaves] + strip.top * strip.cols, amount[leaves]))
        stays = ~(up | down)
        receiver, amount = receiver[stays], amount[stays]
        np.add.at(accumulation, receiver, amount)
        np.subtract.at(donors_here, receiver, np.int8(1))
        ready = receiver[(donors_here[receiver] == 0) & (first[receiver] < OUTFLOW)]
        position = np.arange(ready.size, dtype=np.int32)
        order[ready] = position
        front = ready[order[ready] == position]
