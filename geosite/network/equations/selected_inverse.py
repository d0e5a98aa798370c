"""The entries of the inverse of large sparse symmetric equations that a survey asks for.

The unknowns are eliminated front by front (Duff & Reid 1983, The multifrontal solution of
indefinite sparse symmetric linear equations, doi:10.1145/356044.356047). With the front
``[F, G; G^T, H]`` of unknowns J that are eliminated and R that stay, ``X = F^-1 G``, the inverse Z
follows from the last front back to the first (Takahashi, Fagan & Chen 1973; Erisman & Tinney 1975,
On computing certain elements of the inverse of a sparse matrix, doi:10.1145/360680.360704)::

    Z_JR = -X Z_RR        Z_JJ = F^-1 + X Z_RR X^T

so that only entries of pairs that meet in a front are made: time and memory go with the fronts, not
with the square of the unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints, square_root

__all__ = ["Selected"]

WIDTH = 24
"""Unknowns of a front up to which small fronts are joined: fewer steps, some needless zeros."""


@dataclass(frozen=True, eq=False)
class _Front:
    """Unknowns (numbers in order of elimination) that are eliminated together, and what stays.

    Parameters
    ----------
    unknown : array
        The eliminated ones first, then those that stay.
    eliminated
        How many.
    parent
        Front in which those that stay are met next, ``-1`` for none.
    """

    unknown: Ints
    eliminated: int
    parent: int


def _fronts(below: list[list[int]]) -> list[_Front]:
    """Group unknowns into fronts.

    Parameters
    ----------
    below
        Of each unknown, in order of elimination, the later ones it shares an equation with.
    """
    count = len(below)
    stays: list[set[int]] = [set(later) for later in below]
    parent = [-1] * count
    for j in range(count):
        if stays[j]:
            after = min(stays[j])
            parent[j] = after
            stays[after] |= stays[j]
            stays[after].discard(after)
    # a front is known by its last unknown; fronts are joined to the one that follows
    members: list[list[int] | None] = [[j] for j in range(count)]
    for j in range(count):
        after, own = parent[j], members[j]
        if after < 0 or own is None:
            continue
        theirs = members[after]
        assert theirs is not None
        # the same equations, and no other front joined yet: nothing is needless
        alike = len(stays[j]) == 1 + len(stays[after]) and len(theirs) == 1
        if alike or len(own) + len(theirs) <= WIDTH:
            members[after] = own + theirs
            members[j] = None
    last = [j for j in range(count) if members[j] is not None]
    number = np.empty(count, dtype=np.int64)
    for at, j in enumerate(last):
        number[members[j]] = at
    found = []
    for j in last:
        own = members[j] or []
        rest = sorted(stays[j])
        unknown = np.array(sorted(own) + rest, dtype=np.int64)
        found.append(_Front(unknown, len(own), int(number[rest[0]]) if rest else -1))
    return found


class Selected:
    """Inverse of a sparse symmetric matrix, where it is asked for.

    Parameters
    ----------
    matrix : sparse array, shape (n, n)
        Its zeros that are stored count as entries: they are pairs that are asked for.
    order : array, shape (n,)
        The unknowns in the order in which they are eliminated.
    last
        So many at the end are eliminated together: a multiplier (negative in the inverse) and what
        it touches.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the equations have no solution.
    """

    def __init__(self, matrix: Any, order: Ints, last: int = 0) -> None:
        size = matrix.shape[0]
        self.size, self.order, self.multiplier = size, order, last > 0
        self.rank = np.empty(size, dtype=np.int64)
        self.rank[order] = np.arange(size)
        entries = matrix.tocoo()
        row, column = self.rank[entries.row], self.rank[entries.col]
        lower = row >= column
        row, column, value = row[lower], column[lower], entries.data[lower]
        below: list[list[int]] = [[] for _ in range(size)]
        by_column = np.argsort(column, kind="stable")
        cuts = np.searchsorted(column[by_column], np.arange(size + 1)).tolist()
        rows = row[by_column].tolist()
        for j in range(size):
            below[j] = [i for i in rows[cuts[j] : cuts[j + 1]] if i > j]
        for j in range(max(size - last, 0), size):
            below[j] = list(range(j + 1, size))
        self.fronts = _fronts(below)
        self._eliminate(row, column, value)
        self._invert()

    def _eliminate(self, row: Ints, column: Ints, value: Floats) -> None:
        front_of = np.empty(self.size, dtype=np.int64)
        for at, front in enumerate(self.fronts):
            front_of[front.unknown[: front.eliminated]] = at
        self.front_of = front_of
        # an entry is added in the front that first eliminates one of its two unknowns
        home = np.minimum(front_of[row], front_of[column])
        by_front = np.argsort(home, kind="stable")
        row, column, value = row[by_front], column[by_front], value[by_front]
        cuts = np.searchsorted(home[by_front], np.arange(len(self.fronts) + 1)).tolist()
        place = np.empty(self.size, dtype=np.int64)
        waiting: list[list[tuple[Ints, Floats]]] = [[] for _ in self.fronts]
        self.inner: list[Floats] = []
        self.shares: list[Floats] = []
        for at, front in enumerate(self.fronts):
            m, k = len(front.unknown), front.eliminated
            place[front.unknown] = np.arange(m)
            table = np.zeros((m, m))
            own = slice(cuts[at], cuts[at + 1])
            i, j = place[row[own]], place[column[own]]
            table[i, j] = value[own]
            table[j, i] = value[own]
            for unknown, update in waiting[at]:
                to = place[unknown]
                table[to[:, None], to] += update
            waiting[at] = []
            right = np.hstack([np.eye(k), table[:k, k:]])
            solved = np.linalg.solve(table[:k, :k], right)
            self.inner.append((solved[:, :k] + solved[:, :k].T) / 2)
            self.shares.append(np.asarray(solved[:, k:], dtype=np.float64))
            if k < m:
                update = table[k:, k:] - table[k:, :k] @ solved[:, k:]
                waiting[front.parent].append((front.unknown[k:], update))

    def _invert(self) -> None:
        """Make the blocks of the inverse, from the last front to the first."""
        blocks: list[Floats] = [np.zeros((0, 0))] * len(self.fronts)
        place = np.empty(self.size, dtype=np.int64)
        children: list[list[int]] = [[] for _ in self.fronts]
        for at, front in enumerate(self.fronts):
            if front.parent >= 0:
                children[front.parent].append(at)
        whole: dict[int, Floats] = {}
        for at in range(len(self.fronts) - 1, -1, -1):
            front, k, shares = self.fronts[at], self.fronts[at].eliminated, self.shares[at]
            m = len(front.unknown)
            table = np.empty((m, m))
            rest = whole.pop(at, np.zeros((0, 0)))
            cross = shares @ rest
            table[k:, k:] = rest
            table[:k, k:] = -cross
            table[k:, :k] = -cross.T
            table[:k, :k] = self.inner[at] + cross @ shares.T
            blocks[at] = table[:k].copy()
            place[front.unknown] = np.arange(m)
            for child in children[at]:
                to = place[self.fronts[child].unknown[self.fronts[child].eliminated :]]
                whole[child] = table[to[:, None], to]
        # where an unknown stands in a front, by the number of both
        lengths = np.array([len(f.unknown) for f in self.fronts], dtype=np.int64)
        widths = np.array([f.eliminated for f in self.fronts], dtype=np.int64)
        self.width = lengths
        self.start = np.concatenate([[0], np.cumsum(lengths * widths)[:-1]])
        self.values = np.concatenate([block.ravel() for block in blocks])
        unknown = np.concatenate([f.unknown for f in self.fronts])
        key = np.repeat(np.arange(len(self.fronts)), lengths) * self.size + unknown
        within = np.arange(len(unknown)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        by_key = np.argsort(key)
        self.key, self.within = key[by_key], within[by_key]

    def lookup(self, a: Ints, b: Ints) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Return entries of the inverse, and which of the pairs meet in a front; 0 elsewhere."""
        a, b = self.rank[a], self.rank[b]
        swap = self.front_of[a] > self.front_of[b]
        first, second = np.where(swap, b, a), np.where(swap, a, b)
        front = self.front_of[first]

        def stands(unknown: Ints) -> tuple[Ints, npt.NDArray[np.bool_]]:
            key = front * self.size + unknown
            at = np.minimum(np.searchsorted(self.key, key), len(self.key) - 1)
            return self.within[at], self.key[at] == key

        (row, _), (column, met) = stands(first), stands(second)
        column = np.where(met, column, 0)
        found = self.values[self.start[front] + row * self.width[front] + column]
        return np.where(met, found, 0.0), met

    @cached_property
    def _triangle(self) -> tuple[Any, Any]:
        """Sparse factors of how fronts hang on later ones, and the roots of what each adds."""
        from scipy import sparse
        from scipy.sparse.linalg import splu

        where = np.concatenate([f.unknown[: f.eliminated] for f in self.fronts])
        place = np.empty(self.size, dtype=np.int64)
        place[where] = np.arange(self.size)
        every = np.arange(self.size)
        entries, roots = [(every, every, np.ones(self.size))], []
        for front, share, inner in zip(self.fronts, self.shares, self.inner, strict=True):
            k = front.eliminated
            own, rest = place[front.unknown[:k]], place[front.unknown[k:]]
            entries.append((np.repeat(own, len(rest)), np.tile(rest, k), share.ravel()))
            root = np.zeros((k, k))
            # the multiplier is the last unknown of the last front and has no error of its own
            true = k - (self.multiplier and not len(rest))
            root[:true, :true] = square_root(inner[:true, :true])
            roots.append((np.repeat(own, k), np.tile(own, k), root.ravel()))

        def matrix(parts: list[tuple[Ints, Ints, Floats]]) -> Any:
            at, to, value = (np.concatenate(part) for part in zip(*parts, strict=True))
            return sparse.coo_array((value, (at, to)), shape=(self.size, self.size))

        solver = splu(matrix(entries).tocsc(), permc_spec="NATURAL", diag_pivot_thresh=0.0)
        return (solver, self.order[where]), matrix(roots).tocsr()

    def root(self, values: Floats) -> Floats:
        """Turn independent standard normal numbers, shape (n,), into errors of the unknowns."""
        (solver, unknown), roots = self._triangle
        out = np.empty(self.size)
        out[unknown] = solver.solve(roots @ values)
        return out
