"""Fit the components of a device's error, given how badly any device explains its surveys.

Minus twice the logarithm of a likelihood is least at the best device; a weak prior about the
starting values, a factor of e either way, keeps what the surveys do not tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geosite.base.arrays import Floats
from geosite.network.walk.device import Device

__all__ = ["PLAUSIBLE", "Component", "curvature", "fit_components"]

PRIOR_LOG_SIGMA = 1.0
"""Standard deviation of the logarithm of each component before the surveys."""
PLAUSIBLE = math.exp(PRIOR_LOG_SIGMA)
"""How many times as bad as an unknown device one may be before its survey looks like a mistake."""
TOLD = 0.8
"""A component whose logarithm is known no better than this share of that is not told."""
FARTHEST_LOG = -6.0
"""Logarithm of a component over its start that is as good as none."""
STEADY_LOG = -2.0
"""Logarithm of a heading that hardly strays over its start: where a second search begins."""
RATIO_95 = 3.84
"""95 % of chi-square with one degree of freedom, for a ratio of likelihoods."""


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the device's error.

    Parameters
    ----------
    name
        Field of `Device`.
    value, low, high
        Standard deviation and its 95 % interval, metres, radians or shares; it starts at 0 where
        the surveys would be explained as well without this part.
    identified
        Whether the surveys tell it; else it is the starting value, more or less.
    """

    name: str
    value: float
    low: float
    high: float
    identified: bool


def fit_components(
    misfit: Callable[[Device], float], names: Sequence[str], start: Device
) -> tuple[tuple[Component, ...], float]:
    """Return some components of a device, and the misfit of that device.

    Parameters
    ----------
    misfit
        Minus twice the logarithm of the likelihood of a device, but for a constant.
    names
        Fields of `Device` to fit; the others stay as they are in `start`.
    start
        Where to search from; the prior is about it.
    """

    def at(logs: Floats) -> float:
        kept = np.clip(logs, FARTHEST_LOG, -FARTHEST_LOG).tolist()
        changed = {n: getattr(start, n) * math.exp(x) for n, x in zip(names, kept, strict=True)}
        return misfit(replace(start, **changed))

    def cost(logs: Floats) -> float:
        return (at(logs) + float((logs**2).sum()) / PRIOR_LOG_SIGMA**2) / 2

    # a heading that hardly strays explains some surveys as well as places that hardly do
    steady = np.array([STEADY_LOG if name == "heading" else 0.0 for name in names])
    searches = [np.zeros(len(names)), steady] if steady.any() else [steady]
    found = min((_least(cost, begin) for begin in searches), key=lambda one: one[0])[1]
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(curvature(cost, found))), 0.0))
    at_best = at(found)
    components = []
    for i, name in enumerate(names):
        without = found.copy()
        without[i] = FARTHEST_LOG
        none = at(without) - at_best < RATIO_95
        sigma = min(float(spread[i]), PRIOR_LOG_SIGMA)
        value = getattr(start, name) * math.exp(found[i])
        wide = math.exp(1.96 * sigma)
        # from nothing to more than an unknown device has: that is no news
        nothing_new = none and value * wide > getattr(start, name)
        told = sigma < TOLD * PRIOR_LOG_SIGMA and not nothing_new
        low = 0.0 if none else value / wide
        components.append(Component(name, value, low, value * wide, told))
    return tuple(components), at_best


def _least(cost: Callable[[Floats], float], start: Floats) -> tuple[float, Floats]:
    """Return the least cost found from a start, and where it is."""
    from scipy.optimize import minimize

    corners = np.vstack([np.zeros(len(start)), 0.7 * np.eye(len(start))]) + start
    options: Any = {"xatol": 0.02, "fatol": 0.02, "initial_simplex": corners}
    found = minimize(cost, corners[0], method="Nelder-Mead", options=options)
    return float(found.fun), np.asarray(found.x)


def curvature(cost: Callable[[Floats], float], at: Floats, step: float = 0.15) -> Floats:
    """Return the second derivatives by differences, shape (n, n)."""
    n = len(at)
    here = cost(at)
    eye = step * np.eye(n)
    ahead = np.array([cost(at + eye[i]) for i in range(n)])
    behind = np.array([cost(at - eye[i]) for i in range(n)])
    out = np.diag((ahead - 2 * here + behind) / step**2)
    for i in range(n):
        for j in range(i):
            both = cost(at + eye[i] + eye[j])
            out[i, j] = out[j, i] = (both - ahead[i] - ahead[j] + here) / step**2
    return out
