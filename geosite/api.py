"""The Python interface: what a notebook works with, GeoDataFrames and numpy rasters in and out.

Everything here is reached as ``geosite.NAME``; nothing is imported before it is used.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from geosite.base.errors import Finding, InputError, Problem
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.model import Layer, Package
from geosite.handover.model import Raster as HandoverRaster

if TYPE_CHECKING:
    import geopandas

    from geosite.fieldbook.sitefile import Handover
    from geosite.reading.rasters import ElevationRaster
    from geosite.terrain.slope import SlopeMethod, SlopeUnit
    from geosite.terrain.surface.cross_validation import Method
    from geosite.terrain.water.drainage import FlowMethod

__all__ = [
    "Drained",
    "Raster",
    "Site",
    "Sloped",
    "build_site",
    "check_survey",
    "derive_drainage",
    "derive_slope",
    "interpolate_elevation",
    "read_raster",
]


@dataclass(frozen=True, eq=False)
class Raster:
    """One raster: a numpy array and where it lies.

    Parameters
    ----------
    name
        ``"elevation"``, ``"slope"``, ...
    values : array, shape (rows, cols), row 0 in the north
        NaN for nodata.
    unit
        ``"m"``, ``"percent"``, ``"degree"``, ...
    grid
        West and north edge, cell size, map units.
    frame
        The map.
    """

    name: str
    values: npt.NDArray[np.floating[Any]]
    unit: str
    grid: Grid
    frame: Frame

    def __repr__(self) -> str:
        rows, cols = self.values.shape
        return f"<Raster {self.name!r}, {self.unit}, {self.crs}: {rows} x {cols} cells>"

    @property
    def crs(self) -> str:
        """CRS of the map, ``EPSG:25832``."""
        return self.frame.crs_name

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """West, east, south, north, map units: the ``extent`` of matplotlib's ``imshow``."""
        return self.grid.west, self.grid.east, self.grid.south, self.grid.north

    def at(self, easting: npt.ArrayLike, northing: npt.ArrayLike) -> npt.NDArray[np.floating[Any]]:
        """Return the values of the cells that places lie in.

        Parameters
        ----------
        easting, northing : array_like, shape (n,), map units

        Returns
        -------
        array, shape (n,)
            NaN outside the raster and on nodata.
        """
        col = np.floor((np.asarray(easting, float) - self.grid.west) / self.grid.cell_size)
        row = np.floor((self.grid.north - np.asarray(northing, float)) / self.grid.cell_size)
        inside = (row >= 0) & (row < self.grid.rows) & (col >= 0) & (col < self.grid.cols)
        found = np.full(inside.shape, np.nan, dtype=self.values.dtype)
        found[inside] = self.values[row[inside].astype(np.int64), col[inside].astype(np.int64)]
        return found

    def write(self, path: str | Path) -> Path:
        """Write the raster as a Cloud Optimized GeoTIFF."""
        from geosite.handover.formats.geotiff import write_raster

        is_elevation = self.name == "elevation"
        raster = HandoverRaster(
            self.name,
            self.name.replace("_", " ").capitalize(),
            "",
            self.values,
            self.grid,
            self.unit,
            is_elevation,
        )
        write_raster(Path(path), raster, self.frame)
        return Path(path)


class Sloped(NamedTuple):
    """Slope and aspect of an elevation raster."""

    slope: Raster
    aspect: Raster


class Drained(NamedTuple):
    """Where water goes on an elevation raster."""

    direction: Raster
    ponding_depth: Raster
    contributing_area: Raster


@dataclass(frozen=True, eq=False)
class Site:
    """A built survey.

    Parameters
    ----------
    package
        Everything that leaves, for the writers.
    handover
        What the site file wants to be written.
    """

    package: Package
    handover: Handover

    def __repr__(self) -> str:
        made = self.package
        return (
            f"<Site {made.title!r}, {made.frame.crs_name}: {len(made.layers)} layers, "
            f"{len(made.rasters)} rasters, {len(made.tables)} tables>"
        )

    @property
    def layers(self) -> tuple[str, ...]:
        """Names of the layers."""
        return tuple(layer.name for layer in self.package.layers)

    @property
    def rasters(self) -> tuple[str, ...]:
        """Names of the rasters."""
        return tuple(raster.name for raster in self.package.rasters)

    @property
    def report(self) -> Mapping[str, Any]:
        """Every number, as ``report.json`` has it."""
        from geosite.handover.report_model.serialise import as_json

        assert self.package.report is not None
        return as_json(self.package.report)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What to look at."""
        return self.package.findings

    def layer(self, name: str) -> geopandas.GeoDataFrame:
        """Return a layer as a GeoDataFrame in the CRS of the map.

        Raises
        ------
        InputError
            There is none of that name.
        """
        found = {layer.name: layer for layer in self.package.layers}
        return _frame_of(_named(found, name, "layer"), self.package.frame)

    def raster(self, name: str) -> Raster:
        """Return a raster.

        Raises
        ------
        InputError
            There is none of that name.
        """
        found = _named({raster.name: raster for raster in self.package.rasters}, name, "raster")
        return _raster(found, self.package.frame)

    def summary(self) -> str:
        """Return what `geosite build` prints."""
        from geosite.processes.summary import lines

        return "\n".join(text for _, text in lines(self.report))

    def write(self, out: str | Path) -> Path:
        """Write everything that leaves into a folder, as `geosite build` does."""
        from geosite.handover.folder.write import write_package

        write_package(self.package, Path(out), self.handover)
        return Path(out)


def _named(found: Mapping[str, Any], name: str, kind: str) -> Any:
    if name in found:
        return found[name]
    from geosite.base.problems import did_you_mean, nearest

    close = nearest(name, found)
    raise InputError(
        Problem(
            f"{kind}-unknown",
            f'there is no {kind} "{name}"',
            f"one of {', '.join(found)}",
            did_you_mean(close, "choose one"),
        )
    )


def _raster(raster: HandoverRaster, frame: Frame) -> Raster:
    return Raster(raster.name, raster.values, raster.unit, raster.grid, frame)


def _frame_of(layer: Layer, frame: Frame) -> geopandas.GeoDataFrame:
    import geopandas

    columns = {
        field.name: [record.get(field.name) for record in layer.records] for field in layer.fields
    }
    return geopandas.GeoDataFrame(columns, geometry=list(layer.geometries), crs=frame.crs_wkt)


def build_site(site: str | Path) -> Site:
    """Build a survey in memory.

    Parameters
    ----------
    site
        Its site file.

    Returns
    -------
    Site

    Raises
    ------
    InputError, SurveyRefused
        With every problem; ``error.problems``.

    Examples
    --------
    >>> import geosite
    >>> site = geosite.build_site("sample_data/ferry_landing/site.toml")
    >>> site.layers[:3]
    ('points', 'marks', 'baseline')
    >>> areas = site.layer("areas")
    >>> sorted(areas.loc[areas.code == "asphalt", "feature"])
    ['apron']
    >>> slope = site.raster("slope")
    >>> slope.crs, slope.unit, slope.values.shape == slope.grid.shape
    ('EPSG:25832', 'percent', True)
    """
    from geosite.build import build
    from geosite.fieldbook.read import read_survey

    notes = read_survey(Path(site))
    return Site(build(notes), notes.site.handover)


def check_survey(site: str | Path) -> Mapping[str, Any]:
    """Say how far a survey can be trusted, without building it.

    Parameters
    ----------
    site
        Its site file.

    Returns
    -------
    dict
        Closures, baseline, areas and findings, as `geosite check --json` prints them.

    Examples
    --------
    >>> import geosite
    >>> report = geosite.check_survey("sample_data/ferry_landing/site.toml")
    >>> min(loop["ratio"] for loop in report["network"]["closures"]) > 300
    True
    """
    from geosite.processes.check_survey import report

    return report(Path(site))


def interpolate_elevation(
    points: Any,
    *,
    crs: str | None = None,
    cell_size: float | None = None,
    extent: tuple[float, float, float, float] | None = None,
    method: Method | Literal["auto"] = "tin",
) -> Raster:
    """Make an elevation raster from points.

    Parameters
    ----------
    points : GeoDataFrame, or array_like, shape (n, 3), columns easting, northing, elevation
        A GeoDataFrame of points with Z or with a column ``elevation``; map units.
    crs
        Projected CRS; needed for an array, a GeoDataFrame has its own.
    cell_size
        Map units; without it from the spacing of the points.
    extent
        West, south, east, north, map units; without it that of the points.
    method
        ``"tin"``, ``"natural-neighbour"``, ``"thin-plate"``, ``"inverse-distance"``, ``"plane"``
        or ``"auto"``.

    Returns
    -------
    Raster
        NaN outside the points.

    Raises
    ------
    InputError
        Points, CRS, extent or method that cannot be used.

    Examples
    --------
    >>> import geosite
    >>> plane = [(0, 0, 10), (20, 0, 12), (20, 20, 13), (0, 20, 11)]
    >>> ground = geosite.interpolate_elevation(plane, crs="EPSG:25832", cell_size=10)
    >>> ground.values.tolist()
    [[11.25, 12.25], [10.75, 11.75]]
    """
    from geosite.processes.inputs import checked
    from geosite.processes.interpolate_elevation import PROCESS, interpolated
    from geosite.reading.points import Points

    # the description's schemas hold here too; the points themselves are looked at below
    asked = {"crs": crs, "cell_size": cell_size, "extent": extent, "method": method}
    values = checked(PROCESS, {"points": __file__, **asked})
    positions, own_crs = _positions(points)
    raster, frame, *_ = interpolated(
        Points(positions, own_crs),
        crs=crs,
        cell_size=cell_size,
        extent=tuple(values["extent"]) if extent is not None else None,
        method=method,
    )
    return _raster(raster, frame)


def _positions(points: Any) -> tuple[npt.NDArray[np.float64], str | None]:
    """Return positions, and the CRS if the points have one."""
    crs_wkt = None
    geometry = getattr(points, "geometry", None)
    if geometry is not None:
        import shapely

        shapes = np.asarray(geometry.array)
        z = shapely.get_z(shapes)
        if np.isnan(z).any() and "elevation" in points.columns:
            z = np.asarray(points["elevation"], dtype=np.float64)
        found = np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes), z])
        crs_wkt = points.crs.to_wkt() if points.crs is not None else None
    else:
        try:
            found = np.asarray(points, dtype=np.float64)
        except (ValueError, TypeError):
            found = np.empty((0, 0))
    if found.ndim != 2 or found.shape[1] != 3 or not len(found) or not np.isfinite(found).all():
        raise InputError(
            Problem(
                "points-shape",
                "the points are no finite positions with elevations",
                "a GeoDataFrame of points with Z or with a column elevation, or an array of shape "
                "(n, 3): easting, northing, elevation",
                "correct them",
            )
        )
    return found, crs_wkt


def _ground(elevation: Raster) -> ElevationRaster:
    from geosite.reading.rasters import ElevationRaster, check_unit

    check_unit(elevation.unit)
    return ElevationRaster(np.asarray(elevation.values), elevation.grid, elevation.frame)


def derive_slope(
    elevation: Raster, *, method: SlopeMethod = "horn", unit: SlopeUnit = "percent"
) -> Sloped:
    """Derive slope and aspect.

    Parameters
    ----------
    elevation
        From `interpolate_elevation`, `read_raster` or a `Site`.
    method
        ``"horn"`` or ``"zevenbergen-thorne"``.
    unit
        Of the slope: ``"percent"``, ``"degree"`` or ``"ratio"``.

    Returns
    -------
    Sloped
        ``slope``, and ``aspect`` in degrees clockwise from grid north.

    Examples
    --------
    >>> import geosite
    >>> plane = [(0, 0, 10), (30, 0, 11.5), (30, 30, 11.5), (0, 30, 10)]
    >>> ground = geosite.interpolate_elevation(plane, crs="EPSG:25832", cell_size=10)
    >>> slope, aspect = geosite.derive_slope(ground)
    >>> float(slope.values[1, 1].round(6)), float(aspect.values[1, 1].round(6))
    (5.0, 270.0)
    """
    from geosite.processes.derive_slope import PROCESS, derived
    from geosite.processes.inputs import checked

    checked(PROCESS, {"elevation": __file__, "method": method, "unit": unit})
    slope, aspect = derived(_ground(elevation), method, unit)
    return Sloped(_raster(slope, elevation.frame), _raster(aspect, elevation.frame))


def derive_drainage(elevation: Raster, *, method: FlowMethod = "d8") -> Drained:
    """Derive which way water runs, where it stands and how much ground drains through each cell.

    Parameters
    ----------
    elevation
        From `interpolate_elevation`, `read_raster` or a `Site`.
    method
        ``"d8"`` or ``"d-infinity"``.

    Returns
    -------
    Drained
        ``direction`` in degrees clockwise from grid north, -1 where water cannot leave;
        ``ponding_depth`` in metres; ``contributing_area`` in square metres.

    Examples
    --------
    >>> import geosite
    >>> plane = [(0, 0, 10), (30, 0, 11.5), (30, 30, 11.5), (0, 30, 10)]
    >>> ground = geosite.interpolate_elevation(plane, crs="EPSG:25832", cell_size=10)
    >>> water = geosite.derive_drainage(ground)
    >>> water.direction.values.tolist()[1]
    [270.0, 270.0, 270.0]
    >>> water.contributing_area.values.tolist()[1]
    [300.0, 200.0, 100.0]
    """
    from geosite.processes.derive_drainage import PROCESS, derived
    from geosite.processes.inputs import checked

    checked(PROCESS, {"elevation": __file__, "method": method})
    made = (_raster(raster, elevation.frame) for raster in derived(_ground(elevation), method))
    return Drained(*made)


def read_raster(path: str | Path) -> Raster:
    """Read an elevation raster from a file on this machine.

    Parameters
    ----------
    path
        GeoTIFF, north up, square cells, in a projected CRS.

    Returns
    -------
    Raster

    Raises
    ------
    InputError
        It cannot be read or worked with.
    """
    from geosite.reading.rasters import read_elevation

    ground = read_elevation(str(path))
    unit = ground.frame.height_band_unit
    return Raster("elevation", ground.values, unit, ground.grid, ground.frame)
