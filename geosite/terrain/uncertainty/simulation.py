"""Possible grounds: errors of the marks and a rough surface between them, drawn together."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.shared_work import at_once, processors, shared_zeros
from geosite.network.error_draws import Draws, draw_marks
from geosite.network.model import Network
from geosite.terrain.surface.line_bends import LineBends, line_bends
from geosite.terrain.surface.realisations import Lattice, RoughSurfaces
from geosite.terrain.surface.roughness import Contrasts, Roughness
from geosite.terrain.uncertainty.conditioning import Conditions

__all__ = ["GroundDraws", "Rough"]


#: Numbers of all draws up to which they are kept: 60 megabytes.
_MOST_KEPT = 8_000_000

#: Pairs that are worth a copy of the process.
_LEAST_PAIRS = 20

#: Pairs that are kept of more: threads that want one of a pair each come at about the same time.
_FEW_PAIRS = 8


@dataclass(frozen=True, eq=False)
class Rough:
    """Rough surfaces.

    Parameters
    ----------
    surface : array, shape (draws, nodes), metres
        Heights on the nodes of the lattice, as rough as the whole site.
    on_marks : array, shape (draws, points), metres
        The same at the corners of the triangles.
    """

    surface: Floats
    on_marks: Floats


@dataclass(eq=False, slots=True)
class _Pair:
    """Two draws, made by the thread that first asks for them."""

    drawn: tuple[Floats, Rough] | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)


@dataclass(frozen=True, eq=False)
class GroundDraws:
    """The possible grounds of a site.

    Parameters
    ----------
    network
    observed : array, shape (points,)
        Observation that each point of the triangulation hangs on.
    points : array, shape (points, 3), metres
    scale : array, shape (points,)
        How many times as far as the rough surface says the ground departs at each point.
    roughness
    compared
        Marks with what the others say; None: the draws do not go by it.
    draws
        How many.
    seed
    """

    network: Network
    observed: Ints
    points: Floats
    scale: Floats
    roughness: Roughness
    compared: Contrasts | None
    draws: int
    seed: int
    _kept: dict[int, _Pair] = field(default_factory=dict, init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False)

    def draw(self, draws: range) -> tuple[Floats, Rough]:
        """Draw some of the possible grounds.

        Parameters
        ----------
        draws
            Their numbers.

        Returns
        -------
        errors : array, shape (len(draws), points, 3), metres
            Of easting, northing and elevation of each of ``tin.points``.
        rough
            The surfaces whose departure from the triangles is that of the ground.
        """
        # pair by pair, as rough surfaces are drawn, so that the last digits hang on nothing else
        parts = []
        for first in range(draws.start // 2 * 2, draws.stop, 2):
            errors, rough = self._pair(first)
            some = slice(max(draws.start - first, 0), min(draws.stop - first, 2))
            parts.append((errors[some], rough.surface[some], rough.on_marks[some]))
        errors, surface, on_marks = (np.concatenate(each) for each in zip(*parts, strict=True))
        return errors, Rough(surface, on_marks)

    def draw_all(self) -> None:
        """Draw what is kept of all draws and not there yet, on every processor.

        Of small sites that is all of them, of large ones nothing.
        """
        if self._shared is None:
            return
        missing = 2 * np.flatnonzero(~self._shared[3][::2])
        workers = max(1, min(processors(), len(missing) // _LEAST_PAIRS))
        if workers > 1:
            self._pair(int(missing[0]))  # what all draws have in common is made once, for all

        def part(number: int) -> None:
            for first in missing[number::workers].tolist():
                self._pair(first)

        at_once(part, workers)

    def _pair(self, first: int) -> tuple[Floats, Rough]:
        """Return two draws, of a small site from memory: rasters and places read the same ones."""
        if self._shared is not None and first < self.draws:
            errors, surface, on_marks, is_drawn = self._shared
            two = slice(first, first + 2)
            if not is_drawn[first]:
                errors[two], drawn = self._draw(range(first, first + 2))
                surface[two], on_marks[two] = drawn.surface, drawn.on_marks
                is_drawn[two] = True
            return errors[two], Rough(surface[two], on_marks[two])
        with self._lock:
            pair = self._kept.setdefault(first, _Pair())
            if len(self._kept) > _FEW_PAIRS:
                del self._kept[next(iter(self._kept))]
        with pair.lock:
            if pair.drawn is None:
                pair.drawn = self._draw(range(first, first + 2))
            return pair.drawn

    @cached_property
    def _shared(self) -> tuple[Floats, Floats, Floats, npt.NDArray[np.bool_]] | None:
        """Room for all draws, and which are there: copies of this process fill it, too."""
        points, nodes = len(self.points), self.lattice.rows * self.lattice.cols
        if self.draws * (4 * points + nodes) > _MOST_KEPT:
            return None
        count = self.draws + self.draws % 2
        return (
            shared_zeros((count, points, 3), np.float64),
            shared_zeros((count, nodes), np.float64),
            shared_zeros((count, points), np.float64),
            shared_zeros((count,), np.bool_),
        )

    def _draw(self, draws: range) -> tuple[Floats, Rough]:
        errors = draw_marks(self.network, self.seed, draws, self._prepared)[:, self.observed]
        drawn = self._rough.draw(self.seed, draws)
        nodes, share = self._on_nodes

        def on_points(surface: Floats, some: Ints | slice = slice(None)) -> Floats:
            heights: Floats = (surface[:, nodes[some]] * share[some]).sum(axis=2)
            return heights

        surface = drawn.surfaces
        if self._conditions is not None:
            count = len(self._conditions.departure)
            normal = np.stack(
                [np.random.default_rng([self.seed, k, 2]).standard_normal(count) for k in draws]
            )
            errors, surface = self._conditions.agree(
                errors,
                drawn,
                on_points(drawn.nodes, self._conditions.touched),
                self.roughness,
                normal,
            )
        return errors, Rough(surface, on_points(surface))

    @cached_property
    def bends(self) -> LineBends | None:
        """What bends of breaklines are beside them if they go on; None where nothing is compared.

        Made by nobody but the marks, it is the same on every ground.
        """
        if self.compared is None or not any(self.roughness.sills):
            return None
        beside = line_bends(self.compared, self.roughness, self.scale, self.lattice)
        if not beside.any():
            return None
        nodes, share = self._on_nodes
        return LineBends(beside, (beside[nodes] * share).sum(axis=1))

    def bends_go_on(self, draws: range) -> Floats:
        """Return how much of them goes on beside the lines on each ground, shape (len(draws),).

        Nobody has measured there: from nothing to all of it, each share as likely as another.
        """
        return np.array([np.random.default_rng([self.seed, k, 3]).random() for k in draws])

    @cached_property
    def _rough(self) -> RoughSurfaces:
        return RoughSurfaces.of(self.roughness, self.lattice)

    @cached_property
    def _on_nodes(self) -> tuple[Ints, Floats]:
        return self.lattice.weights(self.points[:, :2])

    @cached_property
    def _conditions(self) -> Conditions | None:
        if self.compared is None or not any(self.roughness.sills):
            return None
        return Conditions.of(self.network, self.observed, self.scale, self.compared)

    @cached_property
    def _prepared(self) -> Draws:
        return Draws.of(self.network)

    @cached_property
    def lattice(self) -> Lattice:
        """Nodes on which rough surfaces are drawn."""
        return Lattice.over(self.points, self.roughness)
