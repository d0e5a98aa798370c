"""Edges that two areas share but that were walked twice: how far they differ, and one edge of two.

Areas that touch were often measured separately, and their common edge differs by centimetres. The
ground between is then counted twice (overlap) or not at all (gap).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosite.base.arrays import Ints

if TYPE_CHECKING:
    import numpy.typing as npt
    from shapely.geometry import Polygon

__all__ = ["Neighbours", "SharedEdge", "Snapped", "neighbours", "shared_edges", "snap"]

# An edge shorter than this many times the width is a corner where two areas happen to meet.
SHORTEST_IN_WIDTHS = 4.0
# Grid on which shapes that GEOS refuses are overlaid, metres.
GRID_M = 1e-6
# Less than this on the average and the two edges are one, metres.
SAME_EDGE_M = 0.0005


@dataclass(frozen=True, slots=True)
class SharedEdge:
    """The common edge of two areas, in grid metres.

    Parameters
    ----------
    first, second
        Positions of the areas. Where one lies inside the other, the outer one comes first and the
        edge is where the inner one's outline runs along the outer one's.
    nested
        One lies inside the other.
    length_m
        Length along which the two outlines run side by side.
    overlap_m2
        Ground that both cover; of a nested pair, the part of the inner one that sticks out.
    gap_m2
        Ground between the two edges that neither covers; of a nested pair, the strip of the outer
        one that is left between them.
    """

    first: int
    second: int
    nested: bool
    length_m: float
    overlap_m2: float
    gap_m2: float

    @property
    def width_m(self) -> float:
        """Mean distance between the two edges, metres."""
        return (self.overlap_m2 + self.gap_m2) / self.length_m

    @property
    def is_one(self) -> bool:
        """The two edges are the same to less than a millimetre."""
        return self.width_m < SAME_EDGE_M


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Pairs of areas whose outlines come near each other.

    Parameters
    ----------
    first, second : array of int, shape (p,)
        Of a nested pair, the outer one is the first.
    nested : array of bool, shape (p,)
    """

    first: Ints
    second: Ints
    nested: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Snapped:
    """Outlines after their shared edges have been made one.

    Parameters
    ----------
    outlines
        New outline by position, only of areas that took part; no elevations.
    failed : tuple of int
        Areas that should have taken part and were left as they were, because they would have
        changed by more than the tolerance allows or come apart.
    """

    outlines: dict[int, Polygon]
    failed: tuple[int, ...]


def neighbours(
    polygons: Sequence[Polygon],
    children: Sequence[Sequence[int]],
    overlapping: set[tuple[int, int]],
    width_m: float,
) -> Neighbours:
    """Find the pairs of areas whose outlines come nearer than a width.

    Parameters
    ----------
    polygons
        In local grid metres.
    children
        Areas directly inside each, from `geosite.linework.nesting.direct_children`.
    overlapping
        Pairs that truly overlap: their ground is disputed, their edges are not compared.
    width_m
        How far apart two walks along one edge may be.

    Examples
    --------
    Two slabs with a joint of 3 cm between them, and one that lies 5 m off:

    >>> slabs = [shapely.box(0, 0, 4, 4), shapely.box(4.03, 0, 8, 4), shapely.box(13, 0, 15, 4)]
    >>> near = neighbours(slabs, [[], [], []], set(), 0.05)
    >>> near.first.tolist(), near.second.tolist(), near.nested.tolist()
    ([0], [1], [False])
    """
    shapes = np.asarray(list(polygons), dtype=object)
    if len(shapes) < 2:
        none = np.zeros(0, dtype=np.int64)
        return Neighbours(none, none, np.zeros(0, dtype=bool))
    tree = shapely.STRtree(shapes)
    one, other = tree.query(shapes, predicate="dwithin", distance=width_m)
    ahead = one < other
    within = _descendants(children)
    beside = np.array(
        [
            i < j and j not in within[i] and i not in within[j] and (i, j) not in overlapping
            for i, j in zip(one.tolist(), other.tolist(), strict=True)
        ],
        dtype=bool,
    )
    one, other = one[ahead & beside], other[ahead & beside]
    outer = np.array([i for i, inner in enumerate(children) for _ in inner], dtype=np.int64)
    inner = np.array([j for own in children for j in own], dtype=np.int64)
    along = np.zeros(len(outer), dtype=bool)
    if len(outer):
        along = shapely.dwithin(shapely.boundary(shapes[outer]), shapes[inner], width_m)
    return Neighbours(
        np.concatenate([one, outer[along]]),
        np.concatenate([other, inner[along]]),
        np.concatenate([np.zeros(len(one), dtype=bool), np.ones(int(along.sum()), dtype=bool)]),
    )


def _descendants(children: Sequence[Sequence[int]]) -> list[set[int]]:
    """Everything inside each area, at any depth."""
    within: list[set[int]] = [set() for _ in children]
    done = [False] * len(children)
    for root in range(len(children)):
        stack = [root]
        while stack:
            top = stack[-1]
            todo = [c for c in children[top] if not done[c]]
            if todo:
                stack.extend(todo)
                continue
            stack.pop()
            if not done[top]:
                done[top] = True
                within[top] = set(children[top]).union(*(within[c] for c in children[top]))
    return within


def _overlay(
    operation: Callable[..., Any], one: npt.NDArray[np.object_], other: npt.NDArray[np.object_]
) -> npt.NDArray[np.object_]:
    """Overlay shapes pair by pair, whatever they are.

    A mitred outline of areas that overlap badly may cross itself, and GEOS refuses such a pair: it
    alone is made valid first, so that all others stay exact.
    """
    try:
        return np.asarray(operation(one, other), dtype=object)
    except shapely.GEOSException:
        pass
    found = np.empty(len(one), dtype=object)
    for k in range(len(one)):
        try:
            found[k] = operation(one[k], other[k])
        except shapely.GEOSException:
            mended = shapely.make_valid(one[k]), shapely.make_valid(other[k])
            found[k] = operation(*mended, grid_size=GRID_M)
    return found


def shared_edges(
    polygons: Sequence[Polygon], near: Neighbours, width_m: float
) -> tuple[SharedEdge, ...]:
    """Measure how far the edges of neighbouring areas differ.

    The gap is what a closing by half the width (out and in again, with mitred corners) fills
    between the two; inside an area the outer outline's far side takes the neighbour's place.

    Parameters
    ----------
    polygons, width_m
        As for `neighbours`.
    near
        From `neighbours`.

    Returns
    -------
    tuple of SharedEdge
        In the order of the pairs; corners that merely meet are left out.

    Examples
    --------
    Two slabs of 4 m with a joint of 2 cm between them:

    >>> slabs = [shapely.box(0, 0, 4, 4), shapely.box(4.02, 0, 8, 4)]
    >>> (edge,) = shared_edges(slabs, neighbours(slabs, [[], []], set(), 0.05), 0.05)
    >>> round(edge.length_m, 1), round(edge.gap_m2, 3), edge.overlap_m2
    (4.0, 0.08, 0.0)
    """
    if not len(near.first):
        return ()
    shapes = np.asarray(list(polygons), dtype=object)
    pair = np.stack([near.first, near.second])
    # only the surroundings of the smaller one matter, however large the other is
    bounds = shapely.bounds(shapes)[pair]
    low = bounds[..., :2].max(axis=0) - 2.0 * width_m
    high = bounds[..., 2:].min(axis=0) + 2.0 * width_m
    window = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    first, second = (_overlay(shapely.intersection, shapes[side], window) for side in pair)
    inner = near.nested
    first[inner] = _overlay(shapely.difference, window[inner], first[inner])
    edge = _overlay(shapely.intersection, shapely.boundary(shapes[near.second]), window)
    round_first = shapely.buffer(first, width_m)
    beside = shapely.length(_overlay(shapely.intersection, edge, round_first))
    # the buffer reaches round both ends of the edge
    length = beside - 2.0 * width_m
    real = np.flatnonzero(length > SHORTEST_IN_WIDTHS * width_m)
    first, second = first[real], second[real]
    overlap = shapely.area(_overlay(shapely.intersection, first, second))
    both = _overlay(shapely.union, first, second)
    closed = shapely.buffer(
        shapely.buffer(both, width_m / 2.0, join_style="mitre"), -width_m / 2.0, join_style="mitre"
    )
    # the window's own border is no edge: stay a width away from it
    (w, s), (e, n) = low[real].T + width_m, high[real].T - width_m
    filled = _overlay(shapely.difference, closed, both)
    gap = shapely.area(_overlay(shapely.intersection, filled, shapely.box(w, s, e, n)))
    return tuple(
        SharedEdge(
            first=int(near.first[k]),
            second=int(near.second[k]),
            nested=bool(inner[k]),
            length_m=float(length[k]),
            overlap_m2=float(o),
            gap_m2=float(g),
        )
        for k, o, g in zip(real.tolist(), overlap, gap, strict=True)
    )


def snap(
    polygons: Sequence[Polygon],
    children: Sequence[Sequence[int]],
    near: Neighbours,
    edges: Sequence[SharedEdge],
    tolerance_m: float,
) -> Snapped:
    """Make one edge of every two that differ by less than a tolerance.

    The areas that hang together by near edges, each without those inside it, are cleaned into a
    coverage (GEOS CoverageCleaner: edges within the tolerance are snapped, what both cover goes to
    the neighbour with the longer common border, narrow gaps are closed). Groups in which every
    shared edge is one already are not touched.

    Parameters
    ----------
    polygons, children
        As for `neighbours`.
    near, edges
        From `neighbours` and `shared_edges`, with the tolerance as width.
    tolerance_m
        How far an edge may move, metres.

    Examples
    --------
    Two slabs with a joint of 2 cm become two with one edge; together they cover 32.08 - 0.08 before
    and the joint too afterwards:

    >>> slabs = [shapely.box(0, 0, 4, 4), shapely.box(4.02, 0, 8, 4)]
    >>> near = neighbours(slabs, [[], []], set(), 0.05)
    >>> found = snap(slabs, [[], []], near, shared_edges(slabs, near, 0.05), 0.05)
    >>> round(sum(outline.area for outline in found.outlines.values()), 3), found.failed
    (32.0, ())
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(polygons)
    differing = {k for e in edges if not e.is_one for k in (e.first, e.second)}
    if not differing:
        return Snapped({}, ())
    ones = np.ones(len(near.first), dtype=np.int8)
    links = coo_array((ones, (near.first, near.second)), shape=(count, count))
    _, group = connected_components(links, directed=False)
    outlines: dict[int, Polygon] = {}
    failed: list[int] = []
    for number in sorted({int(group[k]) for k in differing}):
        members = [int(k) for k in np.flatnonzero(group == number)]
        snapped = _snap_group(polygons, children, members, tolerance_m)
        if snapped is None:
            failed += members
        else:
            outlines.update(snapped)
    return Snapped(outlines, tuple(sorted(failed)))


def _snap_group(
    polygons: Sequence[Polygon],
    children: Sequence[Sequence[int]],
    members: Sequence[int],
    tolerance_m: float,
) -> dict[int, Polygon] | None:
    present = set(members)
    inside = {k: [c for c in children[k] if c in present] for k in members}
    # what is left of each beside the members inside it: these do not overlap but for the noise
    faces = [
        shapely.difference(polygons[k], shapely.union_all([polygons[c] for c in inside[k]]))
        if inside[k]
        else polygons[k]
        for k in members
    ]
    try:
        # the published type stubs do not know this function yet
        cleaned = shapely.coverage_clean(  # type: ignore[attr-defined]
            shapely.force_2d(faces), gap_width=tolerance_m, snapping_distance=tolerance_m
        )
    except shapely.GEOSException:
        return None  # areas that overlap so badly have no common edge
    face = dict(zip(members, cleaned, strict=True))
    outlines: dict[int, Polygon] = {}
    # innermost first, so that an area can be put together from its own face and its members
    for k in sorted(members, key=lambda m: float(polygons[m].area)):
        whole = shapely.union_all([face[k], *(outlines[c] for c in inside[k] if c in outlines)])
        drift = abs(float(whole.area) - float(polygons[k].area))
        if not isinstance(whole, shapely.Polygon) or drift > tolerance_m * float(
            polygons[k].length
        ):
            return None
        outlines[k] = whole
    return outlines
