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

A leg walked straight is bent by it too, and measured too short by half the mean square of the
heading about its own mean. A Brownian motion less its mean is the sum of ``sqrt(2 q) z_k
cos(k pi t) / (k pi)``, q its variance at the end and z_k standard normal, so that this share is the
sum of ``q z_k^2 / 2 (k pi)^2``: mean ``q / 12``, variance ``q^2 / 180`` (sums of 1/k^2 and 1/k^4),
mean square ``q^2 / 80``. On 100 m and 0.4 degrees per root metre that is 41 mm, give or take 36 mm.
The mean square is booked as noise. The mean is not added to the leg: a device that never strays
would be told longer than it measured, and what all legs have in common is its scale.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from geosite.base.arrays import Floats
from geosite.network.walk.runs import Complexes, Walk

__all__ = ["Noise", "Reckoned", "Start", "Strayed", "gains", "reckon", "state_matrix"]

ENTRIES = ((0, 0), (0, 1), (1, 1), (0, 2), (1, 2), (2, 2))
"""Entries of a symmetric matrix of three rows that differ."""


@dataclass(frozen=True, eq=False)
class Noise:
    """Variances of the legs, one per position in walking order.

    Parameters
    ----------
    walked : array, shape (n,)
        Of the random walk per axis, and of what bends shorten legs by, square metres.
    heading : array, shape (n,)
        Of the change of heading, square radians.
    """

    walked: Floats
    heading: Floats

    @classmethod
    def of_legs(cls, walked: Floats, heading: Floats, length: Floats) -> Noise:
        """Return the noise of legs walked straight, with their bends.

        Parameters
        ----------
        walked
            Of the random walk alone.
        heading
        length : array, shape (n,), metres
        """
        # small angles: beyond a radian the series says no more
        return cls(walked + (np.minimum(heading, 1.0) * length) ** 2 / 80.0, heading)

    @cached_property
    def strays(self) -> bool:
        """Whether headings do."""
        return bool(self.heading.any())

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

    def part(self, at: slice) -> Strayed:
        """Return what is known of some positions; it shares its memory."""
        return Strayed(self.heading[at], self.lateral[at], self.shift[at])

    def put(self, at: slice, part: Strayed) -> None:
        """Take what is known of some positions."""
        self.heading[at], self.lateral[at], self.shift[at] = part.heading, part.lateral, part.shift


@dataclass(frozen=True, eq=False)
class Start:
    """What an adjustment starts from.

    Parameters
    ----------
    heading : array, shape (n,), radians
        At every position in walking order.
    scale : array, shape (runs,)
    strayed
    """

    heading: Floats
    scale: Floats
    strayed: Strayed

    @classmethod
    def of_runs(cls, walk: Walk, heading: Floats) -> Start:
        """Return a start from the heading of each run; nothing is known of the way."""
        return cls(heading[walk.run], np.zeros(len(heading)), Strayed.none(len(walk.run)))


@dataclass(frozen=True, eq=False)
class Reckoned:
    """The walk on the map, every position from its reference node (`Walk.reference`).

    Parameters
    ----------
    measured, leg : array of complex, shape (n,), metres
        Leg that ends at each position on the map: as the device measured it, and with its shift.
    turned : array, shape (n,), radians
        By how much the heading strayed from the node.
    walk, step, heading, noise, strayed
        What it was reckoned from (`reckon`).
    """

    measured: Complexes
    leg: Complexes
    turned: Floats
    walk: Walk
    step: Complexes
    heading: Floats
    noise: Noise
    strayed: Strayed

    def again(self, strayed: Strayed) -> Reckoned:
        """Return the same walk with other strays."""
        return reckon(self.walk, self.step, self.heading, self.noise, strayed)

    def _from_node(self, values: Complexes) -> Complexes:
        total = np.cumsum(values)
        return np.asarray(total - total[self.walk.reference])

    @cached_property
    def reach(self) -> Complexes:
        """Vector from the node to each position, metres."""
        return self._from_node(self.leg)

    @cached_property
    def carried(self) -> Complexes:
        """The part of it that the device measured."""
        return self._from_node(self.measured)

    @cached_property
    def middle(self) -> Complexes:
        """Middle of the leg that ends at each position, from the node."""
        return np.asarray(self.reach - self.leg / 2)

    @cached_property
    def leg_reach(self) -> Complexes:
        """Vector of each long leg, shape (s,)."""
        return np.asarray(self.walk.along_legs(self.leg))

    @cached_property
    def leg_carried(self) -> Complexes:
        """The part of it that the device measured."""
        return np.asarray(self.walk.along_legs(self.measured))

    def _parts(self) -> Iterator[Floats]:
        """Yield what each leg adds to the entries of the covariance, in the order of `ENTRIES`.

        Carried back to the node its noise is a shift (J leg) c + u - (J middle) eta, a turn eta.
        Where headings do not stray that is one entry, the same for both axes.
        """
        noise = self.noise
        if not noise.strays:
            yield noise.walked
            return
        q, c, m, v = noise.heading, noise.lateral, self.middle, self.leg
        yield noise.walked + q * m.imag**2 + c * v.imag**2
        yield -q * m.real * m.imag - c * v.real * v.imag
        yield noise.walked + q * m.real**2 + c * v.real**2
        yield q * m.imag
        yield -q * m.real
        yield q

    @cached_property
    def leg_gain(self) -> Floats:
        """The gain at the end of each long leg, shape (s, 3, 3)."""
        return gains(np.stack([self.walk.along_legs(part) for part in self._parts()], axis=1))

    @property
    def gain(self) -> Floats:
        """The gain at every position, shape (n, 3, 3).

        The covariance G of the error from the node to there: east, north, turn about the node.
        """
        entries = np.empty((len(self.leg), self.entries))
        self.put_gain(entries)
        return gains(entries)

    @property
    def entries(self) -> int:
        """How many entries of the gain differ."""
        return len(ENTRIES) if self.noise.strays else 1

    def put_gain(self, into: Floats) -> None:
        """Put the gain at every position, as its entries that differ (`gains`), into (n, k)."""
        reference = self.walk.reference
        # before the first node of a run the way is reckoned backwards
        sign = np.where(reference > np.arange(len(reference)), -1.0, 1.0)
        for k, part in enumerate(self._parts()):
            total = np.cumsum(part)
            into[:, k] = sign * (total - total[reference])


def gains(entries: Floats) -> Floats:
    """Return covariances of east, north and turn from their entries that differ, (m, 3, 3).

    Parameters
    ----------
    entries : array, shape (m, 6) or (m, 1)
        In the order of `ENTRIES`; or that of both axes, where headings do not stray.

    Examples
    --------
    >>> gains(np.array([[4.0]]))[0].tolist()
    [[4.0, 0.0, 0.0], [0.0, 4.0, 0.0], [0.0, 0.0, 0.0]]
    """
    out = np.zeros((len(entries), 3, 3))
    if entries.shape[1] == 1:
        out[:, 0, 0] = out[:, 1, 1] = entries[:, 0]
        return out
    for (i, j), values in zip(ENTRIES, entries.T, strict=True):
        out[:, i, j] = out[:, j, i] = values
    return out


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
    spin = np.exp(1j * heading)[walk.node_at[reference]]
    turned = np.zeros(len(step))
    if noise.strays:
        total = np.cumsum(strayed.heading)
        turned = total - total[reference]
        own = turned - strayed.heading / 2 + strayed.lateral
        own[walk.leg_of_step < 0] = 0.0
        # a third of the time that the exponential of a complex number takes
        bend = np.empty(len(own), dtype=np.complex128)
        np.cos(own, out=bend.real)
        np.sin(own, out=bend.imag)
        spin *= bend
    measured = np.multiply(step, spin, out=spin)
    return Reckoned(measured, measured + strayed.shift, turned, walk, step, heading, noise, strayed)
