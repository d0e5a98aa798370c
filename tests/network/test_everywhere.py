"""The same survey gives the same wherever it is on the map, and whatever its size and shape."""

from __future__ import annotations

import numpy as np
import pytest
from network_cases import Row, notes, turned

from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal
from geosite.network.model import Network

PLACES = {"A": (0, 0, 0.0), "B": (9, 0, 0.1), "C": (40, 25, 0.6), "D": (-15, 60, 0.4)}
STOPS = "ABCDABDCA"


def walk(scale: float = 1.0, places: dict[str, tuple[float, float, float]] = PLACES) -> list[Row]:
    rng = np.random.default_rng(7)
    local = scale * np.array([places[s] for s in STOPS], dtype=np.float64)
    local += np.cumsum(rng.normal(0, 1e-4 * scale, local.shape), axis=0)
    return [("R", s, *xyz) for s, xyz in zip(STOPS, turned(local, 50, (3, -2, 0)), strict=True)]


def placed(crs: str, east: float, north: float, rows: list[Row] | None = None) -> Network:
    mark = {"easting": east, "northing": north, "elevation": 0.0}
    return adjust(notes(walk() if rows is None else rows, {"A": mark}, crs=crs, **AZIMUTH))


AZIMUTH = {"azimuth": {"value": 65.0}}
TMERC = "+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"


@pytest.mark.parametrize(
    ("crs", "east", "north"),
    [
        (TMERC, 0.0, 500e3),
        (TMERC, 0.0, 5000e3),
        (TMERC, -200e3, 5000e3),
        (TMERC.replace("x_0=0", "x_0=5000000"), 5000e3, 4000e3),
        ("EPSG:32733", 500e3, 6200e3),  # southern hemisphere
        ("EPSG:32718", 300e3, 8600e3),  # southern and western
        ("EPSG:32618", 583e3, 4507e3),  # western
        ("EPSG:32632", 840e3, 100e3),  # beyond the zone's edge
        ("EPSG:32633", 170e3, -50e3),
        ("EPSG:5514", -600e3, -1150e3),  # negative coordinates
        ("EPSG:5041", 2000010.0, 1999990.0),  # at the pole
        ("EPSG:3031", -500e3, 900e3),
    ],
)
def test_the_same_ground_anywhere_on_the_map(crs: str, east: float, north: float) -> None:
    at_origin, there = placed(TMERC, 0.0, 0.0), placed(crs, east, north)
    ground, expected = (
        (network.en - network.en[0]) / network.frame.combined_factor
        for network in (there, at_origin)
    )
    assert ground == pytest.approx(expected, abs=1e-4)
    assert there.elevation == pytest.approx(at_origin.elevation, abs=1e-4)
    assert sigma_horizontal(there) == pytest.approx(sigma_horizontal(at_origin), rel=1e-2)
    assert there.frame.to_map(there.en[0]) == pytest.approx([east, north], abs=1e-6)


@pytest.mark.parametrize("scale", [0.2, 1.0, 100.0])
def test_a_site_of_any_size(scale: float) -> None:
    rows = walk(scale)
    mark = {"easting": 0.0, "northing": 0.0, "elevation": 0.0}
    noise = (0.0, 1e-4)
    network = adjust(notes(rows, {"A": mark}, crs=TMERC, noise=noise, **AZIMUTH))
    truth = turned(scale * np.array([PLACES[s] for s in STOPS], dtype=np.float64), 25.0)
    en = (network.en - network.en[0]) / network.frame.combined_factor
    assert en == pytest.approx(truth[:, :2], abs=2e-3 * scale)


@pytest.mark.parametrize(
    ("crs", "east", "north"),
    [
        ("EPSG:25832", 500e3, 5300e3),
        ("EPSG:25832", 760e3, 5300e3),  # the zone's edge
        ("EPSG:32733", 250e3, 6200e3),
        ("EPSG:5041", 2003e3, 1996e3),  # 5 km from the pole
        ("EPSG:3413", 200e3, -1500e3),
    ],
)
def test_five_kilometres_keep_their_place(crs: str, east: float, north: float) -> None:
    # truth: an azimuthal equidistant map about the middle is the ground within 0.1 mm here; its
    # directions differ from the grid's by the convergence, which the second known mark takes out
    from pyproj import CRS, Transformer

    projected = CRS(crs)
    globe = projected.geodetic_crs
    assert globe is not None
    middle = Transformer.from_crs(projected, globe, always_xy=True).transform(east, north)
    flat = CRS(f"+proj=aeqd +lon_0={middle[0]:.12f} +lat_0={middle[1]:.12f} +ellps=WGS84 +type=crs")
    to_map = Transformer.from_crs(flat, projected, always_xy=True)
    angle = np.linspace(0, 2 * np.pi, 37)
    radius = 2500 * (0.7 + 0.3 * np.cos(3 * angle))
    local = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), 0 * angle])
    local[-1] = local[0]
    truth = np.column_stack(to_map.transform(local[:, 0], local[:, 1]))
    names = ["A", *("" for _ in range(17)), "B", *("" for _ in range(17)), "A"]
    rows = [("R", n, *xyz) for n, xyz in zip(names, local, strict=True)]
    known = {
        name: {"easting": float(truth[i, 0]), "northing": float(truth[i, 1]), "elevation": 0.0}
        for name, i in (("A", 0), ("B", 18))
    }
    network = adjust(notes(rows, known, crs=crs))
    assert network.frame.to_map(network.en) == pytest.approx(truth, abs=3e-3)


def test_marks_in_one_line_and_all_heights_equal() -> None:
    line = {"A": (0.0, 0.0, 5.0), "B": (9.0, 0.0, 5.0), "C": (40.0, 0.0, 5.0), "D": (70.0, 0, 5.0)}
    network = placed(TMERC, 0.0, 0.0, walk(places=line))
    along = turned(np.array([line[s] for s in STOPS]), 25.0)
    assert network.en - network.en[0] == pytest.approx(along[:, :2], abs=2e-3)
    assert network.elevation == pytest.approx(np.zeros(len(STOPS)), abs=1e-3)
    assert np.isfinite(sigma_horizontal(network)).all()
