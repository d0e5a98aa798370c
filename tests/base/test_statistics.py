"""Factors of intervals and chances beside scipy's, and as tables print them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from geosite.base.statistics import (
    NORMAL_95,
    chi2_isf,
    chi2_sf,
    ellipse_factor,
    radius_factor,
    radius_of,
    t_factor,
)


@pytest.mark.parametrize("freedom", [1, 2, 3, 10, 55, 400])
def test_chances_of_chi_square(freedom: int) -> None:
    for value in (1e-6, 0.1, 0.9, 1.0, 3.84, freedom, freedom + 2.0, freedom + 2.5, 9.0, 700.0):
        assert chi2_sf(value, freedom) == pytest.approx(
            stats.chi2.sf(value, freedom), rel=1e-9, abs=1e-14
        )


def test_chances_of_chi_square_at_its_ends() -> None:
    assert chi2_sf(-2.0, 3) == chi2_sf(0.0, 3) == 1.0
    assert chi2_sf(math.inf, 3) == 0.0
    # with 2 degrees of freedom it is exp(-x / 2)
    assert chi2_sf(0.5, 2) == pytest.approx(math.exp(-0.25), rel=1e-14)


@pytest.mark.parametrize("freedom", [1, 4, 30, 300])
def test_limits_of_chi_square(freedom: int) -> None:
    for chance in (0.999999, 0.5, 0.05, 1e-6):
        assert chi2_isf(chance, freedom) == pytest.approx(stats.chi2.isf(chance, freedom), rel=1e-9)


def test_half_widths_of_the_95_percent_interval() -> None:
    assert t_factor(math.inf) == pytest.approx(stats.norm.ppf(0.975), rel=1e-14)
    for freedom in (1.0, 2.5, 10.0, 2000.0):
        assert t_factor(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-9)


def test_axes_of_the_95_percent_ellipse() -> None:
    assert ellipse_factor(math.inf) == pytest.approx(math.sqrt(stats.chi2.ppf(0.95, 2)))
    for freedom in (1.0, 3.0, 20.0):
        of_f = math.sqrt(2 * stats.f.ppf(0.95, 2, freedom))
        assert ellipse_factor(freedom) == pytest.approx(of_f, rel=1e-9)
        assert radius_of(0.05, freedom) == pytest.approx(of_f, rel=1e-9)
    assert radius_of(0.001, math.inf) == pytest.approx(math.sqrt(stats.chi2.isf(0.001, 2)))


@pytest.mark.parametrize("freedom", [2.0, 5.0, math.inf])
def test_the_circle_is_the_ellipse_where_both_axes_are_alike_and_a_line_has_its_length(
    freedom: float,
) -> None:
    radii = radius_factor([[1.0, 0.0]], freedom)
    assert radii.shape == (1, 2)
    assert radii[0, 0] == pytest.approx(ellipse_factor(freedom), rel=1e-9)
    assert radii[0, 1] == pytest.approx(t_factor(freedom), rel=2e-6)


def test_the_circle_of_a_narrow_ellipse_holds_95_of_100_errors() -> None:
    # by the distribution of x^2 + y^2: quadrature over x of the chance that y stays within
    for ratio in (0.05, 0.3, 0.8):
        radius = float(radius_factor(ratio, math.inf))
        x = (np.arange(200_000) + 0.5) * (radius / 200_000)
        inside = stats.norm.pdf(x) * (2 * stats.norm.cdf(np.sqrt(radius**2 - x**2) / ratio) - 1)
        assert 2 * inside.sum() * (radius / 200_000) == pytest.approx(0.95, abs=1e-7)
    assert NORMAL_95 < radius_factor(0.05, math.inf) < radius_factor(0.3, math.inf)
