"""Which way an arrow points, from its ink alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike


def pointing(ink: ArrayLike) -> float:
    """Return the azimuth in degrees of an arrow: along its longer axis, to its wider end.

    Parameters
    ----------
    ink : (n, 2) array of float
        Places of the dark pixels, to the right and down.
    """
    places = np.asarray(ink, dtype=float)
    around = places - places.mean(axis=0)
    spread, axes = np.linalg.eigh(np.cov(around.T))
    # a triangle alone has no longer axis, and no direction is read from it
    assert spread[1] > 2.0 * spread[0], spread
    along, aside = around @ axes[:, 1], around @ axes[:, 0]
    middle = (along.min() + along.max()) / 2.0
    ahead = np.abs(aside[along > middle]).max() > np.abs(aside[along < middle]).max()
    right, down = axes[:, 1] if ahead else -axes[:, 1]
    return math.degrees(math.atan2(right, -down)) % 360.0


def turn_between(one: float, other: float) -> float:
    """Return the smaller angle between two azimuths, degrees."""
    return abs((one - other + 180.0) % 360.0 - 180.0)
