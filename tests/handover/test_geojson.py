"""GeoJSON against RFC 7946."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import package_cases
import pytest
import shapely
from pyproj import CRS, Transformer

from geosite.base.columns import Field
from geosite.handover.formats.geojson import layer_texts, write_geojson
from geosite.handover.model import CAUTION, Layer, Package


def written(tmp_path: Path, package: Package) -> dict[str, Any]:
    path = tmp_path / "site.geojson"
    write_geojson(path, package, layer_texts(package))
    read: dict[str, Any] = json.loads(path.read_bytes().decode("utf-8"))
    return read


def one_layer(*shapes: Any, kind: str = "PolygonZ", **frame: Any) -> Package:
    layer = Layer(
        "areas", "", "", kind, (Field("n", "real"),), [{"n": 1.0} for _ in shapes], shapes
    )
    return Package("t", "", package_cases.frame(**frame), (layer,), (), ())


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return written(tmp_path_factory.mktemp("json"), package_cases.ferry_landing())


def positions(coordinates: Any) -> list[list[float]]:
    if isinstance(coordinates[0], int | float):
        return [coordinates]
    return [p for inner in coordinates for p in positions(inner)]


def test_it_is_a_collection_of_every_feature(whole: dict[str, Any]) -> None:
    assert whole["type"] == "FeatureCollection"
    package = package_cases.ferry_landing()
    listed = [feature["properties"]["layer"] for feature in whole["features"]]
    assert listed == [layer.name for layer in package.layers for _ in layer.records]
    identifiers = [feature["id"] for feature in whole["features"]]
    assert len(set(identifiers)) == len(identifiers)
    for feature in whole["features"]:
        assert set(feature) == {"type", "id", "geometry", "properties"}
    # RFC 7946, section 4: a member crs is not used
    assert "crs" not in whole


def test_positions_are_wgs84_with_two_numbers(whole: dict[str, Any]) -> None:
    """Sections 3.1.1 and 4: longitude, latitude; no height that is not ellipsoidal."""
    for feature in whole["features"]:
        for position in positions(feature["geometry"]["coordinates"]):
            assert len(position) == 2
            longitude, latitude = position
            assert 9.16 < longitude < 9.17
            assert 47.63 < latitude < 47.64
    assert "two numbers" in whole["position"]
    assert "DHHN2016" in whole["height"]
    assert "accuracy 1 m" in whole["operation"]


def test_marks_are_where_proj_puts_them(whole: dict[str, Any]) -> None:
    package = package_cases.ferry_landing()
    points = next(layer for layer in package.layers if layer.name == "points")
    proj = Transformer.from_crs(25832, 4326, always_xy=True)
    for feature, place in zip(whole["features"], points.geometries, strict=False):
        expected = proj.transform(place.x, place.y)
        assert feature["geometry"]["coordinates"] == pytest.approx(expected, abs=1e-9)
        assert feature["properties"]["elevation"] == place.z


def test_the_bounding_box_holds_everything(whole: dict[str, Any]) -> None:
    every = np.array(
        [p for f in whole["features"] for p in positions(f["geometry"]["coordinates"])]
    )
    assert whole["bbox"] == [*every.min(axis=0).tolist(), *every.max(axis=0).tolist()]


@pytest.mark.parametrize(("code", "middle"), [(32617, -80.5), (27700, -0.1), (32601, -176.0)])
def test_the_bounding_box_west_of_greenwich(tmp_path: Path, code: int, middle: float) -> None:
    """Section 5: west, south, east, north, longitudes from -180 to 180."""
    to_map = Transformer.from_crs(CRS(code).geodetic_crs, code, always_xy=True)
    for number in range(12):
        corner = np.array(to_map.transform(middle + 0.0003 * number, 40.0 + number))
        ring = corner + np.array([(0.0, 0.0), (31.7 + number, 1.3), (30.1, 22.9 + number)])
        given = shapely.Polygon([(*place, 1.0) for place in ring.tolist()])
        crs = {"crs_wkt": CRS(code).to_wkt(), "crs_name": "", "origin": tuple(corner.tolist())}
        whole = written(tmp_path, one_layer(given, **crs))
        every = np.array(positions(whole["features"][0]["geometry"]["coordinates"]))
        assert whole["bbox"] == [*every.min(axis=0).tolist(), *every.max(axis=0).tolist()]


def test_rings_follow_the_right_hand_rule(tmp_path: Path) -> None:
    """Section 3.1.6: exterior counter-clockwise, holes clockwise, whatever came in."""
    corner = np.array([512_000, 5_276_000, 0])
    square = np.array([(0, 0, 1), (50, 0, 1), (50, 50, 1), (0, 50, 1)]) + corner
    hole = np.array([(10, 10, 1), (20, 10, 1), (20, 20, 1), (10, 20, 1)]) + corner
    for turn in (1, -1):
        for inner in (1, -1):
            given = shapely.Polygon(square[::turn], [hole[::inner]])
            (feature,) = written(tmp_path, one_layer(given))["features"]
            exterior, interior = feature["geometry"]["coordinates"]
            assert shapely.LinearRing(exterior).is_ccw
            assert not shapely.LinearRing(interior).is_ccw


def test_cut_at_the_antimeridian(tmp_path: Path) -> None:
    """Section 3.1.9: no part crosses the 180th meridian."""
    wkt = CRS("EPSG:32701").to_wkt()
    to_map = Transformer.from_crs(4326, 32701, always_xy=True)
    corners = [to_map.transform(e, n) for e, n in ((179.99, -18), (-179.99, -18), (-179.99, -17.99),
                                                   (179.99, -17.99))]  # fmt: skip
    given = shapely.Polygon([(e, n, 1.0) for e, n in corners])
    crossing = shapely.LineString([(*corners[0], 1.0), (*corners[1], 1.0)])
    for shape, kind, total in ((given, "PolygonZ", 0.0002), (crossing, "LineStringZ", 0.02)):
        package = one_layer(shape, kind=kind, crs_wkt=wkt, crs_name="", origin=corners[0])
        whole = written(tmp_path, package)
        (feature,) = whole["features"]
        west, _, east, _ = whole["bbox"]  # section 5.2: over the antimeridian west is the greater
        assert (west, east) == pytest.approx((179.99, -179.99), abs=1e-6)
        read = shapely.geometry.shape(feature["geometry"])
        parts = shapely.get_parts(read)
        assert len(parts) == 2
        for part in parts:
            west, _, east, _ = part.bounds
            assert east - west == pytest.approx(0.01, abs=1e-6)
        assert (read.area or read.length) == pytest.approx(total, rel=1e-4)
        # nothing of it lies beside the bbox by a last digit
        places = shapely.get_coordinates(read)
        assert (places == np.round(places, 9)).all()
        assert whole["caution"] == CAUTION


def test_a_yard_round_the_pole(tmp_path: Path) -> None:
    """On this map the pole is a line: the yard reaches up to it over all longitudes."""
    wkt = CRS("EPSG:5041").to_wkt()
    yard = shapely.Point(2_000_000, 2_000_000).buffer(20.0, quad_segs=90)
    yard = shapely.force_3d(yard.difference(shapely.Point(2_000_010, 2_000_000).buffer(2.0)), 1.0)
    package = one_layer(yard, kind="PolygonZ", crs_wkt=wkt, crs_name="", origin=(2e6, 2e6))
    (feature,) = written(tmp_path, package)["features"]
    read = shapely.geometry.shape(feature["geometry"])
    assert read.is_valid
    west, south, east, north = read.bounds
    assert (west, east, north) == (-180.0, 180.0, 90.0)
    degree = 111_694.0  # metres of meridian per degree at the pole, WGS 84
    assert (north - south) * degree == pytest.approx(20.0 / 0.994, rel=1e-3)
    band = 360.0 * (north - south)
    assert 0.9 * band < read.area < band  # the hole comes off
    back = Transformer.from_crs(4326, 5041, always_xy=True)
    hole = back.transform(2_000_010, 2_000_000, direction="INVERSE")
    assert not read.contains(shapely.Point(hole))


@pytest.mark.parametrize(
    "corners",
    [
        [(-20, -20), (20, -20), (20, 20), (-20, 20)],  # the pole in the middle
        [(3, -20), (40, -20), (40, 20), (3, 20)],  # beside an edge
        [(-30, 2), (30, 2), (30, 25), (-30, 25)],  # beside an edge, across the antimeridian
        [(-30, -25), (30, -25), (30, -2), (-30, -2)],
    ],
)
def test_edges_near_the_pole_run_where_they_run_on_the_ground(
    corners: list[tuple[float, float]], tmp_path: Path
) -> None:
    wkt = CRS("EPSG:5041").to_wkt()
    flat = shapely.Polygon(np.array(corners, dtype=float) + 2e6)
    yard = shapely.force_3d(flat, 1.0)
    package = one_layer(yard, kind="PolygonZ", crs_wkt=wkt, crs_name="", origin=(2e6, 2e6))
    (feature,) = written(tmp_path, package)["features"]
    read = shapely.geometry.shape(feature["geometry"])
    assert read.is_valid
    places = 2e6 + np.random.default_rng(4).uniform(-45.0, 45.0, (4000, 2))
    sure = shapely.distance(flat.boundary, shapely.points(places)) > 0.02
    to_degrees = Transformer.from_crs(5041, 4326, always_xy=True)
    degrees = np.column_stack(to_degrees.transform(*places[sure].T))
    inside = shapely.contains_xy(flat, places[sure])
    np.testing.assert_array_equal(shapely.contains_xy(read, degrees), inside)


def test_edges_of_a_yard_elsewhere_stay_as_they_are(tmp_path: Path) -> None:
    yard = shapely.force_3d(shapely.box(512_000, 5_276_000, 512_300, 5_276_200), 1.0)
    (feature,) = written(tmp_path, one_layer(yard))["features"]
    assert len(feature["geometry"]["coordinates"][0]) == 5


def test_values_without_a_number_are_null(tmp_path: Path) -> None:
    package = one_layer(shapely.Point(512_000, 5_276_000, 1), kind="PointZ")
    layer = dataclasses.replace(package.layers[0], records=[{"n": math.nan}])
    hostile = dataclasses.replace(package, layers=(layer,), title='</script>"\ud800')
    read = written(tmp_path, hostile)
    assert read["features"][0]["properties"] == {"layer": "areas", "n": None}
    assert read["title"] == '</script>"?'


def test_nothing_to_write(tmp_path: Path) -> None:
    read = written(tmp_path, one_layer())
    assert read["features"] == []
    assert "bbox" not in read


def test_other_readers_take_it(tmp_path: Path) -> None:
    import pyogrio

    path = tmp_path / "site.geojson"
    package = package_cases.ferry_landing()
    write_geojson(path, package, layer_texts(package))
    info = pyogrio.read_info(path)
    assert info["features"] == sum(len(layer.records) for layer in package.layers)
    assert info["crs"] == "EPSG:4326"
