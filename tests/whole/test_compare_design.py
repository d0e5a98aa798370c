"""The command that holds what was built against the design, on the sample with known truth."""

from __future__ import annotations

import csv
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas
import pyogrio
import pytest
import shapely
from cli_runner import FERRY as LANDING
from cli_runner import Ran, geosite

pytestmark = pytest.mark.slow


def run(out: Path, **inputs: object) -> Ran:
    given = {
        "site": LANDING / "as_built" / "site.toml",
        "design": LANDING / "design_points.csv",
        **inputs,
    }
    words = [w for name, value in given.items() for w in (f"--{name}", str(value))]
    return geosite("execute", "compare-design", *words, "--out", out)


def rows(path: Path) -> dict[str, dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        found = list(csv.DictReader(stream))
    return {row[next(iter(row))]: row for row in found}


def test_the_pad_as_it_was_built(tmp_path: Path) -> None:
    done = run(tmp_path / "out", before=LANDING / "site.toml")
    assert done.status == 0, done.err
    assert set(json.loads(done.out)) == {
        "deviations", "surfaces", "as_built", "as_built_plan", "as_built_picture",
        "final_measurement", "final_paper",
    }  # fmt: skip
    marks = rows(tmp_path / "out" / "deviations.csv")
    # corner 3 was built 5 cm to the east and to the south, the north side 2 cm low
    for name, truth in (("east_m", 0.05), ("north_m", -0.05), ("up_m", -0.02)):
        value, half = (float(marks["3"][n]) for n in (name, name.replace("_m", "_95_m")))
        assert abs(value - truth) < 1.3 * half
    assert {m["verdict_plan"] for m in marks.values()} <= {"within", "beyond", "undecided", ""}
    with closing(sqlite3.connect(tmp_path / "out" / "as_built.gpkg")) as file, file:
        looks = dict(file.execute("SELECT f_table_name, styleQML FROM layer_styles"))
    # the table has titles of columns there
    assert set(looks) == {"deviations", "verdict_areas", "surfaces"}
    assert "undecided" in looks["deviations"]
    assert (tmp_path / "out" / "as_built_plan.pdf").read_bytes().startswith(b"%PDF-")
    final = rows(tmp_path / "out" / "final_measurement.csv")
    area = float(final["pad"]["measured"])
    assert float(final["pad"]["amount"]) == pytest.approx(62.0 * area, abs=0.005)
    assert float(final[""]["amount"]) == pytest.approx(62.0 * area + 210.0, abs=0.005)
    pad = rows(tmp_path / "out" / "surfaces.csv")["pad"]
    assert float(pad["area_m2"]) == pytest.approx(35.7, abs=0.6)
    assert float(pad["placed_low_m3"]) < 36 * 0.12 < float(pad["placed_high_m3"])


def test_a_design_of_a_site_file(tmp_path: Path) -> None:
    done = run(tmp_path / "out", design=LANDING / "site.toml")
    assert done.status == 0, done.err
    found = rows(tmp_path / "out" / "deviations.csv")
    assert sum(row["what"] == "edge" for row in found.values()) == 25
    done = run(tmp_path / "none", design=LANDING / "site.toml", name="bording")
    assert done.status == 2
    assert "there is no design bording; expected one of boarding" in done.err


def test_a_design_elsewhere_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "d.csv"
    path.write_text("point,easting,northing,elevation\nC1,412320,5276126,402\n", "utf-8")
    done = run(tmp_path / "out", design=path)
    assert (done.status, len(done.err.splitlines())) == (2, 1)
    assert 'd.csv:2: "C1" lies 100 km outside the site' in done.err
    layer = tmp_path / "d.gpkg"
    pyogrio.write_dataframe(
        geopandas.GeoDataFrame(
            {"point": ["C1"]}, geometry=[shapely.Point(512320, 5276126, 402)], crs="EPSG:25833"
        ),
        layer,
    )
    done = run(tmp_path / "out", design=layer)
    assert (done.status, len(done.err.splitlines())) == (2, 1)
    assert "the design is in ETRS89 / UTM zone 33N; expected the CRS of the site" in done.err


def test_a_design_that_has_nothing_to_do_with_the_survey(tmp_path: Path) -> None:
    path = tmp_path / "d.csv"
    path.write_text("point,easting,northing,elevation\nZ1,512320,5276190,402\n", "utf-8")
    done = run(tmp_path / "out", design=path)
    assert done.status == 2
    assert "no mark, edge or area of the survey belongs to the design" in done.err


def test_the_edge_of_a_hole_is_not_compared_with_the_outline(tmp_path: Path) -> None:
    corners = [(319.991, 125.988), (327.987, 125.988), (327.987, 130.486), (319.991, 130.486)]
    bed = [(322.0, 127.0), (324.0, 127.0), (324.0, 129.0), (322.0, 129.0)]
    found = []
    for number, holes in enumerate([[], [bed]]):
        rings = [[(512000 + e, 5276000 + n, 402.3) for e, n in r] for r in (corners, *holes)]
        path = tmp_path / f"pad{number}.gpkg"
        pyogrio.write_dataframe(
            geopandas.GeoDataFrame(
                {"name": ["pad"]}, geometry=[shapely.Polygon(rings[0], rings[1:])], crs="EPSG:25832"
            ),
            path,
        )
        done = run(tmp_path / str(number), design=path)
        assert done.status == 0, done.err
        edge = rows(tmp_path / str(number) / "deviations.csv")
        surface = rows(tmp_path / str(number) / "surfaces.csv")["pad"]
        found.append(({k for k in edge if "+" in k}, float(surface["area_m2"])))
    (plain, whole), (around, rest) = found
    assert len(plain) == 25
    assert around == plain
    factor = 0.9995388
    assert whole - rest == pytest.approx(2.0 * 2.0 / factor**2, abs=0.01)
