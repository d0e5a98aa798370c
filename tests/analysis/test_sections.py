"""Profiles of ground whose shape is known."""

from dataclasses import replace

import numpy as np
import pytest
from analysis_cases import B1, block
from walk_simulator import Noise

from geosite.analysis.sections import profile
from geosite.analysis.walked_line import Polyline, polyline
from geosite.base.map_frame import Frame
from geosite.fieldbook.sitefile import Section
from geosite.network.independent_marks import independent_marks
from geosite.terrain.surface.roughness import EVEN
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import Ground


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
    for seed in range(75):
        found = block(seed, tmp_path, lambda e, n: 0.03 * e, Noise(0.005, 0.004), spacing=4.0)
        notes, network, drawing, terrain = found
        # possible grounds tell of rise and fall alone, and most of the time goes into them
        ground = replace(terrain.ground, draws=2)
        for marks, start, way in ((("Q0", "Q2"), 4.0, 1.0), (("Q1", "Q3"), 16.0, -1.0)):
            line = polyline("s", notes, network, drawing, feature=None, marks=marks)
            told = profile(line, network, ground, Section(marks=marks, interval=4.0))
            east = start + way * told.chainage / np.sqrt(2)
            z = np.array([e.value for e in told.elevation])
            off.append((z - (B1.up + 0.03 * east)) / [e.sigma for e in told.elevation])
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


@pytest.mark.parametrize("factor", [1.0, 0.5])
def test_a_section_of_two_marks_is_known_as_its_marks_are(factor):
    """A plane through four marks and one off it, each with errors of its own, by hand."""
    places = np.array([[-4, 5, 7.0], [0, 0, 10], [10, 0, 11], [10, 10, 11], [0, 10, 10]])
    network = independent_marks(
        places, sigma_m=1e-9, sigma_up_m=0.02, frame=Frame(combined_factor=factor)
    )
    tin = triangulate(places[1:])
    ground = Ground(network, tin, np.arange(1, 5), EVEN, np.ones(len(tin.points)), draws=41)
    chainage = np.array([0.0, np.hypot(4, 5), np.hypot(4, 5) + 10]) / factor
    line = Polyline("s", np.array([0, 1, 2]), ("P", "A", "B"), chainage)
    step = 4.0 / factor
    found = profile(line, network, ground, Section(marks=("P", "A", "B"), interval=step))
    # no ground between the first two marks: bridged from mark to mark
    stations = [0.0, chainage[1], 2 * step, 3 * step, 4 * step, chainage[2]]
    assert found.chainage == pytest.approx(stations)
    assert found.labels == ("P", "A", "", "", "", "B")
    assert found.length.value == pytest.approx(chainage[2])
    # the first mark, first row of the book, lies on no ground and is known all the same
    assert found.elevation[0].value == 7.0
    for elevation, at in zip(found.elevation, stations, strict=True):
        t = (at - chainage[1]) / (10 / factor)
        share = 1.0 if at == 0 else np.hypot(1 - t, t)
        assert elevation.sigma == pytest.approx(0.02 * share)
        assert elevation.half_width == pytest.approx(1.96 * elevation.sigma, rel=1e-3)
    first, *others = found.grade
    assert first.value == pytest.approx(3.0 / chainage[1])
    assert first.sigma == pytest.approx(0.02 * np.sqrt(2) / chainage[1])
    # on one plane between two marks each piece is as steep, and as well known, as the whole
    for grade in others:
        assert grade.value == pytest.approx(0.1 * factor)
        assert grade.sigma == pytest.approx(0.02 * np.sqrt(2) * factor / 10)
    assert (found.rise.value, found.fall.value) == pytest.approx((4.0, 0.0))
    down = Polyline("d", line.rows[::-1], line.names[::-1], chainage[2] - chainage[::-1])
    back = profile(down, network, ground, Section(marks=("B", "A", "P"), interval=step))
    assert (back.rise.value, back.fall.value) == pytest.approx((0.0, 4.0))
    assert back.fall.low < 4.0 < back.fall.high


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
