"""Falls from buildings judged for all places of a wall together."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from linework_cases import frame, rows, survey

from geosite.analysis.falls import joint_falls, judge_fall
from geosite.analysis.limits import fall_rules
from geosite.analysis.wording import fall_findings
from geosite.base.grid import Grid
from geosite.terrain.surface.roughness import EVEN, Roughness
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import Ground
from geosite.terrain.water.falls_from_buildings import fall_from_building, wall_profiles
from geosite.terrain.water.water_estimates import estimate_fall

CELLS = Grid(0.0, 30.0, 0.25, 120, 120)
HOUSE = shapely.box(12, 12, 18, 16)


def ground(fall, sigma_up=0.0, roughness=EVEN, spacing=1.0):
    """A hipped roof of ground round the house, marks every metre, each with its own error."""
    at = np.arange(0.0, 30.0 + 1e-9, spacing)
    marks = [
        ("line", e, n, -fall * max(12 - e, e - 18, 12 - n, n - 16, 0.0), f"{e:g}_{n:g}")
        for n in at
        for e in at
    ]
    _, network = survey(rows("", "", marks), sigma_up=sigma_up)
    points = np.column_stack([network.en, network.elevation])
    tin = triangulate(points)
    return Ground(network, tin, np.arange(len(points)), roughness, np.ones(len(tin.points)))


def told(laid, kind="dwelling"):
    east, north = CELLS.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    z = laid.elevations_at(places).reshape(CELLS.shape)
    profiles = wall_profiles("shed", HOUSE, z, CELLS)
    fall = fall_from_building(profiles, z)
    return judge_fall(estimate_fall(fall, None, profiles, None), fall_rules()[kind], laid, CELLS)


@pytest.mark.parametrize(("fall", "verdict"), [(0.0501, "within"), (0.0499, "beyond")])
def test_without_noise_the_number_alone_decides(fall, verdict):
    found = told(ground(fall))
    assert found.verdict == verdict
    assert found.lengths_m[verdict] == pytest.approx(20.0, rel=0.05)
    assert found.worst.value == pytest.approx(fall, abs=1e-4)
    assert found.worst.half_width == 0.0


@pytest.mark.slow
def test_with_noise_it_is_undecided_near_the_limit_and_decided_far_from_it():
    assert told(ground(0.05, sigma_up=0.01)).verdict == "undecided"
    assert told(ground(0.20, sigma_up=0.01)).verdict == "within"
    assert told(ground(-0.10, sigma_up=0.01)).verdict == "beyond"


def test_where_no_mark_is_near_it_is_not_measured():
    far = Roughness((1e-6,), (1.0,), (1.0,), reach_m=0.1)
    found = told(ground(0.05, roughness=far, spacing=1.5))
    assert found.verdict == "not measured"
    (finding,) = fall_findings([found], frame())
    assert (finding.level, finding.code) == ("note", "fall-from-building")
    assert "not measured" in finding.text
    # where the rest of the walls has its fall, what is left open is told all the same
    partly = replace(
        told(ground(0.2)), verdict="not measured", lengths_m={"not measured": 2.0, "within": 9.0}
    )
    (finding,) = fall_findings([partly], frame())
    assert (finding.level, "before 2.0 m of its walls" in finding.text) == ("note", True)


def test_together_intervals_are_wider_than_alone():
    laid = ground(0.05, sigma_up=0.01)
    ends = np.array([[[18.0, n], [21.0, n]] for n in (12.5, 13.5, 14.5, 15.5)])
    alone = [joint_falls(laid, ends[[k]], np.array([3.0]))[0] for k in range(4)]
    together = joint_falls(laid, ends, np.full(4, 3.0))
    for one, all_of_them in zip(alone, together, strict=True):
        assert all_of_them.sigma == pytest.approx(one.sigma)
        # four nearly independent places: the 95 % point of the largest of four is 2.49 sigma
        assert 1.15 * one.half_width < all_of_them.half_width < 1.35 * one.half_width


def test_joint_intervals_hold_all_places_in_95_of_100():
    sigma, rng = 0.01, np.random.default_rng(5)
    laid = ground(0.05, sigma_up=sigma)
    ends = np.array([[[18.0, n], [21.0, n]] for n in np.arange(12.0, 16.1, 0.5)])
    half = np.array([f.half_width for f in joint_falls(laid, ends, np.full(len(ends), 3.0))])
    held = 0
    for _ in range(400):
        moved = laid.tin.points.copy()
        moved[:, 2] += rng.normal(0, sigma, len(moved))
        triangle, shares = laid.weights(ends.reshape(-1, 2))
        z = (shares * moved[laid.tin.triangles[triangle], 2]).sum(axis=1).reshape(-1, 2)
        held += bool((np.abs((z[:, 0] - z[:, 1]) / 3.0 - 0.05) <= half).all())
    assert 0.92 <= held / 400 <= 0.98


@pytest.mark.slow
def test_findings_name_rule_sense_and_exceptions():
    plain = frame()
    (finding,) = fall_findings([told(ground(-0.02, 0.002))], plain)
    assert finding.level == "look"
    for words in ("rises", "shall fall 5 %", "International Residential Code R401.3", "lot lines"):
        assert words in finding.text
    (finding,) = fall_findings([told(ground(-0.02, 0.002), "building")], plain)
    assert "International Building Code 1804.4" in finding.text
    (finding,) = fall_findings([told(ground(0.05, 0.01))], plain)
    assert "undecided at this accuracy" in finding.text
    assert fall_findings([told(ground(0.2, 0.01))], plain) == ()


def test_water_towards_a_building_is_told_only_where_there_is_some():
    (rising,) = fall_findings([told(ground(-0.02, 0.002))], frame())
    assert "water runs towards the building." in rising.text
    (falling,) = fall_findings([told(ground(0.03))], frame())
    assert "m are undecided. Exceptions" in falling.text
    assert "towards" not in falling.text


def test_a_fall_without_profiles_is_refused(tmp_path):
    from dataclasses import replace

    found = told(ground(0.05))
    with pytest.raises(ValueError, match="profiles"):
        judge_fall(replace(found.estimate, profiles=None), found.rule, ground(0.05), CELLS)
