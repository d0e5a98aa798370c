"""What nobody could read on a sheet is left out of it, which is said there; files have all."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import package_cases
import pytest
import shapely

from geosite.drawing.document import Figure
from geosite.drawing.sheet import Rectangle, Shape, Sheet
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.residuals import residual_blocks
from geosite.handover.model import Layer, Package, Table
from geosite.handover.plan.layout import View
from geosite.handover.plan.sheet import draw_plan
from geosite.handover.plan.thinned import readable_contours
from geosite.handover.small_pond_parts import without_specks
from geosite.handover.wording.measures import Measures


def with_layer(
    package: Package, name: str, records: list[dict[str, object]], shapes: object
) -> Package:
    (layer,) = (one for one in package.layers if one.name == name)
    changed = replace(layer, records=records, geometries=list(shapes))  # type: ignore[call-overload]
    return replace(
        package, layers=tuple(changed if one is layer else one for one in package.layers)
    )


def layer(package: Package, name: str) -> Layer:
    return next(one for one in package.layers if one.name == name)


def words(sheet: Sheet) -> str:
    said = next(group for group in sheet.groups if group.name == "words")
    return " ".join(getattr(item, "text", "") for item in said.items)


def drawn(sheet: Sheet, name: str) -> int:
    """Return how many outlines a group has."""
    groups = [group for group in sheet.groups if group.name == name]
    return sum(
        len(list(item.outlines))
        for group in groups
        for item in group.items
        if isinstance(item, Shape)
    )


def contoured() -> Package:
    """Return a site of 101 contours, 100 m long and a metre apart, every fifth an index contour."""
    north = np.arange(101)
    lines = [shapely.LineString([(0, n, 400), (100, n, 400)]) for n in north.tolist()]
    records = [{"elevation": 400.0 + n, "is_index": int(n % 5 == 0)} for n in north.tolist()]
    return with_layer(package_cases.ferry_landing(), "contours", records, lines)


@pytest.mark.parametrize(
    ("scale", "left_out"),
    # the 101 lines are 1000 / scale mm apart, the 21 index contours five times as much
    [(900.0, 0), (1100.0, 80), (4700.0, 80), (4900.0, 101)],
)
def test_contours_that_run_into_each_other(scale: float, left_out: int) -> None:
    package = contoured()
    view = View(package.frame, (50.0, 50.0), scale, Rectangle(0, 0, 300, 300))
    thinned, count = readable_contours(package, view)
    assert count == left_out
    kept = layer(thinned, "contours")
    assert len(kept.records) == len(kept.geometries) == 101 - left_out
    assert (thinned is package) == (left_out == 0)
    if left_out == 80:
        assert all(record["is_index"] for record in kept.records)


def hollows(count: int, side: float, apart: float) -> Package:
    """Return a site with so many square ponds in rows of 50, later ones a little larger."""
    package = package_cases.ferry_landing()
    ponds = layer(package, "ponding")
    west, south, _, _ = ponds.geometries[0].bounds
    row, col = np.divmod(np.arange(count), 50)
    x, y = west + apart * col, south + apart * row
    larger = side * (1 + 1e-4 * np.arange(count))
    records = [{**ponds.records[0], "pond": k, "is_significant": 1} for k in range(count)]
    return with_layer(package, "ponding", records, shapely.box(x, y, x + larger, y + larger))


def test_of_many_small_ponds_the_largest_of_each_square_is_kept() -> None:
    package = hollows(1500, 0.01, 0.1)
    thinned, count = without_specks(package, 1.0, 0.5)
    kept = [shape for shape in layer(thinned, "ponding").geometries if not shape.is_empty]
    assert count == 1500 - len(kept)
    assert 60 <= len(kept) <= 77  # 50 x 30 over squares of 5 x 5, cut off or not
    middles = shapely.get_coordinates(shapely.centroid(kept))
    assert len(np.unique(np.floor(middles / 0.5), axis=0)) == len(kept)
    # nothing larger shares a square with what is kept
    every = np.array(layer(package, "ponding").geometries)
    squares = np.floor(shapely.get_coordinates(shapely.centroid(every)) / 0.5)
    for shape, square in zip(kept, np.floor(middles / 0.5), strict=True):
        beside = every[(squares == square).all(axis=1)]
        assert shape.area == pytest.approx(shapely.area(beside).max())


def test_ponds_of_a_readable_size_and_a_thousand_are_all_kept() -> None:
    for package in (hollows(1500, 0.05, 0.1), hollows(900, 0.01, 0.1)):
        assert without_specks(package, 0.02**2, 0.5) == (package, 0)


def test_a_sheet_says_what_it_leaves_out_and_counts_all_ponds() -> None:
    package = hollows(1500, 0.005, 0.1)
    sheet = draw_plan(package, Handover())
    assert drawn(sheet, "ponding") < 700
    said = words(sheet)
    assert "parts of ponds too small to be read are left out" in said
    assert "the largest is drawn" in said
    assert "1500 places" in said


def test_what_many_ponds_hold_together_is_not_lost_with_the_digits_of_each() -> None:
    package = hollows(1500, 0.05, 0.1)
    of_each = {"volume_m3": 0.14, "volume_low_m3": 0.03, "volume_high_m3": 12.07}
    ponds = layer(package, "ponding")
    records = [{**record, **of_each} for record in ponds.records]
    said = words(draw_plan(with_layer(package, "ponding", records, ponds.geometries), Handover()))
    assert re.search(r"210 m³\s+together they hold|together they hold\s+210 m³", said)


@pytest.mark.parametrize(("count", "most"), [(9_000, 9_000), (90_000, 10_000)])
def test_places_without_a_name_are_spread_where_they_cover_the_map(count: int, most: int) -> None:
    package = package_cases.ferry_landing()
    points = layer(package, "points")
    west, south, east, north = shapely.total_bounds(points.geometries).tolist()
    draw = np.random.default_rng(1)
    e, n = draw.uniform(west, east, count), draw.uniform(south, north, count)
    unnamed = {**points.records[0], "point": None, "feature": None, "code": None}
    records = [*points.records, *[unnamed] * count]
    shapes = [*points.geometries, *shapely.points(e, n, np.full(count, 400.0))]
    before, sheet = (
        draw_plan(one, Handover())
        for one in (package, with_layer(package, "points", records, shapes))
    )
    dots = drawn(sheet, "points") - drawn(before, "points")
    assert 1_000 < dots <= most
    assert f"{count - dots} places without a name too near to others" in words(sheet)
    assert "without a name" not in words(before)


def steps(values: list[float]) -> tuple[np.ndarray, Rectangle]:
    """Return the line of the residuals eastwards of so many legs of a metre, and where it is."""
    leg: dict[str, object] = {
        "kind": "leg",
        "run": "R1",
        "from_point": "",
        "to_point": "",
        "from_row": 2,
        "row": 3,
    }
    leg |= {"length_m": 1.0, "east_m": 0.0, "north_m": 0.0, "up_m": 0.0}
    leg |= dict.fromkeys(("east_sigma_m", "north_sigma_m", "up_sigma_m"), 0.0)
    leg |= {"north_standardised": None, "up_standardised": None}
    records = [{**leg, "east_standardised": value} for value in values]
    walked = Table("residuals", "Residuals", (), records)
    package = package_cases.ferry_landing()
    blocks = residual_blocks(replace(package, tables=(walked,)), Measures("m"))
    (figure,) = (block for block in blocks if isinstance(block, Figure))
    shapes = [item for item in figure.draw(Rectangle(0, 0, 180, 62)) if isinstance(item, Shape)]
    lines = [piece for shape in shapes for line in shape.outlines for piece in line.pieces]
    longest = max((line for line in lines if isinstance(line, np.ndarray)), key=len)
    return longest, Rectangle(9.0, 8.0, 170.0, 47.0)


@pytest.mark.slow
def test_steps_of_a_long_walk_are_drawn_as_wide_as_a_pen_shows() -> None:
    values = np.random.default_rng(2).normal(size=100_000)
    places, box = steps(values.tolist())
    widths = np.floor(places[:, 0] / 0.05)
    assert 5_000 < len(places) <= 4 * len(np.unique(widths)) <= 4 * 3402
    assert (np.diff(places[:, 0]) >= 0).all()
    # nothing that stands out is lost
    level = box.y + box.height / 2 - np.clip(values, -5, 5) * box.height / 2 / 5.4
    every = np.floor((box.x + np.arange(len(values)) / len(values) * box.width) / 0.05)
    for width in np.unique(every)[::97]:
        there = level[every == width]
        seen = places[widths == width, 1]
        assert seen.min() <= there.min() + 1e-9
        assert seen.max() >= there.max() - 1e-9


def test_steps_that_can_be_told_apart_are_all_drawn() -> None:
    places, box = steps([1.0, -2.0, 0.5, 0.25])
    at = (places[:, 0] - box.x) / box.width * 4
    level = (box.y + box.height / 2 - places[:, 1]) / (box.height / 2 / 5.4)
    assert at.tolist() == pytest.approx([0, 1, 1, 2, 2, 3, 3, 4])
    assert level.tolist() == pytest.approx([1, 1, -2, -2, 0.5, 0.5, 0.25, 0.25])
