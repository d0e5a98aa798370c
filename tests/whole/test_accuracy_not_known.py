"""A walk that nothing checks, with a device nobody spoke of: no number says how good it is."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
import rasterio
from cli_runner import geosite

ACCURACY = re.compile(r"(^|_)(sigma|95|low|high)(_|$)|^probability$|^ellipse_")
GIVEN = {"sigma_m", "shift_sigma_m", "shift_sigma_up_m", "map_sigma_m", "transformation_sigma_m"}
"""Accuracies that the site file gives."""


def write_site(folder: Path, device: str = "", last: str = "") -> Path:
    folder.mkdir()
    rows = ["run,point,x,y,z,feature,code", "R,A,0,0,0,,", "R,B,12,0,0.1,,"]
    ring = [(14, 2, 0.1), (30, 2, 0.4), (30, 20, 0.9), (14, 20, 0.5)]
    rows += [f"R,P{i},{x},{y},{z},pad,stone" for i, (x, y, z) in enumerate(ring)]
    walk = [(14, 22, 0.5), (18, 24, 0.62), (24, 24, 0.8)]
    rows += [f"R,W{i},{x},{y},{z},way,ramp" for i, (x, y, z) in enumerate(walk)]
    rows += [f"R,,{x},{y},{0.02 * x + 0.01 * y},," for x in (2, 9, 33) for y in (6, 13, 26)]
    (folder / "field_book.csv").write_text("\n".join([*rows, last, ""]), "utf-8")
    (folder / "site.toml").write_text(
        f"""
[site]
title = "Invented depot"
[survey]
file = "field_book.csv"
unit = "m"
{device}
[baseline]
from = "A"
to = "B"
[anchor]
crs = "EPSG:25832"
[anchor.marks.A]
easting = 500000.0
northing = 5300000.0
elevation = 400.0
sigma = 0.02
[anchor.azimuth]
value = 90.0
[codes.stone]
geometry = "area"
[codes.ramp]
geometry = "line"
[grades.lines.access]
feature = "way"
limits = "walk"
[sections.across]
marks = ["P0", "P2"]
""",
        "utf-8",
    )
    return folder / "site.toml"


def accuracies(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            here = f"{path}.{key}"
            if ACCURACY.search(key) and not isinstance(inner, dict | list) and key not in GIVEN:
                yield here, inner
            yield from accuracies(inner, here)
    elif isinstance(value, list):
        for inner in value:
            yield from accuracies(inner, f"{path}[]")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("unknown")
    ran = geosite("build", write_site(folder / "yard"), "--out", folder / "map")
    assert ran.status == 0, ran.err
    return folder / "map"


def test_the_report_has_no_accuracy(built: Path) -> None:
    report = json.loads((built / "report.json").read_text("utf-8"))
    found = list(accuracies(report))
    assert len(found) > 30
    assert {name for name, value in found if value is not None} == set()
    assert report["network"]["advice"] == []
    assert report["areas"]["pad"]["area_m2"]["value"] == pytest.approx(288.0, rel=1e-3)
    assert {grade["verdict"] for grade in report["grades"]} <= {"undecided", "not measured"}
    codes = {finding["code"]: finding["text"] for finding in report["findings"]}
    assert "accuracy is not known" in codes["accuracy-unknown"]
    assert "nothing-checks" in codes
    text = " ".join(codes.values())
    assert not re.search(r"\bnan\b|\binf\b|\+/-|\(95 %\)", text)


def test_tables_and_layers_have_none_either(built: Path) -> None:
    for path in built.glob("*.csv"):
        for row in csv.DictReader(io.StringIO(path.read_text("utf-8-sig"))):
            for key, value in row.items():
                if ACCURACY.search(key) and key not in GIVEN:
                    assert value == "", (path.name, key)
    with closing(sqlite3.connect(built / "site.gpkg")) as base, base:
        tables = [name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")]
        assert "points" in tables
        for table in tables:
            for _, key, *_ in base.execute(f'PRAGMA table_info("{table}")').fetchall():
                if ACCURACY.search(key) and key not in GIVEN:
                    rows = base.execute(f'SELECT count("{key}") FROM "{table}"').fetchone()
                    assert rows == (0,), (table, key)


def test_rasters_and_papers_say_so(built: Path) -> None:
    with rasterio.open(built / "elevation_sigma.tif") as raster:
        assert np.all(raster.read(1) == raster.nodata)
    with rasterio.open(built / "elevation.tif") as raster:
        assert np.any(raster.read(1) != raster.nodata)
    assert not (built / "drainage_confidence.tif").exists()
    page = (built / "viewer.html").read_text("utf-8")
    assert "The accuracy of the marks is not known." in page
    metadata = (built / "metadata.xml").read_text("utf-8")
    assert "The accuracy is not known" in metadata
    assert "PositionalAccuracy" not in metadata
    for name in ("plan.pdf", "survey_report.pdf"):
        sheets = pypdf.PdfReader(built / name).pages
        text = " ".join(" ".join(sheet.extract_text() for sheet in sheets).split())
        assert "not known" in text, name
        assert not re.search(r"\bnan\b|\binf\b", text), name


@pytest.mark.parametrize(
    ("device", "last"),
    [
        ('device = { class = "unknown" }', ""),
        ("leg_noise = { constant = 0.01, per_sqrt_metre = 0.01 }", ""),
        ("", "R,A,0.01,0.02,0.0,,"),
    ],
)
def test_a_word_on_the_device_or_one_way_back_is_enough(
    device: str, last: str, tmp_path: Path
) -> None:
    ran = geosite("check", write_site(tmp_path / "yard", device, last))
    assert ran.status == 0, ran.err
    assert "accuracy is not known" not in ran.out
    assert "+/-" in ran.out or "standard deviation" in ran.out
