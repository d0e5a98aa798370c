"""What the marks leave open of the triangles: each possible ground has another share of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.line_steps import StepEnd, step_ends, steps_beyond
from geosite.terrain.surface.other_diagonals import OtherDiagonals, other_diagonals
from geosite.terrain.surface.tin import Tin

__all__ = ["LeftOpen", "OpenPlaces"]


@dataclass(frozen=True, eq=False)
class OpenPlaces:
    """Places in triangles that may have another shape.

    Parameters
    ----------
    place : array of int, shape (k,)
        Their numbers; one may stand there twice.
    shape : array of int, shape (k,)
        Number of the shape.
    off : array, shape (k,), metres
        How far the ground lies off the triangles where it has all of that shape.
    shapes
        How many there are.
    """

    place: Ints
    shape: Ints
    off: Floats
    shapes: int

    def drawn(self, seed: int, draw: int) -> Floats:
        """Return how far it lies off on one possible ground, shape (k,), metres.

        Nobody has measured there: each shape from nothing to all of it, every share as likely.
        """
        if not len(self.place):
            return self.off
        share = np.random.default_rng([seed, draw, 4]).random(self.shapes)
        off: Floats = share[self.shape] * self.off
        return off


@dataclass(frozen=True, eq=False)
class LeftOpen:
    """Shapes of the ground that the marks leave open.

    Parameters
    ----------
    tin
    steps
        That may go on beyond the ends of their lines.
    diagonals
        That triangles may have instead of theirs.
    """

    tin: Tin
    steps: tuple[StepEnd, ...]
    diagonals: OtherDiagonals

    @classmethod
    def of(cls, tin: Tin) -> LeftOpen:
        """Find what marks leave open of the triangles through them."""
        return cls(tin, step_ends(tin), other_diagonals(tin))

    @classmethod
    def nothing(cls, tin: Tin) -> LeftOpen:
        """Take the triangles as they are."""
        return cls(tin, (), OtherDiagonals.none(len(tin.triangles)))

    def at(self, places: Floats, triangle: Ints, shares: Floats) -> OpenPlaces:
        """Tell what is open at places.

        Parameters
        ----------
        places : array, shape (m, 2), metres
        triangle : array of int, shape (m,)
            That each place lies in.
        shares : array, shape (m, 3)
            Of its corners.
        """
        place, step, off = steps_beyond(self.steps, self.tin, places, triangle, shares)
        turned, quad, aside = self.diagonals.turned(triangle, shares)
        count = len(self.steps)
        return OpenPlaces(
            np.concatenate([place, turned]),
            np.concatenate([step, count + quad]),
            np.concatenate([off, aside]),
            count + len(self.diagonals.twist),
        )
