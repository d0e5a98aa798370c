"""Drainage strip by strip gives the answer of one piece, whatever the strips."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geosite.base.large_rasters import ScratchFolder
from geosite.terrain.water.drainage import drain
from geosite.terrain.water.strips.drain import drain_strips

SHAPE = (37, 29)


def rough(seed: int) -> np.ndarray[Any, Any]:
    return np.random.default_rng(seed).normal(size=SHAPE).cumsum(0).cumsum(1)


def steps(seed: int, top: int = 4) -> np.ndarray[Any, Any]:
    """Whole numbers: flats of all shapes, ties everywhere."""
    return np.random.default_rng(seed).integers(0, top, SHAPE).astype(float)


def terraces(seed: int) -> np.ndarray[Any, Any]:
    """Broad level ground over many strips."""
    return np.floor(rough(seed) / 8)


def basin(_: int) -> np.ndarray[Any, Any]:
    """A level lake bed in a rim with one notch: water from all strips leaves in one place."""
    z = np.full(SHAPE, 5.0)
    z[4:-4, 4:-4] = 1.0
    z[20, :5] = 3.0
    return z


def winding(_: int) -> np.ndarray[Any, Any]:
    """A channel that crosses every border again and again."""
    z = np.full(SHAPE, 100.0) + np.arange(SHAPE[1])
    way, high = [], range(2, SHAPE[0] - 2)
    for col in range(2, SHAPE[1] - 2, 2):
        way += [(row, col) for row in (high if col % 4 else reversed(high))]
        way.append((high[-1] if col % 4 else high[0], col + 1))
    for place, (row, col) in enumerate(way):
        z[row, col] = 50 - 0.01 * place
    z[way[-1][0], way[-1][1] :] = 0.0
    return z


def with_holes(z: np.ndarray[Any, Any], seed: int) -> np.ndarray[Any, Any]:
    z = z.copy()
    draw = np.random.default_rng(seed)
    z[draw.random(SHAPE) < 0.02] = np.nan
    z[10:17, 5:20] = np.nan
    return z


def compare(
    folder: Path,
    z: np.ndarray[Any, Any],
    height: int,
    method: Any,
    **more: Any,
) -> None:
    whole = drain(z, 2.0, method=method, **more)
    room = ScratchFolder(folder)
    elevation = room.rows(z.shape, z.dtype)
    elevation.mapped(0, len(z))[...] = z
    parts = drain_strips(elevation, room, height, method=method, **more)
    np.testing.assert_array_equal(parts.direction, whole.direction)
    rows = list(parts)
    depth = np.concatenate([part.ponding_depth for part in rows])
    np.testing.assert_array_equal(depth, whole.ponding_depth)
    passing = np.concatenate([part.contributing_cells for part in rows])
    if method == "d8":
        np.testing.assert_array_equal(passing, whole.contributing_cells)
    else:
        np.testing.assert_allclose(passing, whole.contributing_cells, rtol=1e-12)
    azimuth = np.concatenate([part.azimuth_deg for part in rows])
    np.testing.assert_array_equal(azimuth, whole.azimuth_deg.astype(np.float32))


@pytest.mark.parametrize("method", ["d8", "d-infinity"])
@pytest.mark.parametrize(
    ("make", "height"),
    [
        *((make, height) for make in (rough, steps, terraces, basin, winding) for height in (1, 5)),
        # two rows, all rows, and more than there are
        *((rough, 2), (rough, 36), (rough, 40)),
    ],
)
def test_the_answer_of_one_piece(tmp_path: Path, make: Any, height: int, method: str) -> None:
    z = make(3)
    compare(tmp_path, z.astype(np.float32), height, method)
    if height == 5:
        compare(tmp_path, z, height, method)


@pytest.mark.parametrize("method", ["d8", "d-infinity"])
@pytest.mark.parametrize("make", [rough, steps, terraces, basin])
@pytest.mark.parametrize("seed", range(2))
def test_with_holes_inlets_and_walls(tmp_path: Path, make: Any, method: str, seed: int) -> None:
    z = with_holes(make(seed), seed)
    compare(tmp_path, z, 4, method)
    draw = np.random.default_rng(seed)
    inlets = draw.random(SHAPE) < 0.005
    compare(tmp_path, z, 4, method, inlets=inlets)
    walls = closed_walls(draw)
    compare(tmp_path, z, 4, method, inlets=inlets, walls=walls)
    compare(tmp_path, make(seed), 3, method, walls=walls)


def closed_walls(draw: np.random.Generator) -> np.ndarray[Any, Any]:
    """Walls along random lines, one of which encloses ground over several strips."""
    import shapely

    from geosite.base.grid import Grid
    from geosite.terrain.water.barriers import walls_along

    ring = shapely.box(6.3, 5.2, 20.1, 30.4).exterior
    lines = [shapely.LineString(draw.random((3, 2)) * 30) for _ in range(4)]
    return walls_along([ring, *lines], Grid(0.0, float(SHAPE[0]), 1.0, *SHAPE))
