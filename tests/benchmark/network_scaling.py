"""Time of the adjustment by size of the survey: at most 12 times as long for ten times the points.

    python tests/benchmark/network_scaling.py

Ways to grow: longer runs, more runs, more runs that each share a mark with the next, two runs that
share one mark in fifty (there the number of unknowns grows). By legs that err independently and by
a device whose heading and scale stray. The sigma of every mark and of a hundred quantities is part
of the time, which is that of the processor: others may be at work.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import DeviceTable
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical, sigmas
from geosite.network.model import LinearForm

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

from network_cases import book, notes  # noqa: E402

MARKS = {
    "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0, "sigma": 0.02},
    "B": {"easting": 20.0, "northing": 0.0, "sigma": 0.02},
}


def survey(runs: int, stops: int, chained: bool) -> Notes:
    """Return runs that start and end on the baseline; chained ones share a mark with the next."""
    rng = np.random.default_rng(1)
    common = rng.uniform(-50, 50, (runs, 3)) * [1, 1, 0.02]
    rows = []
    for run in range(runs):
        path = np.cumsum(rng.normal(0, 1.0, (stops, 3)) * [1, 1, 0.05], axis=0)
        names = [""] * stops
        names[0] = names[-2] = "A"
        names[1] = names[-1] = "B"
        path[[0, -2]], path[[1, -1]] = (0.0, 0.0, 0.0), (20.0, 0.0, 0.1)
        if chained:
            for at, mark in ((stops // 3, run), (2 * stops // 3, (run + 1) % runs)):
                names[at], path[at] = f"T{mark}", common[mark]
        length = np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1))
        noise = rng.normal(size=(stops - 1, 3)) * np.sqrt(25e-6 + 16e-6 * length)[:, None]
        path[1:] += np.cumsum(noise, axis=0)
        rows += [(f"R{run}", n, *xyz) for n, xyz in zip(names, path, strict=True)]
    return notes(book(rows), MARKS, limit=20.0)


def shared(points: int) -> Notes:
    """Return two runs of which every fiftieth mark is the same: 1,000 of 100,000 points."""
    rng = np.random.default_rng(3)
    stops = points // 2
    true = np.cumsum(rng.normal(0, 1.0, (stops, 3)) * [1, 1, 0.05], axis=0)
    true[0], true[1] = (0.0, 0.0, 0.0), (20.0, 0.0, 0.1)
    rows = []
    for run in ("R1", "R2"):
        names = [f"T{i}" if i % 50 == 0 else "" for i in range(stops)]
        names[0], names[1] = "A", "B"
        path = true + (rng.normal(0, 2.0, true.shape) * [[n == ""] for n in names])
        length = np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1))
        noise = rng.normal(size=(stops - 1, 3)) * np.sqrt(25e-6 + 16e-6 * length)[:, None]
        path[1:] += np.cumsum(noise, axis=0)
        rows += [(run, n, *xyz) for n, xyz in zip(names, path, strict=True)]
    return notes(book(rows), MARKS, limit=20.0)


def with_device(case: Notes) -> Notes:
    """Return the same survey by a device whose heading and scale stray."""
    table = msgspec.convert({"class": "good"}, DeviceTable)
    survey = msgspec.structs.replace(
        case.site.survey, leg_noise=None, closure_limit=None, device=table
    )
    return replace(case, site=msgspec.structs.replace(case.site, survey=survey))


def seconds(case: Notes) -> float:
    start = time.process_time()
    network = adjust(case)
    sigma_horizontal(network)
    sigma_vertical(network)
    rng = np.random.default_rng(2)
    n = len(case.book)
    forms = []
    for first in rng.integers(0, n - 40, 100):
        rows = np.arange(first, first + 40)
        forms.append(LinearForm(rows, rng.normal(size=40), rng.normal(size=40), np.zeros(40)))
    sigmas(network, forms)
    return time.process_time() - start


GROWTH: dict[str, Callable[[int], Notes]] = {
    "10 runs, longer": lambda points: survey(10, points // 10, False),
    "runs of 500, more": lambda points: survey(max(points // 500, 2), 500, False),
    "runs of 500 chained by marks": lambda points: survey(max(points // 500, 2), 500, True),
    "runs of 100 chained by marks": lambda points: survey(max(points // 100, 2), 100, True),
    "two runs, 1 mark in 50 shared": shared,
}


def main() -> None:
    seconds(survey(2, 100, True))  # imports
    seconds(with_device(survey(60, 100, True)))
    for name, make in GROWTH.items():
        for kind, change in (("legs", lambda case: case), ("device", with_device)):
            before = 0.0
            for points in (10_000, 100_000):
                case = change(make(points))
                took = min(seconds(case) for _ in range(2))
                ratio = f"{took / before:5.1f} times the one before" if before else ""
                print(f"{name:30} {kind:7} {points:7} points {took:8.3f} s {ratio}", flush=True)
                before = took


if __name__ == "__main__":
    main()
