"""Normal equations of observations that touch a few unknowns each, and their inverse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from geosite.base.arrays import Floats, Ints, square_root
from geosite.network.walk.runs import sum_at

if TYPE_CHECKING:
    from geosite.network.equations.selected_inverse import Selected

__all__ = ["Equations", "Posterior", "Prior", "Term", "gather", "squares_of"]

DENSE = 250
"""Unknowns up to which a dense solution is faster than importing a sparse one."""
COLUMNS = 64
"""Columns of the inverse that are solved for together."""
EXACT = 1e-4
"""Standard deviations up to this, metres, are taken as exact: smaller ones mean nothing here."""


@dataclass(frozen=True, eq=False)
class Prior:
    """Knots whose place is known.

    Parameters
    ----------
    knot : array, shape (m,)
    value : array, shape (m, 2) or (m,), metres
    sigma : array, shape (m,), metres
        0 for exact.
    """

    knot: Ints
    value: Floats
    sigma: Floats

    @property
    def exact(self) -> Any:
        """Which are taken as exact."""
        return self.sigma <= EXACT

    @property
    def weight(self) -> Floats:
        """Of those that are not exact, one over the square of sigma; 0 for the exact ones."""
        exact = self.exact
        return np.where(exact, 0.0, 1.0 / np.where(exact, 1.0, self.sigma) ** 2)


@dataclass(frozen=True, eq=False)
class Term:
    """Observations of one kind: what is left over is ``misfit + jacobian @ (step of unknowns)``.

    Parameters
    ----------
    unknown : array, shape (m, k)
        Numbers of the unknowns that each touches; one may stand there twice.
    jacobian : array, shape (m, d, k)
    weight : array, shape (m, d, d)
        Inverse of the covariance of each.
    misfit : array, shape (m, d)
    """

    unknown: Ints
    jacobian: Floats
    weight: Floats
    misfit: Floats

    @property
    def squares(self) -> Floats:
        """Square of what is left over of each, over its variance, shape (m,)."""
        found: Floats = np.einsum("md,mde,me->m", self.misfit, self.weight, self.misfit)
        return found


def squares_of(terms: list[Term]) -> float:
    """Return the weighted sum of the squares of what is left over."""
    return sum(float(term.squares.sum()) for term in terms)


def gather(terms: list[Term], size: int) -> tuple[Any, Floats]:
    """Add observations up to normal equations.

    Returns
    -------
    matrix : array or sparse array, shape (size, size)
        Dense when small.
    gradient : array, shape (size,)
        Half the derivative of the squares.
    """
    places, values = [], []
    gradient = np.zeros(size)
    for term in terms:
        weighted = np.einsum("mda,mde->mae", term.jacobian, term.weight)
        block = np.einsum("mae,meb->mab", weighted, term.jacobian)
        places.append((term.unknown[:, :, None] * size + term.unknown[:, None, :]).ravel())
        values.append(block.ravel())
        pull = np.einsum("mae,me->ma", weighted, term.misfit)
        gradient += sum_at(term.unknown.ravel(), pull.ravel(), size)
    place, value = np.concatenate(places), np.concatenate(values)
    if size <= DENSE:
        return sum_at(place, value, size * size).reshape(size, size), gradient
    from scipy.sparse import coo_array

    return coo_array((value, np.divmod(place, size)), shape=(size, size)).tocsr(), gradient


class Equations:
    """Symmetric equations with some unknowns held: dense when small, sparse when large.

    Equations without a solution raise `numpy.linalg.LinAlgError`.

    Parameters
    ----------
    matrix : array or sparse array, shape (size, size)
    free : array
        Unknowns that are not held.
    tied : array
        Unknowns that the last one, which is then the multiplier of a condition, touches.
    """

    def __init__(self, matrix: Any, free: Ints, tied: Ints | None = None) -> None:
        self.size, self.free = matrix.shape[0], free
        self.touched = tied
        self.matrix = matrix[np.ix_(free, free)] if isinstance(matrix, np.ndarray) else None
        if self.matrix is None:
            self.sparse = matrix[free][:, free].tocsc()

    @cached_property
    def tied(self) -> Ints | None:
        """Those of them that are not held."""
        return None if self.touched is None else np.intersect1d(self.touched, self.free)

    @cached_property
    def factor(self) -> Any:
        """Sparse factors."""
        from scipy.sparse.linalg import splu

        # symmetric: ten times faster; an exact azimuth's row has no pivot of its own
        try:
            return splu(
                self.sparse,
                permc_spec="MMD_AT_PLUS_A",
                diag_pivot_thresh=1e-3,
                options={"SymmetricMode": True},
            )
        except RuntimeError as error:
            raise np.linalg.LinAlgError(str(error)) from None

    def solve(self, right: Floats) -> Floats:
        """Solve for one or several right sides, shape (size,) or (size, m); zero where held."""
        out = np.zeros_like(right)
        if self.matrix is None:
            out[self.free] = self.factor.solve(right[self.free])
        elif len(self.free):
            out[self.free] = np.linalg.solve(self.matrix, right[self.free])
        return out

    def inverse(self) -> Floats:
        """Return the inverse, zero where held."""
        out = np.zeros((self.size, self.size))
        if len(self.free):
            inner = np.linalg.inv(self.sparse.toarray() if self.matrix is None else self.matrix)
            out[np.ix_(self.free, self.free)] = (inner + inner.T) / 2
        return out

    @property
    def place(self) -> Ints:
        """Number of each unknown among those that are not held, ``-1`` where it is."""
        place = np.full(self.size, -1, dtype=np.int64)
        place[self.free] = np.arange(len(self.free))
        return place

    def selected(self, together: Ints) -> Selected:
        """Return the entries of the inverse that the matrix has, and those of rows of unknowns."""
        from scipy.sparse import coo_array

        from geosite.network.equations.selected_inverse import Selected

        place, k = self.place, together.shape[1]
        at = place[np.repeat(together, k, axis=1).ravel()]
        to = place[np.tile(together, (1, k)).ravel()]
        met = (at >= 0) & (to >= 0)
        own = self.sparse.tocoo()
        asked = coo_array(
            (
                np.concatenate([own.data, np.zeros(met.sum())]),
                (np.concatenate([own.row, at[met]]), np.concatenate([own.col, to[met]])),
            ),
            shape=own.shape,
        )
        asked.sum_duplicates()
        order = _elimination(asked)
        if self.tied is None:
            return Selected(asked, order)
        last = np.append(place[self.tied], len(self.free) - 1)
        order = np.concatenate([order[~np.isin(order, last)], last])
        return Selected(asked, order, last=len(last))

    @property
    def log_determinant(self) -> float:
        """Logarithm of the size of the determinant."""
        if self.matrix is not None:
            return float(np.linalg.slogdet(self.matrix)[1])
        return float(np.log(np.abs(self.factor.U.diagonal())).sum())


def _elimination(matrix: Any) -> Ints:
    """Return an order of elimination that keeps fronts small, by the entries that are stored."""
    from scipy.sparse import csc_array
    from scipy.sparse.linalg import splu

    found = matrix.tocsc()
    at = np.repeat(np.arange(found.shape[0]), np.diff(found.indptr))
    # values that have factors whatever the order: only where they stand matters
    value = np.where(found.indices == at, np.diff(found.indptr)[at] + 1.0, -1.0)
    pattern = csc_array((value, found.indices, found.indptr), shape=found.shape)
    factor = splu(
        pattern,
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    return np.argsort(factor.perm_c)


class Posterior:
    """Covariance of the unknowns: all of it when small, what is asked for when large.

    Parameters
    ----------
    equations
    together : array, shape (m, k)
        Rows of unknowns whose covariances will be asked for though no observation joins them.
    """

    def __init__(self, equations: Equations, together: Ints | None = None) -> None:
        self.equations = equations
        self.size = equations.size
        self.together = np.zeros((0, 1), dtype=np.int64) if together is None else together

    @property
    def is_dense(self) -> bool:
        """Whether all of it is at hand."""
        return self.equations.matrix is not None

    @cached_property
    def covariance(self) -> Floats:
        """All of it, shape (size, size)."""
        return self.equations.inverse()

    @cached_property
    def _selected(self) -> tuple[Selected, Ints]:
        """Entries of the inverse, and the number of each unknown there, ``-1`` where held."""
        return self.equations.selected(self.together), self.equations.place

    def entries(self, at: Ints, to: Ints) -> Floats:
        """Return the covariances of pairs of unknowns, of the common shape of both."""
        if self.is_dense:
            found: Floats = self.covariance[at, to]
            return found
        at, to = np.broadcast_arrays(at, to)
        selected, place = self._selected
        a, b = place[at], place[to]
        known = (a >= 0) & (b >= 0)
        found = np.zeros(at.shape)
        found[known], met = selected.lookup(a[known], b[known])
        missing = np.flatnonzero(known)[~met]
        if len(missing):
            found.flat[missing] = self._solved(at.flat[missing], to.flat[missing])
        return found

    def _solved(self, at: Ints, to: Ints) -> Floats:
        """Covariances of pairs that share no front: a solution for each of the fewer ones."""
        if len(np.unique(at)) < len(np.unique(to)):
            at, to = to, at
        columns, of = np.unique(to, return_inverse=True)
        found = np.empty(len(at))
        for first in range(0, len(columns), COLUMNS):
            some = columns[first : first + COLUMNS]
            right = np.zeros((self.size, len(some)))
            right[some, np.arange(len(some))] = 1.0
            here = np.flatnonzero((of >= first) & (of < first + len(some)))
            found[here] = self.equations.solve(right)[at[here], of[here] - first]
        return found

    def blocks(self, at: Ints, to: Ints) -> Floats:
        """Return the covariances of rows of unknowns, (m, k) and (m, k), shape (m, k, k).

        Equal rows that follow each other, as along a long leg, are looked up once.
        """
        if self.is_dense or not len(at):
            return self.entries(at[:, :, None], to[:, None, :])
        changed = (at[1:] != at[:-1]).any(axis=1) | (to[1:] != to[:-1]).any(axis=1)
        first = np.append(0, np.flatnonzero(changed) + 1)
        found = self.entries(at[first][:, :, None], to[first][:, None, :])
        return np.asarray(found[np.append(0, np.cumsum(changed))])

    def block(self, at: Ints) -> Floats:
        """Return the covariance of some unknowns, shape (k, k)."""
        return self.entries(at[:, None], at[None, :])

    def times(self, coefficients: Floats) -> Floats:
        """Return covariances of all unknowns with weighted sums of them, shape (m, size)."""
        if self.is_dense:
            found: Floats = coefficients @ self.covariance
            return found
        return self.equations.solve(np.ascontiguousarray(coefficients.T)).T

    @cached_property
    def _root(self) -> Floats:
        """Square root of the covariance of the unknowns, the multiplier left out."""
        true = self.size - (self.equations.tied is not None)
        root = np.zeros((self.size, self.size))
        root[:true, :true] = square_root(self.covariance[:true, :true])
        return root

    def errors(self, values: Floats) -> Floats:
        """Turn independent standard normal numbers, shape (size,), into errors of the unknowns."""
        if self.is_dense:
            found: Floats = self._root @ values
            return found
        free = self.equations.free
        out = np.zeros(self.size)
        out[free] = self._selected[0].root(values[free])
        return out
