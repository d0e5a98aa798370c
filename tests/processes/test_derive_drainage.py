"""Inlets, walls and codes of the drainage of any raster."""

from __future__ import annotations

import re
from pathlib import Path

import fiona
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.features import rasterize

from geosite.base.errors import InputError
from geosite.processes.derive_drainage import PROCESS, direction_codes
from geosite.processes.inputs import checked
from geosite.processes.model import Context
from geosite.terrain.water.drainage import drain


def raster(folder: Path, z: np.ndarray, crs: str = "EPSG:25832") -> str:
    path = folder / "z.tif"
    rows, cols = z.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs=crs,
        transform=rasterio.Affine(1, 0, 500000, 0, -1, 5300000 + rows), nodata=-9999,
    ) as sink:  # fmt: skip
        sink.write(z.astype("float32"), 1)
    return str(path)


def layer(folder: Path, kind: str, shapes: list[dict], crs: str = "EPSG:25832") -> str:
    path = folder / f"{kind}.gpkg"
    with fiona.open(
        path, "w", driver="GPKG", schema={"geometry": kind, "properties": {}}, crs=crs
    ) as s:
        for shape in shapes:
            s.write({"geometry": shape, "properties": {}})
    return str(path)


def run(folder: Path, **inputs: object) -> dict[str, np.ndarray]:
    out = folder / "out"
    out.mkdir(exist_ok=True)
    PROCESS.run(checked(PROCESS, inputs), Context(out))
    found = {}
    for name in ("drainage_direction", "ponding_depth", "contributing_area"):
        with rasterio.open(out / f"{name}.tif") as source:
            found[name] = source.read(1)
    return found


def test_an_inlet_may_be_a_line_or_an_area_and_one_beside_the_raster_is_none(
    tmp_path: Path,
) -> None:
    elevation = raster(tmp_path, tilted())
    slot = [{"type": "LineString", "coordinates": [(500010.5, 5300002.5), (500010.5, 5300009.5)]}]
    box = [
        (500010.1, 5300002.1),
        (500010.9, 5300002.1),
        (500010.9, 5300009.9),
        (500010.1, 5300009.9),
    ]
    basin = [{"type": "Polygon", "coordinates": [[*box, box[0]]]}]
    for kind, shapes in (("LineString", slot), ("Polygon", basin)):
        found = run(tmp_path, elevation=elevation, inlets=layer(tmp_path, kind, shapes))
        taken = found["drainage_direction"][:, 10] == -1
        # rows from the north: 5300012 is the northern edge
        assert np.flatnonzero(taken).tolist() == list(range(2, 10))
    far = [{"type": "Point", "coordinates": (500010.5, 5300006.5)},
           {"type": "Point", "coordinates": (500310.5, 5300006.5)}]  # fmt: skip
    found = run(tmp_path, elevation=elevation, inlets=layer(tmp_path, "Point", far))
    assert np.argwhere(found["drainage_direction"][:, :-1] == -1).tolist() == [[5, 10]]


def tilted(rows: int = 12, cols: int = 20) -> np.ndarray:
    """Return a plane that falls to the east, one in a hundred."""
    return np.tile(10 - 0.01 * np.arange(cols), (rows, 1))


def test_an_inlet_takes_the_water_of_its_row(tmp_path: Path) -> None:
    point = [{"type": "Point", "coordinates": (500010.5, 5300006.5)}]
    found = run(
        tmp_path, elevation=raster(tmp_path, tilted()), inlets=layer(tmp_path, "Point", point)
    )
    row, col = 5, 10
    assert found["drainage_direction"][row, col] == -1
    assert found["contributing_area"][row, col] == 11
    assert found["contributing_area"][row, 19] == 9  # what falls beyond it
    assert found["contributing_area"][row + 1, 19] == 20


def test_drains_and_walls_that_were_not_given_are_told(tmp_path: Path) -> None:
    elevation = raster(tmp_path, tilted())
    inlets = layer(
        tmp_path,
        "Point",
        [{"type": "Point", "coordinates": (x, 5300006.5)} for x in (500010.5, 500015.5)],
    )
    line = [{"type": "LineString", "coordinates": [(500012, 5300003), (500012, 5300009)]}]
    walls = layer(tmp_path, "LineString", line)

    def told(**given: str) -> tuple[int, list[str]]:
        inputs = checked(PROCESS, {"elevation": elevation, **given})
        summary = PROCESS.run(inputs, Context(tmp_path))
        return summary["inlet_cells"], [f["text"] for f in summary.get("findings", ())]

    cells, (text,) = told()
    assert cells == 0
    assert text.startswith("No inlets and no walls given: drains take no water here")
    cells, (text,) = told(inlets=inlets)
    assert cells == 2
    assert text.startswith("No walls given: kerbs, walls and buildings do not turn water here.")
    assert told(inlets=inlets, walls=walls) == (2, [])


def two_layers(folder: Path) -> str:
    """Write a file whose first layer, with a name that designs often have, is not the drains."""
    path = folder / "map.gpkg"
    for name, x in (("points", 500004.5), ("gullies", 500010.5)):
        with fiona.open(
            path, "w", driver="GPKG", layer=name, crs="EPSG:25832",
            schema={"geometry": "Point", "properties": {}},
        ) as sink:  # fmt: skip
            sink.write({"geometry": {"type": "Point", "coordinates": (x, 5300006.5)}})
    return str(path)


def test_the_hole_of_an_area_is_no_inlet(tmp_path: Path) -> None:
    """The cells are those that GDAL burns, every one that the area touches."""
    box, bed = shapely.box(500003.4, 5300002.3, 500013.6, 5300009.7), (6.2, 4.2, 10.8, 7.8)
    around = shapely.difference(box, shapely.box(*(np.array(bed) + [500000, 5300000] * 2)))
    inlets = layer(tmp_path, "Polygon", [shapely.geometry.mapping(around)])
    elevation = raster(tmp_path, tilted())
    found = run(tmp_path, elevation=elevation, inlets=inlets)["drainage_direction"]
    with rasterio.open(elevation) as source:
        place = source.transform
    burnt = rasterize([around], found.shape, transform=place, all_touched=True).astype(bool)
    assert (found == -1).tolist() == burnt.tolist()
    assert burnt.sum() == 11 * 8 - 3 * 2


@pytest.mark.parametrize("what", ["inlets", "walls"])
def test_of_several_layers_none_is_taken_unnamed(tmp_path: Path, what: str) -> None:
    elevation, layers = raster(tmp_path, tilted()), two_layers(tmp_path)
    with pytest.raises(InputError) as stopped:
        run(tmp_path, elevation=elevation, **{what: layers})
    (line,) = str(stopped.value).splitlines()
    assert "it holds several layers" in line
    assert "points, gullies" in line
    assert f"{what}_layer" in line
    with pytest.raises(InputError, match="there is no layer"):
        run(tmp_path, elevation=elevation, **{what: layers, f"{what}_layer": "gulies"})
    with pytest.raises(InputError, match=f"{what} is not"):
        run(tmp_path, elevation=elevation, **{f"{what}_layer": "gullies"})


def test_the_named_layer_of_inlets_is_taken(tmp_path: Path) -> None:
    inputs = {"inlets": two_layers(tmp_path), "inlets_layer": "gullies"}
    found = run(tmp_path, elevation=raster(tmp_path, tilted()), **inputs)["drainage_direction"]
    assert np.argwhere(found == -1).tolist() == [[5, 10]]


def coded(folder: Path) -> str:
    """Write a layer of two points, of which one alone is a drain."""
    path = folder / "coded.gpkg"
    with fiona.open(
        path, "w", driver="GPKG", crs="EPSG:25832",
        schema={"geometry": "Point", "properties": {"code": "str"}},
    ) as sink:  # fmt: skip
        for code, x in (("tree", 500004.5), ("gully", 500010.5)):
            place = {"type": "Point", "coordinates": (x, 5300006.5)}
            sink.write({"geometry": place, "properties": {"code": code}})
    return str(path)


def test_only_features_of_the_codes_asked_for_are_inlets(tmp_path: Path) -> None:
    elevation, inlets = raster(tmp_path, tilted()), coded(tmp_path)

    def drains(**codes: str) -> list[list[int]]:
        found = run(tmp_path, elevation=elevation, inlets=inlets, **codes)
        return np.argwhere(found["drainage_direction"] == -1).tolist()

    assert drains(inlets_code="gully") == [[5, 10]]
    assert drains(inlets_code="gully, tree") == drains() == [[5, 4], [5, 10]]
    with pytest.raises(InputError, match="no feature has the code drain; expected one of gully, t"):
        drains(inlets_code="drain")
    with pytest.raises(InputError, match="inlets_code is given and inlets is not"):
        run(tmp_path, elevation=elevation, inlets_code="gully")


def test_a_wall_holds_the_water_back_and_it_goes_round(tmp_path: Path) -> None:
    line = [{"type": "LineString", "coordinates": [(500012, 5300003), (500012, 5300009)]}]
    elevation = raster(tmp_path, tilted())
    found = run(tmp_path, elevation=elevation, walls=layer(tmp_path, "LineString", line))
    middle = found["drainage_direction"][4:8, 11]
    assert np.all(middle != 90)
    free = run(tmp_path, elevation=elevation)
    assert np.all(free["drainage_direction"][4:8, 11] == 90)


def test_codes_say_the_same_as_the_azimuth(tmp_path: Path) -> None:
    z = np.random.default_rng(4).normal(size=(12, 15)).cumsum(axis=0)
    elevation = raster(tmp_path, z)
    azimuth = run(tmp_path, elevation=elevation)["drainage_direction"]
    two = run(tmp_path, elevation=elevation, codes="power-of-two")["drainage_direction"]
    eight = run(tmp_path, elevation=elevation, codes="clockwise")["drainage_direction"]
    table = {90: 1, 135: 2, 180: 4, 225: 8, 270: 16, 315: 32, 0: 64, 45: 128, -1: 0}
    assert [table[round(a)] for a in azimuth.ravel().tolist()] == two.ravel().tolist()
    away = {0: 1, 45: 2, 90: 3, 135: 4, 180: 5, 225: 6, 270: 7, 315: 8, -1: 0}
    assert [away[round(a)] for a in azimuth.ravel().tolist()] == eight.ravel().tolist()


def test_codes_are_not_averaged_where_a_raster_is_seen_from_afar(tmp_path: Path) -> None:
    """Half way from east, 1, to south, 4, lies no direction at all."""
    z = np.random.default_rng(4).normal(size=(600, 600)).cumsum(axis=0)
    run(tmp_path, elevation=raster(tmp_path, z), codes="power-of-two")
    with rasterio.open(tmp_path / "out" / "drainage_direction.tif", overview_level=0) as source:
        assert set(np.unique(source.read(1)).tolist()) <= {-9999, 0, *(2**k for k in range(8))}


def test_legends_speak_the_unit_of_the_elevations(tmp_path: Path) -> None:
    """On a map in feet the terminal spoke feet and the legend metres."""
    z = tilted()
    z[4:8, 5:9] -= 2
    elevation = raster(tmp_path, z, "EPSG:2264")
    run(tmp_path, elevation=elevation, elevation_unit="ft")
    for name, unit in (("ponding_depth", "ft"), ("contributing_area", "ft²")):
        look = (tmp_path / "out" / f"{name}.qml").read_text(encoding="utf-8")
        titles = re.findall(r'<item [^>]*label="([^"]+)"', look)
        assert {title.split()[1] for title in titles} == {unit}


def test_the_published_grid_in_its_own_codes() -> None:
    # the classic six by six grid of flow directions, E 1 clockwise to NE 128 (P-F4)
    z = np.array(
        [
            [78, 72, 69, 71, 58, 49],
            [74, 67, 56, 49, 46, 50],
            [69, 53, 44, 37, 38, 48],
            [64, 58, 55, 22, 31, 24],
            [68, 61, 47, 21, 16, 19],
            [74, 53, 34, 12, 11, 12],
        ],
        float,
    )
    codes = direction_codes(drain(z, 1.0).azimuth_deg, "power-of-two")
    assert codes[1:5, 1:5].astype(int).tolist() == [
        [2, 2, 4, 4],
        [1, 2, 4, 8],
        [128, 1, 2, 4],
        [2, 1, 4, 4],
    ]


@pytest.mark.parametrize(
    ("inputs", "said"),
    [
        ({"codes": "clockwise", "method": "d-infinity"}, "the method d8 for one of eight"),
        ({"inlets": "far"}, "no inlet lies on the raster"),
        ({"walls": "far"}, "no wall lies on the raster"),
        ({"inlets": "other"}, "the inlets are in ETRS89 / UTM zone 33N"),
    ],
)
def test_what_cannot_be_is_one_line(tmp_path: Path, inputs: dict, said: str) -> None:
    far = [{"type": "Point", "coordinates": (0, 0)}]
    layers = {"far": layer(tmp_path, "Point", far)}
    (tmp_path / "o").mkdir()
    layers["other"] = layer(tmp_path / "o", "Point", far, "EPSG:25833")
    given = {k: layers.get(v, v) for k, v in inputs.items()}
    with pytest.raises(InputError, match=said):
        run(tmp_path, elevation=raster(tmp_path, tilted()), **given)
