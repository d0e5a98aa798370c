"""The raster grid. Arrays are ``[row, col]``, row 0 in the north; NaN is nodata inside."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats

__all__ = ["Grid"]


MAX_CELLS = 100_000_000
"""Largest raster that is made: 800 MB of elevations, several times that on the way."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A north-up grid of square cells.

    Parameters
    ----------
    west, north
        Outer corner of the north-west cell, map units.
    cell_size
        Map units.
    rows, cols
        Shape of the arrays.
    """

    west: float
    north: float
    cell_size: float
    rows: int
    cols: int

    @classmethod
    def covering(
        cls, west: float, south: float, east: float, north: float, cell_size: float
    ) -> Grid:
        """Return the smallest grid whose corners are whole multiples of the cell size."""
        # 1e-9 of a cell: an extent that is a multiple already must not grow by a cell
        left = math.floor(west / cell_size + 1e-9)
        right = max(math.ceil(east / cell_size - 1e-9), left + 1)
        bottom = math.floor(south / cell_size + 1e-9)
        top = max(math.ceil(north / cell_size - 1e-9), bottom + 1)
        return cls(left * cell_size, top * cell_size, cell_size, top - bottom, right - left)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.cols

    @property
    def east(self) -> float:
        """Outer east edge, map units."""
        return self.west + self.cols * self.cell_size

    @property
    def south(self) -> float:
        """Outer south edge, map units."""
        return self.north - self.rows * self.cell_size

    def centres(self) -> tuple[Floats, Floats]:
        """Return easting of each column's and northing of each row's cell centre, map units."""
        return (
            self.west + (np.arange(self.cols, dtype=np.float64) + 0.5) * self.cell_size,
            self.north - (np.arange(self.rows, dtype=np.float64) + 0.5) * self.cell_size,
        )
