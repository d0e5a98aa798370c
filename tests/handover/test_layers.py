"""The contract's layers from the sample site, against the notes, the adjustment and the drawing."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path
from typing import Any

import network_cases
import numpy as np
import pyproj
import pytest
import shapely

from geosite.fieldbook.model import Notes
from geosite.fieldbook.read import read_survey
from geosite.handover.layers import baseline
from geosite.handover.layers.everything import survey_layers
from geosite.handover.model import Layer
from geosite.linework.draw import draw
from geosite.linework.model import Drawing
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical
from geosite.network.model import Network

SAMPLES = Path(__file__).parents[2] / "sample_data"
CONTRACT = {
    "points": [
        "run", "point", "feature", "code", "local_x", "local_y", "local_z", "easting", "northing",
        "elevation", "sigma_h_m", "sigma_v_m", "correction_m",
    ],
    "areas": ["feature", "code", "area_m2", "area_sigma_m2", "net_area_m2", "perimeter_m"],
    "lines": ["feature", "code", "length_m", "length_3d_m", "rise_m", "fall_m"],
}  # fmt: skip


@cache
def survey(name: str) -> tuple[Notes, Network, Drawing]:
    notes = read_survey(SAMPLES / name / "site.toml")
    network = adjust(notes)
    return notes, network, draw(notes, network)


@cache
def layers(name: str = "ferry_landing") -> dict[str, Layer]:
    return {layer.name: layer for layer in survey_layers(*survey(name))}


def column(layer: Layer, name: str) -> list[Any]:
    return [record[name] for record in layer.records]


def test_names_and_first_fields_are_the_contracts() -> None:
    assert list(layers()) == ["points", "marks", "baseline", "areas", "lines"]
    for name, fields in CONTRACT.items():
        assert [field.name for field in layers()[name].fields][: len(fields)] == fields
    assert layers()["points"].geometry_type == "PointZ"
    assert layers()["areas"].geometry_type == "PolygonZ"


@pytest.mark.parametrize("name", ["ferry_landing", "jetty_feet", "davis_spot_heights"])
def test_records_fields_and_geometries_agree(name: str) -> None:
    for layer in layers(name).values():
        fields = [field.name for field in layer.fields]
        assert len(layer.records) == len(layer.geometries)
        for record in layer.records:
            assert list(record) == fields
        for field in layer.fields:
            assert field.description.endswith(".")
            kinds = {"text": str, "real": float, "integer": int}
            assert {type(r[field.name]) for r in layer.records} <= {kinds[field.type], type(None)}
        for shape in layer.geometries:
            assert shape.has_z
            assert shapely.is_valid(shape)


def test_points_are_every_observation_in_walking_order() -> None:
    notes, network, _ = survey("ferry_landing")
    points = layers()["points"]
    book = notes.book
    assert len(points.records) == len(book)
    assert column(points, "row") == book.line.tolist()
    assert column(points, "run") == [book.runs[i] for i in book.run]
    assert column(points, "point") == [book.marks[i] if i >= 0 else None for i in book.mark]
    places = shapely.get_coordinates(points.geometries, include_z=True)
    stated = np.column_stack([column(points, k) for k in ("easting", "northing", "elevation")])
    assert np.array_equal(places, stated)
    assert np.allclose(
        stated[:, :2] - np.array(network.frame.origin), network.en, rtol=0, atol=1e-9
    )
    assert column(points, "sigma_h_m") == sigma_horizontal(network).tolist()
    assert column(points, "sigma_v_m") == sigma_vertical(network).tolist()
    half = column(points, "v_95_m")
    assert half == (sigma_vertical(network) * network.vertical_interval_factor).tolist()


def test_correction_is_the_horizontal_move_of_the_adjustment() -> None:
    _, network, _ = survey("ferry_landing")
    for i, moved in enumerate(column(layers()["points"], "correction_m")):
        assert moved == pytest.approx(math.dist(network.en[i], network.raw_en[i]), abs=1e-12)


def test_units_of_the_notes_and_of_the_map_are_kept() -> None:
    """The jetty is walked in feet onto a map in US survey feet."""
    notes, network, _ = survey("jetty_feet")
    points = layers("jetty_feet")["points"]
    # as in the field book: P2 at -27.4, -12.23, -0.37 ft
    assert points.records[1]["point"] == "P2"
    local = [points.records[1][k] for k in ("local_x", "local_y", "local_z")]
    assert local == pytest.approx([-27.4, -12.23, -0.37], abs=1e-9)
    foot = 1200 / 3937
    grid = network.en[1] - network.en[0]
    placed = np.array([[r["easting"], r["northing"]] for r in points.records[:2]])
    assert (placed[1] - placed[0]) * foot == pytest.approx(grid, abs=1e-8)
    assert points.records[0]["elevation"] == pytest.approx(30.0, abs=1e-6)
    units = {field.name: field.unit for field in points.fields}
    assert (units["local_x"], units["easting"]) == (notes.site.survey.unit, "US survey foot")


def test_areas_and_lines_carry_the_drawings_ground_measures() -> None:
    _, network, drawing = survey("ferry_landing")
    factor = network.frame.combined_factor
    drawn = {feature.name: feature for feature in drawing.features}
    areas, lines = layers()["areas"], layers()["lines"]
    assert column(areas, "feature") == ["apron", "ticket_house", "island", "slipway"]
    assert column(lines, "feature") == ["kerb_bottom", "kerb_top", "access_walk", "fence"]
    for record, shape in zip(areas.records, areas.geometries, strict=True):
        feature = drawn[record["feature"]]
        assert feature.area is not None
        assert feature.perimeter is not None
        assert record["area_m2"] == feature.area.value
        assert record["area_sigma_m2"] == feature.area.sigma
        assert record["perimeter_m"] == feature.perimeter.value
        assert record["area_grid_m2"] == pytest.approx(record["area_m2"] * factor**2, rel=1e-12)
        # chords instead of arcs: less than 2 mm along the outline
        assert shape.area == pytest.approx(record["area_grid_m2"], abs=0.002 * shape.length)
    apron = areas.records[0]
    inside = [r["area_m2"] for r in areas.records if r["feature"] in ("ticket_house", "island")]
    assert apron["inside"] == "ticket_house, island"
    assert apron["net_area_m2"] == pytest.approx(apron["area_m2"] - sum(inside), abs=0.01)
    for record, shape in zip(lines.records, lines.geometries, strict=True):
        feature = drawn[record["feature"]]
        assert feature.length is not None
        assert record["length_m"] == feature.length.value
        assert record["length_m"] <= record["length_3d_m"]
        assert shape.length == pytest.approx(record["length_grid_m"], rel=1e-9)


def test_a_gap_makes_the_layer_one_of_several_parts() -> None:
    lines = layers()["lines"]
    assert lines.geometry_type == "MultiLineStringZ"
    fence = lines.geometries[column(lines, "feature").index("fence")]
    assert len(shapely.get_parts(fence)) == 2


def test_the_baseline_states_measured_and_mapped_length() -> None:
    notes, network, _ = survey("ferry_landing")
    (record,) = layers()["baseline"].records
    (shape,) = layers()["baseline"].geometries
    assert (record["from_point"], record["to_point"]) == ("B1", "B2")
    assert shape.length == pytest.approx(record["length_grid_m"], abs=1e-9)
    factor = network.frame.combined_factor
    assert record["length_m"] == pytest.approx(shape.length / factor, abs=1e-9)
    first, second = notes.site.anchor.marks["B1"], notes.site.anchor.marks["B2"]
    given = math.dist((first.easting, first.northing), (second.easting, second.northing))  # type: ignore[arg-type]
    # the length check takes the factor of the marks, the frame that of the middle of the survey
    assert record["mapped_m"] == pytest.approx(given / factor, rel=1e-6)
    ppm = (record["measured_m"] / record["mapped_m"] - 1.0) * 1e6
    assert record["difference_ppm"] == pytest.approx(ppm, rel=1e-6)
    (x0, y0, _), (x1, y1, _) = shape.coords
    azimuth = math.degrees(math.atan2(x1 - x0, y1 - y0))
    assert record["azimuth_grid_deg"] == pytest.approx(azimuth, abs=1e-7)
    # the geodesic from mark to mark, on the ellipsoid of the map
    to_degrees = pyproj.Transformer.from_crs("EPSG:25832", "EPSG:4258", always_xy=True)
    ends = [to_degrees.transform(x, y) for x, y in ((x0, y0), (x1, y1))]
    true, _, _ = pyproj.Geod(ellps="GRS80").inv(*ends[0], *ends[1])
    assert record["azimuth_true_deg"] == pytest.approx(true % 360, abs=1e-5)


def test_true_north_is_that_of_the_first_mark_on_a_long_site_far_north() -> None:
    # five kilometres from west to east at 78 degrees north: true north turns by 0.2 degrees
    crs = "EPSG:32633"
    to_degrees = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    first, second, far = (560000.0, 8660000.0), (560060.0, 8660030.0), (565000.0, 8660500.0)
    true, _, _ = pyproj.Geod(ellps="WGS84").inv(
        *to_degrees.transform(*first), *to_degrees.transform(*second)
    )
    marks = {
        name: {"easting": e, "northing": n, "elevation": 10.0}
        for name, (e, n) in (("A", first), ("B", second), ("C", far))
    }
    rows = [
        ("R", name, e - first[0], n - first[1], 0.0)
        for name, (e, n) in (("A", first), ("B", second), ("C", far), ("A", first), ("B", second))
    ]
    notes = network_cases.notes(network_cases.book(rows), marks, crs=crs, noise=(0.5, 0.5), limit=2)
    network = adjust(notes)
    (record,) = baseline.layer(notes, network).records
    assert record["azimuth_true_deg"] == pytest.approx(true % 360, abs=2e-5)
    in_the_middle = record["azimuth_grid_deg"] + math.degrees(network.frame.convergence)
    assert abs(in_the_middle - true) > 0.09


def test_a_baseline_that_is_not_on_the_map_has_its_measured_length() -> None:
    (record,) = layers("jetty_feet")["baseline"].records
    assert record["mapped_m"] is None
    assert record["measured_m"] == record["length_m"]
    # 27.4 and 12.23 ft as walked, with the misclosure spread over the loop
    assert record["length_m"] == pytest.approx(math.hypot(27.4, 12.23) * 0.3048, abs=0.02)


def test_elevations_in_feet_on_a_map_in_metres() -> None:
    notes, network, drawing = survey("ferry_landing")
    feet = dataclasses.replace(network.frame, height_unit_m=0.3048, height_unit_name="foot")
    changed = survey_layers(notes, dataclasses.replace(network, frame=feet), drawing)
    for layer, before in zip(changed, layers().values(), strict=True):
        now = shapely.get_coordinates(layer.geometries, include_z=True)
        was = shapely.get_coordinates(before.geometries, include_z=True)
        assert np.array_equal(now[:, :2], was[:, :2])
        assert np.allclose(now[:, 2] * 0.3048, was[:, 2], rtol=0, atol=1e-9)
    assert changed[0].records[0]["sigma_v_m"] == layers()["points"].records[0]["sigma_v_m"]


@pytest.mark.parametrize("name", ["ferry_landing", "jetty_feet"])
def test_every_mark_stands_once_where_all_its_visits_are(name: str) -> None:
    points, marks = layers(name)["points"], layers(name)["marks"]
    named = [record["point"] for record in points.records if record["point"]]
    assert [record["point"] for record in marks.records] == list(dict.fromkeys(named))
    assert sum(record["visits"] for record in marks.records) == len(named)
    assert max(record["visits"] for record in marks.records) > 1
    where = {r["point"]: s for r, s in zip(marks.records, marks.geometries, strict=True)}
    for record, shape in zip(points.records, points.geometries, strict=True):
        if record["point"]:
            assert shape.distance(where[record["point"]]) < 1e-6
    assert sum(record["role"] == "baseline" for record in marks.records) == 2


def test_a_layer_without_features_is_not_handed_over() -> None:
    assert all(len(layer.geometries) for layer in layers("davis_spot_heights").values())
    assert "lines" not in layers("davis_spot_heights")
