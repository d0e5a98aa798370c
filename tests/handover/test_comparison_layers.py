"""What leaves of comparisons, on a map in feet with heights in another foot."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.analysis.as_built.model import AsBuilt, Deviation
from geosite.analysis.as_built.surfaces import Patch, SurfaceDeviation
from geosite.analysis.change.model import Change, MarkChange
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.handover.comparison.as_built import deviations, surfaces, verdict_areas
from geosite.handover.comparison.change import displacements

FRAME = Frame(unit_m=0.5, height_unit_m=0.25, origin=(1000.0, 2000.0), combined_factor=0.8)
EAST, NORTH = Estimate(0.03, 0.02, 0.04, 0.005), Estimate(-0.04, -0.06, -0.02, 0.01)


def coordinates(shape: object) -> list[list[float]]:
    found: list[list[float]] = shapely.get_coordinates(shape, include_z=True).tolist()
    return found


def test_a_deviation_stands_where_it_was_built_and_says_it_in_metres() -> None:
    one = Deviation(
        *("mark", "C1", "slab", np.array([3.0, -4.0, 5.0]), EAST, NORTH, Estimate(0.05, 0.0, 0.1)),
        up=None,
        plan_limit=0.02,
        plan_verdict="beyond",
        height_verdict="within",
    )
    layer = deviations(AsBuilt((one,), (), ()), FRAME)
    assert coordinates(layer.geometries[0]) == [[1006.0, 1992.0, 20.0]]
    (record,) = layer.records
    assert (record["east_m"], record["north_m"], record["plan_m"]) == (0.03, -0.04, 0.05)
    assert record["north_95_m"] == pytest.approx(0.02)
    assert (record["plan_limit_m"], record["height_limit_m"]) == (0.02, None)
    assert (record["verdict_plan"], record["verdict_height"]) == ("beyond", "within")
    assert record["up_m"] is None


def test_patches_lie_on_the_map_and_surfaces_keep_above_and_below_apart() -> None:
    patch = Patch("slab", "undecided", shapely.box(0, 0, 2, 1), 3.125)
    above, below, placed, thick, mean, share = (
        Estimate(float(k), k - 0.5, k + 0.25) for k in range(1, 7)
    )
    one = SurfaceDeviation(
        *("slab", 40.0, mean, share, 0.02, above, below, placed, thick, 0.2, 0.01, "within"),
        patches=(patch,),
    )
    made = AsBuilt((), (one,), ())
    layer = verdict_areas(made, FRAME)
    assert shapely.bounds(layer.geometries[0]).tolist() == [1000.0, 2000.0, 1004.0, 2002.0]
    assert layer.records[0]["area_m2"] == 3.125
    (row,) = surfaces(made).records
    assert [row[name] for name in ("above_m3", "below_m3", "placed_m3", "thickness_m")] == [
        *(1.0, 2.0, 3.0, 4.0),
    ]
    assert [row["mean_m"], row["share_within"], row["depth_m"]] == [5.0, 6.0, 0.2]
    assert (row["below_low_m3"], row["below_high_m3"]) == (1.5, 2.25)


def test_a_displaced_mark_stands_where_the_first_survey_had_it() -> None:
    mark = MarkChange(
        *("M1", np.array([3.0, -4.0]), 5.0, EAST, NORTH, Estimate(0.01, 0.0, 0.02)),
        *(Estimate(0.05, 0.04, 0.06), 0.021, 0.011, 0.3, 0.6, "moved", "stable", (0.1, 0.05, 0.0)),
    )
    layer = displacements(Change((mark,), None, None, None, ()), FRAME)
    assert coordinates(layer.geometries[0]) == [[1006.0, 1992.0, 20.0]]
    (record,) = layer.records
    assert (record["verdict_plan"], record["verdict_height"]) == ("moved", "stable")
    assert (record["probability_plan"], record["probability_height"]) == (0.3, 0.6)
    assert (record["detectable_plan_m"], record["detectable_height_m"]) == (0.021, 0.011)
    assert [record[name] for name in ("east_m", "north_m", "up_m", "horizontal_m")] == [
        *(0.03, -0.04, 0.01, 0.05),
    ]
