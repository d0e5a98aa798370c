"""Half-edges of triangles: the sides, each in the direction of its own triangle."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Ints

__all__ = ["along_breaklines", "next_half_edge", "opposite_half_edges"]


def opposite_half_edges(triangles: Ints) -> Ints:
    """Find the half-edge on the other side of every half-edge.

    Parameters
    ----------
    triangles : array of int, shape (t, 3), counter-clockwise
        Half-edge ``3 * k + j`` leads from corner j of triangle k to its next corner.

    Returns
    -------
    array of int, shape (3 * t,)
        The opposite half-edge, -1 on the outer border.

    Examples
    --------
    Two triangles with the side from 1 to 2 in common, half-edge 1 of the first and 3 of the second:

    >>> opposite_half_edges(np.array([[0, 1, 2], [2, 1, 3]])).tolist()
    [-1, 3, -1, 1, -1, -1]
    """
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    count = int(start.max()) + 1 if len(start) else 0
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = np.argsort(low * count + high, kind="stable")
    pair = (low[order[1:]] == low[order[:-1]]) & (high[order[1:]] == high[order[:-1]])
    at = np.flatnonzero(pair)
    other = np.full(len(start), -1, np.int64)
    other[order[at]], other[order[at + 1]] = order[at + 1], order[at]
    return other


def next_half_edge(half: int) -> int:
    """Return the half-edge of the same triangle that begins where one ends.

    Examples
    --------
    >>> [next_half_edge(half) for half in (3, 4, 5)]
    [4, 5, 3]
    """
    return half - 2 if half % 3 == 2 else half + 1


def along_breaklines(triangles: Ints, edges: Ints) -> npt.NDArray[np.bool_]:
    """Tell of every half-edge whether it lies on a breakline.

    Parameters
    ----------
    triangles : array of int, shape (t, 3)
    edges : array of int, shape (e, 2)
        Of breaklines, in either direction.

    Returns
    -------
    array of bool, shape (3 * t,)

    Examples
    --------
    >>> along_breaklines(np.array([[0, 1, 2], [2, 1, 3]]), np.array([[2, 1]])).tolist()
    [False, True, False, True, False, False]
    """
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    count = int(max(start.max(initial=0), edges.max(initial=0))) + 1
    low, high = np.sort(edges, axis=1).T
    return np.isin(np.minimum(start, end) * count + np.maximum(start, end), low * count + high)
