"""Published figures walked as a user would: a field book, a site file, the command, its files.

The map's scale is 1 and the ground lies at nought, so that what was walked is what is mapped.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from pathlib import Path

import fiona
import pytest
from cli_runner import geosite

pytestmark = pytest.mark.slow

FOOT_M = 0.3048
SITE = """
[survey]
file = "field_book.csv"
unit = "{unit}"
closure_limit = 100
[survey.leg_noise]
constant = {constant}
per_sqrt_metre = 0.01
[baseline]
from = "{first}"
to = "{second}"
[anchor]
crs = "+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=500000 +y_0=0 +ellps=GRS80 +units=m +type=crs"
[anchor.marks.{first}]
easting = {e1}
northing = {n1}
elevation = 0.0
[anchor.marks.{second}]
easting = {e2}
northing = {n2}
[codes.slab]
geometry = "area"
[codes.edge]
geometry = "line"
[handover]
plan = false
viewer = false
dxf = false
geojson = false
spreadsheet = false
survey_report = false
takeoff = false
"""
Row = Sequence[object]


def build(
    folder: Path, rows: Sequence[Row], places: dict[str, tuple[float, float]], unit: str = "m",
    constant: float = 0.001,
) -> Path:  # fmt: skip
    """Walk the rows (run, point, x, y, z, feature, code, segment); `places` holds two marks."""
    folder.mkdir()
    with (folder / "field_book.csv").open("w", newline="", encoding="utf-8") as stream:
        out = csv.writer(stream)
        out.writerow(["run", "point", "x", "y", "z", "feature", "code", "segment"])
        out.writerows([*row, *[""] * (8 - len(row))] for row in rows)
    (first, (x1, y1)), (second, (x2, y2)) = places.items()
    metres = FOOT_M if unit == "ft" else 1.0
    text = SITE.format(
        unit=unit, constant=constant, first=first, second=second,
        e1=500000 + x1 * metres, n1=y1 * metres, e2=500000 + x2 * metres, n2=y2 * metres,
    )  # fmt: skip
    (folder / "site.toml").write_text(text, encoding="utf-8")
    ran = geosite("build", folder / "site.toml", "--out", folder / "map")
    assert ran.status == 0, ran.err
    return folder / "map"


def records(out: Path, layer: str) -> list[dict]:
    with fiona.open(out / "site.gpkg", layer=layer) as source:
        return [dict(record["properties"]) for record in source]


def baseline(run: str = "R", length: float = 40.0) -> list[Row]:
    return [(run, "B1", 0, -20, 0), (run, "B2", length, -20, 0)]


def shape(
    name: str, code: str, places: Sequence[tuple[float, float]], words: Sequence[str]
) -> list[Row]:
    return [
        ("R", f"{name}{n}", x, y, 0, name, code, word)
        for n, ((x, y), word) in enumerate(zip(places, words, strict=True), 1)
    ]


def test_circles_and_arcs_of_textbooks(tmp_path: Path) -> None:
    # P-E3: a sector of 45 degrees with an arc of 1, MatheAss, Circular Sections
    radius = 1.2732395
    on = [(radius * math.cos(t), radius * math.sin(t)) for t in (0.0, math.pi / 8, math.pi / 4)]
    rows = [
        *baseline(),
        # P-E1, math.stackexchange 213658; P-E2, Rosetta Code
        *shape("c", "slab", [(1, 1), (2, 4), (5, 3)], ["circle"] * 3),
        *shape("d", "slab", [(22.83, 2.07), (14.39, 30.24), (33.65, 17.31)], ["circle"] * 3),
        *shape("sector", "slab", [(0.0, 0.0), *on], ["", "", "arc", "arc"]),
        *shape("segment", "slab", [(x + 50, y) for x, y in on], ["", "arc", "arc"]),
        *baseline(),
    ]
    out = build(tmp_path / "yard", rows, {"B1": (0, -20), "B2": (40, -20)})
    areas = {r["feature"]: r for r in records(out, "areas")}
    assert areas["c"]["area_m2"] == pytest.approx(5 * math.pi, abs=2e-4)
    assert areas["d"]["area_m2"] == pytest.approx(math.pi * 14.708624**2, abs=2e-3)
    assert areas["sector"]["area_m2"] == pytest.approx(0.63661977, abs=5e-6)
    assert areas["segment"]["area_m2"] == pytest.approx(0.063460604, abs=5e-6)
    edges = {r["feature"]: r for r in records(out, "edges") if r["radius_m"] is not None}
    assert edges["c"]["radius_m"] == pytest.approx(math.sqrt(5), abs=2e-5)
    assert edges["d"]["radius_m"] == pytest.approx(14.708624, abs=5e-5)
    arc = edges["segment"]
    for key, published in (
        ("radius_m", radius), ("length_m", 1.0), ("chord_m", 0.97449536),
        ("sagitta_m", 0.096919589),
    ):  # fmt: skip
        assert arc[key] == pytest.approx(published, abs=5e-6), key
    assert abs(arc["sweep_deg"]) == pytest.approx(45.0, abs=5e-4)


def test_a_polygon_of_a_textbook_in_feet(tmp_path: Path) -> None:
    # P-J2: Mahun, COGO, Traverse with Straight Sides, fig. H-2: 140,493.1 square feet
    north_east = {
        "C": (406.31, 1259.97), "D": (235.12, 1489.47), "E": (65.81, 1126.40),
        "A": (317.89, 942.04), "F": (675.32, 1282.54),
    }  # fmt: skip
    places = [(east, north) for north, east in north_east.values()]
    rows = [
        ("R", "B1", 0, 0, 0), ("R", "B2", 1500, 0, 0),
        *shape("lot", "slab", places, [""] * 5),
        ("R", "B1", 0, 0, 0), ("R", "B2", 1500, 0, 0),
    ]  # fmt: skip
    out = build(tmp_path / "lot", rows, {"B1": (0, 0), "B2": (1500, 0)}, "ft")
    (lot,) = records(out, "areas")
    assert lot["area_m2"] / FOOT_M**2 == pytest.approx(140493.1, abs=0.1)
    (taken,) = [r for r in records(out, "quantities") if r["feature"] == "lot"]
    assert taken["net_area_ft2"] == pytest.approx(140493.1, abs=0.1)


def test_a_loop_of_a_textbook_closes_by_the_compass_rule(tmp_path: Path) -> None:
    # P-B1: Mahun, Traverse Computations, ch. I and G; adjusted area 102,935.71 square feet
    legs = {
        "B": (-176.357, -438.548), "C": (203.395, -73.093), "D": (192.357, 198.651),
        "A": (-219.312, 313.065),
    }  # fmt: skip
    east, north, places = 2000.0, 500.0, [("A", 2000.0, 500.0)]
    for name, (latitude, departure) in legs.items():
        east, north = east + departure, north + latitude
        places.append((name, east, north))
    rows = [
        ("R", n, x, y, 0, "lot" if i < 4 else "", "slab", "") for i, (n, x, y) in enumerate(places)
    ]
    # the direction is that of the page: the adjusted A and B hold it, the rule moves C and D
    adjusted = {"A": (2000.0, 500.0), "B": (1561.426, 323.614)}
    out = build(tmp_path / "loop", rows, adjusted, "ft", constant=0.0)
    marks = {
        r["point"]: ((r["easting"] - 500000) / FOOT_M, r["northing"] / FOOT_M)
        for r in records(out, "marks")
    }
    assert marks["C"] == pytest.approx((1488.321, 526.996), abs=0.03)
    assert marks["D"] == pytest.approx((1686.956, 719.336), abs=0.03)
    (lot,) = records(out, "areas")
    # two anchored marks turn the loop a little against the page: 0.03 ft on its sides
    assert lot["area_m2"] / FOOT_M**2 == pytest.approx(102935.71, abs=15)
