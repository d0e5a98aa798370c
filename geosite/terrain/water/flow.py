"""Drainage as features of the map: outlets, catchments, flow paths and arrows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from geosite.base.grid import Grid
from geosite.terrain.slope import Slope
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
from geosite.terrain.water.regions import connected_regions

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

    Outlet cells that touch are one reach of the edge. So are those between which the edge only
    falls: a reach may leave the straight line of the cells. The cells of an inlet are one inlet.

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

    Examples
    --------
    A roof of 4 by 5 cells whose ridge runs down the middle: the two cells on either side of it, and
    the ridge itself, drain to the west edge and to the east edge.

    >>> from geosite.terrain.water.drainage import drain
    >>> roof = np.tile([1.0, 2.0, 3.0, 2.0, 1.0], (4, 1)) - 0.001 * np.arange(5)
    >>> _, found = catchments(drain(roof, 1.0))
    >>> [(one.kind, one.cells) for one in found]
    [('edge', 12), ('edge', 8)]
    """
    direction = drainage.direction
    outlet = np.flatnonzero(drainage.outlets)
    shape = direction.shape[0], direction.shape[1]
    reach, reaches = connected_regions(outlet, shape, links=edge_paths(drainage, outlet))
    exit_of = np.zeros(direction.size, dtype=np.int32)
    exit_of[outlet] = 1 + reach
    sink = np.flatnonzero(drainage.sinks)
    # the number of its inlet, or for a cell without one a number of its own below zero
    inlet_number = -1 - np.arange(sink.size)
    if inlets is not None:
        of_inlet = np.where(direction.ravel()[sink] == INLET, inlets.ravel()[sink], 0)
        inlet_number = np.where(of_inlet > 0, of_inlet, inlet_number)
    inlet_numbers, which = np.unique(inlet_number, return_inverse=True)
    exit_of[sink] = reaches + 1 + which
    count = reaches + inlet_numbers.size
    kind = np.full(count + 1, OUTFLOW, dtype=np.uint8)
    kind[exit_of[sink]] = direction.ravel()[sink]

    known = drainage.catchment >= 0
    exit_raster = np.zeros(direction.shape, dtype=np.int32)
    exit_raster[known] = exit_of[drainage.catchment[known]]
    cells = np.bincount(exit_raster.ravel(), minlength=count + 1)
    accumulation = drainage.contributing_cells.ravel()
    exits = np.flatnonzero(exit_of)
    ascending = exits[np.lexsort((-exits, accumulation[exits]))]
    peak = np.zeros(count + 1, dtype=np.intp)
    peak[exit_of[ascending]] = ascending  # the last one written stays: the largest, then the first
    order = 1 + np.lexsort((peak[1:], -cells[1:]))
    renumbered = np.zeros(count + 1, dtype=np.int32)
    renumbered[order] = np.arange(1, count + 1, dtype=np.int32)
    kinds: dict[int, Literal["inlet", "hollow"]] = {INLET: "inlet", CLOSED_DEPRESSION: "hollow"}
    found = tuple(
        Catchment(
            number=number,
            kind=kinds.get(int(kind[old]), "edge"),
            inlet=max(int(inlet_numbers[old - reaches - 1]), 0) if old > reaches else 0,
            row=int(peak[old]) // direction.shape[1],
            col=int(peak[old]) % direction.shape[1],
            cells=int(cells[old]),
            peak_cells=float(accumulation[peak[old]]),
        )
        for number, old in enumerate(order.tolist(), start=1)
    )
    return renumbered[exit_raster], found


def edge_paths(drainage: Drainage, outlets: Long) -> tuple[Long, Long]:
    """Return pairs of outlets: one, and where its water would leave if it ran along the edge.

    Parameters
    ----------
    drainage
        Of the site.
    outlets
        Flat indices, ascending.

    Returns
    -------
    start, end : array, shape (n,)
        Positions in `outlets`.

    Examples
    --------
    A plane that falls south, and a little east: the four cells of its south edge let their water
    out, and each would run on to the last one.

    >>> from geosite.terrain.water.drainage import drain
    >>> row, col = np.indices((3, 4))
    >>> found = drain(10.0 - 0.02 * row - 0.005 * col, 1.0)
    >>> start, end = edge_paths(found, np.flatnonzero(found.outlets))
    >>> len(start) > 0, bool((start < end).all())
    (True, True)
    """
    direction, offset = drainage.direction.ravel(), index_offsets(drainage.direction.shape[1])
    neighbours = neighbour_elevations(
        drainage.ground, outlets, np.arange(8)[:, None], drainage.walls
    )
    slope = drainage.ground.ravel()[outlets] - neighbours
    slope[1::2] *= 0.5**0.5
    slope[~(slope > 0)] = 0
    start = np.flatnonzero(slope.any(axis=0))
    cell = outlets[start] + offset[slope[:, start].argmax(axis=0)]
    known = np.pad(drainage.direction != NODATA, 1)
    is_inside = np.logical_and.reduce(
        [known[1 + r : r - 1 or None, 1 + c : c - 1 or None] for r, c in _STEPS]
    ).ravel()
    position, moving = cell, np.arange(cell.size)
    while moving.size:
        moving = moving[~is_inside[position[moving]] & (direction[position[moving]] < OUTFLOW)]
        position[moving] += offset[direction[position[moving]]]
    ends = np.flatnonzero(drainage.outlets.ravel()[position])
    return start[ends], np.searchsorted(outlets, position[ends])


def flow_path(drainage: Drainage, row: int, col: int) -> tuple[Long, Long]:
    """Return the cells of the flow path from one cell to where its water leaves, both included.

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

    Examples
    --------
    From the north-west corner of a plane that falls south-east:

    >>> from geosite.terrain.water.drainage import drain
    >>> row, col = np.indices((3, 3))
    >>> rows, cols = flow_path(drain(-1.0 * row - col, 1.0), 0, 0)
    >>> rows.tolist(), cols.tolist()
    ([0, 1, 2], [0, 1, 2])
    """
    cols = drainage.direction.shape[1]
    direction = drainage.direction.ravel()
    cell = row * cols + col
    if direction[cell] == NODATA:
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    offset = (ROW_STEP * cols + COL_STEP).tolist()
    path = [cell]
    while (k := int(direction[cell])) < OUTFLOW:
        cell += offset[k]
        path.append(cell)
    rows_of_path, cols_of_path = np.divmod(np.array(path, dtype=np.intp), cols)
    return rows_of_path, cols_of_path


def flow_paths(
    drainage: Drainage, grid: Grid, cells: Iterable[tuple[int, int]]
) -> list[BaseGeometry]:
    """Draw the flow paths from cells, each to where it leaves the site or joins an earlier one.

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

    Examples
    --------
    Down a plane of 5 % that falls east, from the first of three cells of 2 m:

    >>> from geosite.terrain.water.drainage import drain
    >>> plane = np.tile([10.0, 9.9, 9.8], (3, 1))
    >>> grid = Grid(west=0.0, north=6.0, cell_size=2.0, rows=3, cols=3)
    >>> print(flow_paths(drain(plane, 2.0), grid, [(1, 0)])[0])
    LINESTRING Z (1 3 10, 3 3 9.9, 5 3 9.8, 6 3 9.8)
    """
    from shapely import LineString

    passed = np.zeros(drainage.direction.shape, dtype=np.bool_)
    east, north = grid.centres()
    lines: list[BaseGeometry] = []
    for start in cells:
        rows, cols = flow_path(drainage, *start)
        if not rows.size or passed[start]:
            continue
        joined = np.flatnonzero(passed[rows, cols])
        stop = int(joined[0]) if joined.size else rows.size - 1
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
    """One arrow per block of cells; arrays have shape (n,), from the north-west row by row.

    Parameters
    ----------
    easting, northing
        Map units: middle of the ground in the block.
    azimuth_deg
        Mean flow direction, degrees clockwise from north.
    resultant_length
        Mean resultant length of the flow directions: 1 where all water flows one way, 0 where the
        directions cancel out (Mardia & Jupp 2000, Directional Statistics, section 2.3, from
        memory).
    slope_percent
        Mean slope.
    contributing_area
        Largest in the block, in the square of the unit of the drainage's cell size.
    measured
        Whether the ground there is near enough to a mark to be told; everywhere without it.
    """

    easting: Floats
    northing: Floats
    azimuth_deg: Floats
    resultant_length: Floats
    slope_percent: Floats
    contributing_area: Floats
    measured: npt.NDArray[np.bool_] | None = None


def arrows(drainage: Drainage, slope: Slope, grid: Grid, block: int) -> Arrows:
    """Summarise flow direction, slope and contributing area in blocks of cells.

    The mean direction is that of the sum of the unit vectors.

    Parameters
    ----------
    drainage, slope
        Of the grid.
    grid
        Map units.
    block
        Cells per side of a block.

    Returns
    -------
    Arrows
        Of the blocks in which water flows and at least one slope is known.

    Examples
    --------
    One arrow for a plane of 2 % that falls east:

    >>> from geosite.terrain.slope import slope
    >>> from geosite.terrain.water.drainage import drain
    >>> plane = np.tile(10.0 - 0.02 * np.arange(4), (4, 1))
    >>> grid = Grid(west=0.0, north=4.0, cell_size=1.0, rows=4, cols=4)
    >>> found = arrows(drain(plane, 1.0), slope(plane, 1.0), grid, block=4)
    >>> found.azimuth_deg.round(6), found.slope_percent.round(6)
    (array([90.]), array([2.]))
    """
    # whole coarse cells, centred on the grid; what is added has no ground
    down, across = -(-grid.rows // block), -(-grid.cols // block)
    above = (down * block - grid.rows) // 2
    left = (across * block - grid.cols) // 2

    def coarse(values: Raster | npt.NDArray[np.bool_]) -> Floats:
        """Return what each coarse cell holds, shape (coarse cells, every * every), 0 if none."""
        framed = np.zeros((down * block, across * block))
        framed[above : above + grid.rows, left : left + grid.cols] = values
        parts = framed.reshape(down, block, across, block).swapaxes(1, 2)
        return parts.reshape(down * across, block * block)

    azimuth = np.radians(drainage.azimuth_deg.astype(np.float64))
    has_flow = (drainage.direction < OUTFLOW) | drainage.outlets
    percent = slope.steepness("percent")
    has_slope = np.isfinite(percent)
    east, north = grid.centres()
    known = drainage.direction != NODATA
    known_count = coarse(known).sum(axis=1)
    flow_count = coarse(has_flow).sum(axis=1)
    slope_count = coarse(has_slope).sum(axis=1)
    keep = np.flatnonzero((flow_count > 0) & (slope_count > 0))
    toward_east = (
        coarse(np.where(has_flow, np.sin(azimuth), 0.0)).sum(axis=1)[keep] / flow_count[keep]
    )
    toward_north = (
        coarse(np.where(has_flow, np.cos(azimuth), 0.0)).sum(axis=1)[keep] / flow_count[keep]
    )
    return Arrows(
        easting=coarse(known * (east - grid.west)).sum(axis=1)[keep] / known_count[keep]
        + grid.west,
        northing=coarse(known * (north[:, None] - grid.north)).sum(axis=1)[keep] / known_count[keep]
        + grid.north,
        azimuth_deg=np.degrees(np.arctan2(toward_east, toward_north)) % 360.0,
        resultant_length=np.hypot(toward_east, toward_north),
        slope_percent=coarse(np.where(has_slope, percent, 0.0)).sum(axis=1)[keep]
        / slope_count[keep],
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

    Examples
    --------
    Two cells and one cell of 2 m:

    >>> grid = Grid(west=0.0, north=2.0, cell_size=2.0, rows=1, cols=3)
    >>> {k: shape.area for k, shape in polygons(np.array([[1, 1, 2]], np.int32), grid).items()}
    {1: 8.0, 2: 4.0}
    """
    import shapely
    from rasterio import Affine
    from rasterio.features import shapes

    corners: list[tuple[float, float]] = []
    lengths: list[int] = []
    ring_of: list[int] = []
    number_of: list[int] = []
    transform = Affine(grid.cell_size, 0.0, grid.west, 0.0, -grid.cell_size, grid.north)
    for outline, number in shapes(
        np.ascontiguousarray(numbers, dtype=np.int32), mask=numbers > 0, transform=transform
    ):
        for ring in outline["coordinates"]:
            corners += ring
            lengths.append(len(ring))
            ring_of.append(len(number_of))
        number_of.append(int(number))
    if not number_of:
        return {}
    # all at once: ground may have 20,000 hollows
    rings: Any = shapely.linearrings(
        np.array(corners), indices=np.repeat(np.arange(len(lengths)), lengths)
    )
    parts: Any = shapely.polygons(rings, indices=np.array(ring_of))
    order = np.argsort(number_of, kind="stable")
    found, count = np.unique(number_of, return_counts=True)
    joined = np.empty(len(found), dtype=object)
    first = np.cumsum(count) - count
    for many in np.unique(count).tolist():
        alike = np.flatnonzero(count == many)
        table = parts[order[first[alike][:, None] + np.arange(many)]]
        joined[alike] = shapely.union_all(table, axis=1)
    return dict(zip(found.tolist(), joined, strict=True))
