from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest

from geosite.base.errors import InputError, OutputRefused
from geosite.processes.registry import PlugInError, execute, find, processes

BUILT_IN = {
    "build-site",
    "check-survey",
    "derive-drainage",
    "derive-slope",
    "interpolate-elevation",
}

GOOD = """
from geosite.base.errors import InputError, Problem
from geosite.processes.model import Context, Input, Output, Process

def _run(inputs, context):
    print("said by the process")
    if inputs["word"] == "refuse":
        raise InputError(Problem("word", "the word is refuse", "another", "change it"))
    if inputs["word"] == "fail":
        raise ZeroDivisionError("nothing left")
    if inputs["word"] != "forget":
        (context.out / "echo.txt").write_text(inputs["word"])
    (context.out / "half.txt").write_text("half")
    context.progress(1.0, "done")
    return {"length": len(inputs["word"])}

PROCESS = Process(
    id="ID", version="1", title="Echo", description="Says it again.",
    inputs=(Input("word", "Word", "What to say", {"type": "string"}),),
    outputs=(Output("echo", "Echo", "The word.", "text/plain", "txt"),
             Output("rare", "Rare", "Never made.", "text/plain", "txt", always=False)),
    run=_run, example={"word": "hello"})
"""

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Put a package with entry points where Python finds it, as an installer would."""
    number = 0

    def put(package: str, code: str, **entries: str) -> None:
        nonlocal number
        number += 1
        # a name of its own per test, so that no module of an earlier one is found again
        module = f"{package.replace('-', '_')}_{abs(hash(str(tmp_path)))}"
        folder = tmp_path / f"site{number}"
        info = folder / f"{package.replace('-', '_')}-1.0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        rows = "".join(f"{name} = {module}:{what}\n" for name, what in entries.items())
        (info / "entry_points.txt").write_text(f"[geosite.processes]\n{rows}")
        (folder / f"{module}.py").write_text(textwrap.dedent(code))
        monkeypatch.syspath_prepend(str(folder))

    return put


def test_the_built_in_processes_come_by_entry_points() -> None:
    found = processes()
    assert set(found.processes) >= BUILT_IN
    assert {found.packages[name] for name in BUILT_IN} == {"geosite"}
    assert found.broken == ()


def test_a_process_of_another_package_is_found_and_run(
    install: Install, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    install("yard-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    assert processes().packages["say-it"] == "yard-tools"
    steps: list[float] = []
    out = tmp_path / "out"
    result = execute("say-it", {"word": "hi"}, out, progress=lambda share, _: steps.append(share))
    assert (out / "echo.txt").read_text() == "hi"
    assert result.outputs == {"echo": {"href": str(out / "echo.txt"), "type": "text/plain"}}
    assert result.summary == {"length": 2}
    assert steps == [1.0]
    said = capsys.readouterr()
    assert said.out == ""  # standard output is for results
    assert "said by the process" in said.err


BROKEN = {
    "import-fails": ("import no_such_module_at_all\nPROCESS = None", "No module named"),
    "leaves": ("raise SystemExit(3)", "SystemExit: 3"),
    "other-thing": ("PROCESS = 42", "int instead of"),
    "other-name": (GOOD.replace("ID", "another"), 'calls itself "another"'),
    "syntax": ("def (", "SyntaxError"),
    "attribute": ("OTHER = 1", "AttributeError"),
    "two-inputs": (
        GOOD.replace("ID", "two-inputs").replace('inputs=(Input("word"', 'inputs=(Input("out"'),
        "an option of geosite execute already",
    ),
    "Bad_Id": (GOOD.replace("ID", "Bad_Id"), "lower-case"),
    "input-id": (
        GOOD.replace("ID", "input-id").replace('Input("word"', 'Input("the-word"'),
        'the input id "the-word" is not lower-case words joined by underscores',
    ),
    "output-id": (
        GOOD.replace("ID", "output-id").replace('Output("rare"', 'Output("Rare"'),
        'the output id "Rare" is not lower-case words joined by underscores',
    ),
    "twice": (
        GOOD.replace("ID", "twice").replace('Output("rare"', 'Output("echo"'),
        'the output "echo" is there twice',
    ),
    "extension": (
        GOOD.replace("ID", "extension").replace('"text/plain", "txt")', '"text/plain", "../a")'),
        'the output "echo" has the extension "../a"',
    ),
    "no-run": (GOOD.replace("ID", "no-run").replace("run=_run", "run=7"), "run is not a function"),
    "no-schema": (
        GOOD.replace("ID", "no-schema").replace('{"type": "string"}', '"string"'),
        'the schema of the input "word" is no mapping',
    ),
    "long": ("raise ValueError('x' * 5000 + chr(10) + 'y')", "ValueError"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_one_is_listed_with_its_reason_and_harms_nothing_else(
    install: Install, name: str
) -> None:
    code, reason = BROKEN[name]
    install("bad-tools", code, **{name: "PROCESS"})
    install("yard-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    found = processes()
    assert set(found.processes) >= BUILT_IN | {"say-it"}
    (broken,) = found.broken
    assert (broken.id, broken.package) == (name, "bad-tools")
    assert reason in broken.reason
    assert "\n" not in broken.reason
    assert len(broken.reason) <= 300
    with pytest.raises(InputError, match="bad-tools cannot be used"):
        find(name)
    assert find("say-it").title == "Echo"


def test_an_id_that_is_taken_is_reported_and_the_first_one_stays(install: Install) -> None:
    install("a-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    install("b-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    install("c-tools", GOOD.replace("ID", "derive-slope"), **{"derive-slope": "PROCESS"})
    found = processes()
    assert found.packages["say-it"] == "a-tools"
    assert found.packages["derive-slope"] == "geosite"
    assert [(b.id, b.package, b.reason) for b in found.broken] == [
        ("derive-slope", "c-tools", "the id is taken by the package geosite"),
        ("say-it", "b-tools", "the id is taken by the package a-tools"),
    ]
    assert find("derive-slope").version == found.processes["derive-slope"].version


def test_running_one_process_loads_no_other(install: Install) -> None:
    install("bad-tools", "raise SystemExit('loaded')", bad="PROCESS")
    assert find("derive-slope").id == "derive-slope"


def test_an_unknown_id_gets_the_near_name() -> None:
    with pytest.raises(InputError, match='did you mean "derive-slope"'):
        find("derive-slop")


@pytest.mark.parametrize(
    ("word", "error"),
    [("refuse", InputError), ("fail", PlugInError), ("forget", PlugInError)],
)
def test_a_run_that_fails_leaves_the_folder_as_it_was(
    install: Install, tmp_path: Path, word: str, error: type[Exception]
) -> None:
    install("yard-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("mine")
    with pytest.raises(error):
        execute("say-it", {"word": word}, out)
    assert [path.name for path in out.iterdir()] == ["mine.txt"]
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    with pytest.raises(error):
        execute("say-it", {"word": word}, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_run_keeps_what_is_in_the_folder(install: Install, tmp_path: Path) -> None:
    install("yard-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / "out").mkdir()
    (tmp_path / "out/mine.txt").write_text("mine")
    execute("say-it", {"word": "one"}, tmp_path / "out")
    execute("say-it", {"word": "two"}, str(tmp_path / "out"))  # as all of geosite takes a path
    assert (tmp_path / "out/mine.txt").read_text() == "mine"
    assert (tmp_path / "out/echo.txt").read_text() == "two"


def test_an_output_that_cannot_be_written_is_refused(install: Install, tmp_path: Path) -> None:
    install("yard-tools", GOOD.replace("ID", "say-it"), **{"say-it": "PROCESS"})
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputRefused):
        execute("say-it", {"word": "x"}, tmp_path / "file")


def test_an_output_does_not_replace_what_is_read(install: Install, tmp_path: Path) -> None:
    reads = GOOD.replace("ID", "say-it").replace(
        '{"type": "string"}', '{"type": "string", "format": "path"}'
    )
    install("yard-tools", reads, **{"say-it": "PROCESS"})
    given = tmp_path / "echo.txt"
    given.write_text("mine")
    with pytest.raises(OutputRefused, match=r"the output echo\.txt would replace the input word"):
        execute("say-it", {"word": str(given)}, tmp_path)
    assert given.read_text() == "mine"
    assert [path.name for path in tmp_path.glob("*.txt")] == ["echo.txt"]
    # of the same name elsewhere, or read beside outputs of other names, it harms nothing
    result = execute("say-it", {"word": str(given)}, tmp_path / "out")
    assert Path(result.outputs["echo"]["href"]).read_text() == str(given)
    other = tmp_path / "other.txt"
    other.write_text("mine")
    execute("say-it", {"word": str(other)}, tmp_path / "out")
    assert other.read_text() == "mine"
