"""The command in a process of its own: start-up, surroundings, signals, pipes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from cli_runner import geosite, geosite_process
from quick_landing import draw_few, quick_jetty

COMMAND = [sys.executable, "-m", "geosite_cli"]
HEAVY = {"numpy", "scipy", "shapely", "pyproj", "fiona", "rasterio", "jsonschema", "msgspec"}


@pytest.fixture(scope="module")
def jetty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site file that is built quickly."""
    return quick_jetty(tmp_path_factory.mktemp("jetty") / "site", lean=True)


@pytest.mark.parametrize("call", [["--help"], ["list"], ["describe", "derive-slope"]])
def test_help_and_list_import_nothing_heavy(call: list[str]) -> None:
    code = (
        "import sys, contextlib, io\n"
        "from geosite_cli.main import main\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):\n"
        f"    main({call!r})\n"
        "print(*{name.split('.')[0] for name in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "geosite_cli" in loaded
    assert not loaded & HEAVY


@pytest.mark.slow
def test_bare_surroundings(tmp_path: Path) -> None:
    """No HOME, the C locale, another program's PROJ and GDAL data, no terminal."""
    env = {
        "PATH": os.environ["PATH"],
        "LC_ALL": "C",
        "PROJ_DATA": str(tmp_path),
        "PROJ_LIB": str(tmp_path),
        "GDAL_DATA": str(tmp_path),
        "PYTHONWARNINGS": "error",
    }
    out = tmp_path / "map"
    assert geosite("new", tmp_path / "yard").status == 0
    draw_few(tmp_path / "yard/site.toml")
    ran = geosite_process("build", tmp_path / "yard/site.toml", "--out", out, env=env)
    assert ran.err == ""
    assert ran.status == 0
    points = out / "site.gpkg"
    ran = geosite_process(
        *("execute", "interpolate-elevation", "--points", points, "--out", tmp_path / "e"),
        "--json",
        env=env,
    )
    assert (ran.status, ran.err) == (0, "")
    assert json.loads(ran.out)


def test_a_terminal_without_the_letters_gets_escapes(tmp_path: Path) -> None:
    env = os.environ | {"PYTHONIOENCODING": "iso-8859-1"}
    ran = geosite_process("check", "Anker-⚓.toml", env=env, cwd=tmp_path)
    assert ran.status == 2
    assert "Anker-\\u2693.toml" in ran.err
    assert "Traceback" not in ran.err


def test_a_reader_that_leaves_early_is_no_error() -> None:
    child = subprocess.Popen([*COMMAND, "list"], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    said = child.stderr.read()
    assert child.wait(60) == 141
    assert said == b""
    child.stderr.close()


def test_standard_output_on_a_full_disk() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*COMMAND, "list"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 4
    assert done.stderr.count("\n") == 1
    assert "standard output cannot be written" in done.stderr


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "status", "words"),
    [(signal.SIGINT, 130, "interrupted"), (signal.SIGTERM, 143, "")],
)
def test_an_interrupted_run_leaves_nothing_behind(
    tmp_path: Path, jetty: Path, number: signal.Signals, status: int, words: str
) -> None:
    code = (
        "import sys, time\n"
        "import geosite.handover.folder.write as write\n"
        "def slow(out, *given):\n"
        "    (out / 'half.txt').write_text('half')\n"
        "    print('writing', file=sys.stderr, flush=True)\n"
        "    time.sleep(60)\n"
        "write.write_into = slow\n"
        "from geosite_cli.main import main\n"
        f"main(['build', {str(jetty)!r}, '--out', {str(tmp_path / 'map')!r}])\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
    assert child.stderr is not None
    assert child.stderr.readline() == "writing\n"
    assert list(tmp_path.iterdir())  # half-written beside its place
    child.send_signal(number)
    said = child.stderr.read()
    child.stderr.close()
    assert child.wait(60) == status
    assert words in said
    assert said.count("\n") == (1 if words else 0)
    assert list(tmp_path.iterdir()) == []


INTERRUPTED = "geosite: interrupted; nothing half-written was left\n"


@pytest.mark.slow
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupt_that_a_library_swallowed_counts(
    tmp_path: Path, jetty: Path, number: signal.Signals, status: int
) -> None:
    code = (
        "import os, sys\n"
        "import geosite.handover.folder.write as write\n"
        "whole = write.write_into\n"
        "class Callback:\n"
        "    def __del__(self):\n"
        f"        os.kill(os.getpid(), {int(number)})\n"
        "def deaf(*given):\n"
        "    done = whole(*given)\n"
        "    sys.unraisablehook = lambda _: None\n"
        "    Callback()\n"
        "    return done\n"
        "write.write_into = deaf\n"
        "from geosite_cli.main import main\n"
        f"main(['build', {str(jetty)!r}, '--out', {str(tmp_path / 'map')!r}])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == status
    assert done.stderr == ("" if status == 143 else INTERRUPTED)
    assert list(tmp_path.iterdir()) == []


def on_a_terminal(arguments: list[str], env: dict[str, str]) -> str:
    """Run the command on a pseudo-terminal and return everything it shows."""
    leader, follower = pytest.importorskip("pty").openpty()
    child = subprocess.Popen(
        [*COMMAND, *arguments], stdout=follower, stderr=follower, stdin=follower, env=env
    )
    os.close(follower)
    shown = b""
    while True:
        try:
            part = os.read(leader, 65536)
        except OSError:
            break
        if not part:
            break
        shown += part
    os.close(leader)
    assert child.wait(60) == 0
    return shown.decode()


@pytest.mark.slow
def test_colour_and_progress_on_a_terminal_only(tmp_path: Path) -> None:
    assert geosite("new", tmp_path / "yard").status == 0
    site = tmp_path / "yard/site.toml"
    with site.open("a") as stream:
        stream.write("[handover]\nplan = false\nviewer = false\ndxf = false\n")
    draw_few(site)
    check = ["check", str(site)]
    build = ["build", str(site), "--out", str(tmp_path / "map")]
    env = {name: v for name, v in os.environ.items() if name != "NO_COLOR"} | {"TERM": "xterm"}
    shown = on_a_terminal(build, env)
    assert "\x1b[1m" in shown
    assert "\x1b[32m" in shown
    assert "[##" in shown
    plain = on_a_terminal(check, env | {"NO_COLOR": "1"})
    assert "\x1b[1m" not in plain
    assert "\x1b[32m" not in plain
    dumb = on_a_terminal(build, env | {"TERM": "dumb"})
    assert "\x1b" not in dumb
    piped = geosite_process(*check, env=env)
    assert "\x1b" not in piped.out + piped.err
    assert "[##" not in piped.err
