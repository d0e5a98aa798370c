"""Rasters as Cloud Optimized GeoTIFF: float32, nodata -9999, north up."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from geosite.handover.model import NODATA, Raster
from geosite.network.model import Frame

__all__ = ["compound_wkt", "drop_foreign_proj", "write_raster"]

BLOCK = 512


def drop_foreign_proj() -> None:
    """Forget where another program keeps its PROJ data; call before importing fiona or rasterio.

    Each of the two carries a PROJ of its own with its own data; one that is told to read the data
    of another version refuses every CRS.
    """
    for name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
        os.environ.pop(name, None)


def compound_wkt(frame: Frame) -> str | None:
    """Return the WKT of map and vertical CRS together; None where elevations are relative."""
    if frame.vertical_wkt is None:
        return None
    from pyproj import CRS
    from pyproj.crs import CompoundCRS

    name = f"{frame.crs_name} + {frame.vertical_name}"
    wkt: str = CompoundCRS(
        name, [CRS.from_wkt(frame.crs_wkt), CRS.from_wkt(frame.vertical_wkt)]
    ).to_wkt()
    return wkt


def write_raster(path: Path, raster: Raster, frame: Frame) -> None:
    """Write one raster with its unit, title, description, statistics and CRS.

    An elevation raster carries the vertical CRS in its GeoTIFF keys. They are written in the form
    of GeoTIFF 1.0, where readers that know nothing of compound systems still find the EPSG code of
    the map.
    """
    drop_foreign_proj()
    import rasterio
    from rasterio.crs import CRS
    from rasterio.transform import Affine

    grid = raster.grid
    valid = np.isfinite(raster.values)
    values = np.where(valid, raster.values, NODATA).astype(np.float32)
    wkt = (compound_wkt(frame) if raster.is_elevation else None) or frame.crs_wkt
    # average in overviews only where an average means something: not for directions
    overviews = "NEAREST" if raster.unit == "degree" else "AVERAGE"
    with (
        rasterio.Env(GDAL_PAM_ENABLED="NO"),
        rasterio.open(
            path,
            "w",
            driver="COG",
            width=grid.cols,
            height=grid.rows,
            count=1,
            dtype="float32",
            nodata=NODATA,
            crs=CRS.from_wkt(wkt),
            transform=Affine(grid.cell_size, 0.0, grid.west, 0.0, -grid.cell_size, grid.north),
            compress="DEFLATE",
            predictor="YES",
            blocksize=BLOCK,
            overview_resampling=overviews,
            geotiff_version="1.0",
        ) as file,
    ):
        file.write(values, 1)
        file.set_band_description(1, raster.title)
        file.units = (raster.unit,)
        file.update_tags(TITLE=raster.title, DESCRIPTION=raster.description)
        file.update_tags(1, **_statistics(values[valid], values.size))


def _statistics(values: np.ndarray[Any, np.dtype[np.float32]], cells: int) -> dict[str, str]:
    if not values.size:
        return {}
    exact = values.astype(np.float64)
    return {
        "STATISTICS_MINIMUM": repr(float(exact.min())),
        "STATISTICS_MAXIMUM": repr(float(exact.max())),
        "STATISTICS_MEAN": repr(float(exact.mean())),
        "STATISTICS_STDDEV": repr(float(exact.std())),
        "STATISTICS_VALID_PERCENT": f"{100.0 * exact.size / cells:.4g}",
    }
