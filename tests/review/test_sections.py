"""Profiles and earthwork on ground whose shape is known."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from ferry_landing import make_site
from simulated import ferry_landing
from walk_simulator import Noise, Stop, Walk

from geosite.base.errors import InputError
from geosite.fieldbook.attached import Attached
from geosite.fieldbook.sitefile import Earthwork, Section
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.reading.second_surface import SecondSurface
from geosite.review.answers import answer
from geosite.review.earthwork import earthwork, plane
from geosite.review.grades import polyline
from geosite.review.sections import profile
from geosite.terrain.site import model_terrain

QUIET = Noise(1e-6, 1e-7)
B1, B2 = make_site.B1, make_site.B2
SIDE = 12.0


def block(seed, folder, height, noise=QUIET, spacing=2.0):
    """A square of 12 m beside the baseline; `height` gives its ground above B1."""

    def at(e, n, point="", feature="", code=""):
        return Stop(B1.east + e, B1.north + n, B1.up + height(e, n), point, feature, code)

    corners = [(4, 4), (4 + SIDE, 4), (4 + SIDE, 4 + SIDE), (4, 4 + SIDE)]
    stops = [B1, B2]
    stops += [at(*c, f"Q{k}", "block", "asphalt") for k, c in enumerate(corners)]
    grid = np.arange(4, 4 + SIDE + 1e-9, spacing)
    stops += [at(e, n, f"G{e:g}_{n:g}") for n in grid for e in grid if (e, n) not in corners]
    walks = (Walk("R1", (*stops, B1, B2)),)
    survey = ferry_landing(seed, folder, noise=noise, anchor_sigma=1e-6, walks=walks)
    network = adjust(survey.notes)
    drawing = draw(survey.notes, network)
    terrain = model_terrain(survey.notes, network, drawing)
    return survey.notes, network, drawing, terrain


def worked(found, design, **more):
    _, network, drawing, terrain = found
    ground = terrain.ground
    (feature,) = [f for f in drawing.features if f.name == "block"]
    return earthwork("dig", feature, network, ground, design, **more)


def test_profile_has_marks_interval_and_grade(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.03 * e)
    ground = terrain.ground
    line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q1"))
    found = profile(line, network, ground, Section(marks=("Q0", "Q1"), interval=5.0))
    assert found.chainage == pytest.approx([0.0, 5.0, 10.0, 12.0], abs=1e-3)
    assert found.labels == ("Q0", "", "", "Q1")
    assert found.grade_percent == pytest.approx([3.0] * 3, abs=1e-2)
    assert found.rise_m == pytest.approx(0.36, abs=1e-3)
    assert found.fall_m == 0.0
    assert (found.sigma > 0).all()


def test_profile_over_a_ridge_has_rise_and_fall_and_design(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.1 * (6 - abs(e - 10)))
    ground = terrain.ground
    line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q1"))
    wanted = Section(
        marks=("Q0", "Q1"), interval=1.0, design_elevation=B1.up, design_grade_percent=2.0
    )
    found = profile(line, network, ground, wanted)
    assert found.rise_m == pytest.approx(0.6, abs=1e-2)
    assert found.fall_m == pytest.approx(0.6, abs=1e-2)
    assert found.design == pytest.approx(B1.up + 0.02 * found.chainage, abs=1e-6)


def test_profile_sigma_is_what_walks_scatter_by(tmp_path):
    off = []
    for seed in range(150):
        found = block(seed, tmp_path, lambda e, n: 0.03 * e, Noise(0.005, 0.004), spacing=4.0)
        notes, network, drawing, terrain = found
        ground = terrain.ground
        line = polyline("s", notes, network, drawing, feature=None, marks=("Q0", "Q2"))
        told = profile(line, network, ground, Section(marks=("Q0", "Q2"), interval=4.0))
        along = 4 + told.chainage / np.sqrt(2)
        off.append((told.elevation - (B1.up + 0.03 * along)) / told.sigma)
    assert np.sqrt(np.mean(np.concatenate(off) ** 2)) == pytest.approx(1.0, abs=0.12)


def test_block_above_a_level_plane_by_three_methods(tmp_path):
    found = block(1, tmp_path, lambda e, n: 0.5)
    factor = found[1].frame.combined_factor
    told = worked(found, plane((0.0, 0.0), B1.up + 0.2, 0.0, 0.0, factor))
    for volumes in (told.average_end_area, told.prismoidal, told.grid):
        # 12 m x 12 m x 0.3 m
        assert volumes.cut_m3 == pytest.approx(43.2, rel=2e-3)
        assert volumes.fill_m3 == pytest.approx(0.0, abs=1e-3)
    assert told.covered == pytest.approx(1.0, abs=1e-3)


def test_wedge_is_half_cut_half_fill(tmp_path):
    # ground rises 5 % to the east through the plane's elevation in the middle
    found = block(1, tmp_path, lambda e, n: 0.05 * (e - 10))
    factor = found[1].frame.combined_factor
    told = worked(found, plane((0.0, 0.0), B1.up, 0.0, 0.0, factor), interval=0.5)
    # two wedges of 6 m x 12 m x 0.3 m / 2
    for volumes in (told.average_end_area, told.prismoidal, told.grid):
        assert volumes.cut_m3 == pytest.approx(10.8, rel=0.02)
        assert volumes.fill_m3 == pytest.approx(10.8, rel=0.02)


def test_falling_plane_follows_its_azimuth(tmp_path):
    found = block(1, tmp_path, lambda e, n: -0.02 * n)
    network = found[1]
    row = int(np.flatnonzero(found[0].book.mark == found[0].book.marks.index("B1"))[0])
    through = tuple(network.en[row])
    design = plane(through, B1.up, 2.0, 0.0, network.frame.combined_factor)
    told = worked(found, design)
    assert told.grid.cut_m3 + told.grid.fill_m3 < 0.05


def test_net_sigma_is_what_walks_scatter_by(tmp_path):
    off = []
    for seed in range(100):
        found = block(seed, tmp_path, lambda e, n: 0.5, Noise(0.005, 0.004), spacing=6.0)
        told = worked(found, plane((0.0, 0.0), B1.up, 0.0, 0.0, 1.0), interval=2.0)
        area = next(f for f in found[2].features if f.name == "block").area.value
        off.append((told.grid.cut_m3 - told.grid.fill_m3 - 0.5 * area) / told.net_sigma_m3)
    assert np.sqrt(np.mean(np.square(off))) == pytest.approx(1.0, abs=0.2)


def asked(notes, surfaces=None, **works):
    site = msgspec.structs.replace(notes.site, earthworks=works)
    return replace(notes, site=site, attached=Attached(surfaces=surfaces or {}))


def test_second_surface_instead_of_a_plane(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.5)
    west, north = make_site.to_map(B1.east - 5, B1.north + 30, 1.0)
    level = SecondSurface(
        "level.tif",
        np.full((80, 80), B1.up),
        np.floor(west),
        np.ceil(north),
        0.5,
        0.5,
        network.frame.crs_wkt,
    )
    told = answer(
        asked(notes, {"dig": level}, dig=Earthwork(feature="block", surface="level.tif")),
        network,
        drawing,
        terrain,
    )
    assert told.earthworks[0].grid.cut_m3 == pytest.approx(72.0, rel=3e-3)


def test_wrong_questions_are_named_together(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.5)
    wrong = asked(
        notes,
        a=Earthwork(feature="pit", design_elevation=1.0),
        b=Earthwork(feature="block"),
        c=Earthwork(feature="block", design_elevation=1.0, through="Z9"),
    )
    with pytest.raises(InputError) as caught:
        answer(wrong, network, drawing, terrain)
    assert [p.code for p in caught.value.problems] == [
        "earthwork-no-area",
        "earthwork-design",
        "earthwork-no-mark",
    ]
