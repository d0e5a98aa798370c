"""What the terrain processes write, read by a second reader, on ground whose answer is known."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
import rasterio
import shapely
import tifffile
from rasterio.transform import Affine

from geosite.base.errors import InputError
from geosite.processes.registry import Result, execute
from geosite.reading.rasters import read_elevation

CELL = 0.5
EAST_RISE, NORTH_RISE = 0.03, -0.04


def ground(
    path: Path, up: Any = None, *, crs: str = "EPSG:25832", unit: str = "", cell: float = CELL
) -> str:
    """Write a plane that rises 3 % to the east and falls 4 % to the north (slope 5 %)."""
    rows, cols = 40, 30
    east = (np.arange(cols) + 0.5) * cell
    north = -(np.arange(rows)[:, None] + 0.5) * cell
    values = (400 + EAST_RISE * east + NORTH_RISE * north) if up is None else up
    values = np.asarray(values, dtype=np.float32)
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1,
        dtype="float32", crs=crs, nodata=-9999,
        transform=Affine(cell, 0, 500_000, 0, -cell, 5_000_000),
    ) as file:  # fmt: skip
        if unit:
            file.units = (unit,)
        file.write(values, 1)
    return str(path)


def run(name: str, out: Path, **inputs: Any) -> Result:
    return execute(name, inputs, out)


def read(path: Path) -> np.ndarray[Any, Any]:
    values = np.asarray(tifffile.imread(path, level=0), dtype=np.float64)
    return np.where(values == -9999, np.nan, values)


@pytest.mark.parametrize("method", ["horn", "zevenbergen-thorne"])
def test_slope_and_aspect_of_a_plane(tmp_path: Path, method: str) -> None:
    result = run(
        "derive-slope", tmp_path / "out", elevation=ground(tmp_path / "e.tif"), method=method
    )
    slope, aspect = read(tmp_path / "out/slope.tif"), read(tmp_path / "out/aspect.tif")
    inside = (slice(1, -1), slice(1, -1))
    np.testing.assert_allclose(slope[inside], 5.0, atol=1e-2)
    # steepest descent: 3 to the west for 4 to the north
    np.testing.assert_allclose(aspect[inside], math.degrees(math.atan2(-3, 4)) % 360, atol=0.1)
    edge = np.ones_like(slope, dtype=bool)
    edge[inside] = False
    assert np.isnan(slope[edge]).all()
    assert result.summary["unit"] == "percent"
    assert result.summary["cells"] == slope.size - edge.sum()
    assert result.summary["mean"] == pytest.approx(5.0, abs=1e-3)
    with rasterio.open(tmp_path / "out/slope.tif") as file:
        assert (file.crs.to_epsg(), file.nodata, file.units) == (25832, -9999, ("percent",))
        assert file.transform.a == CELL


def test_level_ground_has_the_aspect_that_the_file_says(tmp_path: Path) -> None:
    run("derive-slope", tmp_path / "out", elevation=ground(tmp_path / "e.tif", np.full((9, 9), 7)))
    assert (read(tmp_path / "out/aspect.tif")[1:-1, 1:-1] == -1).all()
    with rasterio.open(tmp_path / "out/aspect.tif") as file:
        assert "-1 on level ground" in file.tags()["DESCRIPTION"]


def test_slope_in_degrees_and_of_feet_over_metres(tmp_path: Path) -> None:
    run("derive-slope", tmp_path / "a", elevation=ground(tmp_path / "e.tif"), unit="degree")
    found = np.nanmean(read(tmp_path / "a/slope.tif"))
    assert found == pytest.approx(math.degrees(math.atan(0.05)), abs=1e-3)
    feet = ground(tmp_path / "f.tif", unit="ft")
    run("derive-slope", tmp_path / "b", elevation=feet)
    assert np.nanmean(read(tmp_path / "b/slope.tif")) == pytest.approx(5 * 0.3048, abs=1e-3)


def test_drainage_of_a_plane_and_of_a_hollow(tmp_path: Path) -> None:
    run("derive-drainage", tmp_path / "a", elevation=ground(tmp_path / "e.tif"))
    direction = read(tmp_path / "a/drainage_direction.tif")
    # of the eight ways, north-west falls most: (0.03 + 0.04) / sqrt(2) against 0.04 due north
    assert (direction[1:, 1:] == 315).all()
    up = np.full((9, 9), 10.0)
    up[4, 4] = 9.0
    up[4, 5:] = 9.8
    hollow = ground(tmp_path / "h.tif", up, unit="ft")
    result = run("derive-drainage", tmp_path / "b", elevation=hollow)
    depth = read(tmp_path / "b/ponding_depth.tif")
    # full to its pass at 9.8 ft; depths are metres whatever the unit of the elevations
    assert depth[4, 4] == pytest.approx(0.8 * 0.3048, rel=1e-6)
    assert result.summary["ponding_volume_m3"] == pytest.approx(0.8 * 0.3048 * CELL**2, rel=1e-6)
    area = read(tmp_path / "b/contributing_area.tif")
    assert area.min() == CELL**2
    with rasterio.open(tmp_path / "b/contributing_area.tif") as file:
        assert file.units == ("m2",)


def points(path: Path, count: int = 60) -> str:
    rng = np.random.default_rng(3)
    east, north = rng.uniform(0, 20, (2, count))
    east[:4], north[:4] = (0, 20, 20, 0), (0, 0, 20, 20)
    up = 400 + EAST_RISE * east + NORTH_RISE * north
    rows = zip(east + 500_000, north + 5_000_000, up, strict=True)
    lines = "".join(f"{e:.6f},{n:.6f},{u:.6f}\n" for e, n, u in rows)
    path.write_text(f"Easting,Northing,Elevation\n{lines}")
    return str(path)


def test_elevations_between_points_on_a_plane(tmp_path: Path) -> None:
    result = run(
        "interpolate-elevation", tmp_path / "out",
        points=points(tmp_path / "p.csv"), crs="EPSG:25832+7837", cell_size=CELL,
    )  # fmt: skip
    found = read(tmp_path / "out/elevation.tif")
    assert found.shape == (40, 40)
    rows, cols = np.indices(found.shape)
    east, north = (cols + 0.5) * CELL, 20 - (rows + 0.5) * CELL
    np.testing.assert_allclose(found, 400 + EAST_RISE * east + NORTH_RISE * north, atol=5e-5)
    assert result.summary["points"] == 60
    assert result.outputs["elevation"]["href"] == str(tmp_path / "out/elevation.tif")
    with (
        rasterio.Env(GTIFF_REPORT_COMPD_CS="YES"),
        rasterio.open(tmp_path / "out/elevation.tif") as file,
    ):
        assert (file.bounds.left, file.bounds.top) == (500_000, 5_000_020)
        assert "DHHN2016" in file.crs.to_wkt()


@pytest.mark.parametrize(
    "method", ["natural-neighbour", "thin-plate", "inverse-distance", "plane", "auto"]
)
def test_every_method_stays_between_the_points(tmp_path: Path, method: str) -> None:
    inputs = {"points": points(tmp_path / "p.csv"), "crs": "EPSG:25832", "cell_size": 1}
    told = run("interpolate-elevation", tmp_path / "out", **inputs, method=method).summary
    # what was chosen is said
    assert told["method"] == method or (method, told["method"]) == ("auto", "plane")
    found = read(tmp_path / "out/elevation.tif")
    rows, cols = np.indices(found.shape)
    plane = 400 + EAST_RISE * (cols + 0.5) + NORTH_RISE * (20 - (rows + 0.5))
    # all but the weighted average follow a plane exactly
    np.testing.assert_allclose(found, plane, atol=0.5 if method == "inverse-distance" else 5e-5)


def test_a_stray_point_is_told(tmp_path: Path) -> None:
    path = Path(points(tmp_path / "p.csv"))
    path.write_text(path.read_text() + "500010,5000010,450\n")
    inputs = {"points": str(path), "crs": "EPSG:25832", "cell_size": 1}
    found = run("interpolate-elevation", tmp_path / "out", **inputs).summary["findings"]
    assert [one["level"] for one in found] == ["look"]
    assert "point 61" in found[0]["text"]


def test_the_extent_is_kept_and_outside_the_points_is_nodata(tmp_path: Path) -> None:
    run(
        "interpolate-elevation", tmp_path / "out", points=points(tmp_path / "p.csv"),
        crs="EPSG:25832", cell_size=1, extent=[499_990, 5_000_000, 500_010, 5_000_010],
    )  # fmt: skip
    found = read(tmp_path / "out/elevation.tif")
    assert found.shape == (10, 20)
    assert np.isnan(found[:, :10]).all()
    assert np.isfinite(found[:, 10:]).all()


@pytest.mark.parametrize(
    ("inputs", "expected"),
    [
        ({"crs": "EPSG:25832", "cell_size": 1e-6}, "rows of"),
        ({"crs": "EPSG:25832", "extent": [0, 0, 10, 10], "cell_size": 1}, "between the points"),
        ({"crs": "EPSG:25832", "extent": [10, 0, 0, 10], "cell_size": 1}, "is empty"),
        ({"crs": "EPSG:4326"}, "geographic"),
        ({}, "give it as crs"),
    ],
)
def test_interpolation_that_makes_no_sense(
    tmp_path: Path, inputs: dict[str, Any], expected: str
) -> None:
    with pytest.raises(InputError, match=expected):
        run("interpolate-elevation", tmp_path / "out", points=points(tmp_path / "p.csv"), **inputs)
    assert not (tmp_path / "out").exists()


def test_the_output_of_one_is_an_input_of_the_next(tmp_path: Path) -> None:
    first = run(
        "interpolate-elevation", tmp_path / "out",
        points=points(tmp_path / "p.csv"), crs="EPSG:25832+7837", cell_size=CELL,
    )  # fmt: skip
    # a reference as it was answered, and into the same folder
    assert read_elevation(first.outputs["elevation"]["href"]).frame.vertical_name == "EPSG:7837"
    second = run("derive-slope", tmp_path / "out", elevation=first.outputs["elevation"])
    run("derive-drainage", tmp_path / "out", elevation=Path(first.outputs["elevation"]["href"]))
    assert second.summary["mean"] == pytest.approx(5.0, abs=1e-2)
    rasters = {
        "elevation", "slope", "aspect", "drainage_direction", "ponding_depth", "contributing_area",
    }  # fmt: skip
    # each with its look for the desktop beside it
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        f"{name}.{ending}" for name in rasters for ending in ("tif", "qml")
    }


def test_the_crs_of_a_layer_and_of_the_request_must_agree(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    east, north, up = rng.uniform(0, 10, (3, 20))
    import json

    features = [
        {
            "type": "Feature",
            "properties": {},
            "geometry": {"type": "Point", "coordinates": [e + 500_000, n + 5_000_000, u]},
        }
        for e, n, u in zip(east, north, up, strict=True)
    ]
    layer = tmp_path / "p.geojson"
    layer.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}},
                "features": features,
            }
        )
    )
    own = run("interpolate-elevation", tmp_path / "a", points=str(layer), cell_size=1)
    assert own.summary["crs"] == "EPSG:25832"
    same = {"points": str(layer), "cell_size": 1, "crs": "EPSG:25832+7837"}
    assert run("interpolate-elevation", tmp_path / "b", **same).summary["crs"] == "EPSG:25832"
    with pytest.raises(InputError, match="the request says EPSG:25833"):
        run("interpolate-elevation", tmp_path / "c", points=str(layer), crs="EPSG:25833")


def test_progress_rises_to_the_end_and_no_further(tmp_path: Path) -> None:
    points = tmp_path / "points.csv"
    rows = [f"{512_300 + i},{5_276_100 + i * i % 7},{i / 8}" for i in range(9)]
    points.write_text("\n".join(["easting,northing,elevation", *rows, ""]))
    shares: list[float] = []
    execute(
        "interpolate-elevation",
        {"points": str(points), "crs": "EPSG:25832", "cell_size": 0.5},
        tmp_path / "out",
        progress=lambda share, _: shares.append(share),
    )
    assert shares == sorted(shares)
    assert len(shares) > 1
    assert shares[-1] == 1.0


def test_contours_lie_at_the_interval_that_is_asked_for(tmp_path: Path) -> None:
    # between the outermost centres the plane rises from 400.02 to 401.23
    result = run(
        "trace-contours", tmp_path / "out", elevation=ground(tmp_path / "e.tif"), interval=0.25,
        index_every=2,
    )  # fmt: skip
    assert (result.summary["interval"], result.summary["contours"]) == (0.25, 4)
    with fiona.open(tmp_path / "out/contours.gpkg") as file:
        lines = {f.properties["elevation"]: f for f in file}
    assert sorted(lines) == [400.25, 400.5, 400.75, 401.0]
    for level, line in lines.items():
        east, north = shapely.get_coordinates(shapely.geometry.shape(line.geometry)).T
        up = 400 + EAST_RISE * (east - 500_000) + NORTH_RISE * (north - 5_000_000)
        np.testing.assert_allclose(up, level, atol=1e-4)
    assert {level for level, line in lines.items() if line.properties["is_index"]} == {400.5, 401.0}
    with pytest.raises(InputError, match="interval is 0; expected at least 1e-06"):
        run("trace-contours", tmp_path / "no", elevation=ground(tmp_path / "e.tif"), interval=0)
