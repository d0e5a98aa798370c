"""Designed grounds against closed forms: prism, frustum, wedge, and how a plane drains."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import msgspec
import network_cases
import numpy as np
import pytest
import shapely

from geosite.analysis.design_ground.compute import design_ground
from geosite.analysis.design_ground.model import DesignedGround
from geosite.analysis.design_ground.zones import Zone, facet_zone, pad, strip
from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import Surface
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.terrain.site_ground import SiteGround, site_ground
from geosite.terrain.site_water import Water, site_water


@cache
def site(fall: float = 0.0, runs: int = 0, factor: float = 1.0) -> SiteGround:
    """Walk marks on a plane that falls to the east, 60 m wide, exactly."""
    places = [(x, y) for x in range(0, 61, 15) for y in range(0, 61, 15)]
    rows = [("R", "A", 0.0, 0.0, 100.0), ("R", "B", 60.0, 0.0, 100 - 60 * fall)]
    rows += [("R", f"M{i}", x, y, 100 - fall * x) for i, (x, y) in enumerate(places)]
    crs = network_cases.PLAIN_CRS.replace("+k=1 ", f"+k={factor} ")
    notes = network_cases.notes(
        rows,
        {
            "A": {"easting": 0.0, "northing": 0.0, "elevation": 100.0},
            "B": {"easting": 60.0 * factor, "northing": 0.0},
        },
        noise=(1e-4, 1e-4),
        crs=crs,
    )
    change = msgspec.structs.replace
    table = change(notes.site.drainage, confidence_runs=runs)
    surface = Surface(cell_size=0.25)
    notes = replace(notes, site=change(notes.site, drainage=table, surface=surface))
    network = adjust(notes)
    found = site_ground(notes, network, draw(notes, network))
    assert found is not None
    return found


@cache
def water(on: SiteGround) -> Water:
    return site_water(on)


def made(zone: Zone, side_slope: float, on: SiteGround) -> DesignedGround:
    """Build a zone that is given in metres from the corner of the site."""
    corner = on.frame.to_local((0.0, 0.0))
    moved = replace(
        zone,
        shape=shapely.transform(zone.shape, lambda places: places + corner),
        heights=lambda places: zone.heights(places - corner),
    )
    return design_ground("d", "", [moved], side_slope, on, water(on))


def box(size: float, level: float, factor: float = 1.0) -> Zone:
    """Return a level pad in the middle of the site."""
    half = size / 2 * factor
    middle = 30.0 * factor
    shape = shapely.box(middle - half, middle - half, middle + half, middle + half)
    return pad("pad", shape, np.array([middle, middle]), level, 0.0, 0.0, factor)


def cell(on: SiteGround, east: float, north: float) -> tuple[int, int]:
    """Return row and column of a place in metres from the corner of the site."""
    x, y = on.frame.to_local((east, north))
    return int((on.local.north - y) / 0.25), int((x - on.local.west) / 0.25)


@pytest.mark.slow
def test_a_wall_round_a_level_pad_makes_a_prism() -> None:
    found = made(box(10.0, 101.0), 0.0, site())
    assert found.quantities.fill.value == pytest.approx(10 * 10 * 1.0, rel=1e-3)
    assert found.quantities.cut.value == 0.0
    assert found.quantities.fill_area.value == pytest.approx(100.0, rel=1e-3)
    assert found.quantities.net.value == pytest.approx(-100.0, rel=1e-3)


def test_a_prism_at_the_edge_of_the_ground_is_whole() -> None:
    # beside cells without a value there is ground up to the edge of those that have one
    whole = site()
    _, col = cell(whole, 25.1, 30.0)
    z = whole.surface.z.copy()
    z[:, :col] = np.nan
    found = made(box(10.0, 101.0), 0.0, replace(whole, surface=replace(whole.surface, z=z)))
    assert found.quantities.fill.value == pytest.approx(10 * 10 * 1.0, rel=1e-3)
    assert found.quantities.fill_area.value == pytest.approx(100.0, rel=1e-3)


@pytest.mark.slow
def test_what_is_carted_is_cut_less_fill_to_the_last_digit() -> None:
    found = made(box(20.0, 100 - 30 * 0.05), 0.0, site(0.05, runs=8)).quantities
    assert found.net.half_width > 0
    assert found.net.value == pytest.approx(found.cut.value - found.fill.value, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(("level", "kind"), [(102.0, "fill"), (98.5, "cut")])
def test_banks_make_a_frustum_with_round_corners(level: float, kind: str) -> None:
    # prism, four wedges and four quarters of a cone
    size, slope = 10.0, 2.0
    height = abs(level - 100)
    base = slope * height
    exact = size**2 * height + 4 * size * base * height / 2 + math.pi * base**2 * height / 3
    found = made(box(size, level), slope, site())
    assert getattr(found.quantities, kind).value == pytest.approx(exact, rel=0.003)
    footprint = shapely.union_all(found.daylight)
    assert footprint.length == pytest.approx(4 * size + 2 * math.pi * base, rel=0.01)
    assert found.cut_meets_fill == ()


@pytest.mark.slow
def test_lengths_are_those_of_the_ground_not_of_the_grid() -> None:
    found = made(box(10.0, 102.0, 0.99), 2.0, site(factor=0.99))
    exact = 100 * 2 + 4 * 10 * 4 * 2 / 2 + math.pi * 16 * 2 / 3
    assert found.quantities.fill.value == pytest.approx(exact, rel=0.004)


@pytest.mark.slow
def test_a_level_pad_on_a_slope_is_cut_and_filled_alike_and_meets_the_ground_between() -> None:
    # wedge: b h l / 2 to each side, h = fall * size / 2
    size, fall = 20.0, 0.05
    found = made(box(size, 100 - 30 * fall), 0.0, site(fall))
    wedge = size * (size / 2) * (fall * size / 2) / 2
    assert found.quantities.cut.value == pytest.approx(wedge, rel=0.02)
    assert found.quantities.fill.value == pytest.approx(wedge, rel=0.02)
    assert found.quantities.net.value == pytest.approx(0.0, abs=0.05 * wedge)
    (line,) = found.cut_meets_fill
    middle = site(fall).frame.to_local((30.0, 0.0))[0]
    assert shapely.get_coordinates(line)[:, 0] == pytest.approx(middle, abs=0.26)
    assert line.length == pytest.approx(size, abs=0.6)


@pytest.mark.slow
def test_a_pyramid_is_a_third_of_its_prism() -> None:
    ring = np.array([(25, 25, 100), (35, 25, 100), (35, 35, 100), (25, 35, 100), (25, 25, 100)])
    points = np.vstack([ring[:4], [(30, 30, 103)]]).astype(float)
    zone = facet_zone("heap", points, [ring.astype(float)], None, ())
    assert made(zone, 0.0, site()).quantities.fill.value == pytest.approx(100 * 3 / 3, rel=0.005)


@pytest.mark.slow
def test_the_prismoidal_formula_gives_a_ramp_between_two_widths() -> None:
    # L (A1 + 4 Am + A2) / 6 with trapezoidal sections, banks of one in one at both sides
    line = np.array([[20.0, 30.0, 101.0], [40.0, 30.0, 102.0]])
    found = made(strip("ramp", line, 4.0, 0.0, True, 1.0), 1.0, site())

    def section(h: float) -> float:
        return 4 * h + h * h

    body = 20 * (section(1) + 4 * section(1.5) + section(2)) / 6
    # at the two ends the bank goes on: a wedge and two quarters of a cone each
    ends = sum(4 * h * h / 2 + math.pi * h**3 / 6 for h in (1.0, 2.0))
    assert found.quantities.fill.value == pytest.approx(body + ends, rel=0.01)


@pytest.mark.slow
def test_a_crowned_road_drains_to_both_sides_and_a_tilted_one_to_its_right() -> None:
    line = np.array([[10.0, 30.0, 101.0], [50.0, 30.0, 101.0]])
    for crowned in (True, False):
        on = site()
        found = made(strip("road", line, 6.0, 0.04, crowned, 1.0), 2.0, on)
        left, right = (
            found.water.drainage.azimuth_deg[cell(on, 30.0, north)] for north in (31.5, 28.5)
        )
        assert right == 180.0
        assert left == (0.0 if crowned else 180.0)


@pytest.mark.slow
def test_a_plane_pad_drains_as_its_plane_says() -> None:
    shape = shapely.box(15, 15, 45, 45)
    zone = pad("yard", shape, np.array([15.0, 15.0]), 102.0, 0.02, math.radians(90), 1.0)
    on = site()
    found = made(zone, 2.0, on)
    (bottom, left), (top, right) = cell(on, 16.0, 16.0), cell(on, 44.0, 44.0)
    assert np.all(found.water.drainage.azimuth_deg[top:bottom, left:right] == 90.0)
    # every cell of a row drains east along it: the last one takes the whole row of the pad
    area = found.water.drainage.contributing_area
    assert area[cell(on, 44.9, 30.0)] == pytest.approx((45 - 15) * 0.25, rel=0.05)


@pytest.mark.slow
def test_a_pond_that_is_filled_is_gone_and_a_pit_makes_a_new_one() -> None:
    on = site()
    pit = made(box(10.0, 99.5), 2.0, on)
    assert [w.outcome for w in pit.waters if w.what == "pond"] == ["new"]
    volume = next(w for w in pit.waters if w.what == "pond").after
    assert volume is not None
    assert volume.value == pytest.approx(pit.quantities.cut.value, rel=0.05)
    hollow = replace(on, surface=replace(on.surface, z=pit.z))
    filled = made(box(14.0, 100.2), 2.0, hollow)
    assert [w.outcome for w in filled.waters if w.what == "pond"] == ["gone"]


@pytest.mark.slow
def test_intervals_follow_the_possible_grounds() -> None:
    found = made(box(10.0, 101.0), 0.0, site(runs=60))
    assert found.quantities.fill.low <= found.quantities.fill.value <= found.quantities.fill.high
    # marks a tenth of a millimetre good: the volume is known to a litre or so per square metre
    assert 0 < found.quantities.fill.half_width < 0.5


@pytest.mark.slow
def test_a_design_off_the_ground_is_refused_and_one_half_on_it_is_said() -> None:
    away = pad("pad", shapely.box(100, 100, 110, 110), np.zeros(2), 100.0, 0.0, 0.0, 1.0)
    with pytest.raises(InputError, match="lies where no ground was walked"):
        made(away, 2.0, site())
    half = pad("pad", shapely.box(55, 20, 65, 30), np.array([55.0, 20]), 101.0, 0.0, 0.0, 1.0)
    found = made(half, 2.0, site())
    assert found.covered == pytest.approx(0.5, abs=0.03)
    assert any("50 % of it lies where no ground" in f.text for f in found.findings)


def test_a_design_that_is_the_ground_moves_nothing() -> None:
    found = made(box(10.0, 100.0), 0.0, site()).quantities
    for one in (found.cut, found.fill, found.net, found.cut_area, found.fill_area):
        assert one.value == 0.0
        assert one.low <= 0.0 <= one.high
