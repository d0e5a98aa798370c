"""Elevation rasters from outside: read with every check that an unknown file needs.

Only plain files on this machine, only formats that cannot point somewhere else, sizes looked at
before anything is read, and a CRS that distances can be measured in.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.errors import InputError, Problem
from geosite.base.grid import MAX_CELLS, Grid
from geosite.base.large_rasters import strips
from geosite.base.map_frame import Frame
from geosite.base.problems import one_line, shown
from geosite.base.units import FOOT_M, US_SURVEY_FOOT_M, may_be_one_unit, plural
from geosite.reading.ascii_grid import OPTIONS, check_ascii_grid, crs_beside, fill_by_custom
from geosite.reading.crs import map_frame
from geosite.reading.elevation_ends import lowest_and_highest
from geosite.reading.foreign import damage
from geosite.reading.raster_trial import try_raster

__all__ = [
    "MAX_CELLS_IN_STRIPS",
    "ElevationRaster",
    "ElevationSource",
    "band_unit",
    "check_unit",
    "open_elevation",
    "read_elevation",
]

MAX_CELLS_IN_STRIPS = 2_000_000_000
"""Of a raster that is read some rows at a time: a cell's number has to fit into 31 bits."""
_CACHE = 128
"""Megabytes of tiles that the library keeps."""

# Formats that hold their data themselves; a VRT or a web service description does not. GDAL is
# told which one it is, so that it asks no other driver.
_RASTER_STARTS = {
    b"II*\0": "GTiff",
    b"MM\0*": "GTiff",
    b"II+\0": "GTiff",
    b"MM\0+": "GTiff",
    b"ncol": "AAIGrid",
    b"NCOL": "AAIGrid",
}
_BAND_UNITS = (
    (1.0, "metre", ("m", "metre", "meter", "metres", "meters")),
    (FOOT_M, "foot", ("ft", "foot", "feet")),
    (US_SURVEY_FOOT_M, "US survey foot", ("ftus", "us-ft", "us survey foot", "us survey feet")),
)
# what a slope, an aspect, a share or an area is in, and lengths in which no elevation is worked
# with; any other word is passed over
_OTHER_UNITS = frozenset(
    (
        *("%", "percent", "ratio", "1", "m/m", "permille", "‰"),
        *("degree", "degrees", "deg", "°", "radian", "radians", "rad", "gon", "grad"),
        *("m2", "m²", "m^2", "ft2", "ft²", "ft^2", "ha", "m3", "m³", "m^3"),
        *("mm", "cm", "dm", "km"),
    )
)


@dataclass(frozen=True, eq=False)
class ElevationRaster:
    """An elevation raster.

    Parameters
    ----------
    values : array of float32 or float64, shape (rows, cols)
        Row 0 north, NaN for nodata.
    grid
        Where it lies.
    frame
        Its map, with the unit of the elevations.
    """

    values: npt.NDArray[np.floating[Any]]
    grid: Grid
    frame: Frame

    @property
    def z_factor(self) -> float:
        """Map units per unit of elevation."""
        return self.frame.height_unit_m / self.frame.unit_m


@dataclass(frozen=True, eq=False)
class ElevationSource:
    """An elevation raster that is open, to be read some rows at a time.

    Parameters
    ----------
    file
        As the user named it.
    grid, frame
        As in `ElevationRaster`.
    dtype
        Of the elevations, float32 or float64.
    """

    file: str
    grid: Grid
    frame: Frame
    dtype: np.dtype[Any]
    _source: Any

    @property
    def z_factor(self) -> float:
        """Map units per unit of elevation."""
        return self.frame.height_unit_m / self.frame.unit_m

    def rows(self, top: int, bottom: int) -> npt.NDArray[np.floating[Any]]:
        """Return rows `top` to `bottom`, NaN for nodata.

        Raises
        ------
        InputError
            They cannot be read.
        """
        from rasterio.errors import RasterioError

        try:
            return _elevations(self._source, self.dtype, top, bottom)
        except (RasterioError, OSError, ValueError) as error:
            raise _unreadable(self.file, error) from error

    def whole(self) -> ElevationRaster:
        """Read all rows.

        Raises
        ------
        InputError
            As `ends`.
        """
        values = self.rows(0, self.grid.rows)
        self.checked([values])
        return ElevationRaster(values, self.grid, self.frame)

    def ends(self, height: int | None = None) -> tuple[float, float]:
        """Return the lowest and the highest elevation.

        Parameters
        ----------
        height
            Rows that are read at a time; without it all at once.

        Raises
        ------
        InputError
            There is no elevation, or values that stand for nothing and are not declared so.
        """
        return self.checked(
            self.rows(top, bottom)
            for top, bottom in strips(self.grid.rows, height or self.grid.rows)
        )

    def checked(self, parts: Iterable[npt.NDArray[np.floating[Any]]]) -> tuple[float, float]:
        """Return the lowest and the highest of all elevations, which somebody reads anyhow.

        Raises
        ------
        InputError
            As `ends`.
        """
        return lowest_and_highest(parts, self.file, self._source.nodata)


def read_elevation(file: str, elevation_unit: str | None = None) -> ElevationRaster:
    """Read an elevation raster.

    Parameters
    ----------
    file
        GeoTIFF or another raster file that stands alone.
    elevation_unit
        ``"m"``, ``"ft"`` or ``"ftUS"``, where the raster does not say it. Without one elevations
        count in the unit of the map.

    Raises
    ------
    InputError
        Unreadable, several bands, turned, cells that are not square or not numbers, not projected,
        too large, or of something else than elevations by its unit.
    """
    with open_elevation(file, elevation_unit, most_cells=MAX_CELLS) as source:
        return source.whole()


@contextmanager
def open_elevation(
    file: str, elevation_unit: str | None = None, *, most_cells: int = MAX_CELLS_IN_STRIPS
) -> Iterator[ElevationSource]:
    """Open an elevation raster, to be read some rows at a time.

    Parameters
    ----------
    file, elevation_unit
        As for `read_elevation`.
    most_cells
        A raster with more is refused; text has to be read whole and has at most `MAX_CELLS`.

    Raises
    ------
    InputError
        As `read_elevation`; what stands in the cells is looked at when they are read.
    """
    import rasterio
    from rasterio.errors import RasterioError

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, what, expected, remedy, file))

    # the resolved path: GDAL reads meaning into names like "GTIFF_DIR:1:a.tif"
    path = Path(file).resolve()
    with ExitStack() as stack:
        try:
            with path.open("rb") as stream:
                driver = _RASTER_STARTS.get(stream.read(4))
            if driver is None:
                raise ValueError("it is neither GeoTIFF nor an ASCII grid")
            if (fault := damage(path)) is not None:
                raise ValueError(fault)
            options = OPTIONS if driver == "AAIGrid" else {}
            most = min(most_cells, MAX_CELLS) if driver == "AAIGrid" else most_cells
            try_raster(path, driver, options, most)
            # a vertical CRS is passed over unless asked for; a file beside it may name another
            stack.enter_context(
                rasterio.Env(
                    GTIFF_REPORT_COMPD_CS="YES", GDAL_PAM_ENABLED="NO", GDAL_CACHEMAX=_CACHE
                )
            )
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a file without a place is refused below
                source = stack.enter_context(rasterio.open(path, driver=driver, **options))
            _check_cells(source, refuse, most)
            system = _system(source, path, refuse)
            unit = (source.units[0] or "").strip()
            check_unit(unit, file)
            if driver == "AAIGrid":
                check_ascii_grid(path, file)  # the library takes a word for 0, in the header too
            grid = _grid(source, refuse)
            extent = (grid.west, grid.south, grid.east, grid.north)
            code = system.to_epsg(confidence_threshold=100)
            crs = f"EPSG:{code}" if code else system.to_wkt()
            frame = _with_band_unit(map_frame(crs, extent, file), unit, refuse)
            frame = _with_given_unit(frame, unit, elevation_unit, refuse)
        except (RasterioError, OSError, ValueError) as error:
            raise _unreadable(file, error) from error
        is_short = np.dtype(source.dtypes[0]) in (np.float32, np.int16, np.uint8, np.uint16)
        kind = np.dtype(np.float32 if is_short else np.float64)
        yield ElevationSource(file, grid, frame, kind, source)


def _unreadable(file: str, error: Exception) -> InputError:
    return InputError(
        Problem(
            "raster-unreadable",
            f"the raster cannot be read ({one_line(error)})",
            "a whole GeoTIFF, or an ASCII grid with its .prj",
            "export it again",
            file,
        )
    )


def _check_cells(source: Any, refuse: Any, most: int) -> None:
    """Refuse what is no single band of elevations."""
    if source.count != 1:
        raise refuse(
            "raster-bands",
            f"the raster has {source.count} bands",
            "one band of elevations",
            "save the band of the elevations alone",
        )
    if "complex" in source.dtypes[0]:
        raise refuse(
            "raster-complex",
            "the cells of the raster are complex numbers",
            "elevations, which are real numbers",
            "save its real part if that is the elevation",
        )
    if source.width * source.height > most:
        size = source.width * source.height * 4 / 1e9
        raise refuse(
            "raster-too-large",
            f"the raster has {source.height} rows of {source.width} cells, {size:.1f} GB",
            f"at most {most / 1e6:.0f} million cells",
            "cut it to the site or take larger cells",
        )


def _system(source: Any, path: Path, refuse: Any) -> Any:
    """Return the CRS; of an ASCII grid it may stand beside it in a way the library passes over."""
    from rasterio.crs import CRS

    if source.crs is not None:
        return source.crs
    told = crs_beside(path, refuse) if source.driver == "AAIGrid" else ""
    if not told:
        raise refuse(
            "raster-no-crs",
            "the raster does not say which CRS it is in",
            "a raster with a projected CRS",
            "assign its CRS first",
        )
    return CRS.from_wkt(told)


def _grid(source: Any, refuse: Any) -> Grid:
    place = source.transform
    wide, high = abs(place.a), abs(place.e)
    turned = place.b != 0 or place.d != 0
    if turned or place.a <= 0 or place.e >= 0 or source.transform.is_identity:
        raise refuse(
            "raster-not-north-up",
            "the raster is turned, upside down or has no place on the map",
            "a north-up raster",
            "warp it north-up first",
        )
    # a rounded cell size in a text header may move the far edge by a tenth of a cell, no more
    if abs(wide - high) * max(source.width, source.height) > 0.1 * wide:
        raise refuse(
            "raster-cells-not-square",
            f"the cells are {wide:g} wide and {high:g} high",
            "square cells",
            "resample it to square cells first",
        )
    return Grid(place.c, place.f, wide, source.height, source.width)


def check_unit(unit: str, file: str | None = None) -> None:
    r"""Refuse a unit in which no elevations are.

    Parameters
    ----------
    unit
        As the raster says, blank where it does not.
    file
        For the message.

    Raises
    ------
    InputError
        The raster holds slopes, directions, areas or the like.

    Examples
    --------
    >>> check_unit("m")
    >>> check_unit("percent")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    geosite.base.errors.InputError: the raster says that its values are in "percent"; expected ...
    """
    if unit.lower() in _OTHER_UNITS:
        raise InputError(
            Problem(
                "raster-unit",
                f"the raster says that its values are in {shown(unit)}",
                "elevations in metres or feet",
                "choose the raster of the elevations, or correct its unit if that is wrong",
                file,
            )
        )


def band_unit(unit: str) -> tuple[float, str] | None:
    """Return length in metres and name of the unit that a band states; None for none we know.

    Examples
    --------
    >>> band_unit("ft"), band_unit("")
    ((0.3048, 'foot'), None)
    """
    word = unit.strip().lower()
    return next(((size, name) for size, name, words in _BAND_UNITS if word in words), None)


def _with_band_unit(frame: Frame, unit: str, refuse: Any) -> Frame:
    """Without a vertical CRS the band may say in which unit its elevations are."""
    found = band_unit(unit)
    if found is None:
        return frame
    if frame.vertical_wkt is not None:
        # few bands say which foot they mean: the CRS does
        if not may_be_one_unit(found[0], frame.height_unit_m):
            raise refuse(
                "raster-two-units",
                f"the band says that its elevations are in {plural(found[1])}, those of its CRS"
                f" ({frame.vertical_name}) are in {plural(frame.height_unit_name)}",
                "one unit",
                "correct the unit of the band or the vertical CRS",
            )
        return frame
    return replace(frame, height_unit_m=found[0], height_unit_name=found[1])


def _with_given_unit(frame: Frame, own: str, given: str | None, refuse: Any) -> Frame:
    """Take the unit that somebody gives, where the raster does not say another."""
    if given is None:
        return frame
    length, name = next((size, name) for size, name, words in _BAND_UNITS if given.lower() in words)
    told = own or (frame.vertical_name if frame.vertical_wkt is not None else "")
    if told and not may_be_one_unit(frame.height_unit_m, length):
        raise refuse(
            "raster-two-units",
            f"the raster says that its elevations are in {plural(frame.height_unit_name)} ({told}),"
            f" elevation_unit says {given}",
            "one unit",
            "leave elevation_unit out, or correct the raster if it is wrong there",
        )
    # who says feet seldom means which: the CRS does, and a band that names the survey foot
    if told and (frame.vertical_wkt is not None or length == FOOT_M):
        return frame
    return replace(frame, height_unit_m=length, height_unit_name=name)


def _elevations(
    source: Any, kind: np.dtype[Any], top: int, bottom: int
) -> npt.NDArray[np.floating[Any]]:
    from rasterio.windows import Window

    window = Window(0, top, source.width, bottom - top)
    band = source.read(1, masked=True, window=window)
    values = band.astype(kind).filled(np.nan)
    fill_by_custom(values, source)
    if (source.scales[0], source.offsets[0]) != (1.0, 0.0):
        values = values * kind.type(source.scales[0]) + kind.type(source.offsets[0])
    values[~np.isfinite(values)] = np.nan
    return np.asarray(values)
