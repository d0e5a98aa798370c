"""Cut and fill of a design, with the intervals that the possible grounds give them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.design_ground.model import EarthworkQuantities
from geosite.analysis.design_ground.shaping import Footing, footing
from geosite.analysis.design_ground.zones import Zone
from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.shared_work import processors, shared_out
from geosite.terrain.site_ground import SiteGround

__all__ = ["TOUCHED_M", "PlacedDesign", "RealisedStack", "place_design", "quantities"]

RealisedStack = Callable[[range], Floats]
"""From the numbers of possible grounds to their rasters, shape (draws, rows, cols)."""

FINE_POINTS = 30_000
TOUCHED_M = 1e-6
"""A smaller change of the ground is none."""
AT_ONCE = 16

_Sums = tuple[float, float, float, float]
"""Cut, fill, and the ground that is lowered and raised."""


@dataclass(frozen=True, eq=False)
class PlacedDesign:
    """A design laid on the cells of a site.

    Parameters
    ----------
    zones
        A later one lies on an earlier one.
    whole
        All of them together, local grid metres.
    footprint
        The design at the middles of the cells, whatever the ground there.
    built, change : array, shape (rows, cols), metres
        The designed ground, and how far it is above the walked one.
    covered
        Share of the zones that lies on walked ground.
    """

    zones: Sequence[Zone]
    whole: BaseGeometry
    footprint: Footing
    built: Floats
    change: Floats
    covered: float


def place_design(zones: Sequence[Zone], side_slope: float, site: SiteGround) -> PlacedDesign:
    """Lay a design on the ground of a site; the parameters are those of `design_ground`."""
    grid, walked = site.local, site.surface.z
    east, north = grid.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    footprint = footing(zones, places, side_slope, site.frame.combined_factor, grid.cell_size / 4)
    built = footprint.built(walked.ravel()).reshape(walked.shape)
    whole = shapely.union_all([zone.shape for zone in zones])
    on_ground = (footprint.zone >= 0) & np.isfinite(walked.ravel())
    covered_area = float(on_ground.sum()) * grid.cell_size**2
    return PlacedDesign(
        zones, whole, footprint, built, built - walked, min(covered_area / whole.area, 1.0)
    )


def quantities(
    placed: PlacedDesign,
    site: SiteGround,
    drawn: RealisedStack | None,
    depths: Sequence[float] = (),
) -> tuple[EarthworkQuantities, EarthworkQuantities]:
    """Return cut and fill of a design, with intervals where there are possible grounds.

    Parameters
    ----------
    placed, site, drawn
    depths
        Metres that are laid on the ground of each zone.

    Returns
    -------
    surface, formation
        To the designed surface, and to the underside of what is laid: the same without depths.
    """
    weight = _weights(placed, site)
    depths = depths if any(depths) else ()
    exact = _fine(placed, site, depths)
    change = placed.change.ravel()
    sums = [[_sums(change - below, weight)] for below in _under(placed.footprint, depths)]
    if drawn is not None:
        for some in _of_draws(placed, weight, drawn, site.ground.draws, depths):
            for known, more in zip(sums, some, strict=True):
                known.extend(more)
    found = [_moved(of_draws, fine) for of_draws, fine in zip(sums, exact, strict=True)]
    return found[0], found[-1]


def _of_draws(
    placed: PlacedDesign,
    weight: Floats,
    drawn: RealisedStack,
    count: int,
    depths: Sequence[float],
) -> list[list[list[_Sums]]]:
    """Return the sums of all possible grounds, some at a time: to the surface, to the formation."""

    def part(number: int) -> list[list[_Sums]]:
        draws = range(number * AT_ONCE, min((number + 1) * AT_ONCE, count))
        possible = drawn(draws).reshape(len(draws), -1)
        # most of a site lies beyond the foot of the banks, whatever the ground
        reached = placed.footprint.reached(possible)
        footprint, ground = placed.footprint.at(reached), possible[:, reached]
        changed = footprint.built(ground) - ground
        return [
            [_sums(one - below, weight[reached]) for one in changed]
            for below in _under(footprint, depths)
        ]

    workers = processors()
    if workers > 1:
        drawn(range(min(count, 2)))  # what all grounds have in common is made once, for all
    return shared_out(lambda _: part, -(-count // AT_ONCE), workers)


def _under(footprint: Footing, depths: Sequence[float]) -> tuple[float | Floats, ...]:
    """Return how far surface and formation lie below the surface at each place, metres."""
    if not depths:
        return (0.0,)
    return 0.0, np.append(np.asarray(depths, np.float64), 0.0)[footprint.zone]


def _moved(sums: Sequence[_Sums], exact: _Sums) -> EarthworkQuantities:
    """Return cut and fill on the ground and on the possible grounds.

    The cells of the raster are coarse for a small design: what a fine lattice adds on the ground
    holds for the possible grounds as well.
    """
    cut, fill, cut_area, fill_area = (
        _estimate([max(one[i] + exact[i] - sums[0][i], 0.0) for one in sums]) for i in range(4)
    )
    shift = exact[0] - exact[1] - (sums[0][0] - sums[0][1])
    net = _estimate([one[0] - one[1] + shift for one in sums])
    return EarthworkQuantities(cut, fill, net, cut_area, fill_area)


def _weights(placed: PlacedDesign, site: SiteGround) -> Floats:
    """Return the ground area of each cell.

    Where walls stand round the zones their cells add up to the zones' own area; banks go on from
    the zones' edge, so that there it does not matter which side a cell is counted to.
    """
    inside, grid = placed.footprint.zone >= 0, site.local
    weight = np.full(inside.shape, site.cell_m2)
    box = shapely.box(grid.west, grid.south, grid.east, grid.north)
    counted = float(inside.sum()) * grid.cell_size**2
    if counted > 0 and placed.footprint.side_slope == 0:
        weight[inside] *= float(shapely.intersection(placed.whole, box).area) / counted
    return weight


def _fine(placed: PlacedDesign, site: SiteGround, depths: Sequence[float]) -> tuple[_Sums, ...]:
    """Return cut, fill and their areas on a lattice fine enough for the size of the design.

    Of its surface, and of its formation where there are depths.
    """
    grid, factor = site.local, site.frame.combined_factor
    row, col = np.nonzero(np.nan_to_num(np.abs(placed.change)) > TOUCHED_M)
    if not len(row):
        return ((0.0, 0.0, 0.0, 0.0),) * (2 if depths else 1)
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
    footprint = footing(
        placed.zones, places, placed.footprint.side_slope, factor, min(spacing, grid.cell_size / 4)
    )
    walked = _bilinear(site.surface.z, grid, places)
    inside = footprint.zone >= 0
    weight = np.full(len(places), (spacing / factor) ** 2)
    visible_area = shapely.intersection(placed.whole, shapely.box(west, south, east, north)).area
    if inside.any() and placed.footprint.side_slope == 0:
        weight[inside] *= float(visible_area) / (float(inside.sum()) * spacing**2)
    rise = footprint.built(walked) - walked
    return tuple(_sums(rise - below, weight) for below in _under(footprint, depths))


def _bilinear(z: Floats, grid: Grid, places: Floats) -> Floats:
    """Return a raster between the centres of its cells, NaN in cells without a value.

    Beside such cells a cell's own value holds up to its edge.
    """
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
    own = z[np.where(v < 0.5, r, r1), np.where(u < 0.5, c, c1)]
    return np.where(np.isnan(found), own, found)


def _sums(change: Floats, weight: Floats) -> _Sums:
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
