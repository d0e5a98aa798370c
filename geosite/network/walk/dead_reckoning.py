"""Dead reckoning along the legs of a device whose heading strays.

Seen from the node where it starts, the error of a walk is a shift and a turn about that node. Each
leg adds to it a small shift and turn of its own that does not depend on the others: carried back to
the node, the error N is a random walk of three numbers with the covariance G, summed leg by leg.
Between two nodes it is a bridge, ``cov(N_i, N_j) = G_min(i, j) - G_i G^-1 G_j`` with G that of the
whole long leg: the Brownian bridge (Karatzas & Shreve, Brownian Motion and Stochastic Calculus,
section 5.6.B) with matrices for variances.

Of a leg with vector v the heading strays by eta, variance ``kappa^2 |v|``, evenly on the way: that
turns the leg by eta / 2 and by c, variance ``kappa^2 |v| / 12``, independent of eta (the mean of a
Brownian motion given its end), so that it does not matter how densely a walk was noted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.walk.runs import Complexes, Walk

__all__ = ["Noise", "Reckoned", "Strayed", "reckon", "state_matrix"]


@dataclass(frozen=True, eq=False)
class Noise:
    """Variances of the legs, one per position in walking order.

    Parameters
    ----------
    walked : array, shape (n,)
        Of the random walk per axis, square metres.
    heading : array, shape (n,)
        Of the change of heading, square radians.
    """

    walked: Floats
    heading: Floats

    @property
    def lateral(self) -> Floats:
        """Of the part of a leg's own turn that does not depend on its change of heading."""
        return self.heading / 12.0


@dataclass(frozen=True, eq=False)
class Strayed:
    """Where the heading strayed to as far as the adjustment tells, one value per position.

    Parameters
    ----------
    heading, lateral : array, shape (n,), radians
        Change of heading on each leg, and its own turn beside half of that.
    shift : array of complex, shape (n,), metres
        The random walk on each leg, map axes.
    """

    heading: Floats
    lateral: Floats
    shift: Complexes

    @classmethod
    def none(cls, count: int) -> Strayed:
        """Return what is known before the adjustment."""
        return cls(np.zeros(count), np.zeros(count), np.zeros(count, dtype=np.complex128))


@dataclass(frozen=True, eq=False)
class Reckoned:
    """The walk on the map, every position from its reference node (`Walk.reference`).

    Parameters
    ----------
    middle, leg : array of complex, shape (n,), metres
        Middle of the leg that ends at each position from the node, and its vector.
    reach, carried : array of complex, shape (n,), metres
        Vector from the node, and the part of it that the device measured.
    walk
    sums : array, shape (n, 6)
        Running sums along all runs of what each leg adds to the covariance of the error.
    strayed
        What it was reckoned with.
    """

    middle: Complexes
    leg: Complexes
    reach: Complexes
    carried: Complexes
    walk: Walk
    sums: Floats
    strayed: Strayed

    @cached_property
    def gain(self) -> Floats:
        """The gain at every position, shape (n, 3, 3)."""
        return self.gain_at(np.arange(len(self.sums)))

    def gain_at(self, at: Ints) -> Floats:
        """Return the gain at some positions, shape (m, 3, 3).

        The covariance G of the error from the node to there: east, north, turn about the node.
        """
        reference = self.walk.reference[at]
        total = self.sums[at] - self.sums[reference]
        # before the first node of a run the way is reckoned backwards
        total[reference > at] *= -1.0
        return np.asarray(total[:, [0, 1, 3, 1, 2, 4, 3, 4, 5]].reshape(-1, 3, 3))


def state_matrix(reach: Complexes) -> Floats:
    """Return how a shift and turn at a node moves and turns places at `reach` from it, (m, 3, 3).

    Examples
    --------
    >>> state_matrix(np.array([3.0 + 4.0j]))[0] @ [0.0, 0.0, 0.1]
    array([-0.4,  0.3,  0.1])
    """
    out = np.zeros((len(reach), 3, 3))
    out[:, range(3), range(3)] = 1.0
    out[:, 0, 2], out[:, 1, 2] = -reach.imag, reach.real
    return out


def reckon(
    walk: Walk,
    step: Complexes,
    heading: Floats,
    noise: Noise,
    strayed: Strayed,
) -> Reckoned:
    """Reckon all legs from their nodes.

    Parameters
    ----------
    walk
    step : array of complex, shape (n,), metres
        Leg that ends at each position, in its run's own axes, by the scale found for the run.
    heading : array, shape (m,)
        Heading at each node: turn from the run's axes to the map's, radians.
    noise, strayed

    Returns
    -------
    Reckoned
    """
    reference = walk.reference
    turned = np.cumsum(strayed.heading)
    own = turned - turned[reference] - strayed.heading / 2 + strayed.lateral
    own = np.where(walk.leg_of_step >= 0, own, 0.0)
    measured = step * np.exp(1j * (heading[walk.node_at[reference]] + own))
    leg = measured + strayed.shift

    def from_node(values: Complexes) -> Complexes:
        total = np.cumsum(values)
        return np.asarray(total - total[reference])

    reach, carried = from_node(leg), from_node(measured)
    middle = reach - leg / 2
    # noise of each leg carried back to the node: shift (J leg) c + u - (J middle) eta, turn eta
    q, m, v = noise.heading, middle, leg
    parts = np.empty((len(leg), 6))
    parts[:, 0] = noise.walked + q * m.imag**2 + noise.lateral * v.imag**2
    parts[:, 1] = -q * m.real * m.imag - noise.lateral * v.real * v.imag
    parts[:, 2] = noise.walked + q * m.real**2 + noise.lateral * v.real**2
    parts[:, 3] = q * m.imag
    parts[:, 4] = -q * m.real
    parts[:, 5] = q
    np.cumsum(parts, axis=0, out=parts)
    return Reckoned(middle, leg, reach, carried, walk, parts, strayed)
