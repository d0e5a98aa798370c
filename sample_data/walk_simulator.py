"""Simulated walks with known truth: what a device would record on marks whose place is known.

Used by the scripts that make the sample sites and by the tests of the accuracy claims. A walk is a
list of stops at true ground positions. The recorder starts at a position and an orientation that
nobody knows and drifts: every leg adds to each axis an error with variance a^2 + b^2 * length.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

COLUMNS = ("run", "point", "x", "y", "z", "feature", "code", "segment", "note")


@dataclass(frozen=True)
class Stop:
    """One observation at its true place: east, north, up in ground metres."""

    east: float
    north: float
    up: float
    point: str = ""
    feature: str = ""
    code: str = ""
    segment: str = ""
    note: str = ""


@dataclass(frozen=True)
class Walk:
    """One run: its name and its stops in walking order."""

    run: str
    stops: tuple[Stop, ...]


@dataclass(frozen=True)
class Noise:
    """Standard deviation of one leg per axis: sqrt(constant^2 + per_sqrt_metre^2 * length)."""

    constant: float = 0.005
    per_sqrt_metre: float = 0.004


def recorded(
    walk: Walk,
    noise: Noise,
    rng: np.random.Generator,
    *,
    orientation: float | None = None,
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> np.ndarray:
    """Return what the device records on one run, shape (n, 3), metres, in the run's own frame.

    The frame starts at `origin` on the first stop; its x axis lies `orientation` radians
    counter-clockwise from east (random if not given).
    """
    truth = np.array([(s.east, s.north, s.up) for s in walk.stops])
    legs = np.diff(truth, axis=0)
    length = np.sqrt((legs**2).sum(axis=1))
    spread = np.sqrt(noise.constant**2 + noise.per_sqrt_metre**2 * length)
    legs = legs + rng.standard_normal(legs.shape) * spread[:, None]
    turn = rng.uniform(-math.pi, math.pi) if orientation is None else orientation
    cosine, sine = math.cos(turn), math.sin(turn)
    local = np.column_stack(
        [
            legs[:, 0] * cosine + legs[:, 1] * sine,
            -legs[:, 0] * sine + legs[:, 1] * cosine,
            legs[:, 2],
        ]
    )
    return np.asarray(origin) + np.vstack([np.zeros(3), np.cumsum(local, axis=0)])


def field_book_rows(
    walks: Iterable[Walk],
    noise: Noise,
    rng: np.random.Generator,
    *,
    unit_m: float = 1.0,
    decimals: int = 3,
) -> list[dict[str, str]]:
    """Return the field book of several runs, coordinates in units of `unit_m` metres."""
    rows = []
    for walk in walks:
        for stop, xyz in zip(walk.stops, recorded(walk, noise, rng) / unit_m, strict=True):
            x, y, z = (f"{v + 0.0:.{decimals}f}" for v in xyz)
            rows.append(
                dict(
                    zip(
                        COLUMNS,
                        (
                            walk.run,
                            stop.point,
                            x,
                            y,
                            z,
                            stop.feature,
                            stop.code,
                            stop.segment,
                            stop.note,
                        ),
                        strict=True,
                    )
                )
            )
    return rows


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[dict[str, str]]) -> None:
    """Write rows as UTF-8 CSV with Unix line ends."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
