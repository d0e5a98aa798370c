"""How the ground bends beside a breakline that bends: what is built follows its lines.

Where a gutter has a sag, the footway beside it has one, too, though no mark of the footway may lie
in it: triangles from one of its marks to the next bridge it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.terrain.surface.realisations import Lattice
from geosite.terrain.surface.roughness import Contrasts, Roughness

__all__ = ["LineBends", "line_bends"]

_FAR = 2.5
"""Lengths of an edge away from its line where nothing is left of the bend."""

_FINE = 2.0
"""Nodes to the shorter edge that a bend needs to be seen on a lattice."""


@dataclass(frozen=True, eq=False)
class LineBends:
    """The bends of breaklines carried on beside them, whole.

    Parameters
    ----------
    nodes : array, shape (nodes,), metres
        Of a lattice.
    on_marks : array, shape (points,), metres
        At the corners of the triangles.
    """

    nodes: Floats
    on_marks: Floats


def line_bends(contrasts: Contrasts, rough: Roughness, scale: Floats, lattice: Lattice) -> Floats:
    """Carry what vertices of breaklines depart by from their lines on beside these.

    Parameters
    ----------
    contrasts
        Vertices against the line from the vertex before to the one after.
    rough
        Of the whole site.
    scale : array, shape (points,)
        How many times as far the ground departs at each point.
    lattice

    Returns
    -------
    array, shape (nodes,), metres
        How far the ground would lie off where every bend went on as it is.

    Notes
    -----
    In coordinates along and across the line, as ground that follows a line is interpolated
    (Merwade, Maidment & Goff 2006, doi:10.1016/j.jhydrol.2006.06.012): along it the bend is its
    departure at the vertex and nothing at the vertices beside; across, it fades with the distance
    as a bell of the edge's length. A departure counts by the share of its variance that is the
    ground's, not the marks'. Where lines run side by side the mean of their bends counts.

    Examples
    --------
    A kerb of 8 m that sags by 10 cm in its middle: 2 m from it the ground may sag by nearly 9 cm

    >>> kerb = np.array([[[4.0, 0.0], [0.0, 0.0], [8.0, 0.0], [0.0, 0.0]]])
    >>> sag = Contrasts(np.array([-0.1]), np.zeros(1), kerb, np.array([[0.5, 0.5, 0.0]]),
    ...     np.array([[1, 0, 2, 0]]), np.array([True]))
    >>> nodes = Lattice(0.0, -2.0, 1.0, 5, 9)
    >>> beside = line_bends(sag, Roughness((1e-4,), (4.0,), (1.0,)), np.ones(3), nodes)
    >>> beside.reshape(5, 9)[4].round(3).tolist()
    [0.0, -0.022, -0.044, -0.066, -0.088, -0.066, -0.044, -0.022, 0.0]
    """
    which = np.flatnonzero(contrasts.on_breakline & (contrasts.shares[:, 2] == 0))
    signal = contrasts.variance(rough, scale[contrasts.points[:, 0]])
    if contrasts.bend is not None:
        signal = signal + contrasts.bend**2
    whole = np.maximum(signal + contrasts.noise**2, 1e-300)
    bent = contrasts.departure * signal / whole
    total, weight = np.zeros((2, lattice.rows, lattice.cols))
    for k in which:
        place, *ends = contrasts.places[k, :3]
        longest, shortest = (f(np.hypot(*(end - place)) for end in ends) for f in (max, min))
        if shortest < _FINE * lattice.step:
            continue
        rows, north = _near(place[1], _FAR * longest, lattice.south, lattice.step, lattice.rows)
        cols, east = _near(place[0], _FAR * longest, lattice.west, lattice.step, lattice.cols)
        near = np.zeros((len(north), len(east)))
        for end in ends:
            np.maximum(near, _beside(east, north[:, None], end - place), out=near)
        total[rows, cols] += bent[k] * near
        weight[rows, cols] += near
    return (total / np.maximum(weight, 1.0)).ravel()


def _near(at: float, far: float, first: float, step: float, count: int) -> tuple[slice, Floats]:
    """Return the nodes along one axis that are no farther than that, and how far they are."""
    low = min(max(math.ceil((at - far - first) / step), 0), count)
    high = min(max(math.floor((at + far - first) / step) + 1, low), count)
    return slice(low, high), first - at + step * np.arange(low, high, dtype=np.float64)


def _beside(east: Floats, north: Floats, edge: Floats) -> Floats:
    """Return how much of a bend is left beside one edge, from 1 at its vertex."""
    length = float(np.hypot(*edge))
    ahead, aside = edge / length**2
    along = ahead * east + aside * north
    across = ahead * north - aside * east
    left: Floats = np.where((along >= 0) & (along <= 1), 1.0 - along, 0.0)
    left *= np.exp(-0.5 * across**2)
    left[np.abs(across) > _FAR] = 0.0
    return left
