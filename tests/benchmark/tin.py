"""Time and memory of the triangulated surface, beside scipy's linear interpolator and GDAL.

Run: ``python tests/benchmark/tin.py`` (some minutes). Medians of 5, taken in turn, after one round
that does not count; peak memory of a process that does nothing else, less that of one with a tiny
case (Linux). GDAL's gridding is added where its command ``gdal_grid`` is installed, with its
reading of a CSV and writing of a GeoTIFF. The aims: at most 0.5 of scipy's time for 20,000 points
on 1000 x 1000 cells, at most 0.45 for 200,000 points on 3000 x 3000.
"""

from __future__ import annotations

import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from geosite.base.grid import Grid
from geosite.terrain.surface.raster_rows import rasterise
from geosite.terrain.surface.tin import triangulate

ROUNDS = 5
CASES = ((20_000, 1000, 0.5), (200_000, 3000, 0.45))


def marks(count: int, side: int) -> tuple[np.ndarray, Grid]:
    rng = np.random.default_rng(1)
    place = rng.random((count, 2)) * side
    z = 400 + 5 * np.sin(place[:, 0] / 90) * np.cos(place[:, 1] / 70) + rng.normal(0, 0.02, count)
    return np.column_stack([place, z]), Grid(0, side, 1.0, side, side)


def ours(points: np.ndarray, grid: Grid) -> np.ndarray:
    return rasterise(triangulate(points), grid)


def scipys(points: np.ndarray, grid: Grid) -> np.ndarray:
    from scipy.interpolate import LinearNDInterpolator

    east, north = grid.centres()
    # the grid as two sparse axes: no arrays of coordinates are held against scipy
    return LinearNDInterpolator(points[:, :2], points[:, 2])(east[None, :], north[:, None])


def gdals(points: np.ndarray, grid: Grid) -> np.ndarray | None:
    if shutil.which("gdal_grid") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "marks.csv"
        table.write_bytes(b"x,y,z\n" + b"\n".join(b"%.6f,%.6f,%.6f" % tuple(p) for p in points))
        vrt = Path(folder) / "marks.vrt"
        vrt.write_text(
            f'<OGRVRTDataSource><OGRVRTLayer name="marks"><SrcDataSource>{table}</SrcDataSource>'
            '<GeometryType>wkbPoint</GeometryType><GeometryField encoding="PointFromColumns" x="x" '
            'y="y" z="z"/></OGRVRTLayer></OGRVRTDataSource>'
        )
        command = ["gdal_grid", "-q", "-a", "linear", "-ot", "Float64", "-l", "marks"]
        command += [
            "-txe",
            str(grid.west),
            str(grid.east),
            "-tye",
            str(grid.north),
            str(grid.south),
        ]
        command += ["-outsize", str(grid.cols), str(grid.rows), str(vrt), f"{folder}/out.tif"]
        subprocess.run(command, check=True)
    return np.empty(0)


METHODS: dict[str, Callable[[np.ndarray, Grid], np.ndarray | None]] = {
    "geosite": ours,
    "scipy": scipys,
    "gdal_grid": gdals,
}


def timed(method: str, points: np.ndarray, grid: Grid) -> float | None:
    start = time.perf_counter()
    done = METHODS[method](points, grid)
    return None if done is None else time.perf_counter() - start


def peak(method: str, count: int, side: int) -> float:
    """Peak memory over what a tiny case takes, MB, of a process of its own."""
    return _peak(method, count, side) - _peak(method, 100, 10)


def _peak(method: str, count: int, side: int) -> float:
    script = Path(__file__).resolve()
    said = subprocess.run(
        [sys.executable, str(script), method, str(count), str(side)],
        check=True,
        capture_output=True,
        text=True,
    )
    return float(said.stdout)


def main() -> None:
    for count, side, aim in CASES:
        points, grid = marks(count, side)
        one, other = ours(points, grid), scipys(points, grid)
        assert np.array_equal(np.isnan(one), np.isnan(other))
        difference = float(np.nanmax(np.abs(one - other)))
        del one, other
        times: dict[str, list[float]] = {method: [] for method in METHODS}
        for _ in range(ROUNDS):
            for method, spent in times.items():
                took = timed(method, points, grid)
                if took is not None:
                    spent.append(took)
        middle = {method: statistics.median(spent) for method, spent in times.items() if spent}
        ratio = middle["geosite"] / middle["scipy"]
        print(f"{count:,} points, {side} x {side} cells; largest difference {difference:.1e}")
        for method, seconds in middle.items():
            memory = f", peak {peak(method, count, side):.0f} MB" if method != "gdal_grid" else ""
            print(f"  {method:10} {seconds:7.3f} s{memory}")
        print(f"  ratio {ratio:.2f}, aim at most {aim}: {'held' if ratio <= aim else 'MISSED'}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        METHODS[sys.argv[1]](*marks(int(sys.argv[2]), int(sys.argv[3])))
        high = re.search(r"VmHWM:\s*(\d+) kB", Path("/proc/self/status").read_text())
        print(int(high[1]) / 1024 if high else float("nan"))
    else:
        main()
