"""Areas of straight-sided outlines against printed figures."""

from __future__ import annotations

import pytest
from linework_cases import rows, survey

from geosite.linework.draw import draw

# J. Mahun, Open Access Surveying Library, COGO, "Traverse with Straight Sides", fig. H-2 (N, E, ft)
COGO = [
    (406.31, 1259.97),
    (235.12, 1489.47),
    (65.81, 1126.40),
    (317.89, 942.04),
    (675.32, 1282.54),
]
# The same library, Traverse Computations ch. I: adjusted latitudes and departures of the loop ABCD
LEGS = [
    (-176.386, -438.574),
    (203.382, -73.105),
    (192.340, 198.635),
    (-219.336, 313.044),
]


def test_area_by_coordinates() -> None:
    marks = [("line", e, n) for n, e in COGO]
    area = draw(*survey(rows("lot", "", marks))).features[0].area
    assert area is not None
    # printed 140,494 from the cross products 2,190,612 and 1,909,624 (one entry there is a slip)
    assert area.grid == pytest.approx(140_494.0, abs=1.5)
    assert area.grid == pytest.approx(140_493.1, abs=0.1)


def test_area_of_adjusted_loop() -> None:
    # ch. G: double meridian distances give 205,871.5 / 2 = 102,935.7 sq ft
    north, east, marks = 500.0, 2000.0, []
    for latitude, departure in LEGS:
        marks.append(("line", east, north))
        north, east = north + latitude, east + departure
    area = draw(*survey(rows("lot", "", marks))).features[0].area
    assert area is not None
    assert area.grid == pytest.approx(102_935.7, abs=0.3)
    # the printed products, each a double area against the meridian through A
    printed = [77358.3, 193264.4, 158627.2, 68661.8]
    double_distance, before, products = 0.0, 0.0, []
    for latitude, departure in LEGS:
        double_distance += before + departure
        before = departure
        products.append(abs(double_distance * latitude))
    assert products == pytest.approx(printed, abs=0.06)


def test_ground_from_grid() -> None:
    # a combined factor of 0.9996 makes ground lengths longer by 400 ppm, areas by 800 ppm
    square = [("line", 0, 0), ("line", 100, 0), ("line", 100, 100), ("line", 0, 100)]
    feature = draw(*survey(rows("lot", "", square), combined_factor=0.9996)).features[0]
    assert feature.area is not None
    assert feature.perimeter is not None
    assert feature.area.grid == pytest.approx(10_000.0, rel=1e-14)
    assert feature.area.value == pytest.approx(10_008.004803, abs=2e-6)
    assert feature.perimeter.grid == pytest.approx(400.0, rel=1e-14)
    assert feature.perimeter.value == pytest.approx(400.160064, abs=1e-6)
