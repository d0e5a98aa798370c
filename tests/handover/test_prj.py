"""The ``.prj`` beside a drawing: the map CRS comes back from it."""

from __future__ import annotations

import package_cases
import pytest
from pyproj import CRS

from geosite.handover.formats.prj import prj_wkt


@pytest.mark.parametrize("code", [25832, 2264, 27700, 32760])
def test_the_crs_comes_back(code: int) -> None:
    crs = CRS.from_epsg(code)
    text = prj_wkt(package_cases.frame(crs_wkt=crs.to_wkt()))
    assert text is not None
    assert "\n" not in text
    back = CRS.from_wkt(text)
    assert back.to_epsg(min_confidence=70) == code
    assert back.axis_info[0].unit_conversion_factor == crs.axis_info[0].unit_conversion_factor
