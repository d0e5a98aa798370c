"""Contours: lines of equal elevation at round intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.grid import Grid
from geosite.base.large_rasters import strips
from geosite.terrain.surface.cell_grid import round_step

if TYPE_CHECKING:
    from contourpy import ContourGenerator

__all__ = ["Contour", "contours", "contours_in_strips", "default_interval", "interval_between"]

_AT_MOST = 2000
_VERTICES = 10_000_000
# share of a cell: vertices that bend a line by less are dropped. On a triangle's plane all do.
_STRAIGHT = 1e-5


@dataclass(frozen=True, eq=False)
class Contour:
    """One contour line.

    Parameters
    ----------
    elevation
        A whole multiple of the interval.
    is_index
        One of those drawn bold and labelled.
    line : array, shape (k, 2), columns easting, northing
        With the higher ground on its left; a closed line ends where it starts.
    measured
        False where the ground is only interpolated: farther from any mark than it can be told over.
    """

    elevation: float
    is_index: bool
    line: Floats
    measured: bool = True

    @property
    def is_closed(self) -> bool:
        """Whether the line comes back to its start."""
        return bool((self.line[0] == self.line[-1]).all())


def default_interval(z: Floats) -> float:
    """Choose a contour interval from the relief.

    Parameters
    ----------
    z : array, any shape
        Elevations, NaN for nodata.

    Returns
    -------
    float
        Elevation units: the step 1, 2 or 5 times a power of ten next to a fifteenth of the
        relief; 1 where there is none.

    Examples
    --------
    A relief of 3 m is drawn every 20 cm, one of 30 m every 2 m:

    >>> default_interval(np.array([100.0, 103.0, np.nan])), default_interval(np.array([0.0, 30.0]))
    (0.2, 2.0)
    """
    values = z[np.isfinite(z)]
    return interval_between(float(values.min()), float(values.max())) if len(values) else 1.0


def interval_between(low: float, high: float) -> float:
    """Choose a contour interval from the lowest and the highest elevation: `default_interval`.

    Examples
    --------
    >>> interval_between(100.0, 115.0), interval_between(100.0, 100.0)
    (1.0, 1.0)
    """
    # what rounding makes of level ground is no relief
    if high - low <= 1e-9 * (1.0 + max(abs(low), abs(high))):
        return 1.0
    return round_step((high - low) / 15)


Read = Callable[[int, int], Floats]
"""Gives the elevations of some rows: the first, and the one after the last."""


def _vertices(read: Read, grid: Grid, interval: float) -> int:
    """Return how often contours cross the ways from each cell to its neighbours."""
    count = 0
    step = max(1, 2_000_000 // grid.cols)
    for top, bottom in strips(grid.rows, step):
        level = np.floor(read(top, min(bottom + 1, grid.rows)) / interval)
        count += int(np.nansum(np.abs(np.diff(level, axis=0))))
        count += int(np.nansum(np.abs(np.diff(level[: bottom - top], axis=1))))
    return count


def contours(
    z: Floats, grid: Grid, interval: float | None = None, *, index_every: int = 5
) -> tuple[Contour, ...]:
    """Trace lines of equal elevation.

    Parameters
    ----------
    z : array, shape (rows, cols)
        Elevations at the centres of the cells, NaN for nodata. Lines end where the data end, at
        holes too: they run between three or four centres that all have an elevation.
    grid
    interval
        Elevation units; without it `default_interval`. Lines are at its whole multiples and not
        smoothed.
    index_every
        Every so many multiples of the interval is an index contour.

    Returns
    -------
    tuple of Contour
        From the lowest up; lines of one elevation in the order of the raster.

    Raises
    ------
    InputError
        An interval that is no positive number, or so small that more than 2000 elevations have a
        line or the lines more than ten million vertices, counted before any is traced.

    Notes
    -----
    contourpy traces them, linear between the centres of the cells. Vertices that stand in a
    straight line between their neighbours, to 1e-5 of a cell, are left out: on triangulated ground
    most do.

    Examples
    --------
    A plane that rises 1 m per metre to the east has straight contours from south to north, with the
    higher ground on their left:

    >>> z = np.tile([0.5, 1.5, 2.5], (3, 1))
    >>> grid = Grid(west=0.0, north=3.0, cell_size=1.0, rows=3, cols=3)
    >>> [(one.elevation, one.line.tolist()) for one in contours(z, grid, interval=1.0)]
    [(1.0, [[1.0, 2.5], [1.0, 0.5]]), (2.0, [[2.0, 2.5], [2.0, 0.5]])]
    """
    values = z[np.isfinite(z)]
    extremes = (float(values.min()), float(values.max())) if len(values) else None
    return contours_in_strips(
        lambda top, bottom: z[top:bottom], grid, extremes, interval, index_every=index_every
    )


def contours_in_strips(
    read: Read,
    grid: Grid,
    extremes: tuple[float, float] | None,
    interval: float | None = None,
    *,
    index_every: int = 5,
    height: int | None = None,
) -> tuple[Contour, ...]:
    """Trace lines of equal elevation of a raster that is read some rows at a time.

    Parameters
    ----------
    read
        Gives elevations, NaN for nodata; rows are asked for more than once.
    grid
    extremes
        Lowest and highest elevation, ``None`` where there is none.
    interval, index_every
        As for `contours`.
    height
        Rows at a time; without it all at once.

    Returns
    -------
    tuple of Contour
        The lines of `contours`; one that crosses from strip to strip may start elsewhere and stand
        in another place among those of its elevation.

    Raises
    ------
    InputError
        As `contours`.

    Examples
    --------
    Row by row the same lines as at once:

    >>> z = np.tile([0.5, 1.5], (4, 1))
    >>> grid = Grid(west=0.0, north=4.0, cell_size=1.0, rows=4, cols=2)
    >>> read = lambda top, bottom: z[top:bottom]
    >>> (line,) = contours_in_strips(read, grid, (0.5, 1.5), 1.0, height=1)
    >>> len(line.line), float(np.ptp(line.line[:, 1]))
    (2, 3.0)
    """
    if interval is None:
        interval = interval_between(*extremes) if extremes is not None else 1.0
    if not (math.isfinite(interval) and interval > 0):
        raise InputError(
            Problem(
                "contour-interval-not-positive",
                f"the contour interval is {interval!r}",
                "a positive number of elevation units",
                "correct it or leave it out",
            )
        )
    if extremes is None or min(grid.shape) < 2:
        return ()
    _refuse_too_many(read, grid, extremes, interval)
    levels = _levels(extremes, interval)
    pieces = _traced_lines(read, grid, [elevation for _, elevation in levels], height or grid.rows)
    corner = np.array([grid.west, grid.south])
    return tuple(
        Contour(elevation, multiple % index_every == 0, line + corner)
        for (multiple, elevation), lines in zip(levels, pieces, strict=True)
        for line in _simplified(_joined_across_strips(lines, grid.cell_size), grid.cell_size)
    )


def _levels(extremes: tuple[float, float], interval: float) -> list[tuple[int, float]]:
    first, last = math.ceil(extremes[0] / interval), math.floor(extremes[1] / interval)
    # the product of whole number and interval carries rounding that a reader would see
    return [(n, float(f"{n * interval:.12g}") + 0.0) for n in range(first, last + 1)]


def _refuse_too_many(
    read: Read, grid: Grid, extremes: tuple[float, float], interval: float
) -> None:
    low, high = extremes
    if (high - low) / interval > _AT_MOST:
        raise InputError(
            Problem(
                "contour-interval-too-small",
                f"a contour interval of {interval:g} makes {(high - low) / interval:.0f} contours "
                f"between {low:g} and {high:g}",
                f"at most {_AT_MOST}",
                f"use {round_step((high - low) / _AT_MOST, up=True):g} or more",
            )
        )
    first_count = vertices = _vertices(read, grid, interval)
    if first_count <= _VERTICES:
        return
    coarser = interval
    while vertices > _VERTICES and coarser < high - low:
        coarser = round_step(2 * coarser, up=True)
        vertices = _vertices(read, grid, coarser)
    larger = "resample the raster to larger cells"
    raise InputError(
        Problem(
            "contours-too-many",
            f"contours every {interval:g} have some {first_count / 1e6:.0f} million "
            "vertices: the ground goes up and down from cell to cell",
            f"at most {_VERTICES / 1e6:.0f} million, more than anybody reads",
            f"use an interval of {coarser:g} or more, or {larger}"
            if vertices <= _VERTICES
            else larger,
        )
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Piece:
    """A line in one strip; what ends on a northing beside another strip may go on there."""

    line: Floats
    borders: tuple[float, ...]

    def crossing(self, end: int, within: float) -> tuple[int, int] | None:
        """Return easting and northing of an end that lies on a border, in units of `within`."""
        if len(self.line) > 2 and (self.line[0] == self.line[-1]).all():
            return None
        east, north = self.line[end].tolist()
        if not any(abs(north - border) <= within for border in self.borders):
            return None
        return round(east / within), round(north / within)


def _traced_lines(read: Read, grid: Grid, levels: list[float], height: int) -> list[list[_Piece]]:
    """Return the lines of each elevation, strip by strip from the south."""
    east, north = grid.centres()
    found: list[list[_Piece]] = [[] for _ in levels]
    for top, bottom in reversed(list(strips(grid.rows - 1, height))):
        z = read(top, bottom + 1)
        # rows at which another strip begins
        borders = [north[row] - grid.south for row in (top, bottom) if 0 < row < grid.rows - 1]
        generator = _generator(east - grid.west, north[top : bottom + 1] - grid.south, z)
        for level, lines in zip(levels, found, strict=True):
            for line in generator.lines(level):
                lines.append(_Piece(np.asarray(line, dtype=np.float64), tuple(borders)))
    return found


def _generator(east: Floats, north: Floats, z: Floats) -> ContourGenerator:
    import contourpy

    # south first: contourpy then has the higher ground on the left
    return contourpy.contour_generator(
        east,
        north[::-1],
        np.ma.masked_invalid(z[::-1]),
        name="serial",
        corner_mask=True,
        line_type=contourpy.LineType.Separate,
    )


def _joined_across_strips(pieces: list[_Piece], cell_size: float) -> Iterator[Floats]:
    """Yield lines put together where they cross from strip to strip.

    All have the higher ground on their left, so the end of one meets the start of the next, but for
    the rounding of the interpolation.
    """
    within = _STRAIGHT * cell_size
    starts: dict[tuple[int, int], list[int]] = {}
    for number, piece in enumerate(pieces):
        if (at := piece.crossing(0, within)) is not None:
            starts.setdefault(at, []).append(number)
    successor: dict[int, int] = {}
    for number, piece in enumerate(pieces if starts else ()):
        if (at := piece.crossing(-1, within)) is not None:
            near = ((at[0] + i, at[1] + j) for i in (0, -1, 1) for j in (0, -1, 1))
            found = next((candidates for key in near if (candidates := starts.get(key))), None)
            if found:
                successor[number] = found.pop()
    done: set[int] = set()
    # lines with a start first, then what is left: circles
    for first in [*sorted(set(range(len(pieces))) - set(successor.values())), *range(len(pieces))]:
        chain: list[Floats] = []
        following: int | None = first
        while following is not None and following not in done:
            done.add(following)
            chain.append(pieces[following].line[1 if chain else 0 :])
            following = successor.get(following)
        if chain:
            if following == first:  # closed but for rounding
                chain[-1] = np.concatenate([chain[-1][:-1], chain[0][:1]])
            yield np.concatenate(chain)


def _simplified(lines: Iterator[Floats], cell_size: float) -> Iterator[Floats]:
    import shapely

    whole = np.array([shapely.LineString(line) for line in lines if len(line) > 1], object)
    simplified = shapely.simplify(whole, _STRAIGHT * cell_size, preserve_topology=False)
    for line in simplified[shapely.length(simplified) > 0]:
        yield shapely.get_coordinates(line)
