"""Conversations with the host over HTTP, in this process: what is asked, and what comes back.

Runs are copies of this process that do what the host's own runs do, or stand still, or die, as the
conversation needs it.
"""

from __future__ import annotations

import json
import os
import re
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

from approved.told import json_lines

__all__ = ["conversations"]

QUAY = Path(__file__).parent / "sites" / "quay"
URL, TOKEN = "http://127.0.0.1:5000", "a-token-of-many-letters"
POINTS = {"points": "uploads/heights.csv", "crs": "EPSG:25832+7837", "cell_size": 2}
HEADERS = ("Location", "Link", "Preference-Applied", "WWW-Authenticate", "Content-Disposition")


class Run:
    """Stands in for a process that the host starts: a copy of this one."""

    acts = "works"  # or "stands still", "is killed"
    may_begin = threading.Event()  # a job in the background is answered before it runs

    def __init__(self, command: list[str], **_: Any) -> None:
        assert command[1:] == ["-m", "geosite.processes.hosts.job"]
        assert self.may_begin.wait(60)
        to_run, to_host = os.pipe(), os.pipe()
        self.pid = os.fork()
        if self.pid == 0:
            os.close(to_run[1])
            self._work(to_run[0], to_host[1])
        os.close(to_run[0])
        os.close(to_host[1])
        self.stdin = os.fdopen(to_run[1], "w", encoding="utf-8")
        self.stdout = os.fdopen(to_host[0], encoding="utf-8")
        self.ended, self.asked = False, threading.Lock()

    def _work(self, reading: int, writing: int) -> None:
        try:
            os.setsid()
            sys.stdin = os.fdopen(reading, encoding="utf-8")
            sys.stdout = os.fdopen(writing, "w", encoding="utf-8")
            sys.stderr = os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
            if self.acts == "works":
                from geosite.processes.hosts.job import main

                main()
            elif self.acts == "stands still":
                print(json.dumps({"progress": 0.5, "message": "half of it"}), flush=True)
                time.sleep(60)  # nobody should wait for more
            sys.stdout.flush()
        finally:
            os._exit(0)

    def poll(self) -> int | None:
        with self.asked:
            self.ended = self.ended or os.waitpid(self.pid, os.WNOHANG)[0] != 0
        return 0 if self.ended else None

    def wait(self) -> int:
        while self.poll() is None:
            time.sleep(0.001)
        return 0


class Conversation:
    """Asks the host and writes down both sides; jobs have numbers, times are left out."""

    def __init__(self, client: Any) -> None:
        self.client = client
        self.jobs: list[str] = []
        self.lines: list[str] = []

    def head(self, words: str) -> None:
        self.lines += ["", f"== {words}"]

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        """Ask, and tell what came back."""
        answer = self.quietly(method, path, body, **headers)
        told = "" if body is None else f" {_one(body)}"
        extra = "".join(f" {name}: {text}" for name, text in headers.items())
        self.lines.append(self.masked(f"> {method} {path}{extra}{told}"))
        self.lines += [self.masked(line) for line in _answer(answer)]
        return answer

    def quietly(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        given = {"Authorization": f"Bearer {TOKEN}"}
        given |= {name.replace("_", "-"): text for name, text in headers.items()}
        where: dict[str, Any] = {"method": method, "base_url": URL}
        # buffered, so that files that are answered are closed
        return self.client.open(path, **where, data=data, headers=given, buffered=True)

    def run(self, process: str, inputs: Any, later: bool = False, **more: Any) -> str:
        """Run a process; return the path of the job."""
        headers = {"Prefer": "respond-async"} if later else {}
        place = f"/processes/{process}/execution"
        if later:
            Run.may_begin.clear()
        answer = self.ask("POST", place, {"inputs": inputs, **more}, **headers)
        Run.may_begin.set()
        return str(answer.headers.get("Location", "")).removeprefix(URL)

    def until(self, job: str, status: str, message: str = "") -> None:
        """Wait for a job to come so far."""
        for _ in range(6000):
            told = self.quietly("GET", job).json
            if told["status"] == status and message in told.get("message", ""):
                return
            time.sleep(0.01)
        raise AssertionError(f"{told}, expected {status}")

    def masked(self, line: str) -> str:
        line = re.sub(r"geosite-output-[0-9a-f]{64}", "BOUNDARY", line)
        for found in re.findall(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", line):
            if found not in self.jobs:
                self.jobs.append(found)
            line = line.replace(found, f"JOB{self.jobs.index(found) + 1}")
        return re.sub(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[.\d]*(Z|\+00:00)", "TIME", line)


def _problem(answer: Any) -> dict[str, Any]:
    """An error in which everything is said as it should be, so that it can be told in short."""
    kinds = "http://www.opengis.net/def/exceptions/ogcapi-processes-1/1.0/"
    told = answer.json
    title, detail = str(told.get("code")), str(told.get("detail"))
    words = re.sub("(?<=[a-z])(?=[A-Z])", "-", title).lower()
    kind = "about:blank" if title == "NoApplicableCode" else kinds + words
    about = {"type": kind, "title": title, "status": answer.status_code, "detail": detail}
    return about | {"code": title, "description": detail}


def _one(body: Any) -> str:
    text = body.decode("latin-1") if isinstance(body, bytes) else json.dumps(body)
    return text if len(text) < 300 else f"{text[:100]} ..."


def _answer(answer: Any) -> Iterator[str]:
    kind = answer.headers.get("Content-Type", "")
    yield f"< {answer.status_code} {'' if answer.status_code >= 400 else kind}".rstrip()
    for name in HEADERS:
        for text in answer.headers.getlist(name):
            yield f"  {name}: {text}"
    for name, text in SAFE.items():
        if answer.headers.get(name) != text:
            yield f"  {name}: {answer.headers.get(name)}"
    if answer.status_code >= 400 and answer.json == (problem := _problem(answer)):
        yield f"  {problem['title']} ({problem['type'].rpartition('/')[2]})"
        yield from (f"  {line}" for line in problem["detail"].splitlines())
    elif "json" in kind:
        yield from json_lines(answer.json, "  ")
    elif "multipart" in kind:
        for part in answer.data.split(b"\r\n"):
            yield f"  {_text(part)}"
    elif answer.data:
        yield f"  {_text(answer.data)}"


SAFE = {
    "Content-Security-Policy": "default-src 'none'; sandbox",
    "X-Content-Type-Options": "nosniff",
}
"""Headers that each answer has; they are told where one lacks them."""


def _text(data: bytes) -> str:
    if len(data) > 200 or data.startswith(b"II"):
        return f"({'a TIFF' if data.startswith(b'II') else 'many bytes'})"
    return data.decode("utf-8", "backslashreplace")


@contextmanager
def _host(folder: Path) -> Iterator[tuple[Conversation, Any]]:
    """A host whose runs are copies of this process, with small limits."""
    sys.modules.pop("pygeoapi.flask_app", None)  # it has one application
    from geosite.processes.hosts import jobs, preloaded
    from geosite.processes.hosts.http import made_ready, served

    assert preloaded
    limits = jobs.Limits(
        upload_bytes=20_000, folder_bytes=2_000_000, memory_bytes=6_000_000_000, at_once=1
    )
    place = mock.patch.dict(os.environ)
    runs = mock.patch.object(jobs.subprocess, "Popen", Run)
    with place, served(made_ready(folder / "served"), URL, TOKEN, limits) as (application, manager):
        with runs:
            Run.may_begin.set()
            yield Conversation(application.test_client()), manager
        manager.end_all()


def conversations(folder: Path) -> dict[str, str]:
    """Every path of the host, each with what is right and what is not."""
    texts = {}
    with _host(folder) as (talk, manager):
        for part in (_doors, _pages, _files, _requests, _results, _jobs):
            talk.lines = []
            part(talk, manager)
            texts[f"{part.__name__.strip('_')}.txt"] = "\n".join(talk.lines).strip() + "\n"
    return {name: text.replace(str(folder), "FOLDER") for name, text in texts.items()}


def _doors(talk: Conversation, _: Any) -> None:
    """Who is let in."""
    talk.head("no token, a wrong one, the right one as a password")
    for words in ("", "Bearer x", "Basic YW55Ong=", "Basic YW55OmEtdG9rZW4tb2YtbWFueS1sZXR0ZXJz"):
        talk.ask("GET", "/jobs", Authorization=words)
    talk.head("from another site, by another name")
    talk.ask("GET", "/jobs", Origin="http://elsewhere.invalid")
    talk.ask("GET", "/jobs", Origin="http://localhost:5000")
    talk.ask("GET", "/jobs", Host="elsewhere.invalid")
    talk.ask("GET", "/jobs", Host="localhost:5000")
    talk.head("pages for a browser, what is not there, other methods")
    talk.ask("GET", "/?f=html")
    talk.ask("GET", "/static/css/default.css")
    talk.ask("GET", "/collections", Accept="text/html")
    talk.ask("GET", "/nothing/here")
    talk.ask("GET", "/jobs/%00")
    talk.ask("PATCH", "/jobs")


def _pages(talk: Conversation, _: Any) -> None:
    """What there is."""
    talk.head("what there is")
    talk.ask("GET", "/", Accept="text/html")
    talk.ask("GET", "/conformance")
    talk.ask("GET", "/processes?limit=2")
    talk.ask("GET", "/processes?limit=none")
    talk.ask("GET", "/processes/derive-slop")
    talk.head("the description of a process")
    talk.ask("GET", "/processes/derive-slope")
    talk.head("the interface, of the processes two")
    document = talk.quietly("GET", "/openapi")
    told = document.json
    told["info"]["version"] = "VERSION"
    paths = told["paths"]
    kept = ("/processes/derive-slope", "/processes/calibrate-device")
    for path in [p for p in paths if p.startswith("/processes/") and not p.startswith(kept)]:
        del paths[path]
    talk.lines += [f"< {document.status_code} {document.headers['Content-Type']}"]
    talk.lines += json_lines(told, "  ")


def _files(talk: Conversation, manager: Any) -> None:
    """Files are sent, fetched and removed."""
    talk.head("sent, fetched, sent again, removed")
    talk.ask("PUT", "/files/uploads/site one/a.txt", b"first")
    talk.ask("GET", "/files/uploads/site one/a.txt")
    talk.ask("PUT", "/files/uploads/site one/a.txt", b"second")
    talk.ask("GET", "/files/uploads/site one/a.txt")
    talk.ask("DELETE", "/files/uploads/site one/a.txt")
    talk.ask("GET", "/files/uploads/site one/a.txt")
    talk.ask("DELETE", "/files/uploads/site one/a.txt")
    talk.head("names that are none, and places that are taken")
    for name in (".hidden", "a/b/c/d.txt", "a/b/c/d/e.txt", "a;b", "site one", "-a", "a" * 100,
                 "a" * 101):  # fmt: skip
        talk.ask("PUT", f"/files/uploads/{name}", b"x")
    talk.ask("PUT", "/files/uploads/a/b/c/d.txt/e", b"x")
    talk.ask("DELETE", "/files/uploads/a;b")
    talk.ask("PUT", "/files/other/a.txt", b"x")
    talk.head("too large, and a folder that is full")
    talk.ask("PUT", "/files/uploads/large.bin", b"x" * 20_001)
    for number in range(4):
        path = manager.folder / "uploads" / f"filler{number}"
        path.write_bytes(b"x" * 496_000)
    talk.ask("PUT", "/files/uploads/full.bin", b"x" * 15_000)
    for number in range(4):
        talk.quietly("DELETE", f"/files/uploads/filler{number}")
    talk.ask("GET", "/files/.host/jobs.sqlite")
    talk.ask("GET", "/files/uploads")
    talk.ask("GET", f"/files/uploads/{'a' * 300}")


def _requests(talk: Conversation, manager: Any) -> None:
    """Requests that cannot be run."""
    execution = "/processes/derive-slope/execution"
    talk.head("requests that are none")
    twice, misspelt = b'{"inputs": {}, "inputs": {}}', b'{"inputs": {}, "output": 3}'
    for body in (b"", b"[]", b"{", b'{"inputs": []}', b'{"inputs": {"unit": NaN}}', b"\xff",
                 b'{"input": {}}', twice, misspelt):  # fmt: skip
        talk.ask("POST", execution, body)
    talk.ask("POST", "/processes/derive-slop/execution", {"inputs": {}})
    talk.ask("POST", execution, {"inputs": {}, "subscriber": {"successUri": "http://e.invalid"}})
    wrong = {"slop": {}, "slope": {"transmissionMode": "mail"}, "aspect": 3}
    talk.run("derive-slope", {}, outputs=wrong, response="paper")
    talk.run("derive-slope", {}, outputs=3)
    talk.head("inputs that are missing or wrong")
    talk.run("derive-slope", {"unit": "gradient", "methods": "horn", "elevation": 3})
    talk.run("interpolate-elevation", {"cell_size": -1, "extent": [0, 1], "method": ["tin"]})
    talk.head("files that are not in the folder")
    for path in ("/etc/hostname", "../outside.tif", "uploads/../../a.tif", ".host/jobs.sqlite",
                 "http://e.invalid/a.tif", "/vsicurl/http://e.invalid/a.tif", "uploads/none.tif",
                 "uploads", "", 7, {"href": f"{URL}/files/uploads/none%20.tif"},
                 {"href": "http://localhost:5000/files/uploads/none.tif"}, "a" * 5000):  # fmt: skip
        talk.run("derive-slope", {"elevation": path})
    talk.head("lists of files")
    for sites in ("uploads/a.toml", [], ["/etc/hostname"], {"value": ["uploads/a", 3]}):
        talk.run("calibrate-device", {"sites": sites})
    talk.head("files within a request")
    for given in (
        {"value": "x", "mediaType": "text/html"},
        {"value": "x*", "encoding": "base64", "mediaType": "image/tiff"},
        {"value": "x", "encoding": "zip", "mediaType": "image/tiff"},
        {"value": "no raster", "mediaType": "image/tiff"},
    ):
        talk.run("derive-slope", {"elevation": given})
    assert not any((manager.folder / ".host" / "inline").glob("*/*")), "files of refused requests"
    talk.head("there are no jobs of all that but the one whose file was looked into")
    for job in talk.ask("GET", "/jobs").json["jobs"]:
        talk.quietly("DELETE", f"/jobs/{job['jobID']}")


def _results(talk: Conversation, manager: Any) -> None:
    """Runs, and their results in all shapes."""
    for name in ("heights.csv", "parcels.geojson"):
        talk.quietly("PUT", f"/files/uploads/{name}", (QUAY / name).read_bytes())
    reference = {"transmissionMode": "reference"}
    talk.head("one output, raw and by value")
    ground = talk.run("interpolate-elevation", POINTS)
    talk.ask("GET", ground)
    talk.ask("GET", f"{ground}/results")
    talk.head("a document of references, taken by the next run")
    made = manager.results_of(ground.rpartition("/")[2]) / "elevation.tif"
    href = f"{URL}/files/{made.relative_to(manager.folder).as_posix()}"
    talk.ask("GET", href.removeprefix(URL))
    given = {"elevation": {"href": href, "type": "image/tiff"}, "unit": "degree"}
    modes = {"slope": reference, "aspect": reference}
    slope = talk.run("derive-slope", given, outputs=modes, response="document")
    talk.ask("GET", f"{slope}/results")
    talk.head("links alone; parts; one value in a document, the points within the request")
    talk.run("derive-slope", given, outputs=modes)
    talk.run("derive-slope", given, outputs={"aspect": {}, "slope": reference})
    inline = {"value": (QUAY / "heights.csv").read_text("utf-8"), "mediaType": "text/csv"}
    talk.run("interpolate-elevation", POINTS | {"points": inline}, outputs={"elevation": reference},
             response="document")  # fmt: skip
    assert not any((manager.folder / ".host" / "inline").glob("*")), "files of a request that ended"
    talk.head("a run that is refused by the process")
    refused = talk.run("interpolate-elevation", POINTS | {"crs": "EPSG:4326"})
    assert not refused
    failed = talk.run("interpolate-elevation", POINTS | {"crs": "EPSG:4326"}, later=True)
    talk.until(failed, "failed")
    talk.ask("GET", failed)
    talk.ask("GET", f"{failed}/results")
    assert not (manager.folder / failed.lstrip("/")).exists(), "files of a run that failed"
    talk.head("results that somebody took away, a job that is removed, one that never was")
    made.unlink()
    talk.ask("GET", f"{ground}/results")
    talk.ask("DELETE", ground)
    for path in (ground, f"{ground}/results", "/jobs/none"):
        talk.ask("GET", path)
    talk.ask("DELETE", ground)


@contextmanager
def _acting(how: str) -> Iterator[None]:
    with mock.patch.object(Run, "acts", how):
        yield


def _jobs(talk: Conversation, manager: Any) -> None:
    """Jobs through their states."""
    for job in talk.quietly("GET", "/jobs").json["jobs"]:
        talk.quietly("DELETE", f"/jobs/{job['jobID']}")
    threads = threading.active_count()
    with _acting("stands still"):
        talk.head("one runs, one waits, a third is too much")
        first = talk.run("interpolate-elevation", POINTS, later=True, outputs={"elevation": {}})
        talk.until(first, "running", "half")
        second = talk.run("interpolate-elevation", POINTS, later=True)
        talk.ask("GET", first)
        talk.ask("GET", second)
        talk.ask("GET", f"{second}/results")
        talk.ask("GET", f"{first}/results")
        limits = manager.limits
        manager.limits = replace(limits, waiting=0)
        talk.run("interpolate-elevation", POINTS)
        manager.limits = replace(limits, folder_bytes=1000)
        talk.run("interpolate-elevation", POINTS)
        manager.limits = limits
        talk.head("lists")
        for query in ("", "?limit=1", "?offset=1", "?status=running,accepted&limit=1&offset=0",
                      "?status=successful", "?processID=derive-slope", "?type=process&limit=1",
                      "?status=done", "?limit=0", "?datetime=2026-05-01/..&limit=1",
                      "?datetime=../2026-05-01", "?datetime=May", "?minDuration=0&limit=5",
                      "?maxDuration=0x"):  # fmt: skip
            talk.ask("GET", f"/jobs{query}")
        talk.head("the one that waits is dismissed, then the one that runs")
        talk.ask("DELETE", second)
        talk.ask("DELETE", first)
        talk.ask("GET", first)
        talk.ask("GET", "/jobs")
        _settle(threads)
        talk.head("runs that take too long, that are killed")
        manager.limits = replace(limits, seconds=0.2)
        talk.run("interpolate-elevation", POINTS)
        manager.limits = limits
    with _acting("is killed"):
        talk.run("interpolate-elevation", POINTS)
    _settle(threads)
    assert not any((manager.folder / "jobs").iterdir()), "files of runs that failed"
    talk.head("what a host that was killed left is closed by the next one")
    for number, status in enumerate(("accepted", "running", "successful", "failed")):
        identifier = f"00000000-0000-0000-0000-00000000000{number}"
        record = {"identifier": identifier, "process_id": "set-out", "status": status}
        record |= {"created": "2026-05-01T08:30:00Z", "message": f"it was {status}"}
        manager.add_job(record)
        (manager.folder / "jobs" / identifier).mkdir()
    manager.clear_up()
    talk.ask("GET", "/jobs?processID=set-out")
    left = sorted(path.name for path in (manager.folder / "jobs").iterdir())
    talk.lines.append(talk.masked(f"folders: {' '.join(left)}"))


def _settle(threads: int) -> None:
    """Wait until the threads of jobs have ended."""
    for _ in range(3000):
        if threading.active_count() <= threads:
            return
        time.sleep(0.01)
    raise AssertionError("a thread of a job goes on")
