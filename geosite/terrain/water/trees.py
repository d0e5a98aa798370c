"""Trees of links: what joins everything at the least height, and how it hangs from a root."""

from __future__ import annotations

import numpy as np

from geosite.terrain.water.descent import Index, Long, Raster

__all__ = ["ascending_order", "hang_tree", "join_parts"]


def ascending_order(z: Raster) -> Long:
    """Return the order of `z`, equal values as they stand."""
    if z.dtype != np.float32:
        return np.argsort(z, kind="stable")
    # the bits of a float as an integer that sorts alike, its place behind them
    bits = z.view(np.int32).astype(np.int64)
    bits = np.where(bits < 0, bits ^ 0x7FFFFFFF, bits)
    key = bits << 32 | np.arange(z.size)
    key.sort()
    order: Long = (key & 0xFFFFFFFF).astype(np.intp, copy=False)
    return order


def join_parts(near: Index, far: Index, count: int) -> tuple[Long, Index, int]:
    """Choose the first links that join everything (Boruvka's algorithm, all parts at once).

    Parameters
    ----------
    near, far : array of int32, shape (links,)
        What each link joins, the cheapest link first.
    count
        Number of things to join.

    Returns
    -------
    chosen
        Links of the minimum spanning forest, ascending.
    part : array of int32, shape (count,)
        Connected part of each thing.
    parts
        Number of parts.
    """
    part = np.arange(count, dtype=np.int32)
    is_chosen = np.zeros(near.size, dtype=np.bool_)
    rank = np.arange(near.size, dtype=np.int32)
    a, b = near, far
    while rank.size:
        # the last value written stays, and the links are written from the last to the first
        place = np.arange(rank.size - 1, -1, -1, dtype=np.int32)
        lowest = np.full((2, count), rank.size, dtype=np.int32)
        lowest[0, a[::-1]] = place
        lowest[1, b[::-1]] = place
        best = lowest.min(axis=0)
        here = np.flatnonzero(best < rank.size).astype(np.int32)
        best = best[here]
        is_chosen[rank[best]] = True
        root = np.arange(count, dtype=np.int32)
        root[here] = a[best] + b[best] - here
        # of two that chose each other the earlier is the root
        mutual = here[(root[root[here]] == here) & (here < root[here])]
        root[mutual] = mutual
        while not np.array_equal(further := root[root], root):
            root = further
        renumbered = np.cumsum(root == np.arange(count), dtype=np.int32) - np.int32(1)
        count = int(renumbered[-1]) + 1
        merged = renumbered[root]
        part = merged[part]
        a, b = merged[a], merged[b]
        left = np.flatnonzero(a != b)
        a, b, rank = a[left], b[left], rank[left]
    return np.flatnonzero(is_chosen), part, count


def hang_tree(near: Index, far: Index, root: int) -> tuple[Long, Long]:
    """Hang a tree from its root, leaf by leaf.

    Parameters
    ----------
    near, far
        Ends of the links; the root has the largest number.

    Returns
    -------
    link
        The link that leads towards the root, by node; the root has none.
    up
        The next node that way; of the root itself.
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
    up = np.full(root + 1, root, dtype=np.intp)
    order = np.empty(root + 1, dtype=np.int32)
    front = np.flatnonzero(value >> 32 == 1)
    while front.size:
        last = value.take(front) - one
        there = ends.take(last) - front
        link[front] = last
        up[front] = there
        np.subtract.at(value, there, last + one)
        ready = there[value.take(there) < 2 * one]
        # several leaves of a node may have been the last ones at once
        place = np.arange(ready.size, dtype=np.int32)
        order[ready] = place
        front = ready[order.take(ready) == place]
    return link, up
