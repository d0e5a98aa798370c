"""The toolbox plug-in where no desktop is needed: zip, forms, and how it runs the command."""

from __future__ import annotations

import sys
import time
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest
from cli_runner import FERRY, geosite

from geosite.processes.description import describe
from geosite.processes.hosts.toolbox.plugin import command, parameters
from geosite.processes.registry import processes


@pytest.fixture
def program(tmp_path: Path) -> str:
    path = tmp_path / "geosite"
    path.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m geosite_cli "$@"\n')
    path.chmod(0o755)
    return str(path)


def test_the_zip_holds_one_folder_that_the_desktop_installs(tmp_path: Path) -> None:
    ran = geosite("toolbox", "--out", tmp_path / "a.zip")
    assert ran.status == 0
    assert geosite("toolbox", "--out", tmp_path / "deep/b.zip").status == 0
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "deep/b.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        names = archive.namelist()
        assert {name.split("/")[0] for name in names} == {"geosite_toolbox"}
        about = archive.read("geosite_toolbox/metadata.txt").decode()
        assert "hasProcessingProvider=yes" in about
        assert "VERSION" not in about.split("description=")[1]
        for name in names:
            if name.endswith(".py"):
                compile(archive.read(name), name, "exec")


def test_another_name_than_a_zip_files_is_refused(tmp_path: Path) -> None:
    ran = geosite("toolbox", "--out", tmp_path / "x.txt")
    assert ran.status == 4
    assert "write --out x.zip" in ran.err
    assert not list(tmp_path.iterdir())


def test_a_file_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    ran = geosite("toolbox", "--out", tmp_path / "file/toolbox.zip")
    assert ran.status == 4
    assert len(ran.err.splitlines()) == 1


@pytest.mark.parametrize("name", list(processes().processes))
def test_every_input_of_every_process_has_a_field(name: str) -> None:
    process = processes().processes[name]
    fields = parameters.parameters(describe(process))
    assert {field.id for field in fields} == {given.id for given in process.inputs}
    needed = [not field.optional for field in fields]
    assert needed == sorted(needed, reverse=True)
    for field in fields:
        assert field.kind != "json", field.id
        assert field.title
        assert field.help


@pytest.mark.slow
def test_the_command_lists_and_runs(program: str, tmp_path: Path) -> None:
    listed = command.list_processes(program)
    assert [one["id"] for one in listed] == list(processes().processes)
    shares: list[float] = []
    made = command.run(
        program,
        "interpolate-elevation",
        {"points": str(FERRY / "truth.csv"), "crs": "EPSG:25832", "cell_size": 1.0},
        str(tmp_path / "out"),
        said=lambda line: None,
        progress=lambda share, words: shares.append(share),
        cancelled=lambda: False,
    )
    assert Path(made["elevation"]["href"]).is_file()
    assert (tmp_path / "out/elevation.qml").is_file()  # the desktop's look lies beside it
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


@pytest.mark.slow
def test_refusals_come_with_the_title_of_the_field(program: str, tmp_path: Path) -> None:
    with pytest.raises(command.CommandError) as refused:
        command.run(
            program,
            "interpolate-elevation",
            {"points": str(tmp_path / "none.csv"), "cell_size": -1.0},
            str(tmp_path / "out"),
            said=lambda line: None,
            progress=lambda share, words: None,
            cancelled=lambda: False,
        )
    fields = parameters.parameters(describe(processes().processes["interpolate-elevation"]))
    told = parameters.at_parameters(str(refused.value).splitlines(), fields)
    assert sorted(line.split(":")[0] for line in told) == ["Cell size", "Points with elevations"]
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_cancelled_run_ends_and_leaves_nothing(program: str, tmp_path: Path) -> None:
    begun = time.monotonic()
    with pytest.raises(command.CommandError, match=r"^$"):
        command.run(
            program,
            "build-site",
            {"site": str(FERRY / "site.toml")},
            str(tmp_path / "out"),
            said=lambda line: None,
            progress=lambda share, words: None,
            cancelled=lambda: True,
        )
    assert time.monotonic() - begun < 5.0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["geosite"]


def test_without_a_command_the_reason_is_one_line(tmp_path: Path) -> None:
    for path in ("", str(tmp_path / "none"), sys.executable):
        with pytest.raises(command.CommandError, match="set its path in the options") as refused:
            command.list_processes(path)
        assert "\n" not in str(refused.value)


def test_the_desktops_own_settings_do_not_reach_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = tmp_path / "geosite"
    script.write_text('#!/bin/sh\necho "{\\"seen\\": {\\"href\\": \\"$PROJ_LIB$PYTHONHOME\\"}}"\n')
    script.chmod(0o755)
    monkeypatch.setenv("PROJ_LIB", "/elsewhere")
    monkeypatch.setenv("PYTHONHOME", "/elsewhere")
    made = command.run(
        str(script), "x", {}, str(tmp_path), said=print, progress=lambda share, words: None,
        cancelled=lambda: False,
    )  # fmt: skip
    assert made == {"seen": {"href": ""}}


def test_the_command_is_found_where_it_usually_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("GEOSITE_COMMAND", raising=False)
    monkeypatch.setenv("PATH", "")
    monkeypatch.setenv("HOME", str(tmp_path))
    usual = tmp_path / ".local/bin/geosite"
    usual.parent.mkdir(parents=True)
    usual.write_text("")
    assert command.find_command() == str(usual)
    monkeypatch.setenv("GEOSITE_COMMAND", "/given")
    assert command.find_command() == "/given"


@pytest.mark.parametrize(
    ("system", "platform", "places"),
    [
        ("posix", "linux", ["home/.local/bin/geosite", "home/geosite/bin/geosite"]),
        (
            "posix", "darwin",
            ["home/.local/bin/geosite", "home/geosite/bin/geosite",
             "home/Library/Python/3.13/bin/geosite", "home/Library/Python/3.12/bin/geosite"],
        ),
        (
            "nt", "win32",
            ["home/.local/bin/geosite.exe", "home/geosite/Scripts/geosite.exe",
             "roaming/Python/Python313/Scripts/geosite.exe",
             "roaming/Programs/Python/Python312/Scripts/geosite.exe",
             "local/Python/Python312/Scripts/geosite.exe",
             "local/Programs/Python/Python313/Scripts/geosite.exe"],
        ),
    ],
)  # fmt: skip
def test_each_system_has_its_usual_places_and_the_newest_comes_first(
    system: str,
    platform: str,
    places: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    folders = {"APPDATA": str(tmp_path / "roaming"), "LOCALAPPDATA": str(tmp_path / "local")}
    monkeypatch.setattr(command, "os", SimpleNamespace(name=system, environ=folders))
    monkeypatch.setattr(command, "sys", SimpleNamespace(platform=platform))
    monkeypatch.setattr(command.shutil, "which", lambda name: None)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for place in places:
        (tmp_path / place).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / place).write_text("")
    for other in ("home/.local/bin/geosite", "home/geosite/Scripts/geosite"):
        if other not in places:  # what another system would run
            (tmp_path / other).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / other).write_text("")
    for place in places:
        assert command.find_command() == str(tmp_path / place)
        (tmp_path / place).unlink()
    assert not Path(command.find_command()).is_relative_to(tmp_path / "home")


def test_a_command_that_does_not_stop_is_ended_after_three_seconds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [0.0]
    clock = SimpleNamespace(
        monotonic=lambda: now[0], sleep=lambda s: now.__setitem__(0, now[0] + s)
    )
    monkeypatch.setattr(command, "time", clock)
    script = tmp_path / "geosite"
    script.write_text("#!/bin/sh\ntrap '' TERM\necho begun >&2\nwhile :; do sleep 0.05; done\n")
    script.chmod(0o755)
    heard: list[str] = []
    with pytest.raises(command.CommandError, match=r"^$"):
        command.run(
            str(script), "x", {}, str(tmp_path), said=heard.append,
            progress=lambda share, words: None, cancelled=lambda: bool(heard),
        )  # fmt: skip
    assert 3.0 <= now[0] < 3.2


def test_a_command_that_is_asked_to_stop_clears_away_what_is_half_done(tmp_path: Path) -> None:
    half = tmp_path / "half"
    script = tmp_path / "geosite"
    script.write_text(
        f"#!/bin/sh\ntrap 'rm {half}; exit 1' TERM\ntouch {half}\necho begun >&2\n"
        "while :; do sleep 0.05; done\n"
    )
    script.chmod(0o755)
    heard: list[str] = []
    with pytest.raises(command.CommandError, match=r"^$"):
        command.run(
            str(script), "x", {}, str(tmp_path), said=heard.append,
            progress=lambda share, words: None, cancelled=lambda: bool(heard),
        )  # fmt: skip
    assert not half.exists()


def test_a_list_of_files_is_typed_with_commas() -> None:
    description = describe(processes().processes["calibrate-device"])
    (field,) = parameters.parameters(description)
    assert field.kind == "text"
    assert "commas" in field.help
    typed = parameters.to_input(
        "a/site.toml, b/site.toml", description["inputs"]["sites"]["schema"]
    )
    assert typed == ["a/site.toml", "b/site.toml"]


@pytest.mark.parametrize(
    ("name", "schema", "kind"),
    [
        (
            "dem",
            {"type": "string", "format": "path", "contentMediaType": "image/tiff; x"},
            "raster",
        ),
        ("site", {"type": "string", "format": "path", "contentMediaType": "text/csv"}, "file"),
        ("points", {"type": "string", "format": "path"}, "layer"),
        ("method", {"type": "string", "enum": ["tin", "idw"]}, "choice"),
        ("crs", {"type": "string"}, "crs"),
        ("target_crs", {"type": "string"}, "crs"),
        ("crsname", {"type": "string"}, "text"),
        ("extent", {"type": "array", "minItems": 4, "items": {"type": "number"}}, "extent"),
        ("extent", {"type": "array", "minItems": 2, "items": {"type": "number"}}, "json"),
        ("size", {"type": "number"}, "number"),
        ("count", {"type": "integer"}, "integer"),
        ("fast", {"type": "boolean"}, "boolean"),
        ("files", {"type": "array", "items": {"type": "string", "format": "path"}}, "text"),
        ("title", {"type": "string"}, "text"),
        ("more", {"type": "object"}, "json"),
    ],
)
def test_an_input_has_the_field_of_its_kind(name: str, schema: dict, kind: str) -> None:
    (field,) = parameters.parameters({"inputs": {name: {"schema": schema}}})
    assert (field.id, field.title, field.kind) == (name, name, kind)
    assert (field.optional, field.default) == (False, None)
    assert field.choices == tuple(schema.get("enum", ()))


def test_fields_come_as_in_the_example_and_what_may_stay_empty_last() -> None:
    inputs = {
        "last": {"minOccurs": 0, "schema": {"type": "number", "minimum": 1, "maximum": 9}},
        "unnamed": {"schema": {"type": "string"}},
        "second": {"schema": {"type": "string"}, "title": "Second", "description": "help"},
        "first": {"schema": {"type": "string", "default": "a"}},
        "optional": {"minOccurs": 0, "schema": {"type": "string"}},
    }
    example = {"inputs": {"first": 1, "second": 2, "optional": 3}}
    found = parameters.parameters({"inputs": inputs, "example": example})
    assert [one.id for one in found] == ["first", "second", "unnamed", "optional", "last"]
    by_id = {one.id: one for one in found}
    assert (by_id["second"].title, by_id["second"].help) == ("Second", "help")
    assert (by_id["last"].least, by_id["last"].most, by_id["last"].optional) == (1, 9, True)
    assert by_id["first"].default == "a"


@pytest.mark.parametrize(
    ("typed", "schema", "value"),
    [
        ("7", {"type": "string"}, "7"),
        ("1, 2.5,,", {"type": "array", "items": {"type": "integer"}}, [1.0, 2.5]),
        ("1, b", {"type": "array", "items": {"type": "number"}}, ["1", "b"]),
        ('{"a": [1]}', {"type": "object"}, {"a": [1]}),
        ("{broken", {"type": "object"}, "{broken"),
    ],
)
def test_what_is_typed_becomes_a_value_of_its_kind(typed: str, schema: dict, value: object) -> None:
    assert parameters.to_input(typed, schema) == value


def test_lines_of_the_command_name_their_fields() -> None:
    size = parameters.Parameter("cell_size", "Cell size", "", "number", True)
    points = parameters.Parameter("points", "Points", "", "layer", False)
    said = [
        "geosite: cell_size is -1; expected more than 0",
        'a/b: the points "x" are no layer',
        "the cell_sizes are wrong",
        "geosite: no disk space",
    ]
    assert parameters.at_parameters(said, [size, points]) == [
        "Cell size: cell_size is -1; expected more than 0",
        'Points: a/b: the points "x" are no layer',
        "the cell_sizes are wrong",
        "no disk space",
    ]


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("")
    for deep in ("notes/a.zip", "notes/deep/a.zip"):
        ran = geosite("toolbox", "--out", tmp_path / deep)
        assert (ran.status, ran.err.count("\n")) == (4, 1)
        assert f"cannot be written ({tmp_path / 'notes'} is a file, no folder)" in ran.err
