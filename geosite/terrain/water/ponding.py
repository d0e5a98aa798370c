"""Ponds: the depressions filled to their spill elevation, their volume, and where they spill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.terrain.water.descent import Index
from geosite.terrain.water.drainage import Drainage
from geosite.terrain.water.regions import connected_regions

__all__ = ["Pond", "find_ponds"]


@dataclass(frozen=True, slots=True)
class Pond:
    """Standing water in a depression that is full.

    Parameters
    ----------
    number
        Value in the raster of ponds, counted from 1, the largest volume first.
    level
        Elevation of the water.
    depth
        Where it is deepest, unit of the elevation.
    volume
        Square of the cell's unit times the unit of the elevation.
    cell_depths
        Depths of its cells added up, unit of the elevation.
    cells
        Cells under water.
    row, col
        Deepest cell: the low point.
    spill_row, spill_col
        Cell over which the pond spills; its elevation is the level.
    contributing_cells
        Cells whose water passes through the place where it spills, the pond included.
    """

    number: int
    level: float
    depth: float
    volume: float
    cell_depths: float
    cells: int
    row: int
    col: int
    spill_row: int
    spill_col: int
    contributing_cells: float


def find_ponds(
    drainage: Drainage,
    *,
    minimum_depth: float = 0.0,
) -> tuple[Index, tuple[Pond, ...]]:
    """Find the ponds, one per connected water surface.

    Parameters
    ----------
    drainage
        Of the site.
    minimum_depth
        Least depth of a pond, unit of the elevation. Shallower ones are left out.

    Returns
    -------
    raster : array of int32, shape (rows, cols)
        Number of the pond; 0 where no water stands.
    ponds
        The largest volume first.

    Examples
    --------
    A hollow of 1 m in level ground of 5 m, with a lip of 4.9 m, on cells of 2 m: a pond of 0.9 m on
    4 m2.

    >>> from geosite.terrain.water.drainage import drain
    >>> z = np.full((3, 4), 5.0)
    >>> z[1, 1], z[1, 2], z[1, 3] = 4.0, 4.9, 4.8
    >>> _, (pond,) = find_ponds(drain(z, cell_size=2.0))
    >>> round(pond.level, 6), round(pond.depth, 6), round(pond.volume, 6)
    (4.9, 0.9, 3.6)
    >>> (pond.row, pond.col), (pond.spill_row, pond.spill_col)
    ((1, 1), (1, 2))
    """
    rows, cols = drainage.direction.shape
    raster = np.zeros((rows, cols), dtype=np.int32)
    depth = drainage.ponding_depth.ravel()
    wet = np.flatnonzero(depth > 0)
    if not wet.size:
        return raster, ()
    walls = None if drainage.walls is None else drainage.walls.ravel()
    region, count = connected_regions(wet, (rows, cols), walls=walls)
    if minimum_depth > 0:
        deepest_of = np.zeros(count, dtype=depth.dtype)
        np.maximum.at(deepest_of, region, depth[wet])
        is_deep = deepest_of >= minimum_depth
        is_deep_enough = is_deep[region]
        wet, region = (
            wet[is_deep_enough],
            (np.cumsum(is_deep, dtype=np.int32) - np.int32(1))[region[is_deep_enough]],
        )
        count = int(is_deep.sum())
    cell_area = drainage.cell_size**2
    depths = np.bincount(region, weights=depth[wet].astype(np.float64))
    volume = depths * cell_area
    cells = np.bincount(region)
    # deepest first within each pond; of equally deep cells the first
    by_depth = np.lexsort((wet, -depth[wet], region))
    deepest = wet[by_depth[np.searchsorted(region[by_depth], np.arange(count))]]
    # the pond spills where a cell's receiver is not in it: over its lowest pass only
    receiver = drainage.receiver.ravel()[wet]
    pond = np.full(depth.size, -1, dtype=np.int32)
    pond[wet] = region
    spilling_cells = np.flatnonzero(pond[receiver] != region)
    spilling = spilling_cells[np.argsort(region[spilling_cells])]
    spill = receiver[spilling]
    accumulation = drainage.contributing_cells.ravel()
    order = np.lexsort((deepest, -volume))
    number = np.empty(count, dtype=np.int32)
    number[order] = np.arange(1, count + 1, dtype=np.int32)
    raster.ravel()[wet] = number[region]
    level = drainage.filled.ravel()
    return raster, tuple(
        Pond(
            number=n,
            level=float(level[deepest[p]]),
            depth=float(depth[deepest[p]]),
            volume=float(volume[p]),
            cell_depths=float(depths[p]),
            cells=int(cells[p]),
            row=int(deepest[p]) // cols,
            col=int(deepest[p]) % cols,
            spill_row=int(spill[p]) // cols,
            spill_col=int(spill[p]) % cols,
            contributing_cells=float(accumulation[wet[spilling[p]]]),
        )
        for n, p in enumerate(order.tolist(), start=1)
    )
