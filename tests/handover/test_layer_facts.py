"""Sections, contours, water and residuals as records, from facts given by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely

from geosite.analysis.sections import Profile
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.formats.record_columns import json_texts, numbers, of_each
from geosite.handover.layers import catchments, contours, drainage_arrows, sections
from geosite.handover.layers.residuals import sharing_a_misclosure
from geosite.handover.layers.shapes import common_type, whole_polygons
from geosite.terrain.contour import Contour
from geosite.terrain.water.flow import Arrows, Catchment
from geosite.terrain.water.water_estimates import CatchmentEstimate

FEET = Frame(
    unit_m=0.3048, unit_name="foot", height_unit_m=0.3048, height_unit_name="foot",
    origin=(1000.0, 2000.0), combined_factor=0.5,
)  # fmt: skip


def even(value: float, sigma: float) -> Estimate:
    return Estimate.normal(value, sigma, 2.0)


def profile(design: list[float] | None) -> Profile:
    return Profile(
        "cut",
        ("A", "", "B"),
        np.array([0.0, 4.0, 10.0]),
        np.array([[0.0, 0.0], [3.048, 0.0], [6.096, 0.0]]),
        even(10.0, 0.1),
        (even(6.096, 0.02), Estimate(3.048, -math.inf, math.inf), even(9.144, 0.03)),
        (even(-0.0762, 0.01), even(0.05, 0.01)),
        Estimate(6.1, 6.0, 6.4),
        Estimate(3.0, 2.9, 3.3),
        None if design is None else np.array(design),
    )


def test_a_section_has_its_steepest_grade_and_its_worst_height() -> None:
    made = sections.layer([profile(None)], FEET)
    (record,) = made.records
    assert record["steepest_percent"] == pytest.approx(7.62)
    assert record["largest_sigma_m"] == 0.03
    assert (record["length_m"], record["length_95_m"]) == pytest.approx((10.0, 0.2))
    assert (record["rise_m"], record["rise_low_m"], record["fall_high_m"]) == (6.1, 6.0, 3.3)
    # places and heights in feet
    assert shapely.get_coordinates(made.geometries[0], include_z=True) == pytest.approx(
        np.array([[1000.0, 2000.0, 20.0], [1010.0, 2000.0, 10.0], [1020.0, 2000.0, 30.0]])
    )


def test_stations_have_the_grade_to_the_next_and_what_is_cut_above_the_design() -> None:
    first, second, last = sections.stations([profile([6.0, 4.0, 9.144])]).records
    assert [r["point"] for r in (first, second, last)] == ["A", None, "B"]
    assert [r["chainage_m"] for r in (first, second, last)] == [0.0, 4.0, 10.0]
    assert [r["grade_percent"] for r in (first, second)] == pytest.approx([-7.62, 5.0])
    assert first["grade_95_percent"] == pytest.approx(2.0)
    assert last["grade_percent"] is last["grade_95_percent"] is None
    assert first["cut_m"] == pytest.approx(0.096)
    assert (first["cut_sigma_m"], first["cut_95_m"]) == pytest.approx((0.02, 0.04))
    assert second["cut_m"] == pytest.approx(-0.952)
    assert second["cut_95_m"] is None
    assert (last["design_m"], last["cut_m"]) == (9.144, 0.0)
    without, *_ = sections.stations([profile(None)]).records
    assert without["design_m"] is without["cut_m"] is None
    assert without["elevation_m"] == 6.096


def test_contours_lie_on_the_map_at_their_height() -> None:
    line = np.array([[0.0, 0.0], [3.048, 6.096]])
    found = contours.layer((Contour(20.0, True, line), Contour(21.0, False, line, False)), FEET)
    assert [(r["elevation"], r["is_index"], r["measured"]) for r in found.records] == [
        (20.0, 1, 1), (21.0, 0, 0),
    ]  # fmt: skip
    assert shapely.get_coordinates(found.geometries[1], include_z=True) == pytest.approx(
        np.array([[1000.0, 2000.0, 21.0], [1010.0, 2020.0, 21.0]])
    )


@pytest.mark.parametrize(("measured", "told"), [(None, [1, 1]), ([True, False], [1, 0])])
def test_arrows_tell_the_ground_behind_them(measured: list[bool] | None, told: list[int]) -> None:
    two = np.array([0.0, 3.048])
    arrows = Arrows(
        two, 2 * two, two + 90.0, np.array([0.5, 1.0]), two + 2.0, two + 8.0,
        None if measured is None else np.array(measured),
    )  # fmt: skip
    found = drainage_arrows.layer(arrows, FEET)
    assert [r["measured"] for r in found.records] == told
    # 8 square metres of the map are 32 on the ground
    assert [r["contributing_area_m2"] for r in found.records] == pytest.approx([32.0, 44.192])
    assert [r["azimuth_deg"] for r in found.records] == [90.0, 93.048]
    assert [(p.x, p.y) for p in found.geometries] == [(1000.0, 2000.0), (1010.0, 2020.0)]


def test_a_catchment_names_its_inlet_and_an_outflow_lies_in_its_cell() -> None:
    about = Estimate(9.0, 8.0, 10.0)
    by_inlet = CatchmentEstimate(Catchment(1, "inlet", 2, 0, 3, 40, 30), about, about)
    over_edge = CatchmentEstimate(Catchment(2, "edge", 0, 4, 0, 10, 5), about, about)
    both = (by_inlet, over_edge)
    boxes = [shapely.box(0, 0, 1, 1)] * 2
    made = catchments.layer(both, boxes, ("G1", "G2"))
    assert [(r["leaves_by"], r["inlet"]) for r in made.records] == [
        ("inlet", "G2"), ("edge", None),
    ]  # fmt: skip
    leaves = catchments.outflows(both, Grid(100.0, 50.0, 2.0, 5, 8), ("G1", "G2"))
    assert [(p.x, p.y) for p in leaves.geometries] == [(107.0, 49.0), (101.0, 41.0)]
    assert (leaves.records[0]["peak_area_m2"], leaves.records[0]["peak_area_low_m2"]) == (9.0, 8.0)


def test_a_layer_is_of_the_multi_type_once_one_feature_has_parts() -> None:
    one, other = shapely.box(0, 0, 1, 1), shapely.box(4, 0, 5, 1)
    two = shapely.MultiPolygon([one, other])
    assert whole_polygons([one, other]) == ("Polygon", [one, other])
    kind, shapes = whole_polygons([other, two, shapely.MultiPolygon(), one])
    assert kind == "MultiPolygon"
    assert [shape.area for shape in shapes] == [1.0, 2.0, 0.0, 1.0]
    assert shapes[0].geoms[0] == other
    assert common_type([one], "Polygon") == "PolygonZ"
    assert common_type([one, two], "Polygon") == "MultiPolygonZ"


def leg(row: int, share: float | None = 1.5, **changes: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "run": "R1", "from_row": row, "row": row + 1, "to_point": f"P{row}", "length_m": 4.0,
    }  # fmt: skip
    for axis in ("east", "north", "up"):
        made |= {f"{axis}_m": 0.03, f"{axis}_sigma_m": 0.02, f"{axis}_standardised": share}
    return made | changes


def test_legs_of_one_misclosure_are_one_stretch() -> None:
    legs = [leg(2), leg(3, 1.504), leg(4, 1.49), leg(5, 1.49, run="R2"), leg(6, None, run="R2")]
    legs += [leg(7, None, run="R2", length_m=None), leg(8, None, run="R2")]
    found = sharing_a_misclosure(legs)
    assert [(r["from_row"], r["row"], r["legs"], r["to_point"]) for r in found] == [
        (2, 4, 2, "P3"), (4, 5, 1, "P4"), (5, 6, 1, "P5"), (6, 9, 3, "P8"),
    ]  # fmt: skip
    assert [r["length_m"] for r in found] == [8.0, 4.0, 4.0, None]
    assert [r["up_m"] for r in found] == pytest.approx([0.06, 0.03, 0.03, 0.09])
    # a chance that is nothing has no sign
    assert len(sharing_a_misclosure([leg(2, 0.001), leg(3, -0.001)])) == 1


def test_columns_of_numbers_are_told_apart_from_others() -> None:
    assert numbers([1.5, math.inf, None]) == [1.5, None, None]
    assert numbers([1.5, -0.0]) == [1.5, 0.0]
    assert str(numbers([-0.0])) == "[0.0]"
    assert numbers([1]) is numbers([True]) is numbers([1.5, 1]) is None
    assert json_texts([0.1, -0.0, math.nan]) == ["0.1", "0.0", "null"]
    assert json_texts([1, None, 3]) == ["1", "null", "3"]
    assert json_texts([True, 1, "ä", [0.5, math.nan]]) == ["true", "1", '"ä"', "[0.5, null]"]
    asked: list[object] = []
    assert of_each(["a", None, "a", None], lambda v: asked.append(v) or f"<{v}>") == [
        "<a>", "<None>", "<a>", "<None>",
    ]  # fmt: skip
    assert len(asked) == 2
    assert of_each([1, 1.0, True], repr) == ["1", "1.0", "True"]
