"""The ground of one survey against that of another: where it rose or fell, and by how much.

Both grounds are known from marks and from between them
(`geosite.terrain.uncertainty.ground.Ground`). What their frames do not share is taken out at the
stable marks, so the sigma of a difference is that of a difference. Volumes of what rose and what
fell count the cells whose change is significant at 95 %, as a threshold at the level of detection
does (Wheaton, Brasington, Darby & Sear 2010, doi:10.1002/esp.1886): noise alone would else make
volumes of both kinds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["GroundChange", "change_of_ground"]

BESIDE_M = 0.5
"""A breakline of one survey this near to one of the other is the same one, walked again."""
CELLS = 20_000
"""Of the difference raster: what is not known to a decimetre needs no cells of a hand's width."""


@dataclass(frozen=True, eq=False)
class GroundChange:
    """Second ground less first one.

    Parameters
    ----------
    grid
        Map units.
    rise, sigma : array, shape (rows, cols)
        Metres, NaN where either is not known.
    significant : array of bool, shape (rows, cols)
        The change is more than noise at 95 %.
    cell_m2
        Ground area of a cell.
    raised, lowered, net
        Volumes, ground cubic metres; net of all cells, the others of the significant ones.
    raised_m2, lowered_m2, compared_m2
        Ground areas of significant cells, and of all that could be compared.
    mean
        Mean rise over all that could be compared, metres.
    unwalked_m2
        Ground area that was left out: breaklines of the first survey run there that the second did
        not walk again, so that its triangles would pass for a change.
    """

    grid: Grid
    rise: Floats
    sigma: Floats
    significant: npt.NDArray[np.bool_]
    cell_m2: float
    raised: Estimate
    lowered: Estimate
    net: Estimate
    raised_m2: float
    lowered_m2: float
    compared_m2: float
    mean: Estimate
    unwalked_m2: float = 0.0


def change_of_ground(
    grounds: tuple[Ground, Ground],
    grid: Grid,
    stable: tuple[Ints, Ints],
    turn: Floats,
    middle: Floats,
) -> GroundChange | None:
    """Return the change of the ground from one survey to another.

    Parameters
    ----------
    grounds
        First and second.
    grid
        Of the first survey's elevations; cells are made larger where it has very many.
    stable : arrays, shape (m,)
        Observations of the marks that kept their heights, in the first and the second survey.
    turn : array, shape (3,)
        What the second survey's frame is off by: shift east, shift north (ground metres), turn.
    middle : array, shape (2,)
        About which it turns, local grid metres of the first survey.

    Returns
    -------
    GroundChange or None
        None where no cell is on measured ground of both.
    """
    first, second = grounds
    frame, other = first.network.frame, second.network.frame
    grid = _coarser(grid)
    easting, northing = grid.centres()
    on_map = np.stack(np.meshgrid(easting, northing), axis=-1).reshape(-1, 2)
    here = frame.to_local(on_map)
    met = np.flatnonzero(first.measured(here))
    moved = _into_second(here[met], turn, middle, frame.combined_factor)
    there = other.to_local(frame.to_map(moved))
    both = second.measured(there)
    met, there = met[both], there[both]
    ends = _into_second(first.breaklines.reshape(-1, 2), turn, middle, frame.combined_factor)
    lines = other.to_local(frame.to_map(ends)).reshape(-1, 2, 2)
    walked = ~np.isin(second.weights(there)[0], second.crossed(lines, BESIDE_M))
    unwalked = int((~walked).sum())
    met, there = met[walked], there[walked]
    if not len(met):
        return None
    here = here[met]
    lift = _mean_lift(grounds, stable)
    rise = second.elevations_at(there) - first.elevations_at(here) - lift
    sigma, factor = _sigmas(grounds, (here, there), stable)
    significant = np.abs(rise) > factor * sigma
    cell = (grid.cell_size * frame.ground_unit_m) ** 2
    noise = _draws(grounds, (here, there), stable) - rise
    volumes = {
        "raised": _volume(rise, noise, significant & (rise > 0), cell),
        "lowered": _volume(-rise, -noise, significant & (rise < 0), cell),
        "net": _volume(rise, noise, np.ones(len(rise), bool), cell),
    }
    compared = len(met) * cell
    return GroundChange(
        grid,
        _spread_out(rise, met, grid),
        _spread_out(sigma, met, grid),
        _spread_out(significant, met, grid) == 1.0,
        cell,
        volumes["raised"],
        volumes["lowered"],
        volumes["net"],
        float((significant & (rise > 0)).sum()) * cell,
        float((significant & (rise < 0)).sum()) * cell,
        compared,
        volumes["net"].scaled(1 / compared),
        unwalked * cell,
    )


def _coarser(grid: Grid) -> Grid:
    times = max(1, math.ceil(math.sqrt(grid.rows * grid.cols / CELLS)))
    if times == 1:
        return grid
    size = grid.cell_size * times
    return Grid.covering(grid.west, grid.south, grid.east, grid.north, size)


def _into_second(places: Floats, turn: Floats, middle: Floats, factor: float) -> Floats:
    away = places - middle
    east, north, angle = turn.tolist() if len(turn) == 3 else (0.0, 0.0, 0.0)
    shift = np.array([east, north]) * factor
    moved: Floats = places + shift + angle * np.column_stack([-away[:, 1], away[:, 0]])
    return moved


def _mean_lift(grounds: tuple[Ground, Ground], stable: tuple[Ints, Ints]) -> float:
    if not len(stable[0]):
        return 0.0
    one, other = (
        float(ground.network.elevation[rows].mean())
        for ground, rows in zip(grounds, stable, strict=True)
    )
    return other - one


def _sigmas(
    grounds: tuple[Ground, Ground], places: tuple[Floats, Floats], stable: tuple[Ints, Ints]
) -> tuple[Floats, Floats]:
    """Return the sigma of the difference at each place, and its 95 % factor."""
    marks, between = np.zeros(len(places[0])), np.zeros(len(places[0]))
    for ground, at, stable_rows in zip(grounds, places, stable, strict=True):
        share = (
            np.full(len(stable_rows), -1.0 / len(stable_rows)) if len(stable_rows) else np.zeros(0)
        )
        none = np.zeros(len(stable_rows))
        base = LinearForm(stable_rows, none, none, share)
        forms = [form + base for form in ground.forms_at(at)]
        network = ground.network.relative if len(stable_rows) else ground.network
        marks += sigmas(network, forms) ** 2
        between += ground.sigmas_at(at)[1] ** 2
    factor = np.array(
        [
            grounds[0].coverage_factor(float(m), float(b))
            for m, b in zip(marks, between, strict=True)
        ]
    )
    return np.sqrt(marks + between), factor


def _draws(
    grounds: tuple[Ground, Ground], places: tuple[Floats, Floats], stable: tuple[Ints, Ints]
) -> Floats:
    """Return the difference on each pair of possible grounds, shape (draws, n), metres."""
    heights = []
    for ground, at, stable_rows in zip(grounds, places, stable, strict=True):
        corners = ground.network.en[stable_rows]
        known = (
            np.isfinite(ground.elevations_at(corners)) if len(stable_rows) else np.zeros(0, bool)
        )
        drawn = ground.draws_at(np.vstack([at, corners[known]]))
        own, base = drawn[:, : len(at)], drawn[:, len(at) :]
        heights.append(own - (base.mean(axis=1, keepdims=True) if base.shape[1] else 0.0))
    count = min(len(h) for h in heights)
    # the two surveys know nothing of each other: one of them in another order
    return heights[1][:count] - heights[0][:count][::-1]


def _volume(rise: Floats, noise: Floats, cells: npt.NDArray[np.bool_], cell: float) -> Estimate:
    value = float(rise[cells].sum()) * cell
    if not len(noise):
        return Estimate.from_draws(value, noise)
    error = noise[:, cells].sum(axis=1) * cell
    return Estimate.from_draws(value, value + error - error.mean())


def _spread_out(values: npt.ArrayLike, met: Ints, grid: Grid) -> Floats:
    out = np.full(grid.rows * grid.cols, np.nan)
    out[met] = values
    return out.reshape(grid.shape)
