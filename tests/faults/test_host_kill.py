"""A host that is killed starts again, knows its jobs, and leaves no run behind."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

if sys.platform != "linux":
    pytest.skip("looks at the processes of Linux", allow_module_level=True)

TRUTH = Path(__file__).resolve().parents[2] / "sample_data" / "ferry_landing" / "truth.csv"


def start(folder: Path) -> tuple[subprocess.Popen[str], str, str]:
    host = subprocess.Popen(
        [sys.executable, "-m", "geosite_cli", "serve", "--folder", folder, "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert host.stdout is not None
    url = host.stdout.readline().strip()
    if not url:
        assert host.stderr is not None
        raise AssertionError(host.stderr.read())
    return host, url, host.stdout.readline().strip().removeprefix("token: ")


def end(host: subprocess.Popen[str], number: signal.Signals) -> None:
    host.send_signal(number)
    host.communicate(timeout=30)


def ask(url: str, token: str, body: Any = None) -> Any:
    headers = {"Content-Type": "application/json", "Prefer": "respond-async"}
    headers["Authorization"] = f"Bearer {token}"
    data = None if body is None else json.dumps(body).encode()
    with urllib.request.urlopen(urllib.request.Request(url, data, headers), timeout=60) as answer:
        return json.loads(answer.read())


def runs_in(folder: Path) -> list[int]:
    """Return the processes that work on jobs of a folder."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cwd"):
        try:
            if path.resolve() == folder and b"hosts.job" in (path.parent / "cmdline").read_bytes():
                found.append(int(path.parent.name))
        except OSError:
            continue
    return found


@pytest.mark.slow
def test_kills_while_jobs_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # by which its runs are known
    folder = tmp_path / "served"
    (folder / "uploads").mkdir(parents=True)
    (folder / "uploads" / "points.csv").write_bytes(TRUTH.read_bytes())
    inputs = {"points": "uploads/points.csv", "crs": "EPSG:25832", "cell_size": 0.05}
    chance = random.Random(4)
    asked: set[str] = set()
    for _ in range(6):
        host, url, token = start(folder)
        for _ in range(3):
            job = ask(f"{url}/processes/interpolate-elevation/execution", token, {"inputs": inputs})
            asked.add(job["jobID"])
        time.sleep(chance.uniform(0, 3.0))
        end(host, signal.SIGKILL)
        deadline = time.monotonic() + 0.5
        while runs_in(tmp_path) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert runs_in(tmp_path) == []
    host, url, token = start(folder)
    jobs = ask(f"{url}/jobs?f=json", token)["jobs"]
    assert {job["jobID"] for job in jobs} == asked
    states = {job["jobID"]: job["status"] for job in jobs}
    assert set(states.values()) <= {"successful", "failed"}
    for name, state in states.items():
        raster = folder / "jobs" / name / "results" / "elevation.tif"
        assert raster.is_file() == (state == "successful")
    assert sorted(path.name for path in (folder / "jobs").iterdir()) == sorted(
        name for name, state in states.items() if state == "successful"
    )
    end(host, signal.SIGINT)
