"""Fifty sheets: no label stands on another, on an arrow or on a leader; hardly any on a line."""

from __future__ import annotations

import math
import random
from functools import cache
from itertools import product

import numpy as np
import package_cases
import pytest
import shapely
from built_samples import notes_of, package_of

from geosite.drawing.font import typeface
from geosite.drawing.sheet import Arc, Sheet, Text
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package
from geosite.handover.plan.layout import SHEETS
from geosite.handover.plan.sheet import draw_plan
from geosite.handover.plan.symbols import hatch, hatch_each, rounded, rounded_each


def corners(text: Text) -> shapely.Polygon:
    """The box of a text: its width, from the baseline to the height of its capitals."""
    width = typeface(text.weight).width(text.text) * text.size
    turn = math.radians(text.angle)
    right = np.array([math.cos(turn), -math.sin(turn)])
    up = np.array([-math.sin(turn), -math.cos(turn)])
    back = {"start": 0.0, "middle": width / 2, "end": width}[text.anchor]
    start = np.array([text.x, text.y]) - back * right
    high = up * 0.72 * text.size
    return shapely.Polygon(
        [start, start + right * width, start + right * width + high, start + high]
    )


def labels(sheet: Sheet) -> list[Text]:
    return [
        t for g in sheet.groups if g.name.endswith("-text") for t in g.items if isinstance(t, Text)
    ]


def darts(sheet: Sheet) -> list[shapely.Polygon]:
    group = next(g for g in sheet.groups if g.name == "drainage_arrows")
    return [
        shapely.Polygon(piece)
        for item in group.items
        if not isinstance(item, Text)
        for outline in item.outlines
        for piece in outline.pieces
        if isinstance(piece, np.ndarray)
    ]


#: Linework that a label keeps off; contours carry their own numbers.
LINEWORK = ("parcels", "outlines", "lines", "flow_paths", "sections", "grades", "baseline")


def strokes(sheet: Sheet, names: tuple[str, ...]) -> list[shapely.LineString]:
    """The lines drawn in some groups of a sheet."""
    found = []
    for group in sheet.groups:
        drawn = [i for i in group.items if not isinstance(i, Text) and i.stroke is not None]
        for item in drawn if group.name in names else []:
            for piece in (p for outline in item.outlines for p in outline.pieces):
                if isinstance(piece, Arc):
                    t = piece.start + piece.sweep * np.linspace(0.0, 1.0, 60)
                    ring = np.column_stack([np.cos(t), np.sin(t)]) * piece.radius
                    found.append(shapely.LineString(ring + np.array(piece.centre)))
                elif len(piece) > 1:
                    found.append(shapely.LineString(piece))
    return found


def covering(boxes: list[shapely.Polygon], lines: list[shapely.LineString]) -> set[int]:
    """Which boxes lie on a line, by more than a tenth of a millimetre."""
    if not lines:
        return set()
    smaller = [box.buffer(-0.1) for box in boxes]
    return set(shapely.STRtree(lines).query(smaller, predicate="intersects")[0].tolist())


def thinned(package: Package, seed: int) -> Package:
    """The invented landing with some of its marks, features and arrows taken away by chance."""
    import dataclasses

    choose = random.Random(seed)
    layers = []
    for layer in package.layers:
        kept = [i for i in range(len(layer.records)) if choose.random() < 0.4 + 0.06 * (seed % 10)]
        layers.append(
            dataclasses.replace(
                layer,
                records=[layer.records[i] for i in kept],
                geometries=[layer.geometries[i] for i in kept],
            )
        )
    return dataclasses.replace(package, layers=tuple(layers))


@cache
def one_of_fifty(sheet: str, seed: int) -> Sheet:
    """A landing of which chance has left some, on a sheet."""
    package = thinned(package_cases.ferry_landing(), 5 * list(SHEETS).index(sheet) + seed)
    return draw_plan(package, Handover(sheet=sheet, unit="ft" if seed % 2 else "m"))  # type: ignore[arg-type]


@pytest.mark.slow
def test_hardly_a_label_stands_on_a_line() -> None:
    # on the smallest sheets there is not always a place off every line, not even with a leader
    count = standing = led = 0
    for sheet, seed in product(SHEETS, range(5)):
        drawn = one_of_fifty(sheet, seed)
        boxes = [corners(t) for t in labels(drawn)]
        count += len(boxes)
        standing += len(covering(boxes, strokes(drawn, LINEWORK)))
        led += len(strokes(drawn, ("leaders",)))
    assert count > 5_000
    assert led > 100
    assert standing <= 0.01 * count


@pytest.mark.slow
@pytest.mark.parametrize(("sheet", "seed"), list(product(SHEETS, range(5))))
def test_no_label_stands_on_another_or_on_an_arrow(sheet: str, seed: int) -> None:
    drawn = one_of_fifty(sheet, seed)
    texts = labels(drawn)
    boxes = [corners(t) for t in texts]
    tree = shapely.STRtree(boxes)
    first, second = tree.query(boxes, predicate="intersects")
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        if a < b:
            assert boxes[a].intersection(boxes[b]).area < 0.05, (texts[a].text, texts[b].text)
    arrows = darts(drawn)
    if arrows:
        label, arrow = shapely.STRtree(arrows).query(boxes, predicate="intersects")
        for a, b in zip(label.tolist(), arrow.tolist(), strict=True):
            assert boxes[a].intersection(arrows[b]).area < 0.05, texts[a].text
    assert not covering(boxes, strokes(drawn, ("leaders",)))


@pytest.mark.slow
@pytest.mark.parametrize("sample", ["ferry_landing", "jetty_feet", "davis_spot_heights"])
def test_no_label_of_a_sample_stands_on_a_line(sample: str) -> None:
    drawn = draw_plan(package_of(sample), notes_of(sample).site.handover)
    texts = labels(drawn)
    boxes = [corners(t) for t in texts]
    lines = strokes(drawn, (*LINEWORK, "leaders", "parcel_clearances"))
    assert len(boxes) > 50
    assert [texts[i].text for i in covering(boxes, lines)] == []


def test_a_pond_of_cells_is_drawn_round_and_stays_where_it_is() -> None:
    cell = 2.0
    row, col = np.mgrid[0:30, 0:30]
    inside = np.hypot(row - 15, col - 14) < 11
    cells = [shapely.box(c * cell, r * cell, (c + 1) * cell, (r + 1) * cell) for r, c in
             zip(*np.nonzero(inside), strict=True)]  # fmt: skip
    pond = shapely.union_all(cells)
    drawn = rounded(shapely.get_coordinates(pond.exterior), cell)
    smooth = shapely.Polygon(drawn)
    assert smooth.is_valid
    assert smooth.hausdorff_distance(pond) <= cell
    assert smooth.area == pytest.approx(pond.area, rel=0.02)
    steps = np.diff(drawn, axis=0)
    turn = np.abs(np.angle(np.exp(1j * np.diff(np.arctan2(steps[:, 1], steps[:, 0])))))
    assert np.degrees(turn).max() < 30  # the stairs turned by 90


@pytest.mark.parametrize("ring", [np.zeros((0, 2)), np.zeros((3, 2)), np.eye(3)[:, :2]])
def test_what_is_too_small_to_be_rounded_stays(ring: np.ndarray) -> None:
    assert rounded(ring, 1.0) is ring


def stair_rings(count: int) -> list[np.ndarray]:
    """Return outlines of cells, among them some that are too small to be rounded."""
    rng = np.random.default_rng(7)
    rings = [np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 0.0)])]
    while len(rings) < count:
        cells = rng.random((6, 6)) < 0.55
        places = np.argwhere(cells) + 10.0 * len(rings)
        whole = shapely.union_all(shapely.box(*places.T, *(places + 1).T))
        rings += [shapely.get_coordinates(ring) for ring in shapely.get_rings(whole)]
    # and a sliver
    return [*rings, np.array([(0, 0), (9, 0), (9, 0.1), (0, 0.1), (0, 0)])]


@pytest.mark.parametrize("cell", [0.0, 0.05, 0.4, 1.0])
def test_outlines_rounded_together_are_those_rounded_one_by_one(cell: float) -> None:
    rings = stair_rings(40)
    together = rounded_each(rings, cell)
    assert len(together) == len(rings)
    for ring, smooth in zip(rings, together, strict=True):
        assert np.array_equal(smooth, rounded(ring, cell))
        # corners are cut within the outline's box, by less than a cell
        assert (smooth.min(axis=0) >= ring.min(axis=0) - 1e-9).all()
        assert (smooth.max(axis=0) <= ring.max(axis=0) + 1e-9).all()
    assert rounded_each([], cell) == []


@pytest.mark.parametrize("angle", [0.0, 45.0])
def test_hatches_drawn_together_are_those_drawn_one_by_one(angle: float) -> None:
    shapes = [shapely.Polygon(), shapely.box(0, 0, 1e5, 1e5)]
    shapes += [shapely.Polygon(ring) for ring in stair_rings(30)[1:-1]]
    together = hatch_each(shapes, 0.7, angle)
    lines = [[one.pieces[0].tolist() for one in found] for found in together]
    assert lines == [[o.pieces[0].tolist() for o in hatch(s, 0.7, angle)] for s in shapes]
    assert lines[:2] == [[], []]  # nothing to fill; more lines than anybody draws
    for shape, found in zip(shapes[2:], together[2:], strict=True):
        # an area is about the length of its lines times what is between them
        length = sum(shapely.LineString(one.pieces[0]).length for one in found)
        assert abs(length * 0.7 - shape.area) < 0.7 * shape.length
