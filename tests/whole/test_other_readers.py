"""Second and third readers: GDAL's own tools, a map server, and two readers of another language."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import fiona
import numpy as np
import pytest
import rasterio
from arrow_ink import pointing, turn_between
from rasterio.features import rasterize

from geosite.handover.palette import POND, SURFACES

pytestmark = pytest.mark.slow
READERS = Path(__file__).parents[1] / "readers"


@pytest.fixture(scope="module")
def out(built_landing: Path) -> Path:
    return built_landing


def tool(name: str) -> str:
    path = shutil.which(name, path="/usr/bin")
    if path is None:
        pytest.skip(f"{name} is not installed here")
    return path


def run(*words: object, **settings: str) -> str:
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PROJ_", "GDAL_", "CPL_"))}
    done = subprocess.run(
        list(map(str, words)), env={**kept, **settings}, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "arning" not in done.stderr, done.stderr
    return done.stdout


def test_gdals_own_tools_read_the_layers_without_a_word(out: Path) -> None:
    listed = run(tool("ogrinfo"), "-q", "-nomd", out / "site.gpkg")
    for name in fiona.listlayers(out / "site.gpkg"):
        assert f": {name} (" in listed
    areas = run(tool("ogrinfo"), "-so", out / "site.gpkg", "areas")
    assert "Feature Count: 4" in areas
    assert 'ID["EPSG",25832]]' in areas


def test_gdals_own_tools_read_both_systems_of_the_elevation(out: Path) -> None:
    about = json.loads(run(tool("gdalinfo"), "-json", out / "elevation.tif"))
    wkt = about["coordinateSystem"]["wkt"]
    assert wkt.startswith("COMPOUNDCRS[")
    assert 'ID["EPSG",25832]' in wkt
    assert 'ID["EPSG",7837]' in wkt


def test_gdals_own_tools_know_where_the_plan_lies(out: Path) -> None:
    about = json.loads(run(tool("gdalinfo"), "-json", out / "plan.pdf"))
    assert 'ID["EPSG",25832]]' in about["coordinateSystem"]["wkt"]
    west, across, _, north, _, down = about["geoTransform"]
    assert across == pytest.approx(-down, rel=1e-3)
    # a baseline mark, drawn where the sheet has it: inside the window, at its place on earth
    with fiona.open(out / "site.gpkg", layer="marks") as marks:
        east, north_of_mark, *_ = next(
            m.geometry.coordinates for m in marks if m.properties["role"] == "baseline"
        )
    col, row = (east - west) / across, (north_of_mark - north) / down
    with rasterio.Env(), pytest.warns(rasterio.errors.NotGeoreferencedWarning):
        picture = rasterio.open(out / "plan.png")
    with picture:
        scale = picture.width / about["size"][0]
        x, y = round(col * scale), round(row * scale)
        ink = picture.read(1)[y - 6 : y + 7, x - 6 : x + 7]
    # the target of a baseline mark: two quarters dark, two light, each in its place
    assert ink[8:11, 8:11].mean() < 100 < 200 < ink[2:5, 8:11].mean()
    assert ink[2:5, 2:5].mean() < 100 < 200 < ink[8:11, 2:5].mean()


def test_gdals_own_tools_read_the_drawing_and_the_crs_beside_it(out: Path, tmp_path: Path) -> None:
    """The format has no place that GDAL reads a CRS from: it is given the file beside."""
    placed = tmp_path / "drawing.gpkg"
    run(
        tool("ogr2ogr"), "-q", "-a_srs", out / "site.prj", "-nlt", "GEOMETRY",
        "-splitlistfields", placed, out / "site.dxf",
    )  # fmt: skip
    with fiona.open(placed) as drawing, fiona.open(out / "site.gpkg", layer="areas") as areas:
        assert drawing.crs.to_epsg() == areas.crs.to_epsg() == 25832
        west, south, east, north = areas.bounds
        apron = next(f for f in drawing if f.properties["Layer"] == "asphalt")
        xs, ys = zip(*apron.geometry.coordinates, strict=True)
        assert west - 0.1 < min(xs) < max(xs) < east + 0.1
        assert south - 0.1 < min(ys) < max(ys) < north + 0.1
        kinds: dict[str, set[str]] = {}
        for f in drawing:
            kinds.setdefault(f.properties["Layer"], set()).add(f.geometry.type.replace("3D ", ""))
    assert {layer: kind for layer, kind in kinds.items() if len(kind) > 1} == {}


KINDS = {"Point": "POINT", "LineString": "LINE", "Polygon": "POLYGON"}


def drawn(
    out: Path,
    folder: Path,
    names: list[str],
    box: tuple[float, float, float, float] = (512300, 5276100, 512360, 5276140),
    package: Path | None = None,
) -> Any:
    """Return the picture that the map server makes of layers with their SLD, shape (3, h, w)."""
    package = package or out / "site.gpkg"
    server = tool("mapserv")
    layers, looks = [], []
    for name in names:
        if (out / f"{name}.tif").exists():
            kind = f'TYPE RASTER DATA "{out / name}.tif"'
        else:
            with fiona.open(package, layer=name) as source:
                plain = source.schema["geometry"].replace("3D ", "").replace("Multi", "")
            kind = f'TYPE {KINDS[plain]} CONNECTIONTYPE OGR CONNECTION "{package}" DATA "{name}"'
        layers.append(
            f'LAYER NAME "{name}" {kind} STATUS ON PROJECTION "init=epsg:25832" END METADATA '
            f'"wms_title" "{name}" "gml_include_items" "all" END END'
        )
        own = out / "styles" / "map_server" / f"{name}.sld"
        look = (own if own.exists() else out / "styles" / f"{name}.sld").read_text()
        found = re.search(r"<NamedLayer>.*</NamedLayer>", look, re.S)
        assert found is not None
        looks.append(found[0])
        head = look[: look.index("<NamedLayer>")]
    (folder / "site.map").write_text(
        'MAP NAME "site" SIZE 900 600 PROJECTION "init=epsg:25832" END OUTPUTFORMAT NAME "png" '
        'DRIVER "AGG/PNG" MIMETYPE "image/png" IMAGEMODE RGB END WEB METADATA "wms_title" "site" '
        '"wms_onlineresource" "http://localhost/" "wms_srs" "EPSG:25832" "ows_enable_request" "*" '
        f"END END {' '.join(layers)} END"
    )
    (folder / "server.conf").write_text('CONFIG ENV MS_MAP_PATTERN "." END END')
    request = urlencode(
        {
            "SERVICE": "WMS", "VERSION": "1.1.1", "REQUEST": "GetMap", "STYLES": "",
            "SRS": "EPSG:25832", "BBOX": ",".join(map(str, box)), "WIDTH": 900,
            "HEIGHT": 600, "FORMAT": "image/png", "LAYERS": ",".join(names),
            "SLD_BODY": f"{head}{''.join(looks)}</StyledLayerDescriptor>",
        }
    ).encode()  # fmt: skip
    done = subprocess.run(
        [server],
        input=request,
        capture_output=True,
        timeout=120,
        env={
            "PATH": "/usr/bin:/bin", "MS_MAPFILE": str(folder / "site.map"),
            "MAPSERVER_CONFIG_FILE": str(folder / "server.conf"), "REQUEST_METHOD": "POST",
            "CONTENT_TYPE": "application/x-www-form-urlencoded",
            "CONTENT_LENGTH": str(len(request)),
        },
    )  # fmt: skip
    header, _, body = done.stdout.partition(b"\r\n\r\n")
    assert b"image/png" in header, done.stdout[:500]
    (folder / "map.png").write_bytes(body)
    with rasterio.Env(), pytest.warns(rasterio.errors.NotGeoreferencedWarning):
        picture = rasterio.open(folder / "map.png")
    with picture:
        return picture.read([1, 2, 3])


LAYERS = (
    "marks", "baseline", "areas", "lines", "contours", "drainage_arrows", "flow_paths", "ponding",
    "grades", "sections", "parcels",
)  # fmt: skip


@pytest.mark.parametrize("name", LAYERS)
def test_a_map_server_draws_every_layer_from_its_sld(out: Path, tmp_path: Path, name: str) -> None:
    assert (drawn(out, tmp_path, [name]) < 250).any(axis=0).sum() > 100


def test_a_map_server_fills_areas_and_ponds_with_the_plans_tints(out: Path, tmp_path: Path) -> None:
    picture = drawn(out, tmp_path, ["areas", "ponding"]).astype(int)

    def share(colour: str, opacity: float = 1.0) -> float:
        tint = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
        shown = 255 - opacity * (255 - tint)
        return float((np.abs(picture - shown[:, None, None]) < 4).all(axis=0).mean())

    cells = picture.shape[1] * picture.shape[2] / (900 * 600) * 60 * 40  # m2 of the whole picture
    assert share(SURFACES[0]) * cells == pytest.approx(650.0, rel=0.15)  # the apron, less its names
    assert share(SURFACES[1]) * cells == pytest.approx(88.0, rel=0.15)
    assert share(POND, 0.8) * cells == pytest.approx(28.0, rel=0.4)


@pytest.mark.parametrize("name", ["drains_to_inlet_1", "drainage_direction", "ponding_depth"])
def test_a_map_server_draws_every_value_of_a_raster_in_its_colour(
    out: Path, tmp_path: Path, name: str
) -> None:
    """The greatest values were clear there, dry ground blue, and water to the north had no way."""
    with rasterio.open(out / f"{name}.tif") as source:
        values = source.read(1).astype(float)
        west, south, _, _ = source.bounds
    values[values == -9999.0] = np.nan
    # a cell of 0.25 m is a pixel
    box = (west, south, west + 225.0, south + 150.0)
    picture = drawn(out, tmp_path, [name], box)[:, -values.shape[0] :, : values.shape[1]]
    look = (out / "styles" / "map_server" / f"{name}.sld").read_text()
    stops = [
        (float(quantity), [int(colour[i : i + 2], 16) for i in (1, 3, 5)])
        for colour, quantity in re.findall(r'color="(#\w+)" quantity="([^"]+)"', look)
    ]
    bounds = [value for value, _ in stops]
    assert np.nanmax(values) < bounds[-1]
    margin = 1e-4 * (bounds[-1] - bounds[0])  # it sorts values into boxes of about that width
    assert (picture[:, np.isnan(values) | (values < bounds[0] - margin)] == 255).all()
    for (low, colour), high in zip(stops[:-1], bounds[1:], strict=True):
        here = (values > low + margin) & (values < high - margin)
        assert np.unique(picture[:, here].T, axis=0).tolist() in ([], [colour])
    whole = {"drains_to_inlet_1": 1.0, "drainage_direction": 0.0, "ponding_depth": 0.0}[name]
    assert (values == whole).any()
    assert (picture[:, values == whole] == 255).all() == (name == "ponding_depth")


def test_catchments_are_what_the_directions_lead_to(out: Path) -> None:
    """Traced over the raster alone, cell by cell, and laid beside the layer and the areas."""
    with rasterio.open(out / "drainage_direction.tif") as source:
        azimuth, grid = source.read(1), source.transform
    with rasterio.open(out / "contributing_area.tif") as source:
        area = source.read(1).astype(float)
    known = azimuth != -9999.0
    rows, cols = np.indices(azimuth.shape)
    turn = np.radians(azimuth)
    ahead = np.where(azimuth >= 0, 1, 0)
    row = rows - np.rint(np.sqrt(2) * np.cos(turn)).astype(int).clip(-1, 1) * ahead
    col = cols + np.rint(np.sqrt(2) * np.sin(turn)).astype(int).clip(-1, 1) * ahead
    within = (row >= 0) & (row < azimuth.shape[0]) & (col >= 0) & (col < azimuth.shape[1])
    inside = known & within & known[row.clip(0, len(row) - 1), col.clip(0, row.shape[1] - 1)]
    here = np.arange(azimuth.size).reshape(azimuth.shape)
    end = np.where(inside, row * azimuth.shape[1] + col, here).ravel()
    while not np.array_equal(further := end[end], end):
        end = further
    end = end.reshape(azimuth.shape)
    with fiona.open(out / "site.gpkg", layer="catchments") as layer:
        found = list(layer)
    shapes = [(f.geometry, f.properties["catchment"]) for f in found]
    laid = rasterize(shapes, out_shape=azimuth.shape, transform=grid, fill=0)
    assert np.array_equal(laid > 0, known)
    for feature in found:
        one = laid == feature.properties["catchment"]
        ends = np.unique(end[one])
        assert np.array_equal(np.isin(end, ends) & known, one)  # and nobody else's water
        passed = area.ravel()[ends].sum()
        assert passed == pytest.approx(feature.properties["area_m2"], rel=1e-6)
        if feature.properties["leaves_by"] == "inlet":
            assert azimuth.ravel()[ends].tolist() == [-1.0]


AZIMUTHS = (0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0, 355.0)


@pytest.fixture(scope="module")
def arrows(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return arrows of known azimuths, 10 m apart."""
    path = tmp_path_factory.mktemp("arrows") / "arrows.gpkg"
    columns = {"azimuth_deg": "float", "slope_percent": "float", "steadiness": "float"}
    with fiona.open(
        path, "w", "GPKG", layer="drainage_arrows", crs="EPSG:25832",
        schema={"geometry": "Point", "properties": columns},
    ) as file:  # fmt: skip
        for i, azimuth in enumerate(AZIMUTHS):
            place = {"type": "Point", "coordinates": (500005.0 + 10 * i, 5000005.0)}
            values = {"azimuth_deg": azimuth, "slope_percent": 5.0, "steadiness": 1.0}
            file.write({"type": "Feature", "geometry": place, "properties": values})
    return path


def test_a_map_server_turns_the_arrows_as_their_azimuth_says(
    out: Path, tmp_path: Path, arrows: Path
) -> None:
    box = (500000.0, 4999975.0, 500090.0, 5000035.0)
    picture = drawn(out, tmp_path, ["drainage_arrows"], box, arrows)
    wide = picture.shape[2] / len(AZIMUTHS)
    rows, cols = np.nonzero(picture[0] < 128)
    for i, azimuth in enumerate(AZIMUTHS):
        mine = (cols > i * wide) & (cols < (i + 1) * wide)
        ink = np.column_stack([cols[mine], rows[mine]])
        assert len(ink) > 20
        assert turn_between(pointing(ink), azimuth) < 12.0


def test_readers_of_another_language_find_the_same(out: Path) -> None:
    modules = os.environ.get("GEOSITE_NPM_READERS", "")
    if not Path(modules, "node_modules/@ngageoint/geopackage").is_dir():
        pytest.skip("the npm readers are not installed here (GEOSITE_NPM_READERS)")
    node = shutil.which("node")
    assert node is not None
    said = run(node, "--no-warnings", READERS / "read.mjs", modules, out, "elevation.tif")
    found = json.loads(said.splitlines()[-1])
    for name in fiona.listlayers(out / "site.gpkg"):
        with fiona.open(out / "site.gpkg", layer=name) as source:
            if source.schema["geometry"] != "None":
                assert found["layers"].pop(name) == {"count": len(source), "code": 25832}
    assert found["layers"] == {}
    with rasterio.open(out / "elevation.tif") as file:
        told = found["rasters"]["elevation.tif"]
        assert tuple(told["shape"]) == file.shape
        assert told["box"] == pytest.approx(list(file.bounds))
        assert told["nodata"] == file.nodata
        assert told["highest"] == pytest.approx(float(file.read(1).max()))
    assert told["keys"]["ProjectedCSTypeGeoKey"] == 25832
    assert told["keys"]["VerticalCSTypeGeoKey"] == 7837
