"""Student's t and Fisher's F beside scipy's."""

from __future__ import annotations

import math

import pytest
from scipy.special import betainc, fdtrc, stdtrit

from geosite.base import distributions
from geosite.base.distributions import beta_ratio, f_above, t_quantile


@pytest.mark.parametrize("a", [0.5, 1.0, 2.5, 40.0, 3e3])
@pytest.mark.parametrize("b", [0.5, 1.0, 7.0, 200.0])
def test_beta(a: float, b: float) -> None:
    for x in (0.0, 1e-9, 0.01, 0.3, 0.5, 0.77, 0.999, 1.0):
        assert beta_ratio(a, b, x) == pytest.approx(betainc(a, b, x), rel=1e-10, abs=1e-15)


@pytest.mark.parametrize("first", [1, 2, 3, 17, 400])
@pytest.mark.parametrize("second", [0.4, 1.0, 2.5, 8.0, 60.0, 1e4])
def test_f(first: int, second: float) -> None:
    for ratio in (0.0, 1e-4, 0.3, 1.0, 3.7, 90.0, 1e6, math.inf):
        assert f_above(first, second, ratio) == pytest.approx(
            fdtrc(first, second, ratio), rel=1e-9, abs=1e-14
        )
    assert math.isnan(f_above(first, second, math.nan))


@pytest.mark.parametrize("share", [0.6, 0.9, 0.975, 0.9999])
def test_t(share: float) -> None:
    for freedom in (0.3, 0.7, 1.0, 1.5, 2.0, 4.0, 4.7, 30.0, 777.0, 1e5, 1e7):
        assert t_quantile(freedom, share) == pytest.approx(stdtrit(freedom, share), rel=1e-8)


@pytest.mark.parametrize("share", [0.6, 0.975, 0.9999])
def test_t_of_hundreds_of_thousands_is_known_to_the_last_digits(share: float) -> None:
    for freedom in (1.01e5, 4e6, 3e9, 1e14):
        assert t_quantile(freedom, share) == pytest.approx(stdtrit(freedom, share), rel=1e-13)


def test_t_as_printed() -> None:
    """Student (1908) by way of every textbook's table: 97.5 % at 1, 5, 10 and 30 degrees."""
    printed = {1: 12.706, 5: 2.571, 10: 2.228, 30: 2.042}
    for freedom, value in printed.items():
        assert t_quantile(freedom, 0.975) == pytest.approx(value, abs=5e-4)


def test_hundredths_of_a_degree_of_freedom() -> None:
    # far out the chance of |T| > t is C t^-n: at half the freedom about the square
    assert t_quantile(0.02, 0.975) == pytest.approx(stdtrit(0.02, 0.975), rel=1e-6)
    assert t_quantile(1e-3, 0.975) == t_quantile(1e-200, 0.975) == math.inf


@pytest.mark.parametrize("freedom", [0.7, 1.0, 3.0, 4.7, 30.0, 777.0])
def test_t_is_found_in_a_few_steps(freedom: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every measure that leaves asks for one; a step costs a continued fraction."""
    asked = []

    def counted(*given: float) -> float:
        asked.append(given)
        return beta_ratio(*given)

    monkeypatch.setattr(distributions, "beta_ratio", counted)
    t_quantile.cache_clear()
    t_quantile(freedom, 0.975)
    assert len(asked) <= (4 if freedom > 2 else 8)
