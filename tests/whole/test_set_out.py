"""The command that takes a design back to the field, and what it says of bad input."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest
from cli_runner import FERRY as LANDING
from cli_runner import Ran, geosite

pytestmark = pytest.mark.slow

SITE, DESIGN, TODAY = (LANDING / n for n in ("site.toml", "design_points.csv", "today.csv"))
WALK = (LANDING / "today.csv").read_text("utf-8")
POINTS = (LANDING / "design_points.csv").read_text("utf-8")


def run(out: Path, **inputs: object) -> Ran:
    given = {"site": SITE, "design": DESIGN, **inputs}
    words = [w for name, value in given.items() for w in (f"--{name}", str(value))]
    return geosite("execute", "set-out", *words, "--out", out)


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_the_sample_design_goes_back_to_the_field(tmp_path: Path) -> None:
    done = run(tmp_path / "out", walk=TODAY, tolerance=0.08)
    assert done.status == 0, done.err
    told = json.loads(done.out)
    assert set(told) == {"setting_out", "slip", "phone"}
    points = rows(tmp_path / "out" / "setting_out.csv")
    assert [p["point"] for p in points] == ["1", "2", "3", "4", "BO"]
    assert {p["verdict"] for p in points} <= {"can", "cannot", "undecided"}
    for p in points:
        assert (p["verdict"] == "can") == (float(p["error_95_m"]) <= 0.08)
        assert float(p["distance"]) == pytest.approx(
            math.hypot(float(p["along"]), float(p["offset"])), abs=2e-4
        )
    # the sides of the pad are what they are on the ground, in today's frame
    c1, c2, c3 = ([float(p[axis]) for axis in "xyz"] for p in points[:3])
    assert math.dist(c1[:2], c2[:2]) == pytest.approx(8.0, abs=0.003)
    assert math.dist(c2[:2], c3[:2]) == pytest.approx(4.5, abs=0.003)
    assert c3[2] - c2[2] == pytest.approx(-0.067, abs=0.002)
    assert (tmp_path / "out" / "slip.pdf").read_bytes().startswith(b"%PDF")
    page = (tmp_path / "out" / "phone.html").read_text("utf-8")
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page


def test_without_a_walk_there_are_lengths_and_no_readings(tmp_path: Path) -> None:
    done = run(tmp_path / "out")
    assert done.status == 0, done.err
    points = rows(tmp_path / "out" / "setting_out.csv")
    assert all(p["x"] == p["y"] == p["z"] == p["verdict"] == "" for p in points)
    assert all(float(p["error_95_m"]) > 0 and p["along"] for p in points)


def changed(text: str, row: int, **cells: str) -> str:
    lines = list(csv.DictReader(text.splitlines()))
    lines[row].update(cells)
    names = list(lines[0])
    return (
        "\n".join([",".join(names), *(",".join(line[n] for n in names) for line in lines)]) + "\n"
    )


def in_feet(text: str, factor: float = 1 / 0.3048) -> str:
    for row in range(4):
        cells = list(csv.DictReader(text.splitlines()))[row]
        scaled = {axis: f"{float(cells[axis]) * factor:.3f}" for axis in "xyz"}
        text = changed(text, row, **scaled)
    return text


@pytest.mark.parametrize(
    ("name", "text", "status", "said"),
    [
        ("design", POINTS.replace("402.300", ""), 2, 'd.csv:2: "1" has no elevation; expected'),
        ("design", changed(POINTS, 0, easting="712319.9"), 2, "lies 200 km outside the site"),
        (
            "design",
            changed(POINTS, 1, easting="5276125.988", northing="512327.987"),
            2,
            "easting and northing are exchanged: exchange the columns",
        ),
        ("design", "point,easting\nA,1\n", 2, "there is no column northing"),
        ("design", "point,easting,northing,elevation\n", 2, "there is nothing in it"),
        ("walk", in_feet(WALK), 3, "feet read as metres: if so, give --unit ft"),
        ("walk", in_feet(WALK, 0.3048), 3, "metres read as feet: if so, give --unit m"),
        (
            "walk",
            WALK.replace(",B1,", ",X,").replace(",B2,", ",B1,").replace(",X,", ",B2,"),
            3,
            "has the baseline marks B1 and B2 exchanged",
        ),
        ("walk", WALK.replace(",B1,", ",Q1,"), 3, "the run T1 does not visit B1"),
        ("walk", WALK.replace("run,point", "run,name"), 2, "no column point"),
        ("walk", WALK.replace("33.657", "31.657").replace("33.641", "31.6"), 3, "walk them again"),
        ("walk", WALK.replace("33.657", "x"), 2, 'd.csv:3: x is "x"'),
    ],
)
def test_bad_input_is_one_clear_line(
    name: str, text: str, status: int, said: str, tmp_path: Path
) -> None:
    path = written(tmp_path, "d.csv", text)
    done = run(tmp_path / "out", **{"walk": TODAY, name: path})
    assert done.status == status, done.err
    assert said in done.err
    assert "d.csv" in done.err
    assert "Traceback" not in done.err
    assert not (tmp_path / "out").exists()


def test_feet_are_taken_when_said(tmp_path: Path) -> None:
    walk = written(tmp_path, "feet.csv", in_feet(WALK))
    done = run(tmp_path / "out", walk=walk, unit="ft")
    assert done.status == 0, done.err
    feet = rows(tmp_path / "out" / "setting_out.csv")
    done = run(tmp_path / "metres", walk=TODAY)
    assert done.status == 0, done.err
    for there, here in zip(feet, rows(tmp_path / "metres" / "setting_out.csv"), strict=True):
        for name in ("x", "y", "z", "along", "offset", "distance"):
            assert float(there[name]) * 0.3048 == pytest.approx(float(here[name]), abs=2e-3)
        assert float(there["cut_m"]) == pytest.approx(float(here["cut_m"]), abs=1e-3)


def test_a_design_in_another_crs_is_refused(tmp_path: Path) -> None:
    import fiona

    path = tmp_path / "design.gpkg"
    schema = {"geometry": "3D Point", "properties": {"point": "str"}}
    with fiona.open(path, "w", driver="GPKG", schema=schema, crs="EPSG:25833") as sink:
        geometry = {"type": "Point", "coordinates": (512320.0, 5276126.0, 402.2)}
        sink.write({"geometry": geometry, "properties": {"point": "C1"}})
    done = run(tmp_path / "out", design=path)
    assert done.status == 2
    assert "the design is in ETRS89 / UTM zone 33N; expected the CRS of the site" in done.err
