"""Time and memory of depressions, D8 directions and contributing area, beside pyflwdir.

Run: ``python tests/benchmark/drainage.py`` (some minutes; ``pip install matplotlib`` for the real
surface). pyflwdir is timed warm, after it has compiled; the first call of geosite is shown too.
Medians of 5, taken in turn. The aims: at most 1.0 of pyflwdir's time, at best 0.5; at most 1.5 of
its peak memory; and at most 2.3 times the time for twice the cells.
"""

from __future__ import annotations

import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np

from geosite.terrain.water.drainage import Drainage, drain

ROUNDS = 5


def noisy(side: int, noise: float) -> np.ndarray:
    """Return marks at three spacings, interpolated, with noise of each cell on it: metres."""
    from scipy.ndimage import zoom

    rng = np.random.default_rng(1)
    z = np.full((side, side), 400.0)
    z += 0.01 * np.arange(side)
    for marks, relief in ((6, 8.0), (20, 2.0), (80, 0.5)):
        z += relief * zoom(rng.standard_normal((marks, marks)), side / marks, order=1)
    return (z + noise * rng.standard_normal((side, side))).astype(np.float32)


def fault() -> np.ndarray | None:
    """Return the elevations that matplotlib ships: whole metres, with many level places."""
    try:
        from matplotlib.cbook import get_sample_data
    except ImportError:
        return None
    return get_sample_data("jacksboro_fault_dem.npz")["elevation"].astype(np.float32)


def ours(z: np.ndarray) -> Drainage:
    return drain(z, 1.0)


def library(z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyflwdir
        from pyflwdir.dem import fill_depressions

        filled, d8 = fill_depressions(z, nodata=np.float32(np.nan))
        return filled, d8, pyflwdir.from_array(d8, ftype="d8").upstream_area("cell")


def timed(run: Callable[[np.ndarray], object], z: np.ndarray) -> float:
    start = time.perf_counter()
    run(z)
    return time.perf_counter() - start


def peak(name: str, side: int) -> float:
    """Return peak memory of one warm call in a process of its own, bytes per cell."""
    answer = subprocess.run(
        [sys.executable, "-W", "ignore", __file__, name, str(side)],
        check=True,
        capture_output=True,
        text=True,
    )
    return float(answer.stdout)


def resident(key: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return float(next(line for line in lines if line.startswith(key)).split()[1]) * 1024.0


def measure_peak(name: str, side: int) -> None:
    run = {"ours": ours, "library": library}[name]
    run(noisy(160, 0.02))
    z = noisy(side, 0.02)
    Path("/proc/self/clear_refs").write_text("5")  # Linux: the peak starts again from here
    before = resident("VmRSS")
    kept = run(z)
    print((resident("VmHWM") - before) / z.size)
    del kept


def main() -> None:
    print(f"first call, 160 x 160, geosite: {timed(ours, noisy(160, 0.02)) * 1e3:.0f} ms")
    print(f"first call, 160 x 160, pyflwdir: {timed(library, noisy(160, 0.02)) * 1e3:.0f} ms")
    surfaces = {
        "1000 x 1000, noise 20 mm": noisy(1000, 0.02),
        "1000 x 1000, noise 300 mm": noisy(1000, 0.3),
        "3000 x 3000, noise 20 mm": noisy(3000, 0.02),
        "3000 x 3000, no noise": noisy(3000, 0.0),
    }
    real = fault()
    if real is not None:
        surfaces["jacksboro_fault_dem, 344 x 403"] = real
    print("time, seconds, and ratio to pyflwdir")
    for name, z in surfaces.items():
        times: dict[str, list[float]] = {"ours": [], "library": []}
        for _ in range(ROUNDS):
            times["ours"].append(timed(ours, z))
            times["library"].append(timed(library, z))
        mine, other = np.median(times["ours"]), np.median(times["library"])
        print(f"  {name:32} {mine:7.3f} {other:7.3f}   {mine / other:.2f}", flush=True)
    print("peak memory over the elevations, bytes per cell, and ratio")
    for side in (1000, 3000):
        mine, other = peak("ours", side), peak("library", side)
        print(f"  {side} x {side} {mine:24.1f} {other:7.1f}   {mine / other:.2f}", flush=True)
    print("processor time for twice the cells")
    whole = noisy(4000, 0.02)
    sides = (500, 707, 1000, 1414, 2000, 2828, 4000)
    taken: dict[int, list[float]] = {side: [] for side in sides}
    for _ in range(ROUNDS):
        for side in sides:
            z = np.ascontiguousarray(whole[:side, :side])
            start = time.process_time()
            ours(z)
            taken[side].append(time.process_time() - start)
    last = np.nan
    for side in sides:
        now = float(np.median(taken[side]))
        print(f"  {side**2 / 1e6:6.2f} million {now:7.3f} s   {now / last:.2f}")
        last = now


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure_peak(sys.argv[1], int(sys.argv[2]))
    else:
        main()
