"""Marks compared with what the others say: the contrasts that tell how rough the ground is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.covariance import covariance, sigmas
from geosite.network.model import LinearForm, Network
from geosite.terrain.surface.cross_validation import (
    border_vertices,
    breakline_vertices,
    marks_to_leave_out,
    triangles_without,
)
from geosite.terrain.surface.roughness import LEAST_DEPARTURES, Contrasts
from geosite.terrain.surface.tin import Tin

__all__ = ["contrasts", "cross", "ground_kinds", "plane_gradients"]

_LONG = 1.5
"""A side of the border longer than so many times the usual distance to the next mark is long."""


def contrasts(network: Network, rows: Ints, tin: Tin) -> Contrasts:
    """Compare marks with the triangles of all others, on breaklines and the border along these.

    Parameters
    ----------
    network
    rows : array, shape (n,)
        Observation of each point that was given to the triangulation.
    tin
        Local grid metres and metres.
    """
    which = marks_to_leave_out(tin)
    corners, shares = np.empty((0, 3), np.int64), np.empty((0, 3))
    if len(which):
        corners, shares = triangles_without(tin, which)
    vertex, ends, along = _on_lines(tin, which, corners)
    slope = np.concatenate([plane_gradients(tin.points, corners), np.zeros((len(vertex), 2))])
    # a line has no third corner
    corners = np.concatenate([corners, np.column_stack([ends, ends[:, :1]])])
    shares = np.concatenate([shares, np.column_stack([along, np.zeros(len(vertex))])])
    every = np.column_stack([np.concatenate([which, vertex]), corners])
    weight = np.column_stack([np.ones(len(every)), -shares])
    observed = rows[tin.owner]
    forms = [
        LinearForm(r, -w * east, -w * north, w)
        for r, w, (east, north) in zip(observed[every], weight, slope, strict=True)
    ]
    found = Contrasts(
        (weight * tin.points[every, 2]).sum(axis=1),
        sigmas(network, forms),
        tin.points[every, :2],
        shares,
        every,
        np.isin(every[:, 0], tin.edges),
        slope,
    )
    if len(every) < LEAST_DEPARTURES:
        return found  # nothing is told from so few
    joint = covariance(network, [forms[k] for k in found.together])
    return replace(found, joint_noise=joint)


def _on_lines(tin: Tin, which: Ints, corners: Ints) -> tuple[Ints, Ints, Floats]:
    """Return the marks on breaklines and on the border, the vertices beside them, their weights.

    Of the border without sides that are long for the spacing of the marks: those go over whatever
    is built between.
    """
    vertex, ends, along = breakline_vertices(tin)
    place = tin.points[:, :2]
    nearest = np.concatenate(
        [
            np.linalg.norm(place[beside] - place[mark, None], axis=2).min(axis=1)
            for mark, beside in ((which, corners), (vertex, ends))
        ]
    )
    if not len(nearest):
        return vertex, ends, along
    mark, beside, share = border_vertices(tin)
    side = np.linalg.norm(place[beside] - place[mark, None], axis=2).max(axis=1)
    near = side <= _LONG * float(np.median(nearest))
    return (
        np.concatenate([vertex, mark[near]]),
        np.concatenate([ends, beside[near]]),
        np.concatenate([along, share[near]]),
    )


def ground_kinds(tin: Tin) -> Ints:
    """Tell open ground (0), points beside breaklines (1) and those on them (2), shape (points,).

    Notes
    -----
    A mark beside a breakline is predicted, when it is left out, over the foot or the shoulder on
    which it stands: it departs by what the line bends the ground. That says how the ground lies
    beside lines, not how rough the open ground behind it is. So each kind is a stratum of its own
    (Boucneau, Van Meirvenne, Thas & Hofman 1998, doi:10.1046/j.1365-2389.1998.00157.x).

    Examples
    --------
    >>> from geosite.terrain.surface.tin import triangulate
    >>> kerb, beside = [(0, 0.0, 5.0), (8, 0.0, 5.0)], [(0, 3.0, 5.0), (8, 3.0, 5.0)]
    >>> ground_kinds(triangulate([*kerb, *beside, (4, 9.0, 5.0)], [kerb])).tolist()
    [2, 2, 1, 1, 0]
    """
    kind = np.zeros(len(tin.points), np.int64)
    kind[tin.edges] = 2
    beside = np.unique(tin.triangles[(kind[tin.triangles] == 2).any(axis=1)])
    kind[beside] = np.maximum(kind[beside], 1)
    return kind


def plane_gradients(points: Floats, triangles: Ints) -> Floats:
    """Return the rise towards east and north of each triangle, shape (t, 2).

    Examples
    --------
    >>> corners = np.array([[0.0, 0.0, 5.0], [2.0, 0.0, 5.2], [0.0, 1.0, 4.5]])
    >>> plane_gradients(corners, np.array([[0, 1, 2]])).round(9).tolist()
    [[0.1, -0.5]]
    """
    a, b, c = (points[triangles[:, k]] for k in range(3))
    ab, ac = b - a, c - a
    twice = cross(ab[:, :2], ac[:, :2])
    # a triangle that rounding left without area has no slope
    twice = np.where(twice == 0, np.inf, twice)
    east = (ab[:, 2] * ac[:, 1] - ac[:, 2] * ab[:, 1]) / twice
    north = (ac[:, 2] * ab[:, 0] - ab[:, 2] * ac[:, 0]) / twice
    return np.column_stack([east, north])


def cross(p: Floats, q: Floats) -> Floats:
    """Return the cross product of vectors in the plane, shape (n,)."""
    product: Floats = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    return product
