"""Types of the arrays that every room works with.

Whole numbers of a value per row of a long field book are kept in four bytes (`Shorts`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Floats", "Ints", "Shorts", "square_root"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Shorts = npt.NDArray[np.int32]


def square_root(covariance: Floats) -> Floats:
    """Return the symmetric square root of a covariance, to draw errors with.

    Of all matrices whose product with their transpose is the covariance this is the one that
    changes little where the covariance does. The scaled eigenvectors do not: their signs, and of
    equal eigenvalues their directions, hang on the last digit, so another processor would draw
    other errors from the same random numbers.

    Parameters
    ----------
    covariance : array, shape (..., n, n)
        Symmetric; eigenvalues below 0 by rounding count as 0.

    Returns
    -------
    array, shape (..., n, n)

    Examples
    --------
    >>> square_root(np.array([[4.0, 0.0], [0.0, 9.0]])).round(12).tolist()
    [[2.0, 0.0], [0.0, 3.0]]
    """
    values, vectors = np.linalg.eigh(covariance)
    scaled = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    root: Floats = scaled @ np.swapaxes(vectors, -1, -2)
    return root
