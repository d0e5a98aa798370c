"""Possible grounds that agree with what the marks tell of each other, not with each mark alone.

A mark that stands above the triangles of all others says two things: that its height may be in
error, and that the ground rises there more smoothly than triangles do. Grounds drawn without that
knowledge have the errors of the marks twice, and cut off a crown between its marks as the
triangles do.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints, square_root
from geosite.network.covariance import covariance
from geosite.network.model import LinearForm, Network
from geosite.terrain.surface.realisations import Lattice, RoughDraws
from geosite.terrain.surface.roughness import Contrasts, Roughness

__all__ = ["Conditions"]

_AT_ONCE = 32
"""Comparisons whose table is widened to eight bytes at once."""

_NEAR = 2.0
"""Width of the kernel that averages round a mark, times the usual distance to the next mark."""

_BUILT = 2.0
"""Standard deviation of what may be built so, times the root mean square of the departures."""

_JITTER = 1e-9
"""Share of its diagonal that makes the covariance of the comparisons invertible."""


@dataclass(frozen=True, eq=False)
class Conditions:
    """What the marks tell of each other, and how draws are made to agree with it.

    Parameters
    ----------
    departure : array, shape (k,), metres
        Mark minus prediction by the others.
    touched : array of int, shape (m,)
        Points of the triangulation that take part.
    along : array, shape (k, m)
        The comparisons as sums over them.
    slope : array, shape (k, 2)
        Of the ground that predicts each mark.
    pulls : array, shape (m, k), square metres
        Covariance of the heights' errors of the points with the errors of the comparisons.
    noise : array, shape (k, k), square metres
        Covariance of the errors of the comparisons.
    scale : array, shape (k,)
        How many times as far as the rough surface says the ground departs at each mark.
    places : array, shape (m, 2), metres
    built : array, shape (k, k), metres
        Square root of the covariance of what the ground may be built to depart.

    Notes
    -----
    Conditioning by kriging (Chiles, J.-P. & Delfiner, P. 2012, Geostatistics: Modeling Spatial
    Uncertainty, doi:10.1002/9781118136188, section 7.3): a draw that knows nothing is moved by the
    kriging of what it misses. Heights of the ground at the marks have no prior mean; what is known
    of them is that their comparisons with each other are those of the rough surface (generalised
    increments, ibid. section 4.6).
    """

    departure: Floats
    touched: Ints
    along: Floats
    slope: Floats
    pulls: Floats
    noise: Floats
    scale: Floats
    places: Floats
    built: Floats
    _solved: list[_Solved] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def of(
        cls, network: Network, observed: Ints, scale: Floats, compared: Contrasts
    ) -> Conditions | None:
        """Prepare conditions.

        Parameters
        ----------
        network
        observed : array, shape (points,)
            Observation that each point of the triangulation hangs on.
        scale : array, shape (points,)
            How many times as far as the rough surface says the ground departs at each point.
        compared
            Marks with what the others say.

        Returns
        -------
        Conditions or None
            None where no marks could be compared.
        """
        count = len(compared.departure)
        if not count or compared.slope is None:
            return None
        some = compared.together
        points, slope = compared.points[some], compared.slope[some]
        weight = np.column_stack([np.ones(len(some)), -compared.shares[some]])
        touched, at, along = compared.combinations(some)
        forms = [
            LinearForm(r, -w * east, -w * north, w)
            for r, w, (east, north) in zip(observed[points], weight, slope, strict=True)
        ]
        zero, one = np.zeros(1), np.ones(1)
        heights = [LinearForm(observed[[p]], zero, zero, one) for p in touched]
        both = covariance(network, heights + forms)
        m = len(touched)
        return cls(
            compared.departure[some],
            touched,
            along,
            slope,
            both[:m, m:],
            both[m:, m:],
            scale[points[:, 0]],
            at,
            _built(compared, some),
        )

    def agree(
        self,
        errors: Floats,
        rough: RoughDraws,
        on_marks: Floats,
        roughness: Roughness,
        normal: Floats,
    ) -> tuple[Floats, Floats]:
        """Move draws so that they agree with the comparisons.

        Parameters
        ----------
        errors : array, shape (d, points, 3), metres
            Of the points, drawn from the network.
        rough
            Rough surfaces as drawn, without their tails.
        on_marks : array, shape (d, m), metres
            The same at the points that take part.
        roughness
        normal : array, shape (d, k)
            Independent normal numbers of variance 1.

        Returns
        -------
        errors : array, shape (d, points, 3), metres
        nodes : array, shape (d, nodes), metres
            Of the rough surfaces, with their tails.
        """
        errors = errors.copy()
        nodes = np.empty_like(rough.nodes)
        at = self.touched
        slanted = np.einsum("km,dma->dka", self.along, errors[:, at, :2])
        missed = errors[:, at, 2] @ self.along.T - (slanted * self.slope).sum(axis=2)
        missed -= on_marks @ self._back.T
        missed -= normal @ self.built.T
        every = self._all_solved(roughness, rough.lattice)
        for part in np.unique(rough.part):
            these = np.flatnonzero(rough.part == part)
            solved = every[part]
            here = missed[these] @ solved.inverse
            moved = (here + solved.inverse @ self.departure) @ self.pulls.T
            errors[these[:, None], at, 2] -= moved
            # the mean is what the marks tell; only what stays open has the tails
            weight = here.astype(np.float32)
            open_ = rough.nodes[these].copy()
            for sill, spread in solved.nodes:
                open_ += sill * (weight @ spread)
            nodes[these] = solved.mean + rough.tail[these, None] * open_
        return errors, nodes

    @property
    def _back(self) -> Floats:
        return self.along * self.scale[:, None]

    def _all_solved(self, roughness: Roughness, lattice: Lattice) -> list[_Solved]:
        """Return what moves the draws, for each of the surfaces that are likely."""
        # several threads draw at a time: what one has begun the others wait for
        with self._lock:
            if not self._solved:
                self._solved.extend(self._solve(roughness, lattice))
        return self._solved

    def _solve(self, roughness: Roughness, lattice: Lattice) -> list[_Solved]:
        back, of_nodes = self._of_ranges(roughness, lattice)
        parts = [part.by_range() for part in roughness.parts()]
        inverses, told = [], []
        for sills in parts:
            whole = self.noise + self.built @ self.built.T
            for reach, sill in sills.items():
                whole += sill * back[reach]
            whole += np.eye(len(whole)) * max(_JITTER * whole.diagonal().mean(), 1e-18)
            inverses.append(np.linalg.inv(whole).astype(np.float64))
            told.append(inverses[-1] @ self.departure)
        means = np.zeros((len(parts), lattice.rows * lattice.cols))
        for reach, spread in of_nodes.items():
            scaled = np.array([one.get(reach, 0.0) * t for one, t in zip(parts, told, strict=True)])
            # some at a time for all surfaces: what is widened stays in the cache
            for first in range(0, len(spread), _AT_ONCE):
                some = slice(first, first + _AT_ONCE)
                means += scaled[:, some] @ spread[some].astype(np.float64)
        return [
            _Solved(inverse, [(sill, of_nodes[reach]) for reach, sill in sills.items()], mean)
            for inverse, sills, mean in zip(inverses, parts, means, strict=True)
        ]

    def _of_ranges(
        self, rough: Roughness, lattice: Lattice
    ) -> tuple[dict[float, Floats], dict[float, npt.NDArray[np.float32]]]:
        """Return, by range, what a surface of variance 1 gives comparisons with each other, nodes.

        Shapes (k, k) and (k, nodes).
        """
        apart = np.hypot(*(self.places[:, None] - self.places).transpose(2, 0, 1))
        back: dict[float, Floats] = {
            reach: self._back @ rough.correlation(apart, reach) @ self._back.T
            for reach in rough.by_range()
        }
        east, north = lattice.places()
        of_nodes = {reach: np.empty((len(self.departure), len(east)), np.float32) for reach in back}
        for row, shares in enumerate(self._back):
            told = {reach: np.zeros(len(east)) for reach in back}
            for at in np.flatnonzero(shares):
                e, n = self.places[at]
                away = np.sqrt((east - e) ** 2 + (north - n) ** 2)
                for reach, of_reach in told.items():
                    of_reach += shares[at] * rough.correlation(away, reach)
            for reach, of_reach in told.items():
                of_nodes[reach][row] = of_reach
        return back, of_nodes


@dataclass(frozen=True, eq=False)
class _Solved:
    """For one of the surfaces that are likely: what its draws are moved by.

    The inverse covariance of what is missed; by range its variance and what a surface of variance 1
    gives nodes with points; the mean of the nodes.
    """

    inverse: Floats
    nodes: list[tuple[float, npt.NDArray[np.float32]]]
    mean: Floats


def _built(compared: Contrasts, some: Ints) -> Floats:
    """Return a square root of the covariance of what the ground may be built to depart.

    Where marks near each other depart to one side it may be a crown, a dish, a crease that no
    breakline follows, as well as the drift of a walk: the marks do not tell which. So a part of
    the departures that neighbours share is left open. And one mark that stands far out stands on
    ground that bends sharply there, at the bottom of a dish: its error is the network's.
    """
    places = compared.places[some, 0]
    width = _NEAR * float(np.median(compared.nearest))
    apart = ((places[:, None] - places) ** 2).sum(axis=2)
    line = compared.on_breakline[some]
    shared = np.exp(-apart / (2 * width**2)) * (line[:, None] == line)
    shared *= (_BUILT * float(np.sqrt(np.mean(compared.departure**2)))) ** 2
    if compared.bend is not None:
        shared[np.diag_indices(len(some))] += compared.bend[some] ** 2
    return square_root(shared)
