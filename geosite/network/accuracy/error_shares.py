"""What the error of a place, an elevation or a distance is made of.

With the covariance of all observations Sigma = sum of theta_k Sigma_k, one part for each component
of the device and one for the anchor, the covariance of an adjusted quantity is a function of the
theta of degree one, and its derivative by theta_k is what the observations' errors of kind k bring:
``A Sigma_k A^T`` with the adjustment A as it is. By Euler's theorem these parts add up to all of it
(estimation of variance components: Koch 1999, Parameter Estimation and Hypothesis Testing in Linear
Models, section 3.6, from memory). The derivatives are differences: each component a little larger,
through the same adjustment.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.covariance import level_covariance, plan_covariance, sigmas
from geosite.network.model import LinearForm, Network
from geosite.network.place import Placing
from geosite.network.walk.device import Device
from geosite.network.walk.runs import walk_runs

__all__ = ["ErrorShares", "error_shares"]

PARTS: dict[str, tuple[str, ...]] = {
    "heading": ("heading",),
    "scale": ("scale",),
    "climb": ("climb",),
    "tilt": ("tilt",),
    "pointing": ("pointing", "pointing_up"),
    "random walk": ("walk", "walk_up", "walk_per_second", "walk_up_per_second", "leg"),
}
"""Fields of a device by what they are called."""
STEP = 1e-3
"""Share by which a variance is made larger."""
MOST_ROWS = 5_000
"""Observations up to which the shares are computed: it takes seven more adjustments."""
MOST_MARKS = 60
"""Marks among which the typical distance is looked for."""


@dataclass(frozen=True, slots=True)
class ErrorShares:
    """What the variances of three quantities are made of, as shares that add up to one.

    Parameters
    ----------
    row
        Observation whose place and elevation are meant.
    between : (row, row) or None
        Observations whose distance is meant: of all pairs of marks the one of median distance.
    distance_m
        Ground metres.
    horizontal, vertical, distance
        Share of each component, by its name; empty where a quantity is exact.
    """

    row: int
    between: tuple[int, int] | None
    distance_m: float
    horizontal: dict[str, float]
    vertical: dict[str, float]
    distance: dict[str, float]


def error_shares(placing: Placing, network: Network, row: int) -> ErrorShares | None:
    """Return what the error of a place and of a typical distance is made of.

    Parameters
    ----------
    placing, network
        The survey, and what came of it.
    row
        Observation.

    Returns
    -------
    ErrorShares or None
        None for very large surveys.
    """
    book = placing.notes.book
    if len(book) > MOST_ROWS:
        return None
    between = _typical_pair(network, book.first_observations(MOST_MARKS))
    base = _variances(_again(placing, network), row, between)
    parts: dict[str, Floats] = {}
    for name, changed in _enlarged(placing):
        parts[name] = (_variances(_again(changed, network), row, between) - base) / STEP
    shift = network.shift
    if shift:
        parts["transformation"] = np.array([2 * shift.sigma**2, shift.sigma_up**2, 0.0])
    table = np.maximum(np.array(list(parts.values())), 0.0).T
    whole = table.sum(axis=1)
    shares = [
        {} if total <= 0 else dict(zip(parts, (line / total).tolist(), strict=True))
        for line, total in zip(table, whole.tolist(), strict=True)
    ]
    apart = 0.0
    if between is not None:
        apart = math.dist(*network.en[list(between)]) / network.frame.combined_factor
    return ErrorShares(row, between, apart, *shares)


def _again(placing: Placing, network: Network) -> Network:
    """Adjust again from where the survey lies."""
    walk = walk_runs(placing.notes.book, placing.device, placing.always)
    placed = placing.once(walk, network.orientation, network.frame.combined_factor)
    return placing.made(walk, placed, network.frame, ())


def _enlarged(placing: Placing) -> Iterator[tuple[str, Placing]]:
    """Yield the survey with one component at a time a little larger."""
    larger = math.sqrt(1.0 + STEP)
    for name, fields in PARTS.items():
        device = placing.device
        values = {f: getattr(device, f) for f in fields}
        changed = {f: value * larger for f, value in values.items() if value}
        if changed:
            yield name, replace(placing, device=_with(device, changed))
    anchored = placing.anchored
    controls = tuple(
        replace(c, sigma=c.sigma * larger, sigma_elevation=c.sigma_elevation * larger)
        for c in anchored.controls
    )
    azimuth = anchored.azimuth
    if azimuth is not None:
        azimuth = (azimuth[0], azimuth[1] * larger)
    yield "anchor", replace(placing, anchored=replace(anchored, controls=controls, azimuth=azimuth))


def _with(device: Device, changed: dict[str, float]) -> Device:
    return replace(device, **changed)  # type: ignore[arg-type]


def _variances(network: Network, row: int, between: tuple[int, int] | None) -> Floats:
    """Return the variances of a place, both axes together, of its elevation, of a distance."""
    at = np.array([row])
    plan = float(np.trace(plan_covariance(network, at, at)[0]))
    level = float(level_covariance(network, at, at)[0])
    distance = 0.0
    if between is not None:
        step = network.en[between[1]] - network.en[between[0]]
        along = step / np.hypot(*step)
        pull = np.array([-1.0, 1.0])
        form = LinearForm(np.array(between), along[0] * pull, along[1] * pull, np.zeros(2))
        distance = float(sigmas(network.relative, [form])[0]) ** 2
    return np.array([plan, level, distance])


def _typical_pair(network: Network, marks: Ints) -> tuple[int, int] | None:
    first, second = np.triu_indices(len(marks), 1)
    apart = np.hypot(*(network.en[marks[second]] - network.en[marks[first]]).T)
    met = np.flatnonzero(apart > 0)
    if not len(met):
        return None
    middle = met[np.argsort(apart[met], kind="stable")[len(met) // 2]]
    return int(marks[first[middle]]), int(marks[second[middle]])
