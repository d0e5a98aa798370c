"""The three sample sites through the installed command, read back by other readers."""

import csv
import json
import math
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import tifffile

pytestmark = pytest.mark.slow

COMMAND = Path(sys.executable).with_name("geosite")
SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"
NODATA = -9999.0

# the contract's fields, in order
FIELDS = {
    "points": "run point feature code local_x local_y local_z easting northing elevation "
    "sigma_h_m sigma_v_m correction_m",
    "areas": "feature code area_m2 area_sigma_m2 net_area_m2 perimeter_m",
    "lines": "feature code length_m length_3d_m rise_m fall_m",
}
RASTERS = ("elevation", "slope", "drainage_direction")


def built(name: str, folder: Path) -> Path:
    done = subprocess.run(
        [COMMAND, "build", SAMPLES / name / "site.toml", "--out", folder / name],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return folder / name


@pytest.fixture(scope="module")
def landing(built_landing):
    return built_landing


@pytest.fixture(scope="module")
def jetty(tmp_path_factory):
    return built("jetty_feet", tmp_path_factory.mktemp("out"))


@pytest.fixture(scope="module")
def davis(tmp_path_factory):
    return built("davis_spot_heights", tmp_path_factory.mktemp("out"))


def raster(folder: Path, name: str) -> np.ndarray:
    with tifffile.TiffFile(folder / f"{name}.tif") as file:
        values = file.pages[0].asarray()
    return np.where(values == NODATA, np.nan, values)


def tags(folder: Path, name: str) -> dict:
    with tifffile.TiffFile(folder / f"{name}.tif") as file:
        page = file.pages[0]
        return {
            "keys": page.geotiff_tags,
            "nodata": float(page.tags["GDAL_NODATA"].value),
            "scale": page.tags["ModelPixelScaleTag"].value,
            "corner": page.tags["ModelTiepointTag"].value,
            "dtype": page.dtype,
        }


def layer(folder: Path, name: str):
    return pyogrio.read_dataframe(folder / "site.gpkg", layer=name)


def report(folder: Path) -> dict:
    return json.loads((folder / "report.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", FIELDS)
def test_layers_have_the_fields_of_the_contract(landing, name):
    frame = layer(landing, name)
    wanted = FIELDS[name].split()
    assert list(frame.columns[: len(wanted)]) == wanted
    assert frame.crs.to_epsg() == 25832
    assert frame.geometry.has_z.all()


def test_the_database_is_whole_and_every_layer_is_registered(landing):
    with closing(sqlite3.connect(landing / "site.gpkg")) as file, file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        # OGC 12-128: "GPKG" in the header
        assert file.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        listed = {name for (name,) in file.execute("SELECT table_name FROM gpkg_contents")}
    assert {"points", "baseline", "areas", "lines", "grades", "sections", "parcels"} <= listed


def test_every_observation_lies_near_its_true_place(landing):
    frame = layer(landing, "points")
    with (SAMPLES / "ferry_landing" / "truth.csv").open(encoding="utf-8") as stream:
        truth = list(csv.DictReader(stream))
    assert len(frame) == len(truth)
    for axis, sigma in (
        ("easting", "sigma_h_m"),
        ("northing", "sigma_h_m"),
        ("elevation", "sigma_v_m"),
    ):
        off = (frame[axis] - [float(row[axis]) for row in truth]) / frame[sigma]
        # one survey is one draw of the shared errors: four sigma is beyond doubt, not 95 %
        assert np.abs(off).max() < 4
    assert np.allclose(frame.geometry.x, frame["easting"])
    assert np.allclose(frame.geometry.z, frame["elevation"])


def test_measures_are_ground_values_near_the_true_ones(landing):
    areas, lines = layer(landing, "areas"), layer(landing, "lines")
    with (SAMPLES / "ferry_landing" / "truth_features.csv").open(encoding="utf-8") as stream:
        truth = {(r["feature"], r["measure"]): float(r["value"]) for r in csv.DictReader(stream)}
    for (feature, measure), value in truth.items():
        frame = areas if feature in set(areas["feature"]) else lines
        (row,) = frame[frame["feature"] == feature].to_dict("records")
        sigma = {
            "area_m2": row.get("area_sigma_m2"),
            "net_area_m2": row.get("net_area_sigma_m2"),
            "perimeter_m": row.get("perimeter_sigma_m"),
            "length_m": row.get("length_sigma_m"),
        }[measure]
        assert abs(row[measure] - value) < 4 * sigma, (feature, measure)


def test_ground_and_grid_differ_as_the_projection_says(landing):
    areas = layer(landing, "areas")
    factor = report(landing)["network"]["frame"]["combined_factor"]
    # 400 ppm of the projection and 63 ppm of the elevation, visible in an area of 840 m2
    assert factor == pytest.approx(1 - 461e-6, abs=2e-6)
    apron = areas[areas["feature"] == "apron"].iloc[0]
    assert apron["area_grid_m2"] == pytest.approx(apron["area_m2"] * factor**2, rel=1e-9)
    assert apron.geometry.area == pytest.approx(apron["area_grid_m2"], rel=2e-5)


def test_holes_are_subtracted_once(landing):
    areas = layer(landing, "areas").set_index("feature")
    inner = areas.loc[["ticket_house", "island"], "area_m2"].sum()
    apron = areas.loc["apron"]
    assert apron["net_area_m2"] == pytest.approx(apron["area_m2"] - inner, rel=1e-9)


@pytest.mark.parametrize("name", RASTERS)
def test_rasters_are_north_up_float32_with_nodata_and_crs(landing, name):
    told = tags(landing, name)
    assert told["dtype"] == np.float32
    assert told["nodata"] == NODATA
    assert told["scale"][:2] == (0.25, 0.25)
    assert told["keys"]["ProjectedCSTypeGeoKey"] == 25832
    west, north = told["corner"][3:5]
    # snapped to whole cells
    assert west / 0.25 == round(west / 0.25)
    assert north / 0.25 == round(north / 0.25)


def test_elevation_lies_between_the_marks_and_ends_at_them(landing):
    z, points = raster(landing, "elevation"), layer(landing, "points")
    assert np.nanmin(z) >= points["elevation"].min() - 1e-3
    assert np.nanmax(z) <= points["elevation"].max() + 1e-3
    assert np.isnan(z).any()
    told = tags(landing, "elevation")
    west, north = told["corner"][3:5]
    hull = points.union_all().convex_hull
    rows, cols = np.nonzero(np.isfinite(z))
    east = west + (cols + 0.5) * 0.25
    up = north - (rows + 0.5) * 0.25
    import shapely

    inside = shapely.contains_xy(shapely.buffer(hull, 1e-6), east, up)
    assert inside.all()


def test_drainage_directions_are_azimuths_of_eight(landing):
    azimuth = raster(landing, "drainage_direction")
    known = np.unique(azimuth[np.isfinite(azimuth)])
    assert set(known) <= {-1.0, 0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0}
    # the landing falls to the lake in the north
    north = np.isin(azimuth, [0.0, 45.0, 315.0]).sum()
    assert north > 0.5 * np.isfinite(azimuth).sum()


def test_slope_is_horns_of_the_elevation(landing):
    z, slope = raster(landing, "elevation").astype(float), raster(landing, "slope")
    a, b, c = z[:-2, :-2], z[:-2, 1:-1], z[:-2, 2:]
    d, f = z[1:-1, :-2], z[1:-1, 2:]
    g, h, i = z[2:, :-2], z[2:, 1:-1], z[2:, 2:]
    east = ((c + 2 * f + i) - (a + 2 * d + g)) / (8 * 0.25)
    north = ((a + 2 * b + c) - (g + 2 * h + i)) / (8 * 0.25)
    expected = 100 * np.hypot(east, north)
    seen = slope[1:-1, 1:-1]
    both = np.isfinite(expected) & np.isfinite(seen)
    assert both.sum() > 10_000
    # the file holds float32 elevations: 3e-5 m on a cell of 0.25 m
    assert np.abs(expected - seen)[both].max() < 0.02


def test_report_is_plain_sorted_json_with_findings_and_caution(landing):
    text = (landing / "report.json").read_text(encoding="utf-8")
    assert "NaN" not in text
    told = json.loads(text)
    assert text == json.dumps(told, sort_keys=True, indent=2, ensure_ascii=False) + "\n"
    assert told["network"]["closures"]
    assert any("boundary survey" in words for words in told["caution"])


def test_feet_stay_feet_where_the_map_is_in_feet(jetty):
    frame = layer(jetty, "points")
    assert frame.crs.to_epsg() == 2264
    deck = layer(jetty, "areas").iloc[0]
    # 30 x 24 ft
    true = 30 * 24 * 0.3048**2
    assert abs(deck["area_m2"] - true) < 4 * deck["area_sigma_m2"]
    # the map is in US survey feet, the notes are in international feet: 2 ppm and the factor apart
    first, second = frame.iloc[0], frame.iloc[1]
    span = math.hypot(first["easting"] - second["easting"], first["northing"] - second["northing"])
    assert span == pytest.approx(30.0, abs=0.3)
    assert np.nanmax(raster(jetty, "elevation")) == pytest.approx(30.0, abs=0.3)
    told = tags(jetty, "elevation")
    assert told["scale"][:2] == (1.0, 1.0)
    assert told["keys"]["ProjectedCSTypeGeoKey"] == 2264


def test_one_mark_and_a_grid_azimuth_place_the_baseline(jetty):
    frame = layer(jetty, "points").drop_duplicates("point").set_index("point")
    start, end = frame.loc["P1"], frame.loc["P2"]
    azimuth = math.degrees(
        math.atan2(end["easting"] - start["easting"], end["northing"] - start["northing"])
    )
    assert azimuth == pytest.approx(53.1301, abs=1e-3)
    assert start["easting"] == pytest.approx(1_540_000.0, abs=0.01)


def test_davis_spot_heights_give_a_plausible_surface(davis):
    """Davis (1973), Statistics and Data Analysis in Geology: 52 heights, 690 to 960 ft."""
    z, points = raster(davis, "elevation"), layer(davis, "points")
    assert len(points) == 52
    assert points["elevation"].min() == pytest.approx(690.0, abs=0.1)
    assert points["elevation"].max() == pytest.approx(960.0, abs=0.1)
    assert np.nanmin(z) >= 690.0
    assert np.nanmax(z) <= 960.0
    # the mean of the surface is near that of the heights, 827 ft
    assert np.nanmean(z) == pytest.approx(827.0, abs=15.0)
    # nodata outside the hull: all four corners of the raster
    assert np.isnan([z[0, 0], z[0, -1], z[-1, 0], z[-1, -1]]).all()
    hull = points.union_all().convex_hull.area
    covered = np.isfinite(z).sum() * 25.0
    assert covered == pytest.approx(hull, rel=0.01)
