"""A site in feet speaks feet, in findings, summaries and refusals, and leaves names alone."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from cli_runner import FERRY, geosite

from geosite import build_site
from geosite.api import Site

JETTY = FERRY.parent / "jetty_feet"
METRIC = re.compile(r"\d (?:mm|cm|m|km|m2|m3)\b")


def written(folder: Path, more: str = "") -> Path:
    """Write the jetty with names that read like measures."""
    book = (JETTY / "field_book.csv").read_text().replace("R1,", "12 m walk,")
    (folder / "field_book.csv").write_text(book)
    text = (JETTY / "site.toml").read_text()
    text = text.replace("Jetty head in feet (invented)", "Pier 20 m long (invented)")
    (folder / "site.toml").write_text(text.replace('unit = "ft" ', f'{more}\nunit = "ft" ', 1))
    return folder / "site.toml"


def test_names_that_read_like_measures_stay(tmp_path: Path) -> None:
    ran = geosite("check", written(tmp_path))
    assert ran.status == 0, ran.err
    assert "Pier 20 m long (invented)" in ran.out
    assert "let run 12 m walk also visit mark" in ran.out
    ours = ran.out.replace("Pier 20 m long", "").replace("12 m walk", "")
    assert METRIC.findall(ours) == []
    assert " ft" in ours


def test_a_refusal_is_in_feet_too(tmp_path: Path) -> None:
    ran = geosite("check", written(tmp_path, "closure_limit = 1000000"))
    assert ran.status == 3
    assert "12 m walk" in ran.err
    assert METRIC.findall(ran.err.replace("12 m walk", "")) == []
    assert " ft" in ran.err


PAD = [(12.3, 24.1), (25.9, 24.1), (25.9, 35.4), (12.3, 35.4)]
US_FOOT = 1200 / 3937
ON_THE_MAP = {"easting", "northing", "elevation", "spill_elevation"}
LOCAL = {"local_x", "local_y", "local_z"}


def in_unit(folder: Path, unit: str, crs: str, vertical_crs: str, foot: float, book: float) -> Site:
    """Return the jetty with an arc and a pad, on one map of North Carolina or the other."""
    folder.mkdir()
    rows = [line.split(",") for line in (JETTY / "field_book.csv").read_text().splitlines()]
    for row in rows[1:]:
        row[2:5] = [f"{float(cell) * book:.9f}" for cell in row[2:5]]
        row[7] = "arc" if row[1] in ("D3", "D4") else row[7]
    (folder / "field_book.csv").write_text("\n".join(map(",".join, rows)) + "\n")
    text = (JETTY / "site.toml").read_text()
    for old, new in {
        'unit = "ft"             ': f'unit = "{unit}"', "EPSG:2264": crs, "EPSG:6360": vertical_crs,
        "1540000.0": f"{1540000 * foot!r}", " 540000.0": f" {540000 * foot!r}",
        "elevation = 30.0": f"elevation = {30 * foot!r}",
        "cell_size = 1.0": f"cell_size = {foot!r}\n\n[drainage]\nconfidence_runs = 0",
    }.items():  # fmt: skip
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    corners = [[(1540000 + e) * foot, (540000 + n) * foot] for e, n in PAD]
    text += f"\n[designs.a.pads.p]\npoints = {corners!r}\nelevation = {31.0 * foot!r}\n"
    (folder / "site.toml").write_text(text)
    return build_site(folder / "site.toml")


def test_the_same_site_on_a_map_in_metres_has_the_same_numbers(tmp_path: Path) -> None:
    """EPSG:2264 and 32119 are one projection in two units, EPSG:6360 and 5703 one height."""
    feet = in_unit(tmp_path / "ft", "ft", "EPSG:2264", "EPSG:6360", 1.0, 1.0)
    metres = in_unit(tmp_path / "m", "m", "EPSG:32119", "EPSG:5703", US_FOOT, 0.3048)
    compared = 0
    for name in set(metres.layers) - {"contours"}:  # these are at round heights of each unit
        one, other = feet.layer(name), metres.layer(name)
        assert len(one) == len(other), name
        for column in one.select_dtypes("number"):
            if re.search("_(low|high)(_|$)", column):  # of draws
                continue
            unit = US_FOOT if column in ON_THE_MAP else 0.3048 if column in LOCAL else 1.0
            a, b = one[column].to_numpy(float) * unit, other[column].to_numpy(float)
            assert np.allclose(a, b, rtol=1e-6, atol=1e-7, equal_nan=True), (name, column)
            compared += len(a)
        if "geometry" in one:
            a, b = (shapely.get_coordinates(t.geometry, include_z=True) for t in (one, other))
            assert np.allclose(a * US_FOOT, b, rtol=0, atol=1e-5, equal_nan=True), name
    assert compared > 1000
    for name in set(metres.rasters):
        left, right = feet.raster(name), metres.raster(name)
        unit = US_FOOT if left.unit != right.unit else 1.0
        assert np.allclose(left.values * unit, right.values, rtol=1e-4, atol=1e-3, equal_nan=True)
        assert np.array(left.extent) * US_FOOT == pytest.approx(np.array(right.extent), abs=1e-5)
