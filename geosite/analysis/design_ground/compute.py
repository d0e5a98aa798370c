"""A designed ground on the walked one: raster, cut and fill with intervals, lines, drainage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.design_ground import wording
from geosite.analysis.design_ground.drainage import water_changes
from geosite.analysis.design_ground.model import DesignedGround
from geosite.analysis.design_ground.shaping import Footing, footing
from geosite.analysis.design_ground.zones import Zone
from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.terrain.site_ground import SiteGround
from geosite.terrain.site_water import Water, site_water
from geosite.terrain.slope import slope
from geosite.terrain.uncertainty.rasters import PossibleRasters
from geosite.terrain.water.descent import Mask

__all__ = ["design_ground"]

FINE_POINTS = 30_000
TOUCHED_M = 1e-6
"""A smaller change of the ground is none."""
AT_ONCE = 16


def design_ground(
    name: str,
    title: str,
    zones: Sequence[Zone],
    side_slope: float,
    site: SiteGround,
    before: Water,
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

    Raises
    ------
    InputError
        The design lies where no ground was walked.
    """
    grid, factor = site.local, site.frame.combined_factor
    east, north = grid.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    foot = footing(zones, places, side_slope, factor, grid.cell_size / 4)
    walked = site.surface.z
    built = foot.built(walked.ravel()).reshape(walked.shape)
    change = built - walked
    inside = (foot.zone >= 0).reshape(walked.shape)
    whole = shapely.union_all([zone.shape for zone in zones])
    met = float((inside & np.isfinite(walked)).sum()) * grid.cell_size**2
    on_ground = min(met / whole.area, 1.0)
    if on_ground == 0:
        raise InputError(
            Problem(
                "design-off-ground",
                f"design {name} lies where no ground was walked",
                "a design on the ground between the marks",
                "check its coordinates, or walk marks around it",
                site.notes.site_file,
            )
        )
    weight = _weights(foot, whole, site, inside)
    stack = PossibleRasters(site.ground, grid, walked).stack if site.ground.draws else None

    def designed(draws: range) -> Floats:
        assert stack is not None
        possible = stack(draws)
        return foot.built(possible.reshape(len(possible), -1)).reshape(possible.shape)

    # the cells of the raster are coarse for a small design: what a fine lattice adds holds for the
    # possible grounds as well
    exact = _fine(zones, side_slope, whole, change, site)
    sums = [_sums(change.ravel(), weight)]
    for first in range(0, site.ground.draws, AT_ONCE):
        some = range(first, min(first + AT_ONCE, site.ground.draws))
        assert stack is not None
        possible = stack(some).reshape(len(some), -1)
        sums += [_sums(one, weight) for one in foot.built(possible) - possible]
    cut, fill, cut_area, fill_area = (
        _estimate([max(one[i] + exact[i] - sums[0][i], 0.0) for one in sums]) for i in range(4)
    )
    shift = exact[0] - exact[1] - (sums[0][0] - sums[0][1])
    net = _estimate([one[0] - one[1] + shift for one in sums])
    shaped = replace(
        site,
        surface=replace(site.surface, z=built),
        slope=slope(built, grid.cell_size, method=site.notes.site.surface.slope_method),
    )
    water = site_water(shaped, designed if stack is not None else None)
    clear = foot.clearance(walked.ravel()).reshape(walked.shape)
    touched = np.where(np.abs(change) > TOUCHED_M, change, np.nan)
    made = DesignedGround(
        name=name,
        title=title or name,
        zones=tuple(zones),
        grid=site.grid,
        z=built,
        change=change,
        cut=cut,
        fill=fill,
        net=net,
        cut_area=cut_area,
        fill_area=fill_area,
        covered=on_ground,
        edges=tuple(edge for zone in zones for edge in zone.edges),
        daylight=_zero_lines(clear, grid, built),
        cut_meets_fill=_zero_lines(touched, grid, built),
        water=water,
        waters=water_changes(before, water),
    )
    return replace(made, findings=wording.findings(made, site.frame))


def _weights(foot: Footing, whole: BaseGeometry, site: SiteGround, inside: Mask) -> Floats:
    """Return the ground area of each cell.

    Where walls stand round the zones their cells add up to the zones' own area; banks go on from
    the zones' edge, so that there it does not matter which side a cell is counted to.
    """
    weight = np.full(foot.zone.shape, site.cell_m2)
    grid = site.local
    seen = shapely.intersection(whole, shapely.box(grid.west, grid.south, grid.east, grid.north))
    counted = float(inside.sum()) * grid.cell_size**2
    if counted > 0 and foot.side_slope == 0:
        weight[foot.zone >= 0] *= float(seen.area) / counted
    return weight


def _fine(
    zones: Sequence[Zone], side_slope: float, whole: BaseGeometry, change: Floats, site: SiteGround
) -> tuple[float, float, float, float]:
    """Return cut, fill and their areas on a lattice fine enough for the size of the design."""
    grid, factor = site.local, site.frame.combined_factor
    row, col = np.nonzero(np.nan_to_num(np.abs(change)) > TOUCHED_M)
    if not len(row):
        return 0.0, 0.0, 0.0, 0.0
    west, east = (
        grid.west + (col.min() - 1) * grid.cell_size,
        grid.west + (col.max() + 2) * grid.cell_size,
    )
    north, south = (
        grid.north - (row.min() - 1) * grid.cell_size,
        grid.north - (row.max() + 2) * grid.cell_size,
    )
    spacing = min(math.sqrt((east - west) * (north - south) / FINE_POINTS), grid.cell_size)
    e = np.arange(west + spacing / 2, east, spacing)
    n = np.arange(south + spacing / 2, north, spacing)
    places = np.stack(np.meshgrid(e, n), axis=-1).reshape(-1, 2)
    foot = footing(zones, places, side_slope, factor, min(spacing, grid.cell_size / 4))
    walked = _bilinear(site.surface.z, grid, places)
    inside = foot.zone >= 0
    weight = np.full(len(places), (spacing / factor) ** 2)
    seen = shapely.intersection(whole, shapely.box(west, south, east, north)).area
    if inside.any() and side_slope == 0:
        weight[inside] *= float(seen) / (float(inside.sum()) * spacing**2)
    return _sums(foot.built(walked) - walked, weight)


def _bilinear(z: Floats, grid: Grid, places: Floats) -> Floats:
    """Return a raster between the centres of its cells, NaN beside cells without a value."""
    rows, cols = z.shape
    col = (places[:, 0] - grid.west) / grid.cell_size - 0.5
    row = (grid.north - places[:, 1]) / grid.cell_size - 0.5
    c = np.clip(np.floor(col).astype(np.int64), 0, max(cols - 2, 0))
    r = np.clip(np.floor(row).astype(np.int64), 0, max(rows - 2, 0))
    c1, r1 = np.minimum(c + 1, cols - 1), np.minimum(r + 1, rows - 1)
    # half a cell beyond the outermost centres the ground goes on as it is
    u, v = np.clip(col - c, -0.5, 1.5), np.clip(row - r, -0.5, 1.5)
    top = z[r, c] * (1 - u) + z[r, c1] * u
    found: Floats = top * (1 - v) + (z[r1, c] * (1 - u) + z[r1, c1] * u) * v
    return found


def _sums(change: Floats, weight: Floats) -> tuple[float, float, float, float]:
    known = np.nan_to_num(change)
    lower, higher = known < -TOUCHED_M, known > TOUCHED_M
    return (
        float((-known[lower] * weight[lower]).sum()),
        float((known[higher] * weight[higher]).sum()),
        float(weight[lower].sum()),
        float(weight[higher].sum()),
    )


def _estimate(values: Sequence[float]) -> Estimate:
    if len(values) == 1:
        return Estimate(values[0], -math.inf, math.inf)
    found = Estimate.from_draws(values[0], values[1:])
    return Estimate(values[0], min(found.low, values[0]), max(found.high, values[0]))


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
