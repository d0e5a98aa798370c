"""Time and memory of the adjustment of two million points, against half and a quarter of them.

    python tests/benchmark/network_two_million.py

Twenty runs that start and end on the baseline. Each size is measured in a process of its own, so
that the peak memory is that of the size; the field book itself is part of it.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from geosite.fieldbook.model import Notes
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

from network_cases import book, notes  # noqa: E402

RUNS = 20


def survey(points: int) -> Notes:
    rng = np.random.default_rng(1)
    stops = points // RUNS
    places = np.array([[0.0, 0.0, 0.0], [20.0, 0.0, 0.1]])
    local = np.cumsum(rng.normal(0, 0.05, (RUNS, stops, 3)) * [1, 1, 0.05], axis=1)
    local[:, [0, -2]], local[:, [1, -1]] = places[0], places[1]
    length = np.sqrt((np.diff(local, axis=1) ** 2).sum(axis=2, keepdims=True))
    noise = rng.normal(size=(*length.shape[:2], 3)) * np.sqrt(1e-8 * length)
    local[:, 1:] += np.cumsum(noise, axis=1)
    mark = np.full((RUNS, stops), -1, dtype=np.int64)
    mark[:, [0, -2]], mark[:, [1, -1]] = 0, 1
    n = RUNS * stops
    blank = np.full(n, -1, dtype=np.int64)
    small = book([("R0", "A", 0.0, 0.0, 0.0), ("R0", "B", 20.0, 0.0, 0.1)])
    walked = replace(
        small,
        local=local.reshape(n, 3),
        runs=tuple(f"R{i}" for i in range(RUNS)),
        run=np.repeat(np.arange(RUNS, dtype=np.int64), stops),
        mark=mark.ravel(),
        feature=blank,
        code=blank,
        kind=np.zeros(n, dtype=np.int8),
        piece=np.ones(n, dtype=np.int16),
        notes=("",) * n,
        line=np.arange(2, n + 2, dtype=np.int64),
    )
    known = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0, "sigma": 0.02},
        "B": {"easting": 20.0, "northing": 0.0, "sigma": 0.02},
    }
    return notes(walked, known, noise=(0.0, 1e-4), limit=20.0)


def main() -> None:
    if len(sys.argv) > 1:
        case = survey(int(sys.argv[1]))
        start = time.perf_counter(), time.process_time()
        network = adjust(case)
        assert np.isfinite(sigma_horizontal(network)).all()
        assert np.isfinite(sigma_vertical(network)).all()
        took, busy = time.perf_counter() - start[0], time.process_time() - start[1]
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{len(case.book):8} points {took:7.1f} s, {busy:7.1f} s of processor, {peak:6.0f} MB"
        )
        return
    for points in (500_000, 1_000_000, 2_000_000):
        subprocess.run([sys.executable, __file__, str(points)], check=True)


if __name__ == "__main__":
    main()
