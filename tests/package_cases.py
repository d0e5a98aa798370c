"""An invented ferry landing as a finished `Package`, for the tests of what leaves.

Everything here is invented: an apron with a rounded corner, a turning circle with an island, a
ticket house, kerbs, a fence with a gate, two inlets, and ground that falls to a lake.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import cycle
from typing import Any

import numpy as np
import shapely

from geosite.base.columns import Field
from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.fieldbook.sitefile import Code
from geosite.handover.model import Layer, Package, Raster, Table
from geosite.handover.report_model.site import Points, SiteReport, Title
from geosite.linework.model import Feature, Measure, Piece
from geosite.network.model import LinearForm
from geosite.network.report_model import NetworkReport

NO_ROWS = np.zeros(0, np.int64)
NO_FORM = LinearForm(NO_ROWS, np.zeros(0), np.zeros(0), np.zeros(0))
ORIGIN = (512_300.0, 5_276_100.0)
FACTOR = 0.999535
SAGITTA = 0.002

CODES: Mapping[str, Code] = {
    "asphalt": Code(title="Asphalt apron", paved=True),
    "concrete": Code(title="Concrete slipway", paved=True),
    "setts": Code(title="Stone setts", paved=True),
    "building": Code(title="Ticket house", building=True),
    "kerb": Code(title="Kerb", geometry="line", breakline=True, barrier=True),
    "fence": Code(title="Fence", geometry="line"),
    "walk": Code(title="Access walk", geometry="line"),
    "inlet": Code(title="Inlet", geometry="point", inlet=True),
}


@cache
def utm_wkt() -> str:
    from pyproj import CRS

    return CRS.from_epsg(25832).to_wkt()


@cache
def height_wkt() -> str:
    from pyproj import CRS

    return CRS.from_epsg(7837).to_wkt()


def frame(**changes: Any) -> Frame:
    usual = Frame(
        crs_wkt=utm_wkt(),
        crs_name="EPSG:25832",
        vertical_wkt=height_wkt(),
        vertical_name="DHHN2016 height",
        unit_m=1.0,
        height_unit_m=1.0,
        unit_name="metre",
        height_unit_name="metre",
        origin=ORIGIN,
        grid_scale_factor=0.9996018,
        elevation_factor=0.9999369,
        combined_factor=FACTOR,
        convergence=math.radians(0.1212),
    )
    return dataclasses.replace(usual, **changes)


def ground(east: Any, north: Any) -> Any:
    """Elevation, metres, at ground metres from the origin: north to the lake, two dishes."""
    east, north = np.asarray(east, float), np.asarray(north, float)
    up = 402.50 - 0.019 * (north - 10.0) + 0.002 * (east - 30.0)
    up = up - 0.11 * np.maximum(north - 31.0, 0.0)
    for i, j in ((27.0, 24.0), (45.5, 26.0)):
        up = up - 0.16 * np.exp(-((np.hypot(east - i, north - j) / 3.2) ** 2))
    return up


def on_map(en: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Map coordinates and elevation of ground metres."""
    en = np.asarray(en, float)
    up = ground(en[..., 0], en[..., 1])
    return np.concatenate([np.array(ORIGIN) + FACTOR * en, up[..., None]], axis=-1)


def straight(*corners: tuple[float, float], kind: str = "line") -> Piece:
    return Piece(kind, NO_ROWS, _local(np.array(corners, float)))  # type: ignore[arg-type]


def arc(centre: tuple[float, float], radius: float, start: float, sweep: float) -> Piece:
    """An arc in ground metres and degrees, counter-clockwise positive."""
    a, s = math.radians(start), math.radians(sweep)
    step = 2 * math.acos(1 - SAGITTA / radius)
    turns = a + np.linspace(0.0, s, max(math.ceil(abs(s) / step), 2) + 1)
    along = np.column_stack(
        [centre[0] + radius * np.cos(turns), centre[1] + radius * np.sin(turns)]
    )
    return Piece(
        "circle" if abs(sweep) >= 360 else "arc",
        NO_ROWS,
        _local(along),
        (centre[0] * FACTOR, centre[1] * FACTOR),
        radius * FACTOR,
        a,
        s,
    )


def _local(en: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.column_stack([en * FACTOR, ground(en[:, 0], en[:, 1])])


def feature(name: str, code: str, kind: str, *pieces: Piece) -> Feature:
    runs, run = [], [pieces[0].vertices]
    for piece in pieces[1:]:
        if piece.kind == "gap":
            runs.append(np.concatenate(run))
            run = [piece.vertices[-1:]]
        else:
            run.append(piece.vertices[1:])
    runs.append(np.concatenate(run))
    whole = np.concatenate(runs)
    ground_length = float(np.hypot(*np.diff(whole[:, :2], axis=0).T).sum()) / FACTOR
    length = Measure(ground_length, ground_length * FACTOR, NO_FORM, 0.02)
    if kind == "area":
        shape = shapely.Polygon(whole)
        size = exact_area(pieces) / FACTOR**2
        area = Measure(size, size * FACTOR**2, NO_FORM, 0.004 * size**0.5 + 0.01)
        return Feature(name, code, "area", NO_ROWS, pieces, shape, area, area, length, length)
    lines = [shapely.LineString(r) for r in runs if len(r) > 1]
    line = lines[0] if len(lines) == 1 else shapely.MultiLineString(lines)
    return Feature(name, code, "line", NO_ROWS, pieces, line, length=length)


def exact_area(pieces: Sequence[Piece]) -> float:
    """Area from the chords plus the segments of the arcs, grid square metres."""
    if pieces[0].kind == "circle":
        assert pieces[0].radius
        return math.pi * pieces[0].radius ** 2
    corners = np.concatenate(
        [(p.vertices if p.kind != "arc" else p.vertices[[0, -1]])[:-1, :2] for p in pieces]
    )
    e, n = corners.T
    total = float(e @ np.roll(n, -1) - n @ np.roll(e, -1)) / 2
    for p in pieces:
        if p.kind == "arc":
            assert p.radius
            assert p.sweep
            total += p.radius**2 * (p.sweep - math.sin(p.sweep)) / 2
    return abs(total)


def shore(east: float) -> float:
    return 30.6 + 0.35 * math.sin(east / 4.0)


def features() -> tuple[Feature, ...]:
    water = [(e, shore(e)) for e in np.arange(52.0, 5.9, -2.0)]
    apron = feature(
        "apron",
        "asphalt",
        "area",
        straight((6.0, 12.0), (44.0, 12.0)),
        arc((44.0, 20.0), 8.0, -90.0, 90.0),
        straight((52.0, 20.0), (52.0, shore(52.0))),
        straight(*water, kind="stream"),
        straight((6.0, shore(6.0)), (6.0, 12.0)),
    )
    house = feature(
        "ticket_house",
        "building",
        "area",
        straight((9.0, 17.0), (18.0, 17.0), (18.0, 24.0), (9.0, 24.0), (9.0, 17.0)),
    )
    island = feature("island", "setts", "area", arc((36.0, 21.0), 3.0, 0.0, 360.0))
    slipway = feature(
        "slipway",
        "concrete",
        "area",
        straight((20.0, 31.2), (29.0, 31.2), (29.0, 41.0), (20.0, 41.0), (20.0, 31.2)),
    )
    low = feature("kerb_foot", "kerb", "line", straight((8.0, 10.15), (29.0, 10.15), (50.0, 10.15)))
    walk = feature("access_walk", "walk", "line", straight((14.0, 10.6), (14.0, 16.9)))
    fence = feature(
        "fence",
        "fence",
        "line",
        straight((3.0, 2.0), (17.0, 1.5)),
        straight((17.0, 1.5), (22.0, 1.5), kind="gap"),
        straight((22.0, 1.5), (54.0, 3.0)),
    )
    return (apron, house, island, slipway, low, walk, fence)


def marks() -> list[tuple[str, float, float, str, str]]:
    """Name, ground easting and northing, feature, code."""
    found = [("B1", 11.0, 8.0, "", ""), ("B2", 45.0, 9.0, "", "")]
    found += [("I1", 27.0, 24.0, "inlet_west", "inlet"), ("I2", 45.5, 26.0, "inlet_east", "inlet")]
    spots = [(49.0, 22.0), (41.0, 16.0), (42.0, 24.0), (46.5, 29.0), (33.0, 27.5), (30.5, 24.0)]
    spots += [(27.0, 27.5), (23.5, 24.0), (27.0, 20.5), (22.0, 15.0), (31.0, 15.0), (21.0, 28.0)]
    spots += [(13.0, 28.0), (7.5, 20.5), (14.0, 14.5), (24.5, 36.0), (30.0, 5.0), (53.5, 9.0)]
    found += [(f"S{i}", e, n, "", "") for i, (e, n) in enumerate(spots, start=1)]
    for shape in features():
        corners = shape.pieces[0].vertices[:4, :2] / FACTOR
        prefix = shape.name[:2].upper()
        found += [
            (f"{prefix}{i}", float(e), float(n), shape.name, shape.code)
            for i, (e, n) in enumerate(corners, start=1)
        ]
    return found


def layer(
    name: str,
    title: str,
    kind: str,
    records: Sequence[Mapping[str, Any]],
    geometries: Sequence[Any],
    *,
    description: str = "",
) -> Layer:
    """Return a layer with the records given; columns of the real layer they lack are empty."""
    kinds = {str: "text", float: "real", int: "integer"}
    fields = tuple(
        Field(key, kinds.get(type(value), "text"))  # type: ignore[arg-type]
        for key, value in (records[0] if records else {}).items()
    )
    lacking = dict.fromkeys(field.name for field in real_fields().get(name, ()))
    filled = [{**record, **{k: None for k in lacking if k not in record}} for record in records]
    return Layer(name, title, description, kind, fields, filled, list(geometries))


@cache
def real_fields() -> dict[str, tuple[Field, ...]]:
    from geosite.handover.layers.catalogue import catalogue

    return {name: columns.fields for name, (_, columns) in catalogue().items()}


def points_layer() -> Layer:
    records, places = [], []
    for i, (name, east, north, shape, code) in enumerate(marks()):
        place = on_map((east, north))
        far = math.hypot(east - 28.0, north - 8.5)
        records.append(
            {
                "run": "R1",
                "point": name,
                "feature": shape or None,
                "code": code or None,
                "easting": float(place[0]),
                "northing": float(place[1]),
                "elevation": float(place[2]),
                "sigma_h_m": 0.012 + 0.0006 * far,
                "sigma_v_m": 0.008 + 0.0004 * far,
                "correction_m": 0.02,
                "row": i + 2,
            }
        )
        places.append(shapely.Point(place))
    return layer("points", "Observations", "PointZ", records, places)


def drawn_layers(shapes: Sequence[Feature]) -> tuple[Layer, Layer]:
    from geosite.linework.on_map import to_map_geometry

    areas = [f for f in shapes if f.kind == "area"]
    lines = [f for f in shapes if f.kind == "line"]
    inside = {"apron": "ticket_house, island"}
    sizes = {f.name: f.area.value for f in areas if f.area}
    area_records = []
    for f in areas:
        assert f.area
        assert f.perimeter
        held = [n for n in inside.get(f.name, "").split(", ") if n in sizes]
        area_records.append(
            {
                "feature": f.name,
                "code": f.code,
                "area_m2": f.area.value,
                "area_sigma_m2": f.area.sigma,
                "net_area_m2": f.area.value - sum(sizes[n] for n in held),
                "perimeter_m": f.perimeter.value,
                "inside": ", ".join(held) or None,
                "title": CODES[f.code].title if f.code in CODES else None,
            }
        )
    line_records = [
        {
            "feature": f.name,
            "code": f.code,
            "length_m": f.length.value if f.length else 0.0,
            "length_3d_m": 0.0,
            "rise_m": 0.1,
            "fall_m": 0.2,
            "title": CODES[f.code].title if f.code in CODES else None,
        }
        for f in lines
    ]
    return (
        layer(
            "areas",
            "Areas",
            "PolygonZ",
            area_records,
            [to_map_geometry(f.geometry, frame()) for f in areas],
        ),
        layer(
            "lines",
            "Lines",
            "MultiLineStringZ",
            line_records,
            [to_map_geometry(f.geometry, frame()) for f in lines],
        ),
    )


@cache
def grid() -> Grid:
    return Grid.covering(ORIGIN[0], ORIGIN[1], ORIGIN[0] + 60.0, ORIGIN[1] + 45.0, 0.5)


def on_grid() -> tuple[Any, Any]:
    east, north = grid().centres()
    return np.meshgrid((east - ORIGIN[0]) / FACTOR, (north - ORIGIN[1]) / FACTOR)


def rasters() -> tuple[Raster, ...]:
    east, north = on_grid()
    up = ground(east, north)
    inside = (east > 3) & (east < 54.5) & (north > 1.5 + (east - 3) * 0.02) & (north < 36 - 0.02)
    up = np.where(inside, up, np.nan)
    step_north, step_east = np.gradient(up, 0.5 / FACTOR)
    step_north = -step_north
    steep = 100 * np.hypot(step_east, step_north)
    way = np.degrees(np.arctan2(-step_east, -step_north)) % 360
    depth = np.zeros_like(up)
    for i, j in ((27.0, 24.0), (45.5, 26.0)):
        reach = np.hypot(east - i, north - j)
        depth = np.maximum(depth, np.where(reach < 2.2, 0.06 * (1 - (reach / 2.2) ** 2), 0.0))
    depth = np.where(inside, depth, np.nan)
    sigma = np.where(inside, 0.008 + 0.0006 * np.hypot(east - 28.0, north - 8.5), np.nan)

    def raster(name: str, values: Any, unit: str, elevation: bool = False) -> Raster:
        return Raster(
            name, name.replace("_", " ").capitalize(), "", values, grid(), unit, elevation
        )

    return (
        raster("elevation", up, "m", True),
        raster("slope", steep, "percent"),
        raster("drainage_direction", way, "degree"),
        raster("elevation_sigma", sigma, "m"),
        raster("ponding_depth", depth, "m"),
    )


def water_layers() -> tuple[Layer, ...]:
    records, places = [], []
    for east in np.arange(6.0, 54.0, 4.0):
        for north in np.arange(4.0, 34.0, 4.0):
            h = 0.01
            de = (ground(east + h, north) - ground(east - h, north)) / (2 * h)
            dn = (ground(east, north + h) - ground(east, north - h)) / (2 * h)
            records.append(
                {
                    "azimuth_deg": float(np.degrees(np.arctan2(-de, -dn)) % 360),
                    "slope_percent": float(100 * np.hypot(de, dn)),
                    "contributing_area_m2": float(4.0 * north),
                }
            )
            places.append(shapely.Point(on_map((east, north))))
    ponds, rings = [], []
    turns = np.linspace(0, 2 * math.pi, 33)
    for number, (i, j) in enumerate(((27.0, 24.0), (45.5, 26.0), (20.0, 29.0)), start=1):
        ring = np.column_stack([i + 2.2 * np.cos(turns), j + 1.9 * np.sin(turns)])
        rings.append(shapely.Polygon(on_map(ring)[:, :2]))
        ponds.append(
            {
                "pond": number,
                "depth_m": 0.06 if number < 3 else 0.004,
                "is_significant": int(number < 3),
                "volume_m3": 0.41,
                "area_m2": 13.1,
                "spill_elevation": 402.2,
            }
        )
    path = np.array([(22.0, 15.0), (23.0, 18.0), (24.8, 21.0), (26.2, 23.0), (27.0, 24.0)])
    return (
        layer("drainage_arrows", "Drainage arrows", "Point", records, places),
        layer(
            "flow_paths",
            "Flow paths",
            "LineStringZ",
            [{"start": "S10", "length_m": 10.4, "fall_m": 0.31}],
            [shapely.LineString(on_map(path))],
        ),
        layer("ponding", "Ponds", "Polygon", ponds, rings),
    )


def contours(interval: float = 0.1, every: int = 5) -> Layer:
    """Level lines of `ground`, traced column by column (it falls northwards along each)."""
    records, found = [], []
    east = np.arange(4.0, 54.1, 0.5)
    north = np.arange(3.0, 36.0, 0.05)
    up = ground(*np.meshgrid(east, north))
    for level in range(round(400 / interval), round(404 / interval)):
        height = level * interval
        run: list[tuple[float, float]] = []
        for k, e in enumerate(east):
            cross = np.flatnonzero((up[:-1, k] - height) * (up[1:, k] - height) < 0)
            if len(cross) == 1:
                i = int(cross[0])
                t = (height - up[i, k]) / (up[i + 1, k] - up[i, k])
                run.append((float(e), float(north[i] + 0.05 * t)))
        if len(run) > 4:
            records.append({"elevation": round(height, 6), "is_index": int(level % every == 0)})
            line = on_map(np.array(run))
            line[:, 2] = height
            found.append(shapely.LineString(line))
    return layer("contours", "Contours", "LineStringZ", records, found)


def review_layers() -> tuple[Layer, ...]:
    grades = [
        {"line": "access_walk", "check_of": "running", "from_point": "W1", "to_point": "W2",
         "value": 1.9, "value_sigma": 0.3, "unit": "percent",
         "limit_value": 5.0, "verdict": "within"},
        {"line": "access_walk", "check_of": "running", "from_point": "W2", "to_point": "W3",
         "value": 5.3, "value_sigma": 0.4, "unit": "percent",
         "limit_value": 5.0, "verdict": "undecided"},
        {"line": "access_walk", "check_of": "cross", "from_point": "W1", "to_point": "W3",
         "value": 3.4, "value_sigma": 0.3, "unit": "percent",
         "limit_value": 2.0833, "verdict": "beyond"},
    ]  # fmt: skip
    steps = [((14.0, 10.6), (14.0, 12.8)), ((14.0, 12.8), (14.0, 15.0)), ((14.0, 10.6), (14, 16.9))]
    section = np.array([(14.0, 14.5), (23.5, 24.0), (24.5, 36.0)])
    parcels = {
        "101/1": [(-4, -6), (57, -4.5), (58.5, 10.4), (-3, 9.6)],
        "101/2": [(-3, 9.6), (58.5, 10.4), (57.5, 30.9), (-2.5, 31.2)],
        "Lake": [(-2.5, 31.2), (57.5, 30.9), (58, 55), (-3, 55)],
    }
    return (
        layer(
            "sections",
            "Sections",
            "LineStringZ",
            [{"section": "house_to_lake", "length_m": 25.5, "rise_m": 0.0, "fall_m": 0.9}],
            [shapely.LineString(on_map(section))],
        ),
        layer(
            "grades", "Grades", "LineStringZ", grades,
            [shapely.LineString(on_map(np.array(s))) for s in steps],
        ),
        layer(
            "parcels",
            "Parcels",
            "Polygon",
            [{"parcel": name, "area_m2": 900.0, "map_sigma_m": 0.1} for name in parcels],
            [shapely.Polygon(on_map(np.array(r, float))[:, :2]) for r in parcels.values()],
        ),
        layer(
            "parcel_clearances", "Clearances", "LineString",
            [{"feature": "apron", "parcel": "101/2", "distance_m": 1.62, "distance_sigma_m": 0.11,
              "verdict": "clear", "words": "apron: clear of the line by 1.62 m +/- 0.21 m"}],
            [shapely.LineString(on_map(np.array([(46.0, 12.25), (46.0, 10.24)]))[:, :2])],
        ),
    )  # fmt: skip


def baseline_layer() -> Layer:
    ends = on_map(np.array([(11.0, 8.0), (45.0, 9.0)]))
    return layer(
        "baseline",
        "Baseline",
        "LineStringZ",
        [{"from_point": "B1", "to_point": "B2", "length_m": math.hypot(34.0, 1.0)}],
        [shapely.LineString(ends)],
    )


def report(**changes: Any) -> SiteReport:
    """Return a report that says next to nothing."""
    usual = SiteReport(
        geosite="0",
        site=Title("Ferry landing (invented)", "2026-04-12", "site.toml"),
        caution=("Not a boundary survey.", "Locate buried services before digging."),
        network=NetworkReport(),
        points=Points(30, 0.03, 0.06, 0.02, 0.04, ()),
        areas={},
        lines={},
        findings=(),
        terrain=None,
        distances=(),
        grades=(),
        sections={},
        earthworks={},
        parcels=None,
    )
    return dataclasses.replace(usual, **changes)


def ferry_landing() -> Package:
    """Return the whole site."""
    shapes = features()
    areas, lines = drawn_layers(shapes)
    quantities = Table(
        "quantities",
        "Quantities",
        (Field("code", "text"), Field("area_m2", "real")),
        [{"code": "asphalt", "area_m2": 830.0}],
    )
    return Package(
        title="Ferry landing (invented)",
        date="2026-04-12",
        frame=frame(),
        layers=(
            points_layer(), baseline_layer(), areas, lines, contours(), *water_layers(),
            *review_layers(),
        ),
        rasters=rasters(),
        tables=(quantities,),
        report=report(),
        findings=(
            Finding("look", "pond-deep", "Water stands 0.06 m deep at inlet_west before it runs."),
            Finding("look", "grade-beyond", "access_walk: cross slope 3.4 % is beyond 2.08 %."),
            Finding("note", "closure", "The worst loop closes to 1:1450."),
        ),
        features=shapes,
        codes=CODES,
    )  # fmt: skip


def only(package: Package, *names: str) -> Package:
    """Keep the named layers and rasters."""
    return dataclasses.replace(
        package,
        layers=tuple(x for x in package.layers if x.name in names),
        rasters=tuple(x for x in package.rasters if x.name in names),
    )


HOSTILE = (
    "</script><script>window.hacked=1</script>",
    "<img src=x onerror=window.hacked=1>",
    "<!--<script>",
    "</script x",
    "<!-- <script x",
    "]]>",
    "{{script}} {{policy}} {{site}}",
    "'\"`${window.hacked=1}`\\",
    "a\u2028b\u2029c\x00d\u202ee",
    "\ud800",
    "n" * 10_000,
)


def hostile_landing(*names: str) -> Package:
    """Return the site with every text taken from `names` in turn."""
    package = ferry_landing()
    supply = cycle(names)

    def renamed(x: Layer) -> Layer:
        records = [
            {k: next(supply) if isinstance(v, str) and k != "verdict" else v for k, v in r.items()}
            for r in x.records
        ]
        return dataclasses.replace(x, records=records, title=next(supply))

    return dataclasses.replace(
        package,
        title=names[0],
        date=next(supply),
        layers=tuple(map(renamed, package.layers)),
        codes={name: Code(title=name, inlet=i == 0) for i, name in enumerate(names)},
        findings=tuple(Finding("look", "x", name) for name in names)
        + tuple(Finding("note", "y", name) for name in names),
        frame=dataclasses.replace(package.frame, crs_name=next(supply), vertical_name=next(supply)),
    )
