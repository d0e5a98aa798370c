"""Where the marks would be without adjustment: each run by its own baseline."""

from __future__ import annotations

import numpy as np
import pytest
from network_cases import notes, turned

from geosite.network.adjust import adjust

STOPS = {"A": (0.0, 0.0, 1.0), "B": (3.0, 8.0, 1.4), "T": (20.0, 12.0, 0.7), "U": (-3.0, 25.0, 0.4)}
CRS = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=500 +y_0=700 +ellps=GRS80 +units=m +type=crs"
KNOWN = {
    "A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0, "sigma": 0.01},
    "B": {"easting": 503.0, "northing": 708.0, "sigma": 0.01},
}


def walked(stops: str, run: str, degrees: float, shift: tuple[float, float, float]) -> list:
    local = turned(np.array([STOPS[s] for s in stops]), degrees, shift)
    return [(run, s, *xyz) for s, xyz in zip(stops, local, strict=True)]


def test_runs_without_error_need_no_adjustment() -> None:
    rows = walked("ABTUAB", "R1", 40.0, (5.0, 2.0, -1.0)) + walked("UTBA", "R2", -100.0, (0, 9, 3))
    network = adjust(notes(rows, KNOWN, crs=CRS))
    truth = np.array([STOPS[s] for s in "ABTUABUTBA"])
    for en in (network.en, network.raw_en):
        assert network.frame.to_map(en) == pytest.approx(truth[:, :2] + [500, 700], abs=1e-5)
    assert network.elevation == pytest.approx(truth[:, 2], abs=1e-9)
    # the two baseline marks together carry the height of a run
    assert network.raw_elevation == pytest.approx(truth[:, 2], abs=1e-9)


def test_unadjusted_marks_keep_the_shape_as_walked() -> None:
    rows = walked("ABTUAB", "R1", 40.0, (5.0, 2.0, -1.0))
    # the run comes back 6 cm beside A and B
    rows[4:] = [(run, s, x + 0.06, y, z + 0.02) for run, s, x, y, z in rows[4:]]
    network = adjust(notes(rows, KNOWN, crs=CRS))
    local = np.array([row[2:] for row in rows])
    apart = np.hypot(*(network.raw_en[:, None] - network.raw_en).T)
    assert apart == pytest.approx(np.hypot(*(local[:, None, :2] - local[:, :2]).T), abs=1e-5)
    # its first visits to both marks lie on the map
    truth = np.array([STOPS["A"], STOPS["B"]])
    assert network.frame.to_map(network.raw_en[:2]) == pytest.approx(
        truth[:, :2] + [500, 700], abs=1e-5
    )
    assert np.diff(network.raw_elevation) == pytest.approx(np.diff(local[:, 2]), abs=1e-9)
    middle = network.elevation[:2].mean()
    assert network.raw_elevation[:2].mean() == pytest.approx(middle, abs=1e-9)
    assert network.en[4] == pytest.approx(network.en[0], abs=1e-9)
