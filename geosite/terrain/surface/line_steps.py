"""Where a step goes on beyond the end of its lines: a kerb is longer than its walk.

A step is two breaklines side by side. Beyond the last mark of both, triangles bridge it: they fall
over metres what the ground falls at once, and turn the water that way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.half_edges import along_breaklines, next_half_edge, opposite_half_edges
from geosite.terrain.surface.tin import Tin

__all__ = ["StepEnd", "step_ends", "steps_beyond"]

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
    stop: float = np.inf
    triangles: Ints = field(default_factory=lambda: np.empty(0, np.int64))

    def risen(self, places: Floats) -> Floats:
        """Return the share of the step that lies below places, 0 at its foot and 1 on its top."""
        return np.clip((places - self.at) @ self.upward / self.wide + 0.5, 0.0, 1.0)


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
) -> tuple[Ints, Ints, Floats]:
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
    place, end : array of int, shape (k,)
        Numbers of the places in triangles that bridge a step, and of its end.
    off : array, shape (k,), metres
        Nothing on the marks. It fades towards where a step has ended.

    Examples
    --------
    The kerb of `step_ends`: 2 m beyond its end, on the line of its foot and of its top

    >>> from geosite.terrain.surface.tin import barycentric, locate_points, triangulate
    >>> foot, top = [(0, 0.0, 5.0), (10, 0.0, 5.0)], [(0, 0.2, 5.12), (10, 0.2, 5.12)]
    >>> marks = [*foot, *top, (15, -4, 5.0), (15, 4, 5.12), (0, -4, 5.0), (0, 4, 5.12)]
    >>> tin = triangulate(marks, [foot, top])
    >>> at = np.array([[12.0, 0.0], [12.0, 0.2]])
    >>> met = locate_points(tin, at)
    >>> _, _, off = steps_beyond(step_ends(tin), tin, at, met, barycentric(tin, met, at))
    >>> off.round(3).tolist()
    [-0.024, 0.093]
    """
    found = [(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))]
    for number, end in enumerate(ends):
        inside = np.flatnonzero(np.isin(triangle, end.triangles))
        corners = tin.points[tin.triangles[triangle[inside]], :2]
        off = end.risen(places[inside]) - (end.risen(corners) * shares[inside]).sum(axis=1)
        along = (places[inside] - end.at) @ end.ahead
        off *= end.rise * np.clip(1.0 - along / end.stop, 0.0, 1.0)
        found.append((inside, np.full(len(inside), number), off))
    place, numbers, off = (np.concatenate(each) for each in zip(*found, strict=True))
    return place, numbers, off


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
    return StepEnd(ends[:, :2].mean(axis=0), ahead, upward, wide, abs(float(across[2])))


@dataclass(frozen=True, eq=False)
class _Way:
    """Ways over triangles."""

    tin: Tin
    opposite: Ints
    is_line: npt.NDArray[np.bool_]

    @classmethod
    def over(cls, tin: Tin) -> _Way:
        is_line = along_breaklines(tin.triangles, tin.edges)
        return cls(tin, opposite_half_edges(tin.triangles), is_line)

    def side(self, half: int) -> tuple[int, int]:
        """Return where a half-edge begins and ends."""
        corners = self.tin.triangles[half // 3]
        return int(corners[half % 3]), int(corners[next_half_edge(half) % 3])

    def walked(self, end: StepEnd, half: int) -> StepEnd:
        """Return the end with what lies ahead of a half-edge between the ends of its lines."""
        points, taken = self.tin.points, []
        while half >= 0:
            taken.append(half // 3)
            sides = next_half_edge(half), next_half_edge(next_half_edge(half))
            # the step leaves by the side that has one corner above it and one below
            side, upper, lower = next(
                (side, *pair) for side in sides if (pair := self._across(end, side)) is not None
            )
            falls = float(points[upper, 2] - points[lower, 2])
            half = int(self.opposite[side])
            if falls < _FALLS * end.rise or (half >= 0 and self.is_line[side]):
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
