"""A trial of a raster from outside, in a copy of the process, before the process itself reads it.

Rasters are read some rows at a time, so that they may be larger than memory; what was read in a
copy could not be handed over that way. So the copy opens the file and reads what tells most of it:
every block of a small raster, the first, the middle and the last one of a large one. A file that
crashes the library, never ends or unpacks to more than memory holds ends the copy alone.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from geosite.base.process_copies import can_copy
from geosite.reading.foreign import in_limited_copy, name_fault

__all__ = ["BLOCK_BYTES", "WHOLE_CELLS", "try_raster"]

BLOCK_BYTES = 500_000_000
"""Most bytes that the cells of one block take when unpacked: less is not read at a time."""
WHOLE_CELLS = 1_000_000
"""A raster with no more cells is tried whole."""
CACHE = 64
"""Megabytes of blocks that the library keeps meanwhile."""


def try_raster(path: Path, driver: str, options: Mapping[str, str], most_cells: int) -> None:
    """Open a raster and read from it in a copy of this process, within limits.

    Nothing is tried where this process cannot be copied without danger.

    Parameters
    ----------
    path
        Resolved.
    driver, options
        As the raster library is told them.
    most_cells
        More are not worked with: such a raster is opened, not read.

    Raises
    ------
    ValueError
        It cannot be opened or read, takes too much, or crashes the library.

    Examples
    --------
    >>> try:
    ...     try_raster(Path("sample_data/jetty_feet/site.toml").resolve(), "GTiff", {}, 100)
    ... except ValueError as error:
    ...     print("not recognized" in str(error))
    True
    """
    if (fault := name_fault(path)) is not None:
        raise ValueError(fault)
    if not can_copy():
        return
    # imported before the copy is made: this process needs them too
    import rasterio
    from rasterio.errors import RasterioError

    def read() -> None:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of no place on the map, which is looked at later
                with (
                    rasterio.Env(GDAL_PAM_ENABLED="NO", GDAL_CACHEMAX=CACHE),
                    rasterio.open(path, driver=driver, **options) as source,
                ):
                    _try_cells(source, most_cells)
        except RasterioError as error:
            raise ValueError(str(error.__cause__ or error)) from error
        except (OSError, ValueError, MemoryError):
            raise
        except Exception as error:
            # the library's own kinds of errors, some of which cannot be handed over
            raise ValueError(str(error.__cause__ or error)) from error

    with rasterio.Env():  # formats are made known to the library once, not in every copy
        in_limited_copy(read)


def _try_cells(source: Any, most_cells: int) -> None:
    """Ask for all that is asked of a raster later, and read some of its cells."""
    for told in ("crs", "transform", "units", "scales", "offsets", "nodatavals", "colorinterp"):
        getattr(source, told)
    # of text every cell is looked at before it is read (`ascii_grid`)
    if source.width * source.height > most_cells or source.driver == "AAIGrid":
        return
    if "complex" in source.dtypes[0]:
        return  # refused later
    import numpy as np

    high, wide = source.block_shapes[0]
    size = high * wide * np.dtype(source.dtypes[0]).itemsize
    if size > BLOCK_BYTES:
        raise ValueError(
            f"it is stored in blocks of {wide} x {high} cells, {size / 1e6:.0f} MB each when"
            f" unpacked; save it in tiles of at most {BLOCK_BYTES / 1e6:.0f} MB"
        )
    for window in _tried(source.width, source.height, wide, high):
        for band in range(1, source.count + 1):
            source.read(band, window=window)


def _tried(cols: int, rows: int, wide: int, high: int) -> Iterator[Any]:
    """Yield the windows of the blocks that are read."""
    from rasterio.windows import Window

    if rows * cols <= WHOLE_CELLS:
        yield Window(0, 0, cols, rows)
        return
    across, down = -(-cols // wide), -(-rows // high)
    for number in sorted({0, across * down // 2, across * down - 1}):
        top, left = (number // across) * high, (number % across) * wide
        yield Window(left, top, min(wide, cols - left), min(high, rows - top))
