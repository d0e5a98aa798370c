"""Rasters larger than memory: peak memory and processor time of slope, drainage and contours.

    python tests/benchmark/strips.py [SIDE] [PROCESS ...]

A square raster of SIDE cells (10,000 without it) of fractal ground, each process by the command in
a process of its own, whose address space is limited to 3 GB: it cannot take more unnoticed.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import Affine
from rasterio.windows import Window

LIMIT = 3_000_000_000
TILE = 1000


def ground(path: Path, side: int) -> None:
    """Write fractal ground (power 1.8) that repeats, on a broad relief that does not."""
    draw = np.random.default_rng(1)
    wave = np.fft.fftfreq(TILE)[:, None] ** 2 + np.fft.fftfreq(TILE)[None, :] ** 2
    wave[0, 0] = 1.0
    rough = np.fft.ifft2(np.fft.fft2(draw.normal(size=(TILE, TILE))) / wave**0.9).real
    rough *= 12.0 / rough.std()
    east = np.arange(side)
    with rasterio.open(
        path, "w", driver="GTiff", width=side, height=side, count=1, dtype="float32",
        crs="EPSG:25832", nodata=-9999, tiled=True, blockxsize=512, blockysize=512,
        bigtiff="IF_SAFER", transform=Affine(1, 0, 400_000, 0, -1, 5_600_000),
    ) as file:  # fmt: skip
        for top in range(0, side, 512):
            north = np.arange(top, min(top + 512, side))[:, None]
            z = rough[north % TILE, east[None, :] % TILE]
            z = z + 150 * np.sin(east / 3100 + north / 4700) + 90 * np.cos(north / 2300)
            file.write(z.astype(np.float32), 1, window=Window(0, top, side, len(north)))


def main(side: int, names: list[str]) -> None:
    work = {
        "derive-slope": ("derive-slope",),
        "derive-drainage": ("derive-drainage",),
        "d-infinity": ("derive-drainage", "--method", "d-infinity"),
        "trace-contours": ("trace-contours", "--interval", "50"),
    }
    geosite = Path(sys.executable).with_name("geosite")
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as name:
        folder = Path(name)
        ground(folder / "e.tif", side)
        for process in names or work:
            command = [geosite, "execute", *work[process], "--elevation", folder / "e.tif"]
            start = time.perf_counter()
            child = subprocess.Popen(
                [*map(str, command), "--out", str(folder / "out")],
                stdout=subprocess.DEVNULL,
                preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (LIMIT, LIMIT)),
            )
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            print(
                f"{process}: {side} x {side}, exit {child.returncode}, "
                f"peak {used.ru_maxrss / 1e6:.2f} GB, "
                f"{used.ru_utime + used.ru_stime:.0f} s of processor, "
                f"{time.perf_counter() - start:.0f} s",
                flush=True,
            )


if __name__ == "__main__":
    given = sys.argv[1:]
    main(int(given[0]) if given else 10_000, given[1:])
