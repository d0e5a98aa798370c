"""Scale, turn, radius and unit of maps whose formulas are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pyproj import CRS
from pyproj.crs import BoundCRS
from pyproj.crs.coordinate_operation import ToWGS84Transformation

from geosite.base.map_frame import (
    Frame,
    at_middle,
    combined_factor,
    is_computable,
    length_unit,
    longitude_latitude,
    map_factors,
    name_unless_same_map,
    scale_by_geodesics,
    short_name,
)
from geosite.base.units import FOOT_M, US_SURVEY_FOOT_M

UTM = CRS("EPSG:25832").to_wkt()
A, F = 6378137.0, 1 / 298.257222101  # GRS 80
E2 = F * (2 - F)


def by_hand(longitude: float, latitude: float) -> tuple[float, float, float]:
    """Scale, convergence and mean radius of UTM: Snyder 1987, 8-11, and series of convergence.

    `longitude` counts from the central meridian; all in radians.
    """
    t, c = math.tan(latitude) ** 2, E2 / (1 - E2) * math.cos(latitude) ** 2
    a = longitude * math.cos(latitude)
    scale = 0.9996 * (
        1 + (1 + c) * a**2 / 2 + (5 - 4 * t + 42 * c + 13 * c**2 - 28 * E2 / (1 - E2)) * a**4 / 24
    )
    turn = longitude * math.sin(latitude)
    turn *= 1 + a**2 / 3 * (1 + 3 * c + 2 * c**2) + a**4 / 15 * (2 - t)
    w2 = 1 - E2 * math.sin(latitude) ** 2
    meridional, normal = A * (1 - E2) / w2**1.5, A / w2**0.5
    return scale, turn, math.sqrt(meridional * normal)


@pytest.mark.parametrize("place", [(600_000.0, 5.3e6), (380_000.0, 6.9e6), (430_000.0, 7.0e5)])
def test_utm_is_as_its_series_say(place: tuple[float, float]) -> None:
    longitude, latitude = longitude_latitude(UTM, *place)
    scale, turn, mean = by_hand(math.radians(longitude - 9), math.radians(latitude))
    meridional, parallel, convergence, radius = map_factors(UTM, *place)
    assert meridional == pytest.approx([scale], abs=1e-9)
    assert parallel == pytest.approx([scale], abs=1e-9)
    assert convergence == pytest.approx([turn], abs=1e-9)
    assert radius == pytest.approx([mean], abs=1e-3)
    assert combined_factor(UTM, *place, 500.0) == pytest.approx([scale * mean / (mean + 500.0)])
    assert scale_by_geodesics(UTM, *place) == pytest.approx([scale] * 4, abs=1e-9)
    frame = Frame(crs_wkt=UTM, origin=(place[0] - 30, place[1] + 70))
    there = at_middle(frame, (30.0, -70.0), 500.0)
    assert there.grid_scale_factor == pytest.approx(scale, abs=1e-9)
    assert there.elevation_factor == pytest.approx(mean / (mean + 500.0), abs=1e-12)
    assert there.combined_factor == there.grid_scale_factor * there.elevation_factor
    assert there.convergence == pytest.approx(turn, abs=1e-9)
    assert there.ground_unit_m == 1 / there.combined_factor


def test_a_map_that_stretches_has_two_scales_and_between_them_a_third() -> None:
    # equal areas: cylindrical on a sphere, true at the equator; north shrinks as east grows
    wkt = CRS("+proj=cea +lat_ts=0 +R=6371000 +units=m +type=crs").to_wkt()
    latitude = math.radians(50)
    north = 6_371_000 * math.sin(latitude)
    meridional, parallel, convergence, radius = map_factors(wkt, [1000.0], [north])
    narrow, wide = math.cos(latitude), 1 / math.cos(latitude)
    assert (meridional[0], parallel[0]) == pytest.approx((narrow, wide), rel=1e-9)
    assert (convergence[0], radius[0]) == pytest.approx((0.0, 6_371_000))
    assert combined_factor(wkt, 0.0, north, 6_371_000.0) == pytest.approx([0.5])
    # a metre of map towards the north-east is 1 / (sqrt(2) narrow) north, 1 / (sqrt(2) wide) east
    slanting = math.sqrt(2) / math.hypot(1 / narrow, 1 / wide)
    assert scale_by_geodesics(wkt, 1000.0, north) == pytest.approx(
        [narrow, slanting, wide, slanting], rel=1e-6
    )
    assert at_middle(Frame(crs_wkt=wkt, origin=(0.0, north)), (0.0, 0.0), 0.0).combined_factor == (
        pytest.approx(1.0)
    )


def test_meridians_in_grads_count_from_greenwich_and_steps_are_metres() -> None:
    # EPSG:27561 counts grads from Paris, 2 deg 20' 14.025" east; its middle is at 600 km, 200 km
    lambert = CRS("EPSG:27561").to_wkt()
    longitude, latitude = longitude_latitude(lambert, 600_000.0, 200_000.0)
    assert (longitude, latitude) == pytest.approx((2.33722917, 49.5), abs=1e-7)
    _, _, convergence, _ = map_factors(lambert, 600_000.0, 200_000.0)
    assert convergence == pytest.approx([0.0], abs=1e-9)
    # in feet, 50 m are 164 ft; over 10 km the scale of a cone is seen to change
    feet = CRS("EPSG:2264").to_wkt()
    meridional, *_ = map_factors(feet, 1_540_000.0, 640_000.0)
    near, far = (scale_by_geodesics(feet, 1_540_000.0, 640_000.0, s) for s in (50.0, 20_000.0))
    assert near == pytest.approx([meridional[0]] * 4, abs=1e-9)
    assert far[0] - meridional[0] == pytest.approx(
        20_000**2 / (6 * 6.37e6**2), rel=0.02
    )  # its second derivative is 1 / R^2


def test_beyond_a_map_nothing_is_known() -> None:
    for factors in (map_factors(UTM, [8e7], [9e7]), [scale_by_geodesics(UTM, 8e7, 9e7)]):
        assert np.isnan(factors[-1]).all()
    assert scale_by_geodesics(UTM, 8e7, 9e7).shape == (4,)


@pytest.mark.parametrize(
    ("crs", "size_m", "name"),
    [
        ("EPSG:25832", 1.0, "metre"),
        ("EPSG:2992", FOOT_M, "foot"),
        ("EPSG:2264", US_SURVEY_FOOT_M, "US survey foot"),
        ("+proj=tmerc +to_meter=0.30480000015 +type=crs", FOOT_M, "foot"),
        ("+proj=tmerc +to_meter=0.304800001 +type=crs", 0.304800001, "unknown"),
        ("EPSG:24600", 1.0, "metre"),
        ("EPSG:3167", 20.116756, "British chain (Sears 1922 truncated)"),
    ],
)
def test_units_of_maps(crs: str, size_m: float, name: str) -> None:
    size, told = length_unit(CRS(crs))
    assert size == size_m
    assert told == name


def test_names_of_maps() -> None:
    assert short_name(CRS("EPSG:2264")) == "EPSG:2264"
    utm = CRS("EPSG:25832").to_json_dict()
    del utm["id"]
    assert short_name(CRS.from_json_dict(utm)) == "EPSG:25832"  # looked up
    utm["name"] = "yard"
    utm["conversion"]["parameters"][3]["value"] = 400_000
    assert short_name(CRS.from_json_dict(utm)) == "yard"
    assert short_name(CRS("+proj=tmerc +lon_0=9.1 +ellps=GRS80 +type=crs")) == "unknown"


def test_the_map_alone_tells_whether_two_crs_are_the_same() -> None:
    assert name_unless_same_map(CRS("EPSG:25832+7837").to_wkt(), UTM) is None
    assert name_unless_same_map(CRS("EPSG:25833+7837").to_wkt(), UTM) == "ETRS89 / UTM zone 33N"
    # north comes first in the dataset, east in files of the desktop
    gauss = CRS("EPSG:31467")
    told = gauss.to_json_dict()
    told["coordinate_system"]["axis"].reverse()
    other = CRS.from_json_dict(told)
    assert [axis.direction for axis in (gauss.axis_info[0], other.axis_info[0])] == [
        "north", "east",
    ]  # fmt: skip
    for one, two in ((gauss, other), (other, gauss)):
        assert name_unless_same_map(one.to_wkt(), two.to_wkt()) is None
    next_zone = CRS("EPSG:31468")
    assert name_unless_same_map(other.to_wkt(), next_zone.to_wkt()) == other.name
    bound = CRS("+proj=utm +zone=32 +ellps=GRS80 +towgs84=1,2,3 +type=crs")
    assert name_unless_same_map(bound.to_wkt(), bound.source_crs.to_wkt()) is None  # type: ignore[union-attr]
    # what is bound may be map and elevations together
    shift = ToWGS84Transformation(CRS("EPSG:4258"), 1, 2, 3)
    both = BoundCRS(CRS("EPSG:25832+7837"), CRS("EPSG:4979"), shift)
    assert name_unless_same_map(both.to_wkt(), UTM) is None


def test_a_map_that_has_a_name_only_is_not_computable() -> None:
    assert is_computable(UTM)
    assert not is_computable(CRS("EPSG:22300").to_wkt())


def test_local_metres_of_a_map_in_feet() -> None:
    feet = Frame(unit_m=FOOT_M, origin=(1000.0, 2000.0), height_unit_m=FOOT_M)
    assert feet.to_map([[30.48, -3.048, 7.0]]).tolist() == [[1100.0, 1990.0]]
    assert feet.to_local([[1100.0, 1990.0, 7.0]]) == pytest.approx(np.array([[30.48, -3.048]]))
    assert (feet.height_symbol, Frame().height_symbol) == ("ft", "m")
    assert Frame(unit_m=0.5, combined_factor=0.8).ground_unit_m == 0.625
    assert Frame().to_map([1.5, -2.0]).tolist() == [1.5, -2.0]
    assert (Frame().grid_scale_factor, Frame().elevation_factor, Frame().combined_factor) == (
        1.0, 1.0, 1.0,
    )  # fmt: skip
