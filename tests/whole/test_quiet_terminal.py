"""Whatever format a file has, no warning and no message of a library reaches the terminal.

Run in a process of its own, as a user does: libraries in C write past Python's own streams.
"""

from __future__ import annotations

import os
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from cli_runner import FERRY, Ran, geosite_process

from geosite.reading.foreign import driver_names

pytestmark = pytest.mark.slow
JETTY = FERRY.parent / "jetty_feet"
(SHAPEFILE,) = driver_names(["Shapefile"])

FORMATS = {
    "geojson": "GeoJSON",
    "fgb": "FlatGeobuf",
    "gml": "GML",
    "shp": SHAPEFILE,
    "gpkg": "GPKG",
}
KML = """\
<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder><name>parcels</name><Placemark>
<name>12</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing>
</outerBoundaryIs></Polygon></Placemark></Folder></Document></kml>
"""
# as a terminal has it: nothing switched off, and no setting of the tests handed on
SHOWN = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}


def write(path: Path, shapes: list[shapely.Geometry], crs: str) -> None:
    names = [f"{number}" for number in range(12, 12 + len(shapes))]
    frame = geopandas.GeoDataFrame({"parcel": names}, geometry=shapes, crs=crs)
    pyogrio.write_dataframe(frame, path, driver=FORMATS[path.suffix[1:]])


# no half of a hundredth among what is told, which a last digit of a format would tip
PLACES = np.array(
    [
        (512300 + e, 5276100 + n, 400.001 + 0.02 * e + 0.01 * n)
        for e in range(0, 40, 10)
        for n in range(0, 40, 10)
    ]
)


@pytest.fixture(scope="module")
def of_a_table(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """Return what a table of the points has to say."""
    folder = tmp_path_factory.mktemp("plain")
    rows = [",".join(map(str, place)) for place in PLACES.tolist()]
    table = folder / "p.csv"
    table.write_text("\n".join(["easting,northing,elevation", *rows]) + "\n", "utf-8")
    ran = geosite_process(
        *("execute", "interpolate-elevation", "--points", table, "--crs", "EPSG:25832"),
        *("--cell-size", 1, "--out", folder / "out"),
        env=SHOWN,
    )
    assert ran.status == 0, ran.err
    return ran


@pytest.fixture(scope="module")
def of_the_jetty() -> Ran:
    """Return what is said of the jetty without parcels."""
    return geosite_process("check", JETTY / "site.toml", env=SHOWN)


@pytest.mark.parametrize("ending", FORMATS)
def test_points(ending: str, tmp_path: Path, of_a_table: Ran) -> None:
    write(tmp_path / f"p.{ending}", list(shapely.points(PLACES)), "EPSG:25832")
    ran = geosite_process(
        *("execute", "interpolate-elevation", "--points", tmp_path / f"p.{ending}"),
        *("--cell-size", 1, "--out", tmp_path / "out"),
        env=SHOWN,
    )
    assert ran.status == 0, ran.err
    assert ran.err == of_a_table.err  # and no more


@pytest.mark.parametrize("ending", [*FORMATS, "kml"])
def test_parcels(ending: str, tmp_path: Path, of_the_jetty: Ran) -> None:
    box = shapely.box(1539900, 539900, 1540200, 540200)
    path = tmp_path / f"parcels.{ending}"
    if ending == "kml":
        moved = geopandas.GeoSeries([box], crs="EPSG:2264").to_crs("EPSG:4326")[0]
        ring = " ".join(f"{lon:.9f},{lat:.9f}" for lon, lat in moved.exterior.coords)
        path.write_text(KML.format(ring=ring), "utf-8")
    else:
        write(path, [box], "EPSG:2264")
    text = (JETTY / "site.toml").read_text("utf-8")
    (tmp_path / "site.toml").write_text(f'{text}\n[parcels]\nfile = "{path.name}"\n', "utf-8")
    (tmp_path / "field_book.csv").write_bytes((JETTY / "field_book.csv").read_bytes())
    before = sorted(tmp_path.iterdir())
    ran = geosite_process("check", tmp_path / "site.toml", env=SHOWN)
    assert (ran.status, ran.err) == (0, "")
    assert ran.out.replace(str(tmp_path), "") == of_the_jetty.out.replace(str(JETTY), "")
    assert sorted(tmp_path.iterdir()) == before  # nor a file of a library's own
