"""What somebody new tries first, on an invented bus turnaround in a state plane CRS and feet.

Each story is a task: what is written, which command is run, and what it must say or make.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import fiona
import numpy as np
import pytest
import rasterio
from cli_runner import geosite
from export_cases import COLUMNS, FOOT, ROWS
from rasterio.transform import Affine

pytestmark = pytest.mark.slow

SITE = """\
[site]
title = "Bus turnaround (invented)"
date = 2026-05-04

[survey]
file = "walk.csv"
unit = "ft"

[baseline]
from = "B1"
to = "B2"

[anchor]
crs = "EPSG:2264"
vertical_crs = "EPSG:6360"

[anchor.marks.B1]
easting = 1540000.0
northing = 540000.0
elevation = 98.4
sigma = "2 cm"

[anchor.marks.B2]
easting = 1540000.0
northing = 540058.70
sigma = "2 cm"

[codes.asphalt]
title = "Asphalt"
paved = true
depth = "4 in"

[codes.building]
building = true

[codes.kerb]
geometry = "line"

[codes.inlet]
geometry = "point"
inlet = true

[drainage]
confidence_runs = 10
"""


def book(separator: str = ",", decimal: str = ".", unit_m: float = FOOT) -> str:
    lines = [separator.join(COLUMNS)]
    for row in ROWS:
        cells = [
            f"{v / unit_m:.3f}".replace(".", decimal)
            if isinstance(v, float)
            else v.replace(",", "")
            for v in row
        ]
        lines.append(separator.join(cells))
    return "\n".join(lines) + "\n"


BOOK = book()
Change = Callable[[Path], None]


@dataclass(frozen=True)
class Story:
    """A task.

    Parameters
    ----------
    name
    call
        Arguments of the command, run in the site's folder.
    status
    said
        What must stand in what is printed.
    site, walk
        Changes of the two texts, (old, new).
    more
        Appended to the site file.
    put
        Writes further files.
    unsaid
        What must not be printed.
    made
        Looks at what was made.
    """

    name: str
    call: tuple[str, ...]
    status: int
    said: tuple[str, ...] = ()
    site: tuple[tuple[str, str], ...] = ()
    walk: tuple[tuple[str, str], ...] = ()
    more: str = ""
    put: Change = field(default=lambda folder: None)
    unsaid: tuple[str, ...] = ()
    made: Change = field(default=lambda folder: None)


CHECK = ("check", "site.toml")
BUILD = ("build", "site.toml", "--out", "map")


def areas(folder: Path) -> dict[str, float]:
    with fiona.open(folder / "map/site.gpkg", layer="areas") as layer:
        return {record.properties["feature"]: record.properties["area_m2"] for record in layer}


def same_areas(folder: Path) -> None:
    found = areas(folder)
    assert found["turnaround"] == pytest.approx(walked_area(), abs=1.0)
    corners = [complex(row[2], row[3]) for row in ROWS if row[5] == "shelter"]
    assert found["shelter"] == pytest.approx(abs(shoelace(corners)), abs=0.2)


def shoelace(ring: list[complex]) -> float:
    pairs = zip(ring, [*ring[1:], ring[0]], strict=True)
    return sum((a.conjugate() * b).imag for a, b in pairs) / 2


def walked_area() -> float:
    """Return the turnaround's area: its chords and the segment of the circle by T2, T3, T4."""
    places = {row[1]: complex(row[2], row[3]) for row in ROWS}
    t1, t2, t3, t4, t5 = (places[f"T{i}"] for i in range(1, 6))
    chords = shoelace([t1, t2, t4, t5])
    # circumcircle: radius = abc / 4 area
    sides = abs(t3 - t2), abs(t4 - t3), abs(t4 - t2)
    triangle = ((t3 - t2).conjugate() * (t4 - t2)).imag / 2
    radius = math.prod(sides) / (4 * abs(triangle))
    turn = 2 * math.asin(abs(t4 - t2) / (2 * radius))
    return chords + radius**2 / 2 * (turn - math.sin(turn))


def no_map(folder: Path) -> None:
    assert not (folder / "map").exists()


def in_utf16(folder: Path) -> None:
    (folder / "walk.csv").write_bytes(BOOK.replace(",", "\t").encode("utf-16"))


def german(folder: Path) -> None:
    (folder / "walk.csv").write_text(book(";", ","))


def spreadsheet(folder: Path) -> None:
    from openpyxl import Workbook

    made = Workbook()
    for line in BOOK.splitlines():
        cells = line.split(",")
        made.active.append(
            [float(c) if 1 < i < 5 and c not in "xyz" else c or None for i, c in enumerate(cells)]
        )
    made.save(folder / "walk.xlsx")


def two_files(folder: Path) -> None:
    head, *rows = BOOK.splitlines()
    for name in ("early", "late"):
        mine = [row.partition(",")[2] for row in rows if row.startswith(name)]
        text = "\n".join([head.partition(",")[2], *mine])
        (folder / f"{name}.csv").write_text(text + "\n")


def parcels(crs: str | None, east: float = 0.0, name: str = "parcels.geojson") -> Change:
    """Write a parcel round the site, in the coordinates of the map."""

    def put(folder: Path) -> None:
        ring = [(-200, -200), (300, -200), (300, 300), (-200, 300), (-200, -200)]
        corners = [[1540000 + east + e, 540000 + n] for e, n in ring]
        if crs == "EPSG:4326":
            from pyproj import Transformer

            move = Transformer.from_crs("EPSG:2264", "EPSG:4269", always_xy=True)
            corners = [list(move.transform(e, n)) for e, n in corners]
        shape = {"type": "Polygon", "coordinates": [corners]}
        feature = {"type": "Feature", "properties": {"parcel": "12"}, "geometry": shape}
        made: dict = {"type": "FeatureCollection", "features": [feature]}
        if crs is not None and crs != "EPSG:4326":
            urn = f"urn:ogc:def:crs:{crs.replace(':', '::')}"
            made["crs"] = {"type": "name", "properties": {"name": urn}}
        (folder / name).write_text(json.dumps(made))

    return put


def raster(values: float, crs: str = "EPSG:25832") -> Change:
    def put(folder: Path) -> None:
        ground = 100 + np.add.outer(np.arange(20), np.arange(20)) * 0.05
        ground[:3, :3] = values
        with rasterio.open(
            folder / "dem.tif", "w", driver="GTiff", width=20, height=20, count=1, dtype="float32",
            crs=crs, transform=Affine(1, 0, 512000, 0, -1, 5276000),
        ) as out:  # fmt: skip
            out.write(ground.astype(np.float32), 1)

    return put


def steepest(most: float) -> Change:
    def made(folder: Path) -> None:
        with rasterio.open(folder / "slope/slope.tif") as source:
            values = source.read(1, masked=True)
        assert float(values.max()) < most

    return made


PARCELS = '[parcels]\nfile = "parcels.geojson"\nname_field = "parcel"\n'
SLOPE = ("execute", "derive-slope", "--elevation", "dem.tif", "--out", "slope")

IN_METRES = (("EPSG:2264", "EPSG:32119"), ('vertical_crs = "EPSG:6360"\n', ""))

STORIES = [
    Story("the site builds, in feet", BUILD, 0, ("ft2", " ft"), made=same_areas, unsaid=(" m2",)),
    Story(
        "the survey's unit can be overruled for what is said",
        BUILD,
        0,
        (" m2",),
        more='[handover]\nunit = "m"\n',
        unsaid=("ft2",),
    ),
    # 1 wrong advice
    Story(
        "a map in metres with coordinates in feet: both stories are told",
        CHECK,
        3,
        ('set unit = "m"', "coordinates are feet"),
        site=(
            *IN_METRES,
            *(("1540000.0", "640000.0"), ("1540000.0", "640000.0")),
            *(("540000.0", "240000.0"), ("540058.70", "240058.70")),
        ),
    ),
    Story(
        "the first of them obeyed, the place still does not fit",
        BUILD,
        2,
        ("outside the area of use", "feet"),
        site=(
            *IN_METRES,
            *(("1540000.0", "1000000.0"), ("1540000.0", "1000000.0")),
            ('unit = "ft"', 'unit = "m"'),
        ),
        made=no_map,
    ),
    # 2 silent emptiness
    Story(
        "geometry = polygon",
        CHECK,
        2,
        ('did you mean "area"?',),
        site=(("paved = true\n", 'paved = true\ngeometry = "polygon"\n'),),
    ),
    Story(
        "a column of shapes that nobody mapped",
        CHECK,
        0,
        ("No row names a feature", "Outline name"),
        walk=(("feature,code", "Outline name,Kind"),),
    ),
    Story(
        "parcels far away",
        BUILD,
        0,
        ("nothing is said about parcels",),
        more=PARCELS,
        put=parcels("EPSG:2264", 30000.0),
    ),
    Story(
        "parcels far away are seen before anything is built",
        CHECK,
        0,
        ("No parcel of the parcel map lies near", "nothing is said about parcels: check the CRS"),
        more=PARCELS,
        put=parcels("EPSG:2264", 30000.0),
    ),
    Story(
        "parcels under the site are nothing to look at",
        CHECK,
        0,
        more=PARCELS,
        put=parcels("EPSG:2264"),
        unsaid=("parcels",),
    ),
    Story("a raster with undeclared -9999", SLOPE, 2, ("-9999", "nodata"), put=raster(-9999.0)),
    Story(
        "a raster in feet that does not say so",
        (*SLOPE, "--elevation-unit", "ft"),
        0,
        ("slope.tif",),
        put=raster(100.0),
        made=steepest(100.0),
    ),
    # 3 check passes what build refuses
    Story(
        "check refuses an unknown limit set",
        CHECK,
        2,
        ("there is no limit set stairs",),
        more='[grades.lines.kerb]\nfeature = "kerb_n"\nlimits = "stairs"\n',
    ),
    Story(
        "check refuses parcels that cannot be read",
        CHECK,
        2,
        ("cannot be read",),
        more=PARCELS,
        put=lambda folder: (folder / "parcels.geojson").write_text("{}") and None,
    ),
    Story(
        "check refuses an earthwork without a design",
        CHECK,
        2,
        ("design_elevation",),
        more='[earthworks.level]\nfeature = "turnaround"\n',
    ),
    # 4 units
    Story(
        "a bare depth in a survey in feet is asked about",
        CHECK,
        0,
        ("depth = 0.33 is taken as metres", "1.083 ft"),
        site=(('depth = "4 in"', "depth = 0.33"),),
    ),
    Story(
        "a depth of four, meant as inches, is asked about",
        CHECK,
        0,
        ('depth is "4 m", 13.12 ft', "Is it meant so"),
        site=(('depth = "4 in"', "depth = 4"),),
    ),
    Story(
        "a depth with its unit is not asked about",
        CHECK,
        0,
        unsaid=("is taken as metres", "meant so"),
    ),
    Story(
        "a unit that is none",
        CHECK,
        2,
        ("4 inchs", "in, ft"),
        site=(('depth = "4 in"', 'depth = "4 inchs"'),),
    ),
    # 5 slips
    Story(
        "a decimal slip in a mark seen once",
        CHECK,
        0,
        ("Mark T4", "seen once"),
        walk=(
            (f"{25.9 / FOOT:.3f},", f"{259.0 / FOOT:.3f},"),
            (",asphalt,arc,", ",asphalt,line,"),
        ),
    ),
    # 6 forms of the field book
    Story("semicolons and decimal commas", BUILD, 0, put=german, made=same_areas),
    Story("tabs in UTF-16", BUILD, 0, put=in_utf16, made=same_areas),
    Story(
        "a spreadsheet",
        BUILD,
        0,
        site=(("walk.csv", "walk.xlsx"),),
        put=spreadsheet,
        made=same_areas,
    ),
    Story("where spreadsheets are mentioned", ("describe", "field-book"), 0, (".xlsx", ".ods")),
    Story(
        "one file per walk without a run column",
        ("import", "early.csv", "late.csv", "--out", "yard", "--unit", "ft"),
        0,
        ("2 walks (early, late)",),
        put=two_files,
    ),
    Story(
        "a path with backslashes",
        CHECK,
        2,
        ("write / instead",),
        site=(("walk.csv", "data\\field.csv"),),
    ),
    # 7 parcels
    Story(
        "parcels in longitude and latitude: the operation is named with its accuracy",
        BUILD,
        0,
        ("brought to the survey's CRS by", "good to"),
        more=PARCELS,
        put=parcels("EPSG:4326"),
    ),
    Story(
        "parcels in NAD83(2011) on a NAD83 map: what is needed and where it comes from",
        CHECK,
        2,
        ("us_noaa_nadcon5", "proj-data", "accuracy_m"),
        more=PARCELS,
        put=parcels("EPSG:6543"),
    ),
    Story(
        "the same with a stated accuracy",
        BUILD,
        0,
        ("good to 3 ft",),
        more=PARCELS + "accuracy_m = 1.0\n",
        put=parcels("EPSG:6543"),
    ),
    Story(
        "an operation that does not lead there",
        CHECK,
        2,
        ("EPSG:1149",),
        more=PARCELS + 'operation = "EPSG:1149"\n',
        put=parcels("EPSG:4326"),
    ),
    # 8 messages
    Story(
        "a limit set of one's own with a mistake",
        CHECK,
        2,
        ("limits.toml:3: limit set [mine]: running is", "ratio"),
        more='[grades]\nlimits_file = "limits.toml"\n[grades.lines.kerb]\nfeature = "kerb_n"\n',
        put=lambda folder: (
            (folder / "limits.toml").write_text('[mine]\ntitle = "Local"\nrunning = "1:20"\n')
            and None
        ),
        unsaid=("object | null",),
    ),
    Story(
        "files that nobody listed are mentioned",
        ("verify", "map"),
        0,
        ("extra.txt",),
        put=lambda folder: (
            geosite("build", folder / "site.toml", "--out", folder / "map")
            and (folder / "map/extra.txt").write_text("mine")
            and None
        ),
    ),
    # finding out what may be written
    Story("all keys of a code", ("describe", "site-file", "codes"), 0, ("depth", "coverage")),
    Story("the kinds of segments", ("describe", "field-book", "segment"), 0, ("stream", "gap")),
    Story("the limit sets", ("describe", "limits"), 0, ("ramp", "section 405.2")),
    Story("the columns of a layer", ("describe", "outputs", "areas"), 0, ("area_m2", "area_95_m2")),
    Story("a schema for the editor", ("describe", "site-file", "--json-schema"), 0, ('"$defs"',)),
    Story("which starters there are", ("new", "--list"), 0, ("stockpile", "access-ramp-us")),
    Story("what the accuracy means", ("guide", "accuracy"), 0, ("19 of 20",)),
    Story("what the device does wrong", ("guide", "device"), 0, ("geosite calibrate",)),
    Story(
        "a sketch before anything is built",
        (*CHECK, "--sketch", "sketch.svg"),
        0,
        ("Sketch: sketch.svg",),
        made=lambda folder: (
            None
            if "<svg" in (folder / "sketch.svg").read_text(encoding="utf-8")
            else pytest.fail("no picture")
        ),
    ),
    Story(
        "a misspelt key of a table",
        CHECK,
        2,
        ('did you mean "depth"?', "site.toml:"),
        site=(('depth = "4 in"', 'deph = "4 in"'),),
    ),
]


def test_there_are_at_least_thirty_five_stories() -> None:
    assert len(STORIES) >= 35
    assert len({story.name for story in STORIES}) == len(STORIES)


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.name)
def test_story(story: Story, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    site, walk = SITE + "\n" + story.more, BOOK
    for old, new in story.site:
        assert old in site
        site = site.replace(old, new, 1)
    for old, new in story.walk:
        assert old in walk
        walk = walk.replace(old, new)
    (tmp_path / "site.toml").write_text(site)
    (tmp_path / "walk.csv").write_text(walk)
    story.put(tmp_path)
    ran = geosite(*story.call)
    printed = ran.out + ran.err
    assert ran.status == story.status, printed
    for words in story.said:
        assert words in printed, f"not said: {words}\n{printed}"
    for words in story.unsaid:
        assert words not in printed, f"said: {words}\n{printed}"
    assert "Traceback" not in printed
    assert "Warning" not in printed
    story.made(tmp_path)
