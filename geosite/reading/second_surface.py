"""A second surface to compare with: a raster of elevations in any CRS, north up."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geosite.base.errors import Refuse
from geosite.reading.ascii_grid import OPTIONS, check_ascii_grid
from geosite.reading.foreign import damage, quiet
from geosite.reading.raster_trial import try_raster

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["SecondSurface", "read_surface"]

RASTER_DRIVERS = {".asc": "AAIGrid", ".gpkg": "GPKG"}
"""By extension; everything else is a GeoTIFF. rasterio takes one driver at a time."""
CELLS = 25_000_000
"""Most cells of a second surface: 200 MB in memory."""


@dataclass(frozen=True, eq=False)
class SecondSurface:
    """A raster of elevations.

    Parameters
    ----------
    file
        As the user named it.
    values : array, shape (rows, cols), NaN for nodata
    west, north, cell_east, cell_north
        Outer corner of the north-west cell and size of a cell, units of `crs_wkt`.
    """

    file: str
    values: npt.NDArray[np.float64]
    west: float
    north: float
    cell_east: float
    cell_north: float
    crs_wkt: str


def read_surface(path: Path, file: str, refuse: Refuse) -> SecondSurface:
    """Read a raster of elevations, which the file alone tells.

    Parameters
    ----------
    path, file
        The file, resolved, and how the user named it.
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.

    Raises
    ------
    InputError
    """
    import rasterio
    from rasterio.errors import RasterioError

    driver = RASTER_DRIVERS.get(path.suffix.lower(), "GTiff")
    try:
        if (fault := damage(path)) is not None:
            raise ValueError(fault)
        options = OPTIONS if driver == "AAIGrid" else {}
        try_raster(path, driver, options, CELLS)
        # the raster says itself what it is: a file beside it (.aux.xml), left by another program or
        # of another raster, would put in a nodata value, a scale or a CRS that nobody sees
        with (
            quiet(),
            rasterio.Env(GDAL_PAM_ENABLED="NO"),
            rasterio.open(path, driver=driver, **options) as source,
        ):
            place = source.transform
            upright = place.b == place.d == 0 and place.a > 0 > place.e
            if not upright or source.crs is None:
                raise refuse(
                    "surface-not-north-up",
                    f"{file} is turned, upside down or without a CRS",
                    "a north-up raster with a CRS",
                    "warp it to the map's CRS first",
                )
            if source.count != 1:
                raise refuse(
                    "surface-bands",
                    f"{file} has {source.count} bands",
                    "one band of elevations",
                    "save the band of the elevations alone",
                )
            if "complex" in source.dtypes[0]:
                raise refuse(
                    "surface-complex",
                    f"the cells of {file} are complex numbers",
                    "elevations, which are real numbers",
                    "save its real part if that is the elevation",
                )
            if source.width * source.height > CELLS:
                raise refuse(
                    "surface-too-large",
                    f"{file} has {source.width} x {source.height} cells",
                    f"at most {CELLS / 1e6:.0f} million",
                    "cut it to the site",
                )
            if driver == "AAIGrid":
                check_ascii_grid(path, file)
            values = source.read(1, masked=True).astype(np.float64).filled(np.nan)
            values = values * source.scales[0] + source.offsets[0]
            crs_wkt = str(source.crs.to_wkt())
    except (RasterioError, OSError, ValueError, IndexError) as error:
        raise refuse(
            "surface-unreadable",
            f"{file} cannot be read ({error})",
            "a GeoTIFF of elevations",
            "correct the name or export it again",
        ) from error
    return SecondSurface(file, values, place.c, place.f, place.a, -place.e, crs_wkt)
