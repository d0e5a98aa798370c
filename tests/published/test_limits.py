"""Limit sets against the standards they quote, and the three-valued verdict."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.limits import fall_rules, judge, limit_sets
from geosite.base.errors import InputError
from geosite.base.estimate import Estimate
from geosite.base.statistics import NORMAL_95

SETS = limit_sets({})


# 2010 ADA Standards for Accessible Design, sections as named; 1016.7 ABA Standards.
@pytest.mark.parametrize(
    ("name", "what", "ratio", "section"),
    [
        ("walk", "running", 20, "403.3"),
        ("walk", "cross", 48, "403.3"),
        ("ramp", "running", 12, "405.2"),
        ("ramp", "cross", 48, "405.3"),
        ("ramp", "landing", 48, "405.7.1"),
        ("kerb_ramp_counter_slope", "running", 20, "406.2"),
        ("parking", "running", 48, "502.4"),
        ("parking", "cross", 48, "502.4"),
        ("outdoor_route", "running", 20, "1016.7.1"),
        ("outdoor_route", "cross", 48, "1016.7.2"),
    ],
)
def test_ratios_and_sections_are_those_of_the_standard(name, what, ratio, section):
    limit = getattr(SETS[name], what)
    assert limit.slope == 1 / ratio
    assert limit.section == section


def test_one_in_48_is_not_two_percent():
    # 403.3 prints 1:48; 104.1.1 gives no licence to round it (P-H1, P-H6)
    assert SETS["walk"].cross.slope * 100 == pytest.approx(2.0833, abs=5e-5)


def test_ramp_rise_and_landing_lengths_in_inches():
    # 405.6: 30 in; 405.7.3: 60 in
    assert SETS["ramp"].rise_per_run.metres == pytest.approx(30 * 0.0254)
    assert SETS["ramp"].rise_per_run.section == "405.6"
    assert SETS["ramp"].landing_length.metres == pytest.approx(60 * 0.0254)


def test_thirty_inches_at_one_in_twelve_need_thirty_feet():
    run_ft = SETS["ramp"].rise_per_run.metres / SETS["ramp"].running.slope / 0.3048
    assert run_ft == pytest.approx(30.0)


@pytest.mark.parametrize(("ratio", "degrees"), [(12, 4.7636), (20, 2.8624), (48, 1.1935)])
def test_ratios_in_degrees(ratio, degrees):
    assert math.degrees(math.atan(1 / ratio)) == pytest.approx(degrees, abs=5e-5)


def test_own_sets_win_and_bad_ones_are_all_named():
    own = limit_sets({"walk": {"title": "Local", "running": {"percent": 4.5, "section": "L 7"}}})
    assert own["walk"].running.slope == 0.045
    assert own["ramp"] == SETS["ramp"]
    with pytest.raises(InputError) as caught:
        limit_sets(
            {"a": {"title": "x", "running": {"ratio": "1 in 20"}}, "b": {"title": "x", "run": 3}},
            "own.toml",
        )
    lines = str(caught.value).splitlines()
    assert len(lines) == 2
    assert all(line.startswith("own.toml: limit set [") for line in lines)


@pytest.mark.parametrize(
    "limit", [{}, {"ratio": "1:20", "percent": 5.0}, {"ratio": "1:0"}, {"percent": -1.0}]
)
def test_a_slope_limit_is_one_thing(limit):
    with pytest.raises(InputError):
        limit_sets({"mine": {"title": "x", "running": limit}})


@given(st.floats(0, 0.5), st.floats(0, 0.1), st.floats(0.001, 0.5))
def test_verdict_is_the_interval_against_the_limit(value, sigma, limit):
    measured = Estimate.normal(value, sigma, NORMAL_95)
    told = judge(measured, limit)
    low, high = measured.low, measured.high
    if told.verdict == "within":
        assert high <= limit + 1e-9
    elif told.verdict == "beyond":
        assert low > limit - 1e-9
    else:
        assert low <= limit + 1e-9
        assert high >= limit - 1e-9
        if told.extra_observations is not None:
            # measured that many more times, the interval leaves the limit
            n = told.extra_observations + 1
            settled = judge(
                Estimate.normal(value, sigma / math.sqrt(n) * (1 - 1e-9), NORMAL_95), limit
            )
            assert settled.verdict != "undecided"


def test_a_smallest_value_is_judged_the_other_way_round():
    assert judge(Estimate.normal(1.6, 0.01, 1.96), 1.524, at_least=True).verdict == "within"
    assert judge(Estimate.normal(1.4, 0.01, 1.96), 1.524, at_least=True).verdict == "beyond"
    assert judge(Estimate.normal(1.52, 0.01, 1.96), 1.524, at_least=True).verdict == "undecided"


def test_what_was_not_measured_or_has_no_limit_is_not_judged():
    assert judge(None, 0.05).verdict == "not measured"
    assert judge(None, None).verdict == "no limit"
    assert judge(Estimate.normal(0.01, 0.1, 2.0), None).verdict == "no limit"
    # nothing bounds it: undecided, and no number of measurements is told
    told = judge(Estimate(0.01, -math.inf, math.inf), 0.05)
    assert (told.verdict, told.extra_observations) == ("undecided", None)


# 2010 ADA Standards: 403.5.1, 405.5, 405.7, 406.2 to 406.4, quoted at ada-compliance.com (406) and
# corada.com (405.7); 36 in and 60 in. Widths of 403.5.1 and 405.5 from memory.
def test_widths_landings_and_kerb_ramps():
    assert SETS["walk"].width.metres == SETS["ramp"].width.metres == 0.915
    assert SETS["ramp"].turning_landing.metres == pytest.approx(60 * 0.0254)
    kerb = SETS["kerb_ramp"]
    assert (kerb.running.slope, kerb.cross.slope) == (1 / 12, 1 / 48)
    assert (kerb.flare.slope, kerb.flare.section) == (1 / 10, "406.3")
    assert kerb.flare_without_landing.slope == 1 / 12
    assert (kerb.counter_slope.slope, kerb.counter_slope.section) == (1 / 20, "406.2")
    assert (kerb.landing_length.metres, kerb.landing_length.section) == (0.915, "406.4")


def test_a_walk_steeper_than_its_limit_is_a_ramp():
    # 403.3: not steeper than 1:20; 405.1: what is steeper complies with 405
    assert SETS["walk"].steeper == "ramp"
    with pytest.raises(InputError) as caught:
        limit_sets({"lane": {"title": "x", "steeper": "stairs"}}, "own.toml")
    assert 'steeper is "stairs", which is none' in str(caught.value)


# International Residential Code R401.3 (2006 text, P-H7) and International Building Code 1804.4
# (2012: 1804.3), quoted in full at thebuildingcodeforum.com
@pytest.mark.parametrize(
    ("name", "source", "section"),
    [
        ("dwelling", "International Residential Code", "R401.3"),
        ("building", "International Building Code", "1804.4"),
    ],
)
def test_falls_from_buildings(name, source, section):
    rule = fall_rules()[name]
    assert (rule.source, rule.section, rule.sense) == (source, section, "shall")
    assert rule.distance_m == pytest.approx(10 * 0.3048)
    # 6 in within 10 ft are 5 percent; 1:20
    assert rule.open_percent == pytest.approx(6 / 120 * 100)
    assert rule.paved_percent == 2.0
    assert any("lot lines" in exception for exception in rule.exceptions)
