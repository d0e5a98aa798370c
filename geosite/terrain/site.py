"""The ground of one site: from placed marks and drawn features to surface, slope and drainage."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from geosite.errors import Finding
from geosite.fieldbook.model import Floats, Ints, Notes
from geosite.linework.model import Drawing
from geosite.linework.on_map import to_map_geometry
from geosite.network.model import Frame, Network
from geosite.terrain.drainage import Drainage, drain
from geosite.terrain.model import Grid
from geosite.terrain.slope import Slope, slope
from geosite.terrain.surface import grid_over
from geosite.terrain.tin import Tin, rasterise, triangulate

__all__ = ["Terrain", "lay_ground", "z_factor"]


@dataclass(frozen=True, eq=False)
class Terrain:
    """The ground of one site. Arrays have shape (rows, cols), row 0 in the north.

    Parameters
    ----------
    grid
        Map units.
    rows : array
        Observations that are on the ground.
    tin
        Triangles between them, local grid metres and metres.
    elevation : array
        Elevation units, NaN outside the data.
    cut : array of bool
        Cells of the elevation that are covered by a building.
    slope, drainage
        Derived from `elevation`, over the buildings and around them.
    findings
        What to look at.
    """

    grid: Grid
    rows: Ints
    tin: Tin
    elevation: Floats
    cut: npt.NDArray[np.bool_]
    slope: Slope
    drainage: Drainage
    findings: tuple[Finding, ...] = ()


def z_factor(frame: Frame) -> float:
    """Return map units per elevation unit."""
    return frame.height_unit_m / frame.unit_m


def lay_ground(notes: Notes, network: Network, drawing: Drawing) -> Terrain | None:
    """Interpolate the surface and derive slope and drainage.

    Returns
    -------
    Terrain or None
        None where fewer than three marks, or only marks on one line, are on the ground.
    """
    frame, table = network.frame, notes.site.surface
    rows = _on_ground(notes, drawing)
    places = np.column_stack([frame.to_map(network.en[rows]), network.elevation[rows]])
    places[:, 2] /= frame.height_unit_m
    tin = triangulate(places)
    grid = grid_over(places, table.cell_size)
    elevation = rasterise(tin, grid)
    derived = slope(elevation, grid.cell_size, z_factor=z_factor(frame), method=table.slope_method)
    codes = notes.site.codes
    buildings = _cells(drawing, frame, grid, (c for c, code in codes.items() if code.building))
    inlets = _cells(drawing, frame, grid, (c for c, code in codes.items() if code.inlet))
    drainage = drain(elevation, grid.cell_size, inlets=inlets, barriers=buildings)
    local = tin.points.copy()
    local[:, :2] = frame.to_local(tin.points[:, :2])
    local[:, 2] *= frame.height_unit_m
    return Terrain(
        grid,
        rows,
        replace(tin, points=local),
        elevation,
        buildings,
        derived,
        drainage,
    )


def _on_ground(notes: Notes, drawing: Drawing) -> Ints:
    """Return the observations that are on the ground."""
    site = notes.site
    off = set(site.surface.exclude)
    above = {
        f.name
        for f in drawing.features
        if f.name in off or (f.code in site.codes and not site.codes[f.code].ground)
    }
    book = notes.book
    lifted = np.array([name in above for name in book.features] + [False])
    kept: Ints = np.flatnonzero(~lifted[book.feature])
    return kept


def _cells(
    drawing: Drawing, frame: Frame, grid: Grid, codes: Iterable[str]
) -> npt.NDArray[np.bool_]:
    """Return the cells whose centre lies in an area, or that hold a point, of certain codes."""
    covered = np.zeros(grid.shape, np.bool_)
    wanted = set(codes)
    east, north = grid.centres()
    for feature in drawing.features:
        if feature.code not in wanted:
            continue
        shape = shapely.force_2d(to_map_geometry(feature.geometry, frame))
        west, south, far_east, far_north = shape.bounds
        c0, c1 = np.searchsorted(east, [west, far_east])
        r0, r1 = np.searchsorted(-north, [-far_north, -south])
        if feature.kind == "area":
            shapely.prepare(shape)
            across, along = np.meshgrid(east[c0:c1], north[r0:r1])
            covered[r0:r1, c0:c1] |= shapely.contains_xy(shape, across, along)
        else:
            places = shapely.get_coordinates(shape)
            col = np.floor((places[:, 0] - grid.west) / grid.cell_size).astype(np.int64)
            row = np.floor((grid.north - places[:, 1]) / grid.cell_size).astype(np.int64)
            met = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
            covered[row[met], col[met]] = True
    return covered
