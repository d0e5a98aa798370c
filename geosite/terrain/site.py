"""The ground of one site: from placed marks and drawn features to surface, slope and drainage."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code
from geosite.linework.model import Drawing, Feature
from geosite.linework.on_map import to_map_geometry
from geosite.network.covariance import sigma_vertical
from geosite.network.levels import level_covariance
from geosite.network.model import Network
from geosite.reading.toml_lines import line_of
from geosite.terrain.contour import Contour, contours
from geosite.terrain.ground import Ground, ground_between
from geosite.terrain.slope import Slope, slope
from geosite.terrain.surface.model import Surface, elevation_surface, grid_over
from geosite.terrain.water.barriers import cells_in, cells_of_points, walls_along
from geosite.terrain.water.descent import INLET, NODATA, Index, Mask, Raster
from geosite.terrain.water.drainage import Drainage, drain
from geosite.terrain.water.falls import (
    FallFromBuilding,
    FlatPaving,
    fall_findings,
    falls_from_building,
    flat_paving,
    flat_paving_findings,
    pond_findings,
    slope_classes,
)
from geosite.terrain.water.flow import Arrows, Catchment, arrows, catchments, flow_paths
from geosite.terrain.water.ponding import Pond, find_ponds

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["SLOPE_BREAKS_PERCENT", "FlowPath", "Terrain", "Water", "lay_ground", "z_factor"]

SLOPE_BREAKS_PERCENT = (1.0, 2.0, 5.0, 8.33, 12.5, 20.0)
"""Limits of the slope classes per feature: flat, drains, walk, ramp, steep, very steep."""

_Wanted = Callable[[Code], bool]

_ARROWS_ACROSS = 18
"""Arrows along the longer side of the site where no spacing is given."""

_LEAST_POND_M = 1e-4
"""No shallower hollow is told: the last digits of an elevation make some of 1e-7 m on any plane."""


@dataclass(frozen=True, eq=False)
class FlowPath:
    """The way of water from one start. `line` is a LineStringZ in map coordinates."""

    start: str
    line: BaseGeometry


@dataclass(frozen=True, eq=False)
class Water:
    """Where water goes. Arrays have shape (rows, cols).

    Parameters
    ----------
    drainage
        Directions, ponding and contributing area, around the buildings.
    pond, ponds
        Number of the pond in each cell, 0 for none; the ponds.
    catchment, catchments
        Number of the catchment in each cell; the catchments.
    inlets
        Names of inlet 1, 2, ... of the catchments.
    paths
        From the marks and features that the site file names.
    arrows
        One per coarse cell.
    confidence
        Share of perturbed surfaces that agree with the direction; None if not asked for.
    """

    drainage: Drainage
    pond: Index
    ponds: tuple[Pond, ...]
    catchment: Index
    catchments: tuple[Catchment, ...]
    inlets: tuple[str, ...]
    paths: tuple[FlowPath, ...]
    arrows: Arrows
    confidence: npt.NDArray[np.float32] | None


@dataclass(frozen=True, eq=False)
class Terrain:
    """The ground of one site. Arrays have shape (rows, cols), row 0 in the north.

    Parameters
    ----------
    grid
        Map units.
    rows : array
        Observations that are on the ground.
    ground
        The triangles between them and how far the ground may lie from them, local grid metres.
    surface
        The elevation model, map and elevation units, buildings filled in.
    elevation, sigma : array
        Elevation units, NaN outside the data and under buildings.
    slope
        Of the surface.
    buildings : array of bool
        Cells under buildings.
    water
        Where it goes.
    contours
        Lines of equal elevation.
    numbers, classes : array
        Number of the area in each cell, from 1, in the order of `areas`, the innermost on top; and
        cells per area and slope class (`SLOPE_BREAKS_PERCENT`).
    areas
        Names of the areas that `numbers` counts.
    falls, paving
        Checked against ``[drainage]``.
    findings
        What to look at.
    """

    grid: Grid
    rows: Ints
    ground: Ground
    surface: Surface
    elevation: Floats
    sigma: Floats
    slope: Slope
    buildings: Mask
    water: Water
    contours: tuple[Contour, ...]
    numbers: Index
    classes: npt.NDArray[np.int64]
    areas: tuple[str, ...]
    falls: tuple[FallFromBuilding, ...]
    paving: tuple[FlatPaving, ...]
    findings: tuple[Finding, ...] = ()


def z_factor(frame: Frame) -> float:
    """Return map units per elevation unit."""
    return frame.height_unit_m / frame.unit_m


def lay_ground(notes: Notes, network: Network, drawing: Drawing) -> Terrain | None:
    """Interpolate the surface and derive slope, drainage, contours and what to look at.

    Returns
    -------
    Terrain or None
        None where fewer than three marks, or only marks on one line, are on the ground.

    Raises
    ------
    InputError
        ``[surface]`` asks for a raster that is too large, or for too many contours.
    """
    frame, table = network.frame, notes.site.surface
    rows = _on_ground(notes, drawing)
    places = np.column_stack([frame.to_map(network.en[rows]), network.elevation[rows]])
    places[:, 2] /= frame.height_unit_m
    if _span_no_area(places):
        return None
    with notes.asked("surface", "cell_size"):
        grid = grid_over(places, table.cell_size)
    shapes = {f.name: to_map_geometry(f.geometry, frame) for f in drawing.features}
    kinds = _ByCode(drawing, notes.site.codes, shapes)
    per_unit = frame.height_unit_m**-2
    surface = elevation_surface(
        places,
        grid,
        method=table.method,
        sigma=sigma_vertical(network)[rows] / frame.height_unit_m,
        covariance=lambda i, j: level_covariance(network, rows[i], rows[j]) * per_unit,
        breaklines=[
            shapely.get_coordinates(part, include_z=True)
            for shape in kinds.shapes(lambda code: code.breakline)
            for part in shapely.get_parts(_edges(shape))
        ],
        scores=table.scores,
        names=_names(notes, rows),
        unit=_symbol(frame),
    )
    steepness = slope(
        surface.z, grid.cell_size, z_factor=z_factor(frame), method=table.slope_method
    )
    buildings = cells_in(kinds.areas(lambda code: code.building), grid)
    sigma, relative = _sigmas(surface, network, rows)
    water, lost = _water(notes, network, kinds, surface, steepness, buildings, relative, rows)
    bare = np.where(buildings, np.nan, surface.z)
    numbers, areas = _numbers(drawing, shapes, grid)
    percent = steepness.steepness("percent")
    falls, unseen = _falls(notes, frame, kinds, bare, grid, relative)
    paving = _paving(notes, frame, drawing, percent, numbers, areas, grid)
    findings = (
        *surface.findings,
        *lost,
        *fall_findings(falls),
        *unseen,
        *flat_paving_findings(paving),
        *pond_findings(
            water.ponds, grid, map_unit_m=frame.ground_unit_m, height_unit_m=frame.height_unit_m
        ),
    )
    local = surface.tin.points.copy()
    local[:, :2] = frame.to_local(surface.tin.points[:, :2])
    local[:, 2] *= frame.height_unit_m
    with notes.asked("surface", "contour_interval"):
        lines = contours(bare, grid, table.contour_interval, index_every=table.index_every)
    return Terrain(
        grid=grid,
        rows=rows,
        ground=ground_between(network, rows, replace(surface.tin, points=local), seed=_seed(notes)),
        surface=surface,
        elevation=bare,
        sigma=np.where(buildings, np.nan, sigma),
        slope=steepness,
        buildings=buildings,
        water=water,
        contours=lines,
        numbers=numbers,
        classes=slope_classes(percent, numbers, len(areas), SLOPE_BREAKS_PERCENT),
        areas=areas,
        falls=falls,
        paving=paving,
        findings=findings,
    )


@dataclass(frozen=True, eq=False)
class _ByCode:
    """Features with the meaning of their code, and their shapes on the map."""

    drawing: Drawing
    codes: dict[str, Code]
    placed: dict[str, BaseGeometry]

    def features(self, wanted: _Wanted) -> Iterator[Feature]:
        for feature in self.drawing.features:
            code = self.codes.get(feature.code)
            if code is not None and wanted(code):
                yield feature

    def shapes(self, wanted: _Wanted) -> list[BaseGeometry]:
        return [self.placed[f.name] for f in self.features(wanted)]

    def areas(self, wanted: _Wanted) -> list[BaseGeometry]:
        return [shape for shape in self.shapes(wanted) if "Polygon" in shape.geom_type]


def _edges(shape: BaseGeometry) -> BaseGeometry:
    return shape.boundary if "Polygon" in shape.geom_type else shape


def _symbol(frame: Frame) -> str:
    return "m" if frame.height_unit_m == 1.0 else "ft"


def _names(notes: Notes, rows: Ints) -> list[str]:
    book = notes.book
    return [book.marks[book.mark[r]] if book.mark[r] >= 0 else f"line {book.line[r]}" for r in rows]


def _span_no_area(places: Floats) -> bool:
    apart = places[:, :2] - places[:1, :2] if len(places) else places
    reach = float(np.abs(apart).max(initial=0.0))
    hull = shapely.convex_hull(shapely.MultiPoint(apart[:, :2]))
    # thinner than a millionth of its length is a line that rounding has bent
    return bool(shapely.area(hull) <= 1e-6 * reach**2)


def _seed(notes: Notes) -> int:
    """Return a number that hangs on what was walked alone, so that the same notes draw the same."""
    return zlib.crc32(np.ascontiguousarray(notes.book.local).tobytes()) ^ notes.site.drainage.seed


def _on_ground(notes: Notes, drawing: Drawing) -> Ints:
    """Return the observations that are on the ground."""
    site, book = notes.site, notes.book
    off = set(site.surface.exclude)
    above = {
        f.name
        for f in drawing.features
        if f.name in off or (f.code in site.codes and not site.codes[f.code].ground)
    }
    lifted = np.array([name in above for name in book.features] + [False])
    kept: Ints = np.flatnonzero(~lifted[book.feature])
    return kept


def _sigmas(surface: Surface, network: Network, rows: Ints) -> tuple[Floats, Floats]:
    """Return each cell's standard deviation on the map and against its surroundings, its unit.

    What the anchor and the drift add lifts a hollow and its rim alike; only what neighbours do not
    share can make a hollow where there is none.
    """
    from geosite.terrain.surface.uncertainty import elevation_sigma, interpolation_rate

    per_unit = network.frame.height_unit_m**-2
    rate = interpolation_rate(surface) or 0.0
    on_map = elevation_sigma(
        surface, lambda i, j: level_covariance(network, rows[i], rows[j]) * per_unit, rate
    )
    return on_map, elevation_sigma(replace(surface, sigma=surface.noise), rate=rate)


def _water(
    notes: Notes,
    network: Network,
    kinds: _ByCode,
    surface: Surface,
    steepness: Slope,
    buildings: Mask,
    relative: Floats,
    rows: Ints,
) -> tuple[Water, tuple[Finding, ...]]:
    table, grid = notes.site.drainage, surface.grid
    inlets, inlet_names = _inlets(kinds, grid)
    barred = kinds.shapes(lambda code: code.barrier) + kinds.areas(lambda code: code.building)
    walls = walls_along([_edges(shape) for shape in barred], grid) if barred else None
    drainage = drain(
        surface.z,
        grid.cell_size,
        method=table.method,
        inlets=inlets > 0,
        barriers=buildings,
        walls=walls,
    )
    least = _LEAST_POND_M / network.frame.height_unit_m
    pond, ponds = find_ponds(drainage, relative, minimum_depth=least)
    catchment, found = catchments(drainage, inlets)
    span = max(grid.rows, grid.cols)
    spacing = table.arrow_spacing or span * grid.cell_size / _ARROWS_ACROSS
    every = max(1, round(spacing / grid.cell_size))
    confidence = None
    if table.confidence_runs:
        confidence = _confidence(notes, network, surface, drainage, inlets > 0, buildings, rows)
    paths, lost = _paths(notes, network, kinds, drainage, grid)
    taking = set(np.unique(inlets[drainage.direction == INLET]).tolist())
    lost += tuple(
        _not_on_ground(
            notes,
            name,
            "inlet-no-ground",
            f"The inlet {name} takes no water: it lies outside the ground between the marks, right "
            "on its edge, in a building or on another inlet. Walk marks round it.",
        )
        for number, name in enumerate(inlet_names, start=1)
        if number not in taking
    )
    water = Water(
        drainage,
        pond,
        ponds,
        catchment,
        found,
        inlet_names,
        paths,
        arrows(drainage, steepness, grid, every),
        confidence,
    )
    return water, lost


def _inlets(kinds: _ByCode, grid: Grid) -> tuple[Index, tuple[str, ...]]:
    """Return the number of the inlet in each cell, 0 elsewhere, and the inlets' names."""
    numbers = np.zeros(grid.shape, np.int32)
    names = []
    for feature in kinds.features(lambda code: code.inlet):
        shape = kinds.placed[feature.name]
        names.append(feature.name)
        if "Point" in shape.geom_type:
            row, col = cells_of_points(shapely.get_coordinates(shape), grid)
            met = row >= 0
            numbers[row[met], col[met]] = len(names)
        else:  # a channel takes water along all of its length
            numbers[cells_in([shape], grid, touched=True)] = len(names)
    return numbers, tuple(names)


def _not_on_ground(notes: Notes, feature: str, code: str, text: str) -> Finding:
    book = notes.book
    rows = np.flatnonzero(book.feature == book.features.index(feature))
    return Finding("look", code, text, book.file, int(book.line[rows[0]]))


def _paths(
    notes: Notes, network: Network, kinds: _ByCode, drainage: Drainage, grid: Grid
) -> tuple[tuple[FlowPath, ...], tuple[Finding, ...]]:
    """Return the ways of water from what the site file names, and a word where there is none."""
    book = notes.book
    found, lost = [], []
    for number, name in enumerate(notes.site.drainage.flow_paths_from):
        if name in kinds.placed:
            places = shapely.get_coordinates(kinds.placed[name])
        else:
            row = int(np.flatnonzero(book.mark == book.marks.index(name))[0])
            places = network.frame.to_map(network.en[row : row + 1])
        row_of, col_of = cells_of_points(places, grid)
        starts = [(int(r), int(c)) for r, c in zip(row_of, col_of, strict=True) if r >= 0]
        lines = flow_paths(drainage, grid, starts)
        found += [FlowPath(name, line) for line in lines]
        if lines:
            continue
        if any(drainage.direction[start] != NODATA for start in starts):
            why = "there the water is at its end already: in an inlet or in a hollow"
        else:
            why = "it lies outside the ground between the marks, right on its edge or in a building"
        lost.append(
            Finding(
                "look",
                "flow-path-no-start",
                f"No flow path from {name}: {why}. Name a mark or a feature on open ground further "
                "in, or take the name out.",
                notes.site_file,
                line_of(notes.site_lines, ("drainage", "flow_paths_from", number)),
            )
        )
    return tuple(found), tuple(lost)


def _confidence(
    notes: Notes,
    network: Network,
    surface: Surface,
    drainage: Drainage,
    inlets: Mask,
    buildings: Mask,
    rows: Ints,
) -> npt.NDArray[np.float32]:
    import os

    from geosite.terrain.surface.uncertainty import draw_elevations, perturbations
    from geosite.terrain.water.confidence import drainage_confidence

    table, unit = notes.site.drainage, network.frame.height_unit_m
    perturb = perturbations(surface, lambda rng: draw_elevations(network, rng)[rows] / unit)
    return drainage_confidence(
        surface.z,
        surface.grid.cell_size,
        perturb,
        table.confidence_runs,
        seed=table.seed,
        workers=os.cpu_count() or 1,
        method=table.method,
        inlets=inlets,
        barriers=buildings,
        walls=drainage.walls,
    )


def _numbers(
    drawing: Drawing, shapes: dict[str, BaseGeometry], grid: Grid
) -> tuple[Index, tuple[str, ...]]:
    """Return the number of the innermost area in each cell, and the areas' names."""
    numbers = np.zeros(grid.shape, np.int32)
    areas = [f for f in drawing.features if f.kind == "area"]
    order = sorted(range(len(areas)), key=lambda k: -shapes[areas[k].name].area)
    for k in order:
        numbers[cells_in([shapes[areas[k].name]], grid)] = k + 1
    return numbers, tuple(f.name for f in areas)


def _falls(
    notes: Notes,
    frame: Frame,
    kinds: _ByCode,
    bare: Floats,
    grid: Grid,
    relative: Floats,
) -> tuple[tuple[FallFromBuilding, ...], tuple[Finding, ...]]:
    table = notes.site.drainage
    paved = cells_in(kinds.areas(lambda code: code.paved), grid)
    found = {
        feature.name: falls_from_building(
            feature.name,
            shapely.force_2d(kinds.placed[feature.name]),
            bare,
            grid,
            map_unit_m=frame.ground_unit_m,
            height_unit_m=frame.height_unit_m,
            distance_m=table.fall_distance,
            limit_percent=table.fall_from_building_percent,
            paved_percent=table.fall_from_building_paved_percent,
            paved=paved,
            sigma=relative,
        )
        for feature in kinds.features(lambda code: code.building)
        if feature.kind == "area"
    }
    unseen = tuple(
        _not_on_ground(
            notes,
            name,
            "fall-from-building-unknown",
            f"{name}: whether the ground falls away from it is not known, for no ground was "
            f"surveyed before its walls. Walk marks {table.fall_distance:.2f} m from them.",
        )
        for name, fall in found.items()
        if fall is None
    )
    return tuple(fall for fall in found.values() if fall is not None), unseen


def _paving(
    notes: Notes,
    frame: Frame,
    drawing: Drawing,
    percent: Raster,
    numbers: Index,
    areas: Sequence[str],
    grid: Grid,
) -> tuple[FlatPaving, ...]:
    codes = notes.site.codes
    paved = {f.name for f in drawing.features if f.code in codes and codes[f.code].paved}
    names = [name for name in areas if name in paved]
    renumbered = np.zeros(len(areas) + 1, np.int32)
    for k, name in enumerate(names, start=1):
        renumbered[list(areas).index(name) + 1] = k
    return flat_paving(
        percent,
        renumbered[numbers],
        names,
        grid,
        minimum_percent=notes.site.drainage.minimum_paved_fall_percent,
        map_unit_m=frame.ground_unit_m,
    )
