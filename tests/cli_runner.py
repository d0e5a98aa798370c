"""Running the command: in this process (fast), in a copy of it (nearly as fast), in one of its own.

A copy has its own folder, limits and locks, and what libraries write past Python's streams is seen.
Only what a start shows (surroundings, imports, signals) needs a process that starts.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import os
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NoReturn

import pytest

from geosite_cli.main import main

ROOT = Path(__file__).parents[1]
FERRY = ROOT / "sample_data/ferry_landing"
FSYNC = os.fsync
"""Waits for the disk, as a copy does; the tests' own process does not (`conftest.py`)."""


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str


def geosite(*arguments: object) -> Ran:
    """Run the command in this process."""
    out, err = io.StringIO(), io.StringIO()
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            pytest.raises(SystemExit) as left,
        ):
            main([str(argument) for argument in arguments])
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return Ran(int(left.value.code or 0), out.getvalue(), err.getvalue())


def geosite_copy(
    *arguments: object, cwd: Path | None = None, largest: int | None = None, **env: str
) -> Ran:
    """Run the command in a copy of this process.

    Parameters
    ----------
    arguments
    cwd
        The folder it runs in.
    largest
        Bytes of the largest file that it may write, any size where left out.
    env
        What its environment has beside that of this process.
    """
    if not hasattr(os, "fork"):
        assert largest is None
        return geosite_process(*arguments, cwd=cwd, env=os.environ | env)
    # so that each copy need not load it anew
    importlib.import_module("geosite.processes.hosts.preloaded")
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        with warnings.catch_warnings():
            # threads that pass on what tests say, which wait; newer versions of Python warn of them
            warnings.simplefilter("ignore", DeprecationWarning)
            copy = os.fork()
        if copy == 0:
            _as_a_copy([str(one) for one in arguments], (out, err), cwd, largest, env)
        until = time.monotonic() + 120
        while not (ended := os.waitpid(copy, os.WNOHANG))[0]:
            if time.monotonic() > until:
                os.kill(copy, signal.SIGKILL)
            time.sleep(0.005)
        out.seek(0)
        err.seek(0)
        said = [stream.read().decode("utf-8") for stream in (out, err)]
    return Ran(os.waitstatus_to_exitcode(ended[1]), *said)


def _as_a_copy(
    arguments: list[str],
    streams: tuple[IO[bytes], IO[bytes]],
    cwd: Path | None,
    largest: int | None,
    env: dict[str, str],
) -> NoReturn:
    status: Any = 1
    try:
        for number, stream in enumerate(streams, 1):
            os.dup2(stream.fileno(), number)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False, buffering=1)
        os.fsync = FSYNC
        os.environ.update(env)
        if cwd is not None:
            os.chdir(cwd)
        if largest is not None:
            import resource

            resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest))
        main(arguments)
    except SystemExit as left:
        status = left.code or 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def geosite_process(
    *arguments: object, env: dict[str, str] | None = None, cwd: Path | None = None
) -> Ran:
    """Run the command in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "geosite_cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONWARNINGS": "error"} if env is None else env,
        cwd=cwd,
        timeout=120,
        check=False,
    )
    return Ran(done.returncode, done.stdout, done.stderr)
