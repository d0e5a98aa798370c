"""A second surface to compare with: a raster of elevations in any CRS, north up."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geosite.base.errors import InputError, Refuse
from geosite.base.map_frame import Frame, length_unit, name_unless_same_map
from geosite.base.problems import one_line
from geosite.base.units import may_be_one_unit, plural
from geosite.reading.ascii_grid import OPTIONS, check_ascii_grid, crs_beside, fill_by_custom
from geosite.reading.elevation_ends import lowest_and_highest
from geosite.reading.foreign import damage, quiet
from geosite.reading.raster_trial import try_raster

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["SecondSurface", "read_surface", "refuse_unlike"]

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
    unit
        Of the elevations, as the band states it; blank where it does not.
    """

    file: str
    values: npt.NDArray[np.float64]
    west: float
    north: float
    cell_east: float
    cell_north: float
    crs_wkt: str
    unit: str = ""


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

    from geosite.reading.rasters import check_unit

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
            # a vertical CRS is passed over unless asked for
            rasterio.Env(GTIFF_REPORT_COMPD_CS="YES", GDAL_PAM_ENABLED="NO"),
            rasterio.open(path, driver=driver, **options) as source,
        ):
            place = source.transform
            crs_wkt = _system(source, path, file, refuse)
            if driver == "AAIGrid":
                # the library takes a word for 0, in the header too
                _said_at_its_key(lambda: check_ascii_grid(path, file), file, refuse)
            _refuse_odd(source, file, refuse)
            values = source.read(1, masked=True).astype(np.float64).filled(np.nan)
            fill_by_custom(values, source)
            values = values * source.scales[0] + source.offsets[0]
            values[~np.isfinite(values)] = np.nan
            nodata = source.nodata
            unit = (source.units[0] or "").strip()
    except (RasterioError, OSError, ValueError, IndexError) as error:
        raise refuse(
            "surface-unreadable",
            f"{file} cannot be read ({one_line(error)})",
            "a GeoTIFF of elevations",
            "correct the name or export it again",
        ) from error
    _said_at_its_key(lambda: check_unit(unit, file), file, refuse)
    _said_at_its_key(lambda: lowest_and_highest([values], file, nodata), file, refuse)
    return SecondSurface(file, values, place.c, place.f, place.a, -place.e, crs_wkt, unit)


def _said_at_its_key(look: Callable[[], object], file: str, refuse: Refuse) -> None:
    """Say what is wrong with the whole of a file where it is named; a line of its own stays."""
    try:
        look()
    except InputError as error:
        (problem,) = error.problems
        if problem.line is not None:
            raise
        what = f"{file}: {problem.what}"
        raise refuse(problem.code, what, problem.expected, problem.remedy) from error


def _system(source: Any, path: Path, file: str, refuse: Refuse) -> str:
    """Return the CRS of an open raster as WKT; that of text may stand in a file beside it."""
    is_text = source.driver == "AAIGrid"
    told = source.crs.to_wkt() if source.crs is not None else ""
    if not told and is_text:
        told = crs_beside(path, refuse)
    if not told:
        raise refuse(
            "surface-no-crs",
            f"{file} does not say which CRS it is in",
            "a raster with a CRS",
            "put its .prj beside it" if is_text else "assign its CRS first",
        )
    return str(told)


def _refuse_odd(source: Any, file: str, refuse: Refuse) -> None:
    """Refuse a raster that is no single north-up band of elevations."""
    place = source.transform
    if not (place.b == place.d == 0 and place.a > 0 > place.e):
        raise refuse(
            "surface-not-north-up",
            f"{file} is turned, upside down or has no place on the map",
            "a north-up raster",
            "warp it north-up first",
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


def _vertical_unit(wkt: str) -> tuple[tuple[float, str] | None, str]:
    """Return metres and name of the unit of a vertical CRS, and which that is; None without one."""
    from pyproj import CRS

    parts = CRS.from_wkt(wkt).sub_crs_list if wkt else ()
    vertical = next((part for part in parts if part.is_vertical), None)
    if vertical is None:
        return None, ""
    return length_unit(vertical), f" (those of {vertical.name})"


def refuse_unlike(surface: SecondSurface, frame: Frame, what: str, refuse: Refuse) -> None:
    """Refuse a surface of another map, or whose elevations have another unit than the site's.

    The unit is what the band states, and that of the vertical CRS where the raster has one.

    Parameters
    ----------
    surface, frame
        The surface, and the map that it has to be of.
    what
        ``"surface"`` or ``"design"``: how its refusals begin.
    refuse
        As in `read_surface`.

    Raises
    ------
    InputError

    Examples
    --------
    >>> from geosite.base.errors import InputError, Problem
    >>> def refuse(*told):
    ...     return InputError(Problem(*told))
    >>> feet = SecondSurface("old.tif", np.zeros((2, 2)), 0.0, 2.0, 1.0, 1.0, "", "ft")
    >>> refuse_unlike(feet, Frame(), "surface", refuse)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    geosite.base.errors.InputError: the raster old.tif says that its elevations are in feet; ...
    """
    from geosite.reading.rasters import band_unit

    # few bands say which foot they mean, a CRS always does
    for stated, of, is_one in (
        (band_unit(surface.unit), "", may_be_one_unit),
        (*_vertical_unit(surface.crs_wkt), math.isclose),
    ):
        if stated is not None and not is_one(stated[0], frame.height_unit_m):
            raise refuse(
                f"{what}-unit",
                f"the raster {surface.file} says that its elevations are in"
                f" {plural(stated[1])}{of}",
                f"elevations in {plural(frame.height_unit_name)}, as those of the site",
                "convert its values, or correct the unit that the file states if it is wrong",
            )
    other = name_unless_same_map(surface.crs_wkt, frame.crs_wkt)
    if other is not None:
        raise refuse(
            f"{what}-crs",
            f"the raster {surface.file} is in {other}",
            f"a raster in {frame.crs_name}",
            "warp it to the map's CRS first",
        )
