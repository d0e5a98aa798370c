"""The rational method against worked examples in US units (1 acre inch per hour is 1.008 cfs)."""

from __future__ import annotations

import pytest

from geosite.analysis.peak_flows import rational

ACRE_M2 = 43_560 * 0.3048**2
INCH_MM = 25.4
CFS = 0.3048**3
UNITS = 1.0083  # the factor that the examples in acres and inches leave out


@pytest.mark.parametrize(
    ("coefficient", "inches", "acres", "cfs"),
    [
        # engineeringprep.com, problem 079: 30 acres, 1.25 in/h, C = 0.11 -> 4.125 cfs
        (0.11, 1.25, 30.0, 4.125),
        # homeworksource.com 978245, problem 7-3: 0.20 square miles, 2.87 in/h, weighted C = 0.4
        (0.4, 2.87, 128.0, 146.944),
    ],
)
def test_worked_examples(coefficient: float, inches: float, acres: float, cfs: float) -> None:
    flow = rational(coefficient, inches * INCH_MM, acres * ACRE_M2) / CFS
    assert flow == pytest.approx(cfs * UNITS, rel=2e-4)


def test_the_factor_of_square_kilometres() -> None:
    # the form with millimetres per hour and square kilometres: Q = 0.278 C i A
    assert rational(1.0, 1.0, 1e6) == pytest.approx(0.278, abs=3e-4)
