"""Areas within areas: which areas lie directly inside each, and what is left of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.linework.strokes import Stroke, form_of
from geosite.network.model import LinearForm

if TYPE_CHECKING:
    from shapely.geometry import Polygon
    from shapely.geometry.base import BaseGeometry

__all__ = ["Overlap", "Region", "direct_children", "union_area"]

# A child's edge along its parent's is measured twice and the two differ by centimetres. It still
# counts as inside when what sticks out is no wider, all round, than 5 cm, and no more than a tenth.
STRAY_WIDTH_M = 0.05
STRAY_SHARE = 0.10
# Less shared ground than this is rounding, square metres.
NO_AREA_M2 = 1e-9


@dataclass(frozen=True, slots=True)
class Overlap:
    """Ground that two areas share without one lying inside the other.

    Parameters
    ----------
    first, second
        Positions of the two, first < second.
    area_m2
        Shared grid area.
    is_sliver
        On the average no wider than `STRAY_WIDTH_M`: one edge, measured twice.
    """

    first: int
    second: int
    area_m2: float
    is_sliver: bool


@dataclass(frozen=True, eq=False)
class Region:
    """An area feature as nesting sees it, in grid metres.

    Parameters
    ----------
    polygon
        Densified outline.
    area, form
        Exact grid area, and its derivative.
    strokes
        The outline, in drawing order.
    """

    polygon: Polygon
    area: float
    form: LinearForm
    strokes: tuple[Stroke, ...]


def direct_children(
    polygons: Sequence[Polygon],
) -> tuple[list[list[int]], list[Overlap]]:
    """Find the direct children of each polygon, and what overlaps otherwise.

    A polygon lies inside a larger one when (almost) all of its area does: the rest may be at most
    `STRAY_WIDTH_M` times its perimeter and `STRAY_SHARE` of its area, so that centimetres of noise
    on a shared edge change nothing. Of two equal polygons the later one is the inner one.

    Returns
    -------
    children : list of lists
        Per polygon, the polygons directly inside it, ascending.
    overlaps : list of Overlap
        Pairs that share ground without one lying inside the other.

    Examples
    --------
    A yard, a house in it, a stair well in the house, and a strip that lies half over the yard:

    >>> yard, house = shapely.box(0, 0, 20, 20), shapely.box(5, 5, 15, 15)
    >>> well, strip = shapely.box(8, 8, 9, 9), shapely.box(16, 0, 24, 2)
    >>> children, overlaps = direct_children([yard, house, well, strip])
    >>> children
    [[1], [2], [], []]
    >>> [(one.first, one.second, one.area_m2) for one in overlaps]
    [(0, 3, 8.0)]
    """
    if len(polygons) < 2:
        return [[] for _ in polygons], []
    shapes = np.array(polygons, dtype=object)
    area = shapely.area(shapes)
    stray = np.minimum(STRAY_WIDTH_M * shapely.length(shapes), STRAY_SHARE * area)
    tree = shapely.STRtree(shapes)
    # prepared geometries settle the clear cases; only touching and overlapping pairs are cut
    outer, inner = tree.query(shapes, predicate="contains_properly")
    first, second = tree.query(shapes, predicate="intersects")
    keep = first < second
    first, second = first[keep], second[keep]
    nested = set(zip(outer.tolist(), inner.tolist(), strict=True))
    undecided = np.array(
        [(i, j) not in nested and (j, i) not in nested for i, j in zip(first, second, strict=True)],
        dtype=bool,
    )
    first, second = first[undecided], second[undecided]
    common = shapely.intersection(shapes[first], shapes[second])
    shared = shapely.area(common)
    sliver = 2.0 * shared <= STRAY_WIDTH_M * shapely.length(common)

    containers: list[set[int]] = [set() for _ in polygons]
    for i, j in nested:
        containers[j].add(i)
    overlaps = []
    for i, j, shared_area, is_thin in zip(
        first.tolist(), second.tolist(), shared.tolist(), sliver.tolist(), strict=True
    ):
        big, small = (i, j) if area[i] >= area[j] else (j, i)
        if area[small] - shared_area <= stray[small]:
            containers[small].add(big)
        elif shared_area > NO_AREA_M2:
            overlaps.append(Overlap(i, j, shared_area, is_thin))
    children: list[list[int]] = [[] for _ in polygons]
    for child, own in enumerate(containers):
        # direct: no other holder of the child lies inside this one
        indirect = set().union(*(containers[h] for h in own)) if own else set()
        for parent in sorted(own - indirect):
            children[parent].append(child)
    return children, sorted(overlaps, key=lambda o: (o.first, o.second))


def union_area(
    regions: Sequence[Region], overlapping: Sequence[tuple[int, int]]
) -> tuple[float, list[LinearForm]]:
    """Return the area that regions cover together, ground that several share counted once.

    Parameters
    ----------
    regions
        The children of one parent.
    overlapping
        Pairs of them (positions in `regions`) that share ground.

    Returns
    -------
    area : square metres
    forms : list of LinearForm
        To be added up: the derivative of the area.

    Examples
    --------
    Two squares of 4 and 9 square metres that lie apart:

    >>> nothing = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> small = Region(shapely.box(0, 0, 2, 2), 4.0, nothing, ())
    >>> large = Region(shapely.box(5, 0, 8, 3), 9.0, nothing, ())
    >>> union_area([small, large], [])[0]
    13.0
    """
    joined = sorted({k for pair in overlapping for k in pair})
    apart = [r for k, r in enumerate(regions) if k not in set(joined)]
    area = sum(r.area for r in apart)
    forms = [r.form for r in apart]
    if joined:
        overlapping_regions = [regions[k] for k in joined]
        union = shapely.union_all([r.polygon for r in overlapping_regions])
        # the union is cut from densified outlines; give back what densifying took
        area += float(union.area) + sum(r.area - float(r.polygon.area) for r in overlapping_regions)
        forms += _outline_forms(union, overlapping_regions)
    return area, forms


def _outline_forms(union: BaseGeometry, regions: Sequence[Region]) -> list[LinearForm]:
    """Differentiate the area of a union: its boundary moves with the outlines it came from.

    An edge from p to q of length L with outward normal n adds L (n . dp + n . dq) / 2; a part of it
    around the share t of the way adds its own length times (n . dp (1 - t) + n . dq t).
    """
    strokes = [s for r in regions for s in r.strokes]
    edges = np.concatenate(
        [np.stack([s.piece.vertices[:-1, :2], s.piece.vertices[1:, :2]], axis=1) for s in strokes]
    )
    sizes = np.array([len(s.edge_ends) for s in strokes])
    offset = np.cumsum(sizes) - sizes
    owner = np.repeat(np.arange(len(strokes)), sizes)

    rings = [
        np.asarray(ring.coords)[:, :2]
        for part in shapely.get_parts(shapely.orient_polygons(union))
        for ring in (part.exterior, *part.interiors)
    ]
    starts = np.concatenate([ring[:-1] for ring in rings])
    ends = np.concatenate([ring[1:] for ring in rings])
    middle = (starts + ends) / 2.0
    tree = shapely.STRtree(np.asarray(shapely.linestrings(edges)))
    source = tree.query_nearest(shapely.points(middle), all_matches=False)[1]

    # outside is to the right of a counter-clockwise shell and of a clockwise hole
    normal = np.column_stack([ends[:, 1] - starts[:, 1], starts[:, 0] - ends[:, 0]])
    edge = edges[source, 1] - edges[source, 0]
    share = np.einsum("ij,ij->i", middle - edges[source, 0], edge) / np.einsum(
        "ij,ij->i", edge, edge
    )
    forms = []
    for k, stroke in enumerate(strokes):
        is_own = owner[source] == k
        if not is_own.any():
            continue
        by_vertex = np.zeros((sizes[k] + 1, 2))
        edge_number = source[is_own] - offset[k]
        np.add.at(by_vertex, edge_number, normal[is_own] * (1.0 - share[is_own, None]))
        np.add.at(by_vertex, edge_number + 1, normal[is_own] * share[is_own, None])
        forms.append(form_of(stroke.piece.rows, _by_marks(stroke, by_vertex)))
    return forms


def _by_marks(stroke: Stroke, by_vertex: Floats) -> Floats:
    """Pass a derivative by vertices, shape (m, 2), on to the marks of a stroke, shape (k, 2)."""
    shape, piece = stroke.shape, stroke.piece
    if shape is None:
        return by_vertex
    outward = piece.vertices[:, :2] - np.array(shape.centre)
    angles = np.arctan2(outward[:, 1], outward[:, 0])
    radial = by_vertex[:, 0] * np.cos(angles) + by_vertex[:, 1] * np.sin(angles)
    if piece.kind == "circle":
        return np.asarray(np.tensordot(radial, shape.normal_motion(angles), 1))
    inner = np.arange(1, len(angles) - 1)
    gradient: Floats = np.tensordot(radial[inner], shape.normal_motion(angles[inner]), 1)
    # the ends are marks and move as they please, sideways too
    gradient[0] += by_vertex[0]
    gradient[-1] += by_vertex[-1]
    return gradient
