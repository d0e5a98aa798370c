"""Every sample site, handed over with every option, before independent validators and readers."""

from __future__ import annotations

import importlib.util
import json
import sqlite3
import subprocess
import sys
import xml.etree.ElementTree as ET
from contextlib import closing
from pathlib import Path

import ezdxf
import pytest
from built_samples import package_of
from pyproj import CRS
from rio_cogeo import cog_validate

from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.manifest import verify
from geosite.handover.folder.write import write_package

pytestmark = pytest.mark.slow

SAMPLES = Path(__file__).parents[2] / "sample_data"
CODES = {"ferry_landing": 25832, "jetty_feet": 2264, "davis_spot_heights": 2264}


@pytest.fixture(scope="module", params=list(CODES))
def handed_over(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path]:
    name: str = request.param
    out = tmp_path_factory.mktemp(name) / "out"
    package = package_of(name)
    everything = Handover(plan=False, viewer=False, curves=True, coverages=True, archive=True)
    write_package(package, out, everything)
    return name, out


def test_the_manifest_holds(handed_over: tuple[str, Path]) -> None:
    _, out = handed_over
    assert verify(out) == ()
    assert verify(out / "handover.zip") == ()


def test_the_geopackage_is_valid(handed_over: tuple[str, Path]) -> None:
    if importlib.util.find_spec("osgeo_utils") is None:
        pytest.skip("needs GDAL's validation script: pip install --no-deps gdal-utils")
    _, out = handed_over
    script = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", str(out / "site.gpkg")]
    done = subprocess.run(script, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_layer_has_the_maps_code(handed_over: tuple[str, Path]) -> None:
    import pyogrio

    name, out = handed_over
    for layer, kind in pyogrio.list_layers(out / "site.gpkg"):
        crs = pyogrio.read_info(out / "site.gpkg", layer=layer)["crs"]
        assert crs == (f"EPSG:{CODES[name]}" if kind is not None else None)


def test_every_raster_is_valid(handed_over: tuple[str, Path]) -> None:
    import rasterio

    name, out = handed_over
    rasters = sorted(out.glob("*.tif"))
    assert {"elevation.tif", "slope.tif", "drainage_direction.tif"} <= {r.name for r in rasters}
    for path in rasters:
        assert cog_validate(path, strict=True)[0]
        with rasterio.open(path) as file:
            crs = CRS.from_wkt(file.crs.to_wkt())
            # an elevation raster has its vertical CRS beside that of the map
            flat = crs.sub_crs_list[0] if crs.is_compound else crs
            assert flat.to_epsg() == CODES[name]
            assert crs.is_compound or path.stem != "elevation" or name == "davis_spot_heights"
            assert file.nodata == -9999.0
            assert (out / "styles" / f"{path.stem}.sld").is_file()


def test_drawing_metadata_and_json_are_sound(handed_over: tuple[str, Path]) -> None:
    name, out = handed_over
    assert not ezdxf.readfile(out / "site.dxf").audit().errors
    ET.parse(out / "metadata.xml")
    collection = json.loads((out / "site.geojson").read_text(encoding="utf-8"))
    assert collection["features"]
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["network"]["frame"]["crs"] == f"EPSG:{CODES[name]}"


def test_each_geojson_file_has_one_layer_of_one_kind(handed_over: tuple[str, Path]) -> None:
    _, out = handed_over
    with closing(sqlite3.connect(out / "site.gpkg")) as file, file:
        layers = dict(
            file.execute("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns")
        )
    layers = {name: kind for name, kind in layers.items() if not name.startswith("curve_")}
    assert {path.stem for path in (out / "geojson").iterdir()} == set(layers)
    for path in (out / "geojson").iterdir():
        features = json.loads(path.read_bytes())["features"]
        kinds = {feature["geometry"]["type"].removeprefix("Multi") for feature in features}
        assert len(kinds) == 1, path.name
        assert {feature["properties"]["layer"] for feature in features} == {path.stem}
