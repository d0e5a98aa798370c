"""How the ground falls away from buildings, and how much paved ground is nearly level.

Every limit is a default that a local rule replaces. None of this is a drainage design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.grid import Grid
from geosite.terrain.water.descent import Index, Mask, Raster
from geosite.terrain.water.regions import connected_regions

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "LEAST_DROP_M",
    "FallFromBuilding",
    "FlatPaving",
    "LeastFalls",
    "WallProfiles",
    "bilinear",
    "fall_from_building",
    "flat_paving",
    "largest_patch",
    "slope_classes",
    "wall_profiles",
]

# Surfaces far from the origin of their coordinates are rough by 1e-7 m, of float32 by 3e-5 m: a
# drop that misses by less than a tenth of a millimetre misses by rounding.
LEAST_DROP_M = 1e-4


@dataclass(frozen=True, eq=False)
class WallProfiles:
    """Profiles of the ground square to the walls of one building, one per station along them.

    Parameters
    ----------
    name
        Of the building.
    distance_m
        From the wall over which the fall is required.
    foot : array, shape (n, 2)
        The station at the wall, easting and northing in the unit of the grid.
    row, col : array, shape (n, 2)
        Where the profile begins at the wall and where it ends, in cells from the centre of the
        first one.
    width_m, over_m : array, shape (n,)
        Length of wall that each profile represents, and its own length, on the ground.
    limit_percent : array, shape (n,)
        Least fall required there.
    is_paved : array of bool, shape (n,)
        Whether most of the ground before the station is paved.
    """

    name: str
    distance_m: float
    foot: Floats
    row: Floats
    col: Floats
    width_m: Floats
    over_m: Floats
    limit_percent: Floats
    is_paved: Mask

    def fall_percent(self, z: Raster) -> Floats:
        """Return the fall along each profile, positive away from the wall, percent.

        Parameters
        ----------
        z : array, shape (..., rows, cols), metres
            One ground, or a stack of them.

        Returns
        -------
        array, shape (..., n)
        """
        height = bilinear(z, self.row, self.col)
        fall: Floats = (height[..., 0] - height[..., 1]) / self.over_m * 100.0
        return fall

    def short(self, fall_percent: Floats) -> Mask:
        """Return where a fall is less than its limit, by more than rounding."""
        short: Mask = fall_percent < self.limit_percent - LEAST_DROP_M / self.over_m * 100.0
        return short

    def toward(self, fall_percent: Floats) -> Mask:
        """Return where the ground falls towards the building, by more than rounding."""
        toward: Mask = fall_percent < -LEAST_DROP_M / self.over_m * 100.0
        return toward


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
    worst
        Number of the profile that misses its limit by most, or holds it by least.
    worst_percent
        Fall there; negative towards the building.
    limit_percent
        Limit at that place.
    is_paved
        Whether most of the ground before that place is paved.
    over_m
        Distance over which the fall was taken there: shorter where the data or another building
        ends it.
    easting, northing
        The place, at the wall, in the unit of the grid.
    """

    name: str
    distance_m: float
    wall_m: float
    short_m: float
    toward_m: float
    worst: int
    worst_percent: float
    limit_percent: float
    is_paved: bool
    over_m: float
    easting: float
    northing: float


@dataclass(frozen=True, slots=True)
class LeastFalls:
    """How far the ground shall fall away from a building.

    Parameters
    ----------
    distance_m
        From the wall (R401.3: 10 ft).
    open_percent
        Least fall of open ground (R401.3: 6 in within 10 ft).
    paved_percent
        Least fall of paved ground (R401.3: impervious surfaces).
    """

    distance_m: float = 3.048
    open_percent: float = 5.0
    paved_percent: float = 2.0


DWELLING = LeastFalls()


def wall_profiles(
    name: str,
    footprint: BaseGeometry,
    z: Raster,
    grid: Grid,
    *,
    ground_m: float = 1.0,
    limits: LeastFalls = DWELLING,
    paved: Mask | None = None,
) -> WallProfiles | None:
    """Place profiles square to the walls of a building, as far as the ground is known.

    Parameters
    ----------
    name
        For the answer.
    footprint
        Polygon or MultiPolygon, in the coordinates of the grid.
    z : array, shape (rows, cols)
        Elevation; NaN outside the data and inside buildings.
    grid
    ground_m
        Metres on the ground per unit of the grid.
    limits
        Least falls required.
    paved : array of bool, shape (rows, cols)
        Paved cells.

    Returns
    -------
    WallProfiles or None
        None where the ground is not known over half the distance, or two cells, before any wall.

    References
    ----------
    International Residential Code, R401.3 Drainage: the grade falls 6 in (152 mm) or more within
    the first 10 ft (3048 mm), impervious surfaces 2 percent or more away from the building.

    Examples
    --------
    A house of 4 by 4 m on cells of half a metre has eight stations per wall, 16 m of wall:

    >>> import shapely
    >>> grid = Grid(0.0, 20.0, 0.5, 40, 40)
    >>> profiles = wall_profiles("house", shapely.box(8, 8, 12, 12), np.zeros((40, 40)), grid)
    >>> len(profiles.foot), float(profiles.width_m.sum()), float(profiles.over_m.max())
    (32, 16.0, 3.048)
    """
    cell_m = grid.cell_size * ground_m
    foot, outward, spacing = _wall_stations(footprint, grid.cell_size)
    # from the wall outwards in half cells, the last sample at the full distance
    distance = limits.distance_m / ground_m
    steps = np.linspace(0.0, distance, int(np.ceil(2.0 * distance / grid.cell_size)) + 1)
    east = foot[:, :1] + outward[:, :1] * steps
    north = foot[:, 1:] + outward[:, 1:] * steps
    row = (grid.north - north) / grid.cell_size - 0.5
    col = (east - grid.west) / grid.cell_size - 0.5
    # the first stretch of known ground from the wall
    known = np.isfinite(bilinear(z, row, col))
    begin = known.argmax(axis=1)
    ends = ~known & (np.arange(steps.size) > begin[:, None])
    end = np.where(ends.any(axis=1), ends.argmax(axis=1), steps.size) - 1
    over = (steps[end] - steps[begin]) * ground_m
    near_wall = steps[begin] * ground_m <= 2.0 * cell_m
    at = np.flatnonzero(near_wall & (over >= min(limits.distance_m / 2.0, 2.0 * cell_m)))
    if not at.size:
        return None
    begin, end = begin[at], end[at]
    is_paved = np.zeros(at.size, dtype=np.bool_)
    if paved is not None:
        cell_row = np.clip(np.rint(row[at]).astype(np.intp), 0, grid.rows - 1)
        cell_col = np.clip(np.rint(col[at]).astype(np.intp), 0, grid.cols - 1)
        along = np.arange(steps.size)
        between = (along >= begin[:, None]) & (along <= end[:, None])
        is_paved = (paved[cell_row, cell_col] & between).sum(axis=1) * 2 > between.sum(axis=1)
    return WallProfiles(
        name,
        limits.distance_m,
        foot[at],
        np.column_stack([row[at, begin], row[at, end]]),
        np.column_stack([col[at, begin], col[at, end]]),
        spacing[at] * ground_m,
        over[at],
        np.where(is_paved, limits.paved_percent, limits.open_percent),
        is_paved,
    )


def fall_from_building(profiles: WallProfiles, z: Raster) -> FallFromBuilding:
    """Sum up the profiles before the walls of one building on one ground.

    Parameters
    ----------
    profiles
    z : array, shape (rows, cols), metres

    Examples
    --------
    Ground that falls 3 % to the north, past a house of 4 by 4 m in its middle:

    >>> import shapely
    >>> grid = Grid(0.0, 20.0, 0.5, 40, 40)
    >>> z = np.repeat(-0.03 * grid.centres()[1][:, None], 40, axis=1)
    >>> profiles = wall_profiles("house", shapely.box(8, 8, 12, 12), z, grid)
    >>> fall = fall_from_building(profiles, z)
    >>> round(fall.worst_percent, 6), fall.toward_m
    (-3.0, 4.0)
    """
    fall = profiles.fall_percent(z)
    worst = int(np.argmin(fall - profiles.limit_percent))
    return FallFromBuilding(
        name=profiles.name,
        distance_m=profiles.distance_m,
        wall_m=float(profiles.width_m.sum()),
        short_m=float(profiles.width_m[profiles.short(fall)].sum()),
        toward_m=float(profiles.width_m[profiles.toward(fall)].sum()),
        worst=worst,
        worst_percent=float(fall[worst]),
        limit_percent=float(profiles.limit_percent[worst]),
        is_paved=bool(profiles.is_paved[worst]),
        over_m=float(profiles.over_m[worst]),
        easting=float(profiles.foot[worst, 0]),
        northing=float(profiles.foot[worst, 1]),
    )


def _wall_stations(footprint: BaseGeometry, spacing: float) -> tuple[Floats, Floats, Floats]:
    """Return stations along the walls, the unit vector outward, and the length each represents."""
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
        A cell of that patch, the nearest to its middle, in the unit of the grid.
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
    ground_m: float = 1.0,
) -> tuple[FlatPaving, ...]:
    """Find paved ground that is nearly level.

    Parameters
    ----------
    slope_percent : array, shape (rows, cols)
        NaN where unknown.
    numbers : array of int, shape (rows, cols)
        Paved feature of each cell, from 1; 0 elsewhere.
    names
        Name of feature 1, 2, ...
    grid
    minimum_percent
        Least slope that drains (common practice, no source).
    ground_m
        Metres on the ground per unit of the grid.

    Returns
    -------
    FlatPaving of each feature that has known slopes, in the order of the names

    Examples
    --------
    Of a yard of four cells of 2 m one is flatter than 1 %:

    >>> steep = np.array([[0.5, 1.5], [2.0, np.inf]])
    >>> grid = Grid(west=0.0, north=4.0, cell_size=2.0, rows=2, cols=2)
    >>> (yard,) = flat_paving(steep, np.ones((2, 2), np.int32), ["yard"], grid)
    >>> yard.flat_m2, yard.known_m2, (yard.easting, yard.northing)
    (4.0, 12.0, (1.0, 3.0))
    """
    cell_m2 = (grid.cell_size * ground_m) ** 2
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
            rows, cols = largest_patch(flat)
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

    Examples
    --------
    >>> slope_classes(np.array([[0.5, 2.0, 3.0, 9.0]]), np.array([[1, 1, 1, 1]]), 1, (2.0, 5.0))
    array([[1, 2, 1]])
    """
    inside = np.isfinite(steepness) & (numbers > 0)
    slope_class = np.searchsorted(
        np.asarray(breaks, dtype=np.float64), steepness[inside], side="right"
    )
    classes = len(breaks) + 1
    flat = (numbers[inside].astype(np.intp) - 1) * classes + slope_class
    return np.bincount(flat, minlength=count * classes).reshape(count, classes)


def bilinear(z: Raster, row: Floats, col: Floats) -> Floats:
    """Interpolate a raster, or a stack of them, between its cells' centres; NaN beyond them.

    Parameters
    ----------
    z : array, shape (..., rows, cols)
    row, col : array, shape (n,)
        In cells from the centre of the first one.

    Examples
    --------
    In the middle of four cells, and beyond them:

    >>> z = np.array([[1.0, 2.0], [3.0, 4.0]])
    >>> bilinear(z, np.array([0.5, -0.1]), np.array([0.5, 0.0]))
    array([2.5, nan])
    """
    last_row, last_col = z.shape[-2] - 1, z.shape[-1] - 1
    inside = (row >= 0) & (row <= last_row) & (col >= 0) & (col <= last_col)
    row, col = np.clip(row, 0, last_row), np.clip(col, 0, last_col)
    top, left = row.astype(np.intp), col.astype(np.intp)
    bottom, right = np.minimum(top + 1, last_row), np.minimum(left + 1, last_col)
    row_share, col_share = row - top, col - left
    value: Floats = np.zeros((*z.shape[:-2], *row.shape))
    for r, c, weight in (
        (top, left, (1 - row_share) * (1 - col_share)),
        (top, right, (1 - row_share) * col_share),
        (bottom, left, row_share * (1 - col_share)),
        (bottom, right, row_share * col_share),
    ):
        # a neighbour without weight may be unknown
        value += np.where(weight > 0, weight * z[..., r, c], 0.0)
    return np.where(inside, value, np.nan)


def largest_patch(flat: Mask) -> tuple[Index, Index]:
    """Return rows and columns of the largest set of cells connected by a side or a corner.

    Examples
    --------
    >>> rows, cols = largest_patch(np.array([[1, 0, 0], [0, 1, 0], [0, 0, 0], [1, 0, 0]], bool))
    >>> rows.tolist(), cols.tolist()
    ([0, 1], [0, 1])
    """
    cells = np.flatnonzero(flat)
    region, _ = connected_regions(cells, (flat.shape[0], flat.shape[1]))
    # of patches as large the one that comes first
    largest = region[np.bincount(region)[region].argmax()]
    rows, cols = np.divmod(cells[region == largest], flat.shape[1])
    return rows, cols
