"""The sheets of comparisons: vectors as long as said, labels apart, verdicts where they are."""

from __future__ import annotations

import itertools
import math
import re
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from geosite.analysis.as_built.compute import compare_design
from geosite.analysis.as_built.model import AsBuilt, Plan
from geosite.analysis.change.compare import compare
from geosite.analysis.change.model import Change, Epoch
from geosite.analysis.design_ground.requested import requested_zones
from geosite.analysis.design_ground.zones import Edge, Zone, moved
from geosite.base.estimate import Estimate
from geosite.drawing.font import typeface
from geosite.drawing.sheet import Sheet, Text
from geosite.fieldbook.read import read_survey
from geosite.handover.comparison.as_built_plan import as_built_sheet
from geosite.handover.comparison.change_plan import change_bands, change_sheet
from geosite.handover.comparison.sheet import key_length, survey_package
from geosite.handover.palette import VERDICTS
from geosite.handover.wording.measures import told
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.processes.epochs import read_epoch
from geosite.terrain.site_ground import site_ground

MINUS = "\N{MINUS SIGN}"
LANDING = Path(__file__).resolve().parents[2] / "sample_data" / "ferry_landing"

pytestmark = pytest.mark.slow


def test_a_key_is_as_long_as_it_is_said() -> None:
    length, drawn = key_length(20.0, 100.0, 1.0, 1.0)
    assert (length, drawn) == (pytest.approx(0.02), pytest.approx(4.0))
    length, drawn = key_length(10.0, 120.0, 1.0, 0.3048)  # feet: a round number of them
    assert length / 0.3048 == pytest.approx(0.2)
    assert drawn == pytest.approx(length * 1000 / 120 * 10)


def test_no_digit_more_than_is_known() -> None:
    assert told(Estimate(4.321, 1.2, 8.9)) == ("4", "1", "9")
    below = told(Estimate(-0.0312, -0.05, -0.01), sign=True)
    assert [text.replace(MINUS, "-") for text in below] == ["-0.031", "-0.050", "-0.010"]
    assert told(Estimate(0.5, 0.2, 0.8), 0.01) == ("50", "20", "80")
    assert told(Estimate(1.0, -math.inf, math.inf)) == ("1.00", "?", "?")


def texts(sheet: Sheet, group: str) -> list[Text]:
    found = next((g for g in sheet.groups if g.name == group), None)
    return [] if found is None else [item for item in found.items if isinstance(item, Text)]


def words(sheet: Sheet) -> str:
    return " ".join(item.text for item in texts(sheet, "words"))


def boxes(sheet: Sheet) -> list[tuple[str, shapely.Polygon]]:
    """Return the box of every writing on the map; lines of one label stand apart by their lead."""
    found = []
    for group in sheet.groups:
        if not (group.in_map and group.name.endswith("-text")):
            continue
        for item in texts(sheet, group.name):
            width = typeface(item.weight).width(item.text) * item.size
            x, y = item.x - width / 2, item.y - 0.72 * item.size
            found.append((item.text, shapely.box(x, y, x + width, y + 0.72 * item.size)))
    return found


def assert_apart(sheet: Sheet) -> None:
    written = boxes(sheet)
    assert len(written) > 10
    for (one, a), (other, b) in itertools.combinations(written, 2):
        assert shapely.intersection(a, b).area < 0.02, (one, other)
    window = sheet.window
    paper = shapely.box(window.x, window.y, window.right, window.bottom)
    assert all(paper.contains(box) for _, box in written)


def arrows(sheet: Sheet, layer: str) -> list[np.ndarray]:
    """Return both ends of each arrow of a layer, mm."""
    group = next(g for g in sheet.groups if g.name == layer)
    return [
        outline.pieces[0]
        for shape in group.items
        if not isinstance(shape, Text) and shape.stroke is not None
        for outline in shape.outlines
        if isinstance(outline.pieces[0], np.ndarray) and len(outline.pieces[0]) == 2
    ]


def times_of(sheet: Sheet) -> float:
    found = re.search(r"drawn ([\d.]+) times larger", words(sheet))
    assert found is not None
    return float(found[1])


def built(lift: float = 0.0, aside: float = 0.0) -> tuple[AsBuilt, Sheet]:
    """Compare the pad with its design, lifted and pushed to the east by metres."""
    notes = read_survey(LANDING / "as_built" / "site.toml")
    network = adjust(notes)
    drawing = draw(notes, network)
    laid = site_ground(notes, network, drawing)
    assert laid is not None
    first = read_survey(LANDING / "site.toml")
    base = adjust(first)
    zones = requested_zones(
        "boarding", first.site.designs["boarding"], first, base, draw(first, base)
    )
    away = network.frame.to_local(base.frame.to_map((0.0, 0.0))) + np.array([aside, 0.0])
    zones = tuple(lifted(moved(zone, away), lift) for zone in zones)
    edges = tuple(edge for zone in zones for edge in zone.edges)
    plan = Plan((), edges, zones)
    made = compare_design(notes, network, drawing, laid.ground, plan)
    package = survey_package(notes, network, drawing, made.findings)
    return made, as_built_sheet(made, plan, package, notes.site.handover)


def lifted(zone: Zone, lift: float) -> Zone:
    edges = tuple(Edge(e.name, e.places + np.array([0.0, 0.0, lift]), e.closed) for e in zone.edges)
    heights = zone.heights
    return replace(zone, edges=edges, heights=lambda places: heights(places) + lift)


@pytest.fixture(scope="module")
def as_designed() -> tuple[AsBuilt, Sheet]:
    return built()


def test_deviations_are_drawn_as_long_as_the_sheet_says(
    as_designed: tuple[AsBuilt, Sheet],
) -> None:
    made, sheet = as_designed
    drawn = sorted(float(np.hypot(*(end - start))) for start, end in arrows(sheet, "deviations"))
    factor = times_of(sheet) * 1000.0 / sheet.scale
    sizes = sorted(abs(d.plan.value) * factor for d in made.deviations if d.plan is not None)
    sizes = [size for size in sizes if size >= 0.3]  # a dot where there is no length to see
    assert drawn == pytest.approx(sizes, rel=1e-6)
    # the pad's east side was built to the east: those arrows point right, away from the design
    east = [e - s for s, e in arrows(sheet, "deviations") if s[0] > sheet.window.width * 0.6]
    assert len(east) >= 3
    assert all(way[0] > 0 for way in east[:3])


def test_labels_of_deviations_stand_apart_and_none_is_lost(
    as_designed: tuple[AsBuilt, Sheet],
) -> None:
    made, sheet = as_designed
    assert_apart(sheet)
    assert "left out" not in words(sheet)
    written = [text.text for text in texts(sheet, "deviations-text")]
    unsure = [d for d in made.deviations if d.plan_verdict == "undecided"]
    assert sum(text.startswith("plan ") and text.endswith(" ?") for text in written) == len(unsure)


def test_the_tables_of_the_sheet_are_those_of_the_comparison(
    as_designed: tuple[AsBuilt, Sheet],
) -> None:
    made, sheet = as_designed
    found = Counter(d.plan_verdict for d in made.deviations)
    row = f"pad, plan 0.12 m {found['within']} {found['undecided']} {found['beyond']}"
    assert row in words(sheet)
    (pad,) = made.surfaces
    total = sum(patch.area_m2 for patch in pad.patches)
    assert total == pytest.approx(pad.area_m2, rel=0.01)
    shapes = [patch.shape for patch in pad.patches]
    for one, other in itertools.combinations(shapes, 2):
        assert shapely.intersection(one, other).area == pytest.approx(0.0, abs=1e-6)


def outlined(sheet: Sheet, layer: str, fill: str) -> float:
    """Return the area of what is filled with a colour, mm2; rings in rings are holes."""
    group = next(g for g in sheet.groups if g.name == layer)
    rings = [
        shapely.Polygon(outline.pieces[0])  # type: ignore[arg-type]
        for shape in group.items
        if not isinstance(shape, Text) and shape.fill == fill
        for outline in shape.outlines
    ]
    found: shapely.Geometry = shapely.Polygon()
    for ring in rings:
        found = shapely.symmetric_difference(found, shapely.make_valid(ring))
    return float(found.area)


def assert_tinted(made: AsBuilt, sheet: Sheet) -> None:
    """Surfaces are tinted by their verdict over their whole size, and hatched unless within."""
    (pad,) = made.surfaces
    for verdict, tint in VERDICTS.items():
        area = sum(patch.area_m2 for patch in pad.patches if patch.verdict == verdict)
        on_paper = area * (1000.0 / sheet.scale) ** 2
        assert outlined(sheet, "verdict_areas", tint) == pytest.approx(on_paper, rel=0.01)
    group = next(g for g in sheet.groups if g.name == "verdict_areas")
    hatched = [shape for shape in group.items if not isinstance(shape, Text) and shape.stroke]
    assert bool(hatched) == ({patch.verdict for patch in pad.patches} != {"within"})


def test_surfaces_are_tinted_by_their_verdict(as_designed: tuple[AsBuilt, Sheet]) -> None:
    assert_tinted(*as_designed)


def test_all_of_the_design_that_was_compared_lies_on_the_map(
    as_designed: tuple[AsBuilt, Sheet],
) -> None:
    _, sheet = as_designed
    group = next(g for g in sheet.groups if g.name == "design")
    window = sheet.window
    corners = np.vstack(
        [
            np.asarray(outline.pieces[0])
            for shape in group.items
            if not isinstance(shape, Text)
            for outline in shape.outlines
        ]
    )
    assert len(corners) >= 4
    assert (corners >= (window.x, window.y)).all()
    assert (corners <= (window.right, window.bottom)).all()


def test_what_is_far_off_is_beyond_and_signed() -> None:
    made, sheet = built(lift=-0.5, aside=-0.6)
    (pad,) = made.surfaces
    assert {patch.verdict for patch in pad.patches} == {"beyond"}
    assert pad.patches[0].area_m2 == pytest.approx(pad.area_m2, rel=0.01)
    written = [text for text in texts(sheet, "deviations-text") if text.text.endswith(" !")]
    assert written
    assert all(text.weight == "bold" for text in written)
    assert any(text.text.startswith("+0.4") for text in written)
    assert "beyond the tolerance" in words(sheet)
    assert_apart(sheet)
    assert_tinted(made, sheet)


@pytest.fixture(scope="module")
def changed() -> tuple[Epoch, Epoch, Change, Sheet]:
    before = read_epoch(str(LANDING / "site.toml"))
    after = read_epoch(str(LANDING / "as_built" / "site.toml"))
    change = compare(before, after)
    packages = [
        survey_package(e.notes, e.network, e.drawing, change.findings) for e in (before, after)
    ]
    sheet = change_sheet(change, packages[0], packages[1], after.notes.site.handover)
    return before, after, change, sheet


def test_displacements_are_drawn_as_long_as_the_sheet_says(
    changed: tuple[Epoch, Epoch, Change, Sheet],
) -> None:
    _, _, change, sheet = changed
    factor = times_of(sheet) * 1000.0 / sheet.scale
    drawn = sorted(float(np.hypot(*(e - s))) for s, e in arrows(sheet, "displacements"))
    wanted = sorted(mark.horizontal.value * factor for mark in change.marks)
    assert drawn == pytest.approx([w for w in wanted if w >= 0.3], rel=1e-6)
    assert_apart(sheet)


def test_a_region_leaves_out_the_start_of_what_moved_alone(
    changed: tuple[Epoch, Epoch, Change, Sheet],
) -> None:
    """The 95 % region and the test of one mark are two ways to say the same."""
    _, _, change, sheet = changed
    group = next(g for g in sheet.groups if g.name == "ellipses")
    regions = [
        shapely.Polygon(outline.pieces[0])  # type: ignore[arg-type]
        for shape in group.items
        if not isinstance(shape, Text)
        for outline in shape.outlines
    ]
    assert len(regions) == len(change.marks)
    starts = [s for s, _ in arrows(sheet, "displacements")]
    outside = sum(not any(r.contains(shapely.Point(s)) for r in regions) for s in starts)
    assert outside == sum(mark.plan == "moved" for mark in change.marks) == 1


def test_the_volume_holds_the_truth_and_the_kerb_is_no_change(
    changed: tuple[Epoch, Epoch, Change, Sheet],
) -> None:
    """The kerb was not walked again: triangles across it must not pass for earthworks."""
    _, _, change, _ = changed
    sys.path[:0] = [str(LANDING.parent), str(LANDING)]
    try:
        from make_later_walks import built_ground, ground
    finally:
        del sys.path[:2]
    step = 0.1
    rise = [
        built_ground(e, n) - ground(e, n)
        for e in np.arange(15 + step / 2, 35, step)
        for n in np.arange(20 + step / 2, 34, step)
    ]
    truth = float(np.maximum(rise, 0.0).sum()) * step**2
    assert truth == pytest.approx(5.45, abs=0.1)
    found = change.ground
    assert found is not None
    assert found.raised.low < truth < found.raised.high
    assert found.lowered_m2 == 0.0
    assert found.unwalked_m2 > 100
    assert [f.code for f in change.findings if f.code == "ground-unwalked"]
    # the cells of the bands are the significant ones, and they lie round the pad
    drawn = change_bands(found)
    whole = shapely.union_all([band.shape for band in drawn])
    cells = found.significant.sum() * found.grid.cell_size**2
    assert whole.area == pytest.approx(cells)
    # but for a few: each cell is judged by itself, and of those unchanged some are named
    pad = shapely.Point(512_324, 5_276_128).buffer(8)
    assert whole.difference(pad).area < 0.05 * whole.area
    assert all(band.low >= 0 for band in drawn)


def test_what_fell_has_a_ramp_of_its_own(changed: tuple[Epoch, Epoch, Change, Sheet]) -> None:
    _, _, change, _ = changed
    ground = change.ground
    assert ground is not None
    fell = change_bands(replace(ground, rise=-ground.rise))
    assert [(b.low, b.high) for b in fell] == [(-b.high, -b.low) for b in change_bands(ground)]
    assert not {b.colour for b in fell} & {b.colour for b in change_bands(ground)}
    assert change_bands(replace(ground, significant=np.zeros_like(ground.significant))) == ()
