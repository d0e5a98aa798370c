"""The drafting file, read back by ezdxf: true arcs where they belong, nothing to repair."""

from __future__ import annotations

import collections
import dataclasses
import math
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import package_cases
import pytest
import shapely

from geosite.handover.formats.dxf import write_dxf
from geosite.handover.model import CAUTION, Package
from geosite.linework.model import Feature

FACTOR = package_cases.FACTOR
ORIGIN = np.array(package_cases.ORIGIN)


def written(tmp_path: Path, package: Package) -> Any:
    path = tmp_path / "site.dxf"
    write_dxf(path, package)
    return ezdxf.readfile(path)


@pytest.fixture(scope="module")
def drawing(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return written(tmp_path_factory.mktemp("dxf"), package_cases.ferry_landing())


def on(drawing: Any, kind: str, layer: str) -> list[Any]:
    return [e for e in drawing.modelspace().query(kind) if e.dxf.layer == layer]


def with_features(*features: Feature, **frame: Any) -> Package:
    return Package("t", "2026-04-12", package_cases.frame(**frame), (), (), (), features=features)


def test_the_audit_finds_nothing(drawing: Any) -> None:
    auditor = drawing.audit()
    assert auditor.errors == []
    assert auditor.fixes == []


def test_header_states_unit_system_and_extent(drawing: Any) -> None:
    assert drawing.dxfversion == "AC1024"  # release 2010
    assert drawing.header["$INSUNITS"] == 6  # metre
    assert drawing.header["$MEASUREMENT"] == 1
    stated = dict(drawing.header.custom_vars.properties)
    assert stated["crs"] == "EPSG:25832"
    assert stated["vertical crs"] == "DHHN2016 height"
    layers = [x for x in package_cases.ferry_landing().layers if x.name != "parcels"]
    shapes = np.array([g for layer in layers for g in layer.geometries], dtype=object)
    bounds = shapely.total_bounds(shapes)
    assert drawing.header["$EXTMIN"][:2] == pytest.approx(bounds[:2])
    assert drawing.header["$EXTMAX"][:2] == pytest.approx(bounds[2:])


@pytest.mark.parametrize(
    ("unit", "size", "code", "metric", "symbol"),
    [
        ("metre", 1.0, 6, 1, "m"),
        ("foot", 0.3048, 2, 0, "ft"),
        ("US survey foot", 1200 / 3937, 21, 0, "ft"),
        ("Indian yard", 0.9143985307444408, 0, 0, "Indian yard"),
    ],
)
def test_units(tmp_path: Path, unit: str, size: float, code: int, metric: int, symbol: str) -> None:
    """DXF reference, $INSUNITS: 0 none of those listed, 2 feet, 6 metres, 21 US survey feet."""
    island = package_cases.feature("i", "setts", "area", package_cases.arc((36, 21), 3, 0, 360))
    found = written(tmp_path, with_features(island, unit_name=unit, unit_m=size))
    assert (found.header["$INSUNITS"], found.header["$MEASUREMENT"]) == (code, metric)
    (circle,) = on(found, "CIRCLE", "setts")
    assert circle.dxf.radius * size == pytest.approx(3.0 * FACTOR, abs=1e-9)
    # what is written beside it is the length that a reader of the drawing measures
    (text,) = on(found, "TEXT", "survey-setting-out-radii")
    ground, grid = f"{3.0 / size:.3f} {symbol}", f"{circle.dxf.radius:.3f} {symbol}"
    assert text.dxf.text == f"R {ground} on the ground, {grid} on this grid"


def test_circles_are_circles(drawing: Any) -> None:
    (circle,) = on(drawing, "CIRCLE", "setts")
    assert circle.dxf.radius == pytest.approx(3.0 * FACTOR, abs=1e-9)
    assert tuple(circle.dxf.center)[:2] == pytest.approx(ORIGIN + FACTOR * np.array([36, 21]))


def test_the_apron_has_a_true_arc_and_the_exact_area(drawing: Any) -> None:
    """Shoelace plus circular segments of the bulges gives the exact area, not that of chords."""
    (outline,) = on(drawing, "LWPOLYLINE", "asphalt")
    assert outline.closed
    vertices = np.array(outline.get_points("xyb"))
    bulges = vertices[:, 2]
    assert np.count_nonzero(bulges) == 1
    # a quarter circle: tan(90 / 4 degrees), counter-clockwise positive
    assert bulges[bulges != 0][0] == pytest.approx(math.tan(math.pi / 8), rel=1e-12)
    x, y = (vertices[:, :2] - vertices[0, :2]).T
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    for (x0, y0, bulge), (x1, y1, _) in zip(vertices, np.roll(vertices, -1, axis=0), strict=True):
        if bulge:
            sweep = 4.0 * math.atan(bulge)
            radius = math.dist((x0, y0), (x1, y1)) / (2.0 * math.sin(sweep / 2.0))
            area += 0.5 * radius**2 * (sweep - math.sin(sweep))
    apron = package_cases.ferry_landing().features[0]
    assert area == pytest.approx(apron.area.grid, abs=1e-6)


@pytest.mark.parametrize("sweep", [-300.0, -90.0, 40.0, 200.0, 359.0])
def test_arcs_of_every_turn(tmp_path: Path, sweep: float) -> None:
    piece = package_cases.arc((30.0, 20.0), 5.0, 25.0, sweep)
    found = written(tmp_path, with_features(package_cases.feature("a", "kerb", "line", piece)))
    (outline,) = on(found, "LWPOLYLINE", "kerb")
    assert not outline.closed
    (start, end) = outline.get_points("xyb")
    assert start[2] == pytest.approx(math.tan(math.radians(sweep) / 4.0))
    ends = piece.vertices[[0, -1], :2] + ORIGIN
    assert np.allclose([start[:2], end[:2]], ends, rtol=0, atol=1e-9)
    (arc,) = on(found, "ARC", "survey-setting-out")
    turned = (arc.dxf.end_angle - arc.dxf.start_angle) % 360.0
    assert turned == pytest.approx(abs(sweep))
    first, last = arc.start_point, arc.end_point
    given = ends if sweep > 0 else ends[::-1]
    assert np.allclose([tuple(first)[:2], tuple(last)[:2]], given, rtol=0, atol=1e-6)


KIND = {"POINT": "point", "TEXT": "text", "INSERT": "point"}


def test_a_layer_holds_one_kind_of_thing(tmp_path: Path, drawing: Any) -> None:
    """A code of points that lines have, too, is two layers."""
    kerb = package_cases.feature("a", "kerb", "line", package_cases.arc((30, 20), 5, 25, 40))
    post = dataclasses.replace(
        kerb, name="p", kind="point", geometry=shapely.Point(30, 20, 1), pieces=()
    )
    for found in (drawing, written(tmp_path, with_features(kerb, post))):
        kinds = collections.defaultdict(set)
        for entity in found.modelspace():
            kinds[entity.dxf.layer].add(KIND.get(entity.dxftype(), "line"))
        assert {layer: kind for layer, kind in kinds.items() if len(kind) > 1} == {}
    assert kinds["kerb"] == {"line"}
    assert kinds["kerb_points"] == {"point"}


def test_gaps_break_the_line(drawing: Any) -> None:
    strands = on(drawing, "LWPOLYLINE", "fence")
    assert [len(s) for s in strands] == [2, 2]
    assert not any(s.closed for s in strands)


def test_the_same_outlines_in_space(drawing: Any) -> None:
    for feature in package_cases.ferry_landing().features:
        flat = on(drawing, "LWPOLYLINE CIRCLE", feature.code)
        spatial = on(drawing, "POLYLINE", f"{feature.code}_3D")
        assert len(flat) == len(spatial)
    (apron,) = on(drawing, "POLYLINE", "asphalt_3D")
    assert apron.is_closed
    heights = [v.dxf.location.z for v in apron.vertices]
    ring = package_cases.ferry_landing().features[0].geometry.exterior
    assert heights == pytest.approx([p[2] for p in ring.coords[:-1]])


def test_marks_once_with_name_and_elevation(drawing: Any) -> None:
    package = package_cases.ferry_landing()
    points = next(layer for layer in package.layers if layer.name == "points")
    names = {record["point"] for record in points.records}
    drawn = on(drawing, "POINT", "survey-marks")
    assert len(drawn) == len(names)
    assert {t.dxf.text for t in on(drawing, "TEXT", "survey-mark-names")} == names
    by_place = {tuple(np.round(e.dxf.location, 6)) for e in drawn}
    assert tuple(np.round(points.geometries[0].coords[0], 6)) in by_place


def test_contours_are_level(drawing: Any) -> None:
    lines = on(drawing, "LWPOLYLINE", "survey-contours")
    package = package_cases.ferry_landing()
    contours = next(layer for layer in package.layers if layer.name == "contours")
    assert collections.Counter(round(e.dxf.elevation, 6) for e in lines) == collections.Counter(
        record["elevation"] for record in contours.records
    )


def test_drainage_arrows_point_the_way_the_water_goes(drawing: Any) -> None:
    package = package_cases.ferry_landing()
    layer = next(x for x in package.layers if x.name == "drainage_arrows")
    arrows = on(drawing, "LWPOLYLINE", "survey-drainage_arrows")
    assert len(arrows) == len(layer.records)
    for arrow, record in zip(arrows, layer.records, strict=True):
        (tail, neck, tip) = (np.array(p) for p in arrow.get_points("xyse"))
        east, north = (tip - tail)[:2]
        azimuth = math.degrees(math.atan2(east, north)) % 360.0
        assert azimuth == pytest.approx(record["azimuth_deg"], abs=1e-6)
        # the head tapers towards the tip
        assert neck[2] > 0.0
        assert neck[3] == 0.0


def test_every_other_layer_is_drawn(drawing: Any) -> None:
    names = {layer.dxf.name for layer in drawing.layers}
    for layer in package_cases.ferry_landing().layers:
        if layer.name not in ("points", "areas", "lines"):
            assert f"survey-{layer.name}" in names


def test_point_features_are_on_the_layer_of_their_code(tmp_path: Path) -> None:
    inlet = dataclasses.replace(
        package_cases.features()[0],
        name="inlet_west",
        code="inlet",
        kind="point",
        pieces=(),
        geometry=shapely.Point(27.0, 24.0, 402.1),
    )
    found = written(tmp_path, with_features(inlet))
    (point,) = on(found, "POINT", "inlet")
    placed = np.add([*ORIGIN, 0.0], [27.0, 24.0, 402.1])
    assert tuple(point.dxf.location) == pytest.approx(placed)


def test_hostile_names(tmp_path: Path) -> None:
    """What a layer name or a text cannot hold: wild cards, controls, line ends, codes."""
    for name in (
        "a/b*c?<>|\"':;`=,",
        "x\n0\nSECTION\n2",
        "%%u^J\x07",
        "\u202eé\ud800",
        "n" * 999,
        " ",
    ):
        line = package_cases.feature(name, name, "line", package_cases.straight((0, 0), (9, 9)))
        found = written(tmp_path, with_features(line))
        assert not found.audit().errors
        assert len(found.modelspace().query("LWPOLYLINE")) == 1
        assert len(found.modelspace().query("TEXT")) == (1 if name.strip() else 0)


def test_nothing_to_draw(tmp_path: Path) -> None:
    found = written(tmp_path, with_features())
    assert len(found.modelspace()) == 0
    assert not found.audit().errors


@pytest.mark.slow
def test_the_same_package_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "1.dxf", tmp_path / "2.dxf"
    write_dxf(first, package_cases.ferry_landing())
    time.sleep(1.1)  # a clock in the file would show
    write_dxf(second, package_cases.ferry_landing())
    assert first.read_bytes() == second.read_bytes()
    assert not ezdxf.options.write_fixed_meta_data_for_testing


def test_classes_stand_in_one_order_whatever_the_hash_seed(tmp_path: Path) -> None:
    found = written(tmp_path, package_cases.ferry_landing())
    used = found.entitydb.dxf_types_in_use()
    names = [kind.dxf.name for kind in found.classes if kind.dxf.name in used]
    assert len(names) > 1
    assert names == sorted(names)


@pytest.mark.slow
def test_it_needs_no_home_and_leaves_nothing_there(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    script = (
        "from pathlib import Path; import package_cases\n"
        "from geosite.handover.formats.dxf import write_dxf\n"
        f"write_dxf(Path({str(tmp_path / 'x.dxf')!r}), package_cases.ferry_landing())\n"
        "import os; print(sorted(n for n in os.environ if n.startswith('XDG_')))\n"
    )
    usual = {k: v for k, v in os.environ.items() if not k.startswith("XDG_")}
    tests = str(Path(__file__).parents[1])
    for environment in (
        {**usual, "HOME": str(home), "PYTHONPATH": tests},
        {**usual, "HOME": "/nonexistent", "PYTHONPATH": tests},
    ):
        done = subprocess.run(
            [sys.executable, "-c", script], env=environment, capture_output=True, text=True
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, "[]\n", "")
    assert list(home.iterdir()) == []


def test_the_drawing_says_how_ground_and_grid_lengths_lie_to_each_other(drawing: Any) -> None:
    note, *_ = on(drawing, "TEXT", "survey-notes")
    assert f"100.000 m on the ground are {100 * FACTOR:.3f} m" in note.dxf.text


def test_the_drawing_says_alone_what_its_heights_are_and_what_it_is_not(drawing: Any) -> None:
    """Parcel lines travel in it, often without the folder."""
    _, heights, *caution = [note.dxf.text for note in on(drawing, "TEXT", "survey-notes")]
    assert heights == "Elevations: DHHN2016 height; beside the marks in metres, z in metres."
    assert " ".join(caution) == CAUTION
    assert max(map(len, caution)) <= 100
    # points are signs of a letter's size, not dots
    assert (drawing.header["$PDMODE"], drawing.header["$PDSIZE"]) == (34, 0.25)
