"""Running the command in this process (fast) or in one of its own (for what only that shows)."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from geosite_cli.main import main

ROOT = Path(__file__).parents[1]
FERRY = ROOT / "sample_data/ferry_landing"


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
