"""Drainage of a raster larger than memory: the result of `drainage.drain`, in strips.

Flow directions need the neighbourhood of a cell only. Basins are found in each strip and joined
where water crosses a border; the passes of all strips make one graph that is solved once; then
every strip is filled to the spill elevations. One byte per cell is in memory all the time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from geosite.base.large_rasters import Rows, ScratchFolder
from geosite.terrain.water.basins import Spills, carve
from geosite.terrain.water.descent import NODATA, OUTFLOW, Bytes, FlowGrid, Mask, Raster
from geosite.terrain.water.drainage import FlowMethod
from geosite.terrain.water.flats import Pits
from geosite.terrain.water.strips.counting import (
    ProportionsOnDisk,
    accumulate_over_strips,
    proportions_over_strips,
)
from geosite.terrain.water.strips.graph import Basins, find_basins, find_spills_over_strips
from geosite.terrain.water.strips.ground import Strip, StripRaster, directions_over_strips
from geosite.terrain.water.strips.level import resolve_flats_over_strips

__all__ = ["DrainedRows", "StripDrainage", "drain_strips"]


@dataclass(frozen=True, eq=False, slots=True)
class DrainedRows:
    """Some rows of the answer; arrays as in `geosite.terrain.water.drainage.Drainage`.

    Parameters
    ----------
    top
        First row.
    azimuth_deg, ponding_depth, contributing_cells
        Float32, type of the elevations, float64. NaN, NaN and 0 for nodata.
    """

    top: int
    azimuth_deg: Raster
    ponding_depth: Raster
    contributing_cells: Raster


@dataclass(frozen=True, eq=False, slots=True)
class StripDrainage:
    """The answer, to be read from the north to the south."""

    ground: StripRaster
    basins: Basins
    exits: Spills
    accumulation: Rows
    proportions: ProportionsOnDisk | None

    @property
    def direction(self) -> Bytes:
        """As in `geosite.terrain.water.drainage.Drainage`."""
        return self.ground.direction

    def __iter__(self) -> Iterator[DrainedRows]:
        """Yield rows from the north to the south."""
        table = np.full(256, -1.0, dtype=np.float32)
        table[: 2 * OUTFLOW] = np.arange(2 * OUTFLOW) % 8 * 45.0
        table[NODATA] = np.nan
        for strip in self.ground.strips:
            z = self.ground.z(strip)
            water = _filled(self.basins, self.exits, strip, z)
            depth = (water - z.ravel()).reshape(z.shape)[strip.core]
            azimuth = table[self.ground.direction[strip.top : strip.bottom]]
            if self.proportions is not None:
                toward = self.proportions.azimuth_deg.copied(strip.top, strip.bottom)
                azimuth = np.where(np.isnan(toward), azimuth, toward)
            accumulation = self.accumulation.copied(strip.top, strip.bottom)
            yield DrainedRows(strip.top, azimuth, depth, accumulation)


def drain_strips(
    elevation: Rows,
    scratch: ScratchFolder,
    height: int,
    *,
    method: FlowMethod = "d8",
    inlets: Mask | None = None,
    walls: Bytes | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> StripDrainage:
    """Find where the water of every cell goes.

    Parameters
    ----------
    elevation
        Float32 or float64, NaN for nodata; fewer than 2^31 cells.
    scratch
        Where further rasters are kept meanwhile: 13 bytes of each cell with d8, 27 with d-infinity,
        the elevations not counted.
    height
        Rows per strip.
    method, inlets, walls
        As for `geosite.terrain.water.drainage.drain`.
    progress
        Called with the share that is done, 0 to 1.

    Returns
    -------
    StripDrainage
        Directions, ponds and contributing cells of d8 are those of `drain`; shares of d-infinity
        are added up in another order, so that their last digit may differ.

    Examples
    --------
    The valley of two hollows (see `geosite.terrain.water.drainage.drain`), row by row; all of its
    floor drains to the east (2) and out there (8 + 2):

    >>> import tempfile
    >>> from pathlib import Path
    >>> z = np.array([[9.0] * 5, [9.0, 4.0, 6.0, 5.0, 8.0], [9.0] * 5])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     scratch = ScratchFolder(Path(folder))
    ...     elevation = scratch.rows(z.shape, z.dtype)
    ...     elevation.mapped(0, 3)[...] = z
    ...     found = drain_strips(elevation, scratch, height=1)
    ...     depths = [part.ponding_depth[0].tolist() for part in found]
    >>> found.direction[1].tolist(), depths[1]
    ([2, 2, 2, 2, 10], [0.0, 4.0, 2.0, 3.0, 0.0])
    """
    steps = _Steps(progress, 6 if method == "d-infinity" else 5)
    ground = StripRaster(elevation, scratch, height, inlets, walls, steps.report)
    flow = directions_over_strips(ground)
    resolve_flats_over_strips(ground, flow.has_flats)
    steps.next()
    basins = find_basins(ground)
    steps.next()
    spills = find_spills_over_strips(ground, flow, basins)
    steps.next()
    rows, cols = elevation.shape
    empty = np.empty(0, dtype=elevation.dtype)
    nothing = np.empty(0, dtype=np.intp)
    carve(
        FlowGrid(empty, ground.direction.reshape(-1), rows, cols, None),
        spills,
        Pits(nothing, nothing, has_flats=False),
    )
    resolve_flats_over_strips(ground, flow.has_flats, from_entries=True)
    proportions = None
    if method == "d-infinity":
        proportions = proportions_over_strips(
            ground, lambda strip, z: _filled(basins, spills, strip, z)
        )
        steps.next()
    accumulation = accumulate_over_strips(ground, proportions)
    return StripDrainage(ground, basins, spills, accumulation, proportions)


def _filled(basins: Basins, spills: Spills, strip: Strip, z: Raster) -> Raster:
    """Return the water surface, flat, with the rows beside the strip."""
    level = np.append(spills.level, z.dtype.type(np.nan))
    return np.asarray(np.maximum(z.ravel(), level[basins.labels(strip)]))


class _Steps:
    """Share of the whole from that of one step."""

    def __init__(self, progress: Callable[[float], None], count: int) -> None:
        self.progress, self.count, self.done = progress, count, 0

    def next(self) -> None:
        self.done += 1

    def report(self, share: float) -> None:
        self.progress((self.done + share) / self.count)
