"""Layers from outside: no address of a CRS is fetched, no file that it names is read."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import fiona
import pytest

from geosite.base.errors import GeositeError, InputError
from geosite.reading import foreign
from geosite.reading.crs import read_crs
from geosite.reading.foreign import damage, driver_names, name_fault, quiet, within_limits
from geosite.reading.points import read_points
from geosite.reading.raster_trial import try_raster

(SHAPEFILE,) = driver_names(["Shapefile"])

GEODETIC = (
    'GEOGCS["a",DATUM["d",SPHEROID["e",6378137,298.257]],PRIMEM["Greenwich",0],'
    'UNIT["degree",0.0174532925199433]]'
)
UTM = (
    f'PROJCS["x",{GEODETIC},PROJECTION["Transverse_Mercator"],PARAMETER["central_meridian",9],'
    'PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],UNIT["metre",1],'
    'EXTENSION["PROJ4","%s"]]'
)


@pytest.fixture
def pipe(tmp_path: Path) -> str:
    """Return the name of a pipe: who opens it to read waits for ever."""
    path = tmp_path / "secret"
    os.mkfifo(path)
    return str(path)


def ends(work: Callable[[], Any]) -> list[Any]:
    """Return what work returned or raised; fail if it has not ended after five seconds."""
    found: list[Any] = []

    def run() -> None:
        try:
            found.append(work())
        except GeositeError as error:
            found.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(5)
    assert found, "it waits: the file was opened"
    return found


@pytest.mark.parametrize(
    "text",
    [
        "+proj=tinshift +file={} +type=crs",
        "+proj=defmodel +model={} +type=crs",
        "+proj=deformation +dt=1 +xy_grids={0} +z_grids={0} +ellps=GRS80 +type=crs",
        "proj=pipeline step proj=utm zone=32 step proj=tinshift file={}",
        'PROJCRS["x",BASEGEOGCRS["a",DATUM["d",ELLIPSOID["e",6378137,298]]],'
        'CONVERSION["c",METHOD["PROJ tinshift file={}"]],CS[Cartesian,2],AXIS["e",east],'
        'AXIS["n",north],LENGTHUNIT["metre",1]]',
    ],
)
def test_a_crs_text_has_no_file_read(text: str, pipe: str) -> None:
    (error,) = ends(lambda: read_crs(text.format(pipe), "site.toml", 9))
    assert isinstance(error, InputError)
    assert "names a file" in str(error)


def geojson(path: Path, crs: object) -> Path:
    features = [
        {
            "type": "Feature",
            "properties": {"elevation": 1.0},
            "geometry": {"type": "Point", "coordinates": [512300 + i, 5276100 + i * i, i]},
        }
        for i in range(4)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": features}))
    return path


@pytest.mark.parametrize("kind", ["link", "url", "name"])
def test_the_address_of_a_crs_is_not_fetched(kind: str, tmp_path: Path) -> None:
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        server.settimeout(0.3)
        address = f"http://127.0.0.1:{server.getsockname()[1]}/crs.wkt"
        key = {"link": "href", "url": "url", "name": "name"}[kind]
        crs = {"type": kind, "properties": {key: address, "type": "ogcwkt"}}
        path = geojson(tmp_path / "points.geojson", crs)
        caught: list[object] = []

        def ask() -> None:
            try:
                read_points(str(path))
            except InputError as error:
                caught.append(error)

        thread = threading.Thread(target=ask, daemon=True)
        thread.start()
        with pytest.raises(TimeoutError):
            server.accept()
        thread.join(5)
    assert "names another file or an address" in str(caught[0])


@pytest.mark.parametrize(
    "crs",
    [
        None,
        {"type": "EPSG", "properties": {"code": 25832}},
        {"type": "name", "properties": {"name": "EPSG:25832"}},
        {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}},
        {"type": "name", "properties": {"name": "http://www.opengis.net/def/crs/EPSG/0/25832"}},
    ],
)
def test_usual_names_of_a_crs_are_read(crs: object, tmp_path: Path) -> None:
    found = read_points(str(geojson(tmp_path / "points.geojson", crs)))
    assert len(found.positions) == 4
    assert found.crs_wkt is not None
    assert ("UTM zone 32N" in found.crs_wkt) == (crs is not None)


def test_a_geojson_crs_has_no_file_read(tmp_path: Path, pipe: str) -> None:
    crs = {"type": "name", "properties": {"name": f"+proj=tinshift +file={pipe} +type=crs"}}
    path = geojson(tmp_path / "points.geojson", crs)
    (error,) = ends(lambda: read_points(str(path)))
    assert isinstance(error, InputError)


def layer(path: Path, driver: str) -> Path:
    schema = {"geometry": "3D Point", "properties": {"elevation": "float"}}
    with fiona.open(path, "w", driver=driver, schema=schema, crs="EPSG:25832") as sink:
        for i in range(4):
            at = (512300.0 + i, 5276100.0 + i * i, float(i))
            geometry = {"type": "Point", "coordinates": at}
            sink.write({"geometry": geometry, "properties": {"elevation": 1.0}})
    return path


@pytest.mark.parametrize("extension", ["+proj=tinshift +file={}", "+proj=utm +nadgrids={}"])
@pytest.mark.parametrize("driver", ["GPKG", SHAPEFILE])
def test_a_layer_has_no_file_read(driver: str, extension: str, tmp_path: Path, pipe: str) -> None:
    wkt = UTM % extension.format(pipe)
    if driver == "GPKG":
        path = layer(tmp_path / "points.gpkg", driver)
        with closing(sqlite3.connect(path)) as database, database:
            database.execute(
                "UPDATE gpkg_spatial_ref_sys SET definition = ?, organization = 'x'"
                " WHERE srs_id = 25832",
                (wkt,),
            )
        database.close()
    else:
        path = layer(tmp_path / "points.shp", driver)
        path.with_suffix(".prj").write_text(wkt)
    (error,) = ends(lambda: read_points(str(path)))
    assert "names another file or an address" in str(error)


def test_no_grid_at_all_is_no_file(tmp_path: Path) -> None:
    path = layer(tmp_path / "points.shp", SHAPEFILE)
    path.with_suffix(".prj").write_text(UTM % "+proj=utm +zone=32 +nadgrids=@null")
    assert damage(path) is None


def test_parts_of_a_shapefile_stay_in_its_folder(tmp_path: Path) -> None:
    for folder in ("one", "other"):
        (tmp_path / folder).mkdir()
        layer(tmp_path / folder / "points.shp", SHAPEFILE)
    path = tmp_path / "one" / "points.shp"
    assert damage(path) is None
    path.with_suffix(".dbf").unlink()
    path.with_suffix(".dbf").symlink_to(tmp_path / "other" / "points.dbf")
    with pytest.raises(InputError, match=r"points\.dbf is a link to another folder"):
        read_points(str(path))


def test_a_pipe_beside_a_layer_is_not_waited_for(tmp_path: Path) -> None:
    path = layer(tmp_path / "points.shp", SHAPEFILE)
    path.with_suffix(".prj").unlink()
    os.mkfifo(path.with_suffix(".prj"))
    (error,) = ends(lambda: read_points(str(path)))
    assert "no plain file" in str(error)


def test_geojson_of_one_feature_per_line(tmp_path: Path) -> None:
    path = tmp_path / "points.geojsonl"
    line = {"type": "Feature", "properties": {"elevation": 0.0}}
    lines = [
        json.dumps({**line, "geometry": {"type": "Point", "coordinates": [i, i * i, 0]}})
        for i in range(3)
    ]
    path.write_text("\n".join(lines) + "\n")
    assert len(read_points(str(path)).positions) == 3
    path.write_text("".join(f"\x1e{text}\n" for text in lines))
    assert len(read_points(str(path)).positions) == 3
    path.write_text("\n".join([*lines, '{"type": ']))
    with pytest.raises(InputError, match="damaged"):
        read_points(str(path))


def test_a_database_that_is_being_written_is_refused_at_once(tmp_path: Path) -> None:
    path = layer(tmp_path / "points.gpkg", "GPKG")
    writer = sqlite3.connect(path, isolation_level=None)
    writer.execute("BEGIN EXCLUSIVE")
    began = time.monotonic()
    with pytest.raises(InputError, match="another program is writing to it"):
        read_points(str(path))
    assert time.monotonic() - began < 4
    writer.execute("ROLLBACK")
    writer.execute("BEGIN")
    writer.execute("SELECT count(*) FROM points").fetchone()  # only read elsewhere: no harm
    assert len(read_points(str(path)).positions) == 4
    writer.close()


def test_complaints_that_cannot_be_decoded_are_not_printed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # the vector library's callback prints them through this hook
    hooks = sys.excepthook, sys.unraisablehook
    with quiet():
        sys.excepthook(ValueError, ValueError("0xea"), None)
    assert capsys.readouterr().err == ""
    assert (sys.excepthook, sys.unraisablehook) == hooks


def test_a_bare_complaint_of_the_library_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A damaged GeoPackage, found by fuzzing, made the library raise what is no error of its own.

    The bytes that did it are many; what it raised is raised here.
    """
    from fiona._err import CPLE_AppDefinedError

    layer = tmp_path / "marks.gpkg"
    schema = {"geometry": "3D Point", "properties": {}}
    with fiona.open(layer, "w", driver="GPKG", crs="EPSG:25832", schema=schema):
        pass

    def complain(*args: Any, **kwargs: Any) -> None:
        raise CPLE_AppDefinedError(3, 1, "layer 'Point' is not registered in gpkg_contents")

    monkeypatch.setattr(fiona, "open", complain)
    monkeypatch.setattr(fiona, "listlayers", complain)
    with pytest.raises(InputError) as refused:
        read_points(str(layer), None)
    (problem,) = refused.value.problems
    assert "is not registered in gpkg_contents" in problem.what


@pytest.mark.slow
def test_no_byte_of_a_flatgeobuf_head_ends_in_anything_but_points_or_a_refusal(
    tmp_path: Path,
) -> None:
    """One changed byte, found by fuzzing, makes a geometry type that the library cannot name."""
    layer = tmp_path / "marks.fgb"
    schema = {"geometry": "3D Point", "properties": {"name": "str"}}
    with fiona.open(layer, "w", driver="FlatGeobuf", crs="EPSG:25832", schema=schema) as sink:
        for i in range(3):
            shape = {"type": "Point", "coordinates": (512300.0 + i, 5276100.0, float(i))}
            sink.write({"geometry": shape, "properties": {"name": f"p{i}"}})
    good = layer.read_bytes()
    said = set()
    for at in range(12, 60):
        for value in (9, 0xFF):
            layer.write_bytes(good[:at] + bytes([value]) + good[at + 1 :])
            try:
                assert read_points(str(layer), None).positions.shape[1] == 3
            except InputError as refused:
                said |= {problem.what for problem in refused.problems}
    assert any("geometries of an unknown type" in what for what in said)


@pytest.fixture(params=["a copy", "here"])
def reader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "a copy" and sys.platform != "linux":
        pytest.skip("copies processes")
    monkeypatch.setattr(foreign, "can_copy", lambda: request.param == "a copy")
    return str(request.param)


def test_a_copy_of_the_process_reads_where_that_is_safe(reader: str) -> None:
    assert (within_limits(os.getpid) == os.getpid()) == (reader == "here")


def test_complaints_of_the_library_are_values_that_are_wrong(reader: str, tmp_path: Path) -> None:
    def read() -> None:
        with fiona.open(tmp_path / "none.gpkg"):
            pass

    with pytest.raises(ValueError, match=r"none\.gpkg"):
        within_limits(read)


@pytest.mark.skipif(sys.platform != "linux", reason="copies processes")
def test_complaints_are_told_where_dask_was_imported_before(tmp_path: Path) -> None:
    """Its tblib has every error take along the error that it came from."""
    pytest.importorskip("tblib")
    place = tmp_path / "points.geojson"
    place.write_text("{}")
    program = (
        "import fiona, sys, tblib.pickling_support\n"
        "tblib.pickling_support.install()  # for all kinds of errors that there are by now\n"
        "from geosite.base.errors import InputError\n"
        "from geosite.reading.points import read_points\n"
        "try: read_points(sys.argv[1])\n"
        "except InputError as refused: print(refused)\n"
    )
    run = [sys.executable, "-c", program, str(place)]
    told = subprocess.run(run, capture_output=True, text=True, check=True).stdout
    assert "cannot be read as a point layer" in told
    assert "breaks the library" not in told


def test_an_error_that_the_wrapper_lost_is_told(reader: str) -> None:
    def read() -> None:
        try:
            b"\xc6".decode("utf-8")
        except UnicodeDecodeError as error:
            raise SystemError("returned a result with an exception set") from error

    with pytest.raises(ValueError, match="can't decode byte 0xc6"):
        within_limits(read)


def test_refusals_cross_whole(reader: str, tmp_path: Path) -> None:
    place = tmp_path / "empty.geojson"
    place.write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    with pytest.raises(InputError) as caught:
        read_points(str(place))
    assert len(caught.value.problems) == 1
    assert str(place) in str(caught.value)


@pytest.mark.skipif(sys.platform != "linux", reason="copies processes")
def test_a_file_that_breaks_the_library_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    place = tmp_path / "points.geojson"
    place.write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    monkeypatch.setattr(foreign, "can_copy", lambda: True)
    monkeypatch.setattr(fiona, "open", lambda *_, **__: os.kill(os.getpid(), 9))
    with pytest.raises(InputError, match="breaks the library that reads it"):
        read_points(str(place))


def test_what_unpacks_or_is_written_too_large_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed, written = tmp_path / "map.zip", tmp_path / "map.geojson"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.shp", b"\0" * 2_000_000)
        archive.writestr("a.dbf", b"\0" * 1_000_000)
    text = json.dumps({"type": "FeatureCollection", "features": []})
    written.write_text(text)
    monkeypatch.setattr(foreign, "UNPACKED_LIMIT", 3_000_000)
    monkeypatch.setattr(foreign, "JSON_LIMIT", len(text))
    assert damage(packed) is None
    assert damage(written) is None
    monkeypatch.setattr(foreign, "UNPACKED_LIMIT", 2_999_999)
    assert damage(packed) == "unpacks to 3 MB, more than 3"
    monkeypatch.setattr(foreign, "JSON_LIMIT", len(text) - 1)
    assert damage(written) == "more than 0 MB of JSON"


@pytest.mark.parametrize("encoding", ["iso8859-1", "ascii"])
def test_a_name_that_the_libraries_would_not_find_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encoding: str
) -> None:
    """In a locale of Latin 1 a layer in a folder höf was refused as "failed to open dataset"."""
    folder = tmp_path / "h\u00f6f"
    # as this process would see the name of the folder if its own names were not UTF-8
    seen = Path("h\u00f6f".encode().decode(encoding, "surrogateescape"))
    for name in (folder / "parcels.gpkg", tmp_path / "parcels.gpkg"):
        assert name_fault(name) is None
    monkeypatch.setattr("sys.getfilesystemencoding", lambda: encoding)
    monkeypatch.setattr("os.fsencode", lambda name: name.encode(encoding, "surrogateescape"))
    assert name_fault(tmp_path / "parcels.gpkg") is None
    fault = name_fault(seen / "parcels.gpkg")
    assert fault is not None
    assert f"this terminal as {encoding}" in fault
    assert "PYTHONUTF8=1" in fault
    with pytest.raises(ValueError, match="PYTHONUTF8=1"):
        try_raster(seen / "ground.tif", "GTiff", {}, 100)
