"""Designs and parcel lines: distances by hand, intervals by closed form and by moved marks."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely

from geosite.analysis.design_ground.parcel_lines import DesignClearance, design_clearances
from geosite.analysis.design_ground.wording import design_clearance_findings
from geosite.analysis.design_ground.zones import Zone
from geosite.analysis.parcels import Parcel, ParcelMap
from geosite.base.map_frame import Frame
from geosite.network.independent_marks import independent_marks

CORNERS = ((2.0, 1.0), (6.0, 1.0), (6.0, 4.0), (2.0, 4.0))
SIGMA = 0.02
MAP = 0.1


class Slope:
    """Ground that falls to the east, known everywhere to 3 and 4 cm."""

    def __init__(self, fall: float) -> None:
        self.fall = fall

    def elevations_at(self, places: Any) -> Any:
        return 10.0 - self.fall * np.asarray(places)[:, 0]

    def sigmas_at(self, places: Any) -> Any:
        count = len(np.asarray(places).reshape(-1, 2))
        return np.full(count, 0.03), np.full(count, 0.04)


def zone(*, on_marks: bool) -> Zone:
    ring = np.arange(4) if on_marks else np.zeros(0, np.int64)
    return Zone("pad", shapely.Polygon(CORNERS), lambda p: np.zeros(len(p)), (), ring)


def near(
    east: float,
    *,
    on_marks: bool = False,
    foot: float | None = None,
    fall: float = 0.0,
    parcels: tuple[Parcel, ...] | None = None,
    cell: float = 1e-6,
    side_slope: float = 3.0,
) -> tuple[DesignClearance, ...]:
    """Return the clearances of the pad in a parcel whose eastern line is at `east`."""
    daylight = () if foot is None else (shapely.LineString([(foot, 2), (foot, 3)]),)
    design: Any = SimpleNamespace(
        name="new",
        title="New pad",
        zones=(zone(on_marks=on_marks),),
        daylight=daylight,
    )
    network = independent_marks([(*corner, 0.0) for corner in CORNERS], sigma_m=SIGMA)
    held = parcels or (Parcel("12", shapely.box(-50, -50, east, 50)),)
    placed = ParcelMap(held, MAP, "", 0.0)
    ground: Any = Slope(fall)
    return design_clearances(design, side_slope, placed, network, ground, cell)


def test_a_pad_in_numbers_has_the_accuracy_of_the_parcel_map() -> None:
    (found,) = near(7.5)
    assert (found.parcel, found.what, found.verdict) == ("12", "parts", "clear")
    assert found.distance.value == pytest.approx(1.5)
    assert found.distance.sigma == pytest.approx(MAP)


@pytest.mark.parametrize(
    ("east", "value", "verdict"),
    [(5.0, -1.0, "crosses"), (6.1, 0.1, "cannot tell"), (5.9, -0.1, "cannot tell")],
)
def test_what_reaches_over_is_negative_and_told_where_it_is_sure(
    east: float, value: float, verdict: str
) -> None:
    (found,) = near(east)
    assert found.distance.value == pytest.approx(value)
    assert found.verdict == verdict
    (said,) = design_clearance_findings([found], Frame())
    assert said.level == "look"
    assert said.code == (
        "design-parcel-line" if verdict == "crosses" else "design-parcel-line-undecided"
    )
    assert "no boundary survey" in said.text
    assert said.place is not None


def test_a_clear_design_is_told_as_well() -> None:
    (said,) = design_clearance_findings(near(7.5), Frame())
    assert (said.level, said.code) == ("note", "design-parcel-clear")
    assert said.text.startswith("Design new is clear of the line of parcel 12 by 1.50 +/- 0.20 m")


def test_a_pad_on_marks_moves_with_them() -> None:
    """A corner of the marks moved 20,000 times: nearest corner to the line, each 2 cm per axis."""
    line = (Parcel("12", shapely.Polygon([(-50, -50), (12, -50), (2, 50), (-50, 50)])),)
    (found,) = near(0.0, on_marks=True, parcels=line)
    draws = np.random.default_rng(3).normal(0.0, SIGMA, (20_000, 4, 2)) + np.array(CORNERS)
    apart = shapely.distance(shapely.polygons(draws), line[0].geometry.boundary)
    of_marks = math.sqrt(float(found.distance.sigma or 0.0) ** 2 - MAP**2)
    assert of_marks == pytest.approx(float(apart.std()), rel=0.03)
    assert found.distance.value == pytest.approx(float(apart.mean()), abs=0.002)


def test_the_foot_of_a_bank_is_known_as_the_ground_is_times_its_slope() -> None:
    """Elevations known to 5 cm, a bank of 1 in 3: 15 cm level; falling 10 %, 15 / (1 - 0.3)."""
    _, level = near(8.0, foot=7.0)
    assert (level.what, level.distance.value) == ("banks", pytest.approx(1.0))
    assert level.distance.sigma == pytest.approx(math.hypot(MAP, 0.15), rel=1e-4)
    _, falling = near(8.0, foot=7.0, fall=0.1)
    assert falling.distance.sigma == pytest.approx(math.hypot(MAP, 0.15 / 0.7), rel=1e-4)
    _, coarse = near(8.0, foot=7.0, cell=0.6)
    assert coarse.distance.sigma == pytest.approx(math.hypot(MAP, 0.15, 0.6 / 12**0.5), rel=1e-4)


def test_banks_that_stay_within_the_parts_and_a_design_off_the_map_are_not_told() -> None:
    assert [one.what for one in near(8.0, foot=5.0)] == ["parts"]
    # walls: the line between cells that are changed and others cuts across an inner corner
    assert [one.what for one in near(8.0, foot=7.0, side_slope=0.0)] == ["parts"]
    assert near(8.0, parcels=(Parcel("9", shapely.box(90, 90, 95, 95)),)) == ()
