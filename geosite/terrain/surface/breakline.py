"""Edges of the ground that triangles must not cross: kerbs, walls, the foot of a bank.

Breaklines are first split where they meet (`node_breaklines`), then forced into a Delaunay
triangulation one missing edge at a time (`constrain`). The result is the constrained Delaunay
triangulation: every vertex is a measured one, no extra points are added along the lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.half_edges import next_half_edge, opposite_half_edges

__all__ = [
    "Mesh",
    "Noded",
    "constrain",
    "in_circle",
    "node_breaklines",
    "orientation",
    "orientations",
]

#: Nearer than this, in map units, is the same place: what two roundings of an arc can do.
SAME_PLACE = 1e-6

_EPS = float(np.finfo(np.float64).eps) / 2
# Shewchuk (1997), Adaptive precision floating-point arithmetic and fast robust geometric
# predicates, Discrete & Computational Geometry 18:305-363, doi:10.1007/PL00009321: below these
# shares of the sum of magnitudes the sign of a determinant is not certain.
_TURN_BOUND = (3.0 + 16.0 * _EPS) * _EPS
_CIRCLE_BOUND = (10.0 + 96.0 * _EPS) * _EPS

Position = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Noded:
    """Points and the edges between them that must be kept, as after noding.

    Parameters
    ----------
    points : array, shape (m, 3)
        The given points first, in their order, then what breaklines add: vertices that are no
        points, and crossings.
    edges : array of int, shape (e, 2)
        Rows of `points`; edges meet at their ends only.
    crossing_gap
        Largest difference in elevation of two breaklines that cross, 0 where none do.
    """

    points: Floats
    edges: Ints
    crossing_gap: float


def node_breaklines(points: Floats, lines: Sequence[Floats]) -> Noded:
    """Join breaklines to points and split them where they meet.

    Parameters
    ----------
    points : array, shape (n, 3), columns easting, northing, elevation
        Distinct positions.
    lines
        Arrays of shape (k, 3), consecutive vertices joined by an edge. A vertex on a point takes
        that point's elevation; a line that passes over a point is bent to it; lines that cross get
        a common vertex at the mean of their elevations.

    Returns
    -------
    Noded

    Examples
    --------
    Two breaklines cross in the middle of four marks: they get a common vertex at the mean of their
    elevations there, and are four edges.

    >>> marks = np.array([[0.0, 0.0, 1.0], [2.0, 2.0, 1.0], [0.0, 2.0, 3.0], [2.0, 0.0, 3.0]])
    >>> found = node_breaklines(marks, [marks[:2], marks[2:]])
    >>> found.points[4].tolist(), len(found.edges), found.crossing_gap
    ([1.0, 1.0, 2.0], 4, 2.0)
    """
    if not lines:
        return Noded(points, np.empty((0, 2), np.int64), 0.0)
    vertices = np.vstack(lines)
    points, row = _join(points, vertices)
    inner = np.ones(len(vertices), bool)
    inner[np.cumsum([len(line) for line in lines]) - 1] = False
    begin = np.flatnonzero(inner)
    edges = _distinct_edges(np.column_stack([row[begin], row[begin + 1]]))
    gap = 0.0
    while True:
        edges = _split_at_points(points, edges)
        crossings, gaps = _crossings(points, edges)
        if len(crossings) == 0:
            return Noded(points, edges, gap)
        gap = max(gap, float(gaps.max()))
        points, _ = _join(points, crossings)


def _join(points: Floats, more: Floats) -> tuple[Floats, Ints]:
    """Append places that are not there yet; the row of each."""
    cell = np.round(more[:, :2] / SAME_PLACE) + 0.0
    _, first, group = np.unique(cell, axis=0, return_index=True, return_inverse=True)
    group = group.ravel()
    row = np.full(len(first), -1, np.int64)
    if len(points):
        tree = shapely.STRtree(np.asarray(shapely.points(points[:, :2])))
        found, near = tree.query_nearest(
            shapely.points(more[first, :2]), max_distance=SAME_PLACE, all_matches=False
        )
        row[found] = near
    # in the order given, so that results do not depend on where the site lies
    added = np.flatnonzero(row < 0)
    added = added[np.argsort(first[added])]
    row[added] = len(points) + np.arange(len(added))
    return np.vstack([points, more[first[added]]]), row[group]


def _distinct_edges(edges: Ints) -> Ints:
    edges = np.sort(edges[edges[:, 0] != edges[:, 1]], axis=1)
    return np.unique(edges, axis=0) if len(edges) else edges


def _segments(points: Floats, edges: Ints) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.linestrings(points[edges][:, :, :2]), dtype=object)


def _split_at_points(points: Floats, edges: Ints) -> Ints:
    """Split every edge at the points it passes over."""
    if len(edges) == 0:
        return edges
    tree = shapely.STRtree(_segments(points, edges))
    passed, edge = tree.query(
        shapely.points(points[:, :2]), predicate="dwithin", distance=2 * SAME_PLACE
    )
    start, along = points[edges[edge, 0], :2], points[edges[edge, 1], :2]
    share = ((points[passed, :2] - start) * (along - start)).sum(axis=1)
    share /= ((along - start) ** 2).sum(axis=1)
    number = np.arange(len(edges))
    # every edge as a chain: its start, what it passes in order, itself among them, its end
    which = np.concatenate([number, edge, number])
    share_along = np.concatenate([np.full(len(edges), -np.inf), share, np.full(len(edges), np.inf)])
    row = np.concatenate([edges[:, 0], passed, edges[:, 1]])
    order = np.lexsort((share_along, which))
    which, row = which[order], row[order]
    chained = which[1:] == which[:-1]
    return _distinct_edges(np.column_stack([row[:-1], row[1:]])[chained])


def _crossings(points: Floats, edges: Ints) -> tuple[Floats, Floats]:
    """Places where edges cross between their ends, and the difference in elevation there."""
    lines = _segments(points, edges)
    first, second = shapely.STRtree(lines).query(lines, predicate="crosses")
    once = first < second
    first, second = first[once], second[once]
    p, r = points[edges[first, 0]], points[edges[first, 1]] - points[edges[first, 0]]
    q, s = points[edges[second, 0]], points[edges[second, 1]] - points[edges[second, 0]]
    cross = r[:, 0] * s[:, 1] - r[:, 1] * s[:, 0]
    apart = q - p
    t = (apart[:, 0] * s[:, 1] - apart[:, 1] * s[:, 0]) / cross
    u = (apart[:, 0] * r[:, 1] - apart[:, 1] * r[:, 0]) / cross
    here = p + t[:, None] * r
    there = q[:, 2] + u * s[:, 2]
    gap = np.abs(here[:, 2] - there)
    here[:, 2] = (here[:, 2] + there) / 2
    return here, gap


def orientation(a: Position, b: Position, c: Position) -> int:
    """Tell on which side of the line from a to b the point c lies, without error.

    The sign of twice the area of the triangle, in exact arithmetic where rounding could turn it
    (Shewchuk 1997, doi:10.1007/PL00009321).

    Returns
    -------
    int
        1 left, -1 right, 0 exactly on the line.

    Examples
    --------
    >>> orientation((0.0, 0.0), (1.0, 1.0), (0.0, 1.0)), orientation((0, 0), (1, 1), (3, 3))
    (1, 0)
    """
    left, right = (a[0] - c[0]) * (b[1] - c[1]), (a[1] - c[1]) * (b[0] - c[0])
    det = left - right
    if abs(det) > _TURN_BOUND * (abs(left) + abs(right)):
        return 1 if det > 0 else -1
    (ax, ay), (bx, by), (cx, cy) = (map(Fraction, place) for place in (a, b, c))
    exact = (ax - cx) * (by - cy) - (ay - cy) * (bx - cx)
    return (exact > 0) - (exact < 0)


def orientations(positions: Floats, triangles: Ints) -> npt.NDArray[np.int8]:
    """Tell the orientation of triangles, without error.

    Parameters
    ----------
    positions : array, shape (m, 2)
    triangles : array of int, shape (t, 3)

    Returns
    -------
    array of int8, shape (t,)
        1 counter-clockwise, -1 clockwise, 0 where the corners are exactly on one line.

    Examples
    --------
    >>> positions = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [2.0, 0.0]])
    >>> orientations(positions, np.array([[0, 1, 2], [0, 2, 1], [0, 1, 3]])).tolist()
    [1, -1, 0]
    """
    (xa, ya), (xb, yb), (xc, yc) = (positions.T[:, triangles[:, k]] for k in range(3))
    left, right = (xa - xc) * (yb - yc), (ya - yc) * (xb - xc)
    det = left - right
    side: npt.NDArray[np.int8] = np.sign(det).astype(np.int8)
    unsure = np.flatnonzero(np.abs(det) <= _TURN_BOUND * (np.abs(left) + np.abs(right)))
    for k, corners in zip(unsure, positions[triangles[unsure]].tolist(), strict=True):
        a, b, c = map(tuple, corners)
        side[k] = orientation(a, b, c)
    return side


def in_circle(a: Position, b: Position, c: Position, d: Position) -> bool:
    """Tell whether d is inside the circle through a, b, c (counter-clockwise), without error.

    Examples
    --------
    The circle through three corners of a square holds its middle; the fourth corner is on it:

    >>> a, b, c = (0.0, 0.0), (1.0, 0.0), (1.0, 1.0)
    >>> in_circle(a, b, c, (0.5, 0.5)), in_circle(a, b, c, (0.0, 1.0))
    (True, False)
    """
    ax, ay, bx, by, cx, cy = (
        a[0] - d[0],
        a[1] - d[1],
        b[0] - d[0],
        b[1] - d[1],
        c[0] - d[0],
        c[1] - d[1],
    )
    aa, bb, cc = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    det = aa * (bx * cy - by * cx) + bb * (cx * ay - cy * ax) + cc * (ax * by - ay * bx)
    size = (
        aa * (abs(bx * cy) + abs(by * cx))
        + bb * (abs(cx * ay) + abs(cy * ax))
        + cc * (abs(ax * by) + abs(ay * bx))
    )
    if abs(det) > _CIRCLE_BOUND * size:
        return det > 0
    dx, dy = map(Fraction, d)
    (px, py), (qx, qy), (rx, ry) = (
        (Fraction(place[0]) - dx, Fraction(place[1]) - dy) for place in (a, b, c)
    )
    exact = (
        (px * px + py * py) * (qx * ry - qy * rx)
        + (qx * qx + qy * qy) * (rx * py - ry * px)
        + (rx * rx + ry * ry) * (px * qy - py * qx)
    )
    return exact > 0


def constrain(positions: Floats, triangles: Ints, edges: Ints) -> tuple[Ints, Ints]:
    """Force edges into a Delaunay triangulation.

    Parameters
    ----------
    positions : array, shape (m, 2)
    triangles : array of int, shape (t, 3), counter-clockwise
    edges : array of int, shape (e, 2)
        Edges to be there in the end; they must meet at their ends only.

    Returns
    -------
    triangles : array of int, shape (t, 3)
        Constrained Delaunay triangulation.
    edges : array of int, shape (e', 2), lower row first
        The edges as they are in it: split where one passes exactly over a vertex.

    Notes
    -----
    The triangles that an edge crosses are taken out and the hole on each side is triangulated by
    the empty-circle criterion, after Anglada, M. V. (1997), An improved incremental algorithm for
    constructing restricted Delaunay triangulations, Computers & Graphics 21(2):215-223,
    doi:10.1016/S0097-8493(96)00085-4. Signs that rounding could turn are decided in exact
    arithmetic. Only missing edges cost anything, each in proportion to what it crosses.

    Examples
    --------
    A kite whose Delaunay diagonal is the short one, from 1 to 3; the long one is forced in:

    >>> kite = np.array([[0.0, 0.0], [2.0, -1.0], [4.0, 0.0], [2.0, 1.0]])
    >>> triangles, edges = constrain(kite, np.array([[0, 1, 3], [1, 2, 3]]), np.array([[0, 2]]))
    >>> sorted(sorted(one) for one in triangles.tolist())
    [[0, 1, 2], [0, 2, 3]]
    """
    count = len(positions)
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    present = np.unique(np.minimum(start, end) * count + np.maximum(start, end))
    edges = np.sort(edges, axis=1)
    missing = edges[~np.isin(edges[:, 0] * count + edges[:, 1], present)]
    if len(missing) == 0:
        return triangles, edges
    mesh = Mesh(positions, triangles)
    constrained = {(int(a), int(b)) for a, b in edges} - {(int(a), int(b)) for a, b in missing}
    for a, b in missing.tolist():
        mesh.insert(a, b, constrained)
    return mesh.triangles, np.array(sorted(constrained), dtype=np.int64).reshape(-1, 2)


class Mesh:
    """A triangulation that can be changed, as half-edges with their opposites."""

    def __init__(self, positions: Floats, triangles: Ints) -> None:
        self.position: list[Position] = [(x, y) for x, y in positions.tolist()]
        self.triangles = triangles.copy()
        self._other = opposite_half_edges(triangles)
        self._half_edge_at = np.zeros(len(positions), np.int64)
        self._half_edge_at[triangles.ravel()] = np.arange(triangles.size)

    def insert(self, a: int, b: int, constrained: set[tuple[int, int]]) -> None:
        """Make a to b an edge, or a chain of edges over the vertices exactly on it."""
        while a != b:
            half, through = self._exit_from(a, b)
            if through < 0:
                through = self._retriangulate(a, b, half)
            constrained.add((min(a, through), max(a, through)))
            a = through

    def flip_to_delaunay(self) -> None:
        """Flip edges until no circle through a triangle holds its neighbour's far corner.

        After Lawson, C. L. (1977), Software for C1 surface interpolation, in Rice (ed.),
        Mathematical Software III, 161-194.
        """
        stack = [half for half, other in enumerate(self._other.tolist()) if other > half]
        while stack:
            half = stack.pop()
            other = int(self._other[half])
            if other < 0:
                continue
            ahead, beyond = next_half_edge(half), next_half_edge(other)
            a, b, c = self._corner(half), self._corner(ahead), self._corner(next_half_edge(ahead))
            d = self._corner(next_half_edge(beyond))
            if in_circle(*(self.position[k] for k in (a, b, c, d))):
                pair = [half // 3, other // 3]
                self._replace(pair, [(c, a, d), (d, b, c)])
                stack.extend(3 * triangle + j for triangle in pair for j in range(3))

    def _corner(self, half: int) -> int:
        return int(self.triangles[half // 3, half % 3])

    def _exit_from(self, a: int, b: int) -> tuple[int, int]:
        """Where a line from a to b leaves the triangles round a: a half-edge or a vertex."""
        pa, pb = self.position[a], self.position[b]
        first = half = int(self._half_edge_at[a])
        forward = True
        while True:
            ahead = next_half_edge(half)
            p, q = self._corner(ahead), self._corner(next_half_edge(ahead))
            if b in (p, q):
                return -1, b
            right, left = (
                orientation(pa, pb, self.position[p]),
                orientation(pa, pb, self.position[q]),
            )
            for vertex, side in ((p, right), (q, left)):
                if side == 0 and _ahead(pa, pb, self.position[vertex]):
                    return -1, vertex
            if right < 0 < left:
                return ahead, -1
            # counter-clockwise around a; from the other side once the border is met
            if forward:
                half = int(self._other[next_half_edge(ahead)])
                if half == first:
                    break
                if half < 0:
                    forward, half = False, first
            if not forward:
                half = int(self._other[half])
                if half < 0:
                    break
                half = next_half_edge(half)
        raise AssertionError(f"no way from vertex {a} to {b}: the triangulation is broken")

    def _retriangulate(self, a: int, b: int, half: int) -> int:
        """Replace the triangles crossed from a towards b; return the vertex that was reached."""
        pa, pb = self.position[a], self.position[b]
        taken = [half // 3]
        right, left = [self._corner(half)], [self._corner(next_half_edge(half))]
        while True:
            half = int(self._other[half])
            taken.append(half // 3)
            apex = self._corner(next_half_edge(next_half_edge(half)))
            side = 0 if apex == b else orientation(pa, pb, self.position[apex])
            if side == 0:
                break
            if side > 0:
                left.append(apex)
                half = next_half_edge(half)
            else:
                right.append(apex)
                half = next_half_edge(next_half_edge(half))
        filled = self._fill(a, apex, left) + self._fill(apex, a, right[::-1])
        self._replace(taken, filled)
        return apex

    def _fill(self, a: int, b: int, chain: list[int]) -> list[tuple[int, int, int]]:
        """Triangulate between the edge a to b and the chain on its left."""
        filled = []
        stack = [(a, b, chain)]
        while stack:
            a, b, chain = stack.pop()
            if not chain:
                continue
            best = 0
            for k in range(1, len(chain)):
                if in_circle(
                    self.position[a],
                    self.position[b],
                    self.position[chain[best]],
                    self.position[chain[k]],
                ):
                    best = k
            filled.append((a, b, chain[best]))
            stack.append((a, chain[best], chain[:best]))
            stack.append((chain[best], b, chain[best + 1 :]))
        return filled

    def _replace(self, taken: list[int], filled: list[tuple[int, int, int]]) -> None:
        outside: dict[tuple[int, int], int] = {}
        for triangle in taken:
            for half in range(3 * triangle, 3 * triangle + 3):
                outside[self._corner(half), self._corner(next_half_edge(half))] = int(
                    self._other[half]
                )
        inside: dict[tuple[int, int], int] = {}
        for triangle, corners in zip(taken, filled, strict=True):
            self.triangles[triangle] = corners
            for j in range(3):
                inside[corners[j], corners[(j + 1) % 3]] = 3 * triangle + j
                self._half_edge_at[corners[j]] = 3 * triangle + j
        for (p, q), half in inside.items():
            other = inside.get((q, p))
            if other is None:
                other = outside[p, q]
                if other >= 0:
                    self._other[other] = half
            self._other[half] = other


def _ahead(a: Position, b: Position, p: Position) -> bool:
    return (p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1]) > 0
