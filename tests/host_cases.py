"""A host in a process of its own, asked over HTTP."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any

POINTS = {"points": {"href": "uploads/points.csv"}, "crs": "EPSG:25832", "cell_size": 1}


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass(frozen=True)
class Host:
    url: str
    token: str
    folder: Path
    process: subprocess.Popen[str]

    def ask(
        self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None
    ) -> Answer:
        url = path if path.startswith("http") else self.url + path
        data = json.dumps(body).encode() if isinstance(body, dict | list) else body
        given = {"Authorization": f"Bearer {self.token}", **(headers or {})}
        asked = urllib.request.Request(url, data, given, method=method)
        try:
            with urllib.request.urlopen(asked, timeout=60) as answer:
                return Answer(answer.status, dict(answer.headers), answer.read())
        except urllib.error.HTTPError as answer:
            with answer:
                return Answer(answer.code, dict(answer.headers), answer.read())

    def run(self, process: str, inputs: Any, *, later: bool = False, **more: Any) -> Answer:
        headers = {"Content-Type": "application/json"}
        if later:
            headers["Prefer"] = "respond-async"
        return self.ask(
            "POST", f"/processes/{process}/execution", {"inputs": inputs, **more}, headers
        )

    def refer(self, process: str, inputs: Any, *outputs: str, later: bool = False) -> Answer:
        """Run, with references to the outputs in a document."""
        modes = {name: {"transmissionMode": "reference"} for name in outputs}
        return self.run(process, inputs, later=later, outputs=modes, response="document")

    def send(self, name: str, data: bytes) -> str:
        answer = self.ask("PUT", f"/files/uploads/{name}", data)
        assert answer.status == 201, answer.body
        return str(answer.json["href"])

    def wait(self, location: str) -> Any:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            job = self.ask("GET", f"{location}?f=json").json
            if job["status"] in ("successful", "failed"):
                return job
            time.sleep(0.05)
        raise AssertionError("the job does not end")

    def jobs(self) -> list[Any]:
        return list(self.ask("GET", "/jobs?f=json").json["jobs"])


def start(folder: Path, *options: str) -> Host:
    child = subprocess.Popen(
        [sys.executable, "-m", "geosite_cli", "serve", "--folder", folder, "--port", "0", *options],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stdout is not None
    url = child.stdout.readline().strip()
    if not url:
        assert child.stderr is not None
        raise AssertionError(child.stderr.read())
    token = child.stdout.readline().strip().removeprefix("token: ")
    return Host(url, token, folder, child)


def stop(host: Host, number: signal.Signals = signal.SIGINT) -> str:
    host.process.send_signal(number)
    _, said = host.process.communicate(timeout=30)
    return said
