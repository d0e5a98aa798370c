"""Many grounds that might as well be true: errors of the marks, and a rough surface between them.

Each draw has generators of its own by its number, so that it is the same however many are made, in
whatever order and on how many processors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.error_draws import student_scale
from geosite.terrain.surface.roughness import Roughness

__all__ = ["Lattice", "RoughDraws", "RoughSurfaces", "draw_rough"]

_MOST_NODES = 10_000
"""Nodes of the lattice on which rough surfaces are drawn."""

_STEPS_PER_RANGE = 3.0
"""Nodes to a range: with cubics between them a surface keeps its variance to a few percent."""


@dataclass(frozen=True, eq=False)
class Lattice:
    """A square lattice of nodes over the ground.

    Parameters
    ----------
    west, south
        First node, local grid metres.
    step
        Between nodes, metres.
    rows, cols
        Nodes northward and eastward.
    """

    west: float
    south: float
    step: float
    rows: int
    cols: int

    @classmethod
    def over(cls, points: Floats, rough: Roughness) -> Lattice:
        """Lay a lattice fine enough for a rough surface over points."""
        west, south = (float(v) for v in points[:, :2].min(axis=0))
        wide, high = (float(v) for v in np.ptp(points[:, :2], axis=0))
        step = math.sqrt(max(wide, 1e-3) * max(high, 1e-3) / _MOST_NODES)
        if rough.ranges:
            step = max(step, min(rough.ranges) / _STEPS_PER_RANGE)
        step = max(step, max(wide, high) / _MOST_NODES)
        # a node more on either side than the cubics between the nodes need
        return cls(
            west - 2 * step, south - 2 * step, step, int(high / step) + 6, int(wide / step) + 6
        )

    def places(self) -> tuple[Floats, Floats]:
        """Return easting and northing of the nodes, shape (rows * cols,)."""
        east = self.west + self.step * np.arange(self.cols)
        north = self.south + self.step * np.arange(self.rows)
        return np.tile(east, self.rows), np.repeat(north, self.cols)

    def weights(self, places: Floats) -> tuple[Ints, Floats]:
        """Return the sixteen nodes round each place and their weights, shape (m, 16)."""
        low, up = _cubic((places[:, 1] - self.south) / self.step, self.rows)
        left, over = _cubic((places[:, 0] - self.west) / self.step, self.cols)
        nodes = (low[:, :, None] * self.cols + left[:, None]).reshape(len(places), 16)
        return nodes, (up[:, :, None] * over[:, None]).reshape(len(places), 16)

    def between(self, northing: Floats, easting: Floats) -> BetweenNodes:
        """Prepare surfaces on a raster.

        Parameters
        ----------
        northing, easting : array, shape (n,) and (m,)
            Of the rows and columns of cells.
        """
        return BetweenNodes(
            self.rows,
            self.cols,
            *_cubic((northing - self.south) / self.step, self.rows),
            *_cubic((easting - self.west) / self.step, self.cols),
        )


@dataclass(frozen=True, eq=False)
class BetweenNodes:
    """The cells of a raster between the nodes of a lattice.

    Parameters
    ----------
    rows, cols
        Of the lattice.
    low, up : array, shape (n, 4)
        Rows of nodes round each row of cells, and their weights.
    left, over : array, shape (m, 4)
        Columns of nodes round each column of cells, and their weights.
    """

    rows: int
    cols: int
    low: Ints
    up: Floats
    left: Ints
    over: Floats

    def over_cells(self, nodes: Floats) -> Floats:
        """Return a surface on the raster: the same as `Lattice.weights`, one axis after the other.

        Parameters
        ----------
        nodes : array, shape (rows * cols,)

        Returns
        -------
        array, shape (n, m)
        """
        values = nodes.reshape(self.rows, self.cols)
        # four nodes each way: sums of four are faster than a product with a nearly empty matrix
        down = self.up[:, 0, None] * values[self.low[:, 0]]
        for k in range(1, 4):
            down += self.up[:, k, None] * values[self.low[:, k]]
        across = self.over[:, 0] * down.take(self.left[:, 0], axis=1)
        for k in range(1, 4):
            across += self.over[:, k] * down.take(self.left[:, k], axis=1)
        return across


def _cubic(at: Floats, count: int) -> tuple[Ints, Floats]:
    """Return the four nodes round each place along one axis and their weights, shape (m, 4).

    Notes
    -----
    Cubic convolution (Keys, R.G. 1981, doi:10.1109/TASSP.1981.1163711): through the nodes, exact
    for a parabola, so that little of the surface's bend between nodes is lost.
    """
    first = np.clip(np.floor(at).astype(np.int64) - 1, 0, count - 4)
    t = at - first - 1
    share = np.column_stack(
        [
            t * (t * (2 - t) - 1),
            t * t * (3 * t - 5) + 2,
            t * (t * (4 - 3 * t) + 1),
            t * t * (t - 1),
        ]
    )
    return first[:, None] + np.arange(4), share / 2


@dataclass(frozen=True, eq=False)
class RoughDraws:
    """Rough surfaces on a lattice.

    Parameters
    ----------
    lattice
    nodes : array, shape (draws, nodes), metres
        Normal, of the variance of the sill.
    tail : array, shape (draws,)
        By how much each is taken larger: the sills are estimated.
    part : array of int, shape (draws,)
        Which of the ranges it has.
    """

    lattice: Lattice
    nodes: Floats
    tail: Floats
    part: Ints

    @property
    def surfaces(self) -> Floats:
        """The surfaces with their tails, shape (draws, nodes), metres."""
        return self.nodes * self.tail[:, None]


@dataclass(frozen=True, eq=False)
class RoughSurfaces:
    """Rough surfaces to be drawn on a lattice; made once (`of`) and called often.

    Parameters
    ----------
    roughness
    lattice
    amplitudes : tuple of array
        Of each range: root of the power of its covariance on a torus, which is larger than the
        lattice by four ranges.

    Notes
    -----
    Circulant embedding: the covariance is laid round a torus so much larger than the lattice that
    its ends do not meet, whose eigenvalues are its Fourier transform (Dietrich, C.R. & Newsam, G.N.
    1997, doi:10.1137/S1064827592240555). Eigenvalues below zero, of rounding, are left out.
    """

    roughness: Roughness
    lattice: Lattice
    amplitudes: tuple[Floats, ...]

    @classmethod
    def of(cls, roughness: Roughness, lattice: Lattice) -> RoughSurfaces:
        """Prepare the draws of a rough surface."""
        if not roughness.sills:
            return cls(roughness, lattice, ())
        longest = max(roughness.by_range())
        apart = math.ceil(4.0 * longest / lattice.step)
        high, wide = _even(lattice.rows + apart), _even(lattice.cols + apart)
        down = np.minimum(np.arange(high), high - np.arange(high)) * lattice.step
        over = np.minimum(np.arange(wide), wide - np.arange(wide)) * lattice.step
        distance = np.hypot(down[:, None], over)
        power = {
            reach: np.fft.fft2(roughness.correlation(distance, reach)).real * (high * wide)
            for reach in roughness.by_range()
        }
        amplitudes = []
        for part in roughness.parts():
            whole = sum(sill * power[reach] for reach, sill in part.by_range().items())
            amplitudes.append(np.sqrt(np.maximum(whole, 0.0)))
        return cls(roughness, lattice, tuple(amplitudes))

    def draw(self, seed: int, draws: range) -> RoughDraws:
        """Draw some of them, each the same however many are drawn."""
        lattice, rough = self.lattice, self.roughness
        out = np.zeros((len(draws), lattice.rows * lattice.cols))
        tail, which = np.ones(len(draws)), np.zeros(len(draws), np.int64)
        if not rough.sills:
            return RoughDraws(lattice, out, tail, which)
        for pair in range(draws.start // 2, (draws.stop + 1) // 2):
            rng = np.random.default_rng([seed, pair, 1])
            # which range the ground has is as open as what it looks like
            chosen = int(rng.choice(len(self.amplitudes), p=rough.weights))
            amplitude = self.amplitudes[chosen]
            spectrum = rng.standard_normal((2, *amplitude.shape))
            # the real and the imaginary part are two surfaces that know nothing of each other
            both = np.fft.ifft2(amplitude * (spectrum[0] + 1j * spectrum[1]))
            both = both[: lattice.rows, : lattice.cols].ravel()
            tails = [student_scale(rng, rough.degrees_of_freedom) for _ in range(2)]
            parts = zip((2 * pair, 2 * pair + 1), (both.real, both.imag), tails, strict=True)
            for number, drawn, larger in parts:
                if number in draws:
                    at = number - draws.start
                    out[at], tail[at], which[at] = drawn, larger, chosen
        return RoughDraws(lattice, out, tail, which)


def draw_rough(rough: Roughness, lattice: Lattice, seed: int, draws: range) -> RoughDraws:
    """Draw rough surfaces on a lattice.

    Examples
    --------
    Two surfaces of a centimetre on a lattice of 9 by 9 nodes:

    >>> rough = Roughness((1e-4,), (9.0,), (1.0,))
    >>> lattice = Lattice.over(np.array([[0.0, 0.0], [9.0, 9.0]]), rough)
    >>> draw_rough(rough, lattice, 1, range(2)).nodes.shape
    (2, 81)
    """
    return RoughSurfaces.of(rough, lattice).draw(seed, draws)


def _even(count: int) -> int:
    """Return the next number of 2, 3 and 5 only: what a Fourier transform does fast."""
    while True:
        left = count
        for prime in (2, 3, 5):
            while left % prime == 0:
                left //= prime
        if left == 1 and count % 2 == 0:
            return count
        count += 1
