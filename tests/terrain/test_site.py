"""The ground of whole sites: what reaches the answers, and what is refused."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pytest
from quick_landing import draw_few

from geosite.fieldbook.read import read_survey
from geosite.handover.layers.everything import terrain_layers
from geosite.handover.layers.rasters import ground_rasters
from geosite.handover.report_json.make import ground_report
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.terrain.features import spans_area
from geosite.terrain.site import SLOPE_BREAKS_PERCENT, Terrain, model_terrain
from geosite.terrain.water.falls_from_buildings import slope_classes

Row = tuple[str, float, float, float, str, str]
"""Mark, local x, y and z, feature, code."""

SITE = """
[survey]
file = "book.csv"
[baseline]
from = "A"
to = "B"
[anchor]
crs = "{crs}"
vertical_crs = "{vertical}"
[anchor.marks.A]
easting = {east}
northing = {north}
elevation = {up}
[anchor.marks.B]
easting = {east_b}
northing = {north_b}
"""

GriddedMarks = Callable[..., tuple[Network, Terrain]]


@pytest.fixture
def gridded(tmp_path: Path) -> GriddedMarks:
    def lay(
        rows: Iterable[Row],
        more: str = "",
        *,
        crs: str = "EPSG:25832",
        vertical: str = "EPSG:7837",
        at: tuple[float, float, float] = (570000.0, 5930000.0, 431.7),
        turn_deg: float = 0.0,
        scale: float = 1.0,
    ) -> tuple[Network, Terrain]:
        """Lay the ground of one walk that starts at A (0, 0, 0) and ties B (40, 0, 0)."""
        book = ["run,point,x,y,z,feature,code"]
        ends: list[Row] = [("A", 0.0, 0.0, 0.0, "", ""), ("B", 40.0, 0.0, 0.0, "", "")]
        for name, x, y, z, feature, code in [*ends, *rows, ends[0]]:
            book.append(f"1,{name},{x!r},{y!r},{z!r},{feature},{code}")
        (tmp_path / "book.csv").write_text("\n".join(book) + "\n", encoding="utf-8")
        turn = np.radians(turn_deg)
        site = tmp_path / "site.toml"
        text = SITE.format(
            crs=crs,
            vertical=vertical,
            east=at[0],
            north=at[1],
            up=at[2],
            east_b=float(at[0] + 40.0 * scale * np.cos(turn)),
            north_b=float(at[1] + 40.0 * scale * np.sin(turn)),
        )
        site.write_text(text + textwrap.dedent(more), encoding="utf-8")
        if "[drainage]" not in more:
            draw_few(site)
        notes = read_survey(site)
        network = adjust(notes)
        terrain = model_terrain(notes, network, draw(notes, network))
        assert terrain is not None
        return network, terrain

    return lay


def lattice(height: Callable[[float, float], float], step: float = 5.0) -> list[Row]:
    """Return marks over 40 m by 30 m, walked to and fro; the baseline is on them."""
    rows: list[Row] = []
    for j, y in enumerate(np.arange(0.0, 30.1, step).tolist()):
        xs = np.arange(0.0, 40.1, step).tolist()
        way = xs if j % 2 == 0 else xs[::-1]
        rows += [("", x, y, height(x, y), "", "") for x in way if y or 0.0 < x < 40.0]
    return rows


@pytest.mark.parametrize("turn_deg", [0.0, 31.0])
def test_a_channel_takes_water_along_all_of_its_length(
    gridded: GriddedMarks, turn_deg: float
) -> None:
    # ground that falls north, a drain of two marks right across it at half its length
    marks = lattice(lambda x, y: -0.02 * y)
    marks += [("", x, 16.0, -0.32, "drain", "channel") for x in (0.0, 40.0)]
    more = """
    [codes.channel]
    geometry = "line"
    inlet = true
    """
    network, terrain = gridded(marks, more, turn_deg=turn_deg)
    (inlet,) = [c for c in terrain.water.catchments if c.catchment.kind == "inlet"]
    assert network.frame.ground_unit_m == pytest.approx(1.0, rel=1e-3)
    assert inlet.area_m2.low <= inlet.area_m2.value <= inlet.area_m2.high
    assert inlet.area_m2.value == pytest.approx(40.0 * 16.0, rel=0.06)


@pytest.mark.parametrize(
    ("unit", "of_percent"),
    [
        ("percent", lambda percent: percent),
        ("ratio", lambda percent: percent / 100.0),
        ("degree", lambda percent: np.degrees(np.arctan(percent / 100.0))),
    ],
)
def test_the_slope_is_in_the_unit_asked_for_and_says_so(
    gridded: GriddedMarks, tmp_path: Path, unit: str, of_percent: Callable[[float], float]
) -> None:
    network, terrain = gridded(
        lattice(lambda x, y: -0.3 * y), f'[surface]\nslope_unit = "{unit}"\n'
    )
    notes = read_survey(tmp_path / "site.toml")
    slope = next(r for r in ground_rasters(notes, network, terrain) if r.name == "slope")
    assert slope.unit == unit
    assert np.nanmedian(slope.values) == pytest.approx(of_percent(30.0), rel=1e-3)


def test_inlets_and_buildings_without_ground_are_told_at_their_row(
    gridded: GriddedMarks, tmp_path: Path
) -> None:
    marks = lattice(lambda x, y: -0.02 * y)
    marks += [
        ("", 12.0, 12.0, -0.24, "grate", "inlet"),
        ("", 12.0, 17.0, -0.34, "lost", "inlet"),
    ]
    walls = [(8.0, 14.0), (16.0, 14.0), (16.0, 20.0), (8.0, 20.0)]
    # no mark of the kiosk is on the ground, and it stands outside the others
    marks += [("", x, y, -0.02 * y, "shed", "house") for x, y in walls]
    marks += [("", x + 60.0, y, -0.02 * y, "kiosk", "hut") for x, y in walls]
    more = """
    [codes.inlet]
    geometry = "point"
    inlet = true
    [codes.house]
    building = true
    [codes.hut]
    building = true
    ground = false
    """
    _, terrain = gridded(marks, more, turn_deg=31.0)
    assert [one.fall.name for one in terrain.water.falls] == ["shed"]
    told = {f.code: f for f in terrain.findings}
    rows = (tmp_path / "book.csv").read_text(encoding="utf-8").splitlines()
    for code, name in (("inlet-no-ground", "lost"), ("fall-from-building-unknown", "kiosk")):
        assert name in told[code].text
        assert told[code].line is not None
        assert f",{name}," in rows[told[code].line - 1]
        assert sum(f.code == code for f in terrain.findings) == 1


@pytest.mark.slow
def test_what_is_above_the_ground_is_left_out_of_it(gridded: GriddedMarks) -> None:
    marks = lattice(lambda x, y: -0.02 * y)
    ring = [(18.0, 13.0), (23.0, 13.0), (23.0, 18.0), (18.0, 18.0)]
    marks += [("", x, y, 3.0, "heap", "pile") for x, y in ring]
    marks += [("", x, 8.0, 2.0, "coping", "wall_top") for x in (7.0, 12.0)]
    more = """
    [codes.pile]
    [codes.wall_top]
    geometry = "line"
    ground = false
    [surface]
    exclude = ["heap"]
    """
    _, terrain = gridded(marks, more)
    assert np.nanmax(terrain.elevation) < 431.7 + 1e-6
    _, with_heap = gridded(marks, more.replace('exclude = ["heap"]', ""))
    assert np.nanmax(with_heap.elevation) > 434.0


@pytest.mark.slow
def test_a_breakline_keeps_its_edge(gridded: GriddedMarks) -> None:
    # a dam whose crest was walked at its two ends, between dense marks on level ground
    marks = lattice(lambda x, y: 0.0)
    marks += [("", x, 12.6, 1.0, "crest", "crest") for x in (2.0, 38.0)]
    more = """
    [codes.crest]
    geometry = "line"
    breakline = {}
    """
    heights = []
    for word in ("true", "false"):
        _, terrain = gridded(marks, more.format(word), at=(570000.0, 5930000.0, 0.0))
        row = int((terrain.grid.north - 5930012.6) / terrain.grid.cell_size)
        col = int((570021.0 - terrain.grid.west) / terrain.grid.cell_size)
        heights.append(np.max(terrain.elevation[row - 1 : row + 2, col]))
    assert heights[0] > 0.8
    assert heights[1] < 0.1


@pytest.mark.slow
def test_areas_lengths_and_falls_are_those_of_the_ground(
    gridded: GriddedMarks, tmp_path: Path
) -> None:
    # a map whose lengths are nine tenths of those on the ground: no sum can hide which is told
    crs = "+proj=tmerc +lon_0=9 +k=0.9 +x_0=500000 +ellps=GRS80 +units=m +type=crs"
    at, factor = (500000.0, 5300000.0, 0.0), 0.9
    # ground 40 m by 30 m that falls 5 % north, with a hollow and a house of 8 m by 6 m
    marks = lattice(lambda x, y: -0.05 * y - 1.0 * ((x, y) == (30.0, 10.0)), step=2.5)
    corners = [(8.0, 14.0), (16.0, 14.0), (16.0, 20.0), (8.0, 20.0)]
    marks += [("", x, y, -0.05 * y, "shed", "house") for x, y in corners]
    more = """
    [codes.house]
    building = true
    [surface]
    cell_size = 0.1
    """
    network, terrain = gridded(marks, more, crs=crs, at=at, scale=factor)
    assert network.frame.combined_factor == pytest.approx(factor, rel=1e-5)
    bare = 40.0 * 30.0 - 8.0 * 6.0

    layers = {layer.name: layer.records for layer in terrain_layers(terrain, network)}
    assert sum(c["area_m2"] for c in layers["catchments"]) == pytest.approx(bare, rel=0.02)
    assert sum(c["area_m2"] for c in layers["outflows"]) == pytest.approx(bare, rel=0.02)
    (pond,) = layers["ponding"]
    notes = read_survey(tmp_path / "site.toml")
    made = {raster.name: raster for raster in ground_rasters(notes, network, terrain)}
    depth, area = made["ponding_depth"].values, made["contributing_area"].values
    cell_m2 = (0.1 / factor) ** 2
    assert pond["area_m2"] == pytest.approx((depth > 1e-4).sum() * cell_m2, rel=0.02)
    assert pond["volume_m3"] == pytest.approx(np.nansum(depth) * cell_m2)
    assert np.nanmin(area) == pytest.approx(cell_m2)
    assert pond["contributing_area_m2"] <= np.nanmax(area)
    assert max(a["contributing_area_m2"] for a in layers["drainage_arrows"]) == pytest.approx(
        np.nanmax(area)
    )
    (told,) = [f.text for f in terrain.findings if f.code == "pond"]
    # no digit more than the interval bears
    held = f"({pond['volume_low_m3']:.0f} to {pond['volume_high_m3']:.0f})"
    assert f"{pond['volume_m3']:.0f} m3 {held} on {pond['area_m2']:.0f} m2 (" in told
    (estimate,) = terrain.water.ponds
    east, north = terrain.local.centres()
    spill = [east[estimate.pond.spill_col], north[estimate.pond.spill_row]]
    apart = np.hypot(*(terrain.ground.tin.points[:, :2] - spill).T).min() / factor
    assert estimate.spill_apart_m == pytest.approx(apart)
    assert ("No mark is within" in told) == (apart >= 1.0)

    report = ground_report(terrain, (), network.frame)
    assert report.ponds[0].volume_m3 == pytest.approx(pond["volume_m3"])
    assert sum(c.area_m2 for c in report.catchments) == pytest.approx(bare, rel=0.02)
    (one,) = terrain.water.falls
    fall, worst = one.fall, one.worst_percent
    assert fall.wall_m == pytest.approx(2 * (8.0 + 6.0), rel=1e-4)
    # of a whole 3.048 m there are no two halves of a cell of 0.11 m missing at the wall
    assert fall.over_m == pytest.approx(3.048, abs=0.12)
    assert fall.worst_percent == pytest.approx(-5.0, abs=0.02)
    assert worst.sigma is not None
    assert 0 < worst.sigma < worst.half_width
    # the slope raster keeps to the grid and says so
    assert np.nanmedian(made["slope"].values) == pytest.approx(5.0 / factor, rel=0.01)
    assert "lengths on the map grid" in made["slope"].description
    assert "0.900000" in made["slope"].description


@pytest.mark.parametrize("turn_deg", [0.0, 31.0])
def test_hollows_shallower_than_a_tenth_of_a_millimetre_are_no_ponds(
    gridded: GriddedMarks, turn_deg: float
) -> None:
    depths = {(20.0, 15.0): 0.08, (10.0, 10.0): 5e-5, (30.0, 20.0): 1e-7}
    _, terrain = gridded(lattice(lambda x, y: -depths.get((x, y), 0.0)), turn_deg=turn_deg)
    water = terrain.water
    (one,) = water.ponds
    assert (water.drainage.ponding_depth > 0).sum() >= one.pond.cells
    assert one.depth_m.value == pytest.approx(0.08, abs=0.005)
    assert (water.pond > 0).sum() == one.pond.cells
    (pond,) = [f for f in terrain.findings if f.code.startswith("pond")]
    assert "76 mm (" in pond.text


def test_a_flow_path_without_a_start_is_told_at_its_line(gridded: GriddedMarks) -> None:
    marks = lattice(lambda x, y: -0.02 * y)
    marks += [("middle", 21.0, 11.0, -0.22, "", "")]
    marks += [("grate", 12.0, 12.0, -0.24, "sink", "inlet")]
    more = """
    [codes.inlet]
    geometry = "point"
    inlet = true
    [drainage]
    flow_paths_from = [
        "middle",
        "A",
        "sink",
    ]
    """
    _, terrain = gridded(marks, more, turn_deg=31.0)
    assert {path.start for path in terrain.water.paths} == {"middle"}
    told = [f for f in terrain.findings if f.code == "flow-path-no-start"]
    edge, sink = told
    assert edge.text.startswith("No flow path from A: it lies outside the ground")
    assert "further in" in edge.text
    assert sink.text.startswith("No flow path from sink: there the water is at its end")
    assert edge.file is not None
    lines = Path(edge.file).read_text(encoding="utf-8").splitlines()
    assert [lines[f.line - 1].strip() for f in told if f.line] == ['"A",', '"sink",']


FULL = """
[codes.house]
building = true
[codes.apron]
paved = true
[codes.inlet]
inlet = true
[codes.kerb]
geometry = "line"
barrier = true
[surface]
cell_size = {cell}
[drainage]
flow_paths_from = ["apron"]
confidence_runs = 2
"""


def box(west: float, south: float, east: float, north: float, name: str, code: str) -> list[Row]:
    corners = [(west, south), (east, south), (east, north), (west, north)]
    return [("", x, y, -0.02 * x - 0.01 * y, name, code) for x, y in corners]


def test_maps_in_feet_say_the_same_of_the_ground(gridded: GriddedMarks) -> None:
    foot = 0.3048
    marks = lattice(lambda x, y: -0.02 * x - 0.01 * y - 0.3 * (x == 25.0 and y == 20.0))
    marks += box(8, 12, 16, 18, "shed", "house") + box(20, 2, 33, 13, "apron", "apron")
    marks += box(34, 21, 36, 23, "grate", "inlet")
    marks += [("", 4.0, y, -0.08 - 0.01 * y, "stop", "kerb") for y in (3.0, 26.0)]
    utm = "+proj=utm +zone=32 +ellps=GRS80 +units={} +type=crs"
    # away from the edges of the cells, which rounding would otherwise move a cell over
    place = (570000.1, 5930000.1, 431.7)
    network, metric = gridded(marks, FULL.format(cell=1.0), crs=utm.format("m"), at=place)
    other, feet = gridded(
        marks,
        FULL.format(cell=1.0 / foot),
        crs=utm.format("ft"),
        vertical="EPSG:8228",
        at=(place[0] / foot, place[1] / foot, place[2] / foot),
        scale=1 / foot,
    )
    assert (other.frame.unit_m, other.frame.height_unit_m) == (foot, foot)
    shift = np.append(np.array(other.frame.origin) * foot - network.frame.origin, 0.0)
    assert other.en + shift[:2] == pytest.approx(network.en, abs=1e-5)
    assert feet.grid.shape == metric.grid.shape
    assert feet.ground.tin.points + shift == pytest.approx(metric.ground.tin.points, abs=1e-5)
    for one, same in (
        (feet.elevation, metric.elevation),
        (feet.sigma, metric.sigma),
        (feet.slope.steepness("percent"), metric.slope.steepness("percent")),
        (feet.water.drainage.ponding_depth, metric.water.drainage.ponding_depth),
    ):
        assert one == pytest.approx(same, abs=1e-4, nan_ok=True)
    assert feet.surface.noise is not None
    assert feet.surface.noise == pytest.approx(metric.surface.noise, rel=1e-3)
    for one, same in zip(feet.water.ponds, metric.water.ponds, strict=True):
        assert one.volume_m3.value == pytest.approx(same.volume_m3.value, rel=1e-3)
    assert feet.water.areas.tolist() == metric.water.areas.tolist()
    assert feet.classes.tolist() == metric.classes.tolist()
    assert metric.water.ponds
    assert metric.water.paths
    assert len(feet.water.ponds) == len(metric.water.ponds)
    assert len(feet.water.paths) == len(metric.water.paths)
    (fall,), (same_fall,) = feet.water.falls, metric.water.falls
    for name in ("worst_percent", "over_m", "wall_m", "short_m", "toward_m"):
        value, expected = getattr(fall.fall, name), getattr(same_fall.fall, name)
        assert value == pytest.approx(expected, abs=1e-3), name
    assert fall.worst_percent.sigma == pytest.approx(same_fall.worst_percent.sigma, rel=1e-3)
    known = [[one.paving.known_m2 for one in each.water.paving] for each in (feet, metric)]
    assert known[0] == pytest.approx(known[1])
    assert {f.code for f in feet.findings} == {f.code for f in metric.findings}


def test_of_very_many_hollows_fewer_grounds_are_drained_and_that_is_said(
    gridded: GriddedMarks, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geosite.terrain.site_water._MANY_PONDS", -1)
    monkeypatch.setattr("geosite.terrain.site_water._DRAWS_OF_MANY", 1)
    marks = lattice(lambda x, y: -0.02 * x - 0.01 * y)
    marks += box(8, 12, 16, 18, "shed", "house") + box(20, 2, 33, 13, "apron", "apron")
    marks += box(34, 21, 36, 23, "grate", "inlet")
    _, terrain = gridded(marks, FULL.format(cell=0.5))
    assert terrain.water.realised is not None
    assert (terrain.ground.draws, terrain.water.realised.draws) == (2, 1)
    (said,) = [f for f in terrain.findings if f.code == "fewer-possible-grounds"]
    assert "rest on 1 possible grounds, not 2: water stands in" in said.text


def test_buildings_walls_and_inlets_reach_the_water(gridded: GriddedMarks) -> None:
    marks = lattice(lambda x, y: -0.02 * x - 0.01 * y)
    marks += box(8, 12, 16, 18, "shed", "house") + box(20, 2, 33, 13, "apron", "apron")
    marks += box(34, 21, 36, 23, "grate", "inlet")
    _, terrain = gridded(marks, FULL.format(cell=0.5))
    assert len(terrain.rows) == len(marks) + 3  # all marks, and both ends of the baseline
    # a house of 8 m by 6 m, an inlet of 2 m by 2 m whose touched cells count
    assert terrain.buildings.sum() == 16 * 12
    assert np.isnan(terrain.elevation[terrain.buildings]).all()
    assert np.isnan(terrain.sigma[terrain.buildings]).all()
    assert np.isfinite(terrain.surface.z[terrain.buildings]).all()
    assert terrain.water.inlets == ("grate",)
    (catchment,) = [c.catchment for c in terrain.water.catchments if c.catchment.inlet == 1]
    assert catchment.cells > 25
    assert terrain.water.realised is not None
    assert terrain.water.realised.draws == 2
    dry = terrain.water.drainage.direction == 0
    assert dry.shape == terrain.grid.shape
    assert terrain.water.area_names == ("shed", "apron", "grate")
    assert terrain.classes.sum(axis=1).tolist()[1] == pytest.approx(26 * 22, abs=60)
    # 2.2 % everywhere: the class from 2 to 5 %
    assert terrain.classes.argmax(axis=1).tolist()[1:] == [2, 2]


@pytest.mark.slow
def test_what_is_not_on_the_ground_does_not_lift_it(gridded: GriddedMarks) -> None:
    marks = lattice(lambda x, y: 0.0)
    marks += [("", x, 14.0, 1.8, "wall", "wall_top") for x in (8.0, 16.0)]
    marks += [("", x, 22.0, 0.9, "bench", "furniture") for x in (8.0, 16.0)]
    more = """
    [codes.wall_top]
    geometry = "line"
    ground = false
    [codes.furniture]
    geometry = "line"
    [surface]
    exclude = ["bench"]
    """
    _, terrain = gridded(marks, more)
    assert len(terrain.rows) == len(marks) + 3 - 4
    assert np.nanmax(np.abs(terrain.elevation - 431.7)) < 1e-3
    _, terrain = gridded(marks, more.replace('"bench"', ""))
    assert len(terrain.rows) == len(marks) + 3 - 2
    assert np.nanmax(terrain.elevation - 431.7) > 0.5


def test_only_a_building_with_an_area_bars_the_way_however_thin(gridded: GriddedMarks) -> None:
    # ground that falls north; two buildings right across it, between the centres of the cells
    marks = lattice(lambda x, y: -0.02 * y)
    thin = [(6.0, 15.05), (19.0, 15.05), (19.0, 15.25), (6.0, 15.25)]
    marks += [("", x, y, -0.02 * y, "screen", "screen") for x, y in thin]
    marks += [("", x, 15.15, -0.303, "trace", "trace") for x in (23.0, 36.0)]
    more = """
    [codes.screen]
    building = true
    [codes.trace]
    building = true
    geometry = "line"
    [surface]
    cell_size = 1.0
    """
    _, terrain = gridded(marks, more, at=(570000.0, 5930000.0, 0.0))
    assert not terrain.buildings.any()
    north_of = int(terrain.grid.north - 5930015.5)
    passing = terrain.water.drainage.contributing_cells[north_of]
    col = {
        name: int(570000.0 + x - terrain.grid.west) for name, x in (("screen", 12), ("line", 30))
    }
    assert passing[col["screen"]] == 1
    assert passing[col["line"]] == 16


def test_the_innermost_area_is_on_top(gridded: GriddedMarks) -> None:
    marks = lattice(lambda x, y: 0.0)
    marks += box(24, 9, 26, 11, "bed", "lawn") + box(20, 5, 35, 25, "yard", "lawn")
    marks += box(5, 5, 9, 9, "plot", "lawn")
    more = "[codes.lawn]\n[surface]\ncell_size = 0.5\nexclude = ['bed', 'yard', 'plot']\n"
    _, terrain = gridded(marks, more)
    assert terrain.water.area_names == ("bed", "yard", "plot")
    count = np.bincount(terrain.water.areas.ravel())
    assert (count[1:] * 0.25).tolist() == [4.0, 15.0 * 20.0 - 4.0, 16.0]


@pytest.mark.slow
@pytest.mark.parametrize(("table", "spacing"), [("", 40.0 / 18.0), ("arrow_spacing = 5.0", 5.0)])
def test_eighteen_arrows_across_unless_their_spacing_is_given(
    gridded: GriddedMarks, table: str, spacing: float
) -> None:
    more = f"[surface]\ncell_size = 0.1\n[drainage]\nconfidence_runs = 4\n{table}\n"
    _, terrain = gridded(lattice(lambda x, y: -0.02 * y), more)
    along = np.unique(terrain.water.arrows.easting.round(3))
    assert np.median(np.diff(along)) == pytest.approx(spacing, abs=0.051)


def test_slope_classes_end_where_the_trade_draws_the_line() -> None:
    # a ramp of 1 in 12, and 1 in 8 and 1 in 5
    assert SLOPE_BREAKS_PERCENT[3:] == (round(100 / 12, 2), 100 / 8, 100 / 5)
    one_each = np.array([[0.9, 1.9, 4.0, 5.5, 9.0, 13.0, 20.5]])
    counts = slope_classes(one_each, np.ones((1, 7), int), 1, SLOPE_BREAKS_PERCENT)
    assert counts.tolist() == [[1] * 7]


@pytest.mark.parametrize("off", [0.0, 5e6])
def test_marks_thinner_than_a_millionth_of_their_length_span_no_area(off: float) -> None:
    thin = np.array([[0.0, 0.0], [1000.0, 0.0], [500.0, 0.0]]) + off
    for width, is_thin in ((0.0, True), (1.5e-3, True), (2.5e-3, False)):
        thin[2, 1] = off + width  # a triangle: half of length by width
        assert spans_area(thin) is not is_thin
    assert not spans_area(np.empty((0, 3)))


def test_a_mark_that_stands_out_is_told_by_its_name(gridded: GriddedMarks) -> None:
    marks = lattice(lambda x, y: 0.001 * ((x * 7 + y * 3) % 5))
    marks += [("peak", 22.0, 13.0, 2.0, "", "")]
    _, terrain = gridded(marks)
    (told,) = [f.text for f in terrain.findings if f.code == "outlier"]
    assert told.startswith("mark peak is ")
    assert " m above the plane through its neighbours" in told
