"""Every example in the help is run as it is printed."""

from __future__ import annotations

import json
import shlex
import shutil
from pathlib import Path

import pytest
from cli_runner import FERRY, geosite
from quick_landing import fit_few_components, quick_samples

from geosite.processes.registry import processes

pytestmark = pytest.mark.slow

IDS = list(processes().processes)
COMMANDS = ["new", "check", "build", "verify", "list", "describe", "execute", "build-many"]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder in which a reader of the help stands: sample data, surveys, a map."""
    folder = tmp_path_factory.mktemp("examples")
    quick_samples(folder, lean=True)
    assert geosite("new", folder / "surveys/yard").status == 0
    points = ("--points", FERRY / "truth.csv", "--crs", "EPSG:25832+7837", "--cell-size", "0.5")
    ran = geosite("execute", "interpolate-elevation", *points, "--out", folder / "map")
    assert ran.status == 0
    return folder


def examples(*command: str) -> list[list[str]]:
    """Return the example calls that the help of a command prints."""
    text = geosite(*command, "--help").out.split("Example:")[1]
    lines = text.split("\n\n")[0].strip().splitlines()
    return [shlex.split(line)[1:] for line in lines if line.strip().startswith("geosite ")]


@pytest.mark.parametrize("process_id", IDS)
def test_the_example_of_every_process_runs(
    process_id: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    fit_few_components(monkeypatch)
    ((*call,),) = examples("execute", process_id)
    assert call[:2] == ["execute", process_id]
    ran = geosite(*call)
    assert ran.status == 0
    # words for people beside the answer
    assert ran.err.splitlines()
    answer = json.loads(ran.out)
    outputs = {made.id: made for made in processes().processes[process_id].outputs}
    assert {name for name, made in outputs.items() if made.always} <= set(answer)
    for name, made in answer.items():
        assert Path(made["href"]).stat().st_size > 0
        columns = [column.name for column in outputs[name].columns()]
        if columns:
            header = Path(made["href"]).read_text("utf-8-sig").partition("\n")[0]
            assert header.strip().split(",") == columns
    if "site" in processes().processes[process_id].example:
        return
    # none where a program asks
    assert geosite(*call, "--json").err == ""
    # the same request as a file
    request = {"inputs": dict(processes().processes[process_id].example)}
    Path("request.json").write_text(json.dumps(request))
    again = geosite("execute", process_id, "--request", "request.json", "--out", call[-1])
    assert json.loads(again.out) == answer


@pytest.mark.parametrize("command", COMMANDS)
def test_the_example_of_every_command_runs(
    command: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    # what an earlier example made for this one
    if command != "new" and not Path("yard").exists():
        assert geosite("new", "yard").status == 0
    if command == "verify" and not Path("yard/map").exists():
        assert geosite("build", "yard/site.toml", "--out", "yard/map").status == 0
    if command == "new":
        shutil.rmtree("yard", ignore_errors=True)
    calls = examples(command)
    assert calls
    for call in calls:
        assert call[0] == command
        ran = geosite(*call)
        # the words of a process stand beside its answer
        assert (ran.status, bool(ran.err)) == (0, command == "execute"), ran.err


def test_the_examples_of_the_command_itself_run(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    shutil.rmtree("yard", ignore_errors=True)
    for call in examples():
        assert geosite(*call).status == 0
