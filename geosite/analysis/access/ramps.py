"""Runs and landings: a ramp split where its slope changes, over many possible profiles.

Where a ramp ends and a landing begins is a matter of how it was built, not of what the rule allows:
a landing that is too steep is still a landing. The profile is split at the marks where the slope
changes; a part much flatter than the runs on its sides is a landing. Noise can hide a change or
feign one, so the same is done on draws of the profile, and what differs among them is uncertain.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from geosite.base.arrays import Floats, Ints, square_root
from geosite.base.estimate import Estimate

__all__ = ["Part", "Stretch", "marks_that_matter", "parts_of", "profile_draws", "stretches"]

LEAST_CHANGE = 0.01
"""A slope that changes by less is one slope: a percent is what a flat trowel leaves."""
LEAST_DROP = 1 / 48
"""A landing is flatter than the runs beside it by at least what a landing may slope itself."""
FLATTER = 2 / 3
"""A landing has at most this share of the slope of the runs beside it."""
CHANGE_SIGMAS = 3.0
"""A change of slope shows when it is so many times its standard deviation."""
SHORTEST_M = 0.3
"""Marks nearer than this along the line are taken together: no landing is so short."""
DRAWS = 200
MOST_MARKS = 120
"""Marks of one line that are looked at."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of one profile.

    Parameters
    ----------
    first, last
        Numbers of the marks at its ends.
    is_landing
        Otherwise a run.
    breaks
        Marks inside at which the slope changes without making it something else.
    """

    first: int
    last: int
    is_landing: bool
    breaks: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the measured profile with what the draws make of it.

    Parameters
    ----------
    part
        Of the best profile.
    probability
        Share of the draws in which its middle lies in a part of the same kind.
    rise, length
        Over those draws, metres; ``None`` where the part has the same ends in all of them and
        closed form holds.
    """

    part: Part
    probability: float
    rise: Estimate | None
    length: Estimate | None


def parts_of(chainage: Floats, elevation: Floats, covariance: Floats) -> tuple[Part, ...]:
    """Split one profile into runs and landings.

    Parameters
    ----------
    chainage : array, shape (n,), metres
        Ascending.
    elevation : array, shape (n,), metres
    covariance : array, shape (n, n), square metres
        Of the elevations.

    Returns
    -------
    tuple of Part
        From the first mark to the last.

    Notes
    -----
    The mark at which the slope changes least, in units of what is needed to show a change, is taken
    out, again and again, until every change left shows. What is left are straight parts. A part is
    a landing where it is flatter than the steepest part before it and than the steepest one after
    it (at an end of the line, than the one there is).

    Examples
    --------
    A run of 8 %, a landing of 2 % and another run; nothing in the numbers says 1:48.

    >>> x = np.array([0.0, 4.0, 8.0, 9.6, 13.6])
    >>> z = np.array([0.0, 0.32, 0.64, 0.672, 0.992])
    >>> [(p.first, p.last, p.is_landing) for p in parts_of(x, z, 1e-6 * np.eye(5))]
    [(0, 2, False), (2, 3, True), (3, 4, False)]
    """
    vertices = _breaks(chainage, elevation, covariance)
    slope = np.abs(np.diff(elevation[vertices]) / np.diff(chainage[vertices]))
    before = np.maximum.accumulate(np.append(0.0, slope[:-1]))
    after = np.maximum.accumulate(np.append(0.0, slope[:0:-1]))[::-1]
    # at the ends one side has no part: what the other side has decides
    beside = np.minimum(before, after)
    beside[0], beside[-1] = after[0], before[-1]
    flat = (slope <= FLATTER * beside) & (beside - slope >= LEAST_DROP)
    found = []
    for is_landing, numbers in groupby(range(len(slope)), key=lambda k: bool(flat[k])):
        inside = list(numbers)
        first, last = int(vertices[inside[0]]), int(vertices[inside[-1] + 1])
        found.append(Part(first, last, is_landing, tuple(int(vertices[k]) for k in inside[1:])))
    return tuple(found)


def _breaks(chainage: Floats, elevation: Floats, covariance: Floats) -> Ints:
    """Return the marks at which the slope shows a change, with both ends."""
    vertices = np.arange(len(chainage))
    while len(vertices) > 2:
        x, z = chainage[vertices], elevation[vertices]
        length = np.diff(x)
        change = np.diff(np.diff(z) / length)
        # change = w0 z0 + w1 z1 + w2 z2 of three neighbours
        weight = np.stack([1 / length[:-1], -1 / length[:-1] - 1 / length[1:], 1 / length[1:]])
        three = np.stack([vertices[:-2], vertices[1:-1], vertices[2:]])
        block = covariance[three[:, None], three[None, :]]
        variance = np.einsum("ik,jk,ijk->k", weight, weight, block)
        needed = np.maximum(CHANGE_SIGMAS * np.sqrt(np.maximum(variance, 0.0)), LEAST_CHANGE)
        shows = np.abs(change) / needed
        least = int(np.argmin(shows))
        if shows[least] >= 1.0:
            break
        vertices = np.delete(vertices, least + 1)
    return vertices


def marks_that_matter(chainage: Floats, elevation: Floats, most: int = MOST_MARKS) -> Ints:
    """Return the marks of a profile at which a run or a landing may end, both ends among them.

    Parameters
    ----------
    chainage, elevation : array, shape (n,), metres
    most
        So many at most.

    Returns
    -------
    array of int
        At least `SHORTEST_M` from each other. Of too many those are left out that lie nearest to
        the straight line between their neighbours.

    Examples
    --------
    Three of four marks: the one on the straight line between its neighbours is left out.

    >>> along, up = np.array([0.0, 5.0, 10.0, 15.0]), np.array([0.0, 0.5, 1.0, 1.0])
    >>> marks_that_matter(along, up, 3).tolist()
    [0, 2, 3]
    """
    apart = [0]
    for k in range(1, len(chainage) - 1):
        far = chainage[k] - chainage[apart[-1]] >= SHORTEST_M
        if far and chainage[-1] - chainage[k] >= SHORTEST_M:
            apart.append(k)
    vertices = np.array([*apart, len(chainage) - 1])
    while len(vertices) > most:
        x, z = chainage[vertices], elevation[vertices]
        share = (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
        off = np.abs(z[1:-1] - (1 - share) * z[:-2] - share * z[2:])
        # every second one of the straightest half, so that long lines take few rounds
        straight = np.argsort(off, kind="stable")[: max(1, (len(vertices) - most) // 2)]
        chosen = np.sort(straight)
        chosen = chosen[np.append(True, np.diff(chosen) > 1)]
        vertices = np.delete(vertices, chosen + 1)
    return vertices


def profile_draws(
    elevation: Floats, covariance: Floats, *, inflation: float = 1.0, count: int = DRAWS
) -> Floats:
    """Return possible profiles, the same ones for the same numbers.

    Parameters
    ----------
    elevation : array, shape (n,), metres
    covariance : array, shape (n, n), square metres
    inflation
        Half-width of the 95 % interval over that of the normal distribution, where the variance
        itself is estimated.

    Returns
    -------
    array, shape (count, n), metres

    Examples
    --------
    Two marks with errors of 1 cm that go together, so the rise between them is sure:

    >>> drawn = profile_draws(np.array([2.0, 3.0]), np.full((2, 2), 1e-4), count=4)
    >>> np.diff(drawn, axis=1).round(6).ravel().tolist()
    [1.0, 1.0, 1.0, 1.0]
    """
    content = np.round(np.append(elevation, np.diag(covariance)), 9) + 0.0
    seed = int.from_bytes(hashlib.sha256(content.tobytes()).digest()[:8], "little")
    normal = np.random.default_rng(seed).standard_normal((count, len(elevation)))
    drawn: Floats = elevation + inflation * normal @ square_root(covariance)
    return drawn


def stretches(
    chainage: Floats, elevation: Floats, covariance: Floats, draws: Floats
) -> tuple[Stretch, ...]:
    """Split a profile into runs and landings and say how sure each of them is.

    Parameters
    ----------
    chainage, elevation, covariance
        As for `parts_of`.
    draws : array, shape (d, n), metres
        Possible profiles, from `profile_draws`.

    Examples
    --------
    >>> x = np.array([0.0, 4.0, 5.6, 9.6])
    >>> z = np.array([0.0, 0.32, 0.352, 0.672])
    >>> c = 4e-6 * np.eye(4)
    >>> found = stretches(x, z, c, profile_draws(z, c))
    >>> [(s.part.is_landing, s.probability) for s in found]
    [(False, 1.0), (True, 1.0), (False, 1.0)]
    """
    others = [parts_of(chainage, z, covariance) for z in draws]
    found = []
    for part in parts_of(chainage, elevation, covariance):
        middle = (chainage[part.first] + chainage[part.last]) / 2
        same = [
            (z, other)
            for z, other in zip(draws, (_at(o, chainage, middle) for o in others), strict=True)
            if other.is_landing == part.is_landing
        ]
        steady = all((o.first, o.last) == (part.first, part.last) for _, o in same)
        rise = length = None
        if same and not steady:
            here = float(elevation[part.last] - elevation[part.first])
            rise = Estimate.from_draws(here, [z[o.last] - z[o.first] for z, o in same])
            long = float(chainage[part.last] - chainage[part.first])
            length = Estimate.from_draws(
                long, [chainage[o.last] - chainage[o.first] for _, o in same]
            )
        found.append(Stretch(part, len(same) / len(draws), rise, length))
    return tuple(found)


def _at(parts: Sequence[Part], chainage: Floats, place: float) -> Part:
    """Return the part in which a place lies."""
    return next(p for p in parts if place <= chainage[p.last])
