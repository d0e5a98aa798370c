"""Walks of a yard with a device whose heading, scale and climb stray, with their truth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from network_cases import notes

from geosite.fieldbook.model import Notes
from geosite.network.walk.device import CLASSES, Device

CRS = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=500 +y_0=700 +ellps=GRS80 +units=m +type=crs"
STRAYING = Device(
    pointing=0.008,
    pointing_up=0.008,
    walk=0.006,
    walk_up=0.006,
    heading=math.radians(0.9),
    scale=0.02,
    climb=0.01,
    tilt=math.radians(0.5),
    degrees_of_freedom=4,
)
"""Heading, scale and climb twice those of an unknown device, the random walk less than half."""


@dataclass(frozen=True)
class Walked:
    """A survey and the true place of every row, metres."""

    notes: Notes
    truth: np.ndarray


def yard(size: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Marks of a yard: the baseline A, B, and thirty others, M0, M1, ..."""
    places = {"A": np.array([0.0, 0.0, 0.0]), "B": np.array([0.25 * size, 0.02 * size, 0.1])}
    for i in range(30):
        flat = rng.uniform(-0.1 * size, size, 2)
        places[f"M{i}"] = np.append(flat, 0.02 * flat[0] + rng.normal(0, 0.2))
    return places


def itinerary(rng: np.random.Generator, closed: bool) -> list[list[str]]:
    """Two walks over half of the marks each and three common ones; closed ones come back."""
    order = [f"M{i}" for i in rng.permutation(30)]
    common = order[:3]
    runs = []
    for part in (order[3:17], order[17:]):
        stops = ["A", "B", *part[:5], common[0], *part[5:9], common[1], *part[9:]]
        runs.append([*stops, common[2], "B", "A"] if closed else stops)
    return runs


def recorded(
    stops: np.ndarray, device: Device, rng: np.random.Generator, part: float = 0.5
) -> np.ndarray:
    """What the device gives for stops on true places, walked straight in steps of `part` metres."""
    scale, climb = rng.normal(0, device.scale), rng.normal(0, device.climb)
    tilt = rng.normal(0, device.tilt, 2)
    pointed = np.array([device.pointing, device.pointing, device.pointing_up])
    walk = np.array([device.walk, device.walk, device.walk_up])
    touched = [rng.normal(0, 1, 3)]
    steps, draws, ends = [np.zeros((0, 3))], [np.zeros((0, 4))], [0]
    for a, b in pairwise(stops):
        count = max(1, round(float(np.hypot(*(b - a)[:2])) / part))
        steps.append(np.tile((b - a) / count, (count, 1)))
        draws.append(rng.normal(0, 1, (count, 4)))
        touched.append(rng.normal(0, 1, 3))
        ends.append(ends[-1] + count)
    step, draw = np.concatenate(steps), np.concatenate(draws)
    root = np.sqrt(np.linalg.norm(step, axis=1))
    heading = np.cumsum(np.append(0.0, device.heading * root * draw[:, 3]))[:-1]
    u = root[:, None] * draw[:, :3] * walk
    plane = (step[:, 0] + 1j * step[:, 1]) * np.exp(-1j * heading)
    plane = (1 + scale) * (plane - (u[:, 0] + 1j * u[:, 1]))
    flat = np.column_stack([plane.real, plane.imag])
    rise = step[:, 2] - climb * root**2 - flat @ tilt - u[:, 2]
    path = np.cumsum(np.vstack([np.zeros(3), np.column_stack([flat, rise])]), axis=0)
    return np.asarray(path[ends] + np.array(touched) * pointed)


def walked(
    size: float,
    seed: int,
    *,
    true: Device = CLASSES["unknown"],
    stated: dict[str, Any] | None = None,
    closed: bool = True,
    sigma: float = 0.0,
) -> Walked:
    """Walk a yard and note it."""
    rng = np.random.default_rng(seed)
    places = yard(size, rng)
    rows, truth = [], []
    for number, names in enumerate(itinerary(rng, closed)):
        local = recorded(np.array([places[n] for n in names]), true, rng)
        turn = rng.uniform(0, 2 * math.pi)
        cosine, sine = math.cos(turn), math.sin(turn)
        flat = local[:, :2] @ np.array([[cosine, sine], [-sine, cosine]])
        local = np.column_stack([flat, local[:, 2]]) + rng.uniform(-9, 9, 3)
        rows += [(f"R{number + 1}", n, *xyz) for n, xyz in zip(names, local, strict=True)]
        truth += [places[n] for n in names]
    anchor: dict[str, dict[str, Any]] = {}
    for name in "AB":
        east, north, up = (places[name] + rng.normal(0, 1, 3) * sigma).tolist()
        anchor[name] = {"easting": 500 + east, "northing": 700 + north, "elevation": up}
        if sigma:
            anchor[name]["sigma"] = sigma
    case = notes(rows, anchor, device=stated or {"class": "unknown"}, limit=None, crs=CRS)
    return Walked(case, np.array(truth))
