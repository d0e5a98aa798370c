"""The drainage of one site: flow, ponds, catchments, falls from buildings, with intervals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.base.shared_work import processors
from geosite.network.covariance import covariance
from geosite.terrain.site_ground import SiteGround
from geosite.terrain.water.barriers import cells_of_points
from geosite.terrain.water.descent import INLET, NODATA, Index
from geosite.terrain.water.drainage import Drainage, drain
from geosite.terrain.water.falls_from_buildings import (
    FallFromBuilding,
    LeastFalls,
    WallProfiles,
    fall_from_building,
    flat_paving,
    wall_profiles,
)
from geosite.terrain.water.flow import Arrows, arrows, catchments, flow_paths
from geosite.terrain.water.ponding import Pond, find_ponds
from geosite.terrain.water.realised_drainage import (
    DrainageReference,
    RealisedDrainage,
    drain_realisations,
)
from geosite.terrain.water.water_estimates import (
    CatchmentEstimate,
    FallEstimate,
    PavingEstimate,
    PondEstimate,
    estimate_catchments,
    estimate_fall,
    estimate_paving,
    estimate_ponds,
    interval_of,
)

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["SLOPE_BREAKS_PERCENT", "FlowPath", "NoFlowPath", "Water", "site_water"]

SLOPE_BREAKS_PERCENT = (1.0, 2.0, 5.0, 8.33, 12.5, 20.0)
"""Limits of the slope classes per feature: flat, drains, walk, ramp, steep, very steep."""

_ARROWS_ACROSS = 18
"""Arrows along the longer side of the site where no spacing is given."""

_MANY_PONDS = 100
_DRAWS_OF_MANY = 50
"""Nobody reads the interval of each of more ponds: then so many grounds are drained, no more."""

_LEAST_POND_M = 1e-4
"""Shallower ponds are left out: rounding of elevations makes some of 1e-7 m on any plane."""


@dataclass(frozen=True, eq=False)
class FlowPath:
    """The flow path from one start.

    Parameters
    ----------
    start
        Name of the mark or feature.
    cell
        Row and column of the cell it begins in.
    line
        LineStringZ through the centres of cells, local grid metres and metres.
    length_m, fall_m
        On the ground, and of the water's surface.
    """

    start: str
    cell: tuple[int, int]
    line: BaseGeometry
    length_m: Estimate
    fall_m: Estimate


@dataclass(frozen=True, slots=True)
class NoFlowPath:
    """A start without a flow path: its place in the site file's list, its name, and why.

    `why` is ``"ended"`` where the water is at its end already, ``"no-ground"`` where there is none.
    """

    number: int
    start: str
    why: Literal["ended", "no-ground"]


@dataclass(frozen=True, eq=False)
class Water:
    """The drainage of a site. Arrays have shape (rows, cols), lengths are in local grid metres.

    Parameters
    ----------
    drainage
        Flow directions, ponding and contributing area, around the buildings.
    pond, ponds
        Number of the pond in each cell, 0 for none; the ponds.
    catchment, catchments
        Number of the catchment in each cell; the catchments.
    inlets, dry_inlets
        Names of inlet 1, 2, ...; those of them that take no water.
    paths, lost_paths
        From the marks and features that the site file names, and those without a path.
    arrows
        One per block of cells.
    falls, unseen_buildings
        Falls from buildings; names of the buildings before whose walls no ground is known.
    paving
        Flat paved ground.
    areas : array of int
        Number of the innermost area in each cell, from 1, in the order of `area_names`.
    area_names
    reference
        What is counted on possible grounds.
    realised
        What was counted; None where no possible grounds were drained.
    """

    drainage: Drainage
    pond: Index
    ponds: tuple[PondEstimate, ...]
    catchment: Index
    catchments: tuple[CatchmentEstimate, ...]
    inlets: tuple[str, ...]
    dry_inlets: tuple[str, ...]
    paths: tuple[FlowPath, ...]
    lost_paths: tuple[NoFlowPath, ...]
    arrows: Arrows
    falls: tuple[FallEstimate, ...]
    unseen_buildings: tuple[str, ...]
    paving: tuple[PavingEstimate, ...]
    areas: Index
    area_names: tuple[str, ...]
    reference: DrainageReference
    realised: RealisedDrainage | None


def site_water(site: SiteGround, stack: Callable[[range], Floats] | None = None) -> Water:
    """Drain the surface of a site, and as many possible ones as were asked for.

    Parameters
    ----------
    site
    stack
        Of a designed ground: gives some of the possible surfaces, shape (draws, rows, cols),
        metres. Of these neither areas by their slope nor shares by cell are asked. Without it those
        that agree with what was measured.
    """
    table, grid = site.notes.site.drainage, site.local
    inlets, inlet_names = site.features.inlets(grid)
    relief = site.features.relief(grid)
    drainage = drain(
        site.surface.z if relief is None else site.surface.z + relief,
        grid.cell_size,
        method=table.method,
        inlets=inlets > 0,
        barriers=site.buildings,
        walls=site.features.walls(grid),
    )
    pond, ponds = find_ponds(drainage, minimum_depth=_LEAST_POND_M)
    catchment, found = catchments(drainage, inlets)
    areas, names = site.features.numbered_areas(grid)
    if stack is not None:
        areas, names = np.zeros_like(areas), ()
    profiles, unseen = _profiles(site)
    traced, unstarted = _traced_paths(site, drainage)
    outlet = catchment.copy()
    for one in found:
        if one.inlet:
            outlet[inlets == one.inlet] = one.number
    reference = DrainageReference(
        drainage=drainage,
        method=table.method,
        inlets=inlets,
        buildings=site.buildings,
        pond=pond,
        ponds=len(ponds),
        outlet=outlet,
        catchments=len(found),
        areas=areas,
        area_count=len(names),
        breaks_percent=SLOPE_BREAKS_PERCENT,
        flat_percent=table.minimum_paved_fall_percent,
        slope_method=site.notes.site.surface.slope_method,
        profiles=profiles,
        starts=tuple(cell for _, cell, _ in traced),
        by_cell=stack is None,
    )
    realised = _realised(site, reference, stack, relief)
    taking = set(np.unique(inlets[drainage.direction == INLET]).tolist())
    return Water(
        drainage=drainage,
        pond=pond,
        ponds=estimate_ponds(
            ponds, realised, cell_m2=site.cell_m2, spills_apart_m=_spills_apart(site, ponds)
        ),
        catchment=catchment,
        catchments=estimate_catchments(found, realised, cell_m2=site.cell_m2),
        inlets=inlet_names,
        dry_inlets=tuple(n for k, n in enumerate(inlet_names, start=1) if k not in taking),
        paths=_paths(site, traced, realised),
        lost_paths=unstarted,
        arrows=_arrows(site, drainage),
        falls=_falls(site, profiles, realised),
        unseen_buildings=unseen,
        paving=_paving(site, areas, names, realised),
        areas=areas,
        area_names=names,
        reference=reference,
        realised=realised,
    )


def _spills_apart(site: SiteGround, ponds: Sequence[Pond]) -> list[float]:
    """Return how far from the nearest mark each pond spills, metres on the ground."""
    if not ponds:
        return []
    east, north = site.local.centres()
    rows, cols = np.array([(pond.spill_row, pond.spill_col) for pond in ponds]).T
    places = shapely.points(np.column_stack([east[cols], north[rows]]))
    marks = shapely.STRtree(np.asarray(shapely.points(site.ground.tin.points[:, :2])))
    _, apart = marks.query_nearest(places, return_distance=True, all_matches=False)
    return [float(metres) * site.ground_m for metres in apart]


def _realised(
    site: SiteGround,
    reference: DrainageReference,
    stack: Callable[[range], Floats] | None,
    relief: Floats | None,
) -> RealisedDrainage | None:
    if not (site.notes.site.drainage.confidence_runs and site.ground.draws):
        return None
    if stack is None:
        stack = site.realised.stack
    drawn = stack
    if relief is not None:

        def drawn(draws: range) -> Floats:
            return stack(draws) + relief

    draws = site.ground.draws
    if reference.ponds > _MANY_PONDS:
        draws = min(draws, _DRAWS_OF_MANY)
    return drain_realisations(reference, drawn, draws, workers=processors())


def _arrows(site: SiteGround, drainage: Drainage) -> Arrows:
    grid, spacing = site.grid, site.notes.site.drainage.arrow_spacing
    if spacing is None:
        spacing = max(grid.rows, grid.cols) * grid.cell_size / _ARROWS_ACROSS
    block = max(1, round(spacing / grid.cell_size))
    found = arrows(drainage, site.slope, site.local, block)
    places = np.column_stack([found.easting, found.northing])
    return replace(found, measured=site.ground.measured(places))


_TracedPath = tuple[str, tuple[int, int], "BaseGeometry"]
"""Start, its cell, and the line."""


def _traced_paths(
    site: SiteGround, drainage: Drainage
) -> tuple[tuple[_TracedPath, ...], tuple[NoFlowPath, ...]]:
    """Return the flow paths from what the site file names, and the starts that have none."""
    book, grid = site.notes.book, site.local
    found, lost = [], []
    for number, name in enumerate(site.notes.site.drainage.flow_paths_from):
        if name in site.features.shapes:
            starts_of = shapely.get_coordinates(site.features.shapes[name])
        else:
            row = int(np.flatnonzero(book.mark == book.marks.index(name))[0])
            starts_of = site.network.en[row : row + 1]
        row_of, col_of = cells_of_points(starts_of, grid)
        starts = [(int(r), int(c)) for r, c in zip(row_of, col_of, strict=True) if r >= 0]
        lines = flow_paths(drainage, grid, starts)
        for line in lines:
            begin_row, begin_col = cells_of_points(shapely.get_coordinates(line)[:1], grid)
            found.append((name, (int(begin_row[0]), int(begin_col[0])), line))
        if not lines:
            ended = any(drainage.direction[start] != NODATA for start in starts)
            lost.append(NoFlowPath(number, name, "ended" if ended else "no-ground"))
    return tuple(found), tuple(lost)


def _paths(
    site: SiteGround, traced: tuple[_TracedPath, ...], realised: RealisedDrainage | None
) -> tuple[FlowPath, ...]:
    out = []
    cell_m = site.local.cell_size * site.ground_m
    for number, (name, cell, line) in enumerate(traced):
        vertices = shapely.get_coordinates(line, include_z=True)
        length = float(np.hypot(*np.diff(vertices[:, :2], axis=0).T).sum()) * site.ground_m
        lengths = falls = None
        if realised is not None:
            lengths = realised.path_steps[:, number] * cell_m
            falls = realised.path_fall[:, number]
        fall = float(vertices[0, 2] - vertices[-1, 2])
        out.append(
            FlowPath(name, cell, line, interval_of(length, lengths), interval_of(fall, falls))
        )
    return tuple(out)


def _profiles(site: SiteGround) -> tuple[tuple[WallProfiles, ...], tuple[str, ...]]:
    """Return profiles before the walls of buildings, and the buildings that have none."""
    table = site.notes.site.drainage
    paved = site.features.paved(site.local)
    least = LeastFalls(
        table.fall_distance,
        table.fall_from_building_percent,
        table.fall_from_building_paved_percent,
    )
    found = {
        feature.name: wall_profiles(
            feature.name,
            shapely.force_2d(site.features.shapes[feature.name]),
            site.bare,
            site.local,
            ground_m=site.ground_m,
            limits=least,
            paved=paved,
        )
        for feature in site.features.of(lambda code: code.building)
        if feature.kind == "area"
    }
    return (
        tuple(one for one in found.values() if one is not None),
        tuple(name for name, one in found.items() if one is None),
    )


def _falls(
    site: SiteGround, profiles: tuple[WallProfiles, ...], realised: RealisedDrainage | None
) -> tuple[FallEstimate, ...]:
    out = []
    for number, one in enumerate(profiles):
        fall = fall_from_building(one, site.bare)
        drawn = None if realised is None else realised.fall_percent[number]
        out.append(estimate_fall(fall, _worst(site, one, fall), one, drawn))
    return tuple(out)


def _worst(site: SiteGround, profiles: WallProfiles, fall: FallFromBuilding) -> Estimate:
    """Return the fall at the worst place with the interval that the marks and the ground give."""
    grid = site.local
    ends = np.column_stack(
        [
            grid.west + (profiles.col[fall.worst] + 0.5) * grid.cell_size,
            grid.north - (profiles.row[fall.worst] + 0.5) * grid.cell_size,
        ]
    )
    drop = np.array([1.0, -1.0])
    marks = float(covariance(site.network.relative, [site.ground.sum_form(ends, drop)])[0, 0])
    between = float(drop @ site.ground.departure_covariance(ends) @ drop)
    per_metre = 100.0 / fall.over_m
    return Estimate.normal(
        fall.worst_percent,
        float(np.sqrt(marks + between)) * per_metre,
        site.ground.coverage_factor(marks, between),
    )


def _paving(
    site: SiteGround, areas: Index, names: tuple[str, ...], realised: RealisedDrainage | None
) -> tuple[PavingEstimate, ...]:
    codes = site.notes.site.codes
    paved = {
        f.name for f in site.features.drawing.features if f.code in codes and codes[f.code].paved
    }
    paved_names = [name for name in names if name in paved]
    renumbered = np.zeros(len(names) + 1, np.int32)
    for k, name in enumerate(paved_names, start=1):
        renumbered[names.index(name) + 1] = k
    paving = flat_paving(
        site.slope.steepness("percent"),
        renumbered[areas],
        paved_names,
        site.local,
        minimum_percent=site.notes.site.drainage.minimum_paved_fall_percent,
        ground_m=site.ground_m,
    )
    return estimate_paving(paving, names, realised, cell_m2=site.cell_m2)
