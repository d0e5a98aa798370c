"""Closed random walks that all start and end on the same two marks."""

from __future__ import annotations

import numpy as np
from network_cases import notes

from geosite.fieldbook.model import Notes


def closed_runs(runs: int, stops: int) -> Notes:
    """Return runs from the baseline and back to it, each with its own axes, by a good device."""
    rng = np.random.default_rng(1)
    rows = []
    for run in range(runs):
        path = np.cumsum(rng.normal(0, 1.0, (stops, 3)) * [1, 1, 0.05], axis=0)
        names = [f"S{run}_{stop}" for stop in range(stops)]
        names[0], names[1], names[-2], names[-1] = "A", "B", "A", "B"
        path[[0, -2]], path[[1, -1]] = (0.0, 0.0, 0.0), (20.0, 0.0, 0.1)
        length = np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1))
        noise = rng.normal(size=(stops - 1, 3)) * np.sqrt(25e-6 + 16e-6 * length)[:, None]
        path[1:] += np.cumsum(noise, axis=0)
        turn = np.exp(1j * rng.uniform(0, 2 * np.pi)) * (path[:, 0] + 1j * path[:, 1])
        local = np.column_stack([turn.real, turn.imag, path[:, 2]])
        rows += [(f"R{run}", name, *xyz) for name, xyz in zip(names, local, strict=True)]
    anchor = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0, "sigma": 0.02},
        "B": {"easting": 20.0, "northing": 0.0, "sigma": 0.02},
    }
    return notes(rows, anchor, device={"class": "good"}, limit=None)
