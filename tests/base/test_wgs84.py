"""The way to WGS 84 is the one that the EPSG dataset has for where the site is."""

from __future__ import annotations

import pytest
from pyproj import CRS, Transformer

from geosite.base.map_frame import Frame
from geosite.base.wgs84 import to_wgs84


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
