"""Georeferenced pictures from outside, to be laid under a drawing: looked at first, read in part.

Only plain GeoTIFF files on this machine, with 8 bits a band, that lie somewhere: no format that can
point elsewhere, no CRS that names another file. What is drawn is warped into the map of the survey,
so no more is read than the window needs.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.errors import InputError, Refuse
from geosite.base.problems import one_line
from geosite.base.process_copies import can_copy
from geosite.reading.foreign import damage, in_limited_copy, names_a_file
from geosite.reading.raster_trial import try_raster
from geosite.reading.rasters import MAX_CELLS_IN_STRIPS

__all__ = ["GroundPicture", "picture_in", "read_picture"]

Pixels = npt.NDArray[np.uint8]

_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_CACHE = 128
_EXPECTED = "a GeoTIFF with one band of grey, or three or four of colour, 8 bits each, and its CRS"


@dataclass(frozen=True, slots=True)
class GroundPicture:
    """A picture of the ground that was looked at and may be read.

    Parameters
    ----------
    path
        Of the file, resolved.
    file
        As it was named.
    """

    path: Path
    file: str


def read_picture(file: str, path: Path, refuse: Refuse) -> GroundPicture:
    """Look at a picture without reading its cells.

    Parameters
    ----------
    file, path
        As it was named, and where it is.
    refuse
        Makes the error that is raised.

    Raises
    ------
    InputError
        It is no picture that can be laid under a plan.
    """
    with _opened(file, path, refuse, tries=True):
        return GroundPicture(path, file)


@contextmanager
def _opened(file: str, path: Path, refuse: Refuse, *, tries: bool = False) -> Iterator[Any]:
    import rasterio
    from rasterio.errors import RasterioError

    def wrong(code: str, what: str, remedy: str) -> InputError:
        return refuse(code, f"the picture {file} {what}", _EXPECTED, remedy)

    try:
        with path.open("rb") as stream:
            if stream.read(4) not in _STARTS:
                raise ValueError("it is no TIFF")
        if (fault := damage(path)) is not None:
            raise ValueError(fault)
        if tries:
            try_raster(path, "GTiff", {}, MAX_CELLS_IN_STRIPS)
        with rasterio.Env(GDAL_PAM_ENABLED="NO", GDAL_CACHEMAX=_CACHE), warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a file without a place is refused below
            with rasterio.open(path, driver="GTiff") as source:
                if source.count not in (1, 3, 4) or set(source.dtypes) != {"uint8"}:
                    kinds = ", ".join(sorted(set(source.dtypes)))
                    raise wrong(
                        "picture-bands",
                        f"has {source.count} band{'s' * (source.count > 1)} of {kinds}",
                        "save it as a picture in red, green and blue",
                    )
                if source.crs is None or source.transform.is_identity:
                    raise wrong("picture-no-place", "does not say where it lies", "georeference it")
                if names_a_file(source.crs.to_wkt()):
                    raise ValueError("its CRS names another file or an address")
                if source.width * source.height > MAX_CELLS_IN_STRIPS:
                    raise wrong(
                        "picture-too-large",
                        f"has {source.width} x {source.height} cells",
                        "cut it to the site",
                    )
                yield source
    except (RasterioError, OSError, ValueError) as error:
        raise _unreadable(file, error, refuse) from error


def _unreadable(file: str, error: Exception, refuse: Refuse) -> InputError:
    what = f"the picture {file} cannot be read ({one_line(error)})"
    return refuse("picture-unreadable", what, _EXPECTED, "export it again")


def picture_in(
    picture: GroundPicture,
    crs_wkt: str,
    bounds: tuple[float, float, float, float],
    shape: tuple[int, int],
    refuse: Refuse,
) -> Pixels | None:
    """Return the part of a picture that lies in a window of a map.

    Parameters
    ----------
    picture
    crs_wkt
        Of the map.
    bounds : (west, south, east, north), map units
    shape : (rows, cols)
        Pixels wanted.
    refuse
        Makes the error that is raised.

    Returns
    -------
    array of uint8, shape (rows, cols, 3), or None
        White where the picture does not reach; ``None`` where no part of it lies in the window.

    Raises
    ------
    InputError
        It cannot be read any more.
    """
    # imported before a copy of the process is made
    import rasterio.vrt
    from affine import Affine
    from rasterio.enums import Resampling

    rows, cols = shape
    west, south, east, north = bounds
    across, up = (east - west) / cols, (north - south) / rows

    def read() -> tuple[Pixels, Pixels | None]:
        with _opened(picture.file, picture.path, refuse) as source:
            table = _colours(source)
            # colours of a table cannot be mixed by their numbers
            mixing = Resampling.bilinear if table is None else Resampling.nearest
            with rasterio.vrt.WarpedVRT(
                source,
                crs=crs_wkt,
                transform=Affine(across, 0.0, west, 0.0, -up, north),
                width=cols,
                height=rows,
                resampling=mixing,
                add_alpha=source.count in (1, 3),
            ) as warped:
                return warped.read(), table

    try:
        # the cells are those of a sheet, few enough to be handed over
        cells, table = in_limited_copy(read) if can_copy() else read()
    except ValueError as error:
        raise _unreadable(picture.file, error, refuse) from error
    *bands, alpha = cells
    if not alpha.any():
        return None
    if table is not None:
        colour = table[bands[0]]
    else:
        colour = np.stack(bands if len(bands) == 3 else [bands[0]] * 3, axis=-1).astype(np.uint8)
    covered = (alpha / 255.0)[..., None]
    return np.asarray(np.rint(colour * covered + 255.0 * (1.0 - covered)), dtype=np.uint8)


def _colours(source: Any) -> Pixels | None:
    """Return the table of colours of a picture that has one, shape (256, 3)."""
    try:
        listed = source.colormap(1) if source.count == 1 else None
    except ValueError:
        return None
    if listed is None:
        return None
    table = np.zeros((256, 3), np.uint8)
    for number, colour in listed.items():
        if 0 <= number < 256:
            table[number] = colour[:3]
    return table
