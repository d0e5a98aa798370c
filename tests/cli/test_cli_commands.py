"""The commands in this process: what they print, where, and with which status they leave."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from cli_runner import FERRY, ROOT, geosite
from quick_landing import draw_few

from geosite import __version__


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a starter site that was built into ``map``."""
    folder = tmp_path_factory.mktemp("yard") / "yard"
    assert geosite("new", folder).status == 0
    assert geosite("build", folder / "site.toml", "--out", folder / "map").status == 0
    draw_few(folder / "site.toml")  # from now on
    return folder


@pytest.mark.slow
def test_the_starter_site_builds_as_it_is(yard: Path) -> None:
    assert {path.name for path in yard.iterdir()} == {"site.toml", "field_book.csv", "map"}
    written = {path.name for path in (yard / "map").iterdir()}
    assert written >= {
        "site.gpkg", "elevation.tif", "slope.tif", "drainage_direction.tif", "quantities.csv",
        "report.json",
    }  # fmt: skip
    report = json.loads((yard / "map/report.json").read_text())
    assert report["areas"]["apron"]["area_m2"]["value"] > 10
    assert (yard / "site.toml").read_text().count("#") > 20


@pytest.mark.slow
def test_build_prints_a_summary_without_colour_when_nobody_looks(yard: Path) -> None:
    ran = geosite("build", yard / "site.toml", "--out", yard / "map")
    assert ran.status == 0
    assert "Ferry landing (invented example)" in ran.out
    assert "Closure: " in ran.out
    assert "Baseline B1 to B2: walked" in ran.out
    assert "asphalt" in ran.out
    assert "\x1b" not in ran.out
    assert ran.err == ""


@pytest.mark.slow
def test_build_and_check_speak_json_to_machines(yard: Path) -> None:
    built = json.loads(geosite("build", yard / "site.toml", "--out", yard / "map", "--json").out)
    assert built == json.loads((yard / "map/report.json").read_text())
    checked = json.loads(geosite("check", yard / "site.toml", "--json").out)
    assert checked["network"]["closures"][0]["ratio"] > 300
    assert "terrain" not in checked


def test_check_writes_nothing(yard: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = sorted(tmp_path.iterdir()), sorted(yard.iterdir())
    monkeypatch.chdir(tmp_path)
    assert geosite("check", yard / "site.toml").status == 0
    assert (sorted(tmp_path.iterdir()), sorted(yard.iterdir())) == before


def test_new_takes_no_folder_with_files_in_it(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    assert geosite("new", tmp_path / "a").status == 0
    site = (tmp_path / "a/site.toml").read_bytes()
    ran = geosite("new", tmp_path / "a")
    assert ran.status == 4
    assert "expected a new or an empty folder" in ran.err
    assert (tmp_path / "a/site.toml").read_bytes() == site
    (tmp_path / "file").write_text("")
    ran = geosite("new", tmp_path / "file")
    assert ran.status == 4
    assert ran.err.endswith("is a file; expected a new or an empty folder; choose another name\n")


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--baseline", "B1,B1", "names one mark twice"),
        ("--crs", "EPSG:4326", "is geographic"),
        ("--crs", "the usual", "is not understood"),
        ("--mark", "B1=nan,5276210", "is not understood"),
    ],
)
def test_import_refuses_what_the_first_check_would(
    option: str, value: str, told: str, tmp_path: Path
) -> None:
    book = ROOT / "sample_data/jetty_feet/field_book.csv"
    ran = geosite("import", book, "--out", tmp_path / "made", option, value)
    assert ran.status == 2
    (line,) = ran.err.splitlines()
    assert option in line
    assert told in line
    assert not (tmp_path / "made").exists()


def test_serve_tells_of_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", Path("/proc/none")):
        ran = geosite("serve", "--folder", folder, "--port", "0")
        assert ran.status == 4
        assert ran.err.startswith(f"{folder}: the folder cannot be made or written (")


def test_list_names_every_process() -> None:
    ran = geosite("list")
    assert "derive-slope" in ran.out
    assert "Slope and aspect of an elevation raster" in ran.out
    listed = json.loads(geosite("list", "--json").out)
    assert {one["id"] for one in listed["processes"]} >= {"build-site", "derive-drainage"}
    assert listed["broken"] == []


def test_describe_in_words_and_as_json() -> None:
    ran = geosite("describe", "derive-slope")
    assert "horn | zevenbergen-thorne, default horn" in ran.out
    assert "geosite execute derive-slope --elevation" in ran.out
    described = json.loads(geosite("describe", "derive-slope", "--json").out)
    assert described["inputs"]["unit"]["schema"]["default"] == "percent"


def test_execute_answers_in_json_and_chains(yard: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    ran = geosite(
        "execute", "interpolate-elevation", "--points", yard / "map/site.gpkg",
        "--cell-size", "1", "--out", out,
    )  # fmt: skip
    assert ran.status == 0
    # words for people; the answer is for the next program
    assert ran.err.startswith("Elevation raster from points\n")
    answer = json.loads(ran.out)
    assert set(answer) == {"elevation"}
    assert Path(answer["elevation"]["href"]) == out / "elevation.tif"
    assert answer["elevation"]["type"].startswith("image/tiff")
    request = tmp_path / "request.json"
    request.write_text(json.dumps({"inputs": answer | {"unit": {"value": "degree"}}}))
    ran = geosite("execute", "derive-slope", "--request", request, "--out", out)
    assert set(json.loads(ran.out)) == {"slope", "aspect"}
    # an option beside the request wins
    ran = geosite("execute", "derive-slope", "--request", request, "--unit", "x", "--out", out)
    assert (ran.status, ran.out) == (2, "")
    assert 'unit is "x"' in ran.err


def test_execute_into_the_folder_of_a_build_adds_to_it(yard: Path, tmp_path: Path) -> None:
    out = tmp_path / "map"
    shutil.copytree(yard / "map", out)
    before = {path.name for path in out.iterdir()}
    ran = geosite("execute", "derive-slope", "--elevation", out / "elevation.tif", "--out", out)
    assert ran.status == 0
    assert {path.name for path in out.iterdir()} == before | {"aspect.tif"}


def test_verify_tells_a_whole_hand_over_from_a_changed_one(yard: Path, tmp_path: Path) -> None:
    out = tmp_path / "map"
    shutil.copytree(yard / "map", out)
    ran = geosite("verify", out)
    assert (ran.status, ran.err) == (0, "")
    with (out / "quantities.csv").open("a") as stream:
        stream.write("x")
    (out / "slope.tif").unlink()
    ran = geosite("verify", out)
    assert (ran.status, ran.out) == (2, "")
    assert "slope.tif: is missing" in ran.err
    assert "quantities.csv: has" in ran.err
    assert geosite("verify", tmp_path).status == 2
    assert geosite("verify", tmp_path / "none").status == 2


@pytest.mark.slow
def test_execute_builds_and_checks_a_site(yard: Path, tmp_path: Path) -> None:
    site = yard / "site.toml"
    answer = json.loads(
        geosite("execute", "build-site", "--site", site, "--out", tmp_path / "a").out
    )
    assert set(answer) >= {
        "site",
        "elevation",
        "slope",
        "drainage_direction",
        "quantities",
        "report",
    }
    assert all(Path(one["href"]).is_file() for one in answer.values())
    answer = json.loads(
        geosite("execute", "check-survey", "--site", site, "--out", tmp_path / "b").out
    )
    assert [path.name for path in (tmp_path / "b").iterdir()] == ["report.json"]
    assert json.loads(Path(answer["report"]["href"]).read_text())["network"]["closures"]


BAD_CALLS = [
    (("buld", "x"), 'there is no command "buld"; did you mean "build"?'),
    (("build",), "SITE.toml"),
    (("build", "a.toml"), "--out"),
    (("build", "none.toml", "--out", "x"), "none.toml"),
    (("check", "none.toml"), "none.toml"),
    (("check", "a", "b"), "b"),
    (("list", "--jsn"), "--json"),
    (("describe", "derive-slop"), 'did you mean "derive-slope"?'),
    (("execute", "derive-slop"), 'did you mean "derive-slope"?'),
    (("execute", "derive-slope", "--out", "x"), 'the input "elevation" of derive-slope is missing'),
    (("execute", "derive-slope", "--elevaton", "x", "--out", "x"), "--elevation"),
    (("execute", "derive-slope", "--elevation", "http://a/b.tif", "--out", "x"), "this machine"),
    (("execute", "derive-slope", "--request", "none.json", "--out", "x"), "none.json"),
    (("check", ""), ""),
    (("execute", "derive-slope", "--elevation", "\udcff.tif", "--out", "x"), "does not exist"),
]


@pytest.mark.parametrize(("call", "expected"), BAD_CALLS, ids=[" ".join(c) for c, _ in BAD_CALLS])
def test_a_bad_call_is_one_line_and_status_2(
    call: tuple[str, ...], expected: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = geosite(*call)
    assert ran.status == 2
    assert ran.out == ""
    assert expected in ran.err
    assert "Traceback" not in ran.err
    assert ran.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("call", [(), ("execute",)])
def test_a_group_alone_shows_its_help(call: tuple[str, ...]) -> None:
    ran = geosite(*call)
    asked = geosite(*call, "--help")
    assert (ran.status, asked.status) == (2, 0)
    assert (ran.out, ran.err) == ("", asked.out)
    assert "Example:" in ran.err


def test_all_faults_of_a_call_come_together() -> None:
    ran = geosite(
        "execute", "interpolate-elevation", "--points", "none.csv", "--cell-size", "-1",
        "--extent", "-1,0,1", "--method", "tim", "--out", "x",
    )  # fmt: skip
    assert ran.status == 2
    assert ran.err.count("\n") == 4


def test_a_survey_that_cannot_be_right_is_status_3(tmp_path: Path) -> None:
    shutil.copytree(FERRY, tmp_path / "site")
    text = (tmp_path / "site/site.toml").read_text()
    strict = text.replace("closure_limit = 300 ", "closure_limit = 300000 ")
    assert strict != text
    (tmp_path / "site/site.toml").write_text(strict)
    ran = geosite("build", tmp_path / "site/site.toml", "--out", tmp_path / "out")
    assert ran.status == 3
    assert "field_book.csv" in ran.err
    assert not (tmp_path / "out").exists()
    assert geosite("check", tmp_path / "site/site.toml").status == 3


def test_a_field_book_with_faults_names_every_row(tmp_path: Path) -> None:
    geosite("new", tmp_path / "yard")
    book = tmp_path / "yard/field_book.csv"
    rows = book.read_text().splitlines()
    for line, word in ((4, "x"), (9, "nan")):
        cells = rows[line - 1].split(",")
        rows[line - 1] = ",".join([*cells[:2], word, *cells[3:]])
    book.write_text("\n".join(rows))
    ran = geosite("build", tmp_path / "yard/site.toml", "--out", tmp_path / "out")
    assert ran.status == 2
    assert "field_book.csv:4:" in ran.err
    assert "field_book.csv:9:" in ran.err


def test_problems_are_json_too_where_json_was_asked_for(tmp_path: Path) -> None:
    geosite("new", tmp_path / "yard")
    book = tmp_path / "yard/field_book.csv"
    book.write_text(book.read_text().replace("morning,A3,", "morning,A3,x"))
    ran = geosite("check", tmp_path / "yard/site.toml", "--json")
    assert ran.status == 2
    (problem,) = json.loads(ran.out)["problems"]
    assert (problem["file"], problem["line"]) == (str(book), 6)
    assert problem["expected"] == "a number"


def test_output_that_cannot_be_written_is_status_4(yard: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    ran = geosite("build", yard / "site.toml", "--out", tmp_path / "file")
    assert ran.status == 4
    assert (tmp_path / "file").read_text() == "mine"
    assert geosite("build", yard / "site.toml", "--out", tmp_path / "file/sub").status == 4


def test_help_of_every_command_has_an_example_and_fits_the_screen() -> None:
    top = geosite("--help")
    assert top.status == 0
    names = [
        line.split()[0]
        for line in top.out.split("Commands:\n")[1].splitlines()[:20]
        if line.strip()
    ]
    commands = names[: names.index("Example:")]
    assert {"build", "check", "new", "list", "describe", "execute"} <= set(commands)
    for name in commands:
        text = geosite(name, "--help").out
        assert "Example:" in text, name
        assert f"geosite {name}" in text.split("Example:")[1], name
        assert max(map(len, text.splitlines())) <= 110, name


def test_the_version() -> None:
    assert geosite("--version").out == f"geosite {__version__}\n"


def test_a_bug_is_one_line_and_the_trace_goes_to_a_file_on_request(
    yard: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(notes: object) -> None:
        raise ZeroDivisionError("an invented bug")

    monkeypatch.setattr("geosite.build.check", fails)
    monkeypatch.delenv("GEOSITE_DEBUG", raising=False)
    ran = geosite("check", yard / "site.toml")
    assert (ran.status, ran.out) == (1, "")
    assert ran.err.count("\n") == 1
    assert "bug in geosite (ZeroDivisionError: an invented bug)" in ran.err
    assert "GEOSITE_DEBUG=trace.txt" in ran.err
    trace = tmp_path / "trace.txt"
    monkeypatch.setenv("GEOSITE_DEBUG", str(trace))
    ran = geosite("check", yard / "site.toml")
    assert str(trace) in ran.err
    assert ran.err.count("\n") == 1
    assert "ZeroDivisionError" in trace.read_text()
    monkeypatch.setenv("GEOSITE_DEBUG", str(tmp_path / "none/trace.txt"))
    assert "cannot be written" in geosite("check", yard / "site.toml").err


def test_no_memory_is_said_plainly(yard: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(notes: object) -> None:
        raise MemoryError

    monkeypatch.setattr("geosite.build.check", fails)
    ran = geosite("check", yard / "site.toml")
    assert (ran.status, ran.err.count("\n")) == (4, 1)


def test_paths_with_blanks_and_foreign_letters(tmp_path: Path) -> None:
    folder = tmp_path / "Fähr hafen ⚓"
    assert geosite("new", folder).status == 0
    ran = geosite(
        "execute", "check-survey", "--site", folder / "site.toml", "--out", folder / "o ü"
    )
    assert Path(json.loads(ran.out)["report"]["href"]).is_file()
    assert os.listdir(folder / "o ü") == ["report.json"]


def test_no_geometry_and_no_numbers_are_computed_in_the_command() -> None:
    heavy = ("numpy", "shapely", "pyproj", "rasterio", "fiona", "scipy", "math")
    for path in (ROOT / "cli/geosite_cli").glob("*.py"):
        imported = [
            line.split()[1].split(".")[0]
            for line in path.read_text().splitlines()
            if line.strip().startswith(("import ", "from "))
        ]
        assert not set(imported) & set(heavy), path
