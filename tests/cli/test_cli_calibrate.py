"""The command that fits a device to its surveys, from the files to the file."""

from __future__ import annotations

import json
import math
import shutil
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from cli_runner import FERRY, Ran, geosite
from device_walks import STRAYING, walked
from quick_landing import fit_few_components

from geosite.fieldbook.read import read_survey
from geosite.network.calibration import fit
from geosite.network.calibration.components import Component, fit_components
from geosite.network.walk.device import Device, device_of

SITE = """[survey]
file = "field_book.csv"
{device}
[baseline]
from = "A"
to = "B"
[anchor]
crs = "EPSG:25832"
[anchor.marks.A]
easting = 500500.0
northing = 5300700.0
elevation = 12.0
[anchor.marks.B]
easting = {e:.4f}
northing = {n:.4f}
"""


def written(folder: Path, seed: int, device: str = "", *, closed: bool = True) -> Path:
    """Walk a yard of 40 m and write it as a user would."""
    book = (walk := walked(40.0, seed, true=STRAYING, closed=closed)).notes.book
    folder.mkdir()
    lines = ["run,point,x,y,z"]
    for run, mark, place in zip(book.run, book.mark, book.local, strict=True):
        numbers = ",".join(f"{value:.4f}" for value in place)
        lines.append(f"{book.runs[run]},{book.marks[mark]},{numbers}")
    (folder / "field_book.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    names = [book.marks[mark] for mark in book.mark]
    a, b = walk.truth[names.index("A")], walk.truth[names.index("B")]
    east, north = (b - a)[:2] * 0.9996
    text = SITE.format(device=device, e=500500 + east, n=5300700 + north)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder / "site.toml"


@pytest.fixture(scope="module")
def surveys(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("surveys")
    return [written(folder / f"day{seed}", seed) for seed in (30, 31, 32)]


@pytest.fixture(scope="module")
def calibrated(surveys: list[Path]) -> tuple[Ran, Path]:
    """Fit all components to the surveys together, and one to those that each proof leaves."""

    def quick_proof(
        misfit: Callable[[Device], float], names: Sequence[str], start: Device, *, ends: bool = True
    ) -> tuple[tuple[Component, ...], float]:
        return fit_components(misfit, names if ends else names[:1], start, ends=ends)

    out = surveys[0].parents[1] / "device.toml"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fit, "fit_components", quick_proof)
        return geosite("calibrate", *surveys, "--out", out), out


@pytest.mark.slow
def test_the_file_holds_the_device_that_walked(calibrated: tuple[Ran, Path]) -> None:
    ran, out = calibrated
    assert (ran.status, ran.err) == (0, "")
    tables = tomllib.loads(out.read_text(encoding="utf-8"))
    assert tables["calibration"]["surveys"] == 3
    device, intervals = tables["device"], tables["calibration"]["intervals_95"]
    truth = {
        "pointing": 0.008,
        "pointing_up": 0.008,
        "walk": 0.006,
        "walk_up": 0.006,
        "heading_deg": 0.9,
        "scale_percent": 2.0,
        "climb_percent": 1.0,
        "tilt_deg": 0.5,
    }
    assert set(device) == {*truth, "degrees_of_freedom"}
    assert all(intervals[key][0] <= device[key] <= intervals[key][1] for key in truth)
    # eight intervals of 95 %: two or more that miss have a chance of 6 %
    held = [key for key, value in truth.items() if intervals[key][0] <= value <= intervals[key][1]]
    assert len(held) >= 7, (held, device, intervals)
    assert device["heading_deg"] > 0.6
    assert "heading_deg" not in tables["calibration"]["not_told"]


@pytest.mark.slow
def test_the_report_says_components_gaps_and_proof(calibrated: tuple[Ran, Path]) -> None:
    ran, out = calibrated
    lines = ran.out.splitlines()
    assert lines[0].startswith("Device, fitted to 3 surveys")
    for words in ("pointing, per axis", "heading", "scale of a run", "climb of a run"):
        assert any(line.startswith(f"  {words} ") and ", 95 %: " in line for line in lines)
    untold = tomllib.loads(out.read_text(encoding="utf-8"))["calibration"]["not_told"]
    assert ("Not told by these walks" in ran.out) == bool(untold)
    assert ran.out.count("(not told by these walks)") == len(untold)
    (proof,) = [line for line in lines if line.startswith("Proof: ")]
    assert "of 12 loops close" in proof
    assert f"{out} is written" in lines


@pytest.mark.slow
def test_a_site_file_names_it_and_builds(calibrated: tuple[Ran, Path], tmp_path: Path) -> None:
    _, out = calibrated
    named = '[survey.device]\nfile = "device.toml"'
    site = written(tmp_path / "next", 9, named)
    shutil.copy(out, site.parent)
    device = tomllib.loads(out.read_text(encoding="utf-8"))["device"]
    read = device_of(read_survey(site))
    assert math.degrees(read.heading) == pytest.approx(device["heading_deg"], rel=1e-12)
    assert read.scale == pytest.approx(device["scale_percent"] / 100, rel=1e-12)
    assert (read.pointing_up, read.walk_up) == (device["pointing_up"], device["walk_up"])
    assert (read.name, read.degrees_of_freedom) == ("calibrated", 4.0)
    ran = geosite("build", site, "--out", tmp_path / "map")
    assert ran.status == 0, ran.err
    report = json.loads((tmp_path / "map/report.json").read_text(encoding="utf-8"))
    silent = json.loads(geosite("check", written(tmp_path / "silent", 9), "--json").out)
    codes = [{found["code"] for found in facts["findings"]} for facts in (report, silent)]
    assert ["device-unknown" in found for found in codes] == [False, True]


@pytest.mark.slow
def test_two_surveys_count_as_little_and_the_sites_own_device_is_passed_over(
    surveys: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fit_few_components(monkeypatch)
    sure = "[survey.leg_noise]\nconstant = 0.0001\nper_sqrt_metre = 0.0001"
    stated = written(tmp_path / "stated", 31, sure)
    outs = [tmp_path / name / "device.toml" for name in ("plain", "both")]
    for out in outs:
        out.parent.mkdir()
    plain = geosite("calibrate", *surveys[:2], "--out", outs[0])
    facts = geosite("calibrate", surveys[0], stated, "--out", outs[1], "--json")
    assert (plain.status, facts.status) == (0, 0)
    assert outs[0].read_bytes() == outs[1].read_bytes()
    assert "Proof: none, 3 surveys are needed" in plain.out
    assert "Fewer than 3 surveys: " in plain.out
    told = json.loads(facts.out)
    assert (told["surveys"], told["degrees_of_freedom"], told["loops_left_out"]) == (2, 2.0, 0)
    assert told["components"]["scale_percent"]["unit"] == "%"


def unchecked(folder: Path) -> Path:
    """Write a walk that never comes back, laid out by an azimuth."""
    site = folder / "site.toml"
    folder.mkdir()
    marks = SITE.split("[anchor.marks.B]")[0].format(device="") + "[anchor.azimuth]\n"
    site.write_text(marks + "value = 12.0\n", encoding="utf-8")
    rows = "run,point,x,y,z\nR,A,0,0,0\nR,B,9,1,0\nR,C,9,14,0.2\nR,D,-8,14,0.1\n"
    (folder / "field_book.csv").write_text(rows, encoding="utf-8")
    return site


@pytest.mark.slow
def test_a_survey_that_nothing_checks_takes_no_part(
    surveys: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fit_few_components(monkeypatch)
    lonely, out = unchecked(tmp_path / "open"), tmp_path / "device.toml"
    ran = geosite("calibrate", surveys[0], lonely, "--out", out)
    assert (ran.status, ran.err) == (0, "")
    assert f"{lonely}: nothing checks this survey, so it took no part" in ran.out.splitlines()
    with_it = out.read_bytes()
    alone = geosite("calibrate", surveys[0], "--out", out)
    assert alone.status == 0
    assert out.read_bytes() == with_it
    assert "surveys = 1\n" in out.read_text(encoding="utf-8")


def test_surveys_that_nothing_checks_are_refused(tmp_path: Path) -> None:
    site = unchecked(tmp_path / "open")
    ran = geosite("calibrate", site, "--out", tmp_path / "device.toml")
    assert ran.status == 3
    assert ran.err.count("\n") == 1
    assert ran.err.startswith(f"{site}: nothing checks this survey")
    assert "better three" in ran.err
    assert "geosite guide device" in ran.err
    assert not (tmp_path / "device.toml").exists()


def test_what_cannot_be_read_is_said_of_every_survey(surveys: list[Path], tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text("[survey\n", encoding="utf-8")
    gone = tmp_path / "gone.toml"
    ran = geosite("calibrate", broken, surveys[0], gone, "--out", tmp_path / "device.toml")
    assert ran.status == 2
    lines = ran.err.splitlines()
    assert [line.split(":")[0] for line in lines] == [str(broken), str(gone)]
    assert not (tmp_path / "device.toml").exists()


def test_the_same_walk_twice_is_refused(surveys: list[Path], tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(surveys[0].parent, copy)
    ran = geosite("calibrate", *surveys[:2], copy / "site.toml", "--out", tmp_path / "device.toml")
    assert ran.status == 2
    assert ran.err.startswith(f"{copy / 'site.toml'}: the field book has the same numbers as")
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize("name", ["site.toml", "field_book.csv"])
def test_an_input_is_never_written_over(surveys: list[Path], name: str) -> None:
    place = surveys[1].parent / name
    before = place.read_bytes()
    ran = geosite("calibrate", *surveys, "--out", place)
    assert ran.status == 2
    assert ran.err.startswith(f"{place}: --out names a file that is read")
    assert place.read_bytes() == before


@pytest.mark.parametrize("content", [b"[survey]\n[device]\n", b"\xff\xd8 a picture", b"[limits]\n"])
def test_a_file_of_another_kind_stays(surveys: list[Path], tmp_path: Path, content: bytes) -> None:
    out = tmp_path / "other.toml"
    out.write_bytes(content)
    ran = geosite("calibrate", *surveys, "--out", out)
    assert ran.status == 4
    assert ran.err.startswith(f"{out}: is there already and is no device")
    assert out.read_bytes() == content


def test_a_call_without_surveys_or_without_out_is_said(surveys: list[Path]) -> None:
    for call in (("--out", "device.toml"), (surveys[0],)):
        ran = geosite("calibrate", *call)
        assert ran.status == 2
        assert ran.err.count("\n") == 1
        assert "geosite calibrate --help" in ran.err


def test_a_device_beside_leg_noise_is_refused(tmp_path: Path) -> None:
    both = '[survey.leg_noise]\nconstant = 0.004\n[survey.device]\nclass = "good"'
    site = written(tmp_path / "both", 3, both)
    ran = geosite("check", site)
    assert ran.status == 2
    assert ran.err.startswith(f"{site}:3: [survey.device] and [survey.leg_noise] both say")
    assert ran.err.count("\n") == 1


@pytest.mark.slow
def test_the_process_makes_the_device_that_the_command_makes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fit_few_components(monkeypatch)
    sites = [FERRY / "site.toml", FERRY / "as_built/site.toml"]
    ran = geosite("calibrate", *sites, "--out", tmp_path / "device.toml")
    assert ran.status == 0, ran.err
    repeated = [word for site in sites for word in ("--site", site)]
    made = geosite("execute", "calibrate-device", *repeated, "--out", tmp_path / "made")
    assert made.status == 0, made.err
    assert set(json.loads(made.out)) == {"device"}
    listed = ",".join(map(str, sites))
    again = geosite("execute", "calibrate-device", "--sites", listed, "--out", tmp_path / "again")
    assert again.status == 0, again.err
    wanted = (tmp_path / "device.toml").read_bytes()
    for folder in ("made", "again"):
        assert (tmp_path / folder / "device.toml").read_bytes() == wanted
