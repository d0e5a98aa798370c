"""Profiles of ground whose shape is known."""

from dataclasses import replace

import numpy as np
import pytest
from analysis_cases import B1, block
from walk_simulator import Noise

from geosite.analysis.sections import profile
from geosite.analysis.walked_line import polyline
from geosite.fieldbook.sitefile import Section


def test_profile_has_marks_interval_and_grade(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.03 * e)
    ground = terrain.ground
    line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q1"))
    found = profile(line, network, ground, Section(marks=("Q0", "Q1"), interval=5.0))
    assert found.chainage == pytest.approx([0.0, 5.0, 10.0, 12.0], abs=1e-3)
    assert found.labels == ("Q0", "", "", "Q1")
    assert [g.value for g in found.grade] == pytest.approx([0.03] * 3, abs=1e-4)
    assert found.rise.value == pytest.approx(0.36, abs=1e-3)
    assert found.fall.value == 0.0
    # stations go on to the last mark
    bent = polyline("b", notes, network, drawing, feature=None, marks=("Q1", "Q0", "Q2"))
    on = profile(bent, network, ground, Section(marks=("Q1", "Q0", "Q2"), interval=5.0))
    assert on.chainage[[0, -1]] == pytest.approx([0.0, bent.chainage[2]], abs=1e-3)
    assert np.diff(on.chainage).max() < 5.0 + 1e-3
    # the walk is quiet: what may be is not far from what is found
    assert found.rise.low <= found.rise.value <= found.rise.high < 0.37
    assert found.fall.high < 0.01
    assert all(e.sigma > 0 for e in found.elevation)


@pytest.mark.slow
def test_profile_over_a_ridge_has_rise_and_fall_and_design(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.1 * (6 - abs(e - 10)))
    ground = terrain.ground
    line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q1"))
    wanted = Section(
        marks=("Q0", "Q1"), interval=1.0, design_elevation=B1.up, design_grade_percent=2.0
    )
    found = profile(line, network, ground, wanted)
    assert found.rise.value == pytest.approx(0.6, abs=1e-2)
    assert found.fall.value == pytest.approx(0.6, abs=1e-2)
    assert found.design == pytest.approx(B1.up + 0.02 * found.chainage, abs=1e-6)


@pytest.mark.slow
def test_profile_sigma_is_what_walks_scatter_by(tmp_path):
    off = []
    for seed in range(150):
        found = block(seed, tmp_path, lambda e, n: 0.03 * e, Noise(0.005, 0.004), spacing=4.0)
        notes, network, drawing, terrain = found
        ground = terrain.ground
        line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q2"))
        told = profile(line, network, ground, Section(marks=("Q0", "Q2"), interval=4.0))
        along = 4 + told.chainage / np.sqrt(2)
        z = np.array([e.value for e in told.elevation])
        off.append((z - (B1.up + 0.03 * along)) / [e.sigma for e in told.elevation])
    assert np.sqrt(np.mean(np.concatenate(off) ** 2)) == pytest.approx(1.0, abs=0.12)


def test_where_no_mark_is_near_a_station_has_no_interval(tmp_path):
    # marks 2 m apart tell of 2 m; from Q1 to the far corner of a gap it is farther
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.03 * e)
    reach = replace(terrain.ground.roughness, reach_m=0.5)
    ground = replace(terrain.ground, roughness=reach)
    line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q2"))
    found = profile(line, network, ground, Section(marks=("Q0", "Q2"), interval=1.0))
    known = [np.isfinite(e.half_width) for e in found.elevation]
    # on the way over the corners of squares of 2 m: 2.83 m from mark to mark
    assert known[0]
    assert known[-1]
    assert not all(known)
    for at, is_known in zip(found.chainage, known, strict=True):
        off = at % (2 * np.sqrt(2))
        assert is_known == (min(off, 2 * np.sqrt(2) - off) <= 0.5 + 1e-4)


@pytest.mark.slow
def test_without_an_interval_stations_are_round_and_the_low_point_is_one(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.1 * abs(e - 8.0))
    line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q1"))
    found = profile(line, network, terrain.ground, Section(marks=("Q0", "Q1")))
    low = int(np.argmin([e.value for e in found.elevation]))
    # the walk starts at 4 east: the valley is 4 m on, and is found without a station of its own
    assert found.chainage[low] == pytest.approx(4.0, abs=1e-3)
    feet = profile(line, network, terrain.ground, Section(marks=("Q0", "Q1")), 0.3048)
    for made, step in ((found, 0.5), (feet, 0.3048)):
        between = np.setdiff1d(made.chainage, line.chainage) / step
        off = np.abs(between - np.round(between)) > 1e-6
        # all but the low point
        assert between[off] * step == pytest.approx([4.0], abs=1e-3)
