"""Slope and aspect of an elevation raster, in bands of rows that stay in the processor's cache."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["SOURCES", "Slope", "SlopeMethod", "SlopeUnit", "slope"]

SlopeMethod = Literal["horn", "zevenbergen-thorne"]
SlopeUnit = Literal["percent", "degree", "ratio"]
Raster = npt.NDArray[np.floating[Any]]

SOURCES: Mapping[SlopeMethod, str] = {
    "horn": "Horn (1981)",
    "zevenbergen-thorne": "Zevenbergen and Thorne (1987)",
}
"""Where a method comes from, as readers are told it."""

_BAND = 32_768
"""Cells per band: the few float32 buffers in work at a time stay within the second-level cache."""

_ARC_TANGENT = tuple(
    math.degrees(coefficient)
    for coefficient in (
        8.05374449538e-2,
        -1.38776856032e-1,
        1.99777106478e-1,
        -3.33329491539e-1,
        1.0,
    )
)
"""arctan(x) / x in degrees, in powers of x^2: relative error 2e-8 up to tan 22.5 degrees (S.L.
Moshier, Cephes Mathematical Library, atanf)."""
_ARC_TANGENT_LIMIT = math.tan(math.pi / 8.0) ** 2


@dataclass(frozen=True, eq=False, slots=True)
class Slope:
    """How steeply the ground rises: what is asked for is derived from the elevations then.

    Parameters
    ----------
    z : array, shape (rows, cols), row 0 in the north
        Elevation, NaN for nodata.
    cell_size
        Map units.
    z_factor
        Map units per unit of elevation.
    method
        As for `slope`.
    """

    z: Raster
    cell_size: float
    z_factor: float
    method: SlopeMethod

    @property
    def east(self) -> Raster:
        """Rise over run towards the east, NaN where unknown."""
        return self._derive(lambda east, north, out: np.copyto(out, east))

    @property
    def north(self) -> Raster:
        """Rise over run towards the north, NaN where unknown."""
        return self._derive(lambda east, north, out: np.copyto(out, north))

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

        def steep(east: Raster, north: Raster, out: Raster) -> None:
            np.multiply(east, east, out=out)
            north *= north
            out += north
            if (
                unit == "degree"
                and out.dtype == np.float32
                and not (out > _ARC_TANGENT_LIMIT).any()
            ):
                # gentle slopes by a polynomial in the square: as good as a float32 can tell, and
                # several times as fast
                np.multiply(out, _ARC_TANGENT[0], out=east)
                for coefficient in _ARC_TANGENT[1:-1]:
                    east += coefficient
                    east *= out
                east += _ARC_TANGENT[-1]
                np.sqrt(out, out=out)
                out *= east
                return
            np.sqrt(out, out=out)
            if unit == "percent":
                out *= 100.0
            elif unit == "degree":
                np.arctan(out, out=out)
                out *= math.degrees(1.0)

        return self._derive(steep)

    def aspect(self) -> Raster:
        """Return the compass direction of steepest descent.

        Returns
        -------
        array, shape (rows, cols)
            Degrees clockwise from north, 0 <= aspect < 360; -1 where the ground is level, NaN where
            unknown.
        """

        def azimuth(east: Raster, north: Raster, out: Raster) -> None:
            is_level = (east == 0.0) & (north == 0.0)
            np.negative(east, out=east)
            np.negative(north, out=north)
            np.arctan2(east, north, out=out)
            out *= math.degrees(1.0)
            out += (out < 0.0) * out.dtype.type(360.0)
            # a tiny negative angle plus 360 rounds to 360 itself
            out[out >= 360.0] = 0.0
            out[is_level] = -1.0

        return self._derive(azimuth)

    def _derive(self, fill: Callable[[Raster, Raster, Raster], None]) -> Raster:
        """Return what `fill` makes of the gradients east and north, band by band."""
        z, cols = self.z, self.z.shape[1]
        result = np.empty_like(z)
        if min(z.shape) >= 3:
            is_horn = self.method == "horn"
            divisor = (8.0 if is_horn else 2.0) * self.cell_size
            scale = z.dtype.type(self.z_factor / divisor)
            # Rows lie one after the other, so a neighbour is a fixed shift of the flat array; only
            # windows that wrap round the raster's edge are wrong, and count as level until they
            # are overwritten below.
            flat, out = z.ravel(), result.ravel()
            rises = np.empty(_BAND + 2 * cols, z.dtype)
            climbs = np.empty(_BAND + 2, z.dtype)
            buffers = np.empty((3, _BAND), z.dtype)
            for start in range(cols + 1, flat.size - cols - 1, _BAND):
                stop = min(start + _BAND, flat.size - cols - 1)
                count = stop - start
                across, along = rises[: count + 2 * cols], climbs[: count + 2]
                east, north, unknown = buffers[:, :count]
                np.subtract(
                    flat[start - cols + 1 : stop + cols + 1],
                    flat[start - cols - 1 : stop + cols - 1],
                    out=across,
                )
                np.subtract(
                    flat[start - cols - 1 : stop - cols + 1],
                    flat[start + cols - 1 : stop + cols + 1],
                    out=along,
                )
                row, column = across[cols:-cols], along[1:-1]
                np.add(across[: -2 * cols], across[2 * cols :], out=unknown)
                if is_horn:
                    np.add(unknown, row, out=east)
                    east += row
                    np.add(along[:-2], along[2:], out=north)
                    north += column
                    north += column
                else:
                    east[...] = row
                    north[...] = column
                # a hole anywhere in the window is a hole, used or not: NaN there, else zero
                unknown += flat[start:stop]
                unknown += row
                unknown += column
                unknown -= unknown
                east += unknown
                north += unknown
                east *= scale
                north *= scale
                for edge in (0, cols - 1):
                    wrapped = slice((edge - start) % cols, None, cols)
                    east[wrapped] = north[wrapped] = 0.0
                fill(east, north, out[start:stop])
        result[:1] = result[-1:] = np.nan
        result[:, :1] = result[:, -1:] = np.nan
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

    Examples
    --------
    A plane that rises 3 in 10 to the east and 4 in 10 to the north has a slope of 50 % (3-4-5) and
    falls to the south-west:

    >>> row, col = np.indices((3, 3))
    >>> found = slope(0.3 * col - 0.4 * row, cell_size=1.0)
    >>> float(found.steepness("percent")[1, 1].round(9)), float(found.aspect()[1, 1].round(2))
    (50.0, 216.87)
    """
    if not np.issubdtype(z.dtype, np.floating):
        z = z.astype(np.float64)
    return Slope(np.ascontiguousarray(z), cell_size, z_factor, method)
