"""The ground of one site: from placed marks and drawn features to surface, water and findings.

All in local grid metres and metres; only `Terrain.grid` says where the cells are on the map.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.terrain.contour import Contour, contours, default_interval
from geosite.terrain.site_ground import SiteGround, site_ground
from geosite.terrain.site_water import SLOPE_BREAKS_PERCENT, Water, site_water
from geosite.terrain.slope import Slope
from geosite.terrain.surface.cell_grid import round_step
from geosite.terrain.surface.model import Surface
from geosite.terrain.surface.plane import fit_plane
from geosite.terrain.uncertainty.ground import Ground
from geosite.terrain.uncertainty.rasters import RealisedRasters, elevation_sigma
from geosite.terrain.water.descent import Mask
from geosite.terrain.water.falls_from_buildings import slope_classes
from geosite.terrain.wording import terrain_findings

__all__ = ["SLOPE_BREAKS_PERCENT", "Terrain", "model_terrain", "told_apart"]


@dataclass(frozen=True, eq=False)
class Terrain:
    """The ground of one site. Arrays have shape (rows, cols), row 0 in the north.

    Parameters
    ----------
    grid
        Where the cells are on the map, map units.
    local
        The same cells in local grid metres.
    rows : array
        Observations that are on the ground.
    ground
        The triangles between them and how far the ground may lie from them.
    surface
        The elevation model, metres, buildings filled in.
    elevation, sigma : array, metres
        NaN outside the data and under buildings.
    slope
        Of the surface.
    buildings : array of bool
        Cells under buildings.
    realised
        The surface as it may be as well.
    water
        Where it goes.
    contours
        Lines of equal elevation, local grid metres; their elevation is in elevation units.
    classes : array, shape (areas, classes)
        Cells per area of ``water.area_names`` and slope class (`SLOPE_BREAKS_PERCENT`).
    findings
        What to look at.
    """

    grid: Grid
    local: Grid
    rows: Ints
    ground: Ground
    surface: Surface
    elevation: Floats
    sigma: Floats
    slope: Slope
    buildings: Mask
    realised: RealisedRasters
    water: Water
    contours: tuple[Contour, ...]
    classes: npt.NDArray[np.int64]
    findings: tuple[Finding, ...] = ()

    def __repr__(self) -> str:
        return (
            f"<Terrain of {len(self.ground.tin.points)} points, "
            f"{self.grid.rows} x {self.grid.cols} cells>"
        )


def model_terrain(notes: Notes, network: Network, drawing: Drawing) -> Terrain | None:
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
    site = site_ground(notes, network, drawing)
    if site is None:
        return None
    water = site_water(site)
    sigma, relative = elevation_sigma(
        site.ground, site.local, site.surface.z, lack_of_fit=_lack_of_fit(site.surface)
    )
    usual = float(np.nanmedian(relative)) if np.isfinite(relative).any() else 0.0
    interval, lines = _contours(site, usual)
    percent = site.slope.steepness("percent")
    return Terrain(
        grid=site.grid,
        local=site.local,
        rows=site.rows,
        ground=site.ground,
        surface=site.surface,
        elevation=site.bare,
        sigma=np.where(site.buildings | (not network.accuracy_known), np.nan, sigma),
        slope=site.slope,
        buildings=site.buildings,
        realised=site.realised,
        water=water,
        contours=told_apart(lines, site.ground),
        classes=slope_classes(percent, water.areas, len(water.area_names), SLOPE_BREAKS_PERCENT),
        findings=terrain_findings(site, water, interval, usual, len(lines)),
    )


def told_apart(lines: Sequence[Contour], ground: Ground) -> tuple[Contour, ...]:
    """Cut contours where they leave the ground that was measured, and say which part is which.

    Parameters
    ----------
    lines
        Local grid metres.
    ground
        `Ground.measured` is the rule: no farther from a mark or a breakline than marks that were
        left out could be predicted over.
    """
    if not lines or not math.isfinite(ground.roughness.reach_m):
        return tuple(lines)
    middles = [(one.line[1:] + one.line[:-1]) / 2 for one in lines]
    measured = np.split(
        ground.measured(np.concatenate(middles)), np.cumsum([len(m) for m in middles])[:-1]
    )
    found: list[Contour] = []
    for one, on in zip(lines, measured, strict=True):
        cuts = np.flatnonzero(np.diff(on)) + 1
        ends = [0, *cuts.tolist(), len(on)]
        found += [
            replace(one, line=one.line[a : b + 1], measured=bool(on[a])) for a, b in pairwise(ends)
        ]
    return tuple(found)


def _lack_of_fit(surface: Surface) -> float:
    """Return how far the ground lies from a plane through all marks; other methods meet them."""
    if surface.method != "plane":
        return 0.0
    count = int(surface.tin.origin.max()) + 1
    noise = None if surface.noise is None else surface.noise[:count]
    return fit_plane(surface.tin.points[:count], noise).lack_of_fit


def _contours(site: SiteGround, usual_sigma: float) -> tuple[float, tuple[Contour, ...]]:
    """Return the contour interval in elevation units, and the contours.

    Where none is asked for the interval is no finer than two standard deviations of the ground
    against its surroundings.
    """
    table, unit_m = site.notes.site.surface, site.frame.height_unit_m
    z = site.bare / unit_m
    interval = table.contour_interval
    if interval is None:
        interval = default_interval(z)
        if interval < 2 * usual_sigma / unit_m:
            interval = round_step(2 * usual_sigma / unit_m, up=True)
    with site.notes.asked("surface", "contour_interval"):
        return interval, contours(z, site.local, interval, index_every=table.index_every)
