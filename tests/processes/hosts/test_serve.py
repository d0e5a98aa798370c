"""Starting the host and ending it: its port, its folder, its limits; and runs that fail."""

from __future__ import annotations

import io
import json
import socket
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from geosite.base.errors import InputError, OutputRefused, Problem
from geosite.processes import registry
from geosite.processes.hosts import job
from geosite.processes.registry import PlugInError

pygeoapi = pytest.importorskip("pygeoapi")
server = pytest.importorskip("waitress.server")

from geosite.processes.hosts.http import serve  # noqa: E402
from geosite.processes.hosts.jobs import Limits, Manager  # noqa: E402


def test_a_port_that_is_taken_and_a_folder_that_is_none_are_refused(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(InputError, match=f"the port {port} of this machine cannot be used"):
            serve(tmp_path / "served", port)
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputRefused, match="the folder cannot be made or written") as refused:
        serve(tmp_path / "file")
    assert refused.value.problems[0].file == str(tmp_path / "file")


def test_it_serves_within_its_limits_until_it_is_interrupted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[str, str]] = []
    ended: list[str] = []
    left = tmp_path / "served/.host/tmp12345"
    left.parent.mkdir(parents=True)
    left.write_text("an upload that a kill cut off")

    def create_server(application: Any, sockets: list[socket.socket], **options: Any) -> Any:
        (listener,) = sockets

        def run() -> None:
            ((url, token),) = told
            assert url == f"http://127.0.0.1:{listener.getsockname()[1]}"
            assert len(token) >= 32
            assert not left.exists()
            client = application.test_client()
            bearer = {"Authorization": f"Bearer {token}"}

            def ask(method: str, path: str, **more: Any) -> Any:
                return client.open(path, method=method, base_url=url, headers=bearer, **more)

            assert ask("GET", "/jobs").json["jobs"] == []
            assert client.get("/jobs", base_url=url).status_code == 401
            place = "/processes/derive-slope/execution"
            large = {"CONTENT_LENGTH": str(10_000_001)}
            refused = ask("POST", place, environ_overrides=large)
            assert refused.status_code == 413
            assert "a request of more than 10 MB" in refused.json["description"]
            assert ask("POST", place, data=b"[]").status_code == 400
            with pytest.raises(InputError, match="another host"):
                serve(tmp_path / "served", 0)

        assert options == {
            "threads": 3 + 5 + 8,  # all that run and wait, and some that answer meanwhile
            "connection_limit": 70,
            "channel_timeout": 1,
            "cleanup_interval": 1,
            "max_request_body_size": 12_345,
            "clear_untrusted_proxy_headers": True,
            "ident": None,
        }
        return SimpleNamespace(run=run, close=lambda: ended.append("the server"))

    monkeypatch.setattr(server, "create_server", create_server)
    monkeypatch.setattr(Manager, "end_all", lambda self: ended.append("its runs"))
    monkeypatch.setenv("PYGEOAPI_CONFIG", "")
    monkeypatch.setenv("PYGEOAPI_OPENAPI", "")
    limits = replace(
        Limits(), at_once=3, waiting=5, connections=70, upload_bytes=12_345, idle_seconds=1
    )
    _forget_the_application()
    try:
        serve(
            tmp_path / "served",
            0,
            limits=limits,
            ready=lambda url, token: told.append((url, token)),
        )
    finally:
        _forget_the_application()
    assert ended == ["its runs", "the server"]


def _forget_the_application() -> None:
    """The library has one in a process, which takes nothing in once it has answered."""
    sys.modules.pop("pygeoapi.flask_app", None)
    if hasattr(pygeoapi, "flask_app"):
        del pygeoapi.flask_app


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (
            InputError([Problem("a", "it is", "that", "do"), Problem("b", "so", "not", "say")]),
            ["it is; expected that; do", "so; expected not; say"],
        ),
        (MemoryError(), ["the run needs more memory than this host allows; use larger cells"]),
        (PlugInError("say-it", "yard-tools"), ["a bug of the package yard-tools (KeyError)"]),
        (ValueError("secret"), ["a bug in geosite (ValueError)"]),
    ],
)
def test_a_run_that_fails_says_why_and_shows_nothing_else(
    error: Exception,
    told: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    error.__cause__ = KeyError("inside")

    def execute(process: str, inputs: object, out: Path, progress: Any) -> None:
        assert (process, inputs, out) == ("derive-slope", {"unit": "degree"}, tmp_path / "out")
        progress(0.25, "half of the half")
        raise error

    limited: list[tuple[int, int]] = []
    monkeypatch.setattr(registry, "execute", execute)
    monkeypatch.setattr(job, "die_with_parent", lambda host: limited.append((host, 0)))
    monkeypatch.setattr("resource.setrlimit", lambda kind, pair: limited.append((kind, pair[0])))
    monkeypatch.setattr("signal.signal", lambda *given: None)
    asked = {
        "host": 7, "memory_bytes": 5000, "file_bytes": 300, "process": "derive-slope",
        "inputs": {"unit": "degree"}, "out": str(tmp_path / "out"),
    }  # fmt: skip
    monkeypatch.setattr(sys, "stdin", io.StringIO(json.dumps(asked)))
    job.main()
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert lines == [{"progress": 0.25, "message": "half of the half"}, {"problems": told}]
    assert [given for _, given in limited] == [0, 5000, 300]
    assert limited[0][0] == 7
