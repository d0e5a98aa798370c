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
_BEYOND_DOUBT = 100.0
"""Ratio of likelihoods, the others as they are, from which on they could not make up for it."""
_STEP_LOG = 0.4
"""By which the lower end is first moved, then by twice as much, until it is excluded."""


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
    misfit: Callable[[Device], float], names: Sequence[str], start: Device, *, ends: bool = True
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
    ends
        Whether to say how well they are known; without it both ends are the value.

    Notes
    -----
    A variance that is known as by n squares lies as a chi-square with n degrees of freedom says
    (Satterthwaite 1946, An approximate distribution of estimates of variance components,
    doi:10.2307/3002019), n from the curvature of the likelihood, and the prior with it. Other
    components can stand in for one (a wandering place for pointing) where it is far from its best:
    the lower end goes down to where the likelihood, the others fitted anew, excludes it.
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
    at_best = at(found)
    values = [getattr(start, n) * math.exp(x) for n, x in zip(names, found.tolist(), strict=True)]
    if not ends:
        parts = (Component(n, v, v, v, True) for n, v in zip(names, values, strict=True))
        return tuple(parts), at_best
    curved = curvature(cost, found)
    squared = np.diag(np.linalg.pinv(curved))
    # a bend the wrong way, from a search that stopped beside the best, tells nothing
    spread = np.where(squared > 0.0, np.sqrt(np.abs(squared)), PRIOR_LOG_SIGMA)
    components = []
    for i, (name, value) in enumerate(zip(names, values, strict=True)):
        without = found.copy()
        without[i] = FARTHEST_LOG
        sigma = min(float(spread[i]), PRIOR_LOG_SIGMA)
        below, above = _factors(sigma)
        apart = at(without) - at_best
        none = apart < RATIO_95
        low = value * below
        if not none and apart < _BEYOND_DOUBT:
            log = _lower(cost, found, i, found[i] + math.log(below))
            none, low = log is None, value * math.exp((log or 0.0) - found[i])
        high = value * above
        # from nothing to more than an unknown device has: that is no news
        nothing_new = none and high > getattr(start, name)
        told = sigma < TOLD * PRIOR_LOG_SIGMA and not nothing_new
        components.append(Component(name, value, 0.0 if none else low, high, told))
    return tuple(components), at_best


def _factors(sigma: float) -> tuple[float, float]:
    """Return both ends of the 95 % interval over the value, sigma that of its logarithm.

    Examples
    --------
    Eighteen squares, and hardly a prior, tell a standard deviation to 0.76 to 1.47 times:

    >>> [round(factor, 2) for factor in _factors(1 / math.sqrt(2 * 18 + 1))]
    [0.76, 1.47]
    """
    # of the curvature 1 / sigma^2 the prior has its part, n squares have 2 n
    of_prior = PRIOR_LOG_SIGMA**-2
    squares = max(max(sigma, 1e-3) ** -2 - of_prior, 0.0) / 2
    x = np.linspace(-12.0, 12.0, 48_001) * sigma
    log_density = -squares * (x + np.exp(-2 * x) / 2) - of_prior * x**2 / 2
    share = np.cumsum(np.exp(log_density - log_density.max()))
    low, high = np.interp((0.025, 0.975), share / share[-1], x).tolist()
    return math.exp(low), math.exp(high)


def _lower(cost: Callable[[Floats], float], found: Floats, i: int, log: float) -> float | None:
    """Return from where down the likelihood excludes a component; None where it excludes none."""
    others = [k for k in range(len(found)) if k != i]
    least = 2 * cost(found) - float(found[i] ** 2) / PRIOR_LOG_SIGMA**2

    def worse(at: float) -> float:
        """How much worse the best fit of the others is with the component at a size."""

        def beside(rest: Floats) -> float:
            logs = np.empty(len(found))
            logs[i], logs[others] = at, rest
            return cost(logs)

        best = _least(beside, found[others], 0.3, 0.1)[0] if others else beside(found[others])
        return 2 * best - at**2 / PRIOR_LOG_SIGMA**2 - least

    step, here, ratio = _STEP_LOG, log, worse(log)
    while ratio < RATIO_95:
        if here <= FARTHEST_LOG:
            return None
        log, before = here, ratio
        here, step = max(here - step, FARTHEST_LOG), 2 * step
        ratio = worse(here)
        if ratio >= RATIO_95:
            log += (here - log) * (RATIO_95 - before) / (ratio - before)
    return log


def _least(
    cost: Callable[[Floats], float], start: Floats, reach: float = 0.7, near: float = 0.02
) -> tuple[float, Floats]:
    """Return the least cost found from a start, and where it is."""
    from scipy.optimize import minimize

    corners = np.vstack([np.zeros(len(start)), reach * np.eye(len(start))]) + start
    options: Any = {"xatol": near, "fatol": near, "initial_simplex": corners}
    found = minimize(cost, corners[0], method="Nelder-Mead", options=options)
    return float(found.fun), np.asarray(found.x)


def curvature(cost: Callable[[Floats], float], at: Floats, step: float = 0.15) -> Floats:
    """Return the second derivatives by differences on both sides, shape (n, n)."""
    n = len(at)
    here = cost(at)
    eye = step * np.eye(n)
    ahead = np.array([cost(at + eye[i]) for i in range(n)])
    behind = np.array([cost(at - eye[i]) for i in range(n)])
    out = np.diag((ahead - 2 * here + behind) / step**2)
    for i in range(n):
        for j in range(i):
            both = cost(at + eye[i] + eye[j]) + cost(at - eye[i] - eye[j])
            apart = ahead[i] + ahead[j] + behind[i] + behind[j]
            out[i, j] = out[j, i] = (both - apart + 2 * here) / (2 * step**2)
    return out
