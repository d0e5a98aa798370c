"""What the plan is adjusted from, and what is unknown of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints, Shorts
from geosite.network.equations.normal import Prior
from geosite.network.walk.dead_reckoning import Noise, Start
from geosite.network.walk.device import Device
from geosite.network.walk.runs import Complexes, Walk

__all__ = ["Azimuth", "PlanInput", "Unknowns", "number_unknowns"]

LEAST_WAY = 0.01
"""Metres. The heading of a device that stands still strays as if it had gone so far."""


@dataclass(frozen=True, slots=True)
class Azimuth:
    """The direction from one knot to another, radians clockwise from grid north."""

    start: int
    end: int
    value: float
    sigma: float


@dataclass(frozen=True, eq=False)
class PlanInput:
    """What the plan is adjusted from.

    Parameters
    ----------
    walk
    step : array of complex, shape (n,), grid metres
        Leg that ends at each position, in its run's own axes.
    device
    factor
        What the variances of the device are multiplied with.
    prior
        Known places, at least one.
    heading : array, shape (runs,), radians
        Where to start.
    azimuth
        Turns the whole network about the only known mark; it has no redundancy.
    before
        Headings, scales and strays to start from instead, if they are known already.
    """

    walk: Walk
    step: Complexes
    device: Device
    factor: float
    prior: Prior
    heading: Floats
    azimuth: Azimuth | None = None
    before: Start | None = None

    def noise(self, walk: Walk, at: slice = slice(None)) -> Noise:
        """Return the variances of the legs of the walk, or of a piece of it at `at`."""
        spent = np.where(walk.step_variance > 0, np.maximum(walk.way, LEAST_WAY), 0.0)
        heading = self.factor * self.device.heading**2 * spent
        return Noise.of_legs(self.factor * walk.step_variance, heading, np.abs(self.step[at]))

    @property
    def runs(self) -> int:
        """How many."""
        return len(self.heading)


@dataclass(frozen=True, eq=False)
class Unknowns:
    """Numbers of the unknowns: of the easting, that of the northing is one more.

    Parameters
    ----------
    knot : array, shape (K,)
    path : array, shape (m,)
        Of each node; that of its knot where the device points without error.
    heading : array, shape (m,)
        Of each node; the same for all nodes of a run where headings do not stray.
    scale : array, shape (runs,)
    size
    free : array
        Those that are not held.
    """

    knot: Ints
    path: Ints
    heading: Ints
    scale: Ints
    size: int
    free: Ints

    def of_legs(self, first: Shorts, last: Shorts, run: Ints) -> Ints:
        """Return the numbers of what long legs between nodes touch, shape (s, 7)."""
        return np.column_stack(
            [
                self.path[first],
                self.path[first] + 1,
                self.heading[first],
                self.path[last],
                self.path[last] + 1,
                self.heading[last],
                self.scale[run],
            ]
        )


def number_unknowns(given: PlanInput) -> Unknowns:
    """Return numbers for what is unknown of the plan."""
    walk, device = given.walk, given.device
    knots, nodes = len(walk.knots), len(walk.nodes)
    knot = 2 * np.arange(knots)
    size = 2 * knots
    path = knot[walk.knot[walk.nodes]]
    if device.pointing > 0:
        path = size + 2 * np.arange(nodes)
        size += 2 * nodes
    of_run = walk.run[walk.nodes].astype(np.int64)
    heading = size + (np.arange(nodes) if device.heading > 0 else of_run)
    size += nodes if device.heading > 0 else given.runs
    scale = size + np.arange(given.runs)
    size += given.runs
    held = knot[given.prior.knot[given.prior.exact]]
    held = np.concatenate([held, held + 1, [] if device.scale > 0 else scale]).astype(np.int64)
    return Unknowns(knot, path, heading, scale, size, np.setdiff1d(np.arange(size), held))
