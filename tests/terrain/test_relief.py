"""Kerbs of finite height, gutters and roofs in the drainage of a site."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import network_cases
import numpy as np
import pytest

from geosite.analysis.peak_flows import peak_flows
from geosite.base.errors import InputError
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code, Drainage, Surface
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.terrain.site import Terrain, model_terrain

KERB = [(20, 20), (40, 20), (40, 40), (20, 40)]  # open to the west
ROOF = [(45, 45), (55, 45), (55, 55), (45, 55)]


def notes(codes: dict[str, Code], shapes: dict[str, list], drainage: Drainage) -> Notes:
    """Walk a plane that falls to the east, one in a hundred, with features on it."""
    places = [(x, y) for x in range(0, 61, 15) for y in range(0, 61, 15)]
    rows = [("R", "A", 0.0, 0.0, 10.0), ("R", "B", 60.0, 0.0, 9.4)]
    rows += [("R", f"M{i}", x, y, 10 - 0.01 * x) for i, (x, y) in enumerate(places)]
    feature = [-1] * len(rows)
    names = list(shapes)
    for number, name in enumerate(names):
        for k, (x, y) in enumerate(shapes[name]):
            rows.append(("R", f"{name}{k}", x, y, 10 - 0.01 * x))
            feature.append(number)
    book = network_cases.book(rows)
    number = np.array(feature)
    book = replace(book, features=tuple(names), feature=number, codes=tuple(names), code=number)
    marks = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 10.0},
        "B": {"easting": 60.0, "northing": 0.0},
    }
    found = network_cases.notes(book, marks, noise=(1e-4, 1e-4))
    site = msgspec.structs.replace(
        found.site, codes=codes, drainage=drainage, surface=Surface(cell_size=0.5)
    )
    return replace(found, site=site)


def drained(
    codes: dict[str, Code], shapes: dict[str, list], **table: object
) -> tuple[Notes, Terrain]:
    given = notes(codes, shapes, Drainage(confidence_runs=0, **table))  # type: ignore[arg-type]
    network = adjust(given)
    terrain = model_terrain(given, network, draw(given, network))
    assert terrain is not None
    return given, terrain


def kerb(height: float | None) -> Terrain:
    code = Code(geometry="line", barrier=True, height_m=height)
    return drained({"kerb": code}, {"kerb": KERB})[1]


def test_water_goes_over_a_kerb_when_the_pond_is_deeper() -> None:
    low, endless, flat = kerb(0.10), kerb(None), kerb(0.0)
    # the ground falls 20 cm along the kerb: an endless one fills to its open end
    assert endless.water.ponds[0].depth_m.value == pytest.approx(0.20, abs=0.02)
    # a low one spills over its east side, which is lowest
    pond = low.water.ponds[0]
    assert pond.depth_m.value == pytest.approx(0.10, abs=0.02)
    # a wedge, 10 cm deep, 10 m long, 20 m wide
    assert pond.volume_m3.value == pytest.approx(0.5 * 0.1 * 10 * 20, rel=0.15)
    assert not flat.water.ponds


def test_a_gutter_carries_water_along() -> None:
    # a line across the fall, with a little fall of its own: water turns into it
    line = [(30, 10), (34, 50)]
    shape = {"gutter": line}
    _, with_it = drained({"gutter": Code(geometry="line", gutter=True, height_m=0.1)}, shape)
    _, without = drained({"gutter": Code(geometry="line")}, shape)
    there = np.s_[18:24, 66:84]  # beyond its lower end, 34 m east and 50 m north
    most = with_it.water.drainage.contributing_area[there].max()
    assert most > 3 * without.water.drainage.contributing_area[there].max()


def test_roofs_drain_to_their_inlet_and_the_rational_method_adds_up() -> None:
    codes = {
        "inlet": Code(geometry="point", inlet=True),
        "roof": Code(geometry="area", building=True, drains_to="inlet", runoff=1.0),
    }
    shapes = {"inlet": [(50.2, 30.2)], "roof": ROOF}
    given, terrain = drained(codes, shapes, rainfall_mm_per_hour=90.0, runoff=0.5)
    drawing = draw(given, adjust(given))
    (flow,) = peak_flows(given, drawing, terrain)
    assert flow.inlet == "inlet"
    assert flow.roof_m2 == pytest.approx(100.0, rel=1e-3)
    # half a metre wide strip up to the west end, and the roof: litres per second
    ground = flow.area_m2.value
    assert flow.flow_l_s is not None
    assert flow.flow_l_s.value == pytest.approx(90 / 3600 * (0.5 * ground + 100), rel=1e-3)
    share = (0.5 * ground + 100) / (ground + 100)
    assert flow.coefficient == pytest.approx(share, rel=1e-3)


def test_a_coefficient_that_nobody_gave_is_asked_for() -> None:
    codes = {"inlet": Code(geometry="point", inlet=True)}
    given, terrain = drained(codes, {"inlet": [(50.2, 30.2)]}, rainfall_mm_per_hour=90.0)
    (flow,) = peak_flows(given, draw(given, adjust(given)), terrain)
    assert flow.flow_l_s is None
    assert flow.unknown_m2 == pytest.approx(flow.area_m2.value)


def test_a_roof_that_drains_nowhere_is_refused() -> None:
    codes = {
        "inlet": Code(geometry="point", inlet=True),
        "roof": Code(geometry="area", building=True, drains_to="gully"),
    }
    given, terrain = drained(codes, {"inlet": [(50.2, 30.2)], "roof": ROOF})
    with pytest.raises(InputError, match="roofs of roof drain to gully, which is no inlet"):
        peak_flows(given, draw(given, adjust(given)), terrain)
