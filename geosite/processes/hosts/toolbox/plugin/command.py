"""Finding and running the geosite command; knows nothing of the desktop.

The command runs as a process of its own: the desktop's Python has another GDAL and PROJ, whose
settings must not reach it.
"""

from __future__ import annotations

import json
import os
import queue
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

__all__ = ["CommandError", "find_command", "list_processes", "run"]

# what the desktop sets for its own Python, GDAL, PROJ and window system
_OURS_ALONE = (
    "PYTHONHOME",
    "PYTHONPATH",
    "PROJ_DATA",
    "PROJ_LIB",
    "GDAL_DATA",
    "GDAL_DRIVER_PATH",
    "GDAL_PAM_PROXY_DIR",
    "LD_LIBRARY_PATH",
    "QT_PLUGIN_PATH",
)
PROGRESS = "progress "
"""How a line of progress begins: a share from 0 to 1 and a few words follow."""


class CommandError(Exception):
    """The command cannot be run, or refused; the text is for the reader, a line per problem."""


def find_command() -> str:
    """Return the path of the command where one of the usual places has it, else nothing."""
    given = os.environ.get("GEOSITE_COMMAND", "")
    if given:
        return given
    found = shutil.which("geosite")
    if found:
        return found
    name = "geosite.exe" if os.name == "nt" else "geosite"
    return next((str(path / name) for path in _places() if (path / name).is_file()), "")


def _places() -> Iterator[Path]:
    home = Path.home()
    yield home / ".local" / "bin"
    yield home / "geosite" / ("Scripts" if os.name == "nt" else "bin")
    if os.name == "nt":
        for root in (os.environ.get("APPDATA"), os.environ.get("LOCALAPPDATA")):
            if root:
                yield from sorted(Path(root).glob("Python/Python3*/Scripts"), reverse=True)
                yield from sorted(Path(root).glob("Programs/Python/Python3*/Scripts"), reverse=True)
    if sys.platform == "darwin":
        yield from sorted((home / "Library/Python").glob("3.*/bin"), reverse=True)
        yield Path("/opt/homebrew/bin")
    yield Path("/usr/local/bin")


def _environment() -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name not in _OURS_ALONE}
    return {**kept, "GEOSITE_PROGRESS": "lines", "PYTHONUTF8": "1", "NO_COLOR": "1"}


def _no_window() -> int:
    return getattr(subprocess, "CREATE_NO_WINDOW", 0)


def list_processes(command: str, seconds: float = 60.0) -> list[dict[str, Any]]:
    """Return the description of every process that the command knows.

    Raises
    ------
    CommandError
        The command is not there, does not answer, or is no geosite.
    """
    if not command:
        raise CommandError("the geosite command was not found; set its path in the options")
    try:
        done = subprocess.run(
            [command, "list", "--json", "--full"],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=seconds,
            env=_environment(),
            creationflags=_no_window(),
        )
        processes = json.loads(done.stdout)["processes"]
        return [one for one in processes if one["id"] and one["inputs"] and one["outputs"]]
    except (OSError, ValueError, KeyError, TypeError, subprocess.TimeoutExpired) as error:
        reason = getattr(error, "strerror", None) or "no list of processes came from it"
        raise CommandError(f"{command}: {reason}; set its path in the options") from error


def run(
    command: str,
    process: str,
    inputs: Mapping[str, Any],
    out: str,
    *,
    said: Callable[[str], None],
    progress: Callable[[float, str], None],
    cancelled: Callable[[], bool],
) -> dict[str, dict[str, str]]:
    """Run one process and return its outputs: ``{id: {"href": path, "type": media type}}``.

    Parameters
    ----------
    inputs
        By id, as the execute request of OGC API - Processes has them.
    said
        Called with each line that the command prints beside its result.
    progress
        Called with a share from 0 to 1 and a few words.
    cancelled
        Asked ten times a second.

    Raises
    ------
    CommandError
        With what the command said, a line per problem; empty where it was cancelled.
    """
    words = [command, "execute", process, "--request", "-", "--out", out]
    try:
        running = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
            env=_environment(),
            creationflags=_no_window(),
        )
    except OSError as error:
        raise CommandError(f"{command}: {error.strerror}; set its path in the options") from error
    with running:
        lines: queue.Queue[tuple[str, str]] = queue.Queue()
        readers = [
            threading.Thread(target=_read, args=(stream, name, lines), daemon=True)
            for name, stream in (("out", running.stdout), ("err", running.stderr))
        ]
        for reader in readers:
            reader.start()
        try:
            assert running.stdin is not None
            running.stdin.write(json.dumps({"inputs": dict(inputs)}))
            running.stdin.close()
        except OSError:
            pass  # it ended before it read: what it said tells why
        result, problems = _follow(running, readers, lines, (said, progress, cancelled))
    if running.returncode:
        raise CommandError("\n".join(problems) or f"{process} ended with {running.returncode}")
    try:
        made: dict[str, dict[str, str]] = json.loads(result)
    except ValueError as error:
        raise CommandError(f"{process} gave no list of results") from error
    return made


def _read(stream: Any, name: str, lines: queue.Queue[tuple[str, str]]) -> None:
    for line in stream:
        lines.put((name, line.rstrip("\r\n")))


def _follow(
    running: subprocess.Popen[str],
    readers: Sequence[threading.Thread],
    lines: queue.Queue[tuple[str, str]],
    tell: tuple[Callable[[str], None], Callable[[float, str], None], Callable[[], bool]],
) -> tuple[str, list[str]]:
    """Pass on what the command says until it ends; return its result and its problems."""
    said, progress, cancelled = tell
    result: list[str] = []
    problems: list[str] = []
    while any(reader.is_alive() for reader in readers) or not lines.empty():
        if cancelled():
            _end(running)
            raise CommandError("")
        try:
            name, line = lines.get(timeout=0.1)
        except queue.Empty:
            continue
        if name == "out":
            result.append(line)
        elif line.startswith(PROGRESS):
            share, _, words = line.removeprefix(PROGRESS).partition(" ")
            progress(float(share), words)
        else:
            problems.append(line)
            said(line)
    return "\n".join(result), problems


def _end(running: subprocess.Popen[str]) -> None:
    """Ask it to stop, so that it clears away what is half done; insist after three seconds."""
    running.terminate()
    until = time.monotonic() + 3.0
    while running.poll() is None and time.monotonic() < until:
        time.sleep(0.05)
    if running.poll() is None:
        running.kill()
