"""Lines of a layer under the plan lie where they lie on the ground, thin, grey and behind."""

from __future__ import annotations

import dataclasses
import json
import re
import warnings
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import package_cases
import pytest
import shapely
from cli_runner import FERRY, geosite
from pyproj import Transformer
from quick_landing import draw_few, take_coarse_cells

from geosite.base.errors import InputError, Problem
from geosite.drawing.font import typeface
from geosite.drawing.sheet import Sheet, Text
from geosite.fieldbook.sitefile import Handover
from geosite.fieldbook.sitefile import Sheet as SheetTable
from geosite.handover.model import Package
from geosite.handover.plan.sheet import draw_plan, layout_of
from geosite.reading.background_lines import read_background_lines
from geosite.reading.foreign import driver_names

WAY = [(512300.0, 5276100.0), (512350.0, 5276100.0), (512350.0, 5276140.0)]
FORMATS = {"GPKG": "streets.gpkg", "Shapefile": "streets.shp", "FlatGeobuf": "streets.fgb"}


def write_lines(
    path: Path, places: list[tuple[float, float]], crs: str, kind: str = "LineString",
    driver: str = "GPKG", layer: str | None = None,
) -> Path:  # fmt: skip
    """Write one feature along places."""
    shapes: dict[str, Any] = {
        "LineString": places,
        "Polygon": [[*places, places[0]]],
        "Point": places[0],
    }
    named = {"layer": layer} if layer else {}
    schema = {"geometry": kind, "properties": {}}
    with fiona.open(
        path, "w", driver=driver_names([driver])[0], crs=crs, schema=schema, **named
    ) as out:
        geometry = {"type": kind, "coordinates": shapes[kind]}
        out.write({"type": "Feature", "geometry": geometry, "properties": {}})
    return path


def landing(path: Path, **sheet: Any) -> Package:
    lines = read_background_lines(path, path.name, RuntimeError)  # type: ignore[arg-type]
    return dataclasses.replace(
        package_cases.ferry_landing(), background=lines, sheet=SheetTable(**sheet)
    )


def under(sheet: Sheet) -> list[np.ndarray]:
    first = sheet.groups[0]
    assert first.name == "background"  # behind everything
    (shape,) = first.items
    assert not isinstance(shape, Text)
    assert shape.fill is None
    assert shape.stroke is not None
    assert shape.stroke.width_mm <= 0.15
    red, green, blue = (int(shape.stroke.colour[i : i + 2], 16) for i in (1, 3, 5))
    assert max(red, green, blue) - min(red, green, blue) < 20  # grey
    return [piece for outline in shape.outlines for piece in outline.pieces]  # type: ignore[misc]


@pytest.mark.parametrize("crs", ["EPSG:25832", "EPSG:4326", "EPSG:3857"])
@pytest.mark.parametrize("driver", list(FORMATS))
def test_a_way_lies_where_it_is_whatever_the_format_and_the_system(
    driver: str, crs: str, tmp_path: Path
) -> None:
    turn = Transformer.from_crs("EPSG:25832", crs, always_xy=True)
    path = write_lines(
        tmp_path / FORMATS[driver], [turn.transform(*p) for p in WAY], crs, driver=driver
    )
    package = landing(path)
    (drawn,) = under(draw_plan(package, Handover()))
    wanted = layout_of(package, Handover()).view.on_paper(np.array(WAY))
    assert drawn == pytest.approx(wanted, abs=0.02)


def test_an_area_is_its_outline_and_what_runs_off_the_sheet_is_cut(tmp_path: Path) -> None:
    far = [(512000.0, 5276110.0), (513000.0, 5276110.0), (513000.0, 5276115.0)]
    package = landing(write_lines(tmp_path / "roofs.gpkg", far, "EPSG:25832", "Polygon"))
    sheet = draw_plan(package, Handover())
    window = sheet.window
    lines = under(sheet)
    places = np.concatenate(lines)
    assert places[:, 0].min() == pytest.approx(window.x, abs=0.01)
    assert places[:, 0].max() == pytest.approx(window.right, abs=0.01)


def test_what_its_owner_wants_said_stands_inside_the_map_and_only_there(tmp_path: Path) -> None:
    said = "Streets: invented town, open data"
    path = write_lines(tmp_path / "streets.gpkg", WAY, "EPSG:25832")
    sheet = draw_plan(landing(path, background_attribution=said), Handover())
    (text,) = (t for g in sheet.groups for t in g.items if isinstance(t, Text) and t.text == said)
    half = typeface(text.weight).width(said) * text.size / 2
    assert sheet.window.x < text.x - half < text.x + half < sheet.window.right
    assert sheet.window.y < text.y < sheet.window.bottom
    without = dataclasses.replace(landing(path, background_attribution=said), background=None)
    words = [t for g in draw_plan(without, Handover()).groups for t in g.items]
    assert all(t.text != said for t in words if isinstance(t, Text))


def site_with(folder: Path, *keys: str) -> Path:
    for file in FERRY.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())
    site = folder / "site.toml"
    text = site.read_text("utf-8")
    site.write_text(re.sub(r"(?m)^\[sheet\].*$", "\n".join(["[sheet]", *keys]), text), "utf-8")
    draw_few(site)
    take_coarse_cells(site)
    return site


def refused(site: Path, tmp_path: Path) -> str:
    line = 1 + next(
        i for i, text in enumerate(site.read_text("utf-8").splitlines()) if "background =" in text
    )
    ran = geosite("build", site, "--out", tmp_path / "map")
    assert ran.status == 2
    assert f"site.toml:{line}: sheet.background: " in ran.err
    assert "Traceback" not in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    assert not (tmp_path / "map").exists()
    return ran.err


@pytest.mark.slow
def test_a_layer_is_asked_for_by_name_and_built(tmp_path: Path) -> None:
    write_lines(tmp_path / "town.gpkg", WAY, "EPSG:25832", "Point", layer="trees")
    write_lines(tmp_path / "town.gpkg", WAY, "EPSG:25832", layer="streets")
    keys = ('background = "town.gpkg"', 'background_layer = "streets"')
    site = site_with(tmp_path, *keys)
    assert geosite("build", site, "--out", tmp_path / "map").status == 0
    assert "<title>Background</title>" in (tmp_path / "map" / "plan.svg").read_text("utf-8")
    folder = tmp_path / "wrong"
    folder.mkdir()
    (folder / "town.gpkg").write_bytes((tmp_path / "town.gpkg").read_bytes())
    assert "only points" in refused(
        site_with(folder, keys[0], 'background_layer = "trees"'), folder
    )


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("streets.gpkg", b"SQLite format 3\0 and no more", "cannot be read"),
        ("streets.geojson", b'{"type": "FeatureCollection", "features": [', "cannot be read"),
        ("streets.gpkg", b"", "cannot be read"),
        (
            "streets.geojson",
            json.dumps(
                {
                    "type": "FeatureCollection",
                    "features": [],
                    "crs": {"type": "link", "properties": {"href": "http://example.invalid/"}},
                }
            ).encode(),
            "names another file or an address",
        ),
    ],
)
def test_a_layer_that_cannot_be_read_is_refused_at_its_line(
    name: str, content: bytes, told: str, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(content)
    assert told in refused(site_with(tmp_path, f'background = "{name}"'), tmp_path)


def test_a_layer_without_a_crs_and_a_picture_with_a_layer_are_refused(tmp_path: Path) -> None:
    write_lines(tmp_path / "streets.shp", WAY, "", driver="Shapefile")
    assert "which CRS" in refused(site_with(tmp_path, 'background = "streets.shp"'), tmp_path)
    folder = tmp_path / "picture"
    folder.mkdir()
    (folder / "air.tif").write_bytes(b"II*\0")
    keys = ('background = "air.tif"', 'background_layer = "streets"')
    assert "has no layer streets" in refused(site_with(folder, *keys), folder)


@pytest.mark.slow
def test_lines_of_elsewhere_are_told(tmp_path: Path) -> None:
    far = [(400000.0, 5300000.0), (400100.0, 5300000.0), (400100.0, 5300100.0)]
    write_lines(tmp_path / "streets.gpkg", far, "EPSG:25832")
    site = site_with(tmp_path, 'background = "streets.gpkg"')
    ran = geosite("build", site, "--out", tmp_path / "map")
    assert ran.status == 0
    assert "The lines of streets.gpkg do not reach the survey" in ran.out


def test_more_than_paper_shows_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("geosite.reading.background_lines.MOST_PLACES", 2)
    path = write_lines(tmp_path / "streets.gpkg", WAY, "EPSG:25832")

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, what, expected, remedy))

    with pytest.raises(InputError, match="lie round the survey"):
        read_background_lines(path, "streets.gpkg", refuse)


def test_only_what_lies_round_the_survey_is_read(tmp_path: Path) -> None:
    path = tmp_path / "streets.gpkg"
    schema = {"geometry": "LineString", "properties": {}}
    with fiona.open(path, "w", driver="GPKG", crs="EPSG:25832", schema=schema) as out:
        for east in (512300.0, 600000.0):
            line = {"type": "LineString", "coordinates": [(east, 5276100.0), (east, 5276140.0)]}
            out.write({"type": "Feature", "geometry": line, "properties": {}})
    box = (512000.0, 5276000.0, 513000.0, 5277000.0)
    found = read_background_lines(
        path,
        "streets.gpkg",
        RuntimeError,  # type: ignore[arg-type]
        near=lambda crs: box,
    )
    assert [shapely.get_coordinates(s)[0, 0] for s in found.shapes] == [512300.0]


def test_places_that_are_no_numbers_print_nothing(tmp_path: Path) -> None:
    broken = [WAY[0], (float("nan"), WAY[1][1]), WAY[2]]
    path = write_lines(tmp_path / "streets.gpkg", broken, "EPSG:25832")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = read_background_lines(path, path.name, RuntimeError)  # type: ignore[arg-type]
    assert len(found.shapes) == 1
