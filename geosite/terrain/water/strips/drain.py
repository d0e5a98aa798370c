"""Where water goes on a raster larger than memory: the answer of `drainage.drain`, in strips.

Directions are of the neighbourhood of a cell; basins are found in each strip and joined where water
crosses a border; the passes of all strips make one graph that is solved once; then every strip is
filled to the levels found. Of each cell one byte is in memory all the time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from geosite.base.large_rasters import Room, Rows
from geosite.terrain.water.basins import Exits, Pools, carve
from geosite.terrain.water.descent import LEAVES, NODATA, Bytes, Grid, Mask, Raster
from geosite.terrain.water.drainage import FlowMethod
from geosite.terrain.water.strips.counting import Shared, count_passing, share_strips
from geosite.terrain.water.strips.graph import Basins, find_basins, find_spills
from geosite.terrain.water.strips.ground import Ground, Strip, find_ways
from geosite.terrain.water.strips.level import turn_level_ground

__all__ = ["Drained", "StripDrainage", "drain_strips"]


@dataclass(frozen=True, eq=False, slots=True)
class Drained:
    """Some rows of the answer; arrays as in `geosite.terrain.water.drainage.Drainage`.

    Parameters
    ----------
    top
        First row.
    azimuth_deg, ponding_depth, passing_cells
        Float32, type of the elevations, float64. NaN, NaN and 0 for nodata.
    """

    top: int
    azimuth_deg: Raster
    ponding_depth: Raster
    passing_cells: Raster


@dataclass(frozen=True, eq=False, slots=True)
class StripDrainage:
    """The answer, to be read from the north to the south."""

    ground: Ground
    basins: Basins
    exits: Exits
    passing: Rows
    shared: Shared | None

    @property
    def direction(self) -> Bytes:
        """As in `geosite.terrain.water.drainage.Drainage`."""
        return self.ground.direction

    def __iter__(self) -> Iterator[Drained]:
        """Yield rows from the north to the south."""
        table = np.full(256, -1.0, dtype=np.float32)
        table[: 2 * LEAVES] = np.arange(2 * LEAVES) % 8 * 45.0
        table[NODATA] = np.nan
        for strip in self.ground.strips:
            z = self.ground.z(strip)
            water = _filled(self.basins, self.exits, strip, z)
            depth = (water - z.ravel()).reshape(z.shape)[strip.core]
            azimuth = table[self.ground.direction[strip.top : strip.bottom]]
            if self.shared is not None:
                toward = self.shared.azimuth_deg.copied(strip.top, strip.bottom)
                azimuth = np.where(np.isnan(toward), azimuth, toward)
            passing = self.passing.copied(strip.top, strip.bottom)
            yield Drained(strip.top, azimuth, depth, passing)


def drain_strips(
    elevation: Rows,
    room: Room,
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
    room
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
    """
    steps = _Steps(progress, 6 if method == "d-infinity" else 5)
    ground = Ground(elevation, room, height, inlets, walls, steps.tell)
    ways = find_ways(ground)
    turn_level_ground(ground, ways.has_flats)
    steps.next()
    basins = find_basins(ground)
    steps.next()
    exits = find_spills(ground, ways, basins)
    steps.next()
    rows, cols = elevation.shape
    empty = np.empty(0, dtype=elevation.dtype)
    nothing = np.empty(0, dtype=np.intp)
    carve(
        Grid(empty, ground.direction.reshape(-1), rows, cols, None),
        exits,
        Pools(nothing, nothing, has_flats=False),
    )
    turn_level_ground(ground, ways.has_flats, from_entries=True)
    shared = None
    if method == "d-infinity":
        shared = share_strips(ground, lambda strip, z: _filled(basins, exits, strip, z))
        steps.next()
    passing = count_passing(ground, shared)
    return StripDrainage(ground, basins, exits, passing, shared)


def _filled(basins: Basins, exits: Exits, strip: Strip, z: Raster) -> Raster:
    """Return the water surface, flat, with the rows beside the strip."""
    level = np.append(exits.level, z.dtype.type(np.nan))
    return np.asarray(np.maximum(z.ravel(), level[basins.labels(strip)]))


class _Steps:
    """Share of the whole from that of one step."""

    def __init__(self, progress: Callable[[float], None], count: int) -> None:
        self.progress, self.count, self.done = progress, count, 0

    def next(self) -> None:
        self.done += 1

    def tell(self, share: float) -> None:
        self.progress((self.done + share) / self.count)
