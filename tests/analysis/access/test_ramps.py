"""A profile split into runs and landings where its slope changes, by no limit of any rule."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.access.ramps import (
    DRAWS,
    marks_that_matter,
    parts_of,
    profile_draws,
    stretches,
)


def profile(*parts, start=100.0):
    """Chainage and elevation of parts of (length, slope), a mark at each end."""
    lengths, slopes = np.array(parts).T
    x = np.concatenate([[0.0], np.cumsum(lengths)])
    return x, start + np.concatenate([[0.0], np.cumsum(lengths * slopes)])


def kinds(x, z, sigma=1e-4):
    found = parts_of(x, z, sigma**2 * np.eye(len(x)))
    return [(float(x[p.first]), float(x[p.last]), p.is_landing) for p in found]


@pytest.mark.parametrize("slope", [0.0, 0.0150, 0.0208, 0.0209, 0.03, 0.04])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_landing_is_one_whatever_a_rule_allows(slope, sign):
    x, z = profile((6, sign / 12), (1.6, sign * slope), (6, sign / 12))
    found = kinds(x, z)
    assert [k for *_, k in found] == [False, True, False]
    assert found[1][:2] == pytest.approx((6.0, 7.6))


def test_an_even_walk_has_no_landing():
    for slope in (0.0, 0.01, 0.04, 0.08):
        assert kinds(*profile((5, slope), (5, slope), (5, slope))) == [(0.0, 15.0, False)]


def test_a_run_that_eases_by_a_fifth_is_no_landing():
    assert kinds(*profile((6, 0.083), (2, 0.066), (6, 0.083))) == [(0.0, 14.0, False)]


def test_the_way_up_to_a_ramp_and_on_from_it_are_landings():
    found = kinds(*profile((3, 0.01), (6, 0.08), (2, 0.015)))
    assert [k for *_, k in found] == [True, False, True]


def test_a_ramp_that_turns_down_again_is_two_runs_with_a_landing():
    found = kinds(*profile((6, 0.08), (2, 0.0), (6, -0.08)))
    assert [k for *_, k in found] == [False, True, False]


def test_a_landing_of_two_slopes_is_one_landing_with_a_break():
    x, z = profile((6, 0.08), (1.5, 0.0), (1.5, 0.035), (6, 0.08))
    found = parts_of(x, z, 1e-8 * np.eye(len(x)))
    assert [p.is_landing for p in found] == [False, True, False]
    assert [float(x[b]) for b in found[1].breaks] == [7.5]


def test_noise_makes_no_landings():
    x, z = profile(*[(0.5, 0.08)] * 24)
    rng = np.random.default_rng(3)
    sigma = 0.004
    wrong = 0
    for _ in range(200):
        noisy = z + rng.normal(0, sigma, len(z))
        wrong += len(parts_of(x, noisy, sigma**2 * np.eye(len(x)))) > 1
    assert wrong <= 10


def test_marks_between_change_nothing():
    few = profile((6, 1 / 12), (1.6, 0.02), (6, 1 / 12))
    x = np.unique(np.round(np.concatenate([few[0], np.arange(0.0, 13.6, 0.4)]), 6))
    ends = [(a, round(b, 6), kind) for a, b, kind in kinds(*few)]
    assert [k[2] for k in kinds(x, np.interp(x, *few))] == [k[2] for k in ends]
    found = np.array([k[:2] for k in kinds(x, np.interp(x, *few))])
    assert found == pytest.approx(np.array([k[:2] for k in ends]))


def test_a_sure_landing_is_in_every_draw_and_a_doubtful_one_is_not():
    x, z = profile((6, 1 / 12), (1.6, 0.01), (6, 1 / 12))
    sure = 0.002**2 * np.eye(len(x))
    assert [s.probability for s in stretches(x, z, sure, profile_draws(z, sure))] == [1.0] * 3
    x, z = profile((6, 1 / 12), (1.6, 0.05), (6, 1 / 12))
    vague = 0.02**2 * np.eye(len(x))
    found = stretches(x, z, vague, profile_draws(z, vague))
    assert min(s.probability for s in found) < 0.95


def test_without_noise_the_numbers_are_plain():
    x, z = profile((6, 1 / 12), (1.6, 0.02), (6, 1 / 12))
    none = np.zeros((len(x), len(x)))
    found = stretches(x, z, none, profile_draws(z, none))
    assert [(s.probability, s.rise, s.length) for s in found] == [(1.0, None, None)] * 3


def test_draws_have_the_covariance_and_repeat():
    sigma = np.array([[4e-6, 2e-6], [2e-6, 9e-6]])
    drawn = profile_draws(np.array([1.0, 2.0]), sigma, count=20_000)
    assert np.cov(drawn.T) == pytest.approx(sigma, abs=2e-7)
    again = profile_draws(np.array([1.0, 2.0]), sigma)
    assert again.shape == (DRAWS, 2)
    assert (again == profile_draws(np.array([1.0, 2.0]), sigma)).all()
    wider = profile_draws(np.array([1.0, 2.0]), sigma, inflation=2.0)
    assert wider - [1.0, 2.0] == pytest.approx(2 * (again - [1.0, 2.0]))


@given(st.lists(st.floats(0.05, 3.0), min_size=1, max_size=60), st.integers(0, 99))
def test_parts_cover_the_line_once(lengths, seed):
    x = np.concatenate([[0.0], np.cumsum(lengths)])
    z = np.cumsum(np.random.default_rng(seed).normal(0, 0.1, len(x)))
    found = parts_of(x, z, 1e-6 * np.eye(len(x)))
    assert found[0].first == 0
    assert found[-1].last == len(x) - 1
    assert all(a.last == b.first for a, b in pairwise(found))
    assert all(a.is_landing != b.is_landing for a, b in pairwise(found))


def test_long_lines_are_looked_at_where_they_bend():
    x = np.arange(0.0, 900.0, 0.5)
    z = np.interp(x, [0, 400, 402, 900], [0.0, 32.0, 32.02, 71.9])
    at = marks_that_matter(x, z)
    assert len(at) <= 120
    assert {0, len(x) - 1} <= set(at.tolist())
    # both ends of the one landing stay
    assert {400.0, 402.0} <= set(x[at].tolist())


def test_marks_too_near_to_each_other_are_one():
    x = np.array([0.0, 0.1, 0.2, 2.0, 2.1, 4.0])
    assert x[marks_that_matter(x, np.zeros(6))].tolist() == [0.0, 2.0, 4.0]


def test_where_the_ends_move_from_draw_to_draw_rise_and_length_move_with_them():
    # marks at 0, 4, 6, 7.6, 9.6, 13.6: in every other profile the landing goes on to 9.6
    x = np.array([0.0, 4.0, 6.0, 7.6, 9.6, 13.6])
    short = np.array([0.0, 0.32, 0.48, 0.48, 0.64, 0.96])
    long = np.array([0.0, 0.32, 0.48, 0.48, 0.48, 0.80])
    sure = 1e-8 * np.eye(len(x))
    first, landing, last = stretches(x, short, sure, np.array([short, long] * 20))
    assert [first.part.is_landing, landing.part.is_landing] == [False, True]
    assert (first.probability, first.rise, first.length) == (1.0, None, None)
    assert landing.probability == last.probability == 1.0
    assert landing.length.value == pytest.approx(1.6)
    assert (landing.length.low, landing.length.high) == pytest.approx((1.6, 3.6))
    assert landing.rise.value == pytest.approx(0.0)
    assert last.length.value == pytest.approx(6.0)
    assert (last.length.low, last.length.high) == pytest.approx((4.0, 6.0))
    assert last.rise.value == pytest.approx(0.48)
    assert (last.rise.low, last.rise.high) == pytest.approx((0.32, 0.48))
    # and where a profile has none there, that counts against it and moves no number
    even = np.interp(x, [0.0, 13.6], [0.0, 0.96])
    _, rare, _ = stretches(x, short, sure, np.array([short, long, even, even] * 10))
    assert rare.probability == 0.5
    assert (rare.length.low, rare.length.high) == pytest.approx((1.6, 3.6))


@pytest.mark.parametrize(
    ("along", "kept"),
    [
        ([0.0, 0.3, 0.6], [0, 1, 2]),
        ([0.0, 0.29, 0.6], [0, 2]),
        ([0.0, 0.31, 0.6], [0, 2]),
        ([0.0, 0.2, 0.4, 0.6, 2.0], [0, 2, 4]),
    ],
)
def test_marks_nearer_than_a_foot_to_each_other_or_to_an_end_are_taken_together(along, kept):
    up = 0.1 * np.arange(len(along)) ** 2
    assert marks_that_matter(np.array(along), up).tolist() == kept
