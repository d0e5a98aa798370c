"""What features do to the ground of a site, cell by cell, and what its points are called."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import msgspec
import network_cases
import numpy as np
import pytest
import shapely

from geosite.base.grid import Grid
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code, Drainage, Surface
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.terrain.features import GUTTER_M, GroundFeatures
from geosite.terrain.site import SLOPE_BREAKS_PERCENT, model_terrain
from geosite.terrain.site_ground import site_ground

GRID = Grid(0.0, 6.0, 1.0, 6, 8)
NORTH, SOUTH = (
    shapely.LineString([(0.2, 4.5), (7.8, 4.5)]),
    shapely.LineString([(0.2, 1.5), (7.8, 1.5)]),
)


def features(**codes: tuple[Code, Any]) -> GroundFeatures:
    """Return one feature per code, of its shape."""
    listed = [
        SimpleNamespace(
            name=f"{name}_1", code=name, kind="line" if "Line" in shape.geom_type else "area"
        )
        for name, (_, shape) in codes.items()
    ]
    drawing: Any = SimpleNamespace(features=listed)
    shapes = {f"{name}_1": shape for name, (_, shape) in codes.items()}
    return GroundFeatures(drawing, {name: code for name, (code, _) in codes.items()}, shapes)


def rows_of(relief: np.ndarray | None) -> list[float]:
    """Return the one height of each row of cells away from the ends."""
    assert relief is not None
    assert all(len(set(row[1:-1].tolist())) == 1 for row in relief)
    return [round(float(row[3]), 6) for row in relief]


@pytest.mark.parametrize(
    ("code", "heights"),
    [
        (Code(geometry="line", barrier=True, height_m=0.12), 0.12),
        (Code(geometry="line", gutter=True, height_m=0.05), -0.05),
        (Code(geometry="line", gutter=True), -GUTTER_M),
        # what is no barrier is no ridge, whatever its height
        (Code(geometry="line", height_m=0.12), None),
        # an endless one blocks, and one of no height leaves the ground as it was walked
        (Code(geometry="line", barrier=True), None),
        (Code(geometry="line", barrier=True, height_m=0.0), None),
    ],
)
def test_a_kerb_stands_on_its_cells_and_a_gutter_lowers_them(
    code: Code, heights: float | None
) -> None:
    relief = features(it=(code, NORTH)).relief(GRID)
    if heights is None:
        assert relief is None or not relief.any()
        return
    assert rows_of(relief) == [0, heights, 0, 0, 0, 0]
    assert GUTTER_M > 0


def test_the_higher_of_two_kerbs_stands_and_a_gutter_at_its_foot_keeps_it() -> None:
    low, high = (Code(geometry="line", barrier=True, height_m=h) for h in (0.1, 0.2))
    gutter = Code(geometry="line", gutter=True, height_m=0.03)
    for order in (("low", "high", "gutter"), ("gutter", "high", "low")):
        given = {"low": (low, NORTH), "high": (high, NORTH), "gutter": (gutter, NORTH)}
        assert rows_of(features(**{k: given[k] for k in order}).relief(GRID))[1] == 0.2
    both = features(kerb=(low, NORTH), gutter=(gutter, SOUTH)).relief(GRID)
    assert rows_of(both) == [0, 0.1, 0, 0, -0.03, 0]


@pytest.mark.parametrize(
    ("code", "blocks"),
    [
        (Code(geometry="line", barrier=True), True),
        (Code(geometry="line", barrier=True, height_m=0.1), False),
        (Code(geometry="line", barrier=True, height_m=0.0), False),
        (Code(geometry="line"), False),
    ],
)
def test_only_barriers_without_a_height_block_every_drop(code: Code, blocks: bool) -> None:
    walls = features(it=(code, NORTH)).walls(GRID)
    assert (walls is not None and bool(np.any(walls))) == blocks
    house = features(it=(Code(geometry="area", building=True), shapely.box(2, 2, 5, 4)))
    assert np.any(house.walls(GRID))
    assert house.buildings(GRID).sum() == 6


@pytest.mark.parametrize(
    ("code", "bends"),
    [
        (Code(geometry="line", breakline=True), True),
        (Code(geometry="line", barrier=True), True),
        (Code(geometry="line", gutter=True), True),
        (Code(geometry="line"), False),
        (Code(geometry="line", barrier=True, ground=False), False),
        (Code(geometry="line", breakline=True, ground=False), True),
    ],
)
def test_where_the_ground_bends_triangles_do_not_cross(code: Code, bends: bool) -> None:
    line = shapely.LineString([(0, 0, 1), (4, 0, 2)])
    found = features(it=(code, line)).breaklines()
    assert [edge.tolist() for edge in found] == ([[[0, 0, 1], [4, 0, 2]]] if bends else [])


def walked(cell: float = 0.5, runs: int = 8) -> Notes:
    """Walk a plane that falls 4 % to the east round a house, some positions without a name."""
    rows = [("R", "A", 0.0, 0.0, 10.0), ("R", "B", 12.0, 0.0, 9.52)]
    places = [(x, y) for x in (0, 4, 8, 12) for y in (4, 8, 12)]
    rows += [
        ("R", "" if k % 3 else f"M{k}", x, y, 10 - 0.04 * x) for k, (x, y) in enumerate(places)
    ]
    inside = [-1] * len(rows)
    for k, (x, y) in enumerate([(5.0, 5.0), (7.0, 5.0), (7.0, 7.0), (5.0, 7.0)]):
        rows.append(("R", f"H{k}", x, y, 10 - 0.04 * x))
        inside.append(0)
    book = network_cases.book(rows)
    number = np.array(inside)
    book = replace(book, features=("house",), feature=number, codes=("house",), code=number)
    marks = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 10.0},
        "B": {"easting": 12.0, "northing": 0.0},
    }
    found = network_cases.notes(book, marks, noise=(2e-3, 2e-3), limit=10)
    site = msgspec.structs.replace(
        found.site,
        codes={"house": Code(geometry="area", building=True)},
        drainage=Drainage(confidence_runs=runs, fall_distance=2.0),
        surface=Surface(cell_size=cell),
    )
    return replace(found, site=site)


def test_points_of_the_ground_are_called_by_mark_or_by_line() -> None:
    notes = walked()
    network = adjust(notes)
    found = site_ground(notes, network, draw(notes, network))
    assert found is not None
    book = notes.book
    told = dict(zip(found.rows.tolist(), found.names(), strict=True))
    # the first mark of the book is a mark like others
    assert told[0] == "A"
    for row, name in told.items():
        mark = int(book.mark[row])
        assert name == (book.marks[mark] if mark >= 0 else f"line {row + 2}")
    assert sum(name.startswith("line ") for name in told.values()) == 8
    # without an accuracy there are no possible grounds
    blind = replace(network, accuracy_known=False)
    none = site_ground(notes, blind, draw(notes, blind))
    assert none is not None
    assert none.ground.draws == 0
    assert found.ground.draws > 0
    asked = walked(runs=0)
    at_places = site_ground(asked, network, draw(asked, network))
    assert at_places is not None
    assert at_places.ground.draws > 0  # a number at a few places still has its interval


def test_the_fall_from_a_house_is_as_well_known_on_cells_of_any_size() -> None:
    told = []
    for cell in (0.25, 0.5):
        notes = walked(cell)
        network = adjust(notes)
        terrain = model_terrain(notes, network, draw(notes, network))
        assert terrain is not None
        (fall,) = terrain.water.falls
        told.append(fall.worst_percent)
    fine, coarse = told
    # to the west the ground rises 4 % away from the wall
    assert fine.value == pytest.approx(-4.0, abs=0.2)
    assert coarse.value == pytest.approx(fine.value, abs=0.2)
    assert fine.sigma is not None
    assert coarse.sigma == pytest.approx(fine.sigma, rel=0.35)


def test_slope_classes_are_those_of_the_trade() -> None:
    """Flat, drains, walk 1:20, ramp 1:12, steep 1:8, very steep 1:5: percent."""
    ratios = (1.0, 2.0, 100 / 20, 100 / 12, 100 / 8, 100 / 5)
    for told, wanted in zip(SLOPE_BREAKS_PERCENT, ratios, strict=True):
        assert told == pytest.approx(wanted, abs=0.005)
