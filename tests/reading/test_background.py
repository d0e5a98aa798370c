"""What is laid under a plan: lines of a layer and pictures, and what of them is too much."""

from __future__ import annotations

from pathlib import Path

import fiona
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine

from geosite.base.errors import InputError, Problem
from geosite.reading import background_lines, pictures
from geosite.reading.background_lines import BackgroundLines, read_background_lines
from geosite.reading.pictures import read_picture

RING = [(0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 0.0)]


def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def layer(path: Path, *shapes: tuple[str, object], crs: str | None = "EPSG:25832") -> Path:
    schema = {"geometry": "Unknown", "properties": {}}
    with fiona.open(path, "w", driver="GPKG", schema=schema, crs=crs) as out:
        for kind, coordinates in shapes:
            out.write({"geometry": {"type": kind, "coordinates": coordinates}, "properties": {}})
    return path


def read(path: Path) -> BackgroundLines:
    return read_background_lines(path, path.name, refuse)


def code(work: object, *given: object) -> str:
    with pytest.raises(InputError) as caught:
        work(*given)  # type: ignore[operator]
    return caught.value.problems[0].code


def test_lines_are_drawn_and_areas_by_their_outlines_and_points_are_not(tmp_path: Path) -> None:
    hole = [(6.0, 1.0), (8.0, 1.0), (8.0, 3.0), (6.0, 1.0)]
    found = read(
        layer(
            tmp_path / "a.gpkg",
            ("LineString", [(0, 0, 7), (5, 0, 8)]),
            ("Point", (3, 3)),
            ("Polygon", [RING, hole]),
            ("MultiLineString", [[(0, 0), (1, 1)], [(2, 2), (3, 3)]]),
        )
    )
    line, outline, several = found.shapes
    assert line.equals(shapely.LineString([(0, 0), (5, 0)]))
    assert not line.has_z
    assert outline.equals(shapely.Polygon(RING, [hole]).boundary)
    assert shapely.get_num_geometries(several) == 2
    assert found.file == "a.gpkg"
    assert "25832" in found.crs_wkt


def test_a_layer_of_points_alone_and_one_of_no_map_are_refused(tmp_path: Path) -> None:
    points = layer(tmp_path / "p.gpkg", ("Point", (3, 3)), ("MultiPoint", [(1, 1)]))
    assert code(read, points) == "background-no-lines"
    line = ("LineString", [(0, 0), (5, 0)])
    assert code(read, layer(tmp_path / "n.gpkg", line, crs=None)) == "background-no-crs"
    (tmp_path / "noise.gpkg").write_bytes(b"noise")
    assert code(read, tmp_path / "noise.gpkg") == "background-unreadable"
    # nothing round the survey is no fault
    assert read(layer(tmp_path / "empty.gpkg")).shapes == ()


@pytest.mark.parametrize(("limit", "most"), [("MOST_FEATURES", 2), ("MOST_PLACES", 6)])
def test_more_than_can_be_seen_is_refused(
    limit: str, most: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = layer(
        tmp_path / "a.gpkg", ("LineString", [(0, 0), (5, 0)]), ("Polygon", [RING])
    )  # six corners
    monkeypatch.setattr(background_lines, limit, most)
    assert len(read(path).shapes) == 2
    monkeypatch.setattr(background_lines, limit, most - 1)
    assert code(read, path) == "background-too-large"


def picture(
    path: Path, bands: int = 3, kind: str = "uint8", crs: str | None = "EPSG:25832"
) -> Path:
    place = Affine(2, 0, 500_000, 0, -2, 5_000_000)
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=5, count=bands, dtype=kind, crs=crs,
        transform=place,
    ) as out:  # fmt: skip
        out.write(np.zeros((bands, 5, 8), kind))
    return path


def test_a_picture_is_in_grey_or_colours_and_of_no_more_cells_than_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def told(path: Path) -> str:
        return code(lambda: read_picture(path.name, path, refuse))

    for bands in (1, 3, 4):
        path = picture(tmp_path / f"p{bands}.tif", bands)
        assert read_picture("p.tif", path, refuse).path == path
    assert told(picture(tmp_path / "two.tif", 2)) == "picture-bands"
    assert told(picture(tmp_path / "deep.tif", 3, "uint16")) == "picture-bands"
    assert told(picture(tmp_path / "nowhere.tif", crs=None)) == "picture-no-place"
    (tmp_path / "noise.tif").write_bytes(b"noise")
    assert told(tmp_path / "noise.tif") == "picture-unreadable"
    monkeypatch.setattr(pictures, "MAX_CELLS_IN_STRIPS", 40)
    assert read_picture("p.tif", tmp_path / "p3.tif", refuse)
    monkeypatch.setattr(pictures, "MAX_CELLS_IN_STRIPS", 39)
    # the copy of the process that tries it is as strict
    monkeypatch.setattr(pictures, "try_raster", lambda *given: None)
    assert told(tmp_path / "p3.tif") == "picture-too-large"
