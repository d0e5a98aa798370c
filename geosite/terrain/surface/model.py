"""The elevation model of a site: its grid, its method, what it is worth."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.base.grid import MAX_CELLS, Grid
from geosite.terrain.surface.tin import Tin, locate, rasterise, triangulate

if TYPE_CHECKING:
    from geosite.terrain.surface.scores import Method, Score

__all__ = [
    "SCORED_AT_LEAST",
    "Coincident",
    "Covariance",
    "Outlier",
    "Surface",
    "checked_sigma",
    "choose_method",
    "combine_coincident",
    "default_cell_size",
    "elevation_surface",
    "grid_over",
    "neighbour_pairs",
    "round_step",
    "unshared_noise",
]

Covariance = Callable[[Ints, Ints], Floats]
"""Covariance of the elevations of points ``i[k]`` and ``j[k]``, shape (k,), squared units."""


# a point for 100,000 cells: 316 cells from one to the next
_CELLS_PER_POINT = 100_000
_FEW_CELLS = 5_000_000
_STRAY = 5.0
_DEFAULT_CELLS = 1_000_000

SCORED_AT_LEAST = 5
"""Marks that must be left out before a method is chosen by them."""

# marks needed before one is called unusual
_JUDGED_AT_LEAST = 10
# times the usual distance from the neighbours' plane; 1 in 500 million of normal errors
_OUTLIER = 6.0
_ABOVE_NEIGHBOURS = 1.7
# variance of the neighbours' plane at the mark in units of theirs: beyond, it is extrapolated
_REACH = 0.5


def round_step(value: float, *, up: bool = False) -> float:
    """Return the nearest of 1, 2 and 5 times a power of ten, or with `up` the next larger one."""
    power = 10.0 ** math.floor(math.log10(value))
    steps = [power * step for step in (1.0, 2.0, 5.0, 10.0)]
    if up:
        return next(step for step in steps if step >= value * (1 - 1e-9))
    return min(steps, key=lambda step: abs(math.log(step / value)))


def default_cell_size(points: npt.ArrayLike) -> float:
    """Choose a cell size from the spacing of the points.

    Parameters
    ----------
    points : array, shape (n, 2) or (n, 3), columns easting, northing

    Returns
    -------
    float
        Map units: 0.08 of the mean spacing, root of hull area over number of points, at the
        nearest step 1, 2 or 5 times a power of ten; larger where the extent would take more than
        a million cells.

    Raises
    ------
    InputError
        The points span no area.

    References
    ----------
    .. [1] Hengl, T. (2006), Finding the right pixel size, Computers & Geosciences 32(9),
       1283-1298: 0.0791 sqrt(A/N) for points, doi:10.1016/j.cageo.2005.11.008.
    """
    position = np.asarray(points, dtype=np.float64)[:, :2]
    position = position[np.isfinite(position).all(axis=1)]
    area = 0.0
    if len(position):
        position = position - position[0]
        area = float(shapely.convex_hull(shapely.multipoints(position)).area)
    if not area > 0:
        raise InputError(
            Problem(
                "points-collinear",
                f"{len(position)} positions span no area",
                "three or more points that are not on one line",
                "add points beside the line",
            )
        )
    width, height = (float(side) for side in np.ptp(position, axis=0))
    size = round_step(0.0791 * math.sqrt(area / len(position)))
    return max(size, round_step(math.sqrt(width * height / _DEFAULT_CELLS), up=True))


def grid_over(
    points: npt.ArrayLike,
    cell_size: float | None = None,
    extent: tuple[float, float, float, float] | None = None,
) -> Grid:
    """Lay a grid over points or an extent.

    Parameters
    ----------
    points : array, shape (n, 2) or (n, 3), columns easting, northing
    cell_size
        Map units; without it `default_cell_size`.
    extent
        West, south, east, north, map units; without it that of the points. The grid's corners are
        whole multiples of the cell size.

    Returns
    -------
    Grid

    Raises
    ------
    InputError
        A cell size or extent that is no positive finite number, or one that takes more than
        `MAX_CELLS` cells. Nothing that grows with the raster has been allocated by then.
    """
    position = np.asarray(points, dtype=np.float64)[:, :2]
    if cell_size is None:
        cell_size = default_cell_size(position)
    if not (math.isfinite(cell_size) and cell_size > 0):
        raise InputError(
            Problem(
                "cell-size-not-positive",
                f"the cell size is {cell_size!r}",
                "a positive number of map units",
                "correct it or leave it out",
            )
        )
    if extent is None:
        west, south = (float(side) for side in position.min(axis=0))
        east, north = (float(side) for side in position.max(axis=0))
    else:
        west, south, east, north = extent
    wide, high = (east - west) / cell_size, (north - south) / cell_size
    if not (wide >= 0 and high >= 0 and math.isfinite(wide) and math.isfinite(high)):
        raise InputError(
            Problem(
                "extent-empty",
                f"the extent west {west}, south {south}, east {east}, north {north} is empty",
                "west less than east and south less than north",
                "give it as west,south,east,north in map units",
            )
        )
    grid = Grid.covering(west, south, east, north, cell_size)
    if grid.rows * grid.cols > MAX_CELLS:
        larger = max(cell_size, math.sqrt(wide * high / MAX_CELLS) * cell_size)
        while True:
            larger = round_step(larger, up=True)
            enough = Grid.covering(west, south, east, north, larger)
            if enough.rows * enough.cols <= MAX_CELLS:
                break
            larger *= 1.1
        raise InputError(
            Problem(
                "raster-too-large",
                f"a cell size of {cell_size:g} over {east - west:g} x {north - south:g} map units "
                f"makes {grid.rows} rows of {grid.cols} cells, "
                f"{grid.rows * grid.cols * 8 / 1e9:.1f} GB per raster",
                f"at most {MAX_CELLS / 1e6:.0f} million cells",
                f"use a cell size of {larger:g} or more, or look for a stray point",
            )
        )
    _check_density(position, grid)
    return grid


def _check_density(position: Floats, grid: Grid) -> None:
    """Refuse a grid that is large because of one stray point: gigabytes of nothing measured."""
    cells, most = grid.rows * grid.cols, _CELLS_PER_POINT * len(position)
    if cells <= max(most, _FEW_CELLS):
        return
    away = np.hypot(*(position - np.median(position, axis=0)).T)
    far = int(np.argmax(away))
    if away[far] < _STRAY * np.median(away):
        return
    larger = round_step(grid.cell_size * math.sqrt(cells / max(most, _FEW_CELLS)), up=True)
    raise InputError(
        Problem(
            "raster-too-sparse",
            f"{len(position)} points make a raster of {cells / 1e6:.1f} million cells; number "
            f"{far + 1} lies {away[far]:,.0f} map units from the middle of them, half of them lie "
            f"within {np.median(away):,.0f}",
            f"at most {_CELLS_PER_POINT:,} cells for each point",
            f"use a cell size of {larger:g} or more, or take out the point if it is a stray one",
        )
    )


@dataclass(frozen=True, slots=True)
class Coincident:
    """Two points at one place whose elevations differ.

    Parameters
    ----------
    low, high
        The lower and the higher one, numbered as given.
    gap
        Difference of their elevations.
    sigma
        Standard deviation of the difference, None where it is not known.
    elevation
        What the surface takes there.
    """

    low: int
    high: int
    gap: float
    sigma: float | None
    elevation: float


@dataclass(frozen=True, slots=True)
class Outlier:
    """A point far above or below the plane through its neighbours.

    Parameters
    ----------
    point
        Numbered as given.
    above
        How far above the plane, negative below.
    times
        So many times what is usual there; infinite where all else is even.
    """

    point: int
    above: float
    times: float


@dataclass(frozen=True, eq=False)
class Surface:
    """An elevation model and what it was made from.

    Parameters
    ----------
    grid
    z : array, shape (rows, cols)
        Elevation, NaN outside the convex hull of the points and where it was cut out.
    method
        What interpolated `z`.
    tin
        The triangulation, breaklines in it; ``tin.origin`` and ``tin.owner`` count the given
        points.
    sigma : array, shape (m,), optional
        Standard deviation of each elevation of ``tin.points``.
    noise : array, shape (m,), optional
        The part of it that neighbours do not share.
    scores
        One per method, best first, if they were asked for.
    is_chosen
        Whether the method was chosen by the scores.
    coincident
        Points at one place that do not agree.
    outliers
        Points that stand out, the worst first.
    """

    grid: Grid
    z: Floats
    method: Method
    tin: Tin
    sigma: Floats | None
    noise: Floats | None
    scores: tuple[Score, ...]
    is_chosen: bool
    coincident: tuple[Coincident, ...]
    outliers: tuple[Outlier, ...]


def elevation_surface(
    points: npt.ArrayLike,
    grid: Grid,
    *,
    method: Method | Literal["auto"] = "tin",
    sigma: npt.ArrayLike | None = None,
    covariance: Covariance | None = None,
    breaklines: Sequence[npt.ArrayLike] = (),
    cut_out: npt.NDArray[np.bool_] | None = None,
    scores: bool = False,
    coincident: float = 0.001,
) -> Surface:
    """Interpolate an elevation model from points.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Leave out what is not on the ground.
    grid
        Where to interpolate, at the centres of the cells.
    method
        ``"tin"``: flat triangles; ``"natural-neighbour"``: through the marks, smooth between them;
        ``"thin-plate"``: least bent, as near to the marks as their sigma says;
        ``"inverse-distance"``: weighted average; ``"plane"``: one plane through all; ``"auto"``:
        whichever predicts marks best that it was not given.
    sigma : array, shape (n,), optional
        Standard deviation of each elevation.
    covariance
        Covariance of the elevations of pairs of points. What neighbours share (drift, the anchor)
        then is not taken for noise between them.
    breaklines
        Arrays of shape (k, 3): edges that triangles do not cross, see
        `geosite.terrain.surface.tin.triangulate`. Only the method ``"tin"`` honours them.
    cut_out : array of bool, shape (rows, cols), optional
        Cells without ground, under a building.
    scores
        Score every method by leaving out one mark at a time.
    coincident
        Points nearer than this to each other are one place: their elevations are averaged by
        weight, and told where they differ by more than this.

    Returns
    -------
    Surface

    Raises
    ------
    InputError
        Fewer than three distinct positions, all on one line, a value that is not finite, or a
        sigma that is negative.
    """
    given = np.asarray(points, dtype=np.float64)
    known = None if sigma is None else checked_sigma(sigma, len(given))
    marks, origin, owner, unequal = combine_coincident(given, known, coincident)
    tin = triangulate(marks, breaklines)
    # from marks to given points
    tin = replace(tin, origin=tin.origin[origin], owner=owner[tin.owner])
    spread = None if known is None else known[tin.owner]
    noise = spread if covariance is None else unshared_noise(tin, covariance)
    chosen, found = choose_method(tin, method, noise, scores)
    z = _interpolate(tin, grid, chosen, noise)
    if cut_out is not None:
        z[cut_out] = np.nan
    outliers = _outliers(tin, noise)
    return Surface(grid, z, chosen, tin, spread, noise, found, method == "auto", unequal, outliers)


def checked_sigma(sigma: npt.ArrayLike, count: int) -> Floats:
    """Return standard deviations as an array; refuse what is none."""
    known = np.asarray(sigma, dtype=np.float64)
    if known.shape != (count,) or not (np.isfinite(known) & (known >= 0)).all():
        raise InputError(
            Problem(
                "sigma-not-positive",
                f"standard deviations of shape {known.shape} for {count} points",
                "one finite number per point, 0 or more",
                "correct them or leave them out",
            )
        )
    return known


def combine_coincident(
    given: Floats, sigma: Floats | None, coincident: float
) -> tuple[Floats, Ints, Ints, tuple[Coincident, ...]]:
    """Make one mark of points at the same place.

    Returns the marks, the mark of each point, the point that speaks for each mark (the surest one,
    whose sigma the mark keeps: errors of one place are mostly shared), and what does not agree.
    """
    alone = np.arange(len(given))
    if given.ndim != 2 or given.shape[1] != 3 or not np.isfinite(given).all():
        # refused in plain words by the triangulation
        return given, alone, alone, ()
    place = np.asarray(shapely.points(given[:, :2] - given[:1, :2]))
    first, second = shapely.STRtree(place).query(place, predicate="dwithin", distance=coincident)
    apart = first < second
    if not apart.any():
        return given, alone, alone, ()
    # each joins the first place it is near to: a dense line must not shrink to a point
    group = alone.copy()
    order = np.lexsort((second[apart], first[apart]))
    for i, j in zip(first[apart][order].tolist(), second[apart][order].tolist(), strict=True):
        if group[i] == i and group[j] == j:
            group[j] = i
    root, origin = np.unique(group, return_inverse=True)
    marks = given[root]
    owner = root.copy()
    unequal = []
    members = np.split(np.argsort(origin, kind="stable"), np.cumsum(np.bincount(origin))[:-1])
    for mark, rows in enumerate(members):
        if len(rows) == 1:
            continue
        heights = given[rows, 2]
        weight = np.ones(len(rows))
        if sigma is not None:
            owner[mark] = rows[np.argmin(sigma[rows])]
            # exact ones alone count, if there are any
            exact = sigma[rows] == 0
            weight = exact * 1.0 if exact.any() else 1 / sigma[rows] ** 2
        marks[mark, 2] = (weight * heights).sum() / weight.sum()
        low, high = rows[np.argmin(heights)], rows[np.argmax(heights)]
        gap = float(given[high, 2] - given[low, 2])
        if gap > coincident:
            known = None if sigma is None else float(np.hypot(sigma[low], sigma[high]))
            unequal.append(Coincident(int(low), int(high), gap, known, float(marks[mark, 2])))
    return marks, origin, owner, tuple(unequal)


def neighbour_pairs(tin: Tin) -> tuple[Ints, Ints]:
    """Return both ends of every edge, in both directions."""
    start = tin.triangles.ravel()
    end = np.roll(tin.triangles, -1, axis=1).ravel()
    count = len(tin.points)
    both = np.unique(np.concatenate([start * count + end, end * count + start]))
    return both // count, both % count


def unshared_noise(tin: Tin, covariance: Covariance) -> Floats:
    """Return what neighbours do not share: root of half the variance of their differences."""
    start, end = neighbour_pairs(tin)
    i, j = tin.owner[start], tin.owner[end]
    apart = i != j
    start, i, j = start[apart], i[apart], j[apart]
    half = (covariance(i, i) + covariance(j, j) - 2 * covariance(i, j)) / 2
    count = np.bincount(start, minlength=len(tin.points))
    mean = np.bincount(start, np.maximum(half, 0.0), len(tin.points)) / np.maximum(count, 1)
    noise: Floats = np.sqrt(mean)
    return noise


def _outliers(tin: Tin, noise: Floats | None) -> tuple[Outlier, ...]:
    """Find marks far above or below the plane through their neighbours; none is dropped.

    Marks on breaklines are on either of two levels: they neither are judged nor judge. A wrong
    mark pulls the planes of its neighbours too, by a few tenths of its own error; where neighbours
    stand out about as much the ground itself is bent. So only a mark is named that stands out 1.7
    times as far as every neighbour.
    """
    count = len(tin.points)
    start, end = neighbour_pairs(tin)
    plain = np.ones(count, bool)
    plain[tin.edges] = False
    plain[int(tin.origin.max()) + 1 :] = False
    start, end = start[plain[end]], end[plain[end]]
    east, north, up = (tin.points[end] - tin.points[start]).T
    size = np.sqrt(np.bincount(start, east**2 + north**2, count))
    size[size == 0] = 1.0
    east, north = east / size[start], north / size[start]
    ones = np.ones(len(start))
    sums = [
        np.bincount(start, p * q, count)
        for p, q in ((ones, ones), (ones, east), (ones, north), (east, east), (east, north))
    ]
    sums.append(np.bincount(start, north * north, count))
    matrix = np.stack(sums, axis=1)[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    judged = plain & (np.linalg.det(matrix) > 1e-4)
    right = np.stack([np.bincount(start, p * up, count) for p in (ones, east, north)], axis=1)
    inverse = np.linalg.inv(matrix[judged])
    reach = np.zeros(count)
    # a plane that has to reach out to the mark is less sure than one around it
    reach[judged] = inverse[:, 0, 0]
    above = np.zeros(count)
    above[judged] = -(inverse[:, 0] * right[judged]).sum(axis=1)
    above /= np.sqrt(1 + reach)
    judged &= reach < _REACH
    if judged.sum() < _JUDGED_AT_LEAST:
        return ()
    # what is usual grows with the distance of the neighbours, but does not shrink with it
    usual = 1.4826 * float(np.median(np.abs(above[judged])))
    wide = 1.4826 * float(np.median(np.abs(above[judged]) / size[judged])) * size
    level = np.hypot(np.maximum(usual, wide), np.zeros(count) if noise is None else noise)
    share = np.where(judged, np.abs(above), 0.0)
    worst = np.zeros(count)
    np.maximum.at(worst, start, share[end])
    flagged = np.flatnonzero(
        (share > _OUTLIER * level) & (share > _ABOVE_NEIGHBOURS * worst) & (share > 1e-9)
    )
    order = flagged[np.argsort(-share[flagged])]
    return tuple(
        Outlier(
            int(tin.owner[vertex]),
            float(np.copysign(share[vertex] * np.sqrt(1 + reach[vertex]), above[vertex])),
            float(share[vertex] / level[vertex]) if level[vertex] > 0 else math.inf,
        )
        for vertex in order.tolist()
    )


def choose_method(
    tin: Tin, method: Method | Literal["auto"], noise: Floats | None, wanted: bool
) -> tuple[Method, tuple[Score, ...]]:
    """Return the method to interpolate by, and the scores where they are asked for or needed."""
    from geosite.terrain.surface.scores import METHODS, score

    found: tuple[Score, ...] = ()
    if wanted or method == "auto":
        # the sort is stable: of equal ones the plainer method stays first
        found = tuple(sorted((score(tin, m, noise) for m in METHODS), key=lambda s: s.rmse))
    if method != "auto":
        return method, found
    return (found[0].method if found[0].marks >= SCORED_AT_LEAST else "tin"), found


def _interpolate(tin: Tin, grid: Grid, method: Method, noise: Floats | None) -> Floats:
    if method == "tin":
        return rasterise(tin, grid)
    marks = tin.points[: int(tin.origin.max()) + 1]
    known = None if noise is None else noise[: len(marks)]
    # the other methods go by the marks alone
    plain = tin if len(marks) == len(tin.points) and len(tin.edges) == 0 else triangulate(marks)
    if method == "natural-neighbour":
        from geosite.terrain.surface.natural import interpolate_natural

        return interpolate_natural(plain, grid)
    inside = locate(plain, grid) >= 0
    if method == "thin-plate":
        from geosite.terrain.surface.spline import interpolate_thin_plate

        return interpolate_thin_plate(marks, grid, inside, known)
    if method == "inverse-distance":
        from geosite.terrain.surface.idw import interpolate_inverse_distance

        return interpolate_inverse_distance(marks, grid, inside)
    from geosite.terrain.surface.plane import fit_plane

    return np.where(inside, fit_plane(marks, known).over(grid), np.nan)
