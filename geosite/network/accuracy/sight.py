"""Covariance of what a run sees: its orientation, and other marks in its own axes."""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.model import Network

__all__ = ["orientation_variances", "orientation_with_place", "sight_covariance"]


def orientation_variances(network: Network) -> Floats:
    """Return the variances of the runs' orientations, shape (runs,), square radians."""
    at = network.plan.orientation
    return network.plan.posterior.entries(at, at)


def orientation_with_place(network: Network, row: int) -> Floats:
    """Return the covariance of a place with its run's orientation, shape (2,), radian metres."""
    plan = network.plan
    unknown, states = plan.states(np.array([row]))
    run = plan.between.run[plan.between.at[row]]
    shared = plan.posterior.entries(unknown[0], np.full(7, plan.orientation[run]))
    return np.asarray(states[0, :2] @ shared)


def sight_covariance(
    network: Network, target: int, rows: Ints, seen_from: Ints
) -> tuple[Floats, Floats, Floats]:
    """Return the covariance of one mark with other marks as they are, or as a run would see them.

    Parameters
    ----------
    network
    target
        Observation.
    rows : array, shape (m,)
        Observations.
    seen_from : array, shape (m,)
        Observation of the run that sees each of them, whose heading and scale then count as well;
        ``-1`` for the place on the map.

    Returns
    -------
    own : array, shape (2, 2), square metres
        Covariance of the target's easting and northing.
    cross : array, shape (m, 2, 2)
        Of the target's with each other mark's.
    others : array, shape (m, 2, 2)
        Of each other mark's own.
    """
    plan = network.plan
    every = np.append(target, rows)
    base = np.append(-1, seen_from)
    count, size = len(every), plan.posterior.size
    table = np.zeros((count, 2, size))
    axis = np.arange(2)[None, :, None]

    def add(index: Ints, unknown: Ints, coefficient: Floats) -> None:
        np.add.at(table, (index[:, None, None], axis, unknown[:, None, :]), coefficient)

    unknown, states = plan.states(every)
    add(np.arange(count), unknown, states[:, :2])
    seen = np.flatnonzero(base >= 0)
    step = network.en[every[seen]] - network.en[base[seen]]
    # what the run would measure is the step in its own axes and by its own scale
    sight = np.zeros((len(seen), 2, 3))
    sight[:, 0, 0] = sight[:, 1, 1] = -1.0
    sight[:, 0, 2], sight[:, 1, 2] = step[:, 1], -step[:, 0]
    unknown, states = plan.states(base[seen], of_path=True)
    of_base = sight @ states
    of_base[:, :, 6] += step
    add(seen, unknown, of_base)

    flat = table.reshape(2 * count, size)
    spread = plan.posterior.times(flat).reshape(table.shape)
    others = spread @ table.transpose(0, 2, 1)
    cross = (flat @ spread[0].T).reshape(count, 2, 2).transpose(0, 2, 1)
    others += _inside_places(network, every, every)
    turned = sight.transpose(0, 2, 1)
    mixed = plan.inside(every[seen], base[seen])[:, :2] @ turned
    others[seen] += mixed + mixed.transpose(0, 2, 1)
    others[seen] += sight @ plan.inside(base[seen], base[seen]) @ turned
    cross += _inside_places(network, np.full(count, target), every)
    cross[seen] += plan.inside(np.full(len(seen), target), base[seen])[:, :2] @ turned
    return others[0], cross[1:], others[1:]


def _inside_places(network: Network, a: Ints, b: Ints) -> Floats:
    """Covariance of what chains and pointing leave to pairs of rows, shape (m, 2, 2)."""
    plan = network.plan
    own = plan.inside(a, b)[:, :2, :2]
    pointed = (a == b) & ~plan.between.on_node(plan.between.at[a])
    return np.asarray(own + np.where(pointed, plan.pointing, 0.0)[:, None, None] * np.eye(2))
