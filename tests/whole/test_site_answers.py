"""The processes that answer one question about a site."""

import csv
import json
from functools import cache
from pathlib import Path

import pyogrio
import pytest
from cli_runner import Ran, geosite
from quick_landing import quick_landing, take_coarse_cells

pytestmark = pytest.mark.slow

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"


@pytest.fixture(scope="module")
def answered(tmp_path_factory):
    """Ask the landing each question once."""
    folder = tmp_path_factory.mktemp("answers")
    site = quick_landing(folder / "landing")
    take_coarse_cells(site)

    @cache
    def ask(process: str) -> dict[str, dict[str, str]]:
        done = execute(process, site, folder / process)
        assert done.status == 0, done.err
        return json.loads(done.out)

    return ask


def execute(process: str, site: Path, out: Path) -> Ran:
    return geosite("execute", process, "--site", site, "--out", out)


def rows(path: str) -> list[dict[str, str]]:
    with Path(path).open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize(
    ("process", "outputs"),
    [
        ("measure-quantities", {"quantities"}),
        ("measure-distances", {"distances", "angles", "edges"}),
        ("check-grades", {"grades"}),
        ("draw-sections", {"section_stations", "sections"}),
        ("compute-earthworks", {"earthworks"}),
        ("compare-parcels", {"parcel_shares", "parcel_clearances"}),
    ],
)
def test_each_answer_is_written_and_named(process, outputs, answered):
    told = answered(process)
    assert set(told) == outputs
    for name, answer in told.items():
        path = Path(answer["href"])
        assert path.stem == name
        if path.suffix == ".csv":
            assert rows(path)
        else:
            assert list(pyogrio.list_layers(path)[:, 0]) == [name]


def test_grades_come_with_verdict_section_and_sigma(answered):
    made = answered("check-grades")
    frame = pyogrio.read_dataframe(made["grades"]["href"])
    assert set(frame["check_of"]) == {"running", "cross"}
    told = frame[frame["verdict"] != "not measured"]
    assert (told["value_sigma"] > 0).all()
    assert (told["value_low"] < told["value"]).all()
    assert (told["value"] < told["value_high"]).all()
    # the sample's local rules, not the built-in ones
    assert set(zip(frame["section"], frame["limit_value"], strict=True)) == {
        ("2.1", 6.0),
        ("2.2", 2.5),
    }


def test_the_terminal_tells_the_numbers_asked_for_and_no_other_findings(tmp_path):
    site = quick_landing(tmp_path / "landing")
    done = execute("compare-parcels", site, tmp_path / "near")
    told = [line for line in done.err.splitlines() if line.startswith("  ")]
    assert told[0].startswith("  kerb_top: reaches over the line of parcel 101/1 by 0.25 +/- 0.2")
    assert len(told) <= 21
    looks = [line for line in done.err.splitlines() if line.startswith("look: ")]
    assert looks
    assert all("line of parcel" in line for line in looks)


def test_a_site_in_feet_is_answered_in_feet(tmp_path):
    done = execute("measure-quantities", SAMPLES / "jetty_feet" / "site.toml", tmp_path / "out")
    assert "planks: 722 +/- 23 ft2, edge 108.1 +/- 1.7 ft; to order 722 +/- 23 ft2" in done.err


def test_areas_per_parcel_add_up(answered):
    told = answered("compare-parcels")
    apron = [r for r in rows(told["parcel_shares"]["href"]) if r["feature"] == "apron"]
    assert sum(float(r["share_of_feature"]) for r in apron) == pytest.approx(1.0, abs=1e-9)


def test_methods_of_earthwork_agree(answered):
    told = answered("compute-earthworks")
    net = {r["method"]: float(r["net_m3"]) for r in rows(told["earthworks"]["href"])}
    assert list(net) == ["exact", "average end area", "prismoidal", "grid"]
    assert max(net.values()) - min(net.values()) < 0.3


def test_a_site_that_asks_nothing_is_told_what_to_add(tmp_path):
    done = execute("draw-sections", SAMPLES / "jetty_feet" / "site.toml", tmp_path / "out")
    assert done.status == 2
    assert "[sections.NAME]" in done.err
    assert not list((tmp_path).glob("out/*"))


def test_the_baseline_is_as_long_as_it_was_made(answered):
    told = answered("measure-distances")
    (pair,) = [r for r in rows(told["distances"]["href"]) if r["from_point"] == "B1"]
    # B1 and B2 of make_site.py: 34 m east, 1 m north, on the ground
    true = (34.0**2 + 1.0) ** 0.5
    assert abs(float(pair["horizontal_m"]) - true) < 4 * float(pair["horizontal_sigma_m"])
    arcs = [r for r in rows(told["edges"]["href"]) if r["kind"] == "arc"]
    assert float(arcs[0]["radius_m"]) == pytest.approx(8.0, abs=0.1)


def test_contours_are_traced_from_a_raster_that_another_process_made(built_jetty, tmp_path):
    done = geosite(
        *("execute", "trace-contours", "--interval", "0.1"),
        *("--elevation", built_jetty / "elevation.tif", "--out", tmp_path / "lines"),
    )
    assert done.status == 0, done.err
    lines = pyogrio.read_dataframe(json.loads(done.out)["contours"]["href"])
    # the deck falls 1.5 % to the east: 0.1 ft every 6.7 ft
    assert len(lines) >= 4
    assert lines.crs.to_epsg() == 2264
    assert (lines["elevation"] * 10).round(6).mod(1).eq(0).all()
    assert lines.geometry.has_z.all()
