"""Files that hold several layers: none is taken silently, tables without places are no choice."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import fiona
import pytest

from geosite.base.errors import InputError, Problem
from geosite.reading.background_lines import read_background_lines
from geosite.reading.polygons import read_polygons

SQUARE = {"type": "Polygon", "coordinates": [[(0, 0), (9, 0), (9, 9), (0, 9), (0, 0)]]}
POINT = {"type": "Point", "coordinates": (3, 3)}
WAY = {"type": "LineString", "coordinates": [(0, 0), (9, 9)]}


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def package(folder: Path, **layers: dict) -> Path:
    path = folder / "map.gpkg"
    for name, shape in layers.items():
        schema = {"geometry": shape["type"], "properties": {"parcel": "str"}}
        with fiona.open(
            path, "w", driver="GPKG", layer=name, schema=schema, crs="EPSG:25832"
        ) as out:
            out.write({"geometry": shape, "properties": {"parcel": name}})
    return path


def parcels(path: Path, layer: str | None = None) -> tuple[str, ...]:
    return read_polygons(path, path.name, refuse, layer=layer, name_field="parcel").names


def test_of_two_layers_of_areas_none_is_taken_unnamed(tmp_path: Path) -> None:
    path = package(tmp_path, cadastre=SQUARE, zoning=SQUARE, trees=POINT)
    with pytest.raises(InputError) as stopped:
        parcels(path)
    said = str(stopped.value)
    assert "holds several layers; expected one of cadastre, zoning; name it with layer" in said
    assert parcels(path, "zoning") == ("zoning",)


def test_the_only_layer_of_its_kind_is_meant_wherever_it_stands(tmp_path: Path) -> None:
    path = package(tmp_path, trees=POINT, streets=WAY, cadastre=SQUARE)
    with closing(sqlite3.connect(path)) as base, base:  # as a desktop leaves its styles
        base.execute("CREATE TABLE layer_styles (id INTEGER PRIMARY KEY, styleName TEXT)")
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles')"
        )
    assert parcels(path) == ("cadastre",)
    # under a plan lie lines and areas alike
    with pytest.raises(InputError, match="one of streets, cadastre; name it with background_layer"):
        read_background_lines(path, path.name, refuse)
    assert len(read_background_lines(path, path.name, refuse, layer="streets").shapes) == 1


def test_a_layer_that_is_not_there_is_told_with_those_that_are(tmp_path: Path) -> None:
    path = package(tmp_path, cadastre=SQUARE, zoning=SQUARE)
    with pytest.raises(InputError) as stopped:
        parcels(path, "cadaster")
    said = str(stopped.value)
    assert 'map.gpkg has no layer "cadaster"; expected one of cadastre, zoning' in said
    assert 'did you mean "cadastre"?' in said


def test_folders_of_a_kml_file_are_layers(tmp_path: Path) -> None:
    ring = "9.1,47.6,0 9.2,47.6,0 9.2,47.7,0 9.1,47.6,0"
    area = (
        "<Placemark><name>12</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
        f"{ring}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
    )
    path = tmp_path / "map.kml"
    path.write_text(
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Folder><name>old</name>{area}</Folder><Folder><name>new</name>{area}</Folder>"
        "</Document></kml>"
    )
    with pytest.raises(InputError, match="one of old, new"):
        read_polygons(path, path.name, refuse, name_field="Name")
    assert len(read_polygons(path, path.name, refuse, layer="new").names) == 1
