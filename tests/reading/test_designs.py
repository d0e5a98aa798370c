"""Designs from tables and layers."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest

from geosite.base.errors import InputError
from geosite.reading import designs
from geosite.reading.designs import read_design
from geosite.reading.points import read_points


def table(folder: Path, text: str) -> str:
    path = folder / "design.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def layer(folder: Path, kind: str, geometries: list[dict], name: str = "design.gpkg") -> str:
    path = folder / name
    schema = {"geometry": kind, "properties": {"name": "str", "elevation": "float"}}
    with fiona.open(path, "w", driver="GPKG", layer="design", schema=schema, crs="EPSG:25832") as s:
        for number, geometry in enumerate(geometries):
            s.write({"geometry": geometry, "properties": {"name": f"n{number}", "elevation": 7.5}})
    return str(path)


def test_a_table_in_any_order_with_names_and_lines(tmp_path: Path) -> None:
    text = "\nElevation;easting;Point;northing\n1,5;10,25;A1;20\n;11;;21\n"
    design = read_design(table(tmp_path, text))
    first, second = design.shapes
    assert (first.name, first.line, second.name, second.line) == ("A1", 3, "", 4)
    assert first.places[0] == pytest.approx([10.25, 20, 1.5])
    assert math.isnan(second.places[0, 2])
    assert design.crs_wkt is None


def test_all_faults_of_a_table_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        read_design(table(tmp_path, "point,easting,northing,elevation\nA,x,2,3\nB,1,inf,3\n"))
    assert [(p.line, p.code) for p in error.value.problems] == [
        (2, "cell-not-number"),
        (3, "cell-not-number"),
    ]


def test_a_missing_column_is_named_with_the_likely_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r'no column northing.*rename "northng"'):
        read_design(table(tmp_path, "point,easting,northng,elevation\nA,1,2,3\n"))


def test_a_layer_of_lines_with_heights_and_one_without(tmp_path: Path) -> None:
    lines = [{"type": "LineString", "coordinates": [(0, 0, 1), (5, 0, 2)]}]
    (line,) = read_design(layer(tmp_path, "3D LineString", lines)).shapes
    assert (line.kind, line.name) == ("line", "n0")
    assert line.places.tolist() == [[0, 0, 1], [5, 0, 2]]
    flat = [{"type": "LineString", "coordinates": [(0, 0), (5, 0)]}]
    (line,) = read_design(layer(tmp_path, "LineString", flat, "flat.gpkg")).shapes
    assert line.places[:, 2].tolist() == [7.5, 7.5]


def test_rings_of_areas_and_parts_of_collections(tmp_path: Path) -> None:
    outer = [(0, 0, 1), (9, 0, 1), (9, 9, 1), (0, 0, 1)]
    inner = [(5, 1, 1), (6, 1, 1), (6, 2, 1), (5, 1, 1)]
    both = [
        {
            "type": "MultiPolygon",
            "coordinates": [[outer, inner], [[(x + 20, y, z) for x, y, z in outer]]],
        }
    ]
    shapes = read_design(layer(tmp_path, "3D MultiPolygon", both)).shapes
    assert [s.kind for s in shapes] == ["area", "hole", "area"]
    assert [len(s.places) for s in shapes] == [4, 4, 4]


@pytest.mark.parametrize("read", [read_design, read_points])
def test_a_layer_in_plan_that_was_saved_with_z_is_refused(tmp_path: Path, read: Any) -> None:
    """A program that makes a layer 3D gives every place a Z of 0, whatever its field says."""
    ground = [{"type": "Point", "coordinates": (n, 2, n)} for n in (0.0, 1.0)]
    assert read(layer(tmp_path, "3D Point", ground)) is not None
    flat = [{"type": "Point", "coordinates": (n, 2, 0.0)} for n in (0.0, 1.0)]
    with pytest.raises(InputError, match=r"Z is 0 at every place, and the field elevation says"):
        read(layer(tmp_path, "3D Point", flat, "flat.gpkg"))


@pytest.mark.parametrize("read", [read_design, read_points])
def test_a_z_of_0_that_no_field_contradicts_is_an_elevation(tmp_path: Path, read: Any) -> None:
    features = ",".join(
        f'{{"type": "Feature", "properties": {{"elevation": {up}}}, '
        f'"geometry": {{"type": "Point", "coordinates": [1, {number}, 0]}}}}'
        for number, up in enumerate(("NaN", "null", "0.0"))
    )
    path = tmp_path / "level.geojson"
    path.write_text(f'{{"type": "FeatureCollection", "features": [{features}]}}')
    assert read(str(path)) is not None


def test_a_layer_without_shapes_is_told_as_one(tmp_path: Path) -> None:
    path = tmp_path / "none.geojson"
    path.write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", '
        '"properties": {"elevation": 402.5}, "geometry": null}]}'
    )
    with pytest.raises(InputError, match="nothing"):
        read_design(str(path))


def test_where_a_shape_is_taken_in_plan_its_elevations_do_not_matter(tmp_path: Path) -> None:
    flat = [{"type": "LineString", "coordinates": [(0, 0, 0), (5, 0, 0)]}]
    path = layer(tmp_path, "3D LineString", flat)
    assert read_design(path, in_plan=True).shapes[0].places[1].tolist() == [5, 0, 0]
    with pytest.raises(InputError, match="Z is 0 at every place"):
        read_design(path)


def test_an_unknown_layer_an_empty_file_and_no_layer_file(tmp_path: Path) -> None:
    good = layer(tmp_path, "Point", [{"type": "Point", "coordinates": (1, 2)}])
    with pytest.raises(
        InputError, match=r'no layer "desing"; expected one of design.*did you mean'
    ):
        read_design(good, "desing")
    with pytest.raises(InputError, match="nothing in it"):
        read_design(layer(tmp_path, "Point", [], "empty.gpkg"))
    with pytest.raises(InputError, match="nothing in it"):
        read_design(table(tmp_path, "point,easting,northing,elevation\n"))
    (tmp_path / "a.gpkg").write_bytes(b"no database")
    with pytest.raises(InputError, match="cannot be read as a design"):
        read_design(str(tmp_path / "a.gpkg"))
    with pytest.raises(InputError, match="a table has no layer"):
        read_design(table(tmp_path, "easting,northing\n1,2\n"), "x")
    assert np.isfinite(read_design(good).shapes[0].places).all()


@pytest.mark.parametrize("text", ["", "\n \n\t\n", "\ufeff", ",,,\n,,,\n", '"";""\n'])
def test_a_table_with_nothing_in_it_lacks_no_columns(tmp_path: Path, text: str) -> None:
    for read in (read_design, read_points):
        with pytest.raises(InputError, match="there is nothing in it") as caught:
            read(table(tmp_path, text))
        assert len(caught.value.problems) == 1


@pytest.mark.parametrize("read", [read_design, read_points])
def test_a_quote_that_is_never_closed_swallows_no_points(tmp_path: Path, read: Any) -> None:
    rows = 'note,point,easting,northing,elevation\n,A,1,2,3\n"by the gate,B,4,5,6\n,C,7,8,9\n'
    last = rows.replace('"', "") + ',D,1,2,"3'
    for text, start in ((rows, 3), (last, 5)):
        with pytest.raises(InputError, match="starts in this row is never closed") as told:
            read(table(tmp_path, text))
        assert told.value.problems[0].line == start
    with pytest.raises(InputError, match=r"1: .*starts in this row is never closed"):
        read(table(tmp_path, f'"{rows}'.replace('"by', "by")))
    for ditto in (
        '{head},A,1,2,3\n",B,4,5,6\n",C,7,8,9\n',
        '{head},A,1,2,3\n",B,4,5,6\n,C,7,8,9\n",D,1,2,3\n',
    ):
        with pytest.raises(InputError, match="goes on in the row below") as told:
            read(table(tmp_path, ditto.format(head="note,point,easting,northing,elevation\n")))
        assert told.value.problems[0].line == 3
    for text in (rows.replace('"by the gate', '5" kerb'), rows.replace("gate", 'gate"')):
        found = read(table(tmp_path, text))
        assert len(found.shapes if read is read_design else found.positions) == 3


def test_places_that_are_no_numbers_and_shapes_of_too_many_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flat = [{"type": "LineString", "coordinates": [(0, 0), (5, 0)]},
            {"type": "LineString", "coordinates": [(0, 0), (math.nan, 0)]}]  # fmt: skip
    with pytest.raises(InputError) as caught:
        read_design(layer(tmp_path, "LineString", flat, "off.gpkg"))
    (problem,) = caught.value.problems
    assert problem.code == "point-not-finite"
    assert "n1" in problem.what
    assert "n0" not in problem.what
    ring = [{"type": "LineString", "coordinates": [(k, 0) for k in range(6)]}]
    monkeypatch.setattr(designs, "SHAPES_LIMIT", 6)
    (shape,) = read_design(layer(tmp_path, "LineString", ring, "six.gpkg")).shapes
    assert len(shape.places) == 6
    monkeypatch.setattr(designs, "SHAPES_LIMIT", 5)
    with pytest.raises(InputError, match="a shape has more than 5 vertices"):
        read_design(layer(tmp_path, "LineString", ring, "six_again.gpkg"))
    # many shapes that are small are no large one
    few = [{"type": "LineString", "coordinates": [(k, 0), (k, 1)]} for k in range(6)]
    monkeypatch.setattr(designs, "SHAPES_LIMIT", 6)
    assert len(read_design(layer(tmp_path, "LineString", few, "few.gpkg")).shapes) == 6
