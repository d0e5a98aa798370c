"""What the site file asks to be built, and what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import fiona
import numpy as np
import pytest
import rasterio
from fieldbook_cases import BOOK, SITE, write

from geosite.analysis.design_ground.requested import requested_zones
from geosite.analysis.design_ground.zones import Zone
from geosite.base.errors import InputError
from geosite.fieldbook.read import read_survey
from geosite.linework.draw import draw
from geosite.network.adjust import adjust

BASE = "\n[designs.d]\n"
LINES = BOOK.replace("arc2", "line").replace("arc", "line")


def zones(folder: Path, table: str) -> tuple[Zone, ...]:
    notes = read_survey(write(folder, LINES, SITE + BASE + table))
    network = adjust(notes)
    return requested_zones("d", notes.site.designs["d"], notes, network, draw(notes, network))


def test_pads_edges_and_strips(tmp_path: Path) -> None:
    table = """
[designs.d.edges.axis]
points = [[512300.0, 5276100.0], [512300.0, 5276120.0]]
start = 10.0
grades = [-5.0]
[designs.d.edges.ring]
points = [[512301.0, 5276101.0], [512305.0, 5276101.0], [512305.0, 5276105.0]]
elevations = [10.0, 11.0, 12.0]
closed = true
[designs.d.strips.path]
line = "axis"
width = 2.0
[designs.d.pads.flat]
feature = "landing"
elevation = 3.0
through = "A1"
"""
    path, ring, flat = zones(tmp_path, table)
    frame = adjust(read_survey(tmp_path / "site.toml")).frame
    end = frame.to_local(np.array([[512300.0, 5276120.0]]))
    assert path.heights(end)[0] == pytest.approx(10 - 0.05 * 20 / frame.combined_factor, abs=1e-6)
    middle = frame.to_local(np.array([[512305.0, 5276103.0]]))
    assert ring.heights(middle)[0] == pytest.approx(11.5)
    assert flat.name == "flat"
    assert flat.heights(end)[0] == 3.0


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("", "it builds nothing"),
        ("[designs.d.pads.p]\nelevation = 1.0\n", "neither feature nor points"),
        (
            '[designs.d.pads.p]\nelevation = 1.0\nfeature = "x"\n',
            "pad p: there is no area x; expected one of landing",
        ),
        (
            "[designs.d.pads.p]\nelevation = 1.0\npoints = [[0, 0], [1, 1], [1, 0], [0, 1]]\n",
            "encloses no area or crosses itself",
        ),
        (
            '[designs.d.pads.p]\nelevation = 1.0\nfeature = "landing"\nthrough = "Q"\n',
            "mark Q is not in the field book",
        ),
        ('[designs.d.edges.e]\nmarks = ["A1", "A2"]\n', "edge e has no elevations"),
        (
            '[designs.d.edges.e]\nmarks = ["A1", "A2"]\nelevations = [1.0]\n',
            "1 elevation for 2 places",
        ),
        ('[designs.d.edges.e]\nmarks = ["A1"]\nelevations = [1.0]\n', "has 1 places"),
        ("[designs.d.edges.e]\nelevations = [1.0]\n", "neither marks nor points"),
        ('[designs.d.strips.s]\nline = "e"\nwidth = 1.0\n', "which is no edge of it"),
    ],
)
def test_what_is_wrong_is_one_line(tmp_path: Path, table: str, said: str) -> None:
    with pytest.raises(InputError) as error:
        zones(tmp_path, table)
    assert said in str(error.value)
    assert len(error.value.problems) == 1


def test_a_layer_of_3d_lines_is_a_surface_and_one_without_heights_is_refused(
    tmp_path: Path,
) -> None:
    ring = [(512301.0, 5276101.0, 9.0), (512305.0, 5276101.0, 9.0), (512305.0, 5276105.0, 11.0)]
    for name, shape in (("good", [*ring, ring[0]]), ("flat", [p[:2] for p in [*ring, ring[0]]])):
        kind = "3D Polygon" if name == "good" else "Polygon"
        schema = {"geometry": kind, "properties": {}}
        path = tmp_path / f"{name}.gpkg"
        with fiona.open(path, "w", driver="GPKG", schema=schema, crs="EPSG:25832") as sink:
            sink.write({"geometry": {"type": "Polygon", "coordinates": [shape]}, "properties": {}})
    (zone,) = zones(tmp_path, 'file = "good.gpkg"\n')
    frame = adjust(read_survey(tmp_path / "site.toml")).frame
    assert zone.heights(frame.to_local(np.array([[512305.0, 5276103.0]])))[0] == pytest.approx(10)
    with pytest.raises(InputError, match=r"flat\.gpkg.*has places without elevation"):
        zones(tmp_path, 'file = "flat.gpkg"\n')
    with pytest.raises(InputError, match=r"designs\.d\.file"):
        zones(tmp_path, 'file = "missing.gpkg"\n')


def test_a_hole_in_a_layer_of_areas_is_not_built(tmp_path: Path) -> None:
    outer = [(1, 1), (7, 1), (7, 7), (1, 7), (1, 1)]
    inner = [(3, 3), (5, 3), (5, 5), (3, 5), (3, 3)]
    rings = [[(512300.0 + e, 5276100.0 + n, 9.0) for e, n in ring] for ring in (outer, inner)]
    schema = {"geometry": "3D Polygon", "properties": {"name": "str"}}
    path = tmp_path / "round.gpkg"
    with fiona.open(path, "w", driver="GPKG", schema=schema, crs="EPSG:25832") as sink:
        shape = {"type": "Polygon", "coordinates": rings}
        sink.write({"geometry": shape, "properties": {"name": "yard"}})
    (zone,) = zones(tmp_path, 'file = "round.gpkg"\n')
    assert zone.shape.area == pytest.approx(6.0 * 6.0 - 2.0 * 2.0, abs=1e-6)
    assert [(edge.name, edge.closed) for edge in zone.edges] == [("yard", True), ("edge 2", True)]


def test_a_raster_is_a_surface(tmp_path: Path) -> None:
    z = np.add.outer(np.zeros(8), 5.0 + np.arange(8)).astype("float32")
    with rasterio.open(
        tmp_path / "d.tif", "w", driver="GTiff", width=8, height=8, count=1, dtype="float32",
        crs="EPSG:25832", transform=rasterio.Affine(1, 0, 512300, 0, -1, 5276110), nodata=-9999,
    ) as sink:  # fmt: skip
        sink.write(z, 1)
    (zone,) = zones(tmp_path, 'file = "d.tif"\n')
    frame = adjust(read_survey(tmp_path / "site.toml")).frame
    heights = zone.heights(frame.to_local(np.array([[512302.0, 5276106.0], [512309.0, 5276106.0]])))
    assert heights[0] == pytest.approx(6.5)
    assert np.isnan(heights[1])
