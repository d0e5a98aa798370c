"""The surface of one site, before any water: grid, features, triangles, slope."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.covariance import level_covariance, sigma_vertical
from geosite.network.model import Network
from geosite.terrain.features import GroundFeatures, ground_features, rows_on_ground, spans_area
from geosite.terrain.slope import Slope, slope
from geosite.terrain.surface.border_gaps import without_gaps
from geosite.terrain.surface.cell_grid import grid_over
from geosite.terrain.surface.model import Surface, surface_over, triangulate_points
from geosite.terrain.uncertainty.ground import Ground, ground_between
from geosite.terrain.uncertainty.rasters import RealisedRasters
from geosite.terrain.water.descent import Mask

__all__ = ["GriddedMarks", "SiteGround", "grid_over_marks", "site_ground"]


@dataclass(frozen=True, eq=False)
class GriddedMarks:
    """Marks on the ground, and the cells over them.

    Parameters
    ----------
    rows : array, shape (n,)
        Observations that are on the ground.
    marks : array, shape (n, 3), local grid metres and metres
    grid
        In map units.
    """

    rows: Ints
    marks: Floats
    grid: Grid


@dataclass(frozen=True, eq=False)
class SiteGround:
    """The surface of one site and what lies on it. Arrays have shape (rows, cols).

    Parameters
    ----------
    notes, network
    features
        What the drawn features mean to the ground.
    grid, local
        Where the cells are on the map, in its unit, and in local grid metres.
    rows : array
        Observations that are on the ground.
    surface
        The elevation model, metres, buildings filled in.
    ground
        The triangles and how far the ground may lie from them.
    slope
        Of the surface.
    buildings : array of bool
        Cells under buildings.
    realised
        The surface as it may be as well: of a small site each is made once, whoever asks.
    """

    notes: Notes
    network: Network
    features: GroundFeatures
    grid: Grid
    local: Grid
    rows: Ints
    surface: Surface
    ground: Ground
    slope: Slope
    buildings: Mask
    realised: RealisedRasters

    @property
    def frame(self) -> Frame:
        """The map."""
        return self.network.frame

    @property
    def ground_m(self) -> float:
        """Metres on the ground per grid metre."""
        return 1.0 / self.frame.combined_factor

    @property
    def cell_m2(self) -> float:
        """Area of a cell on the ground."""
        return (self.local.cell_size * self.ground_m) ** 2

    @property
    def bare(self) -> Floats:
        """Elevation without the ground under buildings, metres."""
        return np.where(self.buildings, np.nan, self.surface.z)

    @property
    def unit(self) -> str:
        """Symbol of the elevation unit."""
        return self.frame.height_symbol

    def place(self, row: int, col: int) -> tuple[float, float]:
        """Return map easting and northing of a cell's centre."""
        size = self.grid.cell_size
        return self.grid.west + (col + 0.5) * size, self.grid.north - (row + 0.5) * size

    def names(self) -> list[str]:
        """Return what the points of the surface are called: by mark, or by line of the notes."""
        book = self.notes.book
        return [
            book.marks[book.mark[r]] if book.mark[r] >= 0 else f"line {book.line[r]}"
            for r in self.rows
        ]


def grid_over_marks(notes: Notes, network: Network, drawing: Drawing) -> GriddedMarks | None:
    """Lay cells over the marks that are on the ground.

    Returns
    -------
    GriddedMarks or None
        None where fewer than three marks, or only marks on one line, are on the ground.

    Raises
    ------
    InputError
        ``[surface]`` asks for a raster that is too large.
    """
    rows = rows_on_ground(notes, drawing)
    marks = np.column_stack([network.en[rows], network.elevation[rows]])
    if not spans_area(marks):
        return None
    with notes.asked("surface", "cell_size"):
        grid = grid_over(network.frame.to_map(marks), notes.site.surface.cell_size)
    return GriddedMarks(rows, marks, grid)


def site_ground(notes: Notes, network: Network, drawing: Drawing) -> SiteGround | None:
    """Interpolate the surface of a site.

    Returns
    -------
    SiteGround or None
        None where fewer than three marks, or only marks on one line, are on the ground.

    Raises
    ------
    InputError
        ``[surface]`` asks for a raster that is too large, or for cells that are.
    """
    gridded = grid_over_marks(notes, network, drawing)
    if gridded is None:
        return None
    frame, table = network.frame, notes.site.surface
    rows, marks, grid = gridded.rows, gridded.marks, gridded.grid
    west, north = (float(v) for v in frame.to_local((grid.west, grid.north)))
    local = Grid(west, north, grid.cell_size * frame.unit_m, grid.rows, grid.cols)
    features = ground_features(notes, drawing)
    triangulated = triangulate_points(
        marks, sigma=sigma_vertical(network.relative)[rows], breaklines=features.breaklines()
    )
    tin = without_gaps(triangulated.tin, features.drawn_lines())
    surface = surface_over(
        replace(triangulated, tin=tin),
        local,
        method=table.method,
        covariance=lambda i, j: level_covariance(network, rows[i], rows[j]),
        scores=table.scores,
    )
    _refuse_without_cells(notes, grid, surface.z)
    draws = _affordable(notes.site.drainage.confidence_runs, local)
    # a number at a few places costs little: its grounds are drawn where no raster's are
    draws = draws or _DRAWS_AT_PLACES
    if not network.accuracy_known:
        draws = 0  # nothing tells which grounds are possible
    ground = ground_between(
        network,
        rows,
        tin,
        buildings=features.building_areas(),
        draws=draws,
        seed=_seed(notes),
    )
    return SiteGround(
        notes=notes,
        network=network,
        features=features,
        grid=grid,
        local=local,
        rows=rows,
        surface=surface,
        ground=ground,
        slope=slope(surface.z, local.cell_size, method=table.slope_method),
        buildings=features.buildings(local),
        realised=RealisedRasters(ground, local, surface.z),
    )


def _refuse_without_cells(notes: Notes, grid: Grid, z: Floats) -> None:
    """Refuse cells so large that the middle of none lies on the ground between the marks."""
    if notes.site.surface.cell_size is None or np.isfinite(z).any():
        return
    with notes.asked("surface", "cell_size"):
        raise InputError(
            Problem(
                "cell-size-too-large",
                f"of cells of {grid.cell_size:g} none has its middle on the ground between the"
                " marks",
                "cells much smaller than the site",
                "use a smaller cell size, or leave it out",
            )
        )


_MOST_CELLS_DRAINED = 40_000_000
_LEAST_DRAWS = 50
_DRAWS_AT_PLACES = 200


def _affordable(asked: int, grid: Grid) -> int:
    """Return how many possible grounds are drained: fewer of a large raster, but not too few."""
    return min(asked, max(_LEAST_DRAWS, _MOST_CELLS_DRAINED // (grid.rows * grid.cols)))


def _seed(notes: Notes) -> int:
    """Return a seed from the walked coordinates, so that the same notes give the same draws."""
    return zlib.crc32(np.ascontiguousarray(notes.book.local).tobytes()) ^ notes.site.drainage.seed
