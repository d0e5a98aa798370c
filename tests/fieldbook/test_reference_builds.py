"""Every example of the reference, in sites that are checked whole, and one of them written."""

from __future__ import annotations

import csv
import json
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
import rasterio

from geosite.build import build, check
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.reference import tables, toml_value
from geosite.fieldbook.starter import starter_files
from geosite.handover.folder.write import write_package

pytestmark = pytest.mark.slow

EXAMPLES = {
    (table.path, key.name): tomllib.loads(f"value = {key.example}")["value"]
    for table in tables()
    for key in table.keys
}
REPEATED = {table.path for table in tables() if table.repeated}
WKT = {25832: "EPSG:25832", 4326: "EPSG:4326"}


def starter(name: str, folder: Path, renamed: Mapping[str, str]) -> dict[str, Any]:
    """Write a starter's field book with names as the examples have them; return its site file."""
    files = starter_files(name)
    book, text = files["field_book.csv"].decode(), files["site.toml"].decode()
    for old, new in renamed.items():
        book = book.replace(f",{old},", f",{new},")
        text = text.replace(f'"{old}"', f'"{new}"')
    (folder / "field_book.csv").write_text(book)
    return tomllib.loads(text.split("# ---- every other table")[0])


def put(site: dict[str, Any], path: str, names: Iterable[str], keys: Iterable[str] = ()) -> set:
    """Put the examples of a table into a site, all or some; return what was put.

    Parameters
    ----------
    site
    path
        As the reference calls it, ``"grades.lines.NAME"``.
    names
        What stands for each ``NAME``.
    keys
        Those to put; all of the table without them.
    """
    chosen = list(keys) or [key for table, key in EXAMPLES if table == path]
    place, given = site, iter(names)
    for word in path.split("."):
        step = next(given) if word == "NAME" else word
        empty: Any = [{}] if path in REPEATED and word == path.rpartition(".")[2] else {}
        place = place.setdefault(step, empty)
        place = place[0] if isinstance(place, list) else place
    place.update({key: EXAMPLES[path, key] for key in chosen})
    return {(path, key) for key in chosen}


def written(site: Mapping[str, Any], folder: Path) -> Path:
    """Write a site file."""

    def lines(table: Mapping[str, Any], path: str) -> Iterable[str]:
        inner = {k: v for k, v in table.items() if isinstance(v, dict) and k != "columns"}
        many = {k: v for k, v in table.items() if isinstance(v, list) and is_tables(v)}
        for key, value in table.items():
            if key not in inner and key not in many:
                yield f"{key} = {toml_value(value)}"
        for key, value in inner.items():
            here = f"{path}.{json.dumps(key)}" if path else key
            yield f"[{here}]"
            yield from lines(value, here)
        for key, value in many.items():
            here = f"{path}.{key}" if path else key
            for one in value:
                yield f"[[{here}]]"
                yield from lines(one, here)

    file = folder / "site.toml"
    file.write_text("\n".join(lines(site, "")) + "\n")
    return file


def is_tables(value: list[Any]) -> bool:
    return bool(value) and isinstance(value[0], dict)


def layer(path: Path, name: str, kind: str, crs: int, shapes: Mapping[str, Any]) -> None:
    with fiona.open(
        path, "w", "GPKG", layer=name, crs=WKT[crs],
        schema={"geometry": kind, "properties": {"parcel": "str", "name": "str"}},
    ) as file:  # fmt: skip
        for title, coordinates in shapes.items():
            shape = {"type": kind, "coordinates": coordinates}
            file.write(
                {"type": "Feature", "geometry": shape, "properties": {"parcel": title,
                                                                      "name": title}}
            )  # fmt: skip


YARD = {"gully": "inlet_west", "gate_house": "roof"}


def the_yard(folder: Path) -> tuple[dict[str, Any], set]:
    """Most tables at once, on the paved yard."""
    site = starter("paved-yard", folder, YARD)
    put_in = set()
    for path in (
        "site", "survey.leg_noise", "baseline", "drainage", "surface", "quantities", "prices",
        "distances", "handover", "sheet", "sheet.revisions", "tolerances.NAME",
    ):  # fmt: skip
        put_in |= put(site, path, ["apron"])
    put_in |= put(site, "survey", (), ["file", "unit", "closure_limit", "closure_rules"])
    put_in |= put(site, "anchor", (), ["crs", "vertical_crs", "geoid_height"])
    marks = ("easting", "northing", "elevation", "sigma", "sigma_elevation", "check", "source")
    put_in |= put(site, "anchor.marks.NAME", ["B1"], marks)
    put_in |= put(site, "runs.NAME", ["first"])
    put_in |= put(site, "codes.NAME", ["building"])
    site["codes"][EXAMPLES["codes.NAME", "counted_in"]] = {"geometry": "line"}
    put_in |= put(site, "prices.codes.NAME", ["asphalt"])
    for earth in ("prices.cut", "prices.fill"):
        put_in |= put(site, earth, ())
    earthworks = [k for path, k in EXAMPLES if path == "earthworks.NAME" and k != "surface"]
    put_in |= put(site, "earthworks.NAME", ["dig"], earthworks)
    put_in |= put(site, "submission", ())
    east, north = (
        site["anchor"]["marks"]["B1"]["easting"],
        site["anchor"]["marks"]["B1"]["northing"],
    )
    streets = {"street": [(east - 30, north), (east + 30, north)]}
    under = folder / EXAMPLES["sheet", "background"]
    layer(under, EXAMPLES["sheet", "background_layer"], "LineString", 25832, streets)
    return site, put_in


def the_device(folder: Path) -> tuple[dict[str, Any], set]:
    """A device said part by part, one mark and the azimuth."""
    site = starter("paved-yard", folder, YARD)
    put_in = put(site, "survey.device", ())
    (folder / site["survey"]["device"]["file"]).write_text("[device]\npointing = 0.01\n")
    put_in |= put(site, "anchor.azimuth", ())
    del site["anchor"]["marks"]["B2"]
    return site, put_in


def the_ramp(folder: Path) -> tuple[dict[str, Any], set]:
    """Grades and sections along a line."""
    names = {"ramp": "kerb", "M1": "F1", "M2": "F2", "L1": "F3", "L2": "F4", "M3": "G1",
             "L3": "A1", "L4": "A2"}  # fmt: skip
    site = starter("access-ramp", folder, names)
    del site["grades"]["lines"], site["sections"]
    keys = [k for path, k in EXAMPLES if path == "grades.lines.NAME" and k not in ("edges",)]
    put_in = put(site, "grades.lines.NAME", ["kerb"], [k for k in keys if k != "marks"])
    put_in |= put(site, "grades.lines.NAME", ["far"], ["marks"])
    site["grades"]["lines"]["far"]["limits"] = "walk"
    sections = [k for path, k in EXAMPLES if path == "sections.NAME"]
    put_in |= put(site, "sections.NAME", ["along"], [k for k in sections if k != "marks"])
    put_in |= put(site, "sections.NAME", ["across"], ["marks"])
    put_in |= put(site, "grades", ())
    (folder / EXAMPLES["grades", "limits_file"]).write_text(LIMITS)
    return site, put_in


LIMITS = """
[walk]
title = "Local walk"
running = { ratio = "1:16", section = "local code 4.2" }
"""


def the_designs(folder: Path) -> tuple[dict[str, Any], set]:
    """Pads, edges and strips, and a design from a file."""
    site = starter("landing", folder, {})
    put_in = put(site, "designs.NAME", ["from_file"])
    layer(folder / EXAMPLES["designs.NAME", "file"], EXAMPLES["designs.NAME", "layer"],
          "Polygon", 25832,
          {"p": [[(512648.0, 5276214.0, 402.4), (512652.0, 5276214.0, 402.4),
                  (512652.0, 5276217.0, 402.4), (512648.0, 5276214.0, 402.4)]]})  # fmt: skip
    pads = ("elevation", "fall_percent", "fall_azimuth")
    here = "designs.NAME.pads.NAME"
    put_in |= put(site, here, ["pads", "a"], (*pads, "feature", "through", "code"))
    put_in |= put(site, here, ["corners", "b"], (*pads, "points"))
    here = "designs.NAME.edges.NAME"
    put_in |= put(site, here, ["road", "axis"], ("marks", "elevations", "closed", "code"))
    for path in (here, "designs.NAME.pads.NAME"):
        site["codes"].setdefault(EXAMPLES[path, "code"], {"title": "A part of the design"})
    put_in |= put(site, here, ["lane", "axis"], ("points", "start", "grades"))
    put_in |= put(site, "designs.NAME.strips.NAME", ["road", "way"])
    put_in |= put(site, "designs.NAME.strips.NAME", ["lane", "way"])
    # of two designs with one word only one is built
    site["designs"]["lane"]["alternative_for"] = EXAMPLES["designs.NAME", "alternative_for"]
    return site, put_in


def the_places(folder: Path) -> tuple[dict[str, Any], set]:
    """Marks by latitude and longitude, a field book with headers of its own and a surface file."""
    site = starter("paved-yard", folder, YARD)
    book = (folder / "field_book.csv").read_text()
    columns = EXAMPLES["survey", "columns"]
    head, _, rows = book.partition("\n")
    named = ",".join(columns.get(word, word) for word in head.split(","))
    with fiona.open(
        folder / "walk.gpkg", "w", "GPKG", layer=EXAMPLES["survey", "layer"],
        schema={"geometry": "None", "properties": dict.fromkeys(named.split(","), "str")},
    ) as file:  # fmt: skip
        for row in csv.DictReader(f"{named}\n{rows}".splitlines()):
            file.write({"type": "Feature", "geometry": None, "properties": dict(row)})
    put_in = put(site, "survey", (), ["columns", "layer"])
    site["survey"]["file"] = "walk.gpkg"
    del site["anchor"]["marks"]["B2"], site["anchor"]["marks"]["B1"]
    degrees = ("latitude", "longitude", "elevation")
    put_in |= put(site, "anchor.marks.NAME", ["B1"], degrees)
    site["anchor"]["azimuth"] = {"value": 90.0}
    put_in |= put(site, "earthworks.NAME", ["heap"], ["feature", "surface"])
    surface(folder / EXAMPLES["earthworks.NAME", "surface"])
    return site, put_in


def surface(path: Path, kind: str = "float32") -> None:
    """Write an earlier ground, level, or a grey picture, under the yard that the examples place."""
    with rasterio.open(
        path, "w", "GTiff", width=80, height=80, count=1, dtype=kind, crs="EPSG:25832",
        transform=rasterio.Affine(1.0, 0.0, 512600.0, 0.0, -1.0, 5276250.0),
    ) as file:  # fmt: skip
        file.write(np.full((1, 80, 80), 402.0 if kind == "float32" else 180, kind))


def the_parcels(folder: Path) -> tuple[dict[str, Any], set]:
    """Parcels of another CRS by an operation that is named."""
    site = starter("paved-yard", folder, YARD)
    put_in = put(site, "parcels", ())
    ring = [(9.16, 47.63), (9.18, 47.63), (9.18, 47.65), (9.16, 47.65), (9.16, 47.63)]
    layer(folder / "parcels.gpkg", "parcels", "Polygon", 4326, {"101/2": [ring]})
    return site, put_in


SITES = (the_yard, the_device, the_ramp, the_designs, the_places, the_parcels)


@pytest.mark.parametrize("made", SITES, ids=lambda made: made.__name__)
def test_a_site_of_examples_passes_the_whole_check(made: Any, tmp_path: Path) -> None:
    site, put_in = made(tmp_path)
    assert put_in
    check(read_survey(written(site, tmp_path)))


ELSEWHERE = {
    (
        "grades.lines.NAME",
        "edges",
    ): "two lines beside a third: tests/analysis/takeoff/test_edge_pairs.py",
    ("anchor.marks.NAME", "ellipsoidal_height"): "wants a geoid grid: tests/network/test_anchor.py",
}


def test_no_example_is_left_out(tmp_path: Path) -> None:
    tried = set().union(*(made(tmp_path)[1] for made in SITES))
    assert set(EXAMPLES) - tried == set(ELSEWHERE)


def test_a_site_of_examples_is_written(tmp_path: Path) -> None:
    """All of ``[handover]``, ``[sheet]`` and ``[submission]`` at once."""
    site, _ = the_yard(tmp_path)
    notes = read_survey(written(site, tmp_path))
    names = {
        path.name for path in write_package(build(notes), tmp_path / "out", notes.site.handover)
    }
    assert {"site.gpkg", "plan.pdf", "site.qgs", "MANIFEST.json"} <= names
