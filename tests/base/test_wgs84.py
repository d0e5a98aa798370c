"""The way to WGS 84 is the one that the EPSG dataset has for where the site is."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS, Transformer

from geosite.base.map_frame import Frame
from geosite.base.wgs84 import outline, to_wgs84


@pytest.mark.parametrize(
    ("longitude", "latitude", "operation", "accuracy_m"),
    [(-3.0, 40.0, "ED50 to WGS 84 (28)", 1.5), (-3.0, 54.0, "ED50 to WGS 84 (18)", 1.0)],
)
def test_two_sites_of_one_map_take_the_ways_that_hold_there(
    longitude: float, latitude: float, operation: str, accuracy_m: float
) -> None:
    # EPSG dataset, as PROJ carries it: 28 is for most of Spain, 18 for the seas round Britain
    crs = CRS.from_epsg(23030)
    assert crs.geodetic_crs is not None
    there = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    east, north = there.transform(longitude, latitude)
    found = to_wgs84(Frame(crs_wkt=crs.to_wkt(), origin=(east, north)))
    assert operation in found.operation
    assert found.accuracy_m == accuracy_m
    # ED50 lies some 80 to 110 m east and 90 to 130 m north of WGS 84
    assert found.place([east, north])[0] == pytest.approx(
        (longitude - 0.0014, latitude - 0.001), abs=0.0003
    )


def test_a_map_of_ones_own_has_a_way_of_unknown_accuracy() -> None:
    crs = CRS("+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=0 +y_0=0 +ellps=bessel +units=m +type=crs")
    found = to_wgs84(Frame(crs_wkt=crs.to_wkt(), origin=(0.0, 5.3e6)))
    assert found.accuracy_m is None
    assert found.place([[0.0, 5.3e6]])[0, 0] == pytest.approx(9.0, abs=1e-9)


def test_many_places_go_as_one_does() -> None:
    frame = Frame(crs_wkt=CRS("EPSG:32632").to_wkt(), origin=(500000.0, 0.0))
    way = to_wgs84(frame)
    assert way.accuracy_m == 0.0  # WGS 84 itself
    many = way.place([[500000.0, 0.0], [600000.0, 5.3e6]])
    assert many.shape == (2, 2)
    assert way.place([600000.0, 5.3e6]).tolist() == [many[1].tolist()]
    # half an arc of the meridian to 5.3e6 m / 0.9996, and 100 km east of it
    assert many[0] == pytest.approx([9.0, 0.0], abs=1e-9)
    assert many[1] == pytest.approx([10.34, 47.85], abs=0.01)


def test_an_outline_goes_round_against_the_clock() -> None:
    frame = Frame(crs_wkt=CRS("EPSG:32632").to_wkt(), origin=(500000.0, 0.0))
    places = np.array([[500100.0, 50.0], [500000.0, 20.0], [500050.0, 0.0]])
    corners = outline(frame, places)
    place = to_wgs84(frame).place
    assert corners == tuple(
        tuple(corner)
        for corner in place(
            [
                [500000.0, 0.0],
                [500100.0, 0.0],
                [500100.0, 50.0],
                [500000.0, 50.0],
                [500000.0, 0.0],
            ]
        ).tolist()
    )
