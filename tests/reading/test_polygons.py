"""Parcel maps as they come: KML, zipped shapefile, drafting file, layers without a CRS."""

import math
import warnings
import zipfile
from pathlib import Path

import ezdxf
import fiona
import pytest

from geosite.base.errors import InputError, Problem
from geosite.reading import polygons
from geosite.reading.foreign import driver_names
from geosite.reading.polygons import PolygonLayer, read_polygons

RING = [(512000.0, 5276000.0), (512100.0, 5276000.0), (512100.0, 5276080.0), (512000.0, 5276000.0)]


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def read(path: Path, **given: object) -> PolygonLayer:
    return read_polygons(path, path.name, refuse, **given)


def code(path: Path, **given: object) -> str:
    with pytest.raises(InputError) as caught:
        read(path, **given)
    return caught.value.problems[0].code


def shapefile(path: Path, crs: str | None) -> None:
    schema = {"geometry": "Polygon", "properties": {"parcel": "str"}}
    (driver,) = driver_names(["Shapefile"])
    with fiona.open(path, "w", driver=driver, schema=schema, crs=crs) as out:
        shape = {"type": "Polygon", "coordinates": [RING]}
        out.write({"geometry": shape, "properties": {"parcel": "12"}})


def test_kml(tmp_path: Path) -> None:
    ring = " ".join(f"{x},{y},0" for x, y in [(9.1, 47.6), (9.2, 47.6), (9.2, 47.7), (9.1, 47.6)])
    (tmp_path / "map.kml").write_text(
        '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark>'
        "<name>12</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
        f"{ring}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"
    )
    layer = read(tmp_path / "map.kml", name_field="Name")
    assert layer.names == ("12",)
    assert layer.shapes[0].area == pytest.approx(0.005)
    assert "WGS 84" in layer.crs_wkt


def test_the_one_layer_of_a_file_is_read_whatever_it_is_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # lists are made by another driver than the layer is opened by, where a library has both
    shapefile(tmp_path / "map.shp", "EPSG:25832")
    monkeypatch.setattr(fiona, "listlayers", lambda *_, **__: ["of another driver"])
    assert read(tmp_path / "map.shp", name_field="parcel").names == ("12",)


def test_zipped_shapefile(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    shapefile(tmp_path / "parts/map.shp", "EPSG:25832")
    with zipfile.ZipFile(tmp_path / "map.zip", "w") as out:
        for part in (tmp_path / "parts").iterdir():
            out.write(part, part.name)
    layer = read(tmp_path / "map.zip", name_field="parcel")
    assert layer.names == ("12",)
    assert layer.shapes[0].area == pytest.approx(4000.0)


def test_zip_without_a_shapefile(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "map.zip", "w") as out:
        out.writestr("readme.txt", "nothing")
    assert code(tmp_path / "map.zip") == "parcels-unreadable"


@pytest.mark.parametrize("at", [0, 40, 200, -60, -20])
def test_a_damaged_zip_is_told(tmp_path: Path, at: int) -> None:
    (tmp_path / "parts").mkdir()
    shapefile(tmp_path / "parts/map.shp", "EPSG:25832")
    with zipfile.ZipFile(tmp_path / "map.zip", "w", zipfile.ZIP_DEFLATED) as out:
        for part in sorted((tmp_path / "parts").iterdir(), reverse=True):
            out.write(part, part.name)
    data = bytearray((tmp_path / "map.zip").read_bytes())
    data[at : at + 20 or None] = b"\xee" * 20
    (tmp_path / "map.zip").write_bytes(data)
    assert code(tmp_path / "map.zip") == "parcels-unreadable"


def test_drafting_file_with_closed_lines_and_a_given_crs(tmp_path: Path) -> None:
    drawing = ezdxf.new()
    drawing.modelspace().add_lwpolyline(RING[:3], close=True)
    drawing.modelspace().add_line((0, 0), (1, 1))
    drawing.saveas(tmp_path / "map.dxf")
    assert code(tmp_path / "map.dxf") == "parcels-no-crs"
    layer = read(tmp_path / "map.dxf", crs="EPSG:25832")
    assert [shape.area for shape in layer.shapes] == pytest.approx([4000.0])
    assert "ETRS89" in layer.crs_wkt


def test_layer_without_crs(tmp_path: Path) -> None:
    shapefile(tmp_path / "map.shp", None)
    assert code(tmp_path / "map.shp") == "parcels-no-crs"
    assert read(tmp_path / "map.shp", crs="EPSG:25832").names == ("0",)


def test_given_crs_is_checked(tmp_path: Path) -> None:
    shapefile(tmp_path / "map.shp", "EPSG:25832")
    assert code(tmp_path / "map.shp", crs="EPSG:25833") == "parcels-two-crs"
    assert code(tmp_path / "map.shp", crs="EPSG:nothing") == "parcels-crs"
    assert (
        code(tmp_path / "map.shp", crs="+proj=utm +zone=32 +nadgrids=/etc/passwd") == "parcels-crs"
    )
    assert read(tmp_path / "map.shp", crs="EPSG:25832").names == ("0",)


def test_places_that_are_no_numbers_print_nothing(tmp_path: Path) -> None:
    ring = [(0.0, 0.0), (math.nan, 1.0), (1.0, 1.0), (0.0, 0.0)]
    schema = {"geometry": "Polygon", "properties": {}}
    with fiona.open(tmp_path / "a.gpkg", "w", driver="GPKG", crs="EPSG:25832", schema=schema) as to:
        to.write({"geometry": {"type": "Polygon", "coordinates": [ring]}, "properties": {}})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = read(tmp_path / "a.gpkg")
    assert len(found.shapes) == 1


def test_a_map_of_too_many_parcels_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    schema = {"geometry": "Polygon", "properties": {"parcel": "str"}}
    with fiona.open(tmp_path / "a.gpkg", "w", driver="GPKG", crs="EPSG:25832", schema=schema) as to:
        for row, number in enumerate(("7", None, "9")):
            ring = [(x, y + 100 * row) for x, y in RING]
            shape = {"type": "Polygon", "coordinates": [ring]}
            to.write({"geometry": shape, "properties": {"parcel": number}})
    monkeypatch.setattr(polygons, "MOST_POLYGONS", 3)
    # one without a name is called by its number in the layer
    assert read(tmp_path / "a.gpkg", name_field="parcel").names == ("7", "2", "9")
    monkeypatch.setattr(polygons, "MOST_POLYGONS", 2)
    assert code(tmp_path / "a.gpkg") == "parcels-too-many"
