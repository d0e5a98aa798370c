"""No command opens a socket, and no copy of its process does."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from quick_landing import quick_landing

from geosite.base.shared_work import processors

pytestmark = pytest.mark.slow

PROCESSORS = processors()
"""Those that a command has; the tests' own process counts one (`conftest.py`)."""
COMMAND = Path(sys.executable).with_name("geosite")

# Imported by every Python process that has its folder on the path, before anything else; copies
# of the process keep the hook. What a library would do on its own in C is not seen by it.
WATCH = """
import json, os, sys

def watch(event, values):
    if event.startswith("socket.") or event in ("os.fork", "os.posix_spawn", "subprocess.Popen"):
        with open(os.environ["WATCH_LOG"], "a") as log:
            log.write(json.dumps([event, os.getpid(), repr(values)[:200]]) + "\\n")
        if event.startswith("socket."):
            raise ConnectionRefusedError(event)

sys.addaudithook(watch)
"""


def watched(folder: Path, *words: object, **more: str) -> tuple[int, list[list[str]]]:
    """Run a process under watch; return its status and the events."""
    (folder / "hook").mkdir(exist_ok=True)
    (folder / "hook" / "sitecustomize.py").write_text(WATCH)
    log = folder / "events.jsonl"
    log.write_text("")
    surroundings = {"PYTHONPATH": str(folder / "hook"), "WATCH_LOG": str(log), **more}
    done = subprocess.run(
        list(map(str, words)),
        env={**os.environ, **surroundings},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done.returncode, [json.loads(line) for line in log.read_text().splitlines()]


def test_the_watch_sees_sockets_in_copies_too(tmp_path: Path) -> None:
    if sys.platform != "linux":
        pytest.skip("forks")
    script = "import os, socket\nif os.fork() == 0: socket.getaddrinfo('localhost', 9)\nos.wait()"
    _, events = watched(tmp_path, sys.executable, "-W", "ignore", "-c", script)
    assert [event[0] for event in events] == ["os.fork", "socket.getaddrinfo"]
    assert events[0][1] != events[1][1]


@pytest.mark.parametrize("surroundings", [{}, {"PROJ_NETWORK": "ON"}], ids=["usual", "PROJ asked"])
def test_a_build_opens_no_socket(tmp_path: Path, surroundings: dict[str, str]) -> None:
    site, out = quick_landing(tmp_path / "landing"), tmp_path / "map"
    status, events = watched(tmp_path, COMMAND, "build", site, "--out", out, **surroundings)
    assert status == 0
    assert (out / "site.dxf").is_file()
    assert [event for event in events if event[0].startswith("socket.")] == []
    if sys.platform == "linux" and PROCESSORS > 1:
        # the copies that read the parcel map, drain the 20 grounds of the site and of its design,
        # build the design, share its earthworks and write the files were there and watched
        draining = min(PROCESSORS, 10) - 1
        assert {event[0] for event in events} == {"os.fork"}
        assert len(events) >= 5 + 2 * draining


def test_no_other_command_opens_one(tmp_path: Path) -> None:
    table = tmp_path / "points.csv"
    rows = "".join(f"{512300 + i},{5276100 + i * i % 7},{i}\n" for i in range(9))
    table.write_text(f"easting,northing,elevation\n{rows}")
    interpolate = ("execute", "interpolate-elevation", "--points", table, "--crs", "EPSG:25832")
    for words in (
        ("new", tmp_path / "yard"),
        ("check", tmp_path / "yard" / "site.toml"),
        ("list",),
        ("describe", "derive-slope"),
        (*interpolate, "--out", tmp_path / "dem"),
        (
            *("execute", "derive-slope", "--elevation", tmp_path / "dem" / "elevation.tif"),
            *("--out", tmp_path / "slope"),
        ),
    ):
        status, events = watched(tmp_path, COMMAND, *words)
        copies = 0
        if sys.platform == "linux" and words[0] == "check":
            # the 200 grounds that the section of the starter reads are drawn, 40 or more by each
            copies = min(PROCESSORS, 5) - 1
        elif sys.platform == "linux" and words[:2] == ("execute", "derive-slope"):
            copies = 1  # tries the raster first
        assert (status, [event[0] for event in events]) == (0, ["os.fork"] * copies)
