"""The grid of a surface: how large its cells are, and where they lie."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.grid import MAX_CELLS, Grid

__all__ = ["default_cell_size", "grid_over", "outermost", "round_step"]

# a point for 100,000 cells: 316 cells from one to the next
_CELLS_PER_POINT = 100_000
_FEW_CELLS = 5_000_000
_STRAY = 5.0
_DEFAULT_CELLS = 1_000_000
_MANY = 10_000
"""Points whose convex hull is worth a look beforehand."""
_AT_ONCE = 1 << 16
"""Points looked at together."""


def round_step(value: float, *, up: bool = False) -> float:
    """Return the nearest of 1, 2 and 5 times a power of ten, or with `up` the next larger one.

    Examples
    --------
    >>> round_step(0.3), round_step(7.0), round_step(0.21, up=True)
    (0.2, 5.0, 0.5)
    """
    power = 10.0 ** math.floor(math.log10(value))
    steps = [power * step for step in (1.0, 2.0, 5.0, 10.0)]
    if up:
        return next(step for step in steps if step >= value * (1 - 1e-9))
    return min(steps, key=lambda step: abs(math.log(step / value)))


def default_cell_size(points: npt.ArrayLike) -> float:
    """Choose a cell size from the spacing of the points.

    Parameters
    ----------
    points : array, shape (n, 2) or (n, 3), columns easting, northing

    Returns
    -------
    float
        Map units: 0.08 of the mean spacing, root of hull area over number of points, at the
        nearest step 1, 2 or 5 times a power of ten; larger where the extent would take more than
        a million cells.

    Raises
    ------
    InputError
        The points span no area.

    References
    ----------
    .. [1] Hengl, T. (2006), Finding the right pixel size, Computers & Geosciences 32(9),
       1283-1298: 0.0791 sqrt(A/N) for points, doi:10.1016/j.cageo.2005.11.008.

    Examples
    --------
    100 points on a hectare, 10 m from each other: 0.0791 of 9 m is 0.71 m, the nearest step 1 m.

    >>> default_cell_size([(10.0 * i, 10.0 * j) for i in range(10) for j in range(10)])
    1.0
    """
    position = np.asarray(points, dtype=np.float64)[:, :2]
    finite = np.isfinite(position).all(axis=1)
    if not finite.all():
        position = position[finite]
    area = 0.0
    if len(position):
        apart = outermost(position) - position[0]
        area = float(shapely.area(shapely.convex_hull(shapely.multipoints(apart))))
    if not area > 0:
        raise InputError(
            Problem(
                "points-collinear",
                f"the {len(position)} points given span no area"
                if len(position) > 1
                else f"{'one' if len(position) else 'no'} point makes no surface",
                "three or more points that are not on one line",
                "add points beside the line",
            )
        )
    width, height = (float(side) for side in np.ptp(position, axis=0))
    size = round_step(0.0791 * math.sqrt(area / len(position)))
    return max(size, round_step(math.sqrt(width * height / _DEFAULT_CELLS), up=True))


def outermost(points: Floats) -> Floats:
    """Return the points of many that the convex hull may go through.

    Parameters
    ----------
    points : array, shape (n, 2)

    Returns
    -------
    array, shape (m, 2)
        In the same order: all of few points; of more, those that do not lie inside the octagon of
        the farthest ones in eight directions (Akl, S.G. & Toussaint, G.T. 1978,
        doi:10.1016/0020-0190(78)90003-0), so that a million points have their hull at once.

    Examples
    --------
    >>> disc = np.random.default_rng(1).normal(size=(20_000, 2))
    >>> some = outermost(disc)
    >>> len(some) < 500
    True
    >>> every = shapely.convex_hull(shapely.multipoints(disc))
    >>> bool(shapely.equals_exact(shapely.convex_hull(shapely.multipoints(some)), every))
    True
    """
    if len(points) < _MANY:
        return points
    turn = np.arange(8) * np.pi / 4
    corners = points[[int((points @ way).argmax()) for way in np.c_[np.cos(turn), np.sin(turn)]]]
    # what rounding could have put inside is kept
    margin = 1e-9 * float(np.ptp(corners, axis=0).max()) ** 2
    kept = np.zeros(len(points), np.bool_)
    sides = np.roll(corners, -1, axis=0) - corners
    for start in range(0, len(points), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        for (x, y), (east, north) in zip(corners, sides, strict=True):
            if east or north:
                kept[part] |= east * (points[part, 1] - y) - north * (points[part, 0] - x) <= margin
    return points[kept] if kept.any() else points  # all in one place


def grid_over(
    points: npt.ArrayLike,
    cell_size: float | None = None,
    extent: tuple[float, float, float, float] | None = None,
) -> Grid:
    """Choose the grid over points or an extent.

    Parameters
    ----------
    points : array, shape (n, 2) or (n, 3), columns easting, northing
    cell_size
        Map units; without it `default_cell_size`.
    extent
        West, south, east, north, map units; without it that of the points. The grid's corners are
        whole multiples of the cell size.

    Returns
    -------
    Grid

    Raises
    ------
    InputError
        A cell size or extent that is no positive finite number, or one that takes more than
        `MAX_CELLS` cells. Nothing that grows with the raster has been allocated by then.

    Examples
    --------
    >>> grid = grid_over([(0.3, 0.0), (10.0, 0.0), (5.0, 4.7)], cell_size=2.0)
    >>> (grid.west, grid.south, grid.east, grid.north), grid.shape
    ((0.0, 0.0, 10.0, 6.0), (3, 5))
    """
    position = np.asarray(points, dtype=np.float64)[:, :2]
    if cell_size is None:
        cell_size = default_cell_size(position)
    if not (math.isfinite(cell_size) and cell_size > 0):
        raise InputError(
            Problem(
                "cell-size-not-positive",
                f"the cell size is {cell_size!r}",
                "a positive number of map units",
                "correct it or leave it out",
            )
        )
    if extent is None:
        west, south = (float(side) for side in position.min(axis=0))
        east, north = (float(side) for side in position.max(axis=0))
    else:
        west, south, east, north = extent
    wide, high = (east - west) / cell_size, (north - south) / cell_size
    if not (wide >= 0 and high >= 0 and math.isfinite(wide) and math.isfinite(high)):
        raise InputError(
            Problem(
                "extent-empty",
                f"the extent west {west}, south {south}, east {east}, north {north} is empty",
                "west less than east and south less than north",
                "give it as west,south,east,north in map units",
            )
        )
    grid = Grid.covering(west, south, east, north, cell_size)
    if grid.rows * grid.cols > MAX_CELLS:
        larger = max(cell_size, math.sqrt(wide * high / MAX_CELLS) * cell_size)
        while True:
            larger = round_step(larger, up=True)
            enough = Grid.covering(west, south, east, north, larger)
            if enough.rows * enough.cols <= MAX_CELLS:
                break
            larger *= 1.1
        raise InputError(
            Problem(
                "raster-too-large",
                f"a cell size of {cell_size:g} over {east - west:g} x {north - south:g} map units "
                f"makes {grid.rows} rows of {grid.cols} cells, "
                f"{grid.rows * grid.cols * 8 / 1e9:.1f} GB per raster",
                f"at most {MAX_CELLS / 1e6:.0f} million cells",
                f"use a cell size of {larger:g} or more, or look for a stray point",
            )
        )
    _check_density(position, grid)
    return grid


def _check_density(position: Floats, grid: Grid) -> None:
    """Refuse a grid that is large because of one stray point: gigabytes of cells without a mark."""
    cells, most = grid.rows * grid.cols, _CELLS_PER_POINT * len(position)
    if cells <= max(most, _FEW_CELLS):
        return
    away = np.hypot(*(position - np.median(position, axis=0)).T)
    far = int(np.argmax(away))
    if away[far] < _STRAY * np.median(away):
        return
    larger = round_step(grid.cell_size * math.sqrt(cells / max(most, _FEW_CELLS)), up=True)
    raise InputError(
        Problem(
            "raster-too-sparse",
            f"{len(position)} points make a raster of {cells / 1e6:.1f} million cells; number "
            f"{far + 1} lies {away[far]:,.0f} map units from the middle of them, half of them lie "
            f"within {np.median(away):,.0f}",
            f"at most {_CELLS_PER_POINT:,} cells for each point",
            f"use a cell size of {larger:g} or more, or take out the point if it is a stray one",
        )
    )
