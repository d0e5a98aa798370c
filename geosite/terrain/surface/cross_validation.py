"""Leave-one-out cross-validation: how well each method predicts a mark from the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.terrain.surface.idw import inverse_distance
from geosite.terrain.surface.natural import NaturalNeighbours
from geosite.terrain.surface.plane import fit_plane
from geosite.terrain.surface.spline import leave_one_out_thin_plate
from geosite.terrain.surface.tin import (
    Tin,
    barycentric,
    border_points,
    border_sides,
    locate_points,
    triangulate,
)

__all__ = [
    "METHODS",
    "Method",
    "Score",
    "border_vertices",
    "breakline_vertices",
    "independent_batches",
    "leave_one_out",
    "marks_to_leave_out",
    "score",
    "triangles_without",
]

Method = Literal["tin", "natural-neighbour", "thin-plate", "inverse-distance", "plane"]
METHODS: tuple[Method, ...] = (
    "tin",
    "natural-neighbour",
    "thin-plate",
    "inverse-distance",
    "plane",
)

_MOST_LEFT_OUT = 1000


@dataclass(frozen=True, slots=True)
class Score:
    """How well one method predicts marks it was not given.

    Parameters
    ----------
    method
    marks
        How many were left out, one at a time; the same for every method.
    rmse, mean, largest
        Root mean square, mean and largest absolute value of mark minus prediction, elevation
        units.
    """

    method: Method
    marks: int
    rmse: float
    mean: float
    largest: float


def marks_to_leave_out(tin: Tin) -> Ints:
    """Choose the marks that are left out, one at a time.

    Parameters
    ----------
    tin

    Returns
    -------
    array of int, shape (k,)
        Rows of ``tin.points``: marks inside the hull, as no method may extrapolate, and not on a
        breakline, which would go with them; of more than 1000 a thousand spread over all.

    Examples
    --------
    Of five marks only the one in the middle lies inside the hull:

    >>> tin = triangulate([(0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0), (2, 1, 0)])
    >>> marks_to_leave_out(tin).tolist()
    [4]
    """
    usable = ~border_points(tin)
    usable[tin.edges] = False
    marks = int(tin.origin.max()) + 1
    if marks < len(tin.points):
        # what breaklines added is no mark, and the hull without it may be smaller
        usable[marks:] = False
        usable[:marks] &= ~border_points(triangulate(tin.points[:marks]))
    rows = np.flatnonzero(usable)
    if len(rows) > _MOST_LEFT_OUT:
        rows = np.sort(np.random.default_rng(0).permutation(rows)[:_MOST_LEFT_OUT])
    return rows


def leave_one_out(tin: Tin, method: Method, which: Ints, noise: Floats | None = None) -> Floats:
    """Predict marks from all others.

    Parameters
    ----------
    tin
    method
    which : array of int, shape (k,)
        Rows of ``tin.points``, from `marks_to_leave_out`.
    noise : array, shape (m,), optional
        Standard deviation of each elevation of ``tin.points`` against its neighbours, for the
        methods that smooth.

    Returns
    -------
    array, shape (k,)
        Predicted elevations.

    Notes
    -----
    For the triangles and the natural neighbours marks are taken out in a few batches: marks that
    are not each other's neighbours do not take part in each other's prediction, so a batch without
    neighbours gives exactly what leaving out one at a time gives. The plane is in closed form from
    the leverages, the spline from its inverse (see `leave_one_out_thin_plate`).

    Examples
    --------
    A mark 1 m above level ground is predicted at the level of the ground:

    >>> tin = triangulate([(0, 0, 5.0), (4, 0, 5.0), (4, 4, 5.0), (0, 4, 5.0), (2, 1, 6.0)])
    >>> float(leave_one_out(tin, "tin", np.array([4]))[0])
    5.0
    """
    marks = tin.points[: int(tin.origin.max()) + 1]
    sigma = None if noise is None else noise[: len(marks)]
    if method == "plane":
        plane = fit_plane(marks, sigma)
        residual = plane.residuals[which] / (1 - plane.leverage[which])
        predicted: Floats = marks[which, 2] - residual
        return predicted
    if method == "inverse-distance":
        return inverse_distance(marks, marks[which, :2], leave_out=which)
    if method == "thin-plate":
        return leave_one_out_thin_plate(marks, sigma, which)
    if method == "tin":
        corners, weights = triangles_without(tin, which)
        linear: Floats = (weights * tin.points[corners, 2]).sum(axis=1)
        return linear
    out = np.empty(len(which))
    # without breaklines other marks are neighbours
    for batch in independent_batches(triangulate(marks), which):
        omitted = which[batch]
        positions = tin.points[omitted, :2]
        remaining = triangulate(np.delete(marks, omitted, axis=0))
        out[batch] = NaturalNeighbours(remaining).at(locate_points(remaining, positions), positions)
    return out


def triangles_without(tin: Tin, which: Ints) -> tuple[Ints, Floats]:
    """Find the triangle that each mark would lie in if it had not been measured.

    Parameters
    ----------
    tin
    which : array of int, shape (k,)
        Rows of ``tin.points``, from `marks_to_leave_out`.

    Returns
    -------
    corners : array of int, shape (k, 3)
        Rows of ``tin.points``.
    shares : array, shape (k, 3)
        Barycentric coordinates of the mark.

    Examples
    --------
    >>> corners = [[0.0, 0.0, 7.0], [4.0, 0.0, 8.0], [0.0, 4.0, 9.0], [1.0, 1.0, 0.0]]
    >>> found, shares = triangles_without(triangulate(np.array(corners)), np.array([3]))
    >>> sorted(zip(found[0].tolist(), shares[0].tolist()))
    [(0, 0.5), (1, 0.25), (2, 0.25)]
    """
    corners = np.empty((len(which), 3), np.int64)
    weights = np.empty((len(which), 3))
    for batch in independent_batches(tin, which):
        omitted = which[batch]
        positions = tin.points[omitted, :2]
        remaining = triangulate(
            np.delete(tin.points, omitted, axis=0), [tin.points[pair] for pair in tin.edges]
        )
        triangle = locate_points(remaining, positions)
        remaining_rows = np.delete(np.arange(len(tin.points)), omitted)
        corners[batch] = remaining_rows[remaining.triangles[triangle]]
        weights[batch] = barycentric(remaining, triangle, positions)
    return corners, weights


_STRAIGHT = np.cos(np.radians(20.0))

_THIN = 0.1
"""A triangle lower than this share of its side on the border is thin."""


def breakline_vertices(tin: Tin) -> tuple[Ints, Ints, Floats]:
    """Find the marks on breaklines where the line runs nearly straight on.

    Parameters
    ----------
    tin

    Returns
    -------
    which : array of int, shape (k,)
        Rows of ``tin.points``: marks with one edge of a breakline on either side that turns by
        less than 20 degrees.
    ends : array of int, shape (k, 2)
        The vertices before and after.
    shares : array, shape (k, 2)
        Their weights where the line between them is straight.

    Examples
    --------
    A kerb of 4 m with a mark 1 m from its start, and a mark to either side:

    >>> kerb = [(0.0, 0.0, 1.0), (1.0, 0.0, 1.0), (4.0, 0.0, 1.0)]
    >>> tin = triangulate([*kerb, (2.0, 3.0, 1.0), (2.0, -3.0, 0.9)], [kerb])
    >>> which, ends, shares = breakline_vertices(tin)
    >>> which.tolist(), ends.tolist(), shares.tolist()
    ([1], [[2, 0]], [[0.25, 0.75]])
    """
    return _where_straight(tin, tin.edges)


def border_vertices(tin: Tin) -> tuple[Ints, Ints, Floats]:
    """Find the marks where the border runs nearly straight on, as `breakline_vertices` does.

    No triangle of the others predicts a mark of the border, but along it the ground is a line
    between marks as it is along a breakline. A side whose triangle is thin goes past a mark that
    stands a little farther inside, and tells nothing.

    Examples
    --------
    Five marks on the border, of which one stands between two others on a straight side:

    >>> tin = triangulate([(0, 0, 0), (1, 0, 1), (4, 0, 0), (4, 4, 0), (0, 4, 0), (2, 2, 0)])
    >>> which, ends, shares = border_vertices(tin)
    >>> which.tolist(), sorted(ends[0].tolist()), sorted(shares[0].tolist())
    ([1], [0, 2], [0.25, 0.75])
    """
    triangle, start, end = border_sides(tin)
    a, b, c = (tin.points[tin.triangles[triangle, k], :2] for k in range(3))
    twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    side = tin.points[end, :2] - tin.points[start, :2]
    thin = np.abs(twice) < _THIN * (side**2).sum(axis=1)
    which, ends, shares = _where_straight(tin, np.column_stack([start, end]))
    free = ~np.isin(which, tin.edges) & ~np.isin(which, [start[thin], end[thin]])
    return which[free], ends[free], shares[free]


def _where_straight(tin: Tin, edges: Ints) -> tuple[Ints, Ints, Floats]:
    """Find the marks with two edges that turn by less than 20 degrees."""
    marks = int(tin.origin.max()) + 1
    directed = np.concatenate([edges, edges[:, ::-1]])
    directed = directed[np.argsort(directed[:, 0], kind="stable")]
    degree = np.bincount(directed[:, 0], minlength=len(tin.points))
    which = np.flatnonzero(degree[:marks] == 2)
    first = np.searchsorted(directed[:, 0], which)
    ends = (
        np.column_stack([directed[first, 1], directed[first + 1, 1]])
        if len(which)
        else directed[:0]
    )
    vertex = tin.points[which, :2]
    before, after = vertex - tin.points[ends[:, 0], :2], tin.points[ends[:, 1], :2] - vertex
    lengths = np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1)
    straight = (before * after).sum(axis=1) > _STRAIGHT * lengths[0] * lengths[1]
    share = np.column_stack([lengths[1], lengths[0]])[straight]
    return which[straight], ends[straight], share / share.sum(axis=1, keepdims=True)


def independent_batches(tin: Tin, which: Ints) -> Iterator[Ints]:
    """Cut marks into batches in which none is the neighbour of another.

    Each batch is a maximal independent set of the triangulation's graph, found by random ranks
    (Luby 1986, doi:10.1137/0215074, from memory).

    Parameters
    ----------
    tin
    which : array of int, shape (k,)
        Rows of ``tin.points``.

    Yields
    ------
    array of int
        Positions in `which`.

    Examples
    --------
    Two marks that are neighbours, inside a square, are left out one after the other:

    >>> square = [(0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0)]
    >>> tin = triangulate([*square, (1.5, 2, 0), (2.5, 2, 0)])
    >>> sorted(batch.tolist() for batch in independent_batches(tin, np.array([4, 5])))
    [[0], [1]]
    """
    number = np.full(len(tin.points), -1)
    number[which] = np.arange(len(which))
    start = number[tin.triangles.ravel()]
    end = number[np.roll(tin.triangles, -1, axis=1).ravel()]
    both = (start >= 0) & (end >= 0)
    start, end = start[both], end[both]
    rank = np.random.default_rng(0).permutation(len(which))
    unassigned = np.ones(len(which), bool)
    while unassigned.any():
        candidates, batch = unassigned.copy(), np.zeros(len(which), bool)
        while candidates.any():
            # those that rank before all their open neighbours
            conflict = candidates[start] & candidates[end]
            excluded = np.where(rank[start] > rank[end], start, end)[conflict]
            chosen = candidates.copy()
            chosen[excluded] = False
            batch |= chosen
            candidates &= ~chosen
            # an edge between two marks inside the hull is there in both directions
            candidates[end[chosen[start]]] = False
        unassigned &= ~batch
        yield np.flatnonzero(batch)


def score(tin: Tin, method: Method, noise: Floats | None = None) -> Score:
    """Score a method by leaving out one mark at a time.

    Parameters
    ----------
    tin
    method
    noise : array, shape (m,), optional
        See `leave_one_out`.

    Returns
    -------
    Score
        Of zero marks, with zeros, where the survey is too small to leave one out.

    Examples
    --------
    >>> tin = triangulate([(0, 0, 5.0), (4, 0, 5.0), (4, 4, 5.0), (0, 4, 5.0), (2, 1, 6.0)])
    >>> score(tin, "tin")
    Score(method='tin', marks=1, rmse=1.0, mean=1.0, largest=1.0)
    """
    which = marks_to_leave_out(tin)
    if len(which) == 0:
        return Score(method, 0, 0.0, 0.0, 0.0)
    residual = tin.points[which, 2] - leave_one_out(tin, method, which, noise)
    return Score(
        method,
        len(which),
        float(np.sqrt(np.mean(residual**2))),
        float(residual.mean()),
        float(np.abs(residual).max()),
    )
