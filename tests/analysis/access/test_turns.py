"""Low and high points of a profile, and round intervals."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.analysis.access.turns import round_interval, turning_places, turns


def test_ripples_are_no_turns() -> None:
    assert turns(np.array([1.0, 1.01, 1.0, 1.015, 1.005])) == []
    assert turns(np.array([1.0, 0.4, 0.45, 0.42, 1.0, 0.2, 0.9])) == [
        (1, "low"),
        (4, "high"),
        (5, "low"),
    ]


def test_low_and_high_points_are_found_between_stations() -> None:
    def ground(at: np.ndarray) -> np.ndarray:
        return np.interp(at, [0.0, 7.123, 20.456, 30.0], [1.0, 0.5, 1.4, 0.7])

    assert turning_places(30.0, ground) == pytest.approx([7.123, 20.456], abs=1e-4)


def test_a_gap_in_the_ground_is_passed_over() -> None:
    def ground(at: np.ndarray) -> np.ndarray:
        level = np.interp(at, [0.0, 5.0, 30.0], [1.0, 0.5, 1.4])
        return np.where((at > 12.0) & (at < 15.0), np.nan, level)

    assert turning_places(30.0, ground) == pytest.approx([5.0], abs=1e-4)
    assert len(turning_places(30.0, lambda at: np.full(len(at), np.nan))) == 0


@pytest.mark.parametrize("unit_m", [1.0, 0.3048, 1200 / 3937])
@pytest.mark.parametrize("length", [0.3, 7.0, 36.9, 50.0, 50.001, 812.0, 12_345.0])
def test_the_interval_is_round_in_the_unit_of_the_site(length: float, unit_m: float) -> None:
    found = round_interval(length, unit_m)
    digits = f"{found / unit_m:.6e}"
    assert digits[:8] in ("1.000000", "2.000000", "5.000000")
    assert 19 <= length / found <= 50 * (1 + 1e-9)
