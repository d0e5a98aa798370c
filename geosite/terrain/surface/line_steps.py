"""Where a step goes on beyond the end of its lines: a kerb is longer than its walk.

A step is two breaklines side by side. Beyond the last mark of both, triangles bridge it: they fall
over metres what the ground falls at once, and turn the water that way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.breakline import opposite_half_edges
from geosite.terrain.surface.tin import Tin

__all__ = ["StepEnd", "Steps", "step_ends", "steps_beyond"]

_BESIDE = 0.25
"""Ends of two lines are those of one step where they are nearer than this share of the last edge of
either."""

_SQUARE = 0.5
"""Least distance across the step over the distance of its ends: neither lies ahead of the other."""

_AHEAD = 0.9
"""Least cosine of the angle between the directions in which both lines end."""

_FALLS = 0.5
"""Marks on both sides of the step's way, farther on, that fall by less than this share of it say
that it has ended."""


@dataclass(frozen=True, eq=False)
class StepEnd:
    """Where the lines of a step end, and the triangles that bridge it if it goes on.

    Parameters
    ----------
    at : array, shape (2,), metres
        Between the ends of both lines.
    ahead : array, shape (2,)
        Unit vector in which the lines end.
    upward : array, shape (2,)
        Unit vector across, from the foot to the top.
    wide
        Distance of the lines, metres.
    rise
        Of the step, metres.
    length
        Of the last edge, of the shorter line, metres.
    stop
        How far ahead marks or a line say that it has ended, metres.
    triangles : array of int
        Rows of ``tin.triangles``, on the way from the end.
    """

    at: Floats
    ahead: Floats
    upward: Floats
    wide: float
    rise: float
    length: float
    stop: float = np.inf
    triangles: Ints = field(default_factory=lambda: np.empty(0, np.int64))

    def risen(self, places: Floats) -> Floats:
        """Return the share of the step that lies below places, 0 at its foot and 1 on its top."""
        return np.clip((places - self.at) @ self.upward / self.wide + 0.5, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class Steps:
    """How far the ground lies off the triangles at places where steps go on.

    Parameters
    ----------
    ends
        Of the steps.
    place : array of int, shape (n,)
        Numbers of the places that lie in a triangle which bridges one of them.
    end : array of int, shape (n,)
        Number of that one.
    along : array, shape (n,), metres
        How far ahead of the end.
    off : array, shape (n,), metres
        Off the triangles, where the whole step goes on.
    """

    ends: Sequence[StepEnd]
    place: Ints
    end: Ints
    along: Floats
    off: Floats

    def going_on(self, seed: int, draw: int) -> Floats:
        """Return how far it lies off on one possible ground, shape (n,), metres.

        Notes
        -----
        Each step fades, over another distance on each ground. What was seen over some distance goes
        on over another with odds of the one to the other (Gott 1993, doi:10.1038/363315a0): seen is
        the last edge of the lines, between whose marks the step runs straight.
        """
        if not len(self.place):
            return self.off
        share = np.random.default_rng([seed, draw, 4]).random(len(self.ends))
        reach = np.array([end.length for end in self.ends]) * share / (1.0 - share)
        reach = np.clip(reach, 1e-6, [end.stop for end in self.ends])
        left: Floats = np.clip(1.0 - self.along / reach[self.end], 0.0, 1.0) * self.off
        return left


def step_ends(tin: Tin) -> tuple[StepEnd, ...]:
    """Find where steps may go on beyond the last marks of their lines.

    Parameters
    ----------
    tin
        Metres.

    Returns
    -------
    tuple of StepEnd

    Notes
    -----
    Breaklines that end beside each other in the same direction are a step. Beyond, on the way the
    lines had, its triangles are those with marks on either side. The way ends at the border, at a
    breakline, and where the marks on both sides differ by less than half of the step.

    Examples
    --------
    A kerb of 12 cm that was walked for 10 m, and two marks 5 m farther on

    >>> from geosite.terrain.surface.tin import triangulate
    >>> foot, top = [(0, 0.0, 5.0), (10, 0.0, 5.0)], [(0, 0.2, 5.12), (10, 0.2, 5.12)]
    >>> marks = [*foot, *top, (15, -4, 5.0), (15, 4, 5.12), (0, -4, 5.0), (0, 4, 5.12)]
    >>> (end,) = step_ends(triangulate(marks, [foot, top]))
    >>> end.ahead.tolist(), round(end.rise, 9), len(end.triangles), end.stop
    ([1.0, 0.0], 0.12, 2, inf)
    """
    place = tin.points[:, :2]
    is_end = np.bincount(tin.edges.ravel(), minlength=len(place)) == 1
    start, stop = tin.triangles.ravel(), np.roll(tin.triangles, -1, axis=1).ravel()
    halves = np.flatnonzero(is_end[start] & is_end[stop])
    if not len(halves):
        return ()
    before = np.zeros(len(place), np.int64)
    before[tin.edges] = tin.edges[:, ::-1]
    way, found = _Way.over(tin), []
    for half in halves.tolist():
        pair = list(way.side(half))
        end = _step_end(tin.points[pair], place[before[pair]])
        if end is not None:
            found.append(way.walked(end, half))
    return tuple(end for end in found if end.stop > 0)


def steps_beyond(
    ends: Sequence[StepEnd], tin: Tin, places: Floats, triangle: Ints, shares: Floats
) -> Steps:
    """Tell how far the ground lies off the triangles at places if steps go on.

    Parameters
    ----------
    ends
        From `step_ends`.
    tin
        The same.
    places : array, shape (m, 2), metres
    triangle : array of int, shape (m,)
        That each place lies in.
    shares : array, shape (m, 3)
        Of its corners.

    Returns
    -------
    Steps
        Nothing on the marks.

    Examples
    --------
    The kerb of `step_ends`: 2 m beyond its end, on the line of its foot and of its top

    >>> from geosite.terrain.surface.tin import barycentric, locate_points, triangulate
    >>> foot, top = [(0, 0.0, 5.0), (10, 0.0, 5.0)], [(0, 0.2, 5.12), (10, 0.2, 5.12)]
    >>> marks = [*foot, *top, (15, -4, 5.0), (15, 4, 5.12), (0, -4, 5.0), (0, 4, 5.12)]
    >>> tin = triangulate(marks, [foot, top])
    >>> at = np.array([[12.0, 0.0], [12.0, 0.2]])
    >>> met = locate_points(tin, at)
    >>> beyond = steps_beyond(step_ends(tin), tin, at, met, barycentric(tin, met, at))
    >>> beyond.off.round(3).tolist()
    [-0.024, 0.093]
    >>> beyond.going_on(1, 1).round(3).tolist()
    [-0.009, 0.034]
    """
    found = []
    for end in ends:
        inside = np.flatnonzero(np.isin(triangle, end.triangles))
        corners = tin.points[tin.triangles[triangle[inside]], :2]
        off = end.risen(places[inside]) - (end.risen(corners) * shares[inside]).sum(axis=1)
        along = (places[inside] - end.at) @ end.ahead
        found.append((inside, along, end.rise * off))
    count = [len(inside) for inside, _, _ in found]
    empty = (np.empty(0, np.int64), np.empty(0), np.empty(0))
    place, along, off = (np.concatenate(each) for each in zip(empty, *found, strict=True))
    return Steps(ends, place, np.repeat(np.arange(len(ends)), count), along, off)


def _step_end(ends: Floats, before: Floats) -> StepEnd | None:
    """Return the step of two lines that end, from the left one to the right one of who goes on."""
    edge = ends[:, :2] - before
    lengths = np.hypot(*edge.T)
    left, right = edge / lengths[:, None]
    if left @ right < _AHEAD:
        return None
    ahead = (left + right) / np.hypot(*(left + right))
    to_right = np.array([ahead[1], -ahead[0]])
    across = ends[1] - ends[0]
    wide, apart = float(across[:2] @ to_right), float(np.hypot(*across[:2]))
    if across[2] == 0 or wide < _SQUARE * apart or apart > _BESIDE * lengths.min():
        return None
    upward = to_right * np.sign(across[2])
    rise, length = abs(float(across[2])), float(lengths.min())
    return StepEnd(ends[:, :2].mean(axis=0), ahead, upward, wide, rise, length)


@dataclass(frozen=True, eq=False)
class _Way:
    """Ways over triangles."""

    tin: Tin
    opposite: Ints
    lines: frozenset[tuple[int, int]]

    @classmethod
    def over(cls, tin: Tin) -> _Way:
        lines = frozenset((min(edge), max(edge)) for edge in tin.edges.tolist())
        return cls(tin, opposite_half_edges(tin.triangles), lines)

    def side(self, half: int) -> tuple[int, int]:
        """Return where a half-edge begins and ends."""
        corners = self.tin.triangles[half // 3]
        return int(corners[half % 3]), int(corners[_after(half) % 3])

    def is_line(self, half: int) -> bool:
        """Tell whether a half-edge lies on a breakline."""
        pair = self.side(half)
        return (min(pair), max(pair)) in self.lines

    def walked(self, end: StepEnd, half: int) -> StepEnd:
        """Return the end with what lies ahead of a half-edge between the ends of its lines."""
        points, taken = self.tin.points, []
        while half >= 0:
            taken.append(half // 3)
            sides = _after(half), _after(_after(half))
            # the step leaves by the side that has one corner above it and one below
            side, upper, lower = next(
                (side, *pair) for side in sides if (pair := self._across(end, side)) is not None
            )
            falls = float(points[upper, 2] - points[lower, 2])
            half = int(self.opposite[side])
            if falls < _FALLS * end.rise or (half >= 0 and self.is_line(side)):
                along = (points[[upper, lower], :2] - end.at) @ end.ahead
                return replace(end, stop=float(along.min()), triangles=np.array(taken))
        return replace(end, triangles=np.array(taken))

    def _across(self, end: StepEnd, half: int) -> tuple[int, int] | None:
        """Return the ends of a side, the one above the step first; None: it does not cross it."""
        one, other = self.side(half)
        is_up, is_other_up = (self.tin.points[[one, other], :2] - end.at) @ end.upward > 0
        if is_up == is_other_up:
            return None
        return (one, other) if is_up else (other, one)


def _after(half: int) -> int:
    """Next half-edge of the same triangle."""
    return half - 2 if half % 3 == 2 else half + 1
