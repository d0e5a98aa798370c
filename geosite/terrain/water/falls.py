"""Ground that falls the wrong way or not enough, and water that stands, in words.

Every limit is a default that a local rule replaces. None of this is a drainage design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.terrain.water.descent import Index, Mask, Raster
from geosite.terrain.water.ponding import Pond

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "FallFromBuilding",
    "FlatPaving",
    "fall_findings",
    "falls_from_building",
    "flat_paving",
    "flat_paving_findings",
    "pond_findings",
    "slope_classes",
]

Floats = npt.NDArray[np.float64]

# Surfaces far from the origin of their coordinates are rough by 1e-7 m, of float32 by 3e-5 m: a
# drop that misses by less than a tenth of a millimetre misses by rounding.
_LEAST_DROP_M = 1e-4

R401_3 = "International Residential Code R401.3, a default that local rules replace"


@dataclass(frozen=True, slots=True)
class FallFromBuilding:
    """How the ground falls away from one building.

    Parameters
    ----------
    name
        Of the building.
    distance_m
        From the wall over which the fall is asked for.
    wall_m
        Length of wall before which the ground is known.
    short_m
        Length of wall before which it falls less than it should.
    toward_m
        Length of wall before which it falls towards the building, by more than rounding.
    worst_percent
        Fall at the place that misses its limit by most, or holds it by least; negative towards the
        building.
    limit_percent
        Limit at that place.
    is_paved
        Whether most of the ground before that place is paved.
    over_m
        Distance over which the fall was taken there: shorter where the data or another building
        ends it.
    sigma_percent
        Standard deviation of the fall there; NaN where not known.
    easting, northing
        The place, at the wall, map units.
    """

    name: str
    distance_m: float
    wall_m: float
    short_m: float
    toward_m: float
    worst_percent: float
    limit_percent: float
    is_paved: bool
    over_m: float
    sigma_percent: float
    easting: float
    northing: float


def falls_from_building(
    name: str,
    footprint: BaseGeometry,
    z: Raster,
    grid: Grid,
    *,
    map_unit_m: float = 1.0,
    height_unit_m: float = 1.0,
    distance_m: float = 3.048,
    limit_percent: float = 5.0,
    paved_percent: float = 2.0,
    paved: Mask | None = None,
    sigma: npt.NDArray[np.floating[Any]] | None = None,
) -> FallFromBuilding | None:
    """Check that the ground falls away from a building, square to its walls.

    Parameters
    ----------
    name
        For the answer.
    footprint
        Polygon or MultiPolygon, map coordinates.
    z : array, shape (rows, cols)
        Elevation; NaN outside the data and inside buildings.
    grid
        Map units.
    map_unit_m, height_unit_m
        Metres per unit of the map and of the elevation.
    distance_m
        From the wall (R401.3: 10 ft).
    limit_percent
        Least fall of open ground (R401.3: 6 in within 10 ft).
    paved_percent
        Least fall of paved ground (R401.3: impervious surfaces).
    paved : array of bool, shape (rows, cols)
        Paved cells.
    sigma : array, shape (rows, cols)
        Standard deviation of the elevation, its unit.

    Returns
    -------
    FallFromBuilding or None
        None where the ground is not known over half the distance, or two cells, before any wall.

    References
    ----------
    International Residential Code, R401.3 Drainage: the grade falls 6 in (152 mm) or more within
    the first 10 ft (3048 mm), impervious surfaces 2 percent or more away from the building.
    """
    cell_m = grid.cell_size * map_unit_m
    foot, outward, spacing = _stations(footprint, grid.cell_size)
    # from the wall outwards in half cells, the last sample at the full distance
    reach = distance_m / map_unit_m
    steps = np.linspace(0.0, reach, int(np.ceil(2.0 * reach / grid.cell_size)) + 1)
    east = foot[:, :1] + outward[:, :1] * steps
    north = foot[:, 1:] + outward[:, 1:] * steps
    row = (grid.north - north) / grid.cell_size - 0.5
    col = (east - grid.west) / grid.cell_size - 0.5
    height = _bilinear(z, row, col)
    # the first stretch of known ground from the wall
    known = np.isfinite(height)
    begin = known.argmax(axis=1)
    ends = ~known & (np.arange(steps.size) > begin[:, None])
    stop = np.where(ends.any(axis=1), ends.argmax(axis=1), steps.size) - 1
    over = (steps[stop] - steps[begin]) * map_unit_m
    near_wall = steps[begin] * map_unit_m <= 2.0 * cell_m
    enough = near_wall & (over >= min(distance_m / 2.0, 2.0 * cell_m))
    at = np.flatnonzero(enough)
    if not at.size:
        return None
    begin, stop, over = begin[at], stop[at], over[at]
    fall = (height[at, begin] - height[at, stop]) * height_unit_m / over * 100.0
    cell_row = np.clip(np.rint(row[at]).astype(np.intp), 0, grid.rows - 1)
    cell_col = np.clip(np.rint(col[at]).astype(np.intp), 0, grid.cols - 1)
    along = np.arange(steps.size)
    between = (along >= begin[:, None]) & (along <= stop[:, None])
    is_paved = np.zeros(at.size, dtype=np.bool_)
    if paved is not None:
        is_paved = (paved[cell_row, cell_col] & between).sum(axis=1) * 2 > between.sum(axis=1)
    limit = np.where(is_paved, paved_percent, limit_percent)
    worst = int(np.argmin(fall - limit))
    doubt = np.nan
    if sigma is not None:
        ends_of = [begin[worst], stop[worst]]
        ends_sigma = sigma[cell_row[worst, ends_of], cell_col[worst, ends_of]]
        doubt = float(np.hypot(*ends_sigma.astype(np.float64))) * height_unit_m / over[worst] * 100
    rounding = _LEAST_DROP_M / over * 100.0
    short = fall < limit - rounding
    width = spacing[at] * map_unit_m
    return FallFromBuilding(
        name=name,
        distance_m=distance_m,
        wall_m=float(width.sum()),
        short_m=float(width[short].sum()),
        toward_m=float(width[fall < -rounding].sum()),
        worst_percent=float(fall[worst]),
        limit_percent=float(limit[worst]),
        is_paved=bool(is_paved[worst]),
        over_m=float(over[worst]),
        sigma_percent=float(doubt),
        easting=float(foot[at[worst], 0]),
        northing=float(foot[at[worst], 1]),
    )


def _stations(footprint: BaseGeometry, spacing: float) -> tuple[Floats, Floats, Floats]:
    """Return places along the walls, the unit vector outward, and the length each stands for."""
    import shapely

    feet, outwards, lengths = [], [], []
    for part in shapely.get_parts(footprint):
        ring = shapely.get_coordinates(shapely.orient_polygons(part).exterior)
        for a, b in pairwise(ring):
            length = float(np.hypot(*(b - a)))
            if length == 0.0:
                continue
            count = max(1, round(length / spacing))
            feet.append(a + (b - a) * (np.arange(count)[:, None] + 0.5) / count)
            # counter-clockwise outline: the outside is on the right
            outwards.append(np.tile([(b - a)[1] / length, -(b - a)[0] / length], (count, 1)))
            lengths.append(np.full(count, length / count))
    return np.concatenate(feet), np.concatenate(outwards), np.concatenate(lengths)


def fall_findings(falls: Sequence[FallFromBuilding]) -> tuple[Finding, ...]:
    """Say where the ground does not fall away from a building as it should."""
    found = []
    for fall in falls:
        if fall.short_m == 0.0:
            continue
        if fall.worst_percent < -_LEAST_DROP_M / fall.over_m * 100.0:
            does = f"rises {-fall.worst_percent:.1f} % away from it, so that water runs towards it"
        else:
            does = f"falls {max(fall.worst_percent, 0.0):.1f} % away from it"
        what = "paved ground" if fall.is_paved else "ground"
        doubt = ""
        is_sure = not fall.limit_percent - fall.worst_percent <= fall.sigma_percent
        if not is_sure:
            doubt = " This is within what the elevations are good for."
        found.append(
            Finding(
                "look" if is_sure else "note",
                "fall-from-building",
                f"{fall.name}: the {what} within {fall.over_m:.2f} m of the wall {does}; a fall of "
                f"{fall.limit_percent:g} % or more is usual ({R401_3}). Worst at "
                f"{fall.easting:.2f}, {fall.northing:.2f}. Of {fall.wall_m:.1f} m of wall "
                f"{fall.short_m:.1f} m have less than their limit, and before "
                f"{fall.toward_m:.1f} m water runs towards the building.{doubt}",
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True)
class FlatPaving:
    """Paved ground of one feature that is flatter than it should be.

    Parameters
    ----------
    name
        Of the feature.
    flat_m2, known_m2
        Area flatter than the minimum, and area of known slope.
    minimum_percent
        The minimum.
    patch_m2
        Area of the largest flat patch that hangs together.
    easting, northing
        A cell of that patch, the nearest to its middle; map units.
    """

    name: str
    flat_m2: float
    known_m2: float
    minimum_percent: float
    patch_m2: float
    easting: float
    northing: float


def flat_paving(
    slope_percent: Raster,
    numbers: Index,
    names: Sequence[str],
    grid: Grid,
    *,
    minimum_percent: float = 1.0,
    map_unit_m: float = 1.0,
) -> tuple[FlatPaving, ...]:
    """Find paved ground on which water will stand.

    Parameters
    ----------
    slope_percent : array, shape (rows, cols)
        NaN where unknown.
    numbers : array of int, shape (rows, cols)
        Paved feature of each cell, from 1; 0 elsewhere.
    names
        Name of feature 1, 2, ...
    grid
        Map units.
    minimum_percent
        Least slope that drains (common practice, no source).
    map_unit_m
        Metres per map unit.

    Returns
    -------
    FlatPaving of each feature that has known slopes, in the order of the names
    """
    cell_m2 = (grid.cell_size * map_unit_m) ** 2
    east, north = grid.centres()
    is_known = np.isfinite(slope_percent)
    found = []
    for number, name in enumerate(names, start=1):
        inside = (numbers == number) & is_known
        flat = inside & (slope_percent < minimum_percent)
        if not inside.any():
            continue
        patch, place = 0, (np.nan, np.nan)
        if flat.any():
            rows, cols = _largest_patch(flat)
            middle = np.argmin((rows - rows.mean()) ** 2 + (cols - cols.mean()) ** 2)
            patch, place = rows.size, (float(east[cols[middle]]), float(north[rows[middle]]))
        found.append(
            FlatPaving(
                name,
                float(flat.sum() * cell_m2),
                float(inside.sum() * cell_m2),
                minimum_percent,
                patch * cell_m2,
                *place,
            )
        )
    return tuple(found)


def flat_paving_findings(paving: Sequence[FlatPaving]) -> tuple[Finding, ...]:
    """Say which paved ground is so flat that water will stand on it.

    Where no patch is as large as a square metre it is only a note: every crest has such places.
    """
    return tuple(
        Finding(
            "look" if p.patch_m2 >= 1.0 else "note",
            "flat-paving",
            f"{p.name}: {p.flat_m2:.1f} of {p.known_m2:.1f} m2 are flatter than "
            f"{p.minimum_percent:g} % (common practice, a default that local rules replace) and "
            f"will hold water; the largest such patch, {p.patch_m2:.1f} m2, is at "
            f"{p.easting:.2f}, {p.northing:.2f}.",
        )
        for p in paving
        if p.flat_m2 > 0.0
    )


def pond_findings(
    ponds: Sequence[Pond], grid: Grid, *, map_unit_m: float = 1.0, height_unit_m: float = 1.0
) -> tuple[Finding, ...]:
    """Say where water stands deeper than the elevations are good, and how many ponds are not.

    Parameters
    ----------
    ponds
        From `geosite.terrain.water.ponding.find_ponds` with map units and elevation units.
    grid
        Map units.
    map_unit_m, height_unit_m
        Metres per unit of the map and of the elevation.
    """
    east, north = grid.centres()
    cell_m2 = (grid.cell_size * map_unit_m) ** 2
    found = []
    for pond in ponds:
        if not pond.is_significant:
            continue
        volume = pond.volume * map_unit_m**2 * height_unit_m
        found.append(
            Finding(
                "look",
                "pond",
                f"Water stands {pond.depth * height_unit_m * 1000:.0f} mm deep at "
                f"{east[pond.col]:.2f}, {north[pond.row]:.2f} ({volume:.2f} m3 on "
                f"{pond.cells * cell_m2:.1f} m2) before it spills at "
                f"{east[pond.spill_col]:.2f}, {north[pond.spill_row]:.2f}.",
            )
        )
    shallow = [pond for pond in ponds if not pond.is_significant]
    if shallow:
        deepest = max(shallow, key=lambda pond: pond.depth)
        found.append(
            Finding(
                "note",
                "ponds-not-significant",
                f"Hollows no deeper than the elevations are good: {len(shallow)}, the deepest "
                f"{deepest.depth * height_unit_m * 1000:.0f} mm where sigma is "
                f"{deepest.sigma * height_unit_m * 1000:.0f} mm. They are not significant and may "
                "not be there at all.",
            )
        )
    return tuple(found)


def slope_classes(
    steepness: Raster, numbers: Index, count: int, breaks: Sequence[float]
) -> npt.NDArray[np.int64]:
    """Count the cells of each feature by slope class.

    Parameters
    ----------
    steepness : array, shape (rows, cols)
        Any unit; NaN where unknown.
    numbers : array of int, shape (rows, cols)
        Feature of each cell, from 1; 0 elsewhere.
    count
        Number of features.
    breaks
        Ascending; a slope on a break belongs to the class above it.

    Returns
    -------
    array of int64, shape (count, len(breaks) + 1)
        Class 0 is below the first break, the last from the last break on.
    """
    inside = np.isfinite(steepness) & (numbers > 0)
    grade = np.searchsorted(np.asarray(breaks, dtype=np.float64), steepness[inside], side="right")
    classes = len(breaks) + 1
    flat = (numbers[inside].astype(np.intp) - 1) * classes + grade
    return np.bincount(flat, minlength=count * classes).reshape(count, classes)


def _bilinear(z: Raster, row: Floats, col: Floats) -> Floats:
    """Read a raster between its cells' centres; NaN beyond them."""
    last_row, last_col = z.shape[0] - 1, z.shape[1] - 1
    inside = (row >= 0) & (row <= last_row) & (col >= 0) & (col <= last_col)
    row, col = np.clip(row, 0, last_row), np.clip(col, 0, last_col)
    top, left = row.astype(np.intp), col.astype(np.intp)
    bottom, right = np.minimum(top + 1, last_row), np.minimum(left + 1, last_col)
    down, over = row - top, col - left
    value: Floats = np.zeros(row.shape)
    for r, c, weight in (
        (top, left, (1 - down) * (1 - over)),
        (top, right, (1 - down) * over),
        (bottom, left, down * (1 - over)),
        (bottom, right, down * over),
    ):
        # a neighbour without weight may be unknown
        value += np.where(weight > 0, weight * z[r, c], 0.0)
    return np.where(inside, value, np.nan)


def _largest_patch(flat: Mask) -> tuple[Index, Index]:
    """Return rows and columns of the most cells that touch by a side or a corner."""
    # its import costs a third of scipy.ndimage's, which small yards would feel
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    rows, cols = np.nonzero(flat)
    number = np.full((flat.shape[0] + 1, flat.shape[1] + 2), -1, dtype=np.intp)
    number[rows, cols + 1] = np.arange(rows.size)
    here, there = [], []
    for down, over in ((0, 1), (1, -1), (1, 0), (1, 1)):
        beside = number[rows + down, cols + 1 + over]
        here.append(np.flatnonzero(beside >= 0))
        there.append(beside[beside >= 0])
    a, b = np.concatenate(here), np.concatenate(there)
    touches = coo_array((np.ones(a.size, dtype=np.int8), (a, b)), shape=(rows.size, rows.size))
    part = connected_components(touches)[1]
    largest = part == np.bincount(part).argmax()
    return rows[largest], cols[largest]
