"""Cut and fill on ground whose shape is known, exactly and by the methods to check it with."""

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from analysis_cases import B1, block
from ferry_landing import make_site
from walk_simulator import Noise

from geosite.analysis.answers import answer
from geosite.analysis.volumes.design_surfaces import design_plane
from geosite.analysis.volumes.earthwork import earthwork
from geosite.base.errors import InputError
from geosite.fieldbook.attached_files import Attached
from geosite.fieldbook.sitefile import Earthwork
from geosite.reading.second_surface import SecondSurface
from geosite.terrain.site import model_terrain
from geosite.terrain.surface.roughness import EVEN


def worked(found, design, **more):
    _, _, drawing, terrain = found
    (feature,) = [f for f in drawing.features if f.name == "block"]
    return earthwork("dig", feature, terrain.ground, design, **more)


def every(told):
    return [told.exact, *(m.volumes for m in told.methods)]


def test_block_above_a_level_plane_by_three_methods(tmp_path):
    found = block(1, tmp_path, lambda e, n: 0.5)
    factor = found[1].frame.combined_factor
    told = worked(found, design_plane((0.0, 0.0), B1.up + 0.2, 0.0, 0.0, factor))
    for volumes in every(told):
        # 12 m x 12 m x 0.3 m
        assert volumes.cut.value == pytest.approx(43.2, rel=2e-3)
        assert volumes.fill.value == pytest.approx(0.0, abs=1e-3)
    assert told.covered == pytest.approx(1.0, abs=1e-3)


@pytest.mark.slow
def test_wedge_is_half_cut_half_fill(tmp_path):
    # ground rises 5 % to the east through the plane's elevation in the middle
    found = block(1, tmp_path, lambda e, n: 0.05 * (e - 10))
    factor = found[1].frame.combined_factor
    told = worked(found, design_plane((0.0, 0.0), B1.up, 0.0, 0.0, factor), interval=0.5)
    # two wedges of 6 m x 12 m x 0.3 m / 2
    for volumes in every(told):
        assert volumes.cut.value == pytest.approx(10.8, rel=0.02)
        assert volumes.fill.value == pytest.approx(10.8, rel=0.02)


def test_falling_plane_follows_its_azimuth(tmp_path):
    found = block(1, tmp_path, lambda e, n: -0.02 * n)
    network = found[1]
    row = int(np.flatnonzero(found[0].book.mark == found[0].book.marks.index("B1"))[0])
    through = tuple(network.en[row])
    design = design_plane(through, B1.up, 2.0, 0.0, network.frame.combined_factor)
    told = worked(found, design)
    assert told.exact.cut.value + told.exact.fill.value < 1e-3


@pytest.mark.slow
def test_net_sigma_is_what_walks_scatter_by(tmp_path):
    off = []
    for seed in range(40):
        walked = block(seed, tmp_path, lambda e, n: 0.5, Noise(0.005, 0.004), spacing=6.0)
        # of the possible grounds the net volume needs none
        few = replace(walked[3], ground=replace(walked[3].ground, draws=2))
        found = (*walked[:3], few)
        told = worked(found, design_plane((0.0, 0.0), B1.up, 0.0, 0.0, 1.0), interval=2.0)
        area = next(f for f in found[2].features if f.name == "block").area.value
        net = told.exact.net
        off.append((net.value - 0.5 * area) / net.sigma)
    # the ground is straight between its marks here; the sigma holds that it might not be
    assert 0.5 < np.sqrt(np.mean(np.square(off))) < 1.15


def asked(notes, surfaces=None, **works):
    site = msgspec.structs.replace(notes.site, earthworks=works)
    return replace(notes, site=site, attached=Attached(surfaces=surfaces or {}))


@pytest.mark.slow
def test_second_surface_instead_of_a_design_plane(tmp_path):
    notes, network, drawing, _ = block(1, tmp_path, lambda e, n: 0.5)
    terrain = model_terrain(notes, network, drawing)
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
    assert told.earthworks[0].exact.cut.value == pytest.approx(72.0, rel=3e-3)


def test_wrong_questions_are_named_together(tmp_path):
    notes, network, drawing, _ = block(1, tmp_path, lambda e, n: 0.5)
    terrain = model_terrain(notes, network, drawing)
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


def test_what_the_methods_add_to_the_exact_volume_is_said(tmp_path):
    # a ridge: between sections 3 m apart average end areas miss its crown
    found = block(1, tmp_path, lambda e, n: 0.05 * (8 - abs(n - 10)))
    told = worked(found, design_plane((0.0, 0.0), B1.up, 0.0, 0.0, 1.0), interval=5.0)
    factor = found[1].frame.combined_factor
    # 12 m long, mean height 0.05 (8 - 3) over 12 m, in ground metres of a scaled map
    assert told.exact.cut.value == pytest.approx(12 * 12 * 0.25, rel=2e-3)
    assert told.exact.fill.value == 0.0
    for way in told.methods:
        added = way.volumes.cut.value - told.exact.cut.value
        assert way.cut_error_m3 == pytest.approx(added, abs=1e-9)
        assert way.volumes.cut.low <= way.volumes.cut.value <= way.volumes.cut.high
        assert way.volumes.net.sigma == told.exact.net.sigma > 0  # the errors of the survey
    assert [way.name for way in told.methods] == ["average end area", "prismoidal", "grid"]
    assert factor == pytest.approx(1.0, abs=1e-3)


def test_without_noise_the_intervals_close_on_the_numbers(tmp_path):
    notes, network, drawing, terrain = block(1, tmp_path, lambda e, n: 0.05 * (e - 10))
    # the marks of the baseline do not lie on the plane: its roughness is theirs
    terrain = replace(terrain, ground=replace(terrain.ground, roughness=EVEN))
    design = design_plane((0.0, 0.0), B1.up, 0.0, 0.0, 1.0)
    told = worked((notes, network, drawing, terrain), design)
    for volume in (told.exact.cut, told.exact.fill, told.exact.net):
        assert volume.half_width < 1e-2
