"""Time of the slope of 3000 x 3000 cells, beside xarray-spatial's numpy slope, once it is compiled.

Run: ``pip install xarray-spatial`` and ``python tests/benchmark/slope.py``. Medians of 5, taken in
turn; the aim is at most 0.4 of xarray-spatial's time.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np

from geosite.terrain.slope import slope

SIDE = 3000
ROUNDS = 5


def surface() -> np.ndarray:
    r, c = np.mgrid[:SIDE, :SIDE]
    hills = 5.0 * np.sin(r / 170.0) * np.cos(c / 230.0) + 0.01 * c
    noise = np.random.default_rng(1).normal(0.0, 0.02, (SIDE, SIDE))
    return (400.0 + hills + noise).astype(np.float32)


def main() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import xarray
        from xrspatial import slope as library

    z = surface()
    grid = xarray.DataArray(z, dims=("y", "x"), attrs={"res": (1.0, 1.0)})
    runs: dict[str, Callable[[], np.ndarray]] = {
        "xarray-spatial (degrees)": lambda: library(grid).data,
        "geosite, percent": lambda: slope(z, 1.0).steepness("percent"),
        "geosite, degrees": lambda: slope(z, 1.0).steepness("degree"),
    }
    times: dict[str, list[float]] = {name: [] for name in runs}
    results = {name: run() for name, run in runs.items()}  # compiles the library's
    inner = np.s_[1:-1, 1:-1]
    reference = results["xarray-spatial (degrees)"][inner]
    worst = np.abs(results["geosite, degrees"][inner] - reference).max()
    for _ in range(ROUNDS):
        for name, run in runs.items():
            start = time.perf_counter()
            run()
            times[name].append(time.perf_counter() - start)
    whole = np.median(times["xarray-spatial (degrees)"])
    print(f"slope, {SIDE} x {SIDE} float32; largest difference {worst:.4f} degrees")
    for name, taken in times.items():
        print(f"  {name:26} {np.median(taken) * 1e3:7.1f} ms   {np.median(taken) / whole:.2f}")


if __name__ == "__main__":
    main()
