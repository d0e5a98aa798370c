"""What the drainage means on the map: where water leaves, what drains there, which way it runs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from geosite.base.grid import Grid
from geosite.terrain.slope import Slope
from geosite.terrain.water.basins import connected_regions
from geosite.terrain.water.descent import (
    CLOSED_DEPRESSION,
    COL_STEP,
    INLET,
    NODATA,
    OUTFLOW,
    ROW_STEP,
    Index,
    Long,
    Raster,
    index_offsets,
    neighbour_elevations,
)
from geosite.terrain.water.drainage import Drainage

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "Arrows",
    "Catchment",
    "arrows",
    "catchments",
    "edge_paths",
    "flow_path",
    "flow_paths",
    "polygons",
]

Floats = npt.NDArray[np.float64]

_STEPS = tuple(zip(ROW_STEP.tolist(), COL_STEP.tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class Catchment:
    """Ground whose water leaves in one place.

    Parameters
    ----------
    number
        Value in the raster of catchments, counted from 1, the largest area first.
    kind
        ``"edge"`` a stretch of the edge of the site, ``"inlet"``, or ``"hollow"`` without a way
        out.
    inlet
        Number of the inlet in the raster of inlets, 0 without one.
    row, col
        Cell of the stretch or the inlet through which most water passes.
    cells
        Number of cells whose water leaves there.
    peak_cells
        Number of cells whose water passes through the one cell.
    """

    number: int
    kind: Literal["edge", "inlet", "hollow"]
    inlet: int
    row: int
    col: int
    cells: int
    peak_cells: float


def catchments(
    drainage: Drainage, inlets: npt.NDArray[np.integer[Any]] | None = None
) -> tuple[Index, tuple[Catchment, ...]]:
    """Divide the site by where its water leaves.

    Edge cells that let water out and touch are one stretch, and so are those between which the edge
    only falls: a stretch may leave the straight line of the cells. The cells of an inlet are one
    inlet.

    Parameters
    ----------
    drainage
        Of the site. With d-infinity the ground is divided as with d8.
    inlets : array of int, shape (rows, cols), optional
        Number of the inlet each cell belongs to, from 1; 0 elsewhere. Without it every inlet cell
        is an inlet of its own.

    Returns
    -------
    raster : array of int32, shape (rows, cols)
        Number of the catchment; 0 for nodata.
    catchments
        The largest first. Their cells add up to the site.
    """
    direction = drainage.direction
    edge = np.flatnonzero(drainage.outlets)
    shape = direction.shape[0], direction.shape[1]
    stretch, stretches = connected_regions(edge, shape, links=edge_paths(drainage, edge))
    place = np.zeros(direction.size, dtype=np.int32)
    place[edge] = 1 + stretch
    sink = np.flatnonzero(drainage.sinks)
    # the number of its inlet, or for a cell without one a number of its own below zero
    name = -1 - np.arange(sink.size)
    if inlets is not None:
        of_inlet = np.where(direction.ravel()[sink] == INLET, inlets.ravel()[sink], 0)
        name = np.where(of_inlet > 0, of_inlet, name)
    names, which = np.unique(name, return_inverse=True)
    place[sink] = stretches + 1 + which
    count = stretches + names.size
    kind = np.full(count + 1, OUTFLOW, dtype=np.uint8)
    kind[place[sink]] = direction.ravel()[sink]

    known = drainage.catchment >= 0
    total = np.zeros(direction.shape, dtype=np.int32)
    total[known] = place[drainage.catchment[known]]
    cells = np.bincount(total.ravel(), minlength=count + 1)
    passing = drainage.contributing_cells.ravel()
    ends = np.flatnonzero(place)
    upwards = ends[np.lexsort((-ends, passing[ends]))]
    peak = np.zeros(count + 1, dtype=np.intp)
    peak[place[upwards]] = upwards  # the last one written stays: the largest, then the first
    order = 1 + np.lexsort((peak[1:], -cells[1:]))
    renumbered = np.zeros(count + 1, dtype=np.int32)
    renumbered[order] = np.arange(1, count + 1, dtype=np.int32)
    kinds: dict[int, Literal["inlet", "hollow"]] = {INLET: "inlet", CLOSED_DEPRESSION: "hollow"}
    found = tuple(
        Catchment(
            number=number,
            kind=kinds.get(int(kind[old]), "edge"),
            inlet=max(int(names[old - stretches - 1]), 0) if old > stretches else 0,
            row=int(peak[old]) // direction.shape[1],
            col=int(peak[old]) % direction.shape[1],
            cells=int(cells[old]),
            peak_cells=float(passing[peak[old]]),
        )
        for number, old in enumerate(order.tolist(), start=1)
    )
    return renumbered[total], found


def edge_paths(drainage: Drainage, outlets: Long) -> tuple[Long, Long]:
    """Return pairs of outlets: one, and where its water would leave if it ran down the edge.

    Parameters
    ----------
    outlets
        Flat indices, ascending.

    Returns
    -------
    one, other
        Places in `outlets`.
    """
    turn, shift = drainage.direction.ravel(), index_offsets(drainage.direction.shape[1])
    around = neighbour_elevations(drainage.ground, outlets, np.arange(8)[:, None], drainage.walls)
    fall = drainage.ground.ravel()[outlets] - around
    fall[1::2] *= 0.5**0.5
    fall[~(fall > 0)] = 0
    one = np.flatnonzero(fall.any(axis=0))
    cell = outlets[one] + shift[fall[:, one].argmax(axis=0)]
    known = np.pad(drainage.direction != NODATA, 1)
    is_inside = np.logical_and.reduce(
        [known[1 + r : r - 1 or None, 1 + c : c - 1 or None] for r, c in _STEPS]
    ).ravel()
    there, moving = cell, np.arange(cell.size)
    while moving.size:
        moving = moving[~is_inside[there[moving]] & (turn[there[moving]] < OUTFLOW)]
        there[moving] += shift[turn[there[moving]]]
    ends = np.flatnonzero(drainage.outlets.ravel()[there])
    return one[ends], np.searchsorted(outlets, there[ends])


def flow_path(drainage: Drainage, row: int, col: int) -> tuple[Long, Long]:
    """Return the cells water passes from one cell until it leaves, the first and last included.

    Parameters
    ----------
    drainage
        With d-infinity the path is that of d8.
    row, col
        A cell of the site.

    Returns
    -------
    rows, cols : array, shape (n,)
        Empty where the cell is nodata.
    """
    cols = drainage.direction.shape[1]
    turn = drainage.direction.ravel()
    cell = row * cols + col
    if turn[cell] == NODATA:
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    shift = (ROW_STEP * cols + COL_STEP).tolist()
    path = [cell]
    while (k := int(turn[cell])) < OUTFLOW:
        cell += shift[k]
        path.append(cell)
    rows_of_path, cols_of_path = np.divmod(np.array(path, dtype=np.intp), cols)
    return rows_of_path, cols_of_path


def flow_paths(
    drainage: Drainage, grid: Grid, cells: Iterable[tuple[int, int]]
) -> list[BaseGeometry]:
    """Draw the ways of water from some cells, each to where it leaves or joins an earlier one.

    Parameters
    ----------
    drainage
        Of the grid.
    grid
        Map units.
    cells
        Row and column of the cells to start from. Nodata is passed over.

    Returns
    -------
    list of LineStringZ
        Through cell centres, with the elevation of the water surface; where the water leaves over
        the edge, on to the edge of the cell. A start on an earlier path adds no line.
    """
    from shapely import LineString

    passed = np.zeros(drainage.direction.shape, dtype=np.bool_)
    east, north = grid.centres()
    lines: list[BaseGeometry] = []
    for start in cells:
        rows, cols = flow_path(drainage, *start)
        if not rows.size or passed[start]:
            continue
        met = np.flatnonzero(passed[rows, cols])
        stop = int(met[0]) if met.size else rows.size - 1
        passed[rows[: stop + 1], cols[: stop + 1]] = True
        rows, cols = rows[: stop + 1], cols[: stop + 1]
        line = np.column_stack([east[cols], north[rows], drainage.filled[rows, cols]])
        k = int(drainage.direction[rows[-1], cols[-1]])
        if OUTFLOW <= k < INLET:
            step = np.array([COL_STEP[k - OUTFLOW], -ROW_STEP[k - OUTFLOW], 0.0])
            line = np.vstack([line, line[-1] + step * grid.cell_size / 2.0])
        if len(line) > 1:
            lines.append(LineString(line))
    return lines


@dataclass(frozen=True, eq=False, slots=True)
class Arrows:
    """One arrow per coarse cell; arrays have shape (n,), from the north-west row by row.

    Parameters
    ----------
    easting, northing
        Map units: middle of the ground in the coarse cell.
    azimuth_deg
        Degrees clockwise from north, the mean way of the water.
    steadiness
        Length of the mean of the unit vectors, 1 where all water goes one way, 0 where the ways
        cancel out.
    slope_percent
        Mean slope.
    contributing_area
        Largest in the coarse cell, in the square of the unit of the drainage's cell size.
    """

    easting: Floats
    northing: Floats
    azimuth_deg: Floats
    steadiness: Floats
    slope_percent: Floats
    contributing_area: Floats


def arrows(drainage: Drainage, slope: Slope, grid: Grid, every: int) -> Arrows:
    """Summarise direction, slope and contributing area in coarse cells.

    Parameters
    ----------
    drainage, slope
        Of the grid.
    grid
        Map units.
    every
        Cells per side of a coarse cell.

    Returns
    -------
    Arrows
        Of the coarse cells in which water moves and at least one slope is known.
    """
    # whole coarse cells, centred on the grid; what is added has no ground
    down, across = -(-grid.rows // every), -(-grid.cols // every)
    above = (down * every - grid.rows) // 2
    left = (across * every - grid.cols) // 2

    def coarse(values: Raster | npt.NDArray[np.bool_]) -> Floats:
        """Return what each coarse cell holds, shape (coarse cells, every * every), 0 if none."""
        framed = np.zeros((down * every, across * every))
        framed[above : above + grid.rows, left : left + grid.cols] = values
        parts = framed.reshape(down, every, across, every).swapaxes(1, 2)
        return parts.reshape(down * across, every * every)

    azimuth = np.radians(drainage.azimuth_deg.astype(np.float64))
    moves = (drainage.direction < OUTFLOW) | drainage.outlets
    steep = slope.steepness("percent")
    has_slope = np.isfinite(steep)
    east, north = grid.centres()
    known = drainage.direction != NODATA
    ground = coarse(known).sum(axis=1)
    moving = coarse(moves).sum(axis=1)
    sloping = coarse(has_slope).sum(axis=1)
    keep = np.flatnonzero((moving > 0) & (sloping > 0))
    toward_east = coarse(np.where(moves, np.sin(azimuth), 0.0)).sum(axis=1)[keep] / moving[keep]
    toward_north = coarse(np.where(moves, np.cos(azimuth), 0.0)).sum(axis=1)[keep] / moving[keep]
    return Arrows(
        easting=coarse(known * (east - grid.west)).sum(axis=1)[keep] / ground[keep] + grid.west,
        northing=coarse(known * (north[:, None] - grid.north)).sum(axis=1)[keep] / ground[keep]
        + grid.north,
        azimuth_deg=np.degrees(np.arctan2(toward_east, toward_north)) % 360.0,
        steadiness=np.hypot(toward_east, toward_north),
        slope_percent=coarse(np.where(has_slope, steep, 0.0)).sum(axis=1)[keep] / sloping[keep],
        contributing_area=coarse(drainage.contributing_area).max(axis=1)[keep],
    )


def polygons(numbers: Index, grid: Grid) -> dict[int, BaseGeometry]:
    """Return the outline of each numbered region of a raster.

    Parameters
    ----------
    numbers : array of int32, shape (rows, cols)
        0 belongs to no region.
    grid
        Map units.

    Returns
    -------
    dict of int to Polygon or MultiPolygon
        By number, ascending, along cell edges; cells that touch at a corner are one region.
    """
    from rasterio import Affine
    from rasterio.features import shapes
    from shapely import union_all
    from shapely.geometry import shape

    parts: dict[int, list[BaseGeometry]] = {}
    transform = Affine(grid.cell_size, 0.0, grid.west, 0.0, -grid.cell_size, grid.north)
    for outline, number in shapes(
        np.ascontiguousarray(numbers, dtype=np.int32), mask=numbers > 0, transform=transform
    ):
        parts.setdefault(int(number), []).append(shape(outline))
    return {number: union_all(parts[number]) for number in sorted(parts)}
