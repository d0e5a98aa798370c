"""How sure a drainage direction is: how many of many perturbed surfaces agree with it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.terrain.water.descent import NODATA, Bytes, Mask, Raster
from geosite.terrain.water.drainage import FlowMethod, drain

__all__ = ["correlated_noise", "drainage_confidence"]

Perturb = Callable[[np.random.Generator], Raster]

_AGREES_DEG = 22.5
"""Half the angle between two of the eight directions."""


def drainage_confidence(
    z: Raster,
    cell_size: float,
    perturb: Perturb | npt.NDArray[np.floating[Any]],
    runs: int,
    *,
    seed: int = 1,
    workers: int = 1,
    correlation_cells: float = 0.0,
    method: FlowMethod = "d8",
    inlets: Mask | None = None,
    barriers: Mask | None = None,
    walls: Bytes | None = None,
) -> npt.NDArray[np.float32]:
    """Return the share of perturbed surfaces on which the water leaves each cell the same way.

    Parameters
    ----------
    z : array, shape (rows, cols)
        Elevation, NaN for nodata.
    cell_size
        As for `geosite.terrain.water.drainage.drain`, as are `method`, `inlets`,
        `barriers`, `walls`.
    perturb
        Either a function that draws a surface from a random generator (the marks perturbed and the
        surface interpolated again, say), or the standard deviation of each elevation: then noise is
        added to `z`.
    runs
        Number of perturbed surfaces, 1 or more.
    seed
        Every run draws from a generator of its own that depends on this and on its number only, so
        that the answer does not depend on `workers`.
    workers
        Threads.
    correlation_cells
        With a standard deviation: distance in cells over which the noise hangs together, about the
        spacing of the marks; 0 for noise of each cell by itself.

    Returns
    -------
    array of float32, shape (rows, cols), 0 to 1; NaN for nodata
        Ways agree that differ by 22.5 degrees or less: with d8 the same way.
    """
    said = drain(z, cell_size, method=method, inlets=inlets, barriers=barriers, walls=walls)
    azimuth = said.azimuth_deg
    known = said.direction != NODATA

    def agrees(seeds: np.random.SeedSequence) -> Mask:
        generator = np.random.default_rng(seeds)
        if callable(perturb):
            drawn = perturb(generator)
        else:
            drawn = z + perturb * correlated_noise(z.shape, correlation_cells, generator)
        again = drain(
            drawn.astype(z.dtype, copy=False),
            cell_size,
            method=method,
            inlets=inlets,
            barriers=barriers,
            walls=walls,
        ).azimuth_deg
        turn = np.abs(azimuth - again)
        np.minimum(turn, 360.0 - turn, out=turn)
        # -1, no way over the ground, agrees with nothing but itself
        same = (turn <= _AGREES_DEG) & ((azimuth < 0) == (again < 0))
        return np.asarray(same, dtype=np.bool_)

    count = np.zeros(z.shape, dtype=np.int32)
    children = np.random.SeedSequence(seed).spawn(runs)
    if workers <= 1:
        for child in children:
            count += agrees(child)
    else:
        with ThreadPoolExecutor(workers) as pool:
            for first in range(0, runs, workers):
                for same in pool.map(agrees, children[first : first + workers]):
                    count += same
    return np.where(known, count / np.float32(runs), np.nan).astype(np.float32)


def correlated_noise(
    shape: tuple[int, ...], correlation_cells: float, generator: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Draw noise of standard deviation 1 that hangs together over some distance.

    Parameters
    ----------
    shape
        Rows and columns.
    correlation_cells
        Distance in cells at which the correlation has fallen to 1/e; 0 for independent cells.
    generator
        To draw from.
    """
    if correlation_cells <= 0.0:
        return generator.standard_normal(shape)
    from scipy.ndimage import gaussian_filter

    # a Gaussian blur of width s leaves the correlation exp(-d^2 / 4 s^2)
    width = correlation_cells / 2.0
    reach = max(1, round(4.0 * width))
    wide = generator.standard_normal(tuple(size + 2 * reach for size in shape))
    blurred = gaussian_filter(wide, width, radius=reach)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    kernel /= kernel.sum()
    spread = float((kernel**2).sum())  # of each of the two passes
    core: npt.NDArray[np.float64] = blurred[tuple(slice(reach, -reach) for _ in shape)] / spread
    return core
