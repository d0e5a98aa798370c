"""The viewer page as a file: complete, closed against the network and against hostile names."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from package_cases import HOSTILE, ferry_landing, grid, hostile_landing, layer, on_map, only

from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.handover.model import Package, Raster
from geosite.handover.viewer.page import write_viewer


class Page(HTMLParser):
    """Scripts, styles, policy and every attribute of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: str | None = None
        self.policy = ""
        self.parts: dict[str, list[str]] = {"script": [], "style": [], "title": []}
        self.kinds: list[dict[str, str | None]] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value) for name, value in attrs]
        found = dict(attrs)
        if found.get("http-equiv") == "Content-Security-Policy":
            self.policy = found["content"] or ""
        if tag in self.parts:
            self.open = tag
            self.parts[tag].append("")
            if tag == "script":
                self.kinds.append(found)

    def handle_endtag(self, tag: str) -> None:
        self.open = None

    def handle_data(self, data: str) -> None:
        if self.open:
            self.parts[self.open][-1] += data


def page_of(package: Package, folder: Path) -> Page:
    return Page(write_viewer(folder, package).read_text("utf-8"))


def site_of(page: Page) -> dict[str, Any]:
    (data,) = (
        text
        for text, kind in zip(page.parts["script"], page.kinds, strict=True)
        if kind.get("type") == "application/json"
    )
    found: dict[str, Any] = json.loads(data)
    return found


def decoded(raster: dict[str, Any]) -> np.ndarray:
    codes = np.frombuffer(base64.b64decode(raster["data"]), f"<u{raster['width']}")
    values = raster["low"] + codes * raster["step"]
    values[codes == 2 ** (8 * raster["width"]) - 1] = np.nan
    return values.reshape(raster["rows"], raster["cols"])


def test_the_policy_names_the_only_script_and_style(tmp_path: Path) -> None:
    page = page_of(ferry_landing(), tmp_path)
    rules = dict(rule.strip().split(" ", 1) for rule in page.policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    (style,) = page.parts["style"]
    (script,) = (
        text
        for text, kind in zip(page.parts["script"], page.kinds, strict=True)
        if "type" not in kind
    )
    for source, text in (("script-src", script), ("style-src", style)):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[source] == f"'sha256-{digest}'"


def test_nothing_in_the_page_points_outside(tmp_path: Path) -> None:
    path = write_viewer(tmp_path, ferry_landing())
    text = path.read_text("utf-8")
    # the SVG namespace is a name, not an address that is asked
    assert set(re.findall(r"[a-z]+://[^\s\"'`]+", text)) <= {"http://www.w3.org/2000/svg"}
    for tag, name, value in Page(text).attributes:
        assert not name.startswith("on"), (tag, name)
        assert name != "style"
        if name in ("src", "href"):
            assert (tag, value) == ("link", "data:,")
    for call in ("fetch(", "XMLHttpRequest", "WebSocket", "import(", "eval(", "innerHTML"):
        assert call not in text


def test_a_small_site_stays_well_below_a_megabyte(tmp_path: Path) -> None:
    assert write_viewer(tmp_path, ferry_landing()).stat().st_size < 400_000


@pytest.mark.slow
def test_a_large_site_is_thinned_and_says_so(tmp_path: Path) -> None:
    package = ferry_landing()
    big = Grid(grid().west, grid().north, 0.02, 2000, 3000)
    east, north = np.meshgrid(np.arange(3000), np.arange(2000))
    values = 400 + east * 1e-3 - north * 5e-4
    rasters = tuple(
        Raster(name, name, "", values, big, "m")
        for name in (
            "elevation", "slope", "drainage_direction", "elevation_sigma", "ponding_depth",
        )
    )  # fmt: skip
    rng = np.random.default_rng(5)
    places = on_map(rng.uniform((5, 12), (50, 30), (50_000, 2)))
    marks = layer(
        "points",
        "Observations",
        "PointZ",
        [{"point": f"P{i}", "elevation": 402.0} for i in range(len(places))],
        list(shapely.points(places)),
    )
    turns = np.linspace(0, 60, 60_000)
    curl = on_map(np.column_stack([30 + turns * np.cos(turns) / 4, 20 + turns * np.sin(turns) / 4]))
    contours = layer(
        "contours", "Contours", "LineStringZ", [{"elevation": 402.0}], [shapely.LineString(curl)]
    )
    path = write_viewer(
        tmp_path, dataclasses.replace(package, layers=(marks, contours), rasters=rasters)
    )
    assert path.stat().st_size < 1_000_000
    site = site_of(Page(path.read_text("utf-8")))
    assert site["thinned"] is True
    assert site_of(page_of(ferry_landing(), tmp_path))["thinned"] is False
    # the larger cells lie where the small ones did
    elevation = site["rasters"]["elevation"]
    shown = decoded(elevation)
    stride = round(elevation["cell"] / 0.02)
    for row, col in ((0, 0), (70, 90)):
        east_c = elevation["west"] + (col + 0.5) * elevation["cell"]
        north_c = elevation["north"] - (row + 0.5) * elevation["cell"]
        here = (
            (east_c + site["origin"][0] - big.west) / 0.02 - 0.5,
            (big.north - north_c - site["origin"][1]) / 0.02 - 0.5,
        )
        assert shown[row, col] == pytest.approx(400 + here[0] * 1e-3 - here[1] * 5e-4, abs=1e-3)
    assert stride > 1


def test_rasters_are_right_to_half_a_step(tmp_path: Path) -> None:
    package = ferry_landing()
    site = site_of(page_of(package, tmp_path))
    for raster in package.rasters:
        shown = site["rasters"][raster.name]
        values = decoded(shown)
        assert (np.isnan(values) == np.isnan(raster.values)).all()
        off = np.nanmax(np.abs(values - raster.values))
        assert off <= shown["step"] / 2 + 1e-9
        assert shown["west"] == pytest.approx(raster.grid.west - site["origin"][0])
        assert shown["north"] == pytest.approx(raster.grid.north - site["origin"][1])
    assert site["rasters"]["elevation"]["step"] < 0.001


def test_places_are_kept_to_a_millimetre(tmp_path: Path) -> None:
    package = ferry_landing()
    site = site_of(page_of(package, tmp_path))
    (points,) = (x for x in package.layers if x.name == "points")
    shown = {
        f["p"]["point"]: f["g"][0] for x in site["layers"] if x["name"] == "points"
        for f in x["features"]
    }  # fmt: skip
    for record, place in zip(points.records, points.geometries, strict=True):
        here = shown[record["point"]]
        assert here[0] + site["origin"][0] == pytest.approx(place.x, abs=6e-4)
        assert here[1] + site["origin"][1] == pytest.approx(place.y, abs=6e-4)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_data(name: str, tmp_path: Path) -> None:
    usual, page = page_of(ferry_landing(), tmp_path), page_of(hostile_landing(name), tmp_path)
    assert [(t, n) for t, n, _ in page.attributes] == [(t, n) for t, n, _ in usual.attributes]
    assert len(page.parts["script"]) == 2
    # browsers end a script at "</script" and a blank: no bracket at all may be in the data
    text = (tmp_path / "viewer.html").read_text("utf-8")
    start = text.index('id="site">') + len('id="site">')
    data = text[start : text.index("\n<script>", start)]
    assert data.endswith("</script>")
    assert not re.search("[<>&]", data.removesuffix("</script>"))
    assert site_of(page)["title"] == name.encode("utf-8", "replace").decode("utf-8")
    if "\ud800" not in name and "\x00" not in name:
        assert page.parts["title"] == [name]


@pytest.mark.parametrize("names", [(), ("points",), ("elevation",), ("parcels", "slope")])
def test_any_layer_or_raster_may_be_missing(names: tuple[str, ...], tmp_path: Path) -> None:
    part = dataclasses.replace(only(ferry_landing(), *names), codes={}, findings=())
    site = site_of(page_of(part, tmp_path))
    assert [x["name"] for x in site["layers"]] + list(site["rasters"]) == list(names)


def test_findings_are_written_with_raised_figures(tmp_path: Path) -> None:
    seen = Finding("look", "pond", "Water stands, 0.35 m3 on 24.1 m2 of code m2x.")
    site = site_of(page_of(dataclasses.replace(ferry_landing(), findings=(seen,)), tmp_path))
    assert [f["text"] for f in site["look"]] == ["Water stands, 0.35 m³ on 24.1 m² of code m2x."]


def test_ponds_have_no_stairs_and_lie_where_they_are(tmp_path: Path) -> None:
    """The outline of cells of 1 m: rounded, nowhere more than a cell beside it."""
    package = ferry_landing()
    cell = package.rasters[0].grid.cell_size
    steps = np.arange(8) * cell
    stair = np.column_stack([np.repeat(steps, 2)[1:], np.repeat(steps, 2)[:-1]])
    ring = np.vstack([stair, [(steps[-1], -cell), (0.0, -cell), stair[0]]])
    pond = shapely.Polygon(np.array(package.frame.origin) + ring)
    ponds = layer("ponding", "Ponds", "PolygonZ", [{"depth_m": 0.05}], [pond])
    site = site_of(page_of(dataclasses.replace(package, layers=(ponds,)), tmp_path))
    (drawn,) = site["layers"][0]["features"][0]["g"]
    line = shapely.linestrings(np.reshape(drawn, (-1, 2)))
    assert line.is_ring
    assert shapely.hausdorff_distance(line, shapely.linestrings(ring)) < cell
    ways = np.diff(shapely.get_coordinates(line), axis=0)
    turns = np.degrees(np.arctan2(ways[:, 1], ways[:, 0]))
    sharp = np.abs((np.diff(turns) + 180) % 360 - 180)
    assert sharp.max() < 60  # a stair turns by 90 degrees


def test_empty_values_are_not_in_the_page(tmp_path: Path) -> None:
    package = only(ferry_landing(), "points", "elevation")
    raster = package.rasters[0]
    nothing = dataclasses.replace(raster, values=np.full(raster.values.shape, np.nan))
    (points,) = package.layers
    records = [{**r, "elevation": float("nan"), "code": None} for r in points.records]
    bare = dataclasses.replace(
        package, rasters=(nothing,), layers=(dataclasses.replace(points, records=records),)
    )
    site = site_of(page_of(bare, tmp_path))
    assert site["rasters"] == {}
    for f in site["layers"][0]["features"]:
        assert "elevation" not in f["p"]
        assert "code" not in f["p"]


def test_same_input_same_bytes(tmp_path: Path) -> None:
    first = write_viewer(tmp_path, ferry_landing()).read_bytes()
    assert write_viewer(tmp_path, ferry_landing()).read_bytes() == first
