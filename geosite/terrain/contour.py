"""Contours: lines of equal elevation at round intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.grid import Grid
from geosite.terrain.surface.cells import round_step

__all__ = ["Contour", "contours", "default_interval"]

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
    """

    elevation: float
    is_index: bool
    line: Floats

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
    """
    known = z[np.isfinite(z)]
    relief = float(np.ptp(known)) if len(known) else 0.0
    # what rounding makes of level ground is no relief
    if relief <= 1e-9 * (1.0 + float(np.abs(known).max(initial=0.0))):
        return 1.0
    return round_step(relief / 15)


def _vertices(z: Floats, interval: float) -> int:
    """Return how often contours cross the ways from each cell to its neighbours."""
    count = 0
    step = max(1, 2_000_000 // z.shape[1])
    for start in range(0, len(z), step):
        level = np.floor(z[start : start + step + 1] / interval)
        count += int(np.nansum(np.abs(np.diff(level[: step + 1], axis=0))))
        count += int(np.nansum(np.abs(np.diff(level[:step], axis=1))))
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
    """
    if interval is None:
        interval = default_interval(z)
    if not (math.isfinite(interval) and interval > 0):
        raise InputError(
            Problem(
                "contour-interval-not-positive",
                f"the contour interval is {interval!r}",
                "a positive number of elevation units",
                "correct it or leave it out",
            )
        )
    known = z[np.isfinite(z)]
    if len(known) == 0 or min(z.shape) < 2:
        return ()
    low, high = float(known.min()), float(known.max())
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
    vertices = _vertices(z, interval)
    if vertices > _VERTICES:
        coarser = interval
        while vertices > _VERTICES and coarser < high - low:
            coarser = round_step(2 * coarser, up=True)
            vertices = _vertices(z, coarser)
        larger = "resample the raster to larger cells"
        raise InputError(
            Problem(
                "contours-too-many",
                f"contours every {interval:g} have some {_vertices(z, interval) / 1e6:.0f} million "
                "vertices: the ground goes up and down from cell to cell",
                f"at most {_VERTICES / 1e6:.0f} million, more than anybody reads",
                f"use an interval of {coarser:g} or more, or {larger}"
                if vertices <= _VERTICES
                else larger,
            )
        )
    import contourpy
    import shapely

    east, north = grid.centres()
    # south first: contourpy then has the higher ground on the left
    generator = contourpy.contour_generator(
        east - grid.west,
        north[::-1] - grid.south,
        np.ma.masked_invalid(z[::-1]),
        name="serial",
        corner_mask=True,
        line_type=contourpy.LineType.Separate,
    )
    corner = np.array([grid.west, grid.south])
    found: list[Contour] = []
    for multiple in range(math.ceil(low / interval), math.floor(high / interval) + 1):
        # the product of whole number and interval carries rounding that a reader would see
        elevation = float(f"{multiple * interval:.12g}") + 0.0
        traced = [np.asarray(line, dtype=np.float64) for line in generator.lines(elevation)]
        whole = np.array([shapely.LineString(line) for line in traced if len(line) > 1], object)
        lines = shapely.simplify(whole, _STRAIGHT * grid.cell_size, preserve_topology=False)
        is_index = multiple % index_every == 0
        found.extend(
            Contour(elevation, is_index, shapely.get_coordinates(line) + corner)
            for line in lines[shapely.length(lines) > 0]
        )
    return tuple(found)
