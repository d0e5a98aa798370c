"""Where water leaves and which way it runs: places, inlets and ground areas of the layers."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.layers import drainage_arrows
from geosite.handover.layers.catchments import layer, outflows
from geosite.terrain.water.flow import Arrows, Catchment
from geosite.terrain.water.water_estimates import CatchmentEstimate

CELLS = Grid(100.0, 50.0, 2.0, 5, 8)
AREA, PEAK = Estimate(40.0, 36.0, 44.0), Estimate(28.0, 20.0, 30.0)
FOUND = (
    CatchmentEstimate(Catchment(1, "inlet", 2, 3, 6, 10, 7.0), AREA, PEAK),
    CatchmentEstimate(Catchment(2, "edge", 0, 0, 1, 4, 4.0), PEAK, AREA),
)


def test_outflows_stand_in_the_middle_of_their_cells() -> None:
    made = outflows(FOUND, CELLS, ("north", "south"))
    places = [(shape.x, shape.y) for shape in made.geometries]
    # the seventh column of the fourth row, the second of the first
    assert places == [(113.0, 43.0), (103.0, 49.0)]
    first, second = made.records
    assert (first["catchment"], first["leaves_by"], first["inlet"]) == (1, "inlet", "south")
    assert (first["area_m2"], first["peak_area_m2"]) == (40.0, 28.0)
    assert (first["peak_area_low_m2"], first["peak_area_high_m2"]) == (20.0, 30.0)
    assert (second["leaves_by"], second["inlet"]) == ("edge", None)


def test_catchments_keep_their_own_outline() -> None:
    parts = [shapely.box(0, 0, 4, 10), shapely.box(4, 0, 6, 10)]
    made = layer(FOUND, parts, ("north", "south"))
    assert [shape.area for shape in made.geometries] == [40.0, 20.0]
    assert [record["area_m2"] for record in made.records] == [40.0, 28.0]
    assert made.geometry_type == "Polygon"


def test_arrows_stand_on_the_map_and_tell_ground_areas() -> None:
    frame = Frame(unit_m=0.5, origin=(1000.0, 2000.0), combined_factor=0.5)
    one, two = np.array([3.0, 5.0]), np.array([-4.0, 6.0])
    arrows = Arrows(one, two, np.array([90.0, 180.0]), np.array([1.0, 0.25]), one, one)
    made = drainage_arrows.layer(arrows, frame)
    assert [(p.x, p.y) for p in made.geometries] == [(1006.0, 1992.0), (1010.0, 2012.0)]
    first, second = made.records
    assert first["contributing_area_m2"] == pytest.approx(3.0 / 0.25)
    assert (second["azimuth_deg"], second["steadiness"]) == (180.0, 0.25)
    assert (first["measured"], second["measured"]) == (1, 1)
    far = Arrows(one, two, one, one, one, one, np.array([True, False]))
    assert [r["measured"] for r in drainage_arrows.layer(far, frame).records] == [1, 0]
