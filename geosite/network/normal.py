"""Normal equations of observations that touch a few unknowns each, and their inverse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.walk import sum_at

__all__ = ["Equations", "Posterior", "Prior", "Term", "gather", "squares_of"]

DENSE = 600
"""Unknowns up to which a dense solution is faster than importing a sparse one."""
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
    rows, cols, values = [], [], []
    gradient = np.zeros(size)
    for term in terms:
        weighted = np.einsum("mda,mde->mae", term.jacobian, term.weight)
        block = np.einsum("mae,meb->mab", weighted, term.jacobian)
        k = term.unknown.shape[1]
        rows.append(np.repeat(term.unknown, k, axis=1).ravel())
        cols.append(np.tile(term.unknown, (1, k)).ravel())
        values.append(block.ravel())
        pull = np.einsum("mae,me->ma", weighted, term.misfit)
        gradient += sum_at(term.unknown.ravel(), pull.ravel(), size)
    at, to, value = (np.concatenate(part) for part in (rows, cols, values))
    if size <= DENSE:
        return sum_at(at * size + to, value, size * size).reshape(size, size), gradient
    from scipy.sparse import coo_array

    return coo_array((value, (at, to)), shape=(size, size)).tocsr(), gradient


class Equations:
    """Symmetric equations with some unknowns held: dense when small, sparse when large.

    Equations without a solution raise `numpy.linalg.LinAlgError`.
    """

    def __init__(self, matrix: Any, free: Ints) -> None:
        self.size, self.free = matrix.shape[0], free
        self.matrix = matrix[np.ix_(free, free)] if isinstance(matrix, np.ndarray) else None
        if self.matrix is None:
            self.sparse = matrix[free][:, free].tocsc()

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


class Posterior:
    """Covariance of the unknowns."""

    def __init__(self, equations: Equations) -> None:
        self.equations = equations
        self.size = equations.size

    @cached_property
    def covariance(self) -> Floats:
        """All of it, shape (size, size)."""
        return self.equations.inverse()

    def entries(self, at: Ints, to: Ints) -> Floats:
        """Return the covariances of pairs of unknowns, of the common shape of both."""
        found: Floats = self.covariance[at, to]
        return found

    def block(self, at: Ints) -> Floats:
        """Return the covariance of some unknowns, shape (k, k)."""
        return self.entries(at[:, None], at[None, :])

    def times(self, coefficients: Floats) -> Floats:
        """Return covariances of all unknowns with weighted sums of them, shape (m, size)."""
        found: Floats = coefficients @ self.covariance
        return found
