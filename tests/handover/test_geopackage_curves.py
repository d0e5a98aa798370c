"""True curves: read back by GDAL, which knows them, and measured."""

from __future__ import annotations

import dataclasses
import math
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import package_cases
import pytest
import shapely

from geosite.handover.formats.geopackage import write_geopackage
from geosite.handover.formats.wkb import encode_curves
from geosite.handover.model import Package
from geosite.linework.model import Feature


def package(*features: Feature) -> Package:
    return Package("t", "", package_cases.frame(), (), (), (), features=features)


def read(tmp_path: Path, given: Package) -> dict[str, Any]:
    """Return the geometries as GDAL reads them, arcs as chords of at most four degrees."""
    import pyogrio

    path = tmp_path / "curves.gpkg"
    write_geopackage(path, given, curves=True)
    found: dict[str, Any] = {}
    for name, _ in pyogrio.list_layers(path):
        if name.startswith("curve_"):
            _, _, wkb, columns = pyogrio.raw.read(path, layer=name, columns=["feature"])
            found.update(zip(columns[0], shapely.from_wkb(wkb), strict=True))
    return found


def test_outlines_come_back_as_drawn(tmp_path: Path) -> None:
    given = package_cases.ferry_landing()
    found = read(tmp_path, given)
    origin = np.array(given.frame.origin)
    assert set(found) == {feature.name for feature in given.features if feature.kind != "point"}
    for feature in given.features:
        back = found[feature.name]
        local = shapely.transform(back, lambda p: p - (*origin, 0.0)[: p.shape[1]])
        assert back.has_z
        # chords of four degrees stand off by r (1 - cos 2 degrees): 5 mm on the largest arc here
        assert local.hausdorff_distance(feature.geometry) < 0.006
        kind = "Polygon" if feature.kind == "area" else "MultiLineString"
        assert local.geom_type == kind


def test_types_are_registered(tmp_path: Path) -> None:
    path = tmp_path / "x.gpkg"
    write_geopackage(path, package_cases.ferry_landing(), curves=True)
    with closing(sqlite3.connect(path)) as file:
        found = file.execute(
            "SELECT table_name, extension_name FROM gpkg_extensions WHERE extension_name "
            "LIKE 'gpkg_geom%' ORDER BY 1, 2"
        ).fetchall()
        declared = dict(
            file.execute("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns")
        )
        areas, lines = (
            {
                int.from_bytes(blob[1:5], "little")
                for (blob,) in file.execute(f"SELECT substr(geom, 41) FROM {name}")
            }
            for name in ("curve_areas", "curve_lines")
        )
    assert ("curve_areas", "gpkg_geom_CURVEPOLYGON") in found
    assert ("curve_lines", "gpkg_geom_MULTICURVE") in found
    assert {name for _, name in found} == {
        "gpkg_geom_CIRCULARSTRING",
        "gpkg_geom_COMPOUNDCURVE",
        "gpkg_geom_CURVEPOLYGON",
        "gpkg_geom_MULTICURVE",
    }
    assert (declared["curve_areas"], declared["curve_lines"]) == ("CURVEPOLYGON", "MULTICURVE")
    # ISO 13249-3: curve polygon 10, multi curve 11; 1000 more with Z; one kind per layer
    assert (areas, lines) == ({1010}, {1011})


def test_a_layer_is_there_only_where_it_holds_something(tmp_path: Path) -> None:
    import pyogrio

    straight = package_cases.feature("l", "x", "line", package_cases.straight((0, 0), (9, 9)))
    write_geopackage(tmp_path / "x.gpkg", package(straight), curves=True)
    assert pyogrio.list_layers(tmp_path / "x.gpkg").tolist() == [
        ["curve_lines", "MultiLineString Z"]
    ]
    assert pyogrio.read_info(tmp_path / "x.gpkg", layer="curve_lines")["features"] == 1


@pytest.mark.parametrize("sweep", [-350.0, -180.0, -10.0, 0.5, 90.0, 200.0])
def test_arcs_of_every_turn(tmp_path: Path, sweep: float) -> None:
    arc = package_cases.arc((30.0, 20.0), 5.0, 25.0, sweep)
    found = read(tmp_path, package(package_cases.feature("a", "x", "line", arc)))["a"]
    radius = 5.0 * package_cases.FACTOR
    assert arc.centre is not None
    middle = np.array(arc.centre) + package_cases.ORIGIN
    places = shapely.get_coordinates(found)
    assert np.allclose(np.hypot(*(places - middle).T), radius, rtol=0, atol=1e-6)
    assert found.length == pytest.approx(radius * math.radians(abs(sweep)), rel=3e-4)
    ends = arc.vertices[[0, -1], :2] + package_cases.ORIGIN
    assert np.allclose(places[[0, -1]], ends, rtol=0, atol=1e-9)


def test_elevations_run_along_the_arc() -> None:
    """The middle of an arc has the elevation that the outline has there."""
    arc = package_cases.arc((30.0, 20.0), 5.0, 0.0, 180.0)
    climbing = arc.vertices.copy()
    climbing[:, 2] = np.linspace(400.0, 410.0, len(climbing))
    arc = dataclasses.replace(arc, vertices=climbing)
    ((_, encoded),) = encode_curves(package(package_cases.feature("a", "x", "line", arc)))
    # behind the heads of the multi curve and of its one part
    heights = np.frombuffer(encoded.wkb[0][18:], "<f8").reshape(3, 3)[:, 2]
    assert heights == pytest.approx([400.0, 405.0, 410.0])


def test_bounds_hold_the_outermost_points_of_arcs() -> None:
    """A half circle between chords' ends reaches further than its densified outline."""
    for start in range(0, 360, 30):
        for sweep in (-270.0, -90.0, 90.0, 200.0):
            arc = package_cases.arc((30.0, 20.0), 5.0, float(start), sweep)
            ((_, encoded),) = encode_curves(package(package_cases.feature("a", "x", "line", arc)))
            turns = np.radians(start + np.linspace(0.0, sweep, 20_001))
            assert arc.centre is not None
            dense = (
                np.array(arc.centre)
                + package_cases.ORIGIN
                + 5.0 * package_cases.FACTOR * (np.column_stack([np.cos(turns), np.sin(turns)]))
            )
            exact = [*dense.min(axis=0), *dense.max(axis=0)]
            assert encoded.bounds[0] == pytest.approx(exact, abs=1e-6)


def test_measures_are_the_exact_ones() -> None:
    (layer, _), _ = encode_curves(package_cases.ferry_landing())
    island = next(r for r in layer.records if r["feature"] == "island")
    assert island["area_m2"] == pytest.approx(9.0 * math.pi, rel=1e-12)
    assert island["arcs"] == 1
