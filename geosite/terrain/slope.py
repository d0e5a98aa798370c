"""Slope and aspect of an elevation raster, in bands of rows that stay in the processor's cache."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["Slope", "SlopeMethod", "SlopeUnit", "slope"]

SlopeMethod = Literal["horn", "zevenbergen-thorne"]
SlopeUnit = Literal["percent", "degree", "ratio"]
Raster = npt.NDArray[np.floating[Any]]

_BAND = 32_768
"""Cells per band: the few float32 buffers in work at a time stay within the second-level cache."""


@dataclass(frozen=True, eq=False, slots=True)
class Slope:
    """How steeply the ground rises towards the east and towards the north.

    Parameters
    ----------
    east, north : array, shape (rows, cols)
        Rise over run, a pure number; NaN where it is unknown.
    """

    east: Raster
    north: Raster

    def steepness(self, unit: SlopeUnit = "percent") -> Raster:
        """Return the slope along the steepest way.

        Parameters
        ----------
        unit
            ``"ratio"`` rise over run, ``"percent"`` a hundred times that, ``"degree"`` the angle
            with the horizontal.

        Returns
        -------
        array, shape (rows, cols), NaN where unknown
        """
        result = np.empty_like(self.east, order="C")
        flat, east, north = result.ravel(), self.east.ravel(), self.north.ravel()
        for start in range(0, flat.size, _BAND):
            band = slice(start, start + _BAND)
            out = flat[band]
            np.multiply(east[band], east[band], out=out)
            out += north[band] * north[band]
            np.sqrt(out, out=out)
            if unit == "percent":
                out *= 100.0
            elif unit == "degree":
                np.arctan(out, out=out)
                out *= math.degrees(1.0)
        return result

    def aspect(self) -> Raster:
        """Return the compass direction of steepest descent.

        Returns
        -------
        array, shape (rows, cols)
            Degrees clockwise from north, 0 <= aspect < 360; -1 where the ground is level, NaN where
            unknown.
        """
        result = np.degrees(np.arctan2(-self.east, -self.north))
        result[result < 0.0] += 360.0
        # a tiny negative angle plus 360 rounds to 360 itself
        result[result >= 360.0] = 0.0
        result[(self.east == 0.0) & (self.north == 0.0)] = -1.0
        return result


def slope(
    z: Raster, cell_size: float, *, z_factor: float = 1.0, method: SlopeMethod = "horn"
) -> Slope:
    """Derive the slope from the 3 x 3 window round each cell.

    Neighbours are subtracted from each other before anything is added up, so that elevations of
    hundreds of metres cost a float32 raster none of its millimetres.

    Parameters
    ----------
    z : array, shape (rows, cols), row 0 in the north
        Elevation. NaN is nodata.
    cell_size
        Edge of a cell, map units.
    z_factor
        Map units per unit of elevation (0.3048 for feet over a map in metres).
    method
        ``"horn"``: weighted differences of the three rows and columns [1]_; smooths noise.
        ``"zevenbergen-thorne"``: the four direct neighbours [2]_; keeps detail.

    Returns
    -------
    Slope
        In the floating type of `z`. Unknown at the edge of the raster and wherever any of the nine
        cells is nodata: nothing is padded.

    References
    ----------
    .. [1] Horn, B.K.P. (1981). Hill shading and the reflectance map. Proceedings of the IEEE 69(1),
       14-47. doi:10.1109/PROC.1981.11918
    .. [2] Zevenbergen, L.W., Thorne, C.R. (1987). Quantitative analysis of land surface topography.
       Earth Surface Processes and Landforms 12, 47-56. doi:10.1002/esp.3290120107
    """
    if not np.issubdtype(z.dtype, np.floating):
        z = z.astype(np.float64)
    cols = z.shape[1]
    z = np.ascontiguousarray(z)
    east = np.empty_like(z)
    north = np.empty_like(z)
    if min(z.shape) >= 3:
        eighth = method == "horn"
        scale = z.dtype.type(z_factor / ((8.0 if eighth else 2.0) * cell_size))
        # Rows lie one after the other, so a neighbour is a fixed shift of the flat array; only the
        # windows that wrap round the raster's edge are wrong, and those are overwritten below.
        flat, gx, gy = z.ravel(), east.ravel(), north.ravel()
        across = np.empty(_BAND + 2 * cols, z.dtype)
        along = np.empty(_BAND + 2, z.dtype)
        unknown = np.empty(_BAND, z.dtype)
        for start in range(cols + 1, flat.size - cols - 1, _BAND):
            stop = min(start + _BAND, flat.size - cols - 1)
            count = stop - start
            a, g, u = across[: count + 2 * cols], along[: count + 2], unknown[:count]
            x, y = gx[start:stop], gy[start:stop]
            np.subtract(
                flat[start - cols + 1 : stop + cols + 1],
                flat[start - cols - 1 : stop + cols - 1],
                out=a,
            )
            np.subtract(
                flat[start - cols - 1 : stop - cols + 1],
                flat[start + cols - 1 : stop + cols + 1],
                out=g,
            )
            row, column = a[cols:-cols], g[1:-1]
            np.add(a[: -2 * cols], a[2 * cols :], out=u)
            if eighth:
                np.add(u, row, out=x)
                x += row
                np.add(g[:-2], g[2:], out=y)
                y += column
                y += column
            else:
                x[...] = row
                y[...] = column
            # a hole anywhere in the window is a hole in both, used or not: NaN there, else zero
            u += flat[start:stop]
            u += row
            u += column
            u -= u
            x += u
            y += u
            x *= scale
            y *= scale
    for raster in (east, north):
        raster[:1] = raster[-1:] = np.nan
        raster[:, :1] = raster[:, -1:] = np.nan
    return Slope(east, north)
