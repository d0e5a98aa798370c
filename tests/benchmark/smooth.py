"""Time of inverse distance and of the thin plate, beside what a user would write with scipy.

Run: ``python tests/benchmark/smooth.py``. Medians of 5, taken in turn, after one round that does
not count. Inverse distance stands beside the 12 nearest of a kd-tree, the thin plate beside scipy's
exact one. The aims: 0.5 at 300 and at 2,000 marks, 0.6 at 300 marks.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from geosite.base.grid import Grid
from geosite.terrain.surface.idw import interpolate_inverse_distance
from geosite.terrain.surface.spline import interpolate_thin_plate

ROUNDS = 5
SIDE = 400
Work = Callable[[np.ndarray, Grid], np.ndarray]


def marks(count: int) -> tuple[np.ndarray, Grid]:
    rng = np.random.default_rng(1)
    place = 512_000 + rng.random((count, 2)) * SIDE * 0.25
    z = 400 + np.sin(place[:, 0] / 9) * np.cos(place[:, 1] / 7) + rng.normal(0, 0.02, count)
    return np.column_stack([place, z]), Grid(512_000, 512_100, 0.25, SIDE, SIDE)


def places(grid: Grid) -> np.ndarray:
    east, north = grid.centres()
    return np.column_stack([a.ravel() for a in np.meshgrid(east, north)])


def our_distance(points: np.ndarray, grid: Grid) -> np.ndarray:
    return interpolate_inverse_distance(points, grid, np.ones(grid.shape, bool))


def nearest(points: np.ndarray, grid: Grid) -> np.ndarray:
    from scipy.spatial import KDTree

    distance, mark = KDTree(points[:, :2]).query(places(grid), k=12)
    weight = 1 / np.square(np.maximum(distance, 1e-9))
    return ((weight * points[mark, 2]).sum(axis=1) / weight.sum(axis=1)).reshape(grid.shape)


def our_plate(points: np.ndarray, grid: Grid) -> np.ndarray:
    return interpolate_thin_plate(points, grid, np.ones(grid.shape, bool), None)


def plate(points: np.ndarray, grid: Grid) -> np.ndarray:
    from scipy.interpolate import RBFInterpolator

    spline = RBFInterpolator(points[:, :2], points[:, 2], kernel="thin_plate_spline")
    return spline(places(grid)).reshape(grid.shape)


def ratio(ours: Work, theirs: Work, count: int) -> tuple[float, float, float]:
    """Return both medians and their ratio."""
    points, grid = marks(count)
    times: tuple[list[float], list[float]] = ([], [])
    for number in range(ROUNDS + 1):
        for work, kept in zip((ours, theirs), times, strict=True):
            began = time.perf_counter()
            work(points, grid)
            if number:
                kept.append(time.perf_counter() - began)
    mine, other = (statistics.median(kept) for kept in times)
    return mine, other, mine / other


def cases() -> list[tuple[str, float, float, float]]:
    found = []
    for name, count, ours, theirs in (
        ("inverse distance, 300 marks", 300, our_distance, nearest),
        ("inverse distance, 2,000 marks", 2000, our_distance, nearest),
        ("thin plate, 300 marks", 300, our_plate, plate),
    ):
        found.append((name, *ratio(ours, theirs, count)))
    return found


if __name__ == "__main__":
    for name, mine, other, share in cases():
        print(f"{name:32} {mine:8.3f} s {other:8.3f} s {share:6.2f}")
