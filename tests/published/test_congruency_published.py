"""Congruency test against published worked examples: one of statistics, one of levelling."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from geosite.analysis.change.congruency import congruency, find_stable, frame_of_level


def test_equal_treatments_of_repeated_measures() -> None:
    # Johnson & Wichern, Applied Multivariate Statistical Analysis, example 6.2 (dogs under four
    # treatments, n = 19): contrasts 209.31, -60.05, -12.79, T2 = 116, critical value 10.94. That
    # all four means are equal, whatever they are, is the hypothesis of levels under a common lift.
    # The table is written from memory; contrasts and T2 agree with the print to its last digit.
    means = np.array([368.21, 404.63, 479.26, 502.89])
    spread = np.array(
        [
            [2819.29, 3568.42, 2943.49, 2295.35],
            [3568.42, 7963.14, 5303.98, 4065.44],
            [2943.49, 5303.98, 6851.32, 4499.63],
            [2295.35, 4065.44, 4499.63, 4878.99],
        ]
    )
    contrasts = np.array([[-1, -1, 1, 1], [1, -1, 1, -1], [1, -1, -1, 1]])
    assert (contrasts @ means).round(2).tolist() == [209.31, -60.05, -12.79]
    test = congruency(means, spread / 19, frame_of_level(4), 18)
    assert test.degrees_of_freedom == 3
    assert round(test.statistic * test.degrees_of_freedom) == 116
    # a covariance that is estimated freely has fewer degrees of freedom: 16 instead of 18
    assert 18 * 3 / 16 * f_distribution.ppf(0.95, 3, 16) == pytest.approx(10.94, abs=0.01)


# Proceedings of the 34th International Symposium (Sbornik s dokladi ot XXXIV mezhdunaroden
# simpozium), numerical example 1.1: tables 1 and 2 on page 119, what they show on page 121.
# Levelling lines in metres, height differences in metres, 0.8 mm per root of a kilometre.
MARKS = (10, 11, 12, 13)
LINES = ((10, 11, 211), (10, 12, 60), (10, 13, 216), (11, 12, 169), (11, 13, 205), (12, 13, 68))
FIRST = np.array([-0.3274, -0.1887, -0.4187, 0.1392, -0.0915, -0.2304])
SECOND = np.array([-0.3250, -0.1861, -0.4163, 0.1394, -0.0916, -0.2306])
DESIGN = np.array([[float(m == b) - float(m == a) for m in MARKS] for a, b, _ in LINES])
SIGMA = np.array([0.0008 * np.sqrt(length / 1000) for *_, length in LINES])


def levelled() -> tuple[np.ndarray, np.ndarray]:
    """Return the change of the elevations from two free adjustments, and its covariance."""
    cofactor = np.linalg.pinv(DESIGN.T / SIGMA**2 @ DESIGN)
    return cofactor @ (DESIGN.T / SIGMA**2) @ (SECOND - FIRST), 2 * cofactor


def test_the_bench_mark_that_sank_is_found_and_the_others_are_stable() -> None:
    change, covariance = levelled()
    # page 121: the free adjustment moves 10 most and 13 least
    assert np.argmax(abs(change)) == 0
    assert np.argmin(abs(change)) == 3
    found = find_stable(change, covariance, frame_of_level(4), size=1)
    assert not found.first.passed
    # page 121: 10 is unstable; without it 11, 12 and 13 indicate no movement
    assert found.stable.tolist() == [False, True, True, True]
    assert found.last.passed
    assert [mark.test.passed for mark in found.marks] == [False, True, True, True]
    # page 119: mark 10 was moved by -2.4 mm
    moved = found.marks[0]
    assert abs(moved.shift[0] + 0.0024) < 2 * np.sqrt(moved.covariance[0, 0])


def test_the_statistic_is_the_f_of_the_general_linear_hypothesis() -> None:
    # the source prints no F: it is made here from the twelve observations by ordinary least
    # squares, with and without the hypothesis, without any covariance of heights
    both = np.concatenate([FIRST, SECOND]) / np.tile(SIGMA, 2)
    rows, none = DESIGN / SIGMA[:, None], np.zeros_like(DESIGN)

    def squares(design: np.ndarray) -> float:
        left = both - design @ np.linalg.lstsq(design, both, rcond=None)[0]
        return float(left @ left)

    free = squares(np.block([[rows, none], [none, rows]]))
    held = squares(np.vstack([rows, rows]))
    expected = (held - free) / 3 / (free / 6)
    change, covariance = levelled()
    test = congruency(change, covariance * free / 6, frame_of_level(4), 6)
    assert (test.degrees_of_freedom, test.noise_degrees_of_freedom) == (3, 6)
    assert test.statistic == pytest.approx(expected, rel=1e-9)
    assert test.probability == pytest.approx(float(f_distribution.sf(expected, 3, 6)), rel=1e-9)
    assert expected == pytest.approx(77.71, abs=0.01)  # ours, for the record
