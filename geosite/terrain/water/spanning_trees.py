"""Minimum spanning forests of a graph, and trees as pointers from each node to its parent."""

from __future__ import annotations

import numpy as np

from geosite.terrain.water.descent import Index, Long, Raster

__all__ = ["ascending_order", "minimum_spanning_forest", "root_tree"]


def ascending_order(z: Raster) -> Long:
    """Return the order of `z`, equal values in the order in which they come.

    Examples
    --------
    >>> ascending_order(np.array([3.0, 1.0, 2.0, 1.0])).tolist()
    [1, 3, 2, 0]
    """
    if z.dtype != np.float32:
        return np.argsort(z, kind="stable")
    # the bits of a float as an integer that sorts alike, its place behind them
    bits = z.view(np.int32).astype(np.int64)
    bits = np.where(bits < 0, bits ^ 0x7FFFFFFF, bits)
    key = bits << 32 | np.arange(z.size)
    key.sort()
    order: Long = (key & 0xFFFFFFFF).astype(np.intp, copy=False)
    return order


def minimum_spanning_forest(near: Index, far: Index, count: int) -> tuple[Long, Index, int]:
    """Choose the cheapest edges that connect all nodes.

    Boruvka's algorithm, all components at once. Every component takes its cheapest edge to another
    one; the components that this joins are merged, until no edge is left between two.

    Parameters
    ----------
    near, far : array of int32, shape (edges,)
        Nodes that each edge joins, the cheapest edge first.
    count
        Number of nodes.

    Returns
    -------
    chosen
        Edges of the minimum spanning forest, ascending.
    component : array of int32, shape (count,)
        Connected component of each node.
    components
        Number of components.

    References
    ----------
    Boruvka (1926), in Cormen, Leiserson, Rivest & Stein, Introduction to Algorithms, problem 21-1
    (from memory).

    Examples
    --------
    A triangle: its dearest edge, the last one, is left out.

    >>> near, far = np.array([0, 1, 0], np.int32), np.array([1, 2, 2], np.int32)
    >>> chosen, _, components = minimum_spanning_forest(near, far, 3)
    >>> chosen.tolist(), components
    ([0, 1], 1)
    """
    component = np.arange(count, dtype=np.int32)
    is_chosen = np.zeros(near.size, dtype=np.bool_)
    rank = np.arange(near.size, dtype=np.int32)
    a, b = near, far
    while rank.size:
        # the last value written stays, and the links are written from the last to the first
        position = np.arange(rank.size - 1, -1, -1, dtype=np.int32)
        lowest = np.full((2, count), rank.size, dtype=np.int32)
        lowest[0, a[::-1]] = position
        lowest[1, b[::-1]] = position
        best = lowest.min(axis=0)
        node = np.flatnonzero(best < rank.size).astype(np.int32)
        best = best[node]
        is_chosen[rank[best]] = True
        root = np.arange(count, dtype=np.int32)
        root[node] = a[best] + b[best] - node
        # of two that chose each other the earlier is the root
        mutual = node[(root[root[node]] == node) & (node < root[node])]
        root[mutual] = mutual
        while not np.array_equal(next_root := root[root], root):
            root = next_root
        renumbered = np.cumsum(root == np.arange(count), dtype=np.int32) - np.int32(1)
        count = int(renumbered[-1]) + 1
        merged = renumbered[root]
        component = merged[component]
        a, b = merged[a], merged[b]
        between = np.flatnonzero(a != b)
        a, b, rank = a[between], b[between], rank[between]
    return np.flatnonzero(is_chosen), component, count


def root_tree(near: Index, far: Index, root: int) -> tuple[Long, Long]:
    """Direct a tree towards its root, leaf by leaf.

    Parameters
    ----------
    near, far
        Ends of the edges; the root has the largest number.

    Returns
    -------
    link
        The edge that leads towards the root, by node; the root has none.
    parents
        The next node that way; of the root itself.

    Examples
    --------
    The chain 0 - 1 - 2, rooted in 2:

    >>> link, parents = root_tree(np.array([0, 1], np.int32), np.array([1, 2], np.int32), 2)
    >>> link.tolist(), parents.tolist()
    ([0, 1], [1, 2, 2])
    """
    ends = near.astype(np.int64) + far
    # per node: sum of its links in the low bits, how many they are in the high bits
    one = np.int64(1) << 32
    value = np.zeros(root + 1, dtype=np.int64)
    links = np.arange(near.size, dtype=np.int64) + one
    np.add.at(value, near, links)
    np.add.at(value, far, links)
    value[root] += one * (root + 2)  # never a leaf
    link = np.zeros(root, dtype=np.intp)
    parents = np.full(root + 1, root, dtype=np.intp)
    order = np.empty(root + 1, dtype=np.int32)
    leaves = np.flatnonzero(value >> 32 == 1)
    while leaves.size:
        edge = value.take(leaves) - one
        parent = ends.take(edge) - leaves
        link[leaves] = edge
        parents[leaves] = parent
        np.subtract.at(value, parent, edge + one)
        ready = parent[value.take(parent) < 2 * one]
        # several leaves of a node may have been the last ones at once
        position = np.arange(ready.size, dtype=np.int32)
        order[ready] = position
        leaves = ready[order.take(ready) == position]
    return link, parents
