"""Corners of a design on its sheet: numbered once, told from the baseline, explained."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.drawing.sheet import Text
from geosite.handover.model import Layer, Package, Raster
from geosite.handover.plan.design import DESIGN_SHEET, design_block, designed_only
from geosite.handover.plan.design_points import design_points, points_block
from geosite.handover.plan.side_column import Column
from geosite.handover.wording.measures import Measures

FACTOR = 0.5  # so that ground and grid cannot be mistaken for each other
RING = shapely.LinearRing([(10, -3, 5.0), (14, -3, 5.0), (14, 1, 5.5), (10, 1, 5.5)])
AXIS = shapely.LineString([(10, -3, 5.0), (20, 40, 6.0)])


def layer(name: str, kind: str, records: list[dict[str, Any]], shapes: list[Any]) -> Layer:
    return Layer(name, name, "", kind, (), records, shapes)


def package(*meanings: str) -> Package:
    edges = [{"design": "d", "edge": "pad"}, {"design": "d", "edge": "axis"}, {"design": "other"}]
    far = shapely.LineString([(0, 0, 0), (1, 1, 1)])
    lines = [shapely.LineString([(9, -4, 5), (15, -4, 5)]) for _ in meanings]
    layers = (
        layer("design_edges", "LineStringZ", edges, [RING, AXIS, far]),
        layer(
            "design_lines", "LineStringZ", [{"design": "d", "meaning": m} for m in meanings], lines
        ),
        layer(
            "baseline",
            "LineStringZ",
            [{"from_point": "B1", "to_point": "B2"}],
            [shapely.LineString([(0, 0, 4.0), (30, 0, 4.0)])],
        ),
        layer("parcels", "MultiPolygon", [{"parcel": "12"}], [shapely.box(-50, -50, 50, 50)]),
    )
    ground = np.full((60, 60), 5.2)
    walked = Raster("elevation", "", "", ground, Grid(-20.0, 30.0, 1.0, 60, 60), "m")
    frame = Frame(combined_factor=FACTOR, grid_scale_factor=FACTOR)
    return Package("Yard", "", frame, layers, (walked,), designed={"d": ()})


def written(block: Any) -> list[str]:
    column = Column(0.0, 0.0, 72.0, 1.0)
    block(column, 40)
    return [item.text for item in column.items if isinstance(item, Text)]


def test_corners_are_numbered_once_and_told_from_the_baseline_on_the_ground() -> None:
    found = design_points(package(), "d")
    told = [(r["number"], r["along_m"], r["offset_m"], r["elevation"]) for r in found.records]
    # half a grid metre to the ground metre; 3 south of a line to the east is 6 to its right
    assert told[:3] == [(1, 20.0, 6.0, 5.0), (2, 28.0, 6.0, 5.0), (3, 28.0, -2.0, 5.5)]
    assert len(told) == 5  # four corners, and the far end of the axis that begins on the first
    rises = [r.get("rise_m") for r in found.records]
    assert rises[:4] == pytest.approx([-0.2, -0.2, 0.3, 0.3])
    assert rises[4] is None  # beyond the walked ground


def test_the_table_says_cut_and_fill_in_words() -> None:
    whole = package("daylight")
    sheet = designed_only(whole, whole, "d")
    block = points_block(sheet, Measures("m"))
    words = " ".join(written(block))
    assert "1 20.00 6.00 5.00 cut 0.20" in words
    assert "3 28.00 -2.00 5.50 fill 0.30" in words
    assert "From B1 to B2 on the ground, right +, m" in words
    assert points_block(whole, Measures("m")) is None
    assert {"parcels", "baseline", DESIGN_SHEET} <= {one.name for one in sheet.layers}


@pytest.mark.parametrize(
    ("meanings", "said", "unsaid"),
    [
        (("daylight",), "foot of its banks", "cut meets fill"),
        (("daylight", "cut meets fill"), "cut meets fill: it lies on the ground", "nothing"),
    ],
)
def test_each_line_that_is_drawn_is_explained(
    meanings: tuple[str, ...], said: str, unsaid: str
) -> None:
    whole = package(*meanings)
    words = " ".join(written(design_block(designed_only(whole, whole, "d"), Measures("m"))))
    assert "edge of the design" in words
    assert said in words
    assert unsaid not in words
