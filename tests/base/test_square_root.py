"""Errors are drawn the same whatever the last digit of a covariance is."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.base.arrays import square_root


@pytest.mark.parametrize("size", [2, 5])
def test_equal_errors_are_drawn_alike_whatever_rounding_makes_of_them(size: int) -> None:
    rng = np.random.default_rng(size)
    even = np.eye(size) * 4e-4
    for _ in range(5):
        rounding = rng.standard_normal((size, size)) * 1e-18
        root = square_root(even + rounding + rounding.T)
        assert root == pytest.approx(np.eye(size) * 0.02, abs=1e-12)


def test_the_root_of_many_covariances_gives_each_of_them() -> None:
    parts = np.random.default_rng(3).standard_normal((4, 3, 2))
    covariances = parts @ parts.transpose(0, 2, 1)  # of rank 2: one eigenvalue is 0
    roots = square_root(covariances)
    assert roots @ roots.transpose(0, 2, 1) == pytest.approx(covariances, abs=1e-12)
