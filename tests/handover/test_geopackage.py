"""The GeoPackage, read back by other readers and held against the standard (OGC 12-128)."""

from __future__ import annotations

import dataclasses
import importlib.util
import math
import sqlite3
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import package_cases
import pytest
import shapely
from pyproj import CRS

from geosite.base.columns import Field
from geosite.handover.formats.geopackage import write_geopackage
from geosite.handover.formats.metadata import metadata
from geosite.handover.formats.sld import styles
from geosite.handover.model import Layer, Package, Table

LONDON = "2026-04-12T00:00:00.000Z"


def query(path: Path, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as file:
        return file.execute(sql, values).fetchall()


def small(
    *layers: Layer, tables: Sequence[Table] = (), date: str = "2026-04-12", **frame: Any
) -> Package:
    return Package("t", date, package_cases.frame(**frame), layers, (), tuple(tables))


def point_layer(records: Sequence[Mapping[str, Any]], *fields: Field) -> Layer:
    shapes = [shapely.Point(512_300 + i, 5_276_100, 402) for i in range(len(records))]
    return Layer("points", "Points", "Some.", "PointZ", fields, records, shapes)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every layer, table and option of the sample."""
    path = tmp_path_factory.mktemp("gpkg") / "site.gpkg"
    package = package_cases.ferry_landing()
    write_geopackage(
        path,
        package,
        curves=True,
        coverages=True,
        metadata=metadata(package),
        styles=styles(package),
    )
    return path


def validator() -> list[str]:
    if importlib.util.find_spec("osgeo_utils") is None:
        pytest.skip("needs GDAL's validation script: pip install --no-deps gdal-utils")
    return [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg"]


def test_it_passes_gdals_validation_script(whole: Path, tmp_path: Path) -> None:
    done = subprocess.run([*validator(), str(whole)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    # and the script is awake: it objects to a wrong spatial reference
    broken = tmp_path / "broken.gpkg"
    broken.write_bytes(whole.read_bytes())
    with closing(sqlite3.connect(broken)) as file:
        file.execute("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = 0")
        file.commit()
    assert subprocess.run([*validator(), str(broken)], capture_output=True).returncode != 0


def test_header_integrity_and_journal(whole: Path) -> None:
    """OGC 12-128, requirements 2, 6 and 7; one file, nothing beside it."""
    assert query(whole, "PRAGMA application_id") == [(0x47504B47,)]
    assert query(whole, "PRAGMA user_version") == [(10300,)]
    assert query(whole, "PRAGMA integrity_check") == [("ok",)]
    assert query(whole, "PRAGMA foreign_key_check") == []
    assert query(whole, "PRAGMA journal_mode") == [("delete",)]
    assert [p.name for p in whole.parent.iterdir()] == ["site.gpkg"]


def test_layers_read_back_with_pyogrio(whole: Path) -> None:
    import pyogrio

    package = package_cases.ferry_landing()
    names = [layer.name for layer in package.layers]
    listed = dict(pyogrio.list_layers(whole))
    assert list(listed) == [*names, "curve_areas", "curve_lines", "quantities", "layer_styles"]
    for layer in package.layers:
        info = pyogrio.read_info(whole, layer=layer.name)
        assert info["crs"] == "EPSG:25832"
        assert info["features"] == len(layer.records)
        assert info["geometry_type"] == layer.geometry_type.replace("Z", " Z")
        assert list(info["fields"]) == [field.name for field in layer.fields]
        assert np.allclose(
            info["total_bounds"], shapely.total_bounds(np.array(layer.geometries, dtype=object))
        )
        _, _, wkb, columns = pyogrio.raw.read(whole, layer=layer.name)
        for read, given in zip(shapely.from_wkb(wkb), layer.geometries, strict=True):
            assert shapely.equals(read, given)
            assert read.has_z == layer.geometry_type.endswith("Z")
        for field, column in zip(layer.fields, columns, strict=True):
            given = [record.get(field.name) for record in layer.records]
            if field.type == "real":
                numbers = [math.nan if v is None else v for v in given]
                assert np.array_equal(column, numbers, equal_nan=True)
            else:
                assert column.tolist() == given
    _, _, wkb, columns = pyogrio.raw.read(whole, layer="quantities")
    assert wkb is None
    assert [column.tolist() for column in columns] == [["asphalt"], [830.0]]


def test_the_spatial_index_is_right_and_stays_right(whole: Path, tmp_path: Path) -> None:
    import fiona

    for layer in package_cases.ferry_landing().layers:
        boxes = query(whole, f"SELECT id, minx, maxx, miny, maxy FROM rtree_{layer.name}_geom")
        assert len(boxes) == len(layer.records)
        bounds = shapely.bounds(np.array(layer.geometries, dtype=object))
        for fid, west, east, south, north in boxes:
            exact = bounds[fid - 1]
            # SQLite keeps float32, rounded outwards
            assert np.all(np.array([west, south]) <= exact[:2])
            assert np.all(np.array([east, north]) >= exact[2:])
            assert np.allclose((west, south, east, north), exact, rtol=1e-6)
    copy = tmp_path / "edited.gpkg"
    copy.write_bytes(whole.read_bytes())
    with fiona.open(copy, layer="points") as points:
        values = dict(next(iter(points)).properties)
    with fiona.open(copy, "a", layer="points") as points:
        place = {"type": "Point", "coordinates": (512_400.0, 5_276_200.0, 400.0)}
        points.write({"type": "Feature", "geometry": place, "properties": values})
    with fiona.open(copy, layer="points") as points:
        assert len(list(points.filter(bbox=(512_399, 5_276_199, 512_401, 5_276_201)))) == 1
    count = len(package_cases.ferry_landing().layers[0].records)
    assert query(
        copy, "SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = 'points'"
    ) == [(count + 1,)]


def test_every_column_is_described(whole: Path) -> None:
    described = {
        (table, column): (title, text, constraint)
        for table, column, title, text, constraint in query(
            whole,
            "SELECT table_name, column_name, title, description, constraint_name "
            "FROM gpkg_data_columns",
        )
    }
    for layer in package_cases.ferry_landing().layers:
        for field in layer.fields:
            assert (layer.name, field.name) in described
    extensions = query(
        whole, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
    )
    assert sorted(extensions) == [("gpkg_data_column_constraints",), ("gpkg_data_columns",)]


def test_units_and_value_lists(tmp_path: Path) -> None:
    path = tmp_path / "x.gpkg"
    fields = (
        Field("net_area_m2", "real", "Area without the features inside it.", "m2"),
        Field("verdict", "text", "At 95 %.", values={"within": "below", "beyond": "above"}),
    )
    records = [{"net_area_m2": 1.0, "verdict": "within"}, {"net_area_m2": 2.0, "verdict": "odd"}]
    write_geopackage(path, small(point_layer(records, *fields)))
    ((name, title, text),) = query(
        path,
        "SELECT name, title, description FROM gpkg_data_columns WHERE column_name = 'net_area_m2'",
    )
    assert name == title == "Net area [m²]"  # readers show the name
    assert text == "Area without the features inside it. Unit: m2."
    ((name,),) = query(
        path, "SELECT constraint_name FROM gpkg_data_columns WHERE column_name = 'verdict'"
    )
    values = query(
        path,
        "SELECT value, description FROM gpkg_data_column_constraints "
        "WHERE constraint_name = ? AND constraint_type = 'enum'",
        name,
    )
    # a value that occurs is in the list, or the file would contradict itself
    assert sorted(values) == [("beyond", "above"), ("odd", ""), ("within", "below")]


def test_contents_are_named_and_dated(whole: Path) -> None:
    rows = query(
        whole,
        "SELECT table_name, identifier, description, last_change, data_type FROM gpkg_contents",
    )
    found = {row[0]: row[1:] for row in rows}
    for layer in package_cases.ferry_landing().layers:
        assert found[layer.name] == (layer.title, layer.description, LONDON, "features")
    assert found["quantities"][3] == found["layer_styles"][3] == "attributes"
    assert found["elevation"][3] == "2d-gridded-coverage"


def test_metadata_and_styles_are_inside(whole: Path) -> None:
    package = package_cases.ferry_landing()
    ((scope, uri, mime, text),) = query(
        whole, "SELECT md_scope, md_standard_uri, mime_type, metadata FROM gpkg_metadata"
    )
    assert (scope, uri, mime) == ("dataset", "http://www.isotc211.org/2005/gmd", "text/xml")
    assert text == metadata(package)
    assert query(
        whole, "SELECT reference_scope, timestamp, md_file_id FROM gpkg_metadata_reference"
    ) == [("geopackage", LONDON, 1)]
    kept = dict(query(whole, "SELECT f_table_name, styleSLD FROM layer_styles"))
    assert kept == {
        name: text
        for name, text in styles(package).items()
        if name in {table for (table,) in query(whole, "SELECT table_name FROM gpkg_contents")}
    }


def test_rasters_as_gridded_coverages(whole: Path) -> None:
    import rasterio

    for raster in package_cases.ferry_landing().rasters:
        with rasterio.open(f"GPKG:{whole}:{raster.name}") as file:
            assert file.crs.to_epsg() == 25832
            assert file.nodata == -9999.0
            assert file.shape == raster.values.shape
            assert file.dtypes == ("float32",)
            grid = raster.grid
            assert np.allclose(file.bounds, (grid.west, grid.south, grid.east, grid.north))
            values = file.read(1).astype(np.float64)
        values[values == -9999.0] = np.nan
        assert np.array_equal(values, raster.values.astype(np.float32), equal_nan=True)
        ((uom, encoding, name),) = query(
            whole,
            "SELECT uom, grid_cell_encoding, field_name FROM gpkg_2d_gridded_coverage_ancillary "
            "WHERE tile_matrix_set_name = ?",
            raster.name,
        )
        assert (uom, encoding, name) == (raster.unit, "grid-value-is-area", raster.title)


@pytest.mark.slow
def test_the_same_package_gives_the_same_bytes(tmp_path: Path, whole: Path) -> None:
    package = package_cases.ferry_landing()
    time.sleep(1.1)  # a clock in the file would show
    again = tmp_path / "again.gpkg"
    write_geopackage(
        again,
        package,
        curves=True,
        coverages=True,
        metadata=metadata(package),
        styles=styles(package),
    )
    assert again.read_bytes() == whole.read_bytes()


def test_empty_layers_and_layers_of_several_parts(tmp_path: Path) -> None:
    import pyogrio

    fields = (Field("feature", "text"),)
    one = shapely.LineString([(0, 0, 1), (1, 1, 2)])
    two = shapely.MultiLineString([one, shapely.LineString([(5, 5, 1), (6, 6, 2)])])
    path = tmp_path / "x.gpkg"
    write_geopackage(
        path,
        small(
            Layer("areas", "Areas", "", "PolygonZ", fields, (), ()),
            Layer(
                "lines",
                "Lines",
                "",
                "MultiLineStringZ",
                fields,
                ({"feature": "a"}, {"feature": "b"}),
                (one, two),
            ),
        ),
    )
    assert dict(pyogrio.list_layers(path)) == {"areas": "Polygon Z", "lines": "MultiLineString Z"}
    assert pyogrio.read_info(path, layer="areas")["features"] == 0
    kinds = {g.geom_type for g in shapely.from_wkb(pyogrio.raw.read(path, layer="lines")[2])}
    assert kinds == {"MultiLineString"}
    assert subprocess.run([*validator(), str(path)]).returncode == 0


def test_two_layers_of_one_title_and_names_that_are_none(tmp_path: Path) -> None:
    one = Layer("ponds", "Water", "", "PolygonZ", (), (), ())
    two = Layer("paths", "Water", "", "LineStringZ", (), (), ())
    path = tmp_path / "x.gpkg"
    write_geopackage(path, small(one, two))
    assert query(path, "SELECT identifier FROM gpkg_contents") == [("Water",), ("Water (paths)",)]
    assert subprocess.run([*validator(), str(path)]).returncode == 0
    for name in ("", "a b", "x'); --", "gpkg\0", "1a", "é"):
        with pytest.raises(ValueError, match="no name for a table"):
            write_geopackage(tmp_path / "y.gpkg", small(dataclasses.replace(one, name=name)))
        (tmp_path / "y.gpkg").unlink()


def test_hostile_text_and_numbers(tmp_path: Path) -> None:
    texts = [
        "'; DROP TABLE points; --",
        '"quoted"',
        "line\nbreak",
        "\u202eright-to-left",
        "n" * 10_000,
        "nul\0inside",
        "lone \ud800 surrogate",
        "",
    ]
    numbers = [1.0, math.nan, math.inf, -math.inf, None, 1e308, -0.0, 5e-324]
    records = [
        {"note": t, "value": v, "n": i} for i, (t, v) in enumerate(zip(texts, numbers, strict=True))
    ]
    fields = (Field("note", "text"), Field("value", "real"), Field("n", "integer"))
    path = tmp_path / "x.gpkg"
    write_geopackage(path, small(point_layer(records, *fields)))
    read = query(path, "SELECT note, value FROM points ORDER BY fid")
    assert [r[0] for r in read[:5]] == texts[:5]
    assert read[5][0] == "nulinside"
    assert read[6][0] == "lone ? surrogate"
    assert [r[1] for r in read] == [1.0, None, None, None, None, 1e308, 0.0, 5e-324]
    assert subprocess.run([*validator(), str(path)]).returncode == 0


@pytest.mark.parametrize("date", ["", "nonsense", "2026-04-12", "2026-04-12T10:00:00+02:00"])
def test_dates(tmp_path: Path, date: str) -> None:
    path = tmp_path / "x.gpkg"
    write_geopackage(path, small(point_layer([{}]), date=date))
    day = "2026-04-12" if date.startswith("2026") else "1970-01-01"
    assert query(path, "SELECT last_change FROM gpkg_contents") == [(f"{day}T00:00:00.000Z",)]


@pytest.mark.parametrize(
    ("crs", "code"),
    [
        ("EPSG:2264", 2264),
        ("EPSG:3031", 3031),
        ("+proj=tmerc +lat_0=47 +lon_0=9 +ellps=bessel +units=m +type=crs", None),
    ],
)
def test_other_systems(tmp_path: Path, crs: str, code: int | None) -> None:
    path = tmp_path / "x.gpkg"
    write_geopackage(path, small(point_layer([{}]), crs_wkt=CRS(crs).to_wkt()))
    ((organization, number),) = query(
        path,
        "SELECT organization, organization_coordsys_id FROM gpkg_spatial_ref_sys "
        "WHERE srs_id = (SELECT srs_id FROM gpkg_geometry_columns)",
    )
    if code is None:
        assert organization == "NONE"
    else:
        assert (organization.upper(), number) == ("EPSG", code)
    assert subprocess.run([*validator(), str(path)]).returncode == 0


@pytest.mark.slow
def test_foreign_proj_data_does_no_harm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    script = (
        "from pathlib import Path; import package_cases\n"
        "from geosite.handover.formats.geopackage import write_geopackage\n"
        f"write_geopackage(Path({str(tmp_path / 'x.gpkg')!r}), package_cases.ferry_landing(),"
        " coverages=True)\n"
    )
    monkeypatch.setenv("PROJ_DATA", str(tmp_path))
    monkeypatch.setenv("PROJ_LIB", str(tmp_path))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[1]))
    subprocess.run([sys.executable, "-c", script], check=True)
    assert query(tmp_path / "x.gpkg", "SELECT srs_id FROM gpkg_geometry_columns")[0] == (25832,)


def test_a_raster_only_package(tmp_path: Path) -> None:
    package = dataclasses.replace(package_cases.ferry_landing(), layers=(), tables=(), features=())
    path = tmp_path / "x.gpkg"
    write_geopackage(path, package, coverages=True)
    assert len(query(path, "SELECT * FROM gpkg_contents")) == len(package.rasters)
    assert subprocess.run([*validator(), str(path)]).returncode == 0
