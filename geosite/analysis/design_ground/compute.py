"""A designed ground on the walked one: raster, cut and fill with intervals, lines, drainage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.design_ground import wording
from geosite.analysis.design_ground.drainage import water_changes
from geosite.analysis.design_ground.model import BuiltUp, DesignedGround
from geosite.analysis.design_ground.quantities import (
    TOUCHED_M,
    PlacedDesign,
    RealisedStack,
    place_design,
    quantities,
)
from geosite.analysis.design_ground.zones import Zone
from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.grid import Grid
from geosite.base.shared_work import aside
from geosite.terrain.site_ground import SiteGround
from geosite.terrain.site_water import Water, site_water
from geosite.terrain.slope import slope

__all__ = ["design_ground"]


def design_ground(
    name: str,
    title: str,
    zones: Sequence[Zone],
    side_slope: float,
    site: SiteGround,
    before: Water,
    built_up: BuiltUp | None = None,
) -> DesignedGround:
    """Build a design on the ground of a site.

    Parameters
    ----------
    name, title
    zones
        A later one lies on an earlier one.
    side_slope
        Length of a bank per height, on the ground; 0 for a wall.
    site, before
        The walked ground and its water.
    built_up
        What is laid on the ground, and lines that bound no zone.

    Raises
    ------
    InputError
        The design lies where no ground was walked.
    """
    grid, walked = site.local, site.surface.z
    placed = place_design(zones, side_slope, site)
    if placed.covered == 0:
        raise InputError(
            Problem(
                "design-off-ground",
                f"design {name} lies where no ground was walked",
                "a design on the ground between the marks",
                "check its coordinates, or walk marks around it",
                site.notes.site_file,
            )
        )
    drawn = site.realised.stack if site.ground.draws else None
    more = built_up or BuiltUp()
    with aside(lambda: quantities(placed, site, drawn, more.depths)) as earthwork:
        water = _water(placed, site, drawn)
        surface, formation = earthwork()
    clear = placed.footprint.clearance(walked.ravel()).reshape(walked.shape)
    touched = np.where(np.abs(placed.change) > TOUCHED_M, placed.change, np.nan)
    made = DesignedGround(
        name=name,
        title=title or name,
        zones=tuple(zones),
        grid=site.grid,
        z=placed.built,
        change=placed.change,
        quantities=surface,
        formation=formation,
        covered=placed.covered,
        edges=(*(edge for zone in zones for edge in zone.edges), *more.loose),
        daylight=_zero_lines(clear, grid, placed.built),
        cut_meets_fill=_zero_lines(touched, grid, placed.built),
        water=water,
        waters=water_changes(before, water),
    )
    return replace(made, findings=wording.findings(made, site.frame))


def _water(placed: PlacedDesign, site: SiteGround, drawn: RealisedStack | None) -> Water:
    """Return the water of the designed ground, and of the possible ones."""

    def designed(draws: range) -> Floats:
        assert drawn is not None
        possible = drawn(draws)
        return placed.footprint.built(possible.reshape(len(possible), -1)).reshape(possible.shape)

    shaped = replace(
        site,
        surface=replace(site.surface, z=placed.built),
        slope=slope(
            placed.built, site.local.cell_size, method=site.notes.site.surface.slope_method
        ),
    )
    return site_water(shaped, designed if drawn is not None else None)


def _zero_lines(values: Floats, grid: Grid, z: Floats) -> tuple[BaseGeometry, ...]:
    """Return where a raster is zero as lines with elevations."""
    import contourpy

    if not np.isfinite(values).any():
        return ()
    east, north = grid.centres()
    masked = np.ma.masked_invalid(values)
    found = []
    for one in contourpy.contour_generator(east, north, masked).lines(0.0):
        line = np.asarray(one, np.float64)
        if len(line) < 3:
            continue
        col = np.clip(np.round((line[:, 0] - east[0]) / grid.cell_size), 0, grid.cols - 1)
        row = np.clip(np.round((north[0] - line[:, 1]) / grid.cell_size), 0, grid.rows - 1)
        up = z[row.astype(int), col.astype(int)]
        known = np.isfinite(up)
        if known.sum() >= 2:
            found.append(shapely.LineString(np.column_stack([line[known], up[known]])))
    return tuple(found)
