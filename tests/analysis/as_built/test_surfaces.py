"""Built surfaces against designed ones, on ground whose every height is known by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely

from geosite.analysis.as_built import surfaces
from geosite.analysis.as_built.datum import Datum
from geosite.analysis.as_built.surfaces import SurfaceDeviation, laid_of_whole, surface_deviations
from geosite.analysis.design_ground.zones import raster_zone
from geosite.base.map_frame import Frame
from geosite.fieldbook.sitefile import Code, Tolerance
from geosite.network.independent_marks import independent_marks
from geosite.terrain.surface.roughness import EVEN
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import Ground

FRAME = Frame(combined_factor=0.5)
"""A metre on the map is two on the ground."""
SQUARE = shapely.box(0, 0, 10, 10)


def walked(*heights: float, sigma: float = 0.0, draws: int = 41) -> Ground:
    """Return the plane or two triangles through the corners of the square, from south-west."""
    corners = np.column_stack([[0, 10, 10, 0], [0, 0, 10, 10], heights]).astype(float)
    network = independent_marks(corners, sigma_up_m=sigma, frame=FRAME)
    return Ground(network, triangulate(corners), np.arange(4), EVEN, np.ones(4), draws=draws)


def compared(
    ground: Ground, before: Ground | None = None, limits: Tolerance | None = None
) -> SurfaceDeviation:
    """Compare with a design that is level at 100 m."""
    site = SimpleNamespace(
        tolerances={} if limits is None else {"slab": limits}, codes={"slab": Code(depth=0.2)}
    )
    feature = SimpleNamespace(kind="area", code="slab", geometry=SQUARE)
    notes: Any = SimpleNamespace(site=site)
    drawing: Any = SimpleNamespace(features=[feature])
    datum = Datum(np.array([0]), np.array([0]), np.zeros(2), np.zeros((3, 2)))
    level = raster_zone("pad", SQUARE, lambda places: np.full(len(places), 100.0))
    (found,) = surface_deviations(notes, drawing, ground, datum, [level], before)
    return found


def test_a_tilted_plane_is_parted_where_it_passes_the_tolerance() -> None:
    # from 5 cm below in the west to 5 cm above in the east
    found = compared(walked(99.95, 100.05, 100.05, 99.95), limits=Tolerance(height=0.02))
    assert found.area_m2 == pytest.approx(400.0)
    assert found.mean_m.value == pytest.approx(0.0, abs=5e-4)
    assert found.share_within is not None
    assert found.share_within.value == pytest.approx(0.4, abs=0.02)
    # two wedges of 10 m by 20 m by half of 5 cm
    assert found.above_m3.value == pytest.approx(200 * 0.025, rel=0.02)
    assert found.below_m3.value == pytest.approx(200 * 0.025, rel=0.02)
    area = {patch.verdict: patch.area_m2 for patch in found.patches}
    assert area == pytest.approx({"within": 160.0, "beyond": 240.0}, abs=8)
    assert sum(area.values()) == pytest.approx(400.0)
    shapes = {patch.verdict: patch.shape for patch in found.patches}
    assert shapes["within"].bounds == pytest.approx((3.0, 0.0, 7.0, 10.0), abs=0.2)
    # too low and too high are both beyond
    assert shapes["beyond"].bounds == pytest.approx((0.0, 0.0, 10.0, 10.0))


def test_above_and_below_are_what_lies_over_and_under_the_design() -> None:
    high = compared(walked(*[100.03] * 4))
    assert (high.mean_m.value, high.above_m3.value) == pytest.approx((0.03, 12.0))
    assert high.below_m3.value == 0.0
    low = compared(walked(*[99.97] * 4))
    assert (low.mean_m.value, low.below_m3.value) == pytest.approx((-0.03, 12.0))
    assert low.above_m3.value == 0.0
    assert (low.share_within, low.patches, low.thickness_m) == (None, (), None)


@pytest.mark.parametrize("up", [0.0299, -0.0299, 0.0301, -0.0301])
def test_a_surface_just_within_and_just_beyond_its_tolerance(
    up: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(surfaces, "PLACES", 400)
    found = compared(walked(*[100 + up] * 4), limits=Tolerance(height=0.03))
    verdict = "within" if abs(up) < 0.03 else "beyond"
    assert [patch.verdict for patch in found.patches] == [verdict]
    assert found.share_within is not None
    assert found.share_within.value == (1.0 if verdict == "within" else 0.0)
    unsure = compared(walked(*[100 + up] * 4, sigma=0.05), limits=Tolerance(height=0.03))
    # the first mark holds the frame: beside it the surface is as good as known
    assert "undecided" in {patch.verdict for patch in unsure.patches}
    lone = compared(walked(*[100 + up] * 4, draws=0), limits=Tolerance(height=0.03))
    assert lone.patches == ()


@pytest.mark.parametrize(
    ("laid", "sigma", "verdict"),
    [
        *((0.1701, 0.0, "within"), (0.2299, 0.0, "within")),
        *((0.1699, 0.0, "beyond"), (0.2301, 0.0, "beyond")),
        *((0.2, 0.05, "undecided"), (0.24, 0.02, "undecided"), (0.16, 0.02, "undecided")),
        *((0.35, 0.02, "beyond"), (0.05, 0.02, "beyond"), (0.2, 0.005, "within")),
    ],
)
def test_a_thickness_is_held_against_the_depth_of_its_code(
    laid: float, sigma: float, verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(surfaces, "PLACES", 100)
    built, before = walked(*[100.0] * 4, sigma=sigma), walked(*[100 - laid] * 4, sigma=sigma)
    found = compared(built, before, Tolerance(thickness=0.03))
    assert found.thickness_m is not None
    assert found.placed_m3 is not None
    assert found.thickness_m.value == pytest.approx(laid)
    assert found.placed_m3.value == pytest.approx(400 * laid)
    assert (found.thickness_wanted, found.thickness_limit) == (0.2, 0.03)
    assert found.thickness_verdict == verdict
    # without a tolerance nothing is judged
    assert compared(built, before).thickness_verdict is None


def test_nothing_bounds_a_surface_without_possible_grounds() -> None:
    found = compared(walked(*[100.03] * 4, draws=0), walked(*[99.83] * 4, draws=0))
    assert found.thickness_m is not None
    assert found.placed_m3 is not None
    told = {"mean": found.mean_m, "above": found.above_m3, "below": found.below_m3}
    told |= {"thickness": found.thickness_m, "placed": found.placed_m3}
    values = {name: one.value for name, one in told.items()}
    assert values == pytest.approx(
        {"mean": 0.03, "above": 12.0, "below": 0.0, "thickness": 0.2, "placed": 80.0}
    )
    for one in told.values():
        assert (one.low, one.high) == (-np.inf, np.inf)


def test_built_wholly_beyond_is_told_whatever_the_other_survey_left_open() -> None:
    # of two grounds with unlike numbers of draws the fewer count
    found = compared(walked(*[100.0] * 4, draws=41), walked(*[99.8] * 4, draws=11))
    assert found.thickness_m is not None
    assert found.thickness_m.value == pytest.approx(0.2)
    assert found.thickness_m.half_width == pytest.approx(0.0, abs=1e-9)


def test_what_was_laid_counts_where_nearly_all_of_its_area_was_compared() -> None:
    # 400 m2, 0.2 m thick
    found = compared(walked(*[100.0] * 4), walked(*[99.8] * 4))
    assert found.placed_m3 is not None
    assert found.placed_m3.value == pytest.approx(80.0)
    for area, counts in ((400.0, True), (421.0, True), (421.1, False), (800.0, False)):
        laid = laid_of_whole([found], {"slab": area, "other": 1.0})
        assert laid == ({"slab": found.placed_m3} if counts else {})
    # nothing is told of a surface without a survey before it
    assert laid_of_whole([compared(walked(*[100.0] * 4))], {"slab": 400.0}) == {}
