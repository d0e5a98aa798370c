"""A raster in strips: what is kept of it in memory, and its flow directions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geosite.base.large_rasters import Rows, ScratchFolder, strips
from geosite.terrain.water.descent import (
    NO_FLOW,
    NODATA,
    Bytes,
    EdgeCells,
    EdgeOutflow,
    FlowGrid,
    Long,
    Mask,
    Raster,
    edge_outflow,
    neighbour_elevations,
)
from geosite.terrain.water.flow_directions import steepest_descent

__all__ = ["Strip", "StripRaster", "directions_over_strips"]


@dataclass(frozen=True, slots=True)
class Strip:
    """Some whole rows, and one more on either side of which the raster goes on.

    Parameters
    ----------
    number
        From the north, from 0.
    top, bottom
        Its rows, `bottom` not included.
    first, last
        The same with the rows beside it.
    cols
    """

    number: int
    top: int
    bottom: int
    first: int
    last: int
    cols: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns with the rows beside it."""
        return self.last - self.first, self.cols

    @property
    def start(self) -> int:
        """Flat index in the raster of the first cell with the rows beside it."""
        return self.first * self.cols

    @property
    def core(self) -> slice:
        """Its own rows among those with the rows beside it."""
        return slice(self.top - self.first, self.bottom - self.first)

    @property
    def own(self) -> slice:
        """Its own cells among the flat cells with the rows beside it."""
        return slice((self.top - self.first) * self.cols, (self.bottom - self.first) * self.cols)

    def owns(self, cells: Long) -> Mask:
        """Return which flat cells, counted with the rows beside it, are its own."""
        found: Mask = (cells >= self.own.start) & (cells < self.own.stop)
        return found


@dataclass(eq=False, slots=True)
class StripRaster:
    """A raster in strips. Of each cell one byte is in memory; the rest is on disk.

    Parameters
    ----------
    elevation
        NaN is nodata.
    scratch
        Where further rasters go.
    height
        Rows per strip.
    inlets, walls : array, shape (rows, cols)
        As for `geosite.terrain.water.drainage.drain`.
    progress
        Called with the share that is done, 0 to 1.
    """

    elevation: Rows
    scratch: ScratchFolder
    height: int
    inlets: Mask | None = None
    walls: Bytes | None = None
    progress: Callable[[float], None] = lambda share: None
    direction: Bytes = field(init=False)
    strips: tuple[Strip, ...] = field(init=False)

    def __post_init__(self) -> None:
        rows, cols = self.elevation.shape
        self.direction = np.full((rows, cols), NODATA, dtype=np.uint8)
        self.strips = tuple(
            Strip(number, top, bottom, max(top - 1, 0), min(bottom + 1, rows), cols)
            for number, (top, bottom) in enumerate(strips(rows, self.height))
        )

    def z(self, strip: Strip) -> Raster:
        """Return the elevations, with the rows beside the strip."""
        found: Raster = self.elevation.copied(strip.first, strip.last)
        return found

    def walls_of(self, strip: Strip) -> Bytes | None:
        """Return the walls, with the rows beside the strip."""
        return None if self.walls is None else self.walls[strip.first : strip.last]

    def inlets_of(self, strip: Strip) -> Mask | None:
        """Return the inlets, with the rows beside the strip."""
        return None if self.inlets is None else self.inlets[strip.first : strip.last]

    def grid(self, strip: Strip, z: Raster) -> FlowGrid:
        """Return the strip with the rows beside it; its directions are the raster's own."""
        walls = self.walls_of(strip)
        return FlowGrid(
            z.ravel(),
            self.direction[strip.first : strip.last].reshape(-1),
            *strip.shape,
            None if walls is None else walls.reshape(-1),
        )

    def undrained(self, strip: Strip) -> Long:
        """Return its own cells without a flow direction, flat with the rows beside it."""
        own = self.direction[strip.top : strip.bottom].reshape(-1) == NO_FLOW
        found: Long = np.flatnonzero(own) + strip.own.start
        return found


@dataclass(frozen=True, eq=False, slots=True)
class _StripEdge:
    edges: EdgeCells
    inlets: Long
    is_flat: bool


@dataclass(frozen=True, eq=False, slots=True)
class StripFlow:
    """What is kept of the flow directions beside the directions themselves.

    Parameters
    ----------
    edge, outward
        Edge cells and the direction straight out, or out of those that leave at once.
    inlets
        On known ground.
    outflow
        Cells whose water leaves at once.
    has_flats
        Which strips have level ground without a flow direction.
    """

    edge: Long
    outward: Bytes
    inlets: Long
    outflow: EdgeOutflow
    has_flats: npt.NDArray[np.bool_]


def directions_over_strips(ground: StripRaster) -> StripFlow:
    """Give every cell its steepest descent, and let water out at the edge of the data."""
    parts = [_strip_edge(ground, strip) for strip in ground.strips]
    edges = EdgeCells(
        np.concatenate([p.edges.cell for p in parts]),
        np.concatenate([p.edges.outward for p in parts]),
        np.concatenate([p.edges.outside for p in parts]),
        np.concatenate([p.edges.direction for p in parts]),
        np.concatenate([p.edges.z for p in parts]),
        np.concatenate([p.edges.neighbours for p in parts], axis=1),
    )
    outflow = edge_outflow(edges, ground.elevation.shape[1])
    ground.direction.reshape(-1)[outflow.cell] = outflow.outward
    outward = edges.outward.copy()
    outward[outflow.place] = outflow.outward
    return StripFlow(
        edges.cell,
        outward,
        np.concatenate([p.inlets for p in parts]),
        outflow,
        np.array([p.is_flat for p in parts]),
    )


def _strip_edge(ground: StripRaster, strip: Strip) -> _StripEdge:
    z, walls = ground.z(strip), ground.walls_of(strip)
    local, outside = steepest_descent(z, ground.inlets_of(strip), None, walls)
    ground.direction[strip.top : strip.bottom] = local.direction[strip.core]
    own = strip.owns(local.edge)
    cell = local.edge[own]
    direction = local.direction.ravel()
    edges = EdgeCells(
        cell + strip.start,
        local.outward[own],
        outside[own],
        direction[cell],
        z.ravel()[cell],
        neighbour_elevations(z, cell, np.arange(8)[:, None], walls),
    )
    level = local.level[strip.owns(local.level)]
    neighbour, is_reachable = ground.grid(strip, z).neighbours(level)
    is_level = z.ravel()[neighbour] == z.ravel()[level]
    if is_reachable is not None:
        is_level &= is_reachable
    inlets = local.inlets[strip.owns(local.inlets)] + strip.start
    ground.progress((strip.number + 1) / len(ground.strips))
    return _StripEdge(edges, inlets, bool(is_level.any()))
