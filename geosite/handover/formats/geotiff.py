"""Rasters as Cloud Optimized GeoTIFF: float32, nodata -9999, north up."""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.model import NODATA, Package, Raster

__all__ = [
    "crs_of",
    "drop_foreign_proj",
    "options",
    "with_coverages",
    "write_raster",
]

# cells per side of a tile: a usual site is one tile, and compressing empty cells takes time too
BLOCK = 256


def drop_foreign_proj() -> None:
    """Forget where another program keeps its PROJ data; call before importing fiona or rasterio.

    Each of the two carries a PROJ of its own with its own data; one that is told to read the data
    of another version refuses every CRS.
    """
    for name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
        os.environ.pop(name, None)


@lru_cache(maxsize=8)
def _compound_wkt(frame: Frame) -> str | None:
    """Return the WKT of map and vertical CRS together; None where elevations are relative.

    Examples
    --------
    >>> from pyproj import CRS
    >>> map_wkt, up_wkt = (CRS(code).to_wkt() for code in ("EPSG:25832", "EPSG:7837"))
    >>> frame = Frame(map_wkt, "EPSG:25832", up_wkt, "DHHN2016 height")
    >>> CRS.from_wkt(_compound_wkt(frame)).name
    'EPSG:25832 + DHHN2016 height'
    """
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

    An elevation raster carries the vertical CRS in its GeoTIFF keys, as version 1.1 of the standard
    (OGC 19-008r4) has them: from keys of version 1.0 GDAL and all that read with it report the map
    alone. Tried with GDAL 3.6 and 3.10, tifffile, and the open GIS desktop 3.22 (which shows the
    map's CRS) and 3.40 (which shows both). Who wants the code of the map asks the compound CRS for
    its horizontal part.

    Raises
    ------
    OSError
        The file cannot be written, or not all of it.

    Examples
    --------
    >>> import tempfile
    >>> from pyproj import CRS
    >>> frame = Frame(crs_wkt=CRS("EPSG:25832").to_wkt())
    >>> slope = Raster("slope", "Slope", "", np.full((2, 2), 5.0), Grid(0, 2, 1, 2, 2), "percent")
    >>> with tempfile.TemporaryDirectory() as name:
    ...     write_raster(Path(name) / "slope.tif", slope, frame)
    ...     import rasterio
    ...     with rasterio.open(Path(name) / "slope.tif") as source:
    ...         source.nodata, source.units, source.read(1).tolist()
    (-9999.0, ('percent',), [[5.0, 5.0], [5.0, 5.0]])
    """
    drop_foreign_proj()
    import rasterio
    from rasterio.crs import CRS
    from rasterio.io import MemoryFile

    grid = raster.grid
    values = _values(raster)
    # made in memory: the library says nothing of what a full disk did not take, Python does
    with rasterio.Env(GDAL_PAM_ENABLED="NO"), MemoryFile(ext=".tif") as memory:
        with memory.open(
            driver="COG",
            width=grid.cols,
            height=grid.rows,
            count=1,
            dtype="float32",
            nodata=NODATA,
            crs=CRS.from_wkt(crs_of(raster, frame)),
            transform=_transform(grid),
            **options(raster),
        ) as file:
            file.write(values, 1)
            file.set_band_description(1, raster.title)
            file.units = (raster.unit,)
            file.update_tags(TITLE=raster.title, DESCRIPTION=raster.description)
            file.update_tags(1, **_statistics(values))
        path.write_bytes(memory.getbuffer())


def crs_of(raster: Raster, frame: Frame) -> str:
    """Return the WKT that a raster carries: of the map, and of the elevations where it has them.

    Examples
    --------
    >>> frame = Frame(crs_wkt="PROJCRS[...]")
    >>> slope = Raster("slope", "Slope", "", np.zeros((1, 1)), Grid(0, 1, 1, 1, 1), "percent")
    >>> crs_of(slope, frame)
    'PROJCRS[...]'
    """
    return (_compound_wkt(frame) if raster.is_elevation else None) or frame.crs_wkt


def options(raster: Raster) -> dict[str, Any]:
    """Return how the file is laid out.

    Examples
    --------
    Directions have no average: the mean of 350 and 10 degrees is not 180.

    >>> flow = Raster("flow", "Flow", "", np.zeros((1, 1)), Grid(0, 1, 1, 1, 1), "degree")
    >>> options(flow)["overview_resampling"]
    'NEAREST'
    """
    directions = raster.unit == "degree" or raster.winds
    return {
        "compress": "DEFLATE",
        "predictor": "YES",
        "blocksize": BLOCK,
        # average only where an average means something: not for directions
        "overview_resampling": "NEAREST" if directions else "AVERAGE",
        "geotiff_version": "1.1",
    }


def _values(raster: Raster) -> npt.NDArray[np.float32]:
    finite = np.isfinite(raster.values)
    return np.where(finite, raster.values, NODATA).astype(np.float32)


def _transform(grid: Grid) -> Any:
    from rasterio.transform import Affine

    return Affine(grid.cell_size, 0.0, grid.west, 0.0, -grid.cell_size, grid.north)


def _statistics(values: npt.NDArray[np.float32]) -> dict[str, str]:
    """Return the statistics of the valid cells under the names that readers look for."""
    valid = values[values != np.float32(NODATA)].astype(np.float64)
    if not valid.size:
        return {}
    return {
        "STATISTICS_MINIMUM": repr(float(valid.min())),
        "STATISTICS_MAXIMUM": repr(float(valid.max())),
        "STATISTICS_MEAN": repr(float(valid.mean())),
        "STATISTICS_STDDEV": repr(float(valid.std())),
        "STATISTICS_VALID_PERCENT": f"{100.0 * valid.size / values.size:.4g}",
    }


def with_coverages(geopackage: bytes, package: Package, moment: str) -> bytes:
    """Add the rasters to a GeoPackage as gridded coverages (OGC 17-066r1), lossless float32.

    Parameters
    ----------
    geopackage
        The file's content.
    moment
        ISO 8601 time that the file states as that of the change.
    """
    drop_foreign_proj()
    import rasterio
    from rasterio.crs import CRS
    from rasterio.io import MemoryFile

    crs = CRS.from_wkt(package.frame.crs_wkt)
    with (
        rasterio.Env(OGR_CURRENT_DATE=moment, OGR_SQLITE_SYNCHRONOUS="OFF"),
        MemoryFile(ext=".gpkg") as memory,
    ):
        memory.write(geopackage)  # content given at its making could not grow
        for raster in package.rasters:
            with rasterio.open(
                memory.name,
                "w",
                driver="GPKG",
                width=raster.grid.cols,
                height=raster.grid.rows,
                count=1,
                dtype="float32",
                nodata=NODATA,
                crs=crs,
                transform=_transform(raster.grid),
                append_subdataset="YES",
                raster_table=raster.name,
                raster_identifier=raster.title,
                raster_description=raster.description,
                tile_format="TIFF",
                uom=raster.unit,
                field_name=raster.title,
                quantity_definition=raster.description,
                grid_cell_encoding="grid-value-is-area",
                version="1.3",  # as the layers: the whole file takes the last one that is named
            ) as file:
                file.write(_values(raster), 1)
        return bytes(memory.getbuffer())
