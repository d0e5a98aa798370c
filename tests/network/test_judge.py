"""When misclosures are more than chance: limits against those of scipy's distributions."""

from __future__ import annotations

import math

import pytest
from scipy.stats import chi2, f

from geosite.network.mistakes.facts import Judge

KNOWN = Judge(math.inf)
"""The noise is given."""
DEVICE = Judge(4.0)
"""The noise is known as by four misclosures."""


def test_the_noise_is_what_is_known_of_the_device_and_what_the_misclosures_say() -> None:
    assert (KNOWN.noise(30.0, 6), KNOWN.noise(3.0, 6), KNOWN.noise(3.0, 0)) == (5.0, 1.0, 3.0)
    assert (DEVICE.noise(36.0, 6), DEVICE.noise(0.0, 6)) == (4.0, 0.4)


@pytest.mark.parametrize(
    ("rest", "left", "noise", "freedom"),
    [
        *((0.0, 0, 1.0, 4.0), (6.0, 2, 10.0 / 6.0, 6.0)),
        # good others do not say that this one is good, and many do not make it surer
        *((1.0, 3, 1.0, 7.0), (200.0, 96, 204.0 / 100.0, 8.0)),
    ],
)
def test_a_device_is_judged_by_f_with_the_noise_of_the_others(
    rest: float, left: int, noise: float, freedom: float
) -> None:
    for count, squares in ((1, 3.0), (3, 20.0)):
        expected = f.sf(squares / count / noise, count, freedom)
        assert DEVICE.exceeded(squares, count, rest, left) == pytest.approx(expected, rel=1e-6)
        assert KNOWN.exceeded(squares, count, rest, left) == pytest.approx(
            chi2.sf(squares, count), rel=1e-6
        )


@pytest.mark.parametrize("count", [1, 3, 12])
def test_limits_of_what_no_noise_explains_and_of_what_is_worth_trying(count: int) -> None:
    of_device = count * f.isf([1e-4, 0.05], count, 4.0)
    for share, said in ((0.999, False), (1.001, True)):
        assert KNOWN.gross(share * chi2.isf(1e-4, count), count) == said
        assert KNOWN.odd(share * chi2.isf(1e-4, count), count) == said
        assert DEVICE.gross(share * of_device[0], count) == said
        assert DEVICE.odd(share * of_device[1], count) == said


@pytest.mark.parametrize("tested", [1, 25])
@pytest.mark.parametrize(
    ("rest", "left", "limit"),
    [
        # eight others that look like noise are enough to tell it
        (8.0, 8, lambda tested: chi2.isf(0.01 / tested, 2)),
        # fewer, or none, are not: a hundred times as clear
        (7.0, 7, lambda tested: chi2.isf(0.0001 / tested, 2)),
        (0.0, 0, lambda tested: chi2.isf(0.0001 / tested, 2)),
        # others that are large too say that the noise is
        (90.0, 20, lambda tested: 90.0 / 20 * 2 * f.isf(0.01 / tested, 2, 20)),
    ],
)
def test_one_misclosure_stands_out_from_the_others(
    rest: float, left: int, limit: object, tested: int
) -> None:
    for share, said in ((0.995, False), (1.005, True)):
        test = share * limit(tested)  # type: ignore[operator]
        assert KNOWN.stands_out(test, 2, tested, test + rest, 2 + left) == said


def test_one_misclosure_of_a_device_stands_out_by_f() -> None:
    for share, said in ((0.995, False), (1.005, True)):
        test = share * 3 * 2.0 * f.isf(0.01 / 5, 3, 8.0)
        assert DEVICE.stands_out(test, 3, 5, test + 16.0, 3 + 6) == said
        alone = share * 3 * f.isf(0.01 / 5, 3, 4.0)
        assert DEVICE.stands_out(alone, 3, 5, alone, 3) == said
